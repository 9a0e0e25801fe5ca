"""The palm on the mat: its outline against the silhouette of synthetic hands, heel and wrist against their joints."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import shapely
from helpers_photo import SIZE, hand_layer, layer, photo_of, truth, write_jpeg
from hypothesis import given
from hypothesis import strategies as st

from handcapture.capture import Capture, Networks, capture
from handcapture.hands.palm import OUTLINE_HEIGHT_MM, across
from handcapture.photo import read_photo
from handcapture.placement import HandPosture, Palm
from handcapture.rest import pool
from handcapture.rest_document import read_rest, write_rest

SCENES = ("person_before_02", "more_12")
"""Of shapes that no constant was fitted to; the second has very dark hands."""

# ANSUR II (2012), public release, observed extremes of both sexes, mm (Gordon et al. 2014, NATICK/TR-15/007): palm
# length from the wrist's crease to that of the middle finger.
ANSUR_PALM_LENGTH_MM = (88.0, 140.0)


@pytest.fixture(scope="module")
def networks() -> Iterator[Networks]:
    with Networks() as loaded:
        yield loaded


@pytest.fixture(scope="module", params=SCENES)
def seen(
    request: pytest.FixtureRequest, networks: Networks, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Capture]:
    scene = str(request.param)
    path = tmp_path_factory.mktemp("palm") / f"{scene}.jpg"
    write_jpeg(path, photo_of(layer(scene), scene=scene))
    return scene, capture(read_photo(path), networks)


def palm_of(hand: HandPosture) -> Palm:
    assert hand.palm is not None
    return hand.palm


def test_outline_is_hand(seen: tuple[str, Capture]) -> None:
    """Nearly all of it lies on the layer's own alpha, and it holds what is hand from the wrist to the knuckles."""
    scene, result = seen
    alpha = layer(scene)[..., 3] > 127
    for hand in result.placement.hands:
        palm = palm_of(hand)
        shape = shapely.Polygon(palm.outline_mm)
        assert shape.is_valid
        assert 30 <= len(palm.outline_mm) <= 100
        assert palm.height_mm == OUTLINE_HEIGHT_MM
        left, top, right, bottom = shape.bounds
        grid = np.stack(np.meshgrid(np.arange(left, right, 2.0), np.arange(top, bottom, 2.0)), axis=-1).reshape(-1, 2)
        inside = shapely.contains_xy(shape, grid)
        places = np.c_[grid, np.full(len(grid), palm.height_mm)]
        pixels = np.rint(result.sighting.camera.project(places)).astype(int)
        known = ((pixels >= 0) & (pixels < SIZE)).all(axis=1)
        on_hand = np.zeros(len(grid), np.bool_)
        on_hand[known] = alpha[pixels[known, 1], pixels[known, 0]]
        assert (inside & known & ~on_hand).sum() < 0.03 * inside.sum()
        hull = shapely.contains_xy(shape.convex_hull, grid)
        assert (hull & on_hand & ~inside).sum() < 0.05 * inside.sum()


def test_heel_and_wrist(seen: tuple[str, Capture]) -> None:
    """The bench has 5.5 mm as the heel's 95th percentile (calibration/palm.py)."""
    scene, result = seen
    width, height = result.sighting.mat.size_mm
    for hand in result.placement.hands:
        palm, known = palm_of(hand), truth(scene)["hands"][hand.side]
        joint = np.array(known["wrist_mm"][:2]) * [1, -1] + [width / 2, height / 2]
        elbow = np.array(known["forearm_axis_mm"][0][:2]) * [1, -1] + [width / 2, height / 2]
        assert np.hypot(*(palm.heel_mm - joint)) < 9.0
        np.testing.assert_allclose(palm.wrist_line_mm.mean(axis=0), palm.heel_mm, atol=1e-6)
        assert palm.wrist_line_mm[0, 0] < palm.wrist_line_mm[1, 0]
        # 3 mm within either end there is hand to be seen, 3 mm beyond there is none.
        outwards = (palm.wrist_line_mm - palm.heel_mm) / np.hypot(*(palm.wrist_line_mm - palm.heel_mm).T)[:, None]
        for step, is_hand in ((-3.0, True), (3.0, False)):
            places = np.c_[palm.wrist_line_mm + step * outwards, np.full(2, palm.height_mm)]
            pixels = np.rint(result.sighting.camera.project(places)).astype(int)
            assert (layer(scene)[pixels[:, 1], pixels[:, 0], 3] > 127).tolist() == [is_hand] * 2
        assert palm.forearm is not None
        back = (elbow - joint) / np.hypot(*(elbow - joint))
        assert np.degrees(np.arccos(np.clip(palm.forearm @ back, -1, 1))) < 8.0
        assert palm.forearm_breadth_mm is not None
        assert 35.0 < palm.forearm_breadth_mm < 90.0
        # It ends at the knuckles: not longer than palms are.
        assert -((palm.outline_mm - palm.heel_mm) @ palm.forearm).min() < ANSUR_PALM_LENGTH_MM[1]


