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

import heapq
import itertools
import json
import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from handcapture.documents import load_toml
from handcapture.layout.model import Finding, Row
from handcapture.layout.plan import DEFAULT_FAR_MM, ButtonWish
from handcapture.names import FINGERS, SIDES, Finger, Side

if TYPE_CHECKING:
    from collections.abc import Sequence

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
SEARCH_LIMIT: Final = 8000
ALTERNATIVES_LIMIT: Final = 24000
"""Bounds reckoned for the advice, and for all alternatives together, before the search stops with the best found: a
count, not a time, so that every run says the same. Reached only where very many functions are pressed together."""
ADVICE: Final = "This is advice, reckoned from assumed figures; you decide."
REACTION: Final = (
    "A quick stroke is not a quick start: in a published five-choice task thumb and little finger reacted soonest.\n"
    "Where that matters, measure each finger and write its delay_ms."
)
"""The task: "Speed and accuracy effects of fingers and dexterity in 5-choice reaction tasks" (abstract)."""
MOVES_SHOWN: Final = 4
GAP_MS_PER_MIN: Final = 0.05
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
    """One function. `side` and `finger` are the player's own wish and kept; `hold`: held while others are pressed."""

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
    """The `[fingers]` table: which may own two functions, the cost of a second place, figures by finger."""

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
    others would then change fingers: all of them are assigned anew. Unless `exact`, the search was cut short and the
    true figure may be smaller. Not `possible`: the reason stands in `note`.
    """

    side: Side
    finger: Finger
    row: Row | None
    extra_ms_per_min: float | None
    moves: tuple[str, ...]
    exact: bool
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
    known = {name for kind in (Functions, Function, Fingers, FingerEntry, Partner) for name in kind.model_fields}
    return load_toml(path, Functions, "a list of functions", {"functions": "function"}, known)


def finger_figures(fingers: Fingers) -> tuple[FingerFigures, ...]:
    """Return the ten fingers' figures, left thumb first; what the file leaves out is assumed.

    Without a measured `delay_ms` a stroke takes half a tapping interval. How soon a finger *starts* is left out, for
    tempo does not tell it (see `REACTION`).
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
    """Two functions and how often per minute they are pressed together, must not be, or meet while one is held."""

    first: int
    second: int
    joint_per_min: float | None
    never_per_min: float | None
    held_per_min: float | None

    @property
    def weight_ms_per_min(self) -> float:
        """What they would lose at full coupling; being held counts only where no joint pressing is written."""
        joint = self.held_per_min if self.joint_per_min is None else self.joint_per_min
        return JOINT_MS * (joint or 0.0) + SLIP_MS * (self.never_per_min or 0.0)

    @property
    def apart(self) -> bool:
        """True when one finger cannot work both."""
        return self.joint_per_min is not None or self.held_per_min is not None


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
        clashes = sum(bool(pair.apart and spots[pair.first] == spots[pair.second]) for pair in self.pairs)
        return clashes, own + shared


def advise(functions: Functions, alternatives: bool = True) -> Advice:
    """Advise a finger and a row for every function: the least time lost; ties go by the order of the file.

    The least is exact, unless the finding "search-cut-short" tells how much better another assignment might be.
    Wishes that cannot be had are findings, never exceptions. Without `alternatives` only the assignment is reckoned.
    """
    figures = finger_figures(functions.fingers)
    findings: list[Finding] = []
    figures = _granted(functions, figures, findings)
    problem = _problem(functions, figures)
    if lack := _lack(functions, problem, figures):
        return Advice(functions.name, (), 0.0, (*findings, lack), figures)
    solution = _solve(problem, _order_bias(*problem.cost.shape), SEARCH_LIMIT)
    chosen = solution.chosen
    _, lost = problem.total(chosen)
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
    findings += _clashes(functions, problem, figures, chosen)
    findings += _slow(functions, problem, figures, chosen, advised)
    findings += _busy(functions, problem, figures, chosen)
    findings += _costly_wishes(advised)
    if solution.gap_ms_per_min > GAP_MS_PER_MIN:
        findings.append(
            Finding(
                "search-cut-short",
                "advice",
                "So many functions are pressed together that the search was cut short: a better assignment may exist.",
                numbers={"at_most_better_ms_per_min": round(solution.gap_ms_per_min, 1)},
                remedy="Name only the pairs that matter, or pin some functions.",
            )
        )
    order = {"error": 0, "warning": 1, "advice": 2}
    findings.sort(key=lambda finding: order[finding.severity])
    return Advice(functions.name, advised, lost, tuple(findings), figures)


