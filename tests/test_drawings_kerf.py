"""Lines moved out and in, their lengths and areas, against shapely; and the kerf, read back from the files."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
from helpers_layout import workshop_layout
from hypothesis import example, given, settings
from hypothesis import strategies as st
from svgelements import SVG, Path
from test_drawings_outline import (
    CORNERS,
    Q,
    assert_same_line,
    bulges,
    chords,
    data_of,
    dxf_of,
    of_kind,
    outlined_layout,
    outlines,
    upright,
)

from handcapture.drawings.contours import area_mm2, bounds_of, length_mm, offset, pieces_of, rectangle
from handcapture.drawings.drill import layout_drill_csv
from handcapture.drawings.kerf import cutting, rounded_corners
from handcapture.drawings.svg import layout_svg
from handcapture.errors import InputError
from handcapture.layout.model import Cut
from handcapture.layout.outline import as_outline, polyline, vertices_of

PANEL = as_outline(CORNERS)["outline"]


def polygon(contour, sagitta=1e-4):
    return shapely.Polygon(polyline(contour, sagitta))


@pytest.mark.parametrize("distance", [3.0, 0.1, -0.1, -3.0, -9.0])
def test_moved_lines_of_the_desk_are_exact(distance):
    """Against shapely's buffer: between that with round and that with pointed corners."""
    moved = offset(PANEL, distance)
    assert moved.exact
    (contour,) = moved.contours
    found = polygon(contour)
    rounded = polygon(PANEL).buffer(distance, quad_segs=2000)
    pointed = polygon(PANEL).buffer(distance, join_style="mitre", quad_segs=2000)
    inner, outer = (rounded, pointed) if distance > 0 else (pointed, rounded)
    assert inner.difference(found.buffer(2e-3)).area < 1e-6
    assert found.difference(outer.buffer(2e-3)).area < 1e-6
    if distance > 0:
        line = shapely.LinearRing(polyline(PANEL, 1e-4))
        spots = shapely.points(polyline(contour, 1e-4))
        assert shapely.distance(spots, line).min() == pytest.approx(distance, abs=1e-3)


def test_arcs_of_a_moved_line_keep_their_centres():
    (grown,) = offset(PANEL, 3.0).contours
    arcs = [vertex for vertex in grown if vertex[2]]
    # Four corners, the hollow front, and the corners beside it rounded round the old ones where it bulges out.
    radii = sorted(
        round(math.dist(a[:2], b[:2]) * (1 + a[2] ** 2) / (4 * abs(a[2])), 3)
        for a, b in zip(grown, (*grown[1:], grown[0]), strict=True)
        if a[2]
    )
    front = 140.0 * (1 + 0.12**2) / (4 * 0.12)
    assert len(arcs) >= 5
    assert radii[-1] == pytest.approx(front - 3.0, abs=2e-3)
    assert radii[-5:-1] == [15.0] * 4


@pytest.mark.parametrize(
    ("radius", "distance", "size", "arc"),
    [
        (12.0, 3.0, (326, 156), 15.0),
        (12.0, -3.0, (314, 144), 9.0),
        (0.0, 3.0, (326, 156), None),
        (2.0, -3.0, (314, 144), None),
    ],
    ids=["out", "in", "square corners", "corner vanishes"],
)
def test_rectangles_stay_rectangles(radius, distance, size, arc):
    contour = rectangle((160.0, 75.0), (320.0, 150.0), radius)
    (moved,) = offset(contour, distance).contours
    left, top, right, bottom = bounds_of([moved])
    assert (right - left, bottom - top) == pytest.approx(size, abs=1e-6)
    width, height = size
    corner = arc or 0.0
    assert area_mm2(moved) == pytest.approx(width * height - (4 - math.pi) * corner**2, abs=1e-6)
    assert length_mm(moved) == pytest.approx(2 * (width + height) - (8 - 2 * math.pi) * corner, abs=1e-6)


def test_a_circle_grows_to_a_circle():
    (moved,) = offset(((0.0, 50.0, 1.0), (100.0, 50.0, 1.0)), 2.0).contours
    assert length_mm(moved) == pytest.approx(math.tau * 52.0)
    assert area_mm2(moved) == pytest.approx(math.pi * 52.0**2)


