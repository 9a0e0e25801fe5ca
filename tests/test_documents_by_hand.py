"""Files that people write: every slip in plain words, by label, and nothing accepted that was not meant."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from test_layout_adopt import rest_of

from handcapture.cli import main
from handcapture.errors import DocumentError
from handcapture.layout.functions import load_functions
from handcapture.layout.plan import load_panel, load_plan
from handcapture.rest_document import read_rest, write_rest

SAMPLES = Path(__file__).resolve().parent.parent / "samples"
PLAN = (SAMPLES / "plan.toml").read_text()
PANEL = """\
name = "Desk"
width_mm = 400
height_mm = 230
[[cuts]]
name = "lamp"
shape = "circle"
centre_mm = [200, 30]
diameter_mm = 22
"""


def refusal(load, path: Path, text: str | bytes) -> str:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(DocumentError) as caught:
        load(path)
    return str(caught.value)


@pytest.mark.parametrize("given", ["true", '"24"'])
def test_only_numbers_are_numbers(tmp_path, given):
    text = PLAN.replace("hole_mm = 24", f"hole_mm = {given}", 1)
    assert text != PLAN
    told = refusal(load_plan, tmp_path / "plan.toml", text)
    assert "hole_mm: must be" in told
    assert f"(got {given})".replace(chr(34), chr(39)) in told
    told = refusal(load_panel, tmp_path / "panel.toml", PANEL.replace("[200, 30]", f"[200, {given}]"))
    assert "cut lamp, centre_mm, number 2: must be a number" in told


def test_a_misspelt_word_is_one_slip_and_members_are_named(tmp_path):
    told = refusal(load_panel, tmp_path / "panel.toml", PANEL.replace("diameter_mm", "diametre_mm"))
    assert told.splitlines()[1:] == ["  cut lamp, diametre_mm: is not known here; did you mean diameter_mm?"]
    told = refusal(load_plan, tmp_path / "plan.toml", PLAN.replace("label =", "lable =", 1))
    assert told.splitlines()[1:] == ["  button 1, lable: is not known here; did you mean label?"]
    outline = 'name = "x"\noutline = [[0, 0], [400, 0, "a"], [400, 230]]\n'
    assert "outline, number 2, number 3: must be a number (got 'a')" in refusal(
        load_panel, tmp_path / "p.toml", outline
    )


@pytest.mark.parametrize(
    ("load", "text", "words"),
    [
        (load_panel, PLAN, "looks like a plan, but a panel is needed here"),
        (load_plan, PANEL, "looks like a panel, but a plan is needed here"),
        (load_functions, PLAN, "looks like a plan, but a list of functions is needed here"),
        (read_rest, PLAN, "is not a rest (as handcapture capture writes it), or only a part of one"),
        (read_rest, b"\xff\xd8\xff\xe0photo", "is no text, but a rest (as handcapture capture writes it) was expected"),
        (read_rest, '{"schema": "handcapture.layout/4"}', "is a layout (as handcapture fit writes it), but a rest"),
        (read_rest, '{"schema": "handcapture.rest/1", "fing', "only a part of one: it cannot be read from line 1"),
        (read_rest, "[1]", 'has no "schema" entry'),
    ],
)
def test_swapped_and_broken_files_are_called_what_they_are(tmp_path, load, text, words):
    told = refusal(load, tmp_path / "file", text)
    assert words in told
    assert "utf-8" not in told.lower()
    assert "codec" not in told


def test_a_mark_before_the_text_is_no_part_of_it(tmp_path):
    """Editors on Windows write one (the byte order mark of Unicode 23.8)."""
    (tmp_path / "plan.toml").write_bytes(b"\xef\xbb\xbf" + PLAN.encode())
    (tmp_path / "plain.toml").write_text(PLAN)
    assert load_plan(tmp_path / "plan.toml") == load_plan(tmp_path / "plain.toml")


def test_a_decimal_comma_is_told_how_to_write(tmp_path):
    told = refusal(load_plan, tmp_path / "plan.toml", PLAN.replace("hole_mm = 24", "hole_mm = 24,5", 1))
    assert "write 24.5, with a point" in told


@pytest.mark.parametrize(
    "key", ["a." * 100_000 + "a = 1", "[" + "'a' . " * 50_000 + "a]", "x = 1\n" + "a." * 21 + "a = 1"]
)
def test_a_key_of_endless_parts_is_refused_at_once(tmp_path, key):
    start = time.perf_counter()
    assert "more than 20 parts" in refusal(load_plan, tmp_path / "plan.toml", key)
    assert time.perf_counter() - start < 5


def test_names_with_points_are_no_such_key(tmp_path):
    name = ".".join(["two words"] * 15)
    text = PLAN.replace("[[buttons]]", f"# {'a.' * 15}\n[[buttons]]", 1)
    (tmp_path / "plan.toml").write_text(text + f'\n# "{name}"\n')
    load_plan(tmp_path / "plan.toml")


@pytest.mark.parametrize(
    "command",
    [
        ["arrange", "rest.json", "--pattern", "arcs", "--output", "plan.toml"],
        ["advise", str(SAMPLES / "functions.toml"), "--output", "plan.toml"],
    ],
)
def test_a_plan_of_yours_is_not_replaced_unasked(tmp_path, monkeypatch, command):
    monkeypatch.chdir(tmp_path)
    write_rest(tmp_path / "rest.json", rest_of())
    (tmp_path / "plan.toml").write_text("mine")
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 2
    assert "plan.toml exists, and may hold work of yours" in done.output
    assert (tmp_path / "plan.toml").read_text() == "mine"
    assert CliRunner().invoke(main, [*command, "--force"]).exit_code == 0
    assert (tmp_path / "plan.toml").read_text() != "mine"


def test_advice_is_a_table_and_gives_its_reasons_when_asked():
    short = CliRunner().invoke(main, ["advise", str(SAMPLES / "functions.toml")]).output
    long = CliRunner().invoke(main, ["advise", str(SAMPLES / "functions.toml"), "--reasons"]).output
    assert len(short.splitlines()) < 30 < len(long.splitlines())
    for label in ("Curtain", "Fog"):
        assert label in short
    assert "taps" in long
    assert "taps" not in short


def test_holes_laid_beside_their_fingers_are_told(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    write_rest(tmp_path / "rest.json", rest_of())
    command = ["arrange", "rest.json", "--pattern", "rows", "--output", "plan.toml", "--force"]
    wide = CliRunner().invoke(main, [*command, "--pitch", "45"]).output
    assert "lie beside where they rest" in wide
    assert "lie beside" not in CliRunner().invoke(main, [*command, "--pitch", "45", "--pull", "0.2"]).output
