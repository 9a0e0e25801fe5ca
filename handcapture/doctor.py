"""Whether this machine has what the program needs: packages, networks, typeface, room and rights to write."""

from __future__ import annotations

import os
import platform
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Final, Literal

from handcapture.version import __version__

State = Literal["good", "note", "missing"]
_LEAST_FREE_MB: Final = 200
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
    """Compare what is installed with what the program's own metadata asks for."""
    from packaging.requirements import Requirement

    try:
        wanted = metadata.requires("handcapture") or []
    except metadata.PackageNotFoundError:
        yield Look("handcapture", "note", f"{__version__}, not installed: run from its sources", "")
        return
    yield Look("handcapture", "good", f"{__version__}, installed")
    for text in wanted:
        requirement = Requirement(text)
        if requirement.marker is not None and not requirement.marker.evaluate({"extra": ""}):
            continue
        try:
            version = metadata.version(requirement.name)
        except metadata.PackageNotFoundError:
            yield Look(requirement.name, "missing", "not installed", f"pip install '{requirement.name}'")
            continue
        fits = requirement.specifier.contains(version, prereleases=True)
        remedy = "" if fits else f"pip install '{requirement.name}{requirement.specifier}'"
        yield Look(requirement.name, "good" if fits else "missing", version, remedy)


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
    tight = free < _LEAST_FREE_MB
    yield Look("folder", "note" if tight else "good", f"{free} MB free", "Make room." if tight else "")
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
