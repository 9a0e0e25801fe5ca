"""Which finger for which function: the count, the search, the wishes that are kept, and the words.

References from outside: every assignment tried in turn; HiGHS (scipy.optimize.milp) on the linearised products of
Adams and Johnson; the rearrangement inequality (Hardy, Littlewood, Pólya, Inequalities, 1934, section 10.2); orders
of the fingers as in the abstracts named beside `DEFAULT_FIGURES`. All lists of functions are invented.
"""

from __future__ import annotations

import itertools
import random
import time
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handcapture.demo import samples_folder
from handcapture.errors import DocumentError
from handcapture.layout.functions import (
    ADVICE,
    AT_ONCE_PER_MIN,
    DEFAULT_FIGURES,
    JOINT_MS,
    SLIP_MS,
    Advice,
    Functions,
    advise,
    button_wishes,
    coupling,
    describe,
    finger_figures,
    load_functions,
    plan_entries,
)
from handcapture.layout.plan import Plan, load_plan
from handcapture.names import FINGERS, SIDES

FEW = [("left", "index"), ("left", "middle"), ("left", "ring"), ("right", "index"), ("right", "little")]
EXAMPLES = settings(max_examples=60, deadline=None, derandomize=True)


def only(spots: list[tuple[str, str]], **entry: object) -> dict[str, Any]:
    """A [fingers] table that leaves every other finger free."""
    return {side: {finger: entry if (side, finger) in spots else {"places": 0} for finger in FINGERS} for side in SIDES}


def made(functions: list[dict[str, Any]], fingers: dict[str, Any] | None = None) -> Functions:
    return Functions.model_validate({"name": "Invented", "functions": functions, "fingers": fingers or {}})


def where(advice: Advice) -> dict[str, tuple[str, str]]:
    return {function.label: (function.side, function.finger) for function in advice.functions}


def codes(advice: Advice) -> list[str]:
    return [finding.code for finding in advice.findings]


def exhaustive(functions: Functions) -> tuple[int, float] | None:
    """The fewest impossible pairs and then the least time lost, over every assignment; None when none fits.

    Written from the words of the module's documentation, without its code. Of the functions of one finger the
    heaviest has the place at rest.
    """
    figures = [figure for figure in finger_figures(functions.fingers) if figure.places]
    wanted = functions.functions
    grid = np.array(list(itertools.product(range(len(figures)), repeat=len(wanted))))
    fits = np.ones(len(grid), dtype=bool)
    lost = np.zeros(len(grid))
    clashes = np.zeros(len(grid), dtype=int)
    interval = np.array([1000 / figure.tempo_per_s for figure in figures])
    delay = np.array([figure.delay_ms for figure in figures])
    weight = np.array([f.per_minute + AT_ONCE_PER_MIN * f.urgency for f in wanted])
    for k, function in enumerate(wanted):
        lost += function.per_minute * (interval - interval.min())[grid[:, k]]
        lost += AT_ONCE_PER_MIN * function.urgency * (delay - delay.min())[grid[:, k]]
        right = [function.side in (None, f.side) and function.finger in (None, f.finger) for f in figures]
        fits &= np.array(right)[grid[:, k]]
    for spot, figure in enumerate(figures):
        mine = grid == spot
        fits &= mine.sum(axis=1) <= figure.places
        heaviest = np.where(mine, weight, 0.0).max(axis=1)
        lost += functions.fingers.away_ms * ((mine * weight).sum(axis=1) - heaviest)
    share = {1: 1.0, 2: 0.4, 3: 0.15, 4: 0.05}
    for k, m in itertools.combinations(range(len(wanted)), 2):
        a, b = wanted[k], wanted[m]
        joint = [(p.per_minute, x, y) for x, y in ((a, b), (b, a)) for p in x.together_with if p.label == y.label]
        never = [(p.per_minute, x, y) for x, y in ((a, b), (b, a)) for p in x.not_with if p.label == y.label]
        often_joint = max((min(x.per_minute, y.per_minute) if n is None else n for n, x, y in joint), default=0.0)
        often_never = max((x.per_minute + y.per_minute if n is None else n for n, x, y in never), default=0.0)
        held = (a.hold or b.hold) and not never
        if held and not joint:
            often_joint = b.per_minute * a.hold + a.per_minute * b.hold
        for one, other in itertools.product(range(len(figures)), repeat=2):
            at = (grid[:, k] == one) & (grid[:, m] == other)
            if one == other:
                clashes += at & bool(joint or held)
            elif figures[one].side == figures[other].side:
                apart = share[abs(FINGERS.index(figures[one].finger) - FINGERS.index(figures[other].finger))]
                full = apart * (1 - (figures[one].independence + figures[other].independence) / 2)
                lost += at * full * (JOINT_MS * often_joint + SLIP_MS * often_never)
    if not fits.any():
        return None
    least = clashes[fits].min()
    return int(least), float(lost[fits & (clashes == least)].min())


