"""The quality report of a photo: what is measured is what was put in, and every fault comes with its remedy."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

import cv2
import numpy as np
import pytest
from helpers_sighting import SIZE, camera_over, photo_from, picture_of
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from handcapture import quality as q
from handcapture.light import LINEAR
from handcapture.mat.geometry import MATS
from handcapture.mat.print_scale import PrintScale
from handcapture.mat.sighting import Sighting, sight
from handcapture.names import FINGERS, SIDES
from handcapture.photo import Photo, read_photo
from handcapture.placement import Contact, HandPosture, Placement

FloatArray = NDArray[np.float64]
Bytes = NDArray[np.uint8]
A4_MIDDLE = (148.5, 105.0)
BASE_SD_PX = np.hypot(0.45, 0.5)
"""Blur that helpers_sighting.picture_of itself applies."""
KEYS = ["what", "where", "grade", "value", "unit", "short", "text", "advice"]
_CODES = np.arange(256) / 255.0
# IEC 61966-2-1, written out again.
_LINEAR = np.where(_CODES <= 0.04045, _CODES / 12.92, ((_CODES + 0.055) / 1.055) ** 2.4).astype(np.float32)


def coded(light: NDArray[Any]) -> Bytes:
    light = np.clip(light, 0, 1)
    codes = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.asarray(255 * codes + 0.5, np.uint8)


def blurred(picture: Bytes, major_px: float, minor_px: float | None = None, angle_deg: float = 0.0) -> Bytes:
    """Return the picture blurred by a Gaussian, as a lens does it: in linear light. The angle turns x towards y."""
    light = _LINEAR[picture]
    if minor_px is None:
        return coded(cv2.GaussianBlur(light, (0, 0), major_px))
    half = int(4 * major_px) + 1
    x, y = np.meshgrid(*(np.arange(-half, half + 1),) * 2)
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    u, v = (x * cos + y * sin) / major_px, (y * cos - x * sin) / minor_px
    kernel = np.exp(-0.5 * (u * u + v * v))
    return coded(cv2.filter2D(light, -1, kernel / kernel.sum()))


def smeared(picture: Bytes, length_px: float, angle_deg: float) -> Bytes:
    """Return the picture as a phone that moves steadily takes it."""
    light, steps = _LINEAR[picture], np.linspace(-0.5, 0.5, 33) * length_px
    total = np.zeros(light.shape, np.float64)
    for step in steps:
        dx, dy = step * np.cos(np.radians(angle_deg)), step * np.sin(np.radians(angle_deg))
        shift = np.array([[1, 0, dx], [0, 1, dy]])
        total += cv2.warpAffine(light, shift, picture.shape[1::-1], borderMode=cv2.BORDER_REPLICATE)
    return coded(total / len(steps))


def graded(photo: Photo, sighting: Sighting, placement: Placement | None = None) -> dict[str, q.QualityPoint]:
    """Return the points by what they are about, after checking what holds for every report."""
    quality = q.photo_quality(photo, sighting, placement)
    document = q.quality_dict(quality)
    json.dumps(document, allow_nan=False)
    assert list(document) == ["grade", "verdict", "points", "notes"]
    assert all(list(point) == KEYS for point in document["points"])
    for point in quality.points:
        assert point.what in get_args(q.What)
        assert (point.advice is None) == (point.grade == "good"), point
        for sentence in filter(None, (point.text, point.advice)):
            assert not sentence[0].islower(), sentence
            assert sentence.endswith("."), sentence
    assert quality.grade == q.worst_grade([point.grade for point in quality.points])
    start = {"good": "good", "fair": "good enough; ", "poor": "take it again: "}[quality.grade]
    assert quality.verdict.startswith(start)
    assert len(q.quality_lines(quality)) >= 1 + len(quality.points)
    return {point.what: point for point in quality.points}


def placement_on(middle_mm: tuple[float, float], hidden: int = 0) -> Placement:
    """Return ten invented contacts around a place on the mat."""
    contacts, hands = [], []
    for side, sign in zip(SIDES, (-1.0, 1.0), strict=True):
        wrist = np.add(middle_mm, (sign * 75.0, 110.0))
        for k, finger in enumerate(FINGERS):
            place = np.add(middle_mm, (sign * (20.0 + 22.0 * k), 35.0 * (k == 0) + 4.0 * (k - 2) ** 2))
            reach = (place - wrist) / np.linalg.norm(place - wrist)
            is_hidden = len(contacts) < hidden
            advice = "Its end cannot be made out: lift the other finger." if is_hidden else None
            contacts.append(Contact(side, finger, place, np.eye(2), reach, 16.0, is_hidden, advice))
        hands.append(HandPosture(side, wrist, 0.0, 8.0, False, 180.0, 85.0))
    return Placement(tuple(contacts), tuple(hands), ())


@pytest.fixture(scope="module")
def a4() -> tuple[Bytes, Sighting]:
    """An A4 mat from near by, 0.2 mm a pixel, turned in the picture so that no edge follows a row of pixels."""
    camera = camera_over(A4_MIDDLE, height_mm=275.0, tilt_deg=4.0, turn_deg=12.0, focal_px=1350.0)
    picture = picture_of("a4", camera)
    return picture, sight(photo_from(picture))


@pytest.fixture(scope="module")
def a3() -> tuple[Bytes, Sighting]:
    picture = picture_of("a3", camera_over())
    return picture, sight(photo_from(picture))


@pytest.mark.parametrize("sd_px", [0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0])
def test_blur_of_a_known_width_is_measured(a4: tuple[Bytes, Sighting], sd_px: float) -> None:
    picture, sighting = a4
    blur = q.measure_blur(photo_from(blurred(picture, sd_px)).pixels_bgr, sighting)
    assert blur is not None
    true = np.hypot(sd_px, BASE_SD_PX)
    assert blur.major_px == pytest.approx(true, rel=0.15)
    assert blur.minor_px == pytest.approx(true, rel=0.15)
    assert blur.major_px < 1.15 * blur.minor_px
    assert blur.major_mm == pytest.approx(blur.major_px * sighting.mm_per_px, rel=0.05)


@pytest.mark.parametrize("angle_deg", [0, 30, 45, 75, 90, 135, 160])
def test_blur_of_a_known_shape_is_measured(a4: tuple[Bytes, Sighting], angle_deg: float) -> None:
    """Edges alone could not tell 45 from 135 degrees: this holds Sheppard's formula to account."""
    picture, sighting = a4
    blur = q.measure_blur(photo_from(blurred(picture, 3.5, 1.2, angle_deg)).pixels_bgr, sighting)
    assert blur is not None
    assert blur.major_px == pytest.approx(np.hypot(3.5, BASE_SD_PX), rel=0.1)
    assert blur.minor_px == pytest.approx(np.hypot(1.2, BASE_SD_PX), rel=0.2)
    on_mat = sighting.camera.at_height(
        np.array([[1000.0, 750.0], [1000 + np.cos(np.radians(angle_deg)), 750 + np.sin(np.radians(angle_deg))]]), 0.0
    )
    true = np.degrees(np.arctan2(*(on_mat[1] - on_mat[0])[::-1]))
    assert abs((blur.direction_deg - true + 90) % 180 - 90) < 3


