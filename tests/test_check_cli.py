"""The command `check` on the sample photos: what it says, writes and refuses."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import helpers_calibration
import pytest
from click.testing import CliRunner, Result

from handcapture.cli import main

SAMPLES = helpers_calibration.CALIBRATION.parent / "samples"
LAYOUT = str(SAMPLES / "try_layout.json")


def photo(number: int) -> str:
    return str(SAMPLES / f"try_{number}.jpg")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["check", *arguments])


@pytest.mark.accuracy
def test_a_round_on_the_samples(tmp_path: Path) -> None:
    """Two photos, then a third one pooled with them; the moves go into a copy of the plan, pictures into a folder."""
    first, plan, again = tmp_path / "check.json", tmp_path / "plan_2.toml", tmp_path / "again.json"
    result = run(LAYOUT, photo(1), photo(2), "--ruler", "150", "150", "--output", str(first))
    assert result.exit_code == 0, result.output
    assert "2 placements on the template." in result.output
    assert "Snow              left middle     not rested on" in result.output
    assert json.loads(first.read_text())["placements"] == 2
    result = run(
        LAYOUT, photo(3), "--ruler", "150", "150", "--with", str(first), "--plan", str(SAMPLES / "try_plan.toml"),
        "--update", str(plan), "--overlay", str(tmp_path / "seen"), "--output", str(again),
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "3 placements on the template, 2 of them checked before." in result.output
    assert "plan_2.toml: 2 wishes changed." in result.output
    document = json.loads(again.read_text())
    moves = [button["label"] for button in document["buttons"] if button["move_mm"]]
    assert moves == ["Wind", "Fog"]
    assert [change["label"] for change in document["plan_changes"]] == moves
    buttons = {button["label"]: button for button in tomllib.loads(plan.read_text())["buttons"]}
    for label in moves:  # the plan had wished them 9 and 11 mm away
        assert max(abs(value) for value in buttons[label]["offset_mm"]) < 4.0
    assert "# every button, unless it says otherwise" in plan.read_text()
    assert (tmp_path / "seen" / "01_try_3.jpg").read_bytes().startswith(b"\xff\xd8")
    result = run(LAYOUT, photo(1), "--with", str(first))
    assert result.exit_code == 2
    assert "is the same photo as" in result.output


@pytest.mark.accuracy
def test_photos_of_something_else_are_refused(tmp_path: Path) -> None:
    result = run(LAYOUT, str(SAMPLES / "rest_1.jpg"))
    assert result.exit_code == 3
    assert "rest_1.jpg shows a plain mat" in result.output
    elsewhere = tmp_path / "elsewhere.json"
    raw = json.loads(Path(LAYOUT).read_text())
    for button in raw["buttons"]:
        if button["label"] in ("Owl", "Storm"):
            button["centre_mm"] = [button["centre_mm"][0] - 6.0, button["centre_mm"][1] + 2.0]
    elsewhere.write_text(json.dumps(raw))
    result = run(str(elsewhere), photo(1), "--json")
    assert result.exit_code == 2
    said = json.loads(result.output.splitlines()[0])["error"]
    assert "does not show the template of Lantern Puppet Theatre cue desk, revision A" in said
    assert "Storm" in said


def test_options_that_do_not_go_together(tmp_path: Path) -> None:
    for arguments, said in (
        (["--plan", "plan.toml"], "give both, or neither"),
        (["--update", "plan.toml"], "give both, or neither"),
        (["--plan", "plan.toml", "--update", "plan.json"], "ends in .toml"),
        (["--output", "check.txt"], "ends in .json"),
    ):
        result = run(LAYOUT, photo(1), *arguments)
        assert result.exit_code == 2
        assert said in result.output
