from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from helpers_sighting import DrawnBoard, camera_over, compressed, photo_from, picture_of, with_board
from hypothesis import given, settings
from hypothesis import strategies as st

from handcapture.errors import InputError, PhotoError
from handcapture.layout import measured
from handcapture.layout.measured import MeasuredHole, MeasuredPanel, as_drawing, measure_holes
from handcapture.mat.geometry import MATS
from handcapture.mat.print_scale import PrintScale
from handcapture.mat.sighting import Sighting, sight
from handcapture.photo import Photo, read_photo
from handcapture.rectify import View, rectify

SAMPLES = Path(__file__).parents[1] / "samples"
SURE = PrintScale(relative_sd=1e-4)
# An invented panel: two bent rows, 24 mm and 30 mm.
HOLES = tuple((90 + 34.0 * i, 110 + 6 * np.sin(i) + 40 * j, (24.0, 30.0)[j]) for j in range(2) for i in range(7))
BOX = (60.0, 75.0, 340.0, 195.0)


def _board(thickness_mm: float, **how: object) -> DrawnBoard:
    return DrawnBoard(BOX, HOLES, thickness_mm, **how)  # type: ignore[arg-type]


SCENES = {
    "grey, 3 mm, tilted by 8": (camera_over(), _board(3.0)),
    "brown, its wall as light, tilted by 20": (camera_over(tilt_deg=20), _board(3.0, light=0.3, wall=0.28)),
    "black, seen squarely": (camera_over(tilt_deg=0), _board(3.0, light=0.03, wall=0.01)),
    "white, hard shadow": (camera_over(tilt_deg=10), _board(3.0, light=0.9, wall=0.5, thrown_mm=(1.5, 1.0))),
    "grey over a dark table": (camera_over(tilt_deg=10), _board(3.0, light=0.35, wall=0.2, floor=0.1)),
    "print with holes": (camera_over(tilt_deg=10, k1=0.05), _board(0.2, light=0.9, wall=0.5, floor=0.1)),
    "thick, tilted by 20": (camera_over(tilt_deg=20), _board(18.0, light=0.4, wall=0.15)),
    "brown, 5 mm, shadow, turned": (
        camera_over(tilt_deg=10, towards_deg=200, turn_deg=90, height_mm=560),
        _board(5.0, light=0.25, wall=0.15, thrown_mm=(-1.0, 1.5)),
    ),
    "two cables": (
        camera_over(tilt_deg=0, turn_deg=20),
        _board(3.0, light=0.2, wall=0.1, cables=((70, 100, 330, 140, 4), (150, 70, 180, 200, 5))),
    ),
    "caps": (camera_over(tilt_deg=10), _board(5.0, light=0.4, wall=0.05, floor=0.02, caps=True)),
}


@cache
def _scene(name: str) -> tuple[Photo, Sighting, DrawnBoard]:
    camera, board = SCENES[name]
    picture = with_board(picture_of("a3", camera), camera, board)
    photo = compressed(photo_from(picture, seed=len(name)))
    return photo, sight(photo, "a3", SURE), board


@cache
def _measured(name: str) -> MeasuredPanel:
    photo, sighting, board = _scene(name)
    kind = "caps" if board.caps else "holes"
    depth = board.thickness_mm if board.caps else None
    return measure_holes(photo, sighting, board.thickness_mm, height_sd_mm=0.0, kind=kind, depth_mm=depth)


def _pairs(found: MeasuredPanel, board: DrawnBoard) -> list[tuple[MeasuredHole, np.ndarray, float]]:
    """Each hole found, with its errors of place and diameter; none may be found twice."""
    known = np.array(board.holes_mm)
    pairs, taken = [], set()
    for hole in found.holes:
        k = int(np.linalg.norm(known[:, :2] - hole.centre_mm, axis=1).argmin())
        assert k not in taken
        taken.add(k)
        pairs.append((hole, hole.centre_mm - known[k, :2], hole.diameter_mm - known[k, 2]))
    return pairs


@pytest.mark.parametrize("name", SCENES)
def test_holes_are_where_they_were_drawn(name: str) -> None:
    found = _measured(name)
    pairs = _pairs(found, SCENES[name][1])
    assert len(pairs) == len(HOLES)
    assert not found.others
    miss = np.array([np.linalg.norm(off) for _, off, _ in pairs])
    assert miss.max() < 0.3
    assert (miss < 0.2).mean() >= 0.95
    assert max(abs(wider) for _, _, wider in pairs) < 0.3


