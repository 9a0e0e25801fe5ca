"""The printed mats, rasterised with pdfium and measured again.

Pixel (column, row) is centred on ((column + 0.5), (row + 0.5)) / px_per_mm, as in `helpers_pdf`.
"""

from __future__ import annotations

import getpass
import os
import runpy
import socket
import subprocess
import sys
import time
from dataclasses import replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pypdfium2.raw as pdfium_c
import pytest
from helpers_pdf import open_pdf, page_size_mm, picture_of

from handcapture.errors import OutputError
from handcapture.mat import printing
from handcapture.mat.geometry import MATS, marker_dictionary, sheet_raster
from handcapture.mat.printing import CLEARANCE_MM, draw_sheet, mat_pdf
from handcapture.pdf_canvas import MM_TO_POINTS, new_canvas

PAGES = [(mat, k) for mat in MATS.values() for k in range(len(mat.sheets))]
each_mat = pytest.mark.parametrize("mat", MATS.values(), ids=lambda mat: mat.name)
each_page = pytest.mark.parametrize(("mat", "number"), PAGES, ids=[mat.sheets[number].name for mat, number in PAGES])
CALIBRATION = Path(__file__).parents[1] / "calibration"


@cache
def printed(mat):
    return mat_pdf(mat)


@cache
def marks_only(mat):
    """Return the PDF of the mat without furniture."""
    canvas, buffer = new_canvas("marks")
    for sheet in mat.sheets:
        canvas.setPageSize((sheet.width_mm * MM_TO_POINTS, sheet.height_mm * MM_TO_POINTS))
        draw_sheet(canvas, sheet, furniture=False)
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def text_of(data):
    """Return the words of all pages, on one line."""
    return " ".join(" ".join(page.get_textpage().get_text_range().split()) for page in open_pdf(data))


def furniture_ink(mat, number, dpi):
    """Return where furniture is printed and where marks are, as pictures of ink (0 to 255), and the scale."""
    whole = picture_of(open_pdf(printed(mat))[number], dpi)
    marks = picture_of(open_pdf(marks_only(mat))[number], dpi)
    return marks.grey.astype(int) - whole.grey, 255 - marks.grey.astype(int), whole.px_per_mm


# ISO 216: A4 210 x 297, A3 297 x 420 mm. ANSI/ASME Y14.1: A (Letter) 8.5 x 11, B (Tabloid) 11 x 17 inches.
# The unit of a PDF page is 1/72 inch (ISO 32000-1, 8.3.2.3), an inch 25.4 mm.
@pytest.mark.parametrize(
    ("name", "size_points", "pages"),
    [
        ("a4", (297 / 25.4 * 72, 210 / 25.4 * 72), 1),
        ("a3", (420 / 25.4 * 72, 297 / 25.4 * 72), 1),
        ("letter", (792, 612), 1),
        ("tabloid", (1224, 792), 1),
        ("a4-pair", (210 / 25.4 * 72, 297 / 25.4 * 72), 2),
        ("letter-pair", (612, 792), 2),
    ],
)
def test_pages_are_exactly_as_large_as_the_paper(name, size_points, pages):
    document = open_pdf(printed(MATS[name]))
    assert [page.get_size() for page in document] == [pytest.approx(size_points, abs=1e-3)] * pages
    assert all(page.get_rotation() == 0 for page in document)


@each_mat
def test_viewers_are_told_to_print_it_unscaled_on_one_side(mat):
    document = open_pdf(printed(mat))
    assert not pdfium_c.FPDF_VIEWERREF_GetPrintScaling(document)  # false only for /PrintScaling /None
    assert pdfium_c.FPDF_VIEWERREF_GetDuplex(document) == pdfium_c.Simplex


@each_mat
def test_the_file_tells_nothing_of_who_made_it_and_when(mat, monkeypatch):
    about = open_pdf(printed(mat)).get_metadata_dict()
    assert about["Title"] == f"Hand mat {mat.title}: print at actual size (100 %), never “fit to page”"
    assert about["Author"] == about["Creator"] == "handcapture"
    assert {about["CreationDate"], about["ModDate"]} == {"D:20000101000000+00'00'"}
    assert not {getpass.getuser(), socket.gethostname()} & set(" ".join(about.values()).split())
    monkeypatch.setattr(time, "time", lambda: 4e9)
    monkeypatch.setenv("USER", "someone-else")
    assert mat_pdf(mat) == printed(mat), "another day, another user, the same bytes"


