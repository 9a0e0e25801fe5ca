"""Writes that fail: at every one of them what stood there stays whole, and the program says so in a sentence."""

from __future__ import annotations

import ast
import errno
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
    "journal/archive._whole_or_not": "archives: here",
    "journal/archive.write_archive": "into the file of _whole_or_not",
    "journal/archive._document": "a file that is read and removed again",
    "journal/archive.read_archive": "a new folder, whole or not at all: test_journal_archive",
    "journal/database._back_up": "before a migration: test_journal_safety",
    "journal/database._overwrite": "overwrites what is deleted: test_journal_safety",
    "journal/database.create": "an empty database: here",
    "batch.measure": "a photo in a folder that is removed when it is read",
    "batch._appending": "the rows of a run: test_batch",
    "cli/kept.convert": "a file in a folder that is removed when the command ends",
    "web/app._store_upload": "a photo on its way in, removed once it is kept: test_web_flow",
}
"""Every function of the package that writes to the disk itself, and where its failure is tried."""


def _writes(node: ast.Call) -> bool:
    called = node.func
    name = called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", "")
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
    assert writers() == set(WRITERS)


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
    "get": lambda i, o: (["journal", "get", "2", "--folder", i / "journal", "--output", o / "g.json"], ["g.json"]),
    "export": lambda i, o: (["journal", "export", "--folder", i / "journal", "--output", o / "e.zip"], ["e.zip"]),
}


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
