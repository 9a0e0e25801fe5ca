"""Sizes for invented cohorts: what is said of coverage, and how many new people they serve. Writes results/cohort.json.

    python calibration/cohort.py [--people 200]

One cohort in full, then many of 12, 40 and 200 people each (`COHORTS`): what is said of the set that is picked,
what it does for new people, how often the 95 % intervals hold that, and how often verdicts on single people are true of
their hands as they are. The rule by which a set is picked was chosen with other cohorts, made in the same way.

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
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from handcapture.cohort import Cohort, Person, Size, gather, study  # noqa: E402
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

COHORTS, TARGET = {12: 120, 40: 60, 200: 24}, 0.9
"""So many cohorts of so many people of which a set is picked, and the share of new people that it should serve."""

PLACEMENTS, WANDER_SD_MM, ERROR_SD_MM = 3, 1.3, 0.8
"""How often hands are laid down, how far they wander each time, and what the measurement adds (invented)."""


def hands_of(rng: np.random.Generator, length_mm: float | None = None) -> tuple[FloatArray, FloatArray]:
    """Return an invented person's contacts as they are, (2, 5, 2) mm, and how the hands point (2, 2)."""
    if length_mm is None:
        mean, sd = LENGTHS_MM[int(rng.integers(2))]
        length_mm = float(rng.normal(mean, sd))
    common = rng.normal(size=(5, 2))
    apart, middle = rng.normal(210.0, 25.0), np.array([210.0, 140.0]) + rng.normal(0, 15.0, 2)
    places, reaches = np.zeros((2, 5, 2)), np.zeros((2, 2))
    for k, side in enumerate(SIDES):
        own = np.sqrt(ALIKE) * common + np.sqrt(1 - ALIKE) * rng.normal(size=(5, 2))
        shape = SHAPE_MM * length_mm / 190.0 + own * FINGER_SD_MM
        shape = shape * (1.0 if side == "left" else -1.0, 1.0)
        turn = np.radians(rng.normal(8.0, 5.0)) * (1 if side == "left" else -1)
        rotation = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        places[k] = shape @ rotation + middle + ((k - 0.5) * apart, 0.0)
        reaches[k] = np.array([0.0, -1.0]) @ rotation
    return places, reaches


def person(rng: np.random.Generator, number: int = 0, length_mm: float | None = None) -> Rest:
    """Return an invented person's rest: the hands laid down PLACEMENTS times."""
    return measured(rng, number, *hands_of(rng, length_mm))


