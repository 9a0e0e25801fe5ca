"""An invented journal for tests, and a writer that can be killed at any step.

Run as a program, it writes the journal over and over in processes of its own, each killed at a given step or after a
given time, and prints one JSON line for each: how many calls had returned, and whether it was killed.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import io
import json
import os
import signal
import sqlite3
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from helpers_layout import workshop_layout
from helpers_rest import placement
from PIL import Image

from handcapture.journal.migrations import MIGRATIONS
from handcapture.journal.store import Journal, open_journal
from handcapture.layout.document import write_layout
from handcapture.rest import pool
from handcapture.rest_document import rest_sha256, write_rest

NICKNAME = "Quillon-Zibeline"
NOTE = "violet splint since the marmalade fair"
TAG = "thistledown"
PLAN_MARK = "# lighthouse keeper's wish"
PLAN = f"""{PLAN_MARK}
name = "Curtain desk"
[[buttons]]
label = "Curtain"
side = "left"
finger = "index"
"""
PANEL = 'name = "Curtain plate"\nwidth_mm = 200\nheight_mm = 100\nedge_mm = 8\nweb_mm = 5\n'


def photo_bytes(number: int, secret: str = "") -> bytes:
    """Return a small JPEG with capture time, and a secret in its EXIF block."""
    blocks = np.random.default_rng(number).integers(0, 255, (60, 80, 3)).astype(np.uint8)
    block = Image.Exif()
    block[0x013B] = secret or "nobody"
    block.get_ifd(0x8769)[0x9003] = f"2031:05:{number % 28 + 1:02d} 07:08:09"
    out = io.BytesIO()
    Image.fromarray(blocks).resize((800, 600)).save(out, "JPEG", quality=60, exif=block)
    return out.getvalue()


def write_inputs(folder: Path) -> dict[str, Path]:
    """Write one file of each kind, and further photos; return their paths by name."""
    rest = pool([placement(1), placement(2, (1.5, -0.5)), placement(3, (-1.0, 1.0))])
    layout = replace(workshop_layout(), rest_sha256=rest_sha256(rest))
    names = ("rest.json", "layout.json", "layout_b.json", "check.json", "plan.toml", "panel.toml")
    paths = {name.partition(".")[0]: folder / name for name in names}
    write_rest(paths["rest"], rest)
    write_layout(paths["layout"], layout)
    write_layout(paths["layout_b"], replace(layout, revision="B"))
    paths["plan"].write_text(PLAN)
    paths["panel"].write_text(PANEL)
    check = {
        "schema": "handcapture.check/1",
        "layout": layout.name,
        "placements": 3,
        "buttons": [{"label": "Drill", "side": "right", "finger": "thumb", "verdict": "fits", "offset_mm": [0.5, 1.0]}],
    }
    paths["check"].write_text(json.dumps(check))
    for number in (1, 2, 3):
        paths[f"photo_{number}"] = folder / f"own_{number}.jpg"
        paths[f"photo_{number}"].write_bytes(photo_bytes(number, NOTE))
    return paths


def calls(inputs: dict[str, Path], out: Path) -> list[Callable[[Journal], object]]:
    """Return writes of every kind, to be done in order; `out` is a file outside the journal."""
    p = inputs
    return [
        lambda j: j.add_person(NICKNAME, "left", 380.0, NOTE),
        lambda j: j.add_person("Otto"),
        lambda j: j.add_files(NICKNAME, [p["rest"], p["plan"], p["photo_1"], p["photo_2"]], keep_photos=True),
        lambda j: j.add_session("Otto", "2031-05-06", "Second visit", tags=(TAG,)),
        lambda j: j.add_files("Otto", [p["photo_2"], p["photo_3"], p["panel"]], keep_photos=True),
        lambda j: j.tag(1, (TAG, "follow-up")),
        lambda j: j.note(1, NOTE),
        lambda j: j.add_layout(NICKNAME, p["layout"]),
        lambda j: j.add_impression(_layout(j), f"{NOTE}, felt", (("Drill", 4), ("Stop", 2))),
        lambda j: j.write_out(_layout(j), out),
        lambda j: j.delete_entry(_layout(j)),
        lambda j: j.delete_person(NICKNAME),
        lambda j: j.add_person("Lena"),
    ]


def _layout(journal: Journal) -> int:
    return journal.entries("layout")[0].id


def version_1(folder: Path) -> None:
    """A journal as the first version wrote it: its own statements, none of the program's newer code."""
    with open_journal(folder, create=True):
        pass
    (folder / "journal.sqlite").unlink()
    with contextlib.closing(sqlite3.connect(folder / "journal.sqlite", isolation_level=None)) as plain:
        plain.execute("PRAGMA journal_mode = WAL")

        class Plain:
            def exec_driver_sql(self, statement: str) -> None:
                plain.execute(statement)

        MIGRATIONS[0](Plain())  # type: ignore[arg-type]
        plain.execute("PRAGMA user_version = 1")
        plain.execute("INSERT INTO entry VALUES (4, 'person', NULL, '2031-01-02T03:04:05+00:00', 'left-handed')")
        plain.execute("INSERT INTO person VALUES (4, 'Ida', 'ida', 'left', 390.5)")
        plain.execute("INSERT INTO entry VALUES (9, 'session', 4, '2031-01-02T03:04:06+00:00', '')")
        plain.execute("INSERT INTO session VALUES (9, '2031-01-02', 'First')")


