"""Throw broken files at every reader: each must succeed, or end with one of the program's named errors, in time.

    python calibration/fuzz.py [--minutes 30] [--reader dxf] [--seed 1] [--trial] [--corpus folder]

Files are made from good ones: half of them by bytes (flipped, left out, doubled, replaced by hostile ones), half by
what they say (fuzz_shapes.py: entries dropped, doubled, renamed, put elsewhere, given hostile values), so that they
get past a parser. They are read in child processes with a limit of memory, and judged by fuzz_oracle.py. What fails is
kept in tests/data/corpus/ under its reader's name, where tests/test_corpus.py tries it again for ever after; the file
of a child that died, too. Writes calibration/results/fuzz.json, unless it is a --trial or for one reader: how many
files each reader got, how many of them it read, its longest time and the most memory it took for one.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import json
import os
import pickle
import random
import re
import resource
import signal
import sys
import tempfile
import threading
import time
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from functools import partial
from pathlib import Path
from unittest import mock

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "calibration")]

from fuzz_oracle import SECONDS, Outcome, attempt, outcome  # noqa: E402

from handcapture.version import __version__  # noqa: E402

__all__ = ["CORPUS", "Share", "attempt", "in_child", "keep", "outcome", "readers", "spoiled"]

CORPUS = ROOT / "tests" / "data" / "corpus"
RESULT = ROOT / "calibration" / "results" / "fuzz.json"
MEMORY_BYTES = 3_000_000_000
STARTING_SECONDS = 60.0
"""A child may take so long to load what reads the files, on a busy machine."""
HOSTILE = [
    b"nan", b"inf", b"-inf", b"1e308", b"-1e308", b"1e-320", b"0", b"-1", b"99999999999999999999", b"true", b"null",
    b'""', b"[]", b"{}", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"%s%n", b"../../etc/passwd", b"<!ENTITY a 'b'>",
    b"&a;", b"]]>", b"'; DROP TABLE", "\u202e".encode(), "𝟙".encode(), b"A" * 5000, b"[" * 3000, b"0x10", b"1_000",
]  # fmt: skip


def readers() -> dict[str, tuple[str, Callable[[Path], object], list[bytes]]]:
    """Return for each reader the ending of its files, what reads one, and good files to start from.

    The files are the same every time: what a seed makes of them can be made again.
    """
    with _fixed_drawings():
        return _readers()


@contextlib.contextmanager
def _fixed_drawings() -> Iterator[None]:
    """Let ezdxf write no days and no identifiers of its own."""
    import ezdxf

    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def _readers() -> dict[str, tuple[str, Callable[[Path], object], list[bytes]]]:
    from fuzz_commands import COMMANDS, used
    from fuzz_http import good_requests, read_request
    from helpers_layout import workshop_layout
    from helpers_sessions import session

    from handcapture.batch_record import resumed
    from handcapture.check_document import earlier_placements
    from handcapture.drawings.drill import layout_drill_csv
    from handcapture.drawings.dxf import layout_dxf
    from handcapture.drawings.svg import layout_svg
    from handcapture.journal.archive import read_archive
    from handcapture.journal.incoming import read_incoming
    from handcapture.layout.document import layout_document, read_layout
    from handcapture.layout.functions import load_functions
    from handcapture.layout.plan import load_panel, load_plan
    from handcapture.layout.source import read_drawing
    from handcapture.photo import read_photo
    from handcapture.rest_document import read_rest, rest_document

    samples = ROOT / "samples"
    layout, tried = workshop_layout(), read_layout(samples / "try_layout.json")
    text = {
        name: (samples / f"{name}.toml").read_bytes() for name in ("plan", "panel", "every_key_plan", "every_key_panel")
    }

    def archive(path: Path) -> object:
        with tempfile.TemporaryDirectory() as folder:
            read_archive(path, Path(folder) / "journal")
        return None

    found: dict[str, tuple[str, Callable[[Path], object], list[bytes]]] = {
        "photo": ("jpg", read_photo, _photos()),
        "rest": ("json", read_rest, [json.dumps(rest_document(session(1, 2))).encode()]),
        "layout": ("json", read_layout, [json.dumps(layout_document(layout)).encode()]),
        "check": ("json", lambda path: earlier_placements(path, tried, "a3"), [_check()]),
        "plan": ("toml", load_plan, [text["plan"], text["every_key_plan"]]),
        "panel": ("toml", load_panel, [text["panel"], text["every_key_panel"]]),
        "functions": ("toml", load_functions, [(samples / "functions.toml").read_bytes()]),
        "dxf": ("dxf", read_drawing, [layout_dxf(layout), _with_units(layout_dxf(layout, version="R12"))]),
        "dxf-binary": ("dxf", read_drawing, [_binary(layout_dxf(layout))]),
        "svg": ("svg", read_drawing, [layout_svg(layout)]),
        "csv": ("csv", read_drawing, [layout_drill_csv(layout)]),
        "archive": ("zip", archive, [_archive()]),
        "http": ("txt", read_request, good_requests()),
        "incoming": ("bin", partial(read_incoming, keep_photos=True), [text["plan"], *_photos()]),
        "batch": ("jsonl", lambda path: resumed(path, {"mat": None}), [_batch_journal()]),
        "list": ("txt", _listed(), [b"# photos\none.jpg\n two.JPG\n\nthree.png\n"]),
        "cohort": ("json", _cohort, [json.dumps(rest_document(session(1, 2))).encode()]),
    }
    for kind in COMMANDS:
        ending, _, good = found[kind]
        if kind == "photo":
            good = [(samples / name).read_bytes() for name in ("rest_1.jpg", "try_1.jpg")]
        found[f"use-{kind}"] = (ending, used(kind), good)
    return found


def spoiled(name: str, data: bytes, rng: random.Random) -> bytes:
    """Return a broken copy for a reader; for what is used and not only read, most often one that is well-formed."""
    from fuzz_commands import bent
    from fuzz_shapes import reshaped

    used = name.startswith("use-")
    if used and rng.random() < 0.6:
        return bent(data, rng)
    other = reshaped(name.removeprefix("use-"), data, rng) if rng.random() < (0.8 if used else 0.5) else None
    if other is not None:
        return other
    return bent(data, rng) if used and rng.random() < 0.5 else broken(data, rng)


def _with_units(dxf: bytes) -> bytes:
    """R12 knows no units, which the reader asks for; programs write them all the same."""
    return dxf.replace(b"HEADER\n", b"HEADER\n  9\n$INSUNITS\n 70\n4\n", 1)


def _binary(dxf: bytes) -> bytes:
    import ezdxf

    out = io.BytesIO()
    ezdxf.read(io.StringIO(dxf.decode())).write(out, fmt="bin")
    return out.getvalue()


def _listed() -> Callable[[Path], object]:
    """Return what reads a list of photos as one that lies beside the photos that the good one names."""
    import shutil

    from handcapture.batch import find_photos

    place = tempfile.TemporaryDirectory()
    folder = Path(place.name)
    for name in ("one.jpg", "two.JPG", "three.png"):
        (folder / name).write_bytes(b"")

    def read(path: Path, _: object = place) -> object:  # the folder is there as long as this function
        shutil.copy(path, folder / "list.txt")
        return find_photos([folder / "list.txt"])

    return read


def _cohort(path: Path) -> object:
    """Read a rest as one of three people's in a folder."""
    import shutil

    from helpers_sessions import session, written

    from handcapture.cohort import gather, study
    from handcapture.cohort_document import cohort_document, find_rests

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copy(path, folder / "one.json")
        for number in (4, 5):
            written(folder, f"{number}.json", session(number, 1))
        people, left_out = gather(find_rests([folder]), "each")
        found = study(people, left_out, "each")
        return cohort_document(found, found.sets[0], (), [])


