"""The composer of reference photos: true to its truth, the same every time."""

from __future__ import annotations

import io
import json

import cv2
import helpers_calibration  # noqa: F401 - makes calibration/ importable
import numpy as np
import pytest
from compose import Look, compose, jpeg, lay_mat
from PIL import Image
from reference import SCENES, look_of, scene_names

SCENE = SCENES / "scene_03"
QUIET = Look(table_kind="plain", noise=0.0, sharpen=0.0, vignette=0.0)


def test_contacts_in_the_mat_frame_lie_where_the_camera_sees_them() -> None:
    """Worked backwards: the mat's corner (0, 0) is 210 mm left of and 148.5 mm above the table's middle."""
    _, truth = compose(SCENE, lay_mat("a3"), QUIET, shrink=4)
    for hand in truth["hands"].values():
        for finger in hand["fingers"].values():
            x, y = finger["contact_mm"][:2]
            assert finger["contact_mat_mm"] == pytest.approx([x + 210, 148.5 - y], abs=1e-3)


def test_marks_lie_where_the_truth_has_them() -> None:
    """OpenCV's marker detector reads the photo; its corners are compared with the pinhole of the truth."""
    from handcapture.mat.geometry import MATS, marker_dictionary

    photo, truth = compose(SCENE, lay_mat("a3", middle_mm=(5.0, -3.0)), QUIET, shrink=2)
    detector = cv2.aruco.ArucoDetector(marker_dictionary())
    corners, numbers, _ = detector.detectMarkers(photo)
    places = {m.number: np.array(m.corners_mm) for m in MATS["a3"].sheets[0].markers}
    to_table = np.array(truth["sheets"][0]["sheet_to_table"])
    camera, rotation, shift = (np.array(truth[k]) for k in ("K", "R", "t"))
    to_px = camera @ np.c_[rotation[:, 0], rotation[:, 1], shift] @ to_table
    miss = []
    for number, quad in zip(numbers.ravel().tolist(), corners, strict=True):
        if number in places:
            miss.append(cv2.perspectiveTransform(places[number][None], to_px)[0] - quad.reshape(4, 2))
    assert len(miss) > 15
    assert np.median(np.linalg.norm(np.concatenate(miss), axis=1)) < 1.5  # unrefined corners of blurred squares
    assert np.linalg.norm(np.concatenate(miss).mean(axis=0)) < 0.25


def test_same_look_same_photo() -> None:
    one, two = (compose(SCENE, lay_mat("a3"), Look(seed=4), shrink=4)[0] for _ in range(2))
    other = compose(SCENE, lay_mat("a3"), Look(seed=5), shrink=4)[0]
    assert np.array_equal(one, two)
    assert not np.array_equal(one, other)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_stored_turned_and_read_upright(orientation: int, tmp_path: object) -> None:
    """Pillow undoes the orientation."""
    from dataclasses import replace

    photo, truth = compose(SCENE, lay_mat("a3"), QUIET, shrink=4)
    look = replace(QUIET, orientation=orientation, jpeg_quality=95)
    picture = Image.open(io.BytesIO(jpeg(photo, look, truth["focal_35mm"])))
    assert picture.getexif().get_ifd(0x8769)[0xA405] == round(truth["focal_35mm"])
    from PIL import ImageOps

    upright = np.asarray(ImageOps.exif_transpose(picture).convert("RGB"))[..., ::-1]
    assert upright.shape == photo.shape
    assert np.abs(upright.astype(int) - photo).mean() < 3


def test_the_second_sheet_lies_apart_and_turned() -> None:
    papers = lay_mat("a4-pair", gap_mm=2.0, skew_deg=0.5)
    first, second = (paper.to_table() for paper in papers)
    middle = np.linalg.inv(first) @ second @ [105, 148.5, 1]
    assert middle[:2] == pytest.approx([210 + 2.0 + 105, 148.5])
    along = (np.linalg.inv(first) @ second)[:2, 0]
    assert np.degrees(np.arctan2(along[1], along[0])) == pytest.approx(0.5)


def test_looks_are_varied_and_fixed() -> None:
    looks = [look_of(name, "a3") for name in scene_names()]
    assert looks == [look_of(name, "a3") for name in scene_names()]
    assert len({(look.table_bgr, look.table_kind, look.orientation) for look in looks}) > 20


def test_the_scenes_are_complete() -> None:
    assert len(scene_names()) == 59
    for name in scene_names():
        truth = json.loads((SCENES / name / "truth.json").read_text())
        assert {f for hand in truth["hands"].values() for f in hand["fingers"]} == {
            "thumb",
            "index",
            "middle",
            "ring",
            "little",
        }