@st.composite
def lists_of_functions(draw: st.DrawFn, wishes: bool = True) -> Functions:
    count = draw(st.integers(1, 6))
    labels = [f"cue {k}" for k in range(count)]
    functions: list[dict[str, Any]] = []
    for label in labels:
        functions.append(
            {
                "label": label,
                "per_minute": draw(st.integers(0, 40)),
                "urgency": draw(st.sampled_from(["at once", "soon", "whenever", 0.7])),
                "hold": draw(st.integers(0, 5)) == 0,
            }
        )
        if wishes and draw(st.integers(0, 3)) == 0:
            functions[-1]["side"] = draw(st.sampled_from(SIDES))
    for k, m in itertools.combinations(range(count), 2):
        kind = draw(st.sampled_from(["together_with", "not_with", None, None, None]))
        if kind:
            often = draw(st.sampled_from([None, 1, 12]))
            functions[k].setdefault(kind, []).append(
                labels[m] if often is None else {"label": labels[m], "per_minute": often}
            )
    fingers = only(FEW)
    for side, finger in FEW:
        fingers[side][finger] = {"tempo_per_s": draw(st.integers(8, 14)) / 2, "places": draw(st.integers(1, 2))}
    fingers["left"]["ring"]["delay_ms"] = draw(st.sampled_from([60, 140]))
    fingers["left"]["middle"]["independence"] = draw(st.sampled_from([0.2, 0.9]))
    return made(functions, fingers)


@EXAMPLES
@given(lists_of_functions())
def test_the_advice_is_the_best_of_all_assignments(functions: Functions) -> None:
    best = exhaustive(functions)
    advice = advise(functions, alternatives=False)
    if best is None:
        assert not advice.functions
        assert advice.findings[-1].code in {"more-functions-than-places", "wishes-clash"}
    else:
        assert codes(advice).count("together-on-one-finger") == best[0]
        assert advice.lost_ms_per_min == pytest.approx(best[1], abs=0.01)


@settings(max_examples=12, deadline=None, derandomize=True)
@given(lists_of_functions(wishes=False))
def test_every_alternative_is_the_best_with_that_finger(functions: Functions) -> None:
    best = exhaustive(functions)
    if best is None:
        return
    advice = advise(functions)
    for k, function in enumerate(advice.functions):
        assert {(a.side, a.finger) for a in function.alternatives} | {(function.side, function.finger)} == set(FEW)
        for other in function.alternatives[:2]:
            entry = functions.functions[k].model_copy(update={"side": other.side, "finger": other.finger})
            entries = (*functions.functions[:k], entry, *functions.functions[k + 1 :])
            pinned = exhaustive(functions.model_copy(update={"functions": entries}))
            assert pinned is not None
            assert other.possible == (pinned[0] <= best[0])
            assert other.exact
            if other.extra_ms_per_min is not None:
                assert other.extra_ms_per_min == pytest.approx(pinned[1] - best[1], abs=0.01)


