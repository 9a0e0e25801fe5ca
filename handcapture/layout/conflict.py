"""What clashes when a plan does not fit on a panel, and which single changes resolve it.

All constraints are loosened together as little as can be; the multipliers of that problem tell which of them hold it
up. Of these, each that is not needed for the clash is left out, until every one that remains is. Then every kind of
change is tried by itself: the least amount of it that helps, checked with the same solver that fits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from handcapture.layout.constraints import Constraint, FloatArray, Kind
from handcapture.layout.descent import Descent
from handcapture.layout.model import KeepOut, Panel
from handcapture.layout.outline import obstacles_of, side_keep_out
from handcapture.layout.search import Problem, complete, loosened, solution_from, starts
from handcapture.layout.task import Task

_TRIES: Final = 4
"""Starts from which a clash or a way out is looked for."""
_HELD: Final = 1e-4
_CLASH_MM: Final = 1e-3
_MOST_NAMED: Final = 8


def explain(task: Task) -> str:
    """Say what clashes and which single changes, each tried, resolve it."""
    problem, panel = Problem(task, every_kind=True), task.panel
    tries = list(starts(problem, _TRIES))
    found = min((loosened(problem, start) for start in tries), key=lambda one: one.loosening)
    clashing = [_say(problem, problem.constraints[k]) for k in smallest_clash(problem, found)]
    text = (
        f"The {len(task.names)} buttons do not fit on {panel.name} ({panel.width_mm:g} × {panel.height_mm:g} mm): "
        f"{'; '.join(clashing[:_MOST_NAMED])}{' and others' if len(clashing) > _MOST_NAMED else ''} cannot all be kept"
        f"{f', short by {found.loosening:.1f} mm' if np.isfinite(found.loosening) else ''}."
    )
    ways = _ways_out(problem, [found.place, tries[0]])
    if ways:
        return f"{text} Any one of these resolves it: {'; '.join(ways)}."
    return f"{text} Take buttons out, make holes smaller, free fixed places or take a larger panel."


def smallest_clash(problem: Problem, found: Descent) -> list[int]:
    """Return the numbers of constraints that cannot be kept together, none of which can be left out.

    `found` is the least loosening of all of them. What holds it up there clashes as the buttons lie to each other: with
    these constraints alone it is as far from being kept (the conditions of Karush, Kuhn and Tucker). Another
    arrangement breaks others instead, else `found` would not be the least. The smaller of two irreducible sets is
    returned; there may be one of fewer.
    """
    limit = _HELD * max(float(found.multipliers.max(initial=0.0)), 1e-12)
    held: list[int] = np.flatnonzero(found.multipliers > limit).tolist()
    # Where they give way all the same, from a saddle, what that breaks holds them too.
    while (there := loosened(problem, found.place, only=np.array(held, dtype=np.intp))).loosening <= _CLASH_MM:
        broken = np.flatnonzero(problem.at(there.place).at_least_zero < -_CLASH_MM).tolist()
        if not set(broken) - set(held):
            break
        held = sorted({*held, *broken})
    # Those that hold the least are left out first; begun from the other end another clash may be left, of fewer.
    order = sorted(held, key=lambda k: float(found.multipliers[k]))
    return min((_reduced(problem, held, one, found.place) for one in (order, order[::-1])), key=len)


def _reduced(problem: Problem, held: list[int], order: Sequence[int], place: FloatArray) -> list[int]:
    """Return what is left when each of `held`, in this order, is left out unless the clash needs it."""
    for k in order:
        fewer = [other for other in held if other != k]
        if loosened(problem, place, only=np.array(fewer, dtype=np.intp)).loosening > _CLASH_MM:
            held = fewer
    return held


def _say(problem: Problem, constraint: Constraint) -> str:
    names = [problem.task.names[k] for k in constraint.buttons]
    panel = problem.task.panel
    if constraint.kind == "web":
        return f"{panel.web_mm:g} mm of web between {names[0]} and {names[1]}"
    if constraint.kind == "rims":
        return f"{panel.rim_gap_mm:g} mm between the rims of {names[0]} and {names[1]}"
    if constraint.kind == "bodies":
        return f"{panel.body_gap_mm:g} mm between the bodies of {names[0]} and {names[1]} below the panel"
    if constraint.kind == "keep-out" and constraint.keep_out is not None:
        return f"{_what(panel, constraint.keep_out)} beside {names[0]}"
    edge = {"corner": "rounded corner", "outline": "panel's edge"}.get(constraint.kind, f"{constraint.kind} edge")
    k, sizes = constraint.buttons[0], problem.task.sizes
    if sizes.radii[k] >= sizes.from_edge(panel)[k]:
        return f"the hole of {names[0]} within the {edge}"
    if sizes.from_edge(panel)[k] > sizes.radii[k] + (0.0 if sizes.edge_waived[k] else panel.edge_mm):
        return f"the rim of {names[0]} within the {edge}"
    return f"{panel.edge_mm:g} mm from {names[0]} to the {edge}"


def _what(panel: Panel, obstacle: KeepOut) -> str:
    """Say what an obstacle is."""
    if obstacle in panel.keep_outs:
        return f"the keep-out “{obstacle.name}”"
    return (
        f"the {'opening' if any(cut.name == obstacle.name for cut in panel.cuts) else 'side feature'} “{obstacle.name}”"
    )


@dataclass(frozen=True, eq=False)
class _Change:
    """A kind of change: how to say it, its largest amount, how to make it, and what it loosens, (m,)."""

    words: Callable[[float], str]
    largest_mm: float
    make: Callable[[Task, float], Task]
    share: FloatArray


def _ways_out(problem: Problem, from_here: Sequence[FloatArray]) -> list[str]:
    """Return the single changes that resolve the conflict, each with its least amount, each tried out."""
    ways = []
    for change in _changes(problem):
        amount = min(loosened(problem, start, change.share).loosening for start in from_here)
        if not amount <= change.largest_mm:
            continue
        for tried in (amount, 1.1 * amount + 0.1):
            rounded = float(np.ceil((tried + 1e-4) * 10) / 10)
            if rounded <= change.largest_mm and _fits(complete(change.make(problem.task, rounded)), from_here[0]):
                ways.append(change.words(rounded))
                break
    return ways


def _fits(task: Task, near: FloatArray) -> bool:
    problem = Problem(task)
    tries = [*starts(problem, _TRIES)]
    if len(near) == problem.size:
        tries.insert(0, near)
    return any(solution_from(problem, start) is not None for start in tries)


def _changes(problem: Problem) -> list[_Change]:
    panel, task = problem.task.panel, problem.task
    kinds = [constraint.kind for constraint in problem.constraints]

    def share(amounts: dict[Kind, float]) -> FloatArray:
        return np.array([amounts.get(kind, 0.0) for kind in kinds])

    edges: dict[Kind, float] = dict.fromkeys(("left", "right", "top", "bottom", "corner", "outline"), 1.0)
    smallest_mm = 2 * float(task.sizes.radii.min()) - 5.0
    changes = [
        _Change(
            lambda t: f"a web of {panel.web_mm - t:.1f} instead of {panel.web_mm:g} mm",
            panel.web_mm,
            lambda task, t: replace(task, panel=replace(panel, web_mm=panel.web_mm - t)),
            share({"web": 1.0}),
        ),
        _Change(
            lambda t: f"an edge distance of {panel.edge_mm - t:.1f} instead of {panel.edge_mm:g} mm",
            panel.edge_mm,
            lambda task, t: replace(task, panel=replace(panel, edge_mm=panel.edge_mm - t)),
            share(edges),
        ),
        _Change(
            lambda t: f"all holes {t:.1f} mm smaller",
            smallest_mm,
            lambda task, t: replace(task, sizes=replace(task.sizes, radii=task.sizes.radii - t / 2)),
            share({"web": 1.0, "keep-out": 0.5, **dict.fromkeys(edges, 0.5)}),
        ),
    ]
    if not panel.outline:
        changes[2:2] = [
            _Change(
                lambda t: f"a panel {t:.1f} mm wider",
                5000.0,
                lambda task, t: replace(task, panel=replace(panel, width_mm=panel.width_mm + t)),
                share({"right": 1.0, "corner": 1.0}),
            ),
            _Change(
                lambda t: f"a panel {t:.1f} mm higher",
                5000.0,
                lambda task, t: replace(task, panel=replace(panel, height_mm=panel.height_mm + t)),
                share({"bottom": 1.0, "corner": 1.0}),
            ),
        ]
    return changes + [_without(problem, obstacle) for obstacle in obstacles_of(panel)]


def _without(problem: Problem, obstacle: KeepOut) -> _Change:
    """Return the change that takes an obstacle away."""
    panel = problem.task.panel
    fewer = replace(
        panel,
        keep_outs=tuple(keep_out for keep_out in panel.keep_outs if keep_out != obstacle),
        cuts=tuple(cut for cut in panel.cuts if cut.name != obstacle.name),
        side_features=tuple(f for f in panel.side_features if side_keep_out(panel, f) != obstacle),
    )
    return _Change(
        lambda t: f"no {_what(panel, obstacle).removeprefix('the ')}",
        5000.0,
        lambda task, t: replace(task, panel=fewer),
        np.array([float(constraint.keep_out == obstacle) for constraint in problem.constraints]),
    )
