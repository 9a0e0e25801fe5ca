"""Measures of posture: the sources' numbers, geometry made by hand, what must not change, coverage by simulation."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any, get_args

import cv2
import numpy as np
import pytest
from helpers_rest import PLACES, placement
from helpers_sighting import camera_over
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.hands.landmarks import LANDMARK_HEIGHT_MM, HandLandmarks
from handcapture.hands.palm import HEEL_BEHIND, OUTLINE_HEIGHT_MM
from handcapture.hands.posture import PERSON_SD_DEG, posture
from handcapture.measures import (
    AAOS,
    CAUTION,
    DEVIATION_SCALES,
    DEVIATION_SHARED_DEG,
    KEIR,
    NORMAL_95,
    RULA_NOTE,
    STRAIN_INDEX,
    WISTAH,
    Measure,
    Scale,
    Sex,
    ansur_percentile,
    measures,
    ordinal,
    posture_document,
    posture_text,
)
from handcapture.names import SIDES, Side
from handcapture.placement import HandPosture, Palm, Placement
from handcapture.rest import pool

FloatArray = NDArray[np.float64]


def turned(vector: Any, degrees: float) -> FloatArray:
    """Turn vectors (..., 2) clockwise as seen, y being down."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.asarray(vector, dtype=np.float64) @ np.array([[c, s], [-s, c]])


def hand(side: Side, heel_mm: Any, forearm_deg: float = 20.0, deviation_deg: float = 6.0) -> HandPosture:
    """Return an invented hand; its forearm runs from the heel towards the person and `forearm_deg` outwards."""
    heel = np.array(heel_mm, dtype=np.float64)
    out = -1.0 if side == "right" else 1.0
    outline = heel + np.array([[-40.0, -90.0], [40.0, -90.0], [25.0, 0.0], [-25.0, 0.0]])
    palm = Palm(
        outline,
        30.0,
        heel,
        3.5,
        heel + np.array([[-25.0, 0.0], [25.0, 0.0]]),
        turned([0.0, 1.0], out * forearm_deg),
        50.0,
    )
    return HandPosture(side, heel - np.array([0.0, 10.0]), deviation_deg, 2.3, True, 186.0, 82.0, palm)


def laid(number: int = 1, shift_mm: Any = (0.0, 0.0), deviations: tuple[float, float] = (6.0, 3.0)) -> Placement:
    """Return both hands laid down once, with palms."""
    bare = placement(number, shift_mm)
    left, right = (
        hand("left", np.add((95.0, 230.0), shift_mm), 15.0, deviations[0]),
        hand("right", np.add((325.0, 230.0), shift_mm), 25.0, deviations[1]),
    )
    return replace(bare, hands=(left, right))


def named(found: tuple[Measure, ...], name: str, side: Side | None = None) -> Measure:
    return next(m for m in found if (m.name, m.side) == (name, side))


def value(found: tuple[Measure, ...], name: str, side: Side | None = None) -> float:
    got = named(found, name, side).value
    assert got is not None
    return got


# The sources' numbers


ANSUR_TABLE = {
    # ANSUR II (2012), public release, percentiles 1, 5, 50, 95, 99 and mean, sd in mm: computed from the raw data.
    ("hand length", "male"): ((172, 177, 193, 210, 218), 193.278, 9.946),
    ("hand length", "female"): ((160, 165, 180, 199, 207), 181.083, 10.056),
    ("hand breadth", "male"): ((78, 81, 88, 96, 99), 88.261, 4.388),
    ("hand breadth", "female"): ((69.85, 72, 78, 85, 87), 78.154, 3.843),
}


@pytest.mark.parametrize(("name", "sex"), ANSUR_TABLE)
def test_percentiles_are_those_of_ansur(name: str, sex: Sex) -> None:
    from scipy.stats import norm

    table, mean, sd = ANSUR_TABLE[name, sex]
    for percent, mm in zip((1, 5, 50, 95, 99), table, strict=True):
        assert ansur_percentile(name, sex, mm) == pytest.approx(percent, abs=1e-6)
    # Between them a normal distribution of the survey's mean and deviation; medians are rounded to whole millimetres.
    for mm in np.linspace(table[1], table[3], 30):
        assert ansur_percentile(name, sex, float(mm)) == pytest.approx(100 * norm.cdf((mm - mean) / sd), abs=5.0)
    assert ansur_percentile(name, sex, table[0] - 20) == pytest.approx(1)
    assert ansur_percentile(name, sex, table[-1] + 20) == pytest.approx(99)


