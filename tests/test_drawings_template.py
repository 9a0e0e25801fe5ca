"""The template on a mat, rasterised with pdfium: holes measured, marks found as on the bare mat."""

from __future__ import annotations

import math
from dataclasses import replace
from io import BytesIO

import cv2
import numpy as np
import pytest
from helpers_layout import relabelled, workshop_layout
from helpers_pdf import MM_PER_POINT, measure_circle, open_pdf, page_size_mm, picture_of
from hypothesis import given, settings
from hypothesis import strategies as st
from reportlab.pdfgen.canvas import Canvas
from scipy.spatial.transform import Rotation
from test_drawings_outline import outlined_layout

from handcapture.camera import Camera
from handcapture.drawings.common import circle_points, outline_points
from handcapture.drawings.contours import cut_contour
from handcapture.drawings.printed_panel import NAME_MM, panel_texts
from handcapture.drawings.template import (
    DOT_CLEARANCE_MM,
    quiet_paper,
    template_origin,
    template_pdf,
)
from handcapture.errors import InputError
from handcapture.layout.model import KeepOut
from handcapture.layout.outline import polyline
from handcapture.mat.geometry import MARKER_DICTIONARY, MATS, mat_by_name
from handcapture.mat.printing import draw_sheet
from handcapture.mat.sighting import sight
from handcapture.pdf_canvas import Pen, new_canvas
from handcapture.photo import Photo

NARROW = replace(
    workshop_layout(),
    buttons=tuple(
        replace(b, centre_mm=(0.6 * b.centre_mm[0], 0.8 * b.centre_mm[1])) for b in workshop_layout().buttons
    ),
)
"""Holes close enough together for every mat."""
LARGE_MATS = ["a3", "tabloid", "a4-pair", "letter-pair"]


def pages(layout, mat, **more):
    """Return (sheet, its offset, page) for each page."""
    document = open_pdf(template_pdf(layout, mat, **more))
    assert len(document) == len(mat.sheets)
    return list(zip(mat.sheets, mat.nominal_offsets_mm, document, strict=True))


def bare_page(sheet, page):
    """Return the mat's own page, as `draw_sheet` prints it."""
    buffer = BytesIO()
    canvas = Canvas(buffer, pagesize=page.get_size(), invariant=1)
    draw_sheet(canvas, sheet, furniture=False)
    canvas.showPage()
    canvas.save()
    return open_pdf(buffer.getvalue())[0]


@pytest.mark.parametrize("name", LARGE_MATS)
def test_every_hole_is_printed_where_it_lies_on_the_mat(name):
    layout, mat = workshop_layout(), MATS[name]
    origin = template_origin(layout, mat)
    measured = set()
    for sheet, (offset, _), page in pages(layout, mat):
        assert page_size_mm(page) == pytest.approx((sheet.width_mm, sheet.height_mm), abs=0.01)
        for button in layout.buttons:
            x, y = origin[0] + button.centre_mm[0] - offset, origin[1] + button.centre_mm[1]
            if button.hole_mm / 2 + 2 < x < sheet.width_mm - button.hole_mm / 2 - 2:
                centre, diameter = measure_circle(page, (x, y), button.hole_mm / 2)
                assert centre == pytest.approx((x, y), abs=0.05)
                assert diameter == pytest.approx(button.hole_mm, abs=0.05)
                measured.add(button.label)
    assert len(measured) >= 9, "at most one hole lies on a seam"


NARROW_OUTLINED = replace(
    outlined_layout(),
    buttons=tuple(
        replace(b, part=None, centre_mm=(0.6 * b.centre_mm[0], 0.8 * b.centre_mm[1])) for b in outlined_layout().buttons
    ),
)


@pytest.mark.parametrize("name", list(MATS))
@pytest.mark.parametrize("layout", [NARROW, NARROW_OUTLINED], ids=["rectangle", "outline"])
def test_every_hole_is_printed_true_on_every_mat(name, layout):
    """At 600 dpi; of a pair those holes that lie wholly on one sheet."""
    mat = MATS[name]
    origin = template_origin(layout, mat)
    measured = set()
    for sheet, (offset, _), page in pages(layout, mat):
        for button in layout.buttons:
            x, y = origin[0] + button.centre_mm[0] - offset, origin[1] + button.centre_mm[1]
            if button.hole_mm / 2 + 2 < x < sheet.width_mm - button.hole_mm / 2 - 2:
                centre, diameter = measure_circle(page, (x, y), button.hole_mm / 2)
                assert centre == pytest.approx((x, y), abs=0.05)
                assert diameter == pytest.approx(button.hole_mm, abs=0.05)
                measured.add(button.label)
    assert len(measured) >= (10 if len(mat.sheets) == 1 else 8)


