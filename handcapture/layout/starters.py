"""Places for holes from geometry alone, where no drawing exists yet: straight rows, arcs, staggered columns.

All are built in the frame of each hand (the mean reach of its four fingers, and across it from index to little
finger), so that they turn and move with the hand. They are starts: webs between holes of different rows or hands,
the panel's edge and keep-outs are the fit's business.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.layout.assign import AssignedHole
from handcapture.layout.materials import USUAL
from handcapture.layout.model import Row
from handcapture.layout.plan import DEFAULT_FAR_MM, SIDE_BY_SIDE_MM
from handcapture.layout.source import Hole
from handcapture.layout.source_shapes import fit_circle
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.rest import Fingertip, Rest, mean_direction

FloatArray = NDArray[np.float64]
Placed = tuple[Fingertip, Row, FloatArray]

DEFAULT_HOLE_MM: Final = 24.0
DEFAULT_PITCH_MM: Final = DEFAULT_HOLE_MM + USUAL.web_mm
MOST_ROWS: Final = 4
_STRAIGHT_MM: Final = 2000.0
"""Contacts on a circle wider than this in radius lie on a straight line, as far as a hand is concerned."""


@dataclass(frozen=True, eq=False)
class _Hand:
    """A hand's four fingers in order, its thumb, and its frame: reach and across (index to little), unit vectors."""

    fingers: tuple[Fingertip, ...]
    thumb: Fingertip | None
    contacts: FloatArray
    reach: FloatArray
    across: FloatArray

    @property
    def ranks(self) -> FloatArray:
        """The fingers' places in a row, the index finger's 0, less their mean."""
        ranks = np.array([FINGERS.index(tip.finger) for tip in self.fingers], dtype=np.float64)
        return np.asarray(ranks - ranks.mean())


def straight_rows(
    rest: Rest,
    *,
    hole_mm: float = DEFAULT_HOLE_MM,
    pitch_mm: float = DEFAULT_PITCH_MM,
    angle_deg: float | None = None,
    rows: int = 2,
    row_mm: float = DEFAULT_FAR_MM,
    stagger_mm: float = 0.0,
    thumbs: int = 1,
) -> tuple[AssignedHole, ...]:
    """Return straight rows of holes, one column for each of the four fingers, mat frame.

    The first row's middle is that of the contacts; its holes stand `pitch_mm` apart. `angle_deg` tells how far the
    little finger's end is turned back from square to the hand's reach, alike on both hands; None lays the row along
    the contacts. Further rows follow every `row_mm` along the reach, each `stagger_mm` further towards the little
    finger. InputError when a value is out of range or a hand shows fewer than two of its four fingers.
    """
    _check(hole_mm, rows, thumbs, pitch_mm=pitch_mm, row_mm=row_mm)
    _within("stagger_mm", stagger_mm, -100.0, 100.0)
    if angle_deg is not None:
        _within("angle_deg", angle_deg, -60.0, 60.0)

    def place(hand: _Hand) -> Iterator[Placed]:
        middle = hand.contacts.mean(axis=0)
        if angle_deg is None:
            _, _, axes = np.linalg.svd(hand.contacts - middle)
            along = axes[0] * (1.0 if axes[0] @ hand.across >= 0 else -1.0)
        else:
            angle = math.radians(angle_deg)
            along = math.cos(angle) * hand.across - math.sin(angle) * hand.reach
        onward = np.array([-along[1], along[0]])
        onward = onward * (1.0 if onward @ hand.reach >= 0 else -1.0)
        for row in range(rows):
            for tip, rank in zip(hand.fingers, hand.ranks, strict=True):
                point = middle + along * (rank * pitch_mm + row * stagger_mm) + onward * (row * row_mm)
                yield tip, _row(row), point

    return _build(rest, hole_mm, thumbs, place)


