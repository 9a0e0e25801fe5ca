"""Atomic writing under faults."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import sys
from pathlib import Path
from typing import Any

import pytest

from handcapture.documents import alone, dump_json, kind_of, load_json, read_bytes, write_atomically
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


@pytest.mark.parametrize("call", ["fsync", "replace", "chmod"])
def test_a_user_who_breaks_it_off_leaves_nothing_half_written(
    call: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "rest.json"
    path.write_bytes(b"old")

    def stop(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(os, call, stop)
        with pytest.raises(KeyboardInterrupt):
            write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["rest.json"]


@pytest.mark.skipif(sys.platform == "win32", reason="a file in use cannot be removed there")
def test_a_lock_that_is_removed_meanwhile_keeps_others_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """B opens the file before A removes it, and locks it when A is gone: C, who makes a new one, must not be in too."""
    lock = tmp_path / "lock"
    connect = sqlite3.connect
    inside: list[contextlib.ExitStack] = []

    def opened_and_left(*arguments: Any, **named: Any) -> Any:
        held = connect(*arguments, **named)  # which opens the file, and locks nothing
        monkeypatch.setattr(sqlite3, "connect", connect)
        first.close()  # A ends here
        return held

    first = contextlib.ExitStack()
    first.enter_context(alone(lock, "taken"))
    monkeypatch.setattr(sqlite3, "connect", opened_and_left)
    try:
        second = contextlib.ExitStack()
        second.enter_context(alone(lock, "taken"))
        inside.append(second)
        with pytest.raises(InputError, match="taken"), alone(lock, "taken"):
            pass
    finally:
        for stack in inside:
            stack.close()
    assert not lock.exists()


def test_a_mark_before_json_is_no_part_of_it(tmp_path: Path) -> None:
    path = tmp_path / "rest.json"
    path.write_bytes(b'\xef\xbb\xbf{"schema": "handcapture.rest/1"}')
    assert load_json(path, "handcapture.rest", 1)[0] == {"schema": "handcapture.rest/1"}


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
