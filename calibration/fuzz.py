"""Throw broken files at every reader: each must succeed, or end with one of the program's named errors, in time.

    python calibration/fuzz.py [--minutes 30] [--reader dxf] [--seed 1]

Files are made from good ones: bytes flipped, pieces left out, doubled or swapped, numbers and words replaced by hostile
ones. Each is read in a process of its own kind, with a limit of time and memory. What fails is kept in
tests/data/corpus/ under its reader's name, where tests/test_corpus.py tries it again for ever after. Writes
calibration/results/fuzz.json.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import random
import re
import resource
import signal
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "calibration")]

from handcapture.errors import HandcaptureError  # noqa: E402
from handcapture.version import __version__  # noqa: E402

CORPUS = ROOT / "tests" / "data" / "corpus"
RESULT = ROOT / "calibration" / "results" / "fuzz.json"
SECONDS = 20
MEMORY_BYTES = 3_000_000_000
HOSTILE = [
    b"nan", b"inf", b"-inf", b"1e308", b"-1e308", b"1e-320", b"0", b"-1", b"99999999999999999999", b"true", b"null",
    b'""', b"[]", b"{}", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"%s%n", b"../../etc/passwd", b"<!ENTITY a 'b'>",
    b"&a;", b"]]>", b"'; DROP TABLE", "\u202e".encode(), "𝟙".encode(), b"A" * 5000, b"[" * 3000, b"0x10", b"1_000",
]  # fmt: skip


def readers() -> dict[str, tuple[str, Callable[[Path], object], list[bytes]]]:
    """Return for each reader the ending of its files, what reads one, and good files to start from."""
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
        "dxf": ("dxf", read_drawing, [layout_dxf(layout), layout_dxf(layout, version="R12")]),
        "svg": ("svg", read_drawing, [layout_svg(layout)]),
        "csv": ("csv", read_drawing, [layout_drill_csv(layout)]),
        "archive": ("zip", archive, [_archive()]),
        "http": ("txt", read_request, good_requests()),
        "incoming": ("bin", read_incoming, [text["plan"], *_photos()[:1]]),
        "batch": ("jsonl", lambda path: resumed(path, {"mat": None}), [_batch_journal()]),
    }
    for kind in COMMANDS:
        ending, _, good = found[kind]
        if kind == "photo":
            good = [(samples / name).read_bytes() for name in ("rest_1.jpg", "try_1.jpg")]
        found[f"use-{kind}"] = (ending, used(kind), good)
    return found


def spoiled(name: str, data: bytes, rng: random.Random) -> bytes:
    """Return a broken copy for a reader; for what is used and not only read, one that is well-formed."""
    from fuzz_commands import bent

    return bent(data, rng) if name.startswith("use-") and rng.random() < 0.9 else broken(data, rng)


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
    return found


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

    from handcapture.journal.store import open_journal

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        with open_journal(place / "journal", create=True) as kept:
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


def attempt(reader: Callable[[Path], object], path: Path) -> str | None:
    """Read a file; None when it went well or ended with a named error, else what happened."""

    def late(*_: Any) -> None:
        raise TimeoutError(f"longer than {SECONDS} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(SECONDS)
    try:
        reader(path)
    except HandcaptureError as error:
        told = str(error)
        return None if told and len(told) < 20_000 else "an error without a sentence"
    except BaseException as error:
        return f"{type(error).__name__}: {error}"[:300]
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)
    return None


def _round(name: str, seed: int, until: float) -> tuple[int, list[tuple[bytes, str]]]:
    """Try broken files of one reader until a time, in this process; return how many, and what failed."""
    ending, reader, good = readers()[name]
    rng = random.Random(f"{name} {seed}")
    count, failed = 0, []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"x.{ending}"
        while time.monotonic() < until:
            data = spoiled(name, rng.choice(good), rng)
            path.write_bytes(data)
            told = attempt(reader, path)
            count += 1
            if told is not None:
                failed.append((data, told))
    return count, failed


def _in_child(name: str, seed: int, seconds: float) -> tuple[int, list[tuple[bytes, str]]]:
    """Run a round in a child with a limit of memory; a child that dies is a failure of its own."""
    import pickle

    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(read)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 2)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        with os.fdopen(write, "wb") as pipe:
            pickle.dump(_round(name, seed, time.monotonic() + seconds), pipe)
        os._exit(0)
    os.close(write)
    with os.fdopen(read, "rb") as pipe:
        raw = pipe.read()
    _, status = os.waitpid(child, 0)
    if status or not raw:
        return 0, [(b"", f"the process died, status {status}, seed {seed}")]
    found: tuple[int, list[tuple[bytes, str]]] = pickle.loads(raw)
    return found


def main() -> None:
    """Try all readers in turn, a minute at most each time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--reader", help="only this one")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    names = [arguments.reader] if arguments.reader else list(readers())
    end = time.monotonic() + 60 * arguments.minutes
    counts: Counter[str] = Counter()
    failures: list[dict[str, str]] = []
    seed = arguments.seed
    share = max(5.0, min(60.0, 60 * arguments.minutes / len(names)))
    while time.monotonic() < end - 1:
        for name in names:
            count, failed = _in_child(name, seed, min(share, max(1.0, end - time.monotonic())))
            counts[name] += count
            ending = readers()[name][0]
            for number, (data, told) in enumerate(failed):
                failures.append({"reader": name, "told": told})
                print(name, told, flush=True)
                if data and number < 5:
                    CORPUS.mkdir(parents=True, exist_ok=True)
                    (CORPUS / f"{name}_{seed}_{number}.{ending}").write_bytes(data)
        seed += 1
    result = {"minutes": arguments.minutes, "files": dict(counts), "unnamed": failures}
    if not arguments.reader:
        RESULT.write_text(json.dumps(result, indent=1) + "\n")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
