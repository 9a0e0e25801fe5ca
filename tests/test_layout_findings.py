"""Every finding is raised by the fault it names, and by nothing less."""

from __future__ import annotations

from dataclasses import replace

import pytest
from helpers_layout import workshop_layout
from helpers_plan import plan_of, plate, rest_at, round_keep_out

from handcapture.layout.findings import check_layout
from handcapture.layout.fit import fit_layout
from handcapture.layout.model import Button, Finding, KeepOut, Layout

RIB = KeepOut("rib", "rectangle", (300.0, 60.0), size_mm=(40.0, 20.0), clearance_mm=2.0)
POST = round_keep_out(300.0, 200.0, 10.0, 3.0)


def sound() -> Layout:
    places = [(100.0, 100.0), (140.0, 100.0), (180.0, 100.0)]
    return fit_layout(rest_at(places), plan_of(3), plate(corner_radius_mm=30.0, keep_outs=(RIB, POST)), (0.0, 0.0))


def moved(layout: Layout, x: float, y: float) -> Layout:
    """Return the layout with its first button elsewhere, as if drawn by hand."""
    first = replace(layout.buttons[0], centre_mm=(x, y))
    return replace(layout, buttons=(first, *layout.buttons[1:]))


def only(layout: Layout, code: str) -> Finding:
    found = [finding for finding in check_layout(layout) if finding.code == code]
    assert len(found) == 1, check_layout(layout)
    return found[0]


def test_a_sound_layout_has_no_findings() -> None:
    assert check_layout(sound()) == ()


@pytest.mark.parametrize(
    ("x", "y", "code", "number", "value"),
    [
        (120.0, 100.0, "holes-overlap", "web_mm", -4.0),
        (111.0, 100.0, "web-thin", "web_mm", 5.0),
        (20.0, 100.0, "edge-near", "edge_mm", 8.0),
        (8.0, 100.0, "hole-off-panel", "edge_mm", -4.0),
        (300.0, 83.0, "keep-out-hit", "gap_mm", 1.0),  # 83 - 60 - 10 - 12
        (300.0, 182.0, "keep-out-hit", "gap_mm", 1.0),
    ],
)
def test_hand_moved_buttons(x: float, y: float, code: str, number: str, value: float) -> None:
    finding = only(moved(sound(), x, y), code)
    assert finding.severity == "error"
    assert finding.numbers[number] == pytest.approx(value, abs=1e-3)
    assert "B0" in finding.concerns
    assert finding.remedy


def test_the_rounded_corner_counts() -> None:
    """(25, 25) is 5 mm from the arc's centre at (30, 30) twice over: 30 - 7.07 - 12 mm of edge remain."""
    finding = check_layout(moved(sound(), 25.0, 25.0))
    assert [f.code for f in finding] == []
    assert only(moved(sound(), 22.0, 22.0), "edge-near").numbers["edge_mm"] == pytest.approx(
        30 - 8 * 2**0.5 - 12, abs=1e-3
    )


def test_findings_of_fingers() -> None:
    layout = sound()
    stretched = replace(layout.buttons[0], moved_mm=9.0, landing_probability=0.4)
    codes = [f.code for f in check_layout(replace(layout, buttons=(stretched, *layout.buttons[1:])))]
    assert codes == ["far-from-finger", "landing-low"]


def test_close_buttons_of_different_fingers_are_advice() -> None:
    """MIL-STD-1472, different fingers: 6 mm (from memory)."""
    rest = rest_at([(100.0, 100.0), (120.0, 100.0)])
    layout = fit_layout(rest, plan_of(2), plate(web_mm=4.0), (0.0, 0.0))
    assert only(layout, "finger-gap-small").severity == "advice"
    assert layout.buildable


def test_errors_come_first_and_forbid_building() -> None:
    layout = moved(sound(), 111.0, 100.0)
    stretched = tuple(replace(b, moved_mm=20.0) for b in layout.buttons)
    layout = replace(layout, buttons=stretched)
    layout = replace(layout, findings=check_layout(layout))
    assert layout.findings[0].code == "web-thin"
    assert not layout.buildable


def test_unsure_fingers() -> None:
    rest = rest_at([(100.0, 100.0)], covariance_mm2=[[25.0, 0.0], [0.0, 1.0]], placements=1)
    found = {f.code: f for f in fit_layout(rest, plan_of(1), plate()).findings}
    assert found["finger-unsure"].numbers["sd_mm"] == pytest.approx(5.0)


def test_buttons_know_nothing_of_unknown_fingers() -> None:
    button = Button("x", "left", "ring", "near", 24.0, (100.0, 100.0), (100.0, 100.0), 0.0, None)
    assert check_layout(Layout("x", plate(), (0.0, 0.0), (button,))) == ()


def test_two_buttons_at_rest_under_one_finger_are_told() -> None:
    layout = workshop_layout()
    twice = replace(layout.buttons[1], label="Also", centre_mm=(57.0, 110.0))
    found = check_layout(replace(layout, buttons=(*layout.buttons, twice)))
    assert any(f.code == "finger-shared" and set(f.concerns) == {"Clamp", "Also"} for f in found)
    far = replace(twice, row="far")
    assert not any(f.code == "finger-shared" for f in check_layout(replace(layout, buttons=(*layout.buttons, far))))
