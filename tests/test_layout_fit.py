"""The fit: known solutions, independent checks of every constraint, and conflicts that are explained."""

from __future__ import annotations

import itertools
import math
import re
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely
from helpers_plan import KEYS, plan_of, plate, rest_at, round_keep_out
from helpers_rest import PLACES
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from handcapture.errors import InputError
from handcapture.layout.constraints import Near, Sizes, room
from handcapture.layout.fit import LayoutError, fit_layout
from handcapture.layout.model import KeepOut, Layout, Panel, Part
from handcapture.layout.plan import Plan
from handcapture.rest import Rest

ORIGIN = (0.0, 0.0)


def centres(layout: Layout) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.array([b.centre_mm for b in layout.buttons])


def assert_sound(layout: Layout) -> None:
    """Check every constraint with shapely, which shares no code with the fit."""
    panel = layout.panel
    outline = shapely.box(0, 0, panel.width_mm, panel.height_mm)
    if panel.corner_radius_mm:
        outline = outline.buffer(-panel.corner_radius_mm).buffer(panel.corner_radius_mm, quad_segs=256)
    holes = [shapely.Point(b.centre_mm).buffer(b.hole_mm / 2, quad_segs=256) for b in layout.buttons]
    for first, second in itertools.combinations(holes, 2):
        assert first.distance(second) >= panel.web_mm - 2e-3
    for hole in holes:
        assert outline.covers(hole)
        assert outline.exterior.distance(hole) >= panel.edge_mm - 2e-3
        for keep_out in panel.keep_outs:
            x, y = keep_out.centre_mm
            if keep_out.shape == "circle":
                shape = shapely.Point(x, y).buffer(keep_out.diameter_mm / 2, quad_segs=256)
            else:
                w, h = keep_out.size_mm
                shape = shapely.box(x - w / 2, y - h / 2, x + w / 2, y + h / 2)
            assert shape.distance(hole) >= keep_out.clearance_mm - 2e-3
    for button in layout.buttons:
        assert button.moved_mm == pytest.approx(math.dist(button.centre_mm, button.wish_mm), abs=1e-9)


def test_a_lone_button_sits_on_its_finger() -> None:
    layout = fit_layout(rest_at([(120.0, 90.0)]), plan_of(1), plate(), (20.0, 10.0))
    assert layout.buttons[0].centre_mm == pytest.approx((100.0, 80.0), abs=1e-6)
    assert layout.buttons[0].moved_mm == pytest.approx(0.0, abs=1e-6)


def test_two_discs_part_symmetrically() -> None:
    """Equal weights: each gives way by half of what is missing, along the line between them."""
    rest = rest_at([(100.0, 100.0), (112.0, 105.0)])
    layout = fit_layout(rest, plan_of(2), plate(), ORIGIN)
    direction = np.array([12.0, 5.0]) / 13.0
    middle = np.array([106.0, 102.5])
    np.testing.assert_allclose(centres(layout), [middle - 15 * direction, middle + 15 * direction], atol=1e-5)


def test_the_surer_finger_gives_way_less() -> None:
    """Weights 4 to 1: Lagrange by hand, displacements are inversely proportional to the weights."""
    rest = rest_at([(100.0, 100.0), (110.0, 100.0)], spread_mm2=np.zeros((2, 2)))
    sure = replace(rest.fingertips[0], covariance_mm2=np.eye(2) * 0.25)
    layout = fit_layout(replace(rest, fingertips=(sure, rest.fingertips[1])), plan_of(2), plate(), ORIGIN)
    assert [b.moved_mm for b in layout.buttons] == pytest.approx([4.0, 16.0], abs=1e-4)


@given(st.lists(st.floats(0, 120), min_size=2, max_size=8, unique=True), st.sampled_from([20.0, 24.0, 30.0]))
@settings(max_examples=25, deadline=None)
def test_one_row_is_isotonic_regression(places: list[float], hole: float) -> None:
    """With the least pitches taken off, the best places on one line are scipy's isotonic regression.

    Equal holes and weights, so that it never pays to change the order.
    """
    places = sorted(places)
    assume(min(b - a for a, b in itertools.pairwise(places)) > 0.5)
    count = len(places)
    rest = rest_at([(60 + x, 100.0) for x in places])
    labels = [f"B{k}" for k in range(len(places))]
    plan = plan_of(count, hole_mm=hole, align=[{"buttons": labels, "angle_deg": 0}])
    layout = fit_layout(rest, plan, plate(900.0, 200.0), (-200.0, 0.0))
    pitches = np.arange(count) * (hole + 6.0)
    expected = isotonic_regression(np.array(places) + 60 - pitches).x + pitches + 200
    np.testing.assert_allclose(centres(layout)[:, 0], expected, atol=1e-4)


