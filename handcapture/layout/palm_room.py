"""Where palm, heel and forearm come to lie on a panel: is there room, and does an edge or a button lie under them.

The hand lies on the mat as it was measured, and the panel where the layout has it under the fingers; the panel's upper
face is taken to be as high as the mat was. What counts is how far behind the heel the panel ends, along the forearm: an
edge may lie in front of the wrist, under it, or behind it. That is weighed against how surely the heel's place is known
and how the hand wanders. The checks are about comfort and room only: no medical advice is given, and none is meant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from handcapture.layout.model import Button, Finding, Layout, Point
from handcapture.layout.outline import polygon
from handcapture.names import SIDES, Side
from handcapture.placement import HandPosture, Palm
from handcapture.rest import Rest

if TYPE_CHECKING:
    from shapely import Polygon

FloatArray = NDArray[np.float64]

WRIST_BEFORE_MM: Final = 10.0
WRIST_BEHIND_MM: Final = 25.0
"""The wrist is taken to reach from so far in front of the heel's rear end to so far behind it (our own figures)."""
LIKELY, POSSIBLE = 0.5, 0.15
"""Probability from which an edge under the wrist is a warning, and from which it is advice (our own figures)."""
USUAL_DEPTH_MM: Final = (60.0, 110.0)
"""From the front edge to the nearest row of buttons (common practice, no source). A whole palm is 100 to 127 mm, from
the wrist's crease to that of the middle finger (ANSUR II, 5th percentile of women to 95th of men)."""
HARDLY: Final = 0.1
"""A palm of which the panel carries less lies in front of it."""
HEEL_SHARE: Final = 0.55
"""The rear part of the palm that lies on the panel; in front of it the palm is arched (our own figure)."""
LEAST_OVERLAP_MM: Final = 2.0
"""Outlines are known to a millimetre or two; a rim that reaches less far under the palm is not told."""
ROUNDING: Final = "Round the edge: 3 mm at least, better 6 to 10 mm (common practice, no source)."
_CLEAR_SDS: Final = 1.1
"""So many deviations beyond the wrist, an edge lies under it less probably than POSSIBLE."""
_FAR_MM: Final = 5000.0
_NEAR_CHORD_MM: Final = 0.05


@dataclass(frozen=True)
class ButtonUnderPalm:
    """A button whose rim reaches `overlap_mm` under the palm; `heel` tells whether under its rear part."""

    label: str
    overlap_mm: float
    heel: bool


@dataclass(frozen=True)
class HandRoom:
    """One hand on the panel, panel frame.

    `forearm` is the unit vector from the heel along the forearm. `edge_behind_mm` is how far behind the heel the panel
    ends, along it, negative where it ends in front of the heel; `edge_sd_mm` is the deviation of that.
    `edge_under_wrist` is the probability that the edge lies under the wrist, `heel_over_edge` that it lies in front of
    that. `palm_on_panel` is the share of the palm that the panel carries. `row_to_edge_mm` is the depth from the rims
    of the hand's nearest buttons (near row, the thumb's left out) to that edge, `row_to_heel_mm` to the heel; None
    where there are none.
    """

    side: Side
    heel_mm: Point
    forearm: Point
    edge_behind_mm: float
    edge_sd_mm: float
    edge_under_wrist: float
    heel_over_edge: float
    palm_on_panel: float
    row_to_edge_mm: float | None
    row_to_heel_mm: float | None
    under_palm: tuple[ButtonUnderPalm, ...]


@dataclass(frozen=True)
class PalmRoom:
    """The hands whose palms were measured; none where the rest does not hold them."""

    hands: tuple[HandRoom, ...]


def palm_room(layout: Layout, rest: Rest) -> PalmRoom:
    """Return where the palms come to lie on the layout's panel."""
    return PalmRoom(
        tuple(
            _hand_room(layout, rest, hand, hand.palm)
            for side in SIDES
            for hand in rest.hands
            if hand.side == side and hand.palm is not None
        )
    )


def check_palm_room(layout: Layout, rest: Rest) -> tuple[Finding, ...]:
    """Return what the palms' room is short of, with the change in millimetres that would mend it."""
    found: list[Finding] = []
    for hand in palm_room(layout, rest).hands:
        found += _edge(hand)
        found += [_under_palm(hand, button) for button in hand.under_palm]
    return tuple(found)


