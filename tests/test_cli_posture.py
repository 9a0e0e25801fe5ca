"""The command `posture`: what it prints, in words and for machines, and what it refuses."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest
from click.testing import CliRunner, Result
from helpers_rest import placement
from test_measures import laid

from handcapture.cli import main
from handcapture.cli.posture import SEXES
from handcapture.measures import CAUTION, Sex
from handcapture.rest import Rest, pool
from handcapture.rest_document import write_rest


def run(*arguments: str | Path) -> Result:
    result = CliRunner().invoke(main, ["posture", *(str(a) for a in arguments)])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result


def written(path: Path, rest: Rest) -> Path:
    write_rest(path, rest)
    return path


@pytest.fixture
def rest(tmp_path: Path) -> Path:
    placed = [laid(n + 1, (3.0 * n, -2.0 * n), (12.0 + n, 2.0)) for n in range(3)]
    return written(tmp_path / "rest.json", pool(placed))


def test_table_then_a_dozen_lines(rest: Path) -> None:
    result = run(rest, "--shoulder", "380")
    assert result.exit_code == 0, result.output
    table, lines = result.output.rstrip("\n").split("\n\n")
    rows = table.splitlines()
    assert rows[0].split() == ["measure", "left", "right"]
    assert all(len(row) <= 120 for row in rows)
    assert len(rows) <= 20
    deviation = next(row for row in rows if "wrist deviation" in row)
    assert "13.0 ± " in deviation
    assert " 2.0 ± " in deviation
    assert "95 % interval of the mean over placements" in rows[-1]
    assert "in brackets the wander" in rows[-1]
    assert len(lines.splitlines()) <= 12
    assert lines.splitlines()[0].startswith("Left wrist: 13.0° ulnar, ")
    assert "the photo cannot tell which" in lines.splitlines()[0]
    assert lines.endswith(CAUTION)


def test_what_matters_is_said_of_one_placement(tmp_path: Path) -> None:
    output = run(written(tmp_path / "one.json", pool([laid()]))).output
    assert "95 % interval of this one placement" in output
    assert "take three to five" in output
    assert "shoulder" not in output


def test_json_tells_the_same(rest: Path) -> None:
    result = run(rest, "--json")
    document = json.loads(result.output)
    assert document["schema"] == "handcapture.posture/1"
    assert document["file"] == str(rest)
    assert document["shoulder_mm"] is None
    wrists = [m for m in document["measures"] if m["name"] == "wrist deviation"]
    assert [w["side"] for w in wrists] == ["left", "right"]
    assert wrists[0]["value"] == pytest.approx(13.0, abs=0.01)
    low, high = wrists[0]["interval_95"]
    assert low < 13.0 < high
    assert [b["scale"] for b in wrists[0]["bands"]] == ["Keir 2007", "WISTAH", "Strain Index", "AAOS range"]
    assert all(b["source"] for m in document["measures"] for b in m["bands"])
    assert document["caution"] == CAUTION


def test_percentiles_by_sex(rest: Path) -> None:
    for sex, other in (("female", "of men"), ("male", "of women")):
        output = run(rest, "--sex", sex).output
        assert f"percentile {other}" not in output
        assert "percentile of" in output
    assert get_args(Sex) == SEXES


def test_rests_without_palms_are_told_what_is_missing(tmp_path: Path) -> None:
    """Rests measured before palms were; and a hand that was not photographed."""
    old = placement()
    output = run(written(tmp_path / "old.json", pool([old]))).output
    assert next(line for line in output.splitlines() if "forearm convergence" in line).endswith("not seen")
    alone = replace(laid(), hands=laid().hands[:1], contacts=tuple(c for c in laid().contacts if c.side == "left"))
    result = run(written(tmp_path / "alone.json", pool([alone])))
    assert result.exit_code == 0, result.output
    assert "Right wrist: this hand was not photographed" in result.output
    assert "Right hand:" not in result.output


def test_bad_input_is_refused_in_a_sentence(rest: Path, tmp_path: Path) -> None:
    short = run(rest, "--shoulder", "38")
    assert short.exit_code == 2
    assert "38 mm cannot be right" in short.output
    missing = run(tmp_path / "nowhere.json")
    assert missing.exit_code == 2
    assert "nowhere.json" in missing.output
    broken = tmp_path / "broken.json"
    broken.write_text("{")
    assert run(broken).exit_code == 2
    bare = json.loads(rest.read_text())
    bare["placement_records"] = []
    empty = tmp_path / "empty.json"
    empty.write_text(json.dumps(bare))
    result = run(empty, "--json")
    assert result.exit_code == 2
    assert "no placements" in json.loads(result.output.splitlines()[0])["error"]
    for output in (short.output, missing.output, result.output):
        assert "Traceback" not in output


def test_steady_tells_what_change_can_be_told(tmp_path: Path) -> None:
    """The figures are the library's; more placements resolve less, and a wider resolution needs fewer."""
    from helpers_sessions import session

    from handcapture.repeat import repeatability

    rest = session(4, 5)
    path = written(tmp_path / "rest.json", rest)
    told = json.loads(CliRunner().invoke(main, ["steady", str(path), "--resolve", "4", "--json"]).output)
    found = repeatability(rest)
    assert told["technical_error_mm"] == pytest.approx(found.technical_error_mm, abs=1e-2)
    assert [row["placements_needed"] for row in told["fingers"]] == list(found.plan(4.0).values())
    wide = json.loads(CliRunner().invoke(main, ["steady", str(path), "--resolve", "8", "--json"]).output)
    for near, far in zip(told["fingers"], wide["fingers"], strict=True):
        assert (far["placements_needed"] or 99) <= (near["placements_needed"] or 99)
    text = CliRunner().invoke(main, ["steady", str(path)]).output
    assert "placements for 6 mm" in text
    once = written(tmp_path / "once.json", session(4, 1))
    alone = CliRunner().invoke(main, ["steady", str(once)])
    assert (alone.exit_code, "laid down twice" in alone.output) == (2, True)
    assert CliRunner().invoke(main, ["steady", str(path), "--resolve", "-1"]).exit_code == 2
