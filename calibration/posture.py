"""How well posture is measured: `handcapture.measures` on every reference photo, each as a rest of one placement.

    python calibration/posture.py                      # all scenes on a3 and a4-pair: some four minutes
    python calibration/posture.py --mats a3 --scenes scene_04 more_10

The truth is the scenes' own: joints, forearm axis, contacts, the size of the flat hand. The headline counts the hand
shapes on which nothing was fitted (calibration/split.py); the others are measured with fingertip weights that were
trained on these (calibration/models). What a constant of `hands.posture` or `measures` is taken from is printed of the
fitting half, each hand shape counted once: the turns that are left, and what errors share within a shape. Hands are
synthetic; good figures are necessary, not sufficient.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from accuracy import RESULTS, SWAPPED_MODELS
from numpy.typing import NDArray
from reference import ScenePhoto, composed_photos, scene_names
from split import FITTING_SHAPES

from handcapture.capture import Networks, capture
from handcapture.documents import write_atomically
from handcapture.errors import HandcaptureError
from handcapture.measures import NORMAL_95, measures
from handcapture.names import FINGERS, SIDES, Side
from handcapture.photo import read_photo
from handcapture.placement import Placement
from handcapture.rest import pool

FloatArray = NDArray[np.float64]
DEVIATION, FOREARM, METACARPAL = "wrist deviation", "forearm turn", "metacarpal turn"
BENT_DEG = 5.0
"""Where the wrist is bent by more than this, the sign must be right."""
FEW_SHAPES = 2.776
"""Student's t of five hand shapes, 97.5 %."""


@dataclass(frozen=True)
class Row:
    """One measure of one photo: its error, the stated deviation, the truth. Turns have none."""

    name: str
    scene: str
    shape: str
    error: float
    sd: float
    true: float


def truth_of(truth: dict[str, Any]) -> dict[tuple[str, Side | None], float]:
    """Return the true measures of a scene; its table frame has y up."""
    known: dict[tuple[str, Side | None], float] = {}
    down = np.array([1.0, -1.0])
    arms, wrists, contacts = {}, {}, {}
    for side in SIDES:
        hand = truth["hands"][side]
        known[DEVIATION, side] = hand["wrist_deviation_deg"]
        known["hand length", side] = hand["hand_length_mm"]
        known["hand breadth", side] = hand["hand_breadth_mm"]
        elbow, wrist = (np.array(place[:2]) * down for place in hand["forearm_axis_mm"])
        arms[side], wrists[side] = elbow - wrist, np.array(hand["wrist_mm"][:2]) * down
        places = {finger: np.array(hand["fingers"][finger]["contact_mm"][:2]) * down for finger in FINGERS}
        contacts[side] = places
        known["resting span", side] = float(np.hypot(*(places["little"] - places["thumb"])))
        for first, second in pairwise(FINGERS):
            known[f"gap {first}-{second}", side] = float(np.hypot(*(places[second] - places[first])))
        ways = {f: places[f] - np.array(hand["fingers"][f]["joints_mm"]["mcp"][:2]) * down for f in FINGERS[1:]}
        for first, second in pairwise(FINGERS[1:]):
            known[f"angle {first}-{second}", side] = turn_deg(ways[first], ways[second]) * _outwards(side)
    known["forearm convergence", None] = turn_deg(arms["right"], arms["left"])
    known["wrists apart", None] = float(np.hypot(*(wrists["right"] - wrists["left"])))
    known["index fingertips apart", None] = float(np.hypot(*(contacts["right"]["index"] - contacts["left"]["index"])))
    return known


def turn_deg(start: FloatArray, end: FloatArray) -> float:
    """Return the angle from one direction to another, clockwise as seen, y being down."""
    return float(np.degrees(np.arctan2(start[0] * end[1] - start[1] * end[0], start @ end)))


def _outwards(side: Side) -> float:
    return 1.0 if side == "right" else -1.0


def errors(scene: ScenePhoto, placement: Placement) -> list[Row]:
    """Return the errors of all measures of one photo, and by how much forearms and metacarpals were turned."""
    known = truth_of(scene.truth)
    shape = scene.truth["shape"]
    rows = [
        Row(m.name, scene.name, shape, m.value - known[m.name, m.side], m.sd, known[m.name, m.side])
        for m in measures(pool([placement]))
        if m.value is not None and m.sd is not None
    ]
    for hand in placement.hands:
        if not hand.forearm_seen or hand.palm is None or hand.palm.forearm is None:
            continue
        elbow, wrist = (np.array(p[:2]) * [1, -1] for p in scene.truth["hands"][hand.side]["forearm_axis_mm"])
        arm = turn_deg(elbow - wrist, hand.palm.forearm) * _outwards(hand.side)
        deviation = hand.wrist_deviation_deg - known[DEVIATION, hand.side]
        rows.append(Row(FOREARM, scene.name, shape, arm, np.nan, 0.0))
        rows.append(Row(METACARPAL, scene.name, shape, deviation + arm, np.nan, 0.0))
    return rows