def _hand_room(layout: Layout, rest: Rest, hand: HandPosture, palm: Palm) -> HandRoom:
    import shapely

    origin = np.array(layout.panel_origin_mm)
    panel = polygon(layout.panel, _NEAR_CHORD_MM)
    heel, outline = palm.heel_mm - origin, palm.outline_mm - origin
    back = palm.forearm
    if back is None:
        away = heel - outline.mean(axis=0)
        back = away / max(float(np.linalg.norm(away)), 1e-6)
    behind = _edge_behind(panel, heel, back)
    spreads = [float(np.trace(tip.spread_mm2)) / 2 for tip in rest.fingertips if tip.side == hand.side]
    sd = math.hypot(palm.heel_sd_mm, math.sqrt(float(np.mean(spreads))) if spreads else 0.0)
    over, under = _normal((-WRIST_BEFORE_MM - behind) / sd), _normal((WRIST_BEHIND_MM - behind) / sd)
    wrist = shapely.LineString(palm.wrist_line_mm - origin)
    # An edge that runs along the arm, or a corner, can lie under the wrist without crossing the forearm's axis there.
    lies_across = wrist.crosses(panel.boundary)
    whole = _in_front(shapely.Polygon(outline).buffer(0), heel, back)
    mine = [b for b in layout.buttons if b.side == hand.side and b.finger != "thumb" and b.row == "near"]
    depths = [_edge_behind(panel, np.array(b.centre_mm), back) - b.top_radius_mm for b in mine]
    reaches = [float((heel - b.centre_mm) @ back) - b.top_radius_mm for b in mine]
    return HandRoom(
        side=hand.side,
        heel_mm=(float(heel[0]), float(heel[1])),
        forearm=(float(back[0]), float(back[1])),
        edge_behind_mm=behind,
        edge_sd_mm=sd,
        edge_under_wrist=max(under - over, LIKELY if lies_across and over < LIKELY else 0.0),
        heel_over_edge=over,
        palm_on_panel=float(whole.intersection(panel).area / max(whole.area, 1e-6)),
        row_to_edge_mm=min(depths) if depths else None,
        row_to_heel_mm=min(reaches) if reaches else None,
        under_palm=tuple(_overlaps(layout, whole, heel, back)),
    )


def _normal(x: float) -> float:
    """Return the standard normal distribution's share below x."""
    return 0.5 * math.erfc(-x / math.sqrt(2))


def _edge_behind(panel: Polygon, place: FloatArray, back: FloatArray) -> float:
    """Return how far behind a place, along the unit vector `back`, the panel ends; negative where it ends before it."""
    import shapely

    inside = panel.contains(shapely.Point(place))
    ray = shapely.LineString([place, place + (back if inside else -back) * _FAR_MM])
    crossed = ray.intersection(panel.boundary)
    if crossed.is_empty:
        return -float(panel.distance(shapely.Point(place)))
    away = float(shapely.Point(place).distance(crossed))
    return away if inside else -away


def _in_front(palm: Polygon, heel: FloatArray, back: FloatArray, share: float = 1.0) -> Polygon:
    """Return the part of an outline in front of the wrist; with `share`, only the rear share of its length."""
    import shapely

    outline = np.asarray(palm.exterior.coords)
    length = max(-float(((outline - heel) @ back).min()), 1e-6) * share
    across = np.array([-back[1], back[0]]) * _FAR_MM
    front = heel - back * length
    return palm.intersection(shapely.Polygon([heel - across, heel + across, front + across, front - across]))


def _overlaps(layout: Layout, palm: Polygon, heel: FloatArray, back: FloatArray) -> list[ButtonUnderPalm]:
    import shapely

    rear = _in_front(palm, heel, back, HEEL_SHARE)
    found = []
    for button in layout.buttons:
        centre = shapely.Point(button.centre_mm)
        deep = _deep(palm, centre, button)
        if deep > LEAST_OVERLAP_MM:
            found.append(ButtonUnderPalm(button.label, deep, _deep(rear, centre, button) > LEAST_OVERLAP_MM))
    return found