def button_wishes(advice: Advice) -> tuple[ButtonWish, ...]:
    """Return the advised buttons as a plan has them, in the order of the functions."""
    return tuple(ButtonWish(label=a.label, side=a.side, finger=a.finger, row=a.row) for a in advice.functions)


def plan_entries(advice: Advice) -> str:
    """Return the advised buttons as TOML entries, to be copied into a plan and edited there."""
    lines = [f"# {advice.note}"]
    for wish in button_wishes(advice):
        label = json.dumps(wish.label, ensure_ascii=False).replace("\x7f", "\\u007f")
        lines += ["", "[[buttons]]", f"label = {label}", f'side = "{wish.side}"', f'finger = "{wish.finger}"']
        lines += ['row = "far"'] if wish.row == "far" else []
    return "\n".join(lines) + "\n"


def summarise(advice: Advice) -> str:
    """Return the advice as a table: a line for each function, with what it loses and its cheapest alternative."""
    lines = [f"{advice.name}: which finger for which function. {advice.note}", ""]
    if advice.functions:
        lines.append("  function          finger            row    loses    cheapest other finger")
    for function in advice.functions:
        other = next((a for a in function.alternatives if a.possible), None)
        instead = "none is possible" if other is None else f"{other.side} {other.finger}, {_extra(other)}"
        kept = " (as you wrote)" if function.pinned else ""
        lines.append(
            f"  {function.label:16.16s}  {f'{function.side} {function.finger}':14s}  {function.row:5s}  "
            f"{function.lost_ms_per_min:5.0f}    {instead}{kept}"
        )
    if advice.functions:
        lines += [
            "",
            f"  In ms lost per minute against the quickest finger at rest; together {_ms(advice.lost_ms_per_min)}.",
        ]
    for finding in advice.findings:
        lines.append(f"  {finding.severity}: {finding.message} {finding.remedy}".rstrip())
    if any("delay_ms" in figure.assumed for figure in advice.figures):
        lines += [f"  {line}" for line in REACTION.splitlines()]
    return "\n".join(lines) + "\n"


def describe(advice: Advice, shown: int = 3) -> str:
    """Return the advice as text: each function with its reasons and its `shown` cheapest alternatives."""
    lines = [f"{advice.name}: which finger for which function. {advice.note}"]
    lines += ["Costs are milliseconds lost per minute of playing against the quickest finger at rest.", ""]
    for function in advice.functions:
        lines.append(f"{function.label}: {function.side} {function.finger}, {function.row} row")
        lines += [f"  {reason}" for reason in function.reasons]
        possible = [a for a in function.alternatives if a.possible]
        for other in possible[:shown]:
            more = len(other.moves) - MOVES_SHOWN
            moves = "; ".join((*other.moves[:MOVES_SHOWN], *([f"{more} more move"] if more > 0 else [])))
            moves = f" ({moves})" if moves else ""
            limit = "" if other.exact else "at most "
            lines.append(f"  {other.side} {other.finger} instead: {limit}{_extra(other)} for the desk{moves}.")
        barred = [f"{a.side} {a.finger} ({a.note.rstrip('.')})" for a in function.alternatives if not a.possible]
        lines += [f"  Not possible: {'; '.join(barred)}."] if barred else []
    if advice.functions:
        lines += ["", f"Together {_ms(advice.lost_ms_per_min)} are lost."]
    for finding in advice.findings:
        lines.append(f"{finding.severity}: {finding.message} {finding.remedy}".rstrip())
    lines += ["", "The fingers:"]
    for figure in advice.figures:
        assumed = ", ".join(name.rsplit("_", 1)[0].replace("_per", "") for name in figure.assumed)
        source = f" ({assumed}: assumed; edit it in [fingers])" if assumed else ""
        lines.append(
            f"  {figure.side} {figure.finger}: {figure.tempo_per_s:.3g} taps/s, stroke {figure.delay_ms:.0f} ms, "
            f"independence {figure.independence:g}, {_counted(figure.places, 'place')}{source}"
        )
    if any("delay_ms" in figure.assumed for figure in advice.figures):
        lines.append(REACTION)
    return "\n".join(lines) + "\n"


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
        if not wishes or (figure.side, figure.finger) in _wanted(function):
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
        held = None
        if (first.hold or second.hold) and (k, m) not in never:
            held = second.per_minute * first.hold + first.per_minute * second.hold
        if held is not None or (k, m) in joint or (k, m) in never:
            pairs.append(_Pair(k, m, joint.get((k, m)), never.get((k, m)), held))
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
        labels = [f.label for f in functions.functions if set(_wanted(f)) <= set(spots)]
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


