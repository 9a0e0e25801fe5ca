"""Atomic writing under faults."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from handcapture.documents import dump_json, kind_of, read_bytes, write_atomically
from handcapture.errors import InputError, OutputError

CALLS = ("fsync", "chmod", "replace", "fdopen")


@pytest.mark.parametrize("call", CALLS)
def test_a_failing_call_leaves_the_old_file_whole(call: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "rest.json"
    path.write_bytes(b"old")

    def fail(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, call, fail)
        if call == "chmod":  # permissions are a nicety: without them the file is still written
            write_atomically(path, b"new")
        else:
            with pytest.raises(OutputError, match="No space left on device"):
                write_atomically(path, b"new")
    assert path.read_bytes() == (b"new" if call == "chmod" else b"old")
    assert os.listdir(tmp_path) == ["rest.json"]


def test_written_whole_with_usual_permissions(tmp_path: Path) -> None:
    path = tmp_path / "rest.json"
    write_atomically(path, b"text")
    plain = tmp_path / "plain"
    plain.write_bytes(b"text")
    assert path.read_bytes() == b"text"
    assert path.stat().st_mode == plain.stat().st_mode


def test_missing_folder(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="could not be written"):
        write_atomically(tmp_path / "none" / "rest.json", b"x")


def test_limit(tmp_path: Path) -> None:
    path = tmp_path / "big.toml"
    path.write_bytes(b"x" * 2000)
    with pytest.raises(InputError, match="may have at most"):
        read_bytes(path, 1000, "a plan")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    os.mkfifo(path)
    with pytest.raises(InputError, match="pipe or a device"):
        read_bytes(path, 1000, "a plan")
    assert kind_of(path) is None


def test_names_that_are_no_text_can_be_written() -> None:
    """Latin-1 names come from Python as surrogates, which UTF-8 (RFC 3629) does not know."""
    assert json.loads(dump_json({"photo": "caf\udce9.jpg"})) == {"photo": "caf?.jpg"}


def test_no_number_that_is_none() -> None:
    with pytest.raises(ValueError, match="JSON"):
        dump_json({"a": float("nan")})