def test_tangent_holes_leave_room_for_the_circle_of_descartes() -> None:
    """Three holes driven onto one spot end tangent (with half a web each); the inner circle is Descartes'.

    Descartes: for three unit circles the inner one has the radius 2/sqrt(3) - 1.
    """
    layout = fit_layout(rest_at([(100.0, 100.0), (100.4, 100.0), (100.2, 100.3)]), plan_of(3), plate(), ORIGIN)
    spots = centres(layout)
    reach = 12.0 + 3.0
    for a, b in itertools.combinations(spots, 2):
        assert math.dist(a, b) == pytest.approx(2 * reach, abs=1e-5)
    inner = np.linalg.norm(spots - spots.mean(axis=0), axis=1) - reach
    np.testing.assert_allclose(inner, reach * (2 / math.sqrt(3) - 1), atol=1e-5)


def test_rounded_corner_binds() -> None:
    """A corner of radius 60 and a hole of 12 with 10 to the edge: the centre stays within 38 mm of the arc's."""
    panel = plate(corner_radius_mm=60.0)
    layout = fit_layout(rest_at([(5.0, 5.0)]), plan_of(1), panel, ORIGIN)
    expected = 60.0 - 38.0 / math.sqrt(2)
    assert layout.buttons[0].centre_mm == pytest.approx((expected, expected), abs=1e-5)
    assert_sound(layout)


def test_keep_outs_push_the_shortest_way() -> None:
    panel = plate(
        keep_outs=(
            round_keep_out(100.0, 100.0, 20.0, 3.0),
            KeepOut("rib", "rectangle", (200.0, 100.0), size_mm=(40.0, 100.0), clearance_mm=2.0),
        )
    )
    layout = fit_layout(rest_at([(104.0, 103.0), (213.0, 100.0)]), plan_of(2), panel, ORIGIN)
    assert layout.buttons[0].centre_mm == pytest.approx((100 + 25 * 0.8, 100 + 25 * 0.6), abs=1e-4)
    assert layout.buttons[1].centre_mm == pytest.approx((234.0, 100.0), abs=1e-4)
    assert_sound(layout)


def test_far_rows_lie_along_the_reach() -> None:
    reach = np.array([0.6, -0.8])
    plan = plan_of(1, extra={0: {"row": "far"}}, far_mm=25.0)
    layout = fit_layout(rest_at([(100.0, 100.0)], reach=reach), plan, plate(), ORIGIN)
    assert layout.buttons[0].centre_mm == pytest.approx((115.0, 80.0), abs=1e-5)


def test_two_buttons_of_one_finger_stand_side_by_side() -> None:
    buttons = [{"label": name, "side": "left", "finger": "thumb"} for name in ("one", "two")]
    plan = Plan.model_validate({"name": "x", "buttons": buttons, "hole_mm": 20})
    layout = fit_layout(rest_at([(100.0, 100.0)]), plan, plate(), ORIGIN)
    np.testing.assert_allclose(centres(layout), [[87.0, 100.0], [113.0, 100.0]], atol=1e-4)


def test_rows_mirrors_and_fixed_places() -> None:
    rest = rest_at([(80.0, 100.0), (110.0, 92.0), (145.0, 97.0), (250.0, 110.0), (320.0, 140.0)])
    plan = plan_of(
        5,
        extra={4: {"at_mm": (330.0, 150.0)}},
        align=[{"buttons": ["B0", "B1", "B2"], "angle_deg": -10}],
        mirror=[{"left": "B1", "right": "B3"}],
    )
    layout = fit_layout(rest, plan, plate(), ORIGIN)
    spots = centres(layout)
    slopes = np.diff(spots[:3], axis=0)
    np.testing.assert_allclose(np.degrees(np.arctan2(slopes[:, 1], slopes[:, 0])), -10.0, atol=1e-6)
    assert spots[1, 0] + spots[3, 0] == pytest.approx(400.0)
    assert spots[1, 1] == pytest.approx(spots[3, 1])
    assert tuple(spots[4]) == pytest.approx((330.0, 150.0))
    assert layout.buttons[4].fixed
    assert_sound(layout)


