"""What stands where a command writes to: work of others stays; files that go together are all new or all old."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from helpers_layout import workshop_layout
from helpers_sessions import session, written

from handcapture.cli import main
from handcapture.documents import is_foreign, write_atomically, write_together
from handcapture.drawings.dxf import layout_dxf
from handcapture.drawings.svg import layout_svg
from handcapture.errors import OutputError
from handcapture.layout.document import write_layout

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "samples"
Run = Callable[..., Result]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a layout, two rests (invented) and the samples' photos, in which commands run."""
    monkeypatch.chdir(tmp_path)
    written(tmp_path, "rest.json", session(1, 4))
    written(tmp_path, "later.json", session(2, 4))
    write_layout(tmp_path / "layout.json", workshop_layout())
    for name in ("rest_1.jpg", "rest_2.jpg"):
        shutil.copy(SAMPLES / name, tmp_path)
    return tmp_path


def run(*arguments: object, code: int = 0) -> Result:
    result = CliRunner().invoke(main, [str(argument) for argument in arguments])
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result


OUTPUTS = {
    "mat.pdf": ["mat", "--paper", "a4"],
    "shop.dxf": ["draw", "layout.json"],
    "r12.dxf": ["draw", "layout.json", "--dxf-version", "r12"],
    "shop.svg": ["draw", "layout.json"],
    "art.svg": ["draw", "layout.json", "--sheet", "art"],
    "art.pdf": ["draw", "layout.json", "--sheet", "art"],
    "drill.pdf": ["draw", "layout.json", "--sheet", "drill"],
    "cut.pdf": ["draw", "layout.json", "--sheet", "cut"],
    "drill.csv": ["draw", "layout.json"],
    "try.pdf": ["draw", "layout.json", "--mat", "a3"],
    "tiled.pdf": ["draw", "layout.json", "--paper", "a4"],
    "changes.pdf": ["compare", "layout.json", "layout.json"],
    "changes.png": ["compare", "layout.json", "layout.json"],
    "changes.svg": ["compare", "layout.json", "layout.json"],
    "report.html": ["report", "rest.json"],
    "report.pdf": ["report", "rest.json"],
    "x.json": ["changed", "rest.json", "later.json"],
    "sizes.json": ["cohort", "rest.json", "later.json"],
}


@pytest.mark.parametrize("name", OUTPUTS)
def test_work_of_others_stays_and_its_own_is_made_anew(folder: Path, name: str) -> None:
    """Every kind of file: a shop's or an artist's is refused before any work, an empty one and one of ours replaced."""
    command = [*OUTPUTS[name], "--output", name]
    Path(name).write_bytes(b"a drawing of the shop's")
    assert f"{name} is there already" in run(*command, code=2).stderr
    assert Path(name).read_bytes() == b"a drawing of the shop's"
    Path(name).write_bytes(b"")
    run(*command)
    assert not is_foreign(Path(name))
    run(*command)


@pytest.mark.parametrize("name", ["sizes.png", "sizes.svg", "sizes.pdf"])
def test_a_plot_as_well(folder: Path, name: str) -> None:
    command = ["cohort", "rest.json", "later.json", "--plot", name]
    run(*command)
    run(*command)
    Path(name).write_bytes(b"a holiday")
    assert f"{name} is there already" in run(*command, code=2).stderr


@pytest.mark.parametrize("name", ["seen.jpg", "seen.png"])
def test_a_photo_is_not_drawn_over_in_its_own_file(folder: Path, name: str) -> None:
    run("capture", "rest_1.jpg", "--output", "measured.json", "--overlay", "seen")
    draw = ["draw", "layout.json", "--photo", "rest_1.jpg", "--rest", "measured.json", "--output"]
    shutil.copy("rest_2.jpg", name)
    assert f"{name} is there already" in run(*draw, name, code=2).stderr
    assert Path(name).read_bytes() == Path("rest_2.jpg").read_bytes()
    Path(name).unlink()
    run(*draw, name)
    run(*draw, name)
    run("capture", "rest_1.jpg", "--output", "measured.json", "--overlay", "seen")
    shutil.copy("rest_2.jpg", Path("seen") / "01_rest_1.jpg")
    told = run("capture", "rest_1.jpg", "--output", "measured.json", "--overlay", "seen", code=2).stderr
    assert "01_rest_1.jpg is there already" in told


