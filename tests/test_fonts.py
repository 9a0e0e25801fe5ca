"""What the typeface cannot show is told, in every command that letters prints or pictures."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from helpers_layout import workshop_layout

from handcapture.cli import main
from handcapture.fonts import badly_shown, font_file
from handcapture.layout.document import write_layout


def test_signs_that_the_typeface_lacks_and_scripts_from_right_to_left() -> None:
    assert badly_shown(["Left index", "Größe 24 ⌀", "Łódź", "Ωμέγα", "Дом", "a\tb\u2028c", ""]) == ""
    assert "月: the typeface lacks signs" in badly_shown(["Moon", "月"])
    assert "مطر: what is written from right to left" in badly_shown(["مطر"])
    assert "שלום" in badly_shown(["שלום"])
    told = badly_shown(["月", "日", "火", "水", "月"])
    assert "月, 日, 火 and 1 more:" in told


def test_the_signs_are_those_of_the_typeface() -> None:
    """Against fontTools' reading of the same file."""
    ttlib = pytest.importorskip("fontTools.ttLib")
    signs = ttlib.TTFont(font_file()).getBestCmap()
    for code in (0x41, 0x11F, 0x2205, 0x3A9, 0x6708, 0x65E5, 0x1F600, 0x2192):
        assert (badly_shown([chr(code)]) == "") == (code in signs)


@pytest.mark.parametrize(
    ("arguments", "warns"),
    [
        (["draw", "--paper", "a4", "--output", "a.pdf"], True),
        (["draw", "--output", "a.dxf"], False),
        (["compare", "layout.json", "--output", "a.png"], True),
        (["compare", "layout.json", "--output", "a.svg"], True),
    ],
)
def test_commands_say_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], warns: bool) -> None:
    monkeypatch.chdir(tmp_path)
    layout = workshop_layout()
    first = replace(layout.buttons[0], label="月")
    write_layout(tmp_path / "layout.json", replace(layout, buttons=(first, *layout.buttons[1:])))
    done = CliRunner().invoke(main, [arguments[0], "layout.json", *arguments[1:]])
    assert done.exit_code == 0, done.output
    assert ("! 月: the typeface lacks signs" in done.stderr) == warns
    assert "Glyph" not in done.output
