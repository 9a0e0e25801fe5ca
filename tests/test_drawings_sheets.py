"""The drill sheet, the cut sheet and the artist's outline, read back with pdfium, svgelements and shapely."""

from __future__ import annotations

import io
import math
import re
from dataclasses import replace
from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
from helpers_layout import relabelled, workshop_layout
from helpers_pdf import MM_PER_POINT, measure_circle, open_pdf, page_size_mm, picture_of
from hypothesis import given, settings
from hypothesis import strategies as st
from svgelements import SVG, Circle, Path
from test_drawings_outline import outlined_layout

from handcapture.drawings.art import art_of, art_pdf, art_svg
from handcapture.drawings.cut_sheet import cut_facts, cut_sheet_pdf
from handcapture.drawings.drill_sheet import _letters, _plan, drill_sheet_pdf, tagged_holes
from handcapture.drawings.sheet import MARGIN_MM, spread
from handcapture.drawings.tolerances import tolerance_mm
from handcapture.errors import InputError
from handcapture.layout.model import Cut, Finding
from handcapture.layout.outline import as_outline, polyline, vertices_of

SVG_NAME = "{http://www.w3.org/2000/svg}"


def text_of(page) -> str:
    return " ".join(page.get_textpage().get_text_range().split())


def text_boxes(page):
    """Return (left, top, right, bottom, text), mm, y down, of each run of text on a page."""
    height = page.get_size()[1]
    texts = page.get_textpage()
    found = []
    for k in range(texts.count_rects()):
        left, bottom, right, top = texts.get_rect(k)
        box = [v * MM_PER_POINT for v in (left, height - top, right, height - bottom)]
        found.append((*box, texts.get_text_bounded(left, bottom, right, top).strip()))
    return found


