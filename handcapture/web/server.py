"""The running server: its sockets, its addresses, what the terminal shows, and how it ends."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import click

from handcapture.documents import alone
from handcapture.errors import InputError, brief
from handcapture.journal.database import DATABASE, PAGE
from handcapture.web.access import Access, host_of

LOOPBACK: Final = "127.0.0.1"
_END_SECONDS: Final = 2
FIRST_SECONDS: Final = 20.0
MOST_CONNECTIONS: Final = 100
"""Of one address: a browser opens some six, and one for each page that follows a session live."""


def run(folder: Path, port: int, lan: str | None, open_browser: bool) -> None:
    """Serve the journal in `folder` on this computer, and on the address `lan` where one is given, until Ctrl-C.

    InputError when the port is taken, the journal cannot be opened, or another server has it.
    """
    import uvicorn

    from handcapture.journal.store import open_journal
    from handcapture.web.app import create_app

    addresses = [LOOPBACK, *([lan] if lan is not None else [])]
    with contextlib.ExitStack() as stack:
        sockets = [stack.enter_context(_listening(address, port)) for address in addresses]
        # First, for its refusals: a folder that is none, or whose place is mistyped, is told as by every command.
        new = not (folder / DATABASE).exists()
        with open_journal(folder, create=True):
            pass
        stack.enter_context(_alone(folder))
        access = Access(folder / PAGE / "devices.json", port)
        hosts = (host_of(LOOPBACK, port), host_of("localhost", port), *(host_of(a, port) for a in addresses[1:]))
        pairing = (lambda token: f"http://{host_of(lan, port)}/pair?token={token}") if lan is not None else None

        def enter() -> str:
            return f"http://{host_of(LOOPBACK, port)}/enter?token={access.token('enter')}"

        def entered() -> None:
            click.echo(f"For another browser of this computer, once:  {enter()}")

        app = create_app(folder, access, hosts, pairing, entered=entered)
        config = uvicorn.Config(
            app,
            # What a proxy says of a client's address is not believed: there is none.
            proxy_headers=False,
            server_header=False,
            log_level="critical",
            access_log=False,
            lifespan="on",
            ws="none",
            # No limit of all connections: idle ones of a stranger would shut the owner out.
            http=patient(),
            timeout_graceful_shutdown=_END_SECONDS,
        )
        first = enter()
        if new:
            click.echo(f"{folder} is a new journal.")
        _tell(folder, first, None if pairing is None else pairing(access.current_token("pair")))
        if open_browser:
            with contextlib.suppress(Exception):  # no browser: the address is on the screen
                click.launch(first)
        server = uvicorn.Server(config)
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=sockets)
    click.echo("Ended. Everything is kept; start it again to go on.")


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Keep a second server from the same folder: both would write its sessions."""
    try:
        (folder / PAGE).mkdir(mode=0o700, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder} cannot be used: {brief(error)}. Name another folder with --folder.") from None
    taken = f"{folder} is served already, by another window of handcapture. Use that page, or end it first."
    with alone(folder / PAGE / "serving.lock", taken):
        yield


def patient(first_seconds: float = FIRST_SECONDS, most: int = MOST_CONNECTIONS) -> type[asyncio.Protocol]:
    """Return uvicorn's HTTP protocol with limits: connections of an address, and seconds to say the first word."""
    from uvicorn.protocols.http.h11_impl import H11Protocol

    held: Counter[str] = Counter()

    class Patient(H11Protocol):
        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            self._address = str((transport.get_extra_info("peername") or ("",))[0])
            held[self._address] += 1
            self._waiting = self.loop.call_later(first_seconds, self._tired)
            if held[self._address] > most:
                transport.close()

        def _tired(self) -> None:
            if self.cycle is None:  # no request has begun
                self.transport.close()

        def connection_lost(self, exc: Exception | None) -> None:
            held[self._address] -= 1
            self._waiting.cancel()
            super().connection_lost(exc)

    return Patient


def _listening(address: str, port: int) -> socket.socket:
    made = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
    made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        made.bind((address, port))
        made.listen(128)
    except OSError as error:
        made.close()
        raise InputError(
            f"Port {port} of {address} cannot be used: {error.strerror or error}. End the program that uses it, or "
            "name another one with --port."
        ) from None
    return made


def _tell(folder: Path, enter: str, pair: str | None) -> None:
    click.echo(f"handcapture serves {folder}. Ctrl-C ends it.")
    click.echo(f"Open on this computer, once:  {enter}")
    if pair is None:
        click.echo("For a phone on the same network, start it with --lan.")
        return
    import segno

    click.echo("Scan with the phone. The code works once, for ten minutes; the start page shows new ones.")
    code: Any = segno.make(pair, error="l", micro=False)
    code.terminal(compact=True, border=2)
    click.echo(pair)
    click.echo("Nothing is encrypted: use a network that you trust.")
