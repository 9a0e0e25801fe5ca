"""Whether this machine has what the program needs: packages, networks, typeface, room and rights to write."""

from __future__ import annotations

import contextlib
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from handcapture.version import __version__

if TYPE_CHECKING:
    from packaging.requirements import Requirement

State = Literal["good", "note", "missing"]
_OPTIONAL: Final = {"pyarrow": "a table in .parquet", "distributed": "batch --scheduler"}
_OTHER_OPENCV: Final = ("opencv-python", "opencv-contrib-python", "opencv-contrib-python-headless")
_IMPORT_SECONDS: Final = 300
_LONGEST: Final = 200
_LEAST_FREE_MB: Final = 200
_NO_ROOM_MB: Final = 20
_LEAST_MEMORY_MB: Final = 1000
"""A photo of 12 MP takes half a gigabyte (`calibration/speed.py`)."""


@dataclass(frozen=True)
class Look:
    """One thing that was looked at: what, how it stands, what was found, and what to do where it is not good."""

    what: str
    state: State
    found: str
    remedy: str = ""


def look_over(folder: Path, journal: Path | None = None) -> tuple[Look, ...]:
    """Return all that was looked at. `folder` is where files are to be written, `journal` one that is used."""
    return (*_python(), *_packages(), *_networks(), *_room(folder), *_journal(journal))


def _python() -> Iterator[Look]:
    found = f"{platform.python_version()} on {platform.system()} {platform.machine()}"
    old = sys.version_info < (3, 11)
    yield Look("Python", "missing" if old else "good", found, "Python 3.11 or newer is needed." if old else "")


def _packages() -> Iterator[Look]:
    """Compare what is installed with what the program asks for, and see whether it can be imported."""
    try:
        metadata.distribution("handcapture")
        yield Look("handcapture", "good", f"{__version__}, installed")
    except metadata.PackageNotFoundError:
        yield Look("handcapture", "note", f"{__version__}, not installed: run from its sources", "")
    wanted = [one for one in _requirements() if one.marker is None or one.marker.evaluate({"extra": ""})]
    versions = {name: _version(name) for name in (*(one.name for one in wanted), *_OPTIONAL)}
    broken = _not_imported([name for name, version in versions.items() if version is not None])
    for one in wanted:
        name, version, ask = one.name, versions[one.name], f"'{one.name}{one.specifier}'"
        if version is None:
            yield Look(name, "missing", "not installed", f"pip install {ask}")
        elif not one.specifier.contains(version, prereleases=True):
            yield Look(name, "missing", version, f"pip install {ask}")
        elif name in broken:
            told = f"{version} cannot be imported: {broken[name]}"
            yield Look(name, "missing", told, f"pip install --force-reinstall {ask}")
        else:
            yield Look(name, "good", version)
    for name, use in _OPTIONAL.items():
        version = versions[name]
        if version is None:
            yield Look(name, "good", f"not installed; only {use} needs it")
        elif name in broken:
            told = f"{version} cannot be imported: {broken[name]}"
            yield Look(name, "note", told, f"Only {use} needs it: pip install --force-reinstall {name}")
        else:
            yield Look(name, "good", version)
    for name in _OTHER_OPENCV:
        if (version := _version(name)) is not None:
            remedy = f"pip uninstall {name}, then pip install --force-reinstall opencv-python-headless"
            yield Look(name, "note", f"{version} writes into the same folder as opencv-python-headless", remedy)


def _version(name: str) -> str | None:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return None


