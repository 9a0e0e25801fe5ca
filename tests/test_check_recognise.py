"""Is it the template? Photos of printed pages alone, and of hands on them: what is shown is recognised, or left open.

The pages are rendered from the PDF that is printed. Hands are synthetic (calibration/scenes).
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import helpers_calibration
import numpy as np
import pypdfium2
import pytest
from compose import PAPER_BLACK, PAPER_WHITE, RASTER_PX_PER_MM, Look, Paper, compose, jpeg, lay_mat, printed_sheets
from helpers_layout import workshop_layout
from helpers_rest import source
from helpers_sighting import camera_over, photo_from
from numpy.typing import NDArray

from handcapture.capture import Capture, Networks, capture
from handcapture.drawings.template import template_origin, template_pdf
from handcapture.errors import InputError, PhotoError
from handcapture.layout.model import Layout
from handcapture.mat.geometry import MATS
from handcapture.mat.sighting import sight
from handcapture.names import FINGERS, SIDES
from handcapture.photo import Photo, read_photo
from handcapture.placement import Placement
from handcapture.quality import PhotoQuality
from handcapture.recognise import Recognition, recognise, require_template

MAT = MATS["a3"]
SIZE = (2400, 1800)


def pages(layout: Layout, mat_name: str = "a3") -> list[NDArray[np.uint8]]:
    made = []
    for page in pypdfium2.PdfDocument(template_pdf(layout, MATS[mat_name])):
        grey = page.render(scale=RASTER_PX_PER_MM * 25.4 / 72, grayscale=True).to_numpy()
        spread = (PAPER_WHITE - PAPER_BLACK) / 255
        made.append((grey.reshape(grey.shape[:2]) * spread + PAPER_BLACK + 0.5).astype(np.uint8))
    return made


def shot(page: NDArray[np.uint8], tilt_deg: float = 12.0, blur_px: float = 0.6) -> tuple[Photo, Capture]:
    """A photo of one page, no hands, and what is measured of it."""
    camera = camera_over(tilt_deg=tilt_deg, size=SIZE, focal_px=1600.0)
    width, height = MAT.size_mm
    corners = np.array([(0, 0), (width, 0), (width, height), (0, height)], dtype=float)
    at = camera.project(np.c_[corners, np.zeros(4)]).astype(np.float32)
    smooth = cv2.GaussianBlur(page, (0, 0), 0.45 * RASTER_PX_PER_MM * camera.mm_per_px(corners[2] / 2))
    to_px = cv2.getPerspectiveTransform((corners * RASTER_PX_PER_MM - 0.5).astype(np.float32), at)
    picture = cv2.warpPerspective(smooth, to_px, SIZE, flags=cv2.INTER_LINEAR, borderValue=110)
    photo = photo_from(cv2.GaussianBlur(picture, (0, 0), blur_px), focal_px=1600.0)
    placement = Placement((), (), (source(1),))
    return photo, Capture(sight(photo), placement, PhotoQuality((), "good", "good", ()))


def seen(layout: Layout, page: NDArray[np.uint8], tilt_deg: float = 12.0, blur_px: float = 0.6) -> Recognition:
    return recognise(layout, *shot(page, tilt_deg, blur_px))


def moved(layout: Layout, label: str, by: tuple[float, float]) -> Layout:
    buttons = [
        replace(b, centre_mm=(b.centre_mm[0] + by[0], b.centre_mm[1] + by[1])) if b.label == label else b
        for b in layout.buttons
    ]
    return replace(layout, buttons=tuple(buttons))


@pytest.fixture(scope="module")
def layout() -> Layout:
    return workshop_layout()


@pytest.mark.parametrize("tilt_deg", [0.0, 25.0])
def test_its_own_template_is_recognised(layout: Layout, tilt_deg: float) -> None:
    found = seen(layout, pages(layout)[0], tilt_deg)
    assert found.verdict == "this template"
    assert found.count_seen == len(layout.buttons)
    assert found.note is None
    require_template(found, layout)


def test_a_plain_mat_is_refused_as_one(layout: Layout) -> None:
    found = seen(layout, printed_sheets("a3")[0])
    assert found.verdict == "plain mat"
    assert len(found.missing) == len(layout.buttons)
    with pytest.raises(PhotoError, match="shows a plain mat: of the 10 circles of Mara's bench, revision A"):
        require_template(found, layout)


def test_a_revision_with_one_button_elsewhere_is_refused_by_its_name(layout: Layout) -> None:
    found = seen(layout, pages(moved(layout, "Drill", (3.0, -2.0)))[0])
    assert found.verdict == "another template"
    assert found.missing == ("Drill",)
    origin = np.array(template_origin(layout, MAT))
    assert any(np.hypot(*(np.array(s.centre_mm) - origin - (184.0, 99.5))) < 1.0 for s in found.strays)
    with pytest.raises(InputError, match="9 of 10 circles in view stand where it has them, not those of Drill"):
        require_template(found, layout)


def test_one_button_more_is_noted_not_refused(layout: Layout) -> None:
    more = replace(layout.buttons[0], label="Extra", centre_mm=(250.0, 115.0))
    found = seen(layout, pages(replace(layout, buttons=(*layout.buttons, more)))[0])
    assert found.verdict == "this template"
    assert found.note is not None
    assert "Ø24 at (300, 160)" in found.note


def test_another_layout_is_told_from_a_plain_mat(layout: Layout) -> None:
    other = replace(
        layout,
        buttons=tuple(replace(b, centre_mm=(b.centre_mm[0] + 4.0, b.centre_mm[1] + 11.0)) for b in layout.buttons),
    )
    found = seen(layout, pages(other)[0])
    assert found.verdict == "another template"
    assert found.count_seen == 0
    assert len(found.strays) >= 8


def test_pale_lines_are_still_seen(layout: Layout) -> None:
    """A worn cartridge: lines at a quarter of their darkness, marks as black as ever."""
    page = pages(layout)[0].astype(np.float32)
    thick = cv2.dilate(cv2.erode(255 - page, np.ones((9, 9))), np.ones((9, 9)))
    pale = (255 - np.maximum(np.minimum(255 - page, thick), 0.25 * (255 - page))).astype(np.uint8)
    found = seen(layout, pale)
    assert found.verdict == "this template"
    assert found.count_seen == len(layout.buttons)


@pytest.mark.parametrize("blur_px", [2.0, 3.0])
def test_blur_is_a_note_and_never_a_wrong_verdict(layout: Layout, blur_px: float) -> None:
    own = seen(layout, pages(layout)[0], blur_px=blur_px)
    plain = seen(layout, printed_sheets("a3")[0], blur_px=blur_px)
    assert own.verdict in ("this template", "cannot tell")
    assert plain.verdict in ("plain mat", "cannot tell")
    require_template(own, layout)
    for found in (own, plain):
        assert (found.note is not None) == (found.verdict == "cannot tell")


def test_where_no_line_can_be_seen_it_is_said(layout: Layout) -> None:
    """Lines so pale that not even the rules stand out: a note, no refusal."""
    page = pages(layout)[0].astype(np.float32)
    thick = cv2.dilate(cv2.erode(255 - page, np.ones((9, 9))), np.ones((9, 9)))
    found = seen(layout, (255 - np.minimum(255 - page, thick)).astype(np.uint8))
    assert found.verdict == "cannot tell"
    assert found.note is not None
    assert "cannot be told" in found.note
    require_template(found, layout)


@pytest.mark.accuracy
@pytest.mark.parametrize(("mat_name", "scene_name"), [("a3", "scene_14"), ("a4-pair", "scene_13")])
def test_hands_on_the_page_do_not_disturb(tmp_path: Path, mat_name: str, scene_name: str) -> None:
    """Buttons near the fingers of a scene: its own template, a plain mat, and a revision with two buttons moved."""
    scene = helpers_calibration.CALIBRATION / "scenes" / scene_name
    mat = MATS[mat_name]
    middle = np.array(mat.size_mm) / 2
    hands = json.loads((scene / "truth.json").read_text())["hands"]
    contacts = {
        (side, finger): middle + np.array(hands[side]["fingers"][finger]["contact_mm"][:2]) * (1, -1)
        for side in SIDES
        for finger in FINGERS
    }
    plain = workshop_layout()
    rng = np.random.default_rng(3)
    buttons = []
    for button in plain.buttons:
        x, y = (contacts[button.side, button.finger] - (40.0, 40.0) + rng.normal(0, 3.0, 2)).tolist()
        buttons.append(replace(button, centre_mm=(x, y), wish_mm=(x, y), hole_mm=24.0))
    panel = replace(plain.panel, width_mm=mat.size_mm[0] - 80.0, height_mm=mat.size_mm[1] - 80.0, keep_outs=())
    layout = replace(plain, panel=panel, buttons=tuple(buttons), panel_origin_mm=(40.0, 40.0))
    other = moved(moved(layout, "Foot lamp", (5.0, 4.0)), "Drill", (-6.0, 0.0))

    def printed(layout: Layout) -> list[Paper]:
        papers = zip(lay_mat(mat_name), pages(layout, mat_name), strict=True)
        return [replace(paper, picture=ink) for paper, ink in papers]

    shown = {"this template": printed(layout), "plain mat": lay_mat(mat_name), "another template": printed(other)}
    with Networks() as networks:
        for verdict, papers in shown.items():
            look = Look(seed=5)
            picture, truth = compose(scene, papers, look, shrink=2)
            path = tmp_path / f"{mat_name}.jpg"
            path.write_bytes(jpeg(picture, look, truth["focal_35mm"]))
            photo = read_photo(path)
            found = recognise(layout, photo, capture(photo, networks))
            assert found.verdict == verdict, found
            if verdict == "another template":
                assert set(found.missing) <= {"Foot lamp", "Drill"}
