"""Existing panels read back: our own drawings, and files made by ezdxf and by hand after the SVG specification."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from ezdxf.math import Matrix44, rational_bspline_from_arc
from helpers_layout import workshop_layout
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from handcapture.drawings.drill import layout_drill_csv
from handcapture.drawings.dxf import layout_dxf
from handcapture.drawings.svg import layout_svg
from handcapture.errors import DocumentError, InputError
from handcapture.layout.outline import polyline
from handcapture.layout.source import Drawing, read_drawing

WRITERS = {"dxf": layout_dxf, "svg": layout_svg, "csv": layout_drill_csv}


def read(tmp_path: Path, ending: str, content: bytes | str, **more) -> Drawing:
    path = tmp_path / f"panel.{ending}"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return read_drawing(path, **more)


def dxf_bytes(document) -> bytes:
    text = io.StringIO()
    document.write(text)
    return document.encode(text.getvalue())


def new_dxf(units: int = 4):
    document = ezdxf.new("R2010")
    document.header["$INSUNITS"] = units
    return document, document.modelspace()


def svg(body: str, head: str = 'width="200mm" height="100mm" viewBox="0 0 200 100"') -> str:
    link = "http://www.w3.org/1999/xlink"
    return f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="{link}" {head}>{body}</svg>'


def holes(drawing: Drawing) -> np.ndarray:
    return np.array([(*hole.centre_mm, hole.diameter_mm) for hole in drawing.holes])


def assert_holes(drawing: Drawing, expected, within: float = 1e-6) -> None:
    """Compare x, y, diameter, where `expected` counts from any origin."""
    found, wanted = holes(drawing), np.array(expected, dtype=float)
    assert found.shape == wanted.shape
    if drawing.outline is None:
        wanted[:, :2] -= (wanted[:, :2] - wanted[:, 2:] / 2).min(axis=0)
    np.testing.assert_allclose(found, wanted, atol=within)


def outline_points(drawing: Drawing) -> np.ndarray:
    """The outline as points (N, 2)."""
    return polyline(drawing.outline)


def told(drawing: Drawing) -> str:
    return " ".join(drawing.notes)


# --- our own drawings -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", WRITERS)
def test_our_own_drawings_come_back(tmp_path, ending):
    layout = workshop_layout()
    drawing = read(tmp_path, ending, WRITERS[ending](layout))
    assert_holes(drawing, [(*b.centre_mm, b.hole_mm) for b in layout.buttons], 1e-3)
    outline = outline_points(drawing)
    np.testing.assert_allclose([outline.min(axis=0), outline.max(axis=0)], [(0, 0), (320, 150)], atol=1e-3)
    if ending != "dxf":  # in a DXF the labels stand beside the holes
        assert [hole.label for hole in drawing.holes] == [button.label for button in layout.buttons]


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    centres=st.lists(st.tuples(st.floats(20, 480), st.floats(20, 230)), min_size=1, max_size=8),
    radius=st.sampled_from([0.0, 3.5, 40.0]),
    ending=st.sampled_from(sorted(WRITERS)),
)
def test_any_layout_comes_back_within_a_micrometre_of_what_was_written(tmp_path, centres, radius, ending):
    assume(all(math.dist(a, b) > 13 for k, a in enumerate(centres) for b in centres[:k]))
    layout = workshop_layout()
    panel = replace(layout.panel, width_mm=500.0, height_mm=250.0, corner_radius_mm=radius, keep_outs=())
    buttons = tuple(
        replace(layout.buttons[0], label=f"B{k}", centre_mm=centre, wish_mm=centre, hole_mm=12.5)
        for k, centre in enumerate(centres)
    )
    drawing = read(tmp_path, ending, WRITERS[ending](replace(layout, panel=panel, buttons=buttons)))
    inside = [25 * 0 + 6.25 < x < 493.75 and 6.25 < y < 243.75 for x, y in centres]
    assert all(inside)
    # Beyond a rounded corner a hole leaves the outline; then the origin is that of the holes.
    assert_holes(drawing, [(*b.centre_mm, b.hole_mm) for b in buttons], 1e-3)


@pytest.mark.parametrize("radius", [0.0, 12.0, 75.0])
@pytest.mark.parametrize("ending", ["dxf", "svg"])
def test_outline_area_is_that_of_the_rounded_rectangle(tmp_path, ending, radius):
    layout = workshop_layout()
    layout = replace(layout, panel=replace(layout.panel, corner_radius_mm=radius), buttons=layout.buttons[1:4])
    outline = outline_points(read(tmp_path, ending, WRITERS[ending](layout)))
    x, y = outline.T
    area = abs(x @ np.roll(y, 1) - y @ np.roll(x, 1)) / 2  # the shoelace formula
    exact = 320 * 150 - (4 - math.pi) * radius**2
    # Chords cut off less than 2/3 of the sagitta along the arcs.
    assert exact - 0.02 * 2 * math.pi * radius - 1e-6 <= area <= exact + 1e-6


# --- DXF ------------------------------------------------------------------------------------------------------


def test_y_of_a_dxf_counts_up(tmp_path):
    document, space = new_dxf()
    space.add_lwpolyline([(10, 20), (110, 20), (110, 80), (10, 80)], close=True)
    space.add_circle((30, 60), 12)
    space.add_circle((90, 40), 15)
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert_holes(drawing, [(20, 20, 24), (80, 40, 30)])
    assert set(drawing.outline) == {(0.0, 0.0, 0.0), (100.0, 0.0, 0.0), (100.0, 60.0, 0.0), (0.0, 60.0, 0.0)}


@pytest.mark.parametrize(("code", "mm"), [(1, 25.4), (4, 1.0), (5, 10.0), (6, 1000.0)], ids=["inch", "mm", "cm", "m"])
def test_units_of_a_dxf(tmp_path, code, mm):
    # Codes of $INSUNITS: Autodesk, DXF reference, header section.
    document, space = new_dxf(code)
    space.add_circle((0, 0), 12 / mm)
    space.add_circle((50 / mm, 0), 12 / mm)
    assert_holes(read(tmp_path, "dxf", dxf_bytes(document)), [(0, 0, 24), (50, 0, 24)])


@pytest.mark.parametrize("version", ["R12", "R2010"])
def test_a_dxf_without_unit_asks_for_it(tmp_path, version):
    document = ezdxf.new(version)
    document.header["$INSUNITS"] = 0
    document.modelspace().add_circle((0, 0), 12)
    with pytest.raises(DocumentError, match=r"24 mm if the unit is mm, .*609\.6 mm if .* inch.*--units mm"):
        read(tmp_path, "dxf", dxf_bytes(document))
    assert_holes(read(tmp_path, "dxf", dxf_bytes(document), units="inch"), [(0, 0, 609.6)])


def test_asked_unit_overrules_the_stated_one_and_says_so(tmp_path):
    document, space = new_dxf(1)
    space.add_circle((0, 0), 12)
    drawing = read(tmp_path, "dxf", dxf_bytes(document), units="mm")
    assert_holes(drawing, [(0, 0, 24)])
    assert "inch" in told(drawing)


def test_circles_in_nested_blocks_turned_scaled_and_mirrored(tmp_path):
    document, space = new_dxf()
    inner = document.blocks.new("inner", base_point=(1, 2))
    inner.add_circle((11, 2), 3)
    outer = document.blocks.new("outer")
    outer.add_blockref("inner", (20, 5), dxfattribs={"rotation": 90})
    space.add_blockref("outer", (100, 200), dxfattribs={"xscale": 2, "yscale": 2, "rotation": 30})
    space.add_blockref("outer", (300, 100), dxfattribs={"xscale": -1, "yscale": 1})
    space.add_blockref(
        "inner", (0, 0), dxfattribs={"column_count": 3, "row_count": 2, "column_spacing": 40, "row_spacing": 9}
    )
    # By hand: inner maps p to R90 (p - (1, 2)) + (20, 5), so its circle stands at (20, 15) in outer.
    c, s = math.cos(math.radians(30)), math.sin(math.radians(30))
    expected = [(100 + 2 * (20 * c - 15 * s), -(200 + 2 * (20 * s + 15 * c)), 12), (280, -115, 6)]
    expected += [(10 + 40 * k, -9 * row, 6) for row in range(2) for k in range(3)]
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert_holes(drawing, expected)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    turns=st.lists(
        st.tuples(
            st.floats(-180, 180), st.floats(0.3, 3), st.booleans(), st.tuples(st.floats(-90, 90), st.floats(-90, 90))
        ),
        min_size=1,
        max_size=4,
    )
)
def test_nested_block_references_agree_with_a_product_of_matrices(tmp_path, turns):
    document, space = new_dxf()
    target = space
    total = np.eye(3)
    for number, (angle, scale, mirrored, (x, y)) in enumerate(turns):
        block = document.blocks.new(f"block{number}")
        signs = {"xscale": -scale if mirrored else scale, "yscale": scale, "zscale": scale, "rotation": angle}
        target.add_blockref(f"block{number}", (x, y), dxfattribs=signs)
        c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
        turn = np.array([[c, -s, x], [s, c, y], [0, 0, 1]])
        total = total @ turn @ np.diag([signs["xscale"], scale, 1])
        target = block
    places = [(0.0, 0.0), (40.0, 0.0), (0.0, 70.0)]
    for place in places:
        target.add_circle(place, 5)
    size = 10 * math.sqrt(abs(np.linalg.det(total)))
    wanted = [(*((total @ (*place, 1))[:2] * (1, -1)), size) for place in places]
    assume(size > 0.5)
    assert_holes(read(tmp_path, "dxf", dxf_bytes(document)), wanted)


def _bulged(space):
    space.add_lwpolyline([(-12, 0, 1), (12, 0, 1)], format="xyb", close=True)


def _arc(space):
    space.add_arc((0, 0), 12, 0, 360)


def _two_arcs(space):
    space.add_arc((0, 0), 12, 0, 200)
    space.add_arc((0, 0), 12, 200, 360)


def _spline(space):
    space.add_spline().apply_construction_tool(rational_bspline_from_arc((0, 0), 12, 0, 360))


def _ellipse(space):
    space.add_ellipse((0, 0), (12, 0), 1.0)


def _old_polyline(space):
    space.add_polyline2d([(-12, 0, 0, 0, -1), (12, 0, 0, 0, -1)], format="xyseb", close=True)


def _circle_seen_from_below(space):
    space.add_circle((0, 0), 12, dxfattribs={"extrusion": (0, 0, -1)})


@pytest.mark.parametrize(
    "draw",
    [_bulged, _arc, _two_arcs, _spline, _ellipse, _old_polyline, _circle_seen_from_below],
    ids=lambda f: f.__name__,
)
def test_other_ways_to_draw_a_circle(tmp_path, draw):
    document, space = new_dxf()
    space.add_circle((50, 0), 5)
    draw(space)
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert_holes(drawing, [(50, 0, 10), (0, 0, 24)], 1e-3)


@pytest.mark.parametrize(("corners", "taken"), [(90, True), (60, True), (36, False), (24, False)])
def test_polygons_count_as_circles_only_within_two_hundredths(tmp_path, corners, taken):
    # A chord of a circle of radius r leaves it by r (1 - cos(pi / n)): 0.016 mm at 60 corners, 0.046 mm at 36;
    # the circle midway is left by half of that.
    document, space = new_dxf()
    space.add_circle((50, 0), 5)
    angles = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    space.add_lwpolyline(12 * np.column_stack([np.cos(angles), np.sin(angles)]), close=True)
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert len(drawing.holes) == 1 + taken
    assert ("nearly circles" in told(drawing)) != taken


def test_squares_and_hexagons_are_passed_over_in_silence(tmp_path):
    document, space = new_dxf()
    space.add_circle((50, 0), 5)
    for count in (4, 6):
        angles = np.linspace(0, 2 * np.pi, count, endpoint=False)
        space.add_lwpolyline(12 * np.column_stack([np.cos(angles), np.sin(angles)]), close=True)
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert len(drawing.holes) == 1
    assert "nearly" not in told(drawing)


def test_unevenly_scaled_circles_are_left_out_and_told(tmp_path):
    document, space = new_dxf()
    document.blocks.new("hole").add_circle((0, 0), 12)
    space.add_blockref("hole", (0, 0))
    space.add_blockref("hole", (50, 0), dxfattribs={"xscale": 1.5})
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert_holes(drawing, [(0, 0, 24)])
    assert "Ovals" in told(drawing)


def test_duplicates_and_concentric_circles(tmp_path):
    document, space = new_dxf()
    for place, radius in (((0, 0), 12), ((0.004, 0), 12), ((0, 0), 14), ((60, 0), 15), ((60, 0), 12)):
        space.add_circle(place, radius, dxfattribs={"layer": "RIM" if radius > 12 else "HOLE"})
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert_holes(drawing, [(0, 0, 24), (60, 0, 24)])
    assert "drawn twice" in told(drawing)
    assert "Ø28 mm left out, Ø24 mm kept" in told(drawing)
    assert_holes(read(tmp_path, "dxf", dxf_bytes(document), layer="rim"), [(0, 0, 28), (60, 0, 30)])


def test_hidden_layers_and_entities(tmp_path):
    document, space = new_dxf()
    document.layers.add("OFF").off()
    document.layers.add("COLD").freeze()
    space.add_circle((0, 0), 12)
    space.add_circle((50, 0), 12, dxfattribs={"layer": "OFF"})
    space.add_circle((90, 0), 12, dxfattribs={"layer": "COLD"})
    space.add_circle((130, 0), 12, dxfattribs={"invisible": 1})
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert_holes(drawing, [(0, 0, 24)])
    for words in ("OFF is off", "COLD is frozen", "set invisible were left out (1)"):
        assert words in told(drawing)


def test_layer_of_a_block_is_that_of_its_insert(tmp_path):
    document, space = new_dxf()
    document.blocks.new("hole").add_circle((0, 0), 12)
    space.add_blockref("hole", (0, 0), dxfattribs={"layer": "A"})
    space.add_blockref("hole", (50, 0), dxfattribs={"layer": "B"})
    assert len(read(tmp_path, "dxf", dxf_bytes(document), layer="A").holes) == 1
    with pytest.raises(DocumentError, match=r"layer 'C'.*There is: A, B"):
        read(tmp_path, "dxf", dxf_bytes(document), layer="C")


def test_outline_of_loose_lines_and_arcs(tmp_path):
    document, space = new_dxf()
    space.add_circle((50, 30), 12)
    space.add_line((100.004, 10), (100, 50))
    space.add_line((10, 0), (90, 0))
    space.add_line((90, 60), (10, 60))
    space.add_line((0, 50), (0, 10))
    for centre, start in (((90, 10), 270), ((90, 50), 0), ((10, 50), 90), ((10, 10), 180)):
        space.add_arc(centre, 10, start, start + 90)
    space.add_line((90, 60), (10, 60))  # drawn twice
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    outline = outline_points(drawing)
    np.testing.assert_allclose(outline.max(axis=0), (100, 60), atol=0.01)
    assert_holes(drawing, [(50, 30, 24)], 1e-6)
    corner = outline[(outline[:, 0] > 90) & (outline[:, 1] > 50)] - (90, 50)
    np.testing.assert_allclose(np.hypot(*corner.T), 10, atol=0.011)
    assert len(corner) > 5


def test_a_gap_in_the_outline_means_no_outline(tmp_path):
    document, space = new_dxf()
    space.add_circle((50, 30), 12)
    space.add_lwpolyline([(0, 0), (100, 0), (100, 60), (0, 60), (0, 0.05)])
    assert read(tmp_path, "dxf", dxf_bytes(document)).outline is None


def test_round_panel(tmp_path):
    document, space = new_dxf()
    space.add_circle((0, 0), 100)
    for x in (-40, 0, 40):
        space.add_circle((x, 0), 12)
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert_holes(drawing, [(60, 100, 24), (100, 100, 24), (140, 100, 24)], 0.02)
    radii = np.hypot(*(outline_points(drawing) - 100).T)
    np.testing.assert_allclose(radii, 100, atol=0.03)


def test_a_frame_around_the_outline_is_told(tmp_path):
    document, space = new_dxf()
    space.add_circle((50, 30), 12)
    for grow in (0, 20):
        space.add_lwpolyline(
            [(-grow, -grow), (100 + grow, -grow), (100 + grow, 60 + grow), (-grow, 60 + grow)], close=True
        )
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert max(drawing.outline) == (140, 100, 0)
    assert "140 × 100 mm, 100 × 60 mm" in told(drawing)


def test_a_contour_that_leaves_holes_out_is_no_outline(tmp_path):
    document, space = new_dxf()
    space.add_lwpolyline([(0, 0), (60, 0), (60, 60), (0, 60)], close=True)
    space.add_circle((30, 30), 12)
    space.add_circle((100, 30), 12)
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert drawing.outline is None
    assert "leaves out 1 of 2" in told(drawing)


def test_labels_are_the_texts_in_the_holes(tmp_path):
    from ezdxf.enums import TextEntityAlignment

    document, space = new_dxf()
    for x in (0, 50, 100, 150, 200):
        space.add_circle((x, 0), 12)
    space.add_text("Stop", height=4).set_placement((0, 0), align=TextEntityAlignment.MIDDLE_CENTER)
    space.add_text("Drill", height=4).set_placement((43, -2))
    space.add_mtext("Foot\\Plamp", dxfattribs={"insert": (100, 0), "attachment_point": 5, "char_height": 3})
    space.add_text("Ø24", height=3).set_placement((150, 0), align=TextEntityAlignment.MIDDLE_CENTER)
    space.add_text("Title of the drawing", height=5).set_placement((0, 60))
    block = document.blocks.new("knob")
    block.add_attdef("NAME", (0, 0), height=3)
    space.add_blockref("knob", (198, 0)).add_attrib("NAME", "Belt", (198, 0)).dxf.height = 3
    labels = [hole.label for hole in read(tmp_path, "dxf", dxf_bytes(document)).holes]
    assert labels == ["Stop", "Drill", "Foot lamp", None, "Belt"]


def test_tilted_circles_are_told(tmp_path):
    document, space = new_dxf()
    space.add_circle((0, 0), 12)
    space.add_circle((50, 0), 12).transform(Matrix44.x_rotate(0.3))
    drawing = read(tmp_path, "dxf", dxf_bytes(document))
    assert len(drawing.holes) == 1
    assert "tilted" in told(drawing)


def test_refusals_of_dxf_files(tmp_path):
    document, space = new_dxf()
    space.add_text("nothing else", height=3)
    with pytest.raises(DocumentError, match="No hole was found"):
        read(tmp_path, "dxf", dxf_bytes(document))
    for content in (b"\x00\x01\x02 no drawing", b"hello", b"0\nSECTION\n2\nENTITIES\n0\nCIRCLE\n10\nabc"):
        with pytest.raises(InputError):
            read(tmp_path, "dxf", content)
    document, space = new_dxf()
    space.add_circle((1e9, 0), 12)
    with pytest.raises(DocumentError, match=r"1e\+06 m.*--units"):
        read(tmp_path, "dxf", dxf_bytes(document))
    document, space = new_dxf(6)
    space.add_circle((0, 0), 12)
    with pytest.raises(DocumentError, match="24 m"):
        read(tmp_path, "dxf", dxf_bytes(document))


def test_too_many_holes(tmp_path):
    table = "x_mm,y_mm,d_mm\n" + "".join(f"{30 * (k % 60)},{30 * (k // 60)},24\n" for k in range(2001))
    with pytest.raises(DocumentError, match="2001 circles"):
        read(tmp_path, "csv", table)
    assert len(read(tmp_path, "csv", table[: table[:-1].rindex("\n") + 1]).holes) == 2000


def test_blocks_that_hold_each_other_and_huge_arrays_end(tmp_path):
    document, space = new_dxf()
    a, b = document.blocks.new("a"), document.blocks.new("b")
    a.add_blockref("b", (1, 0))
    a.add_circle((0, 0), 12)
    b.add_blockref("a", (1, 0))
    space.add_blockref("a", (0, 0))
    with pytest.raises(DocumentError, match="deep"):
        read(tmp_path, "dxf", dxf_bytes(document))
    document, space = new_dxf()
    document.blocks.new("hole").add_circle((0, 0), 12)
    many = {"column_count": 30000, "row_count": 30000, "column_spacing": 0.1, "row_spacing": 0.1}
    space.add_blockref("hole", (0, 0), dxfattribs=many)
    with pytest.raises(DocumentError, match="more than"):
        read(tmp_path, "dxf", dxf_bytes(document))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    ending=st.sampled_from(sorted(WRITERS)),
    cuts=st.lists(st.tuples(st.floats(0, 1), st.binary(max_size=6), st.integers(0, 30)), min_size=1, max_size=4),
)
def test_damaged_files_are_read_or_refused_with_a_sentence(tmp_path, ending, cuts):
    data = WRITERS[ending](workshop_layout())
    for share, patch, length in cuts:
        at = int(share * len(data))
        data = data[:at] + patch + data[at + length :]
    try:
        drawing = read(tmp_path, ending, data)
    except InputError as error:
        assert "panel." in str(error)  # noqa: PT017
    else:
        assert np.isfinite(holes(drawing)).all()


# --- SVG ------------------------------------------------------------------------------------------------------

SIMILARITIES = st.lists(
    st.one_of(
        st.tuples(st.just("rotate"), st.floats(-180, 180), st.floats(-50, 50), st.floats(-50, 50)),
        st.tuples(st.just("translate"), st.floats(-80, 80), st.floats(-80, 80)),
        st.tuples(st.just("scale"), st.floats(0.4, 2.5)),
        st.just(("scale", -1.0, 1.0)),
        st.tuples(st.just("matrix"), st.floats(-3, 3), st.floats(0.3, 2)),
    ),
    min_size=1,
    max_size=6,
)


def _matrix(step) -> tuple[str, np.ndarray]:
    """Return a transform as text and as a matrix, after SVG 1.1, section 7.6."""
    kind, *n = step
    if kind == "translate":
        return f"translate({n[0]!r},{n[1]!r})", np.array([[1, 0, n[0]], [0, 1, n[1]], [0, 0, 1.0]])
    if kind == "scale":
        return f"scale({' '.join(map(repr, n))})", np.diag([n[0], n[-1], 1.0])
    if kind == "matrix":
        a, b = n[1] * math.cos(n[0]), n[1] * math.sin(n[0])
        return f"matrix({a!r} {b!r} {-b!r} {a!r} 3 -4)", np.array([[a, -b, 3], [b, a, -4], [0, 0, 1.0]])
    c, s = math.cos(math.radians(n[0])), math.sin(math.radians(n[0]))
    x, y = n[1], n[2]
    shift = np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])
    return (
        f"rotate({n[0]!r} {x!r} {y!r})",
        shift @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) @ np.linalg.inv(shift),
    )


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=SIMILARITIES, in_one=st.booleans(), through_use=st.booleans())
def test_circles_under_nested_similarities(tmp_path, steps, in_one, through_use):
    total = np.eye(3)
    words = []
    for step in steps:
        text, matrix = _matrix(step)
        total = total @ matrix
        words.append(text)
    places = [(0.0, 0.0, 5.0), (30.0, 4.0, 6.5), (-7.0, 44.0, 12.25)]
    body = "".join(f'<circle cx="{x}" cy="{y}" r="{r}"/>' for x, y, r in places)
    if through_use:
        body = f'<defs><g id="three">{body}</g></defs><use xlink:href="#three"/>'
    for group in [" ".join(words)] if in_one else words[::-1]:
        body = f'<g transform="{group}">{body}</g>'
    scale = math.sqrt(abs(np.linalg.det(total)))
    mapped = [(*(total @ (x, y, 1))[:2], 2 * r * scale) for x, y, r in places]
    assume(0.05 < scale < 20)
    assert_holes(read(tmp_path, "svg", svg(body)), mapped)


@pytest.mark.parametrize(
    ("head", "mm"),
    [
        ('width="200mm" height="100mm" viewBox="0 0 400 200"', 0.5),
        ('width="20cm" height="10cm" viewBox="0 0 200 100"', 1.0),
        ('width="2in" height="1in" viewBox="0 0 2 1"', 25.4),
        ('width="960px" height="480px"', 25.4 / 96),
        ('width="200mm" viewBox="0 0 100 50"', 2.0),
        ('width="200mm" height="100mm"', 25.4 / 96),
        ('width="300mm" height="100mm" viewBox="0 0 200 100"', 1.0),
        ('width="72pt" height="72pt" viewBox="0 0 1 1"', 25.4),
    ],
)
def test_size_of_the_page(tmp_path, head, mm):
    # CSS Values and Units, section "Absolute lengths": 1 in = 2.54 cm = 96 px = 72 pt.
    body = '<circle cx="3" cy="4" r="5"/><circle cx="33" cy="24" r="5"/>'
    assert_holes(read(tmp_path, "svg", svg(body, head)), np.array([(3, 4, 10), (33, 24, 10)]) * mm)


@pytest.mark.parametrize("head", ["", 'width="200" height="100"', 'width="100%" height="100%" viewBox="0 0 9 9"'])
def test_no_physical_size_asks_for_the_unit(tmp_path, head):
    body = '<circle cx="3" cy="4" r="12"/>'
    with pytest.raises(DocumentError, match=r"24 mm if the unit is mm.*--units mm"):
        read(tmp_path, "svg", svg(body, head))
    assert_holes(read(tmp_path, "svg", svg(body, head), units="cm"), [(0, 0, 240)])


K = 0.5522847498  # the usual factor of four cubic Béziers for a circle, 4/3 (sqrt 2 - 1)


@pytest.mark.parametrize(
    "data",
    [
        "M28 20a12 12 0 1 0 24 0a12 12 0 1 0-24 0z",
        "M28,20A12,12,0,0,1,52,20 12,12 0 01 28,20",
        f"M52 20C52 {20 + 12 * K} {40 + 12 * K} 32 40 32S28 {20 + 12 * K} 28 20 "
        f"{40 - 12 * K} 8 40 8 52 {20 - 12 * K} 52 20Z",
    ],
    ids=["two arcs", "packed arcs", "four Béziers"],
)
def test_path_circles(tmp_path, data):
    drawing = read(tmp_path, "svg", svg(f'<path d="{data}"/><circle cx="90" cy="20" r="5"/>'))
    # Such Béziers leave the circle by up to 2.7e-4 of its radius, 3 µm here.
    assert_holes(drawing, [(90, 20, 10), (40, 20, 24)], 0.005)


def test_ellipses_count_only_when_round(tmp_path):
    body = '<ellipse cx="20" cy="20" rx="12" ry="12"/><ellipse cx="60" cy="20" rx="12" ry="10"/>'
    body += '<g transform="scale(2 1)"><ellipse cx="50" cy="20" rx="6" ry="12"/><circle cx="70" cy="20" r="9"/></g>'
    body += '<circle cx="20" cy="60" r="9" transform="skewX(10)"/>'
    drawing = read(tmp_path, "svg", svg(body))
    assert_holes(drawing, [(20, 20, 24), (100, 20, 24)])
    assert "Ovals" in told(drawing)
    assert told(drawing).count("in line 1") == 3


def test_use_symbols_inner_pages_and_hidden_parts(tmp_path):
    body = """
    <symbol id="s" viewBox="0 0 10 10"><circle cx="5" cy="5" r="5"/></symbol>
    <defs><circle id="c" cx="0" cy="0" r="6"/></defs>
    <use href="#s" x="10" y="10" width="24" height="24"/>
    <use xlink:href="#c" x="60" y="22" transform="scale(1.5)"/>
    <svg x="120" y="10" width="40" height="20" viewBox="0 0 20 20"><circle cx="10" cy="10" r="5"/></svg>
    <g display="none"><circle cx="5" cy="5" r="5"/></g>
    <circle style="fill:none; display:none" cx="5" cy="5" r="5"/>
    <g visibility="hidden"><circle cx="5" cy="5" r="5"/><circle visibility="visible" cx="22" cy="80" r="6"/></g>
    <clipPath id="p"><circle cx="5" cy="5" r="5"/></clipPath>
    <use href="#nowhere"/>
    """
    drawing = read(tmp_path, "svg", svg(body))
    assert_holes(drawing, [(22, 22, 24), (90, 33, 18), (140, 20, 10), (22, 80, 12)])
    assert "Hidden elements were left out (3)" in told(drawing)
    assert "original is not in the file" in told(drawing)


@pytest.mark.parametrize(
    ("shape", "size"),
    [
        ('<rect x="10" y="5" width="180" height="90" rx="10"/>', (180, 90)),
        ('<path d="M10 5h180v90h-180z"/>', (180, 90)),
        ('<polygon points="10,5 190,5 190,95 10,95"/>', (180, 90)),
        ('<path d="M10 5h180v90"/><polyline points="190 95 10 95"/><line x1="10" y1="95" x2="10" y2="5"/>', (180, 90)),
        ('<ellipse cx="100" cy="50" rx="90" ry="45"/>', (180, 90)),
    ],
    ids=["rounded rectangle", "path", "polygon", "loose lines", "oval panel"],
)
def test_outlines_of_svg(tmp_path, shape, size):
    drawing = read(tmp_path, "svg", svg(f'{shape}<circle cx="60" cy="45" r="12"/>'))
    np.testing.assert_allclose(outline_points(drawing).max(axis=0), size, atol=1e-6)
    assert_holes(drawing, [(50, 40, 24)])


def test_labels_and_layers_of_svg(tmp_path):
    body = """<g id="layer1" inkscape:label="Holes"><circle cx="20" cy="20" r="12"/><circle cx="60" cy="20" r="12"/></g>
    <g inkscape:label="Screws"><circle cx="100" cy="20" r="2"/></g>
    <text x="20" y="21.4" text-anchor="middle" style="font-size:4px">Stop<title>no</title></text>
    <text font-size="4"><tspan x="50" y="18">Foot</tspan><tspan x="50" y="23">lamp</tspan></text>
    <text x="60" y="28" text-anchor="middle" font-size="3">Ø 24 mm</text>"""
    head = 'width="200mm" height="100mm" viewBox="0 0 200 100" xmlns:inkscape="http://www.inkscape.org/namespaces/inkscape"'
    drawing = read(tmp_path, "svg", svg(body, head))
    assert [hole.label for hole in drawing.holes] == ["Stop", "Foot lamp", None]
    assert len(read(tmp_path, "svg", svg(body, head), layer="holes").holes) == 2
    assert len(read(tmp_path, "svg", svg(body, head), layer="layer1").holes) == 2


BOMB = "".join(f'<g id="g{k}"><use href="#g{k + 1}"/><use href="#g{k + 1}"/></g>' for k in range(15))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ('<!DOCTYPE svg [<!ENTITY a "aaaa">]>' + svg("<text>&a;</text>"), "declares entities"),
        ('<!DOCTYPE svg [<!ENTITY a SYSTEM "file:///etc/passwd">]>' + svg("<text>&a;</text>"), "declares entities"),
        ('<!DOCTYPE svg [<!ENTITY % a SYSTEM "http://localhost/a">%a;]>' + svg(""), "declares entities"),
        (svg("<g>" * 300 + "</g>" * 300), "deep"),
        (svg('<g id="a"><use href="#a"/></g>'), "without end"),
        (svg(BOMB + '<g id="g15">' + '<circle r="5"/>' * 20 + "</g>"), "repeats its parts"),
        (svg("<circle"), "not well-formed"),
        ("<html/>", "not <svg>"),
        (svg('<circle cx="5%" cy="5" r="5"/>'), r'cx="5%".*line 1|line 1.*cx="5%"'),
        (svg('<g transform="turn(5)"><circle r="5"/></g>'), "transform="),
        (svg('<g transform="rotate(5,6)"><circle r="5"/></g>'), "transform="),
        (svg('<circle style="transform: scale(2)" r="5"/>'), "CSS transform"),
        (svg('<path d="M0 0 L 5 ?"/>'), "cannot be read"),
        (svg('<path d="M0 0 L 5"/>'), "breaks off"),
        (svg('<circle cx="1e300" r="5"/>'), "coordinate or size"),
        (svg('<circle cx="1e999" r="5"/>'), "not a number"),
        (svg('<circle r="5" transform="scale(1e200) scale(1e200)"/>'), "not a number"),
        (svg("<rect width='5' height='6'/>"), "No hole was found"),
        (svg("", 'width="0mm" height="5mm" viewBox="0 0 1 1"'), "above 0"),
        (svg("", 'width="5mm" height="5mm" viewBox="0 0 1"'), "viewBox"),
        (b"\x1f\x8b\x08\x00", "compressed"),
    ],
)
def test_refusals_of_svg_files(tmp_path, content, words):
    with pytest.raises(DocumentError, match=words) as caught:
        read(tmp_path, "svg", content)
    assert "panel.svg" in str(caught.value)


def test_a_plain_doctype_is_no_obstacle(tmp_path):
    doctype = '<?xml version="1.0"?><!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "http://www.w3.org/svg11.dtd">'
    assert len(read(tmp_path, "svg", doctype + svg('<circle r="5"/>')).holes) == 1


# --- CSV ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "table",
    [
        "x_mm,y_mm,diameter_mm\n20,30,24\n60.5,50,30\n",
        "diameter [mm];label;Y (mm);X (mm)\n24;a;30;20\n30,0;b;50;60,5\n",
        "X mm\tY mm\tHole dia. mm\n20\t30\t24\n60.5\t50\t30\n",
        "# ,,\n".replace("# ,,", ",,") + "x_cm,y_cm,d_cm\n2,3,2.4\n\n6.05,5,3\n",
        '"x from left edge (mm)","y from bottom edge (mm)","radius (mm)"\n20,30,12\n60.5,50,15\n',
        "x_inch,y_inch,d_mm\n" + f"{20 / 25.4},{30 / 25.4},24\n{60.5 / 25.4},{50 / 25.4},30\n",
        "\ufeffx_mm,y_mm,diameter_mm\r\n20,30,24\r\n60.5,50,30\r\n",
    ],
    ids=["plain", "semicolons", "tabs", "centimetres", "quoted radius", "mixed units", "byte order mark"],
)
def test_tables(tmp_path, table):
    assert_holes(read(tmp_path, "csv", table), [(20, -30, 24), (60.5, -50, 30)])


def test_y_from_the_top_counts_down(tmp_path):
    drawing = read(tmp_path, "csv", "x_mm,y_from_top_mm,d_mm,name\n20,30,24,Stop\n60,50,24,Drill\n")
    assert_holes(drawing, [(20, 30, 24), (60, 50, 24)])
    assert [hole.label for hole in drawing.holes] == ["Stop", "Drill"]
    assert not drawing.notes
    assert "which way y counts" in told(read(tmp_path, "csv", "x_mm,y_mm,d_mm\n20,30,24\n"))


def test_a_table_without_units_asks(tmp_path):
    table = "x,y,d\n0.5,0.5,0.945\n"
    with pytest.raises(DocumentError, match=r"24 mm if the unit is inch.*--units inch"):
        read(tmp_path, "csv", table)
    assert holes(read(tmp_path, "csv", table, units="inch"))[0, 2] == pytest.approx(0.945 * 25.4)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("a,b,c\n1,2,3\n", "no column x and no column y and no column diameter"),
        ("x_mm,y_mm\n1,2\n", "no column diameter"),
        ("x_mm,y_mm,d_mm\n1,2,3\n4,five,6\n", "line 3: the y 'five' is not a number"),
        ("x_mm,y_mm,d_mm\n1,2,3\n\n4,5\n", "line 4: the diameter is missing"),
        ("x_mm;y_mm;d_mm\n1,5;2.5;3\n", "decimal comma"),
        ("x_mm;y_mm;d_mm\n1.234,5;2;3\n", "thousands"),
        ('x_mm,y_mm,d_mm\n"1,5",2,3\n', "semicolons"),
        ("x_mm,y_mm,d_mm\n1,2,0\n", "above 0"),
        ("x_mm,y_mm,d_mm\n1,2,nan\n", "not a number"),
        ("x_mm,y_mm,d_mm\n1e9,2,3\n", r"line 2.*1e\+06 m"),
        ("x_mm,y_mm,d_mm\n", "no hole"),
        (" \n\n", "holds no text"),
        ("x_mm,x_cm,y_mm,d_mm\n1,1,1,1\n", "two columns"),
        ("x_mm,y_cm,d\n1,2,3\n", "different units"),
    ],
)
def test_refusals_of_tables(tmp_path, table, words):
    with pytest.raises(DocumentError, match=words):
        read(tmp_path, "csv", table)


def test_other_endings_and_missing_files(tmp_path):
    with pytest.raises(InputError, match="DXF, SVG or CSV"):
        read(tmp_path, "dwg", b"AC1032")
    with pytest.raises(InputError, match="does not exist"):
        read_drawing(tmp_path / "none.dxf")
    with pytest.raises(InputError, match="unit 'yard'"):
        read_drawing(tmp_path / "none.dxf", units="yard")


# --- readers against one another ------------------------------------------------------------------------------


def test_svg_agrees_with_the_library_of_svgelements(tmp_path):
    """svgelements resolves page, groups, copies and inner pages with code of its own; both must agree."""
    from svgelements import SVG, Circle

    body = """
    <defs><g id="pair"><circle cx="0" cy="0" r="6"/><circle cx="30" cy="2" r="6"/></g></defs>
    <g transform="translate(20 30) rotate(17)"><use href="#pair" x="4" y="5"/>
      <g transform="matrix(0.8 0.6 -0.6 0.8 25 -10) scale(1.3)"><use href="#pair" x="40"/></g></g>
    <g transform="rotate(-8 100 50)"><circle cx="1.5in" cy="10mm" r="4mm"/></g>
    <g transform="scale(-1 1)"><circle cx="-170" cy="20" r="9"/></g>
    """
    head = 'width="300mm" height="120mm" viewBox="-10 -20 250 100" preserveAspectRatio="xMaxYMin meet"'
    content = svg(body, head)
    drawing = read(tmp_path, "svg", content)
    found = SVG.parse(io.StringIO(content), ppi=96, reify=True).elements(lambda e: isinstance(e, Circle))
    boxes = [np.array(circle.bbox(with_stroke=False), dtype=float) * 25.4 / 96 for circle in found]
    wanted = [(*((box[:2] + box[2:]) / 2), box[2] - box[0]) for box in boxes]
    assert len(wanted) == 6
    # Its millimetre is rounded to seven digits, 1.5e-4 mm over the width of the page.
    order = np.lexsort(np.round(holes(drawing), 3).T)
    places = np.array(wanted, dtype=float)
    places[:, :2] -= (places[:, :2] - places[:, 2:] / 2).min(axis=0)
    np.testing.assert_allclose(holes(drawing)[order], places[np.lexsort(np.round(places, 3).T)], atol=5e-4)


def test_dxf_extents_agree_with_ezdxf(tmp_path):
    from ezdxf import bbox

    document, space = new_dxf()
    space.add_circle((50, 30), 12)
    space.add_spline([(0, 0), (60, -20), (120, 10), (110, 80), (-10, 70), (0, 0)])
    outline = outline_points(read(tmp_path, "dxf", dxf_bytes(document)))
    size = bbox.extents(space, fast=False).size
    np.testing.assert_allclose(outline.max(axis=0), (size.x, size.y), atol=0.02)


def test_damage_that_once_broke_the_readers(tmp_path):
    for content in (
        svg('<path d="M1 2 C 3 4 1e308 6 7 8"/>'),
        svg('<path d="M1 2 Q 1e308 -1e308 7 8"/>'),
        svg('<path d="M1 2 A 1e308 5 10 1 0 20 20"/>'),
        svg('<text x="1e999" y="5">a</text>'),
    ):
        with pytest.raises(DocumentError):
            read(tmp_path, "svg", content)
    # A name of a layout without a text: ezdxf's own audit stops with an assertion.
    data = dxf_bytes(new_dxf()[0]).replace(b"AcDbLayout", b"AcDbNo", 1)
    with pytest.raises(DocumentError):
        read(tmp_path, "dxf", data)


def test_reading_twenty_thousand_lines_stays_quick(tmp_path):
    import time

    document, space = new_dxf()
    space.add_circle((0, 0), 12)
    for k in range(10_000):
        space.add_line((k % 100, k // 100), (k % 100 + 0.5, k // 100), dxfattribs={"layer": "HATCH"})
        space.add_line((-k / 10, -5), (-k / 10 - 0.1, -5))  # a chain, drawn backwards
    data = dxf_bytes(document)
    start = time.process_time()
    assert len(read(tmp_path, "dxf", data).holes) == 1
    assert time.process_time() - start < 30