def test_stated_covariance_holds_over_all_scenes() -> None:
    chi, strain = [], []
    for name in SCENES:
        for hole, off, wider in _pairs(_measured(name), SCENES[name][1]):
            chi.append(float(off @ np.linalg.solve(hole.covariance_mm2, off)))
            strain.append(wider / hole.diameter_sd_mm)
    # Chi-square of two degrees of freedom has mean 2 and a 99 % point of 9.21 (tables, e.g. NIST/SEMATECH).
    assert 0.1 < np.mean(chi) < 2.5
    assert (np.array(chi) > 9.21).mean() < 0.03
    assert np.sqrt(np.mean(np.square(strain))) < 1.3
    assert np.sqrt(np.mean([np.trace(h.covariance_mm2) / 2 for n in SCENES for h in _measured(n).holes])) < 0.1


def test_repeated_noise_scatters_within_what_is_stated() -> None:
    camera, board = SCENES["grey, 3 mm, tilted by 8"]
    _, sighting, _ = _scene("grey, 3 mm, tilted by 8")
    picture = with_board(picture_of("a3", camera), camera, board)
    known = replace(sighting, parameter_covariance=np.zeros((10, 10)), crosscheck_mm=0.0, print_scale=SURE)
    runs = [
        measure_holes(compressed(photo_from(picture, seed=100 + k)), known, 3.0, height_sd_mm=0.0) for k in range(5)
    ]
    centres = np.array([[hole.centre_mm for hole in run.holes] for run in runs])
    diameters = np.array([[hole.diameter_mm for hole in run.holes] for run in runs])
    assert centres.shape == (5, 14, 2)
    stated = np.mean([[np.trace(hole.covariance_mm2) / 2 for hole in run.holes] for run in runs])
    assert 1e-6 < centres.var(axis=0, ddof=1).mean() < 1.3 * stated
    stated = np.mean([[hole.diameter_sd_mm**2 for hole in run.holes] for run in runs])
    assert 1e-6 < diameters.var(axis=0, ddof=1).mean() < 1.3 * stated


def test_what_is_covered_costs_coverage() -> None:
    found = _measured("two cables")
    assert min(hole.coverage for hole in found.holes) < 0.85 < max(hole.coverage for hole in found.holes)
    assert "hidden" in " ".join(found.notes)


def test_a_rim_that_is_more_than_half_hidden_is_left_out() -> None:
    camera = camera_over(tilt_deg=5)
    x, y, _ = HOLES[3]
    board = replace(_board(3.0), cables=((x - 50, y + 3.0, x + 50, y + 3.0, 16.0),))
    photo = photo_from(with_board(picture_of("a3", camera), camera, board))
    found = measure_holes(photo, sight(photo, "a3"), 3.0)
    far = [np.hypot(*(hole.centre_mm - [x, y])) for hole in found.holes]
    assert min(far) > 5.0
    assert len(found.holes) >= 10


def test_a_floor_as_light_as_the_panel_is_told_as_unsure() -> None:
    camera = camera_over(tilt_deg=0, turn_deg=20)
    board = _board(3.0, light=0.4, wall=0.15, thrown_mm=(0.8, -0.6))  # white paper in the shadow is as light
    photo = compressed(photo_from(with_board(picture_of("a3", camera), camera, board)))
    found = measure_holes(photo, sight(photo, "a3", SURE), 3.0, height_sd_mm=0.0)
    pairs = _pairs(found, board)
    chi = np.array([off @ np.linalg.solve(hole.covariance_mm2, off) for hole, off, _ in pairs])
    assert np.mean(chi) < 5.0
    worst = max(pairs, key=lambda pair: float(np.linalg.norm(pair[1])))
    assert np.linalg.norm(worst[1]) > 0.2  # else this scene shows nothing
    assert np.sqrt(np.trace(worst[0].covariance_mm2) / 2) > 0.1
    assert "round" in " ".join(found.notes)


def test_brown_board_in_a_hard_shadow_is_told_by_its_colour() -> None:
    camera, colour = camera_over(tilt_deg=12), (0.12, 0.3, 0.42)  # linear B, G, R of cardboard, from memory
    board = _board(5.0, thrown_mm=(1.2, 0.9))
    picture = picture_of("a3", camera)
    layers = [with_board(picture, camera, replace(board, light=share, wall=share / 2)) for share in colour]
    photo = compressed(photo_from(np.dstack(layers)))
    found = measure_holes(photo, sight(photo, "a3", SURE), 5.0, height_sd_mm=0.0)
    pairs = _pairs(found, board)
    assert len(pairs) >= len(HOLES) - 2
    assert len(pairs) == len(HOLES) or "could not be measured" in " ".join(found.notes)
    assert max(np.linalg.norm(off) for _, off, _ in pairs) < 0.25
    assert max(abs(wider) for _, _, wider in pairs) < 0.35