@pytest.mark.parametrize("name", ["a3", "letter-pair"])
def test_outline_and_cuts_are_printed_true(name):
    """Points of the arcs and of the cuts, at 600 dpi: ink within 0.05 mm on either side of the line's middle."""
    layout, mat = outlined_layout(), MATS[name]
    origin = template_origin(layout, mat)
    panel = layout.panel
    lines = [outline_points(panel, 0.5), circle_points((10.0, 10.0), 2.15), polyline(cut_contour(panel.cuts[2]), 0.001)]
    points = np.vstack(lines) + origin
    checked = 0
    for sheet, (offset, _), page in pages(layout, mat):
        picture = picture_of(page, 600)
        local = points - (offset, 0.0)
        inside = sheet.interior
        left, right = (
            inside.x_mm + 1.5 * (sheet.seam != "left"),
            inside.x_mm + inside.width_mm - 1.5 * (sheet.seam != "right"),
        )
        here = (local[:, 0] > left + 0.5) & (local[:, 0] < right - 0.5)
        here &= (local[:, 1] > inside.y_mm + 1.5) & (local[:, 1] < inside.y_mm + inside.height_mm - 1.5)
        here &= np.linalg.norm(local[:, None] - sheet.dots_mm, axis=2).min(axis=1) > DOT_CLEARANCE_MM + 0.3
        assert (picture.at(local[here]) < 160).all()
        checked += int(here.sum())
    assert checked > 800


def test_names_come_before_diameters_and_stand_on_one_sheet_whole():
    """From above, or in one line from the left: Stop, Ø24; on a pair with holes, names and all across the seam."""
    mat = MATS["a4-pair"]
    seam = mat.sheets[0].width_mm
    layout = workshop_layout()
    buttons = (replace(layout.buttons[0], centre_mm=(seam - 50.0 - 2.0, 70.0), hole_mm=30.0), *layout.buttons[1:4])
    keep_outs = (KeepOut("lamp socket", "circle", (seam - 50.0, 120.0), diameter_mm=28.0),)
    layout = replace(layout, buttons=buttons, panel=replace(layout.panel, keep_outs=keep_outs))
    texts = [page.get_textpage() for _, _, page in pages(layout, mat)]
    assert sum(text.get_text_range().count("lamp socket") for text in texts) == 1
    for text in texts:
        for searched in ("lamp socket", "Stop"):
            if searched in text.get_text_range():
                (left, _, right, _) = box_of_text(text, searched)
                assert left > 5.9
                assert right < seam - 5.9, "printers leave the edge blank"
    for button in layout.buttons:
        (text,) = [text for text in texts if button.label in text.get_text_range()]
        shown = text.get_text_range()
        start = shown.index(button.label)
        diameter = shown.index("Ø", start)
        assert shown[start:].split()[len(button.label.split())] == f"Ø{button.hole_mm:g}"
        (left, bottom, _, top), (its_left, its_bottom, _, its_top) = (text.get_charbox(k) for k in (start, diameter))
        above = its_top < bottom
        beside = abs(top + bottom - its_top - its_bottom) < 2 and its_left > left
        assert above or beside


def box_of_text(textpage, searched):
    """Return left, top, right, bottom, mm, y down, of a text's first place."""
    start, count = textpage.search(searched, match_case=True).get_next()
    boxes = np.array([textpage.get_charbox(start + k) for k in range(count) if searched[k] != " "])
    height = textpage.page.get_size()[1]
    left, bottom, right, top = boxes[:, 0].min(), boxes[:, 1].min(), boxes[:, 2].max(), boxes[:, 3].max()
    return tuple(v * MM_PER_POINT for v in (left, height - top, right, height - bottom))


