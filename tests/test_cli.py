"""The command line as a user meets it: good input, bad input, exit codes, nothing half-written."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import ezdxf
import numpy as np
import pytest
from click.testing import CliRunner, Result
from helpers_photo import hand_layer, photo_of, write_jpeg

from handcapture.cli import MAT_NAMES, main
from handcapture.demo import samples_folder
from handcapture.mat.geometry import MATS

SAMPLES = samples_folder()
Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.chdir(tmp_path)

    def invoke(*arguments: str | Path, code: int = 0) -> Result:
        result = CliRunner().invoke(main, [str(a) for a in arguments])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        assert result.exit_code == code, result.output
        return result

    return invoke


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the samples and the rest and layout made from them."""
    folder = tmp_path_factory.mktemp("measured")
    for path in SAMPLES.iterdir():
        if path.is_file():
            shutil.copy(path, folder)
    photos = [str(folder / f"rest_{k}.jpg") for k in (1, 2, 3)]
    rest, layout = str(folder / "rest.json"), str(folder / "layout.json")
    runner = CliRunner()
    for arguments in (
        ["capture", *photos, "--output", rest, "--overlay", str(folder / "seen")],
        ["fit", rest, "--plan", str(folder / "plan.toml"), "--panel", str(folder / "panel.toml"), "--output", layout],
    ):
        result = runner.invoke(main, arguments, catch_exceptions=False)
        assert result.exit_code == 0, result.output
    return folder


def test_mat_names_of_the_help_are_the_mats() -> None:
    assert tuple(MATS) == MAT_NAMES


def test_version_and_help_are_quick() -> None:
    """Ratio to a bare interpreter in the same run; and no heavy package is loaded."""
    code = "import sys; from handcapture.cli import main\ntry: main(['--help'])\nexcept SystemExit: pass\n"
    code += "print([m for m in ('cv2', 'numpy', 'scipy', 'mediapipe', 'matplotlib', 'pydantic') if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.strip().endswith("[]")
    assert "handcapture demo" in out
    best = min(_seconds([sys.executable, "-m", "handcapture", "--version"]) for _ in range(5))
    bare = min(_seconds([sys.executable, "-c", "pass"]) for _ in range(5))
    assert best < max(0.3, 8 * bare)  # a machine that has much else to do