def test_drawings_of_a_shop_are_foreign_and_ours_are_not(tmp_path: Path) -> None:
    import ezdxf

    ezdxf.new("R2010").saveas(tmp_path / "shop.dxf")
    (tmp_path / "shop.svg").write_text('<svg xmlns="http://www.w3.org/2000/svg" width="1mm"/>')
    (tmp_path / "ours.dxf").write_bytes(layout_dxf(workshop_layout()))
    (tmp_path / "ours.svg").write_bytes(layout_svg(workshop_layout()))
    assert [is_foreign(tmp_path / name) for name in ("shop.dxf", "shop.svg", "none.dxf")] == [True, True, False]
    assert [is_foreign(tmp_path / name) for name in ("ours.dxf", "ours.svg")] == [False, False]
    assert not is_foreign(Path(os.devnull))


def test_a_photo_that_comes_twice_is_told_before_any_work(folder: Path) -> None:
    shutil.copy("rest_1.jpg", "copy.jpg")
    told = run("capture", "rest_1.jpg", "rest_2.jpg", "copy.jpg", "--output", "r.json", "--overlay", "seen", code=2)
    assert "copy.jpg is the same photo as rest_1.jpg" in told.stderr
    assert not Path("seen").exists()
    assert not Path("r.json").exists()


def test_what_people_edit_is_replaced_with_force_alone(folder: Path) -> None:
    run("journal", "init", "j")
    run("journal", "person", "add", "Mara", "--folder", "j")
    run("journal", "add", "--person", "Mara", "rest.json", "--folder", "j")
    listed = json.loads(run("journal", "list", "--json", "--folder", "j").output)["people"][0]["sessions"][0]["items"]
    number = next(item["id"] for item in listed if item["kind"] == "rest")
    get = ["journal", "get", number, "--folder", "j", "--output", "back.json"]
    run(*get)
    assert Path("back.json").read_bytes() == Path("rest.json").read_bytes()
    assert "replace it with --force" in run(*get, code=2).stderr
    run(*get, "--force")
    for name in ("try_layout.json", "try_plan.toml", "try_1.jpg"):
        shutil.copy(SAMPLES / name, ".")
    Path("next.toml").write_text("mine")
    check = ["check", "try_layout.json", "try_1.jpg", "--plan", "try_plan.toml", "--update", "next.toml"]
    assert "replace it with --force" in run(*check, code=2).stderr
    assert Path("next.toml").read_text() == "mine"
    run(*check, "--force")
    assert "[[buttons]]" in Path("next.toml").read_text()


def test_a_protected_file_stays(folder: Path) -> None:
    run("draw", "layout.json", "--output", "shop.dxf")
    before = Path("shop.dxf").read_bytes()
    Path("shop.dxf").chmod(0o444)
    assert "shop.dxf is write-protected" in run("draw", "layout.json", "--output", "shop.dxf", code=2).stderr
    with pytest.raises(OutputError, match="write-protected"):
        write_atomically(Path("shop.dxf"), b"x")
    assert Path("shop.dxf").read_bytes() == before
    assert sorted(path.name for path in folder.iterdir() if ".part" in path.name) == []


@pytest.mark.skipif(sys.platform == "win32", reason="no such permissions there")
def test_a_private_file_stays_private(tmp_path: Path) -> None:
    path = tmp_path / "rest.json"
    write_atomically(path, b"1")
    path.chmod(0o600)
    write_atomically(path, b"2")
    assert path.stat().st_mode & 0o777 == 0o600


def test_the_longest_name_that_a_disk_takes(folder: Path) -> None:
    name = "n" * (255 - len(".json")) + ".json"
    write_atomically(folder / name, b"x")
    assert (folder / name).read_bytes() == b"x"


def test_two_outputs_of_one_name(folder: Path) -> None:
    for command in (["report", "rest.json"], ["draw", "layout.json", "--paper", "a4"]):
        told = run(*command, "--output", "a.pdf", "--output", "./a.pdf", code=2).stderr
        assert "named twice" in told
    assert not Path("a.pdf").exists()


@pytest.fixture
def three(tmp_path: Path) -> Iterator[list[tuple[Path, bytes]]]:
    files = [(tmp_path / name, b"new") for name in "abc"]
    for path, _ in files:
        path.write_bytes(b"old")
    yield files
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "b", "c"]


