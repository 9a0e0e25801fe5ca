"""Room for palms on a panel: invented hands of simple shapes over plates of known size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers_plan import KEYS, plate, tip
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from handcapture.layout.model import Button, Layout
from handcapture.layout.outline import as_outline
from handcapture.layout.palm_room import WRIST_BEFORE_MM, WRIST_BEHIND_MM, HandRoom, check_palm_room, palm_room
from handcapture.names import Side
from handcapture.placement import HandPosture, Palm
from handcapture.rest import Rest

HEEL = np.array([120.0, 260.0])
"""Mat frame: a right hand whose knuckles are 90 mm further back, 80 mm broad, with 60 mm of forearm."""


def hand(turn_deg: float = 0.0, side: Side = "right", sd_mm: float = 3.0, forearm: bool = True) -> HandPosture:
    """Return an invented hand, turned clockwise as seen about its heel."""
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turn = np.array([[cos, sin], [-sin, cos]])
    shape = [(-30, 60), (-30, 0), (-40, -30), (-40, -90), (40, -90), (40, -30), (30, 0), (30, 60)]
    palm = Palm(
        outline_mm=np.array(shape, dtype=float) @ turn + HEEL,
        height_mm=30.0,
        heel_mm=HEEL.copy(),
        heel_sd_mm=sd_mm,
        wrist_line_mm=np.array([[-30.0, 0.0], [30.0, 0.0]]) @ turn + HEEL,
        forearm=np.array([0.0, 1.0]) @ turn if forearm else None,
        forearm_breadth_mm=60.0 if forearm else None,
    )
    return HandPosture(side, HEEL - [0, 11], 5.0, 2.0, forearm, 185.0, 84.0, palm)


def rest_of(*hands: HandPosture) -> Rest:
    return Rest(tuple(tip(*key, (100.0, 100.0)) for key in KEYS), hands, ())


def layout_of(height_mm: float, *buttons: Button, width_mm: float = 400.0) -> Layout:
    """Return a layout whose panel's corner is the mat's."""
    return Layout("Bench", plate(width_mm, height_mm), (0.0, 0.0), buttons)


def button(x: float, y: float, label: str = "Owl", hole_mm: float = 24.0) -> Button:
    return Button(label, "right", "index", "near", hole_mm, (x, y), (x, y), 0.0, None)


def only(layout: Layout, rest: Rest) -> HandRoom:
    (room,) = palm_room(layout, rest).hands
    return room


def codes(layout: Layout, rest: Rest) -> dict[str, str]:
    return {finding.code: finding.severity for finding in check_palm_room(layout, rest)}


@pytest.mark.parametrize(
    ("height_mm", "expected"),
    [
        (165.0, {"palm-off-panel": "advice"}),
        (220.0, {"heel-over-edge": "warning"}),
        (265.0, {"edge-under-wrist": "warning"}),
        (287.0, {"edge-under-wrist": "advice"}),
        (320.0, {}),
    ],
)
def test_where_the_front_edge_lies(height_mm: float, expected: dict[str, str]) -> None:
    """The heel is 260 mm from the back edge, the knuckles 170 mm."""
    layout, rest = layout_of(height_mm), rest_of(hand())
    assert codes(layout, rest) == expected
    room = only(layout, rest)
    assert room.edge_behind_mm == pytest.approx(height_mm - 260.0)
    for finding in check_palm_room(layout, rest):
        assert finding.concerns == ("right",)
        assert finding.remedy
        # The change that is named mends it.
        if finding.code != "palm-off-panel":
            deeper = float(finding.remedy.split(" mm deeper")[0].split()[-1])
            assert codes(layout_of(height_mm + deeper + 0.5), rest) == {}


@given(st.floats(180, 400), st.floats(0.5, 10))
def test_probabilities_are_the_normal_distributions(height_mm: float, sd_mm: float) -> None:
    """The hands wander by 2 mm in helpers_plan."""
    room = only(layout_of(height_mm), rest_of(hand(sd_mm=sd_mm)))
    known = norm(height_mm - 260.0, np.hypot(sd_mm, 2.0))
    assert room.edge_sd_mm == pytest.approx(np.hypot(sd_mm, 2.0))
    assert room.heel_over_edge == pytest.approx(known.cdf(-WRIST_BEFORE_MM), abs=1e-9)
    if height_mm != 260.0:
        assert room.edge_under_wrist == pytest.approx(
            known.cdf(WRIST_BEHIND_MM) - known.cdf(-WRIST_BEFORE_MM), abs=1e-9
        )


@given(st.floats(-24, 24), st.floats(200, 400))
def test_along_the_forearm(turn_deg: float, height_mm: float) -> None:
    """An oblique forearm meets a level edge later, by one over the cosine."""
    room = only(layout_of(height_mm, width_mm=2000.0), rest_of(hand(turn_deg)))
    assert room.edge_behind_mm == pytest.approx((height_mm - 260.0) / np.cos(np.radians(turn_deg)), abs=1e-6)


@given(st.floats(-80, 80), st.floats(-60, 60))
def test_moving_panel_and_hand_together_changes_nothing(dx: float, dy: float) -> None:
    by = np.array([dx, dy])
    here = hand()
    palm = here.palm
    assert palm is not None
    there = replace(
        palm,
        outline_mm=palm.outline_mm + by,
        heel_mm=palm.heel_mm + by,
        wrist_line_mm=palm.wrist_line_mm + by,
    )
    layout = layout_of(255.0, button(120.0, 150.0))
    moved = replace(layout, panel_origin_mm=(dx, dy))
    one, other = only(layout, rest_of(here)), only(moved, rest_of(replace(here, palm=there)))
    assert one.edge_behind_mm == pytest.approx(other.edge_behind_mm)
    assert one.row_to_edge_mm == pytest.approx(other.row_to_edge_mm)
    assert [u.label for u in one.under_palm] == [u.label for u in other.under_palm]


def test_an_edge_across_the_wrist_at_its_side() -> None:
    """The left edge of the panel cuts the wrist, though the forearm's axis leaves the panel far behind it."""
    layout = replace(layout_of(400.0), panel_origin_mm=(100.0, 0.0))
    assert codes(layout, rest_of(hand())) == {"edge-under-wrist": "warning"}
    assert codes(replace(layout, panel_origin_mm=(80.0, 0.0)), rest_of(hand())) == {}