def _seconds(command: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - start


@pytest.mark.parametrize("command", ["mat", "capture", "fit", "draw", "demo"])
def test_each_command_explains_itself_with_an_example(command: str, run: Run) -> None:
    assert f"handcapture {command}" in run(command, "--help").output.split("Example")[1]


@pytest.mark.parametrize("paper", MAT_NAMES)
def test_mat(paper: str, run: Run) -> None:
    said = json.loads(run("mat", "--paper", paper, "--output", "mat.pdf", "--json").output)
    assert Path("mat.pdf").read_bytes().startswith(b"%PDF")
    assert said["pages"] == len(MATS[paper].sheets)


def test_capture_gives_a_rest(measured: Path) -> None:
    rest = json.loads((measured / "rest.json").read_text())
    assert rest["schema"] == "handcapture.rest/1"
    assert rest["placements"] == 3
    assert len(rest["fingertips"]) == 10
    assert sorted(path.name for path in (measured / "seen").iterdir()) == [f"0{k}_rest_{k}.jpg" for k in (1, 2, 3)]


def test_capture_for_machines(run: Run) -> None:
    result = run("capture", SAMPLES / "rest_1.jpg", "--output", "rest.json", "--ruler", "150", "149.5", "--json")
    said = json.loads(result.stdout)
    assert said["photos"][0]["mat"] == "a3"
    assert said["rest"] == json.loads(Path("rest.json").read_text())
    assert said["rest"]["placement_records"][0]["sources"][0]["print_scale"] == pytest.approx([1.0, 149.5 / 150])


def test_no_path_of_the_machine_in_documents(measured: Path) -> None:
    for name in ("rest.json", "layout.json"):
        assert str(measured) not in (measured / name).read_text()


def test_draw_everything(measured: Path, run: Run) -> None:
    layout = json.loads((measured / "layout.json").read_text())
    names = ("panel.dxf", "panel.svg", "drill.csv", "over.png", "try.pdf")
    outputs = [part for name in names for part in ("--output", name)]
    photo = ["--photo", measured / "rest_2.jpg", "--rest", measured / "rest.json"]
    result = run("draw", measured / "layout.json", *outputs, "--mat", "a3", *photo)
    assert all(Path(name).stat().st_size > 500 for name in names)
    drawing = ezdxf.readfile("panel.dxf")
    centres = sorted(
        (round(c.dxf.center.x, 2), round(2 * c.dxf.radius, 3)) for c in drawing.query("CIRCLE[layer=='CUT']")
    )
    wanted = [(round(b["centre_mm"][0], 2), b["hole_mm"]) for b in layout["buttons"]]
    wanted += [(round(c["centre_mm"][0], 2), c["diameter_mm"]) for c in layout["panel"]["cuts"]]
    wanted.sort()
    assert len(centres) == len(wanted)
    np.testing.assert_allclose(centres, wanted, atol=0.011)
    assert "eye protection" in result.output
    run("draw", measured / "layout.json", "--output", "tiles.pdf", "--paper", "a4")


BAD_PHOTOS: dict[str, tuple[Callable[[Path], Any], int, str]] = {
    "missing.jpg": (lambda path: None, 2, "does not exist"),
    "empty.jpg": (lambda path: path.touch(), 2, "is empty"),
    "text.jpg": (lambda path: path.write_text("not a photo"), 2, "photo"),
    "truncated.jpg": (lambda path: path.write_bytes((SAMPLES / "rest_1.jpg").read_bytes()[:90_000]), 2, "truncated"),
    "folder.jpg": (lambda path: path.mkdir(), 2, "is a folder"),
    "nothing.jpg": (lambda path: write_jpeg(path, np.full((1200, 1600, 3), 128, np.uint8)), 3, "no mat"),
    "one.jpg": (lambda path: write_jpeg(path, photo_of(hand_layer("left"))), 3, "only the left hand"),
    "pair.jpg": (
        lambda path: write_jpeg(path, photo_of(hand_layer("both"), mat_name="a4-pair", sheets=(0,))),
        3,
        "sheet",
    ),
    "blurred.jpg": (
        lambda path: write_jpeg(path, np.asarray(cv2.GaussianBlur(photo_of(), (0, 0), 14), np.uint8)),
        3,
        "blurred",
    ),
    "dark.jpg": (lambda path: write_jpeg(path, (photo_of() * 0.06).astype(np.uint8)), 3, "too dark"),
}


@pytest.mark.parametrize("name", BAD_PHOTOS)
def test_bad_photos(name: str, run: Run, tmp_path: Path) -> None:
    make, code, message = BAD_PHOTOS[name]
    make(tmp_path / name)
    before = sorted(os.listdir(tmp_path))
    result = run("capture", name, "--output", "rest.json", code=code)
    assert name in result.stderr
    assert message in result.stderr
    assert "Traceback" not in result.output
    assert sorted(os.listdir(tmp_path)) == before


def test_another_mat_than_said(run: Run) -> None:
    result = run("capture", SAMPLES / "rest_1.jpg", "--mat", "a4", "--output", "rest.json", code=3)
    assert "A3" in result.stderr
    assert not Path("rest.json").exists()


def test_one_bad_photo_among_good_ones(run: Run, tmp_path: Path) -> None:
    bad = write_jpeg(tmp_path / "none.jpg", photo_of())
    photos = [SAMPLES / "rest_1.jpg", bad]
    result = run("capture", *photos, "--output", "rest.json", code=3)
    assert "1 of 2 photos" in result.stderr
    assert "--leave-out" in result.stderr
    assert not Path("rest.json").exists()
    result = run("capture", *photos, "--leave-out", "--output", "rest.json")
    assert "Left out: none.jpg" in result.stderr
    assert json.loads(Path("rest.json").read_text())["placements"] == 1


def test_views_of_hands_that_moved(run: Run) -> None:
    photos = [SAMPLES / "rest_1.jpg", SAMPLES / "rest_2.jpg"]
    result = run("capture", "--views", *photos, "--output", "rest.json", code=3)
    assert "moved between the photos" in result.stderr
    result = run("capture", "--views", photos[0], "--output", "rest.json", code=2)
    assert "2 to 4" in result.stderr
    assert not Path("rest.json").exists()


def test_the_same_photo_twice(run: Run) -> None:
    photo = SAMPLES / "rest_1.jpg"
    result = run("capture", photo, photo, "--output", "rest.json", code=2)
    assert "same photo" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["mat", "--paper", "a3", "--output", "mat.txt"], "ends in .pdf"),
        (["mat", "--paper", "a3", "--output", "no/mat.pdf"], "The folder no does not exist"),
        (["capture", "a.jpg", "--output", "rest.jpg"], "ends in .json"),
        (["capture", "a.jpg", "--output", "rest.json", "--ruler", "15", "150"], "ruler"),
        (["fit", "a.json", "--plan", "p.toml", "--panel", "q.toml", "--output", "l.json"], "q.toml does not exist"),
        (["draw", "l.json", "--output", "l.bmp"], "l.bmp"),
        (["draw", "l.json", "--output", "l.pdf"], "--mat"),
        (["draw", "l.json", "--output", "l.png"], "--photo"),
        (["draw", "l.json", "--output", "l.dxf"], "l.json does not exist"),
    ],
    ids=lambda value: value if isinstance(value, str) else value[0],
)
def test_bad_arguments(arguments: list[str], message: str, run: Run, tmp_path: Path) -> None:
    result = run(*arguments, code=2)
    assert message in result.stderr
    assert os.listdir(tmp_path) == []


