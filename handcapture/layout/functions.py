"""Which finger for which function: advice, with its reasons and with what every other finger would cost.

A functions file (TOML) says what the buttons do: how often each is pressed, how quickly it must follow, and which
are pressed together. The advice is the assignment of functions to fingers that loses the least time by this count,
in milliseconds lost per minute of playing (`ms_per_min`), against the quickest finger in its resting place:

* presses per minute × (the finger's tapping interval − the shortest one);
* urgency × `AT_ONCE_PER_MIN` × (the finger's stroke time − the shortest one): a function wanted at once counts as
  though it were pressed that much more often, so that a rare alarm still finds a quick finger;
* a place away from the finger's resting place adds `away_ms` to both;
* two functions pressed at the same moment, or one pressed while the other is held: how strongly their two fingers
  move one another (`coupling`) × `JOINT_MS` × how often. Two functions that must not be set off together: × `SLIP_MS`;
* pressed together, or beside a held one, on one finger: impossible, never advised.

The count knows nothing of meaning, habit, strength or pain. It advises; the player decides: what is pinned stays.
All figures of fingers are assumed (see `DEFAULT_FIGURES`); measured ones belong in the file's `[fingers]`.
"""

from __future__ import annotations

import itertools
import math
import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from handcapture.documents import read_bytes
from handcapture.errors import DocumentError
from handcapture.layout.model import Finding, Row
from handcapture.layout.plan import DEFAULT_FAR_MM, ButtonWish
from handcapture.names import FINGERS, SIDES, Finger, Side

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

FloatArray = NDArray[np.float64]
Spot = tuple[Side, Finger]

DEFAULT_FIGURES: Final[dict[Finger, tuple[float, float]]] = {
    "thumb": (5.4, 0.95),
    "index": (6.0, 0.90),
    "middle": (5.6, 0.75),
    "ring": (5.0, 0.60),
    "little": (4.8, 0.80),
}
"""Taps per second and independence (1: moves alone, 0: never without its neighbours). The numbers are from memory, not
checked; only their order is published.
Tempo: ring and little finger slower than index and middle (Aoki, Furuya, Kinoshita 2005, Motor Control 9:23, abstract);
index faster than middle (Aoki, Kinoshita 2001, Ergonomics 44:1368, abstract); the thumb's place is from memory.
Independence: thumb first, then index (Ingram et al. 2008, Exp Brain Res 188:223, abstract); ring last (Häger-Ross,
Schieber 2000; Zatsiorsky, Li, Latash 2000: from memory). Both hands alike: enslaving does not differ between them
(Wilhelm et al. 2014, abstract), but tapping does, the preferred hand being quicker: measure and write it down."""
DISTANCE_SHARE: Final = (0.0, 1.0, 0.4, 0.15, 0.05)
"""Share of a finger's dependence that reaches the next, second, ... finger of its hand (our own figures; published is
that nearer fingers move more)."""
AT_ONCE_PER_MIN: Final = 30.0
JOINT_MS: Final = 100.0
SLIP_MS: Final = 300.0
"""What a disturbed press and a false press are reckoned to cost at full coupling. These three are our own figures."""
AWAY_MS: Final = 100.0 * math.log2(DEFAULT_FAR_MM / 24.0 + 1.0)
"""Fitts' law, Shannon form: 100 ms per bit (from memory, not checked) for 30 mm to a hole of 24 mm."""
SLOW_MS: Final = 15.0
BUSY_SHARE: Final = 0.3
"""Findings: a stroke this much later than the quickest is slow; a finger pressed at this share of its fastest tapping
is busy (our own figures)."""
URGENCIES: Final = {"at once": 1.0, "soon": 0.4, "whenever": 0.0}
EXACT_LIMIT: Final = 400
"""Up to this many functions × pairs each alternative is solved anew; beyond, it is the best single move or trade."""
ADVICE: Final = "This is advice, reckoned from assumed figures; you decide."
_TIE: Final = 1e-6
_STAY: Final = 1e-4
_IMPOSSIBLE: Final = math.inf


def _urgency(value: object) -> object:
    if isinstance(value, str):
        if value not in URGENCIES:
            raise ValueError('should be "at once", "soon", "whenever" or a number from 0 (whenever) to 1 (at once)')
        return URGENCIES[value]
    return value


