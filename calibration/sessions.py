"""The bench of comparisons: false alarms, power and blame in simulated sessions, and the person scenes.

    python calibration/sessions.py                 # a few minutes on one core, and composing 16 photos once
    python calibration/sessions.py --no-photos     # simulations and the scenes' truth only

Simulated persons are invented. *hand* is how the design supposes that hands wander, and the person scenes do: most of
the 3 mm by which a finger comes down from its mean belongs to the hand as a whole (shift 2.5 mm, turn 1.5 degrees),
less to the fingers (1.2 mm across, 0.8 mm along, neighbours correlated by 0.5). In *unlike* fingers wander by very
different amounts; in *restless* one of them, the index, far more than the others; in *loose* each finger by 3 mm on its
own, with no hand that moves them together: the worst case. Measurement errors are those that contacts state.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from handcapture.documents import write_atomically
from handcapture.names import FINGERS, SIDES, Side
from handcapture.placement import Contact, HandPosture, Placement, Source
from handcapture.repeat import repeatability, t2_probability
from handcapture.sessions import (
    Comparison,
    HandPlaces,
    compare_sessions,
    compare_text,
    finger_verdict,
    tell_shapes,
)

FloatArray = NDArray[np.float64]
HERE: Final = Path(__file__).resolve().parent
RESULT: Final = HERE / "results" / "sessions.json"
SCENES: Final = HERE / "scenes"

PLACES_MM: Final = np.array([[-63.0, 45.0], [-30.0, -25.0], [0.0, -40.0], [28.0, -32.0], [53.0, -5.0]])
"""An invented hand at rest, hand axes: thumb to little finger."""
OWN_SD_MM: Final = np.array([[1.0, 1.0], [0.4, 0.8], [0.4, 0.8], [0.4, 0.7], [0.35, 0.6]])
SHARED_SD_MM: Final = np.array([[1.2, 1.2], [0.6, 1.0], [0.6, 0.95], [0.6, 0.85], [0.6, 0.7]])
"""What contacts of the person scenes state of themselves: of each photo's own, and of what photos share."""
SHIFT_SD_MM: Final = 2.5
TURN_SD_DEG: Final = 1.5
ANEW_MM: Final = 8.0
ANEW_DEG: Final = 4.0
"""How differently a hand lies on the mat from session to session."""


@dataclass(frozen=True, eq=False)
class Person:
    """How hands wander: sds (5, 2) of fingers across and along, correlation of neighbours, and the whole hand."""

    finger_sd_mm: FloatArray
    correlation: float
    shift_sd_mm: float = SHIFT_SD_MM
    turn_sd_deg: float = TURN_SD_DEG


PERSONS: Final[Mapping[str, Person]] = {
    "hand": Person(np.tile([1.2, 0.8], (5, 1)), 0.5),
    "unlike": Person(np.array([[1.0, 1.5], [1.5, 0.5], [1.1, 0.4], [0.8, 0.4], [0.7, 0.4]]), 0.0),
    "restless": Person(np.array([[0.8, 0.8], [2.0, 0.8], [0.8, 0.5], [0.8, 0.5], [0.8, 0.5]]), 0.0),
    "loose": Person(np.full((5, 2), 3.0), 0.0, 0.0, 0.0),
}
COUNTS: Final = (3, 5, 8, 12)
SHIFTS_MM: Final = (2.0, 3.0, 4.0, 6.0, 8.0, 10.0)


def session(
    person: Person,
    count: int,
    rng: np.random.Generator,
    change_mm: FloatArray | float = 0.0,
    unlike: float = 0.0,
) -> FloatArray:
    """Return one hand's measured places (count, 5, 2), hand axes; `change_mm` (5, 2) moves fingers.

    `unlike` is the share of the variance common to a session's photos that is not common to both sessions.
    """
    number = np.arange(len(FINGERS))
    mixing = np.linalg.cholesky(person.correlation ** np.abs(number[:, None] - number[None]))
    wander = np.einsum("fg,ngi->nfi", mixing, rng.normal(size=(count, 5, 2))) * person.finger_sd_mm
    turn = np.radians(rng.normal(0, ANEW_DEG) + rng.normal(0, person.turn_sd_deg, count))
    shift = rng.normal(0, ANEW_MM, 2) + rng.normal(0, person.shift_sd_mm, (count, 1, 2))
    cos, sin = np.cos(turn), np.sin(turn)
    rotation = np.stack([np.stack([cos, -sin], -1), np.stack([sin, cos], -1)], -2)
    placed = np.einsum("nij,nfj->nfi", rotation, PLACES_MM + change_mm + wander) + shift
    error = rng.normal(size=(count, 5, 2)) * OWN_SD_MM
    of_session = rng.normal(size=(5, 2)) * SHARED_SD_MM * np.sqrt(unlike)
    return np.asarray(placed + error + of_session, dtype=np.float64)


