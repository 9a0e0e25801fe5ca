"""The command `compare`, and the picture it draws: looked for where the numbers say."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from click.testing import CliRunner
from helpers_layout import workshop_layout
from PIL import Image

from handcapture.cli import main
from handcapture.drawings.comparison import PAGE_MM, comparison_picture
from handcapture.layout.compare import compare_layouts
from handcapture.layout.document import write_layout
from handcapture.layout.model import Layout


def revisions() -> tuple[Layout, Layout]:
    one = replace(workshop_layout(findings=True), rest_sha256="ab" * 32)
    buttons = [b for b in one.buttons if b.label != "Hush"]
    buttons[5] = replace(buttons[5], centre_mm=(buttons[5].centre_mm[0] + 6.0, buttons[5].centre_mm[1] - 4.0))
    buttons[7] = replace(buttons[7], hole_mm=30.0)
    buttons.append(replace(one.buttons[2], label="Vise far", row="far", centre_mm=(87.0, 65.0)))
    return one, replace(one, buttons=tuple(buttons), revision="B", findings=())


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    paths = []
    for name, layout in zip("ab", revisions(), strict=True):
        paths.append(str(tmp_path / f"{name}.json"))
        write_layout(Path(paths[-1]), layout)
    return paths


def test_the_table_comes_first_and_every_change_is_said(files: list[str]) -> None:
    result = CliRunner().invoke(main, ["compare", *files])
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert lines[0].split()[:3] == ["layout", "revision", "buttons"]
    assert re.match(r"  a\.json +A +10 +\d+ mm +97 %, +97 % \(\w+\) +1 +0$", lines[1])
    assert "Drill              7.2 mm (6.0 right, 4.0 away from you)" in result.output
    assert "Coolant           hole 24 → 30 mm" in result.output
    assert re.search(r"Vise far +added", result.output)
    assert re.search(r"Hush +removed", result.output)
    assert "7 buttons are as before." in result.output
    assert "gone: error [web]" in result.output


def test_json_and_a_drawing_of_each_kind(files: list[str], tmp_path: Path) -> None:
    for kind, start in (("pdf", b"%PDF"), ("png", b"\x89PNG"), ("svg", b"<?xml")):
        output = tmp_path / f"changes.{kind}"
        result = CliRunner().invoke(main, ["compare", *files, files[0], "--output", str(output), "--json"])
        assert result.exit_code == 0, result.output
        document = json.loads(result.output)
        assert document["schema"] == "handcapture.comparison/1"
        assert [len(step["buttons"]) for step in document["steps"]] == [11, 11]
        assert output.read_bytes().startswith(start)
    assert len(pypdfium2.PdfDocument(tmp_path / "changes.pdf")) == 2


def test_refusals_are_one_sentence(files: list[str], tmp_path: Path) -> None:
    for arguments, said in (
        ([files[0]], "Name two or more"),
        ([*files, "--output", "changes.txt"], "ends in .pdf, .png or .svg"),
        ([files[0], str(tmp_path / "none.json")], "does not exist"),
        ([*files, "--rest", files[0]], "a rest (as handcapture capture writes it) is needed"),
    ):
        result = CliRunner().invoke(main, ["compare", *arguments])
        assert result.exit_code == 2
        assert said in result.output
        assert "Traceback" not in result.output


def test_holes_are_drawn_where_they_are_in_true_proportions() -> None:
    """Blue rings alone are looked at: their circles have the holes' diameters and distances, at one scale."""
    one, other = revisions()
    other = replace(other, buttons=tuple(b for b in other.buttons if b.label in ("Stop", "Belt")))
    picture = comparison_picture(compare_layouts([one, other]), "png")
    pixels = np.asarray(Image.open(io.BytesIO(picture)).convert("RGB")).astype(int)
    assert pixels.shape[1] / pixels.shape[0] == pytest.approx(PAGE_MM[0] / PAGE_MM[1], abs=0.01)
    blue = np.abs(pixels - [0, 0x72, 0xB2]).sum(axis=2) < 40
    blue[round(0.85 * len(blue)) :] = False  # the legend
    columns = np.flatnonzero(blue.any(axis=0))
    first, second = np.split(columns, [np.argmax(np.diff(columns) > 30) + 1])
    middles = [(part.min() + part.max()) / 2 for part in (first, second)]
    px_per_mm, line_px = (middles[1] - middles[0]) / (262.75 - 27.5), 1.3 / 72 * 200
    for part in (first, second, np.flatnonzero(blue[:, first].any(axis=1))):
        assert (np.ptp(part) + 1 - line_px) / px_per_mm == pytest.approx(24.0, abs=0.35)


def test_a_drawing_is_the_same_each_time() -> None:
    found = compare_layouts(revisions())
    for kind in ("pdf", "png", "svg"):
        assert comparison_picture(found, kind) == comparison_picture(found, kind)