def _wanted(function: Function) -> list[Spot]:
    """Return the fingers that the player's wish allows."""
    sides = SIDES if function.side is None else (function.side,)
    fingers = FINGERS if function.finger is None else (function.finger,)
    return list(itertools.product(sides, fingers))


def _order_bias(functions: int, places: int) -> FloatArray:
    """A bias far below anything that matters: among equals, the earlier function gets the earlier finger."""
    return np.outer(_TIE * np.arange(functions, 0, -1, dtype=np.float64), np.arange(places, dtype=np.float64))


@dataclass(frozen=True)
class _Solution:
    """`chosen` (functions,) indexes the places; nothing can be better than it by more than `gap_ms_per_min`."""

    chosen: NDArray[np.int64]
    gap_ms_per_min: float


def _solve(problem: _Problem, bias: FloatArray, limit: int, start: NDArray[np.int64] | None = None) -> _Solution:
    """Assign: fewest impossible pairs, then least time lost plus `bias`, by branch and bound.

    With the fingers of some functions fixed, what they share with the others is linear, and leaving out what the
    others share among themselves bounds the rest from below by a linear assignment (Gilmore-Lawler's idea). Where the
    assignment's own pairs cost nothing more, the bound is reached; else the function with the largest such cost is
    fixed to each finger in turn. After `limit` bounds the best found is returned with its gap; `start` is a first
    guess. ValueError when the wishes leave some function without a place.
    """
    from scipy.optimize import linear_sum_assignment

    first = np.array([pair.first for pair in problem.pairs], dtype=np.int64)
    second = np.array([pair.second for pair in problem.pairs], dtype=np.int64)
    n, spots = len(problem.cost), problem.spots
    # shared[p, f, g]: what pair p costs on fingers f and g; an impossible one more than anything else together.
    weights = np.array([pair.weight_ms_per_min for pair in problem.pairs])
    finite = np.where(np.isfinite(problem.cost), problem.cost, 0.0)
    clash = 1.0 + float(finite.max(axis=1).sum() + weights.sum() + bias.max() * n)
    apart = np.array([pair.apart for pair in problem.pairs], dtype=np.float64)
    shared = np.multiply.outer(weights, problem.coupling)
    shared += np.multiply.outer(apart * clash, np.eye(len(problem.coupling)))

    def pair_costs(chosen: NDArray[np.int64]) -> FloatArray:
        return np.asarray(shared[np.arange(len(first)), spots[chosen[first]], spots[chosen[second]]])

    best, best_cost = start, math.inf
    if start is not None:
        best_cost = float((problem.cost + bias)[np.arange(n), start].sum() + pair_costs(start).sum())
    waiting: list[tuple[float, int, FloatArray, NDArray[np.bool_], FloatArray]] = []
    bounds = 0

    def visit(cost: FloatArray, fixed: NDArray[np.bool_]) -> None:
        nonlocal best, best_cost, bounds
        bounds += 1
        try:
            rows, chosen = linear_sum_assignment(cost)
        except ValueError:
            return
        bound = float(cost[rows, chosen].sum())
        if bound >= best_cost - _TIE / 10:
            return
        left_out = np.where(fixed[first] | fixed[second], 0.0, pair_costs(chosen))
        if bound + left_out.sum() < best_cost:
            best, best_cost = np.asarray(chosen, dtype=np.int64), bound + float(left_out.sum())
        if left_out.sum() > 0:
            heapq.heappush(waiting, (bound, bounds, cost, fixed, left_out))

    visit(problem.cost + bias, np.zeros(n, dtype=np.bool_))
    while waiting and bounds < limit and waiting[0][0] < best_cost - _TIE / 10:
        _, _, cost, fixed, left_out = heapq.heappop(waiting)
        blame = np.bincount(first, left_out, n) + np.bincount(second, left_out, n)
        branch = int(blame.argmax())
        for spot in np.unique(spots[np.isfinite(cost[branch])]):
            child = cost.copy()
            child[branch, spots != spot] = _IMPOSSIBLE
            for own, other in ((first, second), (second, first)):  # coupling is symmetric
                for p in np.flatnonzero((own == branch) & ~fixed[other]):
                    child[other[p]] += shared[p, spot, spots]
            visit(child, fixed | (np.arange(n) == branch))
    if best is None:
        raise ValueError("the wishes leave some function without a place")
    return _Solution(best, max(best_cost - waiting[0][0], 0.0) if waiting else 0.0)