def test_an_input_is_never_overwritten(measured: Path, run: Run, tmp_path: Path) -> None:
    rest = tmp_path / "rest.json"
    shutil.copy(measured / "rest.json", rest)
    before = rest.read_bytes()
    options = ["--plan", measured / "plan.toml", "--panel", measured / "panel.toml"]
    result = run("fit", rest, *options, "--output", "rest.json", code=2)
    assert "rest.json is a rest, which a layout would replace" in result.stderr
    assert rest.read_bytes() == before


def changed(measured: Path, name: str, old: str, new: str) -> str:
    text = (measured / name).read_text()
    assert old in text
    Path(name).write_text(text.replace(old, new, 1))
    return name


@pytest.mark.parametrize(
    ("name", "old", "new", "message"),
    [
        ("plan.toml", 'finger = "ring"', 'finger = "pinky"', "Moon"),
        ("plan.toml", "hole_mm = 30", "hole_mm = -30", "House lights"),
        ("plan.toml", 'label = "Moon"', 'label = "Moon', "plan.toml"),
        ("panel.toml", "width_mm = 400", "width_mm = 150", "Cue desk"),
        ("panel.toml", "width_mm = 400", "width_mm = nan", "width_mm"),
    ],
    ids=["unknown finger", "negative hole", "not TOML", "panel too small", "not a number"],
)
def test_bad_plans_and_panels(name: str, old: str, new: str, message: str, measured: Path, run: Run) -> None:
    for other in ("plan.toml", "panel.toml"):
        shutil.copy(measured / other, other)
    changed(measured, name, old, new)
    arguments = ["fit", measured / "rest.json", "--plan", "plan.toml", "--panel", "panel.toml", "--output", "l.json"]
    result = run(*arguments, code=2)
    assert message in result.stderr
    assert not Path("l.json").exists()


def test_two_buttons_fixed_on_one_spot(measured: Path, run: Run) -> None:
    plan = (measured / "plan.toml").read_text()
    plan = plan.replace('finger = "ring"', 'finger = "ring"\nat_mm = [100, 80]', 1)
    plan = plan.replace('finger = "index"', 'finger = "index"\nat_mm = [100, 80]', 1)
    Path("plan.toml").write_text(plan)
    arguments = ["fit", measured / "rest.json", "--plan", "plan.toml", "--panel", measured / "panel.toml"]
    result = run(*arguments, "--output", "l.json", code=2)
    assert "Moon" in result.stderr
    assert "Wind" in result.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ["batch", "", "--output", "t.csv"],
        ["cohort", ""],
        ["demo", "--output", ""],
        ["capture", "a.jpg", "--output", ""],
    ],
)
def test_an_empty_name_is_not_this_folder(arguments: list[str], run: Run, tmp_path: Path) -> None:
    """What a shell's variable that is not set leaves."""
    (tmp_path / "rest.json").write_text("mine")
    assert "the name is empty" in run(*arguments, code=2).output
    assert [path.name for path in tmp_path.iterdir()] == ["rest.json"]


def test_inspect_tells_of_the_good_ones_among_bad_ones(run: Run, tmp_path: Path) -> None:
    (tmp_path / "text.jpg").write_text("no photo")
    told = run("inspect", "text.jpg", SAMPLES / "rest_2.jpg", code=3).output
    assert "rest_2.jpg: " in told
    assert "text.jpg is not a photo" in told
    run("inspect", "text.jpg", code=2)


