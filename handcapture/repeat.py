"""Repeatability: how far a measurement wanders when nothing has changed, and what change can be told from that.

Three things are kept apart. *Spread*: how far the person's fingers come down from their own mean, one placement to the
next. *Measurement error*: what the instrument adds. *Uncertainty*: how well a mean over placements is known. What is
estimated from few placements is not known well itself, so quantiles are Student's t and Hotelling's T-squared with the
degrees of freedom that there are, never 1.96 where a spread was estimated.

The statistics are pure functions on arrays. Places of a hand (N, 5, 2) are N placements of five fingers in the order of
`names.FINGERS`, mm, with nan where a finger was not measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.rest import Placement, Rest

FloatArray = NDArray[np.float64]

LEVEL: Final = 0.05
MOST_PLACEMENTS: Final = 60
"""Plans that need more placements per session than this are called out of reach."""
_ROUNDS: Final = 4


# Error of measurement and agreement, one quantity at a time


def technical_error(first: FloatArray, second: FloatArray) -> float:
    """Return Dahlberg's technical error of measurement sqrt(sum d² / 2n) of n pairs (n,) (Dahlberg 1940)."""
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    if difference.ndim != 1 or not len(difference):
        raise ValueError("Two equally long rows of repeats are needed.")
    return float(np.sqrt(np.mean(difference**2) / 2))


def within_variance(groups: Sequence[FloatArray]) -> tuple[float, int]:
    """Return the variance within groups (each (n,)), and its degrees of freedom. ValueError when there are none."""
    freedom = sum(len(group) - 1 for group in groups if len(group))
    if freedom < 1:
        raise ValueError("No group has two values or more, so nothing is known of the variance within them.")
    squares = sum(float(((np.asarray(group) - np.mean(group)) ** 2).sum()) for group in groups if len(group))
    return squares / freedom, freedom


def variance_components(groups: Sequence[FloatArray]) -> tuple[float, float]:
    """Return the variances between and within groups (each (n,)) of a one-way random-effects model.

    Analysis of variance, with the mean group size for unequal groups (Searle, Casella and McCulloch 1992); the one
    between is never below 0.
    """
    within, _ = within_variance(groups)
    sizes = np.array([len(group) for group in groups if len(group)], dtype=np.float64)
    if len(sizes) < 2:
        raise ValueError("Two groups or more are needed to tell the variance between them.")
    means = np.array([np.mean(group) for group in groups if len(group)])
    grand = float(sizes @ means / sizes.sum())
    between = float(sizes @ (means - grand) ** 2) / (len(sizes) - 1)
    size = (sizes.sum() - (sizes**2).sum() / sizes.sum()) / (len(sizes) - 1)
    return max((between - within) / float(size), 0.0), within


def detectable_change(
    error: float, freedom: float | None = None, before: int = 1, after: int = 1, level: float = LEVEL
) -> float:
    """Return the minimal detectable change (MDC95 by default) between means of `before` and `after` repeats.

    `error` is the standard error of measurement of one repeat, in any unit. Known (`freedom` None) and with one repeat
    each this is 1.96 · sqrt(2) · SEM; estimated with `freedom` degrees of freedom, Student's t takes the place of 1.96.
    """
    from scipy.stats import norm, t

    factor = norm.isf(level / 2) if freedom is None else t.isf(level / 2, freedom)
    return float(factor * error * np.sqrt(1 / before + 1 / after))


@dataclass(frozen=True)
class Agreement:
    """Limits of agreement (Bland and Altman 1986) of two methods or two occasions, in the data's unit.

    `limits` hold 95 % of the differences first minus second; `mean_interval` and `limit_error` (standard error of each
    limit, sqrt(3 s²/n)) say how well mean and limits are known.
    """

    mean: float
    sd: float
    limits: tuple[float, float]
    mean_interval: tuple[float, float]
    limit_error: float


