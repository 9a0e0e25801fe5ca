"""Many people's hands: how they spread, and a small set of sizes that serves them.

**Shape.** Hands are laid onto each other by turns and shifts only: a larger hand stays larger, a left one never becomes
a right one. With `hands` "each", each hand is laid down on its own, since a panel leaves it free to come down where it
likes; with "together", all ten contacts are one figure, whose hands keep their distance.

**Sizes** are the means of clusters of shapes: the sum of squared distances between contacts and their size's is least
(Lloyd's iteration with means after Gower 1975, seeded as Arthur and Vassilvitskii 2007 have it, from memory; from many
starts, always the same). Points on a plane are complex numbers here: the best turn of z onto w is the phase of
sum(w conj z), and what then remains is |z|² + |w|² - 2 |sum(w conj z)|.

**Served** is a person whose every finger comes down within `within_mm` of the size's contact. Shares count the offsets
as they were measured. A verdict on one person also looks at how well each finger's offset is known: from the
measurement, carried through the laying of the hand onto the size (first order), and from the size, which would lie
elsewhere had it been made from other people (scatter of people about their sizes, pooled, by their number). It is
"served" where every finger's one-sided 95 % bound lies within, "not served" where some finger's lies beyond, else "on
the line". Contacts' errors are taken as independent of each other; what fingers share, the laying takes out.

Who made the sizes is served better by them than the next customer will be. So coverage is also counted over people who
were left out of the making: one at a time, or a tenth of many. More sizes need not serve more: clusters have the least
squares, not the fewest misses.

**The set that is listed** is the least whose left-out share, less one standard error (the lower end of Wilson's 68 %
interval), reaches what is wanted; where none does, the least whose share lies within one of the best. A set that was
picked has had luck as well, so its own left-out share flatters it. What is said of it is therefore counted with the
picking repeated without each person in turn: is that person served by the set that the others' shares pick?

**Intervals** of left-out shares are Wilson's, but people count as three quarters, and as a half where a set was picked:
left-out people share nearly all of their makers, and bare ones hold the truth too seldom (so found with invented
cohorts of 12, 40 and 200 people; `calibration/cohort.py` tries it on others, and compares all shares with new people).

What it is not: a size is a mean, and nobody's hand. People measured are whom it speaks of; percentiles of a handful of
people have wide intervals, which are stated (order statistics, free of any distribution), or do not exist.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.layout.fit import fit_layout, scatter_mm2
from handcapture.layout.landing import landing_probability, plunger_mm
from handcapture.layout.model import Layout, Panel, Point
from handcapture.layout.plan import Plan
from handcapture.layout.task import LayoutError, finger_wishes, in_order
from handcapture.measures import SPREAD_SPAN_MM
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.rest import ALIKE_MM, Fingertip, Rest, nearest_covariance

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
Hands = Literal["each", "together", "left", "right"]
Verdict = Literal["served", "on the line", "not served", "made from this person alone"]

PERCENTS: Final = (5, 25, 50, 75, 95)
MOST_SIZES: Final = 6
WITHIN_MM: Final = plunger_mm(24.0) / 2
"""Half the plunger of a 24 mm hole: a finger farther off misses it."""
_STARTS: Final = 40
_STARTS_LEFT_OUT: Final = 10
_STEPS: Final = 200
_FOLDS: Final = 10
_ONE_AT_A_TIME: Final = 30
"""Up to so many people are left out one at a time."""
_LEFT_OUT_COUNT: Final = 0.75
_PICKED_COUNT: Final = 0.5
_NORMAL_95: Final = 1.959964
_ONE_SIDED: Final = 1.645
"""95 % quantile of the normal distribution."""
MOST_APART_MM: Final = 1.05 * max(high for _, high in SPREAD_SPAN_MM.values())
"""No two contacts of a hand lie farther apart: the 95th percentile of men's spread hands, thumb tip to little tip, and
a twentieth more, while hands here rest and pads lie before the tips (the margin: our own assumption)."""
LEAST_ACROSS_MM: Final = 50.0
"""The farthest two contacts of a hand lie no nearer: a resting hand of a child of three is some 70 mm across (from
memory, no source; wide on purpose)."""
LEAST_PITCH_MM: Final = 5.0
"""Two pads do not come down nearer to each other; fingers of small children are 8 mm wide (from memory, no source)."""
SD_MM: Final = (0.05, 15.0)
"""Stated deviations outside this are none: the mat alone is known to 0.05 mm, and a finger that may lie anywhere in
60 mm tells nothing (our own assumption)."""
_ODD: Final = 5.0
_LEAST_FOR_ODD: Final = 8
_POINTS: Final[dict[Hands, tuple[slice, ...]]] = {
    "each": (slice(0, 5), slice(5, 10)),
    "together": (slice(0, 10),),
    "left": (slice(0, 5),),
    "right": (slice(5, 10),),
}
SPANS: Final[tuple[tuple[Finger, Finger], ...]] = (("thumb", "little"), ("index", "little"), ("thumb", "index"))
_KEYS: Final = tuple((side, finger) for side in SIDES for finger in FINGERS)


@dataclass(frozen=True, eq=False)
class Person:
    """One person's rest, whole enough to count: its contacts (10, 2), mm, and their covariances (10, 2, 2).

    Of a single placement, the covariance holds how far the finger wanders as well. Nan where a hand that is not asked
    for is missing.
    """

    name: str
    rest: Rest
    contacts_mm: FloatArray
    covariances_mm2: FloatArray


@dataclass(frozen=True)
class LeftOut:
    """A rest that does not count, and why."""

    name: str
    reason: str


@dataclass(frozen=True)
class Percentile:
    """A percentile with its 95 % confidence interval; a bound is None where so few people give none."""

    percent: int
    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Spread:
    """How something spreads over the people."""

    name: str
    unit: str
    percentiles: tuple[Percentile, ...]


@dataclass(frozen=True, eq=False)
class Size:
    """One size: its contacts (10, 2) as hands lie on average, mm, and the people it is the mean of.

    Nan for a hand that was not asked for.
    """

    label: str
    contacts_mm: FloatArray
    people: tuple[int, ...]


@dataclass(frozen=True)
class Service:
    """How the size that serves a person best does: the finger farthest off, and by how much.

    `sd_mm` is how surely that finger's offset is known, see the module's docstring. `at_least_mm` and `at_most_mm` are
    the largest over all fingers of the offset's one-sided 95 % bounds; the verdict compares them with what is asked
    for. A size that was made from a person alone lies where that person was measured, so nothing is told by it.
    """

    person: int
    size: int
    side: Side
    finger: Finger
    worst_mm: float
    rms_mm: float
    sd_mm: float
    at_least_mm: float
    at_most_mm: float
    verdict: Verdict


@dataclass(frozen=True)
class Share:
    """A share of people with its 95 % interval (Wilson 1927)."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class SizeSet:
    """So many sizes, how they serve the people they were made from, and people that were left out of the making.

    `left_out_served` says of each person whether sizes made without them serve them; None where too few are left.
    `served` and `served_when_left_out` count offsets as measured. `surely_served` is the share of those who have the
    verdict "served", `perhaps_served` of all but "not served".
    """

    sizes: tuple[Size, ...]
    services: tuple[Service, ...]
    served: Share
    surely_served: float
    perhaps_served: float
    served_when_left_out: Share | None
    left_out_served: tuple[bool, ...] | None
    rms_mm: float


