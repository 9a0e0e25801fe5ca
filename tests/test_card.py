"""The print's scale from a card in its place: drawn cards are measured, and what is no flat card is refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from helpers_sighting import (
    FOCAL_PX,
    SIZE,
    DrawnCard,
    FloatArray,
    Picture,
    camera_over,
    grid,
    misses_mm,
    photo_from,
    picture_of,
    with_card,
)

from handcapture.camera import Camera
from handcapture.errors import PhotoError
from handcapture.mat import card as card_module
from handcapture.mat.card import CARD_SD_MM, CardReading, find_card, look_for_card
from handcapture.mat.geometry import CARD_MM, MATS
from handcapture.mat.print_scale import PrintScale
from handcapture.mat.sighting import sight
from handcapture.photo import Photo, read_photo
from handcapture.rectify import View, rectify

LARGE, LARGE_FOCAL_PX = (3000, 2250), 2025.0

# Invented cards; colours are linear B, G, R.
YELLOW = DrawnCard((0.06, 0.6, 0.8), (0.05, 0.4, 0.5))
RED = DrawnCard((0.05, 0.04, 0.5), (0.5, 0.5, 0.5))
GREEN = DrawnCard((0.08, 0.4, 0.06), (0.05, 0.25, 0.05))
BLUE = DrawnCard((0.5, 0.12, 0.03), (0.3, 0.1, 0.05))
BLACK = DrawnCard((0.03, 0.03, 0.03), (0.05, 0.05, 0.05))
GREY = DrawnCard((0.35, 0.35, 0.35), (0.7, 0.7, 0.7))
LIGHT = DrawnCard((0.7, 0.75, 0.75), (0.6, 0.6, 0.6))


def photo_with(
    card: DrawnCard,
    mat: str = "a4",
    scale: PrintScale | None = None,
    tilt_deg: float = 5.0,
    towards_deg: float = 30.0,
    blur_px: float = 0.6,
    noise: float = 2.0,
    jpeg: int | None = None,
) -> tuple[Camera, Photo]:
    """Return a photo of 7 megapixels of a print with a card in its place."""
    scale, (width, height) = scale or PrintScale(), MATS[mat].size_mm
    camera = camera_over(
        middle_mm=(width / 2 * scale.x, height / 2 * scale.y),
        height_mm=1.08 * width * 0.97,
        tilt_deg=tilt_deg,
        towards_deg=towards_deg,
        size=LARGE,
        focal_px=LARGE_FOCAL_PX,
    )
    picture = with_card(picture_of(mat, camera, LARGE, scale=scale), mat, camera, card, scale, blur_px)
    photo = photo_from(picture, noise=noise, focal_px=LARGE_FOCAL_PX)
    if jpeg is not None:
        _, data = cv2.imencode(".jpg", photo.pixels_bgr, [cv2.IMWRITE_JPEG_QUALITY, jpeg])
        photo = replace(photo, pixels_bgr=np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8))
    return camera, photo


def relative_errors(reading: CardReading, true: PrintScale) -> FloatArray:
    return np.array([reading.print_scale.x / true.x - 1, reading.print_scale.y / true.y - 1])


@pytest.mark.parametrize(
    ("card", "settings"),
    [
        (YELLOW, {"tilt_deg": 0.0}),
        (replace(RED, turn_deg=4.0, shift_mm=(3.0, -1.0)), {"scale": PrintScale(0.97, 0.97), "tilt_deg": 15.0}),
        (replace(GREEN, turn_deg=-2.0, shadow_mm=(0.3, 0.4)), {"scale": PrintScale(1.0025, 0.9975), "tilt_deg": 0.0}),
        (replace(YELLOW, turn_deg=1.0), {"scale": PrintScale(0.972, 0.968), "tilt_deg": 25.0, "jpeg": 92}),
        (replace(BLUE, turn_deg=-4.0, shift_mm=(-2.0, 2.0)), {"tilt_deg": 25.0, "towards_deg": 200.0, "noise": 4.0}),
        (replace(YELLOW, contact=0.5), {"mat": "letter", "tilt_deg": 15.0, "towards_deg": 110.0, "blur_px": 0.9}),
        (replace(GREEN, turn_deg=2.0), {"mat": "a4", "tilt_deg": 15.0, "towards_deg": 290.0, "jpeg": 90}),
    ],
    ids=["level", "97 percent", "stretched, shadow", "shrunk and tilted", "tilted away", "blurred", "tilted aside"],
)
def test_a_coloured_card_tells_both_axes_to_a_thousandth(card: DrawnCard, settings: dict[str, object]) -> None:
    _, photo = photo_with(card, **settings)  # type: ignore[arg-type]
    reading = find_card(photo.pixels_bgr, sight(photo))
    true = settings.get("scale", PrintScale())
    assert isinstance(true, PrintScale)
    errors = relative_errors(reading, true)
    assert np.abs(errors).max() < 1e-3
    assert (np.abs(errors) < 2 * reading.print_scale.relative_sd).all()
    assert reading.print_scale.relative_sd < 2.5e-3
    assert reading.turn_deg == pytest.approx(card.turn_deg, abs=0.05)
    assert reading.print_scale.source == "card"


@pytest.mark.parametrize(
    ("card", "settings"),
    [
        (BLACK, {}),
        (replace(BLACK, wall=(0.7, 0.7, 0.7), turn_deg=3.0), {"tilt_deg": 20.0, "towards_deg": 0.0}),
        (replace(BLACK, shadow_mm=(0.6, 0.5)), {"tilt_deg": 10.0}),
        (GREY, {"tilt_deg": 15.0, "towards_deg": 200.0}),
        (replace(GREY, shadow_mm=(-0.5, 0.4)), {"jpeg": 92}),
        (LIGHT, {"tilt_deg": 0.0}),
        (replace(LIGHT, turn_deg=-3.0), {"tilt_deg": 20.0, "towards_deg": 90.0}),
    ],
    ids=["black", "white core", "black, hard shadow", "grey", "grey, hard shadow", "light", "light, tilted"],
)
def test_a_card_without_colour_is_less_sure_and_says_so(card: DrawnCard, settings: dict[str, object]) -> None:
    """Its shadow, its wall and its face differ in brightness only."""
    _, photo = photo_with(card, **settings)  # type: ignore[arg-type]
    reading = find_card(photo.pixels_bgr, sight(photo))
    errors = relative_errors(reading, PrintScale())
    stated = np.array([reading.width_sd_mm, reading.height_sd_mm]) / CARD_MM
    assert np.abs(errors).max() < 4e-3
    assert (np.abs(errors) < 2.6 * stated).all()
    assert reading.print_scale.relative_sd >= stated.max()


def test_the_second_sighting_has_the_true_scale() -> None:
    """Printed at 97 %, axes half a percent apart; nobody measured, but a card lies there."""
    true = PrintScale(0.97, 0.975)
    camera, photo = photo_with(replace(YELLOW, turn_deg=1.5), scale=true)
    reading = look_for_card(photo.pixels_bgr, sight(photo))
    assert reading is not None
    found = sight(photo, print_scale=reading.print_scale)
    points = grid("a4") * [true.x, true.y]
    assert misses_mm(found.camera, camera, points).max() < 0.2
    assert misses_mm(sight(photo).camera, camera, points).max() > 2.0
    assert not any("not verified" in note for note in found.notes)
    again = find_card(photo.pixels_bgr, found)
    assert again.width_mm == pytest.approx(CARD_MM[0], abs=0.03)
    assert again.height_mm == pytest.approx(CARD_MM[1], abs=0.03)
    assert again.print_scale.x == pytest.approx(reading.print_scale.x, rel=3e-4)


def test_edges_are_compared_in_linear_light(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blur mixes light; read as light, values of a file make a dark card too small.

    By hand: between black, 3 % of the paper's light of 0.86, and the paper, half way in sRGB values (0.18 and 0.93:
    0.55) is 0.27 of light or 29 % of the step, which a blurred edge reaches 0.55 deviations of its blur beyond its
    middle. With 0.14 mm to a pixel and a blur of 1.1 pixels that is 0.09 mm at each side, 0.17 mm in the width.
    """
    _, photo = photo_with(replace(BLACK, turn_deg=1.5), tilt_deg=3.0, blur_px=0.9, noise=1.5)
    found = sight(photo)
    right = find_card(photo.pixels_bgr, found).width_mm
    monkeypatch.setattr(card_module, "LINEAR_32", np.arange(256, dtype=np.float32) / 255)
    wrong = find_card(photo.pixels_bgr, found).width_mm
    assert right == pytest.approx(CARD_MM[0], abs=0.06)
    assert right - wrong == pytest.approx(0.17, abs=0.07)


