"""What the sighting refuses: each message names the file, says what is wrong and what to do."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from helpers_sighting import SIZE, FloatArray, Picture, camera_over, photo_from, picture_of

from handcapture.errors import InputError, PhotoError
from handcapture.mat.geometry import MATS
from handcapture.mat.print_scale import PrintScale
from handcapture.mat.sighting import sight

PAPER_GREY = 120


@pytest.fixture(scope="module")
def plain() -> Picture:
    return picture_of("a3", camera_over())


def refused(picture: Picture, *expected: str, mat: str | None = None, noise: float = 2.0) -> str:
    """Return why a photo is refused; the message must be one line of sentences that hold what is expected."""
    with pytest.raises(PhotoError) as caught:
        sight(photo_from(picture, noise), mat)
    text = str(caught.value)
    assert text.startswith("photo.jpg: ")
    assert text.endswith(".")
    assert "\n" not in text
    assert caught.value.exit_code == 3
    for part in expected:
        assert part in text
    return text


def shaken(picture: Picture, length: int, angle_deg: float) -> Picture:
    """Return the picture smeared along a line."""
    line = np.zeros((length, length), np.float32)
    middle, half = (length - 1) / 2, (length - 1) / 2 * np.exp(1j * np.radians(angle_deg))
    ends = [(round(middle + s * half.real), round(middle + s * half.imag)) for s in (-1, 1)]
    cv2.line(line, ends[0], ends[1], 1.0)
    return np.asarray(cv2.filter2D(picture, -1, line / line.sum()), np.uint8)


def test_an_empty_table() -> None:
    refused(np.full(SIZE[::-1], PAPER_GREY, np.uint8), "no mat was found", "Lay a printed mat flat")


def test_a_page_of_text_is_no_mat() -> None:
    page = np.full(SIZE[::-1], 235, np.uint8)
    for row in range(100, 1400, 60):
        cv2.putText(page, "Squares 17 and 42, chess: a game of ten fingers", (80, row), 0, 1.8, 20, 4)
    refused(page, "no mat was found")


def test_another_mat_than_said(plain: Picture) -> None:
    text = refused(plain, "A3", "A4 pair", mat="a4-pair")
    assert text.endswith("a3.")
    assert sight(photo_from(plain), "A3").mat.name == "a3"


def test_a_mat_that_does_not_exist(plain: Picture) -> None:
    with pytest.raises(InputError, match=r"'a5'.*a4, letter") as caught:
        sight(photo_from(plain), "a5")
    assert not isinstance(caught.value, PhotoError)


def test_two_mats() -> None:
    camera = camera_over((300.0, 160.0), height_mm=700.0, tilt_deg=0.0)
    both = picture_of("a3", camera)
    beside = picture_of("a4", camera_over((-140.0, 160.0), height_mm=700.0, tilt_deg=0.0), table=0)
    refused(np.maximum(both, beside), "more than one mat", "A3", "A4", "Leave only the mat in use")


def test_the_same_mat_twice() -> None:
    one = picture_of("a4", camera_over((300.0, 105.0), height_mm=620.0, tilt_deg=0.0))
    other = picture_of("a4", camera_over((-10.0, 105.0), height_mm=620.0, tilt_deg=0.0), table=0)
    refused(np.maximum(one, other), "A4", "twice", "Leave only the mat in use")


@pytest.mark.parametrize("missing", ["left", "right"])
def test_half_a_pair(missing: str) -> None:
    camera = camera_over((210.0, 148.5), 460.0, tilt_deg=3.0)
    picture = picture_of("a4-pair", camera)
    seam = round(float(camera.project(np.array([[210.0, 148.5, 0.0]]))[0, 0]))
    part = slice(0, seam) if missing == "left" else slice(seam, None)
    picture[:, part] = PAPER_GREY
    refused(picture, "only one sheet of the A4 pair", f"the {missing} one is missing", "both sheets")


def test_a_mirrored_photo(plain: Picture) -> None:
    refused(np.ascontiguousarray(plain[:, ::-1]), "mirrored", "main camera")
    refused(np.ascontiguousarray(plain[::-1]), "mirrored")


@pytest.mark.parametrize(
    "spoil",
    [
        lambda p: cv2.GaussianBlur(p, (0, 0), 5),
        lambda p: cv2.GaussianBlur(p, (0, 0), 16),
        lambda p: shaken(p, 25, 0),
        lambda p: shaken(p, 35, 60),
    ],
    ids=["soft", "out of focus", "shaken along a side", "shaken askew"],
)
def test_a_blurred_photo(spoil: Callable[[Picture], Picture], plain: Picture) -> None:
    refused(np.asarray(spoil(plain), np.uint8), "blurred", "self-timer")


@pytest.mark.parametrize("exposure", [0.04, 0.06])
def test_a_dark_photo(exposure: float, plain: Picture) -> None:
    refused((plain * exposure).astype(np.uint8), "too dark", "light", noise=4.0)


def test_a_burnt_out_photo(plain: Picture) -> None:
    refused(np.clip(plain * 8.0, 0, 255).astype(np.uint8), "burnt out", "lower the exposure")


def test_too_few_marks(plain: Picture) -> None:
    corner = np.full_like(plain, PAPER_GREY)
    corner[:600, :450] = plain[:600, :450]
    refused(corner, "3 marks of a mat can be read", "Get the whole mat into the picture")
    corner[:470, :700] = plain[:470, :700]
    corner[470:] = PAPER_GREY
    refused(corner, "too few marks of the A3 mat can be measured", "Get the whole mat into the picture")


def test_one_side_alone_is_too_unsure_when_the_photo_is_grainy(plain: Picture) -> None:
    """Eighteen marks of the left border: they do for a clean photo, and say themselves when they do not."""
    side = np.full_like(plain, PAPER_GREY)
    side[:, :450] = plain[:, :450]
    assert sight(photo_from(side)).corners_used < 25
    refused(side, "only part of the mat", "marks visible on at least two sides", noise=30.0)


def test_a_mat_far_away() -> None:
    refused(picture_of("a3", camera_over(height_mm=1100.0)), "too small in the picture", "0.8 mm", "about 45 cm")
    refused(picture_of("a3", camera_over(height_mm=3000.0)), "no mat was found")


CURLS: dict[str, Callable[[FloatArray], FloatArray]] = {
    "left edge up 20 mm": lambda p: 20 * np.clip(1 - p[:, 0] / 150, 0, 1) ** 2,
    "arch of 16 mm": lambda p: 16 * (1 - ((p[:, 0] - 210) / 210) ** 2),
    "waves of 4 mm": lambda p: 4 * np.sin(3 * np.pi * np.clip(p[:, 0] / 420, 0, 1)) ** 2,
    "fold of 2 mm": lambda p: 2 * np.clip(1 - np.abs(p[:, 0] - 150) / 40, 0, 1),
    "fold of 4 mm": lambda p: 4 * np.clip(1 - np.abs(p[:, 0] - 150) / 40, 0, 1),
    "fold of 8 mm": lambda p: 8 * np.clip(1 - np.abs(p[:, 0] - 150) / 40, 0, 1),
    "strip up 3 mm": lambda p: 3.0 * (np.abs(p[:, 0] - 150) < 30),
}
"""Smooth but too high, or too sharp for a surface of low order; gentler shapes are in test_surface.py."""


@pytest.mark.parametrize("curl", CURLS.values(), ids=CURLS.keys())
def test_curled_paper(curl: Callable[[FloatArray], FloatArray]) -> None:
    refused(picture_of("a3", camera_over(), bend=curl), "disagree by", "curled", "flatten it")


def test_slightly_uneven_paper_is_told() -> None:
    """Ripples of 1 mm, which no surface of low order follows: measured, with a note, and points are off no more."""
    camera = camera_over()

    def ripples(p: FloatArray) -> FloatArray:
        return np.asarray(np.sin(5 * np.pi * np.clip(p[:, 0] / 420, 0, 1)) ** 2)

    found = sight(photo_from(picture_of("a3", camera, bend=ripples)))
    assert found.surface is None
    note = next(note for note in found.notes if "not lie quite flat" in note)
    told = float(note.split("another " if "another" in note else "up to ")[1].split(" mm")[0])
    points = np.array([(x, y) for x in (60.0, 140, 210, 280, 360) for y in (50.0, 150, 250)])
    pixels = camera.project(np.column_stack([points, np.zeros(len(points))]))
    off = np.linalg.norm(found.camera.at_height(pixels, 0.0) - points, axis=1)
    assert off.max() < told < 3.0


def test_a_corner_that_stands_up_is_left_out() -> None:
    camera = camera_over()
    found = sight(
        photo_from(picture_of("a3", camera, bend=lambda p: 6 * np.clip(1 - p.sum(axis=1) / 180, 0, 1) ** 1.5))
    )
    assert found.corners_used < found.corners_seen
    assert any("not lie quite flat" in note for note in found.notes)
    points = np.array([(x, y) for x in (60.0, 210, 360) for y in (50.0, 150, 250)])
    pixels = camera.project(np.column_stack([points, np.zeros(len(points))]))
    assert np.linalg.norm(found.camera.at_height(pixels, 0.0) - points, axis=1).max() < 0.05


def test_flat_paper_is_not_called_curled(plain: Picture) -> None:
    found = sight(photo_from(plain))
    assert found.lift_mm < 0.4
    assert not any("flat" in note for note in found.notes)


def test_an_oblique_photo() -> None:
    camera = camera_over(tilt_deg=52.0, towards_deg=0.0, height_mm=380.0)
    refused(picture_of("a3", camera), "too obliquely", "52 degrees", "above the middle")


@pytest.mark.parametrize("cut", [np.s_[:, :1600], np.s_[:1200]], ids=["right side", "lower side"])
def test_a_cropped_photo(cut: tuple[slice, ...]) -> None:
    """A fifth cut off on one side: the lens is no longer in the middle."""
    whole = picture_of("a4", camera_over((148.5, 105.0), tilt_deg=12.0, height_mm=420.0))
    sight(photo_from(whole))
    refused(np.ascontiguousarray(whole[cut]), "cropped", "as the phone's main camera took it")


def test_a_print_stretched_beyond_what_printers_do() -> None:
    refused(picture_of("a3", camera_over(), scale=PrintScale(1.01, 0.99)), "stretched", "measure both rules")


@pytest.mark.parametrize("name", MATS)
def test_every_mat_is_told_from_the_others(name: str) -> None:
    """A small picture is enough; each mat is refused under each other name."""
    mat = MATS[name]
    camera = camera_over((mat.size_mm[0] / 2, mat.size_mm[1] / 2), 500.0, size=(1280, 960), focal_px=860.0)
    photo = photo_from(picture_of(name, camera, (1280, 960)), focal_px=860.0)
    assert sight(photo).mat is mat
    for other in MATS:
        if other != name:
            with pytest.raises(PhotoError, match=f"the {mat.title} mat was found"):
                sight(photo, other)
