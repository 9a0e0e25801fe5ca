"""Colour profiles of kept photos: the same colours, without names of devices, owners and places.

A profile (ICC.1:2022, profile version 4.4) is written anew from the tags by which a photo's values become colours, each
to the length that its own counts give: nothing lies between or behind them. The header's makers, models and days are
left out, the required texts are plain ones.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Final

_HEADER, _SIGNATURE_AT = 128, 36
_INPUTS: Final = {b"GRAY": 1, b"RGB ": 3, b"Lab ": 3, b"XYZ ": 3, b"YCbr": 3, b"CMYK": 4}
_CLASSES: Final = (b"scnr", b"mntr", b"prtr", b"spac")
_CURVES: Final = (1, 3, 4, 5, 7)
"""Numbers of a parametric curve, by its kind (table 68)."""
_TEXT: Final = "Colours of the photo"
_MOST_TAGS: Final = 200


def plain_profile(profile: bytes) -> bytes | None:
    """Return a profile that gives the same colours, and holds nothing else; None where there is no use in it.

    That is one which does not follow the standard (decoders pass it over as well), and one for other things than
    pictures.
    """
    try:
        return _rebuilt(profile)
    except (struct.error, ValueError, IndexError, KeyError):
        return None


def _rebuilt(profile: bytes) -> bytes:
    if profile[_SIGNATURE_AT : _SIGNATURE_AT + 4] != b"acsp":
        raise ValueError("no profile")
    kind, space, connection = profile[12:16], profile[16:20], profile[20:24]
    if kind not in _CLASSES or space not in _INPUTS or connection not in (b"XYZ ", b"Lab "):
        raise ValueError("no profile of a picture")
    old = profile[8] < 4
    (count,) = struct.unpack_from(">I", profile, _HEADER)
    if count > _MOST_TAGS:
        raise ValueError("too many tags")
    tags: dict[bytes, bytes] = {b"desc": _text(old), b"cprt": _text(old, described=False)}
    for number in range(count):
        name, start, length = struct.unpack_from(">4sII", profile, _HEADER + 4 + 12 * number)
        body = profile[start : start + length]
        if name in _TAGS and name not in tags:
            tags[name] = _TAGS[name](body)
    rendering = struct.unpack_from(">I", profile, 64)[0] & 3
    head = struct.pack(">I4s4s4s4s4s", 0, b"\0" * 4, profile[8:9] + profile[9:10] + b"\0\0", kind, space, connection)
    # Day, maker, model and creator are zero, which means "not told"; D50 is every profile's illuminant (7.2.16).
    head += b"\0" * 12 + b"acsp" + b"\0" * 24 + struct.pack(">I3i", rendering, 0xF6D6, 0x10000, 0xD32D)
    head = head.ljust(_HEADER, b"\0")
    place, table, bodies = _HEADER + 4 + 12 * len(tags), b"", b""
    shared: dict[bytes, int] = {}
    for name, body in tags.items():
        if body not in shared:  # several tags may have one table (7.3.1), and large ones do
            shared[body] = place + len(bodies)
            bodies += _padded(body)
        table += struct.pack(">4sII", name, shared[body], len(body))
    whole = head + struct.pack(">I", len(tags)) + table + bodies
    return struct.pack(">I", len(whole)) + whole[4:]


def _padded(body: bytes) -> bytes:
    return body + b"\0" * (-len(body) % 4)


def _text(old: bool, described: bool = True) -> bytes:
    """Return a plain text as version 2 or 4 has it (10.24 and 10.15; ICC.1:2001, 6.5.17)."""
    if not old:
        wide = _TEXT.encode("utf-16-be")
        return b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enUS", len(wide), 28) + wide
    text = _TEXT.encode() + b"\0"
    if not described:
        return b"text\0\0\0\0" + text
    return b"desc\0\0\0\0" + struct.pack(">I", len(text)) + text + b"\0" * (4 + 4 + 2 + 1 + 67)


def _whole(body: bytes, length: int) -> bytes:
    """Return the element's first bytes, its reserved ones zero."""
    if len(body) < length:
        raise ValueError("a tag is broken off")
    return body[:4] + b"\0" * 4 + body[8:length]


