"""The names on the drawings: none is printed over another, over a hole, or off the panel."""

from __future__ import annotations

import cmath
import io
import math
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest
import shapely
from click.testing import CliRunner
from helpers_layout import workshop_layout
from hypothesis import example, given, settings
from hypothesis import strategies as st

from handcapture.cli import main
from handcapture.drawings.art import art_of, art_pdf
from handcapture.drawings.common import outline_points
from handcapture.drawings.drill import layout_drill_csv
from handcapture.drawings.drill_sheet import drill_sheet_pdf
from handcapture.drawings.dxf import layout_dxf
from handcapture.drawings.labels import box_meets_discs, box_within, boxes_meet
from handcapture.drawings.printed_panel import panel_texts
from handcapture.drawings.surroundings import cross_mm, hole_discs, names_on, panel_box
from handcapture.layout.document import write_layout
from handcapture.layout.model import Cut, KeepOut, SideFeature
from handcapture.lettering import text_width


def rich_layout():
    """A lamp in its socket, washers round their screws: one thing about another, as panels have them (invented)."""
    layout = workshop_layout()
    corners = {"back left": (12.0, 12.0), "back right": (308.0, 12.0), "front left": (12.0, 138.0)}
    cuts = [
        Cut("lamp", "circle", (160.0, 24.0), 22.0),
        Cut("window", "rectangle", (230.0, 120.0), 0.0, (60.0, 20.0), 3.0),
    ]
    cuts += [Cut(f"M4 {where}", "circle", place, 4.5) for where, place in corners.items()]
    around = [KeepOut("lamp socket", "circle", (160.0, 24.0), 28.0, (0.0, 0.0), 1.0, "above")]
    around += [KeepOut(f"washer {where}", "circle", place, 9.0, (0.0, 0.0), 1.0) for where, place in corners.items()]
    panel = replace(
        layout.panel,
        keep_outs=tuple(around),
        cuts=tuple(cuts),
        side_features=(SideFeature("socket", "back", 90.0, 20.0, 15.0),),
    )
    return replace(layout, panel=panel)


def test_no_name_is_printed_over_another_or_over_a_hole():
    layout = rich_layout()
    names = names_on(layout, 2.4, crosses=True)
    assert len(names) == len(layout.panel.keep_outs) + len(layout.panel.cuts) + 1
    for one, other in combinations(names, 2):
        assert not boxes_meet(one.box, other.box), f"{one.text} lies on {other.text}"
    for name in names:
        assert not box_meets_discs(name.box, hole_discs(layout)), name.text
        assert box_within(name.box, panel_box(layout.panel))
    for cut in layout.panel.cuts:
        (x, y), arm = (
            cut.centre_mm,
            cross_mm((0.0, 0.0, *(cut.size_mm if cut.diameter_mm == 0 else (cut.diameter_mm,) * 2))),
        )
        cross = (x - arm, y - arm, x + arm, y + arm)
        assert not any(boxes_meet(name.box, cross) for name in names), cut.name


@settings(max_examples=20, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(20, 300), st.floats(110, 140), st.floats(5, 25), st.booleans()),
        min_size=1,
        max_size=4,
    )
)
def test_texts_on_a_print_never_overlap_each_other(places):
    """Invented panels: openings and what stands round them, at random in the free part of the bench panel."""
    layout = workshop_layout()
    cuts = tuple(Cut(f"opening {k}", "circle", (x, y), size) for k, (x, y, size, _) in enumerate(places))
    rings = tuple(
        KeepOut(f"ring {k}", "circle", (x, y), size + 6.0, face="above")
        for k, (x, y, size, ringed) in enumerate(places)
        if ringed
    )
    texts = panel_texts(replace(layout, panel=replace(layout.panel, cuts=cuts, keep_outs=rings)))
    for one, other in combinations(texts, 2):
        assert not boxes_meet(one.box, other.box), f"{one.text} lies on {other.text}"


def test_the_artist_s_labels_stay_inside_the_safe_line():
    layout = rich_layout()
    art = art_of(layout, labels=True)
    assert {text for _, text, _ in art.labels} >= {
        "Stop",
        "lamp Ø22",
        "lamp socket (above the panel)",
        "M4 back left Ø4.5",
    }
    assert not any("wall" in text for _, text, _ in art.labels), "what lies below is not the artist's matter"
    for (x, y), text, _ in art.labels:
        assert 3.0 < x < layout.panel.width_mm - 3.0, text
        assert 3.0 < y < layout.panel.height_mm - 3.0, text
    assert art_pdf(layout, labels=True).startswith(b"%PDF")


