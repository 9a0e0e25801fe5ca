"""The accuracy of the whole measurement on a few reference photos that served no fitting; and the bench's sums.

calibration/accuracy.py does the same on all of them. The hands are synthetic.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import helpers_calibration  # noqa: F401 - makes calibration/ importable
import numpy as np
import pytest
from accuracy import Run, Tip, markdown, row, run_bench, tables

A3 = ("scene_01", "more_00", "more_08", "more_10", "more_12", "more_14", "more_16", "person_after_00")
PAIR = ("more_12", "scene_07")


@pytest.fixture(scope="module")
def runs() -> list[Run]:
    return [*run_bench(("a3",), A3), *run_bench(("a4-pair",), PAIR)]


@pytest.fixture(scope="module")
def result(runs: list[Run]) -> dict[str, Any]:
    return tables(runs)


@pytest.mark.accuracy
def test_every_photo_is_measured_and_sides_are_right(runs: list[Run]) -> None:
    assert [r.refusal for r in runs if r.refusal] == []
    assert all(r.reporting and r.sides_right for r in runs)
    assert all(t.miss_mm is not None for r in runs for t in r.tips)


@pytest.mark.accuracy
def test_contacts(result: dict[str, Any]) -> None:
    level = next(r for r in result["rows"] if r["group"] == "tilt up to 20°")
    assert level["contacts"] == level["measured"] == 100
    assert level["median_mm"] < 1.0
    assert level["p95_mm"] < 4.5
    assert level["plain_measured"] >= 80
    assert level["plain_median_mm"] > 2 * level["median_mm"]
    assert level["plain_p95_mm"] > level["p95_mm"]


@pytest.mark.accuracy
def test_stated_regions_hold_the_truth(result: dict[str, Any]) -> None:
    """A hundred contacts, those of a hand alike: 95 % may well show as 88. Regions far too wide fail as well."""
    overall = result["rows"][0]
    assert overall["within_95"] >= 88
    assert 35 <= overall["within_50"] <= 90


@pytest.mark.accuracy
def test_posture(result: dict[str, Any]) -> None:
    posture = result["posture"]
    assert posture["hands"] == 20
    assert posture["forearm_seen"]["deviation_median_error_deg"] < 4.5
    assert posture["forearm_seen"]["within_95"] >= 80
    assert posture["length_median_error_mm"] < 10
    assert posture["breadth_median_error_mm"] < 5


@pytest.mark.accuracy
def test_the_table_can_be_read(result: dict[str, Any]) -> None:
    text = markdown(result)
    assert text.startswith("| group |")
    assert "tilt up to 20°" in text
    assert "None" not in text


TIP = Tip(
    mat="a3",
    sitting="one",
    reporting=True,
    side="left",
    finger="index",
    tilt_deg=5.0,
    skin="olive",
    light="ceiling",
    flat=False,
    visible=1.0,
    miss_mm=1.0,
    chi2=1.0,
    marked_hidden=False,
    plain_miss_mm=4.0,
)
REFUSED = replace(TIP, miss_mm=None, chi2=None, plain_miss_mm=None)


def test_what_is_not_measured_is_counted() -> None:
    figures = row("", [TIP, REFUSED])
    assert (figures["contacts"], figures["measured"], figures["plain_measured"]) == (2, 1, 1)


def test_the_truth_says_what_can_be_seen() -> None:
    """A contact cannot leave the figures by being marked hidden, nor enter them when nobody could see it."""
    marked = replace(TIP, miss_mm=9.0, marked_hidden=True)
    unseen = replace(TIP, miss_mm=30.0, visible=0.2)
    assert row("", [marked, unseen])["worst_mm"] == 9.0
    hidden = tables([_run([marked, unseen])])["hidden"]["reporting"]
    assert (hidden["truly_hidden"], hidden["of_them_marked"]) == (1, 0)
    assert (hidden["well_seen"], hidden["well_seen_but_marked"]) == (1, 1)


def test_refused_photos_count_among_all() -> None:
    refused = replace(_run([REFUSED]), refusal="no mat", sides_right=False)
    result = tables([_run([TIP]), refused])
    assert result["photos"]["reporting"]["both_hands_and_sides_right"] == 50.0
    assert result["photos"]["reporting"]["both_hands_and_sides_right_to_20_deg"] == 50.0
    assert len(result["refused"]) == 1


def test_halves_stand_apart() -> None:
    result = tables([_run([TIP]), _run([replace(TIP, reporting=False, miss_mm=7.0)])])
    assert result["rows"][0]["worst_mm"] == 1.0
    assert result["fitting_rows"][0]["worst_mm"] == 7.0


def test_coverage_of_normal_errors() -> None:
    """Squared normal errors over their covariance follow chi-square with two degrees of freedom (NumPy draws it)."""
    drawn = np.random.default_rng(3).chisquare(2, 20_000)
    figures = row("", [replace(TIP, chi2=float(x)) for x in drawn])
    assert [figures[f"within_{p}"] for p in (50, 80, 95)] == pytest.approx([50, 80, 95], abs=1.0)


def test_intervals_are_drawn_over_sittings() -> None:
    """Ten fingertips that err alike are one piece of evidence: six sittings are as unsure with ten tips as with one."""
    rng = np.random.default_rng(5)
    offs = rng.uniform(0.2, 3.0, 6)
    few = [replace(TIP, sitting=str(k), miss_mm=float(x)) for k, x in enumerate(offs)]
    low, high = row("", few)["median_interval_mm"]
    assert offs.min() <= low + 0.01 <= np.median(offs) <= high <= offs.max() + 0.01
    assert row("", few * 10)["median_interval_mm"] == pytest.approx([low, high], abs=0.3)
    assert row("", few[:4])["median_interval_mm"] is None


def _run(tips: list[Tip]) -> Run:
    return Run("scene", "a3", tips[0].reporting, tips[0].tilt_deg, 0.4, None, True, tuple(tips), ())
