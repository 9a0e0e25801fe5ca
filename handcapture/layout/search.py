"""The search for the best places: a smooth problem, not convex, solved from several starts and arrangements."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from handcapture.layout.constraints import FloatArray, Indices, depths_mm, name_constraints, near, room
from handcapture.layout.descent import Descent, Smooth, descend
from handcapture.layout.model import Layout
from handcapture.layout.moves import moves
from handcapture.layout.task import FEASIBLE_MM, NEAR_MM, Task, first_centres

_CENTRING: Final = 1e-4
"""Weight, per mm², of the pull that centres the buttons on a panel that slides: too weak to move a button."""
_PRICE: Final = 1e4
"""Price of falling short of a constraint by 1 mm, in squared deviations of the surest finger."""
_STARTS: Final = 4
_SCATTER_MM: Final = 6.0
_LEAST_ROW_MM: Final = 6.0
_TRIES, _MOST_TRIES = 26, 100
"""Other arrangements that are tried with 30 buttons, and with few, where a try costs little."""
_ROUGH: Final = 1e-4
"""Share of the cost that matters while arrangements are compared."""
_ROUGHLY_MM: Final = 1e-3
_LOOSE_PULL: Final = 1e-6
"""Weight of the pull to the wishes where only the constraints count: faint, it keeps the arrangement near the hand."""
_OTHERS: Final = 1e-4
"""Share of a loosening that is allowed to constraints that it does not concern: none, but for rounding."""
_SLIDES, _SLIDE_APART_MM, _SLIDES_AGAIN = 17, 8.0, 3
"""Places along each axis at which a sliding panel is looked at, how far those that are tried must differ, and how many
are tried once more under an arrangement that was found.
"""
_OUTLOOK: Final = 20.0
"""A descent is given up where the last step, so many times over, would not beat the best."""


class Problem:
    """The task in the variables that its linear equalities leave free; z, then the panel's origin where it slides.

    Of a pair's web, rims and bodies only what decides is among the constraints, unless `every_kind` is asked for.
    """

    def __init__(self, task: Task, every_kind: bool = False) -> None:
        self.task = task
        # What is waived gives way kind by kind.
        whole = every_kind or bool(task.waivers)
        self.looked_at = task.looked_at if whole else task.looked_at.deciding(task.sizes, task.panel)
        n = len(task.names)
        if len(task.targets):
            self.base = np.linalg.lstsq(task.equalities, task.targets, rcond=None)[0]
            _, sizes, rows = np.linalg.svd(task.equalities)
            self.basis = rows[int((sizes > 1e-9).sum()) :].T
        else:
            self.base, self.basis = np.zeros(2 * n), np.eye(2 * n)
        self.free = self.basis.shape[1]
        self.basis_is_whole = not len(task.targets)
        self._last: tuple[FloatArray, tuple[FloatArray, FloatArray, FloatArray]] | None = None
        self.slides = np.flatnonzero(np.isnan(task.origin))
        self.size = self.free + len(self.slides)
        self.constraints = name_constraints(n, task.sizes, task.panel, self.looked_at)
        self.eased = np.array([task.eased_mm(constraint) for constraint in self.constraints])
        # By the variables: places in the mat frame, and what centres the buttons on a panel that slides.
        self.to_places = np.c_[self.basis, np.tile(np.eye(2), (n, 1))[:, self.slides]]
        to_middle = np.tile(np.eye(2), n)[self.slides] @ self.basis / n
        self.to_middle = np.c_[to_middle, np.zeros((len(self.slides),) * 2)]
        blocks = np.zeros((n, 2, n, 2))
        blocks[np.arange(n), :, np.arange(n)] = task.weights
        self.weights = blocks.reshape(2 * n, 2 * n)
        self.hessian = 2 * self.to_places.T @ self.weights @ self.to_places
        self.hessian += 2 * _CENTRING * self.to_middle.T @ self.to_middle
        self.twists = _twists(task)
        self.price = _PRICE * float(np.linalg.eigvalsh(task.weights).max())

    def centres(self, z: FloatArray) -> FloatArray:
        """Return the centres (n, 2), panel frame."""
        return np.asarray(self.base + self.basis @ z[: self.free], dtype=np.float64).reshape(-1, 2)

    def origin(self, z: FloatArray) -> FloatArray:
        """Return the panel's origin (2,), mat frame."""
        origin = self.task.origin
        origin[self.slides] = z[self.free :]
        return origin

    def start(self, scatter: FloatArray, slid_mm: FloatArray | float = 0.0) -> FloatArray:
        """Return variables that put every button as near to its wish, moved by `scatter`, as equalities let it.

        A panel that slides begins `slid_mm` (2,) from where the wishes lie in its middle.
        """
        places = first_centres(self.task)
        origin = self.task.wishes[0] - places[0] + slid_mm
        return self.from_centres(places + scatter, np.r_[np.zeros(self.free), origin[self.slides]])

    def from_centres(self, centres: FloatArray, z: FloatArray) -> FloatArray:
        """Return variables with these centres, as equalities let them be, and the panel where `z` has it."""
        return np.concatenate([self.basis.T @ (centres.ravel() - self.base), z[self.free :]])

    def variables(self, layout: Layout) -> FloatArray:
        """Return the variables of a layout of the same plan."""
        places = {button.label: button.centre_mm for button in layout.buttons}
        centres = np.array([places[name] for name in self.task.names])
        origin = np.array(layout.panel_origin_mm)[self.slides]
        return self.from_centres(centres, np.r_[np.zeros(self.free), origin])

    def _off(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how far the buttons are off their wishes (2n,), and off the panel's middle where it slides."""
        centres = self.centres(z)
        half = np.array([self.task.panel.width_mm, self.task.panel.height_mm]) / 2
        off = centres + self.origin(z) - self.task.wishes
        return off.ravel(), (centres.mean(axis=0) - half)[self.slides]

    def cost(self, z: FloatArray) -> float:
        """Return the objective."""
        off, middle = self._off(z)
        return float(off @ self.weights @ off + _CENTRING * middle @ middle)

    def gradient(self, z: FloatArray) -> FloatArray:
        """Return the objective's derivatives."""
        off, middle = self._off(z)
        return np.asarray(2 * self.to_places.T @ (self.weights @ off) + 2 * _CENTRING * self.to_middle.T @ middle)

    def at(self, z: FloatArray) -> Smooth:
        """Return by how many mm each constraint is kept and how straight the rows are, with their derivatives."""
        values, lines, _ = self._room(z)
        zero, zero_lines = self._straightness(z)
        return Smooth(values + self.eased, self._by_variables(lines), zero, self._by_variables(zero_lines))

    def curvature(self, z: FloatArray, multipliers: FloatArray, zero_multipliers: FloatArray) -> FloatArray:
        """Return the constraints' second derivatives, weighted by their multipliers and summed."""
        held = np.flatnonzero(multipliers > 0)
        _, lines, bend = self._room(z)
        across = np.zeros((len(held), lines.shape[1]))
        end = 2 * len(self.task.names)
        across[:, 0:end:2], across[:, 1:end:2] = -lines[held, 1:end:2], lines[held, 0:end:2]
        across = self._by_variables(across)
        total = across.T @ ((multipliers * bend)[held, None] * across)
        if len(zero_multipliers):
            by_places = np.einsum("k,kij->ij", zero_multipliers, self.twists)
            total[: self.free, : self.free] += self.basis.T @ by_places @ self.basis
        return np.asarray(total)

    def _room(self, z: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return what `room` gives, with columns for the origin; the last place is remembered."""
        if self._last is None or not np.array_equal(self._last[0], z):
            task = self.task
            found = room(self.centres(z), task.sizes, task.panel, self.looked_at, len(self.slides))
            self._last = z.copy(), found
        return self._last[1]

    def _by_variables(self, lines: FloatArray) -> FloatArray:
        """Return derivatives by the centres, then the origin, as derivatives by the variables."""
        if self.basis_is_whole:
            return lines
        by_variables = np.zeros((len(lines), self.size))
        by_variables[:, : self.free] = lines[:, : len(self.basis)] @ self.basis
        return by_variables

    def _straightness(self, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how far the inner buttons of rows at any angle stand off the line through the outer two.

        Twice the area of the triangle with the outer two over the length of the row as it is wished: quadratic.
        """
        centres = self.centres(z).ravel()
        lines = self.twists @ centres
        return lines @ centres / 2, np.c_[lines, np.zeros((len(lines), len(self.slides)))]


def _twists(task: Task) -> FloatArray:
    """Return the second derivatives (k, 2n, 2n) by the centres of what keeps rows straight."""
    found = []
    for row in task.rows:
        first, last = row[0], row[-1]
        length = max(float(np.hypot(*(task.wishes[last] - task.wishes[first]))), _LEAST_ROW_MM)
        for k in row[1:-1]:
            twist = np.zeros((2 * len(task.names),) * 2)
            # (last - first) × (k - first) = last × k - last × first - first × k.
            for one, other, sign in ((last, k, 1.0), (last, first, -1.0), (first, k, -1.0)):
                twist[2 * one, 2 * other + 1] += sign / length
                twist[2 * one + 1, 2 * other] -= sign / length
            found.append(twist + twist.T)
    return np.array(found).reshape(-1, 2 * len(task.names), 2 * len(task.names))


class NoWayError(Exception):
    """No place satisfies the task, every constraint of it looked at."""

    def __init__(self, task: Task) -> None:
        super().__init__("no place satisfies the task")
        self.task = task


def solve(task: Task) -> tuple[FloatArray, FloatArray]:
    """Return centres (n, 2) in the panel frame and the panel's origin (2,). NoWayError where there are none."""
    known: FloatArray | None = None
    cost = np.inf
    while True:
        problem = Problem(task)
        again = None if known is None else solution_from(problem, known)
        if again is not None and problem.cost(again) <= cost + _ROUGH * (1 + cost):
            # More to look at cannot make anything cheaper: what the search passed over is passed over still.
            found: list[FloatArray | None] = [again]
        else:
            begun = _begun(problem)
            if begun is not None and (met := _met(problem, begun.place)) is not task:
                task = met
                continue
            found = [None if begun is None else _searched_from(problem, begun)]
            if again is not None:
                found.append(_searched_from(problem, _rough(problem, again)))
        feasible = [z for z in found if z is not None]
        if not feasible and (tight := _first_feasible(problem)) is not None:
            searched = _searched_from(problem, _rough(problem, tight))
            feasible = [tight if searched is None else searched]
        if not feasible:
            whole = complete(task)
            if whole is task:
                raise NoWayError(task)
            task = whole
            continue
        known = min(feasible, key=problem.cost)
        cost = problem.cost(known)
        if (met := _met(problem, known)) is task:
            return problem.centres(known), problem.origin(known)
        task = met


def _met(problem: Problem, z: FloatArray) -> Task:
    """Return the task with what has come near at a place looked at too; the same one where nothing has."""
    task, centres = problem.task, problem.centres(z)
    if task.looked_at.with_those(near(centres, task.sizes, task.panel, 1.0)).count == task.looked_at.count:
        return task
    return replace(task, looked_at=task.looked_at.with_those(near(centres, task.sizes, task.panel, NEAR_MM)))


def complete(task: Task) -> Task:
    """Return the task with every constraint looked at; the same one where they are."""
    everything = near(first_centres(task), task.sizes, task.panel, np.inf)
    # By the counts alone a task whose panel was changed could look complete.
    same = all(np.array_equal(a, b) for a, b in zip(everything.all, task.looked_at.all, strict=True))
    return task if same else replace(task, looked_at=everything)


def starts(problem: Problem, count: int) -> Iterator[FloatArray]:
    """Yield the wishes and some scatterings of them: always the same ones."""
    rng = np.random.default_rng(7)
    shape = problem.task.wishes.shape
    yield problem.start(np.zeros(shape))
    for _ in range(count - 1):
        yield problem.start(rng.normal(0, _SCATTER_MM, shape))


def _begun(problem: Problem) -> Descent | None:
    """Return where the first start that leads to a feasible place leads, None where none does."""
    for start in starts(problem, _STARTS):
        here = _rough(problem, start)
        if here.loosening < _ROUGHLY_MM:
            return _slid(problem, here, _tries(problem) // 3)
    return None


def _searched_from(problem: Problem, here: Descent) -> FloatArray | None:
    """Return the exact variables of the best arrangement that a search from here finds."""
    if here.loosening >= _ROUGHLY_MM:
        return None
    return solution_from(problem, _searched(problem, here).place)


def _first_feasible(problem: Problem) -> FloatArray | None:
    """Return feasible variables of a problem that leaves next to no room, None where none are found.

    The wishes are let go: only by how much the constraints fall short counts, over other arrangements too.
    """
    best: Descent | None = None
    for start in starts(problem, 2 * _STARTS):
        here = loosened(problem, start)
        best = here if best is None or here.loosening < best.loosening else best
    tries = _tries(problem) // 2
    while best is not None and best.loosening > FEASIBLE_MM and tries:
        centres = problem.centres(best.place)
        wishes = problem.task.wishes - problem.origin(best.place)
        task = problem.task
        for moved in moves(centres, wishes, task.weights, problem.constraints, best.multipliers, task.sizes):
            tries -= 1
            here = loosened(problem, problem.from_centres(moved, best.place))
            if here.loosening < best.loosening - _ROUGHLY_MM:
                best = here
                break
            if not tries:
                break
        else:
            break
    return None if best is None else solution_from(problem, best.place)


def loosened(
    problem: Problem, start: FloatArray, share: FloatArray | None = None, only: Indices | None = None
) -> Descent:
    """Return where all constraints, or those that `share` (m,) or `only` names, need the least loosening."""
    at, curvature = _of(problem, only)
    hessian = _LOOSE_PULL * problem.hessian
    return descend(
        start,
        hessian,
        lambda z: _LOOSE_PULL * problem.gradient(z),
        at,
        curvature,
        1.0,
        None if share is None else np.maximum(share, _OTHERS),
    )


def _tries(problem: Problem) -> int:
    """Return how many arrangements a search may try: as many as take about as long with any number of buttons."""
    return min(_MOST_TRIES, int(_TRIES * float(30 / max(len(problem.task.names), 1)) ** 2.2))


def _slid(problem: Problem, best: Descent, tries: int) -> Descent:
    """Return the best of some places of a panel that slides, where something on it is in the way."""
    cost = problem.cost(best.place)
    for start in itertools.islice(_promising_slides(problem, best), tries):
        there = _rough(problem, start, cost)
        if there.loosening < _ROUGHLY_MM and problem.cost(there.place) < cost - _ROUGH * (1 + cost):
            best, cost = there, problem.cost(there.place)
    return best


def _promising_slides(problem: Problem, best: Descent) -> Iterator[FloatArray]:
    """Yield variables with the panel elsewhere under this arrangement, where least on it is in the way first.

    The buttons stand where they would if nothing but they themselves were in their way. Places of the panel next to the
    best found so far, or to one that was given before, are left out; where nothing on the panel is in the way, all are.
    """
    task, panel = problem.task, problem.task.panel
    pressed = [problem.constraints[k].buttons for k in np.flatnonzero(best.multipliers > 0)]
    if not len(problem.slides) or all(len(buttons) == 2 for buttons in pressed):
        return
    free = _among_themselves(problem, best.place)
    centres = problem.centres(free)
    spare = np.maximum(np.array([panel.width_mm, panel.height_mm]) - np.ptp(centres, axis=0), 0.0)
    to_middle = np.array([panel.width_mm, panel.height_mm]) / 2 - (centres.max(axis=0) + centres.min(axis=0)) / 2
    steps = [
        to_middle[axis] + np.linspace(-0.5, 0.5, _SLIDES) * spare[axis] if axis in problem.slides else [0.0]
        for axis in (0, 1)
    ]
    shifts = np.array([(x, y) for x in steps[0] for y in steps[1]])
    slid = np.array([problem.from_centres(centres + by, free) for by in shifts])
    slid[:, problem.free :] -= shifts[:, problem.slides]
    places = (problem.base + slid[:, : problem.free] @ problem.basis.T).reshape(len(slid), -1, 2)
    deep = depths_mm(places, task.sizes, panel)
    weight = np.trace(task.weights, axis1=1, axis2=2) / 2
    rated = np.argsort((weight * deep**2).sum(axis=1), kind="stable")
    already = [problem.origin(best.place)]
    for k in rated:
        origin = problem.origin(slid[k])
        if all(float(np.abs(origin - other).max()) > _SLIDE_APART_MM for other in already):
            already.append(origin)
            yield slid[k]


def _among_themselves(problem: Problem, start: FloatArray) -> FloatArray:
    """Return where the buttons would stand if only they were in each other's way."""
    only = np.array([k for k, one in enumerate(problem.constraints) if len(one.buttons) == 2], dtype=np.intp)
    at, curvature = _of(problem, only)
    return descend(
        start, problem.hessian, problem.gradient, at, curvature, problem.price, enough=_ROUGH * problem.cost(start)
    ).place


def _of(
    problem: Problem, only: Indices | None
) -> tuple[Callable[[FloatArray], Smooth], Callable[[FloatArray, FloatArray, FloatArray], FloatArray]]:
    """Return the constraints at a place and their curvature, those alone that `only` names."""
    if only is None:
        return problem.at, problem.curvature
    chosen = only

    def at(z: FloatArray) -> Smooth:
        here = problem.at(z)
        return replace(here, at_least_zero=here.at_least_zero[chosen], slopes=here.slopes[chosen])

    def curvature(z: FloatArray, multipliers: FloatArray, zero_multipliers: FloatArray) -> FloatArray:
        whole = np.zeros(len(problem.constraints))
        whole[chosen] = multipliers
        return problem.curvature(z, whole, zero_multipliers)

    return at, curvature


def _searched(problem: Problem, best: Descent) -> Descent:
    """Return the best that a local search over other arrangements comes to.

    First those that `moves` gives, then the panel slid under what was found, then scattered wishes.
    """
    task, cost = problem.task, problem.cost(best.place)
    tried: set[bytes] = set()
    left = _tries(problem)
    rng = np.random.default_rng(11)

    def elsewhere() -> Iterator[FloatArray]:
        centres = problem.centres(best.place)
        wishes = task.wishes - problem.origin(best.place)
        for moved in moves(centres, wishes, task.weights, problem.constraints, best.multipliers, task.sizes):
            # Arrangements that differ by less than a millimetre are one.
            sign = np.round(moved - moved.mean(axis=0)).tobytes()
            if sign not in tried:
                tried.add(sign)
                yield problem.from_centres(moved, best.place)
        yield from itertools.islice(_promising_slides(problem, best), _SLIDES_AGAIN)
        while True:
            yield problem.start(rng.normal(0, 2 * _SCATTER_MM, task.wishes.shape))

    while left:
        for start in elsewhere():
            left -= 1
            there = _rough(problem, start, cost)
            if there.loosening < _ROUGHLY_MM and problem.cost(there.place) < cost - _ROUGH * (1 + cost):
                best, cost = there, problem.cost(there.place)
                break
            if not left:
                break
    return best


def _a_hair_short(problem: Problem) -> Callable[[FloatArray], Smooth]:
    """Return the problem with a hair more asked for than is needed, so that rounding does not take any of it away."""

    def at(z: FloatArray) -> Smooth:
        here = problem.at(z)
        return replace(here, at_least_zero=here.at_least_zero - 1e-8)

    return at


def _rough(problem: Problem, start: FloatArray, to_beat: float = np.inf) -> Descent:
    """Descend from a start as far as is needed to see whether it leads below `to_beat`."""
    return descend(
        start,
        problem.hessian,
        problem.gradient,
        _a_hair_short(problem),
        problem.curvature,
        problem.price,
        enough=_ROUGH * min(to_beat, 1e3),
        hopeless=lambda z, gained: problem.cost(z) - _OUTLOOK * gained > to_beat,
    )


def solution_from(problem: Problem, start: FloatArray) -> FloatArray | None:
    """Return the feasible local minimum that a start leads to, None where it leads to none."""
    z = start
    if problem.size:
        at = _a_hair_short(problem)
        z = descend(start, problem.hessian, problem.gradient, at, problem.curvature, problem.price).place
    here = problem.at(z)
    return z if here.shortfall(np.ones(len(here.at_least_zero))) <= FEASIBLE_MM else None