def two_hands(
    person: Person,
    counts: tuple[int, int],
    rng: np.random.Generator,
    change: Mapping[Side, FloatArray] | None = None,
    unlike: float = 0.0,
    restless: float = 1.0,
) -> dict[Side, HandPlaces]:
    """Return both hands in two sessions; `change` (5, 2) moves fingers of a side in the second."""
    hands: dict[Side, HandPlaces] = {}
    for side in SIDES:
        moved = (change or {}).get(side, np.zeros((5, 2)))
        before = session(person, counts[0], rng, 0.0, unlike)
        later = replace(person, finger_sd_mm=person.finger_sd_mm * restless)
        hands[side] = HandPlaces(before, session(later, counts[1], rng, moved, unlike))
    return hands


def false_alarms(
    person: Person,
    counts: tuple[int, int],
    runs: int,
    seed: int = 1,
    unlike: float = 0.0,
    restless: float = 1.0,
) -> dict[str, Any]:
    """Return the share of comparisons of two unchanged hands in which any finger, or a hand's shape, is blamed.

    `by_finger` is the share in which each finger of either hand is. `restless` multiplies how far fingers wander in the
    second session.
    """
    rng = np.random.default_rng([seed, *counts])
    alarms, blamed = 0, np.zeros(len(FINGERS))
    for _ in range(runs):
        told = tell_shapes(two_hands(person, counts, rng, unlike=unlike, restless=restless))
        alarms += bool(told.changed or told.untold)
        for _, finger in told.changed:
            blamed[FINGERS.index(finger)] += 0.5
    share = alarms / runs
    return {
        "share": round(share, 4),
        "sd": round(float(np.sqrt(share * (1 - share) / runs)), 4),
        "by_finger": dict(zip(FINGERS, np.round(blamed / runs, 4).tolist(), strict=True)),
        "runs": runs,
    }


def planted(
    person: Person, counts: tuple[int, int], shift_mm: float, runs: int, seed: int = 2, fingers: int = 1
) -> dict[str, Any]:
    """Return how often a planted change of one finger (or several of a hand) is found, and others are blamed.

    Hand, finger and direction are drawn at random. `found`: all planted fingers were named. `wrong`: another was, or a
    hand's shape. `inside`: the stated 95 % region of the planted finger's change holds it, found or not.
    """
    rng = np.random.default_rng([seed, *counts, round(10 * shift_mm), fingers])
    found, wrong, inside = 0, 0, 0
    by_finger = {finger: [0, 0] for finger in FINGERS}
    for _ in range(runs):
        side = SIDES[rng.integers(2)]
        which = rng.choice(len(FINGERS), fingers, replace=False)
        change = np.zeros((len(FINGERS), 2))
        for number in which:
            angle = rng.uniform(0, 2 * np.pi)
            change[number] = shift_mm * np.array([np.cos(angle), np.sin(angle)])
        told = tell_shapes(two_hands(person, counts, rng, {side: change}))
        named = {(side, FINGERS[number]) for number in which}
        hit = named <= set(told.changed)
        found += hit
        wrong += bool(set(told.changed) - named or told.untold)
        for number in which:
            by_finger[FINGERS[number]][0] += (side, FINGERS[number]) in told.changed
            by_finger[FINGERS[number]][1] += 1
        if fingers == 1:
            shift = told.shifts[side, FINGERS[which[0]]]
            off = shift.change_mm - change[which[0]]
            inside += t2_probability(float(off @ np.linalg.solve(shift.covariance_mm2, off)), 2, shift.freedom) >= 0.05
    result: dict[str, Any] = {
        "found": round(found / runs, 4),
        "wrong": round(wrong / runs, 4),
        "found_by_finger": {f: round(hits / max(n, 1), 3) for f, (hits, n) in by_finger.items()},
        "runs": runs,
    }
    if fingers == 1:
        result["inside_region"] = round(inside / runs, 4)
    return result


# The person scenes


def scene_placements(phase: str, mat: str = "a3") -> list[Placement]:
    """Return the placements of person_before or person_after as they truly are, with the covariances of OWN_SD_MM.

    Contacts come from the scenes' truth (table frame, y up), turned to the mat's axes.
    """
    placements = []
    for path in sorted(SCENES.glob(f"person_{phase}_*/truth.json")):
        truth = json.loads(path.read_text())
        contacts, hands = [], []
        for side in SIDES:
            hand = truth["hands"][side]
            for number, finger in enumerate(FINGERS):
                entry = hand["fingers"][finger]
                at = np.array(entry["contact_mm"][:2]) * [1.0, -1.0] + [210.0, 148.5]
                knuckle = np.array(next(iter(entry["joints_mm"].values()))[:2]) * [1.0, -1.0] + [210.0, 148.5]
                own, shared = np.diag(OWN_SD_MM[number] ** 2), np.diag(SHARED_SD_MM[number] ** 2)
                reach = (at - knuckle) / np.linalg.norm(at - knuckle)
                contacts.append(
                    Contact(side, finger, at, own + shared, reach, entry["breadth_dip_mm"], False, None, shared)
                )
            wrist = np.array(hand["wrist_mm"][:2]) * [1.0, -1.0] + [210.0, 148.5]
            deviation, length, breadth = (
                hand[name] for name in ("wrist_deviation_deg", "hand_length_mm", "hand_breadth_mm")
            )
            hands.append(HandPosture(side, wrist, deviation, 2.7, True, length, breadth))
        name = path.parent.name
        source = Source(name, f"truth of {name}", None, mat, (1.0, 1.0), 0.001, truth["tilt_deg"], 450.0, 0.14, 0.1)
        placements.append(Placement(tuple(contacts), tuple(hands), (source,)))
    return placements


