"""Fits that start from an existing panel: what the pull does, and that only the panel's shape counts."""

from __future__ import annotations

import numpy as np
import pytest
from helpers_rest import PLACES, placement
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from handcapture.layout.fit import fit_layout
from handcapture.layout.model import Layout, Panel
from handcapture.layout.plan import ButtonWish, Plan
from handcapture.layout.task import moved_to_hands
from handcapture.rest import pool

FloatArray = NDArray[np.float64]
REST = pool([placement()])
PANEL = Panel("bench", 420.0, 300.0, 10.0, 5.0, 2.0)
RNG = np.random.default_rng(3)
BUMPS = {key: RNG.normal(0, 4.0, 2) for key in PLACES}


def rotated(points: FloatArray, turn_deg: float, shift: tuple[float, float]) -> FloatArray:
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return points @ np.array([[cos, sin], [-sin, cos]]) + shift


def plan_of(pull: float, turn_deg: float = 0.0, shift: tuple[float, float] = (0.0, 0.0)) -> Plan:
    """The hands' own places, each off by a fixed bump, the whole panel turned and shifted."""
    keys = list(PLACES)
    was = rotated(np.array([np.add(PLACES[key], BUMPS[key]) for key in keys]), turn_deg, shift)
    buttons = tuple(
        ButtonWish(label=f"{side} {finger}", side=side, finger=finger, hole_mm=10, was_mm=(x, y))
        for (side, finger), (x, y) in zip(keys, was.tolist(), strict=True)
    )
    return Plan(name="as it was", hole_mm=10, pull=pull, buttons=buttons)


def on_mat(layout: Layout) -> FloatArray:
    return np.array([b.centre_mm for b in layout.buttons]) + layout.panel_origin_mm


def test_without_pull_the_panel_does_not_count() -> None:
    free = Plan(
        name="free", hole_mm=10, buttons=tuple(b.model_copy(update={"was_mm": None}) for b in plan_of(0).buttons)
    )
    np.testing.assert_allclose(
        on_mat(fit_layout(REST, plan_of(0.0), PANEL)), on_mat(fit_layout(REST, free, PANEL)), atol=1e-6
    )


def test_with_full_pull_each_hand_keeps_its_shape() -> None:
    plan = plan_of(1.0)
    layout = fit_layout(REST, plan, PANEL)
    was = np.array([b.was_mm for b in plan.buttons])
    for side in ("left", "right"):
        mine = [k for k, b in enumerate(plan.buttons) if b.side == side]
        before = np.linalg.norm(was[mine][:, None] - was[mine][None], axis=2)
        after = np.linalg.norm(on_mat(layout)[mine][:, None] - on_mat(layout)[mine][None], axis=2)
        np.testing.assert_allclose(after, before, atol=1e-4)


@settings(max_examples=15, deadline=None)
@given(st.floats(-30, 30), st.floats(-200, 200), st.floats(-200, 200), st.floats(0.1, 1.0))
def test_where_the_panel_lay_does_not_count(turn_deg: float, x: float, y: float, pull: float) -> None:
    np.testing.assert_allclose(
        on_mat(fit_layout(REST, plan_of(pull, turn_deg, (x, y)), PANEL)),
        on_mat(fit_layout(REST, plan_of(pull), PANEL)),
        atol=1e-4,
    )


def test_the_trade_off_is_monotonous() -> None:
    wishes = np.array([tip.contact_mm for tip in REST.fingertips])
    keys = [(tip.side, tip.finger) for tip in REST.fingertips]
    from_fingers, from_panel = [], []
    for pull in np.linspace(0, 1, 6):
        plan = plan_of(float(pull))
        order = [keys.index((b.side, b.finger)) for b in plan.buttons]
        places = on_mat(fit_layout(REST, plan, PANEL))
        from_fingers.append(float(((places - wishes[order]) ** 2).sum()))
        from_panel.append(float(((places - moved_to_hands(plan.buttons, wishes[order])) ** 2).sum()))
    assert from_fingers[0] == pytest.approx(0.0, abs=1e-3)
    assert from_panel[-1] == pytest.approx(0.0, abs=1e-3)
    assert (np.diff(from_fingers) > -1e-6).all()
    assert (np.diff(from_panel) < 1e-6).all()


def test_a_hand_is_never_mirrored() -> None:
    """A panel that is the mirror image of the hand must not come out mirrored, however well that would fit."""
    buttons = [
        ButtonWish(label=f, side="left", finger=f, was_mm=(-PLACES["left", f][0], PLACES["left", f][1]))
        for f in ("index", "middle", "ring", "little")
    ]
    wishes = np.array([PLACES["left", b.finger] for b in buttons])
    was = np.array([b.was_mm for b in buttons])
    moved = moved_to_hands(buttons, wishes)

    def turn_of(points: FloatArray) -> float:
        return float(np.linalg.det(np.stack([points[1] - points[0], points[3] - points[0]])))

    assert np.sign(turn_of(moved)) == np.sign(turn_of(was))