def fingertip_arcs(
    rest: Rest,
    *,
    hole_mm: float = DEFAULT_HOLE_MM,
    pitch_mm: float = DEFAULT_PITCH_MM,
    rows: int = 2,
    row_mm: float = DEFAULT_FAR_MM,
    thumbs: int = 1,
) -> tuple[AssignedHole, ...]:
    """Return holes on arcs: the circle that fits the four contacts of a hand best, and concentric ones, mat frame.

    Each hole stands on its finger's own ray from the circle's centre, moved along the arc no more than
    neighbours `pitch_mm` apart (centre to centre, on the narrowest arc) need: isotonic regression. Further arcs
    follow every `row_mm` on the side to which the fingers reach. Contacts in a line give straight rows.
    InputError as for `straight_rows`, or when the arc is too narrow for the pitch.
    """
    _check(hole_mm, rows, thumbs, pitch_mm=pitch_mm, row_mm=row_mm)

    def place(hand: _Hand) -> Iterator[Placed]:
        circle = _circle(hand.contacts)
        if circle is None:
            yield from _spread_line(hand, pitch_mm, rows, row_mm)
            return
        centre, radius = circle
        ray = mean_direction([(hand.contacts.mean(axis=0) - centre)])
        outward = 1.0 if ray @ hand.reach >= 0 else -1.0
        side = np.array([-ray[1], ray[0]])
        local = hand.contacts - centre
        angles = np.arctan2(local @ side, local @ ray)
        sense = 1.0 if hand.across @ side >= 0 else -1.0
        narrowest = min(radius, radius + outward * row_mm * (rows - 1))
        if narrowest <= pitch_mm / 2:
            raise InputError(
                f"The {hand.fingers[0].side} hand's fingertips lie on an arc of {radius:.0f} mm radius; with {rows} "
                f"rows every {row_mm:g} mm its narrowest is too narrow for holes {pitch_mm:g} mm apart. Use "
                "fewer rows, or straight rows."
            )
        angles = sense * _spread(sense * angles, 2.0 * math.asin(pitch_mm / (2.0 * narrowest)))
        for row in range(rows):
            for tip, angle in zip(hand.fingers, angles, strict=True):
                direction = math.cos(angle) * ray + math.sin(angle) * side
                yield tip, _row(row), centre + direction * (radius + outward * row * row_mm)

    return _build(rest, hole_mm, thumbs, place)


def staggered_columns(
    rest: Rest,
    *,
    hole_mm: float = DEFAULT_HOLE_MM,
    pitch_mm: float = DEFAULT_PITCH_MM,
    rows: int = 2,
    offsets_mm: Mapping[Finger, float] | None = None,
    thumbs: int = 1,
) -> tuple[AssignedHole, ...]:
    """Return a column of holes for each finger along its own reach, mat frame.

    A column starts at the finger's contact, moved along the reach by its entry in `offsets_mm` (0 without one),
    and goes on every `pitch_mm`. Neighbouring columns may come closer than a web; the fit parts them. InputError
    as for `straight_rows`.
    """
    _check(hole_mm, rows, thumbs, pitch_mm=pitch_mm)
    offsets = dict(offsets_mm or {})
    for finger, offset in offsets.items():
        if finger not in FINGERS[1:]:
            raise InputError(f"offsets_mm names {finger!r}; columns belong to {', '.join(FINGERS[1:])}.")
        _within(f"offsets_mm of the {finger} finger", offset, -60.0, 60.0)

    def place(hand: _Hand) -> Iterator[Placed]:
        for row in range(rows):
            for tip in hand.fingers:
                yield tip, _row(row), tip.contact_mm + tip.reach * (offsets.get(tip.finger, 0.0) + row * pitch_mm)

    return _build(rest, hole_mm, thumbs, place)


def _row(row: int) -> Row:
    return "far" if row else "near"


def _within(name: str, value: float, least: float, most: float) -> None:
    if not (math.isfinite(value) and least <= value <= most):
        raise InputError(f"{name} is {value}, but must lie between {least:g} and {most:g}. Change it.")


def _check(hole_mm: float, rows: int, thumbs: int, **pitches: float) -> None:
    _within("hole_mm", hole_mm, 5.0, 80.0)
    if rows != int(rows) or not 1 <= rows <= MOST_ROWS:
        raise InputError(f"rows is {rows}, but must be a whole number from 1 to {MOST_ROWS}. Change it.")
    if thumbs not in (0, 1, 2):
        raise InputError(f"thumbs is {thumbs}, but a thumb can be given 0, 1 or 2 holes. Change it.")
    for name, value in pitches.items():
        if not (math.isfinite(value) and hole_mm < value <= 120.0):
            raise InputError(
                f"{name} is {value}, but must be above the hole's diameter ({hole_mm:g} mm), or holes would overlap, "
                "and at most 120. Change it."
            )


