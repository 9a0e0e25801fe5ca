"""A running page for the fuzzer: raw requests are sent to its socket, whole or broken.

A request is kept as a text with places for what differs from run to run: {host}, {cookie}, {length}, {layout}. The page
must answer each with something other than a 5xx, or hang up on what is no request at all.
"""

from __future__ import annotations

import atexit
import contextlib
import re
import shutil
import socket
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from handcapture.errors import InputError  # noqa: E402

ANSWER_SECONDS = 15
FORM = "application/x-www-form-urlencoded"
BOUNDARY = "between"
SESSION = 2
"""The number that the journal gives to the first session, after its person."""


def good_requests() -> list[bytes]:
    """Return requests that the page knows; the session has a photo, a rest and a layout."""
    step = b'{"layout": {layout}, "places": {"Rain": [100.0, 80.0]}, "locks": {"Rain": true}}'
    photo = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8
    part = f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="photo"; filename="../a.jpg"\r\n'.encode()
    upload = part + b"Content-Type: image/jpeg\r\n\r\n" + photo + f"\r\n--{BOUNDARY}--\r\n".encode()
    multipart = f"multipart/form-data; boundary={BOUNDARY}"
    return [
        *(
            _request("GET", f"/s/{SESSION}/{name}")
            for name in ("photos", "rest", "layout", "check", "export", "table.json")
        ),
        *(
            _request("GET", f"/s/{SESSION}/{name}")
            for name in ("photos/1.jpg", "table/{layout}.json", "rest.json", "preview.svg")
        ),
        _request("GET", f"/s/{SESSION}/compare.svg?earlier=A&later=B"),
        _request("GET", f"/s/{SESSION}/export/panel.dxf?kerf_mm=0.2"),
        _request("GET", f"/s/{SESSION}/export/template_a3.pdf"),
        _request("GET", "/mat/a3.pdf"),
        _request("GET", "/static/app.js"),
        _request("GET", "/enter?token=abc"),
        _request("POST", "/pair", FORM, b"token=abc"),
        _request("POST", "/sessions", FORM, b"new_person=Someone&title=desk"),
        _request("POST", f"/s/{SESSION}/table/step", "application/json", step),
        _request("POST", f"/s/{SESSION}/table/refit", FORM, b""),
        _request("POST", f"/s/{SESSION}/table/keep", FORM, b"revision=C"),
        _request("POST", f"/s/{SESSION}/settings", FORM, b"within_mm=5&margin_mm=3&ruler_x=150&ruler_y=150"),
        _request("POST", f"/s/{SESSION}/panel", FORM, b"width_mm=330&height_mm=180&thickness_mm=3&material=acrylic"),
        _request(
            "POST", f"/s/{SESSION}/plan", FORM, b"name=P&pattern=arcs&rows=1&hole_mm=24&pitch_mm=30&thumbs=1&pull=0"
        ),
        _request("POST", f"/s/{SESSION}/fit", FORM, b"revision=B"),
        _request("POST", f"/s/{SESSION}/photos/rest", multipart, upload),
    ]


def _request(method: str, target: str, kind: str = "", body: bytes = b"") -> bytes:
    head = f"{method} {target} HTTP/1.1\r\nHost: {{host}}\r\nCookie: {{cookie}}\r\nConnection: close\r\n"
    if method == "POST":
        head += f"Origin: http://{{host}}\r\nAccept: application/json\r\nContent-Type: {kind}\r\n"
        head += "Content-Length: {length}\r\n"
    return head.encode() + b"\r\n" + body