@dataclass(frozen=True, eq=False)
class Cohort:
    """The people, their spreads, and sets of 1, 2, 3 ... sizes. `notes` name people whose figures look odd."""

    people: tuple[Person, ...]
    left_out: tuple[LeftOut, ...]
    hands: Hands
    within_mm: float
    spans: tuple[Spread, ...]
    contacts: tuple[Spread, ...]
    sets: tuple[SizeSet, ...]
    notes: tuple[str, ...] = ()

    def least_set(self, target: float) -> SizeSet | None:
        """Return the smallest set that serves a share `target` of people who were left out; None where none does.

        The share less one standard error counts, see the module's docstring.
        """
        served = self._left_out_served()
        which, reached = _picked(served.sum(axis=0), len(served), target)
        return self.sets[which] if reached else None

    def picked_set(self, target: float) -> tuple[SizeSet, Share]:
        """Return `least_set`, or the one to list where that is None, and the share of new people it will serve."""
        served = self._left_out_served()
        which, _ = _picked(served.sum(axis=0), len(served), target)
        # Each person's set is picked by the others alone.
        for_each = [_picked(served.sum(axis=0) - mine, len(served) - 1, target)[0] for mine in served]
        share = float(served[np.arange(len(served)), for_each].mean())
        return self.sets[which], _share(share, _PICKED_COUNT * len(served))

    def _left_out_served(self) -> BoolArray:
        """Return whom (N, sets) sets serve that were made without them; those of which it is not known are left out."""
        return np.array([entry.left_out_served for entry in self.sets if entry.left_out_served is not None]).T


@dataclass(frozen=True)
class OnPanel:
    """How one panel serves a person, the hands laid down where they lie best: farthest finger and worst landing."""

    worst_mm: float
    worst_label: str
    least_landing: float
    mean_landing: float


@dataclass(frozen=True)
class AgainstOwn:
    """A person on the best of the sizes' panels, and on their own; None where none, or the own one, can be fitted."""

    person: int
    size: int | None
    sized: OnPanel | None
    own: OnPanel | None
    own_refused: str | None = None


@dataclass(frozen=True, eq=False)
class SizePanel:
    """The layout that was fitted for a size; None where there is no way to, with the reason."""

    layout: Layout | None
    refused: str | None = None