@pytest.mark.parametrize("how", ["sharpened", "contrast", "moved"])
def test_what_phones_do_to_a_photo(how: str) -> None:
    """Sharpening, a tone curve other than sRGB's, 5 pixels of movement: a coloured card stays within its deviations."""
    _, photo = photo_with(replace(BLUE, turn_deg=1.5), tilt_deg=3.0, blur_px=0.9, noise=1.5)
    found, pixels = sight(photo), photo.pixels_bgr
    if how == "sharpened":
        soft = cv2.GaussianBlur(pixels, (0, 0), 1.2).astype(np.float32)
        pixels = np.asarray(np.clip(pixels + 0.8 * (pixels - soft), 0, 255), np.uint8)
    elif how == "contrast":
        value = np.arange(256) / 255
        curve = 0.5 * (value + 3 * value**2 - 2 * value**3)
        pixels = np.asarray(cv2.LUT(pixels, (255 * curve + 0.5).astype(np.uint8)), np.uint8)
    else:
        pixels = np.asarray(cv2.filter2D(pixels, -1, np.full((1, 5), 0.2, np.float32)), np.uint8)
    reading = find_card(pixels, found)
    errors = relative_errors(reading, PrintScale())
    assert np.abs(errors).max() < 2e-3
    assert (np.abs(errors) * CARD_MM < 2.4 * np.array([reading.width_sd_mm, reading.height_sd_mm])).all()


