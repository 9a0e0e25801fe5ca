"""Broken files: those that once were trouble, and some new ones for every reader (calibration/fuzz.py has hours)."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import helpers_calibration  # noqa: F401
import pytest
from fuzz import CORPUS, attempt, readers, spoiled

READERS = readers()


@pytest.mark.parametrize("name", READERS)
def test_good_files_are_read(tmp_path: Path, name: str) -> None:
    """What the broken ones are made from: else all of this would test little."""
    ending, reader, good = READERS[name]
    for number, data in enumerate(good):
        path = tmp_path / f"{number}.{ending}"
        path.write_bytes(data)
        if name == "dxf" and number == 1:
            continue  # R12 knows no units, and the reader asks for them
        reader(path)


@pytest.mark.parametrize("name", READERS)
def test_broken_files_are_read_or_refused_by_name(tmp_path: Path, name: str) -> None:
    ending, reader, good = READERS[name]
    rng = random.Random(7)
    path = tmp_path / f"x.{ending}"
    slow = name in ("photo", "dxf", "archive", "incoming") or name.startswith("use-")
    for number in range(8 if name == "use-photo" else 30 if slow else 120):
        path.write_bytes(spoiled(name, rng.choice(good), rng))
        told = attempt(reader, path)
        assert told is None, (number, told)


def test_what_once_was_trouble_is_none(tmp_path: Path) -> None:
    kept = sorted(CORPUS.glob("*")) if CORPUS.is_dir() else []
    for path in kept:
        name = path.name.split("_")[0]
        copy = tmp_path / f"x{path.suffix}"
        shutil.copy(path, copy)
        assert attempt(READERS[name][1], copy) is None, path.name


def test_an_unnamed_outcome_is_noticed(tmp_path: Path) -> None:
    """The harness itself: a reader that stumbles, and one that says nothing."""
    from handcapture.errors import InputError

    def silent(path: Path) -> object:
        raise InputError("")

    (tmp_path / "x").write_bytes(b"")
    assert "ZeroDivisionError" in str(attempt(lambda path: 1 // len(path.read_bytes()), tmp_path / "x"))
    assert attempt(silent, tmp_path / "x") == "an error without a sentence"
    assert attempt(lambda path: None, tmp_path / "x") is None
