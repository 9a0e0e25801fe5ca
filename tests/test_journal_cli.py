"""The journal's commands as a user meets them: good input, bad input, exit codes, JSON."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from helpers_journal import write_inputs

from handcapture.cli import main
from handcapture.cli.journal import FOLDER_VARIABLE, SIDES_OF_USE
from handcapture.journal.records import HANDEDNESS

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv(FOLDER_VARIABLE, "practice")

    def invoke(*arguments: str | Path | int, code: int = 0) -> Result:
        result = CliRunner().invoke(main, ["journal", *map(str, arguments)])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == code, result.output
        return result

    return invoke


@pytest.fixture
def practice(run: Run, tmp_path: Path) -> dict[str, Path]:
    """A journal with Mara in it, and files to add."""
    run("init", "practice")
    run("person", "add", "Mara")
    (tmp_path / "inputs").mkdir()
    return write_inputs(tmp_path / "inputs")


def as_json(result: Result) -> dict[str, Any]:
    value: dict[str, Any] = json.loads(result.stdout)
    return value


COMMANDS = ("init", "add", "list", "show", "note", "tag", "impression", "get", "made", "export", "import")


@pytest.mark.parametrize("command", [*COMMANDS, "delete", "delete-person"])
def test_each_command_explains_itself_with_an_example(command: str, run: Run) -> None:
    assert f"handcapture journal {command}" in run(command, "--help").output.split("Example")[1]
    assert "--json" in run(command, "--help").output


def test_words_of_the_help_are_those_of_the_library() -> None:
    assert SIDES_OF_USE == HANDEDNESS


def test_nothing_heavy_is_loaded_before_it_is_needed() -> None:
    code = "import sys; from handcapture.cli import main\ntry: main(sys.argv[1:])\nexcept SystemExit: pass\n"
    code += "print([m for m in ('sqlalchemy', 'sqlite3', 'cv2', 'numpy', 'pydantic', 'PIL') if m in sys.modules])"
    for arguments in (["--version"], ["--help"], ["journal", "--help"], ["journal", "add", "--help"]):
        out = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)
        assert out.stdout.strip().endswith("[]"), arguments


def test_the_usual_way(run: Run, practice: dict[str, Path], tmp_path: Path) -> None:
    files = [practice[name] for name in ("rest", "plan", "panel", "layout", "check", "photo_1")]
    told = as_json(run("add", "--person", "Mara", *files, "--keep-photos", "--title", "First visit", "--json"))
    numbers = {item["kind"]: item["id"] for item in told["new"]}
    assert set(numbers) == {"rest", "plan", "panel", "layout", "check", "photo"}
    session = told["session"]["id"]
    assert "was there already" in run("add", "--person", "mara", practice["rest"]).output
    assert "no session was made" in run("add", "--person", "mara", practice["rest"]).output
    assert "splint" in run("note", session, "right wrist", "in a splint").output
    assert "[splint]" in run("tag", session, "splint").output
    felt = run("impression", numbers["layout"], "--button", "Drill", "--comfort", "4", "easy but far").output
    assert "clinician" not in felt
    assert "clinician" in run("impression", numbers["layout"], "--button", "Drill", "--comfort", "2", "it pulls").output
    assert "Drill 4 of 5: easy but far" in felt
    listed = run("list", "--person", "Mara").output
    assert "First visit  [splint]" in listed
    assert "layout Mara's bench, version 1, revision A (layout.json)" in listed
    assert as_json(run("list", "--tag", "splint", "--json"))["people"][0]["sessions"][0]["id"] == session
    assert "Nothing has the tag winter" in run("list", "--tag", "winter").output
    shown = run("show", numbers["layout"]).output
    assert f"fitted to rest {numbers['rest']}" in shown
    assert "easy but far" in shown
    run("get", numbers["layout"], "--output", "back.json")
    assert (tmp_path / "back.json").read_bytes() == practice["layout"].read_bytes()
    (tmp_path / "panel.dxf").write_text("0\nEOF\n")
    assert "file panel.dxf, made of" in run("made", numbers["layout"], "panel.dxf").output
    exports = as_json(run("show", numbers["layout"], "--json"))["exports"]
    assert [export["name"] for export in exports] == ["back.json", "panel.dxf"]
    run("export", "--output", "practice.zip")
    assert "1 person" in run("import", "practice.zip", "again").output
    run("export", "--folder", "again", "--output", "again.zip")
    assert (tmp_path / "again.zip").read_bytes() == (tmp_path / "practice.zip").read_bytes()
    gone = run("delete-person", "Mara", "--yes").output
    assert "Mara is deleted, with 1 session, 5 documents, 4 photos" in gone
    assert "back.json, panel.dxf, practice.zip" in gone
    assert "add a person first" in run("list").output
    assert not list((tmp_path / "practice" / "photos").iterdir())


def test_deleting_asks_first(run: Run, practice: dict[str, Path]) -> None:
    told = run("delete-person", "Mara", code=2).output
    assert "Nothing was deleted. Mara has 0 sessions" in told
    assert "Mara" in run("list").output


def test_init_twice_and_where_it_cannot_be(run: Run, tmp_path: Path) -> None:
    assert "still empty" in run("init", "practice").output
    assert "Nothing was changed" in run("init", "practice").output
    assert "does not exist" in run("init", "none/practice", code=2).output
    (tmp_path / "file").write_text("x")
    assert "No journal can be made" in run("init", "file", code=2).output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["list", "--folder", "none"], "does not exist"),
        (["list", "--folder", "."], "holds no journal"),
        (["list", "--person", "Tom"], "There are: Mara."),
        (["person", "add", "Mara"], "already"),
        (["person", "add", "M\udce4ra"], "UTF-8"),
        (["person", "add", "x" * 5000], "the limit is 80"),
        (["show", "77"], "nothing with the number 77"),
        (["get", "1", "--output", "x.json"], "has no file"),
        (["get", "1", "--output", "x.exe"], "ends in .json, .toml, .jpg or .png"),
        (["get", "1", "--output", "practice/photos/x.json"], "journal's own files"),
        (["export", "--output", "practice/x.zip"], "journal's own files"),
        (["export", "--output", "none/x.zip"], "does not exist"),
        (["export", "--output", "x.tar"], "ends in .zip"),
        (["import", "inputs/rest.json", "new"], "no whole zip file"),
        (["import", "none.zip", "new"], "does not exist"),
        (["add", "--person", "Mara", "inputs/none.json"], "does not exist"),
        (["add", "--person", "Tom", "inputs/rest.json"], "no person with the nickname Tom"),
        (["add", "--person", "Mara", "inputs/rest.json", "--date", "May"], "no date"),
        (["add", "--person", "Mara", "inputs/rest.json", "--session", "1"], "not a session"),
        (["impression", "1", "fine"], "not a layout"),
        (["impression", "1", "--button", "Drill", "fine"], "give every button one mark"),
        (["impression", "1", "--button", "Drill", "--comfort", "6"], "not in the range"),
        (["tag", "1"], "Missing argument"),
        (["note", "one", "text"], "not a valid integer"),
    ],
)
def test_bad_input_is_told_in_a_sentence(arguments: list[str], words: str, run: Run, practice: dict[str, Path]) -> None:
    told = run(*arguments, code=2).output
    assert words in told
    assert "Traceback" not in told


def test_no_folder_named(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(FOLDER_VARIABLE)
    assert "Name its folder with --folder, or set HANDCAPTURE_JOURNAL" in run("list", code=2).output


def test_errors_as_json(run: Run, practice: dict[str, Path]) -> None:
    told = json.loads(run("show", "77", "--json", code=2).stdout)
    assert told["exit_code"] == 2
    assert "77" in told["error"]


def test_a_real_terminal_with_bytes_that_are_no_text(practice: dict[str, Path], tmp_path: Path) -> None:
    """As the shell gives them: a nickname in Latin-1, a file name in Latin-1."""
    root = Path(__file__).resolve().parent.parent
    environment = {**os.environ, "PYTHONPATH": str(root), FOLDER_VARIABLE: str(tmp_path / "practice")}

    def call(*arguments: str | bytes) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "handcapture", "journal", *arguments]
        return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)  # type: ignore[arg-type]

    done = call("person", "add", b"M\xe4ra")
    assert done.returncode == 2
    assert "not valid UTF-8" in done.stderr
    assert "Traceback" not in done.stderr
    odd = os.path.join(os.fsencode(tmp_path), b"r\xe4st.json")
    with open(odd, "wb") as file:
        file.write(practice["rest"].read_bytes())
    done = call("add", "--person", "Mara", odd, "--json")
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["new"][0]["name"] == "r?st.json"


def test_what_would_steer_the_terminal_is_not_printed(run: Run, practice: dict[str, Path], tmp_path: Path) -> None:
    path = tmp_path / "\x1b[31mred.json"
    path.write_bytes(practice["rest"].read_bytes())
    assert "\x1b" not in run("add", "--person", "Mara", path).output
    assert "\x1b" not in run("list").output
    assert "\x1b" not in run("note", "1", "a\x1b[2Jb").output


def test_a_photo_is_deleted_by_its_number(tmp_path: Path) -> None:
    from helpers_journal import photo_bytes

    from handcapture.journal.store import open_journal

    folder = tmp_path / "journal"
    (tmp_path / "one.jpg").write_bytes(photo_bytes(1))
    with open_journal(folder, create=True) as journal:
        person = journal.add_person("Mara")
        photo = journal.add_photo("Mara", tmp_path / "one.jpg", keep=True)
    kept = folder / "photos" / str(photo.file)
    command = ["journal", "delete", "--folder", str(folder)]
    told = CliRunner().invoke(main, [*command, str(person.id), "--yes"])
    assert (told.exit_code, "delete-person" in told.output) == (2, True)
    told = CliRunner().invoke(main, [*command, str(photo.id)])
    assert (told.exit_code, kept.exists()) == (2, True)
    done = CliRunner().invoke(main, [*command, str(photo.id), "--yes"])
    assert done.exit_code == 0, done.output
    assert not kept.exists()
    assert photo.sha256.encode() not in (folder / "journal.sqlite").read_bytes()
    assert CliRunner().invoke(main, [*command, str(photo.id), "--yes"]).exit_code == 2


def test_an_entry_is_deleted_with_what_hangs_on_it(run: Run, practice: dict[str, Path]) -> None:
    files = [practice[name] for name in ("rest", "layout", "layout_b", "plan")]
    items = {e["name"]: e["id"] for e in as_json(run("add", "--person", "Mara", *files, "--json"))["new"]}
    layout = items["layout.json"]
    run("impression", layout, "far too wide", "--button", "Drill", "--comfort", 4)
    run("made", layout, practice["panel"])
    listed = run("list").output
    assert listed.index("(layout.json)") < listed.index("Drill 4 of 5: far too wide") < listed.index("(layout_b.json)")
    assert "file panel.toml, made of" in listed
    told = run("delete", layout, code=2).output
    assert "Nothing was deleted" in told
    assert "far too wide" in told
    run("show", layout)
    gone = as_json(run("delete", layout, "--yes", "--json"))["deleted"]
    assert gone[-1] == layout
    assert len(gone) == 3, "its impression and the note of the drawing"
    for number in gone:
        run("show", number, code=2)
    assert b"far too wide" not in (practice["rest"].parent.parent / "practice" / "journal.sqlite").read_bytes()
    for name in ("rest.json", "layout_b.json", "plan.toml"):
        run("show", items[name])


def test_a_session_is_deleted_with_what_is_in_no_other(run: Run, practice: dict[str, Path]) -> None:
    first = as_json(run("add", "--person", "Mara", practice["rest"], practice["plan"], "--json"))
    second = as_json(run("add", "--person", "Mara", practice["rest"], practice["panel"], "--json"))
    numbers = {e["name"]: e["id"] for found in (first, second) for e in found["new"]}
    run("delete", second["session"]["id"], "--yes")
    run("show", numbers["panel.toml"], code=2)
    run("show", second["session"]["id"], code=2)
    run("show", numbers["plan.toml"])
    run("show", numbers["rest.json"])
    photos = [
        e["id"] for e in as_json(run("list", "--json"))["people"][0]["sessions"][0]["items"] if e["kind"] == "photo"
    ]
    run("delete", first["session"]["id"], "--yes")
    for number in (numbers["rest.json"], *photos):
        run("show", number, code=2)
    assert as_json(run("list", "--json"))["people"][0]["sessions"] == []
    run("delete", 99, code=2)


def test_a_document_of_the_page_is_left_to_the_page(run: Run, practice: dict[str, Path], tmp_path: Path) -> None:
    added = as_json(run("add", "--person", "Mara", practice["rest"], "--json"))
    number = next(e["id"] for e in added["new"] if e["kind"] == "rest")
    place = tmp_path / "practice" / "page" / str(added["session"]["id"])
    place.mkdir(parents=True)
    (place / "state.json").write_text("{}")
    (place / f"kept_{number}.json").write_bytes(practice["rest"].read_bytes())
    assert f"journal delete {added['session']['id']}" in run("delete", number, "--yes", code=2).output
    run("delete", added["session"]["id"], "--yes")
    assert not place.exists()
