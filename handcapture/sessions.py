"""Sessions compared: after an injury, a change of grip or a season, has the hand changed, or is it noise?

Three answers: it has changed, and this much; it has not changed by more than this; this cannot be told yet, and so many
more placements would tell. All is said of *this set-up*: spread within the person, measurement error and the number of
placements together.

**Place and shape.** Nobody lays the hands down in the same place twice, and a mat lies differently every time. A hand's
rigid part (shift and turn, determinant +1, no scale) is therefore told apart from its shape. A finger is looked at in
the frame of the other fingers of its hand (`repeat.relative_to_others`): a changed finger then neither hides its change
by pulling the alignment nor is it, once known, counted among the fingers that align. When any finger stands out, that
one is named without which the others lie as they did, or, where no one will do, those two. This is how surveyors look
for the points of a network that moved between two epochs (Pelzer 1971, and Baarda's data snooping 1968, from memory).

**Test.** Seen so, a finger's places in two sessions are two samples of points on the plane, with one covariance
whatever the fingers have in common: a two-sample Hotelling test is exact, and needs no model of how fingers wander
together. With three to five placements its quantiles are wide, so the pooled covariance is shrunk (`repeat.shrink`)
towards what the common spread of both hands lets expect for that finger; degrees of freedom combine as Satterthwaite
has it. Sessions of unlike spread (a hand may be restless after an injury) count by the ratio that all fingers together
show, as in Welch's test; with equally many placements that makes no difference. Holm's rule (1979, in Šidák's form)
holds the probability of blaming any finger of two unchanged hands at 5 %; `calibration/sessions.py` measures it. Where
more than two fingers of a hand stand out, no majority is left to align on: then the hand's shape has changed, and which
fingers did it is not told.

**Errors that photos share.** Part of a contact's error is the same in all photos of a hand: what the network gets wrong
of this hand, and the print's scale (`Contact.shared_mm2`). It shifts both sessions alike, so it is not part of the
spread within a session, and drops out of the difference of two as long as the same finger lies in the same way. On the
person scenes (four photos before, four after, two mats) it dropped out wholly: means of the measurement's error
differed between the sessions by no more than their scatter within lets expect, in the changed finger as well. So the
test leaves it out. A finger that did change is seen in another pose, though, and those scenes have one light: for the
stated size of a change, CHANGED_UNLIKE of it is counted as differing. The print's scale cancels on one print; on
different prints its uncertainty comes in, in proportion to the distance from the fingers that align. The spread is what
really scattered, measurement error and all: contacts state theirs on the wide side.

**What it cannot see.** Placements of one sitting may be more alike than those of different days, and photos in another
light may be wrong in another way. With two sessions that cannot be told from a change: if a tenth of what photos share
differed, false alarms would rise to some 8 % with three placements each and 30 % with twelve (bench). With several
sessions it can be told, and `trends` counts it.

**Assumed.** With one placement each nothing is known of the spread; that of `rest.pool` is then assumed, which finds
gross changes only, and the result says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from handcapture.documents import plain
from handcapture.errors import InputError
from handcapture.layout.model import Button, Layout
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.placement import HandPosture, Placement, Source
from handcapture.repeat import (
    LEVEL,
    MOST_PLACEMENTS,
    CommonSpread,
    align,
    common_spread,
    in_hand_axes,
    leverage,
    matrix_in_hand_axes,
    mean_places,
    places_of,
    relative_to_others,
    session_scatter,
    shape_as_first,
    shrink,
    t2_limit,
    t2_probability,
    through,
    within_variance,
)
from handcapture.rest import Rest, alike_mm, mean_direction

FloatArray = NDArray[np.float64]
Verdict = Literal["changed", "unchanged", "cannot tell"]

MARGIN_MM: Final = 5.0
"""Change below which a hand counts as unchanged unless the user says otherwise (our own figure, no source)."""
MARGIN_DEG: Final = 5.0
SCALE_SHARE: Final = 0.02
"""A hand keeps its length; photos that make it longer or shorter by this share were measured on a wrong scale."""
CHANGED_UNLIKE: Final = 0.5
"""Share of the variance that photos of one session have in common, but not with the other session, for a finger that
changed. A precaution of ours; the person scenes show none (see above)."""
_TOGETHER: Final = "most fingers of this hand"
_SEVERAL: Final = "so several moved together, and which ones the fingertips cannot tell"
HEEL_LEVEL: Final = 0.01
HEEL_LEAST_MM: Final = 4.0
"""The heel is located within 2 to 3 mm in each photo (`calibration/palm.py`)."""
LENGTH_SD_SHARE: Final = 0.034
"""How far a hand's length scatters from photo to photo, as a share of it: 6.3 mm (`calibration/posture.py`)."""
HOW_LAID: Final = (
    "distance between the hands",
    "turn of the right hand against the left",
    "convergence of the forearms",
)
"""How hands are laid down differs from day to day; two sessions cannot tell that from a change."""
_ALIKE_SCALES: Final = 1e-6
_DIRECTIONS: Final = 90


# On arrays: which fingers of a hand changed


@dataclass(frozen=True, eq=False)
class HandPlaces:
    """One hand in two sessions: places (N, 5, 2) and (M, 5, 2) in hand axes (towards the little finger, the person).

    `scale_variance` is that of the ratio of the two prints' scales, along either axis; 0 on one print.
    """

    before: FloatArray
    after: FloatArray
    scale_variance: float = 0.0


@dataclass(frozen=True, eq=False)
class Shift:
    """How a finger's mean differs, relative to those that align; hand axes, mm.

    `spread_mm2` (2, 2) is that of one placement with its `freedom`, `between_mm2` what comes on top between sessions.
    `own_freedom` and `common_freedom` are what the two parts of the spread were estimated from, `ratios` how the
    sessions' spreads compare with that of both, as variances.
    """

    change_mm: FloatArray
    spread_mm2: FloatArray
    between_mm2: FloatArray
    freedom: float
    own_freedom: float
    common_freedom: float
    counts: tuple[int, int]
    assumed: bool
    ratios: tuple[float, float] = (1.0, 1.0)

    @property
    def covariance_mm2(self) -> FloatArray:
        """The covariance (2, 2) of the change."""
        return self.spread_mm2 * float(np.divide(self.ratios, self.counts).sum()) + self.between_mm2

    @property
    def probability(self) -> float:
        """Probability of a shift that stands out as much, were there none."""
        t2 = float(self.change_mm @ np.linalg.solve(self.covariance_mm2, self.change_mm))
        return t2_probability(t2, 2, self.freedom)

    def with_placements(self, count: int) -> Shift:
        """Return the same shift as it would be known from `count` placements in either session."""
        own = 2.0 * count - 2.0
        held = self.own_freedom if self.own_freedom > 0 else 1.0
        common = 7.0 * own if self.assumed else self.common_freedom * max(own / held, 1.0)
        _, freedom = shrink(self.spread_mm2, own, self.spread_mm2, common)
        return replace(self, counts=(count, count), freedom=freedom)


@dataclass(frozen=True, eq=False)
class ShapeTest:
    """Shifts of all fingers that can be compared; `changed` with Holm's adjusted probabilities.

    `untold` names hands whose shape changed in more fingers than can be told apart; `left_level` is what a further
    finger's probability would have to be below.
    """

    shifts: Mapping[tuple[Side, Finger], Shift]
    changed: Mapping[tuple[Side, Finger], float]
    untold: tuple[Side, ...]
    left_level: float


def most_changed(fingers: int) -> int:
    """Return how many fingers of a hand of which `fingers` are seen can be told to have changed: the fewer of them."""
    return max(fingers - 3, 0)


