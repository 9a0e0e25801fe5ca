"""Several views of one placement: bundle adjustment on simulated sights, and what is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers_rest import PLACES, contact, posture, source
from helpers_sighting import SIZE, camera_over
from numpy.typing import NDArray
from scipy.stats import chi2

from handcapture.camera import Camera, at_height_covariance
from handcapture.capture import Capture
from handcapture.errors import InputError, PhotoError
from handcapture.hands.fingertips import CONTACT_RAY_HEIGHT_MM
from handcapture.mat.geometry import MATS
from handcapture.mat.print_scale import PrintScale
from handcapture.mat.saddles import Observed, saddles_of
from handcapture.mat.sighting import SheetSighting, Sighting
from handcapture.mat.solve import Prior, solve
from handcapture.placement import Placement
from handcapture.quality import PhotoQuality
from handcapture.views import _Problem, _sights, join_views

FloatArray = NDArray[np.float64]
MAT = MATS["a3"]
SCALE = PrintScale(relative_sd=1e-9, source="test")
VIEWS = (
    {"tilt_deg": 4.0},
    {"tilt_deg": 22.0, "towards_deg": 60.0},
    {"tilt_deg": 18.0, "towards_deg": 250.0},
    {"tilt_deg": 15.0, "towards_deg": 160.0},
)


def sighting_of(camera: Camera, rng: np.random.Generator) -> Sighting:
    """A sighting solved from simulated saddles with 0.1 px of noise."""
    saddles = saddles_of(MAT.sheets[0])
    flat = np.column_stack([saddles.points_mm, np.zeros(len(saddles.points_mm))])
    pixels = camera.project(flat) + rng.normal(0, 0.1, (len(flat), 2))
    marks = Observed(np.zeros(len(flat), np.intp), saddles.points_mm, pixels, saddles.is_dot)
    prior = Prior.of(SIZE, 1350.0, 0.03)
    solution = solve(marks, camera, np.zeros((1, 3)), prior, SCALE)
    sheet = SheetSighting(MAT.sheets[0], np.zeros(2), 0.0, SCALE, len(flat), len(flat))
    return Sighting(
        MAT,
        solution.camera,
        solution.camera_covariance,
        SCALE,
        (sheet,),
        SIZE,
        0.1,
        0.3,
        0.3,
        len(flat),
        len(flat),
        0.05,
        0.1,
        marks,
        solution.noise_px,
        1350.0,
        0.03,
    )


def capture_of(
    number: int,
    view: dict[str, float],
    rng: np.random.Generator,
    own: FloatArray,
    shift: tuple[float, float] = (0.0, 0.0),
    hidden: tuple[str, str] | None = None,
) -> Capture:
    """A capture whose fingertips are off by a draw from `own`, as seen by a camera of its own."""
    sighting = sighting_of(camera_over(**view), rng)  # type: ignore[arg-type]
    contacts = []
    for (side, finger), place in PLACES.items():
        # The camera's own error moves the contact as well: what is right is the pixel.
        true = camera_over(**view).project(np.array([[*np.add(place, shift), CONTACT_RAY_HEIGHT_MM]]))  # type: ignore[arg-type]
        at = sighting.camera.at_height(true, CONTACT_RAY_HEIGHT_MM)[0] + rng.multivariate_normal([0, 0], own)
        camera = at_height_covariance(sighting.camera, sighting.parameter_covariance, true, CONTACT_RAY_HEIGHT_MM)[0]
        contacts.append(contact(side, finger, at, own + camera, hidden=(side, finger) == hidden))
    placement = Placement(tuple(contacts), (posture("left"), posture("right")), (source(number),))
    return Capture(sighting, placement, PhotoQuality((), "good", "good", ()))


def captures(count: int, seed: int = 0, **fields: object) -> list[Capture]:
    rng = np.random.default_rng(seed)
    own = np.array([[0.6, 0.1], [0.1, 1.0]])
    return [capture_of(k, VIEWS[k], rng, own, **fields) for k in range(count)]  # type: ignore[arg-type]


def test_the_sparse_derivatives_against_differences() -> None:
    views = captures(2)
    keys = list(PLACES)
    problem = _Problem([c.sighting for c in views], _sights(views, keys))
    vector = problem.start()
    vector[problem.first_tip :] += np.tile((0.2, -0.1, 0.3), len(keys))
    matrix = problem.jacobian(vector).toarray()
    steps = np.tile([1e-6, 1e-3, 1e-3, 1e-6, 1e-7, 1e-7, 1e-7, 1e-4, 1e-4, 1e-4], 2)
    for k, step in enumerate(np.concatenate([steps, np.full(len(vector) - 20, 1e-4)])):
        move = np.eye(len(vector))[k] * step
        expected = (problem.residuals(vector + move) - problem.residuals(vector - move)) / (2 * step)
        np.testing.assert_allclose(matrix[:, k], expected, atol=2e-4 * max(1.0, float(np.abs(expected).max())))


def test_joint_regions_hold_and_more_views_are_better() -> None:
    """Simulation with independent errors: regions hold the truth, and the error falls with the views."""
    rms = {}
    for count in (2, 4):
        squares, inside = [], []
        for seed in range(12):
            for found in join_views(captures(count, seed)).contacts:
                off = found.contact_mm - PLACES[found.side, found.finger]
                squares.append(float(off @ off))
                inside.append(off @ np.linalg.solve(found.covariance_mm2, off) < chi2.ppf(0.95, 2))
        rms[count] = np.sqrt(np.mean(squares))
        assert np.mean(inside) > 0.93
    single = np.sqrt(1.6)
    assert rms[2] < 0.85 * single
    assert rms[4] < 0.85 * rms[2]


def test_a_tip_hidden_in_one_view_is_seen_by_the_others() -> None:
    rng = np.random.default_rng(1)
    own = np.eye(2) * 0.2
    views = [capture_of(0, VIEWS[0], rng, own, hidden=("left", "little")), capture_of(1, VIEWS[1], rng, own)]
    joined = {(c.side, c.finger): c for c in join_views(views).contacts}
    little = joined["left", "little"]
    assert not little.hidden
    assert np.hypot(*(little.contact_mm - PLACES["left", "little"])) < 2.0
    assert np.trace(little.covariance_mm2) > np.trace(joined["left", "ring"].covariance_mm2)


def test_refusals() -> None:
    one, two = captures(2)
    with pytest.raises(InputError, match="1 photo was given"):
        join_views([one])
    with pytest.raises(InputError, match="5 photos were given"):
        join_views([one] * 5)
    with pytest.raises(InputError, match="same photo"):
        join_views([one, one])
    other = replace(two, placement=replace(two.placement, sources=(source(7, "tabloid"),)))
    with pytest.raises(InputError, match="different mats"):
        join_views([one, other])
    rng = np.random.default_rng(3)
    moved = capture_of(1, VIEWS[1], rng, np.eye(2) * 0.2, shift=(3.0, -2.0))
    with pytest.raises(PhotoError, match=r"photo_1\.jpg: the left hand lies \d mm elsewhere than in photo_0\.jpg"):
        join_views([one, moved])


def test_views_of_different_print_scales_are_refused() -> None:
    one, other = captures(2)
    source_ = replace(other.placement.sources[0], print_scale=(1.004, 1.004))
    other = replace(other, placement=replace(other.placement, sources=(source_,)))
    with pytest.raises(InputError, match="different print scales"):
        join_views([one, other])
