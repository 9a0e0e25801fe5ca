"""The accuracy of the whole measurement on a few reference photos that served no fitting.

calibration/accuracy.py does the same on all of them. The hands are synthetic.
"""

from __future__ import annotations

from typing import Any

import helpers_calibration  # noqa: F401 - makes calibration/ importable
import pytest
from accuracy import Run, markdown, run_bench, tables

A3 = ("scene_01", "more_00", "more_08", "more_10", "more_12", "more_14", "more_16", "person_after_00")
PAIR = ("more_12", "scene_07")

pytestmark = pytest.mark.accuracy


@pytest.fixture(scope="module")
def runs() -> list[Run]:
    return [*run_bench(("a3",), A3), *run_bench(("a4-pair",), PAIR)]


@pytest.fixture(scope="module")
def result(runs: list[Run]) -> dict[str, Any]:
    return tables(runs)


def test_every_photo_is_measured_and_sides_are_right(runs: list[Run]) -> None:
    assert [r.refusal for r in runs if r.refusal] == []
    assert all(r.sides_right and len(r.tips) == 10 for r in runs)


def test_contacts(result: dict[str, Any]) -> None:
    level = next(r for r in result["rows"] if r["group"] == "tilt up to 20°")
    assert level["contacts"] > 90
    assert level["median_mm"] < 0.9
    assert level["p95_mm"] < 3.5
    assert level["plain_median_mm"] > 2 * level["median_mm"]


def test_stated_regions_hold_the_truth(result: dict[str, Any]) -> None:
    """A hundred contacts: 95 % would show as 88 to 100 by chance alone."""
    overall = result["rows"][0]
    assert overall["within_95"] >= 88
    assert 35 <= overall["within_50"] <= 80


def test_posture(result: dict[str, Any]) -> None:
    posture = result["posture"]
    assert posture["deviation_median_error_deg"] < 4.5
    assert posture["length_median_error_mm"] < 10
    assert posture["breadth_median_error_mm"] < 5


def test_the_table_can_be_read(result: dict[str, Any]) -> None:
    text = markdown(result)
    assert text.startswith("| group |")
    assert "tilt up to 20°" in text