def gather(rests: Sequence[tuple[str, Rest]], hands: Hands = "each") -> tuple[tuple[Person, ...], tuple[LeftOut, ...]]:
    """Return whose rests can be used, and whose not, with the reason. InputError when fewer than two can.

    Not used is what lacks a finger or never saw it, what no hand is (`MOST_APART_MM` and the like, a thumb on the outer
    side), and who is there already.
    """
    people: list[Person] = []
    left_out: list[LeftOut] = []
    seen: dict[str, str] = {}
    points = np.r_[_POINTS[hands]]
    for name, rest in rests:
        contacts, covariances = np.full((10, 2), np.nan), np.full((10, 2, 2), np.nan)
        hidden = []
        for tip in rest.fingertips:
            k = _KEYS.index((tip.side, tip.finger))
            contacts[k] = tip.contact_mm
            # One placement does not tell how far the finger wanders, which its place is unsure by all the same.
            covariances[k] = tip.covariance_mm2 + (tip.spread_mm2 if tip.placements == 1 else 0.0)
            hidden += [f"{tip.side} {tip.finger}"] if tip.hidden and k in points else []
        missing = [" ".join(_KEYS[k]) for k in points if np.isnan(contacts[k, 0])]
        photos = [source.photo_sha256 for placement in rest.placements for source in placement.sources]
        twin = next((seen[photo] for photo in photos if photo in seen), None)
        same = next((p.name for p in people if np.array_equal(p.contacts_mm, contacts, equal_nan=True)), None)
        if missing:
            left_out.append(LeftOut(name, f"it has no {', '.join(missing)}"))
        elif hidden:
            left_out.append(LeftOut(name, f"hidden in every photo: {', '.join(hidden)}"))
        elif (reason := _no_hand(rest, contacts, covariances, points)) is not None:
            left_out.append(LeftOut(name, reason))
        elif twin is not None:
            left_out.append(LeftOut(name, f"it shares a photo with {twin}, and would count that person twice"))
        elif same is not None:
            left_out.append(LeftOut(name, f"its contacts are those of {same}, and would count that person twice"))
        else:
            people.append(Person(name, rest, contacts, covariances))
            seen.update(dict.fromkeys(photos, name))
    if len(people) < 2:
        reasons = "".join(f" {out.name}: {out.reason}." for out in left_out[:5])
        raise InputError(
            f"{len(people)} of {len(rests)} people can be used, and two are the least.{reasons} Measure more people, "
            "or look at one hand with --hands."
        )
    return tuple(people), tuple(left_out)


def _no_hand(rest: Rest, contacts: FloatArray, covariances: FloatArray, points: IntArray) -> str | None:
    """Return why figures cannot be those of hands; None where they may."""
    for side in SIDES:
        rows = [k for k in points if _KEYS[k][0] == side]
        if not rows:
            continue
        apart = np.linalg.norm(contacts[rows][:, None] - contacts[rows], axis=-1)
        one, other = (" ".join(_KEYS[rows[k]]) for k in np.unravel_index(int(apart.argmax()), apart.shape))
        if apart.max() > MOST_APART_MM:
            return f"its {one} and {other} lie {apart.max():.0f} mm apart, farther than a spread hand reaches"
        if apart.max() < LEAST_ACROSS_MM:
            return f"its {side} hand is {apart.max():.0f} mm across, smaller than a small child's"
        near = np.where(np.eye(len(rows), dtype=bool), np.inf, apart)
        one, other = (" ".join(_KEYS[rows[k]]) for k in np.unravel_index(int(near.argmin()), near.shape))
        if near.min() < LEAST_PITCH_MM:
            return f"its {one} and {other} come down {near.min():.0f} mm apart, where two fingers have no room"
        reach = np.sum([_tip(rest, k).reach for k in rows[1:]], axis=0)
        inward = np.array([-reach[1], reach[0]]) * (1 if side == "left" else -1)
        if (contacts[rows[0]] - contacts[rows[1:]].mean(axis=0)) @ inward < 0:
            return f"its {side} thumb lies on the outer side of the hand: are left and right swapped?"
    for k in points:
        least, most = np.sqrt(np.maximum(np.linalg.eigvalsh(covariances[k]), 0.0))
        if least < SD_MM[0]:
            return f"its {' '.join(_KEYS[k])} is said to be known to {least:.2f} mm, finer than anything measures"
        if most > SD_MM[1]:
            return f"its {' '.join(_KEYS[k])} is only known to ± {1.96 * most:.0f} mm"
    return None


def study(
    people: Sequence[Person],
    left_out: Sequence[LeftOut] = (),
    hands: Hands = "each",
    within_mm: float = WITHIN_MM,
    most_sizes: int = MOST_SIZES,
) -> Cohort:
    """Return spreads and sets of sizes. InputError when `within_mm` is no sensible distance."""
    if not 0.5 <= within_mm <= 50:
        raise InputError(f"A finger {within_mm:g} mm off its place cannot be the measure; give 0.5 to 50 mm.")
    figures = _figures(people, hands)
    sets = []
    for count in range(1, min(most_sizes, len(people)) + 1):
        found = _cluster(figures, count, _STARTS)
        sizes = _in_order(people, figures, found, hands)
        services = tuple(_serve(people, figures, sizes, hands, within_mm))
        served = float(np.mean([service.worst_mm <= within_mm for service in services]))
        left = _left_out_served(figures, count, within_mm)
        sets.append(
            SizeSet(
                sizes=sizes,
                services=services,
                served=_share(served, len(people)),
                surely_served=sum(service.verdict == "served" for service in services) / len(people),
                perhaps_served=sum(service.verdict != "not served" for service in services) / len(people),
                served_when_left_out=None
                if left is None
                else _share(float(left.mean()), _LEFT_OUT_COUNT * len(people)),
                left_out_served=None if left is None else tuple(left.tolist()),
                rms_mm=float(np.sqrt(np.mean([service.rms_mm**2 for service in services]))),
            )
        )
    spans, contacts = _spans(people, hands), _about_the_mean(people, figures, sets[0].sizes[0], hands)
    notes = (*_odd(people, figures, sets[0].sizes[0], hands), *_alike(people, hands))
    return Cohort(tuple(people), tuple(left_out), hands, within_mm, spans, contacts, tuple(sets), notes)


