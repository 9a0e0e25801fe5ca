"""Measures of posture: what a rest tells of wrists, forearms and fingers, against bands that have a source.

Every measure is taken placement by placement, then pooled: a random-effects mean (DerSimonian and Laird 1986) whose
uncertainty keeps apart what the measurement gets wrong and how far the person wanders from one placement to the next.
As in `rest.pool` the wander is shrunk towards an assumed one while placements are few, and the interval is Student's.

Bands are those that the sources state, no others. Where the 95 % interval of a measure reaches over an edge, all bands
that it touches are named. Nothing here tells whether a posture is safe.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from itertools import pairwise
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.placement import Contact, HandPosture, Placement
from handcapture.rest import Rest

FloatArray = NDArray[np.float64]
Sex = Literal["female", "male"]
Unit = Literal["deg", "mm", "%"]

KIND: Final = "handcapture.posture"
VERSION: Final = 1
NORMAL_95: Final = 1.959964
SHOULDER_RANGE_MM: Final = (200.0, 600.0)
"""Shoulder breadths outside this are taken for a slip of the pen; wide on purpose, no source."""

# Deviations of errors: of what differs from photo to photo, and of what all photos of a person share. From the fitting
# half of the reference scenes; only five hand shapes tell the second, so it is widened (calibration/posture.py).
DEVIATION_SHARED_DEG: Final = 1.6
"""This part of a wrist deviation's error is shared; the rest is stated with each hand."""
CONVERGENCE_SD_DEG: Final = (2.0, 3.0)
WRISTS_SD_MM: Final = (2.2, 3.3)
LENGTH_SD_MM: Final = (6.3, 8.5)
"""Palms alone vary by 6.5 mm about what hands of one length have (ANSUR II: palm to hand length 0.603, 1st to 99th
percentile 0.555 to 0.651)."""
BREADTH_SD_MM: Final = (3.3, 2.2)
ANGLE_TURN_DEG: Final[dict[tuple[Finger, Finger], float]] = {
    ("index", "middle"): 0.8,
    ("middle", "ring"): -3.6,
    ("ring", "little"): -2.7,
}
"""So much wider the angle between two fingers is told by the landmarks of their knuckles than it is."""
ANGLE_SD_DEG: Final[dict[tuple[Finger, Finger], tuple[float, float]]] = {
    ("index", "middle"): (1.2, 0.6),
    ("middle", "ring"): (1.9, 0.8),
    ("ring", "little"): (2.9, 2.0),
}

# How far people wander from one placement to the next while there are too few to tell: from memory, no source.
_WANDER_DEG: Final = 2.0
_WANDER_FINGER_MM: Final = 4.0
_WANDER_HANDS_MM: Final = 10.0
_PRIOR_PLACEMENTS: Final = 3.0

CAUTION: Final = (
    "This is a measuring aid, not medical advice. It cannot tell whether a posture is safe for you. Stop if it hurts. "
    "Pain, numbness, tingling or weakness that persists, wakes you or follows an injury should be shown to a "
    "clinician; after an injury follow your clinician's advice about when to use the hand."
)


@dataclass(frozen=True)
class Scale:
    """Bands of one source: `edges` rise, `labels` are one more than the edges.

    Wrist deviation is positive towards the little finger (ulnar). A source that gives whole degrees is held against
    whole degrees.
    """

    name: str
    source: str
    edges: tuple[float, ...]
    labels: tuple[str, ...]
    whole: bool = False

    def labels_of(self, low: float, high: float) -> tuple[str, ...]:
        """Return all bands that the interval touches, in order. A value on an edge belongs to the band below it."""
        ends = (round(low), round(high)) if self.whole else (low, high)
        first, last = (int(np.searchsorted(self.edges, end, side="left")) for end in ends)
        return self.labels[first : last + 1]


