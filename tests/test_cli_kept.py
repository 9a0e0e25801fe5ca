"""Every command with the journal: entries as inputs, and what was used kept under a person."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from helpers_sessions import session, written

from handcapture.cli import main
from handcapture.errors import InputError

SAMPLES = Path(__file__).resolve().parent.parent / "samples"


def run(folder: Path, *arguments: object) -> Result:
    return CliRunner().invoke(main, ["--journal", str(folder / "journal"), *map(str, arguments)])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A journal with one person, and a rest beside it."""
    assert run(tmp_path, "journal", "init", tmp_path / "journal").exit_code == 0
    assert run(tmp_path, "journal", "person", "add", "Mara", "--folder", tmp_path / "journal").exit_code == 0
    written(tmp_path, "rest.json", session(1, 4))
    return tmp_path


def numbers(folder: Path) -> dict[str, int]:
    """The last entry of each kind."""
    told = run(folder, "journal", "list", "--folder", folder / "journal", "--json").output
    (person,) = json.loads(told)["people"]
    return {item["kind"]: item["id"] for found in person["sessions"] for item in found["items"]}


def fit(folder: Path, rest: object, plan: object, panel: object, name: str) -> Result:
    return run(folder, "--keep", "Mara", "fit", rest, "--plan", plan, "--panel", panel, "--output", folder / name)


def test_what_a_command_used_is_kept_and_serves_as_input(folder: Path) -> None:
    result = fit(folder, folder / "rest.json", SAMPLES / "plan.toml", SAMPLES / "panel.toml", "a.json")
    assert result.exit_code == 0, result.output
    kept = numbers(folder)
    assert set(kept) == {"rest", "plan", "panel", "layout"}
    assert f"layout {kept['layout']}" in result.output
    again = fit(folder, *(f"entry:{kept[kind]}" for kind in ("rest", "plan", "panel")), "b.json")
    assert again.exit_code == 0, again.output
    assert (folder / "b.json").read_bytes() == (folder / "a.json").read_bytes()
    assert numbers(folder) == kept, "the same bytes are the same entries"
    for command in (
        ("posture", f"entry:{kept['rest']}"),
        ("holes", f"entry:{kept['rest']}", "--plan", f"entry:{kept['plan']}"),
        ("compare", f"entry:{kept['layout']}", folder / "a.json"),
        ("changed", f"entry:{kept['rest']}", written(folder, "later.json", session(2, 4))),
        ("report", f"entry:{kept['rest']}", "--layout", f"entry:{kept['layout']}", "--output", folder / "r.html"),
    ):
        result = run(folder, *command)
        assert result.exit_code == 0, (command, result.output)


def test_drawings_are_noted_by_their_hash(folder: Path) -> None:
    fit(folder, folder / "rest.json", SAMPLES / "plan.toml", SAMPLES / "panel.toml", "a.json")
    assert run(folder, "--keep", "Mara", "draw", folder / "a.json", "--output", folder / "a.dxf").exit_code == 0
    number = numbers(folder)["layout"]
    shown = json.loads(run(folder, "journal", "show", number, "--folder", folder / "journal", "--json").output)
    assert [export["name"] for export in shown["exports"]] == ["a.dxf"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("posture", "entry:99"), "99"),
        (("posture", "entry:1"), "which has no file"),
        (("--keep", "Nobody", "posture", "rest.json"), "Nobody"),
        (("--keep-photos", "posture", "rest.json"), "Name a person with --keep"),
    ],
)
def test_bad_input_is_one_sentence(
    folder: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], words: str
) -> None:
    monkeypatch.chdir(folder)
    result = run(folder, *arguments)
    assert result.exit_code == 2, result.output
    assert words in result.output
    assert "Traceback" not in result.output


def test_without_a_journal_an_entry_says_so(tmp_path: Path) -> None:
    result = CliRunner().invoke(main, ["posture", "entry:3"], env={"HANDCAPTURE_JOURNAL": ""})
    assert result.exit_code == 2
    assert "Which journal?" in result.output