def state(journal: Journal) -> list[dict[str, Any]]:
    """Return everything in the journal but the times at which it was added."""
    return [{k: v for k, v in dataclasses.asdict(e).items() if k != "added_at"} for e in journal.entries()]


def check_photos(journal: Journal) -> None:
    """The folder of kept photos holds just those that rows name, each with the hash that its name says."""
    named = {entry.file for entry in journal.entries("photo") if getattr(entry, "file", None)}
    present = {path.name for path in (journal.folder / "photos").iterdir()}
    assert present == named
    for path in (journal.folder / "photos").iterdir():
        assert hashlib.sha256(path.read_bytes()).hexdigest() == path.stem


def files_below(folder: Path) -> Iterator[Path]:
    """Every file in a folder and the folders in it."""
    return (path for path in sorted(folder.rglob("*")) if path.is_file())


def holders(folder: Path, traces: list[bytes]) -> list[str]:
    """Return which files hold which of the traces, raw bytes and names."""
    found = []
    for path in files_below(folder):
        data = path.read_bytes() + os.fsencode(path.name)
        found += [f"{path.name}: {trace[:40]!r}" for trace in traces if trace in data]
    return found


def _write(folder: Path, inputs: dict[str, Path], told: int, step: Callable[[str], None]) -> None:
    out = folder.with_suffix(".out")
    out.mkdir(exist_ok=True)
    with open_journal(folder, create=True, step=step) as journal:
        for call in calls(inputs, out / "out.json"):
            call(journal)
            os.write(told, b".")


def _killed_at(step: int, folder: Path, inputs: dict[str, Path], told: int) -> None:
    count = 0

    def counted(what: str) -> None:
        nonlocal count
        count += 1
        if count == step:
            os.kill(os.getpid(), signal.SIGKILL)

    _write(folder, inputs, told, counted)
    os.write(told, b"%d" % count)


def main(root: Path, jobs: list[dict[str, float]]) -> None:
    """Run the jobs: {"step": n} or {"seconds": t}. Each has a folder job_N under `root`."""
    inputs = write_inputs(root)
    for number, job in enumerate(jobs):
        ours, theirs = os.pipe()
        folder = root / f"job_{number}"
        child = os.fork()
        if child == 0:
            os.close(ours)
            try:
                _killed_at(int(job.get("step", 0)), folder, inputs, theirs)
                os._exit(0)
            except BaseException:
                traceback.print_exc()
                os._exit(1)
        os.close(theirs)
        if "seconds" in job:
            time.sleep(job["seconds"])
            os.kill(child, signal.SIGKILL)
        told = b""
        while piece := os.read(ours, 100):
            told += piece
        os.close(ours)
        _, status = os.waitpid(child, 0)
        steps = told.lstrip(b".")
        print(
            json.dumps(
                {
                    "returned": told.count(b"."),
                    "failed": os.WIFEXITED(status) and os.WEXITSTATUS(status) != 0,
                    "killed": os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL,
                    "steps": int(steps) if steps else None,
                }
            ),
            flush=True,
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]), json.loads(sys.argv[2]))
