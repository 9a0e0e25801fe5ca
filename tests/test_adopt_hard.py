"""Hard input through the command: the right plan or one sentence, and what was written before stays whole.

Drawings are written by ezdxf, or by hand after the SVG specification.
"""

from __future__ import annotations

import io
import math
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from click.testing import CliRunner, Result
from ezdxf.math import rational_bspline_from_arc
from helpers_layout import workshop_layout
from helpers_rest import contact, posture, source

from handcapture.cli import main
from handcapture.drawings.drill import layout_drill_csv
from handcapture.errors import DocumentError
from handcapture.layout.plan import load_panel, load_plan
from handcapture.layout.source_dxf import read_dxf
from handcapture.placement import Placement
from handcapture.rest import pool
from handcapture.rest_document import write_rest

LAYOUT = workshop_layout()
CIRCLES = tuple((*b.centre_mm, b.hole_mm) for b in LAYOUT.buttons)
LABELS = tuple(b.label for b in LAYOUT.buttons)


def adopted(folder: Path, name: str, data: bytes, *options: str) -> Result:
    """Run the command over a plan and a panel that are there already."""
    (folder / name).write_bytes(data)
    origin = LAYOUT.panel_origin_mm
    contacts = tuple(contact(b.side, b.finger, np.add(b.centre_mm, origin)) for b in LAYOUT.buttons)
    write_rest(folder / "rest.json", pool([Placement(contacts, (posture("left"), posture("right")), (source(1),))]))
    for kept in ("plan.toml", "panel.toml"):
        (folder / kept).write_text("kept")
    command = ["adopt", str(folder / name), "--rest", str(folder / "rest.json"), "--output", str(folder / "plan.toml")]
    return CliRunner().invoke(main, [*command, "--force", *options])


def assert_adopted(folder: Path, run: Result, within: float = 1e-3) -> None:
    assert run.exit_code == 0, run.output
    found = {(b.side, b.finger): b for b in load_plan(folder / "plan.toml").buttons}
    assert set(found) == {(b.side, b.finger) for b in LAYOUT.buttons}
    off = np.array([np.subtract(found[b.side, b.finger].was_mm, b.centre_mm) for b in LAYOUT.buttons])
    np.testing.assert_allclose(off - off.mean(axis=0), 0, atol=within)
    for button in LAYOUT.buttons:
        assert found[button.side, button.finger].hole_mm == pytest.approx(button.hole_mm, abs=0.02)


def assert_refused(folder: Path, run: Result, words: str) -> None:
    assert run.exit_code == 2, run.output
    assert isinstance(run.exception, SystemExit)
    assert words in run.output
    assert "Traceback" not in run.output
    assert len(run.output.strip().splitlines()) == 1
    assert (folder / "plan.toml").read_text() == "kept"
    assert (folder / "panel.toml").read_text() == "kept"


def dxf(draw, version: str = "R2010", units: int = 4, outline: bool = True, scale: float = 1.0) -> bytes:
    document = ezdxf.new(version)
    if version != "R12":
        document.header["$INSUNITS"] = units
    space = document.modelspace()
    if outline:
        box = [(0, 0), (320 * scale, 0), (320 * scale, 150 * scale), (0, 150 * scale)]
        space.add_polyline2d(box, close=True) if version == "R12" else space.add_lwpolyline(box, close=True)
    for x, y, diameter in CIRCLES:
        draw(space, x * scale, (150 - y) * scale, diameter / 2 * scale)
    text = io.StringIO()
    document.write(text)
    return document.encode(text.getvalue())


def circle(space, x, y, r) -> None:
    space.add_circle((x, y), r)


def spline(space, x, y, r) -> None:
    space.add_spline().apply_construction_tool(rational_bspline_from_arc((x, y), r, 0, 360))