KEIR: Final = Scale(
    name="Keir 2007",
    source=(
        "Keir, Bach, Hudes and Rempel 2007, Human Factors 49(1), 37 people: deviations at which the pressure in the "
        "carpal tunnel stays below 25 mmHg (ulnar 12.1, radial 17.8) or 30 mmHg (ulnar 14.5, 95 % interval 9.6 to "
        "19.4; radial 21.8) in 75 % of people"
    ),
    edges=(-21.8, -17.8, 12.1, 14.5),
    labels=(
        "past the limit (radial 21.8°, 30 mmHg)",
        "past the caution line (radial 17.8°, 25 mmHg)",
        "below the caution line",
        "past the caution line (ulnar 12.1°, 25 mmHg)",
        "past the limit (ulnar 14.5°, 30 mmHg)",
    ),
)
WISTAH: Final = Scale(
    name="WISTAH",
    source="Garg and others 2012, BMC Musculoskeletal Disorders 13:90, Table 3: bands by which a study sorted wrists",
    edges=(-25.0, -5.0, 10.0, 25.0),
    labels=(
        "radial beyond 25°, where it names no band",
        "radial 5 to 25°",
        "below radial 5° and ulnar 10°",
        "ulnar 10 to 25°",
        "ulnar beyond 25°",
    ),
)
STRAIN_INDEX: Final = Scale(
    name="Strain Index",
    source="Moore and Garg 1995, AIHA Journal 56:443, rating of ulnar deviation in whole degrees; from memory",
    edges=(-1.0, 10.0, 15.0, 20.0, 25.0),
    labels=(
        "radial, which it does not rate",
        "very good (ulnar 0 to 10°)",
        "good (ulnar 11 to 15°)",
        "fair (ulnar 16 to 20°)",
        "bad (ulnar 21 to 25°)",
        "very bad (ulnar beyond 25°)",
    ),
    whole=True,
)
AAOS: Final = Scale(
    name="AAOS range",
    source="American Academy of Orthopaedic Surgeons, normal range of motion (in Norkin and White, Table A.1)",
    edges=(-20.0, 30.0),
    labels=("beyond the usual range (radial 20°)", "within the usual range", "beyond the usual range (ulnar 30°)"),
)
DEVIATION_SCALES: Final = (KEIR, WISTAH, STRAIN_INDEX, AAOS)
RULA_NOTE: Final = (
    "RULA (McAtamney and Corlett 1993) gives no angle for sideways bending: any wrist bent from the midline scores one "
    "more. It sets no line here."
)

KEIR_NOTE: Final = (
    "Keir 2007: up to 12.1° ulnar or 17.8° radial (caution line) and 14.5° or 21.8° (limit) the pressure in the carpal "
    "tunnel stayed below 25 and 30 mmHg in three of four people; one of four is not covered."
)
FLEXION_NOTE: Final = (
    "A photo from above cannot see flexion or extension of the wrist, which raise that pressure as well: look from the "
    "side."
)
SIZE_NOTE: Final = (
    "Percentiles are those of US Army personnel, flat hands measured by hand (ANSUR II, 2012); here length is "
    "estimated from the resting palm."
)
SPREAD_SPAN_MM: Final[dict[Sex, tuple[float, float]]] = {"female": (155.0, 195.0), "male": (170.0, 228.4)}
"""5th and 95th percentile of the writing hand's span, thumb tip to little tip, spread."""
SPREAD_SOURCE: Final = "data set survey of Venables and Ripley's MASS, 118 women and 117 men"

ANSUR_SOURCE: Final = "ANSUR II (2012), public data of US Army personnel: 1986 women, 4082 men"
ANSUR_PERCENTS: Final = (1.0, 5.0, 50.0, 95.0, 99.0)
ANSUR_MM: Final[dict[tuple[str, Sex], tuple[float, ...]]] = {
    ("hand length", "female"): (160.0, 165.0, 180.0, 199.0, 207.0),
    ("hand length", "male"): (172.0, 177.0, 193.0, 210.0, 218.0),
    ("hand breadth", "female"): (69.85, 72.0, 78.0, 85.0, 87.0),
    ("hand breadth", "male"): (78.0, 81.0, 88.0, 96.0, 99.0),
}
_PEOPLE: Final[dict[Sex, str]] = {"female": "women", "male": "men"}
_SIGNS: Final[dict[Unit, str]] = {"deg": "°", "mm": " mm", "%": " %"}


@dataclass(frozen=True)
class Band:
    """Where a measure lies on one scale. `sure` where its whole 95 % interval lies in one band, `label`.

    Otherwise `label` names the first and the last band that it may lie in. `sex` where the scale is one sex's.
    """

    scale: str
    label: str
    sure: bool
    source: str
    sex: Sex | None = None


