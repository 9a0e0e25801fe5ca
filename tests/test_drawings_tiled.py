"""The tiled print, rasterised with pdfium and measured."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np
import pytest
from helpers_layout import relabelled, workshop_layout
from helpers_pdf import measure_circle, open_pdf, page_size_mm, picture_of
from hypothesis import given, settings
from hypothesis import strategies as st
from test_drawings_outline import outlined_layout

from handcapture.drawings.common import circle_points, outline_points
from handcapture.drawings.tiled import (
    OVERLAP_MM,
    PAPERS_MM,
    crosses,
    tiled_pdf,
    tiling,
    window_corner_mm,
)
from handcapture.errors import InputError


def pages_and_corners(layout, paper):
    """Return each page, the panel's spans on it, and where the panel's (0, 0) lies on the page."""
    plan = tiling(layout.panel, paper)
    document = open_pdf(tiled_pdf(layout, paper))
    assert len(document) == plan.pages
    for number, page in enumerate(document):
        row, column = divmod(number, len(plan.columns))
        spans = plan.columns[column], plan.rows[row]
        corner = window_corner_mm(plan, row, column)
        yield page, spans, (corner[0] - spans[0][0], corner[1] - spans[1][0])


# ISO 216: A4 210 x 297, A3 297 x 420; ANSI/ASME Y14.1: A 215.9 x 279.4, B 279.4 x 431.8 mm.
@pytest.mark.parametrize(
    ("paper", "sides"),
    [("a4", (210.0, 297.0)), ("a3", (297.0, 420.0)), ("letter", (215.9, 279.4)), ("tabloid", (279.4, 431.8))],
)
def test_pages_have_the_papers_size(paper, sides):
    assert sorted(PAPERS_MM[paper]) == sorted(sides)
    for page in open_pdf(tiled_pdf(workshop_layout(), paper)):
        assert sorted(page_size_mm(page)) == pytest.approx(sorted(sides), abs=0.01)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_hole_is_printed_in_true_size_on_some_page(paper):
    layout = workshop_layout()
    found = set()
    for page, (across, down), corner in pages_and_corners(layout, paper):
        for button in layout.buttons:
            (x, y), radius = button.centre_mm, button.hole_mm / 2 + 3.5
            if across[0] < x - radius and x + radius < across[1] and down[0] < y - radius and y + radius < down[1]:
                expected = (corner[0] + x, corner[1] + y)
                centre, diameter = measure_circle(page, expected, button.hole_mm / 2)
                assert centre == pytest.approx(expected, abs=0.05)
                assert diameter == pytest.approx(button.hole_mm, abs=0.05)
                found.add(button.label)
    assert found == {button.label for button in layout.buttons}


def test_neighbouring_pages_show_the_same_in_their_overlap():
    """What both pages show of the panel lies at the same panel coordinates."""
    layout = workshop_layout()
    (left, left_spans, left_corner), (right, right_spans, right_corner) = pages_and_corners(layout, "a4")
    start, end = right_spans[0][0], left_spans[0][1]
    assert end - start == pytest.approx(OVERLAP_MM)
    pictures = []
    for page, corner in ((left, left_corner), (right, right_corner)):
        x, y = np.round(np.array([start + 0.5, left_spans[1][0] + 0.5]) + corner, 9)
        window = (x, y, x + OVERLAP_MM - 1, y + 150)
        pictures.append(picture_of(page, 150, window).grey.astype(float))
    shape = np.minimum(pictures[0].shape, pictures[1].shape)
    a, b = (picture[: shape[0], : shape[1]] for picture in pictures)
    (shift_x, shift_y), _ = cv2.phaseCorrelate(a, b)
    assert np.hypot(shift_x, shift_y) < 1.0, "pixels of 0.17 mm"
    assert (a < 128).sum() > 200


@pytest.mark.parametrize(
    ("width", "height", "paper", "grid"),
    [
        (320.0, 150.0, "a4", (2, 1)),
        (320.0, 150.0, "a3", (1, 1)),
        (620.0, 400.0, "a4", (4, 2)),
        (900.0, 150.0, "a3", (3, 1)),
        (60.0, 60.0, "letter", (1, 1)),
    ],
)
def test_panel_is_covered_with_the_fewest_pages(width, height, paper, grid):
    panel = replace(workshop_layout().panel, width_mm=width, height_mm=height)
    plan = tiling(panel, paper)
    assert (len(plan.columns), len(plan.rows)) == grid


@given(
    width=st.floats(20, 2000),
    height=st.floats(20, 1200),
    paper=st.sampled_from(sorted(PAPERS_MM)),
)
def test_spans_cover_the_panel_and_fit_the_page(width, height, paper):
    panel = replace(workshop_layout().panel, width_mm=width, height_mm=height)
    plan = tiling(panel, paper)
    for spans, length, side in ((plan.columns, width, plan.page_mm[0]), (plan.rows, height, plan.page_mm[1])):
        assert spans[0][0] < 0
        assert spans[-1][1] > length
        for (_, end), (start, _) in pairwise(spans):
            assert end - start == pytest.approx(OVERLAP_MM)
        assert all(stop - start < side - 2 * 6.0 for start, stop in spans), "6 mm of margin stay blank"


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_crosses_stand_on_the_seams_clear_of_holes(paper):
    layout = workshop_layout()
    layout = replace(layout, panel=replace(layout.panel, height_mm=260.0))
    plan = tiling(layout.panel, paper)
    found = crosses(plan, layout)
    assert len(found) == 2 * len(plan.rows) * (len(plan.columns) - 1) + 2 * len(plan.columns) * (len(plan.rows) - 1)
    seams_x = [(end + start) / 2 for (_, end), (start, _) in pairwise(plan.columns)]
    seams_y = [(end + start) / 2 for (_, end), (start, _) in pairwise(plan.rows)]
    for x, y in found:
        assert min([abs(x - seam) for seam in seams_x] + [abs(y - seam) for seam in seams_y]) < 1e-9
        for button in layout.buttons:
            assert np.hypot(x - button.centre_mm[0], y - button.centre_mm[1]) > button.hole_mm / 2 + 5.0


def test_rules_measure_150_mm():
    """Across the ticks, from the outer edge of the first to that of the last: a line's width more."""
    page = open_pdf(tiled_pdf(workshop_layout(), "a4"))[0]
    _, height = page_size_mm(page)
    picture = picture_of(page, 600)
    steps = np.arange(0.0, 190.0, 0.05)
    along_x = np.column_stack([steps, np.full(len(steps), height - 9.0)])
    along_y = np.column_stack([np.full(len(steps), 9.0), steps])
    for line in (along_x, along_y):
        assert np.ptp(steps[picture.at(line) < 128]) == pytest.approx(150.25, abs=0.1)


