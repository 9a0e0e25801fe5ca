"""Writes that fail: at every one of them what stood there stays whole, and the program says so in a sentence."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result
from helpers_journal import calls, check_photos, state, version_1, write_inputs
from helpers_layout import workshop_layout
from helpers_sessions import session, written
from helpers_writes import writers_in, writes

from handcapture import batch_record
from handcapture.batch import Settings, find_photos
from handcapture.batch import run as run_batch
from handcapture.cli import main
from handcapture.cli.common import NEW
from handcapture.drawings.dxf import layout_dxf
from handcapture.errors import HandcaptureError, OutputError
from handcapture.journal.store import open_journal
from handcapture.layout.document import write_layout

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "samples"
PACKAGE = ROOT / "handcapture"

WRITERS = {
    "documents.write_together": "renames every file that a command writes into place: here",
    "documents._filled": "fills it before: here",
    "documents.alone": "removes the empty file that is locked: test_batch, test_web_state",
    "documents._locked": "makes and locks it: test_documents",
    "journal/archive._whole_or_not": "archives: here, test_journal_archive",
    "journal/archive.write_archive": "into the file of _whole_or_not",
    "journal/archive._fill": "takes a copy out of a folder that is not there yet: here",
    "journal/archive._document": "a file that is read and removed again: here",
    "journal/archive.read_archive": "a new folder, whole or not at all: here, test_journal_archive",
    "journal/database.Database._back_up": "before a migration: here, test_journal_safety",
    "journal/database.Database._clear": "folders that are left empty: test_journal_safety",
    "journal/database.Database._remove": "removes what is deleted: here, test_journal_safety",
    "journal/database._overwrite": "overwrites it before: here, test_journal_safety",
    "journal/database.create": "an empty database: here",
    "journal/database._engine": "the database, by transactions of SQLite: test_journal_safety kills each",
    "journal/database._engine.connect": "the same",
    "batch._run": "removes the rows of a run that is done: here",
    "batch_record.appending": "the rows of a run: here, test_batch",
    "cli/common.Group.invoke": "the system's empty device, where an output is closed: test_nothing_lost",
    "cli/common.without_native_chatter": "standard error under another number, no file",
    "cli/kept.FileOrEntry.convert": "a file in a folder that is removed when the command ends: here",
    "cli/kept._folder_for_a_while": "that folder: here",
    "cli/draw._check_folders": "a nameless file, whether the folder can be written",
    "doctor._room": "the same: test_doctor",
    "doctor._not_imported": "a process that imports packages, and writes nothing: test_doctor",
    "heif.decode_heif": "a process that decodes a picture between two pipes: test_photo",
    "web/access.Access._write": "takes rights from a file of write_atomically",
    "web/app.Page.upload": "removes as much of it as a full disk took: test_web_flow",
    "web/app._store_upload": "a photo on its way in, removed once it is kept: test_web_flow",
    "web/jobs.Jobs.take_in": "removes that photo: test_web_flow",
    "web/pages.keep_revision": "a layout on its way into the journal, in a folder that is removed",
    "web/pages.check_text": "removes a check that is of no use any more: test_web_checks",
    # Folders that are made where they are missing, or removed:
    "batch._run.keep": "for rests: here, test_batch",
    "cli/common.make_folder": "for overlays and rests: here",
    "demo.run_demo": "for the demo: here",
    "journal/database.Database.make_photos_folder": "for photos: here",
    "web/app.Page.__init__": "for uploads: here",
    "web/server._alone": "the page's own: here",
    "web/state.Store.__init__": "the page's own: here",
    "web/state.Store.create": "of a session: here",
    "web/state.Store.keep_only": "of sessions that are deleted: test_web_state",
}
"""Every function of the package that writes to the disk itself, or removes from it, and where its failure is tried."""

BY_LIBRARIES = {
    "hands/landmarks.HandNetwork.__init__": "empty files of Python's own, which the networks' library has made to find "
    "C's library",
}
"""What writes by the hand of a library that is given nothing to write."""


def test_every_place_that_writes_is_known() -> None:
    """Read from the code: a new place that writes must come with a test of its failure, and be named here."""
    found = writers_in(PACKAGE)
    assert {place: told for place, told in found.items() if place not in WRITERS} == {}
    assert set(WRITERS) - set(found) == set(), "no longer there"
    for told in WRITERS.values():
        for name in re.findall(r"test_\w+", told):
            assert (ROOT / "tests" / f"{name}.py").is_file()


@pytest.mark.parametrize(
    "code",
    [
        *("path.replace(x)", "path.rename(x)", "path.unlink()", "path.touch()", "path.mkdir()", "path.chmod(0o600)"),
        *("path.open('w')", "path.open(mode='w', encoding='u')", "path.open('r+b')", "path.open(how)"),
        *("open(p, 'wt')", "open(p, 'xt')", "open(p, mode)", "open(p, mode=how)", "io.open(p, 'w')"),
        *("open(p, 'wb' if new else 'ab')", "path.write_text(x)", "path.write_bytes(x)", "path.symlink_to(x)"),
        *("os.open(p, flags)", "os.open(p, os.O_WRONLY)", "os.open(p, os.O_RDONLY | os.O_CREAT)", "os.fdopen(h, 'wb')"),
        *("os.truncate(p, 0)", "os.link(a, b)", "os.symlink(a, b)", "os.renames(a, b)", "os.write(h, x)"),
        *("os.remove(p)", "os.rmdir(p)", "os.makedirs(p)", "os.replace(a, b)", "os.rename(a, b)", "os.mkdir(p)"),
        *("shutil.copy(a, b)", "shutil.move(a, b)", "shutil.rmtree(p)", "shutil.copyfileobj(a, b)"),
        *("tempfile.NamedTemporaryFile(dir=f)", "tempfile.TemporaryDirectory()", "tempfile.mkstemp()"),
        *("figure.savefig(path)", "doc.saveas(path)", "table.to_csv(path)", "parquet.write_table(t, path)"),
        *("picture.save(path)", "cv2.imwrite(p, x)", "canvas.save()", "np.save(p, a)", "json.dump(x, f)"),
        *("a.tofile(p)", "tree.write(p)", "writer = PdfWriter(); writer.write(p)", "PdfPages(p).savefig()"),
        *("sqlite3.connect(p)", "create_engine(u)", "gzip.open(p, 'wb')", "ZipFile(p, 'a')", "archive.extractall(p)"),
        *("zipfile.ZipFile(p, mode='x')", "subprocess.run(x)", "os.system(x)", "copy2(a, b)", "Canvas(path)"),
        *("for p in map(os.unlink, paths): pass", "once = functools.partial(shutil.rmtree, folder)"),
        *("x = lambda: path.unlink()", "def f(x=os.mkdir('a')): pass", "@atexit.register(os.remove, p)\ndef f(): pass"),
    ],
)
def test_what_the_reader_of_the_code_sees(code: str) -> None:
    known = (
        "import cv2, functools, gzip, io, json, os, shutil, sqlite3, subprocess, tempfile, zipfile\n"
        "import numpy as np\nfrom zipfile import ZipFile\nfrom shutil import copy2\n"
        "from sqlalchemy import create_engine\n"
        "from matplotlib.backends.backend_pdf import PdfPages\nfrom reportlab.pdfgen.canvas import Canvas\n"
        "from pypdf import PdfWriter\nimport atexit\n"
    )
    assert [where for where, _, _ in writes(known + code)][:1] == ["<module>"]
    inside = "\n".join(f"        {line}" for line in code.splitlines())
    assert writes(f"{known}class A:\n    async def f(self):\n{inside}")[0][0] == "A.f"


@pytest.mark.parametrize(
    "code",
    [
        *("text.replace('a', 'b')", "replace(record, a=1)", "day.replace(tzinfo=None)", "open(p)", "open(p, 'rb')"),
        *("path.open()", "path.open('rb')", "os.open(p, os.O_RDONLY)", "os.open(os.devnull, os.O_WRONLY)"),
        *("from PIL import Image\nImage.open(file)", "zipfile.ZipFile(p)", "words.remove('a')", "sys.stdout.write(x)"),
        *("out = io.BytesIO()\nfigure.savefig(out)", "a, b = io.BytesIO(), io.StringIO()\ndoc.write(b)"),
        *("out = io.BytesIO()\ncanvas = Canvas(out)\ncanvas.save()", "with zipfile.ZipFile(p) as z:\n    z.read('a')"),
        *("zipfile.ZipFile(io.BytesIO(), 'w')", "with open(p, 'rb') as f:\n    f.read()"),
    ],
)
def test_what_the_reader_of_the_code_passes_over(code: str) -> None:
    assert writes(f"import io, os, sys, zipfile\nfrom reportlab.pdfgen.canvas import Canvas\n{code}") == []


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert "result could not be printed" not in result.output, "that is said of a full disk that nobody expected"
    return result


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Everything that the commands start from (invented, or the samples)."""
    folder = tmp_path_factory.mktemp("inputs")
    written(folder, "rest.json", session(1, 4))
    written(folder, "later.json", session(2, 4))
    write_layout(folder / "layout.json", workshop_layout())
    (folder / "old.dxf").write_bytes(layout_dxf(workshop_layout()))
    (folder / "none.jpg").write_bytes(b"no photo")
    assert run("journal", "init", folder / "journal").exit_code == 0
    assert run("journal", "person", "add", "Mara", "--folder", folder / "journal").exit_code == 0
    kept = ("journal", "add", "--person", "Mara", folder / "rest.json", folder / "layout.json")
    assert run(*kept, "--folder", folder / "journal").exit_code == 0
    return folder