def test_another_way_of_measuring_agrees() -> None:
    """OpenCV's smallest rectangle round the dark pixels of a square view: good to a fifth of a millimetre."""
    _, photo = photo_with(replace(GREEN, turn_deg=3.0))
    found = sight(photo)
    reading = find_card(photo.pixels_bgr, found)
    view = View(reading.corners_mm.mean(axis=0) - [50.0, 34.0], np.array([1.0, 0.0]), (100.0, 68.0), 10.0, 0.76)
    red = rectify(photo.pixels_bgr, found.camera, view)[..., 2]
    mask = cv2.morphologyEx((red < 160).astype(np.uint8), cv2.MORPH_OPEN, np.ones((15, 15), np.uint8))
    _, sizes, _ = cv2.minAreaRect(cv2.findNonZero(mask))
    longer, shorter = sorted(((side + 1) / 10 for side in sizes), reverse=True)
    assert longer == pytest.approx(reading.width_mm, abs=0.2)
    assert shorter == pytest.approx(reading.height_mm, abs=0.2)


def test_the_tolerance_of_cards() -> None:
    """ISO/IEC 7810 (from memory): 85.47 to 85.72 by 53.92 to 54.03 mm. By hand a quarter of that: 0.07 and 0.05 %."""
    np.testing.assert_allclose(np.array(CARD_SD_MM) / CARD_MM, [0.00073, 0.00051], atol=5e-6)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_sample_photos_have_no_card(number: int) -> None:
    """Hands lie on the mat, the card's place is empty or under an arm."""
    photo = read_photo(Path(__file__).parent.parent / "samples" / f"rest_{number}.jpg")
    assert look_for_card(photo.pixels_bgr, sight(photo)) is None


CAMERA = camera_over()


@pytest.fixture(scope="module")
def plain() -> Picture:
    return picture_of("a3", CAMERA)


def patched(picture: Picture, corners_mm: FloatArray, colour: tuple[int, int, int] = (120, 150, 200)) -> Picture:
    """Return the picture with a patch of even colour, skin by default, its edge blurred."""
    pixels = CAMERA.project(np.column_stack([corners_mm, np.zeros(len(corners_mm))]))
    cover = np.zeros(picture.shape[:2], np.float32)
    cv2.fillPoly(cover, [np.rint(pixels).astype(np.int32)], 1.0)
    cover = cv2.GaussianBlur(cover, (0, 0), 1.0)[..., None]
    return np.asarray(picture * (1 - cover) + np.array(colour) * cover + 0.5, np.uint8)


