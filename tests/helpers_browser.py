"""A real Chromium for tests, and the server as a program of its own beside it."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]


@contextlib.contextmanager
def chromium() -> Iterator[Any]:
    """Start the Chromium of the system, without a window."""
    from playwright.sync_api import sync_playwright

    found = shutil.which("chromium") or shutil.which("chromium-browser") or "/usr/bin/chromium"
    with sync_playwright() as playwright:
        # In a container there is no sandbox to be had; the pages are our own.
        browser = playwright.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
        try:
            yield browser
        finally:
            browser.close()


class Server:
    """`handcapture serve` as a program; `enter` is the address that lets a browser in."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.home = f"http://127.0.0.1:{self.port}"
        self.enter = ""
        self._program: subprocess.Popen[str] | None = None

    def start(self) -> None:
        """Start it, and wait until it listens."""
        command = [sys.executable, "-m", "handcapture", "serve", "--folder", str(self.folder), "--no-open"]
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
        self._program = subprocess.Popen(
            [*command, "--port", str(self.port)], stdout=subprocess.PIPE, text=True, env=environment, cwd=ROOT
        )
        assert self._program.stdout is not None
        # What it prints later is little, and fits into the pipe.
        for line in self._program.stdout:
            if found := re.search(r"http://\S+/enter\S+", line):
                self.enter = found[0]
                break
        end = time.monotonic() + 30
        while time.monotonic() < end:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return
            time.sleep(0.05)
        raise AssertionError("the server does not listen")

    def workers(self) -> list[int]:
        """Return the numbers of the processes that the server started (Linux)."""
        assert self._program is not None
        found = Path(f"/proc/{self._program.pid}/task/{self._program.pid}/children").read_text()
        return [int(pid) for pid in found.split()]

    def end(self, how: signal.Signals = signal.SIGINT) -> int:
        """End it: politely by SIGINT, or kill it; return its exit code."""
        assert self._program is not None
        self._program.send_signal(how)
        code = self._program.wait(20)
        if self._program.stdout is not None:
            self._program.stdout.close()
        self._program = None
        return code

    def __enter__(self) -> Server:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._program is not None:
            self.end(signal.SIGKILL)
