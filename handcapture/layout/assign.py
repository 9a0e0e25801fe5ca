"""Which finger works which hole of a panel that already exists.

The holes of each hand are moved rigidly onto its contacts (turned and shifted, never scaled or mirrored), and
fingers and holes are matched at least total cost. Matching and moving alternate until nothing changes, as in
the iterative closest point method (Besl and McKay 1992), from many deterministic starts; the cheapest end wins.

A finger offers places: its contact; a second row further along its reach; for the thumb one beside; and, at a
higher price, any place around. A distance d costs log(1 + (d / 8 mm)²), the negative log-likelihood of a Cauchy
distribution, so that single strange holes do not drag the hand along; distances along a finger's reach count less
than across it. Constants were set on invented panels and hands (no source).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.layout.model import Point, Row
from handcapture.layout.plan import DEFAULT_FAR_MM, SIDE_BY_SIDE_MM
from handcapture.layout.source import Hole
from handcapture.names import SIDES, Finger, Side
from handcapture.rest import Fingertip, Rest

FloatArray = NDArray[np.float64]
Place = Literal["contact", "far", "beside", "around"]
PLACES: Final[tuple[Place, ...]] = get_args(Place)

GATE_MM: Final = 45.0
"""A hole farther than this from every contact, its hand moved to the panel, is no finger's."""
FAR_GATE_MM: Final = 40.0
"""A hole of a second row may be farther, but no more than this from where that row stands."""
DOUBTFUL: Final = 1.0
"""Below this margin another finger is not much less likely (cost is negative log-likelihood: a factor e)."""
MOST_HOLES: Final = 200
_SCALE_MM: Final = 8.0
_UNASSIGNED: Final = 4.0
_FAR_PRICE: Final = 0.7
_AROUND_PRICE: Final = 2.2
_ALONG: Final = 0.6
_FORBIDDEN: Final = 1e4
_FAR_RANGE_MM: Final = (18.0, 42.0)
_ROW_STEP_MM: Final = 12.0
_ALONE_FAR_MM: Final = 18.0
_START_DEG: Final = (-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0)
_LARGEST_TURN: Final = math.radians(60.0)
_TURN_SD: Final = math.radians(25.0)
_APART_SD_MM: Final = 80.0
_STARTS: Final = 60
_CANDIDATES: Final = 10
_PAIRS: Final = 12
_TRIED_AGAIN: Final = 3
_ROUNDS: Final = 40
_TIE_MM: Final = 1e-9


@dataclass(frozen=True)
class AssignedHole:
    """One hole and the finger that works it.

    `index` is the hole's place in the list given. `distance_mm` is that between the finger's contact and the
    hole, its hand's holes moved onto the hand. `margin` tells by how much the total cost would rise if another
    finger, or none, had to work the hole (infinite where it was fixed); below DOUBTFUL it had better be checked.
    """

    index: int
    hole: Hole
    side: Side
    finger: Finger
    row: Row
    distance_mm: float
    margin: float

    @property
    def doubtful(self) -> bool:
        """True when another finger is not much less likely."""
        return self.margin < DOUBTFUL


@dataclass(frozen=True)
class HandFit:
    """The rigid motion of one hand's holes onto its contacts.

    A point p of the drawing comes to R(angle_deg) p + shift_mm in the mat frame; as y points down, a positive
    angle turns clockwise to the eye. `rms_mm` is over the `count` holes that lie on contacts.
    """

    side: Side
    angle_deg: float
    shift_mm: Point
    rms_mm: float
    count: int

    def moved(self, points_mm: FloatArray) -> FloatArray:
        """Return points (N, 2) of the drawing in the mat frame."""
        return np.asarray(points_mm @ _turn(math.radians(self.angle_deg)).T + self.shift_mm, dtype=np.float64)