def test_ordinals() -> None:
    told = [ordinal(p) for p in (0.4, 2, 3, 11, 12, 13, 21, 22, 50, 98, 99)]
    assert told == [
        *("1st or lower", "2nd", "3rd", "11th", "12th", "13th", "21st", "22nd", "50th", "98th"),
        "99th or higher",
    ]


@pytest.mark.parametrize(
    ("scale", "edges"),
    [
        # Keir, Bach, Hudes and Rempel 2007, Human Factors 49(1), abstract: 25 and 30 mmHg, 75 % of people.
        (KEIR, {"radial": (17.8, 21.8), "ulnar": (12.1, 14.5)}),
        # Garg and others 2012, BMC Musculoskeletal Disorders 13:90, Table 3.
        (WISTAH, {"radial": (5.0, 25.0), "ulnar": (10.0, 25.0)}),
        # American Academy of Orthopaedic Surgeons, in Norkin and White, Table A.1.
        (AAOS, {"radial": (20.0,), "ulnar": (30.0,)}),
    ],
)
def test_bands_change_where_the_source_says_and_nowhere_else(scale: Scale, edges: dict[str, tuple[float, ...]]) -> None:
    wanted = sorted([*edges["ulnar"], *(-edge for edge in edges["radial"])])
    fine = np.arange(-40.0, 40.0, 0.05) + 0.025
    labels = [scale.labels_of(float(x), float(x))[0] for x in fine]
    found = [(a + b) / 2 for a, b, one, two in zip(fine, fine[1:], labels, labels[1:], strict=False) if one != two]
    np.testing.assert_allclose(found, wanted, atol=1e-6)
    assert len(set(labels)) == len(wanted) + 1


def test_strain_index_rates_whole_degrees_of_ulnar_deviation() -> None:
    """Moore and Garg 1995: ulnar 0-10 very good, 11-15 good, 16-20 fair, 21-25 bad, above very bad. From memory."""
    words = [STRAIN_INDEX.labels_of(x, x)[0].split(" (")[0] for x in (0, 10, 11, 15, 16, 20, 21, 25, 26)]
    assert words == ["very good"] * 2 + ["good"] * 2 + ["fair"] * 2 + ["bad"] * 2 + ["very bad"]
    assert "does not rate" in STRAIN_INDEX.labels_of(-3.0, -3.0)[0]
    assert "from memory" in STRAIN_INDEX.source


def test_rula_has_no_line() -> None:
    """McAtamney and Corlett 1993: one more for a wrist bent from the midline, no angle."""
    assert not any("RULA" in scale.name for scale in DEVIATION_SCALES)
    assert "gives no angle" in RULA_NOTE
    assert not any(character.isdigit() for character in RULA_NOTE.replace("1993", ""))


def test_near_an_edge_the_photo_cannot_tell() -> None:
    found = measures(pool([laid(deviations=(11.0, -4.0))]))
    left = {band.scale: band for band in named(found, "wrist deviation", "left").bands}
    assert not left["Keir 2007"].sure
    assert left["Keir 2007"].label == (
        "between “below the caution line” and “past the limit (ulnar 14.5°, 30 mmHg)”, the photo cannot tell which"
    )
    assert "Human Factors" in left["Keir 2007"].source
    right = {band.scale: band for band in named(found, "wrist deviation", "right").bands}
    assert right["Keir 2007"].sure
    assert right["Keir 2007"].label == "below the caution line"
    assert not right["WISTAH"].sure


@given(st.floats(-45, 45), st.floats(0.1, 8))
def test_a_band_is_sure_only_where_the_whole_interval_lies_in_it(deviation: float, sd: float) -> None:
    bare = laid()
    placed = replace(
        bare,
        hands=tuple(replace(h, wrist_deviation_deg=deviation, wrist_deviation_sd_deg=sd) for h in bare.hands),
    )
    wrist = named(measures(pool([placed])), "wrist deviation", "left")
    low, high = wrist.interval
    for band in wrist.bands:
        scale = next(s for s in DEVIATION_SCALES if s.name == band.scale)
        inside = {scale.labels_of(x, x)[0] for x in np.linspace(low, high, 60)}
        if band.sure:
            assert inside == {band.label}
        else:
            assert all(
                f"“{label}”" in band.label for label in (scale.labels_of(low, low)[0], scale.labels_of(high, high)[0])
            )


# The sign, from a picture of hands made of two bars


