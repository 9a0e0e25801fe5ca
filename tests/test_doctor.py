"""What is missing on a machine is told, with what to do."""

from __future__ import annotations

import json
import os
import subprocess
import sys
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


def test_packages_that_cannot_be_imported_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A library that is not there behind one, and one that brings the process down; those behind it are looked at."""
    (tmp_path / "daqp.py").write_text('raise ImportError("libfoo.so.1: cannot open shared object file")')
    (tmp_path / "ezdxf.py").write_text("import os; os.abort()")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    broken = doctor._not_imported(["click", "daqp", "ezdxf", "packaging"])
    assert set(broken) == {"daqp", "ezdxf"}
    assert "libfoo.so.1" in broken["daqp"]
    assert "ends the process" in broken["ezdxf"]
    looks = {look.what: look for look in doctor._packages()}
    assert (looks["daqp"].state, looks["click"].state) == ("missing", "good")
    assert "--force-reinstall" in looks["daqp"].remedy


def test_sources_are_asked_where_nothing_is_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(name: str) -> list[str]:
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(metadata, "requires", none)
    assert {"mediapipe", "numpy", "shapely"} <= {one.name for one in doctor._requirements()}


def test_a_package_that_is_gone_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "mediapipe.py").write_text('raise ImportError("it is gone")')
    photo = Path(__file__).parents[1] / "samples" / "rest_1.jpg"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(Path(__file__).parents[1])])}
    for arguments, table in (
        (["capture", photo, "--output", tmp_path / "rest.json"], None),
        (["batch", photo, "--output", tmp_path / "t.csv", "--jobs", "1"], tmp_path / "t.csv"),
    ):
        command = [sys.executable, "-P", "-m", "handcapture", *map(str, arguments)]
        done = subprocess.run(command, env=environment, cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 2, done.stderr
        assert "Traceback" not in done.stderr
        assert "it is gone" in done.stderr
        assert "handcapture doctor" in done.stderr
        assert table is None or not table.exists()  # no photo is at fault


def test_what_is_missing_ends_with_2(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    bad = CliRunner().invoke(main, ["--journal", str(tmp_path / "nowhere"), "doctor"])
    assert bad.exit_code == 2
    assert "Missing: journal." in bad.output
    monkeypatch.setattr(doctor, "_LEAST_FREE_MB", 10**9)
    assert any(look.state == "note" for look in doctor.look_over(tmp_path))
    monkeypatch.setattr(doctor, "_NO_ROOM_MB", 10**9)
    assert CliRunner().invoke(main, ["doctor"]).exit_code == 2


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (look,) = doctor._room(tmp_path / "not there")
    assert look.state == "missing"
    assert "cannot be written" in look.found