@dataclass(frozen=True)
class Assignment:
    """Who works which hole; `unassigned` are the places in the list of holes that no finger reaches."""

    holes: tuple[AssignedHole, ...]
    unassigned: tuple[int, ...]
    hands: tuple[HandFit, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Hand:
    """One hand's contacts and reaches (k, 2), and what each place it offers belongs to."""

    side: Side
    tips: tuple[Fingertip, ...]
    contacts: FloatArray
    reaches: FloatArray
    places: tuple[tuple[int, Place], ...]

    @property
    def centre(self) -> FloatArray:
        return np.asarray(self.contacts.mean(axis=0))


@dataclass(frozen=True, eq=False)
class _Motion:
    """A rigid motion of holes onto a hand, and how far its second row lies."""

    angle: float
    shift: FloatArray
    far_mm: float = DEFAULT_FAR_MM

    def of(self, points: FloatArray) -> FloatArray:
        return np.asarray(points @ _turn(self.angle).T + self.shift)


@dataclass(frozen=True, eq=False)
class _Solution:
    """Motions of the hands (None: no hole is its), the place of each hole (-1: none), and the cost."""

    motions: tuple[_Motion | None, ...]
    columns: tuple[int, ...]
    cost: float


def assign_holes(
    holes: Sequence[Hole], rest: Rest, fixed: Mapping[int, tuple[Side, Finger]] | None = None
) -> Assignment:
    """Return which finger works which hole.

    The drawing must stand roughly as the hands do (within some 45 degrees), at true scale; where it lies does
    not matter. `fixed` tells holes (by their place in `holes`) whose finger is known. InputError when there are
    no holes or too many, or `fixed` names a hole or finger that is not there.
    """
    fixed = dict(fixed or {})
    _check(holes, rest, fixed)
    points = np.array([hole.centre_mm for hole in holes], dtype=np.float64)
    origin = points.mean(axis=0)  # keeps numbers small, and the result the same wherever the drawing lies
    points = points - origin
    hands = [hand for side in SIDES if (hand := _hand(rest, side, fixed)) is not None]
    allowed = _allowed(hands, len(points), fixed)
    ends = _search(hands, points, allowed, fixed)
    best = ends[0]
    margins = _margins(hands, points, allowed, ends, fixed)
    motions = tuple(
        None if motion is None else replace(motion, shift=motion.shift - _turn(motion.angle) @ origin)
        for motion in best.motions
    )
    return _result(holes, hands, points + origin, replace(best, motions=motions), margins)


def _check(holes: Sequence[Hole], rest: Rest, fixed: Mapping[int, tuple[Side, Finger]]) -> None:
    if not holes:
        raise InputError("There is no hole to assign. Read a drawing that has circles.")
    if len(holes) > MOST_HOLES:
        raise InputError(
            f"There are {len(holes)} holes; fingers are found for up to {MOST_HOLES}. Read only the "
            "layer of the buttons."
        )
    for k, hole in enumerate(holes):
        if not all(math.isfinite(value) for value in (*hole.centre_mm, hole.diameter_mm)):
            raise InputError(f"Hole {k + 1} has a centre or diameter that is not a number. Mend the drawing.")
    if not rest.fingertips:
        raise InputError("The rest holds no fingertip, so no hole can be given to one. Measure a photo first.")
    known = {(tip.side, tip.finger) for tip in rest.fingertips}
    for k, (side, finger) in fixed.items():
        if not 0 <= k < len(holes):
            raise InputError(f"Hole {k + 1} was given to the {side} {finger}, but there are only {len(holes)} holes.")
        if (side, finger) not in known:
            raise InputError(
                f"Hole {k + 1} was given to the {side} {finger}, which the rest does not hold. Name another finger, or "
                "measure a photo that shows it."
            )


def _hand(rest: Rest, side: Side, fixed: Mapping[int, tuple[Side, Finger]]) -> _Hand | None:
    tips = tuple(tip for tip in rest.fingertips if tip.side == side)
    if not tips:
        return None
    places: list[tuple[int, Place]] = []
    for k, tip in enumerate(tips):
        own = sum(owner == (side, tip.finger) for owner in fixed.values())
        places += [(k, "contact"), (k, "far")]
        places += [(k, "beside")] if tip.finger == "thumb" else []
        places += [(k, "around")] * max(1, own)
    return _Hand(
        side,
        tips,
        np.array([tip.contact_mm for tip in tips]),
        np.array([tip.reach for tip in tips]),
        tuple(places),
    )


def _allowed(hands: Sequence[_Hand], count: int, fixed: Mapping[int, tuple[Side, Finger]]) -> NDArray[np.bool_]:
    """Return which holes may take which places (holes, places of all hands)."""
    owners = [(hand.side, hand.tips[k].finger) for hand in hands for k, _ in hand.places]
    allowed = np.ones((count, len(owners)), dtype=bool)
    for hole, owner in fixed.items():
        allowed[hole] = [other == owner for other in owners]
    return allowed


def _turn(angle: float) -> FloatArray:
    """Return the proper rotation (2, 2) by `angle` radians."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s], [s, c]])


def _price(distance: FloatArray) -> FloatArray:
    return np.asarray(np.log1p((distance / _SCALE_MM) ** 2))


def _costs(hand: _Hand, motion: _Motion | None, points: FloatArray) -> FloatArray:
    """Return what each hole at each place of a hand costs (holes, places)."""
    if motion is None:
        return np.full((len(points), len(hand.places)), _FORBIDDEN)
    off = motion.of(points)[:, None, :] - hand.contacts
    distance = np.hypot(off[..., 0], off[..., 1])
    along = np.einsum("nkd,kd->nk", off, hand.reaches)
    across = off[..., 1] * hand.reaches[:, 0] - off[..., 0] * hand.reaches[:, 1]
    beyond = along - motion.far_mm
    near = distance <= GATE_MM
    # A finger bends and stretches more easily than it spreads, and rows of panels are straighter than hands.
    prices: dict[Place, tuple[FloatArray, NDArray[np.bool_]]] = {
        "contact": (_price(np.hypot(_ALONG * along, across)), near),
        "far": (_FAR_PRICE + _price(np.hypot(_ALONG * beyond, across)), np.hypot(beyond, across) <= FAR_GATE_MM),
        "beside": (_FAR_PRICE + _price(distance - SIDE_BY_SIDE_MM), near),
        "around": (_AROUND_PRICE + 0.5 * _price(distance), near),
    }
    costs = np.stack([np.where(reached, price, _FORBIDDEN) for price, reached in (prices[kind] for kind in PLACES)])
    return np.asarray(costs[[PLACES.index(kind) for _, kind in hand.places], :, [k for k, _ in hand.places]].T)


def _match(
    hands: Sequence[_Hand], motions: Sequence[_Motion | None], points: FloatArray, allowed: NDArray[np.bool_]
) -> tuple[tuple[int, ...], float]:
    """Return each hole's place over all hands (-1: none) and the total cost, at the least total cost."""
    costs = np.hstack([_costs(hand, motion, points) for hand, motion in zip(hands, motions, strict=True)])
    return _cheapest(costs, allowed)


def _cheapest(costs: FloatArray, allowed: NDArray[np.bool_]) -> tuple[tuple[int, ...], float]:
    from scipy.optimize import linear_sum_assignment

    # A fixed hole takes even a forbidden place of its finger rather than none.
    table = np.where(allowed, np.minimum(costs, _FORBIDDEN), 10 * _FORBIDDEN)
    none = np.where(allowed.all(axis=1), _UNASSIGNED, 5 * _FORBIDDEN)
    table = np.hstack([table, np.repeat(none[:, None], len(costs), axis=1)])
    rows, columns = linear_sum_assignment(table)
    total = float(table[rows, columns].sum())
    return tuple(int(c) if c < costs.shape[1] else -1 for c in columns), total


def _refit(hand: _Hand, own: Sequence[tuple[int, int]], points: FloatArray, motion: _Motion) -> _Motion | None:
    """Move a hand's holes onto its places; `own` are (hole, place) pairs. None when no hole is its.

    Weighted least squares with a closed form in the plane, weights 1 / (1 + (r / 8 mm)²), those of the Cauchy
    distribution (iteratively reweighted). Holes on contacts decide where there are three, all others else.
    """
    pairs = [(hole, *hand.places[place]) for hole, place in own]
    far = [(hole, k) for hole, k, kind in pairs if kind == "far"]
    if far:
        off = motion.of(points[[hole for hole, _ in far]]) - hand.contacts[[k for _, k in far]]
        along = np.median(np.einsum("nd,nd->n", off, hand.reaches[[k for _, k in far]]))
        motion = replace(motion, far_mm=float(np.clip(along, *_FAR_RANGE_MM)))
    on_contacts = [(hole, hand.contacts[k]) for hole, k, kind in pairs if kind == "contact"]
    beyond = [(hole, hand.contacts[k] + motion.far_mm * hand.reaches[k]) for hole, k in far]
    around = [(hole, hand.contacts[k]) for hole, k, kind in pairs if kind in ("beside", "around")]
    used = on_contacts if len(on_contacts) >= 3 else on_contacts + beyond or around
    if not used:
        return None
    source = points[[hole for hole, _ in used]]
    target = np.array([place for _, place in used])
    off = motion.of(source) - target
    weights = 1.0 / (1.0 + (off**2).sum(axis=1) / _SCALE_MM**2)
    weights /= weights.sum()
    a, b = source - weights @ source, target - weights @ target
    cross = float(weights @ (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]))
    dot = float(weights @ (a * b).sum(axis=1))
    angle = math.atan2(cross, dot) if math.hypot(cross, dot) > _TIE_MM else 0.0
    return replace(motion, angle=angle, shift=weights @ target - _turn(angle) @ (weights @ source))


