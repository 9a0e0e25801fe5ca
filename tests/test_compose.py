"""The composer of reference photos: true to its truth, the same every time."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import cv2
import helpers_calibration  # noqa: F401 - makes calibration/ importable
import numpy as np
import pytest
import reference
from compose import PAPER_BLACK, PAPER_WHITE, Look, Orientation, coded, compose, jpeg, lay_mat, linear, printed_sheets
from PIL import Image, ImageOps
from reference import SCENES, composed_photos, look_of, scene_names, sitting

from handcapture.mat.geometry import MATS, marker_dictionary

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
    photo, truth = compose(SCENE, lay_mat("a3", middle_mm=(5.0, -3.0)), QUIET, shrink=2)
    detector = cv2.aruco.ArucoDetector(marker_dictionary())
    corners, numbers, _ = detector.detectMarkers(photo)
    places = {m.number: np.array(m.corners_mm) for m in MATS["a3"].sheets[0].markers}
    to_table = np.array(truth["sheets"][0]["sheet_to_table"])
    camera, rotation, shift = (np.array(truth[k]) for k in ("K", "R", "t"))
    to_px = camera @ np.c_[rotation[:, 0], rotation[:, 1], shift] @ to_table
    miss = []
    for number, quad in zip(map(int, numbers.ravel()), corners, strict=True):
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
def test_stored_turned_and_read_upright(orientation: Orientation) -> None:
    """Pillow undoes the orientation."""
    photo, truth = compose(SCENE, lay_mat("a3"), QUIET, shrink=4)
    look = replace(QUIET, orientation=orientation, jpeg_quality=95)
    picture = Image.open(io.BytesIO(jpeg(photo, look, truth["focal_35mm"])))
    assert picture.getexif().get_ifd(0x8769)[0xA405] == round(truth["focal_35mm"])
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
    assert all(0.85 <= look.exposure <= 1.15 and 80 <= look.jpeg_quality <= 95 for look in looks)


def test_views_share_table_and_mat() -> None:
    assert sitting("scene_03_view2") == sitting("scene_03") != sitting("scene_05")
    tables = {(look.table_bgr, look.table_kind) for look in (look_of(f"person_before_0{k}", "a3") for k in range(4))}
    assert len(tables) == 1


def test_photos_are_kept_until_what_they_are_made_from_changes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another print of the mat makes another folder; a photo that is there is not made again."""
    made: list[tuple[str, str]] = []

    def note(jobs: list[tuple[str, str, Path]]) -> None:
        for mat, name, folder in jobs:
            made.append((mat, name))
            (folder / f"{name}.json").write_text("{}")

    monkeypatch.setattr(reference, "PHOTOS", tmp_path)
    monkeypatch.setattr(reference, "_make_all", note)
    for _ in range(2):
        (photo,) = composed_photos(("a4",), ["scene_00"])
    assert made == [("a4", "scene_00")]
    assert photo.photo.parent.parent == tmp_path
    monkeypatch.setattr(reference, "printed_sheets", lambda mat: (printed_sheets(mat)[0][::-1].copy(),))
    assert next(composed_photos(("a4",), ["scene_00"])).photo.parent != photo.photo.parent
    with pytest.raises(ValueError, match="no scene nowhere"):
        next(composed_photos(("a4",), ["nowhere"]))


def test_light_is_coded_by_the_standard() -> None:
    """IEC 61966-2-1: code 0.5 is 0.214041 of full light, 0.04045 joins the two branches; both ways agree."""
    assert linear([0.0, 0.04045, 0.5, 1.0]) == pytest.approx([0.0, 0.0031308, 0.214041, 1.0], abs=1e-6)
    ramp = np.linspace(0, 1, 101, dtype=np.float32)
    assert coded(linear(ramp)) == pytest.approx(ramp, abs=1e-5)


@pytest.mark.parametrize("mat", ["a3", "letter-pair"])
def test_printed_marks_lie_where_the_geometry_has_them(mat: str) -> None:
    """PDFium renders the PDF; OpenCV finds its saddles to a fifth of a pixel of an eighth of a millimetre."""
    for sheet, picture in zip(MATS[mat].sheets, printed_sheets(mat), strict=True):
        px_per_mm = np.array([picture.shape[1] / sheet.width_mm, picture.shape[0] / sheet.height_mm])
        expected = (sheet.ring_saddles_mm * px_per_mm - 0.5).astype(np.float32)
        stop = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 50, 1e-4)
        found = cv2.cornerSubPix(picture, expected[:, None].copy(), (6, 6), (-1, -1), stop)[:, 0]
        assert np.abs((found - expected) / px_per_mm).max() < 0.025
        assert (picture.min(), picture.max()) == (PAPER_BLACK, PAPER_WHITE)


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
