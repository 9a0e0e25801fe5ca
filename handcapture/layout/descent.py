"""Minimise a convex quadratic cost under smooth constraints: sequential quadratic programming with a trust region.

Every step solves a quadratic programme in which the constraints are linearised and may all give way by one amount t, at
a price that no solution would pay: it is 0 wherever they can be kept. The Hessian is the Lagrangian's, made positive; a
step is taken where the cost with that price falls as foretold (Nocedal and Wright 2006, Numerical Optimization, ch.
18). The quadratic programmes are solved by a dual active-set method (Arnstrom, Bemporad and Axehill 2022, IEEE Trans.
Autom. Control 67(8)). Both citations from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_STEPS, _ROUGH_STEPS = 100, 16
_FIRST_TRUST, _LEAST_TRUST, _MOST_TRUST, _ROUGH_TRUST, _SHORT = 30.0, 1e-10, 200.0, 1e-3, 2.0
_AHEAD: Final = 3.0
"""Constraints further away than so many trust radii cannot matter in a step."""
_STILL: Final = 1e-9
_NEARLY: Final = 1e-5
"""What a rough descent may leave."""
_STIFF: Final = 10.0
_FREE: Final = 1e30


@dataclass(frozen=True, eq=False)
class Smooth:
    """Functions at a place x (n,): `at_least_zero` (m,) and its derivatives (m, n), `zero` (k,) and its (k, n)."""

    at_least_zero: FloatArray
    slopes: FloatArray
    zero: FloatArray
    zero_slopes: FloatArray

    def shortfall(self, share: FloatArray) -> float:
        """Return the least t such that every constraint, given way by share · t, is kept; infinite where none helps."""
        need = np.maximum(-self.at_least_zero, 0.0)
        helped = share > 0
        if (need[~helped] > 1e-6).any():
            return float("inf")
        return max(
            float((need[helped] / share[helped]).max(initial=0.0)),
            float(np.abs(self.zero).max(initial=0.0)),
        )


@dataclass(frozen=True, eq=False)
class Descent:
    """Where the descent ended: the place, by how much constraints must give way there, and their multipliers (m,)."""

    place: FloatArray
    loosening: float
    multipliers: FloatArray


def descend(
    start: FloatArray,
    hessian: FloatArray,
    gradient: Callable[[FloatArray], FloatArray],
    at: Callable[[FloatArray], Smooth],
    curvature: Callable[[FloatArray, FloatArray, FloatArray], FloatArray],
    price: float,
    share: FloatArray | None = None,
    enough: float = 0.0,
    hopeless: Callable[[FloatArray, float], bool] = lambda x, gained: False,
) -> Descent:
    """Return a local minimum, from `start` (n,), of the quadratic with `hessian` (n, n) and `gradient`.

    `curvature` gives the second derivative of the constraints at a place, weighted by their multipliers, (m,) and (k,).
    `price` is what a millimetre of loosening costs. `share` (m,) says by how much of t each constraint may give way:
    all of them alike, unless told otherwise. Once they are kept the descent ends where a step gains less than `enough`,
    or where the place is `hopeless` for what the last step gained.
    """
    import daqp

    n = len(start)
    x, here = start, at(start)
    share = np.ones(len(here.at_least_zero)) if share is None else share
    trust, least_trust = _FIRST_TRUST, _LEAST_TRUST if enough == 0.0 else _ROUGH_TRUST
    multipliers, zero_multipliers = np.zeros(len(share)), np.zeros(len(here.zero))
    least_bend = 1e-6 * float(np.abs(hessian).max(initial=1.0))
    loosened = here.shortfall(share)
    settled = False
    for _ in range(_STEPS if enough == 0.0 else _ROUGH_STEPS):
        bent = hessian
        if settled and (multipliers.any() or zero_multipliers.any()):
            # Where a constraint holds, the Hessian across it does not matter: stiff there, it is positive more often,
            # and need not be bent where it does.
            held = np.r_[here.slopes[multipliers > 0], here.zero_slopes]
            bent = hessian - curvature(x, multipliers, zero_multipliers)
            bent = _positive(bent + _STIFF * np.abs(bent).max() * held.T @ held, least_bend)
        slope = gradient(x)
        chosen = np.flatnonzero(here.at_least_zero < _AHEAD * trust)
        k = len(here.zero)
        # Variables: the step, and t.
        matrix = np.zeros((len(chosen) + 2 * k, n + 1))
        matrix[: len(chosen), :n], matrix[: len(chosen), n] = here.slopes[chosen], share[chosen]
        if k:
            matrix[len(chosen) :, :n] = np.r_[here.zero_slopes, -here.zero_slopes]
            matrix[len(chosen) :, n] = 1.0
        least, most = np.zeros(n + 1 + len(matrix)), np.full(n + 1 + len(matrix), _FREE)
        least[:n], most[:n] = -trust, trust
        least[n + 1 :] = np.concatenate([-here.at_least_zero[chosen], -here.zero, here.zero])
        whole = np.zeros((n + 1, n + 1))
        whole[:n, :n], whole[n, n] = bent, price * 1e-3
        solution, _, flag, info = daqp.solve(
            whole, np.r_[slope, price], matrix, most, least, np.zeros(len(least), dtype=np.intc), primal_tol=1e-10
        )
        step, t = np.asarray(solution[:n]), max(float(solution[n]), 0.0)
        if flag < 1 or not np.isfinite(step).all():
            trust /= 4
            if trust < least_trust:
                break
            continue
        there = at(x + step)
        then = there.shortfall(share)
        quadratic = float(slope @ step + 0.5 * step @ hessian @ step)
        foretold = -float(slope @ step + 0.5 * step @ bent @ step) - price * (t - loosened)
        gained = -quadratic - price * (then - loosened)
        size = float(np.abs(step).max(initial=0.0))
        noise = 1e-13 * (1.0 + abs(float(slope @ x))) + price * 1e-13
        if gained > 0.1 * foretold or (foretold <= noise and then <= max(loosened, 1e-9)):
            x, here, loosened = x + step, there, then
            multipliers = np.zeros(len(share))
            pressed = np.maximum(-np.asarray(info["lam"])[n + 1 :], 0.0)
            multipliers[chosen] = pressed[: len(chosen)]
            zero_multipliers = pressed[len(chosen) : len(chosen) + k] - pressed[len(chosen) + k :]
            settled = t < 1e-9 and size < 5.0
            kept = loosened < _NEARLY and t < _NEARLY
            if size < _STILL or foretold <= noise or (kept and (gained < enough or hopeless(x, gained))):
                break
            if gained > 0.6 * foretold:
                # Steps that grow short need no wide look: far constraints then stay out of the programme.
                trust = min(2 * trust, max(4 * size, _SHORT), _MOST_TRUST)
        else:
            trust = min(trust, size) / 4
            if trust < least_trust:
                break
    return Descent(x, loosened, multipliers)


def _positive(matrix: FloatArray, least: float) -> FloatArray:
    """Return a symmetric matrix with its eigenvalues raised to `least`."""
    try:
        np.linalg.cholesky(matrix - least * np.eye(len(matrix)))
    except np.linalg.LinAlgError:
        values, vectors = np.linalg.eigh(matrix)
        return np.asarray((vectors * np.maximum(values, least)) @ vectors.T)
    return matrix