def test_where_nothing_exact_is_possible_chords_say_so():
    """A notch of 4 mm closes when 3 mm are added: its floor vanishes."""
    notched = ((0.0, 0.0, 0.0), (48.0, 0.0, 0.0), (48.0, 30.0, 0.0), (52.0, 30.0, 0.0), (52.0, 0.0, 0.0))
    notched += ((100.0, 0.0, 0.0), (100.0, 60.0, 0.0), (0.0, 60.0, 0.0))
    moved = offset(notched, 3.0)
    assert not moved.exact
    (contour,) = moved.contours
    assert polygon(contour).area == pytest.approx(polygon(notched).buffer(3.0).area, rel=1e-4)
    # A waist of 6 mm parts when 4 mm are taken off on each side.
    waist = ((0.0, 0.0), (50.0, 27.0), (100.0, 0.0), (100.0, 60.0), (50.0, 33.0), (0.0, 60.0))
    assert len(offset(tuple((x, y, 0.0) for x, y in waist), -4.0).contours) == 2
    assert offset(rectangle((50.0, 30.0), (100.0, 60.0)), -31.0).contours == ()


def sharpest_deg(contour):
    """Return the angle between the two pieces at the sharpest corner, inside or out."""
    pieces = pieces_of(contour)
    angles = []
    for before, after in zip(pieces, (*pieces[1:], pieces[0]), strict=True):
        (ax, ay), (bx, by) = before.heading(True), after.heading(False)
        angles.append(180.0 - math.degrees(abs(math.atan2(ax * by - ay * bx, ax * bx + ay * by))))
    return min(angles)


SPIKED = as_outline(
    ((202.0, 165.5), (115.0, 226.1), (45.0, 226.1), (10.0, 165.5), (0.0, 26.93, 1.0), (103.58, 99.59, 1.0))
)
"""Two arcs meet in a spike that points inwards."""


@settings(max_examples=60, deadline=None)
@example(fields=SPIKED, distance=-1.0)
@given(fields=outlines(), distance=st.sampled_from([0.1, 1.0, 3.0, -1.0, -3.0]))
def test_any_line_moved_is_that_far_from_the_old_one(fields, distance):
    old = fields["outline"]
    try:
        moved = offset(old, distance)
    except InputError:
        refused = True
    else:
        refused = False
    if refused:
        assert sharpest_deg(old) < 3.0, "only at a cusp"
        return
    line = shapely.LinearRing(polyline(old, 1e-4))
    shape = polygon(old)
    for contour in moved.contours:
        spots = shapely.points(
            shapely.get_coordinates(shapely.segmentize(shapely.LinearRing(polyline(contour, 1e-4)), 2.0))
        )
        assert shapely.distance(spots, line).min() > abs(distance) - 0.01
        assert (shapely.contains(shape, spots) == (distance < 0)).all()
    rounded = shapely.points(shapely.get_coordinates(shape.buffer(distance, quad_segs=500)))
    if len(rounded) and shapely.distance(rounded, line).min() < abs(distance) - 0.002:
        return  # in a cusp the reference itself comes too near
    found = sum(polygon(contour).area for contour in moved.contours)
    slack = 0.003 * line.length  # how far the chords of the fallback may lie off, all along the line
    least, most = (shape.buffer(distance, quad_segs=500, join_style=style).area for style in ("round", "mitre"))
    if distance > 0 and len(moved.contours) == 1:
        assert least - slack < found < most + slack
    elif distance < 0:
        # Inwards a sharp inner corner may take a little more than the round one.
        assert min(least, most) - slack < found < max(least, most) + slack


@settings(max_examples=60, deadline=None)
@given(fields=outlines())
def test_lengths_and_areas_are_those_of_shapely(fields):
    outline = fields["outline"]
    fine = polygon(outline, 1e-5)
    assert length_mm(outline) == pytest.approx(fine.exterior.length, rel=1e-6)
    assert area_mm2(outline) == pytest.approx(fine.area, rel=1e-6)


def test_cut_length_of_the_whole_desk_is_that_of_shapely():
    layout = outlined_layout()
    shapes = [polygon(PANEL, 1e-5)]
    shapes += [shapely.Point(b.centre_mm).buffer(b.hole_mm / 2, quad_segs=5000) for b in layout.buttons]
    shapes += [shapely.Point(0, 0).buffer(2.15, quad_segs=5000)] * 2
    shapes.append(shapely.box(3, 3, 33, 11).buffer(3.0, quad_segs=5000))
    found = cutting(layout)
    assert found.length_mm == pytest.approx(sum(shape.exterior.length for shape in shapes), rel=1e-6)
    assert found.area_mm2 == pytest.approx(shapes[0].area - sum(shape.area for shape in shapes[1:]), rel=1e-6)