class Page:
    """A server in a thread, with a journal of its own, and a session made ready."""

    def __init__(self) -> None:
        import uvicorn

        from handcapture.web.access import Access
        from handcapture.web.app import create_app

        folder = Path(tempfile.mkdtemp())
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        listening = socket.create_server(("127.0.0.1", 0))
        self.port = listening.getsockname()[1]
        self.host = f"127.0.0.1:{self.port}"
        access = Access(folder / "page" / "devices.json", self.port)
        app = create_app(folder, access, (self.host,), None, lambda: ThreadPoolExecutor(1))
        app.most_changes = 10**9  # type: ignore[attr-defined]  # many requests are what this is about
        config = uvicorn.Config(app, log_level="critical", access_log=False, server_header=False, ws="none")
        server = uvicorn.Server(config)
        self.crashed: list[str] = []
        threading.excepthook = lambda told: self.crashed.append(repr(told.exc_value))
        threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True).start()
        self.layout = 0
        self.cookie = self._prepare(access)

    def _prepare(self, access: Any) -> str:
        import httpx2

        origin = {"Origin": f"http://{self.host}", "Accept": "application/json"}
        with httpx2.Client(base_url=f"http://{self.host}", headers=origin, timeout=60) as client:
            end = time.monotonic() + 30
            while True:
                with contextlib.suppress(httpx2.TransportError):
                    client.get("/enter", params={"token": access.token("enter")})
                    break
                assert time.monotonic() < end
                time.sleep(0.1)
            samples = ROOT / "samples"
            begun = client.post("/sessions", data={"new_person": "Vesper", "title": "desk"}).json()
            assert begun["go"] == f"/s/{SESSION}/photos"
            photo = (samples / "rest_1.jpg").read_bytes()
            assert (
                client.post(f"/s/{SESSION}/photos/rest", files={"photo": ("a", photo, "image/jpeg")}).status_code == 200
            )
            self._until(lambda: client.get(f"/s/{SESSION}/rest.json").status_code == 200)
            for kind, name in (("panel", "panel"), ("plan", "try_plan")):
                text = (samples / f"{name}.toml").read_text(encoding="utf-8")
                assert client.post(f"/s/{SESSION}/{kind}", data={"text": text}).json()["ok"]
            assert client.post(f"/s/{SESSION}/fit", data={"revision": "A"}).json()["ok"]
            self._until(lambda: client.get(f"/s/{SESSION}/table.json").status_code == 200)
            self.layout = client.get(f"/s/{SESSION}/table.json").json()["layout"]
            return "; ".join(f"{name}={value}" for name, value in client.cookies.items())

    def _until(self, holds: Any) -> None:
        end = time.monotonic() + 60
        while not holds():
            assert time.monotonic() < end, "the page was not ready in time"
            time.sleep(0.2)

    def send(self, request: bytes) -> bytes:
        """Send a request; return the beginning of the answer, which may be empty."""
        head, gap, body = request.partition(b"\r\n\r\n")
        body = body.replace(b"{layout}", str(self.layout).encode())
        places = {"host": self.host, "cookie": self.cookie, "length": len(body), "layout": self.layout}
        for name, value in places.items():
            head = head.replace(f"{{{name}}}".encode(), str(value).encode())
        told = re.search(rb"(?i)\r\ncontent-length: *(\d+)", head)
        whole = bool(gap) and (told is None or int(told.group(1)) <= len(body))
        way = socket.create_connection(("127.0.0.1", self.port), timeout=ANSWER_SECONDS)
        with way, contextlib.suppress(ConnectionError):
            way.sendall(head + gap + body)
            if not whole:
                # The page would wait for more of the request: there is none.
                with contextlib.suppress(OSError):  # it may have hung up already
                    way.shutdown(socket.SHUT_WR)
            return way.recv(2000)
        return b""


_pages: list[Page] = []


def read_request(path: Path) -> bytes:
    """Send what a file holds to the page of this process.

    AssertionError where the page stumbles over it; InputError where it refuses it (a 4xx), or hangs up.
    """
    if not _pages:
        _pages.append(Page())
    page = _pages[0]
    answer = page.send(path.read_bytes())
    status = re.match(rb"HTTP/1\.[01] (\d{3})", answer)
    assert status is None or status.group(1)[:1] != b"5", answer[:200]
    assert status is not None or not answer, answer[:200]
    assert not page.crashed, page.crashed
    if status is None or status.group(1)[:1] == b"4":
        raise InputError("The page refused the request.")
    return answer
