"""Who may see the page: hosts, origins, one-time tokens, device sessions, limits and headers.

Nothing here knows what the page shows. Tokens are used once; of a device's session only the hash of its secret is
kept. Secrets are compared by hash, in constant time.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import ipaddress
import json
import secrets
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from handcapture.documents import dump_json, write_atomically
from handcapture.errors import InputError
from handcapture.web.texts import TEXTS

MOST_PHOTO_BYTES: Final = 30_000_000
MOST_FORM_BYTES: Final = 1_000_000
TOKEN_SECONDS: Final = 600.0
DEVICE_SECONDS: Final = 30 * 86400.0
MOST_DEVICES: Final = 20
ATTEMPTS: Final = 10
ATTEMPT_SECONDS: Final = 60.0
"""So many wrong tokens of a kind in so many seconds from an address: a token has 192 bits, this is a second lock."""
_MOST_ADDRESSES: Final = 1000

CSP: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
# With no-referrer, browsers send "Origin: null" with forms of the page itself.
HEADERS: Final = {
    "Content-Security-Policy": CSP,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


LONGEST_PATH: Final = 200
"""No path of ours is longer; longer ones hold numbers of thousands of digits."""
CHANGES: Final = 300
CHANGE_SECONDS: Final = 60.0
"""So many requests that change something from one address in so many seconds."""


class TooLargeError(Exception):
    """A body that is larger than what is taken there."""


class PairingError(Exception):
    """A token that is wrong, used or too old; `wait` tells that too many were tried."""

    def __init__(self, wait: bool) -> None:
        super().__init__()
        self.wait = wait


@dataclass(frozen=True)
class Device:
    """A browser that was let in; `until` is when its session ends, seconds since 1970."""

    secret_sha256: str
    name: str
    until: float


class Access:
    """Tokens and devices; devices are kept in `path`, so that a restart does not lock the phone out."""

    def __init__(self, path: Path, port: int, clock: Callable[[], float] = time.time) -> None:
        self._path = path
        self._clock = clock
        self._lock = threading.Lock()
        self._tokens: dict[str, tuple[str, float]] = {}
        self._wrong: dict[tuple[str, str], deque[float]] = {}
        self._devices = self._read()
        # Cookies do not tell ports apart: two servers on one machine must not take each other's.
        self.cookie = f"handcapture_{port}"

    def token(self, kind: str) -> str:
        """Return the one-time token of a kind ("enter", "pair"): a new one, which makes an earlier one void."""
        token = secrets.token_urlsafe(24)
        with self._lock:
            self._tokens[kind] = (token, self._clock() + TOKEN_SECONDS)
        return token

    def current_token(self, kind: str) -> str:
        """Return the token of a kind that is valid now, a new one where there is none or it is half its age."""
        with self._lock:
            token, until = self._tokens.get(kind, ("", 0.0))
        return token if until - self._clock() > TOKEN_SECONDS / 2 else self.token(kind)

    def let_in(self, kind: str, token: str, name: str, address: str) -> str:
        """Use up a token and return the secret of a new device. PairingError when it is none that is valid.

        Whoever tries too often has to wait, and nobody else: `address` tells them apart.
        """
        now = self._clock()
        with self._lock:
            if len(self._wrong) >= _MOST_ADDRESSES:
                self._wrong = {
                    key: times for key, times in self._wrong.items() if times and now - times[-1] <= ATTEMPT_SECONDS
                }
            wrong = self._wrong.get((kind, address), deque())
            while wrong and now - wrong[0] > ATTEMPT_SECONDS:
                wrong.popleft()
            if len(wrong) >= ATTEMPTS:
                raise PairingError(wait=True)
            known, until = self._tokens.get(kind, ("", 0.0))
            same = hmac.compare_digest(_hash(token), _hash(known))
            if not (same and known and now < until):
                wrong.append(now)
                if len(self._wrong) < _MOST_ADDRESSES:
                    self._wrong[kind, address] = wrong
                raise PairingError(wait=False)
            del self._tokens[kind]
            secret = secrets.token_urlsafe(32)
            device = Device(_hash(secret), name, now + DEVICE_SECONDS)
            valid = [d for d in self._devices if d.until > now]
            self._devices = [*valid[-(MOST_DEVICES - 1) :], device]
            self._write()
        return secret

    def device(self, headers: Headers) -> Device | None:
        """Return the device that a request's cookie names, None where it names none."""
        # Cookies know no ports: other programs of this computer send theirs along, whatever is in them.
        told = _hash(cookie_parser(headers.get("cookie", "")).get(self.cookie, ""))
        now, found = self._clock(), None
        for device in self._devices:
            if hmac.compare_digest(device.secret_sha256, told) and device.until > now:
                found = device
        return found

    def devices(self) -> tuple[Device, ...]:
        """Return the devices that are let in."""
        return tuple(d for d in self._devices if d.until > self._clock())

    def forget_others(self, device: Device) -> None:
        """Shut all devices out but this one."""
        with self._lock:
            self._devices = [d for d in self._devices if d == device]
            self._write()

    def set_cookie(self, response: Response, secret: str) -> Response:
        """Give a response the cookie of a device."""
        response.set_cookie(
            self.cookie, secret, max_age=int(DEVICE_SECONDS), path="/", httponly=True, samesite="strict"
        )
        return response

    def _read(self) -> list[Device]:
        try:
            entries = json.loads(self._path.read_bytes())
            found = [Device(str(e["secret_sha256"]), str(e["name"]), float(e["until"])) for e in entries["devices"]]
        except (OSError, ValueError, KeyError, TypeError, RecursionError, OverflowError):
            return []  # devices pair again
        # None is let in for longer than a pairing gives, whatever the file says or the clock did since.
        return [d for d in found if d.until <= self._clock() + DEVICE_SECONDS]

    def _write(self) -> None:
        content: dict[str, Any] = {"devices": [vars(d) for d in self._devices]}
        write_atomically(self._path, dump_json(content))
        with contextlib.suppress(OSError):
            self._path.chmod(0o600)


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode(errors="replace")).hexdigest()


