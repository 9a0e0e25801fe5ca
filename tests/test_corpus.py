"""Broken files: those that once were trouble, and some new ones for every reader (calibration/fuzz.py has hours)."""

from __future__ import annotations

import ctypes
import faulthandler
import hashlib
import io
import json
import logging
import os
import random
import shutil
import signal
import struct
import time
import tomllib
import zipfile
from collections.abc import Callable, Iterator
from email.parser import BytesParser
from pathlib import Path
from xml.dom import minidom
from xml.parsers.expat import ExpatError

import helpers_calibration  # noqa: F401
import pytest
from ezdxf.lldxf.const import DXFError
from ezdxf.lldxf.tagger import binary_tags_loader
from fuzz import CORPUS, Share, attempt, in_child, keep, outcome, readers, spoiled
from fuzz_shapes import reshaped

from handcapture.errors import InputError

READERS = readers()
FILES = {"use-photo": 5, "photo": 40, "dxf": 40, "dxf-binary": 30, "archive": 40, "incoming": 30, "cohort": 30}
"""How many broken files each reader gets here; the commands ("use-...") 20, the others 120."""
OPEN: dict[str, str] = {}
"""Files of the corpus that are trouble still, and what happens: to be emptied, never to be lived with."""


@pytest.fixture(autouse=True)
def quiet() -> Iterator[None]:
    """What ezdxf logs of broken files has signs that pytest's workers cannot pass on."""
    logging.disable()
    yield
    logging.disable(logging.NOTSET)


@pytest.mark.parametrize("name", READERS)
def test_good_files_are_read(tmp_path: Path, name: str) -> None:
    """What the broken ones are made from: else all of this would test little."""
    ending, reader, good = READERS[name]
    refused = 0
    for number, data in enumerate(good):
        path = tmp_path / f"{number}.{ending}"
        path.write_bytes(data)
        if name in ("http", "use-photo"):  # a wrong token is refused, and a photo that is not the right one for all
            found = outcome(reader, path)
            assert found.told is None
            refused += not found.read
        else:
            reader(path)
    assert refused <= len(good) / 2


@pytest.mark.parametrize("name", READERS)
def test_broken_files_are_read_or_refused_by_name(tmp_path: Path, name: str) -> None:
    ending, reader, good = READERS[name]
    rng = random.Random(7)
    path = tmp_path / f"x.{ending}"
    count = FILES.get(name, 20 if name.startswith("use-") else 120)
    read = 0
    for number in range(count):
        path.write_bytes(spoiled(name, rng.choice(good), rng))
        found = outcome(reader, path)
        assert found.told is None, (number, found.told)
        read += found.read
    # Neither all are refused at the door nor is nothing broken.
    assert 0 < read < count


def test_what_once_was_trouble_is_none() -> None:
    """Each file is read in a child, since some have killed the process that read them."""
    kept = sorted(CORPUS.glob("*"))
    assert kept
    for path in kept:
        reader = READERS[path.name.split("_")[0]][1]

        def work(
            file: Path, tell: Callable[[Share], None], path: Path = path, reader: Callable[[Path], object] = reader
        ) -> None:
            faulthandler.disable()  # pytest's, which would fill the screen
            shutil.copy(path, file)
            share = Share()
            share.add(outcome(reader, file), b"")
            tell(share)

        found = in_child(work, path.suffix[1:], 120.0)
        told = [told for _, told in found.failed]
        assert told == ([OPEN[path.name]] if path.name in OPEN else []), path.name
        assert found.files == 1 or path.name in OPEN


@pytest.mark.parametrize("name", ["rest", "plan", "svg", "dxf", "dxf-binary", "archive", "http"])
def test_files_changed_by_what_they_say_get_past_a_parser(name: str) -> None:
    """Most do: to be refused there is what files changed by bytes are for."""
    rng = random.Random(3)
    good = READERS[name][2][-4 if name == "http" else 0]
    changed = [data for data in (reshaped(name, good, rng) for _ in range(40)) if data is not None]
    assert len(changed) > 30
    assert len(set(changed)) > 25
    parsed = sum(_parses(name, data) for data in changed)
    assert parsed > 0.7 * len(changed), parsed