def test_a_wrong_height_moves_holes_as_similar_triangles_have_it() -> None:
    photo, sighting, board = _scene("grey, 3 mm, tilted by 8")
    low, high = (measure_holes(photo, sighting, h, height_sd_mm=0.5, depth_mm=3.0) for h in (3.0, 3.5))
    foot, height = sighting.camera.centre_mm[:2], sighting.camera.centre_mm[2]
    for one, other in zip(low.holes, high.holes, strict=True):
        expected = (one.centre_mm - foot) * -0.5 / (height - 3.0)
        assert np.allclose(other.centre_mm - one.centre_mm, expected, atol=0.03)
    # That is one standard deviation here.
    sure = _measured("grey, 3 mm, tilted by 8")
    for hole, other in zip(low.holes, sure.holes, strict=True):
        shift = (hole.centre_mm - foot) * 0.5 / (height - 3.0)
        assert np.allclose(hole.covariance_mm2 - other.covariance_mm2, np.outer(shift, shift), atol=0.004)
    assert board.thickness_mm == 3.0


def test_print_scale_enters_the_covariance() -> None:
    photo, sighting, _ = _scene("print with holes")
    unsure = replace(sighting, print_scale=PrintScale(relative_sd=0.003))
    a, b = measure_holes(photo, sighting, 0.2).holes, measure_holes(photo, unsure, 0.2).holes
    for one, other in zip(a, b, strict=True):
        grown = other.covariance_mm2 - one.covariance_mm2
        reach = (one.centre_mm - np.array(MATS["a3"].size_mm) / 2) * 0.003
        assert np.allclose(np.diag(grown), reach**2, rtol=0.01, atol=1e-6)
        assert other.diameter_sd_mm > one.diameter_sd_mm


def test_agrees_with_ellipses_that_opencv_fits() -> None:
    """OpenCV's contours and `fitEllipse` as an independent reference, on a print whose holes are plainly dark."""
    photo, sighting, _ = _scene("print with holes")
    view = View(np.array([50.0, 65.0]), np.array([1.0, 0.0]), (300.0, 140.0), 12.0, 0.2)
    grey = cv2.cvtColor(rectify(photo.pixels_bgr, sighting.camera, view), cv2.COLOR_BGR2GRAY)
    light = np.where(grey / 255 <= 0.04045, grey / 255 / 12.92, ((grey / 255 + 0.055) / 1.055) ** 2.4)
    dark = (light < (np.percentile(light, 5) + np.percentile(light, 90)) / 2).astype(np.uint8)
    contours, _ = cv2.findContours(dark, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    ellipses = [cv2.fitEllipse(c) for c in contours if len(c) > 600]
    centres = view.to_mat((np.array([e[0] for e in ellipses]) + 0.5) / 12.0)
    for hole in _measured("print with holes").holes:
        apart = np.linalg.norm(centres - hole.centre_mm, axis=1)
        k = int(apart.argmin())
        assert apart[k] < 0.1
        # A contour runs through the middles of the outermost dark pixels, so a diameter lacks one pixel.
        assert np.mean(ellipses[k][1]) / 12.0 + 1 / 12.0 == pytest.approx(hole.diameter_mm, abs=0.15)


def test_other_diameters_are_told_apart() -> None:
    photo, sighting, _ = _scene("print with holes")
    found = measure_holes(photo, sighting, 0.2, expected_mm=(24.0,), tolerance_mm=1.0)
    assert len(found.holes) == 7
    assert [round(hole.diameter_mm) for hole in found.others] == [30] * 7
    assert "30.0 mm" in " ".join(found.notes)
    with pytest.raises(PhotoError, match=r"circles of .*30\.0"):
        measure_holes(photo, sighting, 0.2, expected_mm=(40.0,), tolerance_mm=1.0)


@pytest.mark.parametrize("name", MATS)
def test_bare_mat_has_no_hole(name: str) -> None:
    width, height = MATS[name].size_mm
    camera = camera_over((width / 2, height / 2), height_mm=1.05 * max(0.75 * width, height))
    photo = compressed(photo_from(picture_of(name, camera)))
    sighting = sight(photo, name)
    for height_mm, expected in ((0.0, (24.0, 30.0)), (3.0, (10.0, 16.0, 20.0)), (12.0, (24.0, 30.0, 40.0))):
        with pytest.raises(PhotoError, match="no round hole") as caught:
            measure_holes(photo, sighting, height_mm, expected)
        assert "There are circles" not in str(caught.value)


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("rest_*.jpg")), ids=lambda path: path.stem)
def test_hands_are_no_holes(path: Path) -> None:
    photo = read_photo(path)
    with pytest.raises(PhotoError, match="no round hole"):
        measure_holes(photo, sight(photo), 3.0)