def oval(x: float, y: float, across: float, down: float) -> FloatArray:
    turn = np.linspace(0, 2 * np.pi, 60)
    return np.column_stack([x + across * np.cos(turn), y + down * np.sin(turn)])


def raised(*, at: Callable[[FloatArray], FloatArray]) -> DrawnCard:
    return replace(BLUE, turn_deg=2.0, raised=lambda points: 0.76 + at(points))


@pytest.mark.parametrize(
    ("card", "reason"),
    [
        (None, "No card"),
        (replace(LIGHT, colour=(0.99, 0.99, 0.99), wall=(0.8, 0.8, 0.8)), "as light as the paper"),
        (raised(at=lambda p: 3 * (p[:, 0] / 85.6 + 0.5)), "does not lie flat: its far and near"),
        (raised(at=lambda p: 3 * (0.5 - p[:, 1] / 53.98)), "does not lie flat: its right and left"),
        (raised(at=lambda p: 3 * (1 - (p[:, 0] / 42.8) ** 2)), "does not lie flat: its far edge is bowed"),
        (raised(at=lambda p: 3 * (p[:, 1] / 27.0) ** 2), "does not lie flat: its .* edge is bowed"),
        (replace(BLUE, size_mm=(90.0, 55.0), radius_mm=0.5), "no bank-card-sized card"),
        (replace(BLUE, size_mm=(85.0, 55.0), radius_mm=0.5), "no bank-card-sized card"),
        (replace(BLUE, turn_deg=90.0), "four edges"),
    ],
    ids=["empty", "white", "on a pen", "on a pen, far side", "arched", "cupped", "90 x 55", "85 x 55", "upright"],
)
def test_what_is_no_flat_card_is_refused(card: DrawnCard | None, reason: str, plain: Picture) -> None:
    picture = plain if card is None else with_card(plain, "a3", CAMERA, card)
    photo = photo_from(picture)
    found = sight(photo)
    with pytest.raises(PhotoError, match=reason):
        find_card(photo.pixels_bgr, found)
    assert look_for_card(photo.pixels_bgr, found) is None


@pytest.mark.parametrize(
    ("corners", "card"),
    [
        (oval(250.0, 75.0, 45.0, 50.0), True),
        (oval(255.0, 90.0, 25.0, 25.0), True),
        (oval(215.0, 70.0, 50.0, 40.0), False),
        (np.array([(180.0, 20.0), (240.0, 25.0), (250.0, 150.0), (170.0, 150.0)]), False),
        (np.array([(165.0, 36.0), (254.0, 30.0), (252.0, 90.0), (167.0, 92.0)]), False),
        (np.array([(120.0, 27.0), (300.0, 27.0), (300.0, 150.0), (120.0, 150.0)]), False),
    ],
    ids=["half hidden", "corner hidden", "hand", "forearm", "nearly a rectangle", "sleeve over all"],
)
def test_skin_is_no_card(corners: FloatArray, card: bool, plain: Picture) -> None:
    picture = with_card(plain, "a3", CAMERA, BLUE) if card else np.repeat(plain[..., None], 3, axis=2)
    photo = photo_from(patched(picture, corners))
    found = sight(photo)
    with pytest.raises(PhotoError):
        find_card(photo.pixels_bgr, found)
    assert look_for_card(photo.pixels_bgr, found) is None


def test_bent_paper() -> None:
    """An arch of 4 mm: the sighting measures it, but a stiff card does not follow it."""

    def arch(points: FloatArray) -> FloatArray:
        return np.asarray(4 * np.sin(np.pi * np.clip(points[:, 0] / 420, 0, 1)), dtype=np.float64)

    photo = photo_from(picture_of("a3", CAMERA, bend=arch))
    with pytest.raises(PhotoError, match="only where the paper lies flat"):
        find_card(photo.pixels_bgr, sight(photo))


def test_a_place_outside_the_picture() -> None:
    """The far part of the mat is cut off."""
    size = (SIZE[0], 1000)
    camera = camera_over((210.0, 190.0), tilt_deg=0.0, size=size)
    photo = photo_from(picture_of("a3", camera, size), focal_px=FOCAL_PX)
    with pytest.raises(PhotoError, match="not wholly in the picture"):
        find_card(photo.pixels_bgr, sight(photo))
