"""Placements, and the rest: contacts pooled over placements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.placement import Contact, HandPosture, Palm, Placement

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Fingertip:
    """One fingertip of a rest.

    `contact_mm` is the pooled mean; `covariance_mm2` the uncertainty of that mean (for one placement: the
    measurement's). `spread_mm2` is the covariance of where the finger comes down from one placement to the
    next, measurement error taken out; `spread_is_assumed` marks a textbook value used for lack of placements.
    `stretch_mm` is how much further along `reach` it could come down than `contact_mm`, `stretch_sd_mm` its deviation;
    None where that is not known.
    """

    side: Side
    finger: Finger
    contact_mm: FloatArray
    covariance_mm2: FloatArray
    spread_mm2: FloatArray
    spread_is_assumed: bool
    reach: FloatArray
    breadth_mm: float
    hidden: bool
    placements: int
    stretch_mm: float | None = None
    stretch_sd_mm: float | None = None


@dataclass(frozen=True, eq=False)
class Rest:
    """Where the fingers rest: the input of every layout. Mat frame."""

    fingertips: tuple[Fingertip, ...]
    hands: tuple[HandPosture, ...]
    placements: tuple[Placement, ...]
    notes: tuple[str, ...] = ()

    @property
    def placement_count(self) -> int:
        """How many times the hands were laid down: one-handed photos of left and right count once together."""
        return max(sum(any(c.side == side for c in p.contacts) for p in self.placements) for side in SIDES)


ASSUMED_SPREAD_SD_MM: Final = 3.0
"""How far a finger comes down from its mean, one placement to the next: a few millimetres (from memory, no
source). Used while there are too few placements to measure it."""
ALIKE_MM: Final = 0.5
_FARTHEST_ALIKE_MM: Final = 2.0
"""Hands laid down again differ by millimetres. Copies of a photo, shrunk to half or 0.4 or packed harder, differ by 0.1
to 0.3 mm in the median finger, and by 1.7 mm at most in any (30 copies of composed photos)."""
_LEAST_ALIKE: Final = 5
_PRIOR_PLACEMENTS: Final = 3.0
"""A finger's own spread is shrunk towards its hand's as if the latter were this many placements more."""
_FINGERS_THAT_COUNT: Final = 2.0
"""The five fingers of a hand wander together; as evidence of the hand's spread they count as this many."""
_LEAST_SPREAD_MM2: Final = 0.04
"""0.2 mm: nobody comes down in one place again and again."""
MOST_PLACEMENTS: Final = 100
"""In one rest: what compares them in pairs then takes a second."""
_LEAST_FOR_OUTLYING: Final = 5


def pool(placements: Sequence[Placement]) -> Rest:
    """Pool any number of placements into one rest.

    Per finger: the mean weighted by 1 / (spread + the measurement's own covariance), and the covariance of that mean,
    to which what all measurements share is added once.
    The spread within the person is the scatter between placements with the measurement's share taken out,
    shrunk first towards the mean over the hand's five fingers and then towards ASSUMED_SPREAD_SD_MM: a
    method-of-moments random-effects estimate (DerSimonian and Laird 1986) made safe for few placements. As the
    spread is itself estimated, the covariance of the mean is widened so that its 95 % region, drawn with the
    normal distribution's factor, is that of Hotelling's T-squared.
    Hidden contacts count only where a finger was never seen. ValueError without placements; InputError
    when they were taken on different mats, whose frames do not agree, when a photo comes twice, or when there are more
    than MOST_PLACEMENTS.
    """
    if not placements:
        raise ValueError("No placements to pool.")
    if len(placements) > MOST_PLACEMENTS:
        raise InputError(
            f"{len(placements)} placements are more than a rest holds ({MOST_PLACEMENTS}). Three to five of one day "
            "tell nearly all: part them into sessions."
        )
    mats = sorted({source.mat for placement in placements for source in placement.sources})
    if len(mats) > 1:
        raise InputError(
            f"The photos show different mats ({', '.join(mats)}); positions on them cannot be pooled. Measure "
            "each mat's photos on their own."
        )
    hashes: dict[str, str] = {}
    for source in (source for placement in placements for source in placement.sources):
        if source.photo_sha256 in hashes:
            first = hashes[source.photo_sha256]
            raise InputError(
                f"{source.photo_name} is the same photo as {first}; counting it twice would make the result look "
                "surer than it is. Lift the hands, lay them down again and take another one."
            )
        hashes[source.photo_sha256] = source.photo_name
    fingertips: list[Fingertip] = []
    notes: list[str] = []
    for side in SIDES:
        found = {finger: _of(placements, side, finger) for finger in FINGERS}
        found = {finger: contacts for finger, contacts in found.items() if contacts}
        spreads, assumed = _spreads(found)
        fingertips += [_pool_finger(contacts, spreads[finger], assumed) for finger, contacts in found.items()]
        notes += [
            f"Placement {number + 1}: the {side} {finger} came down unusually far from where it did in the others. "
            "It is counted; look at the photo and leave it out if it slipped."
            for number, finger in _outlying(found)
        ]
    notes += _alike(placements)
    hands = tuple(
        _mean_posture(postures)
        for side in SIDES
        if (postures := [h for placement in placements for h in placement.hands if h.side == side])
    )
    return Rest(tuple(fingertips), hands, tuple(placements), tuple(notes))


def _alike(placements: Sequence[Placement]) -> list[str]:
    """Say which placements lie so close together that the hands were hardly lifted between them."""
    return [
        f"Placements {j + 1} and {k + 1} agree within {apart:.1f} mm in half of the fingers: were the hands lifted "
        "between them, or is one a copy of the other? One placement must not be counted as two; take photos of it from "
        "several sides together with --views."
        for k, one in enumerate(placements)
        for j in range(k)
        if (apart := alike_mm(placements[j], one)) is not None
    ]


def alike_mm(one: Placement, other: Placement) -> float | None:
    """Return within how much half of the fingers lie alike, where that is less than hands laid down again would.

    None where they do not. The median over the fingers, since single ones are read differently in a smaller copy of a
    photo.
    """
    places = {(c.side, c.finger): c.contact_mm for c in one.contacts if not c.hidden}
    others = {(c.side, c.finger): c.contact_mm for c in other.contacts if not c.hidden}
    both = [float(np.hypot(*(places[key] - others[key]))) for key in places if key in others]
    alike = len(both) >= _LEAST_ALIKE and np.median(both) < ALIKE_MM and max(both) < _FARTHEST_ALIKE_MM
    return float(np.median(both)) if alike else None


def _of(placements: Sequence[Placement], side: Side, finger: Finger) -> list[tuple[int, Contact]]:
    """Return this finger's contacts with their placement's number: the seen ones, or all if none was seen."""
    all_found = [
        (number, contact)
        for number, placement in enumerate(placements)
        for contact in placement.contacts
        if contact.side == side and contact.finger == finger
    ]
    seen = [(number, contact) for number, contact in all_found if not contact.hidden]
    return seen or all_found


def _spreads(found: dict[Finger, list[tuple[int, Contact]]]) -> tuple[dict[Finger, FloatArray], bool]:
    """Return each finger's spread (2, 2), and whether it is nothing but the assumed one."""
    assumed = np.eye(2) * ASSUMED_SPREAD_SD_MM**2
    scatter: dict[Finger, tuple[FloatArray, int]] = {}
    for finger, contacts in found.items():
        places = np.array([contact.contact_mm for _, contact in contacts if not contact.hidden])
        if len(places) < 2:
            continue
        measured = np.mean([c.own_mm2 for _, c in contacts if not c.hidden], axis=0)
        deviations = places - places.mean(axis=0)
        freedom = len(places) - 1
        scatter[finger] = (deviations.T @ deviations - freedom * measured, freedom)
    if not scatter:
        return dict.fromkeys(found, assumed), True
    total_freedom = sum(freedom for _, freedom in scatter.values())
    of_hand = nearest_covariance(
        sum((s for s, _ in scatter.values()), np.zeros((2, 2))) / total_freedom, _LEAST_SPREAD_MM2
    )
    placements = _FINGERS_THAT_COUNT * total_freedom / len(scatter)
    of_hand = (placements * of_hand + _FINGERS_THAT_COUNT * assumed) / (placements + _FINGERS_THAT_COUNT)
    spreads = {}
    for finger in found:
        own, freedom = scatter.get(finger, (np.zeros((2, 2)), 0))
        mixed = (own + _PRIOR_PLACEMENTS * of_hand) / (freedom + _PRIOR_PLACEMENTS)
        spreads[finger] = nearest_covariance(mixed, _LEAST_SPREAD_MM2)
    return spreads, False


def _widening(freedom: int) -> float:
    """Return by how much to widen a covariance whose spread comes from `freedom` + 1 placements.

    The shrunk spread is a mean of the finger's own (`freedom`) and its hand's; degrees of freedom combine as
    Satterthwaite (1946) has it. Then the ratio of the 95 % quantiles of Hotelling's T-squared, which has a
    closed form in two dimensions, and of chi-square.
    """
    own = freedom / (freedom + _PRIOR_PLACEMENTS)
    nu = 1.0 / (own**2 / freedom + (1.0 - own) ** 2 / (_FINGERS_THAT_COUNT * (freedom + 1)))
    return float(nu * (0.05 ** (-2.0 / (nu - 1.0)) - 1.0) / (-2.0 * np.log(0.05)))


def _outlying(found: dict[Finger, list[tuple[int, Contact]]]) -> list[tuple[int, Finger]]:
    """Return placement and finger wherever one lies outside the 99.9 % region that all the others tell."""
    numbers = sorted({number for contacts in found.values() for number, _ in contacts})
    outlying = []
    for left_out in numbers:
        others = {finger: [entry for entry in contacts if entry[0] != left_out] for finger, contacts in found.items()}
        others = {finger: contacts for finger, contacts in others.items() if len(contacts) >= _LEAST_FOR_OUTLYING - 1}
        spreads, _ = _spreads(others)
        for finger, contacts in others.items():
            for contact in (c for number, c in found[finger] if number == left_out):
                rest = _pool_finger(contacts, spreads[finger], False)
                # What both share moves both alike.
                alone = rest.covariance_mm2 - np.mean([c.shared_mm2 for _, c in contacts], axis=0)
                expected = (alone + spreads[finger]) * _widening(len(contacts) - 1)
                off = contact.contact_mm - rest.contact_mm
                if float(off @ np.linalg.solve(expected + contact.own_mm2, off)) > -2.0 * np.log(0.001):
                    outlying.append((left_out, finger))
    return outlying


def nearest_covariance(matrix_mm2: FloatArray, least_mm2: float) -> FloatArray:
    """Return the nearest symmetric matrix (2, 2) whose variances are at least `least_mm2`."""
    values, vectors = np.linalg.eigh((matrix_mm2 + matrix_mm2.T) / 2)
    return np.asarray((vectors * np.maximum(values, least_mm2)) @ vectors.T, dtype=np.float64)


def _pool_finger(contacts: list[tuple[int, Contact]], spread: FloatArray, assumed: bool) -> Fingertip:
    places = np.array([contact.contact_mm for _, contact in contacts])
    own = np.array([contact.own_mm2 for _, contact in contacts])
    first = contacts[0][1]
    if len(contacts) == 1:
        mean, covariance = places[0], first.covariance_mm2
    else:
        weights = np.linalg.inv(own + spread)
        mean = np.linalg.solve(weights.sum(axis=0), np.einsum("nij,nj->i", weights, places))
        widened = own + spread * _widening(len(contacts) - 1)
        covariance = np.linalg.inv(np.linalg.inv(widened).sum(axis=0))
        covariance = covariance + np.mean([contact.shared_mm2 for _, contact in contacts], axis=0)
    return Fingertip(
        side=first.side,
        finger=first.finger,
        contact_mm=mean,
        covariance_mm2=(covariance + covariance.T) / 2,
        spread_mm2=spread,
        spread_is_assumed=assumed,
        reach=mean_direction([contact.reach for _, contact in contacts]),
        breadth_mm=float(np.mean([contact.breadth_mm for _, contact in contacts])),
        hidden=all(contact.hidden for _, contact in contacts),
        placements=len(contacts),
        **_mean_stretch([contact for _, contact in contacts], mean),
    )


def _mean_stretch(contacts: list[Contact], mean_mm: FloatArray) -> dict[str, float]:
    """Return how much further than the mean contact (2,) the finger could come down, and its deviation.

    Each placement tells a furthest place; those are averaged. Most of the error is common to all photos of a hand, so
    the mean keeps it.
    """
    known = [(c, c.stretch_mm, c.stretch_sd_mm) for c in contacts if c.stretch_mm is not None]
    if not known:
        return {}
    reach = mean_direction([contact.reach for contact, _, _ in known])
    stretch = float(np.mean([s + float((c.contact_mm - mean_mm) @ reach) for c, s, _ in known]))
    sds = [sd for _, _, sd in known if sd is not None]
    return {"stretch_mm": max(stretch, 0.0)} | ({"stretch_sd_mm": float(np.mean(sds))} if sds else {})


def furthest_mm(tip: Fingertip) -> float | None:
    """Return how far beyond its mean contact, along its reach, a finger surely comes down with the hand at rest.

    One deviation less than the best estimate, so that five of six hands reach it; 0 where nothing is sure. Beyond it
    the hand has to move, which people do, so it is no limit of what can be pressed. None where it is not known.
    """
    if tip.stretch_mm is None:
        return None
    return max(0.0, tip.stretch_mm - (tip.stretch_sd_mm or 0.0))


def beyond_reach_mm(tip: Fingertip, far_mm: float) -> float | None:
    """Return by how much the hand itself has to move for its finger to come down `far_mm` beyond its resting place.

    None where the finger's reach is not known.
    """
    reaches = furthest_mm(tip)
    return None if reaches is None else max(0.0, far_mm - reaches)


def mean_direction(directions: Sequence[FloatArray]) -> FloatArray:
    """Return the unit vector (2,) along the mean of unit vectors."""
    mean = np.mean(directions, axis=0)
    return np.asarray(mean / max(float(np.linalg.norm(mean)), 1e-9), dtype=np.float64)


def _mean_posture(postures: list[HandPosture]) -> HandPosture:
    """Return the mean over placements; deviations where the forearm was seen come first."""
    seen = [p for p in postures if p.forearm_seen] or postures
    weights = np.array([p.wrist_deviation_sd_deg**-2.0 for p in seen])
    deviation = float(np.average([p.wrist_deviation_deg for p in seen], weights=weights))
    return HandPosture(
        side=postures[0].side,
        palm=_mean_palm([p.palm for p in postures if p.palm is not None]),
        wrist_mm=np.mean([p.wrist_mm for p in postures], axis=0),
        wrist_deviation_deg=deviation,
        # The landmarks' share of the error is common to all photos of a hand, so the mean keeps it.
        wrist_deviation_sd_deg=float(min(p.wrist_deviation_sd_deg for p in seen)),
        forearm_seen=seen[0].forearm_seen,
        hand_length_mm=float(np.mean([p.hand_length_mm for p in postures])),
        hand_breadth_mm=float(np.mean([p.hand_breadth_mm for p in postures])),
    )


def _mean_palm(palms: list[Palm]) -> Palm | None:
    """Return the palm of the placement that lies nearest the mean, laid where the heel lies on average.

    Those with a forearm come first. What the landmarks get wrong of the heel is common to all photos of a hand, so the
    deviation stays.
    """
    palms = [palm for palm in palms if palm.forearm is not None] or palms
    if not palms:
        return None
    heel = np.mean([palm.heel_mm for palm in palms], axis=0)
    nearest = min(palms, key=lambda palm: float(np.linalg.norm(palm.heel_mm - heel)))
    shift = heel - nearest.heel_mm
    return replace(
        nearest,
        outline_mm=nearest.outline_mm + shift,
        heel_mm=heel,
        wrist_line_mm=nearest.wrist_line_mm + shift,
    )