def agreement(first: FloatArray, second: FloatArray) -> Agreement:
    """Return the limits of agreement of n pairs (n,), n > 1."""
    from scipy.stats import norm, t

    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    count = len(difference)
    if count < 2:
        raise ValueError("Two pairs or more are needed.")
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    reach, known = norm.isf(0.025) * sd, t.isf(0.025, count - 1) * sd / np.sqrt(count)
    return Agreement(
        mean=mean,
        sd=sd,
        limits=(float(mean - reach), float(mean + reach)),
        mean_interval=(float(mean - known), float(mean + known)),
        limit_error=float(np.sqrt(3 * sd**2 / count)),
    )


@dataclass(frozen=True)
class Icc:
    """Intraclass correlations, forms of Shrout and Fleiss (1979): a single value's, or that of a mean of k.

    `one`: every row has repeats of its own (a finger laid down again: the usual case here). `two`: the columns are a
    random choice from many, and their means count as error. `three`: the columns are fixed, their means do not count.
    `intervals` holds the 95 % interval of each, in the order of the fields.
    """

    one: float
    two: float
    three: float
    one_mean: float
    two_mean: float
    three_mean: float
    intervals: tuple[tuple[float, float], ...]


def intraclass_correlations(table: FloatArray) -> Icc:
    """Return the six forms for a table (n, k): n people or fingers, k repeats. ValueError when a value is missing."""
    from scipy.stats import f

    table = np.asarray(table, dtype=np.float64)
    if table.ndim != 2 or min(table.shape) < 2 or not np.isfinite(table).all():
        raise ValueError("A full table of two rows and two columns or more is needed.")
    n, k = table.shape
    rows, columns, grand = table.mean(axis=1), table.mean(axis=0), table.mean()
    bms = k * float(((rows - grand) ** 2).sum()) / (n - 1)
    wms = float(((table - rows[:, None]) ** 2).sum()) / (n * (k - 1))
    jms = n * float(((columns - grand) ** 2).sum()) / (k - 1)
    free = (n - 1) * (k - 1)
    ems = float(((table - rows[:, None] - columns[None] + grand) ** 2).sum()) / free
    tiny = np.finfo(np.float64).tiny
    one = (bms - wms) / max(bms + (k - 1) * wms, tiny)
    two = (bms - ems) / max(bms + (k - 1) * ems + k * (jms - ems) / n, tiny)
    three = (bms - ems) / max(bms + (k - 1) * ems, tiny)

    def interval(mean_square: float, freedom: int) -> tuple[float, float]:
        low = bms / max(mean_square, tiny) / float(f.isf(0.025, n - 1, freedom))
        high = bms / max(mean_square, tiny) * float(f.isf(0.025, freedom, n - 1))
        return float((low - 1) / (low + k - 1)), float((high - 1) / (high + k - 1))

    a = n * (1 + (k - 1) * two) - k * two
    ratio = jms / max(ems, tiny)
    v = free * (k * two * ratio + a) ** 2 / max((n - 1) * k**2 * two**2 * ratio**2 + a**2, tiny)
    low, high = float(f.isf(0.025, n - 1, v)), float(f.isf(0.025, v, n - 1))
    common = k * jms + (k * n - k - n) * ems
    two_interval = (
        float(n * (bms - low * ems) / (low * common + n * bms)),
        float(n * (high * bms - ems) / (common + n * high * bms)),
    )
    single = (interval(wms, n * (k - 1)), two_interval, interval(ems, free))

    def of_mean(value: float) -> float:
        """Spearman and Brown's formula."""
        return k * value / (1 + (k - 1) * value)

    means = tuple((of_mean(low), of_mean(high)) for low, high in single)
    return Icc(
        one=one,
        two=two,
        three=three,
        one_mean=1 - wms / max(bms, tiny),
        two_mean=(bms - ems) / max(bms + (jms - ems) / n, tiny),
        three_mean=1 - ems / max(bms, tiny),
        intervals=(*single, *means),
    )


# Several quantities at once


