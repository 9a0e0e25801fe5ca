"""Writes that fail: at every one of them what stood there stays whole, and the program says so in a sentence."""

from __future__ import annotations

import ast
import errno
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from helpers_layout import workshop_layout
from helpers_sessions import session, written

from handcapture.cli import main
from handcapture.drawings.dxf import layout_dxf
from handcapture.layout.document import write_layout

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "samples"
PACKAGE = ROOT / "handcapture"

WRITERS = {
    "documents.write_atomically": "every file that a command writes: here",
    "documents.alone": "an empty file that is locked: test_batch, test_web_state",
    "journal/archive._whole_or_not": "archives: here",
    "journal/archive.write_archive": "into the file of _whole_or_not",
    "journal/archive._document": "a file that is read and removed again",
    "journal/archive.read_archive": "a new folder, whole or not at all: test_journal_archive",
    "journal/database._back_up": "before a migration: test_journal_safety",
    "journal/database._overwrite": "overwrites what is deleted: test_journal_safety",
    "journal/database.create": "an empty database: here",
    "journal/database.connect": "the database, by transactions of SQLite: test_journal_safety kills each",
    "batch_record.appending": "the rows of a run: test_batch",
    "cli/kept.convert": "a file in a folder that is removed when the command ends",
    "cli/kept._folder_for_a_while": "that folder",
    "cli/draw._check_folders": "a nameless file, whether the folder can be written",
    "doctor._room": "the same",
    "hands/landmarks.__init__": "empty files of Python's own, which the networks' library has made to find C's library",
    "web/app._store_upload": "a photo on its way in, removed once it is kept: test_web_flow",
    "web/pages.keep_revision": "a layout on its way into the journal, in a folder that is removed",
    # Folders that are made where they are missing:
    "batch.keep": "for rests",
    "cli/common.make_folder": "for overlays and rests: here",
    "demo.run_demo": "for the demo: here",
    "journal/database.make_photos_folder": "for photos",
    "web/app.__init__": "for uploads",
    "web/server._alone": "the page's own",
    "web/state.__init__": "the page's own",
    "web/state.create": "of a session",
}
"""Every function of the package that writes to the disk itself, and where its failure is tried."""


def _writes(node: ast.Call) -> bool:
    called = node.func
    name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
    if name in ("TemporaryFile", "NamedTemporaryFile", "TemporaryDirectory", "mkdtemp", "mkdir", "makedirs"):
        return True
    if name == "connect" and getattr(getattr(called, "value", None), "id", "") == "sqlite3":
        return True
    if name in ("write_bytes", "write_text", "mkstemp", "replace", "rename") and isinstance(called, ast.Attribute):
        # str.replace and dataclasses.replace are no files.
        return name not in ("replace", "rename") or getattr(called.value, "id", "") == "os"
    given = (*node.args, *(k.value for k in node.keywords))
    modes = [a.value for part in given for a in ast.walk(part) if isinstance(a, ast.Constant)]
    if name == "ZipFile":
        return "w" in modes
    if name == "open" and getattr(getattr(called, "value", None), "id", "") == "os":
        return any(flag in ast.dump(node) for flag in ("O_CREAT", "O_RDWR"))
    return name == "open" and any(
        isinstance(m, str) and re.fullmatch(r"[rwax]b?\+?b?t?", m) and m not in ("r", "rb") for m in modes
    )


def writers() -> set[str]:
    """Return the functions of the package that call something that writes."""
    found = set()
    for path in PACKAGE.rglob("*.py"):
        module = path.relative_to(PACKAGE).with_suffix("").as_posix()
        tree = ast.parse(path.read_text())
        for function in ast.walk(tree):
            if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
                inner = [n for n in ast.walk(function) if isinstance(n, ast.FunctionDef) and n is not function]
                skipped = {id(call) for f in inner for call in ast.walk(f)}
                calls = [n for n in ast.walk(function) if isinstance(n, ast.Call) and id(n) not in skipped]
                if any(_writes(call) for call in calls):
                    found.add(f"{module}.{function.name}")
    return found