def photographed(side: Side, bent_deg: float) -> HandPosture:
    """Return the posture of a drawn hand: forearm up the page, palm turned clockwise about the wrist by `bent_deg`."""
    camera = camera_over((100.0, 150.0), 450.0, tilt_deg=0.0)
    size = (2000, 1500)
    joint = np.array([100.0, 170.0])
    palm = np.array([[-22.0, 5.0], [-42.0, -70.0], [-42.0, -95.0], [42.0, -95.0], [42.0, -70.0], [22.0, 5.0]])
    forearm = np.array([[-25.0, -2.0], [25.0, -2.0], [25.0, 150.0], [-25.0, 150.0]])
    rng = np.random.default_rng(5)
    picture = np.full((size[1], size[0], 3), 235.0)
    for shape in (turned(palm, bent_deg), forearm):
        corners = camera.project(np.c_[shape + joint, np.full(len(shape), OUTLINE_HEIGHT_MM)])
        cv2.fillPoly(picture, [np.rint(corners).astype(np.int32)], (110.0, 140.0, 190.0))
    picture = np.clip(picture + rng.normal(0.0, 3.0, picture.shape), 0, 255).astype(np.uint8)
    # As of a right hand, whose thumb is on the left; index to little, palm outwards.
    points = np.zeros((21, 2))
    points[1:5] = [[-25.0, -25.0], [-45.0, -50.0], [-55.0, -70.0], [-60.0, -85.0]]
    for first, x, y in ((5, -22.0, -86.0), (9, 0.0, -90.0), (13, 15.0, -86.0), (17, 30.0, -78.0)):
        points[first : first + 4] = [[x, y - 18.0 * k] for k in range(4)]
    palm_mm = float(np.linalg.norm(points[[5, 9, 13, 17]], axis=1).mean())
    points[0] = [0.0, -HEEL_BEHIND * palm_mm]
    if side == "left":
        points[:, 0] *= -1.0
    places = turned(points, bent_deg) + joint
    pixels = camera.project(np.c_[places, np.full(21, OUTLINE_HEIGHT_MM)])
    marks = HandLandmarks(side, camera.at_height(pixels, LANDMARK_HEIGHT_MM), np.zeros((21, 3)), 1.0)
    scale = 0.6
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    sighting: Any = SimpleNamespace(camera=camera, size_px=size)
    return posture(marks, sighting, (np.asarray(small, dtype=np.uint8), scale))


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("bent_deg", [-14.0, 0.0, 14.0])
def test_towards_the_little_finger_is_positive_on_both_hands(side: Side, bent_deg: float) -> None:
    """Right hand, forearm up the page: the middle ray clockwise as seen points to the little finger, that is ulnar.

    Within what real forearms are turned from their outline, which these bars are not (FOREARM_TURN_DEG and so on).
    """
    found = photographed(side, bent_deg)
    assert found.forearm_seen
    ulnar = bent_deg if side == "right" else -bent_deg
    assert found.wrist_deviation_deg == pytest.approx(ulnar, abs=3.5)
    assert found.palm is not None
    assert found.palm.forearm is not None
    # Up the page, so away from the hand it runs down; turned by the usual 2.5 degrees.
    assert np.degrees(np.arccos(found.palm.forearm[1])) < 4.0


def test_mirrored_hands_bend_alike() -> None:
    right, left = photographed("right", 10.0), photographed("left", -10.0)
    assert right.wrist_deviation_deg == pytest.approx(left.wrist_deviation_deg, abs=0.5)


# Geometry by hand


def test_distances_and_angles_by_hand() -> None:
    found = measures(pool([laid()]), shoulder_mm=400.0)
    assert value(found, "forearm convergence") == pytest.approx(40.0)  # 15° and 25°, elbows outwards
    assert value(found, "wrists apart") == pytest.approx(230.0)
    assert value(found, "wrists apart, of shoulder breadth") == pytest.approx(57.5)
    assert value(found, "index fingertips apart") == pytest.approx(150.0)
    thumb, little = PLACES["left", "thumb"], PLACES["left", "little"]
    assert value(found, "resting span", "left") == pytest.approx(np.hypot(thumb[0] - little[0], thumb[1] - little[1]))
    assert value(found, "gap thumb-index", "right") == pytest.approx(np.hypot(30.0, 70.0))


def test_fingers_that_part_count_positive_on_both_hands() -> None:
    bare = laid()
    fan = {"thumb": -40.0, "index": -12.0, "middle": -2.0, "ring": 8.0, "little": 20.0}
    contacts = tuple(
        replace(c, reach=turned([0.0, -1.0], fan[c.finger] * (1 if c.side == "right" else -1))) for c in bare.contacts
    )
    found = measures(pool([replace(bare, contacts=contacts)]))
    for name, wide in (("angle index-middle", 10.0), ("angle middle-ring", 10.0), ("angle ring-little", 12.0)):
        left, right = (value(found, name, side) for side in SIDES)
        assert left == pytest.approx(right)
        # Less what the landmarks of the knuckles add (ANGLE_TURN_DEG).
        assert abs(right - wide) < 5.0