def test_covered_edges_do_not_count(a3: tuple[Bytes, Sighting]) -> None:
    """Half the rim under something with an edge of its own: the rest still tells the blur."""
    picture = blurred(a3[0], 1.5)
    before = q.measure_blur(photo_from(picture).pixels_bgr, a3[1])
    picture[:, :900] = 120
    picture[1150:] = 200
    after = q.measure_blur(photo_from(picture).pixels_bgr, a3[1])
    assert before is not None
    assert after is not None
    assert after.edges < 0.7 * before.edges
    assert after.major_px == pytest.approx(before.major_px, rel=0.05)


def test_the_stated_width_is_that_of_a_gaussian_step() -> None:
    from scipy.stats import norm

    width = float(norm.ppf(0.9) - norm.ppf(0.1))
    assert abs(width - q._TEN_TO_NINETY) < 1e-4


def test_light_codes_follow_the_standard() -> None:
    assert np.allclose(LINEAR, _LINEAR, atol=1e-6)


def test_a_shake_is_told_from_a_lens_out_of_focus(a4: tuple[Bytes, Sighting]) -> None:
    picture, sighting = a4
    sharp = graded(photo_from(picture), sighting)["sharpness"]
    shaken = graded(photo_from(smeared(picture, 14.0, 57.0)), sighting)["sharpness"]
    soft = graded(photo_from(blurred(picture, 4.0)), sighting)["sharpness"]
    assert sharp.grade == "good"
    assert (shaken.grade, shaken.short) == ("poor", "shaken")
    assert "along a diagonal" in shaken.text
    assert (soft.grade, soft.short) == ("poor", "blurred")
    # A line of length L has the standard deviation L / √12; the fitted step is about a fifth wider than that.
    blur = q.measure_blur(photo_from(smeared(picture, 14.0, 57.0)).pixels_bgr, sighting)
    assert blur is not None
    assert 0.95 < blur.major_px / np.hypot(14.0 / np.sqrt(12), BASE_SD_PX) < 1.25