class Guard:
    """Wraps the whole application: security headers on every response; Host, origin and session before anything runs.

    `hosts` are the names (with port) that are served. `open_paths` need no session.
    """

    def __init__(
        self,
        app: ASGIApp,
        access: Access,
        hosts: Iterable[str],
        open_paths: Sequence[str],
        stranger: Callable[[Headers], Response],
    ) -> None:
        self._app = app
        self._access = access
        self._hosts = frozenset(host.lower() for host in hosts)
        self._open = tuple(open_paths)
        self._stranger = stranger
        self.most_changes = CHANGES
        self._changes: dict[str, deque[float]] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if here:  # elsewhere browsers heed it over https only, and say so on every page
                    headers.setdefault("Cross-Origin-Opener-Policy", "same-origin")
                # What never changes is asked for again, but not sent again.
                fixed = scope["path"].startswith("/static/")
                headers.setdefault("Cache-Control", "no-cache" if fixed else "no-store")
            await send(message)

        headers = Headers(scope=scope)
        here = headers.get("host", "").partition(":")[0] in ("127.0.0.1", "localhost")
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, guarded)
            return
        await self._app(scope, receive, guarded)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return PlainTextResponse(TEXTS["foreign_host"], 421)
        if scope["method"] not in ("GET", "HEAD") and not _own_origin(headers, hosts[0]):
            return PlainTextResponse(TEXTS["foreign_origin"], 403)
        if scope["method"] not in ("GET", "HEAD") and self._too_many(str((scope.get("client") or ("",))[0])):
            return PlainTextResponse(TEXTS["too_many"], 429)
        path = scope["path"]
        if len(path) > LONGEST_PATH:
            return PlainTextResponse(TEXTS["not_found"], 404)
        if any(path == name or (name.endswith("/") and path.startswith(name)) for name in self._open):
            return None
        device = self._access.device(headers)
        if device is None:
            return self._stranger(headers)
        scope.setdefault("state", {})["device"] = device
        return None

    def _too_many(self, client: str) -> bool:
        now = time.monotonic()
        if len(self._changes) > 1000:
            self._changes.clear()
        past = self._changes.setdefault(client, deque())
        while past and now - past[0] > CHANGE_SECONDS:
            past.popleft()
        past.append(now)
        return len(past) > self.most_changes


def _own_origin(headers: Headers, host: str) -> bool:
    """Tell whether a request that changes something comes from a page of this server.

    Browsers send Origin with every POST; Sec-Fetch-Site stands in where one does not. Neither: no browser of today.
    """
    site = headers.get("sec-fetch-site")
    if site is not None and site != "same-origin":
        return False
    origin = headers.get("origin")
    if origin is None:
        return site == "same-origin"
    return origin.lower() == f"http://{host.lower()}"


def counted(receive: Receive, headers: Headers, most: int) -> Receive:
    """Return `receive` with its bytes counted. TooLargeError as soon as more than `most` are announced or have come."""
    with contextlib.suppress(ValueError):
        if int(headers.get("content-length", "0")) > most:
            raise TooLargeError
    come = 0

    async def receiving() -> Message:
        nonlocal come
        message = await receive()
        come += len(message.get("body", b""))
        if come > most:
            raise TooLargeError
        return message

    return receiving


def lan_address(given: str | None) -> str:
    """Return the address on the local network to serve on. InputError when there is none, or it is no such address."""
    address = given or _own_address()
    if address is None:
        raise InputError(
            "This computer has no address on a network. Connect it to the phone's network, or leave --lan out."
        )
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        raise InputError(f"--host {address} is no address. Give this computer's own, like 192.168.1.20.") from None
    if found.is_unspecified or found.is_multicast:
        raise InputError(f"--host {address} means every network. Name this computer's address on one, with --lan.")
    if found.is_global:
        raise InputError(
            f"{address} can be reached from the whole internet. Photos of hands are not served there; use a private "
            "network, or leave --lan out."
        )
    return address


def is_loopback(address: str) -> bool:
    """Tell whether an address is this computer's own, which no other reaches."""
    if address == "localhost":
        return True
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def host_of(address: str, port: int) -> str:
    """Return address and port as they stand in a URL."""
    shown = f"[{address}]" if ":" in address else address
    # Browsers leave the scheme's own port out.
    return shown if port == 80 else f"{shown}:{port}"


def _own_address() -> str | None:
    """Return the address from which this computer would send; a datagram socket that is connected sends nothing."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1, RFC 5737
        except OSError:
            return None
        address = str(probe.getsockname()[0])
    return None if is_loopback(address) else address
