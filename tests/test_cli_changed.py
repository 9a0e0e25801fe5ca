"""The command `changed`: verdicts, days, trends, moves, documents and bad input."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from helpers_sessions import session, written

from handcapture.cli import main
from handcapture.rest import pool

MOVED = ("right", "ring")


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["changed", *map(str, arguments)])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Rests of an invented person: before, the same again, and after the right ring finger changed by 9 mm."""
    place = tmp_path_factory.mktemp("sessions")
    written(place, "before.json", session(1, 5))
    written(place, "again.json", session(2, 5))
    written(place, "after.json", session(3, 5, MOVED, (0.0, -9.0)))
    for number in range(4, 7):
        written(place, f"later_{number}.json", session(number, 5, MOVED, (0.0, -9.0)))
    return place


def test_the_finger_that_changed_is_named(folder: Path) -> None:
    result = run(folder / "before.json", folder / "after.json", "--json")
    assert result.exit_code == 0, result.output
    fingers = json.loads(result.output)["comparisons"][0]["fingers"]
    verdicts = {(f["side"], f["finger"]): f["verdict"] for f in fingers}
    assert verdicts[MOVED] == "changed"
    assert [key for key, verdict in verdicts.items() if verdict == "changed"] == [MOVED]


def test_the_same_hands_are_not_called_changed(folder: Path) -> None:
    result = run(folder / "before.json", folder / "again.json", "--json")
    assert result.exit_code == 0, result.output
    fingers = json.loads(result.output)["comparisons"][0]["fingers"]
    assert not [f for f in fingers if f["verdict"] == "changed"]


def test_words_are_careful(folder: Path) -> None:
    text = run(folder / "before.json", folder / "after.json").output
    assert "ring" in text
    assert "no medical advice" in text
    for claim in ("healed", "worse", "diagnos"):
        assert claim not in text


def test_several_sessions_and_their_days(folder: Path) -> None:
    rests = [folder / name for name in ("before.json", "again.json", "after.json", "later_4.json", "later_5.json")]
    days = [part for day in ("01", "08", "15", "22", "29") for part in ("--day", f"2031-03-{day}")]
    result = run(*rests, *days)
    assert result.exit_code == 0, result.output
    assert result.output.count("before.json") >= 4


def test_the_document_is_written_whole(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "changed.json"
    result = run(folder / "before.json", folder / "after.json", "--output", out)
    assert result.exit_code == 0, result.output
    assert json.loads(out.read_text())["schema"].startswith("handcapture.changed/")


def test_bad_input(folder: Path, tmp_path: Path) -> None:
    before, after = folder / "before.json", folder / "after.json"
    broken = tmp_path / "broken.json"
    broken.write_text("{")
    out = tmp_path / "out.json"
    out.write_text("kept by handcapture")
    for arguments, words in (
        ((before,), "two or more"),
        ((before, before), "same photo"),
        ((before, tmp_path / "none.json"), "none.json"),
        ((before, broken), "broken.json"),
        ((before, after, "--day", "2031-03-04"), "--day"),
        ((before, after, "--day", "yesterday", "--day", "2031-03-04"), "yesterday"),
        ((before, after, "--margin", "-1"), "Margins of -1 mm"),
        ((before, after, "--output", tmp_path / "out.txt"), ".json"),
        ((before, after, "--output", before), "also an input"),
    ):
        result = run(*arguments)
        assert result.exit_code == 2, (arguments, result.output)
        assert words in result.output, result.output
        assert "Traceback" not in result.output
    assert out.read_text() == "kept by handcapture"


def test_swapped_days_are_told(folder: Path) -> None:
    rests = (folder / "before.json", folder / "after.json")
    swapped = run(*rests, "--day", "2031-05-05", "--day", "2031-03-01").output
    assert "after.json was measured before before.json" in swapped
    assert "Were they swapped?" not in run(*rests, "--day", "2031-03-01", "--day", "2031-05-05").output


def test_copies_of_the_same_photos_are_no_second_session(folder: Path, tmp_path: Path) -> None:
    """Photos that a messenger shrank have other hashes; contacts then differ by tenths of a millimetre."""
    rng = np.random.default_rng(5)
    first = session(1, 5)
    copies = [
        replace(
            placement,
            contacts=tuple(replace(c, contact_mm=c.contact_mm + rng.normal(0, 0.15, 2)) for c in placement.contacts),
            sources=tuple(replace(s, photo_sha256=f"{900 + k:064x}") for s in placement.sources),
        )
        for k, placement in enumerate(first.placements)
    ]
    told = run(folder / "before.json", written(tmp_path, "copies.json", pool(copies))).output
    assert "Placement 1 of the first session and 1 of the second agree within" in told
    assert "agree within" not in run(folder / "before.json", folder / "again.json").output


def test_verdicts_and_intervals_are_told_apart(folder: Path) -> None:
    assert "Each ± is that of its own line." in run(folder / "before.json", folder / "after.json").output
