"""The sighting of the mat: known cameras recovered, with covariances that hold; and what is refused."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from helpers_sighting import SIZE, Picture, camera_over, grid, misses_mm, photo_from, picture_of

from handcapture.camera import at_height_covariance
from handcapture.errors import InputError, PhotoError
from handcapture.mat.sighting import PrintScale, sight


@pytest.fixture(scope="module")
def plain() -> Picture:
    return picture_of("a3", camera_over())


@pytest.mark.parametrize(
    ("mat", "settings"),
    [
        ("a3", {}),
        ("a3", {"tilt_deg": 30.0, "towards_deg": 200.0}),
        ("a3", {"k1": -0.04}),
        ("tabloid", {"middle_mm": (215.9, 139.7)}),
        ("a4", {"middle_mm": (148.5, 105.0), "height_mm": 330.0}),
        ("letter", {"middle_mm": (139.7, 107.95), "height_mm": 330.0}),
    ],
    ids=["level", "tilted", "bent lens", "tabloid", "a4", "letter"],
)
def test_a_known_camera_is_found(mat: str, settings: dict[str, float]) -> None:
    camera = camera_over(**settings)  # type: ignore[arg-type]
    found = sight(photo_from(picture_of(mat, camera)))
    assert found.mat.name == mat
    assert found.rms_px < 0.2
    assert misses_mm(found.camera, camera, grid(mat)).max() < 0.06
    assert misses_mm(found.camera, camera, grid(mat), 10.0).max() < 0.25
    assert found.tilt_deg == pytest.approx(camera.tilt_deg, abs=0.6)
    assert found.height_mm == pytest.approx(camera.centre_mm[2], rel=0.03)
    assert found.mm_per_px == pytest.approx(camera.mm_per_px(np.array(found.mat.size_mm) / 2), rel=2e-3)


@pytest.mark.parametrize("turn_deg", [90.0, 180.0, -90.0, 37.0])
def test_the_mat_may_lie_any_way_round_in_the_picture(turn_deg: float) -> None:
    camera = camera_over(turn_deg=turn_deg, height_mm=520.0)
    found = sight(photo_from(picture_of("a3", camera)))
    assert misses_mm(found.camera, camera, grid("a3")).max() < 0.08


def test_sheets_of_a_pair_lie_where_they_lie() -> None:
    camera, poses = camera_over(height_mm=460.0), [(0.0, 0.0, 0.0), (213.0, 1.8, 0.7)]
    found = sight(photo_from(picture_of("a4-pair", camera, poses=poses)))
    second = found.sheets[1]
    middle = np.array([0.0, 148.5])
    cos, sin = np.cos(np.radians(0.7)), np.sin(np.radians(0.7))
    seam = np.array([213.0, 1.8]) + np.array([[cos, -sin], [sin, cos]]) @ middle
    assert second.gap_mm == pytest.approx(seam[0] - 210.0, abs=0.08)
    assert second.shift_mm == pytest.approx(seam[1] - 148.5, abs=0.08)
    assert second.skew_deg == pytest.approx(0.7, abs=0.05)
    assert second.pose_sd is not None
    assert max(second.pose_sd[:2]) < 0.2
    assert misses_mm(found.camera, camera, grid("a4-pair")).max() < 0.1


def test_a_wide_gap_is_told() -> None:
    poses = [(0.0, 0.0, 0.0), (218.0, 0.0, 0.0)]
    found = sight(photo_from(picture_of("a4-pair", camera_over(height_mm=470.0), poses=poses)))
    assert any("8.0 mm apart" in note for note in found.notes)


def test_print_scale_by_ruler() -> None:
    """Printed at 97 % with axes half a percent apart, and the ruler says so."""
    true = PrintScale(0.97, 0.975)
    camera = camera_over((203.0, 145.0))
    photo = photo_from(picture_of("a3", camera, scale=true))
    found = sight(photo, print_scale=PrintScale.from_rulers(150 * 0.97, 150 * 0.975))
    assert misses_mm(found.camera, camera, grid("a3") * [0.97, 0.975]).max() < 0.06
    unaware = sight(photo)
    assert misses_mm(unaware.camera, camera, grid("a3") * [0.97, 0.975]).max() > 2.0
    assert any("not verified" in note for note in unaware.notes)
    for bad in ((15.0, 150.0), (150.0, float("nan")), (150.0, 200.0)):
        with pytest.raises(InputError, match="ruler"):
            PrintScale.from_rulers(*bad)


def test_without_a_focal_length(plain: Picture) -> None:
    found = sight(photo_from(plain, focal_px=None))
    assert misses_mm(found.camera, camera_over(), grid("a3")).max() < 0.06


def test_covered_marks_are_left_out(plain: Picture) -> None:
    """Forearms across the bottom, a sleeve on the left: flat patches of several greys."""
    covered = plain.copy()
    for x, grey in ((600, 150), (1250, 90)):
        cv2.rectangle(covered, (x, 900), (x + 220, 1500), grey, -1)
    cv2.rectangle(covered, (300, 500), (450, 800), 60, -1)
    found, whole = sight(photo_from(covered)), sight(photo_from(plain))
    assert found.corners_used < whole.corners_used - 10
    assert misses_mm(found.camera, camera_over(), grid("a3")).max() < 0.08


def test_the_covariance_holds() -> None:
    """Forty noisy photos: errors of mat points over their stated deviations look standard normal."""
    camera, points = camera_over(tilt_deg=12.0, size=(1600, 1200), focal_px=1080.0), grid("a3")[::4]
    picture = picture_of("a3", camera, (1600, 1200))
    pixels = camera.project(np.column_stack([points, np.zeros(len(points))]))
    squares, inside = [], []
    for seed in range(40):
        found = sight(photo_from(picture, noise=6.0, seed=seed, focal_px=1080.0))
        off = found.camera.at_height(pixels, 0.0) - points
        stated = at_height_covariance(found.camera, found.parameter_covariance, pixels, 0.0)
        chi2 = np.einsum("ni,nij,nj->n", off, np.linalg.inv(stated), off)
        squares += chi2.tolist()
        inside += (chi2 < 5.991).tolist()
    assert 0.7 < np.mean(squares) / 2 < 2.2
    assert np.mean(inside) > 0.82


def refused(picture: Picture, mat: str | None = None) -> str:
    with pytest.raises(PhotoError) as caught:
        sight(photo_from(picture), mat)
    text = str(caught.value)
    assert text.startswith("photo.jpg: ")
    assert caught.value.exit_code == 3
    return text


def test_refusals(plain: Picture) -> None:
    assert "no mat was found" in refused(np.full(SIZE[::-1], 120, np.uint8))
    assert "A3" in refused(plain, "a4")
    assert "a3" in refused(plain, "a4").lower()
    assert "mirrored" in refused(np.ascontiguousarray(plain[:, ::-1]))
    assert "blurred" in refused(np.asarray(cv2.GaussianBlur(plain, (0, 0), 16), np.uint8))
    assert "too dark" in refused((plain * 0.05).astype(np.uint8))
    assert "burnt out" in refused(np.clip(plain * 8.0, 0, 255).astype(np.uint8))
    with pytest.raises(InputError, match="a5"):
        sight(photo_from(plain), "a5")


def test_part_of_a_mat(plain: Picture) -> None:
    """A third of the mat still tells where everything is, and says how surely; its left border alone does not."""
    part = np.full_like(plain, 110)
    part[:, :560] = plain[:, :560]
    found = sight(photo_from(part))
    points = grid("a3")
    pixels = camera_over().project(np.column_stack([points, np.zeros(len(points))]))
    off = found.camera.at_height(pixels, 0.0) - points
    stated = at_height_covariance(found.camera, found.parameter_covariance, pixels, 0.0)
    assert np.mean(np.einsum("ni,nij,nj->n", off, np.linalg.inv(stated), off) < 9.2) > 0.8
    part[:, 400:] = 110
    assert "whole mat" in refused(part) or "fills most of the picture" in refused(part)


def test_half_a_pair_is_refused() -> None:
    camera = camera_over(height_mm=460.0)
    picture = picture_of("a4-pair", camera)
    x = round(float(camera.project(np.array([[212.0, 150.0, 0.0]]))[0, 0]))
    picture[:, x:] = 110
    assert "right" in refused(picture)


def test_two_mats_are_refused() -> None:
    wide = camera_over((300.0, 150.0), height_mm=640.0, tilt_deg=0.0)
    one = picture_of("a3", wide)
    other = picture_of("a4", camera_over((-170.0, 150.0), height_mm=640.0, tilt_deg=0.0), table=0)
    both = np.maximum(one, other)
    assert "more than one" in refused(both).lower() or "mats" in refused(both)


@pytest.mark.parametrize("lifted_mm", [8.0, 20.0])
def test_curled_paper_is_refused(lifted_mm: float) -> None:
    """The left edge stands up."""
    curled = picture_of("a3", camera_over(), bend=lambda p: lifted_mm * np.clip(1 - p[:, 0] / 150, 0, 1) ** 2)
    text = refused(curled)
    assert "curled" in text
    assert "Flatten" in text


def test_flat_paper_is_not_called_curled(plain: Picture) -> None:
    assert sight(photo_from(plain)).lift_mm < 0.4