# Shapes


def _figures(people: Sequence[Person], hands: Hands) -> list[ComplexArray]:
    """Return what is laid down as one, (N, P) each, about its middle."""
    points = np.array([person.contacts_mm for person in people])
    flat = points[..., 0] + 1j * points[..., 1]
    return [flat[:, part] - flat[:, part].mean(axis=1, keepdims=True) for part in _POINTS[hands]]


def _turns(figure: ComplexArray, onto: ComplexArray) -> ComplexArray:
    """Return the best turns (...) of figures (..., P) onto others, as numbers of length 1."""
    inner = (onto * figure.conj()).sum(axis=-1)
    size = np.abs(inner)
    return np.asarray(np.where(size > 0, inner / np.where(size > 0, size, 1.0), 1.0), dtype=np.complex128)


def _costs(figures: Sequence[ComplexArray], sizes: Sequence[ComplexArray]) -> FloatArray:
    """Return the sum of squared distances (N, K) of people from sizes, laid onto them."""
    total = np.zeros((len(figures[0]), len(sizes[0])))
    for z, w in zip(figures, sizes, strict=True):
        total += (np.abs(z) ** 2).sum(axis=1)[:, None] + (np.abs(w) ** 2).sum(axis=1) - 2 * np.abs(z @ w.conj().T)
    return np.maximum(total, 0.0)


def _mean(figure: ComplexArray) -> ComplexArray:
    """Return the mean (P,) of figures (N, P) under turns: generalised Procrustes without scale."""
    mean = figure[0]
    for _ in range(_STEPS):
        new = (figure * _turns(figure, mean)[:, None]).mean(axis=0)
        if np.abs(new - mean).max() < 1e-10:
            break
        mean = new
    return np.asarray(mean, dtype=np.complex128)


def _cluster(figures: Sequence[ComplexArray], count: int, starts: int) -> list[IntArray]:
    """Return the people of each of `count` clusters, the best of many starts; the order of people does not matter."""
    order = np.lexsort([np.round(np.abs(z) ** 2 @ np.arange(1, z.shape[1] + 1), 6) for z in figures])
    sorted_figures = [z[order] for z in figures]
    rng = np.random.default_rng(count)
    best: tuple[float, IntArray] | None = None
    for _ in range(starts if 1 < count < len(order) else 1):
        cost, label = _lloyd(sorted_figures, count, rng)
        if best is None or cost < best[0] - 1e-9:
            best = (cost, label)
    assert best is not None
    return [order[best[1] == k] for k in range(count)]


def _lloyd(figures: Sequence[ComplexArray], count: int, rng: np.random.Generator) -> tuple[float, IntArray]:
    label = _first_clusters(figures, count, rng)
    for _ in range(_STEPS):
        sizes = [np.array([_mean(z[label == k]) for k in range(count)]) for z in figures]
        costs = _costs(figures, sizes)
        new = np.argmin(costs, axis=1)
        for k in range(count):
            if not (new == k).any():
                # A cluster that nobody is left in takes over who is served worst, from a cluster that can spare one.
                sizes_of = np.bincount(new, minlength=count)
                own = np.where(sizes_of[new] > 1, costs[np.arange(len(new)), new], -1.0)
                new[int(own.argmax())] = k
        if (new == label).all():
            break
        label = new
    return float(costs[np.arange(len(label)), label].sum()), label


def _first_clusters(figures: Sequence[ComplexArray], count: int, rng: np.random.Generator) -> IntArray:
    """Return first labels: people far from those already taken become centres more often."""
    taken = [int(rng.integers(len(figures[0])))]
    while len(taken) < count:
        far = _costs(figures, [z[taken] for z in figures]).min(axis=1)
        far[taken] = 0.0
        free = np.setdiff1d(np.arange(len(far)), taken)
        weights = far[free] / far[free].sum() if far[free].sum() > 0 else None
        taken.append(int(rng.choice(free, p=weights)))
    label = np.argmin(_costs(figures, [z[taken] for z in figures]), axis=1)
    label[taken] = np.arange(count)
    return np.asarray(label, dtype=np.intp)


def _offsets(figures: Sequence[ComplexArray], size: Sequence[ComplexArray]) -> ComplexArray:
    """Return how far contacts (N, all P) lie from a size's, laid onto it."""
    return np.concatenate([z * _turns(z, w)[:, None] - w for z, w in zip(figures, size, strict=True)], axis=1)


def _left_out_served(figures: Sequence[ComplexArray], count: int, within_mm: float) -> BoolArray | None:
    """Return who (N,) is served by sizes that were made without them; None for too few people."""
    people = len(figures[0])
    folds = people if people <= _ONE_AT_A_TIME else _FOLDS
    # Dealt out by a measure of size, so that the order of people does not matter and each fold holds all kinds.
    dealt = np.argsort(sum((np.abs(z) ** 2).sum(axis=1) for z in figures), kind="stable")
    served = np.zeros(people, dtype=np.bool_)
    for fold in range(folds):
        out = dealt[fold::folds]
        stay = np.setdiff1d(np.arange(people), out)
        if len(stay) < count:
            return None
        clusters = _cluster([z[stay] for z in figures], count, _STARTS_LEFT_OUT)
        worst = np.full(len(out), np.inf)
        for members in clusters:
            size = [_mean(z[stay][members]) for z in figures]
            worst = np.minimum(worst, np.abs(_offsets([z[out] for z in figures], size)).max(axis=1))
        served[out] = worst <= within_mm
    return served


