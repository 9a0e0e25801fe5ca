"""Sizes for an invented cohort: coverage of its own people and of people left out. Writes results/cohort.json.

    python calibration/cohort.py [--people 200]

Hand lengths are drawn as ANSUR II has them (Gordon and others 2014: women 181.1 ± 10.1 mm, men 193.3 ± 9.9 mm), half
women, half men; everything else is invented: one hand's shape at rest, scaled by length, how fingers differ from it
between people (`FINGER_SD_MM`), and how far apart hands lie. So the figures tell how the method does, not which sizes a
maker should stock.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import sys
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from handcapture.cohort import gather, study  # noqa: E402
from handcapture.names import FINGERS, SIDES  # noqa: E402
from handcapture.placement import Contact, Placement, Source  # noqa: E402
from handcapture.rest import Rest, pool  # noqa: E402

FloatArray = NDArray[np.float64]

RESULT = ROOT / "calibration" / "results" / "cohort.json"
LENGTHS_MM = ((181.083, 10.056), (193.278, 9.946))
"""Hand length of women and men, mean and standard deviation: ANSUR II, computed from its public data."""
SHAPE_MM = np.array([[63.0, 45.0], [30.0, -25.0], [0.0, -40.0], [-28.0, -32.0], [-53.0, -5.0]])
"""An invented left hand at rest, thumb to little finger, of a hand 190 mm long."""
FINGER_SD_MM = np.array([[5.0, 5.0], [3.0, 4.0], [2.5, 4.0], [3.0, 4.0], [4.0, 5.0]])
"""How contacts differ between people whose hands are equally long (invented)."""
ALIKE = 0.8
"""How alike a person's two hands are: correlation of those differences (invented)."""

PLACEMENTS, WANDER_SD_MM, ERROR_SD_MM = 3, 1.3, 0.8
"""How often hands are laid down, how far they wander each time, and what the measurement adds (invented)."""


def person(rng: np.random.Generator, number: int = 0, length_mm: float | None = None) -> Rest:
    """Return an invented person's rest: the hands laid down PLACEMENTS times."""
    if length_mm is None:
        mean, sd = LENGTHS_MM[int(rng.integers(2))]
        length_mm = float(rng.normal(mean, sd))
    common = rng.normal(size=(5, 2))
    apart, middle = rng.normal(210.0, 25.0), np.array([210.0, 140.0]) + rng.normal(0, 15.0, 2)
    places, reaches = {}, {}
    for k, side in enumerate(SIDES):
        own = np.sqrt(ALIKE) * common + np.sqrt(1 - ALIKE) * rng.normal(size=(5, 2))
        shape = SHAPE_MM * length_mm / 190.0 + own * FINGER_SD_MM
        shape = shape * (1.0 if side == "left" else -1.0, 1.0)
        turn = np.radians(rng.normal(8.0, 5.0)) * (1 if side == "left" else -1)
        rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        places[side] = shape @ rotation + middle + ((k - 0.5) * apart, 0.0)
        reaches[side] = np.array([0.0, -1.0]) @ rotation
    placements = []
    for photo in range(PLACEMENTS):
        contacts = tuple(
            Contact(
                side=side,
                finger=finger,
                contact_mm=places[side][f] + rng.normal(size=2) * np.hypot(WANDER_SD_MM, ERROR_SD_MM),
                covariance_mm2=np.eye(2) * ERROR_SD_MM**2,
                reach=reaches[side],
                breadth_mm=16.0,
                hidden=False,
                stretch_mm=8.0,
                stretch_sd_mm=3.0,
            )
            for side in SIDES
            for f, finger in enumerate(FINGERS)
        )
        sha = hashlib.sha256(f"{number} {photo} {rng.integers(2**60)}".encode()).hexdigest()
        source = Source(f"{number}_{photo}.jpg", sha, None, "a3", (1.0, 1.0), 0.003, 5.0, 450.0, 0.14, 0.1)
        placements.append(Placement(contacts, (), (source,)))
    return pool(placements)


def people(count: int, seed: int = 1) -> list[tuple[str, Rest]]:
    """Return invented people by name."""
    rng = np.random.default_rng(seed)
    return [(f"P{k:03d}", person(rng, k)) for k in range(1, count + 1)]


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--people", type=int, default=200)
    count = parser.parse_args().people
    result: dict[str, object] = {"people": count}
    for hands in ("each", "together"):
        start = time.perf_counter()
        found = study(*gather(people(count), hands), hands)  # type: ignore[arg-type]
        seconds = time.perf_counter() - start
        # Whom the sizes meet who were never in the cohort: the truth that leaving people out foretells.
        fresh, _ = gather(people(1000, seed=2), hands)  # type: ignore[arg-type]
        result[hands] = {
            "within_mm": found.within_mm,
            "seconds": round(seconds, 2),
            "served_percent": [round(100 * entry.served.value, 1) for entry in found.sets],
            "served_when_left_out_percent": [
                None if entry.served_when_left_out is None else round(100 * entry.served_when_left_out.value, 1)
                for entry in found.sets
            ],
            "new_people_served_percent": [round(100 * served(entry.sizes, fresh, found), 1) for entry in found.sets],
        }
    RESULT.write_text(json.dumps(result, indent=1) + "\n")
    print(json.dumps(result, indent=1))


def served(sizes, fresh, found) -> float:  # type: ignore[no-untyped-def]
    """Return the share of new people whom one of the sizes serves."""
    from handcapture.cohort import laid_onto

    best = [
        min(np.nanmax(np.hypot(*(laid_onto(found, one, size) - size.contacts_mm).T)) for size in sizes) for one in fresh
    ]
    return float(np.mean(np.array(best) <= found.within_mm))


if __name__ == "__main__":
    main()
