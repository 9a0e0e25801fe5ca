"""Findings of the panel: edges, rims, openings, practice; and that the fit and the findings judge alike."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import helpers_calibration  # noqa: F401 - makes calibration/ importable
import pytest
from fits import random_problem
from helpers_plan import plan_of, plate, rest_at
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from handcapture.layout.findings import check_layout
from handcapture.layout.fit import LayoutError, fit_layout
from handcapture.layout.materials import ACRYLIC, BOARD, METAL, WOOD, practice_for
from handcapture.layout.model import Button, Cut, KeepOut, Layout, Panel, Part, SideFeature, Waiver
from handcapture.layout.outline import as_outline, side_keep_out
from handcapture.layout.plan import Plan

ORIGIN = (0.0, 0.0)
KEPT = {
    "web-thin",
    "edge-near",
    "rims-collide",
    "bodies-collide",
    "rim-over-edge",
    "keep-out-hit",
    "holes-overlap",
    "hole-off-panel",
    "hole-opening-overlap",
}
"""What a fit keeps away, unless it is waived."""


def button(label: str, x: float, y: float, part: Part | None = None, hole_mm: float = 24.0) -> Button:
    return Button(label, "left", "index", "near", hole_mm, (x, y), (x, y), 0.0, 0.9, part=part)


def codes(layout: Layout, *waivers: Waiver) -> dict[str, Any]:
    return {finding.code: finding for finding in check_layout(layout, waivers=waivers)}


def layout(panel: Panel, *buttons: Button) -> Layout:
    return Layout("x", panel, ORIGIN, buttons)


def test_a_waived_edge_keeps_the_hole_on_the_panel_at_round_corners() -> None:
    """By hand: the centre of the hole comes as near as its radius to the arc, 20 - 12 mm from the arc's centre."""
    panel = plate(200.0, 150.0, corner_radius_mm=20.0)
    plan = plan_of(1, waive=[{"code": "edge-near", "reason": "as wished"}])
    fitted = fit_layout(rest_at([(5.0, 5.0)]), plan, panel, ORIGIN)
    expected = 20.0 - 8.0 / math.sqrt(2)
    assert fitted.buttons[0].centre_mm == pytest.approx((expected, expected), abs=1e-5)
    assert fitted.buildable


def test_a_waived_edge_does_not_waive_the_rim() -> None:
    part = {"name": "p", "hole_mm": 24, "rim_mm": 33}
    plan = plan_of(1, parts=[part], part="p", hole_mm=24, waive=[{"code": "edge-near", "reason": "as wished"}])
    fitted = fit_layout(rest_at([(5.0, 75.0)]), plan, plate(200.0, 150.0), ORIGIN)
    assert fitted.buttons[0].centre_mm[0] == pytest.approx(16.5, abs=1e-6)
    assert "rim-over-edge" not in {finding.code for finding in fitted.findings}
    rim_too = plan.model_copy(
        update={"waive": (*plan.waive, type(plan.waive[0])(code="rim-over-edge", reason="it is filed off"))}
    )
    fitted = fit_layout(rest_at([(5.0, 75.0)]), rim_too, plate(200.0, 150.0), ORIGIN)
    assert fitted.buttons[0].centre_mm[0] == pytest.approx(12.0, abs=1e-6)


def test_rim_and_edge_are_judged_by_themselves() -> None:
    found = codes(layout(plate(), button("A", 13.0, 100.0, Part("wide", 24.0, rim_mm=60.0))))
    assert {"rim-over-edge", "edge-near"} <= set(found)
    waived = codes(
        layout(plate(), button("A", 13.0, 100.0, Part("wide", 24.0, rim_mm=60.0))), Waiver("rim-over-edge", (), "x")
    )
    assert waived["rim-over-edge"].waived
    assert waived["edge-near"].waived is None


def test_a_rim_does_not_lie_over_a_plain_hole() -> None:
    wide = Part("wide", 24.0, rim_mm=48.0)
    found = codes(layout(plate(web_mm=3.0), button("A", 100.0, 100.0, wide), button("B", 127.0, 100.0)))
    assert found["rims-collide"].numbers["gap_mm"] == pytest.approx(27.0 - 24.0 - 12.0)
    parts = [{"name": "wide", "hole_mm": 24, "rim_mm": 48}]
    plan = plan_of(2, parts=parts, extra={0: {"part": "wide"}})
    fitted = fit_layout(rest_at([(100.0, 100.0), (101.0, 100.0)]), plan, plate(web_mm=3.0), ORIGIN)
    apart = math.dist(fitted.buttons[0].centre_mm, fitted.buttons[1].centre_mm)
    assert apart == pytest.approx(24.0 + 12.0 + 1.0, abs=1e-5)


@pytest.mark.parametrize("code", ["holes-overlap", "hole-off-panel", "hole-opening-overlap"])
def test_what_cannot_be_made_cannot_be_waived(code: str) -> None:
    with pytest.raises(ValidationError, match="cannot be waived"):
        Plan.model_validate(
            {
                "name": "x",
                "buttons": [{"label": "A", "side": "left", "finger": "index"}],
                "waive": [{"code": code, "reason": "because"}],
            }
        )
    both = layout(plate(), button("A", 100.0, 100.0), button("B", 110.0, 100.0))
    assert codes(both, Waiver("holes-overlap", (), "x"))["holes-overlap"].waived is None


