"""The page's own checks while a button moves, held against the library's: in Chromium, on the same numbers."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers_browser import chromium
from helpers_web import SAMPLES
from scipy.stats import multivariate_normal

from handcapture.capture import Networks, capture
from handcapture.layout.fit import fit_layout
from handcapture.layout.landing import landing_probability
from handcapture.layout.model import Layout
from handcapture.layout.outline import as_outline
from handcapture.layout.plan import Plan, load_panel, load_plan
from handcapture.photo import read_photo
from handcapture.rest import Rest, pool
from handcapture.web.state import History, Revision, Step
from handcapture.web.table import CHECKED_BY_PAGE, Table, finding_entry, judged, model, refitted

STATIC = Path(__file__).resolve().parents[1] / "handcapture" / "web" / "static"
CUT_OFF = [(20.0, 0.0, 0.0), (380.0, 0.0, 0.3), (400.0, 60.0, 0.0), (400.0, 190.0, 0.0), (330.0, 230.0, 0.0)]
NOTCHED = [*CUT_OFF, (250.0, 230.0, -0.6), (180.0, 230.0, 0.0), (20.0, 230.0, 0.5), (0.0, 210.0, 0.0), (0.0, 20.0, 0.0)]


@pytest.fixture(scope="module")
def checks() -> Iterator[Any]:
    with chromium() as browser:
        page = browser.new_page()
        page.goto("about:blank")
        source = (STATIC / "checks.js").read_text()
        told = "\nwindow.checks = { findings, landing, landingsOf, fixed, general };"
        page.add_script_tag(type="module", content=source + told)
        page.wait_for_function("window.checks !== undefined")
        yield page


@pytest.fixture(scope="module")
def rest() -> Rest:
    with Networks() as networks:
        photos = [read_photo(SAMPLES / f"rest_{k}.jpg") for k in (1, 2, 3)]
        return pool([capture(photo, networks).placement for photo in photos])


def table_of(layout: Layout, rest: Rest, plan: Plan) -> Table:
    return Table(Revision(letter="A", layout=1, rest=2, plan=3, panel=4), layout, rest, plan, History())


@pytest.fixture(scope="module", params=["try", "every key", "notched"])
def table(request: Any, rest: Rest) -> Table:
    """A layout of each kind: plain, with parts, openings, alternatives and waivers, and on a panel with arcs."""
    if request.param == "every key":
        plan = load_plan(SAMPLES / "every_key_plan.toml")
        panel, origin = load_panel(SAMPLES / "every_key_panel.toml")
        origin = None
    else:
        plan = load_plan(SAMPLES / "try_plan.toml")
        panel, origin = load_panel(SAMPLES / "panel.toml")
    if request.param == "notched":
        waivers = [
            {"code": "web-thin", "concerns": ["Rain", "Moon"], "reason": "a bridge of brass goes there"},
            {"code": "edge-near", "reason": "the edge is framed"},
            {"code": "rims-collide", "concerns": ["Rain", "Wind"], "reason": "never needed"},
        ]
        plan = Plan.model_validate({**plan.model_dump(), "waive": waivers})
        panel = replace(panel, **as_outline(NOTCHED))
    return table_of(fit_layout(rest, plan, panel, origin), rest, plan)


def expected(table: Table, places: Mapping[str, Any], locked: Mapping[str, bool]) -> Layout:
    return judged(table.layout, table.rest, table.plan, places, locked)


def in_order(found: list[dict[str, Any]]) -> list[tuple[str, ...]]:
    return sorted(
        (f["code"], f["severity"], f["message"], f["remedy"], ",".join(f["concerns"]), str(f["waived"])) for f in found
    )


def scattered(table: Table, number: int) -> tuple[dict[str, list[float]], dict[str, bool]]:
    """Return places up to far off the panel, for some buttons, and some locks: invented."""
    random = np.random.default_rng(number)
    reach = [0.3, 3.0, 12.0, 60.0, 200.0][number % 5]
    places, locked = {}, {}
    for button in table.layout.buttons:
        off = random.normal(0, reach, 2) * (random.random() < 0.5)
        places[button.label] = np.round(np.add(button.centre_mm, off), 2).tolist()
        locked[button.label] = bool(random.random() < 0.3)
    return places, locked


def test_findings_are_the_librarys(checks: Any, table: Table) -> None:
    told = json.loads(json.dumps(model(table, [], False)))
    checks.evaluate("told => { window.model = told; }", told)
    seen = set()
    for number in range(60):
        places, locked = scattered(table, number)
        layout = expected(table, places, locked)
        wanted = [json.loads(json.dumps(finding_entry(f))) for f in layout.findings]
        held = [f for f in wanted if f["code"] not in CHECKED_BY_PAGE]
        given = {"places": places, "locked": locked, "held": held}
        found = checks.evaluate("g => checks.findings(model, g.places, g.locked, g.held)", given)
        assert in_order(found) == in_order(wanted)
        for mine, theirs in zip(sorted(found, key=_key), sorted(wanted, key=_key), strict=True):
            assert mine["numbers"] == pytest.approx(theirs["numbers"], abs=1e-9)
        ranks = [["error", "warning", "advice"].index(f["severity"]) for f in found if f["code"] != "waiver-idle"]
        assert ranks == sorted(ranks), "errors first"
        seen |= {f["code"] for f in found}
    assert {"holes-overlap", "web-thin", "hole-off-panel", "edge-near", "keep-out-hit", "landing-low"} <= seen
    assert "far-from-finger" in seen


def _key(found: dict[str, Any]) -> tuple[str, str, str]:
    return found["code"], ",".join(found["concerns"]), found["message"]


def test_landings_are_the_librarys(checks: Any, table: Table) -> None:
    told = json.loads(json.dumps(model(table, [], False)))
    checks.evaluate("told => { window.model = told; }", told)
    for number in range(40):
        places, _ = scattered(table, number)
        wanted = {b.label: b.landing_probability for b in expected(table, places, {}).buttons}
        found = checks.evaluate("places => checks.landingsOf(model, places)", places)
        assert found == pytest.approx(wanted, abs=1e-12)


def test_landing_against_a_simulation(checks: Any) -> None:
    """A disc's share of a normal distribution, by counting two million draws (scipy)."""
    covariance, offset, radius = np.array([[9.0, 4.0], [4.0, 16.0]]), np.array([3.0, -2.0]), 7.0
    draws = multivariate_normal(offset, covariance, seed=4).rvs(2_000_000)
    counted = float((np.hypot(*draws.T) <= radius).mean())
    values, vectors = np.linalg.eigh(covariance)
    nodes, weights = np.polynomial.legendre.leggauss(120)
    button = {
        "plunger_mm": 2 * radius,
        "wish_mm": offset.tolist(),
        "scatter": {"sd": np.sqrt(values).tolist(), "axes": vectors.tolist()},
    }
    limits = {"nodes": nodes.tolist(), "weights": weights.tolist()}
    found = checks.evaluate("g => checks.landing(g[0], [0, 0], g[1])", [button, limits])
    assert found == pytest.approx(counted, abs=2e-3)
    assert found == pytest.approx(landing_probability(offset, covariance, radius), abs=1e-12)


