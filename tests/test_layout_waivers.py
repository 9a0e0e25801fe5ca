"""Findings that are put up with: the fit may then break them, the record says why, and nothing else gives way."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from helpers_plan import plan_of, plate, rest_at, round_keep_out

from handcapture.layout.document import read_layout, write_layout
from handcapture.layout.fit import fit_layout
from handcapture.layout.model import Layout

ORIGIN = (0.0, 0.0)
WHY = "the brace below carries it"


def fitted(places: list[tuple[float, float]], waive: list[dict[str, Any]], **panel: Any) -> Layout:
    return fit_layout(rest_at(places), plan_of(len(places), waive=waive), plate(**panel), ORIGIN)


def apart_of(layout: Layout, i: int, j: int) -> float:
    return math.dist(layout.buttons[i].centre_mm, layout.buttons[j].centre_mm)


def test_a_waived_web_may_be_thin_but_holes_never_overlap() -> None:
    places = [(120.0, 100.0), (146.0, 100.0), (172.0, 100.0)]
    waiver = {"code": "web-thin", "concerns": ["B1", "B0"], "reason": WHY}
    layout = fitted(places, [waiver])
    assert 24.0 <= apart_of(layout, 0, 1) < 29.0
    assert apart_of(layout, 1, 2) == pytest.approx(30.0, abs=1e-5)  # nobody waived this one
    thin = next(f for f in layout.findings if f.code == "web-thin")
    assert thin.waived == WHY
    assert layout.buildable
    close = fitted([(120.0, 100.0), (130.0, 100.0)], [{"code": "web-thin", "reason": WHY}])
    assert apart_of(close, 0, 1) == pytest.approx(24.0, abs=1e-5)


def test_a_waived_edge_stays_on_the_panel() -> None:
    waiver = {"code": "edge-near", "concerns": ["B0"], "reason": WHY}
    layout = fitted([(3.0, 100.0)], [waiver])
    assert layout.buttons[0].centre_mm[0] == pytest.approx(12.0, abs=1e-5)
    assert fitted([(3.0, 100.0)], []).buttons[0].centre_mm[0] == pytest.approx(22.0, abs=1e-5)


def test_a_waived_keep_out_is_entered() -> None:
    post = round_keep_out(120.0, 100.0, 20.0)
    waiver = {"code": "keep-out-hit", "concerns": ["B0", "post"], "reason": WHY}
    layout = fitted([(120.0, 100.0)], [waiver], keep_outs=(post,))
    assert layout.buttons[0].moved_mm == pytest.approx(0.0, abs=1e-5)
    assert [f.waived for f in layout.findings if f.code == "keep-out-hit"] == [WHY]


def test_an_idle_waiver_is_told() -> None:
    layout = fitted([(120.0, 100.0)], [{"code": "web-thick", "reason": WHY}])
    assert any(f.code == "waiver-idle" and f.severity == "advice" for f in layout.findings)


def test_waivers_survive_the_document(tmp_path: Path) -> None:
    layout = fitted([(120.0, 100.0), (130.0, 100.0)], [{"code": "web-thin", "reason": WHY}])
    write_layout(tmp_path / "layout.json", layout)
    back = read_layout(tmp_path / "layout.json")
    assert [f.waived for f in back.findings] == [f.waived for f in layout.findings]
    assert back.buildable