def test_a_table_of_something_else_is_not_replaced(run: Run, tmp_path: Path) -> None:
    shutil.copy(SAMPLES / "rest_1.jpg", tmp_path)
    for name in ("t.csv", "t.parquet"):
        (tmp_path / name).write_text("name,money")
        assert "is no table of photos" in run("batch", "rest_1.jpg", "--output", name, code=2).output
        assert (tmp_path / name).read_text() == "name,money"
        (tmp_path / name).unlink()
        run("batch", "rest_1.jpg", "--output", name)
        run("batch", "rest_1.jpg", "--output", name)  # one of its own


def test_a_link_stays_a_link(run: Run, tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    try:
        (tmp_path / "mat.pdf").symlink_to(tmp_path / "there" / "kept.pdf")
    except OSError:
        pytest.skip("no symbolic links here")
    run("mat", "--paper", "a3", "--output", "mat.pdf")
    assert (tmp_path / "mat.pdf").is_symlink()
    assert (tmp_path / "there" / "kept.pdf").read_bytes()[:5] == b"%PDF-"


def test_an_output_that_knows_less_than_unicode(measured: Path, tmp_path: Path) -> None:
    """A pipe of Windows (code page 1252) or of a C locale: signs are replaced, JSON stays whole."""
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONPATH": str(Path(__file__).parents[1])}
    command = [sys.executable, "-P", "-m", "handcapture", "steady", str(measured / "rest.json")]
    done = subprocess.run(command, env=environment, capture_output=True)
    assert done.returncode == 0, done.stderr
    done = subprocess.run([*command, "--json"], env=environment, capture_output=True)
    assert json.loads(done.stdout)
    assert b"?" not in done.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_disk_behind_the_output_is_one_sentence(measured: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    command = [sys.executable, "-P", "-m", "handcapture", "steady", str(measured / "rest.json")]
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(command, env=environment, stdout=full, stderr=subprocess.PIPE, text=True)
    assert done.returncode == 2
    assert "could not be printed: No space left" in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


def test_errors_for_machines(run: Run) -> None:
    result = run("capture", "none.jpg", "--output", "rest.json", "--json", code=2)
    said = json.loads(result.stdout)
    assert said["exit_code"] == 2
    assert "none.jpg" in said["error"]


def test_demo(run: Run, tmp_path: Path) -> None:
    start = time.perf_counter()
    result = run("demo", "--output", "deep/try", "--json")
    assert time.perf_counter() - start < 30
    said = json.loads(result.stdout)
    assert {path.name for path in (tmp_path / "deep/try").iterdir()} == set(said["files"])
    assert sorted(said["misses_mm"])[4] < 1.5
    assert max(said["misses_mm"]) < 6


def test_work_of_another_kind_is_not_replaced(run: Run, tmp_path: Path) -> None:
    """A layout by a rest, say, or somebody's own files by the demo's."""
    shutil.copy(SAMPLES / "try_layout.json", "la.json")
    before = Path("la.json").read_bytes()
    told = run("capture", SAMPLES / "rest_1.jpg", "--output", "la.json", code=2).stderr
    assert "la.json is a layout, which a rest would replace" in told
    assert Path("la.json").read_bytes() == before
    Path("mine").mkdir()
    Path("mine/panel.dxf").write_text("mine")
    assert "holds files that the demo did not make" in run("demo", "--output", "mine", code=2).stderr
    assert [path.name for path in Path("mine").iterdir()] == ["panel.dxf"]


def test_demo_where_it_cannot_write(run: Run) -> None:
    Path("file").touch()
    assert "cannot be made" in run("demo", "--output", "file/x", code=2).stderr


def test_nothing_reaches_for_the_network(tmp_path: Path) -> None:
    """Every socket call in the process ends it: capture must not make one."""
    code = f"""
import socket, sys
def trap(*a, **k):
    sys.stdout.write("CONNECTED"); sys.stdout.flush(); import os; os._exit(9)
socket.socket.connect = socket.socket.connect_ex = socket.getaddrinfo = socket.create_connection = trap
socket.socket.sendto = trap
from handcapture.cli import main
main(["capture", {str(SAMPLES / "rest_1.jpg")!r}, "--output", {str(tmp_path / "rest.json")!r}])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "10 fingertips" in done.stdout
    assert done.stderr == ""


def test_a_demo_without_its_samples_blames_the_installation(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "package" / "samples").mkdir(parents=True)
    shutil.copy(SAMPLES / "rest_1.jpg", tmp_path / "package" / "samples")
    monkeypatch.setattr("handcapture.demo.__file__", str(tmp_path / "package" / "demo.py"))
    assert "Install handcapture again" in run("demo", "--output", "out", code=2).stderr
    assert not (tmp_path / "out").exists()