def measured(rng: np.random.Generator, number: int, places: FloatArray, reaches: FloatArray) -> Rest:
    """Return the rest of hands as they are: laid down PLACEMENTS times, wandering, and measured with errors."""
    placements = []
    for photo in range(PLACEMENTS):
        contacts = tuple(
            Contact(
                side=side,
                finger=finger,
                contact_mm=places[k, f] + rng.normal(size=2) * np.hypot(WANDER_SD_MM, ERROR_SD_MM),
                covariance_mm2=np.eye(2) * ERROR_SD_MM**2,
                reach=reaches[k],
                breadth_mm=16.0,
                hidden=False,
                stretch_mm=8.0,
                stretch_sd_mm=3.0,
            )
            for k, side in enumerate(SIDES)
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
    fresh, _ = gather(people(5000, seed=3))
    result["target_percent"] = 100 * TARGET
    summaries = {}
    for count, cohorts in COHORTS.items():
        summaries[str(count)] = summary([picked(count, 1000 * count + seed, fresh) for seed in range(cohorts)])
        print(count, summaries[str(count)], flush=True)
    result["picked"] = summaries
    RESULT.write_text(json.dumps(result, indent=1) + "\n")
    print(json.dumps(result, indent=1))


def picked(count: int, seed: int, fresh: Sequence[Person]) -> dict[str, list[float]]:
    """Study one cohort: what is said of its sets and of the picked one, what they do, and verdicts with the truth."""
    rng = np.random.default_rng(seed)
    true = [hands_of(rng) for _ in range(count)]
    members, left_out = gather([(f"P{k:03d}", measured(rng, k, *hands)) for k, hands in enumerate(true)])
    found = study(members, left_out)
    chosen, foretold = found.picked_set(TARGET)
    truths = [served(entry.sizes, fresh, found) for entry in found.sets]
    truth = truths[found.sets.index(chosen)]
    known = [(entry.served_when_left_out, one) for entry, one in zip(found.sets, truths, strict=True)]
    off = [
        worst_mm(hands.reshape(1, 10, 2), chosen.sizes[service.size], found.hands)[0]
        for service, (hands, _) in zip(chosen.services, true, strict=True)
    ]
    verdicts = [service.verdict for service in chosen.services]
    return {
        "sizes": [len(chosen.sizes)],
        "said": [foretold.value],
        "marked": [chosen.served_when_left_out.value if chosen.served_when_left_out else np.nan],
        "truth": [truth],
        "holds": [foretold.low <= truth <= foretold.high],
        "fixed_said_less_truth": [share.value - one for share, one in known if share is not None],
        "fixed_holds": [share.low <= one <= share.high for share, one in known if share is not None],
        "served_are": [o <= found.within_mm for o, v in zip(off, verdicts, strict=True) if v == "served"],
        "not_served_are_not": [o > found.within_mm for o, v in zip(off, verdicts, strict=True) if v == "not served"],
        "on_the_line": [v == "on the line" for v in verdicts],
        "left_out": [len(left_out)],
        "notes": [len(found.notes)],
    }


def summary(told: Sequence[dict[str, list[float]]]) -> dict[str, object]:
    """Return means over cohorts, in percent where shares are meant; None where there was nothing to count."""
    values = {key: [value for one in told for value in one[key]] for key in told[0]}

    def percent(key: str) -> float | None:
        return round(100 * float(np.mean(values[key])), 1) if values[key] else None

    return {
        "cohorts": len(told),
        "sizes": round(float(np.mean(values["sizes"])), 2),
        "said_of_picked_percent": percent("said"),
        "left_out_share_of_picked_percent": percent("marked"),
        "new_people_served_by_picked_percent": percent("truth"),
        "interval_of_picked_holds_percent": percent("holds"),
        "left_out_less_new_points": percent("fixed_said_less_truth"),
        "intervals_hold_percent": percent("fixed_holds"),
        "told_served": len(values["served_are"]),
        "told_served_are_percent": percent("served_are"),
        "told_not_served": len(values["not_served_are_not"]),
        "told_not_served_are_not_percent": percent("not_served_are_not"),
        "told_on_the_line_percent": percent("on_the_line"),
        "people_left_out": int(sum(values["left_out"])),
        "people_noted": int(sum(values["notes"])),
    }


def worst_mm(places_mm: FloatArray, size: Size, hands: str) -> FloatArray:
    """Return the farthest finger (N,) of contacts (N, 10, 2) laid onto a size, each hand alone or both as one."""
    worst = np.zeros(len(places_mm))
    z, w = places_mm @ np.array([1.0, 1j]), size.contacts_mm @ np.array([1.0, 1j])
    for part in (slice(0, 10),) if hands == "together" else (slice(0, 5), slice(5, 10)):
        a, b = z[:, part] - z[:, part].mean(axis=1, keepdims=True), w[part] - w[part].mean()
        inner = a.conj() @ b
        worst = np.maximum(worst, np.abs(a * (inner / np.abs(inner))[:, None] - b).max(axis=1))
    return worst


def served(sizes: Sequence[Size], fresh: Sequence[Person], found: Cohort) -> float:
    """Return the share of new people whom one of the sizes serves."""
    places = np.array([one.contacts_mm for one in fresh])
    best = np.min([worst_mm(places, size, found.hands) for size in sizes], axis=0)
    return float(np.mean(best <= found.within_mm))


if __name__ == "__main__":
    main()