def tell_shapes(hands: Mapping[Side, HandPlaces], level: float = LEVEL) -> ShapeTest:
    """Tell which fingers moved relative to their hands: see the module's text."""
    hands = {side: hand for side, hand in hands.items() if len(hand.before) and len(hand.after)}
    stable = {side: np.ones(len(FINGERS)) for side in hands}
    shapes = {side: _shape(hand, stable[side]) for side, hand in hands.items()}
    common = common_spread([(shapes[side], [hand.before, hand.after]) for side, hand in hands.items()])
    shifts = {side: _shifts(hand, shapes[side], stable[side], common) for side, hand in hands.items()}
    seen = {side: len(found) for side, found in shifts.items()}
    total = sum(seen.values())
    changed: dict[tuple[Side, Finger], float] = {}
    untold: list[Side] = []
    reached = 0.0
    while True:
        open_ones = [
            (shift.probability, side, finger)
            for side, found in shifts.items()
            if side not in untold
            for finger, shift in found.items()
            if (side, finger) not in changed
        ]
        if not open_ones:
            break
        probability, side = min(open_ones)[:2]
        reached = max(reached, among(probability, total - len(changed)))
        if reached > level:
            break
        count = 1 + sum(named_side == side for named_side, _ in changed)
        if count > most_changed(seen[side]):
            untold.append(side)
            continue
        named = _best_explained(hands[side], tuple(shifts[side]), count, common)
        changed = {key: p for key, p in changed.items() if key[0] != side} | {(side, f): reached for f in named}
        stable[side] = _without(named)
        shifts[side] = _shifts(hands[side], _shape(hands[side], stable[side]), stable[side], common)
    return ShapeTest(
        shifts={(side, finger): shift for side, found in shifts.items() for finger, shift in found.items()},
        changed={key: p for key, p in changed.items() if key[0] not in untold},
        untold=tuple(untold),
        left_level=1.0 - (1.0 - level) ** (1.0 / max(total - len(changed), 1)),
    )


def _best_explained(hand: HandPlaces, seen: Sequence[Finger], count: int, common: CommonSpread) -> tuple[Finger, ...]:
    """Return the `count` fingers without which the others of the hand stand out least.

    A changed finger also pulls at the alignment of its neighbours, and may by chance stand out less than one of them;
    but only once all changed ones are out of the alignment do the others lie as they did.
    """

    def left(named: tuple[Finger, ...]) -> float:
        stable = _without(named)
        shifts = _shifts(hand, _shape(hand, stable), stable, common)
        return min((shift.probability for finger, shift in shifts.items() if finger not in named), default=1.0)

    return max(combinations(seen, count), key=left)


def _without(named: Sequence[Finger]) -> FloatArray:
    return np.array([0.0 if finger in named else 1.0 for finger in FINGERS])


def among(probability: float, count: int) -> float:
    """Return the probability adjusted for being the smallest of `count` (Šidák 1967).

    Exact for independent tests and on the safe side for these, whose regions are convex and symmetric (the Gaussian
    correlation inequality, Royen 2014, from memory).
    """
    return float(-np.expm1(count * np.log1p(-min(probability, 1.0 - 1e-15))))


def _shape(hand: HandPlaces, stable: FloatArray) -> FloatArray:
    return shape_as_first([hand.before, hand.after], stable)


def _shifts(hand: HandPlaces, shape: FloatArray, stable: FloatArray, common: CommonSpread) -> dict[Finger, Shift]:
    """Return the shifts of a hand's fingers, each relative to the other stable ones; `shape` (5, 2) is the hand's."""
    places = relative_to_others(np.concatenate([hand.before, hand.after]), shape, stable)
    before, after = places[: len(hand.before)], places[len(hand.before) :]
    counts = [np.isfinite(session[..., 0]).sum(axis=0) for session in (before, after)]
    scatters, freedoms = session_scatter([before, after])
    change = mean_places(after) - mean_places(before)
    stretch = np.nan_to_num(shape - mean_places(shape[:, None])[0]) * np.sqrt(hand.scale_variance)
    found: dict[Finger, Shift] = {}
    for number, finger in enumerate(FINGERS):
        if not counts[0][number] or not counts[1][number]:
            continue
        matrix = leverage(shape, stable, number)
        expected = common.expected(matrix)
        freedom = float(freedoms[number])
        own = scatters[number] / freedom if freedom else expected
        spread, free = shrink(own, freedom, expected, common.freedom)
        number_of = (int(counts[0][number]), int(counts[1][number]))
        found[finger] = Shift(
            change_mm=change[number],
            spread_mm2=spread,
            between_mm2=through(matrix, np.zeros((len(FINGERS), 2, 2)), stretch),
            freedom=np.inf if common.assumed else _welch(free, number_of, common),
            own_freedom=freedom,
            common_freedom=common.freedom,
            counts=number_of,
            assumed=common.assumed,
            ratios=(common.ratios[0][0], common.ratios[1][0]),
        )
    return found


def _welch(freedom: float, counts: tuple[int, int], common: CommonSpread) -> float:
    """Return the degrees of freedom of a change when the ratio of the sessions' spreads is itself estimated.

    After Welch (1947): the sessions' shares of the variance, each with its freedom, against the pooled spread's.
    """
    shares = np.divide([ratio for ratio, _ in common.ratios], counts)
    shares = shares / shares.sum()
    parts = float(sum(share**2 / free for share, (_, free) in zip(shares, common.ratios, strict=True)))
    return 1.0 / (1.0 / freedom + max(parts - 1.0 / common.freedom, 0.0))


def _farthest(change: FloatArray, covariance: FloatArray, limit: float) -> float:
    """Return how far the farthest point of the region d' C^-1 d <= limit about `change` lies from zero."""
    if not np.isfinite(limit):
        return float("inf")
    angles = np.linspace(0.0, 2 * np.pi, _DIRECTIONS, endpoint=False)
    circle = np.sqrt(limit) * np.stack([np.cos(angles), np.sin(angles)])
    edge = change[:, None] + np.linalg.cholesky(covariance) @ circle
    return float(np.hypot(*edge).max())


# What is said of a comparison


@dataclass(frozen=True, eq=False)
class FingerChange:
    """What two sessions tell of one finger relative to its hand.

    `change_mm` (2,), after minus before, along the axes of the mat as the hand lay in the first session (x right, y
    towards the person), with its `covariance_mm2` and the `limit` of Hotelling's T-squared that makes the 95 % region
    of it. `at_most_mm` is how far that region reaches from zero: the finger has not changed by more. `probability` is
    that of so much difference without any change, adjusted for all fingers (Holm). All None where the finger cannot be
    compared, and `reason` says why. `placements_needed` are those per session that should tell, if what was seen stays;
    None where it is told, or where MOST_PLACEMENTS would not do. `assumed` marks a spread that was not measured.
    """

    side: Side
    finger: Finger
    verdict: Verdict
    placements: tuple[int, int]
    change_mm: FloatArray | None = None
    covariance_mm2: FloatArray | None = None
    limit: float | None = None
    at_most_mm: float | None = None
    probability: float | None = None
    reach: FloatArray | None = None
    placements_needed: int | None = None
    assumed: bool = False
    reason: str | None = None

    @property
    def distance_mm(self) -> float | None:
        """How far the finger moved relative to its hand."""
        return None if self.change_mm is None else float(np.hypot(*self.change_mm))

    @property
    def known_to_mm(self) -> float | None:
        """How far the 95 % region reaches along the change, to either side."""
        if self.change_mm is None or self.covariance_mm2 is None or self.limit is None:
            return None
        size = float(np.hypot(*self.change_mm))
        along = self.change_mm / size if size > 0.0 else np.array([1.0, 0.0])
        return float(np.sqrt(self.limit / (along @ np.linalg.solve(self.covariance_mm2, along))))

    @property
    def towards_little_mm(self) -> float | None:
        """The change across the hand: towards the little finger positive, towards the thumb negative."""
        return None if self.change_mm is None else float(in_hand_axes(self.change_mm, self.side)[0])

    @property
    def towards_person_mm(self) -> float | None:
        """The change towards the person (positive) or away."""
        return None if self.change_mm is None else float(self.change_mm[1])

    @property
    def along_reach_mm(self) -> float | None:
        """The change along the finger's reach: stretched further positive, drawn in negative."""
        return None if self.change_mm is None or self.reach is None else float(self.change_mm @ self.reach)