KEPT = "kept by handcapture"
"""What stands where a command writes to, of its own making: anything else it does not replace."""
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
    "get": lambda i, o: (
        ["journal", "get", "2", "--force", "--folder", i / "journal", "--output", o / "g.json"],
        ["g.json"],
    ),
    "export": lambda i, o: (
        ["journal", "export", "--force", "--folder", i / "journal", "--output", o / "e.zip"],
        ["e.zip"],
    ),
    "check": lambda i, o: (
        [
            *("check", SAMPLES / "try_layout.json", SAMPLES / "try_1.jpg", "--plan", SAMPLES / "try_plan.toml"),
            *("--update", o / "n.toml", "--force", "--output", o / "k.json"),
        ],
        ["n.toml", "k.json"],
    ),
}


OTHER_COMMANDS = ("journal", "demo", "serve", "batch", "overlays", "layouts")
"""What writes folders, each tried in its own way below."""


def test_every_command_that_names_an_output_is_tried() -> None:
    """Read from the commands' own options: a new one must be entered above."""

    def below(group: click.Group, name: str = "") -> Iterator[tuple[str, click.Command]]:
        for word, command in group.commands.items():
            if isinstance(command, click.Group):
                yield from below(command, f"{name}{word} ")
            else:
                yield name + word, command

    writing = {
        (name, parameter.opts[0])
        for name, command in below(main)
        for parameter in command.params
        if parameter.type is NEW
    }
    assert len(writing) > 15
    tried = {(words[0], option) for words in WORDS.values() for option in words if option.startswith("--")}
    tried |= {(f"{words[0]} {words[1]}", option) for words in WORDS.values() for option in words[2:]}
    tried |= {("demo", "--output"), ("batch", "--output"), ("batch", "--rests"), ("check", "--overlay")}
    tried |= {("capture", "--overlay"), ("cohort", "--layouts")}
    assert writing <= tried