@each_page
def test_every_typeface_is_embedded(mat, number):
    page = open_pdf(printed(mat))[number]
    texts = list(page.get_objects(filter=[pdfium_c.FPDF_PAGEOBJ_TEXT]))
    fonts = [pdfium_c.FPDFTextObj_GetFont(text) for text in texts]
    assert len(fonts) > 15
    assert all(pdfium_c.FPDFFont_GetIsEmbedded(font) == 1 for font in fonts)


@each_page
def test_marks_are_printed_where_the_geometry_states_them(mat, number):
    sheet = mat.sheets[number]
    picture = picture_of(open_pdf(printed(mat))[number], 600)
    grey = np.ascontiguousarray(picture.grey)
    quarter = cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    # Detected without its corner refinement (that of AprilTags is off by half a pixel), refined at full size.
    corners, numbers, _ = cv2.aruco.ArucoDetector(marker_dictionary()).detectMarkers(quarter)
    assert sorted(numbers.ravel()) == [marker.number for marker in sheet.markers], "each exactly once"
    stated = {marker.number: np.array(marker.corners_mm) for marker in sheet.markers}
    ends = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-4)

    def missed_mm(start_px, places_mm, window_px):
        start = np.ascontiguousarray(start_px, dtype=np.float32).reshape(-1, 1, 2)
        at_px = cv2.cornerSubPix(grey, start, (window_px, window_px), (-1, -1), ends).reshape(-1, 2)
        return (at_px + 0.5) / picture.px_per_mm - places_mm

    found = (np.concatenate(corners).reshape(-1, 2) + 0.5) * 4 - 0.5
    places = np.concatenate([stated[int(n)] for n in numbers.ravel()])
    misses = {"corners": missed_mm(found, places, 20)}
    for name, saddles in (("ring", sheet.ring_saddles_mm), ("dots", sheet.dots_mm)):
        start = np.round(saddles * picture.px_per_mm - 0.5) + np.array([4, -3])
        misses[name] = missed_mm(start, saddles, 15)
    for miss in misses.values():
        assert np.hypot(*miss.T).max() < 0.015
        assert np.abs(miss.mean(axis=0)).max() < 0.003


@each_page
def test_the_plain_raster_shows_the_same_marks(mat, number):
    # At 10 px/mm every page here has whole pixels; the hair less keeps pdfium from adding one.
    page = open_pdf(marks_only(mat))[number]
    drawn = page.render(scale=10 / MM_TO_POINTS * (1 - 1e-7), grayscale=True).to_numpy().squeeze()
    raster = sheet_raster(mat.sheets[number], 10.0)
    assert drawn.shape == raster.shape
    difference = np.abs(drawn.astype(int) - raster)
    # A seam between two rectangles of the black would differ by 60 and more. pdfium counts in 1/256 pixel.
    assert difference.max() <= 4
    assert not list(page.get_objects(filter=[pdfium_c.FPDF_PAGEOBJ_TEXT]))
    assert len(list(page.get_objects())) == 1, "one path, filled once"