@dataclass(frozen=True, eq=False)
class HandChange:
    """How a hand as a whole lay: shift (2,) of the fingers that did not change, and turn, clockwise as seen positive.

    `shift_mm` runs along the mat's axes, with `shift_known_to_mm`, the longest half axis of its 95 % region; None where
    the sessions lay on different mats. `turn_half_deg` is half the 95 % interval. `centre_mm` is where the middle of
    those fingers lay in the first session. Probabilities are adjusted for all shifts and turns (Holm). `shape_untold`:
    more fingers changed than can be told apart.
    """

    side: Side
    shape_untold: bool
    aligned_on: tuple[Finger, ...]
    centre_mm: FloatArray
    shift_mm: FloatArray | None
    shift_known_to_mm: float | None
    shift_probability: float | None
    turn_deg: float | None
    turn_half_deg: float | None
    turn_probability: float | None


@dataclass(frozen=True)
class MeasureChange:
    """One measure of posture in two sessions, means with half the 95 % interval of their difference.

    Wrist deviation is positive towards the little finger; the right hand's turn against the left is clockwise positive
    and counts from the first session. `probability` is adjusted for all measures (Holm). `check` marks a measure that
    must not change: a hand's length.
    """

    name: str
    side: Side | None
    unit: Literal["mm", "deg"]
    before: float
    after: float
    half: float
    probability: float
    margin: float
    verdict: Verdict
    placements: tuple[int, int]
    check: bool = False

    @property
    def change(self) -> float:
        """After minus before."""
        return self.after - self.before


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two sessions compared."""

    fingers: tuple[FingerChange, ...]
    hands: tuple[HandChange, ...]
    measures: tuple[MeasureChange, ...]
    placements: tuple[int, int]
    mats: tuple[str, str]
    same_print: bool
    margin_mm: float
    level: float
    notes: tuple[str, ...] = ()

    def finger(self, side: Side, finger: Finger) -> FingerChange | None:
        """Return what is said of one finger, None when neither session shows its hand."""
        return next((f for f in self.fingers if (f.side, f.finger) == (side, finger)), None)


def check_margins(margin_mm: float, margin_deg: float) -> None:
    """Refuse margins that are no sensible ones. InputError says which are."""
    if not 0.0 < margin_mm <= 50.0 or not 0.0 < margin_deg <= 45.0:
        raise InputError(
            f"Margins of {margin_mm:g} mm and {margin_deg:g}° cannot be used; give more than 0, up to 50 mm and 45°."
        )


def compare_sessions(
    before: Rest | Sequence[Placement],
    after: Rest | Sequence[Placement],
    margin_mm: float = MARGIN_MM,
    margin_deg: float = MARGIN_DEG,
    level: float = LEVEL,
    same_print: bool | None = None,
) -> Comparison:
    """Compare two sessions, each the hands laid down once or (better) several times.

    `margin_mm` and `margin_deg` are the changes that do not matter. `same_print` tells whether both sessions used one
    and the same sheet; None takes that from mat and print scale. InputError when a session is empty or mixes mats, when
    a photo comes in both, or when a margin is no sensible one.
    """
    check_margins(margin_mm, margin_deg)
    first, second = _placements(before, "first"), _placements(after, "second")
    mats = (_mat(first, "first"), _mat(second, "second"))
    _require_other_photos(first, second)
    one_print = _one_print(first, second) if same_print is None else same_print
    scale_variance = 0.0 if one_print else _scale_variance(first) + _scale_variance(second)
    places = {side: _hand_places(first, second, side, scale_variance) for side in SIDES}
    told = tell_shapes(places, level)
    fingers: list[FingerChange] = []
    hands: list[HandChange] = []
    for side in SIDES:
        if len(places[side].before) or len(places[side].after):
            fingers += _finger_changes(side, places[side], told, first, second, margin_mm, level)
        if len(places[side].before) and len(places[side].after):
            hands.append(_hand_change(side, places[side], told, mats[0] == mats[1], level))
    hands = _adjusted(hands)
    drawn = {side: off for side in SIDES if (off := _against_heel(first, second, side, told)) is not None}
    fingers = [_beside_heel(f, drawn[f.side]) if f.side in drawn else f for f in fingers]
    hands = [replace(hand, shape_untold=True) if hand.side in drawn else hand for hand in hands]
    measures = _measures(first, second, places, told, margin_mm, margin_deg, level)
    comparison = Comparison(
        fingers=tuple(fingers),
        hands=tuple(hands),
        measures=tuple(measures),
        placements=(_count(first), _count(second)),
        mats=mats,
        same_print=one_print,
        margin_mm=margin_mm,
        level=level,
    )
    return replace(comparison, notes=(*_alike(first, second), *_notes(comparison, told)))


def _alike(first: Sequence[Placement], second: Sequence[Placement]) -> list[str]:
    """Say which placements of two sessions lie as if one photo were a copy of the other's."""
    if _mat(first, "first") != _mat(second, "second"):
        return []
    return [
        f"Placement {k} of the first session and {j} of the second agree within {apart:.1f} mm in half of the fingers, "
        "as copies of one photo do, and hands laid down again do not. Compare photos of two different sessions."
        for k, one in enumerate(first, start=1)
        for j, other in enumerate(second, start=1)
        if (apart := alike_mm(one, other)) is not None
    ]


def _against_heel(first: Sequence[Placement], second: Sequence[Placement], side: Side, told: ShapeTest) -> float | None:
    """Return by how much the fingers that are called stable lie farther from the heel of the hand, mm.

    Fingertips tell only how they lie to each other. When most fingers of a hand move alike, by a drawn-in grip say,
    they would pass for the stable ones, and the finger that stayed for the one that moved. The heel tells: a two-sample
    t-test of its distance from the middle of those fingers, at HEEL_LEVEL. None where nothing shows, or where no palm
    was seen.
    """
    stable = [finger for finger in FINGERS if (side, finger) in told.shifts and (side, finger) not in told.changed]
    before, after = (_from_heel(placements, side, stable) for placements in (first, second))
    if len(stable) < 2 or len(before) < 2 or len(after) < 2:
        return None
    difference, _, probability = _two_means(before, after, HEEL_LEVEL)
    return difference if probability <= HEEL_LEVEL and abs(difference) >= HEEL_LEAST_MM else None


def _from_heel(placements: Sequence[Placement], side: Side, fingers: Sequence[Finger]) -> FloatArray:
    """Return how far the middle of these fingers lies from the heel, mm, of placements that show all of them."""
    found = []
    for placement in placements:
        palm = next((hand.palm for hand in placement.hands if hand.side == side), None)
        tips = [c.contact_mm for c in placement.contacts if c.side == side and c.finger in fingers and not c.hidden]
        if palm is not None and len(tips) == len(fingers) > 0:
            found.append(float(np.hypot(*(np.mean(tips, axis=0) - palm.heel_mm))))
    return np.array(found)


def _beside_heel(change: FingerChange, off_mm: float) -> FingerChange:
    reason = f"{_TOGETHER} lie {_off_heel(off_mm)} than before, {_SEVERAL}"
    return replace(change, verdict="cannot tell", reason=reason, placements_needed=None)


def _off_heel(off_mm: float) -> str:
    return f"{abs(off_mm):.0f} mm {'farther from' if off_mm > 0 else 'nearer to'} its heel"


def _placements(session: Rest | Sequence[Placement], which: str) -> tuple[Placement, ...]:
    placements = session.placements if isinstance(session, Rest) else tuple(session)
    if not placements:
        raise InputError(f"The {which} session holds no placements to compare. Measure its photos again.")
    return placements


def _count(placements: Sequence[Placement]) -> int:
    return max(len(places_of(placements, side)) for side in SIDES)


def _sources(placements: Sequence[Placement]) -> list[Source]:
    return [source for placement in placements for source in placement.sources]


def _mat(placements: Sequence[Placement], which: str) -> str:
    mats = sorted({source.mat for source in _sources(placements)})
    if len(mats) > 1:
        raise InputError(
            f"The {which} session was taken on different mats ({', '.join(mats)}). Compare photos of one mat at a time."
        )
    return mats[0] if mats else "unknown"