def _settle(
    hands: Sequence[_Hand],
    motions: Sequence[_Motion | None],
    points: FloatArray,
    allowed: NDArray[np.bool_],
    *,
    roughly: bool = False,
) -> _Solution:
    """Alternate matching and moving until neither changes, or, roughly, until the matching does not."""
    motions = tuple(motions)
    ends = np.cumsum([0, *(len(hand.places) for hand in hands)])
    before: tuple[int, ...] | None = None
    columns, cost = _match(hands, motions, points, allowed)
    for _ in range(_ROUNDS):
        moved = []
        for h, (hand, motion) in enumerate(zip(hands, motions, strict=True)):
            own = [(hole, c - ends[h]) for hole, c in enumerate(columns) if ends[h] <= c < ends[h + 1]]
            start = motion or _Motion(0.0, hand.centre - points.mean(axis=0))
            moved.append(_refit(hand, own, points, start) if own else None)
        shifts = [
            1.0 if a is None or b is None else float(np.hypot(*(a.shift - b.shift))) + 100 * abs(a.angle - b.angle)
            for a, b in zip(moved, motions, strict=True)
            if not (a is None and b is None)
        ]
        motions = tuple(moved)
        before, (columns, cost) = columns, _match(hands, motions, points, allowed)
        if columns == before and (roughly or max(shifts, default=0.0) < 1e-9):
            break
    return _Solution(motions, columns, cost + _unlikely(hands, motions))