@each_page
def test_furniture_keeps_clear_of_the_marks_and_of_the_fingertips(mat, number):
    sheet = mat.sheets[number]
    ink, marks, px_per_mm = furniture_ink(mat, number, 200)
    distance_px = cv2.distanceTransform((marks == 0).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    assert ink.max() > 60
    # One pixel less: a pixel that is only touched counts as ink.
    assert distance_px[ink > 0].min() >= CLEARANCE_MM * px_per_mm.min() - 1

    inside = sheet.interior
    rows = np.array([inside.y_mm + 0.42 * inside.height_mm, inside.y_mm + 0.68 * inside.height_mm])
    # Beside the ring stands the upright rule; along a seam the middle is free up to the edge.
    left = inside.x_mm + (13.0 if sheet.seam != "left" else 0.0)
    right = inside.x_mm + inside.width_mm - (13.0 if sheet.seam != "right" else 0.0)
    (top, bottom), (start, stop) = rows * px_per_mm[1], np.array([left, right]) * px_per_mm[0]
    assert ink[int(top) : int(bottom), int(start) : int(stop)].max() == 0, "here the fingertips come down"


@each_page
def test_the_interior_stays_pale(mat, number):
    sheet = mat.sheets[number]
    ink, _, px_per_mm = furniture_ink(mat, number, 200)
    inside = sheet.interior
    area_mm2 = inside.width_mm * inside.height_mm
    assert ink.sum() / 255 / np.prod(px_per_mm) / area_mm2 < 0.01, "sparse"
    # No filled area: nowhere does half of the ink cover a square of 7 pixels (0.9 mm).
    assert not cv2.erode((ink > 75).astype(np.uint8), np.ones((7, 7))).any()


@each_page
def test_no_text_runs_into_another(mat, number):
    text = open_pdf(printed(mat))[number].get_textpage()
    boxes = np.array([text.get_rect(k) for k in range(text.count_rects())])
    assert len(boxes) > 15
    centre, half = (boxes[:, :2] + boxes[:, 2:]) / 2, (boxes[:, 2:] - boxes[:, :2]) / 2
    apart = np.abs(centre[:, None] - centre) - (half[:, None] + half)
    overlap = np.all(apart < -0.2, axis=2)
    assert np.array_equal(overlap, np.eye(len(boxes), dtype=bool))


def lines_across(page, window_mm, axis):
    """Return where lines cross the window (left, top, right, bottom), mm along axis 0 (x) or 1 (y)."""
    picture = picture_of(page, 600, window_mm)
    profile = 255.0 - picture.grey.mean(axis=axis)
    dark = np.flatnonzero(profile > 0.5 * profile.max())
    runs = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    centres = np.array([np.average(run + 0.5, weights=profile[run]) for run in runs])
    return (centres + picture.first_px[axis]) / picture.px_per_mm[axis]


@each_page
def test_the_rules_measure_150_mm_with_a_tick_each_10_mm(mat, number):
    sheet, page = mat.sheets[number], open_pdf(printed(mat))[number]
    x, y = sheet.rule_x_mm[0]
    ticks = lines_across(page, (x - 1, y - 1.7, x + 151, y - 0.4), 0)
    assert ticks == pytest.approx(x + 10.0 * np.arange(16), abs=0.015)
    x, y = sheet.rule_y_mm[0]
    near, far = (x - 1.7, x - 0.4) if sheet.seam == "left" else (x + 0.4, x + 1.7)
    ticks = lines_across(page, (near, y - 1, far, y + 151), 1)
    assert ticks == pytest.approx(y + 10.0 * np.arange(16), abs=0.015)


CARD_PAGES = [(mat, number) for mat, number in PAGES if mat.sheets[number].card_place is not None]


@pytest.mark.parametrize(("mat", "number"), CARD_PAGES, ids=[m.sheets[k].name for m, k in CARD_PAGES])
def test_the_brackets_frame_an_id_1_card_and_leave_its_edge_free(mat, number):
    page, card = open_pdf(printed(mat))[number], mat.sheets[number].card_place
    left, top = card.x_mm, card.y_mm
    right, bottom = left + 85.60, top + 53.98  # ISO/IEC 7810, ID-1
    across = lines_across(page, (left - 2, top + 1, right + 2, top + 3), 0)
    down = lines_across(page, (left + 1, top - 2, left + 3, bottom + 2), 1)
    assert across == pytest.approx([left - 1, right + 1], abs=0.015)
    assert down == pytest.approx([top - 1, bottom + 1], abs=0.015)
    for edge in (
        (left - 0.8, top - 0.8, left + 0.8, bottom + 0.8),
        (right - 0.8, top - 0.8, right + 0.8, bottom + 0.8),
        (left - 0.8, top - 0.8, right + 0.8, top + 0.8),
        (left - 0.8, bottom - 0.8, right + 0.8, bottom + 0.8),
    ):
        assert picture_of(page, 300, edge).grey.min() == 255, "the edge of the card meets white paper"


@pytest.mark.parametrize("name", ["a4-pair", "letter-pair"])
def test_the_lines_at_the_seam_meet(name):
    left, right = open_pdf(printed(MATS[name]))
    width, height = MATS[name].sheets[0].width_mm, MATS[name].sheets[0].height_mm
    ends = lines_across(left, (width - 3, 0, width, height), 1)
    assert len(ends) == 2
    assert lines_across(right, (0, 0, 3, height), 1) == pytest.approx(ends, abs=0.01)


EVERY_MAT = [
    "at actual size (100 %), never “fit to page”",
    "should measure 150 mm: put a ruler on it and tell the program what it reads",
    "150 mm",
    "Lay a bank-card-sized card here, blank side up",
    "ISO/IEC 7810 ID-1, 85.60 × 53.98 mm",
    "Hands relaxed. Phone level above the middle of the mat, whole mat in the picture.",
    "Light from above or in front, no hard shadows.",
    "Lay the phone over the edge of a shelf or a stack of books, about 45 cm above the mat;",
    "use its self-timer. Or ask a helper.",
    "Measuring aid, not a medical device. Stop if it hurts.",
    "↑ away from you ↑",
    "↓ you sit here ↓",
]


@each_mat
def test_a_mat_says_how_to_print_and_use_it(mat):
    text = text_of(printed(mat))
    assert [line for line in EVERY_MAT if line not in text] == []
    for sheet in mat.sheets:
        assert f"Hand mat {sheet.title}" in text


@pytest.mark.parametrize("name", ["a4-pair", "letter-pair"])
@pytest.mark.parametrize(("number", "other"), [(0, "right"), (1, "left")], ids=["left sheet", "right sheet"])
def test_each_sheet_of_a_pair_says_where_the_other_joins(name, number, other):
    page = open_pdf(printed(MATS[name]))[number]
    text = " ".join(page.get_textpage().get_text_range().split())
    assert f"join the {other} sheet here" in text
    assert "at actual size (100 %), never “fit to page”" in text
    if number == 0:
        assert "Trim or fold is allowed; a small gap is measured by the program." in text


def differences(ours, theirs):
    """Return in what two PDFs differ on paper: pages, sizes, and any pixel at 200 dpi."""
    ours, theirs = open_pdf(ours), open_pdf(theirs)
    if len(ours) != len(theirs):
        return [f"{len(ours)} pages against {len(theirs)}"]
    found = []
    for number, (mine, other) in enumerate(zip(ours, theirs, strict=True), start=1):
        if page_size_mm(mine) != pytest.approx(page_size_mm(other), abs=1e-3):
            found.append(f"page {number}: {page_size_mm(mine)} mm against {page_size_mm(other)} mm")
            continue
        greys = [picture_of(page, 200).grey.astype(int) for page in (mine, other)]
        # Other versions of reportlab may round the last digit differently: that is 1e-5 mm, no grey level.
        if np.abs(greys[0] - greys[1]).max() > 8:
            found.append(f"page {number}: another picture")
    return found


@each_mat
def test_the_committed_pdf_is_what_the_code_makes(mat):
    committed = (CALIBRATION / "mats" / f"{mat.name}.pdf").read_bytes()
    assert differences(committed, printed(mat)) == [], "run: python calibration/make_mats.py"


def test_only_the_mats_are_committed():
    assert {path.stem for path in (CALIBRATION / "mats").iterdir()} == set(MATS)


def test_the_comparison_notices_a_mark_moved_by_a_twentieth_of_a_millimetre(monkeypatch):
    mat, true = MATS["a4"], printing.black_rectangles

    def moved(sheet):
        *others, last = true(sheet)
        return (*others, replace(last, x_mm=last.x_mm + 0.05))

    monkeypatch.setattr(printing, "black_rectangles", moved)
    assert differences(mat_pdf(mat), printed(mat)) == ["page 1: another picture"]


def test_the_comparison_notices_a_changed_letter(monkeypatch):
    monkeypatch.setattr(printing, "_CAUTION", printing._CAUTION.replace("hurts", "hurtz"))
    mat = MATS["letter-pair"]
    assert differences(mat_pdf(mat), printed(mat)) == ["page 1: another picture"]


def test_the_comparison_notices_other_paper():
    assert differences(printed(MATS["a4"]), printed(MATS["a4-pair"])) == ["1 pages against 2"]
    assert len(differences(printed(MATS["a4"]), printed(MATS["a3"]))) == 1


def test_the_script_writes_every_mat(tmp_path):
    script = CALIBRATION / "make_mats.py"
    here = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}  # the package need not be installed
    subprocess.run([sys.executable, script, tmp_path], check=True, capture_output=True, timeout=60, env=here)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {
        f"{mat.name}.pdf": printed(mat) for mat in MATS.values()
    }


def test_the_script_refuses_a_folder_that_is_not_there(tmp_path):
    make_mats = runpy.run_path(str(CALIBRATION / "make_mats.py"))["make_mats"]
    with pytest.raises(OutputError, match="could not be written"):
        make_mats(tmp_path / "missing")