def _require_other_photos(first: Sequence[Placement], second: Sequence[Placement]) -> None:
    seen = {source.photo_sha256: source.photo_name for source in _sources(first)}
    for source in _sources(second):
        if source.photo_sha256 in seen:
            raise InputError(
                f"{source.photo_name} of the second session is the same photo as {seen[source.photo_sha256]} of the "
                "first. Compare photos of two different sessions."
            )


def _one_print(first: Sequence[Placement], second: Sequence[Placement]) -> bool:
    """Take equal mats with equal scales for one print: photos of one print are measured by one scale."""
    sources = _sources(first) + _sources(second)
    scales = np.array([source.print_scale for source in sources]).reshape(-1, 2)
    return len({source.mat for source in sources}) == 1 and float(np.ptp(scales, axis=0).max()) <= _ALIKE_SCALES


def _scale_variance(placements: Sequence[Placement]) -> float:
    sds = [source.print_scale_sd for source in _sources(placements)]
    return float(np.mean(sds)) ** 2 if sds else 0.0


def _hand_places(
    first: Sequence[Placement], second: Sequence[Placement], side: Side, scale_variance: float
) -> HandPlaces:
    before, after = (in_hand_axes(places_of(session, side), side) for session in (first, second))
    return HandPlaces(before, after, scale_variance)


def _shared(placements: Sequence[Placement], side: Side) -> FloatArray:
    """Return the mean of what photos share of a hand's contacts (5, 2, 2), hand axes."""
    mean = np.zeros((len(FINGERS), 2, 2))
    for number, finger in enumerate(FINGERS):
        shared = [
            c.shared_mm2
            for p in placements
            for c in p.contacts
            if (c.side, c.finger) == (side, finger) and not c.hidden
        ]
        if shared:
            mean[number] = np.mean(shared, axis=0)
    return matrix_in_hand_axes(mean, side)


def _finger_changes(
    side: Side,
    hand: HandPlaces,
    told: ShapeTest,
    first: Sequence[Placement],
    second: Sequence[Placement],
    margin_mm: float,
    level: float,
) -> list[FingerChange]:
    shared = _shared(first, side) + _shared(second, side)
    left = len(told.shifts) - len(told.changed)
    changes = []
    for number, finger in enumerate(FINGERS):
        shift = told.shifts.get((side, finger))
        if shift is None:
            changes.append(_not_compared(side, finger, hand, number))
            continue
        changed = (side, finger) in told.changed
        # A finger that lies differently is seen with another error: less of what photos share cancels.
        between = shift.between_mm2 + (CHANGED_UNLIKE * shared[number] if changed else 0.0)
        stated = replace(shift, between_mm2=between)
        limit = t2_limit(level, 2, stated.freedom)
        at_most = _farthest(shift.change_mm, stated.covariance_mm2, limit)
        untold = side in told.untold
        verdict: Verdict = "cannot tell"
        if changed:
            verdict = "changed"
        elif at_most <= margin_mm and not untold and not shift.assumed:
            verdict = "unchanged"
        needed = None
        if verdict == "cannot tell" and not untold:
            needed = _placements_needed(shift, margin_mm, level, told.left_level)
        changes.append(
            FingerChange(
                side=side,
                finger=finger,
                verdict=verdict,
                placements=shift.counts,
                change_mm=in_hand_axes(shift.change_mm, side),
                covariance_mm2=matrix_in_hand_axes(stated.covariance_mm2, side),
                limit=limit,
                at_most_mm=at_most,
                probability=told.changed.get((side, finger), among(shift.probability, left)),
                reach=_reach(first, side, finger),
                placements_needed=needed,
                assumed=shift.assumed,
                reason="more fingers of this hand changed than can be told apart" if untold else None,
            )
        )
    return changes


def _not_compared(side: Side, finger: Finger, hand: HandPlaces, number: int) -> FingerChange:
    counts = tuple(int(np.isfinite(places[:, number, 0]).sum()) for places in (hand.before, hand.after))
    if not len(hand.before) or not len(hand.after):
        reason = f"the {side} hand is missing in the {'second' if len(hand.before) else 'first'} session"
    elif not all(counts):
        where = "either" if not any(counts) else "the second" if counts[0] else "the first"
        reason = f"it was not seen in {where} session"
    else:
        reason = "too few other fingers of its hand were seen to tell it from the hand"
    return FingerChange(side, finger, "cannot tell", (counts[0], counts[1]), reason=reason)


def _placements_needed(shift: Shift, margin_mm: float, level: float, left_level: float) -> int | None:
    """Return how many placements per session would tell "changed" or "unchanged", if mean and spread stay as seen."""
    for count in range(max(min(shift.counts) + 1, 2), MOST_PLACEMENTS + 1):
        then = shift.with_placements(count)
        if then.probability <= left_level:
            return count
        if _farthest(then.change_mm, then.covariance_mm2, t2_limit(level, 2, then.freedom)) <= margin_mm:
            return count
    return None


def _reach(placements: Sequence[Placement], side: Side, finger: Finger) -> FloatArray:
    return mean_direction(
        [c.reach for p in placements for c in p.contacts if (c.side, c.finger) == (side, finger) and not c.hidden]
    )


# The hand as a whole, and posture