def _deep(shape: Polygon, centre: object, button: Button) -> float:
    """Return how far a button's rim reaches under a shape; below 0 it is clear of it."""
    away = float(shape.exterior.distance(centre))
    return button.top_radius_mm + (away if shape.contains(centre) else -away)


def _edge(hand: HandRoom) -> list[Finding]:
    """Tell where the panel's edge lies under the hand, and how deep the panel is there."""
    found = []
    numbers = {
        "edge_behind_heel_mm": round(hand.edge_behind_mm, 3),
        "sd_mm": round(hand.edge_sd_mm, 3),
        "edge_under_wrist": round(hand.edge_under_wrist, 4),
        "heel_over_edge": round(hand.heel_over_edge, 4),
        "palm_on_panel": round(hand.palm_on_panel, 4),
    }
    # Across a front edge that is level; lengths along an oblique forearm are longer.
    level = abs(hand.forearm[1])
    deeper = level * (WRIST_BEHIND_MM + _CLEAR_SDS * hand.edge_sd_mm - hand.edge_behind_mm)
    where = "behind" if hand.edge_behind_mm >= 0 else "in front of"
    lies = f"{abs(hand.edge_behind_mm):.0f} ± {2 * hand.edge_sd_mm:.0f} mm {where} the {hand.side} hand's heel"
    more = f"make the panel {deeper:.0f} mm deeper in front, or let all buttons stand so much further back on it"
    if hand.palm_on_panel < HARDLY:
        found.append(
            Finding(
                "palm-off-panel",
                "advice",
                f"The {hand.side} palm lies in front of the panel, not on it: that ends {lies}.",
                (hand.side,),
                numbers,
                f"Put a rest as high as the panel there; or, for the heel to lie on it, {more}. {ROUNDING}",
            )
        )
    elif hand.heel_over_edge >= LIKELY:
        found.append(
            Finding(
                "heel-over-edge",
                "warning",
                f"The panel ends {lies}: its edge lies under the palm.",
                (hand.side,),
                numbers,
                f"For the heel to lie on it {more}; or put a rest of the same height before it. {ROUNDING}",
            )
        )
    elif hand.edge_under_wrist >= POSSIBLE:
        likely = hand.edge_under_wrist >= LIKELY
        found.append(
            Finding(
                "edge-under-wrist",
                "warning" if likely else "advice",
                f"The panel ends {lies}: its edge {'lies' if likely else 'may come to lie'} under the wrist, "
                "which most people do not like.",
                (hand.side,),
                numbers,
                f"To have it under the forearm {more}. {ROUNDING}",
            )
        )
    depth, needs = hand.row_to_edge_mm, hand.row_to_heel_mm
    if depth is not None and needs is not None and hand.palm_on_panel >= HARDLY and depth < USUAL_DEPTH_MM[0]:
        low, high = USUAL_DEPTH_MM
        found.append(
            Finding(
                "palm-room-short",
                "advice",
                f"From the front edge to the {hand.side} hand's buttons there are {depth:.0f} mm; {low:.0f} to "
                f"{high:.0f} mm are common (no source), and this hand's heel lies {needs:.0f} mm behind them.",
                (hand.side,),
                {"depth_mm": round(depth, 3), "usual_mm": low, "heel_mm": round(needs, 3)},
                f"Make the panel {level * (low - depth):.0f} mm deeper for what is common, "
                f"{level * max(needs - depth, 0.0):.0f} mm for the whole of this palm.",
            )
        )
    return found


def _under_palm(hand: HandRoom, button: ButtonUnderPalm) -> Finding:
    part, does = ("heel", "presses it") if button.heel else ("palm", "hides it, and presses it when it sinks")
    return Finding(
        "palm-on-button",
        "warning" if button.heel else "advice",
        f"{button.label} reaches {button.overlap_mm:.0f} mm under the {part} of the {hand.side} hand, which {does}.",
        (button.label, hand.side),
        {"overlap_mm": round(button.overlap_mm, 3)},
        f"Move it {math.ceil(button.overlap_mm):.0f} mm out from under the hand.",
    )