@settings(max_examples=8, deadline=None)
@given(st.floats(0.0, 4.0), st.floats(0.7, 2.0))
def test_more_blur_never_looks_sharper(sd_px: float, more_px: float) -> None:
    picture, sighting = _small_scene()
    first = blurred(picture, sd_px) if sd_px > 0.2 else picture
    values = [q.measure_blur(p[..., None].repeat(3, 2), sighting) for p in (first, blurred(first, more_px))]
    assert values[0] is not None
    assert values[1] is not None
    assert values[1].minor_px > values[0].minor_px


_SCENES: list[tuple[Bytes, Sighting]] = []


def _small_scene() -> tuple[Bytes, Sighting]:
    """The scene for hypothesis, which takes no fixture of this kind; made once."""
    if not _SCENES:
        size = (1200, 900)
        picture = picture_of("a4", camera_over(A4_MIDDLE, 300.0, focal_px=850.0, size=size), size)
        _SCENES.append((picture, sight(photo_from(picture, focal_px=850.0))))
    return _SCENES[0]


@pytest.mark.parametrize(
    ("factor", "grade", "short"), [(1.0, "good", "well lit"), (0.25, "fair", "too dark"), (0.06, "poor", "too dark")]
)
def test_too_dark_a_photo_is_told(a3: tuple[Bytes, Sighting], factor: float, grade: str, short: str) -> None:
    point = graded(photo_from(coded(_LINEAR[a3[0]] * factor), noise=1.0), a3[1])["exposure"]
    assert (point.grade, point.short) == (grade, short)


def test_burnt_paper_and_burnt_fingers_are_told(a3: tuple[Bytes, Sighting]) -> None:
    picture, sighting = a3
    placement = placement_on((210.0, 140.0))
    bright = photo_from(coded(_LINEAR[picture] * 1.6), noise=0.5)
    assert graded(bright, sighting, None)["exposure"].grade == "fair"
    skin = bright.pixels_bgr.copy()
    for contact in placement.contacts:
        ends = np.array([[*contact.contact_mm, 12.0], [*(contact.contact_mm - 30 * contact.reach), 12.0]])
        start, stop = (tuple(int(v) for v in p) for p in sighting.camera.project(ends))
        cv2.line(skin, start, stop, (150, 190, 255), 60)
    burnt = graded(replace(bright, pixels_bgr=skin), sighting, placement)["exposure"]
    assert (burnt.grade, burnt.short) == ("poor", "too bright")
    assert "100 % of the fingers" in burnt.text


@settings(max_examples=8, deadline=None)
@given(st.floats(0.02, 1.0), st.floats(0.02, 1.0))
def test_less_light_never_grades_better(first: float, second: float) -> None:
    picture, sighting = _small_scene()
    less, more = (
        graded(photo_from(coded(_LINEAR[picture] * f), noise=0.5), sighting)["exposure"]
        for f in sorted((first, second))
    )
    assert less.value is not None
    assert more.value is not None
    assert less.value <= more.value + 0.5
    order = ("good", "fair", "poor")
    assert order.index(less.grade) >= order.index(more.grade)


@pytest.mark.parametrize(("left_over", "grade"), [(0.7, "good"), (0.25, "fair"), (0.06, "poor")])
def test_a_hard_shadow_is_measured(a3: tuple[Bytes, Sighting], left_over: float, grade: str) -> None:
    """The shadow covers a band above the fingertips, in linear light as shadows do."""
    picture, sighting = a3
    light = _LINEAR[picture].copy()
    band = sighting.camera.project(np.array([[60, 90, 0], [360, 90, 0], [360, 130, 0], [60, 130, 0.0]]))
    mask = cv2.fillConvexPoly(np.zeros(picture.shape, np.uint8), np.rint(band).astype(np.int32), 1) > 0
    light[mask] *= left_over
    point = graded(photo_from(coded(light)), sighting, placement_on((210.0, 145.0)))["shadows"]
    assert point.grade == grade
    assert point.value == pytest.approx(100 * left_over, rel=0.12)
    assert (point.short == "hard shadows") == (grade != "good")