def moved(one: Placement, degrees: float, shift: Any, mirror: bool = False) -> Placement:
    """Return the same hands, mat turned and moved beneath them, or all seen in a mirror."""

    def turn(vector: Any) -> FloatArray:
        flipped = np.asarray(vector) * ([-1.0, 1.0] if mirror else [1.0, 1.0])
        return turned(flipped, degrees)

    def covariance(matrix: FloatArray) -> FloatArray:
        return turn(turn(matrix).T)

    def of(side: Side) -> Side:
        return side if not mirror else ("left" if side == "right" else "right")

    def place(point: Any) -> FloatArray:
        return turn(point) + shift

    contacts = tuple(
        replace(
            c,
            side=of(c.side),
            contact_mm=place(c.contact_mm),
            covariance_mm2=covariance(c.covariance_mm2),
            shared_mm2=covariance(c.shared_mm2),
            reach=turn(c.reach),
        )
        for c in one.contacts
    )
    hands = []
    for h in one.hands:
        assert h.palm is not None
        assert h.palm.forearm is not None
        palm = replace(
            h.palm,
            outline_mm=place(h.palm.outline_mm),
            heel_mm=place(h.palm.heel_mm),
            wrist_line_mm=place(h.palm.wrist_line_mm),
            forearm=turn(h.palm.forearm),
        )
        hands.append(replace(h, side=of(h.side), wrist_mm=place(h.wrist_mm), palm=palm))
    return replace(one, contacts=contacts, hands=tuple(hands))


@settings(max_examples=40)
@given(st.floats(-180, 180), st.tuples(st.floats(-300, 300), st.floats(-300, 300)), st.booleans())
def test_turning_moving_and_mirroring_change_nothing_else(
    degrees: float, shift: tuple[float, float], mirror: bool
) -> None:
    shifts = ((0.0, 0.0), (4.0, -3.0), (-2.0, 5.0))
    placed = [laid(n + 1, shift_mm, (6.0 + n, 3.0 - n)) for n, shift_mm in enumerate(shifts)]
    before = measures(pool(placed), 380.0)
    after = measures(pool([moved(one, degrees, shift, mirror) for one in placed]), 380.0)
    other: dict[Side | None, Side | None] = {None: None, "left": "right", "right": "left"}
    for was in before:
        now = named(after, was.name, other[was.side] if mirror else was.side)
        assert now.value == pytest.approx(was.value, abs=1e-6)
        assert now.sd == pytest.approx(was.sd, abs=1e-6)
        assert now.wander_sd == pytest.approx(was.wander_sd, abs=1e-6)
        assert [band.label for band in now.bands] == [band.label for band in was.bands]


# Placements


def test_one_placement_has_its_own_error_and_no_wander() -> None:
    wrist = named(measures(pool([laid()])), "wrist deviation", "left")
    assert (wrist.value, wrist.sd, wrist.error_sd) == (6.0, pytest.approx(2.3), pytest.approx(2.3))
    assert wrist.wander_sd is None
    assert wrist.placements == 1


def test_the_shared_part_is_the_one_that_postures_state() -> None:
    assert DEVIATION_SHARED_DEG == PERSON_SD_DEG


@pytest.mark.parametrize(("count", "wander"), [(2, 2.0), (3, 1.0), (3, 4.0), (5, 3.0), (12, 5.0)])
def test_intervals_hold_the_persons_mean(count: int, wander: float) -> None:
    """Simulated people: 95 % intervals hold where they rest on average, whatever they wander, within 3 %."""
    rng = np.random.default_rng(11)
    bare = placement()
    own = np.sqrt(2.3**2 - DEVIATION_SHARED_DEG**2)
    inside = wanders = 0.0
    people = 1200
    for _ in range(people):
        mean, shared = rng.normal(5, 4), rng.normal(0, DEVIATION_SHARED_DEG)
        seen = mean + shared + rng.normal(0, wander, count) + rng.normal(0, own, count)
        placed = [
            replace(bare, hands=(HandPosture("left", np.zeros(2), float(x), 2.3, True, 186.0, 82.0),), contacts=())
            for x in seen
        ]
        rest = SimpleNamespace(placements=tuple(placed))
        wrist = named(measures(rest), "wrist deviation", "left")  # type: ignore[arg-type]
        low, high = wrist.interval
        inside += low <= mean <= high
        wanders += (wrist.wander_sd or 0.0) ** 2
    assert inside / people > 0.92
    if count == 12:
        assert np.sqrt(wanders / people) == pytest.approx(wander, rel=0.1)