def t2_limit(level: float, dimensions: int, freedom: float) -> float:
    """Return what Hotelling's T-squared exceeds with probability `level`; chi-square's limit for infinite freedom."""
    from scipy.stats import chi2, f

    if np.isinf(freedom):
        return float(chi2.isf(level, dimensions))
    if freedom <= dimensions - 1:
        return float("inf")
    if dimensions == 2:  # in closed form
        return float(freedom * (level ** (-2.0 / (freedom - 1)) - 1))
    rest = freedom - dimensions + 1
    return float(dimensions * freedom / rest * f.isf(level, dimensions, rest))


def t2_probability(t2: float, dimensions: int, freedom: float) -> float:
    """Return the probability that Hotelling's T-squared exceeds `t2`; 1 when there is too little freedom to tell."""
    from scipy.stats import chi2, f

    if np.isinf(freedom):
        return float(chi2.sf(t2, dimensions))
    if freedom <= dimensions - 1:
        return 1.0
    if dimensions == 2:
        return float((1 + t2 / freedom) ** (-(freedom - 1) / 2))
    rest = freedom - dimensions + 1
    return float(f.sf(t2 * rest / (dimensions * freedom), dimensions, rest))


@dataclass(frozen=True, eq=False)
class MeanTest:
    """Hotelling's test of a mean: `difference` (p,) with its `covariance` (p, p), T² and the probability of more."""

    difference: FloatArray
    covariance: FloatArray
    t2: float
    freedom: int
    probability: float


def hotelling(values: FloatArray, expected: FloatArray | None = None) -> MeanTest:
    """Test whether the mean of rows (n, p) is `expected` (p,), zeros by default: Hotelling's one-sample T-squared.

    For pairs give their differences. ValueError for too few rows.
    """
    values = np.asarray(values, dtype=np.float64)
    count, dimensions = values.shape
    if count <= dimensions:
        raise ValueError(f"{count} rows are too few for {dimensions} quantities.")
    difference = values.mean(axis=0) - (0.0 if expected is None else np.asarray(expected))
    covariance = np.cov(values, rowvar=False).reshape(dimensions, dimensions) / count
    t2 = float(difference @ np.linalg.solve(covariance, difference))
    return MeanTest(difference, covariance, t2, count - 1, t2_probability(t2, dimensions, count - 1))


def hotelling_two(before: FloatArray, after: FloatArray) -> MeanTest:
    """Test whether rows `before` (n, p) and `after` (m, p) have one mean: T-squared with the pooled covariance."""
    before, after = np.asarray(before, dtype=np.float64), np.asarray(after, dtype=np.float64)
    dimensions, freedom = before.shape[1], len(before) + len(after) - 2
    if freedom < dimensions:
        raise ValueError(f"{len(before)} and {len(after)} rows are too few for {dimensions} quantities.")
    a, b = before - before.mean(axis=0), after - after.mean(axis=0)
    covariance = (a.T @ a + b.T @ b) / freedom * (1 / len(before) + 1 / len(after))
    difference = after.mean(axis=0) - before.mean(axis=0)
    t2 = float(difference @ np.linalg.solve(covariance, difference))
    return MeanTest(difference, covariance, t2, freedom, t2_probability(t2, dimensions, freedom))


def person_spread(places: FloatArray, measured: FloatArray | None = None) -> tuple[FloatArray, FloatArray, int]:
    """Tell a person's spread from the measurement's error: random effects, by moments (DerSimonian and Laird 1986).

    `places` (n, 2) of placements, with the covariances (n, 2, 2) that their measurements state, of what differs from
    photo to photo. Returns the person's covariance (2, 2), never negative, the total one of a single placement (2, 2),
    and the degrees of freedom. ValueError for fewer than two.
    """
    places = np.asarray(places, dtype=np.float64)
    if len(places) < 2:
        raise ValueError("Two placements or more are needed to tell a spread.")
    total = np.cov(places, rowvar=False)
    if measured is None:
        return total, total, len(places) - 1
    values, vectors = np.linalg.eigh(total - np.mean(measured, axis=0))
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T, dtype=np.float64), total, len(places) - 1


