"""Drawings that were made to keep a reader busy, or that hide that they allow for a kerf."""

from __future__ import annotations

import contextlib
import time
from pathlib import Path

import pytest
from helpers_layout import workshop_layout

from handcapture.drawings.dxf import layout_dxf
from handcapture.drawings.svg import layout_svg
from handcapture.errors import DocumentError
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