def test_figures_are_written_as_python_writes_them(checks: Any) -> None:
    random = np.random.default_rng(3)
    values = [*random.normal(0, 50, 300).tolist(), 0.25, 0.75, 0.125, 2.5, 3.5, -0.25, -0.04, 0.0, 0.0625, 0.35, 6.0]
    for digits in (0, 1, 3):
        found = checks.evaluate("g => g[0].map(x => checks.fixed(x, g[1]))", [values, digits])
        assert found == [f"{value:.{digits}f}" for value in values]
    assert checks.evaluate("v => v.map(checks.general)", values[:300]) == [f"{value:g}" for value in values[:300]]


def test_a_fit_judged_again_stays_as_it_was(table: Table) -> None:
    again = expected(table, table.places, table.locked)
    for mine, theirs in zip(again.buttons, table.layout.buttons, strict=True):
        assert mine.landing_probability == pytest.approx(theirs.landing_probability, abs=1e-9)
        assert mine.moved_mm == pytest.approx(theirs.moved_mm, abs=1e-9)
    # The fit alone knows which holes were advised.
    codes = sorted(f.code for f in table.layout.findings if f.code != "advised-falls-short")
    assert sorted(f.code for f in again.findings) == codes


def test_a_fit_around_everything_where_it_stood_changes_nothing(table: Table) -> None:
    labels = [b.label for b in table.layout.buttons]
    locked = replace(table, history=History().with_step(Step(locks=dict.fromkeys(labels[1:], True))))
    places = refitted(locked)
    for label in labels[1:]:
        assert places[label] == pytest.approx(table.places[label], abs=1e-6)