@pytest.mark.parametrize("version", ["R2010", "R12"])
def test_kerf_in_the_dxf(version):
    layout = outlined_layout()
    height = layout.panel.height_mm
    document = dxf_of(layout, version=version, kerf_mm=0.2)
    for button, circle in zip(layout.buttons, of_kind(document, "button"), strict=True):
        assert tuple(circle.dxf.center.vec2) == pytest.approx(
            (button.centre_mm[0], height - button.centre_mm[1]), abs=1e-3
        )
        assert 2 * circle.dxf.radius == pytest.approx(button.hole_mm - 0.2, abs=1e-6)
    first, _, window = of_kind(document, "cut")
    assert 2 * first.dxf.radius == pytest.approx(4.1, abs=1e-6)
    corners = bulges(window)
    assert np.ptp(corners[:, 0]) == pytest.approx(35.8, abs=1e-6)
    assert np.ptp(corners[:, 1]) == pytest.approx(13.8, abs=1e-6)
    (outline,) = of_kind(document, "outline")
    wanted = shapely.Polygon(upright(PANEL, height)).buffer(0.1, join_style="mitre", quad_segs=500)
    assert_same_line(chords(bulges(outline)), shapely.get_coordinates(wanted.exterior), 0.006)
    assert data_of(outline)["kerf_mm"] == "0.2"
    # Rims, bodies and keep-outs are no cuts.
    assert 28.0 in [round(2 * c.dxf.radius, 6) for c in document.modelspace().query('CIRCLE[layer=="PARTS"]')]
    texts = " ".join(text.plain_text() for text in document.modelspace().query("TEXT"))
    assert "KERF IS ALREADY ALLOWED FOR: 0.2 mm" in texts
    assert "Do not allow for it again." in texts
    assert "no kerf allowance" not in texts


def test_a_cusp_is_refused():
    """Two hollow arcs that meet in a spike without an angle; invented."""
    corners = ((210.3, 77.85), (161.94, 144.43, -0.3), (0.0, 142.54, -0.3), (65.45, 0.0), (161.94, 11.28))
    cusp = as_outline(corners)["outline"]
    assert sharpest_deg(cusp) < 3.0
    with pytest.raises(InputError, match="a corner so sharp that no line can be drawn 3 mm from it"):
        offset(cusp, 3.0)


def test_kerf_in_the_svg():
    layout = outlined_layout()
    data = layout_svg(layout, kerf_mm=0.2)
    root = ElementTree.fromstring(data)
    name = "{http://www.w3.org/2000/svg}"
    (cut,) = root.findall(f"{name}g[@id='cut']")
    assert cut[0].get("data-kerf-mm") == "0.2"
    assert [float(child.get("r")) for child in cut if child.get("data-kind") == "button"] == pytest.approx(
        [b.hole_mm / 2 - 0.1 for b in layout.buttons]
    )
    assert "KERF IS ALREADY ALLOWED FOR" in root.findtext(f"{name}desc")
    drawing = SVG.parse(io.BytesIO(data), ppi=25.4, reify=True)
    (outline,) = [e for e in drawing.elements(lambda e: isinstance(e, Path)) if e.values.get("class") == "outline"]
    x0, y0, x1, y1 = outline.bbox(with_stroke=False)
    assert (x1 - x0, y1 - y0) == pytest.approx((320.2, 150.2), abs=1e-3)


def test_without_kerf_nothing_is_said_of_one():
    layout = outlined_layout()
    assert "kerf_mm" not in data_of(of_kind(dxf_of(layout), "outline")[0])
    assert b"data-kerf-mm" not in layout_svg(layout)
    assert b"ALREADY" not in layout_svg(layout, kerf_mm=0.0)


def test_drill_tables_are_never_compensated():
    text = layout_drill_csv(outlined_layout()).decode()
    assert '"Stop","left","little","near",27.5,85.75,24.0,"button","","","",320.0,150.0,""' in text
    assert '"M4","","","",10.0,140.0,4.3,"cut","","","",320.0,150.0,""' in text
    assert '"window","","","",160.0,84.0,"","cut",36.0,14.0,3.0,320.0,150.0,""' in text


@pytest.mark.parametrize(
    ("kerf", "complaint"),
    [
        (-0.1, "must lie between 0 and 5 mm"),
        (5.1, "must lie between 0 and 5 mm"),
        (math.nan, "must lie between 0 and 5 mm"),
        (math.inf, "must lie between 0 and 5 mm"),
        (4.3, "leaves nothing of the cut M4"),
    ],
)
def test_a_kerf_that_cannot_be_is_refused(kerf, complaint):
    with pytest.raises(InputError, match=complaint):
        cutting(outlined_layout(), kerf)