def test_long_names_in_the_drill_table_are_whole():
    from helpers_pdf import open_pdf

    layout = rich_layout()
    longest = "Prospect lantern, left 2"
    layout = replace(layout, buttons=(replace(layout.buttons[0], label=longest), *layout.buttons[1:]))
    seen = open_pdf(drill_sheet_pdf(layout))[0].get_textpage().get_text_range()
    assert longest in seen
    assert "M4 back right (cut)" in seen


@pytest.mark.parametrize("faulty", [True, False], ids=["with an error", "without"])
def test_drawing_a_layout_with_errors_says_so(tmp_path, faulty):
    write_layout(tmp_path / "layout.json", workshop_layout(findings=faulty))
    done = CliRunner().invoke(main, ["draw", str(tmp_path / "layout.json"), "--output", str(tmp_path / "panel.dxf")])
    assert done.exit_code == 0
    assert ("NOT TO BE BUILT YET: the check of this layout found 1 error" in done.output) == faulty


def test_a_drawing_named_twice_or_a_file_that_is_not_there_is_refused(tmp_path):
    write_layout(tmp_path / "layout.json", workshop_layout())
    twice = [str(tmp_path / "a.dxf"), "--output", str(tmp_path / "." / "a.dxf")]
    done = CliRunner().invoke(main, ["draw", str(tmp_path / "layout.json"), "--output", *twice])
    assert (done.exit_code, "named twice" in done.output) == (2, True)
    sheet = ["--sheet", "cut", "--file", str(tmp_path / "gone.dxf"), "--output", str(tmp_path / "cut.pdf")]
    done = CliRunner().invoke(main, ["draw", str(tmp_path / "layout.json"), *sheet])
    assert (done.exit_code, "gone.dxf (--file) does not exist" in done.output) == (2, True)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["layout.json"]


def hard_layout(labels, places):
    """Return the bench panel with invented labels, and openings with something round them where there is room."""
    layout = workshop_layout()
    buttons = tuple(replace(b, label=labels[k % len(labels)]) for k, b in enumerate(layout.buttons))
    cuts = tuple(Cut(f"opening {k}", "circle", (x, y), size) for k, (x, y, size) in enumerate(places))
    rings = tuple(
        KeepOut(f"ring {k}", "circle", (x, y), size + 6.0, face="above") for k, (x, y, size) in enumerate(places)
    )
    return replace(layout, buttons=buttons, panel=replace(layout.panel, cuts=cuts, keep_outs=rings))


def dxf_texts(layout, version):
    """Return text and box of each name on the drawing, x right, y up."""
    from ezdxf import recover

    document, _ = recover.read(io.BytesIO(layout_dxf(layout, version=version)))
    texts = [t for t in document.modelspace().query("TEXT") if t.dxf.insert.y > 0]
    boxes = []
    for text in texts:
        (x, y, _), half = text.get_placement()[1], text_width(text.plain_text(), text.dxf.height) / 2
        boxes.append((text.plain_text(), (x - half, y - text.dxf.height / 2, x + half, y + text.dxf.height / 2)))
    return boxes


words = st.text("abcdefghijklmnopqrstuvwxyz ", min_size=1, max_size=24).filter(str.strip)


@settings(max_examples=12, deadline=None)
@given(
    st.lists(words, min_size=1, max_size=6),
    st.lists(st.tuples(st.floats(20, 300), st.floats(110, 140), st.floats(5, 25)), max_size=2),
)
@example(["Prospect lantern left", "Prospect lantern right"], [(160.0, 124.0, 22.0)])
def test_no_two_names_of_any_labels_overlap_on_any_drawing(labels, places):
    """Invented labels, on a panel that has room for them."""
    layout = hard_layout(labels, places)
    drawn = {
        "print": [(text.text, text.box) for text in panel_texts(layout)],
        "R2010": dxf_texts(layout, "R2010"),
        "R12": dxf_texts(layout, "R12"),
    }
    for drawing, texts in drawn.items():
        for (one, box), (other, other_box) in combinations(texts, 2):
            assert not boxes_meet(box, other_box), f"{drawing}: {one} lies on {other}"