def _parses(name: str, data: bytes) -> bool:
    """Whether a parser that has nothing to do with ours takes it."""
    from ezdxf import recover

    try:
        if name == "rest":
            json.loads(data)
        elif name == "plan":
            tomllib.loads(data.decode())
        elif name == "svg":
            minidom.parseString(data)
        elif name == "dxf":
            recover.read(io.BytesIO(data))
        elif name == "dxf-binary":
            list(binary_tags_loader(data))
        elif name == "http":
            head, _, _ = data.partition(b"\r\n\r\n")
            BytesParser().parsebytes(head.partition(b"\r\n")[2] + b"\r\n\r\n")
            return head.split(b"\r\n")[0].count(b" ") == 2
        else:
            with zipfile.ZipFile(io.BytesIO(data)) as archive:
                names = archive.namelist()
                for member in names:
                    if member.startswith("documents/"):
                        hashed = hashlib.sha256(archive.read(member)).hexdigest()
                        assert member.startswith(f"documents/{hashed}.")
                manifest = next(archive.read(member) for member in names if "/" not in member)
                head_row, *rows = [json.loads(line) for line in manifest.splitlines()]
                return head_row["rows"] == len(rows)
    except (ValueError, LookupError, ExpatError, DXFError, struct.error):
        return False
    return True


@pytest.fixture
def anything(tmp_path: Path) -> Path:
    path = tmp_path / "x"
    path.write_bytes(b"")
    return path


