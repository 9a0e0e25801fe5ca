"""Many photos at once: failures, memory, and the share of two cores that is used. Writes results/batch.json.

    python calibration/batch.py [--photos 2000]

The composed reference photos (`reference.py`) are repeated under other names, each with a comment of its own so that
its hash differs. One core is one process held to one core; two are two processes on two. The rates are taken in turns,
60 photos each, so that what else the machine does disturbs both alike; then all photos are measured on two. Memory is
that of all processes together, after the first tenth.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from reference import composed_photos

from handcapture.batch import Named, Settings, run

ROOT = Path(__file__).resolve().parents[1]
RESULT = ROOT / "calibration" / "results" / "batch.json"
MATS = ("a3", "a4-pair")
TURNS, TURN = 3, 60


def with_comment(data: bytes, text: str) -> bytes:
    """Return a JPEG with a comment segment after its start."""
    body = text.encode()
    return data[:2] + b"\xff\xfe" + (len(body) + 2).to_bytes(2, "big") + body + data[2:]


def photos(folder: Path, count: int, first: int = 0) -> list[Named]:
    """Write photos and return them."""
    good = [scene.photo.read_bytes() for scene in composed_photos(MATS)]
    found = []
    for k in range(first, first + count):
        path = folder / f"{k:05d}.jpg"
        path.write_bytes(with_comment(good[k % len(good)], f"photo {k}"))
        found.append(Named(path.name, path))
    return found


def resident_mb() -> float:
    """Return the memory of this process and all below it."""
    children: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdecimal():
            try:
                parent = int((entry / "stat").read_text().rpartition(")")[2].split()[1])
            except OSError:
                continue
            children.setdefault(parent, []).append(int(entry.name))
    total, waiting = 0, [os.getpid()]
    while waiting:
        current = waiting.pop()
        waiting += children.get(current, [])
        try:
            total += int(Path(f"/proc/{current}/statm").read_text().split()[1])
        except OSError:
            continue
    return total * os.sysconf("SC_PAGE_SIZE") / 1e6


def rate(found: list[Named], folder: Path, jobs: int, cores: int) -> float:
    """Return photos a second, from the first row to the last."""
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, set(sorted(before)[:cores]))
    times: list[float] = []
    try:
        out = folder / "turn.csv"
        outcome = run(found, out, Settings(), jobs, told=lambda row: times.append(time.perf_counter()))
        assert outcome.failed == 0
        out.unlink()
    finally:
        os.sched_setaffinity(0, before)
    # The networks are loaded before the first rows: they are left out.
    return (len(times) - 1 - 2 * jobs) / (times[-1] - times[2 * jobs])


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=2000)
    count = parser.parse_args().photos
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        some = photos(folder, TURN)
        rates: dict[int, list[float]] = {1: [], 2: []}
        for _ in range(TURNS):
            for cores in (1, 2):
                rates[cores].append(rate(some, folder, cores, cores))
        many = photos(folder, count, TURN)
        memory: list[tuple[int, float]] = []
        done = [0]
        ended = threading.Event()

        def watch() -> None:
            while not ended.wait(1.0):
                memory.append((done[0], resident_mb()))

        def told(row: Any) -> None:
            done[0] += 1

        watcher = threading.Thread(target=watch)
        watcher.start()
        start = time.perf_counter()
        outcome = run(many, folder / "all.csv", Settings(), 2, told=told)
        seconds = time.perf_counter() - start
        ended.set()
        watcher.join()
    early = [mb for at, mb in memory if count * 0.1 <= at < count * 0.3]
    late = [mb for at, mb in memory if at >= count * 0.8]
    one, two = statistics.median(rates[1]), statistics.median(rates[2])
    result = {
        "photos": outcome.photos,
        "of_different_scenes": min(count, len(list(composed_photos(MATS)))),
        "failed": outcome.failed,
        "minutes": round(seconds / 60, 2),
        "photos_per_minute": round(60 * count / seconds, 1),
        "photos_per_minute_one_core": [round(60 * r, 1) for r in rates[1]],
        "photos_per_minute_two_cores": [round(60 * r, 1) for r in rates[2]],
        "efficiency_percent": round(100 * two / (2 * one), 1),
        "memory_mb_early": round(statistics.median(early), 1),
        "memory_mb_late": round(statistics.median(late), 1),
        "memory_growth_percent": round(100 * (statistics.median(late) / statistics.median(early) - 1), 2),
        "cores": os.cpu_count(),
    }
    RESULT.write_text(json.dumps(result, indent=1) + "\n")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