def test_a_hole_never_runs_into_an_opening() -> None:
    panel = plate(cuts=(Cut("window", "rectangle", (100.0, 100.0), size_mm=(30.0, 20.0)),))
    plan = plan_of(1, waive=[{"code": "keep-out-hit", "reason": "as wished"}])
    fitted = fit_layout(rest_at([(100.0, 96.0)]), plan, panel, ORIGIN)
    assert fitted.buttons[0].centre_mm == pytest.approx((100.0, 78.0), abs=1e-4)
    assert fitted.buildable
    found = codes(layout(panel, button("A", 100.0, 100.0)))
    assert found["hole-opening-overlap"].numbers["gap_mm"] == pytest.approx(-22.0)


def test_openings_and_the_edge() -> None:
    slot = Cut("slot", "rectangle", (100.0, 60.0), size_mm=(100.0, 20.0))
    notched = as_outline([[0, 0], [200, 0], [200, 150], [110, 150], [110, 55], [90, 55], [90, 150], [0, 150]])
    panel = replace(plate(), **notched, cuts=(slot,))
    assert "opening-off-panel" in codes(layout(panel))
    near = plate(cuts=(Cut("a", "circle", (3.0, 50.0), 5.0), Cut("b", "circle", (8.2, 50.0), 5.0)))
    found = codes(layout(near))
    first = codes(layout(replace(near, cuts=near.cuts[:1])))
    assert first["opening-near-edge"].numbers["edge_mm"] == pytest.approx(0.5, abs=0.01)
    assert found["openings-near"].numbers["web_mm"] == pytest.approx(0.2, abs=0.01)
    assert "openings-overlap" in codes(layout(plate(cuts=(near.cuts[0], replace(near.cuts[1], centre_mm=(6.0, 50.0))))))
    apart = plate(cuts=(Cut("a", "circle", (30.0, 50.0), 5.0), Cut("b", "circle", (60.0, 50.0), 5.0)))
    assert not codes(layout(apart))


def test_a_side_feature_begins_at_the_wall() -> None:
    """The back edge slopes from y = 0 to y = 60; over the socket's width it stands back by up to 39 mm (by hand)."""
    sloping = as_outline([[0, 0], [200, 60], [200, 150], [0, 150]])
    socket = SideFeature("socket", "back", 120.0, 20.0, 30.0)
    panel = replace(plate(), **sloping, side_features=(socket,))
    place = side_keep_out(panel, socket)
    assert place.centre_mm[1] + place.size_mm[1] / 2 == pytest.approx(39.0 + 30.0, abs=0.01)
    level = plate(side_features=(socket,))
    assert side_keep_out(level, socket) == KeepOut(
        "socket", "rectangle", (120.0, 15.0), 0.0, (20.0, 30.0), 0.0, "below"
    )


def test_fixed_outside_the_panel_is_said_so() -> None:
    with pytest.raises(LayoutError, match=r"B0 is fixed at \(900, 30\) mm \(at_mm\), which lies outside Plate"):
        fit_layout(rest_at([(100.0, 100.0)]), plan_of(1, extra={0: {"at_mm": (900, 30)}}), plate(), ORIGIN)


@pytest.mark.parametrize(
    ("words", "kind"),
    [
        ("3 mm birch plywood", BOARD),
        ("board (plywood)", BOARD),
        ("plywood/birch", BOARD),
        ("Aluminium.", METAL),
        ("cast acrylic", ACRYLIC),
        ("solid oak", WOOD),
        ("unobtainium", None),
        ("", None),
    ],
)
def test_materials_as_people_write_them(words: str, kind: Any) -> None:
    assert practice_for(words) is kind


def test_usual_webs_follow_material_and_thickness() -> None:
    """Common practice, no source: 1.75 thicknesses of metal, 3 mm at least."""
    assert METAL.least_web_mm(4.0) == 7.0
    assert METAL.least_web_mm(1.0) == 3.0
    found = codes(layout(plate(material="4 mm steel", thickness_mm=4.0, web_mm=5.0)))
    assert found["web-below-practice"].numbers == {"asked_mm": 5.0, "usual_mm": 7.0}
    thick = layout(plate(thickness_mm=6.0), button("A", 100.0, 100.0, Part("clip", 24.0, clamps_mm=(1.0, 3.5))))
    assert codes(thick)["thickness-unheld"].severity == "error"


@given(st.integers(0, 10_000), st.sets(st.sampled_from(["edge-near", "web-thin", "rims-collide", "bodies-collide"])))
@settings(max_examples=12, deadline=None)
def test_fit_and_findings_judge_alike(seed: int, waived: set[str]) -> None:
    """Neither shares code with the other: the fit's constraints, and distances in findings_panel."""
    rest, plan, panel = random_problem(seed, 12)
    entries = [{"code": code, "reason": "tried"} for code in sorted(waived)]
    plan = Plan.model_validate({**plan.model_dump(exclude_defaults=True), "waive": entries})
    try:
        fitted = fit_layout(rest, plan, panel)
    except LayoutError:
        return
    bad = [f for f in fitted.findings if f.code in KEPT and f.waived is None]
    assert not bad, bad