def _unlikely(hands: Sequence[_Hand], motions: Sequence[_Motion | None]) -> float:
    """Return the price of hands that are turned, or that stand to each other otherwise than they did."""
    placed = [(hand, motion) for hand, motion in zip(hands, motions, strict=True) if motion is not None]
    price = sum(0.5 * (motion.angle / _TURN_SD) ** 2 for _, motion in placed)
    price += sum(_FORBIDDEN for _, motion in placed if abs(motion.angle) > _LARGEST_TURN)
    if len(placed) == 2:
        (left, to_left), (right, to_right) = placed
        mean = (to_left.angle + to_right.angle) / 2
        places = [(hand.centre - motion.shift) @ _turn(motion.angle) for hand, motion in placed]
        off = _turn(mean) @ (places[1] - places[0]) - (right.centre - left.centre)
        price += 0.5 * float(off @ off) / _APART_SD_MM**2
    return float(price)


def _search(
    hands: Sequence[_Hand],
    points: FloatArray,
    allowed: NDArray[np.bool_],
    fixed: Mapping[int, tuple[Side, Finger]],
) -> list[_Solution]:
    """Return the distinct ends of all starts, the cheapest first."""
    candidates = [_alone(hand, points, fixed) for hand in hands]
    pairs: list[tuple[_Motion | None, ...]] = [(motion,) for motion in candidates[0]]
    if len(hands) == 2:
        pairs = [(left, right) for left in candidates[0] for right in candidates[1]]
    priced = []
    for number, pair in enumerate(pairs):
        _, cost = _match(hands, pair, points, allowed)
        priced.append((cost + _unlikely(hands, pair), number))
    ends: dict[tuple[int, ...], _Solution] = {}

    def settle(motions: tuple[_Motion | None, ...]) -> None:
        end = _settle(hands, motions, points, allowed)
        if end.columns not in ends or end.cost < ends[end.columns].cost:
            ends[end.columns] = end

    for _, number in sorted(priced)[:_PAIRS]:
        settle(pairs[number])
    # A hand with few holes on its contacts is found among what the other hand leaves.
    for end in sorted(ends.values(), key=_order)[:_TRIED_AGAIN] if len(hands) == 2 else ():
        for h, hand in enumerate(hands):
            first = 0 if h else len(hands[0].places)
            others = range(first, first + len(hands[1 - h].places))
            taken = frozenset(hole for hole, c in enumerate(end.columns) if c in others)
            for motion in _alone(hand, points, fixed, taken)[:_TRIED_AGAIN]:
                settle((end.motions[0], motion) if h else (motion, end.motions[1]))
    return sorted(ends.values(), key=_order)


