"""What is missing on a machine is told, with what to do."""

from __future__ import annotations

import json
from importlib import metadata
from pathlib import Path

import pytest
from click.testing import CliRunner

import handcapture.doctor as doctor
from handcapture.cli import main


def test_this_machine_is_well(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, ["doctor"])
    assert done.exit_code == 0, done.output
    assert "Everything that is needed is there." in done.output
    told = json.loads(CliRunner().invoke(main, ["doctor", "--json"]).output)
    assert told["good"]
    assert {"Python", "hand networks", "typeface", "folder"} <= {look["what"] for look in told["looks"]}
    assert list(tmp_path.iterdir()) == []


def test_packages_are_compared_with_the_metadata(monkeypatch: pytest.MonkeyPatch) -> None:
    """PEP 508 requirements; versions as packaging reads them."""
    wanted = ["click>=8.1", "scipy>=9999", "no-such-package>=1", 'httpx>=0.28; extra == "test"']
    monkeypatch.setattr(metadata, "requires", lambda name: wanted)
    found = {look.what: look for look in doctor._packages()}
    assert found["click"].state == "good"
    assert (found["scipy"].state, found["scipy"].remedy) == ("missing", "pip install 'scipy>=9999'")
    assert found["no-such-package"].state == "missing"
    assert "httpx" not in found


def test_what_is_missing_ends_with_2(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    bad = CliRunner().invoke(main, ["--journal", str(tmp_path / "nowhere"), "doctor"])
    assert bad.exit_code == 2
    assert "Missing: journal." in bad.output
    monkeypatch.setattr(doctor, "_LEAST_FREE_MB", 10**9)
    assert any(look.state == "note" for look in doctor.look_over(tmp_path))


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (look,) = doctor._room(tmp_path / "not there")
    assert look.state == "missing"
    assert "cannot be written" in look.found
