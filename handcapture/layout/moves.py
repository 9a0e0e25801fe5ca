"""Other arrangements worth a try: the problem is not convex, and a descent ends on the side where it began.

What holds a button away from its wish is a neighbour or an obstacle, and often the way is free on its other side. Each
constraint that presses gives such moves, the hardest pressing ones first: around the obstacle, or the two buttons
turned about their middle; and what is off its wish may be off it to another side. A local search over them finds what
scattered starts find only with luck.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from handcapture.layout.constraints import Constraint, FloatArray, Sizes
from handcapture.layout.model import KeepOut

_PRESSES: Final = 1e-6
_TURNS: Final = (np.pi, np.pi / 2, -np.pi / 2)
_OBSTACLES_FIRST: Final = 1.5
_MOVED_MM: Final = 3.0
_OFF_MM: Final = 1.0


def moves(
    centres: FloatArray,
    wishes: FloatArray,
    weights: FloatArray,
    constraints: tuple[Constraint, ...],
    multipliers: FloatArray,
    sizes: Sizes,
) -> list[FloatArray]:
    """Return centres (n, 2) to start anew from, the most promising first; panel frame.

    `weights` (n, 2, 2) are those of the distances from the wishes, `multipliers` (m,) those of the constraints.
    """
    found: list[tuple[float, FloatArray]] = []
    off = centres - wishes
    for button, weight in enumerate(weights):
        pull = float(np.hypot(*(weight @ off[button])))
        if float(np.hypot(*off[button])) > _OFF_MM:
            found += [(pull, _with(centres, {button: wishes[button] + turned})) for turned in _turns(off[button])]
    for k in np.flatnonzero(multipliers > _PRESSES):
        constraint, force = constraints[k], float(multipliers[k])
        if constraint.keep_out is not None:
            around = _around(centres, wishes, constraint.buttons[0], constraint.keep_out, sizes)
            found += [(force * _OBSTACLES_FIRST, moved) for moved in around]
        elif len(constraint.buttons) == 2:
            found += [(force, moved) for moved in _turned(centres, *constraint.buttons)]
    return [moved for _, moved in sorted(found, key=lambda entry: -entry[0])]


def _around(
    centres: FloatArray, wishes: FloatArray, button: int, obstacle: KeepOut, sizes: Sizes
) -> Iterator[FloatArray]:
    """Yield the button on the other sides of an obstacle, as near to its wish as it can come there."""
    middle = np.array(obstacle.centre_mm)
    reach = float(sizes.reach(obstacle)[0][button]) + obstacle.clearance_mm
    if obstacle.shape == "circle":
        far = reach + obstacle.diameter_mm / 2
        start = np.arctan2(*(centres[button] - middle)[::-1])
        places = [middle + turned for turned in _turns(far * np.array([np.cos(start), np.sin(start)]))]
    else:
        half = np.array(obstacle.size_mm) / 2 + reach
        places = []
        for axis in (0, 1):
            for sign in (-1.0, 1.0):
                place = wishes[button].copy()
                place[axis] = middle[axis] + sign * half[axis]
                places.append(place)
    for place in places:
        if float(np.hypot(*(place - centres[button]))) > _MOVED_MM:
            yield _with(centres, {button: place})


def _turned(centres: FloatArray, first: int, second: int) -> Iterator[FloatArray]:
    """Yield two buttons turned about the middle between them."""
    middle, half = (centres[first] + centres[second]) / 2, (centres[first] - centres[second]) / 2
    for turned in _turns(half):
        yield _with(centres, {first: middle + turned, second: middle - turned})


def _turns(vector: FloatArray) -> Iterator[FloatArray]:
    for turn in _TURNS:
        cos, sin = np.cos(turn), np.sin(turn)
        yield np.array([cos * vector[0] - sin * vector[1], sin * vector[0] + cos * vector[1]])


def _with(centres: FloatArray, places: dict[int, FloatArray]) -> FloatArray:
    moved = centres.copy()
    for button, place in places.items():
        moved[button] = place
    return moved