def test_drawing_starts_at_the_holes() -> None:
    found = _measured("grey, 3 mm, tilted by 8")
    drawing = as_drawing(found)
    assert drawing.outline is None
    assert len(drawing.holes) == len(found.holes)
    lows = np.array([np.array(hole.centre_mm) - hole.diameter_mm / 2 for hole in drawing.holes]).min(axis=0)
    assert np.allclose(lows, 0.0, atol=1e-9)
    first, last = found.holes[0], found.holes[-1]
    between = np.subtract(drawing.holes[-1].centre_mm, drawing.holes[0].centre_mm)
    assert np.allclose(between, last.centre_mm - first.centre_mm)


@pytest.mark.parametrize(
    ("how", "sentence"),
    [
        ({"height_mm": -1.0}, "thickness of 0 to 100"),
        ({"height_mm": 101.0}, "thickness of 0 to 100"),
        ({"height_mm": float("nan")}, "thickness of 0 to 100"),
        ({"height_mm": 3.0, "expected_mm": ()}, "Give one or more"),
        ({"height_mm": 3.0, "expected_mm": (4.0,)}, "must be 8 to 80 mm, not 4"),
        ({"height_mm": 3.0, "tolerance_mm": 0.0}, "tolerance"),
        ({"height_mm": 3.0, "height_sd_mm": -0.1}, "standard deviation"),
        ({"height_mm": 3.0, "depth_mm": 4.0}, "depth"),
    ],
)
def test_sizes_out_of_range_are_refused(how: dict[str, float], sentence: str) -> None:
    photo, sighting, _ = _scene("grey, 3 mm, tilted by 8")
    with pytest.raises(InputError, match=sentence):
        measure_holes(photo, sighting, **how)  # type: ignore[arg-type]


def test_camera_too_near_is_refused() -> None:
    photo, sighting, _ = _scene("grey, 3 mm, tilted by 8")
    centre = np.array([210.0, 148.5, -120.0])
    rotation = np.eye(3)
    near = replace(sighting, camera=replace(sighting.camera, rotation=rotation, translation_mm=-rotation @ centre))
    with pytest.raises(PhotoError, match="too near"):
        measure_holes(photo, near, 80.0)


@settings(max_examples=40, deadline=None)
@given(
    x=st.floats(60, 360),
    y=st.floats(60, 240),
    radius=st.floats(8, 20),
    height=st.floats(0.5, 20),
    tilt=st.floats(0, 30),
    caps=st.booleans(),
)
def test_walls_are_seen_where_the_camera_sees_them(
    x: float, y: float, radius: float, height: float, tilt: float, caps: bool
) -> None:
    camera = camera_over(tilt_deg=tilt, k1=0.03)
    scene = measured._Scene(np.zeros((1500, 2000, 3), np.uint8), camera, height, height, caps)
    centre = np.array([x, y])
    below, radius_below = scene.lower(centre, radius)
    assert np.allclose(scene.upper(below, radius_below)[0], centre)
    # The far rim, projected into the picture and back onto the upper plane.
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    rim = centre + radius * np.column_stack([np.cos(turn), np.sin(turn)])
    seen = camera.at_height(camera.project(np.c_[rim, np.zeros(720)]), height) - centre
    assert np.allclose(np.linalg.norm(seen + centre - below, axis=1), radius_below, atol=1e-6)
    angles = np.arctan2(seen[:, 1], seen[:, 0])
    width = scene.walls_mm(centre, radius, angles)
    expected = radius - np.linalg.norm(seen, axis=1)
    expected = np.clip(expected, -3.0, 0.0) if caps else np.clip(expected, 0.0, 3.0)
    if np.linalg.norm(below - centre) < 0.9 * radius_below:  # else directions see the far rim twice
        assert np.allclose(width, expected, atol=1e-6)