def test_mirrored_photo_gives_mirrored_palms(networks: Networks, tmp_path: Path) -> None:
    """One hand alone, and its mirror image laid on the same mat, which is not mirrored."""
    one = hand_layer("right")
    mirrored = np.ascontiguousarray(one[:, ::-1])
    palms = []
    for number, part in enumerate((one, mirrored)):
        path = write_jpeg(tmp_path / f"{number}.jpg", photo_of(part))
        result = capture(read_photo(path), networks, one_handed=True)
        palms.append((result.placement.hands[0].side, palm_of(result.placement.hands[0])))
    (side, palm), (other_side, other) = palms
    assert {side, other_side} == {"left", "right"}
    areas = [shapely.Polygon(p.outline_mm).area for p in (palm, other)]
    assert areas[0] == pytest.approx(areas[1], rel=0.06)
    # The camera does not stand quite in the middle, so the mirror image lies a little elsewhere.
    apart = np.hypot(*np.diff(palm.wrist_line_mm, axis=0)[0]) - np.hypot(*np.diff(other.wrist_line_mm, axis=0)[0])
    assert abs(apart) < 4.0


def test_documents_keep_the_palm(seen: tuple[str, Capture], tmp_path: Path) -> None:
    _, result = seen
    rest = pool([result.placement])
    path = tmp_path / "rest.json"
    write_rest(path, rest)
    again = read_rest(path)
    for hand, read in zip(rest.hands, again.hands, strict=True):
        np.testing.assert_allclose(palm_of(read).outline_mm, palm_of(hand).outline_mm, atol=1e-6)
        np.testing.assert_allclose(palm_of(read).heel_mm, palm_of(hand).heel_mm, atol=1e-6)
    # What an older program wrote has none.
    document = json.loads(path.read_text())
    for hand in document["hands"] + [h for record in document["placement_records"] for h in record["hands"]]:
        del hand["palm"]
    path.write_text(json.dumps(document))
    assert all(hand.palm is None for hand in read_rest(path).hands)


@given(st.floats(-40, 40), st.floats(-25, 25), st.floats(0, 2 * np.pi), st.floats(60, 200))
def test_across_a_circle(x: float, y: float, turn: float, radius: float) -> None:
    """Chords of a circle have a closed form."""
    angles = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    circle = radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    along = np.array([np.cos(turn), np.sin(turn)])
    ends = across(circle, np.array([x, y]), along)
    assert ends is not None
    half = np.sqrt(radius**2 - (x * along[0] + y * along[1]) ** 2)
    assert np.hypot(*(ends[1] - ends[0])) == pytest.approx(2 * half, rel=1e-4)
    np.testing.assert_allclose((ends - [x, y]) @ along, 0.0, atol=1e-6)


def test_across_from_outside() -> None:
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    assert across(square, np.array([20.0, 5.0]), np.array([0.0, 1.0])) is None
    assert across(square, np.array([5.0, 20.0]), np.array([0.0, 1.0])) is None
    ends = across(square, np.array([4.0, 5.0]), np.array([0.0, 1.0]))
    assert ends is not None
    np.testing.assert_allclose(ends, [[10.0, 5.0], [0.0, 5.0]])
