"""The DXF, read back with ezdxf's reader and auditor."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import ezdxf
import pytest
from ezdxf import bbox
from ezdxf.document import Drawing
from ezdxf.math import bulge_to_arc
from ezdxf.tools.text import plain_text
from helpers_layout import relabelled, workshop_layout
from hypothesis import example, given, settings
from hypothesis import strategies as st

from handcapture.drawings.common import clean_label
from handcapture.drawings.dxf import escape_text, layout_dxf
from handcapture.errors import InputError
from handcapture.layout.model import Layout


def read_back(layout: Layout) -> Drawing:
    document = ezdxf.read(io.StringIO(layout_dxf(layout).decode("utf-8")))
    auditor = document.audit()
    assert not auditor.has_errors, auditor.errors
    assert not auditor.has_fixes, auditor.fixes
    return document


@pytest.fixture(scope="module")
def document() -> Drawing:
    return read_back(workshop_layout())


def test_file_on_disk_opens_with_readfile(tmp_path):
    path = tmp_path / "panel.dxf"
    path.write_bytes(layout_dxf(workshop_layout()))
    assert not ezdxf.readfile(path).audit().has_errors


def test_header_says_millimetres(document):
    # DXF reference, header variables: $INSUNITS 4 = millimetres, $MEASUREMENT 1 = metric, AC1024 = R2010.
    assert document.header["$INSUNITS"] == 4
    assert document.header["$MEASUREMENT"] == 1
    assert document.header["$ACADVER"] == "AC1024"


def test_cut_layer_holds_the_outline_and_the_holes_only(document):
    cut = document.modelspace().query('*[layer=="CUT"]')
    assert sorted(entity.dxftype() for entity in cut) == ["CIRCLE"] * 10 + ["LWPOLYLINE"]
    layers = {entity.dxf.layer for entity in document.modelspace()}
    assert layers == {"CUT", "REFERENCE", "KEEP_OUT", "KEEP_OUT_ABOVE", "KEEP_OUT_BELOW"}


def test_every_hole_has_its_centre_and_diameter(document):
    layout = workshop_layout()
    circles = list(document.modelspace().query('CIRCLE[layer=="CUT"]'))
    for button, circle in zip(layout.buttons, circles, strict=True):
        x, y = button.centre_mm
        assert circle.dxf.center.x == pytest.approx(x, abs=1e-3)
        assert circle.dxf.center.y == pytest.approx(layout.panel.height_mm - y, abs=1e-3)
        assert 2 * circle.dxf.radius == pytest.approx(button.hole_mm, abs=1e-3)


def test_cut_layer_spans_the_panel_exactly(document):
    box = bbox.extents(document.modelspace().query('*[layer=="CUT"]'))
    assert tuple(box.extmin.vec2) == pytest.approx((0.0, 0.0), abs=1e-6)
    assert tuple(box.extmax.vec2) == pytest.approx((320.0, 150.0), abs=1e-6)


@pytest.mark.parametrize(
    ("width", "height", "radius"),
    [(320.0, 150.0, 12.0), (320.0, 150.0, 0.0), (200.0, 80.0, 40.0), (80.0, 200.0, 40.0), (90.0, 90.0, 45.0)],
    ids=["rounded", "square corners", "stadium lying", "stadium standing", "disc"],
)
def test_outline_is_closed_with_true_arcs(width, height, radius):
    layout = workshop_layout()
    panel = replace(layout.panel, width_mm=width, height_mm=height, corner_radius_mm=radius, keep_outs=())
    (outline,) = read_back(replace(layout, panel=panel, buttons=())).modelspace().query("LWPOLYLINE")
    assert outline.closed
    points = list(outline.get_points("xyb"))
    doubled_area, arcs = 0.0, 0
    for (x0, y0, bulge), (x1, y1, _) in zip(points, points[1:] + points[:1], strict=True):
        assert math.dist((x0, y0), (x1, y1)) > 1e-6, "a segment of no length"
        doubled_area += x0 * y1 - x1 * y0
        if bulge:
            arcs += 1
            centre, start, end, arc_radius = bulge_to_arc((x0, y0), (x1, y1), bulge)
            assert arc_radius == pytest.approx(radius, abs=1e-9)
            assert (end - start) % math.tau == pytest.approx(math.pi / 2, abs=1e-9)
            assert min(centre.x, width - centre.x) == pytest.approx(radius, abs=1e-9)
            assert min(centre.y, height - centre.y) == pytest.approx(radius, abs=1e-9)
            doubled_area += radius**2 * (math.pi / 2 - 1)  # two circular segments of a quarter: r²(θ − sin θ)
    assert arcs == (4 if radius else 0)
    # Positive: anticlockwise, y up. Rectangle less the four corners.
    assert doubled_area / 2 == pytest.approx(width * height - (4 - math.pi) * radius**2, abs=1e-6)


def test_drawing_is_not_mirrored(document):
    """Seen from above, going from left little finger over the index to the thumb is a clockwise turn."""
    little, index, thumb = (document.modelspace().query('CIRCLE[layer=="CUT"]')[k].dxf.center for k in (0, 3, 4))
    assert little.x < index.x < thumb.x, "the left hand is on the left"
    assert thumb.y < little.y < index.y, "thumbs are nearest to the person, at the bottom"
    assert (index - little).cross(thumb - index).z < 0


def test_texts_are_clear_of_the_holes_and_of_each_other(document):
    space = document.modelspace()
    boxes = [bbox.extents([text]) for text in space.query("TEXT")]
    for number, box in enumerate(boxes):
        for circle in space.query('CIRCLE[layer=="CUT"]'):
            x, y = circle.dxf.center.x, circle.dxf.center.y
            nearest = (
                min(max(x, box.extmin.x), box.extmax.x),
                min(max(y, box.extmin.y), box.extmax.y),
            )
            assert math.dist(nearest, (x, y)) > circle.dxf.radius + 0.3
        assert not any(box.has_overlap(other) for other in boxes[:number])


def test_wishes_are_marked_where_the_finger_wanted_the_button(document):
    layout = workshop_layout()
    ends = {
        (round(line.dxf.end.x, 3), round(line.dxf.end.y, 3))
        for line in document.modelspace().query('LINE[layer=="REFERENCE"]')
    }
    for button in layout.buttons:
        if button.moved_mm > 0.1:
            x, y = button.wish_mm
            assert (round(x, 3), round(layout.panel.height_mm - y, 3)) in ends


def test_a_faulty_layout_says_so_on_the_drawing():
    texts = [text.plain_text() for text in read_back(workshop_layout(findings=True)).modelspace().query("TEXT")]
    assert any("NOT TO BE BUILT" in text and "1 error" in text for text in texts)
    texts = [text.plain_text() for text in read_back(workshop_layout()).modelspace().query("TEXT")]
    assert not any("NOT TO BE BUILT" in text for text in texts)


def test_nothing_but_dates_and_identifiers_differs_between_two_runs():
    first, second = (layout_dxf(workshop_layout()).decode().splitlines() for _ in range(2))
    assert len(first) == len(second)
    differing = [a for a, b in zip(first, second, strict=True) if a != b]
    # $TDCREATE, $TDUPDATE, the two GUIDs, and the library's two "version @ time" marks.
    assert len(differing) <= 6


def test_names_no_user_and_no_path():
    text = layout_dxf(workshop_layout()).decode()
    assert "$LASTSAVEDBY\n  1\nhandcapture\n" in text
    assert "/root" not in text
    assert "/home" not in text


@pytest.mark.parametrize(
    ("label", "shown"),
    [("50 %% faster", "50 %% faster"), ("%%c24", "%%c24"), ("a^b ^J", "a^b ^J"), (r"\U+0041", r"\ U+0041")],
    ids=["percent signs", "control code", "carets", "encoded character"],
)
def test_control_codes_are_shown_as_written(label, shown):
    texts = [text.plain_text() for text in read_back(relabelled(workshop_layout(), label)).modelspace().query("TEXT")]
    assert texts.count(f"{shown} Ø24") == 8


@given(st.text(st.characters(exclude_categories=["Cs"])))
@example("%%%%")
@example("^^_")
@example("\\ U+")
def test_escaped_text_reads_back_as_itself(label):
    """ezdxf's plain_text decodes %%x and ^x as the DXF reference has it, but drops carets at the end."""
    text = clean_label(label).rstrip("^")

    def unspaced(shown):
        return shown.replace("\\ U+", "\\U+").replace("\\ M+", "\\M+")

    assert unspaced(plain_text(escape_text(text))) == unspaced(text)