def test_nothing_of_an_entry_stays_outside(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file that stands for an entry is gone when the command ends."""
    away = folder / "temporary"
    away.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(away))
    fit(folder, folder / "rest.json", SAMPLES / "plan.toml", SAMPLES / "panel.toml", "a.json")
    assert run(folder, "posture", f"entry:{numbers(folder)['rest']}").exit_code == 0
    assert list(away.iterdir()) == []


def test_the_journal_that_is_named_comes_before_the_one_of_the_environment(folder: Path) -> None:
    elsewhere = {"HANDCAPTURE_JOURNAL": str(folder / "nowhere")}
    arguments = ["--journal", str(folder / "journal"), "journal", "list"]
    assert "Mara" in CliRunner().invoke(main, arguments, env=elsewhere).output
    assert CliRunner().invoke(main, ["journal", "list"], env=elsewhere).exit_code == 2


def test_messages_name_the_entry_not_a_file_of_the_program(folder: Path) -> None:
    fit(folder, folder / "rest.json", SAMPLES / "plan.toml", SAMPLES / "panel.toml", "a.json")
    kept = numbers(folder)
    told = run(folder, "changed", f"entry:{kept['rest']}", f"entry:{kept['layout']}").output
    assert f"entry:{kept['layout']} (a.json) is a layout" in told
    assert "handcapture-" not in told


WRITTEN = {"--output", "--overlay", "--update", "--plot", "--layouts", "--rests"}


def test_an_entry_is_never_written_over(folder: Path) -> None:
    options = [
        (name, param)
        for name, command in main.commands.items()
        for param in command.params
        if WRITTEN & set(param.opts) or (name == "adopt" and "--panel" in param.opts)
    ]
    assert {name for name, _ in options} >= {"capture", "fit", "draw", "check", "report", "adopt", "arrange", "cohort"}
    for _, param in options:
        with pytest.raises(InputError, match="cannot be written"):
            param.type.convert("entry:4", param, None)
    fit(folder, folder / "rest.json", SAMPLES / "plan.toml", SAMPLES / "panel.toml", "a.json")
    told = run(folder, "changed", folder / "rest.json", folder / "rest.json", "--output", "entry:4")
    assert (told.exit_code, "cannot be written" in told.output) == (2, True)


def test_keep_is_refused_where_there_is_nothing_to_keep(folder: Path) -> None:
    for name in ("mat", "doctor", "cohort", "batch", "demo"):
        told = run(folder, "--keep", "Mara", name, *(["x.json"] if name in ("cohort", "batch") else []))
        assert told.exit_code == 2, name
        assert "nothing to keep" in told.output, name


def test_names_that_no_disk_takes_serve_as_input(folder: Path) -> None:
    long = folder / ("b" * 250 + ".json")
    long.write_bytes((folder / "rest.json").read_bytes())
    assert run(folder, "journal", "add", "--person", "Mara", long).exit_code == 0
    told = run(folder, "posture", f"entry:{numbers(folder)['rest']}")
    assert told.exit_code == 0, told.output


def test_entries_of_another_person_are_not_kept_again(folder: Path) -> None:
    fit(folder, folder / "rest.json", SAMPLES / "plan.toml", SAMPLES / "panel.toml", "a.json")
    kept = numbers(folder)
    run(folder, "journal", "person", "add", "Otto")
    assert run(folder, "--keep", "Otto", "posture", f"entry:{kept['rest']}").exit_code == 0
    people = json.loads(run(folder, "journal", "list", "--json").output)["people"]
    (otto,) = (person for person in people if person["nickname"] == "Otto")
    assert not [item for found in otto["sessions"] for item in found["items"]]


def test_a_kept_copy_of_a_photo_stands_for_its_original(folder: Path) -> None:
    """The copy lacks personal data, and so has another hash: reports and drawings know it all the same."""
    sample = SAMPLES / "rest_1.jpg"
    keep = ("--keep", "Mara", "--keep-photos")
    told = run(folder, *keep, "capture", sample, "--ruler", 150, 150, "--output", folder / "measured.json")
    assert told.exit_code == 0, told.output
    kept = numbers(folder)
    photo, rest = f"entry:{kept['photo']}", f"entry:{kept['rest']}"
    told = run(folder, "report", rest, "--photo", photo, "--output", folder / "r.html")
    assert told.exit_code == 0, told.output
    again = run(folder, "capture", photo, "--ruler", 150, 150, "--output", folder / "again.json")
    assert again.exit_code == 0, again.output
    assert (folder / "again.json").read_bytes() == (folder / "measured.json").read_bytes()
    fit(folder, rest, SAMPLES / "plan.toml", SAMPLES / "panel.toml", "a.json")
    drawn = run(folder, "draw", folder / "a.json", "--photo", photo, "--rest", rest, "--output", folder / "seen.jpg")
    assert drawn.exit_code == 0, drawn.output


def test_no_copy_of_a_kept_photo_is_made(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One in a folder of temporary files would stay there where the command is killed: the journal's own is read."""
    sample = SAMPLES / "rest_1.jpg"
    assert run(folder, "--keep", "Mara", "--keep-photos", "inspect", sample).exit_code == 0
    photo = f"entry:{numbers(folder)['photo']}"

    def no_folder(**_: object) -> None:
        raise AssertionError("a folder was made")

    monkeypatch.setattr("tempfile.TemporaryDirectory", no_folder)
    told = run(folder, "inspect", photo, "--json")
    assert told.exit_code == 0, told.output
    assert json.loads(told.output)["photos"][0]["photo"] == "rest_1.jpg"
    seen = folder / "seen"
    told = run(folder, "capture", photo, "--ruler", 150, 150, "--output", folder / "again.json", "--overlay", seen)
    assert told.exit_code == 0, told.output
    assert [path.name for path in seen.iterdir()] == ["01_rest_1.jpg"]
    (kept,) = (folder / "journal" / "photos").iterdir()
    damaged = bytearray(kept.read_bytes())
    damaged[5000] ^= 1
    kept.write_bytes(damaged)
    told = run(folder, "inspect", photo)
    assert told.exit_code == 2
    assert "is damaged: its hash is another" in told.output
    assert kept.name not in told.output