def test_a_soft_shadow_is_not_called_hard(a3: tuple[Bytes, Sighting]) -> None:
    """Light that falls off across the mat, as beside a window."""
    picture, sighting = a3
    fall = np.exp(np.linspace(0.0, np.log(0.08), picture.shape[1])).astype(np.float32)
    point = graded(photo_from(coded(_LINEAR[picture] * fall)), sighting, placement_on((210.0, 145.0)))["shadows"]
    assert (point.grade, point.short) == ("fair", "deep shadows")


@pytest.mark.parametrize("azimuth_deg", [0, 90, 180, 270])
def test_the_way_back_above_the_mat_is_right(azimuth_deg: float) -> None:
    """Where the phone stood is told from the picture itself: what is nearer to it looks longer."""
    camera = camera_over(tilt_deg=27.0, towards_deg=azimuth_deg)
    point = graded(photo := photo_from(picture_of("a3", camera)), sighting := sight(photo))["tilt"]
    assert photo.size_px == SIZE
    width, height = MATS["a3"].size_mm
    corners = camera.project(np.array([[0, 0, 0], [width, 0, 0], [width, height, 0], [0, height, 0.0]]))
    far, right, near, left = (float(np.linalg.norm(corners[k] - corners[(k + 1) % 4])) for k in range(4))
    longer = {"away from you": near / far, "towards you": far / near, "to the left": right / left}
    longer["to the right"] = left / right
    expected = max(longer, key=lambda way: longer[way])
    assert longer[expected] > 1.2
    assert point.grade == "fair"
    assert point.advice is not None
    assert [way for way in longer if way in point.advice] == [expected]
    off_cm = np.linalg.norm(camera.centre_mm[:2] - [width / 2, height / 2]) / 10
    assert f"Move the phone {off_cm:.0f} cm {expected}" in point.advice
    assert sighting.tilt_deg == pytest.approx(27.0, abs=0.3)


def test_far_beyond_what_was_checked_the_photo_is_to_be_taken_again() -> None:
    camera = camera_over(tilt_deg=38.0, towards_deg=0.0, height_mm=470.0, focal_px=1200.0)
    photo = photo_from(picture_of("a3", camera), focal_px=1200.0)
    quality = q.photo_quality(photo, sight(photo))
    assert quality.grade == "poor"
    assert quality.verdict == "take it again: seen at a slant"


def test_a_level_phone_gets_no_advice(a3: tuple[Bytes, Sighting]) -> None:
    points = graded(photo_from(a3[0]), a3[1])
    assert {points[what].grade for what in ("tilt", "height", "resolution", "lens", "mat", "paper")} == {"good"}


@pytest.mark.parametrize(
    ("focal_mm", "bend", "grade"),
    [(26.0, 0.0, "good"), (18.0, 0.0, "fair"), (13.0, 0.0, "poor"), (26.0, 0.045, "fair")],
)
def test_lenses(a3: tuple[Bytes, Sighting], focal_mm: float, bend: float, grade: str) -> None:
    sighting = a3[1]
    diagonal = float(np.hypot(*sighting.size_px))
    focal_px = focal_mm * diagonal / 43.267
    camera = replace(sighting.camera, focal_px=focal_px, k1=bend * (2 * focal_px / diagonal) ** 2)
    point = q._lens(replace(sighting, camera=camera, focal_prior_px=focal_px))
    assert point.grade == grade
    assert point.value == pytest.approx(focal_mm, rel=1e-4)
    assert (point.advice is None) == (grade == "good")
    assert "zoomed" not in point.text
    zoomed = q._lens(replace(sighting, camera=camera, focal_prior_px=focal_px / 2))
    assert "zoomed or cropped" in zoomed.text


def test_a_phone_tilted_on_the_spot_is_only_told_to_be_level(a3: tuple[Bytes, Sighting]) -> None:
    camera = a3[1].camera
    turned = np.asarray(cv2.Rodrigues(np.radians([25.0, 0.0, 0.0]))[0]) @ camera.rotation
    place = camera.centre_mm * [1, 1, -1] - [*(camera.centre_mm[:2] - [210.0, 148.5]), 0.0]
    tilted = replace(camera, rotation=turned, translation_mm=-turned @ place)
    advice = q._tilt(replace(a3[1], camera=tilted)).advice
    assert advice is not None
    assert advice.startswith("Hold the phone level: ")