def _batch_journal() -> bytes:
    rows = [
        {"batch": 1, "version": __version__, "mat": None},
        {
            "photo": "a.jpg",
            "sha256": "0" * 64,
            "status": "measured",
            "left_thumb_x_mm": 1.5,
            "left_thumb_hidden": False,
        },
        {"photo": "b.jpg", "sha256": "1" * 64, "status": "failed", "reason": "It is no photo.", "seconds": 0.1},
    ]
    return "".join(json.dumps(row) + "\n" for row in rows).encode()


def _photos() -> list[bytes]:
    from PIL import Image

    small = Image.open(ROOT / "samples" / "rest_1.jpg").resize((640, 480))
    found = []
    for kind in ("JPEG", "PNG", "WEBP", "TIFF"):
        out = io.BytesIO()
        small.save(out, kind)
        found.append(out.getvalue())
    return [*found, (ROOT / "tests" / "data" / "small.heic").read_bytes()]


def _check() -> bytes:
    """A check's document, as the program writes it for the samples' first try."""
    from click.testing import CliRunner

    from handcapture.cli import main

    samples = ROOT / "samples"
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "check.json"
        arguments = ["check", str(samples / "try_layout.json"), str(samples / "try_1.jpg"), "--output", str(out)]
        done = CliRunner().invoke(main, arguments)
        assert done.exit_code == 0, done.output
        return out.read_bytes()


