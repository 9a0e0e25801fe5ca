"""The page in one process for tests: worker threads instead of processes, a clock that can be set, a browser let in."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from handcapture.web.access import Access
from handcapture.web.app import create_app
from handcapture.web.jobs import cool

SAMPLES = Path(__file__).resolve().parents[1] / "samples"
PORT = 8765
HOME = f"http://127.0.0.1:{PORT}"
OWN = {"Origin": HOME, "Accept": "application/json"}


@contextlib.contextmanager
def served(
    folder: Path, lan: bool = False, let_in: bool = True, clock: Callable[[], float] = time.time
) -> Iterator[Any]:
    """Serve a folder's page to a client, which is let in unless told otherwise; `client.access` gives out tokens."""
    access = Access(folder / "page" / "devices.json", PORT, clock)
    hosts = (f"127.0.0.1:{PORT}", f"localhost:{PORT}", f"192.168.7.20:{PORT}")
    pairing = (lambda token: f"http://192.168.7.20:{PORT}/pair?token={token}") if lan else None
    workers: list[ThreadPoolExecutor] = []

    def worker() -> ThreadPoolExecutor:
        workers.append(ThreadPoolExecutor(1))
        return workers[-1]

    app = create_app(folder, access, hosts, pairing, worker)
    with TestClient(app, base_url=HOME, client=("127.0.0.1", 50000), follow_redirects=False) as client:
        client.access = access  # type: ignore[attr-defined]
        if let_in:
            assert client.get("/enter", params={"token": access.token("enter")}).status_code == 303
        yield client
    for pool in workers:
        pool.shutdown()
    cool()


def begin(client: Any, nickname: str = "Vesper") -> int:
    """Begin a session with a new person and return its number."""
    told = client.post("/sessions", data={"new_person": nickname, "title": "cue desk"}, headers=OWN).json()
    return int(told["go"].split("/")[2])


def send(client: Any, session: int, data: bytes, name: str = "photo", purpose: str = "rest") -> Any:
    """Upload a photo."""
    return client.post(f"/s/{session}/photos/{purpose}", files={"photo": (name, data, "image/jpeg")}, headers=OWN)


def until(tells: Callable[[], bool], seconds: float = 90.0) -> None:
    """Wait until something holds."""
    end = time.monotonic() + seconds
    while not tells():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.05)