WORDS = {name: [str(word) for word in make(Path("i"), Path("o"))[0]] for name, make in COMMANDS.items()}


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
            writes = event in EVENTS
        # What libraries keep for themselves: matplotlib's list of fonts, Python's compiled code.
        known = target == os.devnull or "matplotlib" in target or "__pycache__" in target
        if not writes or known or target.isdecimal():  # a number is a file that is open already
            return
        frame: Any = sys._getframe(1)
        while frame is not None:
            file = Path(frame.f_code.co_filename)
            if file.is_relative_to(PACKAGE) and not frame.f_code.co_name.startswith("<"):
                module = file.relative_to(PACKAGE).with_suffix("").as_posix()
                self.seen.add(f"{module}.{frame.f_code.co_qualname.replace('.<locals>', '')}")
                return
            frame = frame.f_back
        self.seen.add(f"nobody of the package: {event} {target}")


EVENTS = {
    *("os.mkdir", "os.rename", "os.link", "os.symlink", "os.truncate", "os.remove", "os.rmdir", "os.chmod", "os.mknod"),
    *("shutil.copyfile", "shutil.move", "shutil.rmtree", "tempfile.mkstemp", "tempfile.mkdtemp", "os.system"),
    *("subprocess.Popen", "os.posix_spawn"),
}
"""Of Python's table of audit events: what changes a file or a folder, or starts what may."""
WITNESS = Witness()


