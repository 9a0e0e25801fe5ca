"""The command that draws: what it writes, and what it refuses."""

from __future__ import annotations

import json

import ezdxf
import pytest
from click.testing import CliRunner
from helpers_pdf import open_pdf
from test_drawings_outline import bulges, outlined_layout

from handcapture.cli import main
from handcapture.layout.document import read_layout, write_layout
from handcapture.layout.source import read_drawing


@pytest.fixture
def desk(tmp_path):
    path = tmp_path / "layout.json"
    write_layout(path, outlined_layout())
    return path


def run(*arguments):
    return CliRunner().invoke(main, ["draw", *map(str, arguments)])


def test_every_kind_of_drawing_is_written(tmp_path, desk):
    outputs = [tmp_path / name for name in ("p.dxf", "p.svg", "p.csv", "p.pdf")]
    result = run(desk, *(word for path in outputs for word in ("--output", path)), "--mat", "a3")
    assert result.exit_code == 0, result.output
    assert all(path.stat().st_size > 500 for path in outputs)
    assert "p.dxf: outline, holes and marks in mm, nominal size." in result.output
    assert "Never laser PVC" in result.output


def test_a_layout_read_back_draws_the_same(tmp_path, desk):
    result = run(desk, "--output", tmp_path / "p.dxf", "--json")
    assert json.loads(result.output) == {"outputs": [str(tmp_path / "p.dxf")]}
    (outline,) = (
        ezdxf.readfile(tmp_path / "p.dxf").modelspace().query('LWPOLYLINE[layer=="CUT"]').filter(lambda e: len(e) > 10)
    )
    wanted = sorted((round(x, 3), round(150.0 - y, 3)) for x, y, _ in read_layout(desk).panel.outline)
    assert sorted((round(x, 3), round(y, 3)) for x, y, _ in bulges(outline).tolist()) == wanted


def test_r12_and_kerf_on_request(tmp_path, desk):
    path = tmp_path / "old.dxf"
    result = run(desk, "--output", path, "--dxf-version", "r12", "--kerf", "0.2")
    assert result.exit_code == 0, result.output
    assert "a kerf of 0.2 mm allowed for" in result.output
    document = ezdxf.readfile(path)
    assert document.dxfversion == "AC1009"
    radii = {round(2 * circle.dxf.radius, 4) for circle in document.modelspace().query('CIRCLE[layer=="CUT"]')}
    assert radii == {23.8, 29.8, 4.1}


def test_a_drill_table_beside_a_compensated_dxf_stays_nominal(tmp_path, desk):
    result = run(desk, "--output", tmp_path / "p.dxf", "--output", tmp_path / "p.csv", "--kerf", "0.3")
    assert result.exit_code == 0, result.output
    holes = read_drawing(tmp_path / "p.csv", None, None).holes
    assert {round(hole.diameter_mm, 3) for hole in holes} >= {24.0, 30.0}


@pytest.mark.parametrize(
    ("sheet", "name", "wanted"),
    [
        ("drill", "drill.pdf", "datum edge x = 0"),
        ("cut", "cut.pdf", "Quantity"),
        ("art", "art.pdf", "group bleed"),
    ],
)
def test_sheets_are_written(tmp_path, desk, sheet, name, wanted):
    result = run(desk, "--sheet", sheet, "--output", tmp_path / name)
    assert result.exit_code == 0, result.output
    assert wanted in open_pdf((tmp_path / name).read_bytes())[0].get_textpage().get_text_range()


def test_options_of_the_sheets(tmp_path, desk):
    path = tmp_path / "cut.pdf"
    assert run(desk, "--output", tmp_path / "panel_C.dxf").exit_code == 0
    words = ("--quantity", 7, "--kerf", 0.15, "--file", tmp_path / "panel_C.dxf", "--paper", "letter")
    assert run(desk, "--sheet", "cut", "--output", path, *words).exit_code == 0
    text = " ".join(open_pdf(path.read_bytes())[0].get_textpage().get_text_range().split())
    assert "7 pieces" in text
    assert "panel_C.dxf" in text
    assert str(tmp_path) not in text
    assert "KERF IS ALREADY ALLOWED FOR: 0.15 mm" in text
    art = tmp_path / "art.svg"
    assert run(desk, "--sheet", "art", "--output", art, "--bleed", 5, "--safe", 2, "--labels").exit_code == 0
    assert "5 mm beyond the edge" in art.read_text()
    assert ">Stop<" in art.read_text()


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("--sheet", "drill", "--output", "x.dxf"), "x.dxf: --sheet drill is written as .pdf."),
        (("--sheet", "cut", "--output", "x.svg"), "x.svg: --sheet cut is written as .pdf."),
        (("--sheet", "art", "--output", "x.csv"), "x.csv: --sheet art is written as .svg or .pdf."),
        (("--sheet", "drill", "--output", "x.pdf", "--mat", "a3"), "--sheet drill takes no --mat"),
        (("--sheet", "art", "--output", "x.pdf", "--paper", "a3"), "--sheet art takes no --paper"),
        (("--sheet", "drill", "--output", "x.pdf", "--kerf", "0.2"), "--sheet drill takes no --kerf: it is always"),
        (("--sheet", "art", "--output", "x.svg", "--kerf", "0.2"), "--sheet art takes no --kerf"),
        (("--output", "x.csv", "--kerf", "0.2"), "--kerf only means something for a .dxf, a .svg or --sheet cut."),
        (("--output", "x.svg", "--dxf-version", "R12"), "--dxf-version only means something for a .dxf."),
        (("--output", "x.dxf", "--quantity", "3"), "--quantity only means something for --sheet cut."),
        (("--output", "x.dxf", "--file", "y.dxf"), "--file only means something for --sheet cut."),
        (("--sheet", "cut", "--output", "x.pdf", "--bleed", "3"), "--bleed only means something for --sheet art."),
        (("--output", "x.svg", "--safe", "3"), "--safe only means something for --sheet art."),
        (("--output", "x.svg", "--labels"), "--labels only means something for --sheet art."),
        (("--sheet", "cut", "--output", "x.pdf", "--quantity", "0"), "The quantity is 0"),
        (("--output", "x.dxf", "--kerf", "-0.1"), "must lie between 0 and 5 mm"),
        (("--output", "x.dxf", "--kerf", "4.4"), "leaves nothing of the cut M4 (4.3 mm)"),
        (("--sheet", "art", "--output", "x.svg", "--bleed", "-1"), "The bleed is -1 mm"),
        (("--output", "x.pdf"), "A .pdf needs either --mat"),
        (("--output", "x.pdf", "--mat", "a3", "--paper", "a4"), "A .pdf needs either --mat"),
        (("--output", "x.jpg"), "name it with --photo"),
    ],
)
def test_nonsense_is_refused_in_one_sentence_and_nothing_is_written(tmp_path, desk, monkeypatch, words, complaint):
    monkeypatch.chdir(tmp_path)
    result = run(desk, *words)
    assert result.exit_code == 2
    assert complaint in result.output
    assert "Traceback" not in result.output
    assert [path.name for path in tmp_path.iterdir()] == ["layout.json"]
