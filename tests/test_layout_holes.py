"""Advice on hole sizes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from helpers_plan import plan_of, rest_at, tip
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import ncx2

from handcapture.errors import InputError
from handcapture.layout.holes import AIM_SHARE, HoleAdvice, advise_holes, describe, with_holes
from handcapture.layout.landing import RIM_ALLOWANCE_MM
from handcapture.layout.model import Button, Layout, Panel
from handcapture.layout.plan import ADVISED, Plan
from handcapture.rest import Rest

# The first five keys of helpers_plan are the left hand, thumb to little.
INDEX = 1


def one(sd_mm: float, breadth_mm: float = 16.0, finger: int = INDEX, **fields: Any) -> tuple[Plan, Rest]:
    """Return a plan of one advised button and a finger whose places scatter by `sd_mm` in all directions."""
    plan = plan_of(5, hole_mm="advised", **fields)
    plan = plan.model_copy(update={"buttons": plan.buttons[finger : finger + 1]})
    spread = {"covariance_mm2": np.zeros((2, 2)) + np.eye(2) * 1e-9, "spread_mm2": np.eye(2) * sd_mm**2}
    places = [tip("left", b.finger, (100.0, 100.0), breadth_mm=breadth_mm, **spread) for b in plan.buttons]
    return plan, Rest(tuple(places), (), ())


def advised_mm(advice: HoleAdvice) -> list[float]:
    return [choice.advised.hole_mm for choice in advice.choices]


def test_a_steady_finger_gets_the_small_hole_and_a_wandering_one_the_large() -> None:
    """Of a round scatter a share 1 - exp(-r² / 2 sd²) lies within r (Rayleigh): 95 % of it within 2.448 sd."""
    limit = (24.0 - RIM_ALLOWANCE_MM) / 2 / np.sqrt(-2 * np.log(0.05))
    assert advised_mm(advise_holes(*one(limit * 0.999))) == [24.0]
    assert advised_mm(advise_holes(*one(limit * 1.001))) == [30.0]


def test_where_none_will_do_the_largest_is_advised_and_told() -> None:
    advice = advise_holes(*one(12.0))
    (choice,) = advice.choices
    assert choice.advised.hole_mm == 30.0
    assert not choice.enough
    assert "too small" in describe(advice)
    assert "Offer a larger one" in " ".join(choice.reasons)


def test_the_finger_lies_on_the_plunger_with_its_whole_breadth() -> None:
    assert advised_mm(advise_holes(*one(1.0, breadth_mm=20.9))) == [24.0]
    advice = advise_holes(*one(1.0, breadth_mm=21.1))
    assert advised_mm(advice) == [30.0]
    assert "narrower than the finger" in describe(advice)


def test_a_thumb_needs_19_mm() -> None:
    """MIL-STD-1472, from memory: push buttons for thumbs from 19 mm, for fingertips from 10."""
    choices = {"hole_choices_mm": [20.0, 24.0]}
    assert advised_mm(advise_holes(*one(1.0, 15.0, finger=0, **choices))) == [24.0]
    assert advised_mm(advise_holes(*one(1.0, 15.0, finger=1, **choices))) == [20.0]


@given(
    st.floats(0.2, 12.0),
    st.floats(0.0, 8.0),
    st.floats(10.0, 26.0),
    st.sampled_from(["near", "far"]),
    st.lists(st.floats(10.0, 60.0), min_size=1, max_size=6),
    st.floats(0.5, 0.99),
)
def test_more_wander_never_advises_a_smaller_hole(
    sd: float, more: float, breadth: float, row: str, sizes: list[float], landing: float
) -> None:
    fields = {"extra": {INDEX: {"row": row}}, "hole_choices_mm": sizes, "landing": landing}
    steady, wandering = (advise_holes(*one(s, breadth, **fields)).choices[0] for s in (sd, sd + more))
    assert wandering.advised.hole_mm >= steady.advised.hole_mm
    assert all(w.landing <= s.landing + 1e-9 for s, w in zip(steady.options, wandering.options, strict=True))
    assert steady.enough or not wandering.enough
    assert all(a.landing <= b.landing + 1e-9 for a, b in zip(steady.options, steady.options[1:], strict=False))


@given(st.floats(0.5, 6.0), st.floats(10.0, 24.0), st.floats(0.5, 8.0))
def test_a_broader_finger_never_gets_a_smaller_hole(sd: float, breadth: float, more: float) -> None:
    slim, broad = (advised_mm(advise_holes(*one(sd, b)))[0] for b in (breadth, breadth + more))
    assert broad >= slim


def test_a_far_button_is_aimed_at() -> None:
    """Along the reach (0, -1) the deviation grows to the root of the squares; across by half as much."""
    near, far = (
        advise_holes(*one(3.0, extra={INDEX: {"row": row, "far_mm": 40.0}})).choices[0] for row in ("near", "far")
    )
    assert near.wanders_mm == pytest.approx(3.0)
    assert far.wanders_mm == pytest.approx(np.hypot(3.0, AIM_SHARE[0] * 40.0))
    assert far.advised.landing < near.advised.landing
    assert "assumed" in " ".join(far.reasons)


def test_a_button_that_stands_off_its_finger() -> None:
    """The reference is the non-central chi-square distribution: squared distance over the variance."""
    plan, rest = one(3.0)
    button = Button("B1", "left", "index", "near", 24.0, (100.0, 100.0), (104.0, 103.0), 5.0, None)
    layout = Layout("Bench", Panel("Plate", 200.0, 200.0, 0.0, 5.0, 5.0), (0.0, 0.0), (button,))
    (choice,) = advise_holes(plan, rest, layout).choices
    for option in choice.options:
        expected = ncx2.cdf((option.plunger_mm / 2 / 3.0) ** 2, 2, (5.0 / 3.0) ** 2)
        assert option.landing == pytest.approx(expected, abs=1e-6)
    assert choice.advised.hole_mm == 30.0
    assert "5.0 mm off the finger" in " ".join(choice.reasons)


PARTS = [
    {"name": "small", "hole_mm": 24.0, "rim_mm": 28.0, "plunger_mm": 17.0},
    {"name": "big", "hole_mm": 30.0, "rim_mm": 35.0, "plunger_mm": 28.0},
]


def test_plungers_are_those_of_the_parts() -> None:
    """A part's own plunger counts for its own hole only; the other size is the other part's."""
    plan, rest = one(2.0, breadth_mm=18.0, parts=PARTS, part="small", extra={INDEX: {"hole_mm": "advised"}})
    (choice,) = advise_holes(plan, rest).choices
    assert [(o.hole_mm, o.plunger_mm, o.part) for o in choice.options] == [(24.0, 17.0, "small"), (30.0, 28.0, "big")]
    chosen = with_holes(plan, rest)
    part = chosen.part_of(chosen.buttons[0])
    assert part is not None
    assert (chosen.hole_of(chosen.buttons[0]), part.name) == (30.0, "big")


def test_two_parts_for_one_hole_are_not_chosen_between() -> None:
    twins = [{"name": name, "hole_mm": 24.0, "plunger_mm": p} for name, p in (("a", 15.0), ("b", 20.0))]
    plan, rest = one(2.0, parts=twins)
    (choice,) = advise_holes(plan, rest).choices
    assert choice.options[0].part is None
    assert choice.options[0].plunger_mm == 24.0 - RIM_ALLOWANCE_MM


def test_with_holes_replaces_what_was_left_open_and_nothing_else() -> None:
    plan = plan_of(4, extra={0: {"hole_mm": "advised"}, 2: {"hole_mm": "advised"}, 3: {"hole_mm": 28.0}})
    rest = rest_at([(100.0 + 30 * k, 100.0) for k in range(4)])
    chosen = with_holes(plan, rest)
    assert [plan.advised(b) for b in plan.buttons] == [True, False, True, False]
    assert not any(chosen.advised(b) for b in chosen.buttons)
    assert [chosen.hole_of(b) for b in chosen.buttons] == [24.0, 24.0, 24.0, 28.0]
    assert chosen.buttons[1] == plan.buttons[1]
    assert chosen.buttons[3] == plan.buttons[3]
    assert with_holes(chosen, rest) is chosen
    assert Plan.model_validate(chosen.model_dump()) == chosen
    assert plan.buttons[0].hole_mm == ADVISED


def test_describe_says_what_was_assumed() -> None:
    plan, rest = plan_of(2), rest_at([(100.0, 100.0), (140.0, 100.0)], spread_is_assumed=True, hidden=True)
    advice = advise_holes(plan, rest)
    text = describe(advice)
    assert text == describe(advise_holes(plan, rest))
    assert "was assumed" in text
    assert "Hidden in every photo: left index, left thumb" in text
    assert "common practice, no source" in text
    assert all(choice.label in text for choice in advice.choices)
    measured = describe(advise_holes(plan, rest_at([(100.0, 100.0), (140.0, 100.0)])))
    assert "was assumed" not in measured


def test_a_missing_finger_is_named() -> None:
    with pytest.raises(InputError, match="left index"):
        advise_holes(plan_of(2), rest_at([(100.0, 100.0)]))