@settings(max_examples=30, deadline=None)
@given(st.floats(-300, 300), st.floats(-300, 300))
def test_the_way_back_leads_back(x_mm: float, y_mm: float) -> None:
    way = q._way_back(np.array([x_mm, y_mm]))
    steps = {"to the left": (-1, 0), "to the right": (1, 0), "away from you": (0, -1), "towards you": (0, 1)}
    place = np.array([x_mm, y_mm])
    for words, step in steps.items():
        if words in way:
            centimetres = float(way.split(words)[0].split()[-2])
            place = place + 10 * centimetres * np.array(step)
    assert (np.abs(place) <= 30.0).all()


@pytest.mark.parametrize(("height_mm", "grade"), [(290.0, "poor"), (330.0, "fair"), (420.0, "good")])
def test_too_near_a_phone_is_told(height_mm: float, grade: str) -> None:
    photo = photo_from(picture_of("a4", camera_over(A4_MIDDLE, height_mm=height_mm, tilt_deg=2.0)))
    assert graded(photo, sight(photo))["height"].grade == grade


def test_too_coarse_a_photo_is_told() -> None:
    size = (800, 600)
    photo = photo_from(picture_of("a3", camera_over(focal_px=650.0, size=size), size), focal_px=650.0)
    point = graded(photo, sight(photo))["resolution"]
    assert point.grade == "fair"
    assert point.value == pytest.approx(420.0 / 650.0, rel=0.03)


@pytest.mark.parametrize(
    ("shift_mm", "side"),
    [((105.0, 0.0), "left"), ((-105.0, 0.0), "right"), ((0.0, 95.0), "far"), ((0.0, -95.0), "near")],
)
def test_a_side_out_of_the_picture_is_named(shift_mm: tuple[float, float], side: str) -> None:
    middle = (210.0 + shift_mm[0], 148.5 + shift_mm[1])
    photo = photo_from(picture_of("a3", camera_over(middle, height_mm=380.0, tilt_deg=2.0)))
    sighting = sight(photo)
    point = graded(photo, sighting)["mat"]
    assert point.grade == "fair"
    assert point.advice == f"The {side} side of the mat lies outside the picture: get the whole mat in."


@pytest.mark.parametrize(("side", "grade"), [("near", "good"), ("far", "fair"), ("left", "fair"), ("right", "fair")])
def test_a_covered_side_is_named_unless_forearms_lie_there(a3: tuple[Bytes, Sighting], side: str, grade: str) -> None:
    sighting, (width, height) = a3[1], MATS["a3"].size_mm
    box = {"near": (0, height - 45, width, height), "far": (0, 0, width, 45)}
    box |= {"left": (0, 0, 45, height), "right": (width - 45, 0, width, height)}
    x0, y0, x1, y1 = box[side]
    corners = sighting.camera.project(np.array([[x0, y0, 0], [x1, y0, 0], [x1, y1, 0], [x0, y1, 0.0]]))
    photo = photo_from(cv2.fillConvexPoly(a3[0].copy(), np.rint(corners).astype(np.int32), 90))
    point = graded(photo, sight(photo))["mat"]
    assert point.grade == grade
    if grade != "good":
        assert f"on the {side} side" in str(point.advice)


@settings(max_examples=15, deadline=None)
@given(st.floats(0, 1), st.floats(0, 0.5), st.floats(0, 1), st.floats(0, 0.5))
def test_paper_that_lies_worse_never_grades_better(lift: float, cross: float, more: float, cross_more: float) -> None:
    _, sighting = _small_scene()
    first = q._paper(replace(sighting, lift_mm=lift, crosscheck_mm=cross))
    second = q._paper(replace(sighting, lift_mm=lift + more, crosscheck_mm=cross + cross_more))
    assert q.worst_grade([first.grade, second.grade]) == second.grade


def test_paper_is_graded(a3: tuple[Bytes, Sighting]) -> None:
    flat = replace(a3[1], lift_mm=0.3, crosscheck_mm=0.02)
    photo = photo_from(a3[0])
    for sighting, grade in (
        (flat, "good"),
        (replace(flat, crosscheck_mm=0.25), "fair"),
        (replace(flat, crosscheck_mm=0.4), "poor"),
        (replace(flat, lift_mm=0.95), "fair"),  # at 0.31 mm a pixel, markers alone are that unsure
        (replace(flat, lift_mm=1.5), "poor"),
    ):
        assert graded(photo, sighting)["paper"].grade == grade


