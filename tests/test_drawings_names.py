"""The names on the drawings: none is printed over another, over a hole, or off the panel."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pytest
from click.testing import CliRunner
from helpers_layout import workshop_layout
from hypothesis import given, settings
from hypothesis import strategies as st

from handcapture.cli import main
from handcapture.drawings.art import art_of, art_pdf
from handcapture.drawings.drill_sheet import drill_sheet_pdf
from handcapture.drawings.labels import box_meets_discs, box_within, boxes_meet
from handcapture.drawings.printed_panel import panel_texts
from handcapture.drawings.surroundings import cross_mm, hole_discs, names_on, panel_box
from handcapture.layout.document import write_layout
from handcapture.layout.model import Cut, KeepOut, SideFeature


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
