"""Whether a layout keeps what its plan arranges: straight rows, mirrored pairs, the button on the middle line.

The fit keeps them exactly; a button that is moved by hand may leave them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from handcapture.layout.model import Finding, Layout, Point
from handcapture.layout.plan import Plan

OFF_MM: Final = 0.05
"""Less is not seen, nor drilled (our own figure, no source)."""


def arrangement_findings(layout: Layout, plan: Plan) -> list[Finding]:
    """Return warnings of rows that are no longer straight, pairs no longer mirrored, a middle that is left.

    Buttons that the layout does not have are passed over.
    """
    places = {button.label: button.centre_mm for button in layout.buttons}
    found = []
    for group in plan.align:
        row = [label for label in group.buttons if label in places]
        off, which = _off_row([places[label] for label in row], group.angle_deg)
        if off > OFF_MM:
            found.append(
                _broken(
                    "row-crooked",
                    f"{row[which]} stands {off:.1f} mm off the straight row of {', '.join(row)}.",
                    row,
                    off,
                )
            )
    middle = layout.panel.width_mm / 2
    for pair in plan.mirror:
        if pair.left in places and pair.right in places:
            (left, low), (right, high) = places[pair.left], places[pair.right]
            off = float(np.hypot((left + right) - 2 * middle, low - high))
            if off > OFF_MM:
                told = f"{pair.left} stands {off:.1f} mm off the place that mirrors {pair.right}."
                found.append(_broken("mirror-broken", told, [pair.left, pair.right], off))
    if plan.centre_on in places:
        off = abs(places[plan.centre_on][0] - middle)
        if off > OFF_MM:
            told = f"{plan.centre_on} stands {off:.1f} mm off the panel's middle line."
            found.append(_broken("middle-left", told, [plan.centre_on], off))
    return found


def _off_row(places: Sequence[Point], angle_deg: float | None) -> tuple[float, int]:
    """Return how far the worst button of a row stands off it, and which it is: off the first at an angle, off the line
    through the outer two where the row may lie at any.
    """
    points = np.array(places).reshape(-1, 2)
    if len(points) < 2:
        return 0.0, 0
    if angle_deg is None:
        along = points[-1] - points[0]
        length = float(np.hypot(*along))
        along = along / length if length > 0 else np.array([1.0, 0.0])
    else:
        along = np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    off = np.abs((points - points[0]) @ np.array([-along[1], along[0]]))
    which = int(off.argmax())
    return float(off[which]), which


def _broken(code: str, message: str, labels: Sequence[str], off_mm: float) -> Finding:
    return Finding(
        code,
        "warning",
        message,
        tuple(labels),
        {"off_mm": round(off_mm, 3)},
        "Move it back, or take that out of the plan.",
    )