def _order(end: _Solution) -> tuple[float, tuple[int, ...]]:
    return end.cost, end.columns


def _alone(
    hand: _Hand,
    points: FloatArray,
    fixed: Mapping[int, tuple[Side, Finger]],
    taken: frozenset[int] = frozenset(),
) -> list[_Motion | None]:
    """Return likely motions for one hand, whatever the other hand does; None (no hole is its) is one of them.

    Each start puts one hole on one contact at one turn. Only contacts count here: further places would reward a
    hand for gathering the other hand's holes.
    """
    starts: list[tuple[float, int, _Motion]] = []
    own = {hole: finger for hole, (side, finger) in fixed.items() if side == hand.side}
    told = [k for k, tip in enumerate(hand.tips) if tip.finger in own.values()]
    hand = replace(hand, places=tuple((k, kind) for k, kind in hand.places if kind == "contact" or k in told))
    pairs = [
        (hole, k)
        for hole in range(len(points))
        for k, tip in enumerate(hand.tips)
        if (own.get(hole) == tip.finger if own else hole not in fixed and hole not in taken)
    ]
    for angle in (math.radians(degrees) for degrees in _START_DEG):
        turned = points @ _turn(angle).T
        for hole, k in pairs:
            shift = hand.contacts[k] - turned[hole]
            off = (turned + shift)[:, None, :] - hand.contacts
            found = _price(np.hypot(off[..., 0], off[..., 1])).min(axis=0)
            score = float(np.minimum(found, _UNASSIGNED).sum()) + 0.5 * (angle / _TURN_SD) ** 2
            starts.append((score, len(starts), _Motion(angle, shift)))
    starts.sort(key=lambda start: start[:2])
    free = _allowed([hand], len(points), {hole: (hand.side, finger) for hole, finger in own.items()})
    for hole in (taken | set(fixed)) - set(own):
        free[hole] = False
    ends: dict[tuple[int, ...], _Solution] = {}
    for _, _, motion in starts[:_STARTS]:
        end = _settle([hand], [motion], points, free, roughly=True)
        if end.columns not in ends or end.cost < ends[end.columns].cost:
            ends[end.columns] = end
    best = sorted(ends.values(), key=_order)[:_CANDIDATES]
    motions: list[_Motion | None] = [end.motions[0] for end in best if end.motions[0] is not None]
    return motions if own else [*motions, None]


def _margins(
    hands: Sequence[_Hand],
    points: FloatArray,
    allowed: NDArray[np.bool_],
    ends: Sequence[_Solution],
    fixed: Mapping[int, tuple[Side, Finger]],
) -> FloatArray:
    """Return for each hole by how much the cost rises if it must go elsewhere (holes,)."""
    best = ends[0]
    owners = [(h, k) for h, hand in enumerate(hands) for k, _ in hand.places]
    owner_of = [[owners[c] if c >= 0 else None for c in end.columns] for end in ends]
    costs = np.hstack([_costs(hand, motion, points) for hand, motion in zip(hands, best.motions, strict=True)])
    _, least = _cheapest(costs, allowed)
    margins = np.full(len(points), np.inf)
    for hole in range(len(points)):
        owner = owner_of[0][hole]
        if hole in fixed or owner is None:
            continue
        other = costs.copy()
        other[hole, [o == owner for o in owners]] = _FORBIDDEN
        margins[hole] = _cheapest(other, allowed)[1] - least
        for end, whose in zip(ends[1:], owner_of[1:], strict=True):
            if whose[hole] != owner:
                margins[hole] = min(margins[hole], end.cost - best.cost)
    return margins