@EXAMPLES
@given(lists_of_functions(), st.randoms(use_true_random=False))
def test_another_order_costs_the_same(functions: Functions, chance: random.Random) -> None:
    entries = list(functions.functions)
    chance.shuffle(entries)
    first = advise(functions, alternatives=False)
    second = advise(functions.model_copy(update={"functions": tuple(entries)}), alternatives=False)
    assert first.lost_ms_per_min == pytest.approx(second.lost_ms_per_min, abs=0.01)
    assert first == advise(functions, alternatives=False)


@EXAMPLES
@given(lists_of_functions())
def test_mirrored_hands_cost_the_same(functions: Functions) -> None:
    turned = {"left": "right", "right": "left", None: None}
    entries = tuple(f.model_copy(update={"side": turned[f.side]}) for f in functions.functions)
    fingers = functions.fingers.model_copy(update={"left": functions.fingers.right, "right": functions.fingers.left})
    mirrored = functions.model_copy(update={"functions": entries, "fingers": fingers})
    first, second = advise(functions, alternatives=False), advise(mirrored, alternatives=False)
    assert first.lost_ms_per_min == pytest.approx(second.lost_ms_per_min, abs=0.01)


@EXAMPLES
@given(lists_of_functions(), st.data())
def test_more_urgent_never_means_a_slower_finger(functions: Functions, data: st.DataObject) -> None:
    which = data.draw(st.integers(0, len(functions.functions) - 1))
    more = data.draw(st.floats(functions.functions[which].urgency, 1.0))
    entry = functions.functions[which].model_copy(update={"urgency": more})
    entries = (*functions.functions[:which], entry, *functions.functions[which + 1 :])
    before = advise(functions, alternatives=False)
    after = advise(functions.model_copy(update={"functions": entries}), alternatives=False)
    assert bool(before.functions) == bool(after.functions)
    if before.functions:
        assert stroke(after, which, functions) <= stroke(before, which, functions) + 1e-9


def stroke(advice: Advice, which: int, functions: Functions) -> float:
    """The stroke's time with the way to the place (no finger of `FEW` has two places side by side)."""
    function = advice.functions[which]
    figure = next(f for f in advice.figures if (f.side, f.finger) == (function.side, function.finger))
    return figure.delay_ms + functions.fingers.away_ms * (function.row == "far")


@EXAMPLES
@given(lists_of_functions(), st.data())
def test_what_is_pinned_stays(functions: Functions, data: st.DataObject) -> None:
    entries = [
        f.model_copy(
            update=dict(zip(("side", "finger"), data.draw(st.sampled_from([*FEW, (f.side, None)])), strict=True))
        )
        for f in functions.functions
    ]
    pinned = functions.model_copy(update={"functions": tuple(entries)})
    for function, entry in zip(advise(pinned).functions, entries, strict=False):
        assert entry.side in (None, function.side)
        assert entry.finger in (None, function.finger)
        assert function.pinned == (entry.side is not None or entry.finger is not None)


def test_heavier_functions_have_quicker_fingers() -> None:
    """Without pairs the count is a scalar product, least when the two are sorted oppositely (rearrangement)."""
    chance = random.Random(3)
    functions = [{"label": str(k), "per_minute": chance.uniform(0, 60), "urgency": chance.random()} for k in range(10)]
    fingers: dict[str, Any] = only([])
    for number, (side, finger) in enumerate(itertools.product(SIDES, FINGERS)):
        fingers[side][finger] = {"tempo_per_s": 3 + (7 * number) % 10 / 3, "places": 1}
    advice = advise(made(functions, fingers), alternatives=False)
    # Strokes take half an interval: urgency weighs half as much as presses.
    weights = [f["per_minute"] + AT_ONCE_PER_MIN * f["urgency"] / 2 for f in functions]
    tempo = {(f.side, f.finger): f.tempo_per_s for f in advice.figures}
    by_weight = [
        tempo[f.side, f.finger]
        for _, f in sorted(zip(weights, advice.functions, strict=True), reverse=True, key=lambda x: x[0])
    ]
    assert by_weight == sorted(tempo.values(), reverse=True)