@pytest.mark.parametrize("command", [*COMMANDS, *OTHER_COMMANDS])
def test_nothing_else_writes(inputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str) -> None:
    """What the list from the code may have missed, by a library's hand say: seen while the commands run.

    And whatever it was that wrote, native code as well: only what was asked for stays, nothing in the home folder, in
    the folder of temporary files or where the command was given.
    """
    import matplotlib.font_manager  # noqa: F401 - it keeps its list of the machine's fonts in the home folder

    home, temporary, here, out = (tmp_path / name for name in ("home", "temporary", "here", "out"))
    for folder in (home, temporary, here, out):
        folder.mkdir()
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("TMPDIR", str(temporary))
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    monkeypatch.chdir(here)
    WITNESS.seen = set()
    try:
        wanted = _witnessed(inputs, out, command)
    finally:
        seen, WITNESS.seen = WITNESS.seen, None
    assert seen
    assert seen <= set(WRITERS) | set(BY_LIBRARIES), seen - set(WRITERS)
    assert sorted(path.name for path in out.iterdir()) == sorted(wanted)
    assert [path for folder in (home, temporary, here) for path in folder.rglob("*")] == []


def _witnessed(inputs: Path, out: Path, command: str) -> list[str]:
    """Run a command and return what it should have left in the folder `out`."""
    if command in COMMANDS:
        arguments, outputs = COMMANDS[command](inputs, out)
        done = run(*arguments)
        assert done.exit_code == 0, done.output
        return outputs
    if command == "demo":
        assert run("demo", "--output", out / "demo").exit_code == 0
        return ["demo"]
    if command == "overlays":
        assert run("capture", SAMPLES / "rest_1.jpg", "--output", out / "r.json", "--overlay", out / "a").exit_code == 0
        checked = ("check", SAMPLES / "try_layout.json", SAMPLES / "try_1.jpg")
        assert run(*checked, "--overlay", out / "b").exit_code == 0
        return ["r.json", "a", "b"]
    if command == "layouts":
        plan = ("--plan", SAMPLES / "plan.toml", "--panel", SAMPLES / "panel.toml", "--layouts", out / "sizes")
        done = run("cohort", inputs / "rest.json", inputs / "later.json", *plan)
        assert done.exit_code == 0, done.output
        return ["sizes"]
    if command == "batch":
        arguments = [inputs / "none.jpg", "--output", out / "t.csv", "--rests", out / "rests"]
        assert run("batch", *arguments).exit_code == 3
        return ["t.csv", "rests"]
    if command == "journal":
        folder = ("--folder", out / "journal")
        for words in (
            ("init", out / "journal"),
            ("person", "add", "Mara", *folder),
            ("add", "--person", "Mara", SAMPLES / "rest_1.jpg", inputs / "rest.json", "--keep-photos", *folder),
            ("export", "--output", out / "all.zip", *folder),
            ("import", out / "all.zip", out / "again"),
            ("delete-person", "Mara", "--yes", *folder),
        ):
            assert run("journal", *words).exit_code == 0, words
        listed = json.loads(run("journal", "list", "--json", "--folder", out / "again").output)
        (item,) = [e for e in listed["people"][0]["sessions"][0]["items"] if e["kind"] == "rest"]
        assert run("--journal", out / "again", "posture", f"entry:{item['id']}").exit_code == 0
        return ["journal", "all.zip", "again"]
    from helpers_web import served

    with served(out / "journal") as client:
        assert client.get("/").status_code == 200
    return ["journal"]


class Failing:
    """Lets the n-th call of a function of the system fail, as on a full or broken disk."""

    def __init__(self, patch: pytest.MonkeyPatch, module: Any, name: str, number: int) -> None:
        self.count, self.number, self.plain = 0, number, getattr(module, name)
        patch.setattr(module, name, self)

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        self.due(*arguments)
        return self.plain(*arguments, **named)

    def due(self, *arguments: Any) -> None:
        self.count += 1
        if self.count == self.number:
            self.failed_at = arguments
            # As the system has it: with the name where one was given, without where a file was open already.
            names = [str(name) for name in arguments[:1] if isinstance(name, str | os.PathLike)]
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), *names)


