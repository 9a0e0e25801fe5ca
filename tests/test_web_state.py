"""What the page keeps: histories that go back and forth, states that are written whole."""

from __future__ import annotations

import json
import os
import re
import socket
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from helpers_web import until
from hypothesis import given
from hypothesis import strategies as st

from handcapture.errors import DocumentError, InputError
from handcapture.web.state import History, PhotoState, Step, Store

LABELS = st.sampled_from(["Moon", "Rain", "Owl"])
PLACE = st.tuples(st.floats(-500, 500), st.floats(-500, 500))
MOVE = st.dictionaries(LABELS, PLACE, max_size=3)
LOCK = st.dictionaries(LABELS, st.booleans(), max_size=3)
DEED = st.one_of(st.tuples(MOVE, LOCK), st.sampled_from([-1, 1]))


@given(st.lists(DEED, max_size=40))
def test_undo_and_redo_are_those_of_a_plain_list(deeds: list[Any]) -> None:
    history, past, future = History(), [({}, {})], []
    for deed in deeds:
        if deed == -1:
            history = history.moved(-1)
            if len(past) > 1:
                future.append(past.pop())
        elif deed == 1:
            history = history.moved(1)
            if future:
                past.append(future.pop())
        else:
            places, locks = deed
            history, future = history.with_step(Step(places=places, locks=locks)), []
            past.append(({**past[-1][0], **places}, {**past[-1][1], **locks}))
        assert (history.places, history.locks) == past[-1]
        assert (history.at, len(history.steps) - history.at) == (len(past) - 1, len(future))
    assert History.model_validate_json(history.model_dump_json()) == history


def test_changes_at_once_are_all_kept(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.create(1, "Vesper")

    def add() -> None:
        for _ in range(25):
            store.change(1, lambda s: s.with_photo(PhotoState(id=s.next_photo, purpose="rest", number=1, file="a")))

    threads = [threading.Thread(target=add) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [p.id for p in store.load(1).photos] == list(range(1, 101))


@pytest.mark.parametrize("data", [b"", b"{", b"[]", b'{"version": 1}', b'{"version": 99, "session": 1, "person": "x"}'])
def test_a_damaged_state_is_told(tmp_path: Path, data: bytes) -> None:
    store = Store(tmp_path)
    store.create(1, "Vesper")
    (tmp_path / "page" / "1" / "state.json").write_bytes(data)
    with pytest.raises(DocumentError, match=r"state\.json"):
        store.load(1)
    # The others are still there.
    store.create(2, "Wren")
    assert [s.session for s in store.sessions()] == [2]


def test_unknown_entries_of_a_later_program_do_not_matter(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.create(1, "Vesper")
    path = tmp_path / "page" / "1" / "state.json"
    path.write_text(json.dumps({**json.loads(path.read_text()), "later": 3}))
    assert store.load(1).person == "Vesper"
    with pytest.raises(InputError, match="no session 7"):
        store.load(7)


def test_letters_never_repeat() -> None:
    from handcapture.web.state import Revision, SessionState

    letters: list[str] = []
    state = SessionState(session=1, person="Vesper")
    for number in range(40):
        letter = "R30" if number == 3 else state.next_letter
        letters.append(letter)
        kept = Revision(letter=letter, layout=number, rest=1, plan=1, panel=1)
        state = state.changed(revisions=(*state.revisions, kept))
    assert len(set(letters)) == 40
    assert letters[:3] == ["A", "B", "C"]


def test_two_servers_never_share_a_folder(tmp_path: Path) -> None:
    """Neither in one process nor in two; the lock ends with the process that holds it."""
    from handcapture.web.server import _alone

    holder = (
        "import sys, time; from pathlib import Path; from handcapture.web.server import _alone\n"
        "with _alone(Path(sys.argv[1])): print('held', flush=True); time.sleep(60)"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[1])}
    with subprocess.Popen(
        [sys.executable, "-c", holder, str(tmp_path)], stdout=subprocess.PIPE, env=environment
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline().strip() == b"held"
        with pytest.raises(InputError, match="served already"), _alone(tmp_path):
            pass
        other.kill()
    with _alone(tmp_path), pytest.raises(InputError, match="served already"), _alone(tmp_path):
        pass
    with _alone(tmp_path):
        pass


@pytest.mark.skipif(os.name == "nt", reason="modes are POSIX's")
def test_pictures_are_for_the_owner_alone(tmp_path: Path) -> None:
    store = Store(tmp_path / "journal")
    assert store.folder.stat().st_mode & 0o077 == 0


def test_no_photo_yet_is_told_from_photos_that_are_still_measured(tmp_path: Path) -> None:
    from handcapture.web.jobs import pooled
    from handcapture.web.state import SessionState
    from handcapture.web.texts import TEXTS

    state = SessionState(session=1, person="Vesper")
    with pytest.raises(InputError, match=TEXTS["no_rest"]):
        pooled(tmp_path, state)
    waiting = state.with_photo(PhotoState(id=1, purpose="rest", number=1, file="a", status="working"))
    with pytest.raises(InputError, match=TEXTS["still_measured"]):
        pooled(tmp_path, waiting)


@pytest.mark.parametrize(
    ("name", "said"), [("file", "is a file|cannot be made|No journal can be made"), ("no/such", "does not exist")]
)
def test_a_folder_that_cannot_be_is_told_and_not_made(tmp_path: Path, name: str, said: str) -> None:
    from click.testing import CliRunner

    from handcapture.cli import main

    (tmp_path / "file").write_text("x")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = ["serve", "--folder", str(tmp_path / name), "--no-open", "--port", str(port)]
    done = CliRunner().invoke(main, command)
    assert done.exit_code == 2, done.output
    assert re.search(said, done.output)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file"]


def test_idle_connections_shut_nobody_out(tmp_path: Path) -> None:
    """Connections that say nothing are ended; of one address only so many are held."""
    import asyncio
    import threading

    import uvicorn

    from handcapture.web.server import patient

    async def app(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http":
            await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
            await send({"type": "http.response.body", "body": b"ok"})

    listening = socket.create_server(("127.0.0.1", 0))
    port = listening.getsockname()[1]
    config = uvicorn.Config(app, http=patient(1.0, 20), log_level="critical", lifespan="off")
    server = uvicorn.Server(config)
    threading.Thread(target=lambda: asyncio.run(server.serve([listening])), daemon=True).start()

    def ask() -> bytes:
        with socket.create_connection(("127.0.0.1", port), 5) as way:
            way.sendall(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
            return way.recv(100)

    until(lambda: ask().startswith(b"HTTP/1.1 200"), 20)
    idle = [socket.create_connection(("127.0.0.1", port), 5) for _ in range(40)]
    # Those above the limit are ended at once, the rest when they have said nothing for a second.
    for way in idle:
        way.settimeout(5)
        assert way.recv(1) == b""
        way.close()
    assert ask().startswith(b"HTTP/1.1 200")
    server.should_exit = True