def test_error_and_wander_are_told_apart() -> None:
    """Placements that differ by no more than the measurement errs show less wander than ones that differ much."""
    still = [laid(n + 1, deviations=(6.0 + d, 3.0)) for n, d in enumerate((-1.0, 0.5, 0.0, 1.0, -0.5))]
    restless = [laid(n + 1, deviations=(6.0 + d, 3.0)) for n, d in enumerate((-9.0, 5.0, 0.0, 9.0, -5.0))]
    calm, lively = (named(measures(pool(p)), "wrist deviation", "left") for p in (still, restless))
    assert calm.wander_sd is not None
    assert lively.wander_sd is not None
    assert calm.wander_sd < 1.5 < 5.0 < lively.wander_sd
    assert calm.error_sd == lively.error_sd == pytest.approx(2.3)
    assert (lively.sd or 0.0) > (calm.sd or 0.0)


def test_hands_photographed_one_by_one_are_not_set_against_each_other() -> None:
    both = laid()
    alone = [
        replace(
            laid(n + 1),
            hands=tuple(h for h in both.hands if h.side == side),
            contacts=tuple(c for c in both.contacts if c.side == side),
        )
        for n, side in enumerate(SIDES)
    ]
    found = measures(pool(alone))
    for name in ("forearm convergence", "wrists apart", "index fingertips apart"):
        assert named(found, name).value is None
        assert "one placement" in (named(found, name).missing or "")
    assert named(found, "wrist deviation", "left").placements == 1
    assert value(found, "resting span", "left") > 0


def test_what_was_not_seen_is_not_told() -> None:
    bare = laid()
    unseen = replace(
        bare,
        hands=(replace(bare.hands[0], forearm_seen=False), bare.hands[1]),
        contacts=tuple(replace(c, hidden=(c.side, c.finger) == ("left", "ring")) for c in bare.contacts),
    )
    found = measures(pool([unseen]))
    wrist = named(found, "wrist deviation", "left")
    assert (wrist.value, wrist.sd, wrist.bands) == (None, None, ())
    with pytest.raises(ValueError, match="not measured"):
        _ = wrist.interval
    assert named(found, "gap middle-ring", "left").value is None
    assert named(found, "gap ring-little", "left").value is None
    assert named(found, "gap index-middle", "left").value is not None
    assert "Left wrist: the forearm was not seen" in posture_text(found)


@pytest.mark.parametrize("shoulder_mm", [38.0, 0.0, -400.0, 4000.0, float("nan"), float("inf")])
def test_a_shoulder_that_cannot_be_is_refused(shoulder_mm: float) -> None:
    with pytest.raises(InputError, match="bony tips of the shoulders in millimetres"):
        measures(pool([laid()]), shoulder_mm)


# What is said


def test_text_is_short_careful_and_names_its_sources() -> None:
    text = posture_text(measures(pool([laid(n + 1, deviations=(13.0 + n, -3.0)) for n in range(3)]), 380.0))
    lines = text.split("\n\n")[1].splitlines()
    assert len(lines) <= 12
    assert lines[-1] == CAUTION
    for source in ("Keir 2007", "WISTAH", "Strain Index (from memory)", "RULA", "ANSUR II", "MASS"):
        assert source in text
    assert "cannot see flexion or extension" in text
    assert "not the full spread" in text
    # What nobody can tell from a photo is not said.
    for word in ("healthy", "unsafe", "dangerous", "injured", "healed", "worse", "you should rest", "correct posture"):
        assert word not in text


def test_percentiles_of_one_sex_only_where_it_is_said() -> None:
    found = measures(pool([laid()]))
    both, women = posture_text(found), posture_text(found, "female")
    assert "percentile of men" in both
    assert "percentile of women" in both
    assert "men (" not in women.replace("women (", "")
    assert {b.sex for b in named(found, "hand length", "left").bands} == set(get_args(Sex))


def test_document_holds_everything() -> None:
    found = measures(pool([laid()]), 380.0)
    document = posture_document(found, 380.0)
    assert document["schema"] == "handcapture.posture/1"
    assert len(document["measures"]) == len(found)
    first = document["measures"][0]
    assert first["name"] == "wrist deviation"
    assert first["interval_95"] == pytest.approx([6.0 - NORMAL_95 * 2.3, 6.0 + NORMAL_95 * 2.3])
    assert "flexion" in first["what_not"]
    assert document["caution"] == CAUTION
