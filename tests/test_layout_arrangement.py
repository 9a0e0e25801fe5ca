"""Rows, mirrored pairs and the middle: kept by the fit, and told where a hand has moved a button out of them."""

from __future__ import annotations

from dataclasses import replace

import helpers_calibration  # noqa: F401
import numpy as np
import pytest
from fits import random_problem

from handcapture.layout.arrangement import arrangement_findings
from handcapture.layout.fit import fit_layout
from handcapture.layout.model import Layout


def moved(layout: Layout, label: str, by: tuple[float, float]) -> Layout:
    buttons = tuple(
        replace(b, centre_mm=(b.centre_mm[0] + by[0], b.centre_mm[1] + by[1])) if b.label == label else b
        for b in layout.buttons
    )
    return replace(layout, buttons=buttons)


@pytest.mark.parametrize("seed", range(40, 60))
def test_what_the_fit_arranged_is_told_when_it_is_left(seed: int) -> None:
    rest, plan, panel = random_problem(seed)
    layout = fit_layout(rest, plan, panel)
    assert arrangement_findings(layout, plan) == []
    places = {button.label: np.array(button.centre_mm) for button in layout.buttons}
    for group in plan.align:
        if group.angle_deg is None:
            if len(group.buttons) < 3:
                continue  # two always stand in a row
            along = places[group.buttons[-1]] - places[group.buttons[0]]
            along = along / np.hypot(*along)
        else:
            along = np.array([np.cos(np.radians(group.angle_deg)), np.sin(np.radians(group.angle_deg))])
        label, across = group.buttons[1], np.array([-along[1], along[0]])
        for by, count in ((2 * along, 0), (2 * across, 1)):
            told = [
                finding
                for finding in arrangement_findings(moved(layout, label, tuple(by)), plan)
                if finding.code == "row-crooked" and finding.concerns == group.buttons
            ]
            assert len(told) == count
        assert told[0].numbers["off_mm"] == pytest.approx(2.0, abs=1e-3)
        assert f"{label} stands 2.0 mm off" in told[0].message
    for pair in plan.mirror:
        off = arrangement_findings(moved(layout, pair.right, (3.0, 4.0)), plan)
        told = [f for f in off if f.code == "mirror-broken"]
        assert [f.numbers["off_mm"] for f in told] == [pytest.approx(5.0, abs=1e-3)]
    if any(button.label == plan.centre_on for button in layout.buttons):
        told = arrangement_findings(moved(layout, str(plan.centre_on), (-1.5, 7.0)), plan)
        assert [f.numbers["off_mm"] for f in told if f.code == "middle-left"] == [pytest.approx(1.5, abs=1e-3)]


def test_a_button_on_the_middle_line_is_told_when_it_leaves_it() -> None:
    rest, plan, panel = random_problem(41, 6)
    plan = plan.model_copy(update={"centre_on": plan.buttons[0].label, "align": (), "mirror": ()})
    layout = fit_layout(rest, plan, panel)
    assert arrangement_findings(layout, plan) == []
    (told,) = arrangement_findings(moved(layout, plan.buttons[0].label, (-1.5, 7.0)), plan)
    assert (told.code, told.severity, told.numbers["off_mm"]) == (
        "middle-left",
        "warning",
        pytest.approx(1.5, abs=1e-3),
    )