def _lies(places: FloatArray, shape: FloatArray, stable: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where the middle of the stable fingers lies (N, 2) and how the hand is turned (N,), degrees, hand axes.

    A hand of which a finger was not seen counts by the others, laid on `shape` (5, 2).
    """
    middle = mean_places(shape[stable > 0][:, None])[0]
    found, turns = [], []
    for one in places:
        seen = np.isfinite(one[:, 0]) & np.isfinite(shape[:, 0]) & (stable > 0)
        if seen.sum() < 2:
            found.append(np.full(2, np.nan))
            turns.append(np.nan)
            continue
        motion = align(shape[seen], one[seen])
        found.append(motion(middle[None])[0])
        turns.append(motion.turn_deg)
    return np.array(found).reshape(-1, 2), np.array(turns)


def _stable(told: ShapeTest, side: Side) -> FloatArray:
    return np.array([0.0 if (side, finger) in told.changed else 1.0 for finger in FINGERS])


def _hand_change(side: Side, hand: HandPlaces, told: ShapeTest, same_mat: bool, level: float) -> HandChange:
    stable = _stable(told, side)
    shape = _shape(hand, stable)
    (before, turned), (after, turns) = (_lies(places, shape, stable) for places in (hand.before, hand.after))
    before, after = before[np.isfinite(before[:, 0])], after[np.isfinite(after[:, 0])]
    turned, turns = turned[np.isfinite(turned)], turns[np.isfinite(turns)]
    on = tuple(f for f, s, seen in zip(FINGERS, stable, np.isfinite(shape[:, 0]), strict=True) if s and seen)
    centre = in_hand_axes(before.mean(axis=0) if len(before) else np.full(2, np.nan), side)
    change = HandChange(side, side in told.untold, on, centre, None, None, None, None, None, None)
    if not same_mat or not len(before) or not len(after):
        return change
    sign = -1.0 if side == "left" else 1.0  # a mirrored hand turns the other way
    turn, half, turn_p = _two_means(turned, turns, level)
    shift = after.mean(axis=0) - before.mean(axis=0)
    scatters, freedoms = session_scatter([before[:, None], after[:, None]])
    scatter, freedom = scatters[0], float(freedoms[0])
    known, shift_p = float("inf"), 1.0
    if freedom >= 2.0:
        covariance = scatter / freedom * (1 / len(before) + 1 / len(after))
        known = float(np.sqrt(t2_limit(level, 2, freedom) * np.linalg.eigvalsh(covariance)[-1]))
        shift_p = t2_probability(float(shift @ np.linalg.lstsq(covariance, shift)[0]), 2, freedom)
    return replace(
        change,
        shift_mm=in_hand_axes(shift, side),
        shift_known_to_mm=known,
        shift_probability=shift_p,
        turn_deg=sign * turn,
        turn_half_deg=half,
        turn_probability=turn_p,
    )


def _adjusted(hands: Sequence[HandChange]) -> list[HandChange]:
    """Return the hands with the probabilities of all their shifts and turns adjusted for there being so many."""
    raw = [p for hand in hands for p in (hand.shift_probability, hand.turn_probability) if p is not None]
    left = iter(holm(raw))
    return [
        hand
        if hand.shift_probability is None
        else replace(hand, shift_probability=next(left), turn_probability=next(left))
        for hand in hands
    ]


def _two_means(before: FloatArray, after: FloatArray, level: float) -> tuple[float, float, float]:
    """Return the difference of two means, half its interval and its probability: Student's t, pooled variance."""
    from scipy.stats import t

    difference = float(after.mean() - before.mean())
    freedom = len(before) + len(after) - 2
    if freedom < 1:
        return difference, float("inf"), 1.0
    squares = float(((before - before.mean()) ** 2).sum() + ((after - after.mean()) ** 2).sum())
    error = float(np.sqrt(squares / freedom * (1 / len(before) + 1 / len(after))))
    if error == 0.0:
        return difference, 0.0, 1.0 if difference == 0.0 else 0.0
    return difference, float(t.isf(level / 2, freedom)) * error, float(2 * t.sf(abs(difference) / error, freedom))


def _measures(
    first: Sequence[Placement],
    second: Sequence[Placement],
    places: Mapping[Side, HandPlaces],
    told: ShapeTest,
    margin_mm: float,
    margin_deg: float,
    level: float,
) -> list[MeasureChange]:
    """Return the measures of posture that both sessions tell, and the hands' lengths as a check."""
    found: list[tuple[str, Side | None, Literal["mm", "deg"], FloatArray, FloatArray, float, bool]] = []
    for side in SIDES:
        wrists = [
            np.array([h.wrist_deviation_deg for h in _postures(session, side) if h.forearm_seen])
            for session in (first, second)
        ]
        found.append(("wrist deviation", side, "deg", wrists[0], wrists[1], margin_deg, False))
    distances, turns = zip(*(_between_hands(session, places, told) for session in (first, second)), strict=True)
    found.append(("distance between the hands", None, "mm", distances[0], distances[1], margin_mm, False))
    found.append(("turn of the right hand against the left", None, "deg", turns[0], turns[1], margin_deg, False))
    arms = [_convergences(session) for session in (first, second)]
    found.append(("convergence of the forearms", None, "deg", arms[0], arms[1], margin_deg, False))
    for side in SIDES:
        lengths = [np.array([h.hand_length_mm for h in _postures(session, side)]) for session in (first, second)]
        margin = SCALE_SHARE * float(np.mean(lengths[0])) if len(lengths[0]) else 0.0
        found.append(("hand length", side, "mm", lengths[0], lengths[1], margin, True))
    found = [entry for entry in found if len(entry[3]) and len(entry[4])]
    tests = [_two_means(before, after, level) for _, _, _, before, after, _, _ in found]
    family = [k for k, entry in enumerate(found) if not entry[6]]
    adjusted = dict(zip(family, holm([tests[k][2] for k in family]), strict=True))
    measures = []
    for k, (name, side_or_none, unit, before, after, margin, check) in enumerate(found):
        difference, half, probability = tests[k]
        probability = adjusted.get(k, probability)
        verdict: Verdict = "cannot tell"
        if probability <= level and name not in HOW_LAID and not check:
            verdict = "changed"
        elif abs(difference) + half <= margin:
            verdict = "unchanged"
        measures.append(
            MeasureChange(
                name=name,
                side=side_or_none,
                unit=unit,
                before=float(before.mean()),
                after=float(after.mean()),
                half=half,
                probability=probability,
                margin=margin,
                verdict=verdict,
                placements=(len(before), len(after)),
                check=check,
            )
        )
    return measures


def _postures(placements: Sequence[Placement], side: Side) -> list[HandPosture]:
    return [hand for placement in placements for hand in placement.hands if hand.side == side]


def _convergences(placements: Sequence[Placement]) -> FloatArray:
    """Return by how many degrees the forearms run together towards the hands, where both are seen."""
    found = []
    for placement in placements:
        arms = {hand.side: hand.palm.forearm for hand in placement.hands if hand.palm is not None}
        left, right = arms.get("left"), arms.get("right")
        if left is not None and right is not None:
            # Both run from the hand to the elbow, y towards the person.
            found.append(float(np.degrees(np.arctan2(-left[0], left[1]) + np.arctan2(right[0], right[1]))))
    return np.array(found)


def _between_hands(
    placements: Sequence[Placement], places: Mapping[Side, HandPlaces], told: ShapeTest
) -> tuple[FloatArray, FloatArray]:
    """Return, of placements with both hands, how far apart their middles lie (mm) and how they are turned (degrees).

    Both are free of where the mat lay. By the fingers that did not change.
    """
    if not all(len(hand.before) and len(hand.after) for hand in places.values()):
        return np.zeros(0), np.zeros(0)
    both = [p for p in placements if all(any(c.side == side for c in p.contacts) for side in SIDES)]
    if not both:
        return np.zeros(0), np.zeros(0)
    middles, turns = {}, {}
    for side in SIDES:
        stable = _stable(told, side)
        shape = _shape(places[side], stable)
        middle, turn = _lies(in_hand_axes(places_of(both, side), side), shape, stable)
        middles[side], turns[side] = in_hand_axes(middle, side), turn * (-1.0 if side == "left" else 1.0)
    distance = np.hypot(*(middles["right"] - middles["left"]).T)
    against = turns["right"] - turns["left"]
    known = np.isfinite(distance) & np.isfinite(against)
    return distance[known], against[known]


def holm(probabilities: Sequence[float]) -> list[float]:
    """Return probabilities adjusted for there being so many of them (Holm 1979, with `among`), in the same order."""
    order = np.argsort(probabilities, kind="stable")
    adjusted, reached = [1.0] * len(probabilities), 0.0
    for rank, k in enumerate(order):
        reached = max(reached, among(float(probabilities[k]), len(probabilities) - rank))
        adjusted[int(k)] = reached
    return adjusted


def _notes(comparison: Comparison, told: ShapeTest) -> list[str]:
    notes = []
    lengths = [m for m in comparison.measures if m.check and m.before > 0]
    if lengths:
        share = float(np.mean([m.after / m.before - 1 for m in lengths]))
        # So far apart chance brings the lengths of unchanged hands in one of twenty comparisons.
        chance = LENGTH_SD_SHARE * np.sqrt(sum(1 / max(n, 1) for n in comparison.placements) / len(lengths))
        if abs(share) >= max(SCALE_SHARE, 1.96 * float(chance)):
            notes.append(
                f"The hands measure {100 * abs(share):.1f} % {'longer' if share > 0 else 'shorter'} in the second "
                "session. Bones do not change so: the print scale of one session is probably wrong. Measure the rules "
                "of both prints, or use a card, before you believe any change."
            )
    if comparison.mats[0] != comparison.mats[1]:
        notes.append(
            f"The sessions lay on different mats ({comparison.mats[0]}, {comparison.mats[1]}): where a hand lay on the "
            "mat is not compared."
        )
    if not comparison.same_print:
        notes.append("The prints are taken for different ones; the uncertainty of both their scales is counted.")
    if any(shift.assumed for shift in told.shifts.values()):
        notes.append(
            "With one placement each, how far the fingers wander is not measured but assumed (3 mm, from memory). Only "
            "gross changes show; three to five placements in each session tell much more."
        )
    return notes


# Advice on a layout


@dataclass(frozen=True, eq=False)
class ButtonMove:
    """A button that should follow its finger: by `move_mm` (2,), panel axes; `known_to_mm` is the 95 % region's reach.

    `why` is "finger" where the finger changed relative to its hand, "hand" where the whole hand lies differently.
    """

    button: Button
    move_mm: FloatArray
    known_to_mm: float
    why: Literal["finger", "hand"]


def advise_moves(
    layout: Layout, comparison: Comparison, cared_for_mm: float = 2.0, whole_hand: bool = False
) -> tuple[ButtonMove, ...]:
    """Return which buttons of a layout should move, and by how much: only where a change was shown.

    A finger's buttons move with it when it changed relative to its hand by more than `cared_for_mm`. With `whole_hand`
    the buttons of a hand whose turn or shift was shown move with that hand as well: that is right only if the mat lay
    as the panel does in both sessions, so it must be asked for. The layout is taken to be fitted to the first session.
    Moved buttons have to be fitted again: webs and edges are not looked at here.
    """
    hands = {hand.side: hand for hand in comparison.hands}
    moves = []
    for button in layout.buttons:
        move, known, why = np.zeros(2), 0.0, "none"
        change = comparison.finger(button.side, button.finger)
        shown = change is not None and change.verdict == "changed" and (change.distance_mm or 0.0) > cared_for_mm
        if shown and change is not None and change.change_mm is not None:
            move, known, why = change.change_mm.copy(), change.known_to_mm or 0.0, "finger"
        hand = hands.get(button.side)
        if whole_hand and hand is not None and not hand.shape_untold:
            at = np.array(layout.panel_origin_mm) + np.array(button.centre_mm)
            off = _carried_by_hand(hand, at + move, comparison.level) - at - move
            if np.hypot(*off) > cared_for_mm:
                move, why = move + off, "hand" if why == "none" else "finger"
                known = float(np.hypot(known, hand.shift_known_to_mm or 0.0))
        if why != "none":
            moves.append(ButtonMove(button, move, known, "finger" if why == "finger" else "hand"))
    return tuple(moves)


def _carried_by_hand(hand: HandChange, place_mm: FloatArray, level: float) -> FloatArray:
    """Return a place of the mat, moved as the hand was, as far as that was shown."""
    if hand.shift_mm is None or hand.turn_deg is None:
        return place_mm
    shown = [p is not None and p <= level for p in (hand.shift_probability, hand.turn_probability)]
    turn = np.radians(hand.turn_deg) if shown[1] else 0.0
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    shift = hand.shift_mm if shown[0] else np.zeros(2)
    return np.asarray(hand.centre_mm + rotation @ (place_mm - hand.centre_mm) + shift, dtype=np.float64)


# In words, and as a document


def finger_verdict(change: FingerChange, margin_mm: float) -> str:
    """Return the verdict on a finger in a few words."""
    if change.verdict == "changed":
        return "changed"
    return f"unchanged within {margin_mm:g} mm" if change.verdict == "unchanged" else "cannot tell"


def compare_text(comparison: Comparison) -> str:
    """Return the comparison in plain lines."""
    c = comparison
    on = f"two prints ({c.mats[0]}, {c.mats[1]})"
    if c.same_print:
        on = f"what is taken for one print of the {c.mats[0]} mat"
    lines = [f"Compared: {_times(c.placements[0])} in the first session with {c.placements[1]} in the second, on {on}."]
    lines += c.notes
    changed = [f for f in c.fingers if f.verdict == "changed"]
    lines += [f"{_name(f)}: changed. {_how(f, c.margin_mm)}" for f in changed]
    if changed:
        lines.append(
            "Fingers are told by how they lie to each other. Had all the others of that hand moved alike, it would "
            "look the same: look at the overlays of both sessions before you move a button."
        )
    if c.fingers and not changed and not any(hand.shape_untold for hand in c.hands):
        lines.append("No finger moved relative to its hand by anything that this set-up can show.")
    same = [f"{f.side} {f.finger} ({f.at_most_mm:.1f})" for f in c.fingers if f.verdict == "unchanged"]
    if same:
        lines.append(
            f"Unchanged within {c.margin_mm:g} mm relative to the other fingers of the hand (in brackets: at most, "
            f"mm): {', '.join(same)}."
        )
    for hand in (hand for hand in c.hands if hand.shape_untold):
        together = next(
            (f.reason for f in c.fingers if f.side == hand.side and f.change_mm is not None and f.reason), ""
        )
        if together.startswith(_TOGETHER):
            lines.append(
                f"The {hand.side} hand changed: {together}. None is named; look at the overlays of both sessions."
            )
            continue
        lines.append(
            f"The {hand.side} hand: its shape changed in more fingers than can be told apart, so none is named. "
            "Look at the overlays of both sessions."
        )
    lines += _open_lines(c)
    lines += [line for hand in c.hands if (line := _hand_line(hand, c.level))]
    lines += [_measure_line(m) for m in c.measures if not m.check]
    lines.append(
        "Each ± is that of its own line. The verdicts allow for so many being asked at once: a difference a little "
        "above its ± may still be chance, and is not called a change. "
        "A difference that is not called a change is no change that this set-up can show; smaller ones may be there. "
        "Placements of one day are more alike than those of different days, and another light may shift a fingertip: "
        "take both sessions in the same way, and measure once more on another day before you act on a change."
    )
    lines.append(
        "This is a measuring aid and no medical advice: it cannot say whether a hand is well. Pain, numbness, tingling "
        "or weakness belong with a clinician."
    )
    return "\n".join(lines)


def _times(count: int) -> str:
    return f"{count} placement{'' if count == 1 else 's'}"


def _name(change: FingerChange) -> str:
    return f"{change.side} {change.finger}".capitalize()


def _how(f: FingerChange, margin_mm: float) -> str:
    across, down, reach = f.towards_little_mm or 0.0, f.towards_person_mm or 0.0, f.along_reach_mm or 0.0
    beside = "thumb" if across < 0 else "little finger"
    if (f.finger, beside) in (("thumb", "thumb"), ("little", "little finger")):
        beside = "outside"
    small = f.at_most_mm is not None and f.at_most_mm <= margin_mm
    return (
        f"It comes down {f.distance_mm:.1f} mm (± {f.known_to_mm:.1f}) from where it did, relative to the hand: "
        f"{abs(across):.1f} mm towards the {beside}, {abs(down):.1f} mm {'towards' if down > 0 else 'away from'} you "
        f"({abs(reach):.1f} mm {'stretched further' if reach > 0 else 'drawn in'} along its reach)"
        f"{', by an assumed spread' if f.assumed else ''}."
        f"{f' That is within the {margin_mm:g} mm that do not matter.' if small else ''}"
    )


def _open_lines(c: Comparison) -> list[str]:
    lines = []
    open_ones = [f for f in c.fingers if f.verdict == "cannot tell" and f.reason is None and f.at_most_mm is not None]
    if open_ones:
        told = [f"{f.side} {f.finger} ({_open(f)})" for f in open_ones]
        lines.append(
            f"Cannot be told yet, at most so much in mm, and placements per session that should tell: "
            f"{', '.join(told)}."
        )
    reasons: dict[str, list[str]] = {}
    for f in (f for f in c.fingers if f.verdict == "cannot tell" and f.change_mm is None and f.reason):
        reasons.setdefault(f.reason or "", []).append(f"{f.side} {f.finger}")
    lines += [f"Cannot be told: {', '.join(names)}; {reason}." for reason, names in reasons.items()]
    return lines


def _open(f: FingerChange) -> str:
    most = "unbounded" if f.at_most_mm is None or not np.isfinite(f.at_most_mm) else f"{f.at_most_mm:.1f}"
    return f"{most}; {f.placements_needed if f.placements_needed else f'more than {MOST_PLACEMENTS}'}"


def _hand_line(hand: HandChange, level: float) -> str | None:
    if hand.shift_mm is None or hand.turn_deg is None or hand.turn_half_deg is None or hand.shift_probability is None:
        return None
    away = float(np.hypot(*hand.shift_mm))
    shown = [p is not None and p <= level for p in (hand.shift_probability, hand.turn_probability)]
    way = "clockwise" if hand.turn_deg > 0 else "anticlockwise"
    return (
        f"{hand.side.capitalize()} hand as a whole: {away:.1f} mm from where it lay on the mat ({_shown(shown[0])}), "
        f"turned {way} by {abs(hand.turn_deg):.1f}° ({_plus_minus(hand.turn_half_deg)}; {_shown(shown[1])})."
    )


def _shown(shown: bool) -> str:
    return "more than it wanders within a session" if shown else "cannot be told from how the hand wanders"


def _plus_minus(half: float) -> str:
    return f"± {half:.1f}" if np.isfinite(half) else "not known how well"


def _measure_line(m: MeasureChange) -> str:
    unit = "°" if m.unit == "deg" else " mm"
    words = {"changed": "changed", "unchanged": f"unchanged within {m.margin:g}{unit}", "cannot tell": "cannot tell"}
    side = f" ({m.side})" if m.side else ""
    if m.name in HOW_LAID and abs(m.change) > m.half:
        words["cannot tell"] = "differs, as hands that are laid down on another day may"
    if m.verdict == "changed" and abs(m.change) + m.half <= m.margin:
        words["changed"] += f", by less than the {m.margin:g}{unit} that do not matter"
    return (
        f"{m.name.capitalize()}{side}: {round(m.before, 1) + 0.0:.1f}{unit}, then {round(m.after, 1) + 0.0:.1f}{unit} "
        f"({m.change:+.1f}, {_plus_minus(m.half)}): {words[m.verdict]}."
    )


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """Return the comparison as JSON has it; what is not finite becomes null."""
    return {
        "schema": "handcapture.comparison/1",
        "frame_note": "mm along the mat's axes as the hand lay in the first session: x right, y towards the person",
        "placements": plain(comparison.placements),
        "mats": list(comparison.mats),
        "same_print": comparison.same_print,
        "margin_mm": plain(comparison.margin_mm),
        "level": comparison.level,
        "fingers": [
            {
                "side": f.side,
                "finger": f.finger,
                "verdict": f.verdict,
                "text": finger_verdict(f, comparison.margin_mm),
                "placements": plain(f.placements),
                "change_mm": plain(f.change_mm),
                "covariance_mm2": plain(f.covariance_mm2),
                "known_to_mm": _finite(f.known_to_mm),
                "at_most_mm": _finite(f.at_most_mm),
                "towards_little_mm": _finite(f.towards_little_mm),
                "along_reach_mm": _finite(f.along_reach_mm),
                "probability": f.probability,
                "placements_needed": f.placements_needed,
                "spread_is_assumed": f.assumed,
                "reason": f.reason,
            }
            for f in comparison.fingers
        ],
        "hands": [
            {
                "side": h.side,
                "shape_untold": h.shape_untold,
                "aligned_on": list(h.aligned_on),
                "shift_mm": plain(h.shift_mm),
                "shift_known_to_mm": _finite(h.shift_known_to_mm),
                "shift_probability": h.shift_probability,
                "turn_deg": _finite(h.turn_deg),
                "turn_half_deg": _finite(h.turn_half_deg),
                "turn_probability": h.turn_probability,
            }
            for h in comparison.hands
        ],
        "measures": [
            {
                "name": m.name,
                "side": m.side,
                "unit": m.unit,
                "before": plain(m.before),
                "after": plain(m.after),
                "half_interval": _finite(m.half),
                "probability": m.probability,
                "margin": plain(m.margin),
                "verdict": m.verdict,
                "placements": plain(m.placements),
                "check": m.check,
            }
            for m in comparison.measures
        ],
        "notes": list(comparison.notes),
    }


def _finite(value: float | None) -> Any:
    return plain(value) if value is not None and np.isfinite(value) else None


# Series of sessions


@dataclass(frozen=True, eq=False)
class TrendFit:
    """A line through session means: value = start + slope · time, `covariance` (2, 2) of both, t with `freedom`.

    `session_sd` is how far sessions scatter about the line beyond what their own errors let expect.
    """

    start: float
    slope: float
    covariance: FloatArray
    freedom: int
    session_sd: float
    probability: float

    def at(self, time: float, level: float = LEVEL) -> tuple[float, float]:
        """Return the line at a time, and half its band there (pointwise, 95 %)."""
        from scipy.stats import t

        row = np.array([1.0, time])
        half = float(t.isf(level / 2, self.freedom)) * float(np.sqrt(row @ self.covariance @ row))
        return float(self.start + self.slope * time), half


def fit_trend(times: FloatArray, values: FloatArray, errors: FloatArray) -> TrendFit:
    """Fit a line to session means (S,) with standard errors (S,), S > 2, at times (S,) that are not all the same.

    Weighted least squares with a random effect of the session, its variance by moments (DerSimonian and Laird 1986, for
    a regression as Thompson and Sharp 1999 have it); the line's covariance is scaled by the residuals, never down, and
    goes with t of S - 2 degrees of freedom (Knapp and Hartung 2003). So the scatter of the sessions themselves decides,
    and few sessions tell little.
    """
    from scipy.stats import t

    times, values = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    variances = np.maximum(np.asarray(errors, dtype=np.float64) ** 2, 1e-9)
    freedom = len(times) - 2
    if freedom < 1 or np.ptp(times) <= 0.0:
        raise ValueError("A line needs three sessions or more, at different times.")
    design = np.stack([np.ones_like(times), times], axis=1)

    def solve(weights: FloatArray) -> tuple[FloatArray, FloatArray, float]:
        inverse = np.asarray(np.linalg.inv(design.T @ (weights[:, None] * design)), dtype=np.float64)
        line = inverse @ design.T @ (weights * values)
        return line, inverse, float(weights @ (values - design @ line) ** 2)

    weights = 1 / variances
    _, inverse, squares = solve(weights)
    spare = weights.sum() - np.trace(inverse @ design.T @ (weights[:, None] ** 2 * design))
    between = max((squares - freedom) / float(spare), 0.0)
    line, inverse, squares = solve(1 / (variances + between))
    covariance = inverse * max(squares / freedom, 1.0)
    probability = float(2 * t.sf(abs(line[1]) / np.sqrt(covariance[1, 1]), freedom))
    return TrendFit(float(line[0]), float(line[1]), covariance, freedom, float(np.sqrt(between)), probability)


@dataclass(frozen=True, eq=False)
class Trend:
    """How one quantity ran over the sessions: their times in days (S,), means (S,) and standard errors (S,).

    Of a finger: its place relative to the hand along one axis, from its mean over all sessions. `fit` is None, and the
    verdict "cannot tell", with fewer than LEAST_SESSIONS. `change` is what the line changed by over the whole time,
    with half its 95 % interval; `probability` is adjusted for all trends (Holm). "unchanged" means that this interval
    stays within `margin`: no trend of more than that, which is not to say that single sessions did not differ.
    `reason` says why a finger's trend that shows cannot be told: its whole hand drifts against its heel.
    """

    name: str
    side: Side | None
    finger: Finger | None
    unit: Literal["mm", "deg"]
    times_days: FloatArray
    values: FloatArray
    errors: FloatArray
    verdict: Verdict
    margin: float
    fit: TrendFit | None = None
    change: float | None = None
    half: float | None = None
    probability: float | None = None
    reason: str | None = None


LEAST_SESSIONS: Final = 4
"""A line through three points has one degree of freedom: nothing that it shows is worth saying (our own figure)."""
_AXES: Final = ("towards the little finger", "towards the person")


def trends(
    sessions: Sequence[tuple[float, Rest | Sequence[Placement]]],
    margin_mm: float = MARGIN_MM,
    margin_deg: float = MARGIN_DEG,
    level: float = LEVEL,
) -> tuple[Trend, ...]:
    """Return the trends of all fingers relative to their hands, and of posture, over sessions at times in days.

    A finger with a trend is taken out of the alignment of the others, as between two sessions; where those others
    drift against the heel of the hand, no finger of it is named. InputError when two sessions are not two, or all fall
    on one time.
    """
    ordered = sorted(sessions, key=lambda entry: entry[0])
    times = np.array([time for time, _ in ordered], dtype=np.float64)
    if len(ordered) < 2 or np.ptp(times) <= 0.0:
        raise InputError("A series needs two sessions or more, on different days.")
    placed = [_placements(session, f"session {k + 1}") for k, (_, session) in enumerate(ordered)]
    stable = {side: np.ones(len(FINGERS)) for side in SIDES}
    while True:
        found = [t for side in SIDES for t in _finger_trends(placed, times, side, stable[side], margin_mm, level)]
        found += _posture_trends(placed, times, margin_mm, margin_deg, level)
        adjusted = holm([1.0 if trend.fit is None else trend.fit.probability for trend in found])
        found = [_judged(trend, probability, level) for trend, probability in zip(found, adjusted, strict=True)]
        new = [
            (probability, trend)
            for probability, trend in zip(adjusted, found, strict=True)
            if trend.verdict == "changed"
            and trend.side is not None
            and trend.finger is not None
            and stable[trend.side][FINGERS.index(trend.finger)] > 0
            and int((stable[trend.side] == 0).sum()) < most_changed(len(FINGERS))
        ]
        if not new:
            drifts = {side: _heel_drift(placed, times, side, stable[side]) for side in SIDES}
            return tuple(_drifting(t, drifts[t.side]) if t.side and t.finger else t for t in found)
        first = min(new, key=lambda entry: entry[0])[1]
        if first.side is not None and first.finger is not None:
            stable[first.side][FINGERS.index(first.finger)] = 0.0


def _heel_drift(
    placed: Sequence[Sequence[Placement]], times: FloatArray, side: Side, stable: FloatArray
) -> float | None:
    """Return by how much the fingers without a trend drift away from the heel over the series, mm.

    The counterpart of `_against_heel`: a trend of that distance, at the same level and least size.
    """
    fingers = [finger for finger, counts in zip(FINGERS, stable, strict=True) if counts]
    groups = [_from_heel(session, side, fingers) for session in placed]
    trend = _of_groups("", "mm", times, groups, HEEL_LEAST_MM, HEEL_LEVEL)
    if trend is None or trend.fit is None or trend.change is None:
        return None
    return trend.change if trend.fit.probability <= HEEL_LEVEL and abs(trend.change) >= HEEL_LEAST_MM else None


def _drifting(trend: Trend, off_mm: float | None) -> Trend:
    if off_mm is None:
        return trend
    reason = f"{_TOGETHER} come to lie {_off_heel(off_mm)} over this time, {_SEVERAL}"
    return replace(trend, verdict="cannot tell", reason=reason)


def _finger_trends(
    placed: Sequence[Sequence[Placement]],
    times: FloatArray,
    side: Side,
    stable: FloatArray,
    margin_mm: float,
    level: float,
) -> list[Trend]:
    places = [in_hand_axes(places_of(session, side), side) for session in placed]
    everything = np.concatenate(places)
    if not len(everything):
        return []
    shape = shape_as_first(places, stable)
    parts = np.split(relative_to_others(everything, shape, stable), np.cumsum([len(p) for p in places])[:-1])
    common = common_spread([(shape_as_first(places, np.ones(len(FINGERS))), places)])
    scatters, freedoms = session_scatter([part for part in parts if len(part)])
    found = []
    for number, finger in enumerate(FINGERS):
        counts = np.array([np.isfinite(part[:, number, 0]).sum() for part in parts])
        seen = counts > 0
        if seen.sum() < 2:
            continue
        expected = common.expected(leverage(shape, stable, number))
        freedom = float(freedoms[number])
        spread, _ = shrink(scatters[number] / max(freedom, 1.0), freedom, expected, common.freedom)
        means = np.array([mean_places(part)[number] for part, s in zip(parts, seen, strict=True) if s])
        means = means - means.mean(axis=0)
        for axis, name in enumerate(_AXES):
            errors = np.sqrt(spread[axis, axis] / counts[seen])
            trend = _trend(f"{side} {finger}, {name}", "mm", times[seen], means[:, axis], errors, margin_mm, level)
            found.append(replace(trend, side=side, finger=finger))
    return found


def _posture_trends(
    placed: Sequence[Sequence[Placement]], times: FloatArray, margin_mm: float, margin_deg: float, level: float
) -> list[Trend]:
    found = []
    for side in SIDES:
        groups = [
            np.array([h.wrist_deviation_deg for h in _postures(session, side) if h.forearm_seen]) for session in placed
        ]
        trend = _of_groups(f"wrist deviation, {side}", "deg", times, groups, margin_deg, level)
        found += [replace(trend, side=side)] if trend else []
    both = [_middles_apart(session) for session in placed]
    arms = [_convergences(session) for session in placed]
    for name, unit, groups, margin in (
        ("distance between the hands", "mm", both, margin_mm),
        ("convergence of the forearms", "deg", arms, margin_deg),
    ):
        trend = _of_groups(name, "mm" if unit == "mm" else "deg", times, groups, margin, level)
        found += [trend] if trend else []
    return found


def _middles_apart(placements: Sequence[Placement]) -> FloatArray:
    """Return how far apart the middles of both hands' fingertips lie, of placements that show all ten."""
    found = []
    for placement in placements:
        left, right = (places_of([placement], side) for side in SIDES)
        if len(left) and len(right) and np.isfinite(left).all() and np.isfinite(right).all():
            found.append(float(np.hypot(*(right[0].mean(axis=0) - left[0].mean(axis=0)))))
    return np.array(found)


def _of_groups(
    name: str,
    unit: Literal["mm", "deg"],
    times: FloatArray,
    groups: Sequence[FloatArray],
    margin: float,
    level: float,
) -> Trend | None:
    seen = [k for k, group in enumerate(groups) if len(group)]
    freedom = sum(len(groups[k]) - 1 for k in seen)
    if len(seen) < 2 or freedom < 1:
        return None
    variance, _ = within_variance([groups[k] for k in seen])
    means = np.array([groups[k].mean() for k in seen])
    errors = np.sqrt(variance / np.array([len(groups[k]) for k in seen]))
    return _trend(name, unit, times[seen], means, errors, margin, level)


def _trend(
    name: str,
    unit: Literal["mm", "deg"],
    times: FloatArray,
    values: FloatArray,
    errors: FloatArray,
    margin: float,
    level: float,
) -> Trend:
    from scipy.stats import t

    trend = Trend(name, None, None, unit, times, values, errors, "cannot tell", margin)
    if len(times) < LEAST_SESSIONS or np.ptp(times) <= 0.0:
        return trend
    fit = fit_trend(times - times[0], values, errors)
    span = float(np.ptp(times))
    half = float(t.isf(level / 2, fit.freedom)) * float(np.sqrt(fit.covariance[1, 1])) * span
    return replace(trend, fit=fit, change=fit.slope * span, half=half)


def _judged(trend: Trend, probability: float, level: float) -> Trend:
    if trend.fit is None or trend.change is None or trend.half is None:
        return trend
    verdict: Verdict = "cannot tell"
    if probability <= level:
        verdict = "changed"
    elif abs(trend.change) + trend.half <= trend.margin:
        verdict = "unchanged"
    return replace(trend, verdict=verdict, probability=probability)


def trends_text(found: Sequence[Trend]) -> str:
    """Return the trends in plain lines: what is shown, what stays within its margin, what cannot be told."""
    lines = []
    for trend in (trend for trend in found if trend.verdict == "changed"):
        unit = "°" if trend.unit == "deg" else " mm"
        days = float(np.ptp(trend.times_days))
        lines.append(
            f"{trend.name.capitalize()}: {trend.change:+.1f}{unit} (± {trend.half:.1f}) over {days:.0f} days in "
            f"{len(trend.times_days)} sessions. The line says nothing of days beyond the last session."
        )
    drifting = dict.fromkeys((t.side, t.reason) for t in found if t.reason)
    lines += [f"The {side} hand: {reason}. None is named; look at the overlays." for side, reason in drifting]
    if not lines:
        lines.append("No trend that this set-up can show.")
    for verdict, words in (("unchanged", "No trend beyond the margin"), ("cannot tell", "Cannot be told yet")):
        names = [trend.name for trend in found if trend.verdict == verdict and not trend.reason]
        lines += [f"{words}: {'; '.join(names)}."] if names else []
    if any(trend.fit is None for trend in found):
        lines.append(f"A trend is only looked for in {LEAST_SESSIONS} sessions or more.")
    return "\n".join(lines)