def crowded(count: int):
    """Return an invented panel with many holes."""
    layout = workshop_layout()
    panel = replace(layout.panel, width_mm=400.0, height_mm=240.0, keep_outs=())
    buttons = tuple(
        replace(
            layout.buttons[0],
            label=f"Cue {k}",
            centre_mm=(20.0 + 24.3 * (k % 15) + 0.37 * (k // 15), 20.0 + 23.7 * (k // 15) + 0.41 * (k % 15)),
            hole_mm=16.0 + k % 3,
        )
        for k in range(count)
    )
    return replace(layout, panel=panel, buttons=buttons)


# --- tolerances -----------------------------------------------------------------------------------------------

# ISO 2768-1:1989, table 1: permissible deviations for linear dimensions.
TABLE_1 = {
    "f": (0.05, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5),
    "m": (0.1, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2),
    "c": (0.2, 0.3, 0.5, 0.8, 1.2, 2.0, 3.0),
}


@pytest.mark.parametrize("name", TABLE_1)
def test_general_tolerances_are_those_of_the_standard(name):
    for (low, high), wanted in zip(
        ((0.5, 3), (3.01, 6), (6.01, 30), (30.01, 120), (120.01, 400), (400.01, 1000), (1000.01, 2000)),
        TABLE_1[name],
        strict=True,
    ):
        assert tolerance_mm(low, name) == tolerance_mm(high, name) == wanted


def test_tolerances_of_usual_holes():
    assert (tolerance_mm(24.0), tolerance_mm(30.0), tolerance_mm(30.01)) == (0.2, 0.2, 0.3)
    for size in (0.49, 2000.1, math.nan):
        with pytest.raises(InputError, match="no general tolerance"):
            tolerance_mm(size)


# --- drill sheet ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "height", "paper", "scale"),
    [
        (100.0, 60.0, "a4", 1.0),
        (320.0, 150.0, "a4", 2.0),
        (400.0, 230.0, "a4", 2.5),
        (400.0, 230.0, "a3", 2.0),
        (760.0, 300.0, "a4", 5.0),
        (320.0, 150.0, "letter", 2.0),  # standing: 160 mm and 31 mm for the ordinates on 196 mm
        (520.0, 250.0, "tabloid", 2.0),
    ],
)
def test_the_largest_scale_that_fits_is_taken_and_stated(width, height, paper, scale):
    layout = workshop_layout()
    panel = replace(layout.panel, width_mm=width, height_mm=height, keep_outs=())
    layout = replace(layout, panel=panel, buttons=(replace(layout.buttons[0], centre_mm=(40.0, 30.0)),))
    plan = _plan(panel, paper)
    assert plan.picture.scale == scale
    page = open_pdf(drill_sheet_pdf(layout, paper))[0]
    assert page_size_mm(page) == pytest.approx(plan.page_mm, abs=0.01)
    assert f"Scale 1:{scale:g}." in text_of(page)


@pytest.mark.parametrize("paper", ["a4", "letter", "a3", "tabloid"])
def test_holes_stand_at_the_stated_scale(paper):
    """Where no line of an ordinate or tag disturbs; 0.05 mm on paper, at 600 dpi."""
    layout = outlined_layout()
    plan = _plan(layout.panel, paper)
    page = open_pdf(drill_sheet_pdf(layout, paper))[0]
    scale = plan.picture.scale
    for button in layout.buttons:
        centre = plan.picture.at(button.centre_mm)
        found, diameter = measure_circle(page, centre, button.hole_mm / 2 / scale)
        assert found == pytest.approx(centre, abs=0.05)
        assert diameter == pytest.approx(button.hole_mm / scale, abs=0.05)


def test_ordinates_and_table_give_every_centre_from_the_datum_edges():
    layout = outlined_layout()
    text = text_of(open_pdf(drill_sheet_pdf(layout))[0])
    for hole in tagged_holes(layout):
        x, y = hole.centre_mm[0], layout.panel.height_mm - hole.centre_mm[1]
        assert re.search(rf"\b{hole.tag} {x:.2f} {y:.2f} {hole.diameter_mm:g} {re.escape(hole.label[:3])}", text)
        for value in (x, y):
            assert text.count(f"{value:.2f}") >= 2, "in the table and as an ordinate"
    for wanted in (
        "Revision C, 2031-03-04",
        "plywood, 3 mm thick",
        "datum edge x = 0",
        "datum edge y = 0",
        "ISO 2768-1 m",
        "This rule must measure 100 mm",
        "Never laser PVC",
        "no kerf allowance",
        "A 24 0.2 8",
        "B 30 0.2 2",
        "C 4.3 0.1 2",
        "window 160.00 84.00 36 × 14 R3",
    ):
        assert wanted in text, wanted


@pytest.mark.parametrize(
    "layout", [outlined_layout(), crowded(40), crowded(100)], ids=["desk", "40 holes", "100 holes"]
)
@pytest.mark.parametrize("paper", ["a4", "letter", "a3"])
def test_no_texts_of_the_drill_sheet_overlap_or_leave_the_frame(layout, paper):
    document = open_pdf(drill_sheet_pdf(layout, paper))
    for page in document:
        width, height = page_size_mm(page)
        boxes = text_boxes(page)
        for left, top, right, bottom, text in boxes:
            assert min(left, top, width - right, height - bottom) > 7.0, text
        for a, b in combinations(boxes, 2):
            overlap_x = min(a[2], b[2]) - max(a[0], b[0])
            overlap_y = min(a[3], b[3]) - max(a[1], b[1])
            assert min(overlap_x, overlap_y) < 0.35, (a, b)


def test_a_long_table_goes_on_to_more_pages():
    layout = crowded(100)
    document = open_pdf(drill_sheet_pdf(layout))
    assert len(document) > 1
    text = " ".join(text_of(page) for page in document)
    for button in layout.buttons:
        assert re.search(rf"{button.label}\b", text)
    assert "too many centres to draw all ordinates" in text
    assert "The table goes on on the next page." in text_of(document[0])


def test_many_ordinates_are_set_smaller_before_they_are_left_out():
    layout = crowded(40)
    text = text_of(open_pdf(drill_sheet_pdf(layout))[0])
    assert "too many" not in text
    for button in layout.buttons:
        assert f"{button.centre_mm[0]:.2f}" in text
        assert f"{layout.panel.height_mm - button.centre_mm[1]:.2f}" in text


def test_rule_of_the_drill_sheet_measures_100_mm():
    page = open_pdf(drill_sheet_pdf(workshop_layout()))[0]
    picture = picture_of(page, 600)
    _, height = page_size_mm(page)
    # Across the ticks, from the outer edge of the first to that of the last: a line's width more.
    steps = np.arange(60.0, 250.0, 0.05)
    line = np.column_stack([steps, np.full(len(steps), height - MARGIN_MM - 3.0 - 1.0)])
    assert np.ptp(steps[picture.at(line) < 128]) == pytest.approx(100.25, abs=0.1)


def test_tags_leave_out_letters_that_read_as_digits():
    names = [_letters(k) for k in range(60)]
    assert names[:3] == ["A", "B", "C"]
    assert len(set(names)) == 60
    assert not any(letter in name for name in names for letter in "IO")
    assert names[24] == "AA"


def test_a_panel_too_large_for_the_paper_is_refused():
    panel = replace(workshop_layout().panel, width_mm=1900.0, height_mm=900.0, keep_outs=())
    with pytest.raises(InputError, match=r"1900 × 900 mm does not fit on a4 at 1:5\. Choose a larger paper"):
        drill_sheet_pdf(replace(workshop_layout(), panel=panel))
    with pytest.raises(InputError, match="no paper called 'a5'"):
        drill_sheet_pdf(workshop_layout(), "a5")


@settings(deadline=None)
@given(
    wished=st.lists(st.floats(0.0, 100.0), min_size=1, max_size=20).map(sorted),
    gap=st.floats(0.1, 5.0),
)
def test_spread_places_are_apart_in_order_and_least_far_moved(wished, gap):
    """Against scipy's quadratic solver on the same problem."""
    from scipy.optimize import minimize

    found = np.array(spread(wished, gap, -50.0, 150.0))
    assert (np.diff(found) >= gap - 1e-9).all()
    assert found.min() >= -50.0 - 1e-9
    assert found.max() <= 150.0 + 1e-9
    if len(wished) <= 6:
        start = -50.0 + gap * np.arange(len(wished))
        best = minimize(
            lambda p: ((p - wished) ** 2).sum(),
            start,
            jac=lambda p: 2 * (p - wished),
            method="SLSQP",
            bounds=[(-50.0, 150.0)] * len(wished),
            constraints=[{"type": "ineq", "fun": lambda p, k=k: p[k + 1] - p[k] - gap} for k in range(len(wished) - 1)],
        )
        assert ((found - wished) ** 2).sum() <= best.fun + 1e-4


def test_spread_refuses_what_has_no_room():
    with pytest.raises(InputError, match="12 dimensions do not fit"):
        spread([0.0] * 12, 1.0, 0.0, 10.0)


# --- cut sheet ------------------------------------------------------------------------------------------------


def test_cut_sheet_states_what_a_shop_prices_by():
    layout = outlined_layout()
    facts = dict(cut_facts(layout, quantity=25, kerf_mm=0.2, files=["panel_C.dxf"]))
    shape = shapely.Polygon(polyline(vertices_of(layout.panel), 1e-5))
    holes = math.pi * (8 * 24 + 2 * 30)
    others = 2 * math.pi * 4.3 + shapely.box(3, 3, 33, 11).buffer(3.0, quad_segs=5000).exterior.length
    total = shape.exterior.length + holes + others
    assert facts["Cut length, one piece"] == (
        f"{total:.0f} mm: outline {shape.exterior.length:.0f}, button holes {holes:.0f}, others {others:.0f}; "
        "14 closed lines"
    )
    assert facts["Cut length, 25 pieces"] == f"{25 * total / 1000:.1f} m; 350 closed lines"
    assert facts["Quantity"] == "25 pieces"
    assert facts["Bounding box"] == "320 × 150 mm"
    assert facts["Button holes"] == "10: 8 × Ø24 ±0.2, 2 × Ø30 ±0.2"
    assert facts["Other round holes"] == "2: 2 × Ø4.3 ±0.1"
    assert facts["Other cuts"] == "1 × 36 × 14 R3"
    assert facts["Area"].startswith(f"{shape.area / 100:.1f} cm² within the outline")
    assert facts["Kerf"].startswith("KERF IS ALREADY ALLOWED FOR: 0.2 mm")
    assert facts["Files"] == "panel_C.dxf"


@pytest.mark.parametrize("paper", ["a4", "letter", "a3", "tabloid"])
def test_cut_sheet_is_one_page_with_everything_on_it(paper):
    (page,) = open_pdf(cut_sheet_pdf(outlined_layout(), paper, quantity=3))
    text = text_of(page)
    for wanted in (
        "Mara's bench",
        "Revision C, 2031-03-04",
        "plywood, 3 mm thick",
        "3 pieces",
        "320 × 150 mm",
        "ISO 2768-1 m",
        "no kerf allowance",
        "Deburr",
        "masking film",
        "Never laser PVC",
        "eye protection",
    ):
        assert wanted in text, wanted
    assert {"320", "150"} <= {box[4] for box in text_boxes(page)}, "overall dimensions at the picture"


def test_a_full_cut_sheet_still_is_one_page_within_its_frame():
    layout = outlined_layout()
    cuts = tuple(Cut(f"slot {k}", "rectangle", (20.0 + 3 * k, 130.0), size_mm=(2.0, 2.0 + 0.13 * k)) for k in range(60))
    layout = replace(
        layout,
        panel=replace(layout.panel, cuts=cuts),
        findings=(Finding("web-thin", "error", "Feed and Coolant leave 4.1 mm of web."),),
    )
    (page,) = open_pdf(cut_sheet_pdf(layout, quantity=100, files=[f"panel_{k}.dxf" for k in range(20)]))
    width, height = page_size_mm(page)
    boxes = text_boxes(page)
    assert all(
        left > 7 and top > 7 and right < width - 7 and bottom < height - 7 for left, top, right, bottom, _ in boxes
    )
    assert "NOT TO BE BUILT YET" in text_of(page)
    assert "persists." in text_of(page)


@pytest.mark.parametrize("quantity", [0, -3, 100_001])
def test_a_quantity_that_cannot_be_is_refused(quantity):
    with pytest.raises(InputError, match=f"quantity is {quantity}"):
        cut_sheet_pdf(workshop_layout(), quantity=quantity)


# --- artist's outline -----------------------------------------------------------------------------------------


def test_art_lines_lie_where_they_are_said_to():
    layout = outlined_layout()
    art = art_of(layout, bleed_mm=3.0, safe_mm=4.0)
    edge = shapely.LinearRing(polyline(vertices_of(layout.panel), 1e-4))
    inside = shapely.Polygon(edge)
    for lines, distance, within in ((art.bleed, 3.0, False), (art.safe, 4.0, True)):
        (line,) = lines
        spots = shapely.points(polyline(line, 1e-3))
        assert shapely.distance(spots, edge).min() == pytest.approx(distance, abs=2e-3)
        assert (shapely.contains(inside, spots) == within).all()
    # Rim radius and 1 mm; a cut and 1 mm; what stands above the panel, not what lies below.
    assert [diameter for _, diameter in art.clear_circles] == pytest.approx(
        [30.0] * 4 + [36.0] * 2 + [30.0] * 4 + [6.3] * 2 + [20.0]
    )
    window, plate = (shapely.Polygon(polyline(line)).bounds for line in art.clear_lines)
    assert window == pytest.approx((141, 58, 179, 74))
    assert plate == pytest.approx((25, 112, 85, 128))


def test_art_svg_has_named_layers_in_true_size():
    layout = outlined_layout()
    data = art_svg(layout, bleed_mm=5.0)
    root = ElementTree.fromstring(data)
    assert [group.get("id") for group in root.findall(f"{SVG_NAME}g")] == [
        "artwork",
        "keep-clear",
        "bleed",
        "safe",
        "outline",
        "notes",
    ]
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    assert (root.attrib["width"], root.attrib["height"]) == (f"{width:g}mm", f"{height:g}mm")
    texts = [text.text for text in root.iter(f"{SVG_NAME}text")]
    assert not any("Stop" in text for text in texts), "labels are off unless asked for"
    for wanted in (
        "revision C, 2031-03-04",
        "group bleed",
        "5 mm beyond",
        "group safe",
        "group keep-clear",
        "True size",
    ):
        assert any(wanted in text for text in texts), wanted
    left, top = map(float, root.attrib["viewBox"].split()[:2])
    drawing = SVG.parse(io.BytesIO(data), ppi=25.4, reify=True)
    holes = list(drawing.elements(lambda e: isinstance(e, Circle)))[-12:-2]
    for button, hole in zip(layout.buttons, holes, strict=True):
        assert (hole.cx + left, hole.cy + top) == pytest.approx(button.centre_mm, abs=1e-3)
        assert 2 * hole.rx == pytest.approx(button.hole_mm, abs=1e-3)
    boxes = [e.bbox(with_stroke=False) for e in drawing.elements(lambda e: isinstance(e, Path))]
    sizes = {(round(box[2] - box[0], 2), round(box[3] - box[1], 2)) for box in boxes}
    assert {(330.0, 160.0), (320.0, 150.0), (314.0, 144.0)} <= sizes
    labelled = [text.text for text in ElementTree.fromstring(art_svg(layout, labels=True)).iter(f"{SVG_NAME}text")]
    assert {"Stop", "name plate (above the panel)", "M4 Ø4.3"} <= set(labelled)


def test_art_pdf_is_in_true_size():
    layout = outlined_layout()
    page = open_pdf(art_pdf(layout))[0]
    # The bleed's corner, 3 mm outside the panel's, is 8 mm from the page's.
    for button in layout.buttons:
        centre = (button.centre_mm[0] + 11.0, button.centre_mm[1] + 11.0)
        found, diameter = measure_circle(page, centre, button.hole_mm / 2)
        assert found == pytest.approx(centre, abs=0.05)
        assert diameter == pytest.approx(button.hole_mm, abs=0.05)
    assert "carry the artwork out to here, 3 mm beyond the edge" in text_of(page)


@pytest.mark.parametrize(
    ("wish", "complaint"),
    [
        ({"bleed_mm": -1.0}, "bleed is -1 mm"),
        ({"bleed_mm": math.nan}, "bleed is nan mm"),
        ({"safe_mm": 60.0}, "safe margin is 60 mm"),
        ({"safe_mm": 45.0}, "leaves nothing of a panel of 120 × 80 mm"),
    ],
)
def test_margins_that_cannot_be_are_refused(wish, complaint):
    panel = replace(workshop_layout().panel, width_mm=120.0, height_mm=80.0, keep_outs=())
    with pytest.raises(InputError, match=complaint):
        art_svg(replace(workshop_layout(), panel=panel, buttons=()), **wish)


# --- all of them ----------------------------------------------------------------------------------------------


@settings(max_examples=8, deadline=None)
@given(st.text(st.characters(exclude_categories=[])))
def test_no_label_breaks_a_sheet(label):
    layout = relabelled(workshop_layout(), label)
    assert len(open_pdf(drill_sheet_pdf(layout))) == 1
    assert len(open_pdf(cut_sheet_pdf(layout, files=[label]))) == 1
    assert len(open_pdf(art_pdf(layout, labels=True))) == 1
    ElementTree.fromstring(art_svg(layout, labels=True))


def test_same_layout_gives_the_same_bytes():
    for make in (drill_sheet_pdf, cut_sheet_pdf, art_svg, art_pdf):
        assert make(outlined_layout()) == make(outlined_layout())


def test_an_outline_without_straight_datum_edges_is_drawn():
    panel = replace(workshop_layout().panel, keep_outs=(), **as_outline(((0, 60, 1.0), (120, 60, 1.0))))
    layout = replace(
        workshop_layout(), panel=panel, buttons=(replace(workshop_layout().buttons[0], centre_mm=(60, 60)),)
    )
    text = text_of(open_pdf(drill_sheet_pdf(layout))[0])
    assert "the left and the bottom of the box round the outline" in text
    assert dict(cut_facts(layout))["Cut length, one piece"].startswith(f"{math.pi * (120 + 24):.0f} mm")
