"""The sighting of the mat: known cameras recovered from made photos, with covariances that hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from helpers_sighting import SIZE, FloatArray, Picture, camera_over, grid, misses_mm, photo_from, picture_of

from handcapture.camera import Camera, at_height_covariance
from handcapture.errors import InputError
from handcapture.mat.geometry import MATS
from handcapture.mat.sighting import PrintScale, Sighting, sight
from handcapture.photo import read_photo

SMALL, SMALL_FOCAL_PX = (1280, 960), 860.0


@pytest.fixture(scope="module")
def plain() -> Picture:
    return picture_of("a3", camera_over())


def normalised(found: Sighting, camera: Camera, points: FloatArray, z_mm: float = 0.0) -> FloatArray:
    """Return the squared errors (N,) of mat points over their stated covariances."""
    pixels = camera.project(np.column_stack([points, np.full(len(points), z_mm)]))
    off = found.camera.at_height(pixels, z_mm) - points
    stated = at_height_covariance(found.camera, found.parameter_covariance, pixels, z_mm)
    return np.einsum("ni,nij,nj->n", off, np.linalg.inv(stated), off)


@pytest.mark.parametrize(
    ("mat", "settings"),
    [
        ("a3", {}),
        ("a3", {"tilt_deg": 30.0, "towards_deg": 200.0}),
        ("a3", {"k1": -0.06}),
        ("tabloid", {"middle_mm": (215.9, 139.7)}),
        ("a4", {"middle_mm": (148.5, 105.0), "height_mm": 330.0}),
        ("letter", {"middle_mm": (139.7, 107.95), "height_mm": 330.0}),
        ("letter-pair", {"middle_mm": (215.9, 139.7), "height_mm": 460.0}),
    ],
    ids=["level", "tilted", "bent lens", "tabloid", "a4", "letter", "letter pair"],
)
def test_a_known_camera_is_found(mat: str, settings: dict[str, float]) -> None:
    camera = camera_over(**settings)  # type: ignore[arg-type]
    found = sight(photo_from(picture_of(mat, camera)))
    assert found.mat.name == mat
    assert found.corners_used > 0.9 * sum(len(s.ring_saddles_mm) + len(s.dots_mm) for s in found.mat.sheets)
    assert found.rms_px < 0.15
    assert found.crosscheck_mm < 0.06
    assert misses_mm(found.camera, camera, grid(mat)).max() < 0.03
    assert misses_mm(found.camera, camera, grid(mat), 10.0).max() < 0.2
    assert found.tilt_deg == pytest.approx(camera.tilt_deg, abs=0.6)
    assert found.height_mm == pytest.approx(camera.centre_mm[2], rel=0.02)
    assert found.camera.k1 == pytest.approx(camera.k1, abs=2e-3)
    assert found.mm_per_px == pytest.approx(camera.mm_per_px(np.array(found.mat.size_mm) / 2), rel=1e-3)


@pytest.mark.parametrize("turn_deg", [90.0, 180.0, -90.0, 37.0])
def test_the_mat_may_lie_any_way_round_in_the_picture(turn_deg: float) -> None:
    """A half turn is where the rotation vector folds over: the camera is level to make it exact."""
    camera = camera_over(turn_deg=turn_deg, height_mm=520.0, tilt_deg=0.0)
    found = sight(photo_from(picture_of("a3", camera)))
    assert misses_mm(found.camera, camera, grid("a3")).max() < 0.03
    assert np.mean(normalised(found, camera, grid("a3"))) < 2 * 3


@pytest.mark.parametrize(
    ("how", "turned"),
    [
        (None, lambda x, y: (x, y)),
        (cv2.ROTATE_90_CLOCKWISE, lambda x, y: (SIZE[1] - 1 - y, x)),
        (cv2.ROTATE_180, lambda x, y: (SIZE[0] - 1 - x, SIZE[1] - 1 - y)),
        (cv2.ROTATE_90_COUNTERCLOCKWISE, lambda x, y: (y, SIZE[0] - 1 - x)),
    ],
    ids=["as taken", "clockwise", "upside down", "counter-clockwise"],
)
def test_pixels_turned_in_the_file(
    how: int | None, turned: Callable[[float, float], tuple[float, float]], plain: Picture, tmp_path: Path
) -> None:
    """A file without EXIF, its pixels turned: the mat frame is the paper's, not the picture's."""
    path = tmp_path / "turned.png"
    cv2.imwrite(str(path), plain if how is None else cv2.rotate(plain, how))
    found = sight(read_photo(path))
    x, y = camera_over().project(np.array([[150.0, 120.0, 0.0]]))[0]
    np.testing.assert_allclose(found.camera.at_height(np.array([turned(x, y)]), 0.0), [[150.0, 120.0]], atol=0.02)


def test_sheets_of_a_pair_lie_where_they_lie() -> None:
    """Ten pairs taped askew by chance: gap, shift and skew are found within their stated deviations."""
    rng = np.random.default_rng(4)
    off, errors = [], []
    for _ in range(10):
        x, y, turn_deg = 210 + rng.uniform(-0.5, 4), rng.uniform(-2, 2), rng.uniform(-1.5, 1.5)
        camera = camera_over(height_mm=460.0, tilt_deg=rng.uniform(0, 20), size=SMALL, focal_px=SMALL_FOCAL_PX)
        picture = picture_of("a4-pair", camera, SMALL, [(0.0, 0.0, 0.0), (x, y, turn_deg)])
        found = sight(photo_from(picture, focal_px=SMALL_FOCAL_PX, seed=int(rng.integers(1000))))
        second = found.sheets[1]
        # The middle of the right sheet's left edge, turned about its corner.
        seam = np.array([x, y]) + 148.5 * np.array([-np.sin(np.radians(turn_deg)), np.cos(np.radians(turn_deg))])
        assert second.pose_sd is not None
        told = np.array([second.gap_mm, second.shift_mm, second.skew_deg], dtype=float)
        error = told - [seam[0] - 210.0, seam[1] - 148.5, turn_deg]
        errors.append(error)
        off.append(error / second.pose_sd)
        assert misses_mm(found.camera, camera, grid("a4-pair")).max() < 0.06
    assert (np.abs(errors).max(axis=0) < [0.05, 0.05, 0.02]).all()
    # The mean of 30 squares that are 1 on average.
    assert 0.4 < np.mean(np.square(off)) < 1.7


def test_a_wide_gap_is_told() -> None:
    poses = [(0.0, 0.0, 0.0), (218.0, 0.0, 0.0)]
    camera = camera_over((214.0, 148.5), 470.0, size=SMALL, focal_px=SMALL_FOCAL_PX)
    found = sight(photo_from(picture_of("a4-pair", camera, SMALL, poses), focal_px=SMALL_FOCAL_PX))
    assert any("8.0 mm apart" in note for note in found.notes)


def test_print_scale_by_ruler() -> None:
    """Printed at 97 % with axes half a percent apart, and the ruler says so."""
    true = PrintScale(0.97, 0.975)
    camera, points = camera_over((203.0, 145.0)), grid("a3") * [0.97, 0.975]
    photo = photo_from(picture_of("a3", camera, scale=true))
    found = sight(photo, print_scale=PrintScale.from_rulers(150 * 0.97, 150 * 0.975))
    assert misses_mm(found.camera, camera, points).max() < 0.03
    assert found.print_scale.relative_sd == pytest.approx(0.25 / 150)
    assert found.notes == ()
    unaware = sight(photo)
    assert misses_mm(unaware.camera, camera, points).max() > 2.0
    assert any("not verified" in note for note in unaware.notes)


def test_rulers_that_cannot_be() -> None:
    for bad in ((15.0, 150.0), (150.0, float("nan")), (150.0, 200.0)):
        with pytest.raises(InputError, match="ruler"):
            PrintScale.from_rulers(*bad)


def test_scale_covariance_by_hand() -> None:
    """0.3 % of the way from the middle of A3, (210, 148.5) mm: 0.3 mm at 100 mm, along each axis alone."""
    found = sight(photo_from(picture_of("a3", camera_over(size=SMALL, focal_px=SMALL_FOCAL_PX), SMALL), focal_px=None))
    covariance = found.scale_covariance(np.array([[310.0, 148.5], [210.0, 98.5]]))
    np.testing.assert_allclose(covariance, [[[0.3**2, 0], [0, 0]], [[0, 0], [0, 0.15**2]]], atol=1e-12)


@pytest.mark.parametrize("stretch", [0.003, -0.006])
def test_a_stretched_print_is_told_from_a_photo_taken_squarely(stretch: float) -> None:
    """Nobody measured; the ratio of the axes is seen, and what lies above the mat is not shifted by it."""
    camera = camera_over(tilt_deg=2.0)
    picture = picture_of("a3", camera, scale=PrintScale(1 + stretch / 2, 1 - stretch / 2))
    found = sight(photo_from(picture))
    assert found.print_scale.x / found.print_scale.y - 1 == pytest.approx(stretch, abs=4e-4)
    assert misses_mm(found.camera, camera, grid("a3"), 10.0).max() < 0.15
    assert any("stretched" in note and ("width" if stretch > 0 else "height") in note for note in found.notes)


def test_without_a_focal_length(plain: Picture) -> None:
    """On the mat nothing is lost; above it, the stated covariance grows."""
    camera = camera_over()
    found, informed = sight(photo_from(plain, focal_px=None)), sight(photo_from(plain))
    assert misses_mm(found.camera, camera, grid("a3")).max() < 0.03
    pixels = camera.project(np.column_stack([grid("a3"), np.full(35, 10.0)]))
    loose, firm = (
        at_height_covariance(f.camera, f.parameter_covariance, pixels, 10.0)[:, 0, 0].mean() for f in (found, informed)
    )
    assert loose > 1.2 * firm
    assert (normalised(found, camera, grid("a3"), 10.0) < 13.8).all()


def test_covered_marks_are_left_out(plain: Picture) -> None:
    """Forearms across the bottom, a sleeve on the left, hands within: invented patches of several greys."""
    covered = plain.copy()
    for x, grey in ((600, 150), (1250, 90)):
        cv2.rectangle(covered, (x, 900), (x + 220, 1500), grey, -1)
        cv2.ellipse(covered, (x + 110, 750), (130, 260), 0, 0, 360, grey, -1)
    cv2.rectangle(covered, (300, 500), (450, 800), 60, -1)
    found, whole = sight(photo_from(covered)), sight(photo_from(plain))
    assert found.corners_used < whole.corners_used - 25
    assert misses_mm(found.camera, camera_over(), grid("a3")).max() < 0.05


def test_part_of_a_mat(plain: Picture) -> None:
    """A third of the mat still tells where everything is, and says how surely."""
    part = np.full_like(plain, 110)
    part[:, :560] = plain[:, :560]
    found, whole = sight(photo_from(part)), sight(photo_from(plain))
    assert np.mean(normalised(found, camera_over(), grid("a3")) < 9.2) > 0.8
    far = camera_over().project(np.array([[360.0, 150.0, 0.0]]))
    unsure, sure = (
        np.sqrt(np.trace(at_height_covariance(f.camera, f.parameter_covariance, far, 0.0)[0])) for f in (found, whole)
    )
    assert unsure > 5 * sure


def test_a_small_photo() -> None:
    """Two thirds of a megapixel: less sure, not wrong."""
    size = (960, 720)
    camera = camera_over(size=size, focal_px=650.0)
    found = sight(photo_from(picture_of("a3", camera, size), focal_px=650.0))
    assert misses_mm(found.camera, camera, grid("a3")).max() < 0.15


@pytest.mark.parametrize("z_mm", [0.0, 10.0])
def test_the_covariance_holds(z_mm: float, sightings: list[tuple[Camera, Sighting]]) -> None:
    """Errors of mat points over their stated covariances are chi-square with 2 degrees of freedom: 2 on average.

    The points of one photo err together, so that the mean over 24 photos of some ten unknowns each is worth a
    quarter or so.
    """
    squares = np.array([normalised(found, camera, grid("a3")[::4], z_mm) for camera, found in sightings])
    assert 0.6 < squares.mean() / 2 < 1.6
    assert 0.84 < np.mean(squares < 5.991) < 0.995  # 95 % quantile


@pytest.fixture(scope="module")
def sightings() -> list[tuple[Camera, Sighting]]:
    """Return 24 noisy photos' cameras and sightings; what priors speak of is drawn from the priors."""
    rng = np.random.default_rng(0)
    results = []
    for seed in range(24):
        camera = camera_over(
            height_mm=rng.uniform(420, 500),
            tilt_deg=rng.uniform(0, 25),
            towards_deg=rng.uniform(0, 360),
            turn_deg=rng.uniform(-15, 15),
            k1=rng.normal(0, 0.03),
            focal_px=SMALL_FOCAL_PX,
            size=SMALL,
        )
        centre_px = (np.array(SMALL) - 1) / 2 + rng.normal(0, 0.005 * SMALL[0], 2)
        camera = replace(camera, centre_px=centre_px)
        stated_px = SMALL_FOCAL_PX * float(np.exp(rng.normal(0, 0.03)))
        photo = photo_from(picture_of("a3", camera, SMALL), noise=4.0, seed=seed, focal_px=stated_px)
        results.append((camera, sight(photo)))
    return results


def test_a_sheet_maps_to_the_mat() -> None:
    """By hand: 10 mm right and 20 mm down of the second sheet's corner, that sheet turned a quarter, 1 % too large."""
    camera = camera_over(height_mm=460.0, size=SMALL, focal_px=SMALL_FOCAL_PX)
    found = sight(photo_from(picture_of("a4-pair", camera, SMALL), focal_px=SMALL_FOCAL_PX))
    second = replace(
        found.sheets[1], offset_mm=np.array([210.0, 5.0]), rotation_deg=90.0, print_scale=PrintScale(1.01, 1.01)
    )
    np.testing.assert_allclose(second.to_mat(np.array([[10.0, 20.0]])), [[210 - 20.2, 5 + 10.1]], atol=1e-9)
    assert [s.sheet for s in found.sheets] == list(MATS["a4-pair"].sheets)
    assert sum(s.corners_used for s in found.sheets) == found.corners_used