class FailingFile(Failing):
    """Lets the n-th `write` (half of it is then written) or `close` of files from os.fdopen fail."""

    def __init__(self, patch: pytest.MonkeyPatch, what: str, number: int) -> None:
        super().__init__(patch, os, "fdopen", number)
        self.what = what

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        outer, file = self, self.plain(*arguments, **named)
        if not file.writable():
            return file

        class Broken:
            def __enter__(self) -> Any:
                return self

            def __exit__(self, *_: object) -> None:
                self.close()

            def __getattr__(self, name: str) -> Any:
                return getattr(file, name)

            def write(self, data: Any) -> Any:
                if outer.what == "write":
                    file.write(data[: len(data) // 2])
                    outer.due()
                    return file.write(data[len(data) // 2 :])
                return file.write(data)

            def close(self) -> None:
                file.close()
                if outer.what == "close":
                    outer.due()

        return Broken()


def failing(patch: pytest.MonkeyPatch, what: str, number: int) -> Failing:
    """Let the n-th of some deed fail; `what` is "write", "close" or a function of os or tempfile."""
    if what in ("write", "close"):
        return FailingFile(patch, what, number)
    return Failing(patch, tempfile if what == "mkstemp" else os, what, number)


QUICK = ("mat", "fit", "sheet", "arrange", "adopt", "advise", "changed", "get", "export")
DEEDS = ("fsync", "replace", "mkstemp", "fdopen", "write", "close")
TRIED = [(command, deed) for command in COMMANDS for deed in DEEDS if command in QUICK or deed == "replace"]
"""All commands write by the same function, as the list above shows; slow ones show that they do so for each file."""


@pytest.mark.parametrize(("command", "deed"), TRIED)
def test_every_failing_write_leaves_what_was_there(
    inputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, deed: str
) -> None:
    arguments, outputs = COMMANDS[command](inputs, tmp_path)
    for number in range(1, 20):
        for output in outputs:
            (tmp_path / output).write_text(KEPT)
        with monkeypatch.context() as patch:
            broken = failing(patch, deed, number)
            result = run(*arguments)
        if broken.count < number:
            break
        if result.exit_code == 0:
            # Only that the folder's own entry is on the disk could not be made sure of: the file is there, whole.
            assert deed == "fsync"
            assert all((tmp_path / output).read_bytes() != KEPT.encode() for output in outputs)
            continue
        assert result.exit_code == 2, result.output
        assert "Traceback" not in result.output
        told = result.stderr.strip().splitlines()[-1]
        assert re.match(r"handcapture: .+\.", told), result.output
        left = [output for output in outputs if (tmp_path / output).read_text(errors="replace") == KEPT]
        assert left, "the one that failed is as it was"
        assert deed == "replace" or left == outputs, "and so are those that go with it"
        assert sorted(path.name for path in tmp_path.iterdir()) == sorted(outputs), "nothing half-written stays"
    else:
        raise AssertionError("it never ended well")
    assert result.exit_code == 0, result.output
    assert number > len(outputs) or deed not in ("replace", "write") or command == "export", (
        "each output is written, and renamed into place"
    )


@pytest.mark.parametrize("deed", ["write", "replace"])
def test_a_disk_that_cannot_be_cleared_either(
    inputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deed: str
) -> None:
    """The half-written file cannot be removed: what was there is whole, the reason told is the first one."""
    arguments, (output,) = COMMANDS["changed"](inputs, tmp_path)
    (tmp_path / output).write_text(KEPT)
    with monkeypatch.context() as patch:
        failing(patch, deed, 1)
        failing(patch, "unlink", 1)
        result = run(*arguments)
    assert result.exit_code == 2
    assert f"{output} could not be written: No space left on device." in result.output
    assert (tmp_path / output).read_text() == KEPT
    (left,) = [path for path in tmp_path.iterdir() if path.name != output]
    assert left.match(f".{output}.*.part")
    assert run(*arguments).exit_code == 0


def making_folders(inputs: Path, out: Path) -> dict[str, list[object]]:
    plan = ("--plan", SAMPLES / "plan.toml", "--panel", SAMPLES / "panel.toml")
    return {
        "demo": ["demo", "--output", out / "demo"],
        "overlay": ["capture", SAMPLES / "rest_1.jpg", "--output", out / "r.json", "--overlay", out / "seen"],
        "layouts": ["cohort", inputs / "rest.json", inputs / "later.json", *plan, "--layouts", out / "sizes"],
        "rests": ["batch", inputs / "none.jpg", "--output", out / "t.csv", "--rests", out / "rests"],
        "journal": ["journal", "init", out / "journal"],
        "photos": ["journal", "add", "--person", "Mara", SAMPLES / "rest_1.jpg", "--keep-photos"],
        "entry": ["--journal", inputs / "journal", "posture", "entry:2"],
        "page": ["serve", "--folder", out / "page", "--no-open"],
    }


@pytest.mark.parametrize("command", making_folders(Path(), Path()))
def test_folders_that_cannot_be_made(
    inputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    """One after the other: a sentence, and nothing that was there is touched; the page is not begun."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    arguments = making_folders(inputs, tmp_path)[command]
    if command == "photos":
        assert run("journal", "init", tmp_path / "journal").exit_code == 0
        assert run("journal", "person", "add", "Mara", "--folder", tmp_path / "journal").exit_code == 0
        arguments += ["--folder", tmp_path / "journal"]
        (tmp_path / "journal" / "photos").rmdir()
    if command == "page":
        import uvicorn

        monkeypatch.setattr(uvicorn.Server, "run", lambda *_, **__: None)
    for number in range(1, 10):
        with monkeypatch.context() as patch:
            broken = failing(patch, "mkdir", number)
            result = run(*arguments)
        if broken.count < number:
            break
        if result.exit_code == 0:
            assert Path(broken.failed_at[0]).is_dir(), "only what is there already need not be made"
            continue
        assert result.exit_code == 2, (number, result.output)
        assert "Traceback" not in result.output
        assert re.match(r"handcapture: .+\.", result.stderr.strip().splitlines()[-1]), result.output
        assert not list(tmp_path.glob("*.part*"))
        if command == "photos":
            listed = json.loads(run("journal", "list", "--json", "--folder", tmp_path / "journal").output)
            assert listed["people"][0]["sessions"] == []
    assert number > 1, "no folder is made"
    assert result.exit_code == (3 if command == "rests" else 0), result.output


@pytest.mark.parametrize("deed", ["mkdir", "open", "fdopen", "fsync", "replace", "unlink", "rmdir", "write", "close"])
def test_a_journal_whose_disk_fails_at_any_deed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deed: str) -> None:
    """Writes of every kind; at the first, second ... deed the disk fails: a named error, and all or nothing was done.

    What could not be removed at once is gone after the next opening. At most twelve places a deed.
    """
    kinds = write_inputs(tmp_path)

    def written(folder: Path, number: int) -> tuple[int, list[list[dict[str, Any]]], Exception | None]:
        """Return how many failing deeds there were, the states, and what the one that failed raised."""
        (tmp_path / "out.json").unlink(missing_ok=True)
        states: list[list[dict[str, Any]]] = []
        with monkeypatch.context() as patch:
            broken = failing(patch, deed, number)
            try:
                with open_journal(folder, create=True) as journal:
                    states.append(state(journal))
                    for call in calls(kinds, tmp_path / "out.json"):
                        call(journal)
                        states.append(state(journal))
            except HandcaptureError as error:
                return broken.count, states, error
        return broken.count, states, None

    count, whole, error = written(tmp_path / "whole", 0)
    assert error is None
    told = 0
    for number in sorted({1 + round(k * (count - 1) / 11) for k in range(12)} if count else ()):
        folder = tmp_path / str(number)
        _, states, error = written(folder, number)
        assert states == whole[: len(states)]
        told += error is not None
        if error is not None:
            assert str(error).endswith(".")
        with open_journal(folder, create=True) as journal:
            now = state(journal)
            if (folder / "photos").is_dir():
                check_photos(journal)
        # A deletion that was done, but whose traces could not be removed, is told as an error as well.
        assert now in ([[], *whole][len(states) : len(states) + 2] if error else [whole[-1]])
        assert not [path for path in folder.rglob("*") if ".part" in path.name]
    assert told or deed in ("rmdir", "close") or not count


def test_an_archive_is_read_whole_or_not_at_all_whatever_fails(
    inputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each deed fails in turn: no folder, or a whole one; what is left beside it goes when it is read again."""
    assert run("journal", "export", "--folder", inputs / "journal", "--output", tmp_path / "e.zip").exit_code == 0
    wanted = run("journal", "list", "--json", "--folder", inputs / "journal").output
    for deed in ("mkdir", "replace", "unlink", "rmdir", "fsync", "write", "open"):
        for number in range(1, 60):
            target = tmp_path / "read"
            with monkeypatch.context() as patch:
                broken = failing(patch, deed, number)
                result = run("journal", "import", tmp_path / "e.zip", target)
            if target.is_dir():  # also where only that the folder knows of it could not be made sure of
                listed = json.loads(run("journal", "list", "--json", "--folder", target).output)
                assert listed["people"] == json.loads(wanted)["people"]
                shutil.rmtree(target)
            else:
                assert result.exit_code == 2, (deed, number, result.output)
                assert "Traceback" not in result.output
                if deed not in ("open", "unlink", "rmdir"):  # those are what removing needs
                    assert [path.name for path in tmp_path.iterdir()] == ["e.zip"], (deed, number)
            if broken.count < number:
                break
        else:
            raise AssertionError("it never ended well")
        assert [path.name for path in tmp_path.iterdir()] == ["e.zip"], (deed, number)


@pytest.mark.parametrize("deed", ["open", "replace", "unlink", "fsync"])
def test_a_migration_whose_copy_fails_leaves_the_older_journal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deed: str
) -> None:
    for number in range(1, 12):
        folder = tmp_path / str(number)
        version_1(folder)
        with monkeypatch.context() as patch:
            broken = failing(patch, deed, number)
            result = run("journal", "list", "--folder", folder)
        assert result.exit_code in (0, 2)
        assert "Traceback" not in result.output
        again = run("journal", "list", "--folder", folder)
        assert again.exit_code == 0, again.output
        assert "Ida" in again.output
        assert not list(folder.glob("*.part"))
        if broken.count < number:
            return
    raise AssertionError("it never ended well")


@pytest.mark.parametrize("deed", ["replace", "unlink", "fdopen", "write"])
def test_a_table_of_photos_whose_disk_fails(
    inputs: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deed: str
) -> None:
    """The old table stays, or the new one is there; what was measured is known to the next call."""
    photos = find_photos([inputs / "none.jpg"])
    for number in range(1, 6):
        out = tmp_path / str(number)
        out.mkdir()
        columns = ",".join(batch_record.columns())
        (out / "t.csv").write_text(f"{columns}\n")
        with monkeypatch.context() as patch:
            broken = failing(patch, deed, number)
            failed: OutputError | None = None
            try:
                run_batch(photos, out / "t.csv", Settings(), 1, work=no_work)
            except OutputError as error:
                failed = error
        if failed is not None:
            assert (out / "t.csv").read_text() == f"{columns}\n"
            assert run_batch(photos, out / "t.csv", Settings(), 1, work=no_work).known == 1
        assert (out / "t.csv").read_text().count("\n") == 2
        left = {path.name for path in out.iterdir()} - {"t.csv"}
        # Rows of a run that is done, or its lock: the next run takes them up.
        assert left <= ({"t.csv.part.jsonl", "t.csv.part.lock"} if deed == "unlink" else set())
        if left:
            run_batch(photos, out / "t.csv", Settings(), 1, work=no_work)
            assert [path.name for path in out.iterdir()] == ["t.csv"]
        if broken.count < number:
            return
    raise AssertionError("it never ended well")


def no_work(data: bytes, name: str, settings: Settings) -> tuple[batch_record.Row, bytes | None]:
    """Measure nothing, in a worker that imports this file."""
    return {"photo": name, "sha256": hashlib.sha256(data).hexdigest(), "status": "failed", "reason": "none"}, None


KILLED = """
import os, signal, sys
deed, number = sys.argv[1], int(sys.argv[2])
def kill(*_, **__):
    global number
    number -= 1
    if number == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return plain(*_, **__)
if deed == "replace":
    plain, os.replace = os.replace, kill
else:  # half of the bytes are on the disk
    made = os.fdopen
    class Half:
        def __init__(self, file): self.file = file
        def __enter__(self): return self
        def __exit__(self, *_): self.file.close()
        def __getattr__(self, name): return getattr(self.file, name)
        def write(self, data):
            global number
            number -= 1
            if number == 0:
                self.file.write(data[: len(data) // 2])
                self.file.flush()
                os.kill(os.getpid(), signal.SIGKILL)
            return self.file.write(data)
    os.fdopen = lambda *a, **k: Half(made(*a, **k))
from handcapture.cli import main
main(sys.argv[3:], prog_name="handcapture")
"""


def killed(deed: str, number: int, *arguments: object) -> None:
    """Run a command that is killed in the middle of its n-th write, or just before the file gets its name."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", KILLED, deed, str(number), *map(str, arguments)],
        capture_output=True, text=True, env=environment, timeout=120,
    )  # fmt: skip
    assert done.returncode == -signal.SIGKILL, done.stderr


@pytest.mark.parametrize("deed", ["write", "replace"])
def test_what_a_killed_run_left_does_not_disturb_the_next(inputs: Path, tmp_path: Path, deed: str) -> None:
    """What was there is whole. The broken-off file stays beside it, hidden and never read, until its owner removes it.

    That is on purpose: another run may be writing the same output at this moment, and nothing tells its file from that
    of one that was killed. In the journal's folders, where nothing else may write, and beside a journal that is read
    from an archive, such files are removed (below, and test_journal_archive): they may hold photographs.
    """
    arguments, (output,) = COMMANDS["changed"](inputs, tmp_path)
    (tmp_path / output).write_text(KEPT)
    killed(deed, 1, *arguments)
    assert (tmp_path / output).read_text() == KEPT
    (left,) = [path for path in tmp_path.iterdir() if path.name != output]
    assert left.match(f".{output}.*.part")
    before = left.read_bytes()
    assert run(*arguments).exit_code == 0
    json.loads((tmp_path / output).read_text())
    assert left.read_bytes() == before
    # Folders of rests and of photos are read as if it were not there.
    people = tmp_path / "people"
    (people / "Mara").mkdir(parents=True)
    shutil.copy(inputs / "rest.json", people / "Mara" / "one.json")
    shutil.copy(inputs / "later.json", people / "Ida.json")
    plain = run("cohort", people, "--json")
    assert plain.exit_code == 0, plain.output
    shutil.copy(left, people / "Mara" / ".one.json.abc.part")
    shutil.copy(left, people / ".Ida.json.abc.part")
    assert run("cohort", people, "--json").output == plain.output
    shutil.copy(inputs / "none.jpg", people / ".a.jpg.abc.part")
    shutil.copy(inputs / "none.jpg", people / "a.jpg")
    assert [photo.name for photo in find_photos([people])] == ["a.jpg"]


@pytest.mark.parametrize("deed", ["write", "replace"])
def test_what_a_killed_run_left_in_a_journal_goes(inputs: Path, tmp_path: Path, deed: str) -> None:
    """Half of a photograph of hands: gone when the journal is opened next; what the page had of a session with it."""
    from helpers_web import begin, served

    folder = tmp_path / "journal"
    with served(folder) as client:
        number = begin(client, "Mara")
    add = ("journal", "add", "--person", "Mara", SAMPLES / "rest_1.jpg", "--keep-photos", "--folder", folder)
    killed(deed, 1, *add)
    (left,) = (folder / "photos").iterdir()
    assert left.match(".*.jpg.*.part")
    assert left.stat().st_size > 1000
    assert run("journal", "list", "--folder", folder).exit_code == 0
    assert list((folder / "photos").iterdir()) == []
    assert run(*add).exit_code == 0
    broken_off = folder / "page" / str(number) / ".1.jpg.abc.part"
    broken_off.write_bytes(b"half of a picture")
    with served(folder) as client:  # a session that is in use is left alone
        assert client.get(f"/s/{number}/photos").status_code == 200
    assert run("journal", "delete-person", "Mara", "--yes", "--folder", folder).exit_code == 0
    assert not broken_off.exists()
    assert list((folder / "photos").iterdir()) == []


FULL = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
from handcapture.cli import main
from handcapture.cli.common import NEW
main(sys.argv[2:], prog_name="handcapture")
"""


@pytest.mark.parametrize(
    ("command", "size"),
    [*((c, s) for c in ("fit", "export", "changed") for s in (0, 100, 4000)), ("draw", 4000), ("report", 4000)],
)
def test_a_disk_that_fills_up(inputs: Path, tmp_path: Path, command: str, size: int) -> None:
    """No file may grow beyond so many bytes: writes fail half-way, as on a full disk."""
    arguments, outputs = COMMANDS[command](inputs, tmp_path)
    for output in outputs:
        (tmp_path / output).write_text(KEPT)
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(size), *map(str, arguments)],
        capture_output=True, text=True, env=environment, timeout=120,
    )  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    assert re.search(r"handcapture: .+\.", done.stderr)
    assert all((tmp_path / output).read_text(errors="replace") == KEPT for output in outputs)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(outputs)


def test_a_folder_that_may_not_be_written(inputs: Path, tmp_path: Path) -> None:
    """As another user than root, whom no mode stops; as root, a file in the folder's place."""
    blocked = tmp_path / "blocked"
    if os.geteuid() == 0:
        blocked.write_text("no folder")
    else:
        blocked.mkdir(mode=0o500)
    tried = {command: COMMANDS[command](inputs, blocked)[0] for command in ("fit", "draw", "report", "export")}
    tried["batch"] = ["batch", inputs / "none.jpg", "--output", blocked / "t.csv"]
    tried["init"] = ["journal", "init", blocked / "journal"]
    tried["demo"] = ["demo", "--output", blocked / "demo"]
    for command, arguments in tried.items():
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