def large(count: int, pairs: int, places: int, chance: random.Random) -> Functions:
    functions: list[dict[str, Any]] = [
        {"label": f"cue {k}", "per_minute": round(chance.uniform(0, 40), 1), "urgency": chance.choice([0, 0.4, 1])}
        for k in range(count)
    ]
    for k, m in chance.sample(list(itertools.combinations(range(count), 2)), pairs):
        functions[k].setdefault(chance.choice(["together_with", "not_with"]), []).append(f"cue {m}")
    return made(functions, {side: {finger: {"places": places} for finger in FINGERS} for side in SIDES})


@pytest.mark.parametrize("number", range(3))
def test_the_same_as_an_independent_solver(number: int) -> None:
    """12 functions, 7 pairs, 10 fingers of one place or two: too many to try; HiGHS finds the same least."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    functions = large(12, 7, 2, random.Random(number))
    advice = advise(functions, alternatives=False)
    figures = advice.figures
    full = coupling(figures)
    interval = np.array([1000 / f.tempo_per_s for f in figures])
    delay = np.array([f.delay_ms for f in figures])
    n, fingers = 12, 10
    # x[i, f, place], then one z[f, g] for each pair.
    objective: list[float] = []
    for function in functions.functions:
        for finger, place in itertools.product(range(fingers), range(2)):
            away = functions.fingers.away_ms * place
            objective.append(
                function.per_minute * (interval[finger] - interval.min() + away)
                + AT_ONCE_PER_MIN * function.urgency * (delay[finger] - delay.min() + away)
            )
    lines: list[tuple[dict[int, float], float, float]] = []
    for i in range(n):
        lines.append(({20 * i + s: 1.0 for s in range(20)}, 1, 1))
    for s in range(20):
        lines.append(({20 * i + s: 1.0 for i in range(n)}, 0, 1))
    upper = [1.0] * len(objective)
    labels = [function.label for function in functions.functions]
    for i, function in enumerate(functions.functions):
        for kind, partners in (("joint", function.together_with), ("never", function.not_with)):
            for partner in partners:
                j, other = labels.index(partner.label), functions.functions[labels.index(partner.label)]
                both = (function.per_minute, other.per_minute)
                weight = JOINT_MS * min(both) if kind == "joint" else SLIP_MS * sum(both)
                start = len(objective)
                objective += list((weight * full).ravel())
                upper += [0.0 if kind == "joint" and f == g else 1.0 for f in range(10) for g in range(10)]
                for f in range(10):
                    lines.append(
                        (
                            {
                                **{start + 10 * f + g: 1.0 for g in range(10)},
                                **{20 * i + 2 * f + p: -1.0 for p in (0, 1)},
                            },
                            0,
                            0,
                        )
                    )
                    lines.append(
                        (
                            {
                                **{start + 10 * g + f: 1.0 for g in range(10)},
                                **{20 * j + 2 * f + p: -1.0 for p in (0, 1)},
                            },
                            0,
                            0,
                        )
                    )
    matrix = np.zeros((len(lines), len(objective)))
    for row, (terms, _, _) in enumerate(lines):
        matrix[row, list(terms)] = list(terms.values())
    whole = np.zeros(len(objective))
    whole[: 20 * n] = 1
    found = milp(
        np.array(objective),
        integrality=whole,
        bounds=Bounds(0, np.array(upper)),
        constraints=LinearConstraint(
            matrix, np.array([low for _, low, _ in lines]), np.array([high for _, _, high in lines])
        ),
        options={"mip_rel_gap": 0.0},
    )
    assert advice.lost_ms_per_min == pytest.approx(found.fun, abs=0.02)


@pytest.mark.parametrize("pairs", [0, 6, 15])
def test_thirty_functions_take_less_than_a_second(pairs: int) -> None:
    functions = large(30, pairs, 3, random.Random(pairs))
    advise(made([{"label": "first", "per_minute": 1}]))  # imports
    start = time.process_time()
    advice = advise(functions, alternatives=False)
    assert time.process_time() - start < 1.0
    assert len(advice.functions) == 30
    assert "search-cut-short" not in codes(advice)


def test_a_search_cut_short_is_told() -> None:
    functions = large(28, 90, 3, random.Random(1))
    advice = advise(functions, alternatives=False)
    finding = next(f for f in advice.findings if f.code == "search-cut-short")
    assert finding.numbers["at_most_better_ms_per_min"] > 0


def test_together_never_on_one_finger() -> None:
    """One quick finger would serve both best: only being pressed together parts them."""
    two = [{"label": "Sun", "per_minute": 30}, {"label": "Rain", "per_minute": 20}]
    fingers = only([("left", "index"), ("left", "ring")], places=2)
    fingers["left"]["ring"] = {"tempo_per_s": 0.5, "places": 2}
    assert set(where(advise(made(two, fingers))).values()) == {("left", "index")}
    two[0]["together_with"] = ["Rain"]
    parted = advise(made(two, fingers))
    assert where(parted) == {"Sun": ("left", "index"), "Rain": ("left", "ring")}
    assert any("move one another" in reason for reason in parted.functions[0].reasons)
    barred = [a for a in parted.functions[1].alternatives if (a.side, a.finger) == ("left", "index")]
    assert barred[0].possible  # Rain on the index finger moves Sun to the ring finger
    assert barred[0].moves == ("Sun to left ring",)


def test_together_prefers_two_hands() -> None:
    spots = [("left", "ring"), ("left", "little"), ("right", "ring")]
    two = [{"label": "Sun", "per_minute": 30, "together_with": ["Rain"]}, {"label": "Rain", "per_minute": 20}]
    advice = advise(made(two, only(spots, tempo_per_s=5)))
    assert {side for side, _ in where(advice).values()} == {"left", "right"}


def test_a_held_function_has_its_finger_alone() -> None:
    four = [{"label": name, "per_minute": 10} for name in "abcd"]
    four[0]["hold"] = True
    spots = [("left", "index"), ("left", "middle")]
    fingers = only(spots, places=3)
    advice = advise(made(four, fingers))
    assert "together-on-one-finger" not in codes(advice)
    places = where(advice)
    assert places["a"] not in [places[name] for name in "bcd"]
    assert any(reason.startswith("Held while") for reason in advice.functions[0].reasons)


def test_what_must_not_go_together_keeps_clear_of_neighbours() -> None:
    two = [{"label": "Sun", "per_minute": 5, "not_with": ["Rain"]}, {"label": "Rain", "per_minute": 5}]
    spots = [("left", "middle"), ("left", "ring"), ("right", "little")]
    advice = advise(made(two, only(spots, tempo_per_s=5, places=1)))
    assert set(where(advice).values()) > {("right", "little")}


def test_the_larger_figure_of_a_pair_counts() -> None:
    """Whichever of the two names the other, and in whatever order."""
    spots = [("left", "middle"), ("left", "ring")]
    lost = set()
    for first, second in ((1, 4), (4, 1)):
        two = [
            {"label": "Sun", "per_minute": 9, "together_with": [{"label": "Rain", "per_minute": first}]},
            {"label": "Rain", "per_minute": 9, "together_with": [{"label": "Sun", "per_minute": second}]},
        ]
        lost.add(advise(made(two, only(spots, tempo_per_s=5, independence=0.5))).lost_ms_per_min)
    assert lost == {4 * JOINT_MS * 0.5}


def test_an_alternative_moves_no_more_than_it_must() -> None:
    """Equal functions on equal fingers: one more trade of two others would cost nothing, and is not advised."""
    spots = [(side, finger) for side in SIDES for finger in FINGERS[1:4]]
    equal = [{"label": name, "per_minute": 5} for name in "abcdef"]
    for function in advise(made(equal, only(spots, tempo_per_s=5, places=1))).functions:
        assert [len(other.moves) for other in function.alternatives] == [1] * 5
        assert [other.extra_ms_per_min for other in function.alternatives] == [0.0] * 5


def test_at_once_beats_often() -> None:
    """A rare alarm against something pressed now and then, on two fingers: the alarm has the quick one."""
    two = [
        {"label": "Rain", "per_minute": 6, "urgency": "whenever"},
        {"label": "House lights", "per_minute": 0.1, "urgency": "at once"},
    ]
    spots = [("left", "index"), ("left", "ring")]
    assert where(advise(made(two, only(spots, places=1))))["House lights"] == ("left", "index")
    two[1]["urgency"] = "whenever"
    assert where(advise(made(two, only(spots, places=1))))["House lights"] == ("left", "ring")


def test_ties_go_by_the_order_of_the_file() -> None:
    equal = [{"label": name, "per_minute": 5} for name in ("first", "second")]
    assert where(advise(made(equal))) == {"first": ("left", "index"), "second": ("right", "index")}
    assert where(advise(made(equal[::-1]))) == {"second": ("left", "index"), "first": ("right", "index")}


def test_two_pinned_to_one_finger_and_pressed_together() -> None:
    pinned = {"per_minute": 5, "side": "left", "finger": "index"}
    advice = advise(made([{"label": "Sun", **pinned, "together_with": ["Rain"]}, {"label": "Rain", **pinned}]))
    assert set(where(advice).values()) == {("left", "index")}
    finding = advice.findings[0]
    assert (finding.code, finding.severity) == ("together-on-one-finger", "error")
    assert "Sun and Rain both lie under the left index" in finding.message
    assert "Pin Sun or Rain to another finger" in finding.remedy


def test_more_functions_than_places() -> None:
    advice = advise(made([{"label": str(k), "per_minute": 1} for k in range(17)]))
    assert advice.functions == ()
    assert "17 functions want 16 places on the fingers." in advice.findings[0].message
    left = advise(made([{"label": str(k), "per_minute": 1, "side": "left"} for k in range(9)]))
    assert "9 functions want 8 places on the fingers of the left hand." in left.findings[0].message
    ring = advise(made([{"label": str(k), "per_minute": 1, "finger": "ring"} for k in range(3)]))
    assert "3 functions want 2 places on the ring fingers." in ring.findings[0].message
    assert "more-functions-than-places" not in codes(
        advise(made([{"label": str(k), "per_minute": 1} for k in range(16)]))
    )
    assert "17 functions want 16 places" in describe(advice)
    assert button_wishes(advice) == ()


def test_wishes_that_no_count_of_a_group_shows() -> None:
    """Three on the index and middle fingers of the left hand, which have a place each: no group alone is too full."""
    functions = [
        {"label": "a", "per_minute": 1, "side": "left"},
        {"label": "b", "per_minute": 1, "finger": "index"},
        {"label": "c", "per_minute": 1, "side": "left"},
        {"label": "d", "per_minute": 1, "finger": "index"},
    ]
    spots = [("left", "index"), ("left", "middle"), ("right", "index"), ("right", "ring")]
    advice = advise(made(functions, only(spots, places=1)))
    assert codes(advice) == ["wishes-clash"]
    assert exhaustive(made(functions, only(spots, places=1))) is None


def test_more_pinned_than_a_finger_has() -> None:
    pinned = {"per_minute": 1, "side": "left", "finger": "ring"}
    advice = advise(made([{"label": "Sun", **pinned}, {"label": "Rain", **pinned}]))
    assert codes(advice)[0] == "finger-crowded"
    assert "You pinned Sun and Rain to the left ring, which has 1 place." in advice.findings[0].message
    assert [f.row for f in advice.functions] in (["near", "far"], ["far", "near"])


def test_an_alarm_pinned_to_a_slow_finger() -> None:
    alarm = {"label": "House lights", "per_minute": 0.3, "urgency": "at once", "side": "left", "finger": "little"}
    advice = advise(made([alarm, {"label": "Rain", "per_minute": 2}]))
    assert codes(advice) == ["urgent-on-slow-finger", "wish-costs"]
    assert "21 ms later than the quickest place" in advice.findings[0].message
    # 0.3 presses x 42 ms of interval, and 30 x 21 ms of stroke, against the index finger.
    assert advice.findings[0].remedy == "The left index is quicker: 638 ms per minute less for the desk."
    assert advice.findings[1].numbers["saved_ms_per_min"] == pytest.approx(637.5)
    assert advice.functions[0].alternatives[0].extra_ms_per_min < 0  # type: ignore[operator]


def test_a_busy_finger_is_told() -> None:
    advice = advise(made([{"label": "Drum", "per_minute": 200}]))
    assert (
        "200 times a minute, 56% of its fastest" in next(f for f in advice.findings if f.code == "finger-busy").message
    )


def test_figures_of_the_file_are_used_and_told() -> None:
    functions = made(
        [{"label": "Bell", "per_minute": 10}], {"right": {"little": {"tempo_per_s": 9, "delay_ms": 20}}, "away_ms": 50}
    )
    advice = advise(functions)
    assert where(advice) == {"Bell": ("right", "little")}
    assert "taps 9 times a second (your figure)" in " ".join(advice.functions[0].reasons)
    text = describe(advice)
    assert "right little: 9 taps/s, stroke 20 ms, independence 0.8, 1 place (independence: assumed" in text
    assert (
        "left thumb: 5.4 taps/s, stroke 93 ms, independence 0.95, 2 places (tempo, delay, independence: assumed" in text
    )


def test_default_figures_are_in_the_published_orders() -> None:
    """Abstracts: Aoki et al. 2005 and Aoki and Kinoshita 2001 for tempo; Ingram et al. 2008 for independence."""
    tempo = {finger: figure[0] for finger, figure in DEFAULT_FIGURES.items()}
    alone = {finger: figure[1] for finger, figure in DEFAULT_FIGURES.items()}
    assert max(tempo["ring"], tempo["little"]) < min(tempo["index"], tempo["middle"])
    assert tempo["index"] > tempo["middle"]
    assert sorted(alone, key=lambda finger: -alone[finger])[:2] == ["thumb", "index"]
    assert min(alone, key=lambda finger: alone[finger]) == "ring"


def test_coupling_stays_within_a_hand_and_falls_with_distance() -> None:
    figures = finger_figures(made([{"label": "a", "per_minute": 1}]).fingers)
    full = coupling(figures)
    np.testing.assert_array_equal(full, full.T)
    np.testing.assert_array_equal(full[:5, :5], full[5:, 5:])
    assert not full[:5, 5:].any()
    assert not np.diag(full).any()
    assert full.max() == full[3, 2] < 1  # ring and middle
    assert full[3, 2] > full[3, 1] > full[3, 0]


def test_the_sample() -> None:
    functions = load_functions(samples_folder() / "functions.toml")
    plan = load_plan(samples_folder() / "plan.toml")
    assert [f.label for f in functions.functions] == [button.label for button in plan.buttons]
    advice = advise(functions)
    assert all(f.severity == "advice" for f in advice.findings)
    places = where(advice)
    assert places["Bell"][1] == "index"
    assert places["House lights"][0] == "left"
    assert places["Fog"][1] == "little"
    assert list(places.values()).count(places["Sea"]) == 1
    assert len({places["Rain"], places["Wind"], places["Storm"]}) == 3
    text = describe(advice)
    assert ADVICE in text
    assert "you decide" in text
    assert "assumed" in text
    for function in advice.functions:
        assert f"{function.label}: {function.side} {function.finger}, {function.row} row" in text
        assert len(function.alternatives) == 9
    assert Plan(name="x", buttons=button_wishes(advice)).buttons[0].label == "Curtain"


@given(st.lists(st.text(min_size=1, max_size=12), min_size=1, max_size=4, unique=True))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_entries_for_a_plan_are_read_back(labels: list[str]) -> None:
    labels = [label for label in labels if label.isprintable() or label == "\x7f"] or ["\x7f"]
    advice = advise(made([{"label": label, "per_minute": 1} for label in labels]), alternatives=False)
    plan = Plan.model_validate({"name": "x", **tomllib.loads(plan_entries(advice))})
    assert plan.buttons == button_wishes(advice)


FILE = """
name = "Loom"
[[functions]]
label = "Shed"
per_minute = 40
together_with = ["Beat"]
[[functions]]
label = "Beat"
per_minute = 20
urgency = "at once"
[fingers.left.ring]
tempo_per_s = 4.4
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "functions.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file(tmp_path: Path) -> None:
    functions = load_functions(written(tmp_path, FILE))
    assert [f.urgency for f in functions.functions] == [0.4, 1.0]
    ring = next(f for f in finger_figures(functions.fingers) if (f.side, f.finger) == ("left", "ring"))
    assert (ring.tempo_per_s, ring.delay_ms) == (4.4, pytest.approx(1000 / 8.8))
    assert ring.assumed == ("delay_ms", "independence")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("per_minute = 40", "per_minute = -1", "function Shed, per_minute: must be 0 or more.*got -1"),
        ("per_minute = 40", "per_minute = nan", "function Shed, per_minute: .*finite"),
        ("per_minute = 40\n", "", "function Shed, per_minute: is missing"),
        (
            'urgency = "at once"',
            'urgency = "now"',
            'function Beat, urgency: should be "at once", "soon", "whenever".*now',
        ),
        ('urgency = "at once"', "urgency = 1.5", "function Beat, urgency: must be 1 or less"),
        ('urgency = "at once"', 'finger = "pointer"', "function Beat, finger: .*'thumb', 'index'"),
        ('urgency = "at once"', 'colour = "red"', "function Beat, colour: "),
        ('label = "Beat"', 'label = "Shed"', "label used twice: Shed"),
        ('label = "Beat"\n', "", "function 2, label: "),
        ('together_with = ["Beat"]', 'together_with = ["Moan"]', "function Shed, together_with: no function.*Moan"),
        ('together_with = ["Beat"]', 'together_with = ["Shed"]', "function Shed, together_with: names itself"),
        ("per_minute = 20", 'per_minute = 20\nnot_with = ["Shed"]', "Shed and Beat stand both under together_with"),
        ("tempo_per_s = 4.4", "tempo_per_s = 0", "fingers, left, ring, tempo_per_s: must be 0.2 or more"),
        ("[fingers.left.ring]", "[fingers.left.pinky]", "fingers, left, pinky"),
        ("[fingers.left.ring]", "[fingers.left.ring", "is not valid TOML: .*line"),
        ('name = "Loom"\n', "", "name: "),
    ],
)
def test_slips_in_a_file(old: str, new: str, message: str, tmp_path: Path) -> None:
    assert old in FILE
    path = written(tmp_path, FILE.replace(old, new))
    with pytest.raises(DocumentError, match=message) as caught:
        load_functions(path)
    assert str(path) in str(caught.value)
    assert "pydantic" not in str(caught.value)


def test_all_slips_are_told_at_once(tmp_path: Path) -> None:
    text = FILE.replace("per_minute = 40", "per_minute = -1").replace('"at once"', '"now"')
    with pytest.raises(DocumentError) as caught:
        load_functions(written(tmp_path, text))
    assert "Shed" in str(caught.value)
    assert "Beat" in str(caught.value)


def test_a_file_that_is_no_text(tmp_path: Path) -> None:
    path = tmp_path / "functions.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DocumentError, match="is not a text file"):
        load_functions(path)