def test_pages_say_where_they_belong_and_how_to_print():
    document = open_pdf(tiled_pdf(workshop_layout(findings=True), "a4"))
    texts = [page.get_textpage().get_text_range() for page in document]
    for number, text in enumerate(texts, start=1):
        assert f"Page {number} of 2, row 1, column {number}." in text
        assert "actual size" in text
        assert "NOT TO BE BUILT YET" in text
        assert "lay cross on cross" in text
    assert "Page 1 of 1. " in open_pdf(tiled_pdf(workshop_layout(), "a3"))[0].get_textpage().get_text_range()


def test_viewers_are_told_not_to_scale():
    # ISO 32000-1, table 150: /PrintScaling /None.
    assert b"/PrintScaling /None" in tiled_pdf(workshop_layout(), "a4")


@settings(max_examples=15, deadline=None)
@given(st.text(st.characters(exclude_categories=[])))
def test_no_label_breaks_the_file(label):
    assert len(open_pdf(tiled_pdf(relabelled(workshop_layout(), label), "a4"))) == 2


def test_same_layout_gives_the_same_bytes():
    assert tiled_pdf(workshop_layout(), "a4") == tiled_pdf(workshop_layout(), "a4")


def test_an_unknown_paper_is_refused():
    with pytest.raises(InputError, match=r"no paper called 'a5'.*a4, letter, a3, tabloid"):
        tiled_pdf(workshop_layout(), "a5")


def test_outline_cuts_and_holes_of_a_desk_are_true_on_every_page():
    """At 600 dpi; names stand whole on a page, each on one at least, and no cross on a name."""
    layout = outlined_layout()
    seen, found = "", set()
    for page, (across, down), corner in pages_and_corners(layout, "a4"):
        picture = picture_of(page, 600)
        places = np.vstack([outline_points(layout.panel, 0.5), circle_points((310.0, 10.0), 2.15)])
        here = (places > np.array([across[0], down[0]]) + 1.0) & (places < np.array([across[1], down[1]]) - 1.0)
        here = here.all(axis=1)
        assert here.sum() > 300
        assert (picture.at(places[here] + corner) < 160).all()
        for button in layout.buttons:
            (x, y), radius = button.centre_mm, button.hole_mm / 2 + 3.5
            if across[0] < x - radius and x + radius < across[1] and down[0] < y - radius and y + radius < down[1]:
                expected = (corner[0] + x, corner[1] + y)
                centre, diameter = measure_circle(page, expected, button.hole_mm / 2)
                assert centre == pytest.approx(expected, abs=0.05)
                assert diameter == pytest.approx(button.hole_mm, abs=0.05)
                found.add(button.label)
        seen += page.get_textpage().get_text_range()
    assert found == {button.label for button in layout.buttons}
    for name in (*found, "window 36 × 14 R3", "relay (below the panel)", "socket (back wall, below)", "cable gland"):
        assert name in seen
    assert "Template of Mara's bench · Bench panel" in seen
    assert seen.count("Revision C, 2031-03-04.") == seen.count("Page 1 of") * 2