def fitted(space, x, y, r) -> None:
    turns = np.linspace(0, 2 * math.pi, 37)
    space.add_spline([(x + r * math.cos(t), y + r * math.sin(t)) for t in turns], dxfattribs={"flags": 11})


def bulged(space, x, y, r) -> None:
    space.add_lwpolyline([(x - r, y, 1), (x + r, y, 1)], format="xyb", close=True)


def inserted(space, x, y, r) -> None:
    blocks = space.doc.blocks
    if "hole" not in blocks:
        blocks.new("hole").add_circle((1, 0), 0.5)
    at = {"xscale": 2 * r, "yscale": 2 * r, "zscale": 2 * r, "rotation": 90}
    space.add_blockref("hole", (x, y - 2 * r), dxfattribs=at)


def twice(space, x, y, r) -> None:
    space.add_circle((x, y), r)
    space.add_circle((x + 0.003, y), r)


def with_mark(space, x, y, r) -> None:
    space.add_circle((x, y), r)
    space.add_circle((x, y), 1.0)


@pytest.mark.parametrize(
    "draw", [circle, spline, fitted, bulged, inserted, twice, with_mark], ids=lambda draw: draw.__name__
)
def test_ways_to_draw_a_hole(tmp_path: Path, draw) -> None:
    run = adopted(tmp_path, "old.dxf", dxf(draw), "--panel", str(tmp_path / "panel.toml"))
    assert_adopted(tmp_path, run)
    panel, _ = load_panel(tmp_path / "panel.toml")
    assert (panel.width_mm, panel.height_mm) == (320.0, 150.0)
    assert not panel.cuts


def test_holes_that_overlap_are_told(tmp_path: Path) -> None:
    def overlapping(space, x, y, r) -> None:
        circle(space, x, y, r)
        if (x, 150 - y) == CIRCLES[0][:2]:
            circle(space, x + 5, y, r)

    run = adopted(tmp_path, "old.dxf", dxf(overlapping))
    assert run.exit_code == 0, run.output
    assert "Holes overlap" in run.output
    assert "by 19 mm" in run.output  # 24 mm of two radii, 5 mm apart


def test_units(tmp_path: Path) -> None:
    assert_adopted(tmp_path, adopted(tmp_path, "old.dxf", dxf(circle, units=1, scale=1 / 25.4)))
    run = adopted(tmp_path, "old.dxf", dxf(circle, units=0, scale=1 / 25.4))
    assert_refused(tmp_path, run, "24 mm if the unit is inch. Likely: say --units inch")
    run = adopted(tmp_path, "old.dxf", dxf(circle, version="R12"))
    assert_refused(tmp_path, run, "Likely: say --units mm")
    assert_adopted(tmp_path, adopted(tmp_path, "old.dxf", dxf(circle, version="R12"), "--units", "mm"))