@pytest.mark.parametrize("number", [1, 2, 3])
def test_files_that_go_together_are_all_old_when_one_cannot_be_filled(
    three: list[tuple[Path, bytes]], monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    calls = iter(range(1, 9))
    plain = os.fsync

    def fsync(handle: int) -> None:
        if next(calls) == number:
            raise OSError(28, "No space left on device")
        plain(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(OutputError, match=f"{'abc'[number - 1]} could not be written: .*Nothing was changed"):
        write_together(three)
    assert [path.read_bytes() for path, _ in three] == [b"old"] * 3


def test_what_was_renamed_before_the_disk_failed_is_told(
    three: list[tuple[Path, bytes]], monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = os.replace

    def replace(old: str, new: Path) -> None:
        if new.name == "b":
            raise OSError(5, "Input/output error")
        plain(old, new)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(OutputError, match="a had been written by then; nothing else was changed"):
        write_together(three)
    assert [path.read_bytes() for path, _ in three] == [b"new", b"old", b"old"]


def test_an_option_for_photos_is_refused_without_one(folder: Path) -> None:
    told = run("draw", "layout.json", "--photo", "rest_1.jpg", "--output", "a.dxf", code=2).stderr
    assert "--photo only means something for a .jpg or .png" in told


ALONE = "import sys; from handcapture.cli import main; main(sys.argv[1:])"


@pytest.mark.skipif(sys.platform == "win32", reason="no descriptors of that kind there")
def test_a_closed_output_is_no_trouble(folder: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", ALONE, "mat", "--paper", "a4", "--output", "mat.pdf"]
    done = subprocess.run(["sh", "-c", '"$@" >&-', "sh", *command], capture_output=True, text=True, env=environment)
    assert (done.returncode, done.stderr) == (0, "")
    assert Path("mat.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.skipif(sys.platform == "win32", reason="a folder in use cannot be removed there")
def test_a_folder_that_is_gone_is_told(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    gone = "import os, sys; os.mkdir(sys.argv[1]); os.chdir(sys.argv.pop(1)); os.rmdir(os.getcwd()); "
    for command in (["doctor"], ["mat", "--paper", "a4", "--output", str(tmp_path / "mat.pdf")]):
        done = subprocess.run(
            [sys.executable, "-c", gone + ALONE, str(tmp_path / "gone"), *command],
            capture_output=True, text=True, env=environment,
        )  # fmt: skip
        assert done.returncode == 2, done.stderr
        assert "is there no more" in done.stderr
        assert "Traceback" not in done.stderr


def test_too_little_memory_is_a_sentence(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr("handcapture.mat.printing.mat_pdf", full)
    assert "not enough memory" in run("mat", "--paper", "a4", "--output", "mat.pdf", code=2).stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ["mat", "--paper", "a4", "--output", "月" * 90 + ".pdf"],
        ["capture", "月" * 90 + ".jpg", "--output", "r.json"],
        ["fit", "rest.json", "--plan", "x" * 300, "--panel", "panel.toml", "--output", "l.json"],
        ["journal", "init", "j" * 300],
        ["--journal", "j" * 300, "journal", "list"],
        ["batch", "p" * 300, "--output", "t.csv"],
        ["serve", "--folder", "s" * 300],
    ],
    ids=lambda arguments: arguments[0],
)
def test_names_that_no_disk_takes(folder: Path, arguments: list[str]) -> None:
    assert "is longer than a disk takes" in run(*arguments, code=2).stderr


def test_a_table_whose_rows_could_not_be_kept_beside_it(folder: Path) -> None:
    told = run("batch", "rest_1.jpg", "--output", "t" * 246 + ".csv", code=2).stderr
    assert "beside a table so long a name" in told


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_names_of_files_do_not_steer_the_terminal(folder: Path) -> None:
    name = b"bad\x1b[31m\nname\xff.jpg"
    Path(os.fsdecode(name)).write_bytes(b"no photo")
    for arguments in (["batch", ".", "--output", "t.csv"], ["inspect", os.fsdecode(name)]):
        done = CliRunner().invoke(main, arguments, color=True)
        assert done.exit_code in (2, 3)
        assert "\x1b" not in done.output


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_a_drawing_whose_name_is_no_text(folder: Path) -> None:
    path = Path(os.fsdecode(b"old\xff.dxf"))
    path.write_bytes(layout_dxf(workshop_layout()))
    run("adopt", path, "--rest", "rest.json", "--output", "plan.toml")
    assert 'name = "old?"' in Path("plan.toml").read_text()
