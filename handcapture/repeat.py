"""Repeatability: how far a measurement wanders when nothing has changed, and what change can be told from that.

Three things are kept apart. *Spread*: how far the person's fingers come down from their own mean, one placement to the
next. *Measurement error*: what the instrument adds. *Uncertainty*: how well a mean over placements is known. What is
estimated from few placements is not known well itself, so quantiles are Student's t and Hotelling's T-squared with the
degrees of freedom that there are, never 1.96 where a spread was estimated.

The statistics are pure functions on arrays. Places of a hand (N, 5, 2) are N placements of five fingers in the order of
`names.FINGERS`, mm, with nan where a finger was not measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.placement import Placement
from handcapture.rest import ASSUMED_SPREAD_SD_MM, Rest

FloatArray = NDArray[np.float64]

LEVEL: Final = 0.05
PRIOR_PLACEMENTS: Final = 4.0
"""A finger's own spread is shrunk towards what both hands' common spread lets expect for it, as if the latter were this
many placements more. In simulation (the persons of calibration/sessions.py) a change of 6 mm is then found from three
placements each in 89 % and from five in 99 %; without shrinking in 26 and 90 %. With 8, three placements find 94 %, but
a single restless finger is blamed more often: in 2 % of comparisons with nothing changed, instead of 1.4 %."""
MOST_PLACEMENTS: Final = 60
"""Plans that need more placements per session than this are called out of reach."""
_ROUNDS: Final = 3
_LEAST_MM2: Final = 0.04
"""Least variance of a spread (0.2 mm): nothing that was measured is steadier."""


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
    n, k = (int(count) for count in table.shape)
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


def shrink(
    own_mm2: FloatArray, freedom: float, common_mm2: FloatArray, common_freedom: float
) -> tuple[FloatArray, float]:
    """Return a covariance shrunk towards a common one, and its degrees of freedom.

    Weights as of PRIOR_PLACEMENTS; degrees of freedom combine as Satterthwaite (1946) has it, as in `rest.pool`.
    """
    own = freedom / (freedom + PRIOR_PLACEMENTS)
    covariance = own * np.where(np.isfinite(own_mm2), own_mm2, 0.0) + (1.0 - own) * common_mm2
    inverse = (own**2 / freedom if freedom else 0.0) + (1.0 - own) ** 2 / max(common_freedom, 1e-12)
    return covariance, 1.0 / inverse if inverse > 0.0 else float("inf")


def placements_for(
    covariance_mm2: FloatArray, resolution_mm: float, level: float = LEVEL, common_per_placement: float = 0.0
) -> int | None:
    """Return how many placements each of two sessions needs so that a shift of `resolution_mm` can be told.

    The spread is then estimated from those placements alone, or, with `common_per_placement`, shrunk towards a common
    spread to whose freedom each placement adds so much (3.5 for a hand of five fingers, 7 for two). None when more than
    MOST_PLACEMENTS would be needed; InputError when `resolution_mm` is not positive.
    """
    if not resolution_mm > 0.0:
        raise InputError(f"A resolution of {resolution_mm:g} mm cannot be planned for; give a positive length.")
    for count in range(2, MOST_PLACEMENTS + 1):
        freedom = 2.0 * count - 2.0
        if common_per_placement > 0.0:
            _, freedom = shrink(covariance_mm2, freedom, covariance_mm2, common_per_placement * freedom)
        if detectable_shift(covariance_mm2, freedom, count, count, level) <= resolution_mm:
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
    shape = np.where(np.isfinite(places[fullest]), places[fullest], mean_places(places))
    for _ in range(_ROUNDS):
        shape = mean_places(carried(places, shape, each))
    turn, centre, target = _align(places, shape, each)
    back = Motion(float(-np.degrees(np.arctan2(np.sin(turn).mean(), np.cos(turn).mean()))), (0.0, 0.0))
    return np.asarray((shape - target.mean(axis=0)) @ back.matrix.T + centre.mean(axis=0), dtype=np.float64)


def shape_as_first(sessions: Sequence[FloatArray], weights: FloatArray) -> FloatArray:
    """Return the mean shape (K, 2) over sessions, each places (N, K, 2), lying as in the first that holds any."""
    held = [session for session in sessions if len(session)]
    shape = mean_shape(np.concatenate(held), weights)
    return align(shape, mean_shape(held[0], weights), weights)(shape) if len(held) > 1 else shape


def mean_places(places: FloatArray) -> FloatArray:
    """Return the mean (K, 2) over sets (N, K, 2), nan where no set has the point."""
    seen = np.isfinite(places[..., :1])
    total = np.where(seen, places, 0.0).sum(axis=0)
    count = seen.sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def relative_to_others(places: FloatArray, shape: FloatArray, weights: FloatArray) -> FloatArray:
    """Return where each finger (N, 5, 2) lies when its hand is laid onto `shape` (5, 2) by the other fingers.

    A finger has no say in its own alignment, so that its change is neither hidden nor spread over the others.
    """
    count, fingers = places.shape[:2]
    others = np.where(np.eye(fingers, dtype=bool), 0.0, weights)
    sets, heavy = np.repeat(places, fingers, axis=0), np.tile(others, (count, 1))
    moved = carried(sets, shape, heavy).reshape(count, fingers, fingers, 2)
    return np.asarray(np.einsum("nffi->nfi", moved), dtype=np.float64)


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
    # Turn and shifts part when the middle is taken out, so that the normal matrix is diagonal.
    diagonal = np.maximum((heavy[:, None] * flat**2).sum(axis=0), 1e-12)
    solved = (flat * heavy[:, None]).T / diagonal[:, None]
    matrix = -design[finger] @ solved
    matrix[:, 2 * finger : 2 * finger + 2] += np.eye(2)
    return np.asarray(matrix, dtype=np.float64)


def through(matrix: FloatArray, covariances: FloatArray, stretch: FloatArray | None = None) -> FloatArray:
    """Return the covariance (2, 2) that `relative_to_others` sees of fingers with covariances (K, 2, 2).

    `matrix` (2, 2K) is the `leverage`; fingers are independent of each other, but for what `stretch` (K, 2) adds: each
    axis is stretched by a random share of variance 1, which moves the fingers by those lengths.
    """
    each = matrix.reshape(2, -1, 2)
    seen = np.einsum("iaj,ajk,lak->il", each, covariances, each)
    if stretch is not None:
        moved = np.einsum("iaj,aj->ij", each, stretch)
        seen = seen + moved @ moved.T
    return np.asarray(seen, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class CommonSpread:
    """The spread (2, 2) of a finger that all fingers have in common, one placement, before any alignment; its freedom.

    Axes: towards the little finger, towards the person. Measurement error is part of it: contacts state theirs on the
    wide side, and what really happened is in the scatter. `assumed` marks a value that was not measured, because no
    hand was placed twice. `ratios` tell how large each session's spread is against that of all, as variances, with the
    freedom of each: a session in which the hands were restless is known by all fingers together.
    """

    covariance_mm2: FloatArray
    freedom: float
    assumed: bool = False
    ratios: tuple[tuple[float, float], ...] = ()

    def expected(self, matrix: FloatArray) -> FloatArray:
        """Return the covariance (2, 2) that `relative_to_others` should find, of a finger's `leverage` (2, 2K)."""
        return through(matrix, np.broadcast_to(self.covariance_mm2, (matrix.shape[1] // 2, 2, 2)))


def common_spread(hands: Sequence[tuple[FloatArray, Sequence[FloatArray]]]) -> CommonSpread:
    """Return the common spread within sessions: per hand its shape (5, 2) and its places (N, 5, 2) in each session.

    Every placement is laid onto the shape by all fingers; what remains scatters in 2F - 3 of the 2F coordinates of F
    fingers, since turn and shift took three. All in hand axes.
    """
    most = max((len(sessions) for _, sessions in hands), default=0)
    squares, freedoms = np.zeros((most, 2, 2)), np.zeros(most)
    for shape, sessions in hands:
        weights = np.ones(len(shape))
        fingers = int(np.isfinite(shape[:, 0]).sum())
        if fingers < 3:
            continue
        for number, session in enumerate(sessions):
            if len(session):
                moved = carried(session, shape, np.broadcast_to(weights, session.shape[:2]))
                own, free = _scatter(moved)
                squares[number] += own.sum(axis=0)
                freedoms[number] += free.sum() / fingers * (2 * fingers - 3) / 2
    freedom = float(freedoms.sum())
    if freedom <= 0.0:
        return CommonSpread(np.eye(2) * ASSUMED_SPREAD_SD_MM**2, np.inf, True, ((1.0, np.inf),) * most)
    pooled = squares.sum(axis=0) / freedom
    values, vectors = np.linalg.eigh(pooled)
    common = (vectors * np.maximum(values, _LEAST_MM2)) @ vectors.T
    whole = max(float(np.trace(pooled)), 2 * _LEAST_MM2)
    ratios = tuple(
        (max(float(np.trace(each)) / free, 2 * _LEAST_MM2) / whole, float(free)) if free > 0 else (1.0, freedom)
        for each, free in zip(squares, freedoms, strict=True)
    )
    return CommonSpread(np.asarray(common, dtype=np.float64), freedom, False, ratios)


def _scatter(places: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the scatter (K, 2, 2) about the means of places (N, K, 2), and its degrees of freedom (K,)."""
    seen = np.isfinite(places[..., 0])
    off = np.where(seen[..., None], places - mean_places(places), 0.0)
    return np.einsum("nki,nkj->kij", off, off), np.maximum(seen.sum(axis=0) - 1, 0)


def session_scatter(sessions: Sequence[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Return scatter matrices (K, 2, 2) of places (N, K, 2) about their sessions' means, pooled, and freedoms (K,)."""
    pairs = [_scatter(session) for session in sessions]
    return np.sum([pair[0] for pair in pairs], axis=0), np.sum([pair[1] for pair in pairs], axis=0, dtype=np.float64)


# Thin: placements and rests


def places_of(placements: Sequence[Placement], side: Side) -> FloatArray:
    """Return a hand's seen contacts (N, 5, 2), nan where not seen, of the placements that show this hand."""
    rows = []
    for placement in placements:
        seen = {c.finger: c.contact_mm for c in placement.contacts if c.side == side and not c.hidden}
        if any(c.side == side for c in placement.contacts):
            rows.append([seen.get(finger, np.full(2, np.nan)) for finger in FINGERS])
    return np.array(rows, dtype=np.float64).reshape(-1, len(FINGERS), 2)


def measured_errors(placements: Sequence[Placement], side: Side) -> FloatArray:
    """Return what the measurement states of a hand's seen contacts (5, 2, 2), of what differs from photo to photo.

    The mean over the placements; zeros for a finger that was not seen.
    """
    mean = np.zeros((len(FINGERS), 2, 2))
    for number, finger in enumerate(FINGERS):
        contacts = [c for p in placements for c in p.contacts if (c.side, c.finger) == (side, finger) and not c.hidden]
        if contacts:
            mean[number] = np.mean([contact.own_mm2 for contact in contacts], axis=0)
    return mean


MIRROR: Final = {"left": np.array([-1.0, 1.0]), "right": np.array([1.0, 1.0])}
"""Factors from mat axes to hand axes (towards the little finger, towards the person), and back."""


def in_hand_axes(values: FloatArray, side: Side) -> FloatArray:
    """Return vectors (..., 2) in hand axes; of mat axes, or the other way round."""
    return np.asarray(values * MIRROR[side], dtype=np.float64)


def matrix_in_hand_axes(matrices: FloatArray, side: Side) -> FloatArray:
    """Return matrices (..., 2, 2) in hand axes; of mat axes, or the other way round."""
    return np.asarray(matrices * MIRROR[side][:, None] * MIRROR[side][None], dtype=np.float64)


@dataclass(frozen=True, eq=False)
class FingerRepeat:
    """How one finger comes down again and again; covariances (2, 2), mm², mat axes.

    `place_mm2` on the mat and `relative_mm2` relative to the other fingers are those of a single placement, measurement
    error included; `person_mm2` is the place's without it, `measured_mm2` what the measurement states of itself.
    `shape_mm2` is `relative_mm2` shrunk towards what is common to all fingers, with `freedom` degrees of freedom: what
    comparisons of sessions go by.
    """

    side: Side
    finger: Finger
    placements: int
    place_mm2: FloatArray
    person_mm2: FloatArray
    measured_mm2: FloatArray
    relative_mm2: FloatArray
    shape_mm2: FloatArray
    freedom: float

    def detectable_mm(self, before: int = 1, after: int = 1) -> float:
        """Return the MDC95 of this finger relative to its hand, in any direction, between means over placements."""
        return detectable_shift(self.shape_mm2, self.freedom, before, after)


@dataclass(frozen=True, eq=False)
class Repeatability:
    """The repeatability of all fingers that were placed twice or more; `common` in hand axes."""

    fingers: tuple[FingerRepeat, ...]
    common: CommonSpread
    hands: int

    @property
    def technical_error_mm(self) -> float:
        """Standard error of measurement along one axis, relative to the hand, all fingers: what an MDC stands on."""
        freedom = np.array([finger.placements - 1 for finger in self.fingers], dtype=np.float64)
        traces = np.array([np.trace(finger.relative_mm2) / 2 for finger in self.fingers])
        return float(np.sqrt(freedom @ traces / freedom.sum()))

    def plan(self, resolution_mm: float, level: float | None = None) -> dict[tuple[Side, Finger], int | None]:
        """Return how many placements each of two sessions needs so that each finger's shift can be told.

        `resolution_mm` is the shift relative to the hand, in any direction; None where it is out of reach. `level` is
        by default that of one finger among all that are looked at, as comparisons go by. A shift of just this size is
        found about every second time, one of one and a half times nearly always.
        """
        each = LEVEL / len(self.fingers) if level is None else level
        return {
            (f.side, f.finger): placements_for(f.shape_mm2, resolution_mm, each, 3.5 * self.hands) for f in self.fingers
        }


def repeatability(of: Rest | Sequence[Placement]) -> Repeatability:
    """Return the repeatability that a session's placements show. InputError when no hand was placed twice."""
    placements = of.placements if isinstance(of, Rest) else tuple(of)
    hands = {
        side: (
            in_hand_axes(places_of(placements, side), side),
            matrix_in_hand_axes(measured_errors(placements, side), side),
        )
        for side in SIDES
    }
    hands = {side: hand for side, hand in hands.items() if len(hand[0]) >= 2}
    weights = np.ones(len(FINGERS))
    shapes = {side: mean_shape(places, weights) for side, (places, _) in hands.items()}
    common = common_spread([(shapes[side], [places]) for side, (places, _) in hands.items()])
    fingers: list[FingerRepeat] = []
    for side, (places, measured) in hands.items():
        shape = shapes[side]
        scatters, freedoms = session_scatter([relative_to_others(places, shape, weights)])
        for number, finger in enumerate(FINGERS):
            scatter, freedom = scatters[number], float(freedoms[number])
            seen = places[np.isfinite(places[:, number, 0]), number]
            if freedom < 1.0 or len(seen) < 2:
                continue
            person, total, _ = person_spread(seen, measured[number][None])
            expected = common.expected(leverage(shape, weights, number))
            shape_mm2, shape_freedom = shrink(scatter / freedom, freedom, expected, common.freedom)
            fingers.append(
                FingerRepeat(
                    side=side,
                    finger=finger,
                    placements=len(seen),
                    place_mm2=matrix_in_hand_axes(total, side),
                    person_mm2=matrix_in_hand_axes(person, side),
                    measured_mm2=matrix_in_hand_axes(measured[number], side),
                    relative_mm2=matrix_in_hand_axes(scatter / freedom, side),
                    shape_mm2=matrix_in_hand_axes(shape_mm2, side),
                    freedom=shape_freedom,
                )
            )
    if not fingers:
        raise InputError(
            "Repeatability needs hands that were laid down twice or more. Lift the hands, lay them down again, and "
            "measure three to five photos together."
        )
    return Repeatability(tuple(fingers), common, len(hands))
