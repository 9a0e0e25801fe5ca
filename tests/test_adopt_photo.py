"""From a photo of a panel on the mat to a plan, through the command."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from helpers_rest import PLACES, contact, placement, posture, source
from helpers_sighting import DrawnBoard, camera_over, photo_from, picture_of, with_board

from handcapture.cli import main
from handcapture.layout.plan import load_plan
from handcapture.rest import pool
from handcapture.rest_document import write_rest

# An invented panel under the invented hands: a hole for each finger, 24 mm, of the thumbs 30 mm.
HOLES = tuple((x, y, 30.0 if finger == "thumb" else 24.0) for (_, finger), (x, y) in PLACES.items())
BOX = (25.0, 80.0, 395.0, 225.0)
BOARD = DrawnBoard(BOX, HOLES, 3.0, light=0.3, wall=0.15)


@cache
def pixels(tilt_deg: float, caps: bool = False, thickness_mm: float = 3.0) -> bytes:
    """A photo of the board as a JPEG file."""
    camera = camera_over(tilt_deg=tilt_deg)
    board = replace(BOARD, thickness_mm=thickness_mm)
    if caps:
        board = replace(board, caps=True, light=0.5, wall=0.05, floor=0.02)
    photo = photo_from(with_board(picture_of("a3", camera), camera, board), seed=3)
    return cv2.imencode(".jpg", photo.pixels_bgr, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()


def adopted(folder: Path, photo: bytes, *options: str, name: str = "board.jpg") -> Result:
    (folder / name).write_bytes(photo)
    write_rest(folder / "rest.json", pool([placement()]))
    command = ["adopt", str(folder / name), "--rest", str(folder / "rest.json")]
    return CliRunner().invoke(main, [*command, "--output", str(folder / "plan.toml"), "--force", *options])


def misses_mm(folder: Path) -> np.ndarray:
    """How far the plan's holes are from where they were drawn, once both are laid on each other without turning."""
    found = {(b.side, b.finger): np.array(b.was_mm) for b in load_plan(folder / "plan.toml").buttons}
    assert set(found) == set(PLACES)
    off = np.array([found[finger] - place for finger, place in PLACES.items()])
    return np.linalg.norm(off - off.mean(axis=0), axis=1)


@pytest.mark.parametrize("tilt_deg", [2.0, 15.0])
def test_a_photographed_panel_becomes_a_plan(tmp_path: Path, tilt_deg: float) -> None:
    run = adopted(tmp_path, pixels(tilt_deg), "--thickness", "3")
    assert run.exit_code == 0, run.output
    assert misses_mm(tmp_path).max() < 0.3
    diameters = {(b.side, b.finger): b.hole_mm for b in load_plan(tmp_path / "plan.toml").buttons}
    for (side, finger), hole in diameters.items():
        assert hole == pytest.approx(30.0 if finger == "thumb" else 24.0, abs=0.15), side
    assert sum(hole in (24.0, 30.0, None) for hole in diameters.values()) >= 8
    assert "10 buttons of 10 holes in board.jpg" in run.output
    assert run.output.count("± ") + run.output.count("±0") + run.output.count("±1") >= 10
    assert "The print scale was not verified" in run.output


def test_a_ruler_makes_places_surer(tmp_path: Path) -> None:
    known = []
    for options in ([], ["--ruler", "150", "150", "--thickness-sd", "0.05", "--mat", "a3"]):
        run = adopted(tmp_path, pixels(2.0), "--thickness", "3", "--json", *options)
        assert run.exit_code == 0, run.output
        answer = json.loads(run.output)
        assert ("print scale was not verified" in " ".join(answer["notes"])) == (not options)
        known.append(np.array([hole["known_to_mm"] for hole in answer["holes"]]))
    assert (known[1] < known[0]).all()
    # 0.3 % of the 150 to 200 mm from the mat's middle is what an unknown print adds.
    assert 0.5 < known[0].max() < 2.5