def test_binary_dxf(tmp_path: Path) -> None:
    document = ezdxf.read(io.StringIO(dxf(circle).decode()))
    document.saveas(tmp_path / "binary.dxf", fmt="bin")
    data = (tmp_path / "binary.dxf").read_bytes()
    assert data.startswith(b"AutoCAD Binary DXF")
    assert_adopted(tmp_path, adopted(tmp_path, "old.dxf", data))
    assert_refused(tmp_path, adopted(tmp_path, "old.dxf", data[: len(data) // 2]), "breaks off before its end")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda data: data[: len(data) * 3 // 4], "breaks off before its end"),
        (lambda data: data[:3000], "breaks off before its end"),
        (lambda data: bytes(range(256)) * 40, "not a readable DXF"),
        (lambda data: b"AC1032\0\0\0" + bytes(500), "DWG file by its content"),
        (lambda data: b"", "is empty (0 bytes)"),
        (lambda data: b"0\nEOF\n", "No hole was found"),
    ],
    ids=["cut", "cut early", "garbage", "DWG", "empty", "nothing"],
)
def test_damaged_dxf_files(tmp_path: Path, change, words: str) -> None:
    assert_refused(tmp_path, adopted(tmp_path, "old.dxf", change(dxf(circle))), words)


def test_a_table_cut_within_a_line_is_said_to_break_off(tmp_path: Path) -> None:
    """The last row of our own table, cut within a number, would be a hole of another size and kind."""
    data = layout_drill_csv(LAYOUT).rstrip()
    assert_adopted(tmp_path, adopted(tmp_path, "old.csv", data))  # whole, without the last end of line
    last = data.rindex(b"\n") + 1
    for length in range(last + 5, data.rindex(b",")):
        run = adopted(tmp_path, "old.csv", data[:length])
        assert_refused(tmp_path, run, f"line {len(LAYOUT.buttons) + 1}: the file breaks off within this line")


def test_a_dxf_file_cut_anywhere_is_said_to_break_off(tmp_path: Path) -> None:
    """A cut may fall within a group code, a value or a section's name, and stop the reader in as many ways."""
    path = tmp_path / "old.dxf"
    data = dxf(circle)
    for length in (*range(30, 60), *range(3000, 3040), *range(len(data) // 2, len(data) // 2 + 20), len(data) - 300):
        path.write_bytes(data[:length])
        with pytest.raises(DocumentError, match="breaks off before its end"):
            read_dxf(path, None)


def test_shapes_in_a_paper_layout_only(tmp_path: Path) -> None:
    document = ezdxf.new("R2010", units=4)
    for x, y, diameter in CIRCLES:
        document.layout("Layout1").add_circle((x, y), diameter / 2)
    text = io.StringIO()
    document.write(text)
    assert_refused(tmp_path, adopted(tmp_path, "old.dxf", document.encode(text.getvalue())), "paper layout")


def test_a_panel_without_outline_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    data = dxf(circle, outline=False)
    run = adopted(tmp_path, "old.dxf", data, "--panel", str(tmp_path / "panel.toml"))
    assert_refused(tmp_path, run, "has no outline that could be the panel")
    assert_adopted(tmp_path, adopted(tmp_path, "old.dxf", data))


BODY = "".join(f'<circle cx="{x}" cy="{y}" r="{d / 2}"/>' for x, y, d in CIRCLES)
RECT = '<rect width="320" height="150" rx="12"/>'
MM = 'width="320mm" height="150mm" viewBox="0 0 320 150"'


@pytest.mark.parametrize(
    ("head", "body"),
    [
        (MM, RECT + BODY),
        ('width="1210px" height="567px"', f'<g transform="scale({96 / 25.4})">{RECT}{BODY}</g>'),
        (
            'width="14in" height="8in" viewBox="0 0 14 8"',
            f'<g transform="translate(1 1)"><g transform="scale({1 / 25.4})"><g transform="translate(5,5) rotate(180 '
            f'160 75)"><g transform="rotate(180 160 75)">{RECT}{BODY}</g></g></g></g>',
        ),
        (
            MM,
            f'<defs><g id="k">{RECT}</g><circle id="h" r="12"/><circle id="w" r="15"/></defs><use href="#k"/>'
            + "".join(f'<use href="#{"h" if d == 24 else "w"}" x="{x}" y="{y}"/>' for x, y, d in CIRCLES),
        ),
    ],
    ids=["mm", "px", "in, nested", "use"],
)
def test_svg_pages_and_groups(tmp_path: Path, head: str, body: str) -> None:
    data = f'<svg xmlns="http://www.w3.org/2000/svg" {head}>{body}</svg>'.encode()
    run = adopted(tmp_path, "old.svg", data, "--panel", str(tmp_path / "panel.toml"))
    assert_adopted(tmp_path, run, 1e-3)
    panel, _ = load_panel(tmp_path / "panel.toml")
    assert (panel.width_mm, panel.height_mm, panel.corner_radius_mm) == pytest.approx((320, 150, 12), abs=1e-3)


def test_svg_without_a_size_or_view_box(tmp_path: Path) -> None:
    plain = '<svg xmlns="http://www.w3.org/2000/svg" {}>' + RECT + BODY + "</svg>"
    for head in ("", 'viewBox="0 0 320 150"'):
        assert_refused(tmp_path, adopted(tmp_path, "old.svg", plain.format(head).encode()), "say --units mm")
        assert_adopted(tmp_path, adopted(tmp_path, "old.svg", plain.format(head).encode(), "--units", "mm"))
    data = plain.format('width="320mm" height="150mm"').encode()
    assert "no viewBox, so one drawing unit is a px" in adopted(tmp_path, "old.svg", data).output
    assert_refused(tmp_path, adopted(tmp_path, "old.svg", data[:300]), "not well-formed XML")
    empty = f'<svg xmlns="http://www.w3.org/2000/svg" {MM}/>'
    assert_refused(tmp_path, adopted(tmp_path, "old.svg", empty.encode()), "No hole was found")


def table(head: str, separator: str = ",", comma: bool = False) -> str:
    def cell(value: object) -> str:
        return str(value).replace(".", ",") if comma and isinstance(value, float) else str(value)

    rows = [(label, x, y, d) for label, (x, y, d) in zip(LABELS, CIRCLES, strict=True)]
    return head + "\n" + "".join(separator.join(map(cell, row)) + "\n" for row in rows)


@pytest.mark.parametrize(
    "data",
    [
        table("Label;X (mm);Y from top (mm);Ø (mm)", ";", comma=True).encode(),
        table("name\tx_mm\ty_from_top_mm\tdia_mm", "\t").encode("utf-8-sig"),
        table("name,x_mm,y_from_top_mm,dia_mm").encode("utf-16"),
        table("name|x_mm|y_from_top_mm|dia_mm", "|").encode(),
        ("sep=;\r\n" + table("name;x_mm;y_from_top_mm;dia_mm", ";")).encode(),
        table("Button,Centre X [mm],Centre Y from top [mm],Hole size (mm)").encode(),
        table("id,X-Position (mm),Y position from top edge (mm),Diameter (mm)").encode(),
        table("name;x_mm;y_from_top_mm;Ø mm", ";").encode("latin-1"),
    ],
    ids=["semicolons", "tabs, mark", "UTF-16", "bars", "separator line", "variants", "positions", "Latin-1"],
)
def test_tables(tmp_path: Path, data: bytes) -> None:
    run = adopted(tmp_path, "old.csv", data)
    assert_adopted(tmp_path, run)
    assert {b.label for b in load_plan(tmp_path / "plan.toml").buttons} == set(LABELS)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (
            table("name,x_mm,y_mm,d_mm", ";"),
            "line 2: the cells are parted by semicolons, those of the header by commas",
        ),
        (table("name:x_mm:y_mm:d_mm", ":"), "the header has no column x"),
        (table("Stop,1,2,24"), "the header has no column x and no column y and no column diameter"),
        (table("name,x_mm,y_mm,d_mm").replace("24.0", "24 mm"), "units stand in the header"),
        (table("name,x,y,d"), "--units mm"),
        ("name,x_mm,y_mm,d_mm\n", "a header but no hole"),
    ],
)
def test_tables_that_cannot_be_read(tmp_path: Path, data: str, words: str) -> None:
    assert_refused(tmp_path, adopted(tmp_path, "old.csv", data.encode()), words)


def test_holes_that_no_finger_reaches_are_told_by_their_number(tmp_path: Path) -> None:
    def more(space, x, y, r) -> None:
        circle(space, x, y, r)
        if (x, 150 - y) == CIRCLES[-1][:2]:
            circle(space, 160.0, 600.0, 12.0)

    run = adopted(tmp_path, "old.dxf", dxf(more, outline=False))
    assert_adopted(tmp_path, run)
    assert "were left out: 11. Name their finger (--finger)" in run.output