@settings(max_examples=8, deadline=None)
@given(st.lists(st.text(st.characters(exclude_categories=[])), min_size=10, max_size=10))
def test_no_label_breaks_the_file(labels):
    layout = workshop_layout()
    buttons = tuple(replace(b, label=label) for b, label in zip(layout.buttons, labels, strict=True))
    space = read_back(replace(layout, buttons=buttons)).modelspace()
    assert len(space.query('CIRCLE[layer=="CUT"]')) == 10
    assert len(space.query('LWPOLYLINE[layer=="CUT"]')) == 1


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"width_mm": math.nan}, "width is nan mm"),
        ({"height_mm": 0.0}, "height is 0.0 mm"),
        ({"corner_radius_mm": 80.0}, "corner radius is 80.0 mm, but it must lie between 0 and 75 mm"),
        ({"corner_radius_mm": -1.0}, "corner radius is -1.0 mm"),
    ],
    ids=["width not a number", "no height", "corner too round", "corner negative"],
)
def test_a_panel_that_cannot_be_drawn_is_refused(change, complaint):
    layout = workshop_layout()
    with pytest.raises(InputError, match=complaint):
        layout_dxf(replace(layout, panel=replace(layout.panel, **change)))


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"hole_mm": 0.0}, "'Stop' has a hole of 0.0 mm"),
        ({"centre_mm": (math.inf, 3.0)}, "'Stop' has no centre"),
        ({"wish_mm": (math.nan, 3.0)}, "'Stop' has no centre"),
    ],
    ids=["no hole", "centre infinite", "wish not a number"],
)
def test_a_button_that_cannot_be_drawn_is_refused(change, complaint):
    layout = workshop_layout()
    with pytest.raises(InputError, match=complaint):
        layout_dxf(replace(layout, buttons=(replace(layout.buttons[0], **change),)))


def test_a_keep_out_that_cannot_be_drawn_is_refused():
    layout = workshop_layout()
    keep_out = replace(layout.panel.keep_outs[0], diameter_mm=-2.0)
    with pytest.raises(InputError, match="keep-out 'cable gland'"):
        layout_dxf(replace(layout, panel=replace(layout.panel, keep_outs=(keep_out,))))