def test_an_edge_that_is_partly_left_out_is_named_once():
    layout = replace(workshop_layout(panel_origin_mm=(12.0, 34.0)))
    panel = replace(layout.panel, width_mm=400.0, height_mm=230.0, keep_outs=())
    layout = replace(layout, panel=panel)
    for _, _, page in pages(layout, MATS["a3"]):
        assert page.get_textpage().get_text_range().count("panel edge") == 1
    for _, _, page in pages(workshop_layout(), MATS["a3"]):
        assert "panel edge" not in page.get_textpage().get_text_range(), (
            "where the whole edge is seen it speaks for itself"
        )


def test_every_page_says_which_template_it_is():
    layout = replace(workshop_layout(), revision="B", created="2026-11-26")
    for _, _, page in pages(layout, MATS["a4-pair"]):
        seen = page.get_textpage().get_text_range()
        assert "Template of Mara's bench" in seen
        assert seen.lower().count("revision b, 2026-11-26.") == 1
    undated = replace(layout, created=None)
    for _, _, page in pages(undated, MATS["a3"]):
        assert "Revision B." in page.get_textpage().get_text_range()


def test_a_hole_on_the_seam_continues_on_the_other_sheet():
    mat = MATS["a4-pair"]
    seam = mat.sheets[0].width_mm
    layout = workshop_layout()
    button = replace(layout.buttons[0], centre_mm=(seam - 50.0 - 4.0, 70.0))
    layout = replace(layout, buttons=(button,))
    assert template_origin(layout, mat) == (50.0, 45.0)
    angles = np.radians(np.arange(0, 360, 1.0))
    points = np.column_stack([seam - 4.0 + 12.0 * np.cos(angles), 115.0 + 12.0 * np.sin(angles)])
    quarter = np.min(np.abs(np.degrees(angles)[:, None] - np.arange(0, 361, 90)), axis=1) < 4
    for sheet, (offset, _), page in pages(layout, mat):
        local = points - (offset, 0.0)
        here = (local[:, 0] > 0.5) & (local[:, 0] < sheet.width_mm - 0.5) & ~quarter
        clear = np.linalg.norm(local[:, None] - sheet.dots_mm, axis=2).min(axis=1) > DOT_CLEARANCE_MM + 0.3
        picture = picture_of(page, 300)
        assert (picture.at(local[here & clear]) < 160).all()
        assert (here & clear).sum() > 80


@pytest.mark.parametrize("name", list(MATS))
def test_markers_are_found_as_on_the_bare_mat(name):
    """By OpenCV's own detector with its own refinement; a pixel is 0.17 mm."""
    for sheet, _, page in pages(NARROW, MATS[name], recentre=True):
        found, bare = detected(picture_of(page, 150)), detected(picture_of(bare_page(sheet, page), 150))
        assert set(found) == {marker.number for marker in sheet.markers}
        for marker in sheet.markers:
            assert found[marker.number] == pytest.approx(np.array(marker.corners_mm), abs=0.05)
            assert (found[marker.number] == bare[marker.number]).all()


def detected(picture):
    """Return the corners (4, 2), mm, of each marker that is found, by number."""
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(MARKER_DICTIONARY), parameters)
    corners, numbers, _ = detector.detectMarkers(picture.grey)
    # Pixel centres are at integers, so the page's edge is at -0.5.
    return {n: (c[0] + 0.5) / picture.px_per_mm for n, c in zip(numbers.ravel().tolist(), corners, strict=True)}


@pytest.mark.parametrize("name", ["a3", "letter-pair"])
def test_ring_and_dots_are_printed_exactly_as_on_the_bare_mat(name):
    """The template's lines cross some of them if they are not left out: the origin is chosen for that."""
    layout, mat = workshop_layout(panel_origin_mm=(31.0, 40.0)), MATS[name]
    assert template_origin(layout, mat) == (31.0, 40.0)
    for sheet, _, page in pages(layout, mat):
        template, bare = picture_of(page, 150), picture_of(bare_page(sheet, page), 150)
        differs = template.grey != bare.grey
        assert differs.mean() > 0.002, "the template itself is there"
        rows, columns = np.nonzero(differs)
        places = np.column_stack([columns + 0.5, rows + 0.5]) / template.px_per_mm
        inside = sheet.interior
        into = (places - (inside.x_mm, inside.y_mm)) / (inside.width_mm, inside.height_mm)
        assert ((into > 0) & (into < 1)).all(), "nothing is added to the ring"
        nearest = min(np.hypot(*(places - dot).T).min() for dot in sheet.dots_mm)
        assert nearest > DOT_CLEARANCE_MM - 0.2, "no line comes closer to a saddle"
        assert nearest < DOT_CLEARANCE_MM + 0.2, "lines do run up to the saddles, and stop there"