def _alternatives(
    functions: Functions,
    which: int,
    problem: _Problem,
    free: _Problem,
    figures: tuple[FingerFigures, ...],
    chosen: NDArray[np.int64],
) -> tuple[Alternative, ...]:
    """Return every other finger for one function, its own wish lifted, the others' wishes kept; cheapest first."""
    clashes, lost = problem.total(chosen)
    found = []
    in_use = list(dict.fromkeys(int(s) for s in problem.spots))
    limit = min(max(ALTERNATIVES_LIMIT // (len(chosen) * len(in_use)), 60), 300)
    for spot in in_use:
        if spot == problem.spots[chosen[which]]:
            continue
        figure = figures[spot]
        cost = problem.cost.copy()
        cost[which] = np.where(problem.spots == spot, free.cost[which], _IMPOSSIBLE)
        pinned = replace(problem, cost=cost)
        # Among equals, as few others as possible change fingers.
        bias = _STAY * (problem.spots[None, :] != problem.spots[chosen][:, None])
        try:
            solution = _solve(pinned, bias, limit, _traded(pinned, which, spot, chosen))
        except ValueError:
            note = "Every place there is taken by a wish that you wrote."
            found.append(Alternative(figure.side, figure.finger, None, None, (), False, False, note))
            continue
        then = solution.chosen
        labels = [function.label for function in functions.functions]
        moves = tuple(
            f"{labels[k]} to {_spot(figures[problem.spots[then[k]]])}"
            for k in range(len(then))
            if k != which and problem.spots[then[k]] != problem.spots[chosen[k]]
        )
        more, then_lost = pinned.total(then)
        note = ""
        if more > clashes:
            pairs = _sharing(pinned, then)
            note = "; ".join(f"{labels[a]} and {labels[b]} would share one finger" for a, b in pairs)
            note += "." if solution.gap_ms_per_min <= GAP_MS_PER_MIN else ", as far as was searched."
        row = problem.places[then[which]].row
        exact = solution.gap_ms_per_min <= GAP_MS_PER_MIN
        extra = None if note else then_lost - lost
        found.append(Alternative(figure.side, figure.finger, row, extra, moves, exact, not note, note))
    return tuple(sorted(found, key=lambda a: math.inf if a.extra_ms_per_min is None else a.extra_ms_per_min))


def _traded(problem: _Problem, which: int, spot: int, chosen: NDArray[np.int64]) -> NDArray[np.int64] | None:
    """Return the cheapest assignment in which `which` moves to `spot` and the one it drives out takes its place."""
    best: tuple[tuple[int, float], NDArray[np.int64]] | None = None
    for place in np.flatnonzero(problem.spots == spot):
        trial = chosen.copy()
        trial[trial == place] = chosen[which]
        trial[which] = place
        score = problem.total(trial)
        if math.isfinite(score[1]) and (best is None or score < best[0]):
            best = (score, trial)
    return None if best is None else best[1]


def _reasons(
    functions: Functions,
    which: int,
    problem: _Problem,
    figures: tuple[FingerFigures, ...],
    chosen: NDArray[np.int64],
) -> tuple[str, ...]:
    """Say in plain sentences, with the numbers, why this function lies where it lies."""
    function, place = functions.functions[which], problem.places[chosen[which]]
    labels = [f.label for f in functions.functions]
    figure = figures[place.spot]
    weights = [f.per_minute + AT_ONCE_PER_MIN * f.urgency for f in functions.functions]
    strokes = [figures[p.spot].delay_ms + p.away_ms for p in problem.places]
    lines = []
    if function.side is not None or function.finger is not None:
        wish = " ".join(word for word in (function.side, function.finger or "hand") if word)
        lines.append(f"You wrote {wish}; it is kept.")
    words = {value: word for word, value in URGENCIES.items()}
    lines.append(
        f"Pressed {function.per_minute:g} times a minute, wanted "
        f"{words.get(function.urgency, f'with urgency {function.urgency:g}')}: it weighs as {weights[which]:.3g} "
        f"presses a minute, {_ordinal(1 + sum(weight > weights[which] for weight in weights))} of {len(weights)}."
    )
    source = {name: "assumed" if name in figure.assumed else "your figure" for name in ("tempo_per_s", "delay_ms")}
    away = "your figure" if "away_ms" in functions.fingers.model_fields_set else "assumed"
    lines.append(
        f"The {_spot(figure)} taps {figure.tempo_per_s:.3g} times a second ({source['tempo_per_s']}) and strikes in "
        f"{figure.delay_ms:.0f} ms ({source['delay_ms']})"
        + (f"; this place lies {place.away_ms:.0f} ms away from rest ({away})" if place.away_ms else "")
        + f". Here {function.label} loses {_ms(float(problem.cost[which, chosen[which]]))}."
    )
    quicker = [labels[k] for k in range(len(labels)) if strokes[chosen[k]] < strokes[chosen[which]] - 1e-9]
    if quicker:
        names = _listed(quicker) if len(quicker) <= MOVES_SHOWN else f"{len(quicker)} others"
        lines.append(f"Quicker places go to {names}.")
    disturbed = 0.0
    for pair in problem.pairs:
        if which not in (pair.first, pair.second):
            continue
        other = pair.second if pair.first == which else pair.first
        here, there = place.spot, int(problem.spots[chosen[other]])
        how = []
        if pair.joint_per_min is not None:
            how.append(f"pressed together with {labels[other]} {pair.joint_per_min:g} times a minute")
        elif pair.held_per_min is not None and here != there:
            if function.hold:
                disturbed += problem.pair_cost(pair, here, there)
            elif figures[here].side == figures[there].side:
                how.append(f"pressed while {labels[other]} is held")
        if pair.never_per_min is not None:
            how.append(f"not to be set off with {labels[other]}")
        if how:
            lines.append(_sentence(f"{' and '.join(how)}: {_meeting(problem, figures, pair, here, there)}"))
    if function.hold:
        lines.append(f"Held while others are pressed: the fingers beside it disturb it by {_ms(disturbed)}.")
    return tuple(lines)


def _meeting(problem: _Problem, figures: tuple[FingerFigures, ...], pair: _Pair, here: int, there: int) -> str:
    if here == there:
        return "one finger cannot do both" if pair.apart else "they share a finger, which presses one at a time"
    if figures[here].side != figures[there].side:
        return "they lie on different hands, which do not disturb each other"
    strength = float(problem.coupling[here, there])
    return (
        f"{_spot(figures[here])} and {_spot(figures[there])} move one another by {strength:.2f} of full coupling, "
        f"which loses {_ms(problem.pair_cost(pair, here, there))}"
    )


def _sharing(problem: _Problem, chosen: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Return the pairs that cannot share a finger and do."""
    spots = problem.spots[chosen]
    return [(p.first, p.second) for p in problem.pairs if p.apart and spots[p.first] == spots[p.second]]


def _clashes(
    functions: Functions, problem: _Problem, figures: tuple[FingerFigures, ...], chosen: NDArray[np.int64]
) -> list[Finding]:
    found = []
    for first, second in _sharing(problem, chosen):
        a, b = functions.functions[first], functions.functions[second]
        spot = _spot(figures[problem.spots[chosen[first]]])
        how = "one is held while the other is pressed" if a.hold or b.hold else "they are pressed together"
        pinned = [f.label for f in (a, b) if f.finger is not None]
        if len(pinned) == 2:
            remedy = f"Pin {a.label} or {b.label} to another finger."
        else:
            remedy = "Allow more fingers two functions, free a side or finger, or name fewer that are pressed together."
        found.append(
            Finding(
                "together-on-one-finger",
                "error",
                f"{a.label} and {b.label} both lie under the {spot}, but {how}: one finger cannot do both.",
                (a.label, b.label),
                remedy=remedy,
            )
        )
    return found


def _slow(
    functions: Functions,
    problem: _Problem,
    figures: tuple[FingerFigures, ...],
    chosen: NDArray[np.int64],
    advised: tuple[FunctionAdvice, ...],
) -> list[Finding]:
    found = []
    strokes = [figures[place.spot].delay_ms + place.away_ms for place in problem.places]
    for k, function in enumerate(functions.functions):
        late = strokes[chosen[k]] - min(strokes)
        if function.urgency < 1.0 or late < SLOW_MS:
            continue
        delays = {(figure.side, figure.finger): figure.delay_ms for figure in figures}
        better = [
            a
            for a in advised[k].alternatives
            if a.possible and a.row == "near" and delays[a.side, a.finger] < strokes[chosen[k]] - 1e-9
        ]
        remedy = "Want fewer functions at once, or free a quick finger."
        if better:
            remedy = f"The {better[0].side} {better[0].finger} is quicker: {_extra(better[0])} for the desk."
        found.append(
            Finding(
                "urgent-on-slow-finger",
                "warning",
                f"{function.label} is wanted at once, but lies under the {_spot(figures[problem.spots[chosen[k]]])}, "
                f"{problem.places[chosen[k]].row} row, {late:.0f} ms later than the quickest place.",
                (function.label,),
                {"later_ms": round(late, 1)},
                remedy,
            )
        )
    return found


def _busy(
    functions: Functions, problem: _Problem, figures: tuple[FingerFigures, ...], chosen: NDArray[np.int64]
) -> list[Finding]:
    found = []
    for spot in sorted(set(problem.spots[chosen].tolist())):
        mine = [f for k, f in enumerate(functions.functions) if problem.spots[chosen[k]] == spot]
        presses = sum(function.per_minute for function in mine)
        share = presses / (60.0 * figures[spot].tempo_per_s)
        if share >= BUSY_SHARE:
            found.append(
                Finding(
                    "finger-busy",
                    "warning",
                    f"The {_spot(figures[spot])} presses {presses:g} times a minute, {share:.0%} of its fastest.",
                    tuple(function.label for function in mine),
                    {"presses_per_min": presses, "share": round(share, 3)},
                    "Spread the work over more fingers and take rests; stop if it hurts. This is not medical advice.",
                )
            )
    return found


def _costly_wishes(advised: tuple[FunctionAdvice, ...]) -> list[Finding]:
    found = []
    for function in advised:
        best = next((a for a in function.alternatives if a.extra_ms_per_min is not None), None)
        if function.pinned and best is not None and (best.extra_ms_per_min or 0.0) < -GAP_MS_PER_MIN:
            saved = -(best.extra_ms_per_min or 0.0)
            found.append(
                Finding(
                    "wish-costs",
                    "advice",
                    f"Your wish keeps {function.label} at the {function.side} {function.finger}; the {best.side} "
                    f"{best.finger} would lose {_ms(saved)} less.",
                    (function.label,),
                    {"saved_ms_per_min": round(saved, 1)},
                    "Keep it if you have a reason that this count does not know.",
                )
            )
    return found


def _spot(figure: FingerFigures) -> str:
    return f"{figure.side} {figure.finger}"


def _ms(value: float) -> str:
    return f"{value:.0f} ms per minute"


def _extra(other: Alternative) -> str:
    value = other.extra_ms_per_min or 0.0
    return "no time more or less" if abs(value) < 0.5 else f"{_ms(abs(value))} {'more' if value > 0 else 'less'}"


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _listed(labels: list[str]) -> str:
    return labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"


def _ordinal(rank: int) -> str:
    ending = "th" if 10 <= rank % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(rank % 10, "th")
    return f"{rank}{ending}"


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."