def _archive() -> bytes:
    from helpers_sessions import session, written

    from handcapture.journal import store

    class Then(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Then:
            return cls(2031, 5, 6, 12, 0, 0, tzinfo=tz)

    with tempfile.TemporaryDirectory() as folder, mock.patch.object(store, "datetime", Then):
        place = Path(folder)
        with store.open_journal(place / "journal", create=True) as kept:
            kept.add_person("Mara")
            kept.add_rest("Mara", written(place, "rest.json", session(1, 2)))
            kept.export_archive(place / "all.zip")
        return (place / "all.zip").read_bytes()


def broken(data: bytes, rng: random.Random) -> bytes:
    """Return a broken copy."""
    if data[:2] == b"PK" and rng.random() < 0.7:
        return _broken_archive(data, rng)
    for _ in range(rng.choice((1, 1, 2, 3, 8))):
        how = rng.randrange(8)
        at = rng.randrange(len(data) + 1)
        if how == 0:
            flipped = bytearray(data)
            for _ in range(rng.randrange(1, 12)):
                if flipped:
                    flipped[rng.randrange(len(flipped))] = rng.randrange(256)
            data = bytes(flipped)
        elif how == 1:
            data = data[:at]
        elif how == 2:
            data = data[:at] + data[at + rng.randrange(1, 400) :]
        elif how == 3:
            piece = data[at : at + rng.randrange(1, 2000)]
            data = data[:at] + piece * rng.choice((2, 3, 50)) + data[at:]
        elif how == 4:
            data = data[:at] + rng.choice(HOSTILE) + data[at:]
        else:
            # A number or a word of a text becomes a hostile one.
            pattern = rb"-?\d+(\.\d+)?" if how < 7 else rb"[A-Za-z_]{2,}"
            found = list(re.finditer(pattern, data[:200_000]))
            if found:
                match = rng.choice(found)
                data = data[: match.start()] + rng.choice(HOSTILE) + data[match.end() :]
        data = data[:3_000_000]
    return data


def _broken_archive(data: bytes, rng: random.Random) -> bytes:
    """Break what is inside of an archive, and pack it again."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(out, "w") as packed:
        names = archive.namelist()
        chosen = rng.choice(names)
        for name in names:
            content = archive.read(name)
            content = broken(content, rng) if name == chosen else content
            title = rng.choice(("../" + name, "/" + name, name * 2, name)) if rng.random() < 0.1 else name
            packed.writestr(title, content)
    return out.getvalue()


def _round(
    name: str,
    reader: Callable[[Path], object],
    good: list[bytes],
    seed: int,
    until: float,
    file: Path,
    tell: Callable[[Share], None],
) -> None:
    """Try broken files of one reader until a time, in this process, and tell from time to time what came of them.

    The file that is being read is `file`, for whoever finds this process dead.
    """
    rng = random.Random(f"{name} {seed}")
    share = Share()
    while time.monotonic() < until:
        data = spoiled(name, rng.choice(good), rng)
        file.write_bytes(data)
        found = outcome(reader, file)
        share.add(found, data)
        if share.failed or share.files >= 50:
            tell(share)
            share = Share()
    tell(share)


@dataclass
class Share:
    """Some files of one reader: how many, how many were read, the worst of them, and those that failed."""

    files: int = 0
    read: int = 0
    seconds: float = 0.0
    growth_bytes: int = 0
    failed: list[tuple[bytes, str]] = field(default_factory=list)

    def add(self, found: Outcome, data: bytes) -> None:
        """Count one more file."""
        failed = [] if found.told is None else [(data, found.told)]
        self.join(Share(1, int(found.read), found.seconds, found.growth_bytes, failed))

    def join(self, other: Share) -> None:
        """Count others, too."""
        self.files += other.files
        self.read += other.read
        self.seconds = max(self.seconds, other.seconds)
        self.growth_bytes = max(self.growth_bytes, other.growth_bytes)
        self.failed += other.failed


def in_child(work: Callable[[Path, Callable[[Share], None]], None], ending: str, most_seconds: float) -> Share:
    """Run a round in a child with a limit of memory.

    A child that dies is a failure of its own, with the file that it was reading; so is one that is not done in
    `most_seconds`, which code in C can cause that no alarm interrupts: it is killed.
    """
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / f"x.{ending}"
        read, write = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                tempfile.tempdir = folder  # what it leaves behind goes with it
                os.close(read)
                os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
                resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
                with os.fdopen(write, "wb") as pipe:

                    def tell(share: Share) -> None:
                        pickle.dump(share, pipe)
                        pipe.flush()

                    work(file, tell)
                os._exit(0)
            finally:
                os._exit(1)
        os.close(write)
        killing = threading.Timer(most_seconds, os.kill, (child, signal.SIGKILL))
        killing.start()
        whole = Share()
        with os.fdopen(read, "rb") as pipe, contextlib.suppress(EOFError, pickle.UnpicklingError):
            while True:
                whole.join(pickle.load(pipe))
        _, status = os.waitpid(child, 0)
        killing.cancel()
        if status:
            code = os.waitstatus_to_exitcode(status)
            last = file.read_bytes() if file.is_file() else b""
            whole.failed.append((last, f"the process died ({'signal' if code < 0 else 'exit'} {abs(code)})"))
    return whole


def _kind(told: str) -> str:
    """Return what failures of one kind have in common: the words, without numbers and names."""
    return re.sub(r"[\d.]+|['\"].*", "", told)


def keep(name: str, ending: str, failed: list[tuple[bytes, str]], corpus: Path = CORPUS) -> list[Path]:
    """Keep the files that failed, one of each kind of failure; return where."""
    kept: dict[str, Path] = {}
    for data, told in failed:
        kind = _kind(told)
        if data and kind not in kept:
            corpus.mkdir(parents=True, exist_ok=True)
            kept[kind] = corpus / f"{name}_{hashlib.sha256(data).hexdigest()[:10]}.{ending}"
            kept[kind].write_bytes(data)
    return list(kept.values())


def main() -> None:
    """Try all readers in turn, a minute at most each time."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--reader", help="only this one; writes no results")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trial", action="store_true", help="write no results")
    parser.add_argument("--corpus", type=Path, default=CORPUS, help="where to keep what fails")
    arguments = parser.parse_args()
    every = readers()
    names = [arguments.reader] if arguments.reader else list(every)
    end = time.monotonic() + 60 * arguments.minutes
    found: dict[str, Share] = {name: Share() for name in names}
    unnamed: dict[tuple[str, str], dict[str, object]] = {}
    seed = arguments.seed
    share = max(5.0, min(60.0, 60 * arguments.minutes / len(names)))
    while time.monotonic() < end - 1:
        for name in names:
            seconds = min(share, max(1.0, end - time.monotonic()))
            until = time.monotonic() + seconds
            one = in_child(
                partial(_round, name, *every[name][1:], seed, until),
                every[name][0],
                seconds + STARTING_SECONDS + 2 * SECONDS,
            )
            found[name].join(one)
            new = []
            for data, told in one.failed:
                kind = unnamed.setdefault((name, _kind(told)), {"reader": name, "told": told, "seed": seed, "files": 0})
                kind["files"] = int(str(kind["files"])) + 1
                if kind["files"] == 1:
                    new.append((data, told))
                    print(name, told, flush=True)
            for path in keep(name, every[name][0], new, arguments.corpus):
                print("kept", path, flush=True)
        seed += 1
    result = {
        "minutes": arguments.minutes,
        "files": {name: one.files for name, one in found.items()},
        "read": {name: one.read for name, one in found.items()},
        "longest_s": {name: round(one.seconds, 1) for name, one in found.items()},
        "most_growth_mb": {name: round(one.growth_bytes / 1e6) for name, one in found.items()},
        "unnamed": list(unnamed.values()),
    }
    if not arguments.reader and not arguments.trial:
        RESULT.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