def detectable_shift(
    covariance_mm2: FloatArray, freedom: float, before: int, after: int, level: float = LEVEL
) -> float:
    """Return how far (mm) means of `before` and `after` placements must lie apart to be told in any direction.

    `covariance_mm2` (2, 2) is that of one placement, estimated with `freedom` degrees of freedom: the MDC95 of a point
    on the plane. It is infinite where there is too little freedom.
    """
    widest = float(np.linalg.eigvalsh(covariance_mm2)[-1])
    return float(np.sqrt(t2_limit(level, 2, freedom) * widest * (1 / before + 1 / after)))


def placements_for(covariance_mm2: FloatArray, resolution_mm: float, level: float = LEVEL) -> int | None:
    """Return how many placements each of two sessions needs so that a shift of `resolution_mm` can be told.

    The spread is then estimated from those placements alone. None when more than MOST_PLACEMENTS would be needed;
    InputError when `resolution_mm` is not positive.
    """
    if not resolution_mm > 0.0:
        raise InputError(f"A resolution of {resolution_mm:g} mm cannot be planned for; give a positive length.")
    for count in range(2, MOST_PLACEMENTS + 1):
        if detectable_shift(covariance_mm2, 2 * count - 2, count, count, level) <= resolution_mm:
            return count
    return None


# The shape of a hand: where its fingers are relative to each other


@dataclass(frozen=True)
class Motion:
    """A rigid motion in the plane, first turned, then shifted; x turns towards y (on the mat: clockwise as seen)."""

    turn_deg: float
    shift_mm: tuple[float, float]

    @property
    def matrix(self) -> FloatArray:
        """The rotation (2, 2), determinant +1."""
        cos, sin = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        return np.array([[cos, -sin], [sin, cos]])

    def __call__(self, points: FloatArray) -> FloatArray:
        """Return points (N, 2), moved."""
        return np.asarray(points @ self.matrix.T + np.array(self.shift_mm), dtype=np.float64)


def align(points: FloatArray, onto: FloatArray, weights: FloatArray | None = None) -> Motion:
    """Return the rigid motion that carries `points` (N, 2) onto others (N, 2) by weighted least squares.

    Rotation and shift only, no scale and never a reflection (Umeyama 1991, whose determinant rule has this closed form
    in the plane; `scipy.spatial.procrustes` would take a left hand for a right one).
    """
    turn, centre, target = _align(np.asarray(points)[None], np.asarray(onto), _weights(points, weights)[None])
    motion = Motion(float(np.degrees(turn[0])), (0.0, 0.0))
    shift = target[0] - motion.matrix @ centre[0]
    return Motion(motion.turn_deg, (float(shift[0]), float(shift[1])))


def _weights(points: FloatArray, weights: FloatArray | None) -> FloatArray:
    return np.ones(len(points)) if weights is None else np.asarray(weights, dtype=np.float64)