def _requirements() -> list[Requirement]:
    """Return what the program asks for: by its own metadata, or, run from its sources, by pyproject.toml."""
    import tomllib

    from packaging.requirements import Requirement

    try:
        texts = metadata.requires("handcapture") or []
    except metadata.PackageNotFoundError:
        try:
            content = (Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8")
        except OSError:
            return []
        texts = tomllib.loads(content)["project"]["dependencies"]
    return [Requirement(text) for text in texts]


_IMPORT_ALL: Final = """
import importlib, json, sys
for name, modules in json.loads(sys.argv[1]).items():
    print(json.dumps([name, None]), flush=True)
    for module in modules:
        try:
            importlib.import_module(module)
        except BaseException as error:
            print(json.dumps([name, f"{type(error).__name__}: {error}"]), flush=True)
"""
"""Told before and after: a library that brings the process down is then the last one that was told."""


def _not_imported(names: Sequence[str]) -> dict[str, str]:
    """Return which installed packages cannot be imported, and why; looked at in a process of their own."""
    from packaging.utils import canonicalize_name

    modules: dict[str, list[str]] = {name: [] for name in names}
    by_name = {canonicalize_name(name): name for name in names}
    for module, packages in metadata.packages_distributions().items():
        for package in packages:
            if canonicalize_name(package) in by_name and module.isidentifier() and not module.startswith("_"):
                modules[by_name[canonicalize_name(package)]].append(module)
    broken: dict[str, str] = {}
    waiting = list(names)
    while waiting:  # anew behind one that brings the process down
        asked = json.dumps({name: sorted(set(modules[name])) for name in waiting})
        command = [sys.executable, "-P", "-c", _IMPORT_ALL, asked]
        try:
            done = subprocess.run(  # noqa: S603 - this interpreter, on names of packages that are installed
                command, capture_output=True, text=True, encoding="utf-8", timeout=_IMPORT_SECONDS
            )
        except subprocess.TimeoutExpired:
            return {**broken, waiting[0]: f"nothing was imported within {_IMPORT_SECONDS} s"}
        last = None
        for line in done.stdout.splitlines():
            with contextlib.suppress(ValueError):
                last, told = json.loads(line)
                if told is not None:
                    broken[last] = " ".join(told.split())[:_LONGEST]
        if done.returncode == 0 or last is None:
            break
        broken.setdefault(last, f"it ends the process ({done.returncode})")
        waiting = waiting[waiting.index(last) + 1 :]
    return broken


def _networks() -> Iterator[Look]:
    from handcapture.errors import HandcaptureError

    try:
        from handcapture.capture import Networks

        with Networks():
            pass
    except (HandcaptureError, ImportError, OSError) as error:
        yield Look("hand networks", "missing", str(error).splitlines()[0], "Install handcapture again.")
    else:
        yield Look("hand networks", "good", "loaded")
    from handcapture.fonts import font_file

    there = font_file().is_file()
    yield Look("typeface", "good" if there else "missing", font_file().name, "" if there else "pip install matplotlib")


def _room(folder: Path) -> Iterator[Look]:
    try:
        with tempfile.NamedTemporaryFile(dir=folder):
            pass
    except OSError as error:
        told = f"{folder} cannot be written: {error.strerror or error}"
        yield Look("folder", "missing", told, "Go to a folder of yours, or name outputs in one.")
        return
    free = shutil.disk_usage(folder).free // 1_000_000
    state: State = "good" if free >= _LEAST_FREE_MB else "note" if free >= _NO_ROOM_MB else "missing"
    yield Look("folder", state, f"{free} MB free", "" if state == "good" else "Make room.")
    memory = _memory_mb()
    if memory is not None:
        small = memory < _LEAST_MEMORY_MB
        remedy = "Large photos may not fit: close other programs." if small else ""
        yield Look("memory", "note" if small else "good", f"{memory} MB", remedy)
    yield Look("processors", "good", str(os.cpu_count() or 1))


def _memory_mb() -> int | None:
    """Return the machine's memory where the system tells it (POSIX), None elsewhere."""
    try:
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 1_000_000
    except (AttributeError, ValueError, OSError):
        return None


def _journal(folder: Path | None) -> Iterator[Look]:
    if folder is None:
        return
    from handcapture.errors import HandcaptureError
    from handcapture.journal.store import open_journal

    try:
        with open_journal(folder) as kept:
            yield Look("journal", "good", f"{len(kept.people())} people, {len(kept.entries())} entries")
    except HandcaptureError as error:
        yield Look("journal", "missing", str(error))