def _picked(served: IntArray, people: int, target: float) -> tuple[int, bool]:
    """Return the set that is listed, by how many of the people each set serves left out, and if it reaches `target`."""
    shares = np.array([_wilson(count / people, people, 1.0)[0] for count in served])
    reach = np.flatnonzero(shares >= target)
    if len(reach):
        return int(reach[0]), True
    return int(np.flatnonzero(served / people >= shares[served.argmax()])[0]), False


def _share(value: float, people: float) -> Share:
    return Share(value, *_wilson(value, people, _NORMAL_95))


def _wilson(share: float, people: float, deviations: float) -> tuple[float, float]:
    """Return the interval of a share (Wilson 1927), `people` need not be whole."""
    extra = deviations**2 / people
    middle = (share + extra / 2) / (1 + extra)
    half = deviations / (1 + extra) * float(np.sqrt(share * (1 - share) / people + extra / people / 4))
    return max(0.0, middle - half), min(1.0, middle + half)


# Sizes


def _in_order(
    people: Sequence[Person], figures: Sequence[ComplexArray], clusters: Sequence[IntArray], hands: Hands
) -> tuple[Size, ...]:
    """Return the clusters' means, the smallest first, as hands lie on average."""
    made = []
    for members in clusters:
        lie = _lying(people, members, hands)
        means = [_mean(z[members]) for z in figures]
        spread = sum(float((np.abs(w) ** 2).sum()) for w in means)
        contacts = np.full(10, np.nan + 1j * np.nan)
        for part, w in zip(_POINTS[hands], means, strict=True):
            middle = lie[part].mean()
            contacts[part] = w * _turns(w, lie[part] - middle) + middle
        made.append((spread, contacts, tuple(int(m) for m in np.sort(members))))
    made.sort(key=lambda entry: entry[0])
    return tuple(
        Size(f"S{k}", np.stack([contacts.real, contacts.imag], axis=1), members)
        for k, (_, contacts, members) in enumerate(made, start=1)
    )


def _lying(people: Sequence[Person], members: IntArray, hands: Hands) -> ComplexArray:
    """Return all contacts (10,) as they lie on average among the members: where, how far apart, how turned."""
    points = np.array([people[m].contacts_mm for m in members])
    flat = points[..., 0] + 1j * points[..., 1]
    used = np.r_[_POINTS[hands]]
    middles = flat[:, used].mean(axis=1)
    figure = flat[:, used] - middles[:, None]
    mean = _mean(figure)
    turn = _turns(figure, mean).conj().sum()
    lie = np.full(10, np.nan + 1j * np.nan)
    lie[used] = mean * (turn / abs(turn) if abs(turn) > 0 else 1.0) + middles.mean()
    return lie


def _serve(
    people: Sequence[Person],
    figures: Sequence[ComplexArray],
    sizes: Sequence[Size],
    hands: Hands,
    within_mm: float,
) -> list[Service]:
    points = np.r_[_POINTS[hands]]
    targets = [_figure_of(size, hands) for size in sizes]
    offsets = np.array([_offsets(figures, target) for target in targets])
    chosen = np.abs(offsets).max(axis=2).argmin(axis=0)
    unsure = _unsure_sizes(figures, sizes, targets)
    found = []
    for k, person in enumerate(people):
        which = int(chosen[k])
        off = offsets[which, k]
        covariances = np.concatenate(
            [
                _blocks(_laid_covariance(z[k], w, person.covariances_mm2[part]))
                for part, z, w in zip(_POINTS[hands], figures, targets[which], strict=True)
            ]
        )
        sds = _sds_along(off, covariances + unsure[which])
        at = int(np.abs(off).argmax())
        at_least = float(max((np.abs(off) - _ONE_SIDED * sds).max(), 0.0))
        at_most = float((np.abs(off) + _ONE_SIDED * sds).max())
        verdict: Verdict = "on the line"
        if sizes[which].people == (k,):
            verdict = "made from this person alone"
        elif at_most <= within_mm:
            verdict = "served"
        elif at_least > within_mm:
            verdict = "not served"
        rms = float(np.sqrt((np.abs(off) ** 2).mean()))
        side, finger = _KEYS[points[at]]
        worst, sd = float(abs(off[at])), float(sds[at])
        found.append(Service(k, which, side, finger, worst, rms, sd, at_least, at_most, verdict))
    return found


