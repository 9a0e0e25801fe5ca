"""The SVG, read back with svgelements and an XML parser."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from helpers_layout import relabelled, workshop_layout
from hypothesis import example, given, settings
from hypothesis import strategies as st
from svgelements import SVG, Arc, Circle, Close, Path

from handcapture.drawings.common import clean_label, describe_button
from handcapture.drawings.svg import layout_svg
from handcapture.layout.model import Layout

SVG_NAME = "{http://www.w3.org/2000/svg}"


def read_back(layout: Layout) -> SVG:
    # At 25.4 pixels per inch one pixel of the reader is one millimetre.
    return SVG.parse(io.BytesIO(layout_svg(layout)), ppi=25.4, reify=True)


def cut_elements(drawing: SVG, kind: type) -> list:
    return [e for e in drawing.elements(lambda e: isinstance(e, kind)) if e.values.get("class") in ("hole", "outline")]


def test_page_is_in_millimetres_and_a_user_unit_is_one():
    root = ElementTree.fromstring(layout_svg(workshop_layout()))
    assert root.tag == SVG_NAME + "svg"
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    assert root.attrib["width"] == f"{width:g}mm"
    assert root.attrib["height"] == f"{height:g}mm"


def test_every_hole_has_its_centre_and_diameter():
    layout = workshop_layout()
    left, top, _, _ = map(float, ElementTree.fromstring(layout_svg(layout)).attrib["viewBox"].split())
    holes = cut_elements(read_back(layout), Circle)
    for button, hole in zip(layout.buttons, holes, strict=True):
        assert hole.cx + left == pytest.approx(button.centre_mm[0], abs=1e-3)
        assert hole.cy + top == pytest.approx(button.centre_mm[1], abs=1e-3)
        assert 2 * hole.rx == pytest.approx(button.hole_mm, abs=1e-3)
        assert 2 * hole.ry == pytest.approx(button.hole_mm, abs=1e-3)


@pytest.mark.parametrize("radius", [0.0, 12.0, 75.0], ids=["square corners", "rounded", "stadium"])
def test_outline_has_the_panels_size_and_true_arcs(radius):
    layout = workshop_layout()
    layout = replace(layout, panel=replace(layout.panel, corner_radius_mm=radius))
    (outline,) = cut_elements(read_back(layout), Path)
    x0, y0, x1, y1 = outline.bbox(with_stroke=False)
    assert (x1 - x0, y1 - y0) == pytest.approx((320.0, 150.0), abs=1e-3)
    arcs = [segment for segment in outline if isinstance(segment, Arc)]
    assert len(arcs) == (4 if radius else 0)
    for arc in arcs:
        assert arc.rx == pytest.approx(radius, abs=1e-3)
        assert abs(arc.sweep) == pytest.approx(math.pi / 2, abs=1e-6)
    assert isinstance(outline[-1], Close)


def test_only_outline_and_holes_are_in_the_cut_group():
    root = ElementTree.fromstring(layout_svg(workshop_layout()))
    (cut,) = root.findall(f"{SVG_NAME}g[@id='cut']")
    assert [child.get("class") for child in cut] == ["outline"] + ["hole"] * 10
    (reference,) = root.findall(f"{SVG_NAME}g[@id='reference']")
    kinds = {child.get("class") for child in reference}
    assert kinds == {"centre", "wish", "label", "note"}
    (keep_outs,) = root.findall(f"{SVG_NAME}g[@id='keep-out']")
    assert {child.get("data-kind") for child in keep_outs} == {"keep-out"}


def test_labels_stay_inside_their_holes():
    """Width by a face that every machine has: the one the overlay and the template carry."""
    from PIL import ImageFont

    from handcapture.fonts import font_file

    layout = relabelled(workshop_layout(), "WWWWWWWW long label iiii")
    root = ElementTree.fromstring(layout_svg(layout))
    texts = root.findall(f".//{SVG_NAME}text[@class='label'][@font-weight]")
    assert len(texts) == 40, "a label that is too long for one line stands in two"
    for text in texts:
        size = float(text.attrib["font-size"])
        bold = text.attrib["font-weight"] == "bold"
        width = ImageFont.truetype(str(font_file(bold)), 100).getlength(text.text) * size / 100
        x, y = float(text.attrib["x"]), float(text.attrib["y"]) - 0.36 * size
        button = min(layout.buttons, key=lambda b: math.dist(b.centre_mm, (x, y)))
        corner = (abs(x - button.centre_mm[0]) + width / 2, abs(y - button.centre_mm[1]) + 0.36 * size)
        assert math.hypot(*corner) < button.hole_mm / 2


def test_metadata_and_tooltips():
    layout = workshop_layout()
    text = layout_svg(layout).decode()
    root = ElementTree.fromstring(text)
    assert root.findtext(f"{SVG_NAME}title") == "Mara's bench"
    assert "no kerf allowance" in root.findtext(f"{SVG_NAME}desc")
    dublin_core = "{http://purl.org/dc/elements/1.1/}"  # Dublin Core element set 1.1
    assert root.findtext(f"{SVG_NAME}metadata/{dublin_core}date") == layout.created
    titles = [
        hole.findtext(f"{SVG_NAME}title") for hole in root.iter(f"{SVG_NAME}circle") if hole.get("class") == "hole"
    ]
    assert titles == [describe_button(button) for button in layout.buttons]


def test_a_faulty_layout_says_so():
    assert "NOT TO BE BUILT YET" in layout_svg(workshop_layout(findings=True)).decode()
    assert "NOT TO BE BUILT" not in layout_svg(workshop_layout()).decode()


@settings(max_examples=60, deadline=None)
@given(st.text(st.characters(exclude_categories=[])))
@example('<script>alert("&")</script>')
@example("]]>\x00\x1b\ufffe\ud800")
@example("</text></svg>")
def test_no_label_breaks_the_file(label):
    layout = relabelled(workshop_layout(), label)
    root = ElementTree.fromstring(layout_svg(layout))
    shown = [text.text for text in root.findall(f".//{SVG_NAME}text[@font-weight='bold'][@class='label']")]
    told = clean_label(label)
    assert " ".join(shown) == " ".join([told] * 10 if told else []), "whole, in one line or in two"
    assert {child.tag for child in root} == {SVG_NAME + tag for tag in ("title", "desc", "metadata", "g")}
    assert len(cut_elements(read_back(layout), Circle)) == 10


def test_same_layout_gives_the_same_bytes():
    assert layout_svg(workshop_layout()) == layout_svg(workshop_layout())
