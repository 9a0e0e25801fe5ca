"""Checks of the panel as it would be cut: webs, edges, parts, openings, what is in the way, and the usual practice."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from handcapture.layout.materials import practice_for
from handcapture.layout.model import Button, Finding, KeepOut, Layout, Panel, Point
from handcapture.layout.outline import sides_of

TOLERANCE_MM: Final = 0.005
FINGER_GAP_MM: Final = 6.0
"""Least edge-to-edge gap of push buttons of different fingers, MIL-STD-1472 (from memory); panels of this kind are
often closer, hence advice only."""


def panel_findings(layout: Layout) -> list[Finding]:
    """Return what a workshop must know, whoever made the layout."""
    return [
        *_webs(layout),
        *_parts(layout),
        *_edges(layout),
        *_keep_outs(layout),
        *_cuts(layout),
        *_practice(layout),
    ]


def _webs(layout: Layout) -> list[Finding]:
    found = []
    for k, first in enumerate(layout.buttons):
        for second in layout.buttons[k + 1 :]:
            web = math.dist(first.centre_mm, second.centre_mm) - (first.hole_mm + second.hole_mm) / 2
            labels = (first.label, second.label)
            numbers = {"web_mm": round(web, 3), "least_mm": layout.panel.web_mm}
            if web < 0:
                found.append(
                    Finding(
                        "holes-overlap",
                        "error",
                        f"The holes of {first.label} and {second.label} overlap by {-web:.1f} mm.",
                        labels,
                        numbers,
                        "Move one of them.",
                    )
                )
            elif web < layout.panel.web_mm - TOLERANCE_MM:
                found.append(
                    Finding(
                        "web-thin",
                        "error",
                        f"{first.label} and {second.label} leave {web:.1f} mm of web, "
                        f"less than the {layout.panel.web_mm:g} mm asked for.",
                        labels,
                        numbers,
                        f"Move them {layout.panel.web_mm - web:.1f} mm apart.",
                    )
                )
            elif web < FINGER_GAP_MM and (first.side, first.finger) != (second.side, second.finger):
                found.append(
                    Finding(
                        "finger-gap-small",
                        "advice",
                        f"{first.label} and {second.label}, worked by different fingers, stand {web:.1f} mm apart.",
                        labels,
                        {"gap_mm": round(web, 3), "advised_mm": FINGER_GAP_MM},
                        f"From {FINGER_GAP_MM:g} mm on, a finger seldom catches its neighbour's button.",
                    )
                )
    return found


def _parts(layout: Layout) -> list[Finding]:
    """Check what is mounted in the holes: rims on top, bodies below, and that a part fits its hole."""
    found, panel = [], layout.panel
    for k, first in enumerate(layout.buttons):
        part = first.part
        if part is not None and abs(part.hole_mm - first.hole_mm) > TOLERANCE_MM:
            wide = first.hole_mm > part.hole_mm
            found.append(
                Finding(
                    "part-hole-differs",
                    "error" if 0 < part.rim_mm <= first.hole_mm or not wide else "warning",
                    f"{first.label} has a hole of {first.hole_mm:g} mm; {part.name} is made for {part.hole_mm:g} mm.",
                    (first.label,),
                    {"hole_mm": round(first.hole_mm, 3), "part_hole_mm": part.hole_mm},
                    "Leave hole_mm to the part, or name another part.",
                )
            )
        if part is None:
            continue
        for second in layout.buttons[k + 1 :]:
            if second.part is None:
                continue
            apart = math.dist(first.centre_mm, second.centre_mm)
            for code, what, sizes, least in (
                ("rims-collide", "rims", (part.rim_mm, second.part.rim_mm), panel.rim_gap_mm),
                ("bodies-collide", "bodies below the panel", (part.below_mm, second.part.below_mm), panel.body_gap_mm),
            ):
                gap = apart - sum(sizes) / 2
                if min(sizes) > 0 and gap < least - TOLERANCE_MM:
                    found.append(
                        Finding(
                            code,
                            "error",
                            f"The {what} of {first.label} and {second.label} "
                            + (f"overlap by {-gap:.1f} mm." if gap < 0 else f"leave {gap:.1f} mm between them."),
                            (first.label, second.label),
                            {"gap_mm": round(gap, 3), "least_mm": least},
                            f"Move them {least - gap:.1f} mm apart.",
                        )
                    )
    return found


def inside_mm(button: Button, panel: Panel) -> float:
    """Return how much panel stands between a hole's edge and the panel's edge, at the closest; below 0 outside."""
    return _inside_mm(button.centre_mm, button.hole_mm / 2, panel)


def _inside_mm(centre_mm: Point, radius_mm: float, panel: Panel) -> float:
    if panel.outline:
        return float(sides_of(panel.outline).clearance(np.array([centre_mm]))[0]) - radius_mm
    half_x, half_y = panel.width_mm / 2, panel.height_mm / 2
    x = abs(centre_mm[0] - half_x) - (half_x - panel.corner_radius_mm)
    y = abs(centre_mm[1] - half_y) - (half_y - panel.corner_radius_mm)
    outside = math.hypot(max(x, 0.0), max(y, 0.0)) + min(max(x, y), 0.0)
    return panel.corner_radius_mm - outside - radius_mm


def _edges(layout: Layout) -> list[Finding]:
    found, panel = [], layout.panel
    for button in layout.buttons:
        edge = inside_mm(button, panel)
        numbers = {"edge_mm": round(edge, 3), "least_mm": panel.edge_mm}
        if edge < 0:
            found.append(
                Finding(
                    "hole-off-panel",
                    "error",
                    f"The hole of {button.label} runs {-edge:.1f} mm over the edge of {panel.name}.",
                    (button.label,),
                    numbers,
                    "Move it inwards or take a larger panel.",
                )
            )
        elif edge + button.hole_mm / 2 < button.top_radius_mm - TOLERANCE_MM:
            over = button.top_radius_mm - edge - button.hole_mm / 2
            found.append(
                Finding(
                    "rim-over-edge",
                    "error",
                    f"The rim of {button.label} stands {over:.1f} mm over the edge of {panel.name}.",
                    (button.label,),
                    {"over_mm": round(over, 3)},
                    f"Move it {over:.1f} mm inwards.",
                )
            )
        elif edge < panel.edge_mm - TOLERANCE_MM:
            found.append(
                Finding(
                    "edge-near",
                    "error",
                    f"{button.label} is {edge:.1f} mm from the edge; {panel.edge_mm:g} mm are asked for.",
                    (button.label,),
                    numbers,
                    f"Move it {panel.edge_mm - edge:.1f} mm inwards.",
                )
            )
    return found


def gap_to_keep_out_mm(button: Button, keep_out: KeepOut) -> float:
    """Return the distance to the keep-out's edge from the edge of what it concerns; below 0 they overlap.

    Above the panel that is the part's rim, below it its body; a part that ends above the obstacle is clear of it.
    """
    radius = button.hole_mm / 2
    if keep_out.face in ("above", "both"):
        radius = max(radius, button.top_radius_mm)
    if keep_out.face in ("below", "both"):
        radius = max(radius, button.below_radius_mm)
    depth = button.part.depth_mm if button.part else 0.0
    if keep_out.face == "below" and keep_out.headroom_mm is not None and 0 < depth <= keep_out.headroom_mm:
        return math.inf
    x = abs(button.centre_mm[0] - keep_out.centre_mm[0])
    y = abs(button.centre_mm[1] - keep_out.centre_mm[1])
    if keep_out.shape == "circle":
        return math.hypot(x, y) - keep_out.diameter_mm / 2 - radius
    x, y = x - keep_out.size_mm[0] / 2, y - keep_out.size_mm[1] / 2
    return math.hypot(max(x, 0.0), max(y, 0.0)) + min(max(x, y), 0.0) - radius


def _keep_outs(layout: Layout) -> list[Finding]:
    found = []
    for keep_out in layout.panel.obstacles:
        for button in layout.buttons:
            gap = gap_to_keep_out_mm(button, keep_out)
            if gap < keep_out.clearance_mm - TOLERANCE_MM:
                found.append(
                    Finding(
                        "keep-out-hit",
                        "error",
                        f"{button.label} is {gap:.1f} mm from “{keep_out.name}”, "
                        f"less than the {keep_out.clearance_mm:g} mm asked for.",
                        (button.label, keep_out.name),
                        {"gap_mm": round(gap, 3), "least_mm": keep_out.clearance_mm},
                        f"Move one of them by {keep_out.clearance_mm - gap:.1f} mm.",
                    )
                )
    return found


def _cuts(layout: Layout) -> list[Finding]:
    """Check the other openings against the panel's edge and against each other."""
    found, panel = [], layout.panel
    for k, cut in enumerate(panel.cuts):
        half = (cut.diameter_mm / 2,) * 2 if cut.shape == "circle" else (cut.size_mm[0] / 2, cut.size_mm[1] / 2)
        corners: Sequence[Point] = [cut.centre_mm]
        radius = half[0]
        if cut.shape == "rectangle":
            radius = cut.corner_radius_mm
            x, y = half[0] - radius, half[1] - radius
            corners = [(cut.centre_mm[0] + sx * x, cut.centre_mm[1] + sy * y) for sx in (-1, 1) for sy in (-1, 1)]
        edge = min(_inside_mm(corner, radius, panel) for corner in corners)
        if edge < 0:
            found.append(
                Finding(
                    "opening-off-panel",
                    "error",
                    f"The opening “{cut.name}” runs {-edge:.1f} mm over the edge of {panel.name}.",
                    (cut.name,),
                    {"edge_mm": round(edge, 3)},
                    "Move it inwards, or make it part of the outline.",
                )
            )
        for other in panel.cuts[k + 1 :]:
            gap = _between_mm(panel, k, panel.cuts.index(other))
            if gap < 0:
                found.append(
                    Finding(
                        "openings-overlap",
                        "error",
                        f"The openings “{cut.name}” and “{other.name}” overlap by {-gap:.1f} mm.",
                        (cut.name, other.name),
                        {"gap_mm": round(gap, 3)},
                        "Move one of them, or draw both as one.",
                    )
                )
    return found