def test_a_row_at_any_angle_is_the_total_least_squares_line() -> None:
    """Equal weights and nothing in the way: the points' principal axis, as numpy's SVD gives it."""
    places = np.array([(80.0, 100.0), (130.0, 96.0), (180.0, 105.0), (230.0, 99.0)])
    plan = plan_of(4, align=[{"buttons": ["B0", "B1", "B2", "B3"], "angle_deg": None}])
    found = fit_layout(rest_at(list(places)), plan, plate(), ORIGIN)
    middle = places.mean(axis=0)
    axis = np.linalg.svd(places - middle)[2][0]
    np.testing.assert_allclose(centres(found), middle + np.outer((places - middle) @ axis, axis), atol=1e-3)


HAND = [PLACES[key] for key in KEYS]
SCREWS = tuple(round_keep_out(x, y, 8.0, 4.0) for x in (12.0, 388.0) for y in (12.0, 228.0))
jitter = st.lists(st.tuples(st.floats(-14, 14), st.floats(-14, 14)), min_size=10, max_size=10)


@given(jitter)
@settings(max_examples=25, deadline=None)
def test_every_constraint_holds(moves: list[tuple[float, float]]) -> None:
    panel = plate(400.0, 240.0, corner_radius_mm=25.0, keep_outs=SCREWS)
    layout = fit_layout(rest_at(list(np.add(HAND, moves))), plan_of(10), panel)
    assert_sound(layout)


@given(jitter, st.tuples(st.floats(-100, 100), st.floats(-100, 100)))
@settings(max_examples=15, deadline=None)
def test_a_sliding_panel_goes_with_the_hands(moves: list[tuple[float, float]], by: tuple[float, float]) -> None:
    places = np.add(HAND, moves)
    panel = plate(400.0, 240.0)
    here, there = (fit_layout(rest_at(list(p)), plan_of(10), panel) for p in (places, places + by))
    np.testing.assert_allclose(centres(there), centres(here), atol=0.02)
    np.testing.assert_allclose(np.subtract(there.panel_origin_mm, here.panel_origin_mm), by, atol=0.02)


@given(jitter)
@settings(max_examples=15, deadline=None)
def test_the_order_of_the_plan_does_not_matter(moves: list[tuple[float, float]]) -> None:
    rest = rest_at(list(np.add(HAND, moves)))
    plan = plan_of(10)
    turned = plan.model_copy(update={"buttons": plan.buttons[::-1]})
    np.testing.assert_array_equal(
        centres(fit_layout(rest, plan, plate(), ORIGIN)), centres(fit_layout(rest, turned, plate(), ORIGIN))[::-1]
    )


def test_a_mirrored_problem_has_the_mirrored_solution() -> None:
    places = np.add(HAND[:5], [[0, 3], [-9, 0], [4, 1], [8, 2], [12, -3]])
    panel = plate(keep_outs=(round_keep_out(110.0, 130.0, 10.0),))
    flipped = replace(panel, keep_outs=(round_keep_out(290.0, 130.0, 10.0),))
    here = fit_layout(rest_at(list(places)), plan_of(5), panel, ORIGIN)
    there = fit_layout(rest_at([(400 - x, y) for x, y in places]), plan_of(5), flipped, ORIGIN)
    np.testing.assert_allclose(centres(there), [(400 - x, y) for x, y in centres(here)], atol=1e-3)


@given(st.integers(0, 1000))
@settings(max_examples=30, deadline=None)
def test_derivatives_of_the_constraints(seed: int) -> None:
    """Against central differences."""
    rng = np.random.default_rng(seed)
    spots = rng.uniform(5, 95, (4, 2))
    panel = plate(
        100.0,
        90.0,
        corner_radius_mm=30.0,
        edge_mm=4.0,
        keep_outs=(round_keep_out(40.0, 50.0, 15.0), KeepOut("x", "rectangle", (60.0, 30.0), size_mm=(20.0, 30.0))),
    )
    parts = [
        Part("p", 10.0, rim, body, depth) for rim, body, depth in ((14, 9, 20), (20, 30, 12), (0, 18, 0), (60, 0, 30))
    ]
    sizes = Sizes.of(np.array([5.0, 8.0, 6.0, 30.0]), parts)
    pairs = np.array([(0, 1), (0, 3), (1, 2)])
    none = np.zeros((0, 2), np.intp)
    blocks = np.argwhere(np.ones((4, 2), bool))
    looked_at = Near(pairs, none, blocks)
    _, matrix, _ = room(spots, sizes, panel, looked_at)
    step = 1e-6
    for k in range(spots.size):
        move = np.zeros(spots.size)
        move[k] = step
        ahead = room(spots + move.reshape(-1, 2), sizes, panel, looked_at)[0]
        back = room(spots - move.reshape(-1, 2), sizes, panel, looked_at)[0]
        slope = (ahead - back) / (2 * step)
        assert (np.abs(slope - matrix[:, k]) < 1e-5).mean() > 0.95  # at a kink the two sides differ