def test_a_photo_of_the_template_is_measured_like_one_of_the_mat():
    """A made photo, tilted by 12 degrees: the camera is found again to a few hundredths of a millimetre."""
    layout, mat = workshop_layout(), MATS["a3"]
    ((_, _, page),) = pages(layout, mat)
    picture = picture_of(page, 200)
    rotation = Rotation.from_euler("xz", (12.0, 3.0), degrees=True).as_matrix()
    middle_mm = np.array([210.0, 148.5, 0.0])
    camera = Camera(
        focal_px=1700.0,
        centre_px=np.array([999.5, 749.5]),
        k1=0.0,
        rotation=rotation,
        translation_mm=(0.0, 0.0, 480.0) - rotation @ middle_mm,
    )
    corners_mm = np.array([[0.0, 0.0, 0.0], [420.0, 0.0, 0.0], [420.0, 297.0, 0.0], [0.0, 297.0, 0.0]])
    corners_px = corners_mm[:, :2] * picture.px_per_mm - 0.5
    to_photo = cv2.getPerspectiveTransform(corners_px.astype(np.float32), camera.project(corners_mm).astype(np.float32))
    paper = cv2.GaussianBlur(picture.grey, (0, 0), 1.0)
    grey = cv2.warpPerspective(paper, to_photo, (2000, 1500), flags=cv2.INTER_LINEAR, borderValue=120)
    photo = Photo(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR), "made.jpg", "0" * 64, 1700.0, 0.03, None)
    sighting = sight(photo)
    assert sighting.mat.name == "a3"
    holes = np.add([b.centre_mm for b in layout.buttons], template_origin(layout, mat))
    seen_px = camera.project(np.column_stack([holes, np.zeros(len(holes))]))
    assert sighting.camera.at_height(seen_px, 0.0) == pytest.approx(holes, abs=0.05)


def test_layouts_own_place_is_kept_when_it_fits():
    assert template_origin(workshop_layout(panel_origin_mm=(48.5, 61.25)), MATS["a3"]) == (48.5, 61.25)


@pytest.mark.parametrize(
    ("origin", "recentre"),
    [((50.0, 45.0), True), ((0.0, 0.0), False), ((300.0, 45.0), False)],
    ids=["asked for", "too far up and left", "too far right"],
)
def test_panel_is_put_in_the_middle(origin, recentre):
    layout = workshop_layout(panel_origin_mm=origin)
    # A3 is 420 x 297 mm, the panel 320 x 150 mm.
    assert template_origin(layout, MATS["a3"], recentre=recentre) == pytest.approx((50.0, 73.5))
    text = open_pdf(template_pdf(layout, MATS["a3"], recentre=recentre))[0].get_textpage().get_text_range()
    assert "Panel corner at (50, 73.5) mm on the mat" in text
    assert "moved from where the fingers were measured" in text


def test_a_panel_larger_than_the_mat_is_printed_while_its_holes_fit():
    layout = workshop_layout(panel_origin_mm=(-40.0, 0.0))
    panel = replace(layout.panel, width_mm=500.0)
    layout = replace(layout, panel=panel)
    origin = template_origin(layout, MATS["a3"])
    # The holes reach from 15.5 to 304.5 mm: their middle, 160, comes to the middle of the sheet, 210.
    assert origin[0] == pytest.approx(50.0)
    text = open_pdf(template_pdf(layout, MATS["a3"]))[0].get_textpage().get_text_range()
    assert "its edge is left out where it would cross marks" in text


@pytest.mark.parametrize("name", ["a4", "letter"])
def test_holes_that_do_not_fit_are_refused_with_a_way_out(name):
    with pytest.raises(InputError, match=r"holes span 289 × 94\.75 mm.*larger mat.*tiled on plain paper"):
        template_pdf(workshop_layout(), mat_by_name(name))