def photo_placements(phase: str, mat: str) -> list[Placement]:
    """Return the placements as measured in composed photos of the person scenes."""
    from reference import composed_photos, scene_names

    from handcapture.capture import Networks, capture
    from handcapture.photo import read_photo

    names = [name for name in scene_names() if name.startswith(f"person_{phase}_")]
    with Networks() as networks:
        return [capture(read_photo(scene.photo), networks).placement for scene in composed_photos((mat,), names)]


def in_short(comparison: Comparison) -> dict[str, Any]:
    """Return a comparison as the results file keeps it."""
    return {
        "fingers": {
            f"{f.side} {f.finger}": {
                "verdict": finger_verdict(f, comparison.margin_mm),
                "change_mm": None if f.change_mm is None else np.round(f.change_mm, 2).tolist(),
                "known_to_mm": None if f.known_to_mm is None else round(f.known_to_mm, 2),
                "probability": None if f.probability is None else round(f.probability, 4),
                "placements_needed": f.placements_needed,
            }
            for f in comparison.fingers
        },
        "text": compare_text(comparison).splitlines(),
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the bench and write its results."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--runs", type=int, default=2000, help="simulations of unchanged hands; fewer of other cases")
    parser.add_argument("--no-photos", action="store_true", help="leave out the composed photos")
    parser.add_argument("--output", type=Path, default=RESULT)
    given = parser.parse_args(arguments)
    runs, half, fewer = given.runs, given.runs // 2, max(given.runs // 8, 20)
    result: dict[str, Any] = {"note": "simulated persons are invented, hands of the scenes synthetic"}
    result["false_alarms"] = {
        name: {str(n): false_alarms(person, (n, n), runs if name == "hand" else half) for n in COUNTS}
        for name, person in PERSONS.items()
    }
    print(json.dumps(result["false_alarms"], indent=1), flush=True)
    result["false_alarms_unequal_counts"] = {
        f"{a} and {b}": false_alarms(PERSONS["hand"], (a, b), half) for a, b in ((1, 5), (3, 8))
    }
    result["false_alarms_with_twice_the_spread_after"] = {
        f"{a} and {b}": false_alarms(PERSONS["hand"], (a, b), half, restless=2.0) for a, b in ((5, 5), (8, 3))
    }
    result["false_alarms_if_a_tenth_of_what_photos_share_differs"] = {
        str(n): false_alarms(PERSONS["hand"], (n, n), half, unlike=0.1) for n in COUNTS
    }
    print(json.dumps(result, indent=1)[-900:], flush=True)
    result["planted_6_mm_five_placements"] = {
        name: planted(person, (5, 5), 6.0, half) for name, person in PERSONS.items()
    }
    result["two_fingers_8_mm_five_placements"] = planted(PERSONS["hand"], (5, 5), 8.0, fewer, fingers=2)
    print(json.dumps(result["planted_6_mm_five_placements"], indent=1), flush=True)
    result["power"] = {
        name: {
            str(n): {f"{shift:g} mm": planted(PERSONS[name], (n, n), shift, fewer)["found"] for shift in SHIFTS_MM}
            for n in COUNTS
        }
        for name in ("hand", "loose")
    }
    print(json.dumps(result["power"], indent=1), flush=True)
    truth = {phase: scene_placements(phase) for phase in ("before", "after")}
    result["scenes_truth"] = in_short(compare_sessions(truth["before"], truth["after"]))
    result["scenes_repeatability_mm"] = {
        phase: {
            "technical_error": round(repeatability(found).technical_error_mm, 2),
            "common_sd": np.round(np.sqrt(np.diag(repeatability(found).common.covariance_mm2)), 2).tolist(),
        }
        for phase, found in truth.items()
    }
    if not given.no_photos:
        photos = {mat: [photo_placements(phase, mat) for phase in ("before", "after")] for mat in ("a3", "a4-pair")}
        result["scenes_photos"] = {mat: in_short(compare_sessions(*both)) for mat, both in photos.items()}
        crossed = compare_sessions(photos["a3"][0], photos["a4-pair"][1])
        result["scenes_photos"]["a3, then a4-pair"] = in_short(crossed)
    write_atomically(given.output, (json.dumps(result, indent=1, ensure_ascii=False) + "\n").encode())
    return 0


if __name__ == "__main__":
    sys.exit(main())