def _laid_covariance(z: ComplexArray, w: ComplexArray, covariances_mm2: FloatArray) -> FloatArray:
    """Return the covariance (2P, 2P) of a figure's offsets once laid onto a size, x and y in turn, in the size's frame.

    `z` (P,) and `w` (P,) are figure and size about their middles, `covariances_mm2` (P, 2, 2) those of the figure's
    contacts as they lie on the mat. First order: with u the turned figure and e its turned errors, the shift takes out
    the mean of e, and the turn, which keeps Im sum(w conj u) at 0, changes by Im sum(w conj e) / Re sum(w conj u).
    """
    turn = complex(_turns(z, w))
    u, count = z * turn, len(z)
    errors = np.zeros((2 * count, 2 * count))
    for k, covariance in enumerate(covariances_mm2):
        errors[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = _rotated(turn, covariance)
    stays = np.eye(2 * count) - np.kron(np.ones((count, count)) / count, np.eye(2))
    held = float((w * u.conj()).sum().real)
    if held > 0:
        swing = np.stack([-u.imag, u.real], axis=1).ravel()
        turned = np.stack([w.imag, -w.real], axis=1).ravel() / held
        stays = stays + np.outer(swing, turned)
    return np.asarray(stays @ errors @ stays.T, dtype=np.float64)


def _blocks(covariance: FloatArray) -> FloatArray:
    """Return each contact's own covariance (P, 2, 2) from that of all (2P, 2P)."""
    count = len(covariance) // 2
    return np.asarray(np.einsum("iaib->iab", covariance.reshape(count, 2, count, 2)), dtype=np.float64)


def _rotated(turn: complex, matrix_mm2: FloatArray) -> FloatArray:
    """Return a covariance (2, 2), turned."""
    rotation = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
    return np.asarray(rotation @ matrix_mm2 @ rotation.T, dtype=np.float64)


def _unsure_sizes(
    figures: Sequence[ComplexArray], sizes: Sequence[Size], targets: Sequence[Sequence[ComplexArray]]
) -> FloatArray:
    """Return the covariances (K, P, 2, 2) of sizes, as means of so many people.

    The scatter of people about their sizes is pooled over all sizes, since few people alone do not tell it; it holds
    what the measurement gets wrong as well. 0 where every size is one person's.
    """
    onto_first = [[complex(_turns(w, first)) for w, first in zip(t, targets[0], strict=True)] for t in targets]
    points = sum(len(w) for w in targets[0])
    scatter = np.zeros((points, 2, 2))
    lengths = [len(w) for w in targets[0]]
    turns = [np.repeat(turn, lengths) for turn in onto_first]
    for size, target, turn in zip(sizes, targets, turns, strict=True):
        off = _offsets([z[list(size.people)] for z in figures], target) * turn
        apart = np.stack([off.real, off.imag], axis=-1)
        scatter += np.einsum("nia,nib->iab", apart, apart)
    freedom = sum(len(size.people) for size in sizes) - len(sizes)
    if freedom == 0:
        return np.zeros((len(sizes), points, 2, 2))
    return np.array(
        [
            [
                _rotated(complex(back), own / freedom / len(size.people))
                for back, own in zip(turn.conj(), scatter, strict=True)
            ]
            for size, turn in zip(sizes, turns, strict=True)
        ]
    )


def _sds_along(offsets: ComplexArray, covariances_mm2: FloatArray) -> FloatArray:
    """Return the standard deviation (P,) of each offset along itself; the largest one where it is lost in its noise."""
    largest = np.sqrt(np.maximum(np.linalg.eigvalsh(covariances_mm2)[:, -1], 0.0))
    far = np.abs(offsets)
    unit = np.stack([offsets.real, offsets.imag], axis=1) / np.maximum(far, 1e-12)[:, None]
    along = np.sqrt(np.maximum(np.einsum("ia,iab,ib->i", unit, covariances_mm2, unit), 0.0))
    return np.asarray(np.where(far > largest, along, largest), dtype=np.float64)


def _figure_of(size: Size, hands: Hands) -> list[ComplexArray]:
    flat = size.contacts_mm[:, 0] + 1j * size.contacts_mm[:, 1]
    return [flat[part] - flat[part].mean() for part in _POINTS[hands]]


def _odd(people: Sequence[Person], figures: Sequence[ComplexArray], mean: Size, hands: Hands) -> list[str]:
    """Say whose shape lies far from everybody's mean: `_ODD` robust deviations beyond the median.

    A robust deviation is 1.4826 times the median distance from the median.
    """
    if len(people) < _LEAST_FOR_ODD:
        return []
    far = np.sqrt((np.abs(_offsets(figures, _figure_of(mean, hands))) ** 2).mean(axis=1))
    middle = float(np.median(far))
    deviation = 1.4826 * float(np.median(np.abs(far - middle)))
    return [
        f"{person.name}: the fingers lie {off:.0f} mm from the mean hand's, half of all people's within {middle:.0f}. "
        "It is counted; look at the photo."
        for person, off in zip(people, far, strict=True)
        if off > middle + _ODD * max(deviation, 0.5)
    ]


def _alike(people: Sequence[Person], hands: Hands) -> list[str]:
    """Say who came down in the same places as another, as no two people do."""
    points = np.array([person.contacts_mm[np.r_[_POINTS[hands]]] for person in people])
    found = []
    for k in range(1, len(people)):
        apart = np.median(np.linalg.norm(points[:k] - points[k], axis=-1), axis=1)
        other = int(apart.argmin())
        if apart[other] < ALIKE_MM:
            found.append(
                f"{people[k].name}: half of the fingers came down within {apart[other]:.1f} mm of where "
                f"{people[other].name}'s did. Both are counted; is one a copy of the other?"
            )
    return found


# Spreads


def spans_mm(size: Size) -> dict[str, float]:
    """Return a size's spans, mm, as those of `Cohort.spans` are named; those of one hand where it has but one."""
    found = {}
    for side in SIDES:
        for one, other in SPANS:
            apart = size.contacts_mm[_KEYS.index((side, one))] - size.contacts_mm[_KEYS.index((side, other))]
            if np.isfinite(apart).all():
                found[f"{side} {one} to {other}"] = float(np.hypot(*apart))
    return found


def _spread(name: str, unit: str, values: FloatArray) -> Spread:
    from scipy.stats import quantile_test

    found = []
    for percent in PERCENTS:
        interval: Any = quantile_test(values, q=0, p=percent / 100).confidence_interval(confidence_level=0.95)
        low, high = (None if np.isnan(bound) else float(bound) for bound in (interval.low, interval.high))
        found.append(Percentile(percent, float(np.percentile(values, percent)), low, high))
    return Spread(name, unit, tuple(found))


def _spans(people: Sequence[Person], hands: Hands) -> tuple[Spread, ...]:
    """Return spans of each hand, and how far apart the hands lie and how they are turned to each other.

    The turn is that of the right hand's line from index to little against the left's, mirrored: 0 where both lie on one
    line, positive where the index fingers lie farther from the person than the little ones.
    """
    at = {key: np.array([person.contacts_mm[k] for person in people]) for k, key in enumerate(_KEYS)}
    found = []
    sides: tuple[Side, ...] = SIDES if hands in ("each", "together") else tuple(s for s in SIDES if s == hands)
    for side in sides:
        for one, other in SPANS:
            apart = np.linalg.norm(at[side, one] - at[side, other], axis=1)
            found.append(_spread(f"{side} {one} to {other}", "mm", apart))
    if len(sides) == 2:
        apart = np.linalg.norm(at["right", "middle"] - at["left", "middle"], axis=1)
        found.append(_spread("left middle to right middle", "mm", apart))
        left, right = (at[side, "little"] - at[side, "index"] for side in SIDES)
        cross = left[:, 0] * -right[:, 1] - left[:, 1] * -right[:, 0]
        turn = np.degrees(np.arctan2(cross, (left * -right).sum(axis=1)))
        found.append(_spread("turn between the hands", "deg", turn))
    return tuple(found)


def _about_the_mean(
    people: Sequence[Person], figures: Sequence[ComplexArray], mean: Size, hands: Hands
) -> tuple[Spread, ...]:
    """Return how contacts spread about those of the mean hand, along the mat's axes as it lies on average."""
    offsets = _offsets(figures, _figure_of(mean, hands))
    found = []
    for column, k in enumerate(np.r_[_POINTS[hands]]):
        name = " ".join(_KEYS[k])
        found.append(_spread(f"{name}, right of the mean hand's", "mm", offsets[:, column].real))
        found.append(_spread(f"{name}, towards the person", "mm", offsets[:, column].imag))
    return tuple(found)


def laid_onto(cohort: Cohort, person: Person, size: Size) -> FloatArray:
    """Return a person's contacts (10, 2), laid onto a size's; nan for a hand that was not asked for."""
    mine, theirs = (points[:, 0] + 1j * points[:, 1] for points in (person.contacts_mm, size.contacts_mm))
    laid = np.full(10, np.nan + 1j * np.nan)
    for part in _POINTS[cohort.hands]:
        z, w = mine[part] - mine[part].mean(), theirs[part] - theirs[part].mean()
        laid[part] = z * _turns(z, w) + theirs[part].mean()
    return np.stack([laid.real, laid.imag], axis=1)


# Panels


def size_rest(cohort: Cohort, size: Size) -> Rest:
    """Return a size as a rest that can be fitted: its contacts, with the scatter of its people as spread.

    What the measurement gets wrong is taken out of that scatter, as far as there is more of it. The covariance is the
    mean's: scatter and measurement, by the number of people. It has no photos, so nothing is known of palms.
    InputError for sizes of one hand.
    """
    if cohort.hands in ("left", "right"):
        raise InputError("Sizes of one hand make no panel for both. Leave --hands out for panels.")
    people = [cohort.people[k] for k in size.people]
    flat = np.array([person.contacts_mm @ np.array([1.0, 1j]) for person in people])
    target = size.contacts_mm @ np.array([1.0, 1j])
    tips = []
    for part in _POINTS[cohort.hands]:
        z, w = flat[:, part], target[part]
        turns = _turns(z - z.mean(axis=1, keepdims=True), w - w.mean())
        z, w = z - z.mean(axis=1, keepdims=True), w - w.mean()
        off = z * turns[:, None] - w
        # As the laying leaves it, which takes a part of both.
        measured = np.mean(
            [
                _blocks(_laid_covariance(own, w, person.covariances_mm2[part]))
                for own, person in zip(z, people, strict=True)
            ],
            axis=0,
        )
        for column, k in enumerate(range(part.start, part.stop)):
            mine = [_tip(person.rest, k) for person in people]
            rotated = [_turned(turn, tip) for turn, tip in zip(turns, mine, strict=True)]
            apart = np.stack([off[:, column].real, off[:, column].imag], axis=1)
            between = nearest_covariance(apart.T @ apart / max(len(people) - 1, 1) - measured[column], 0.0)
            # With what one placement leaves unknown, as it was taken out above.
            own = np.mean([_rotated(t, p.covariances_mm2[k]) for t, p in zip(turns, people, strict=True)], axis=0)
            reach = np.sum([r[0] for r in rotated], axis=0)
            stretches = [tip.stretch_mm for tip in mine if tip.stretch_mm is not None]
            tips.append(
                Fingertip(
                    side=_KEYS[k][0],
                    finger=_KEYS[k][1],
                    contact_mm=size.contacts_mm[k].copy(),
                    covariance_mm2=(between + own) / len(people),
                    spread_mm2=between + np.mean([r[1] for r in rotated], axis=0),
                    spread_is_assumed=any(tip.spread_is_assumed for tip in mine),
                    reach=reach / max(float(np.hypot(*reach)), 1e-12),
                    breadth_mm=float(np.mean([tip.breadth_mm for tip in mine])),
                    hidden=False,
                    placements=sum(tip.placements for tip in mine),
                    # What everyone of the size can do.
                    stretch_mm=min(stretches) if len(stretches) == len(mine) else None,
                    stretch_sd_mm=max((tip.stretch_sd_mm or 0.0 for tip in mine), default=None) if stretches else None,
                )
            )
    note = f"Size {size.label} of {len(cohort.people)} people: the mean of {len(people)} hands, nobody's own."
    return Rest(tuple(tips), (), (), (note,))


def _tip(rest: Rest, point: int) -> Fingertip:
    return next(tip for tip in rest.fingertips if (tip.side, tip.finger) == _KEYS[point])


def _turned(turn: complex, tip: Fingertip) -> tuple[FloatArray, FloatArray]:
    """Return a fingertip's reach and spread, turned."""
    reach = complex(*tip.reach) * turn
    return np.array([reach.real, reach.imag]), _rotated(turn, tip.spread_mm2)


def against_own(
    cohort: Cohort,
    chosen: SizeSet,
    plan: Plan,
    panel: Panel,
    panel_origin_mm: Point | None = None,
    told: Callable[[], None] = lambda: None,
) -> tuple[tuple[SizePanel, ...], tuple[AgainstOwn, ...]]:
    """Fit a panel for each size, and one for each person; return the sizes' panels, and how both serve each person.

    Of the sizes' panels the one that serves a person best counts: by its least landing, then by its farthest button.
    `told` is called after each fit. InputError when the plan has alternatives, whose choice would differ from hand to
    hand, and for sizes of one hand.
    """
    if any(button.alternatives for button in plan.buttons):
        raise InputError(
            "The plan has alternatives, which would be decided for each hand anew. Leave one place for each function."
        )
    panels = []
    for size in chosen.sizes:
        try:
            panels.append(SizePanel(fit_layout(size_rest(cohort, size), plan, panel, panel_origin_mm)))
        except LayoutError as error:
            panels.append(SizePanel(None, str(error)))
        told()
    found = []
    for k, person in enumerate(cohort.people):
        own, refused = None, None
        try:
            mine = fit_layout(person.rest, plan, panel, panel_origin_mm)
            own = _on_panel(person, plan, mine, cohort.hands)
        except LayoutError as error:
            refused = str(error)
        tried = [
            (which, _on_panel(person, plan, entry.layout, cohort.hands))
            for which, entry in enumerate(panels)
            if entry.layout is not None
        ]
        best = min(tried, key=lambda entry: (-entry[1].least_landing, entry[1].worst_mm), default=(None, None))
        found.append(AgainstOwn(k, best[0], best[1], own, refused))
        told()
    return tuple(panels), tuple(found)


def _on_panel(person: Person, plan: Plan, layout: Layout, hands: Hands) -> OnPanel:
    """Return how a layout serves a person, whose wishes are laid down where they lie nearest to the buttons.

    Each hand on its own, or both as one figure, as the sizes were made.
    """
    buttons = {button.label: button for button in layout.buttons}
    _, wishes, tips = in_order(person.rest, plan)
    wanted = finger_wishes(plan, wishes, tips) @ np.array([1.0, 1j])
    worst: tuple[float, str] = (0.0, "")
    landings = []
    together: tuple[tuple[Side, ...], ...] = (SIDES,) if hands == "together" else tuple((side,) for side in SIDES)
    for sides in together:
        rows = [k for k, wish in enumerate(wishes) if wish.side in sides]
        if not rows:
            continue
        z = wanted[rows]
        w = np.array([complex(*buttons[wishes[k].label].centre_mm) for k in rows])
        turn = complex(_turns(z - z.mean(), w - w.mean()))
        offsets = (z - z.mean()) * turn - (w - w.mean())
        for k, off in zip(rows, offsets, strict=True):
            button = buttons[wishes[k].label]
            scatter = _rotated(turn, scatter_mm2(plan, wishes[k], tips[k]))
            radius = plunger_mm(button.hole_mm, button.part) / 2
            landings.append(landing_probability(np.array([off.real, off.imag]), scatter, radius))
            worst = max(worst, (float(abs(off)), button.label))
    return OnPanel(worst[0], worst[1], min(landings), float(np.mean(landings)))