@dataclass(frozen=True)
class Measure:
    """One measure of posture, pooled over placements.

    `value` and its standard deviation `sd` are in `unit`; of several placements `value` is the mean and `sd` how well
    that is known, of one it is that placement's. `error_sd` is what the measurement gets wrong of one placement,
    `wander_sd` how far the person wanders from one to the next (None where one placement cannot tell, and for what does
    not change: the hand's size). Where nothing was measured, all four are None and `missing` says why.
    """

    name: str
    side: Side | None
    value: float | None
    sd: float | None
    unit: Unit
    what: str
    what_not: str
    placements: int
    error_sd: float | None = None
    wander_sd: float | None = None
    bands: tuple[Band, ...] = ()
    missing: str | None = None

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval. ValueError where nothing was measured."""
        if self.value is None or self.sd is None:
            raise ValueError(f"{self.name} was not measured.")
        return self.value - NORMAL_95 * self.sd, self.value + NORMAL_95 * self.sd


@dataclass(frozen=True)
class _Reading:
    """A measure in one placement: `own` and `shared` are deviations of its error, see `placement.Contact`."""

    value: float
    own: float
    shared: float


@dataclass(frozen=True)
class _Quantity:
    """How a measure is read from a placement and told."""

    name: str
    side: Side | None
    unit: Unit
    read: Callable[[Placement], _Reading | None]
    wander: float | None
    what: str
    what_not: str
    missing: str


def measures(rest: Rest, shoulder_mm: float | None = None) -> tuple[Measure, ...]:
    """Return all measures of a rest, those of hands first, left before right.

    `shoulder_mm` is the person's shoulder breadth (biacromial: from one bony tip of the shoulder to the other).
    InputError where that cannot be one, or where the rest has no placements to measure.
    """
    if shoulder_mm is not None and not SHOULDER_RANGE_MM[0] <= shoulder_mm <= SHOULDER_RANGE_MM[1]:
        raise InputError(
            f"A shoulder breadth of {shoulder_mm:g} mm cannot be right. Give the distance between the bony tips of the "
            f"shoulders in millimetres ({SHOULDER_RANGE_MM[0]:.0f} to {SHOULDER_RANGE_MM[1]:.0f})."
        )
    if not rest.placements:
        raise InputError("This rest has no placements, so there is no posture to tell. Measure it again.")
    return tuple(_measure(quantity, rest.placements) for quantity in _quantities(shoulder_mm))


def ansur_percentile(name: str, sex: Sex, value_mm: float) -> float:
    """Return the percentile (1 to 99) of a "hand length" or "hand breadth" among one sex of ANSUR II.

    Between the tabulated percentiles by straight lines on the normal distribution's scale; beyond the first and the
    99th the table ends, so those are returned.
    """
    from scipy.stats import norm

    table, scores = ANSUR_MM[name, sex], norm.ppf(np.array(ANSUR_PERCENTS) / 100)
    return float(100 * norm.cdf(np.interp(value_mm, table, scores)))


def _not_there(side: Side | None, placements: Sequence[Placement]) -> bool:
    return side is not None and all(contact.side != side for p in placements for contact in p.contacts)


def _measure(quantity: _Quantity, placements: Sequence[Placement]) -> Measure:
    readings = [reading for placement in placements if (reading := quantity.read(placement)) is not None]
    if not readings:
        return Measure(
            name=quantity.name,
            side=quantity.side,
            value=None,
            sd=None,
            unit=quantity.unit,
            what=quantity.what,
            what_not=quantity.what_not,
            placements=0,
            missing="this hand was not photographed" if _not_there(quantity.side, placements) else quantity.missing,
        )
    value, sd, error, wander = _pooled(readings, quantity.wander)
    return Measure(
        name=quantity.name,
        side=quantity.side,
        value=value,
        sd=sd,
        unit=quantity.unit,
        what=quantity.what,
        what_not=quantity.what_not,
        placements=len(readings),
        error_sd=error,
        wander_sd=wander,
        bands=_bands(quantity.name, value, sd),
    )


def _pooled(readings: Sequence[_Reading], assumed: float | None) -> tuple[float, float, float, float | None]:
    """Return mean, its sd, the error of one placement, and the wander (None where it is not known).

    `assumed` is the wander towards which the found one is shrunk, None for what does not wander: then what scatters
    beyond the stated error widens the mean all the same.
    """
    from scipy.stats import t

    values = np.array([reading.value for reading in readings])
    own = np.array([reading.own for reading in readings]) ** 2
    shared = float(np.mean([reading.shared for reading in readings]))
    error = float(np.hypot(np.sqrt(own.mean()), shared))
    count = len(readings)
    if count == 1:
        return float(values[0]), error, error, None
    found = max(float(values.var(ddof=1)) - float(own.mean()), 0.0)
    prior = _PRIOR_PLACEMENTS * (assumed or 0.0) ** 2
    wander = ((count - 1) * found + prior) / (count - 1 + _PRIOR_PLACEMENTS)
    weights = 1.0 / (wander + own + 1e-12)
    widened = float(t.isf(0.025, count - 1 + _PRIOR_PLACEMENTS)) / NORMAL_95
    sd = float(np.hypot(widened / np.sqrt(weights.sum()), shared))
    return float(np.average(values, weights=weights)), sd, error, None if assumed is None else float(np.sqrt(wander))


def _bands(name: str, value: float, sd: float) -> tuple[Band, ...]:
    low, high = value - NORMAL_95 * sd, value + NORMAL_95 * sd
    if name == "wrist deviation":
        found = []
        for scale in DEVIATION_SCALES:
            labels = scale.labels_of(low, high)
            label = labels[0]
            if len(labels) > 1:
                label = f"between “{labels[0]}” and “{labels[-1]}”, the photo cannot tell which"
            found.append(Band(scale.name, label, len(labels) == 1, scale.source))
        return tuple(found)
    return tuple(_percentile_band(name, sex, value, low, high) for sex in _PEOPLE if (name, sex) in ANSUR_MM)


def _percentile_band(name: str, sex: Sex, value: float, low: float, high: float) -> Band:
    table = ANSUR_MM[name, sex]
    first, last = (ordinal(ansur_percentile(name, sex, end)) for end in (low, high))
    here = ordinal(ansur_percentile(name, sex, value))
    label = f"{here} percentile of {_PEOPLE[sex]}"
    if first != last:
        label += f" ({first} to {last})"
    sure = bool(np.searchsorted(table, low) == np.searchsorted(table, high))
    return Band(f"ANSUR II, {_PEOPLE[sex]}", label, sure, ANSUR_SOURCE, sex)


def ordinal(percentile: float) -> str:
    """Return a percentile as an ordinal; the table ends at the first and the 99th."""
    whole = round(percentile)
    if whole <= 1:
        return "1st or lower"
    if whole >= 99:
        return "99th or higher"
    ending = "th" if 10 <= whole % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(whole % 10, "th")
    return f"{whole}{ending}"


# What is said


def posture_document(found: Sequence[Measure], shoulder_mm: float | None = None) -> dict[str, Any]:
    """Return the measures as a document; angles in degrees, lengths in millimetres."""
    return {
        "schema": f"{KIND}/{VERSION}",
        "sign_note": "wrist deviation is positive towards the little finger (ulnar) on both hands",
        "shoulder_mm": shoulder_mm,
        "measures": [{**asdict(m), "interval_95": None if m.value is None else list(m.interval)} for m in found],
        "notes": [KEIR_NOTE, RULA_NOTE, FLEXION_NOTE, SIZE_NOTE, _span_note(None)],
        "caution": CAUTION,
    }


def posture_text(found: Sequence[Measure], sex: Sex | None = None) -> str:
    """Return a table and at most a dozen plain lines below it; percentiles of one sex only where it is given."""
    return "\n".join([*_table(found), "", *_lines(found, sex), CAUTION])


def _table(found: Sequence[Measure]) -> list[str]:
    lines = [f"  {'measure':32s}  {'left':>19s}  {'right':>19s}"]
    for name in dict.fromkeys(m.name for m in found):
        told = {m.side: _figure(m) for m in found if m.name == name}
        if None in told:
            lines.append(f"  {name:32s}  {told[None]:>19s}")
        else:
            lines.append(f"  {name:32s}  {told.get('left', '-'):>19s}  {told.get('right', '-'):>19s}")
    if max((m.placements for m in found), default=0) > 1:
        about = "±: 95 % interval of the mean over placements; in brackets the wander from one placement to the next"
    else:
        about = "±: 95 % interval of this one placement"
    return [*lines, f"  {about}"]


def _figure(measure: Measure) -> str:
    if measure.value is None or measure.sd is None:
        return "not seen"
    digits = 1 if measure.unit == "deg" else 0
    wander = "" if measure.wander_sd is None else f" ({measure.wander_sd:.{digits}f})"
    return f"{measure.value:.{digits}f} ± {NORMAL_95 * measure.sd:.{digits}f}{_SIGNS[measure.unit]}{wander}"


def _lines(found: Sequence[Measure], sex: Sex | None) -> list[str]:
    wrists = [m for m in found if m.name == "wrist deviation"]
    lines = [_wrist_line(wrist) for wrist in wrists]
    if any(wrist.value is not None for wrist in wrists):
        lines += [KEIR_NOTE, RULA_NOTE, FLEXION_NOTE]
    for side in SIDES:
        told = []
        for name in ("hand length", "hand breadth"):
            bands = [b for m in found if (m.name, m.side) == (name, side) for b in m.bands if sex in (None, b.sex)]
            if bands:
                told.append(f"{name.removeprefix('hand ')} at the {' or the '.join(b.label for b in bands)}")
        if told:
            lines.append(f"{side.capitalize()} hand: {'; '.join(told)}.")
    return [*lines, SIZE_NOTE, _span_note(sex), _wander_line(wrists)]


def _wrist_line(wrist: Measure) -> str:
    who = f"{(wrist.side or '').capitalize()} wrist"
    if wrist.value is None:
        return f"{who}: {wrist.missing}."
    low, high = wrist.interval
    text = f"{who}: {_way(wrist.value)}, {_way(low)} to {_way(high)}"
    if low < 0.0 < high:
        text += ", so it may as well be straight"
    told = {band.scale: band for band in wrist.bands}
    names = {KEIR.name: KEIR.name, WISTAH.name: WISTAH.name, STRAIN_INDEX.name: f"{STRAIN_INDEX.name} (from memory)"}
    text += f". {'; '.join(f'{shown}: {told[name].label}' for name, shown in names.items())}."
    if told[AAOS.name].label != AAOS.labels[1]:
        text += f" AAOS normal range: {told[AAOS.name].label}; look at the overlay before you believe it."
    return text


def _way(deviation_deg: float) -> str:
    return f"{abs(deviation_deg):.1f}° {'ulnar' if deviation_deg >= 0 else 'radial'}"


def _span_note(sex: Sex | None) -> str:
    spans = " and ".join(
        f"{low:.0f} to {high:.0f} mm ({_PEOPLE[of]})" for of, (low, high) in SPREAD_SPAN_MM.items() if sex in (None, of)
    )
    return f"The resting span is not the full spread, which measured {spans} in nine of ten students ({SPREAD_SOURCE})."


def _wander_line(wrists: Sequence[Measure]) -> str:
    known = [m for m in wrists if m.wander_sd is not None]
    if not known:
        return "One placement cannot tell how far you wander from one to the next: take three to five."
    told = " and ".join(f"{m.wander_sd:.1f}° ({m.side}, {m.placements} placements)" for m in known)
    errors = " and ".join(f"{m.error_sd:.1f}°" for m in known)
    return (
        f"From one placement to the next the wrists wander by {told}, partly assumed while placements are few; the "
        f"measurement of one errs by {errors} (standard deviations)."
    )


# What is measured


def _quantities(shoulder_mm: float | None) -> list[_Quantity]:
    found = [_deviation(side) for side in SIDES]
    found += [_size(side, name) for name in ("hand length", "hand breadth") for side in SIDES]
    found += [_distance_within(side, "thumb", "little") for side in SIDES]
    for first, second in pairwise(FINGERS):
        found += [_distance_within(side, first, second) for side in SIDES]
    for first, second in pairwise(FINGERS[1:]):
        found += [_angle_within(side, first, second) for side in SIDES]
    found += [_convergence(), _wrists_apart(), _indexes_apart()]
    if shoulder_mm is not None:
        found.append(_against_shoulder(shoulder_mm))
    return found


def _deviation(side: Side) -> _Quantity:
    def read(placement: Placement) -> _Reading | None:
        hand = _hand(placement, side)
        if hand is None or not hand.forearm_seen:
            return None
        shared = min(DEVIATION_SHARED_DEG, hand.wrist_deviation_sd_deg)
        own = float(np.sqrt(max(hand.wrist_deviation_sd_deg**2 - shared**2, 0.0)))
        return _Reading(hand.wrist_deviation_deg, own, shared)

    return _Quantity(
        name="wrist deviation",
        side=side,
        unit="deg",
        read=read,
        wander=_WANDER_DEG,
        what=(
            "the angle between the forearm's axis and the third metacarpal, seen from above; positive towards the "
            "little finger (ulnar), negative towards the thumb (radial)"
        ),
        what_not=(
            "a photo from above cannot see flexion or extension of the wrist, nor how the forearm is turned; with a "
            "wrist that is bent up or down the angle seen from above is not the joint's own"
        ),
        missing="the forearm was not seen: let ten centimetres of it lie bare in the picture",
    )


def _size(side: Side, name: str) -> _Quantity:
    own, shared = LENGTH_SD_MM if name == "hand length" else BREADTH_SD_MM

    def read(placement: Placement) -> _Reading | None:
        hand = _hand(placement, side)
        if hand is None:
            return None
        return _Reading(hand.hand_length_mm if name == "hand length" else hand.hand_breadth_mm, own, shared)

    what, what_not = {
        "hand length": (
            "the length of the flat hand, from the wrist's crease to the tip of the middle finger, estimated from the "
            "length of the palm as it rests",
            "not measured along the middle finger, which is bent: the length of a hand with long fingers for its palm "
            "comes out too short",
        ),
        "hand breadth": (
            "the breadth across the knuckles, without the thumb, estimated from where the outer knuckles lie",
            "not a reading with a caliper, as in the survey that it is held against",
        ),
    }[name]
    return _Quantity(
        name=name,
        side=side,
        unit="mm",
        read=read,
        wander=None,
        what=what,
        what_not=what_not,
        missing="this hand was not photographed",
    )


def _distance_within(side: Side, first: Finger, second: Finger) -> _Quantity:
    span = (first, second) == ("thumb", "little")

    def read(placement: Placement) -> _Reading | None:
        return _apart(placement, (side, first), (side, second))

    return _Quantity(
        name="resting span" if span else f"gap {first}-{second}",
        side=side,
        unit="mm",
        read=read,
        wander=_WANDER_FINGER_MM,
        what=f"the distance between the contacts of {first} and {second} as they rest",
        what_not=(
            "not the full spread of the hand, which surveys measure from tip to tip of the spread hand; and contacts "
            "lie under the pads, short of the tips"
            if span
            else "not how far the fingers can be spread"
        ),
        missing="not both fingertips were seen in one placement",
    )


def _angle_within(side: Side, first: Finger, second: Finger) -> _Quantity:
    def read(placement: Placement) -> _Reading | None:
        one, other = (_contact(placement, side, finger) for finger in (first, second))
        if one is None or other is None:
            return None
        # Fingers that part point further clockwise from index to little on the right hand.
        sign = 1.0 if side == "right" else -1.0
        own, shared = ANGLE_SD_DEG[first, second]
        return _Reading(sign * _turn_deg(one.reach, other.reach) - ANGLE_TURN_DEG[first, second], own, shared)

    return _Quantity(
        name=f"angle {first}-{second}",
        side=side,
        unit="deg",
        read=read,
        wander=_WANDER_DEG,
        what=(
            f"the angle between {first} and {second} finger as they rest, each from its knuckle to its contact, seen "
            "from above; positive where they part"
        ),
        what_not="not how far the fingers can be spread",
        missing="not both fingertips were seen in one placement",
    )


def _convergence() -> _Quantity:
    def read(placement: Placement) -> _Reading | None:
        left, right = (_palm_forearm(placement, side) for side in SIDES)
        if left is None or right is None:
            return None
        # Both run from the hand to the elbow.
        return _Reading(_turn_deg(right, left), *CONVERGENCE_SD_DEG)

    return _Quantity(
        name="forearm convergence",
        side=None,
        unit="deg",
        read=read,
        wander=2 * _WANDER_DEG,
        what=(
            "the angle between the two forearms seen from above; positive where they run together towards the hands "
            "(elbows wider than hands)"
        ),
        what_not="it says nothing of the elbows' height or of how the upper arms hang",
        missing="both forearms must be seen in one placement",
    )


def _wrists_apart() -> _Quantity:
    def read(placement: Placement) -> _Reading | None:
        left, right = (_heel(placement, side) for side in SIDES)
        if left is None or right is None:
            return None
        apart = float(np.hypot(*(right - left)))
        own, shared = WRISTS_SD_MM
        return _Reading(apart, own, float(np.hypot(shared, _scale_sd(placement) * apart)))

    return _Quantity(
        name="wrists apart",
        side=None,
        unit="mm",
        read=read,
        wander=_WANDER_HANDS_MM,
        what="the distance between the middles of the two wrists",
        what_not="it depends on where the hands were laid on the mat, so lay them as you will at the panel",
        missing="both wrists must be seen in one placement",
    )


def _indexes_apart() -> _Quantity:
    return _Quantity(
        name="index fingertips apart",
        side=None,
        unit="mm",
        read=lambda placement: _apart(placement, ("left", "index"), ("right", "index")),
        wander=_WANDER_HANDS_MM,
        what="the distance between the contacts of the two index fingers",
        what_not="it depends on where the hands were laid on the mat, so lay them as you will at the panel",
        missing="both index fingertips must be seen in one placement",
    )


def _against_shoulder(shoulder_mm: float) -> _Quantity:
    whole = _wrists_apart()

    def read(placement: Placement) -> _Reading | None:
        apart = whole.read(placement)
        if apart is None:
            return None
        share = 100.0 / shoulder_mm
        return _Reading(apart.value * share, apart.own * share, apart.shared * share)

    return _Quantity(
        name="wrists apart, of shoulder breadth",
        side=None,
        unit="%",
        read=read,
        wander=100.0 * _WANDER_HANDS_MM / shoulder_mm,
        what=f"the distance between the wrists in per cent of the given shoulder breadth of {shoulder_mm:g} mm",
        what_not="no source here names a right share; the error of the shoulder breadth itself does not count",
        missing=whole.missing,
    )


def _hand(placement: Placement, side: Side) -> HandPosture | None:
    return next((hand for hand in placement.hands if hand.side == side), None)


def _palm_forearm(placement: Placement, side: Side) -> FloatArray | None:
    hand = _hand(placement, side)
    return None if hand is None or hand.palm is None else hand.palm.forearm


def _heel(placement: Placement, side: Side) -> FloatArray | None:
    hand = _hand(placement, side)
    return None if hand is None or hand.palm is None else hand.palm.heel_mm


def _contact(placement: Placement, side: Side, finger: Finger) -> Contact | None:
    """Return a contact that was seen."""
    return next((c for c in placement.contacts if c.side == side and c.finger == finger and not c.hidden), None)


def _apart(placement: Placement, one: tuple[Side, Finger], other: tuple[Side, Finger]) -> _Reading | None:
    first, second = _contact(placement, *one), _contact(placement, *other)
    if first is None or second is None:
        return None
    between = second.contact_mm - first.contact_mm
    apart = float(np.hypot(*between))
    along = between / max(apart, 1e-9)
    own = float(along @ (first.own_mm2 + second.own_mm2) @ along)
    shared = float(along @ (first.shared_mm2 + second.shared_mm2) @ along)
    return _Reading(
        apart, float(np.sqrt(max(own, 0.0))), float(np.sqrt(max(shared, 0.0) + (_scale_sd(placement) * apart) ** 2))
    )


def _scale_sd(placement: Placement) -> float:
    """Return the print scale's relative deviation, which stretches all distances of a print alike."""
    return max((source.print_scale_sd for source in placement.sources), default=0.0)


def _turn_deg(start: FloatArray, end: FloatArray) -> float:
    """Return the angle in degrees from one direction (2,) to another, clockwise as seen (y being down)."""
    return float(np.degrees(np.arctan2(start[0] * end[1] - start[1] * end[0], float(start @ end))))