def test_no_name_crosses_a_round_corner():
    """Names of screws in the corners keep clear of the outline, and the artist's of the safe line too."""
    layout = rich_layout()
    layout = replace(layout, panel=replace(layout.panel, corner_radius_mm=25.0))
    line = shapely.LineString(outline_points(layout.panel, 0.5))
    safe = shapely.LinearRing(outline_points(layout.panel, 0.5)).buffer(3.0).interiors[0]
    for text in panel_texts(layout):
        assert not shapely.box(*text.box).intersects(line), text.text
    art = art_of(layout, labels=True)
    for (x, y), text, size in art.labels:
        half = text_width(text, 0.72 * size) / 2
        assert not shapely.box(x - half, y - size / 2, x + half, y + size / 2).intersects(safe), text


@pytest.mark.parametrize("version", ["R2010", "R12"])
def test_outline_of_the_dxf_is_the_panel_s_within_a_micrometre(version):
    """Arcs as ezdxf makes them of the bulges, against arcs cut into fine pieces here."""
    from ezdxf import recover

    layout = workshop_layout()
    outline = ((0, 0, 0), (320, 0, 0), (320, 150, 0.2), (220, 150, -0.15), (100, 150, 0), (0, 130, 0))
    outline = tuple(tuple(map(float, vertex)) for vertex in outline)
    ends = [*outline[1:], outline[0]]
    expected = [p for (x, y, b), (u, v, _) in zip(outline, ends, strict=True) for p in fine_points((x, y), (u, v), b)]
    height = max(y for _, y in expected)
    panel = replace(layout.panel, outline=outline, width_mm=320.0, height_mm=height, corner_radius_mm=0.0)
    document, _ = recover.read(io.BytesIO(layout_dxf(replace(layout, panel=panel), version=version)))
    (line,) = document.modelspace().query("LWPOLYLINE POLYLINE").filter(lambda e: e.dxf.layer == "CUT")
    pieces = list(line.virtual_entities())
    assert sorted(piece.dxftype() for piece in pieces) == ["ARC"] * 2 + ["LINE"] * 4
    seen = []
    for piece in pieces:
        if piece.dxftype() == "LINE":
            seen += [(piece.dxf.start.x, piece.dxf.start.y), (piece.dxf.end.x, piece.dxf.end.y)]
        else:
            seen += [(p.x, p.y) for p in piece.flattening(1e-4)]
    ring = shapely.LinearRing([(x, height - y) for x, y in expected])
    assert max(ring.distance(shapely.Point(p)) for p in seen) < 0.001
    drawn = shapely.MultiPoint(seen)
    for (x, y), (u, v) in zip(expected, [*expected[1:], expected[0]], strict=True):
        if math.dist((x, y), (u, v)) < 1.0:  # on an arc
            assert drawn.distance(shapely.Point(x, height - y)) < 1.0


def fine_points(start, end, bulge, count=4000):
    """Return points on an arc: its bulge is the tangent of a quarter of its angle (DXF reference, LWPOLYLINE)."""
    if bulge == 0:
        return [start]
    (x, y), (u, v) = start, end
    turn = 4 * math.atan(bulge)
    chord = complex(u - x, v - y)
    centre = complex(x, y) + chord / 2 + 1j * chord / 2 / math.tan(turn / 2)
    points = [centre + (complex(x, y) - centre) * cmath.exp(1j * turn * k / count) for k in range(count)]
    assert abs(centre + (complex(x, y) - centre) * cmath.exp(1j * turn) - complex(u, v)) < 1e-9
    return [(p.real, p.imag) for p in points]


def run(*words):
    return CliRunner().invoke(main, ["draw", *map(str, words)])