@pytest.mark.parametrize(("hidden", "grade"), [(0, "good"), (2, "fair"), (3, "poor")])
def test_hidden_fingertips_are_named_with_their_remedy(a3: tuple[Bytes, Sighting], hidden: int, grade: str) -> None:
    placement = placement_on((210.0, 140.0), hidden)
    quality = q.photo_quality(photo_from(a3[0]), a3[1], placement)
    points = [point for point in quality.points if point.what == "hands"]
    assert {point.grade for point in points} == {grade}
    named = [f"{contact.side} {contact.finger}" for contact in placement.contacts if contact.hidden]
    assert [point.where for point in points] == (named or [None])
    assert all(point.advice == "Its end cannot be made out: lift the other finger." for point in points if named)


def test_a_fingertip_at_the_pictures_edge_is_named(a3: tuple[Bytes, Sighting]) -> None:
    placement = placement_on((210.0, 140.0))
    edge = a3[1].camera.at_height(np.array([[30.0, 700.0]]), 0.0)[0]
    moved = replace(placement.contacts[4], contact_mm=edge)
    placement = replace(placement, contacts=(*placement.contacts[:4], moved, *placement.contacts[5:]))
    point = graded(photo_from(a3[0]), a3[1], placement)["hands"]
    assert (point.grade, point.where) == ("fair", "left little")


def test_an_unchecked_print_is_a_note_and_no_fault(a3: tuple[Bytes, Sighting]) -> None:
    unchecked = q.photo_quality(photo_from(a3[0]), a3[1])
    assert (unchecked.grade, unchecked.verdict) == ("good", "good")
    assert [note for note in unchecked.notes if "size of the print was not checked" in note]
    ruled = replace(a3[1], print_scale=PrintScale.from_rulers(150.0, 150.0))
    assert q.photo_quality(photo_from(a3[0]), ruled).notes == ()


def test_the_gap_of_a_pair_is_noted() -> None:
    camera = camera_over((210.0, 148.5), height_mm=430.0)
    photo = photo_from(picture_of("a4-pair", camera, poses=[(0, 0, 0), (218.0, 0.0, 0.0)]))
    quality = q.photo_quality(photo, sight(photo))
    (note,) = [note for note in quality.notes if "two sheets" in note]
    assert "8.0 mm apart" in note
    assert "closer together" in note


def test_a_photo_without_edges_or_paper_is_not_called_good(a3: tuple[Bytes, Sighting]) -> None:
    """Nothing to measure on is said, not guessed: here the pixels are another picture's."""
    picture = np.full((SIZE[1], SIZE[0]), 128, np.uint8)
    points = graded(photo_from(picture, noise=0.0), a3[1])
    assert points["sharpness"].value is None
    assert points["sharpness"].grade == "fair"
    assert q.measure_blur(photo_from(picture, noise=0.0).pixels_bgr, a3[1]) is None


def test_a_sample_photo_is_good_and_its_spoilt_copies_are_not() -> None:
    from handcapture.capture import Networks, capture

    photo = read_photo(Path(__file__).resolve().parent.parent / "samples" / "rest_1.jpg")
    with Networks() as networks:
        found = capture(photo, networks)
    as_it_is = graded(photo, found.sighting, found.placement)
    assert {as_it_is[what].grade for what in ("sharpness", "exposure", "shadows", "mat", "paper", "height")} == {"good"}
    assert q.photo_quality(photo, found.sighting, found.placement).grade in ("good", "fair")

    def spoilt(pixels: Bytes) -> dict[str, q.QualityPoint]:
        return graded(replace(photo, pixels_bgr=pixels), found.sighting, found.placement)

    assert spoilt(cv2.GaussianBlur(photo.pixels_bgr, (0, 0), 4.0))["sharpness"].short == "blurred"
    assert spoilt(cv2.blur(photo.pixels_bgr, (17, 1)))["sharpness"].short == "shaken"
    assert spoilt(coded(_LINEAR[photo.pixels_bgr] * 0.25))["exposure"].short == "too dark"
    assert spoilt(coded(_LINEAR[photo.pixels_bgr] * 2.5))["exposure"].short == "too bright"
