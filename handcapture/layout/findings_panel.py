"""Checks of the panel as it would be cut: webs, edges, parts, openings, what is in the way, and the usual practice."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from handcapture.layout.materials import practice_for
from handcapture.layout.model import Button, Cut, Finding, KeepOut, Layout, Panel
from handcapture.layout.outline import obstacles_of, polygon, sides_of

if TYPE_CHECKING:
    from shapely import Polygon

TOLERANCE_MM: Final = 0.005
_CHORDS_MM: Final = 0.02
"""What circles and arcs lose where they are divided into chords."""
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
            elif web < FINGER_GAP_MM - TOLERANCE_MM and (first.side, first.finger) != (second.side, second.finger):
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
        for second in layout.buttons[k + 1 :]:
            other = second.part
            apart = math.dist(first.centre_mm, second.centre_mm)
            for code, what, known, reach, least in (
                (
                    "rims-collide",
                    "rims",
                    max(part.rim_mm if part else 0.0, other.rim_mm if other else 0.0),
                    first.top_radius_mm + second.top_radius_mm,
                    panel.rim_gap_mm,
                ),
                (
                    "bodies-collide",
                    "bodies below the panel",
                    max(part.below_mm if part else 0.0, other.below_mm if other else 0.0),
                    first.below_radius_mm + second.below_radius_mm,
                    panel.body_gap_mm,
                ),
            ):
                gap = apart - reach
                if known > 0 and gap < least - TOLERANCE_MM:
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
    centre_mm, radius_mm = button.centre_mm, button.hole_mm / 2
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
        over = button.top_radius_mm - button.hole_mm / 2 - edge
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
            continue
        if over > TOLERANCE_MM:
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
        if edge < panel.edge_mm - TOLERANCE_MM:
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
    for keep_out in obstacles_of(layout.panel):
        opening = layout.panel.is_opening(keep_out)
        for button in layout.buttons:
            gap = gap_to_keep_out_mm(button, keep_out)
            # Rims and bodies may reach over an opening that is put up with; the holes themselves must not meet.
            between = gap + max(button.top_radius_mm, button.below_radius_mm) - button.hole_mm / 2
            if opening and between < -TOLERANCE_MM:
                found.append(
                    Finding(
                        "hole-opening-overlap",
                        "error",
                        f"The hole of {button.label} runs {-between:.1f} mm into the opening “{keep_out.name}”.",
                        (button.label, keep_out.name),
                        {"gap_mm": round(between, 3)},
                        "Move one of them.",
                    )
                )
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
    if not layout.panel.cuts:
        return []
    found, panel = [], layout.panel
    plate, shapes = polygon(panel), [_shape(cut) for cut in panel.cuts]
    for k, (cut, shape) in enumerate(zip(panel.cuts, shapes, strict=True)):
        edge = float(shape.distance(plate.exterior))
        if not plate.contains(shape):
            over = float(shape.difference(plate).area)
            found.append(
                Finding(
                    "opening-off-panel",
                    "error",
                    f"The opening “{cut.name}” runs over the edge of {panel.name}.",
                    (cut.name,),
                    {"outside_mm2": round(over, 2)},
                    "Move it inwards, or make it part of the outline.",
                )
            )
        elif edge < panel.web_mm - _CHORDS_MM:
            found.append(
                Finding(
                    "opening-near-edge",
                    "warning",
                    f"The opening “{cut.name}” leaves {edge:.1f} mm to the edge, less than {panel.web_mm:g} mm of web.",
                    (cut.name,),
                    {"edge_mm": round(edge, 2), "least_mm": panel.web_mm},
                    f"Move it {panel.web_mm - edge:.1f} mm inwards.",
                )
            )
        for other, its_shape in zip(panel.cuts[k + 1 :], shapes[k + 1 :], strict=True):
            gap = float(shape.distance(its_shape))
            if shape.intersects(its_shape):
                found.append(
                    Finding(
                        "openings-overlap",
                        "error",
                        f"The openings “{cut.name}” and “{other.name}” overlap.",
                        (cut.name, other.name),
                        {"overlap_mm2": round(float(shape.intersection(its_shape).area), 2)},
                        "Move one of them, or draw both as one.",
                    )
                )
            elif gap < panel.web_mm - _CHORDS_MM:
                found.append(
                    Finding(
                        "openings-near",
                        "warning",
                        f"The openings “{cut.name}” and “{other.name}” leave {gap:.1f} mm of web, less than the "
                        f"{panel.web_mm:g} mm asked for.",
                        (cut.name, other.name),
                        {"web_mm": round(gap, 2), "least_mm": panel.web_mm},
                        f"Move them {panel.web_mm - gap:.1f} mm apart.",
                    )
                )
    return found


def _shape(cut: Cut) -> Polygon:
    """Return an opening as a polygon of shapely."""
    import shapely

    if cut.shape == "circle":
        return shapely.Point(cut.centre_mm).buffer(cut.diameter_mm / 2, quad_segs=64)
    (x, y), (width, height), radius = cut.centre_mm, cut.size_mm, cut.corner_radius_mm
    core = shapely.box(x - width / 2 + radius, y - height / 2 + radius, x + width / 2 - radius, y + height / 2 - radius)
    return core.buffer(radius, quad_segs=64) if radius else core


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