def many_buttons(count: int) -> tuple[Rest, Plan]:
    """Rows of buttons over both hands; invented."""
    rng = np.random.default_rng(1)
    buttons = []
    for k in range(count):
        side, finger = KEYS[k % 10]
        buttons.append(
            {
                "label": f"B{k}",
                "side": side,
                "finger": finger,
                "offset_mm": (float(rng.normal(0, 2)), 33.0 * (k // 10) - 30.0),
            }
        )
    return rest_at(HAND), Plan.model_validate({"name": "many", "buttons": buttons})


def test_forty_buttons_in_good_time() -> None:
    rest, plan = many_buttons(40)
    start = time.perf_counter()
    layout = fit_layout(rest, plan, plate(480.0, 300.0))
    assert time.perf_counter() - start < 40.0  # about 4 s on an idle machine
    assert_sound(layout)


@pytest.mark.parametrize(
    "panel",
    [
        plate(310.0, 55.0),
        plate(240.0, 150.0, web_mm=34.0, edge_mm=25.0),
        plate(230.0, 110.0, keep_outs=(round_keep_out(115.0, 55.0, 95.0, 5.0),)),
    ],
    ids=["low", "wide webs", "big keep-out"],
)
def test_conflicts_are_explained_and_the_ways_out_work(panel: Panel) -> None:
    """Ten fingers that come down close together, as for a child's desk; invented."""
    crowd = [(60.0 + 22 * (k % 5), 60.0 + 25 * (k // 5)) for k in range(10)]
    rest, plan, origin = rest_at(crowd), plan_of(10, hole_mm=30), None
    with pytest.raises(LayoutError) as caught:
        fit_layout(rest, plan, panel, origin)
    text = str(caught.value)
    assert "do not fit on Plate" in text
    assert "B" in text.split("cannot all be kept")[0]
    assert isinstance(caught.value, InputError)
    ways = text.split("resolves it: ")[1] if "resolves it" in text else ""
    tried = 0
    for words in ways.rstrip(".").split("; "):
        number = re.search(r"([\d.]+) (instead|mm)", words)
        changed = panel
        if words.startswith("a web of") and number:
            changed = replace(panel, web_mm=float(number[1]))
        elif words.startswith("an edge") and number:
            changed = replace(panel, edge_mm=float(number[1]))
        elif "wider" in words and number:
            changed = replace(panel, width_mm=panel.width_mm + float(number[1]))
        elif "higher" in words and number:
            changed = replace(panel, height_mm=panel.height_mm + float(number[1]))
        elif "keep-out" in words:
            changed = replace(panel, keep_outs=())
        if changed is not panel:
            assert_sound(fit_layout(rest, plan, changed, origin))
            tried += 1
    assert tried >= 1


def test_a_panel_too_small_for_the_hands_is_refused() -> None:
    with pytest.raises(LayoutError, match=r"Plate \(200 × 240 mm\) is too small for these hands.*360 × 129 mm"):
        fit_layout(rest_at(HAND), plan_of(10), plate(200.0, 240.0))


def test_contradictions_are_named() -> None:
    rest = rest_at(HAND)
    with pytest.raises(LayoutError, match=r"B0 and B1 are both fixed \(at_mm\), 5\.0 mm"):
        fit_layout(rest, plan_of(2, extra={0: {"at_mm": (100, 90)}, 1: {"at_mm": (105, 90)}}), plate())
    plan = plan_of(2, extra={0: {"at_mm": (100, 90)}, 1: {"at_mm": (200, 95)}}, align=[{"buttons": ["B0", "B1"]}])
    with pytest.raises(LayoutError, match=r"B0, B1.*contradict each other"):
        fit_layout(rest, plan, plate())
    with pytest.raises(LayoutError, match="B0 to the left edge"):
        fit_layout(rest, plan_of(1, extra={0: {"at_mm": (3, 90)}}), plate())
    with pytest.raises(InputError, match="right thumb"):
        fit_layout(rest_at(HAND[:5]), plan_of(6), plate())


def test_hidden_fingers_and_assumed_spread_are_told() -> None:
    rest = rest_at(HAND[:2], hidden=True, spread_is_assumed=True)
    codes = {finding.code for finding in fit_layout(rest, plan_of(2), plate()).findings}
    assert {"finger-hidden", "spread-assumed"} <= codes