def test_an_unnamed_outcome_is_noticed(anything: Path) -> None:
    """The harness itself: a reader that stumbles, and one that says nothing."""

    def silent(path: Path) -> object:
        raise InputError("")

    assert "ZeroDivisionError" in str(attempt(lambda path: 1 // len(path.read_bytes()), anything))
    assert attempt(silent, anything) == "an error without a sentence"
    assert attempt(lambda path: None, anything) is None


def _swallowing(work: Callable[[], object], caught: type[BaseException] | tuple[type[BaseException], ...]) -> object:
    """Return a reader that turns what its work raises into a named error, as readers do with what libraries raise."""

    def read(path: Path) -> object:
        try:
            return work()
        except caught as error:
            raise InputError(f"{path} cannot be read ({error}). Copy it again.") from None

    return read


def _asleep() -> None:
    for _ in range(300):
        time.sleep(0.01)


def _asleep_in_c() -> None:
    """Sleep where no Python runs: PyDLL keeps hold of the interpreter, so that the alarm waits, too."""
    sleep = ctypes.PyDLL(None).usleep
    for _ in range(30):  # a signal ends each of them early
        sleep(100_000)


def _stubborn() -> None:
    """Go on after whatever is raised."""
    end = time.monotonic() + 1.0
    while time.monotonic() < end:
        try:
            time.sleep(0.01)
        except BaseException:
            continue


@pytest.mark.parametrize("hang", [_asleep, _asleep_in_c, _stubborn])
@pytest.mark.parametrize("caught", [OSError, Exception, BaseException])
def test_a_hang_is_noticed_whatever_catches_it(
    anything: Path, hang: Callable[[], None], caught: type[BaseException]
) -> None:
    found = outcome(_swallowing(hang, caught), anything, most_seconds=0.3)
    assert found.told == "longer than 0.3 s"
    assert not found.read
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)
    # The next file is none the worse for it.
    assert attempt(lambda path: None, anything) is None


def test_an_interrupt_of_the_user_goes_through(anything: Path) -> None:
    def interrupted(path: Path) -> object:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        attempt(interrupted, anything)


def test_want_of_memory_is_noticed_behind_a_named_error(anything: Path) -> None:
    import cv2
    import numpy as np

    def much() -> None:
        bytearray(1 << 60)

    def array() -> None:
        np.ones(1 << 56)

    def image() -> None:
        cv2.copyMakeBorder(np.ones((2, 2), np.uint8), 0, 2**30, 0, 2**30, cv2.BORDER_CONSTANT)

    for work in (much, array, image):
        told = attempt(_swallowing(work, Exception), anything)
        assert told is not None
        assert told.startswith("behind a named error"), told


def test_much_memory_is_noticed_when_nobody_complains(anything: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fuzz_oracle.GROWTH_BYTES", 100_000_000)

    def used(path: Path) -> object:
        return len(b"x" * 150_000_000)

    def used_and_refused(path: Path) -> object:
        used(path)
        raise InputError("It is no file.")

    # Twice: what one file took hides nothing of the next one.
    for _ in range(2):
        assert attempt(used, anything) == "more than 0.1 GB"
        assert attempt(used_and_refused, anything) == "more than 0.1 GB"
        assert attempt(lambda path: len(b"x" * 30_000_000), anything) is None


@pytest.mark.parametrize("wrong", [AttributeError, AssertionError, TypeError, KeyError, IndexError])
def test_a_mistake_of_our_own_code_is_noticed_behind_a_named_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong: type[Exception]
) -> None:
    """A mistake is planted in the drawing's reader, which catches all that its library raises."""
    from handcapture.layout import source_dxf

    path = tmp_path / "x.dxf"
    path.write_bytes(READERS["dxf"][2][0])
    # The mistake is raised by a line of the package itself.
    code = compile(f"def add_curve(*_):\n    raise {wrong.__name__}('planted')", source_dxf.__file__, "exec")
    planted: dict[str, object] = {}
    exec(code, planted)
    monkeypatch.setattr(source_dxf.Raw, "add_curve", planted["add_curve"])
    with pytest.raises(InputError, match="cannot be read"):
        source_dxf.read_dxf(path, None)
    told = attempt(READERS["dxf"][1], path)
    assert told is not None
    assert told.startswith("behind a named error, at layout/source_dxf.py:2"), told
    assert "planted" in told
    # Behind what a command says, too: a sentence and the exit code 2.
    with pytest.raises(RuntimeError, match="planted"):
        READERS["use-dxf"][1](path)


def test_mistakes_of_libraries_and_tried_values_are_no_mistakes_of_ours(tmp_path: Path, anything: Path) -> None:
    from handcapture.layout import source_dxf

    def stumbles() -> None:
        raise AttributeError("in a library")

    assert attempt(_swallowing(stumbles, Exception), anything) is None
    # A value is tried and refused in one function: how readers find out what a value is.
    code = "def read(path):\n try: float([])\n except TypeError: raise InputError('It is no number.') from None"
    tried: dict[str, object] = {"InputError": InputError}
    exec(compile(code, source_dxf.__file__, "exec"), tried)
    assert attempt(tried["read"], anything) is None  # type: ignore[arg-type]


def _dies(file: Path, tell: Callable[[Share], None]) -> None:
    tell(Share(files=3, read=2, failed=[(b"first", "stumbled")]))
    file.write_bytes(b"the last one")
    faulthandler.disable()  # pytest's, which would fill the screen
    os.kill(os.getpid(), signal.SIGSEGV)


def _hangs_in_c(file: Path, tell: Callable[[Share], None]) -> None:
    file.write_bytes(b"the endless one")
    while True:
        ctypes.PyDLL(None).usleep(1_000_000)


def test_a_child_that_dies_leaves_its_file_and_what_it_found(tmp_path: Path) -> None:
    found = in_child(_dies, "txt", 30.0)
    assert (found.files, found.read) == (3, 2)
    assert found.failed == [(b"first", "stumbled"), (b"the last one", "the process died (signal 11)")]
    kept = keep("list", "txt", found.failed, tmp_path / "corpus")
    assert [path.read_bytes() for path in kept] == [b"first", b"the last one"]
    assert all(path.name.startswith("list_") for path in kept)


def test_a_child_that_never_ends_is_ended_and_leaves_its_file() -> None:
    start = time.monotonic()
    found = in_child(_hangs_in_c, "txt", 1.0)
    assert time.monotonic() - start < 10.0
    assert found.failed == [(b"the endless one", "the process died (signal 9)")]