def figures(rows: Sequence[Row]) -> dict[str, Any]:
    """Return the figures of one measure."""
    off = np.array([row.error for row in rows])
    found: dict[str, Any] = {
        "count": len(rows),
        "median_error": round(float(np.median(np.abs(off))), 2),
        "p95_error": round(float(np.percentile(np.abs(off), 95)), 2),
        "bias": round(float(off.mean()), 2),
        "rms": round(float(np.sqrt((off**2).mean())), 2),
    }
    sd = np.array([row.sd for row in rows])
    if np.isfinite(sd).all():
        found["stated_sd"] = round(float(np.median(sd)), 2)
        found["within_95"] = round(100 * float((np.abs(off) < NORMAL_95 * sd).mean()), 1)
    if rows[0].name == DEVIATION:
        bent = [row for row in rows if abs(row.true) > BENT_DEG]
        right = sum((row.true + row.error) * row.true > 0 for row in bent)
        found |= {"bent_by_5_deg": len(bent), "sign_right": right}
    return found


def components(rows: Sequence[Row]) -> dict[str, float]:
    """Return mean, and the deviations of an error within and between hand shapes, each shape counted once.

    The one between is widened for the mean being estimated from few shapes, and for so few telling it (Student's t).
    """
    groups = [np.array([r.error for r in rows if r.shape == shape]) for shape in sorted({r.shape for r in rows})]
    means = np.array([group.mean() for group in groups])
    between = float(means.std(ddof=1)) * np.sqrt(1 + 1 / len(means)) * FEW_SHAPES / NORMAL_95 if len(means) > 1 else 0.0
    return {
        "mean": round(float(means.mean()), 2),
        "own": round(float(np.sqrt(np.mean([group.var() for group in groups]))), 2),
        "shared": round(float(between), 2),
    }


def table(rows: Sequence[Row]) -> dict[str, Any]:
    """Return all figures: of the reporting half, of both, and what constants are taken from."""
    reporting = [row for row in rows if row.shape not in FITTING_SHAPES]
    fitting = [row for row in rows if row.shape in FITTING_SHAPES]
    names = list(dict.fromkeys(row.name for row in rows))

    def of(part: Sequence[Row]) -> dict[str, Any]:
        return {name: figures(mine) for name in names if (mine := [row for row in part if row.name == name])}

    return {
        "note": "synthetic hands; every photo alone; angles in degrees, lengths in mm",
        "reporting": of(reporting),
        "both": of(rows),
        "fitting": of(fitting),
        "fitting_components": {
            name: components(mine) for name in names if (mine := [row for row in fitting if row.name == name])
        },
        "deviation_bias_of_shapes": {
            shape: round(float(np.mean([r.error for r in rows if r.name == DEVIATION and r.shape == shape])), 2)
            for shape in sorted({row.shape for row in rows})
        },
    }


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mats", nargs="+", default=["a3", "a4-pair"])
    parser.add_argument("--scenes", nargs="+", default=list(scene_names()))
    parser.add_argument("--output", type=Path, help="Write the tables as JSON. [default with all scenes: results]")
    arguments = parser.parse_args()
    rows: list[Row] = []
    refused: list[str] = []
    with Networks() as shipped, Networks(SWAPPED_MODELS) as swapped:
        for scene in composed_photos(arguments.mats, arguments.scenes):
            networks = swapped if scene.truth["shape"] in FITTING_SHAPES else shipped
            try:
                rows += errors(scene, capture(read_photo(scene.photo), networks, scene.mat).placement)
            except HandcaptureError as error:
                refused.append(f"{scene.name} on {scene.mat}: {error}")
    found = {**table(rows), "mats": arguments.mats, "refused": refused}
    for half in ("reporting", "both", "fitting"):
        print(half)
        for name, values in found[half].items():
            print(f"  {name:24s} " + "  ".join(f"{key} {value}" for key, value in values.items()))
    print("constants, of the fitting half")
    for name, values in found["fitting_components"].items():
        print(f"  {name:24s} " + "  ".join(f"{key} {value}" for key, value in values.items()))
    print(f"bias of the deviation, by hand shape: {found['deviation_bias_of_shapes']}; refused: {refused or 'none'}")
    output = arguments.output or (RESULTS / "posture.json" if set(arguments.scenes) == set(scene_names()) else None)
    if output is not None:
        write_atomically(output, (json.dumps(found, indent=1) + "\n").encode())


if __name__ == "__main__":
    main()