def test_quiet_paper_of_a_pair_spans_the_seam():
    mat = MATS["a4-pair"]
    quiet = quiet_paper(mat)
    first = mat.sheets[0].interior
    assert quiet.x_mm == first.x_mm + 1.0
    assert quiet.x_mm + quiet.width_mm / 2 == pytest.approx(mat.size_mm[0] / 2)
    assert quiet.width_mm > mat.sheets[0].width_mm


def test_rules_measure_150_mm():
    """Across the ticks, from the outer edge of the first to that of the last: a line's width more."""
    layout = replace(workshop_layout(), buttons=())
    ((sheet, _, page),) = pages(layout, MATS["a3"])
    picture = picture_of(page, 600)
    steps = np.arange(-3.0, 153.0, 0.05)
    (x, y), _ = sheet.rule_x_mm
    along_x = picture.at(np.column_stack([x + steps, np.full(len(steps), y - 1.0)]))
    (x, y), _ = sheet.rule_y_mm
    along_y = picture.at(np.column_stack([np.full(len(steps), x + 1.0), y + steps]))
    for line in (along_x, along_y):
        assert np.ptp(steps[line < 128]) == pytest.approx(150.25, abs=0.1)


@pytest.mark.parametrize("name", list(MATS))
def test_numbers_of_rules_are_whole(name):
    """None is cut by a saddle's room or the ring: 150 must not read 15."""
    mat = mat_by_name(name)
    for sheet, _, page in pages(NARROW, mat, recentre=True):
        canvas, buffer = new_canvas("rules")
        canvas.setPageSize(page.get_size())
        pen = Pen(canvas, sheet.height_mm)
        (x, y), seam = sheet.rule_y_mm[0], sheet.seam
        pen.rule((x, y), 150.0, ticks="left" if seam == "left" else "right", behind=True)
        near, far = (x, x + 5.0) if seam == "left" else (x - 5.0, x)
        windows = [(near, y + at - 1.2, far, y + at + 1.2) for at in (0, 50, 100, 150)]
        canvas.save()
        ink = [np.sum(255 - picture_of(page, 300, window).grey.astype(float)) for window in windows]
        alone = open_pdf(buffer.getvalue())[0]
        wanted = [np.sum(255 - picture_of(alone, 300, window).grey.astype(float)) for window in windows]
        assert np.allclose(ink, wanted, rtol=0.03), (name, seam)


@pytest.mark.parametrize("labels", [("Sea", "House lights"), ("A", "Curtain")])
def test_labels_have_one_type_unless_one_needs_a_smaller(labels):
    layout = workshop_layout()
    first, second, *others = layout.buttons
    buttons = (replace(first, label=labels[0]), replace(second, label=labels[1]), *others)
    sizes = {text.text: text.size_mm for text in panel_texts(replace(layout, buttons=buttons)) if text.bold}
    usual = {size for size in sizes.values() if size >= NAME_MM}
    assert len(usual) == 1
    assert all(size <= max(usual) for size in sizes.values())


def test_pages_say_how_to_print_and_viewers_are_told_not_to_scale():
    data = template_pdf(workshop_layout(findings=True), MATS["a4-pair"])
    for page, side in zip(open_pdf(data), ("left", "right"), strict=True):
        text = page.get_textpage().get_text_range()
        assert "actual size" in text
        assert "Each rule must measure 150 mm" in text
        assert f"{side} sheet" in text
        assert "NOT TO BE BUILT YET" in text
    # ISO 32000-1, table 150: /PrintScaling /None.
    assert b"/PrintScaling /None" in data


@settings(max_examples=4, deadline=None)
@given(st.text(st.characters(exclude_categories=[])))
def test_no_label_breaks_the_file(label):
    assert len(open_pdf(template_pdf(relabelled(workshop_layout(), label), MATS["a3"]))) == 1


def test_a_layout_that_cannot_be_drawn_is_refused():
    layout = workshop_layout()
    layout = replace(layout, buttons=(replace(layout.buttons[0], hole_mm=math.nan),))
    with pytest.raises(InputError, match="'Stop' has a hole of nan mm"):
        template_pdf(layout, MATS["a3"])


def test_same_layout_gives_the_same_bytes():
    first, second = (template_pdf(workshop_layout(), MATS["a3"]) for _ in range(2))
    assert first == second