def _result(
    holes: Sequence[Hole], hands: Sequence[_Hand], points: FloatArray, best: _Solution, margins: FloatArray
) -> Assignment:
    placed: dict[int, AssignedHole] = {}
    fits: list[HandFit] = []
    first = 0
    for hand, motion in zip(hands, best.motions, strict=True):
        columns = range(first, first + len(hand.places))
        first += len(hand.places)
        own = [(hole, *hand.places[c - columns[0]]) for hole, c in enumerate(best.columns) if c in columns]
        if motion is None or not own:
            continue
        off = {hole: motion.of(points[hole]) - hand.contacts[k] for hole, k, _ in own}
        for hole, k, _ in own:
            mates = [other for other, finger, _ in own if finger == k]
            placed[hole] = AssignedHole(
                index=hole,
                hole=holes[hole],
                side=hand.side,
                finger=hand.tips[k].finger,
                row=_row(off[hole], [off[mate] for mate in mates], hand.reaches[k], hand.tips[k].finger == "thumb"),
                distance_mm=float(np.hypot(*off[hole])),
                margin=float(margins[hole]),
            )
        squares = [float(off[hole] @ off[hole]) for hole, _, kind in own if kind == "contact"]
        shift = (float(motion.shift[0]), float(motion.shift[1]))
        rms = math.sqrt(sum(squares) / len(squares)) if squares else 0.0
        fits.append(HandFit(hand.side, math.degrees(motion.angle), shift, rms, len(squares)))
    unassigned = tuple(hole for hole in range(len(holes)) if hole not in placed)
    assigned = tuple(placed[hole] for hole in sorted(placed))
    return Assignment(assigned, unassigned, tuple(fits), _notes(holes, assigned, unassigned, fits, hands))


def _row(own: FloatArray, mates: Sequence[FloatArray], reach: FloatArray, thumb: bool) -> Row:
    """Tell the row of a hole: far when it lies well along the finger's reach from that finger's first hole.

    A thumb's first hole is the one next to its contact, as others may lie on any side of it.
    """
    along = float(own @ reach)
    if len(mates) == 1:
        return "far" if along > _ALONE_FAR_MM else "near"
    # Where rows are straighter than hands, the near hole of a long finger may lie behind its contact.
    first = min(mates, key=lambda mate: float(np.hypot(*mate) if thumb else mate @ reach))
    return "far" if along - float(first @ reach) > _ROW_STEP_MM else "near"


def _notes(
    holes: Sequence[Hole],
    assigned: Sequence[AssignedHole],
    unassigned: Sequence[int],
    fits: Sequence[HandFit],
    hands: Sequence[_Hand],
) -> tuple[str, ...]:
    def name(index: int) -> str:
        label = holes[index].label
        return f"{index + 1} ({label})" if label else str(index + 1)

    notes = []
    if unassigned:
        notes.append(
            "No finger comes near, or is left for, these holes: "
            f"{', '.join(map(name, unassigned))}. Tell which finger works them, or leave them out of the fit."
        )
    doubtful = [entry for entry in assigned if entry.doubtful]
    if doubtful:
        named = ", ".join(f"{name(entry.index)}: {entry.side} {entry.finger}" for entry in doubtful)
        notes.append(f"Another finger might as well work these holes: {named}. Check them.")
    for hand in hands:
        fit = next((fit for fit in fits if fit.side == hand.side), None)
        if fit is None:
            notes.append(f"No hole is the {hand.side} hand's.")
        elif fit.count < 3:
            notes.append(
                f"Only {fit.count} holes lie on contacts of the {hand.side} hand, so its turn is hardly known."
            )
    return tuple(notes)
