"""The fit on random plans: constraints, restarts, speed. Writes calibration/results/fits.json.

    python calibration/fits.py [--problems 200] [--restarts 20] [--first 0 --first 10000]

The problems are invented: 6 to 30 buttons over two hands that are jittered, with rims, bodies, keep-outs on both faces,
openings, side features, rows, mirrors, fixed places, rectangles and free outlines. Those that the fit calls impossible
do not count, but are counted. The search was worked on with some of the first set (numbers from 0), and with none of
the second (from 10000). A restart begins from the fingers' wishes, scattered by 12 mm, with the same descent.
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from pathlib import Path
from typing import Any

import numpy as np

from handcapture.layout.fit import LayoutError, fit_layout
from handcapture.layout.model import Cut, KeepOut, Panel, SideFeature
from handcapture.layout.outline import as_outline
from handcapture.layout.plan import Plan
from handcapture.layout.search import Problem, complete, solution_from
from handcapture.layout.task import FEASIBLE_MM, task_of
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.rest import Fingertip, Rest

RESULT = Path(__file__).parent / "results" / "fits.json"
KEYS: tuple[tuple[Side, Finger], ...] = tuple((side, finger) for side in SIDES for finger in FINGERS)
PLACES_MM = np.array(
    [
        *[(166.0, 175.0), (140.0, 118.0), (116.0, 103.0), (91.0, 110.0), (62.0, 135.0)],
        *[(254.0, 175.0), (280.0, 118.0), (304.0, 103.0), (329.0, 110.0), (358.0, 135.0)],
    ]
)
"""Thumb to little finger of the left and the right hand, mat frame; invented, as two hands rest on an A3 mat."""


def random_problem(seed: int, count: int | None = None) -> tuple[Rest, Plan, Panel]:
    """Return an invented rest, plan and panel."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(6, 31)) if count is None else count
    hands = [(rng.normal(0, 6, 2), rng.normal(0, 0.08)) for _ in SIDES]
    tips = []
    for k, (side, finger) in enumerate(KEYS):
        shift, turn = hands[k // 5]
        middle = PLACES_MM[k // 5 * 5 : k // 5 * 5 + 5].mean(axis=0)
        spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        place = spin @ (PLACES_MM[k] - middle) + middle + shift + rng.normal(0, 3, 2)
        spread = np.diag(rng.uniform(1.0, 16.0, 2))
        reach = np.array([rng.normal(0, 0.15), -1.0])
        tips.append(
            Fingertip(side, finger, place, np.eye(2), spread, False, reach / np.linalg.norm(reach), 16.0, False, 4)
        )
    parts = [
        {"name": "small", "hole_mm": 24, "rim_mm": 28, "body_mm": 25, "nut_mm": 30, "depth_mm": 30},
        {"name": "large", "hole_mm": 30, "rim_mm": 35, "body_mm": 31, "depth_mm": 45},
    ]
    buttons: list[dict[str, Any]] = []
    for k in range(count):
        side, finger = KEYS[k % 10]
        level = k // 10
        entry: dict[str, Any] = {"label": f"B{k}", "side": side, "finger": finger}
        entry["part"] = "large" if finger == "thumb" and rng.random() < 0.5 else "small"
        if finger == "thumb":
            entry |= [{}, {}, {"row": "far", "far_mm": 34.0}][level]  # two thumb buttons stand side by side
        else:
            entry |= [{}, {"row": "far", "far_mm": 36.0}, {"offset_mm": (0.0, 37.0)}][level]
        buttons.append(entry)
    plan: dict[str, Any] = {"name": "random", "hole_mm": 24, "parts": parts, "buttons": buttons}
    if rng.random() < 0.4:
        plan["align"] = [
            {"buttons": ["B2", "B3"], "angle_deg": None if rng.random() < 0.5 else float(rng.normal(0, 5))}
        ]
        if count > 14:
            plan["align"].append({"buttons": ["B11", "B12", "B13"], "angle_deg": None})
    if count >= 10 and rng.random() < 0.4:
        plan["mirror"] = [{"left": "B0", "right": "B5"}]
    if rng.random() < 0.3:
        plan["centre_on"] = str(rng.choice(["hands", "left thumb", "B0"])) if "mirror" not in plan else "hands"
    width, height = 440.0 + 40.0 * rng.random(), 260.0 + 30.0 * rng.random()
    fields: dict[str, Any] = {
        "width_mm": width,
        "height_mm": height,
        "corner_radius_mm": float(rng.choice([0, 15, 40])),
    }
    if rng.random() < 0.5:
        cut = 30.0 + 40.0 * rng.random()
        corners = [
            [0, 0], [width, 0], [width, height - cut], [width - cut, height],
            [width * 0.66, height, 0.0], [width * 0.6, height - 25, 0.0], [width * 0.4, height - 25, 0.0],
            [width * 0.34, height], [cut, height, 0.35], [0, height - cut],
        ]  # fmt: skip
        fields = as_outline(corners)
    keep_outs = [KeepOut("lamp", "circle", (width / 2, 40.0), 30.0, (0.0, 0.0), 3.0)]
    keep_outs += [
        KeepOut(
            "board", "rectangle", (width / 2 + rng.normal(0, 10), height - 75.0), 0.0, (50.0, 40.0), 2.0, "below", 20.0
        )
    ]
    if rng.random() < 0.5:
        x = float(rng.uniform(0.2, 0.8) * width)
        keep_outs.append(KeepOut("post", "circle", (x, float(rng.uniform(90, 150))), 9.0, (0.0, 0.0), 2.0, "below"))
    cuts = tuple(
        Cut(f"screw {x:.0f} {y:.0f}", "circle", (x, y), 5.0) for x in (12.0, width - 12.0) for y in (12.0, height / 2)
    )
    panel = Panel(
        "Random",
        **fields,
        edge_mm=10.0,
        web_mm=float(rng.uniform(4, 7)),
        keep_outs=tuple(keep_outs),
        cuts=cuts,
        side_features=(SideFeature("socket", "back", width / 3, 20.0, 25.0),),
    )
    return Rest(tuple(tips), (), ()), Plan.model_validate(plan), panel


def restarts(problem: Problem, count: int, seed: int) -> list[float]:
    """Return the costs that random restarts lead to, those that lead nowhere left out."""
    rng = np.random.default_rng(seed)
    costs = []
    for _ in range(count):
        z = solution_from(problem, problem.start(rng.normal(0, 12.0, problem.task.wishes.shape)))
        if z is not None:
            costs.append(problem.cost(z))
    return costs


def measure(problems: int, tries: int, first: int = 0) -> dict[str, Any]:
    """Return the figures."""
    worst_gap, better, impossible, seconds, sizes, seed = 0.0, [], 0, [], [], first
    while len(seconds) < problems:
        rest, plan, panel = random_problem(seed)
        seed += 1
        start = time.perf_counter()
        try:
            layout = fit_layout(rest, plan, panel)
        except LayoutError:
            impossible += 1
            continue
        seconds.append(time.perf_counter() - start)
        sizes.append(len(layout.buttons))
        problem = Problem(complete(task_of(rest, plan, panel)))
        z = problem.variables(layout)
        here = problem.at(z)
        worst_gap = max(worst_gap, here.shortfall(np.ones(len(here.at_least_zero))))
        cost = problem.cost(z)
        best = min(restarts(problem, tries, seed), default=np.inf)
        gain = (cost - best) / max(cost, 1e-9)
        if gain > 1e-3:
            better.append({"seed": seed - 1, "buttons": len(layout.buttons), "percent": round(100 * gain, 3)})
            print(better[-1], flush=True)
    return {
        "problems": problems,
        "first_problem": first,
        "called_impossible": impossible,
        "buttons": [min(sizes), max(sizes)],
        "restarts": tries,
        "worst_shortfall_mm": worst_gap,
        "allowed_mm": FEASIBLE_MM,
        "better_by_more_than_0.1_percent": better,
        "seconds": {"median": statistics.median(seconds), "worst": max(seconds)},
    }


def thirty_buttons(repeats: int = 9) -> dict[str, Any]:
    """Return how long 30 buttons with every kind of constraint take, warm."""
    seconds = []
    for seed in range(1000, 1000 + repeats):
        rest, plan, panel = random_problem(seed, 30)
        fit_layout(rest, plan, panel)
        start = time.perf_counter()
        fit_layout(rest, plan, panel)
        seconds.append(time.perf_counter() - start)
    return {"seconds_median": statistics.median(seconds), "seconds_worst": max(seconds), "plans": repeats}


def main() -> None:
    """Measure and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--problems", type=int, default=200)
    parser.add_argument("--restarts", type=int, default=20)
    parser.add_argument("--first", type=int, action="append", help="number of a set's first problem")
    arguments = parser.parse_args()
    sets = [measure(arguments.problems, arguments.restarts, first) for first in arguments.first or (0, 10000)]
    result = {"thirty_buttons": thirty_buttons(), "sets": sets}
    RESULT.write_text(json.dumps(result, indent=1) + "\n")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
