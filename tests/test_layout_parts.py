"""Parts in the holes: rims on top, bodies below, what lies under the panel. All parts are invented."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from helpers_plan import plan_of, plate, rest_at

from handcapture.errors import DocumentError
from handcapture.layout.document import read_layout, write_layout
from handcapture.layout.findings import check_layout
from handcapture.layout.fit import LayoutError, fit_layout
from handcapture.layout.model import KeepOut, Layout
from handcapture.layout.plan import load_plan

ORIGIN = (0.0, 0.0)
WIDE_RIM = {"name": "wide rim", "hole_mm": 24, "rim_mm": 34}
WIDE_BODY = {"name": "wide body", "hole_mm": 24, "rim_mm": 26, "body_mm": 40, "depth_mm": 30}


def fitted(part: dict[str, Any], apart_mm: float = 28.0, **panel: Any) -> Layout:
    rest = rest_at([(150.0, 120.0), (150.0 + apart_mm, 120.0)])
    return fit_layout(rest, plan_of(2, parts=[part], part=part["name"]), plate(**panel), ORIGIN)


def apart_of(layout: Layout) -> float:
    return math.dist(layout.buttons[0].centre_mm, layout.buttons[1].centre_mm)


@pytest.mark.parametrize(
    ("part", "expected_mm"),
    [
        ({"name": "bare", "hole_mm": 24}, 30.0),  # hole and a web of 6 mm
        (WIDE_RIM, 35.0),  # rim and 1 mm
        (WIDE_BODY, 42.0),  # body and 2 mm
    ],
)
def test_the_widest_of_hole_rim_and_body_rules(part: dict[str, Any], expected_mm: float) -> None:
    layout = fitted(part)
    assert apart_of(layout) == pytest.approx(expected_mm, abs=1e-5)
    assert [f for f in layout.findings if f.severity == "error"] == []
    assert all(b.hole_mm == 24 and b.part is not None for b in layout.buttons)


def test_a_part_without_known_rim_does_not_push() -> None:
    rest = rest_at([(150.0, 120.0), (178.0, 120.0)])
    plan = plan_of(2, parts=[WIDE_RIM], extra={0: {"part": "wide rim"}})
    assert apart_of(fit_layout(rest, plan, plate(), ORIGIN)) == pytest.approx(30.0, abs=1e-5)


def test_rims_stay_on_the_panel() -> None:
    layout = fit_layout(
        rest_at([(5.0, 120.0)]), plan_of(1, parts=[WIDE_RIM], part="wide rim"), plate(edge_mm=2.0), ORIGIN
    )
    assert layout.buttons[0].centre_mm[0] == pytest.approx(17.0, abs=1e-5)


@pytest.mark.parametrize(
    ("face", "headroom_mm", "gap_mm"),
    [("above", None, 13.0), ("below", None, 20.0), ("below", 25.0, 20.0), ("below", 30.0, 0.0)],
)
def test_keep_outs_concern_what_reaches_them(face: Any, headroom_mm: float | None, gap_mm: float) -> None:
    board = KeepOut("board", "rectangle", (200.0, 100.0), size_mm=(100.0, 100.0), face=face, headroom_mm=headroom_mm)
    part = WIDE_BODY
    layout = fit_layout(
        rest_at([(251.0, 100.0)]), plan_of(1, parts=[part], part=part["name"]), plate(keep_outs=(board,)), ORIGIN
    )
    assert layout.buttons[0].centre_mm[0] == pytest.approx(max(251.0, 250.0 + gap_mm), abs=1e-5)
    assert not any(f.code == "keep-out-hit" for f in layout.findings)


def test_findings_of_a_layout_drawn_by_hand() -> None:
    """The checks share no code with the fit: squeeze a fitted layout together and each clash is told."""
    from dataclasses import replace

    layout = fitted({**WIDE_BODY, "rim_mm": 34})
    first, second = layout.buttons
    squeezed = replace(
        layout, buttons=(first, replace(second, centre_mm=(first.centre_mm[0] + 33.0, first.centre_mm[1])))
    )
    codes = {f.code: f for f in check_layout(squeezed)}
    assert codes["rims-collide"].numbers["gap_mm"] == pytest.approx(-1.0, abs=1e-3)
    assert codes["bodies-collide"].numbers["gap_mm"] == pytest.approx(-7.0, abs=1e-3)
    over = replace(layout, buttons=(replace(first, centre_mm=(13.0, 120.0)), second))
    assert any(f.code == "rim-over-edge" for f in check_layout(over))
    other = replace(layout, buttons=(replace(first, hole_mm=20.0), second))
    assert any(f.code == "part-hole-differs" and f.severity == "error" for f in check_layout(other))


def test_a_clash_of_bodies_is_named() -> None:
    with pytest.raises(LayoutError, match="bodies of"):
        fitted(WIDE_BODY, width_mm=80.0, height_mm=44.0)


def test_parts_survive_the_documents(tmp_path: Path) -> None:
    layout = fitted(
        WIDE_BODY, keep_outs=(KeepOut("board", "circle", (20, 20), diameter_mm=9, face="below", headroom_mm=9),)
    )
    path = tmp_path / "layout.json"
    write_layout(path, layout)
    back = read_layout(path)
    assert [b.part for b in back.buttons] == [b.part for b in layout.buttons]
    assert back.panel == layout.panel


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('part = "x"', "no part is named x"),
        ('[[parts]]\nname = "x"\nhole_mm = 24\nrim_mm = 20', "fall through"),
        ('[[parts]]\nname = "x"\nhole_mm = 24\n[[parts]]\nname = "x"\nhole_mm = 30', "same name"),
        ('[[parts]]\nname = "x"\nhole_mm = -1', "hole_mm"),
    ],
)
def test_parts_that_cannot_be(tmp_path: Path, text: str, expected: str) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(f'name = "p"\n{text}\n[[buttons]]\nlabel = "a"\nside = "left"\nfinger = "index"\n')
    with pytest.raises(DocumentError, match=expected):
        load_plan(path)