def test_a_kerf_wider_than_a_hole_or_a_notch_is_refused():
    layout = workshop_layout()
    with pytest.raises(InputError, match=r"leaves nothing of the hole of Stop \(3 mm\)"):
        cutting(replace(layout, buttons=(replace(layout.buttons[0], hole_mm=3.0),)), 3.0)
    corners = ((0, 0), (150, 0), (150, 30), (140, 30), (140, 40), (170, 40), (170, 30), (152, 30), (152, 0), (320, 0))
    corners += ((320, 150), (0, 150))
    keyhole = replace(layout.panel, keep_outs=(), **as_outline(corners))
    with pytest.raises(InputError, match="a place narrower than the kerf of 3 mm"):
        cutting(replace(layout, panel=keyhole), 3.0)
    assert cutting(replace(layout, panel=keyhole), 0.2).exact
    # A slit of 0.15 mm would be gone, without a hole in the line to tell.
    corners = ((0, 0), (150, 0), (150, 30), (150.15, 30), (150.15, 0), (320, 0), (320, 150), (0, 150))
    slit = replace(layout.panel, keep_outs=(), **as_outline(corners))
    with pytest.raises(InputError, match="a place narrower than the kerf"):
        cutting(replace(layout, panel=slit), 0.2)
    assert cutting(replace(layout, panel=slit), 0.1).exact


def test_where_chords_stand_for_arcs_the_files_say_so():
    """A step of 0.02 mm in a corner vanishes in the kerf: the moved line is shapely's."""
    corners = ((0, 0), (150, 0), (150, 30), (149.98, 30.02), (150, 30.04), (150, 60), (170, 60), (170, 0), (320, 0))
    corners += ((320, 138, Q), (308, 150), (0, 150))
    panel = replace(workshop_layout().panel, keep_outs=(), **as_outline(corners))
    layout = replace(workshop_layout(), panel=panel)
    found = cutting(layout, 0.2)
    assert not found.exact
    texts = [text.plain_text() for text in dxf_of(layout, kerf_mm=0.2).modelspace().query("TEXT")]
    assert any("made of short straight pieces" in text for text in texts)
    assert b"made of short straight pieces" in layout_svg(layout, kerf_mm=0.2)
    line = shapely.LinearRing(polyline(vertices_of(panel), 1e-4))
    spots = shapely.points(
        shapely.get_coordinates(shapely.segmentize(shapely.LinearRing(polyline(found.outline)), 1.0))
    )
    off = shapely.distance(spots, line)
    assert off.min() > 0.1 - 0.005


@settings(max_examples=30, deadline=None)
@given(kerf=st.floats(0.01, 2.0), radius=st.floats(0.0, 6.0))
def test_kerf_and_part_come_out_at_nominal_size(kerf, radius):
    """What a beam as wide as the kerf leaves is the nominal panel: along the lines it takes half on either side."""
    layout = workshop_layout()
    window = Cut("window", "rectangle", (160.0, 66.0), size_mm=(36.0, 14.0), corner_radius_mm=radius)
    layout = replace(layout, panel=replace(layout.panel, keep_outs=(), cuts=(window,)))
    found = cutting(layout, kerf)
    left, top, right, bottom = bounds_of([found.outline])
    assert (left, top, right, bottom) == pytest.approx((-kerf / 2, -kerf / 2, 320 + kerf / 2, 150 + kerf / 2))
    back = polygon(found.outline).buffer(-kerf / 2, quad_segs=200)
    assert back.symmetric_difference(polygon(vertices_of(layout.panel))).area < 0.5
    assert found.cuts[0].size_mm == pytest.approx((36.0 - kerf, 14.0 - kerf))
    assert found.cuts[0].corner_radius_mm == pytest.approx(max(radius - kerf / 2, 0.0))


def test_corners_that_a_round_cutter_cannot_reach_are_told():
    """A disc of radius r leaves (1 - pi / 4) r² in a square corner; convex corners of the panel are reached."""
    layout = workshop_layout()
    window = Cut("window", "rectangle", (160.0, 130.0), 0.0, (60.0, 20.0))
    rounded = Cut("slot", "rectangle", (240.0, 130.0), 0.0, (40.0, 12.0), 3.0)
    layout = replace(layout, panel=replace(layout.panel, cuts=(window, rounded)))
    assert rounded_corners(layout, 3.0) == ("window (4)",)
    assert rounded_corners(layout, 0.2) == (), "a beam's corner is no matter"
    sharper = replace(layout, panel=replace(layout.panel, cuts=(replace(rounded, corner_radius_mm=1.0),)))
    assert rounded_corners(sharper, 4.0) == ("slot (4)",)
    notch = [[0, 0], [320, 0], [320, 150], [200, 150], [200, 120], [120, 120], [120, 150], [0, 150]]
    notched = replace(layout.panel, cuts=(), **as_outline(notch))
    assert rounded_corners(replace(layout, panel=notched), 3.0) == ("the outline (2)",)
    assert "Inner corners keep a radius of 1.5 mm: window (4)." in layout_svg(layout, kerf_mm=3.0).decode()
    assert "Inner corners" not in layout_svg(layout).decode()