def _between_mm(panel: Panel, first: int, second: int) -> float:
    """Return the gap between two openings, taken as circles and rectangles with sharp corners; below 0 they overlap."""
    one, other = panel.cuts[first], panel.cuts[second]
    x = abs(one.centre_mm[0] - other.centre_mm[0])
    y = abs(one.centre_mm[1] - other.centre_mm[1])
    round_mm = sum(cut.diameter_mm / 2 for cut in (one, other) if cut.shape == "circle")
    for cut in (one, other):
        if cut.shape == "rectangle":
            x, y = x - cut.size_mm[0] / 2, y - cut.size_mm[1] / 2
    if one.shape == other.shape == "circle":
        return math.hypot(x, y) - round_mm
    return math.hypot(max(x, 0.0), max(y, 0.0)) + min(max(x, y), 0.0) - round_mm


def _practice(layout: Layout) -> list[Finding]:
    """Tell where the panel asks for less material than is usual, and where parts do not hold on to its thickness."""
    found, panel = [], layout.panel
    practice = practice_for(panel.material)
    if practice is not None:
        for what, code, asked, usual in (
            ("between holes", "web-below-practice", panel.web_mm, practice.least_web_mm(panel.thickness_mm)),
            ("at the edge", "edge-below-practice", panel.edge_mm, practice.least_edge_mm(panel.thickness_mm)),
        ):
            if asked < usual - TOLERANCE_MM:
                found.append(
                    Finding(
                        code,
                        "advice",
                        f"{panel.name} asks for {asked:g} mm {what}; {usual:g} mm are usual for {practice.kind}.",
                        (),
                        {"asked_mm": asked, "usual_mm": usual},
                        "Common practice, no source: ask the shop, or try it on an offcut.",
                    )
                )
    for name, part in {b.part.name: b.part for b in layout.buttons if b.part is not None}.items():
        if part.clamps_mm is None or panel.thickness_mm is None:
            continue
        least, most = part.clamps_mm
        if not least - TOLERANCE_MM <= panel.thickness_mm <= most + TOLERANCE_MM:
            thin = panel.thickness_mm < least
            found.append(
                Finding(
                    "thickness-unheld",
                    "error",
                    f"{name} holds on to {least:g} to {most:g} mm; {panel.name} is {panel.thickness_mm:g} mm thick.",
                    tuple(b.label for b in layout.buttons if b.part is part),
                    {"thickness_mm": panel.thickness_mm, "least_mm": least, "most_mm": most},
                    "Take a thicker panel, or washers." if thin else "Thin the panel from below, or take other parts.",
                )
            )
    return found