def _partner(value: object) -> object:
    return {"label": value} if isinstance(value, str) else value


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


Label = Annotated[str, Field(min_length=1, max_length=40)]
PerMinute = Annotated[float, Field(allow_inf_nan=False, ge=0, le=1000)]


class Partner(_Entry):
    """Another function, and how often per minute the two meet (None: reckoned from the two functions)."""

    label: Label
    per_minute: PerMinute | None = None


Partners = tuple[Annotated[Partner, BeforeValidator(_partner)], ...]


class Function(_Entry):
    """One function. `side` and `finger` are the player's own wish and are kept; `hold`: held while others are pressed."""

    label: Label
    per_minute: PerMinute
    urgency: Annotated[float, BeforeValidator(_urgency), Field(allow_inf_nan=False, ge=0, le=1)] = URGENCIES["soon"]
    side: Side | None = None
    finger: Finger | None = None
    hold: bool = False
    together_with: Partners = ()
    not_with: Partners = ()


class FingerEntry(_Entry):
    """What is known of one finger; whatever is left out is assumed. `places = 0` leaves the finger free."""

    tempo_per_s: Annotated[float, Field(allow_inf_nan=False, ge=0.2, le=20)] | None = None
    delay_ms: Annotated[float, Field(allow_inf_nan=False, ge=0, le=5000)] | None = None
    independence: Annotated[float, Field(allow_inf_nan=False, ge=0, le=1)] | None = None
    places: Annotated[int, Field(ge=0, le=3)] | None = None


class Fingers(_Entry):
    """The `[fingers]` table: which may own two functions, the cost of a second place, and figures by side and finger."""

    allow_two: tuple[Finger, ...] = ("thumb", "index", "middle")
    away_ms: Annotated[float, Field(allow_inf_nan=False, ge=0, le=5000)] = AWAY_MS
    left: dict[Finger, FingerEntry] = {}
    right: dict[Finger, FingerEntry] = {}


