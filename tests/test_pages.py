"""The pages for readers are those that the code and the benches make, and what they point to exists."""

from __future__ import annotations

import json
import re
from pathlib import Path

import helpers_calibration  # noqa: F401

import api_page  # isort: skip
import pytest

from handcapture.version import __version__

ROOT = Path(__file__).resolve().parents[1]
PAGES = (ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "calibration" / "pages").glob("*.md")))


def test_the_page_of_calls_is_of_this_code() -> None:
    assert api_page.PAGE.read_text(encoding="utf-8") == api_page.page(), "run python calibration/api_page.py"


def test_every_call_that_the_faces_use_has_a_docstring() -> None:
    text = api_page.page()
    for found in re.finditer(r"\*\*`(?:class )?(\w+).*`\*\*\n\n(.)", text):
        assert found.group(2) not in "*#", found.group(1)


@pytest.mark.parametrize("page", PAGES, ids=lambda path: path.name)
def test_links_and_scripts_exist(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert target.startswith("https://") or (page.parent / target).exists(), target
    for script in re.findall(r"python (calibration/\w+\.py)", text):
        assert (ROOT / script).is_file(), script


def test_modules_that_the_mathematics_name_exist() -> None:
    text = (ROOT / "calibration" / "pages" / "mathematics.md").read_text(encoding="utf-8")
    for names in re.findall(r"\(((?:`[a-z_.]+`(?:, )?)+)\)", text):
        for name in re.findall(r"`([a-z_.]+)`", names):
            parts = name.split(".")
            places = [ROOT / "handcapture" / Path(*parts[:k]) for k in range(len(parts), 0, -1)]
            places += [ROOT / "handcapture" / "layout" / parts[0]]
            assert any(place.with_suffix(".py").is_file() or place.is_dir() for place in places), name


def test_this_version_is_in_the_changes() -> None:
    text = (ROOT / "handcapture" / "CHANGES.md").read_text(encoding="utf-8")
    assert re.search(rf"^## {re.escape(__version__)}$", text, flags=re.M)


def test_figures_of_readme_are_those_of_the_benches() -> None:
    """What README says of batch and fuzzing stands in the files that the benches wrote."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    results = ROOT / "calibration" / "results"
    batch = json.loads((results / "batch.json").read_text(encoding="utf-8"))
    assert batch["failed"] == 0
    assert f"{batch['photos_per_minute']:.0f} a minute" in readme
    assert f"growing by {batch['memory_growth_percent']:.0f} %" in readme
    assert f"do {batch['efficiency_percent']:.0f} % of twice one" in readme
    sizes = json.loads((results / "cohort.json").read_text(encoding="utf-8"))["each"]
    two = [sizes[f"{what}_percent"][1] for what in ("served", "served_when_left_out", "new_people_served")]
    assert f"serve {two[0]} % of these, {two[1]} % of people left out, and {two[2]} % of 1000 others" in readme
    fits = json.loads((results / "fits.json").read_text(encoding="utf-8"))["sets"]
    better = [round(problem["percent"]) for problem in fits[1]["better_by_more_than_0.1_percent"]]
    assert fits[0]["better_by_more_than_0.1_percent"] == []
    assert f"one problem had a better one, by {better[0]} %" in readme
    assert len(better) == 1
    speed = json.loads((results / "speed.json").read_text(encoding="utf-8"))
    took = f"{speed['warm']['capture_s']:.2f} s against {speed['warm']['plain_s']:.2f} s"
    assert f"takes {speed['warm']['ratio_median']:g} times as long" in readme
    assert took in readme
    assert f"and {speed['memory_mb']['peak']} MB (`python calibration/speed.py`" in readme
    posture = json.loads((results / "posture.json").read_text(encoding="utf-8"))
    off = posture["reporting"]["wrist deviation"]
    told = f"Wrist deviation is off by {off['median_error']:.1f}° (median; 95th percentile {off['p95_error']:.1f}°;"
    assert told in readme
    for row in json.loads((results / "accuracy.json").read_text(encoding="utf-8"))["rows"]:
        told = f"| {row['group']} | {row['contacts']} | {row['median_mm']:.1f} mm | {row['p95_mm']:.1f} mm |"
        if row["kind"] == "overall":
            assert told in readme
    fuzz = json.loads((results / "fuzz.json").read_text(encoding="utf-8"))
    assert fuzz["minutes"] >= 30
    assert fuzz["unnamed"] == []
    tried = sum(fuzz["files"].values())
    assert f"{tried // 1000 * 1000:,} broken, hostile" in readme
    assert f"one in {tried / sum(fuzz['read'].values()):.0f} was read" in readme