def _hands(rest: Rest) -> Iterator[tuple[Side, _Hand]]:
    """Return each hand that the rest holds with its frame."""
    found = False
    for side in SIDES:
        tips = {tip.finger: tip for tip in rest.fingertips if tip.side == side}
        if not tips:
            continue
        found = True
        fingers = tuple(tips[finger] for finger in FINGERS[1:] if finger in tips)
        if len(fingers) < 2:
            raise InputError(
                f"The rest holds fewer than two of the {side} hand's four fingers, too few to lay a row. Measure a "
                "photo that shows them."
            )
        contacts = np.array([tip.contact_mm for tip in fingers])
        reach = mean_direction([tip.reach for tip in fingers])
        across = np.array([-reach[1], reach[0]])
        across = across * (1.0 if across @ (contacts[-1] - contacts[0]) >= 0 else -1.0)
        yield side, _Hand(fingers, tips.get("thumb"), contacts, reach, across)
    if not found:
        raise InputError("The rest holds no fingertip, so nothing can be laid out. Measure a photo first.")


def _build(
    rest: Rest, hole_mm: float, thumbs: int, place: Callable[[_Hand], Iterator[Placed]]
) -> tuple[AssignedHole, ...]:
    """Return the holes of both hands, thumbs after the fingers, each with who works it."""
    holes: list[AssignedHole] = []
    for side, hand in _hands(rest):
        for tip, row, point in [*place(hand), *_thumb_holes(hand, hole_mm, thumbs)]:
            holes.append(
                AssignedHole(
                    index=len(holes),
                    hole=Hole((float(point[0]), float(point[1])), float(hole_mm)),
                    side=side,
                    finger=tip.finger,
                    row=row,
                    distance_mm=float(np.hypot(*(point - tip.contact_mm))),
                    margin=math.inf,
                )
            )
    return tuple(holes)


def _thumb_holes(hand: _Hand, hole_mm: float, thumbs: int) -> Iterator[Placed]:
    """Return the thumb's holes: at its contact, and one beside it on the side away from the fingers."""
    if hand.thumb is None or not thumbs:
        return
    yield hand.thumb, "near", hand.thumb.contact_mm
    if thumbs == 2:
        beside = np.array([-hand.thumb.reach[1], hand.thumb.reach[0]])
        away = hand.thumb.contact_mm - hand.contacts.mean(axis=0)
        beside = beside * (1.0 if beside @ away >= 0 else -1.0)
        yield hand.thumb, "near", hand.thumb.contact_mm + beside * max(SIDE_BY_SIDE_MM, hole_mm + USUAL.web_mm)


def _circle(contacts: FloatArray) -> tuple[FloatArray, float] | None:
    """Return centre and radius of the circle nearest to the contacts (least squares); None when they lie in a line."""
    from scipy.optimize import least_squares

    middle = contacts.mean(axis=0)
    _, sizes, _ = np.linalg.svd(contacts - middle)
    if len(contacts) < 3 or sizes[1] < 1e-6 * sizes[0]:
        return None
    start, radius, _ = fit_circle(contacts)
    if not radius < _STRAIGHT_MM:
        return None

    def off(x: FloatArray) -> FloatArray:
        return np.asarray(np.hypot(*(contacts - middle - x[:2]).T) - x[2])

    fit = least_squares(off, [*(start - middle), radius], x_scale="jac")
    centre, radius = fit.x[:2] + middle, abs(float(fit.x[2]))
    return (centre, radius) if fit.success and radius < _STRAIGHT_MM else None


def _spread(values: FloatArray, step: float) -> FloatArray:
    """Return the values nearest to those given (least squares) that rise by at least `step` each."""
    from scipy.optimize import isotonic_regression

    steps = step * np.arange(len(values))
    return np.asarray(isotonic_regression(values - steps).x + steps)


def _spread_line(hand: _Hand, pitch_mm: float, rows: int, row_mm: float) -> Iterator[Placed]:
    """Place holes on the line through the contacts, at least `pitch_mm` apart, and on lines beyond it."""
    middle = hand.contacts.mean(axis=0)
    _, _, axes = np.linalg.svd(hand.contacts - middle)
    along = axes[0] * (1.0 if axes[0] @ hand.across >= 0 else -1.0)
    onward = np.array([-along[1], along[0]])
    onward = onward * (1.0 if onward @ hand.reach >= 0 else -1.0)
    places = _spread((hand.contacts - middle) @ along, pitch_mm)
    for row in range(rows):
        for tip, place in zip(hand.fingers, places, strict=True):
            yield tip, _row(row), middle + along * place + onward * (row * row_mm)