def test_every_place_that_writes_is_known() -> None:
    """Read from the code: a new place that writes must come with a test of its failure, and be named here."""
    assert writers() == set(WRITERS) - {"hands/landmarks.__init__"}


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything that the commands start from (invented, or the samples)."""
    folder = tmp_path_factory.mktemp("inputs")
    written(folder, "rest.json", session(1, 4))
    written(folder, "later.json", session(2, 4))
    write_layout(folder / "layout.json", workshop_layout())
    (folder / "old.dxf").write_bytes(layout_dxf(workshop_layout()))
    assert run("journal", "init", folder / "journal").exit_code == 0
    assert run("journal", "person", "add", "Mara", "--folder", folder / "journal").exit_code == 0
    kept = ("journal", "add", "--person", "Mara", folder / "rest.json", folder / "layout.json")
    assert run(*kept, "--folder", folder / "journal").exit_code == 0
    return folder


COMMANDS: dict[str, Callable[[Path, Path], tuple[list[object], list[str]]]] = {
    "mat": lambda i, o: (["mat", "--paper", "a4", "--output", o / "m.pdf"], ["m.pdf"]),
    "capture": lambda i, o: (["capture", SAMPLES / "rest_1.jpg", "--output", o / "r.json"], ["r.json"]),
    "fit": lambda i, o: (
        [
            "fit",
            i / "rest.json",
            "--plan",
            SAMPLES / "plan.toml",
            "--panel",
            SAMPLES / "panel.toml",
            "--output",
            o / "l.json",
        ],
        ["l.json"],
    ),
    "draw": lambda i, o: (
        ["draw", i / "layout.json", "--mat", "a3"]
        + [x for n in ("d.dxf", "d.svg", "d.csv", "d.pdf") for x in ("--output", o / n)],
        ["d.dxf", "d.svg", "d.csv", "d.pdf"],
    ),
    "sheet": lambda i, o: (["draw", i / "layout.json", "--sheet", "drill", "--output", o / "s.pdf"], ["s.pdf"]),
    "arrange": lambda i, o: (
        ["arrange", i / "rest.json", "--pattern", "arcs", "--force", "--output", o / "a.toml"],
        ["a.toml"],
    ),
    "adopt": lambda i, o: (
        [
            "adopt",
            i / "old.dxf",
            "--rest",
            i / "rest.json",
            "--force",
            "--output",
            o / "p.toml",
            "--panel",
            o / "q.toml",
        ],
        ["p.toml", "q.toml"],
    ),
    "advise": lambda i, o: (["advise", SAMPLES / "functions.toml", "--force", "--output", o / "f.toml"], ["f.toml"]),
    "compare": lambda i, o: (
        ["compare", i / "layout.json", i / "layout.json", "--output", o / "c.png"],
        ["c.png"],
    ),
    "changed": lambda i, o: (["changed", i / "rest.json", i / "later.json", "--output", o / "x.json"], ["x.json"]),
    "report": lambda i, o: (
        ["report", i / "rest.json", "--output", o / "w.html", "--output", o / "w.pdf"],
        ["w.html", "w.pdf"],
    ),
    "cohort": lambda i, o: (
        ["cohort", i / "rest.json", i / "later.json", "--output", o / "s.json", "--plot", o / "s.png"],
        ["s.json", "s.png"],
    ),
    "get": lambda i, o: (["journal", "get", "2", "--folder", i / "journal", "--output", o / "g.json"], ["g.json"]),
    "export": lambda i, o: (["journal", "export", "--folder", i / "journal", "--output", o / "e.zip"], ["e.zip"]),
}


class Witness:
    """Notes which function of the package each write of the process comes from, by the interpreter's own events."""

    def __init__(self) -> None:
        self.seen: set[str] | None = None
        sys.addaudithook(self._hear)

    def _hear(self, event: str, arguments: tuple[Any, ...]) -> None:
        if self.seen is None:
            return
        target = str(arguments[0]) if arguments else ""
        if event == "open":
            mode, flags = arguments[1], arguments[2]
            writes = set(mode) & set("wax+") if isinstance(mode, str) else flags & (os.O_WRONLY | os.O_RDWR)
        elif event == "sqlite3.connect":
            writes = "mode=ro" not in target
        else:
            writes = event in ("os.mkdir", "os.rename", "os.link", "os.symlink", "os.truncate", "shutil.copyfile")
        # What libraries keep for themselves: matplotlib's list of fonts, Python's compiled code.
        known = target == os.devnull or "matplotlib" in target or "__pycache__" in target
        if not writes or known or target.isdecimal():  # a number is a file that is open already
            return
        frame: Any = sys._getframe(1)
        while frame is not None:
            file = Path(frame.f_code.co_filename)
            if file.is_relative_to(PACKAGE) and not frame.f_code.co_name.startswith("<"):
                module = file.relative_to(PACKAGE).with_suffix("").as_posix()
                self.seen.add(f"{module}.{frame.f_code.co_name}")
                return
            frame = frame.f_back


WITNESS = Witness()


@pytest.mark.parametrize("command", [*COMMANDS, "journal", "demo", "serve", "batch"])
def test_nothing_else_writes(inputs: Path, tmp_path: Path, command: str) -> None:
    """What the list from the code may have missed, by a library's hand say: seen while the commands run."""
    WITNESS.seen = set()
    try:
        if command in COMMANDS:
            assert run(*COMMANDS[command](inputs, tmp_path)[0]).exit_code == 0
        elif command == "demo":
            assert run("demo", "--output", tmp_path / "out").exit_code == 0
        elif command == "batch":
            (tmp_path / "x.jpg").write_bytes(b"no photo")
            arguments = (tmp_path / "x.jpg", "--output", tmp_path / "t.csv", "--rests", tmp_path / "rests")
            assert run("batch", *arguments).exit_code == 3
        elif command == "journal":
            folder = ("--folder", tmp_path / "journal")
            for arguments in (
                ("init", tmp_path / "journal"),
                ("person", "add", "Mara", *folder),
                ("add", "--person", "Mara", SAMPLES / "rest_1.jpg", inputs / "rest.json", "--keep-photos", *folder),
                ("export", "--output", tmp_path / "all.zip", *folder),
                ("import", tmp_path / "all.zip", tmp_path / "again"),
                ("delete-person", "Mara", "--yes", *folder),
            ):
                assert run("journal", *arguments).exit_code == 0, arguments
            listed = json.loads(run("journal", "list", "--json", "--folder", tmp_path / "again").output)
            (item,) = [e for e in listed["people"][0]["sessions"][0]["items"] if e["kind"] == "rest"]
            assert run("--journal", tmp_path / "again", "posture", f"entry:{item['id']}").exit_code == 0
        else:
            from helpers_web import served

            with served(tmp_path / "journal") as client:
                assert client.get("/").status_code == 200
    finally:
        seen, WITNESS.seen = WITNESS.seen, None
    assert seen
    assert seen <= set(WRITERS), seen - set(WRITERS)


