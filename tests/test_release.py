"""The wheel: the same bytes from the same files, with all that the program needs inside, and none of what it does not.

`.ci/run` also installs it, with its dependencies from the registry, into a fresh environment and runs the demo there.
"""

from __future__ import annotations

import email
import hashlib
import os
import re
import shutil
import subprocess
import sys
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest
from test_no_leaks import cut_off

from handcapture.version import __version__

ROOT = Path(__file__).resolve().parent.parent
PARTS = ("handcapture", "samples", "pyproject.toml", "README.md", "LICENSE", "NOTICE", "DEVELOPERS.md")


def build(folder: Path, when: float, mode: int) -> Path:
    """Build a wheel from a copy of the sources, whose files are dated and allowed otherwise."""
    source = folder / "a place of its own"
    for part in PARTS:
        target = source / part
        target.parent.mkdir(parents=True, exist_ok=True)
        if (ROOT / part).is_dir():
            shutil.copytree(ROOT / part, target, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(ROOT / part, target)
    for path in source.rglob("*"):
        if path.is_file():
            path.chmod(mode)
            os.utime(path, (when, when))
    environment = {k: v for k, v in os.environ.items() if k != "SOURCE_DATE_EPOCH"}
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder / "made")]
    subprocess.run(command, cwd=source, env=environment, check=True, capture_output=True)
    (wheel,) = (folder / "made").glob("*.whl")
    return wheel


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(tmp_path_factory.mktemp("wheel"), 1.7e9, 0o644)


def test_two_builds_are_the_same_bytes(wheel: Path, tmp_path: Path) -> None:
    other = build(tmp_path, 1.2e9, 0o600)
    assert hashlib.sha256(other.read_bytes()).digest() == hashlib.sha256(wheel.read_bytes()).digest()
    assert other.name == wheel.name == f"handcapture-{__version__}-py3-none-any.whl"


def test_all_of_the_package_is_inside_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        inside = {name for name in archive.namelist() if ".dist-info/" not in name}
        told = email.message_from_bytes(archive.read(f"handcapture-{__version__}.dist-info/METADATA"))
        licences = [name for name in archive.namelist() if "/licenses/" in name]
    package = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "handcapture").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    samples = {f"handcapture/samples/{path.name}" for path in (ROOT / "samples").iterdir() if path.is_file()}
    assert inside == package | samples
    assert told["License-Expression"] == "Apache-2.0"
    assert sorted(Path(name).name for name in licences) == ["LICENSE", "NOTICE"]
    assert told["Requires-Python"] == ">=3.11"


def test_a_fresh_environment_runs_the_demo_without_network(wheel: Path, tmp_path: Path) -> None:
    """The dependencies are lent by this environment; the program itself comes from the wheel alone."""
    fresh = tmp_path / "fresh"
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    venv.create(fresh, with_pip=False, symlinks=os.name != "nt")
    binaries = fresh / ("Scripts" if os.name == "nt" else "bin")
    python = binaries / "python"
    site = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    subprocess.run(
        [sys.executable, "-m", "pip", "--python", python, "install", "--quiet", "--no-deps", "--no-index", wheel],
        env=environment,
        check=True,
    )
    lent = [path for path in sys.path if "site-packages" in path]
    assert lent
    (Path(site) / "lent.pth").write_text("\n".join(lent) + "\n")
    program = binaries / "handcapture"
    where = subprocess.run(
        [python, "-c", "import handcapture; print(handcapture.__file__)"],
        env=environment,
        cwd=tmp_path,
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    assert str(fresh) in where
    done = subprocess.run(
        [*cut_off(), program, "demo"], env=environment, cwd=tmp_path, check=False, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert {"rest.json", "layout.json", "panel.dxf", "template.pdf"} <= {p.name for p in (tmp_path / "out").iterdir()}


def test_nothing_in_the_program_asks_for_one_system(wheel: Path) -> None:
    """Names that only POSIX has are used behind a question, and texts are written with a named encoding."""
    posix_only = re.compile(
        r"\bos\.(fork|geteuid|getuid|sched_\w+|setsid|killpg|uname)\b|\bimport (fcntl|pwd|resource)\b"
    )
    for path in (ROOT / "handcapture").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert not posix_only.search(text), path
        assert not re.search(r"\"/(tmp|usr|home|etc|proc)/", text), path
        for call in re.findall(r"\.(?:read_text|write_text)\((.*)\)", text):
            assert "encoding" in call or "utf" in call, (path, call)


def test_the_licence_report_names_all_that_is_asked_for() -> None:
    """`calibration/licences.py` is to be run again where a dependency comes or goes."""
    from packaging.requirements import Requirement

    asked = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = asked["optional-dependencies"]
    texts = [*asked["dependencies"], *extras["cluster"], *extras["parquet"]]
    told = (ROOT / "calibration" / "results" / "licences.md").read_text()
    rows = dict(re.findall(r"^\| ([\w.-]+) \| [^|]+ \| ([^|]+) \|", told, re.MULTILINE))
    assert {Requirement(text).name.lower() for text in texts} <= set(rows)
    assert all(licence.strip() for licence in rows.values())