def _kind(body: bytes, *kinds: bytes) -> bytes:
    if body[:4] not in kinds:
        raise ValueError("a tag of an unknown kind")
    return body[:4]


def _numbers(kind: bytes, count: int) -> Callable[[bytes], bytes]:
    """Give a reader of a tag of so many numbers of four bytes each."""

    def read(body: bytes) -> bytes:
        _kind(body, kind)
        return _whole(body, 8 + 4 * count)

    return read


def _coding(body: bytes) -> bytes:
    """Return what tells a picture's coding by numbers (10.3), for those of more than usual brightness."""
    _kind(body, b"cicp")
    return _whole(body, 12)


def _curve(body: bytes) -> bytes:
    if _kind(body, b"curv", b"para") == b"curv":
        return _whole(body, 12 + 2 * struct.unpack_from(">I", body, 8)[0])
    kind = struct.unpack_from(">H", body, 8)[0]
    if kind >= len(_CURVES):
        raise ValueError("a curve of an unknown kind")
    whole = _whole(body, 12 + 4 * _CURVES[kind])
    return whole[:10] + b"\0\0" + whole[12:]


def _table(body: bytes) -> bytes:
    """Return a table from values to colours: with one grid (10.10, 10.11), or with curves and matrix (10.12)."""
    kind = _kind(body, b"mft1", b"mft2", b"mAB ")
    inputs, outputs, grid = body[8], body[9], body[10]
    if not 0 < inputs <= 15 or not 0 < outputs <= 15:
        raise ValueError("a table of no size")
    if kind == b"mAB ":
        return _steps(body, inputs, outputs)
    cells = _cells([grid] * inputs) * outputs
    if kind == b"mft1":
        whole = _whole(body, 48 + 256 * inputs + cells + 256 * outputs)
    else:
        entries, exits = struct.unpack_from(">HH", body, 48)
        whole = _whole(body, 52 + 2 * (entries * inputs + cells + exits * outputs))
    return whole[:11] + b"\0" + whole[12:]


def _cells(grid: list[int]) -> int:
    count = 1
    for points in grid:
        count *= points
        if not 0 < count <= 1 << 24:
            raise ValueError("a grid of no size")
    return count


def _steps(body: bytes, inputs: int, outputs: int) -> bytes:
    """Write the steps of a table anew, one behind the other; each but the last is optional."""
    at = struct.unpack_from(">5I", body, 12)
    parts = [
        _curves(body, at[0], outputs),
        _whole(b"\0" * 8 + body[at[1] : at[1] + 48], 56)[8:] if at[1] else b"",
        _curves(body, at[2], outputs),
        _grid(body, at[3], inputs, outputs) if at[3] else b"",
        _curves(body, at[4], inputs),
    ]
    places, out = [], b""
    for part in parts:
        places.append(32 + len(out) if part else 0)
        out += _padded(part)
    return b"mAB \0\0\0\0" + bytes((inputs, outputs, 0, 0)) + struct.pack(">5I", *places) + out


def _curves(body: bytes, start: int, count: int) -> bytes:
    out = b""
    for _ in range(count if start else 0):
        curve = _curve(body[start:])
        out += _padded(curve)
        start += len(_padded(curve))
    return out


def _grid(body: bytes, start: int, inputs: int, outputs: int) -> bytes:
    points, width = list(body[start : start + inputs]), body[start + 16]
    if width not in (1, 2):
        raise ValueError("numbers of no length")
    length = _cells(points) * outputs * width
    numbers = body[start + 20 : start + 20 + length]
    if len(numbers) < length:
        raise ValueError("a grid is broken off")
    return bytes(points).ljust(16, b"\0") + bytes((width, 0, 0, 0)) + numbers


_TAGS: Final[dict[bytes, Callable[[bytes], bytes]]] = {
    **dict.fromkeys((b"rXYZ", b"gXYZ", b"bXYZ", b"wtpt", b"bkpt"), _numbers(b"XYZ ", 3)),
    **dict.fromkeys((b"rTRC", b"gTRC", b"bTRC", b"kTRC"), _curve),
    **dict.fromkeys((b"A2B0", b"A2B1", b"A2B2"), _table),
    b"chad": _numbers(b"sf32", 9),
    b"cicp": _coding,
}
"""What turns a picture's values into colours (8.3 to 8.5), with what writes it anew."""