def test_an_outline_with_a_bay_under_the_wrist() -> None:
    corners = [(0, 0), (400, 0), (400, 400), (180, 400), (180, 265), (60, 265), (60, 400), (0, 400)]
    panel = replace(plate(), **as_outline(corners))
    room = only(Layout("Bench", panel, (0.0, 0.0), ()), rest_of(hand()))
    assert room.edge_behind_mm == pytest.approx(5.0)


def test_buttons_under_the_hand() -> None:
    rest = rest_of(hand())
    layout = layout_of(
        400.0, button(120, 250, "Heel"), button(160, 190, "Edge"), button(185, 190, "Clear"), button(120, 140, "Finger")
    )
    found = {f.concerns[0]: f for f in check_palm_room(layout, rest) if f.code == "palm-on-button"}
    assert set(found) == {"Heel", "Edge"}
    assert found["Heel"].severity == "warning"
    assert found["Edge"].severity == "advice"
    # Its centre lies on the palm's side: half of the hole is under it.
    assert found["Edge"].numbers["overlap_mm"] == pytest.approx(12.0)
    cleared = layout_of(400.0, button(172.1, 190, "Edge"))
    assert check_palm_room(cleared, rest) == ()


def test_depth_from_the_front_edge_to_the_row() -> None:
    """Rims of 24 mm: from 140 mm it is 152 to the rim's rear, and 48 from there to an edge at 200."""
    layout, rest = layout_of(200.0, button(120, 140), button(150, 120, "Sea")), rest_of(hand())
    room = only(layout, rest)
    assert room.row_to_edge_mm == pytest.approx(48.0)
    assert room.row_to_heel_mm == pytest.approx(108.0)
    (short,) = (f for f in check_palm_room(layout, rest) if f.code == "palm-room-short")
    assert short.severity == "advice"
    assert "12 mm deeper for what is common, 60 mm" in short.remedy
    assert "palm-room-short" not in codes(layout_of(213.0, button(120, 140)), rest)


def test_without_a_forearm_the_hand_tells_the_direction() -> None:
    room = only(layout_of(300.0), rest_of(hand(forearm=False)))
    assert room.edge_behind_mm == pytest.approx(40.0, abs=0.5)


def test_nothing_is_said_of_hands_whose_palms_were_not_measured() -> None:
    rest = rest_of(replace(hand(), palm=None))
    assert check_palm_room(layout_of(200.0), rest) == ()
    assert palm_room(layout_of(200.0), rest).hands == ()