def test_a_warning_of_errors_goes_to_the_error_stream(tmp_path):
    write_layout(tmp_path / "layout.json", workshop_layout(findings=True))
    done = run(tmp_path / "layout.json", "--output", tmp_path / "art.svg", "--sheet", "art", "--json")
    assert done.exit_code == 0
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("NOT TO BE BUILT YET: the check of this layout found 1 error.")
    assert "NOT TO BE BUILT YET" in (tmp_path / "art.svg").read_text()


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="needs a folder that nobody can write to")
def test_where_one_folder_cannot_be_written_nothing_is(tmp_path):
    write_layout(tmp_path / "layout.json", workshop_layout())
    done = run(tmp_path / "layout.json", "--output", tmp_path / "a.dxf", "--output", "/proc/b.svg")
    assert (done.exit_code, "/proc cannot be written to" in done.output) == (2, True)
    assert [path.name for path in tmp_path.iterdir()] == ["layout.json"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["plan.toml", "--output", "a.dxf"], "is a plan or a panel, written by hand"),
        (["layout.json", "--output", "a.DXF", "--output", "a.dxf"], "named twice"),
        (["layout.json", "--sheet", "cut", "--file", ".", "--output", "a.pdf"], "is a folder"),
        (["layout.json", "--sheet", "cut", "--output", "a.svg"], "is written as .pdf"),
        (["layout.json", "--output", "a.txt"], "ends in .dxf"),
        (["layout.json", "--output", "gone/a.dxf"], "does not exist"),
    ],
)
def test_slips_are_refused_with_a_sentence_and_leave_nothing(tmp_path, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    write_layout(tmp_path / "layout.json", workshop_layout())
    (tmp_path / "plan.toml").write_text('name = "A plan"\n')
    done = run(*words)
    assert done.exit_code == 2
    assert said in done.output
    assert sorted(path.name for path in tmp_path.iterdir()) == ["layout.json", "plan.toml"]


def test_names_in_the_artist_s_outline_stand_on_nothing_that_is_to_be_kept_clear():
    layout = rich_layout()
    art = art_of(layout, labels=True)
    circles = [shapely.Point(centre).buffer(diameter / 2) for centre, diameter in art.clear_circles]
    for centre, text, size in art.labels:
        half = text_width(text, 0.72 * size) / 2
        box = shapely.box(centre[0] - half, centre[1] - 0.4 * size, centre[0] + half, centre[1] + 0.4 * size)
        for circle in circles:
            # Within what it names, or off it.
            assert circle.contains(shapely.Point(centre)) or not circle.intersects(box), text


@pytest.mark.parametrize("faulty", [True, False], ids=["with an error", "without"])
def test_every_sheet_warns_of_errors(faulty):
    from helpers_pdf import open_pdf

    from handcapture.drawings.cut_sheet import cut_sheet_pdf
    from handcapture.drawings.template import template_pdf
    from handcapture.drawings.tiled import tiled_pdf
    from handcapture.mat.geometry import MATS

    layout = workshop_layout(findings=faulty)
    assert ("NOT TO BE BUILT YET" in layout_drill_csv(layout).decode().splitlines()[0]) == faulty
    for data in (
        art_pdf(layout),
        cut_sheet_pdf(layout, "a4"),
        drill_sheet_pdf(layout),
        tiled_pdf(layout, "a4"),
        template_pdf(layout, MATS["a4-pair"]),
    ):
        for page in open_pdf(data):
            seen = " ".join(page.get_textpage().get_text_range().split())
            assert ("NOT TO BE BUILT YET: the check of this layout found 1 error" in seen) == faulty


@pytest.mark.parametrize("mat_name", ["a3", "a4-pair", "tabloid", "letter-pair"])
def test_notes_on_the_template_meet_nothing_else(mat_name):
    """Where each letter is, as pdfium reads it: no two of the page's texts lie on each other."""
    from helpers_pdf import open_pdf

    from handcapture.drawings.template import template_pdf
    from handcapture.mat.geometry import MATS

    for layout in (workshop_layout(findings=True), hard_layout(["Prospect lantern left"], [(160.0, 124.0, 22.0)])):
        for page in open_pdf(template_pdf(layout, MATS[mat_name])):
            text = page.get_textpage()
            boxes = [text.get_charbox(k) for k in range(text.count_chars()) if text.get_text_range(k, 1).strip()]
            letters = [shapely.box(*box).buffer(-0.1) for box in boxes]
            tree = shapely.STRtree(letters)
            pairs = [(a, b) for a, b in tree.query(letters, predicate="intersects").T.tolist() if a < b]
            # Neighbours in one word may touch (kerning).
            assert all(b == a + 1 for a, b in pairs), mat_name
