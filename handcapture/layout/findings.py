"""Checks of a layout: coded entries that say what is wrong, with numbers, and what would mend it.

An error must not be cut; a warning deserves a look; advice is for comfort. The checks read the finished layout
and know nothing of how it came about, so that they also judge one that was drawn by hand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from handcapture.layout.findings_panel import panel_findings
from handcapture.layout.model import NEVER_WAIVED, Finding, Layout, Waiver
from handcapture.layout.palm_room import check_palm_room
from handcapture.names import SIDES
from handcapture.rest import Fingertip, Rest, beyond_reach_mm

CAUTIONS: Final = (
    "Before you cut: check a printed template with a ruler and with the hands. Wear eye protection; clamp the plate\n"
    "and back it; keep gloves and sleeves away from turning tools; wear a dust mask for MDF. Never laser PVC, vinyl\n"
    "or an unknown plastic, nor leave a running laser. Local codes and makers' instructions come first.\n"
    "This is a measuring aid, not medical advice. Stop if it hurts; see a clinician if pain or numbness persists."
)
FAR_FROM_FINGER_MM: Final = 8.0
"""A third of a 24 mm hole: from here on a finger has to look for its button (our own figure, no source)."""
LEAST_LANDING: Final = 0.6
UNSURE_SD_MM: Final = 3.0
HAND_MOVES_MM: Final = 5.0
"""Less than this is within what a finger gives (our own figure, no source)."""


def check_layout(
    layout: Layout, rest: Rest | None = None, waivers: Sequence[Waiver] = (), known: Sequence[Finding] = ()
) -> tuple[Finding, ...]:
    """Return all findings, errors first; with the rest, also those that concern the fingers.

    `known` are findings of whoever made the layout, which the layout itself does not show. Findings that a waiver
    covers stay in the list, with its reason; a waiver that covers none is told.
    """
    found = [*known, *panel_findings(layout), *_fingers(layout)]
    if rest is not None:
        found += [*_rest(layout, rest), *_reach(layout, rest), *check_palm_room(layout, rest)]
    order = {"error": 0, "warning": 1, "advice": 2}
    sorted_ = sorted(found, key=lambda finding: order[finding.severity])
    told = [replace(finding, waived=_reason(finding, waivers)) for finding in sorted_]
    return (*told, *_idle(told, waivers))


def _reason(finding: Finding, waivers: Sequence[Waiver]) -> str | None:
    if finding.code in NEVER_WAIVED:
        return None
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


def _reach(layout: Layout, rest: Rest) -> list[Finding]:
    """Tell of far buttons for which the hand itself has to move."""
    tips = {(tip.side, tip.finger): tip for tip in rest.fingertips}
    found = []
    for side in SIDES:
        moves: dict[str, float] = {}
        for button in layout.buttons:
            tip = tips.get((button.side, button.finger))
            if button.side != side or button.row != "far" or tip is None:
                continue
            place = np.add(layout.panel_origin_mm, button.centre_mm)
            beyond = beyond_reach_mm(tip, float((place - tip.contact_mm) @ tip.reach))
            if beyond is not None and beyond > HAND_MOVES_MM:
                moves[button.label] = beyond
        if moves:
            found.append(
                Finding(
                    "hand-must-move",
                    "advice",
                    f"For {', '.join(moves)} the {side} hand has to move, by up to {max(moves.values()):.0f} mm; "
                    "stretching the finger alone does not reach so far.",
                    tuple(moves),
                    {"moves_mm": round(max(moves.values()), 3)},
                    "Lower far_mm for what must be reached at once or often.",
                )
            )
    return found
