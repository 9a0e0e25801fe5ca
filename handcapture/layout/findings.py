"""Checks of a layout: coded entries that say what is wrong, with numbers, and what would mend it.

An error must not be cut; a warning deserves a look; advice is for comfort. The checks read the finished layout
and know nothing of how it came about, so that they also judge one that was drawn by hand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from handcapture.layout.model import Button, Finding, KeepOut, Layout, Panel, Waiver
from handcapture.rest import Fingertip, Rest

CAUTIONS: Final = (
    "Before you cut: check a printed template with a ruler and with the hands. Wear eye protection; clamp the plate\n"
    "and back it; keep gloves and sleeves away from turning tools; wear a dust mask for MDF. Never laser PVC, vinyl\n"
    "or an unknown plastic, nor leave a running laser. Local codes and makers' instructions come first.\n"
    "This is a measuring aid, not medical advice. Stop if it hurts; see a clinician if pain or numbness persists."
)
TOLERANCE_MM: Final = 0.005
FAR_FROM_FINGER_MM: Final = 8.0
"""A third of a 24 mm hole: from here on a finger has to look for its button (our own figure, no source)."""
LEAST_LANDING: Final = 0.6
FINGER_GAP_MM: Final = 6.0
"""Least edge-to-edge gap of push buttons of different fingers, MIL-STD-1472 (from memory); panels of this kind are
often closer, hence advice only."""
UNSURE_SD_MM: Final = 3.0


def check_layout(
    layout: Layout, rest: Rest | None = None, waivers: Sequence[Waiver] = (), known: Sequence[Finding] = ()
) -> tuple[Finding, ...]:
    """Return all findings, errors first; with the rest, also those that concern the fingers.

    `known` are findings of whoever made the layout, which the layout itself does not show.

    Findings that a waiver covers stay in the list, with its reason; a waiver that covers none is told.
    """
    found = [*known, *_webs(layout), *_parts(layout), *_edges(layout), *_keep_outs(layout)]
    found += _fingers(layout)
    if rest is not None:
        found += _rest(layout, rest)
    order = {"error": 0, "warning": 1, "advice": 2}
    sorted_ = sorted(found, key=lambda finding: order[finding.severity])
    told = [replace(finding, waived=_reason(finding, waivers)) for finding in sorted_]
    return (*told, *_idle(told, waivers))


def _reason(finding: Finding, waivers: Sequence[Waiver]) -> str | None:
    return next((w.reason for w in waivers if w.covers(finding.code, finding.concerns)), None)


def _idle(found: Sequence[Finding], waivers: Sequence[Waiver]) -> list[Finding]:
    """Tell of waivers that cover nothing: misspelt, or no longer needed."""
    idle = [w for w in waivers if not any(w.covers(finding.code, finding.concerns) for finding in found)]
    return [
        Finding(
            "waiver-idle",
            "advice",
            f"The waiver of {' for '.join([waiver.code, ', '.join(waiver.concerns)][: 1 + bool(waiver.concerns)])} "
            "covers nothing.",
            waiver.concerns,
            {},
            "Take it out of the plan, or mend its code and names.",
        )
        for waiver in idle
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
    half_x, half_y = panel.width_mm / 2, panel.height_mm / 2
    x = abs(button.centre_mm[0] - half_x) - (half_x - panel.corner_radius_mm)
    y = abs(button.centre_mm[1] - half_y) - (half_y - panel.corner_radius_mm)
    outside = math.hypot(max(x, 0.0), max(y, 0.0)) + min(max(x, y), 0.0)
    return panel.corner_radius_mm - outside - button.hole_mm / 2


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


def _fingers(layout: Layout) -> list[Finding]:
    found = []
    for button in layout.buttons:
        finger = f"{button.side} {button.finger}"
        if button.moved_mm > FAR_FROM_FINGER_MM:
            found.append(
                Finding(
                    "far-from-finger",
                    "error" if button.moved_mm > button.hole_mm and not button.fixed else "warning",
                    f"{button.label} stands {button.moved_mm:.1f} mm from where the {finger} wants it.",
                    (button.label,),
                    {"moved_mm": round(button.moved_mm, 3)},
                    "It is fixed there: free it, or accept the stretch."
                    if button.fixed
                    else "Give neighbours more room: smaller holes, a thinner web, another row, or no fixed places.",
                )
            )
        landing = button.landing_probability
        if landing is not None and landing < LEAST_LANDING:
            found.append(
                Finding(
                    "landing-low",
                    "warning",
                    f"The {finger} lands on {button.label} in {100 * landing:.0f} of 100 placements only.",
                    (button.label,),
                    {"landing_probability": round(landing, 4)},
                    "A larger hole or a place nearer to the finger helps; more photos tell the place better.",
                )
            )
    resting: dict[str, list[str]] = {}
    for button in layout.buttons:
        if button.row == "near":
            resting.setdefault(f"{button.side} {button.finger}", []).append(button.label)
    for finger, labels in resting.items():
        if len(labels) > 1:
            found.append(
                Finding(
                    "finger-shared",
                    "advice",
                    f"{' and '.join(labels)} share the {finger}, which can rest on one of them only.",
                    tuple(labels),
                    {"buttons": len(labels)},
                    "Put one of them into the far row, or give it to another finger.",
                )
            )
    return found


def _rest(layout: Layout, rest: Rest) -> list[Finding]:
    tips = {(tip.side, tip.finger): tip for tip in rest.fingertips}
    found = []
    for (side, finger), tip in tips.items():
        labels = tuple(b.label for b in layout.buttons if (b.side, b.finger) == (side, finger))
        if not labels:
            continue
        sd = _largest_sd_mm(tip)
        if tip.hidden:
            found.append(
                Finding(
                    "finger-hidden",
                    "warning",
                    f"The {side} {finger} was hidden in every photo; {', '.join(labels)} rests on a guess.",
                    labels,
                    {"sd_mm": round(sd, 3)},
                    "Take a photo from above the middle of the mat, with the fingers as they rest.",
                )
            )
        elif tip.placements == 1 and sd > UNSURE_SD_MM:
            found.append(
                Finding(
                    "finger-unsure",
                    "advice",
                    f"The {side} {finger}'s place is known to ±{2 * sd:.0f} mm only ({', '.join(labels)}).",
                    labels,
                    {"sd_mm": round(sd, 3)},
                    "Measure more placements.",
                )
            )
    if any(tip.spread_is_assumed for tip in tips.values()):
        found.append(
            Finding(
                "spread-assumed",
                "advice",
                "How far the fingers wander from one placement to the next was not measured but assumed.",
                (),
                {},
                "Measure three to five placements: lift the hands and lay them down again for each photo.",
            )
        )
    return found


def _largest_sd_mm(tip: Fingertip) -> float:
    (xx, xy), (_, yy) = tip.covariance_mm2.tolist()
    return math.sqrt((xx + yy) / 2 + math.hypot((xx - yy) / 2, xy))