def _align(places: FloatArray, onto: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return turns (N,) in radians, and the centres (N, 2) of N sets of points (N, K, 2) and of what they go onto.

    `weights` (N, K) are zero where a point does not count; the place there may be nan.
    """
    weights = np.where(np.isfinite(places[..., 0]) & np.isfinite(onto[..., 0]), weights, 0.0)[..., None]
    places, onto = np.where(weights > 0, places, 0.0), np.where(weights > 0, onto, 0.0)
    total = np.maximum(weights.sum(axis=1), 1e-12)
    centre, target = (weights * places).sum(axis=1) / total, (weights * onto).sum(axis=1) / total
    a, b = weights * (places - centre[:, None]), onto - target[:, None]
    cosine = (a * b).sum(axis=(1, 2))
    sine = (a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]).sum(axis=1)
    return np.arctan2(sine, cosine), centre, target


def carried(places: FloatArray, onto: FloatArray, weights: FloatArray) -> FloatArray:
    """Return places (N, K, 2), each set moved rigidly onto `onto` (K, 2) by the points of positive weight (N, K).

    A set with fewer than two such points gives nan.
    """
    turn, centre, target = _align(places, onto, weights)
    cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
    off = places - centre[:, None]
    moved = np.stack([cos * off[..., 0] - sin * off[..., 1], sin * off[..., 0] + cos * off[..., 1]], axis=-1)
    counted = ((weights > 0) & np.isfinite(places[..., 0]) & np.isfinite(onto[..., 0])).sum(axis=1)
    return np.where((counted >= 2)[:, None, None], moved + target[:, None], np.nan)


def mean_shape(places: FloatArray, weights: FloatArray) -> FloatArray:
    """Return the mean shape (K, 2) of places (N, K, 2) under rigid motions, lying as the sets do on average.

    Generalised Procrustes analysis without scale (Gower 1975); `weights` (K,) are zero for points that must not pull.
    """
    each = np.broadcast_to(weights, places.shape[:2])
    fullest = int(np.argmax(np.where(np.isfinite(places[..., 0]), each, 0.0).sum(axis=1)))
    shape = np.where(np.isfinite(places[fullest]), places[fullest], _mean(places))
    for _ in range(_ROUNDS):
        shape = _mean(carried(places, shape, each))
    turn, centre, target = _align(places, shape, each)
    back = Motion(float(-np.degrees(np.arctan2(np.sin(turn).mean(), np.cos(turn).mean()))), (0.0, 0.0))
    return np.asarray((shape - target.mean(axis=0)) @ back.matrix.T + centre.mean(axis=0), dtype=np.float64)


def _mean(places: FloatArray) -> FloatArray:
    """Return the mean (K, 2) over sets (N, K, 2), nan where no set has the point."""
    seen = np.isfinite(places[..., :1])
    total = np.where(seen, places, 0.0).sum(axis=0)
    count = seen.sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def relative_to_others(places: FloatArray, shape: FloatArray, weights: FloatArray, finger: int) -> FloatArray:
    """Return where one finger (N, 2) lies when each hand (N, 5, 2) is laid onto `shape` (5, 2) by the other fingers.

    The finger has no say in its own alignment, so that its change is neither hidden nor spread over the others.
    """
    others = np.array(weights, dtype=np.float64)
    others[finger] = 0.0
    return carried(places, shape, np.broadcast_to(others, places.shape[:2]))[:, finger]


def leverage(shape: FloatArray, weights: FloatArray, finger: int) -> FloatArray:
    """Return the matrix (2, 2K) from small displacements of all fingers to what `relative_to_others` sees of them.

    Linear in the displacements: the finger's own minus what the others' displacements turn and shift the alignment by.
    """
    others = np.where(np.isfinite(shape[:, 0]), weights, 0.0)
    others[finger] = 0.0
    places = np.where(np.isfinite(shape), shape, 0.0)
    centred = places - (others[:, None] * places).sum(axis=0) / max(others.sum(), 1e-12)
    design = np.zeros((len(shape), 2, 3))
    design[:, 0, 0] = design[:, 1, 1] = 1.0
    design[:, 0, 2], design[:, 1, 2] = -centred[:, 1], centred[:, 0]
    flat, heavy = design.reshape(-1, 3), np.repeat(others, 2)
    solved = np.linalg.pinv(flat.T @ (heavy[:, None] * flat)) @ (flat * heavy[:, None]).T
    matrix = -design[finger] @ solved
    matrix[:, 2 * finger : 2 * finger + 2] += np.eye(2)
    return np.asarray(matrix, dtype=np.float64)


# Thin: placements and rests


def places_of(placements: Sequence[Placement], side: Side) -> FloatArray:
    """Return a hand's seen contacts (N, 5, 2), nan where not seen, of the placements that show this hand."""
    rows = []
    for placement in placements:
        seen = {c.finger: c.contact_mm for c in placement.contacts if c.side == side and not c.hidden}
        if any(c.side == side for c in placement.contacts):
            rows.append([seen.get(finger, np.full(2, np.nan)) for finger in FINGERS])
    return np.array(rows, dtype=np.float64).reshape(-1, len(FINGERS), 2)


def own_errors(placements: Sequence[Placement], side: Side) -> dict[Finger, FloatArray]:
    """Return, per finger, the covariances (n, 2, 2) of its seen contacts, of what differs from photo to photo."""
    found: dict[Finger, list[FloatArray]] = {}
    for contact in (c for placement in placements for c in placement.contacts if c.side == side and not c.hidden):
        found.setdefault(contact.finger, []).append(contact.own_mm2)
    return {finger: np.array(covariances) for finger, covariances in found.items()}


@dataclass(frozen=True, eq=False)
class FingerRepeat:
    """How one finger comes down again and again; covariances (2, 2), mm², mat axes.

    `place_mm2` on the mat and `shape_mm2` relative to the other fingers are those of a single placement, measurement
    error included; `person_mm2` is the place's without it. `measured_mm2` is what the measurement states of itself.
    """

    side: Side
    finger: Finger
    placements: int
    place_mm2: FloatArray
    person_mm2: FloatArray
    measured_mm2: FloatArray
    shape_mm2: FloatArray

    @property
    def freedom(self) -> int:
        """Degrees of freedom of these spreads."""
        return self.placements - 1

    def detectable_mm(self, before: int = 1, after: int = 1, relative: bool = True) -> float:
        """Return the MDC95 of this finger, relative to the hand or on the mat, between two means over placements."""
        return detectable_shift(self.shape_mm2 if relative else self.place_mm2, self.freedom, before, after)


@dataclass(frozen=True, eq=False)
class Repeatability:
    """The repeatability of all fingers that were placed twice or more."""

    fingers: tuple[FingerRepeat, ...]

    @property
    def technical_error_mm(self) -> float:
        """Standard error of measurement along one axis, all fingers, relative to the hand: what an MDC stands on."""
        freedom = np.array([finger.freedom for finger in self.fingers], dtype=np.float64)
        traces = np.array([np.trace(finger.shape_mm2) / 2 for finger in self.fingers])
        return float(np.sqrt(freedom @ traces / freedom.sum()))

    def plan(self, resolution_mm: float, relative: bool = True) -> dict[tuple[Side, Finger], int | None]:
        """Return how many placements per session each finger needs so that a shift of `resolution_mm` can be told."""
        return {
            (f.side, f.finger): placements_for(f.shape_mm2 if relative else f.place_mm2, resolution_mm)
            for f in self.fingers
        }


def repeatability(of: Rest | Sequence[Placement]) -> Repeatability:
    """Return the repeatability that a session's placements show. InputError when no hand was placed twice."""
    placements = of.placements if isinstance(of, Rest) else tuple(of)
    fingers: list[FingerRepeat] = []
    for side in SIDES:
        places, errors = places_of(placements, side), own_errors(placements, side)
        if len(places) < 2:
            continue
        weights = np.ones(len(FINGERS))
        shape = mean_shape(places, weights)
        for number, finger in enumerate(FINGERS):
            seen = places[np.isfinite(places[:, number, 0]), number]
            relative = relative_to_others(places, shape, weights, number)
            relative = relative[np.isfinite(relative[:, 0])]
            if len(seen) < 2 or len(relative) < 2:
                continue
            person, total, _ = person_spread(seen, errors[finger])
            measured = errors[finger].mean(axis=0)
            shape_mm2 = np.cov(relative, rowvar=False)
            fingers.append(FingerRepeat(side, finger, len(seen), total, person, measured, shape_mm2))
    if not fingers:
        raise InputError(
            "Repeatability needs hands that were laid down twice or more. Lift the hands, lay them down again, and "
            "measure three to five photos together."
        )
    return Repeatability(tuple(fingers))


def placements_table(table: Mapping[tuple[Side, Finger], int | None]) -> list[str]:
    """Return a plan as lines of text."""
    return [
        f"{side} {finger}: {'more than ' + str(MOST_PLACEMENTS) if count is None else count} placements per session"
        for (side, finger), count in table.items()
    ]