class Functions(_Entry):
    """All functions that want a finger."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    functions: Annotated[tuple[Function, ...], Field(min_length=1, max_length=30)]
    fingers: Fingers = Fingers()

    @model_validator(mode="after")
    def _labels(self) -> Functions:
        labels = [function.label for function in self.functions]
        wrong = [f"label used twice: {label}" for label in sorted({a for a in labels if labels.count(a) > 1})]
        for function in self.functions:
            together = [partner.label for partner in function.together_with]
            apart = [partner.label for partner in function.not_with]
            for key, names in (("together_with", together), ("not_with", apart)):
                unknown = sorted(set(names) - set(labels))
                wrong += [f"function {function.label}, {key}: no function is labelled {name}" for name in unknown]
                wrong += [f"function {function.label}, {key}: names itself"] * (function.label in names)
        by_label = {function.label: function for function in self.functions}
        joint = {frozenset((a.label, p.label)) for a in self.functions for p in a.together_with}
        never = {frozenset((a.label, p.label)) for a in self.functions for p in a.not_with}
        for pair in sorted(sorted(pair, key=labels.index) for pair in joint & never if pair <= by_label.keys()):
            if len(pair) == 2:
                wrong.append(f"{pair[0]} and {pair[1]} stand both under together_with and under not_with; keep one")
        if wrong:
            raise ValueError("\n  ".join(wrong))
        return self


@dataclass(frozen=True)
class FingerFigures:
    """What the count used for one finger. `assumed` names the figures that did not come from the file."""

    side: Side
    finger: Finger
    tempo_per_s: float
    delay_ms: float
    independence: float
    places: int
    assumed: tuple[str, ...]

    @property
    def interval_ms(self) -> float:
        """The time from tap to tap at the fastest."""
        return 1000.0 / self.tempo_per_s


@dataclass(frozen=True)
class Alternative:
    """Another finger for one function, and what the whole desk would lose by it.

    `extra_ms_per_min` is against the advice; it is negative where a wish of the player costs time. `moves` says which
    others would then change fingers. `reckoned`: "re-optimised" when all others were assigned anew, "trade" when it is
    the best single move or trade of places. Not `possible`: the reason stands in `note`.
    """

    side: Side
    finger: Finger
    row: Row | None
    extra_ms_per_min: float | None
    moves: tuple[str, ...]
    reckoned: Literal["re-optimised", "trade"]
    possible: bool
    note: str = ""


@dataclass(frozen=True)
class FunctionAdvice:
    """The advised place of one function. `lost_ms_per_min` is its own loss, without what it shares with a partner."""

    label: str
    side: Side
    finger: Finger
    row: Row
    pinned: bool
    lost_ms_per_min: float
    reasons: tuple[str, ...]
    alternatives: tuple[Alternative, ...] = ()


@dataclass(frozen=True)
class Advice:
    """The advice for all functions, in the order of the file; empty `functions` when there is no room for them."""

    name: str
    functions: tuple[FunctionAdvice, ...]
    lost_ms_per_min: float
    findings: tuple[Finding, ...]
    figures: tuple[FingerFigures, ...]
    note: str = ADVICE


def load_functions(path: Path) -> Functions:
    """Read a functions file. DocumentError lists everything that is wrong, by entry."""
    data = read_bytes(path, 1_000_000, "a list of functions (TOML)")
    try:
        content = tomllib.loads(data.decode())
    except UnicodeDecodeError:
        raise DocumentError(f"{path} is not a text file. Functions are written in TOML, as UTF-8.") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DocumentError(f"{path} is not valid TOML: {error}. Mend that line.") from None
    try:
        return Functions.model_validate(content)
    except ValidationError as error:
        raise DocumentError(_explain(path, content, error)) from None


def _explain(path: Path, content: dict[str, Any], error: ValidationError) -> str:
    lines = []
    for problem in error.errors(include_url=False):
        place = [str(part) for part in problem["loc"]]
        if place[:1] == ["functions"] and len(place) > 1 and place[1].isdigit():
            entry = content["functions"][int(place[1])]
            label = entry.get("label") if isinstance(entry, dict) else None
            place[:2] = [f"function {label or int(place[1]) + 1}"]
        given = problem.get("input")
        got = f" (got {given!r})" if isinstance(given, str | int | float) else ""
        text = problem["msg"].removeprefix("Value error, ")
        lines.append(f"  {', '.join(place)}: {text}{got}" if place else f"  {text}{got}")
    return f"{path} is not a usable list of functions. Mend:\n" + "\n".join(lines)


def finger_figures(fingers: Fingers) -> tuple[FingerFigures, ...]:
    """Return the ten fingers' figures, left thumb first; what the file leaves out is assumed.

    Without a measured `delay_ms` a stroke takes half a tapping interval. How soon a finger *starts* is left out: in
    one published choice task thumb and little finger started soonest, so tempo does not tell it.
    """
    found = []
    for side, finger in itertools.product(SIDES, FINGERS):
        entry = (fingers.left if side == "left" else fingers.right).get(finger, FingerEntry())
        tempo, independence = DEFAULT_FIGURES[finger]
        assumed = [name for name in ("tempo_per_s", "delay_ms", "independence") if getattr(entry, name) is None]
        tempo = tempo if entry.tempo_per_s is None else entry.tempo_per_s
        found.append(
            FingerFigures(
                side,
                finger,
                tempo,
                500.0 / tempo if entry.delay_ms is None else entry.delay_ms,
                independence if entry.independence is None else entry.independence,
                (2 if finger in fingers.allow_two else 1) if entry.places is None else entry.places,
                tuple(assumed),
            )
        )
    return tuple(found)


def coupling(figures: Sequence[FingerFigures]) -> FloatArray:
    """Return (F, F), 0 to 1: how strongly two fingers move one another. Nothing between the hands or with itself."""
    result = np.zeros((len(figures), len(figures)))
    for (k, a), (m, b) in itertools.product(enumerate(figures), repeat=2):
        if a.side == b.side:
            share = DISTANCE_SHARE[abs(FINGERS.index(a.finger) - FINGERS.index(b.finger))]
            result[k, m] = share * (1.0 - (a.independence + b.independence) / 2.0)
    return result


@dataclass(frozen=True)
class _Place:
    spot: int
    row: Row
    away_ms: float


@dataclass(frozen=True)
class _Pair:
    first: int
    second: int
    weight_ms_per_min: float
    apart: bool


@dataclass(frozen=True)
class _Problem:
    """`cost` is (functions, places), infinite where a wish forbids; `spots` of places index `coupling`."""

    cost: FloatArray
    places: tuple[_Place, ...]
    coupling: FloatArray
    pairs: tuple[_Pair, ...]
    spots: NDArray[np.int64] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "spots", np.array([place.spot for place in self.places], dtype=np.int64))

    def pair_cost(self, pair: _Pair, first: int, second: int) -> float:
        """What a pair costs with its functions on these two fingers; 0 for an impossible one, counted elsewhere."""
        return pair.weight_ms_per_min * float(self.coupling[first, second])

    def total(self, chosen: NDArray[np.int64]) -> tuple[int, float]:
        """Return the number of impossible pairs and the time lost, ms per minute."""
        own = float(self.cost[np.arange(len(chosen)), chosen].sum())
        spots = self.spots[chosen]
        shared = sum(self.pair_cost(pair, spots[pair.first], spots[pair.second]) for pair in self.pairs)
        clashes = sum(pair.apart and spots[pair.first] == spots[pair.second] for pair in self.pairs)
        return clashes, own + shared


def advise(functions: Functions, alternatives: bool = True) -> Advice:
    """Advise a finger and a row for every function: the least time lost, exactly; ties go by the order of the file.

    Wishes that cannot be had are findings, never exceptions. Without `alternatives` only the assignment is reckoned.
    """
    figures = finger_figures(functions.fingers)
    findings: list[Finding] = []
    figures = _granted(functions, figures, findings)
    problem = _problem(functions, figures)
    if lack := _lack(functions, problem, figures):
        return Advice(functions.name, (), 0.0, (*findings, lack), figures)
    chosen = _solve(problem, _order_bias(*problem.cost.shape))
    clashes, lost = problem.total(chosen)
    others: list[tuple[Alternative, ...]] = [()] * len(functions.functions)
    if alternatives:
        free = _problem(functions, figures, wishes=False)
        others = [_alternatives(functions, k, problem, free, figures, chosen) for k in range(len(others))]
    advised = tuple(
        FunctionAdvice(
            function.label,
            figures[problem.spots[chosen[k]]].side,
            figures[problem.spots[chosen[k]]].finger,
            problem.places[chosen[k]].row,
            function.side is not None or function.finger is not None,
            float(problem.cost[k, chosen[k]]),
            _reasons(functions, k, problem, figures, chosen),
            others[k],
        )
        for k, function in enumerate(functions.functions)
    )
    findings += _clash_findings(functions, problem, figures, chosen) if clashes else []
    findings += _finger_findings(functions, problem, figures, chosen, advised)
    order = {"error": 0, "warning": 1, "advice": 2}
    findings.sort(key=lambda finding: order[finding.severity])
    return Advice(functions.name, advised, lost, tuple(findings), figures)


def button_wishes(advice: Advice) -> tuple[ButtonWish, ...]:
    """Return the advised buttons as a plan has them, in the order of the functions."""
    return tuple(ButtonWish(label=a.label, side=a.side, finger=a.finger, row=a.row) for a in advice.functions)


def _granted(
    functions: Functions, figures: tuple[FingerFigures, ...], findings: list[Finding]
) -> tuple[FingerFigures, ...]:
    """Give a finger as many places as the player pinned to it, with a warning where that is more than it has."""
    granted = []
    for figure in figures:
        pinned = [f.label for f in functions.functions if (f.side, f.finger) == (figure.side, figure.finger)]
        if len(pinned) > figure.places:
            findings.append(
                Finding(
                    "finger-crowded",
                    "warning",
                    f"You pinned {_listed(pinned)} to the {figure.side} {figure.finger}, which has "
                    f"{_counted(figure.places, 'place')}.",
                    tuple(pinned),
                    {"pinned": len(pinned), "places": figure.places},
                    f"They stay there. Unpin one, or write places under [fingers.{figure.side}.{figure.finger}] "
                    "(at most 3).",
                )
            )
            figure = replace(figure, places=len(pinned))
        granted.append(figure)
    return tuple(granted)


def _problem(functions: Functions, figures: tuple[FingerFigures, ...], wishes: bool = True) -> _Problem:
    places = []
    for k, figure in enumerate(figures):
        # A thumb moves sideways more easily than it stretches, so its second place lies beside the first.
        rows: tuple[Row, ...] = ("near", "near", "far") if figure.finger == "thumb" else ("near", "far", "near")
        away_ms = functions.fingers.away_ms
        places += [_Place(k, rows[min(n, 2)], away_ms if n else 0.0) for n in range(figure.places)]
    in_use = [figures[place.spot] for place in places] or list(figures)
    interval = min(figure.interval_ms for figure in in_use)
    delay = min(figure.delay_ms for figure in in_use)
    cost = np.full((len(functions.functions), len(places)), _IMPOSSIBLE)
    for (k, function), (m, place) in itertools.product(enumerate(functions.functions), enumerate(places)):
        figure = figures[place.spot]
        if not wishes or (function.side in (None, figure.side) and function.finger in (None, figure.finger)):
            again = figure.interval_ms - interval + place.away_ms
            stroke = figure.delay_ms - delay + place.away_ms
            cost[k, m] = function.per_minute * again + function.urgency * AT_ONCE_PER_MIN * stroke
    return _Problem(cost, tuple(places), coupling(figures), _pairs(functions))


def _pairs(functions: Functions) -> tuple[_Pair, ...]:
    """Return the pairs that matter, each once, whichever of the two names the other (the larger figure counts)."""
    index = {function.label: k for k, function in enumerate(functions.functions)}
    joint: dict[tuple[int, int], float] = {}
    never: dict[tuple[int, int], float] = {}
    for k, function in enumerate(functions.functions):
        for partners, found in ((function.together_with, joint), (function.not_with, never)):
            for partner in partners:
                other = functions.functions[index[partner.label]]
                both = (function.per_minute, other.per_minute)
                # Two are pressed together at most as often as the rarer one; either may set off the other.
                reckoned = min(both) if found is joint else sum(both)
                often = reckoned if partner.per_minute is None else partner.per_minute
                key = (min(k, index[partner.label]), max(k, index[partner.label]))
                found[key] = max(found.get(key, 0.0), often)
    pairs = []
    for k, m in itertools.combinations(range(len(functions.functions)), 2):
        first, second = functions.functions[k], functions.functions[m]
        weight = joint.get((k, m), 0.0) * JOINT_MS + never.get((k, m), 0.0) * SLIP_MS
        held = (first.hold or second.hold) and (k, m) not in never
        if held and (k, m) not in joint:
            weight += JOINT_MS * (second.per_minute * first.hold + first.per_minute * second.hold)
        if held or (k, m) in joint or weight > 0:
            pairs.append(_Pair(k, m, weight, held or (k, m) in joint))
    return tuple(pairs)


def _lack(functions: Functions, problem: _Problem, figures: tuple[FingerFigures, ...]) -> Finding | None:
    """Say where there are more functions than places, or return None when all find one."""
    from scipy.optimize import linear_sum_assignment

    groups: list[tuple[str, list[Spot]]] = [
        *((f"{finger} fingers" if finger != "thumb" else "thumbs", [(s, finger) for s in SIDES]) for finger in FINGERS),
        *((f"fingers of the {side} hand", [(side, finger) for finger in FINGERS]) for side in SIDES),
        ("fingers", list(itertools.product(SIDES, FINGERS))),
    ]
    for name, spots in groups:
        labels = [
            f.label
            for f in functions.functions
            if all(
                s in spots
                for s in itertools.product(*([w] if w else a for w, a in ((f.side, SIDES), (f.finger, FINGERS))))
            )
        ]
        room = sum(figure.places for figure in figures if (figure.side, figure.finger) in spots)
        if len(labels) > room:
            return Finding(
                "more-functions-than-places",
                "error",
                f"{len(labels)} functions want {_counted(room, 'place')} on the {name}.",
                tuple(labels),
                {"functions": len(labels), "places": room},
                "Name more fingers in allow_two, write places = 2 or 3 for a finger, free a side or finger, "
                "or leave functions out.",
            )
    try:
        linear_sum_assignment(problem.cost)
    except ValueError:
        return Finding(
            "wishes-clash",
            "error",
            "The sides and fingers you wrote leave some function without a place.",
            tuple(f.label for f in functions.functions if f.side or f.finger),
            remedy="Free a side or finger, or give the wanted fingers more places.",
        )
    return None


def _order_bias(functions: int, places: int) -> FloatArray:
    """A bias far below anything that matters: among equals, the earlier function gets the earlier finger."""
    return _TIE * np.outer(np.arange(functions, 0, -1), np.arange(places))


def _solve(problem: _Problem, bias: FloatArray) -> NDArray[np.int64]:
    """Return each function's place: fewest impossible pairs, then least time lost plus `bias`.

    ValueError when some function finds no place.
    """
    from scipy.optimize import linear_sum_assignment

    cost = problem.cost + bias
    _, chosen = linear_sum_assignment(cost)
    if problem.pairs:
        exact = _solve_pairs(problem, cost, math.inf)
        if exact is None:  # some pair must share a finger: as few as can be, told in the findings
            finite = cost[np.isfinite(cost)]
            worst = len(cost) * float(finite.max()) + sum(pair.weight_ms_per_min for pair in problem.pairs)
            exact = _solve_pairs(problem, cost, worst + 1.0)
        if exact is None:
            raise ValueError("the assignment could not be solved")
        return exact
    return np.asarray(chosen, dtype=np.int64)


def _solve_pairs(problem: _Problem, cost: FloatArray, clash: float) -> NDArray[np.int64] | None:
    """Solve with pairs as a mixed-integer program; `clash` is what an impossible pair costs, infinite to forbid it.

    x[i, s]: function i has place s. z[p, f, g]: the two of pair p have fingers f and g, a transport between the
    fingers' x, whose linear relaxation is tight (Adams and Johnson's linearisation of products). None: no solution.
    """
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    n, places = cost.shape
    owners, slots = np.nonzero(np.isfinite(cost))
    number = np.full((n, places), -1, dtype=np.int64)
    number[owners, slots] = np.arange(len(owners))
    objective = list(cost[owners, slots])
    upper = [1.0] * len(owners)
    rows: list[int] = []
    columns: list[int] = []
    values: list[float] = []
    low: list[float] = []
    high: list[float] = []

    def add(terms: Iterable[tuple[int, float]], least: float, most: float) -> None:
        for column, value in terms:
            rows.append(len(low))
            columns.append(column)
            values.append(value)
        low.append(least)
        high.append(most)

    for k in range(n):
        add(((int(c), 1.0) for c in number[k] if c >= 0), 1.0, 1.0)
    for s in range(places):
        add(((int(c), 1.0) for c in number[:, s] if c >= 0), 0.0, 1.0)
    mine = [sorted({int(problem.spots[s]) for s in slots[owners == k]}) for k in range(n)]
    for pair in problem.pairs:
        by_first: dict[int, list[int]] = {}
        by_second: dict[int, list[int]] = {}
        for f, g in itertools.product(mine[pair.first], mine[pair.second]):
            by_first.setdefault(f, []).append(len(objective))
            by_second.setdefault(g, []).append(len(objective))
            clashing = pair.apart and f == g
            soft = clash if clashing and math.isfinite(clash) else 0.0
            objective.append(problem.pair_cost(pair, f, g) + soft)
            upper.append(0.0 if clashing and not math.isfinite(clash) else 1.0)
        for owner, groups in ((pair.first, by_first), (pair.second, by_second)):
            for spot, products in groups.items():
                own = [int(number[owner, s]) for s in np.flatnonzero(problem.spots == spot) if number[owner, s] >= 0]
                add([*((z, 1.0) for z in products), *((x, -1.0) for x in own)], 0.0, 0.0)
    integral = np.zeros(len(objective))
    integral[: len(owners)] = 1
    matrix = csr_array((values, (rows, columns)), shape=(len(low), len(objective)))
    result = milp(
        np.array(objective),
        integrality=integral,
        bounds=Bounds(0.0, np.array(upper)),
        constraints=LinearConstraint(matrix, np.array(low), np.array(high)),
        options={"mip_rel_gap": 0.0},
    )
    if result.x is None:
        return None
    taken = np.flatnonzero(result.x[: len(owners)] > 0.5)
    chosen = np.full(n, -1, dtype=np.int64)
    chosen[owners[taken]] = slots[taken]
    return chosen
