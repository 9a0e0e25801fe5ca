"""Drawings that were made to keep a reader busy, or that hide that they allow for a kerf."""

from __future__ import annotations

import contextlib
import time
import tracemalloc
from pathlib import Path

import pytest
from helpers_layout import workshop_layout

from handcapture.drawings.dxf import layout_dxf
from handcapture.drawings.svg import layout_svg
from handcapture.errors import DocumentError
from handcapture.layout import source_dxf, source_shapes
from handcapture.layout.source import read_drawing

LIMIT_S = 5.0


@pytest.mark.parametrize(
    "attributes",
    [
        f'transform="{" " * 60_000}x"',
        f'transform="{"translate(1) " * 1500}{" " * 10_000}!"',
        f'transform="translate({" " * 60_000}"',
        f'stroke-width="1{" " * 60_000}!"',
    ],
    ids=["spaces", "many", "open", "length"],
)
def test_white_space_does_not_hang_the_reader(tmp_path: Path, attributes: str) -> None:
    path = tmp_path / "x.svg"
    path.write_text(
        '<svg xmlns="http://www.w3.org/2000/svg" width="100mm" height="80mm" viewBox="0 0 100 80">'
        f'<g {attributes}><circle cx="50" cy="40" r="12"/></g></svg>'
    )
    start = time.perf_counter()
    with contextlib.suppress(DocumentError):
        read_drawing(path)
    assert time.perf_counter() - start < LIMIT_S


def test_long_lengths_do_not_hang_the_reader(tmp_path: Path) -> None:
    path = tmp_path / "x.svg"
    path.write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="100{" " * 60_000}!" height="80mm">'
        f'<circle cx="5{" " * 60_000}!" cy="40" r="12"/></svg>'
    )
    start = time.perf_counter()
    with pytest.raises(DocumentError):
        read_drawing(path)
    assert time.perf_counter() - start < LIMIT_S


@pytest.mark.parametrize("ending", ["dxf", "svg"])
def test_a_kerf_is_known_by_its_sentence(tmp_path: Path, ending: str) -> None:
    """A program that keeps the text but drops what is tagged must not make 23.8 mm of 24."""
    made = workshop_layout()
    drawn = layout_dxf(made, kerf_mm=0.2) if ending == "dxf" else layout_svg(made, kerf_mm=0.2)
    path = tmp_path / f"x.{ending}"
    path.write_bytes(drawn.replace(b"kerf_mm", b"other__").replace(b"kerf-mm", b"other__"))
    with pytest.raises(DocumentError, match="allows for a kerf"):
        read_drawing(path)
    path.write_bytes(layout_dxf(made) if ending == "dxf" else layout_svg(made))
    assert len(read_drawing(path).holes) == len(made.buttons)


SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="1000mm" height="1000mm" viewBox="0 0 1000 1000">'
HOSTILE = {
    "entities.svg": '<!DOCTYPE s [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><svg><text>&b;</text></svg>',
    "deep.svg": SVG + "<g>" * 100_000 + "</g>" * 100_000 + "</svg>",
    "huge.svg": SVG + '<circle cx="1e308" cy="1e308" r="1e308"/></svg>',
    "huge_ellipse.svg": SVG + '<g transform="scale(1e200)"><ellipse cx="1" cy="1" rx="1e200" ry="1e199"/></g></svg>',
    "view.svg": SVG.replace("0 0 1000 1000", "0 0 0 1e-320") + '<circle r="3"/></svg>',
    "arcs.svg": SVG + '<path d="M0 0' + " A 1 1 0 0 1 2 0" * 40_000 + '"/><circle cx="5" cy="5" r="12"/></svg>',
    "curves.svg": SVG + '<path d="M0 0' + " C 900 900 -900 900 1 0" * 3000 + '"/><circle cx="5" cy="5" r="12"/></svg>',
    "path.svg": SVG + '<path d="M0 0' + " 1 1" * 500_000 + '"/><circle cx="5" cy="5" r="12"/></svg>',
    "cycle.svg": SVG + '<g id="a"><use href="#a"/></g><circle cx="5" cy="5" r="12"/></svg>',
    "nan.csv": "label,x,y,hole\nA,nan,1,24\nB,1e400,2,24\n",
    "nul.csv": "label,x_mm,y_mm,hole_mm\nA\x00,1,2,24\n",
    "open.csv": 'label,x,y,hole\n"A,1,2,24\n' * 100,
    "long.csv": "label,x_mm,y_mm,hole_mm\n" + "A,1,2,24\n" * 120_000,
    "bytes.csv": "\ufeff;;;;\n" * 50,
    "binary.dxf": "AutoCAD Binary DXF\r\n\x1a\x00" + "\x01" * 2000,
    "cut.dxf": "0\nSECTION\n2\nENTITIES\n0\nCIRCLE\n10\n1.0\n20\n",
}


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.filterwarnings("error")
def test_a_hostile_file_is_read_or_refused_by_name(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    path.write_text(HOSTILE[name])
    start = time.perf_counter()
    told = f"{path}:"
    try:
        read_drawing(path)
    except DocumentError as error:
        told = str(error)
    assert told.startswith((f"{path}:", f"{path},", f"{path} "))
    assert len(told) < 2000
    assert time.perf_counter() - start < 2 * LIMIT_S


def _nested(document, space) -> None:
    document.blocks.new("B0").add_circle((0, 0), 1)
    for k in range(1, 12):
        block = document.blocks.new(f"B{k}")
        for i in range(10):
            block.add_blockref(f"B{k - 1}", (i, 0))
    space.add_blockref("B11", (0, 0))


def _recursive(document, space) -> None:
    document.blocks.new("R").add_blockref("R", (0, 0))
    space.add_blockref("R", (0, 0))


def _rows(document, space) -> None:
    document.blocks.new("R").add_circle((0, 0), 1)
    many = {"row_count": 30_000, "column_count": 30_000, "row_spacing": 1, "column_spacing": 1}
    space.add_blockref("R", (0, 0), dxfattribs=many)


@pytest.mark.parametrize(
    "fill",
    [
        _nested,
        _recursive,
        _rows,
        lambda document, space: space.add_arc((0, 0), 1e200, 0, 1),
        lambda document, space: space.add_circle((float("nan"), 0), 5),
        lambda document, space: space.add_open_spline([(i * 7 % 99 * 100, i * 13 % 97 * 100) for i in range(3000)]),
        lambda document, space: space.add_open_spline([(i * 7 % 99 * 40, i * 13 % 97 * 40) for i in range(20_000)]),
        lambda document, space: space.add_open_spline([(i * 7 % 99, i) for i in range(900)], degree=800),
        lambda document, space: space.add_lwpolyline([(0, 0, 0, 0, 1e300), (1, 0)], close=True),
    ],
    ids=["nested", "recursive", "rows", "arc", "nan", "spline", "long spline", "degree", "bulge"],
)
def test_a_hostile_dxf_is_read_or_refused_by_name(tmp_path: Path, fill) -> None:
    import ezdxf

    document = ezdxf.new()
    document.units = ezdxf.units.MM
    document.modelspace().add_circle((50, 50), 12)
    fill(document, document.modelspace())
    path = tmp_path / "x.dxf"
    document.saveas(path)
    start = time.perf_counter()
    told = str(path)
    try:
        assert len(read_drawing(path).holes) >= 1
    except DocumentError as error:
        told = str(error)
    assert told.startswith(str(path))
    assert time.perf_counter() - start < 3 * LIMIT_S


def _zigzag(count: int) -> list[tuple[float, float]]:
    return [(4900.0 * (i % 2), 4900.0 * (i * 7 % 11) / 11) for i in range(count)]


@pytest.mark.parametrize(
    "fill",
    [
        lambda space: space.add_spline(_zigzag(20_000)),
        lambda space: [space.add_spline(_zigzag(100)) for _ in range(3)],
        lambda space: space.add_open_spline(_zigzag(1900)),
        None,
    ],
    ids=["fit points", "several", "control points", "svg"],
)
def test_a_small_file_does_not_take_the_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fill) -> None:
    """Each piece of a curve becomes thousands of points: they are counted before they are made. Here few are let in."""
    import ezdxf

    monkeypatch.setattr(source_dxf, "MOST_POINTS", 100_000)
    monkeypatch.setattr(source_shapes, "MOST_POINTS", 100_000)
    if fill is None:
        path = tmp_path / "x.svg"
        path.write_text(SVG + '<path d="M0 0' + " c1e6 1e6 -1e6 1e6 5 5" * 20_000 + '"/></svg>')
    else:
        document = ezdxf.new(units=4)
        document.modelspace().add_circle((50, 50), 12)
        fill(document.modelspace())
        path = tmp_path / "x.dxf"
        document.saveas(path)
    start = time.perf_counter()
    tracemalloc.start()
    try:
        with contextlib.suppress(DocumentError):
            read_drawing(path)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 60e6
    assert time.perf_counter() - start < 3 * LIMIT_S  # listening takes most of it