class Failing:
    """Lets the n-th call of a function of the system fail, as on a full or broken disk."""

    def __init__(self, patch: pytest.MonkeyPatch, module: Any, name: str, number: int) -> None:
        self.count, self.number, self.plain = 0, number, getattr(module, name)
        patch.setattr(module, name, self)

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        self.count += 1
        if self.count == self.number:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return self.plain(*arguments, **named)


@pytest.mark.parametrize("command", COMMANDS)
@pytest.mark.parametrize(
    ("module", "name"), [(os, "fsync"), (os, "replace"), (tempfile, "mkstemp")], ids=lambda x: str(x)[:9]
)
def test_every_failing_write_leaves_what_was_there(
    inputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, module: Any, name: str
) -> None:
    arguments, outputs = COMMANDS[command](inputs, tmp_path)
    for number in range(1, 20):
        for output in outputs:
            (tmp_path / output).write_text("kept")
        with monkeypatch.context() as patch:
            failing = Failing(patch, module, name, number)
            result = run(*arguments)
        if failing.count < number:
            break
        if result.exit_code == 0:
            # Only that the folder's own entry is on the disk could not be made sure of: the file is there, whole.
            assert name == "fsync"
            assert all((tmp_path / output).read_bytes() != b"kept" for output in outputs)
            continue
        assert result.exit_code == 2, result.output
        assert "Traceback" not in result.output
        told = result.stderr.strip().splitlines()[-1]
        assert re.match(r"handcapture: .+\.", told), result.output
        left = [output for output in outputs if (tmp_path / output).read_text(errors="replace") == "kept"]
        assert left, "the one that failed is as it was"
        assert sorted(path.name for path in tmp_path.iterdir()) == sorted(outputs), "nothing half-written stays"
    else:
        raise AssertionError("it never ended well")
    assert result.exit_code == 0, result.output
    assert number > len(outputs) or name != "replace", "each output is renamed into place"


FULL = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
from handcapture.cli import main
main(sys.argv[2:], prog_name="handcapture")
"""


@pytest.mark.parametrize("size", [0, 100, 4000])
@pytest.mark.parametrize("command", ["fit", "draw", "report", "export"])
def test_a_disk_that_fills_up(inputs: Path, tmp_path: Path, command: str, size: int) -> None:
    """No file may grow beyond so many bytes: writes fail half-way, as on a full disk."""
    arguments, outputs = COMMANDS[command](inputs, tmp_path)
    for output in outputs:
        (tmp_path / output).write_text("kept")
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(size), *map(str, arguments)],
        capture_output=True, text=True, env=environment, timeout=120,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert re.search(r"handcapture: .+\.", done.stderr)
    assert [(tmp_path / output).read_text(errors="replace") for output in outputs].count("kept") >= 1
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(outputs)


def test_a_folder_that_may_not_be_written(inputs: Path, tmp_path: Path) -> None:
    """As another user than root, whom no mode stops; as root, a file in the folder's place."""
    blocked = tmp_path / "blocked"
    if os.geteuid() == 0:
        blocked.write_text("no folder")
    else:
        blocked.mkdir(mode=0o500)
    for command in ("fit", "draw", "report", "export"):
        arguments, _ = COMMANDS[command](inputs, blocked)
        result = run(*arguments)
        assert result.exit_code == 2, (command, result.output)
        assert "Traceback" not in result.output


def test_a_clock_set_back_changes_nothing(inputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A session that is added after the clock went back by ten years is there, and nothing before it is touched."""
    before = run("journal", "list", "--folder", inputs / "journal", "--json").output
    import handcapture.journal.store as store

    class Back(store.datetime):  # type: ignore[name-defined,misc]
        @classmethod
        def now(cls, tz: Any = None) -> Any:
            return super().now(tz).replace(year=2016)

    monkeypatch.setattr(store, "datetime", Back)
    added = run("journal", "add", "--person", "Mara", inputs / "later.json", "--folder", inputs / "journal")
    assert added.exit_code == 0, added.output
    after = run("journal", "list", "--folder", inputs / "journal", "--json").output
    for line in before.splitlines():
        if '"sha256"' in line:
            assert line in after