def test_caps_are_measured_at_their_tops(tmp_path: Path) -> None:
    photo = pixels(10.0, caps=True, thickness_mm=6.0)
    run = adopted(tmp_path, photo, "--thickness", "0", "--caps", "6")
    assert run.exit_code == 0, run.output
    assert misses_mm(tmp_path).max() < 0.3


def test_a_doubtful_hole_is_refused_or_left_out(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text("kept")
    camera, shadow = camera_over(tilt_deg=0, turn_deg=20), (0.8, -0.6)
    board = replace(BOARD, light=0.4, wall=0.15, thrown_mm=shadow)  # white paper in the shadow is as light
    photo = photo_from(with_board(picture_of("a3", camera), camera, board), seed=3)
    data = cv2.imencode(".png", photo.pixels_bgr)[1].tobytes()
    run = adopted(tmp_path, data, "--thickness", "3", name="board.PNG")
    assert run.exit_code == 3, run.output
    assert "could not be measured" in run.output
    assert "--leave-out goes on" in run.output
    assert (tmp_path / "plan.toml").read_text() == "kept"
    run = adopted(tmp_path, data, "--thickness", "3", "--leave-out", name="board.PNG")
    assert run.exit_code == 0, run.output
    assert 0 < len(load_plan(tmp_path / "plan.toml").buttons) < 10


@pytest.mark.parametrize(
    ("options", "code", "text"),
    [
        ([], 2, "say how thick the panel on the mat is"),
        (["--thickness", "-1"], 2, "Give a thickness of 0 to 100 mm"),
        (["--thickness", "3", "--diameter", "4"], 2, "must be 8 to 80 mm"),
        (["--thickness", "3", "--tolerance", "0"], 2, "tolerance"),
        (["--thickness", "3", "--units", "mm"], 2, "--units is for drawings"),
        (["--thickness", "3", "--layer", "CUT"], 2, "--layer is for drawings"),
        (["--thickness", "3", "--panel", "{folder}/panel.toml"], 2, "does not tell the panel's outline"),
        (["--thickness", "3", "--caps", "4", "--depth", "2"], 2, "Leave one of them out"),
        (["--thickness", "3", "--ruler", "15", "15"], 2, "ruler reading"),
        (["--thickness", "3", "--diameter", "50"], 3, "no round hole of 50 mm"),
        (["--thickness", "3", "--card"], 3, "card"),
    ],
)
def test_what_cannot_be_measured_is_one_sentence(tmp_path: Path, options: list[str], code: int, text: str) -> None:
    (tmp_path / "plan.toml").write_text("kept")
    run = adopted(tmp_path, pixels(2.0), *(option.format(folder=tmp_path) for option in options))
    assert run.exit_code == code, run.output
    assert text in run.output
    assert "Traceback" not in run.output
    assert (tmp_path / "plan.toml").read_text() == "kept"


def test_a_photo_without_mat_and_one_that_is_none(tmp_path: Path) -> None:
    grey = cv2.imencode(".jpg", np.full((900, 1200, 3), 128, np.uint8))[1].tobytes()
    assert adopted(tmp_path, grey, "--thickness", "3").exit_code == 3
    assert adopted(tmp_path, b"no photo", "--thickness", "3").exit_code == 2
    assert not (tmp_path / "plan.toml").exists()


def test_a_printed_drawing_on_the_mat_is_measured_in_a_sharp_photo(tmp_path: Path, monkeypatch) -> None:
    """Our own template, whose holes are thin lines: the places in its PDF come back."""
    import helpers_sighting
    import pypdfium2
    from helpers_layout import workshop_layout

    from handcapture.drawings.template import template_pdf
    from handcapture.mat.geometry import MATS

    layout, sheet = workshop_layout(), MATS["a3"].sheets[0]
    page = pypdfium2.PdfDocument(template_pdf(layout, MATS["a3"]))[0]
    drawn = page.render(scale=8 * 25.4 / 72, grayscale=True).to_numpy().squeeze()
    size = (round(8 * sheet.width_mm), round(8 * sheet.height_mm))
    monkeypatch.setattr(helpers_sighting, "sheet_raster", lambda *_: cv2.resize(drawn, size))
    buttons = {(b.side, b.finger): b for b in layout.buttons}
    contacts = tuple(c for c in placement().contacts if (c.side, c.finger) in buttons)
    contacts = tuple(
        replace(c, contact_mm=np.add(buttons[c.side, c.finger].centre_mm, layout.panel_origin_mm)) for c in contacts
    )
    shot = {}
    for name, pixels_across in (("sharp", 4000), ("small", 1600)):
        camera = camera_over(tilt_deg=6, focal_px=0.675 * pixels_across, size=(pixels_across, pixels_across * 3 // 4))
        picture = picture_of("a3", camera, size=(pixels_across, pixels_across * 3 // 4))
        taken = photo_from(picture, seed=2).pixels_bgr
        shot[name] = cv2.imencode(".jpg", taken, [cv2.IMWRITE_JPEG_QUALITY, 92])[1].tobytes()
    run = adopted(tmp_path, shot["small"], "--thickness", "0")
    assert run.exit_code == 3
    assert "thin lines need a sharp photo" in run.output
    adopted(tmp_path, shot["sharp"])  # leaves the photo there
    write_rest(tmp_path / "rest.json", pool([replace(placement(), contacts=contacts)]))
    command = ["adopt", str(tmp_path / "board.jpg"), "--rest", str(tmp_path / "rest.json"), "--thickness", "0"]
    run = CliRunner().invoke(main, [*command, "--output", str(tmp_path / "plan.toml"), "--leave-out"])
    assert run.exit_code == 0, run.output
    found = load_plan(tmp_path / "plan.toml").buttons
    assert len(found) >= 9
    off = np.array([np.subtract(b.was_mm, buttons[b.side, b.finger].centre_mm) for b in found])
    assert np.linalg.norm(off - off.mean(axis=0), axis=1).max() < 0.3
    assert all(b.hole_mm in (buttons[b.side, b.finger].hole_mm, None) for b in found)


@pytest.mark.parametrize("name", ["try_1", "try_2"])
def test_the_samples_composed_template_comes_back(tmp_path: Path, name: str) -> None:
    """Hands lie on a print of samples/try_layout.json (calibration/make_samples.py); holes beside them are measured."""
    from handcapture.layout.document import read_layout
    from handcapture.placement import Placement

    samples = Path(__file__).parents[1] / "samples"
    layout = read_layout(samples / "try_layout.json")
    buttons = [b for b in layout.buttons if b.row == "near"]
    contacts = tuple(
        contact(b.side, b.finger, np.add(b.centre_mm, layout.panel_origin_mm))
        for b in {(b.side, b.finger): b for b in buttons}.values()
    )
    write_rest(tmp_path / "rest.json", pool([Placement(contacts, (posture("left"), posture("right")), (source(1),))]))
    command = ["adopt", str(samples / f"{name}.jpg"), "--rest", str(tmp_path / "rest.json"), "--thickness", "0"]
    run = CliRunner().invoke(main, [*command, "--output", str(tmp_path / "plan.toml"), "--leave-out"])
    assert run.exit_code == 0, run.output
    assert "count them on the panel" in run.output
    found = np.array([b.was_mm for b in load_plan(tmp_path / "plan.toml").buttons])
    assert len(found) >= 8
    # The lamp's opening is a round hole like the others; a photo does not tell which are for buttons.
    known = np.array([b.centre_mm for b in (*layout.buttons, *layout.panel.cuts)])
    # The photo's frame is shifted against the panel's; the shift that most places agree on tells by how much.
    shifts = (known[None] - found[:, None]).reshape(-1, 2)
    agree = [(np.linalg.norm(shifts - shift, axis=1) < 0.5).sum() for shift in shifts]
    shift = shifts[int(np.argmax(agree))]
    miss = np.linalg.norm((found + shift)[:, None] - known[None], axis=2).min(axis=1)
    assert miss.max() < 0.3
