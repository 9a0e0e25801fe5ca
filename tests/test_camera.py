"""The camera: against worked examples, OpenCV, published data, and simulation."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from helpers_sighting import camera_over
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from handcapture.camera import (
    PARAMETERS,
    Camera,
    at_height_covariance,
    at_height_derivatives,
    projection_derivatives,
)
from handcapture.errors import PhotoError

cameras = st.builds(
    camera_over,
    tilt_deg=st.floats(0, 35),
    towards_deg=st.floats(0, 360),
    turn_deg=st.floats(-180, 180),
    height_mm=st.floats(300, 700),
    k1=st.floats(-0.1, 0.1),
    focal_px=st.floats(900, 3000),
)
POINTS = np.array([(x, y) for x in (60.0, 210.0, 360.0) for y in (60.0, 150.0, 240.0)])


@given(cameras, st.floats(0, 25))
@settings(max_examples=60, deadline=None)
def test_there_and_back(camera: Camera, z: float) -> None:
    pixels = camera.project(np.column_stack([POINTS, np.full(len(POINTS), z)]))
    np.testing.assert_allclose(camera.at_height(pixels, z), POINTS, atol=1e-6)


@given(cameras)
@settings(max_examples=40, deadline=None)
def test_projection_is_opencvs(camera: Camera) -> None:
    """cv2.projectPoints with the same intrinsics; z turned down, as the frame has it."""
    points = np.column_stack([POINTS, np.linspace(0, 20, len(POINTS))])
    matrix = np.array([[camera.focal_px, 0, camera.centre_px[0]], [0, camera.focal_px, camera.centre_px[1]], [0, 0, 1]])
    vector, lens = cv2.Rodrigues(camera.rotation)[0], np.array([camera.k1, 0, 0, 0, 0])
    expected = cv2.projectPoints(points * [1, 1, -1], vector, camera.translation_mm, matrix, lens)[0]
    # OpenCV's rotation vector of a turn below a microradian is off by about as much: some thousandths of a pixel.
    np.testing.assert_allclose(camera.project(points), expected[:, 0], atol=1e-2)


def test_a_homography_worked_by_hand() -> None:
    """H = [[4,2,0],[0,4,0],[0,1,1]] takes the unit square to (0,0) (4,0) (3,2) (1,2), its middle to (2, 4/3).

    Not to (2, 1), where the middle of those corners' bounding box is. The camera that maps so, by hand: its first
    column needs centre x = 2 to be square to the second, equal lengths need f² = y (8 - y) of centre y; y = 4 gives
    f = 4, and K⁻¹H = [[1,0,-1/2],[0,0,-1],[0,1,1]]: it grazes the mat from a height of 1.
    """
    h = np.array([[4.0, 2, 0], [0, 4, 0], [0, 1, 1]])
    rotation = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])
    camera = Camera(4.0, np.array([2.0, 4.0]), 0.0, rotation, np.array([-0.5, -1.0, 1.0]))
    mat = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1], [0.5, 0.5]])
    pixels = np.array([[0.0, 0], [4, 0], [3, 2], [1, 2], [2, 4 / 3]])
    np.testing.assert_allclose(cv2.perspectiveTransform(mat[None], h)[0], pixels, atol=1e-12)
    np.testing.assert_allclose(camera.project(np.column_stack([mat, np.zeros(5)])), pixels, atol=1e-12)
    np.testing.assert_allclose(camera.at_height(pixels, 0.0), mat, atol=1e-12)
    np.testing.assert_allclose(camera.centre_mm, [0.5, -1, 1], atol=1e-12)
    assert camera.tilt_deg == pytest.approx(90.0)


def test_parallax_by_hand() -> None:
    """A point 10 mm up, 150 mm from the foot of a camera 450 mm up, seems 150 * 10 / 440 = 3.41 mm too far out."""
    camera = camera_over((0.0, 0.0), height_mm=450.0, tilt_deg=0.0)
    seen = camera.at_height(camera.project(np.array([[150.0, 0.0, 10.0]])), 0.0)[0]
    assert seen[0] - 150.0 == pytest.approx(150 * 10 / 440)
    np.testing.assert_allclose(camera.centre_mm, [0, 0, 450], atol=1e-9)
    assert camera.tilt_deg == pytest.approx(0.0, abs=1e-6)
    assert camera.mm_per_px(np.zeros(2)) == pytest.approx(450 / camera.focal_px)


def test_zhangs_planar_data() -> None:
    """Zhang's published data (tests/data/zhang_first_rows.json names the source): first rows of three views.

    Published intrinsics, which include a second lens term and skew, leave 0.38 px root mean square on these
    corners. One camera of ours, with one lens term, fitted over the three views must do as well.
    """
    data = json.loads((Path(__file__).parent / "data" / "zhang_first_rows.json").read_text())
    inch = 25.4
    model = np.array(
        [
            [(8 / 9 * k + dx) * inch, dy * inch, 0]
            for k in range(3)
            for dx, dy in ((0, -0.5), (0.5, -0.5), (0.5, 0), (0, 0))
        ]
    )
    seen = [np.array(view["corners_px"]).reshape(-1, 2) for view in data["views"]]
    p = data["published"]
    published = []
    start = [np.log(832.5), 303.959, 206.585, -0.2286]
    for view, pixels in zip(data["views"], seen, strict=True):
        matrix = np.array([[p["alpha"], p["gamma"], p["u0"]], [0, p["beta"], p["v0"]], [0, 0, 1]])
        lens = np.array([p["k1"], p["k2"], 0, 0, 0])
        vector, shift = cv2.Rodrigues(np.array(view["R"]))[0], np.array(view["t_inch"]) * inch
        published.append(cv2.projectPoints(model, vector, shift, matrix, lens)[0][:, 0] - pixels)
        start += [*vector.ravel(), *shift]
    reference = float(np.sqrt((np.concatenate(published) ** 2).sum(axis=1).mean()))
    assert 0.3 < reference < 0.45

    def miss(x: np.ndarray) -> np.ndarray:
        views = [projection_derivatives(np.r_[x[:4], x[4 + 6 * k : 10 + 6 * k]], model)[0] for k in range(3)]
        prior = (x[:4] - start[:4]) / [0.05, 20, 20, 0.1]
        return np.r_[(np.concatenate(views) - np.concatenate(seen)).ravel(), 0.01 * prior]

    fitted = least_squares(miss, np.array(start), x_scale="jac")
    residual = fitted.fun[:72].reshape(-1, 2)
    assert np.sqrt((residual**2).sum(axis=1).mean()) < reference
    # And in millimetres on the plane: handbook figure of the same data, 0.09 to 0.24 mm with the lens corrected.
    for k, pixels in enumerate(seen):
        camera = Camera.from_parameters(np.r_[fitted.x[:4], fitted.x[4 + 6 * k : 10 + 6 * k]])
        off = camera.at_height(pixels, 0.0) - model[:, :2]
        assert np.sqrt((off**2).sum(axis=1).mean()) < 0.24


@given(cameras, st.floats(0, 15))
@settings(max_examples=25, deadline=None)
def test_derivatives_against_differences(camera: Camera, z: float) -> None:
    pixels = camera.project(np.column_stack([POINTS, np.full(len(POINTS), z)]))
    by_parameters, by_pixel, by_height = at_height_derivatives(camera, pixels, z)
    vector = camera.parameters()
    steps = np.array([1e-6, 1e-3, 1e-3, 1e-6, 1e-7, 1e-7, 1e-7, 1e-4, 1e-4, 1e-4])
    for k, step in enumerate(steps):
        move = np.eye(len(PARAMETERS))[k] * step
        ahead, back = (Camera.from_parameters(vector + s * move).at_height(pixels, z) for s in (1, -1))
        expected = (ahead - back) / (2 * step)
        np.testing.assert_allclose(by_parameters[:, :, k], expected, atol=1e-4 * max(1.0, np.abs(expected).max()))
    for k in range(2):
        move = np.eye(2)[k] * 1e-3
        expected = (camera.at_height(pixels + move, z) - camera.at_height(pixels - move, z)) / 2e-3
        np.testing.assert_allclose(by_pixel[:, :, k], expected, atol=1e-6)
    expected = (camera.at_height(pixels, z + 1e-3) - camera.at_height(pixels, z - 1e-3)) / 2e-3
    np.testing.assert_allclose(by_height, expected, atol=1e-6)


def test_propagated_covariance_is_the_simulated_one() -> None:
    """20,000 draws of camera, pixel and height; the predicted ellipse against the empirical one."""
    rng = np.random.default_rng(2)
    camera = camera_over(tilt_deg=15.0, k1=0.02)
    sds = np.array([0.004, 3.0, 3.0, 0.003, 0.001, 0.001, 0.001, 0.4, 0.4, 1.0])
    mixing = rng.normal(size=(10, 10)) * 0.3 + np.eye(10)
    parameter_covariance = np.diag(sds) @ (mixing @ mixing.T / 10) @ np.diag(sds)
    pixel_covariance, z_sd = np.array([[0.3, 0.1], [0.1, 0.2]]), 0.7
    pixel = camera.project(np.array([[300.0, 80.0, 7.0]]))
    predicted = at_height_covariance(camera, parameter_covariance, pixel, 7.0, pixel_covariance, z_sd)[0]
    draws = []
    factor, pixel_factor = np.linalg.cholesky(parameter_covariance), np.linalg.cholesky(pixel_covariance)
    for _ in range(20_000):
        other = Camera.from_parameters(camera.parameters() + factor @ rng.normal(size=10))
        draws.append(other.at_height(pixel + pixel_factor @ rng.normal(size=2), 7.0 + z_sd * rng.normal())[0])
    simulated = np.cov(np.array(draws).T)
    np.testing.assert_allclose(predicted, simulated, rtol=0.05, atol=0.03 * np.trace(simulated))


def test_what_lies_behind_or_beyond_the_horizon_is_refused() -> None:
    camera = camera_over(tilt_deg=60.0, towards_deg=0.0)
    behind = camera.centre_mm + 50 * np.array([0, 0, 1.0])
    with pytest.raises(PhotoError, match="behind the camera"):
        camera.project(behind[None])
    steep = camera_over(tilt_deg=80.0, towards_deg=0.0, focal_px=700.0)
    corners = np.array([[0.0, 0.0], [1999, 0], [0, 1499], [1999, 1499]])
    with pytest.raises(PhotoError):
        steep.at_height(corners, 0.0)
