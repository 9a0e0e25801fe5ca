"""Broken files that get past a parser: what a file says is changed, and it is written again in its own form.

JSON and TOML by their entries, XML by its elements, DXF by its pairs of code and value, CSV and lists by their cells
and lines, requests by their head, query and form, an archive of a journal by the rows of its manifest and by its
documents, whose hashes are made to fit again.
"""

from __future__ import annotations

import copy
import csv
import hashlib
import io
import json
import random
import struct
import zipfile
from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qsl, urlencode
from xml.etree import ElementTree

HOSTILE: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 0.5, -0.0, 1e-320, 1e308, -1e308, 10**30, float("nan"), float("inf"), "", "x", "0",
    "nan", "A" * 5000, "../../x", "\u202e", "\ud800", "\x00", "a\nb", "=1+1", [], {}, [[]], [0] * 2000,
    {"a": {"a": {}}},
)  # fmt: skip
MOST_BYTES = 3_000_000
MOST_ENTRIES = 20_000
"""What has more is doubled no further: copies of copies would fill the memory here, not the reader's."""


def reshaped(name: str, data: bytes, rng: random.Random) -> bytes | None:
    """Return a broken copy that is well-formed, as far as it can be; None for a reader whose form is not known here."""
    how = _FORMS.get(name)
    if how is None:
        return None
    try:
        return how(data, rng)[:MOST_BYTES]
    except (ValueError, TypeError, OverflowError, RecursionError, ElementTree.ParseError):
        return None  # what was put in cannot be written in this form


def _places(value: Any) -> list[tuple[Any, Any]]:
    """Return all containers with the keys or numbers of their entries."""
    found: list[tuple[Any, Any]] = []
    waiting = [value]
    while waiting:
        current = waiting.pop()
        listed = enumerate(current) if isinstance(current, list) else ()
        for key, item in current.items() if isinstance(current, dict) else listed:
            found.append((current, key))
            waiting.append(item)
    return found


def _times(item: Any, entries: int, count: int) -> list[Any]:
    """Return copies of an item that has so many entries, fewer where they would be too many."""
    return [copy.deepcopy(item) for _ in range(min(count, MOST_ENTRIES // (entries + 1)))]


def _changed(value: Any, rng: random.Random) -> Any:
    """Return a copy with one to three entries changed."""
    value = copy.deepcopy(value)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        places = _places(value)
        if not 0 < len(places) < MOST_ENTRIES:
            return value
        holder, key = rng.choice(places)
        how = rng.randrange(8)
        if how == 0:
            del holder[key]
        elif how == 1 and isinstance(holder, dict):
            holder[rng.choice(("", "x", str(key).upper(), "a" * 300, "__class__"))] = holder.pop(key)
        elif how == 2 and isinstance(holder, list):
            holder[key:key] = _times(holder[key], len(_places(holder[key])), rng.choice((1, 2, 300)))
        elif how == 3:
            other, there = rng.choice(places)
            holder[key] = copy.deepcopy(other[there])
        elif how == 4:
            deep: Any = holder[key]
            for _ in range(rng.choice((2, 50))):
                deep = [deep]
            holder[key] = deep
        elif how in (5, 6) and isinstance(holder[key], int | float) and not isinstance(holder[key], bool):
            near, far = (1, 1, 0.9, 1.02), (-1, 0, 10, 1000, 1e-6, 1e9)
            holder[key] = holder[key] * rng.choice(near if rng.random() < 0.5 else far) + rng.choice((0, 0, 1))
        elif how in (5, 6) and isinstance(holder[key], list):
            # All numbers in it alike: a covariance stays one.
            holder[key] = _scaled(holder[key], rng.choice((-1, 0, 0.5, 2, 100, 1e-6)))
        elif how == 6 and isinstance(holder[key], str):
            other = [item[there] for item, there in places if isinstance(item[there], str)]
            holder[key] = rng.choice([*other, holder[key] + "x", holder[key][:-1]])
        else:
            holder[key] = copy.deepcopy(rng.choice(HOSTILE))
    return value


def _scaled(value: Any, factor: float) -> Any:
    if isinstance(value, list):
        return [_scaled(item, factor) for item in value]
    return value * factor if isinstance(value, int | float) and not isinstance(value, bool) else value


def _json(data: bytes, rng: random.Random) -> bytes:
    return json.dumps(_changed(json.loads(data), rng)).encode()


def _json_lines(data: bytes, rng: random.Random) -> bytes:
    rows = _changed([json.loads(line) for line in data.splitlines()], rng)
    return b"".join(json.dumps(row).encode() + b"\n" for row in rows)


def _toml(data: bytes, rng: random.Random) -> bytes:
    import tomllib

    import tomli_w

    return tomli_w.dumps(_changed(tomllib.loads(data.decode()), rng)).encode()


def _xml(data: bytes, rng: random.Random) -> bytes:
    root = ElementTree.fromstring(data)
    for _ in range(rng.choice((1, 1, 2, 4))):
        every = list(root.iter())
        if len(every) > MOST_ENTRIES:
            break
        parent, element = rng.choice(every), rng.choice(every)
        how = rng.randrange(6)
        if how == 0 and len(parent):
            parent.remove(rng.choice(list(parent)))
        elif how == 1 and element is not root:
            parent.extend(_times(element, sum(1 for _ in element.iter()), rng.choice((1, 20, 300))))
        elif how == 2:
            element.tag = rng.choice([other.tag for other in every] + ["x", "use", "svg", "path", "script"])
        elif how == 3:
            inner = copy.deepcopy(element)
            for _ in range(rng.choice((2, 100))):
                outer = ElementTree.Element(parent.tag)
                outer.append(inner)
                inner = outer
            parent.append(inner)
        elif element.attrib:
            key = rng.choice(list(element.attrib))
            others = [v for other in every for v in other.attrib.values()]
            hostile = [str(v) for v in HOSTILE if isinstance(v, str | int | float)]
            element.attrib[key] = rng.choice([*others, *hostile, "rotate(1e9)", "matrix(0 0 0 0 0 0)", "1e9mm", "-5%"])
    return ElementTree.tostring(root, encoding="utf-8")


def _dxf(data: bytes, rng: random.Random) -> bytes:
    lines = data.decode().splitlines()
    pairs = [(lines[k], lines[k + 1]) for k in range(0, len(lines) - 1, 2)]
    hostile = ("1e308", "-1e308", "0", "-1", "nan", "1e-300", "99999", "", "*Model_Space", "0.0000001")
    return "\n".join(line for pair in _pairs(pairs, hostile, rng) for line in pair).encode() + b"\n"


def _dxf_binary(data: bytes, rng: random.Random) -> bytes:
    from ezdxf.lldxf.tagger import binary_tags_loader
    from ezdxf.lldxf.tagwriter import BinaryTagWriter

    pairs = []
    for tag in binary_tags_loader(data):
        # A point is one tag there, which is written as two or three.
        numbers = tag.value if not isinstance(tag.value, str | bytes | int | float) else None
        pairs += [(tag.code, tag.value)] if numbers is None else [(tag.code + 10 * k, v) for k, v in enumerate(numbers)]
    out = io.BytesIO()
    writer = BinaryTagWriter(out)
    writer.write_signature()
    for code, value in _pairs(pairs, (1e308, -1e308, 0, -1, float("nan"), 1e-300, 99999, "", "*Model_Space"), rng):
        try:
            writer.write_tag2(code, value)
        except (struct.error, TypeError, ValueError, AttributeError):
            continue  # a text where the code stands for a number
    return out.getvalue()


def _pairs(pairs: list[tuple[Any, Any]], hostile: tuple[Any, ...], rng: random.Random) -> list[tuple[Any, Any]]:
    """Return a copy of a drawing's pairs of code and value with one to four changes."""
    pairs = list(pairs)
    for _ in range(rng.choice((1, 1, 2, 4))):
        if not pairs:
            break
        # Most of a drawing is its tables: what is drawn, at the end, shall have its share.
        start = rng.randrange(len(pairs)) if rng.random() < 0.4 else rng.randrange(len(pairs) * 4 // 5, len(pairs))
        how = rng.randrange(7)
        if how == 0:
            del pairs[start : start + rng.choice((1, 1, 12))]
        elif how == 1:
            pairs[start:start] = pairs[start : start + rng.choice((1, 6, 40))] * rng.choice((1, 2, 50))
        elif how == 2:
            other = rng.randrange(len(pairs))
            pairs[start], pairs[other] = pairs[other], pairs[start]
        elif how == 3:
            pairs[start] = (rng.choice(pairs)[0], pairs[start][1])
        else:
            values = [pair[1] for pair in pairs if pair[0] == pairs[start][0]]
            pairs[start] = (pairs[start][0], rng.choice([*values, *hostile]))
    return pairs


def _csv(data: bytes, rng: random.Random) -> bytes:
    rows = _changed([list(row) for row in csv.reader(io.StringIO(data.decode()))], rng)
    out = io.StringIO()
    for row in rows if isinstance(rows, list) else []:
        csv.writer(out).writerow(row if isinstance(row, list) else [row])
    return out.getvalue().encode(errors="replace")


def _lines(data: bytes, rng: random.Random) -> bytes:
    lines = _changed(data.decode().splitlines(), rng)
    return "\n".join(map(str, lines)).encode(rng.choice(("utf-8", "utf-16", "utf-8-sig")), errors="replace")


def _request(data: bytes, rng: random.Random) -> bytes:
    """Change a form's or a document's entries, the query's, or the lines of the head; the length stays right."""
    head, _, body = data.partition(b"\r\n\r\n")
    first, *lines = head.decode().split("\r\n")
    method, target, version = first.split(" ")
    how = rng.randrange(3)
    if how == 0 and b"urlencoded" in head and body:
        body = _query(body.decode(), rng).encode(errors="replace")
    elif how == 0 and b"application/json" in head and body:
        # {layout} is a place to be filled in, and no JSON.
        body = _json(body.replace(b"{layout}", b"987654321"), rng).replace(b"987654321", b"{layout}")
    elif how == 1:
        path, _, query = target.partition("?")
        parts = path.split("/")
        parts[rng.randrange(len(parts))] = rng.choice(
            [*parts, "0", "-1", "2", "99999999999999999999", "..", "%2e%2e", "%00"]
        )
        target = "/".join(parts) + ("?" + _query(query, rng) if query else "")
    else:
        at = rng.randrange(len(lines))
        name, _, value = lines[at].partition(": ")
        other = rng.choice(lines).partition(": ")[2]
        more = [lines[at], f"{name}: {other}", f"{name}: {value}{value}", f"{name}: ", f"{name.upper()}: {value}"]
        lines[at : at + 1] = rng.choice(([], [lines[at]] * 2, [rng.choice(more)]))
    return "\r\n".join([f"{method} {target} {version}", *lines]).encode() + b"\r\n\r\n" + body


def _query(text: str, rng: random.Random) -> str:
    """Change the names and values of a form or query."""
    pairs = [list(pair) for pair in parse_qsl(text, keep_blank_values=True)]
    changed = _changed(pairs, rng)
    kept = [pair for pair in changed if isinstance(pair, list) and len(pair) == 2] if isinstance(changed, list) else []
    return urlencode([(str(name), str(value)) for name, value in kept], errors="replace")


def _archive(data: bytes, rng: random.Random) -> bytes:
    """Change rows of the manifest, or a document, whose name and hash then fit it."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = {info.filename: archive.read(info) for info in archive.infolist()}
    manifest = next(name for name in members if "/" not in name)
    documents = [name for name in members if name.startswith("documents/")]
    if documents and rng.random() < 0.5:
        name = rng.choice(documents)
        folder, _, file = name.partition("/")
        old, _, ending = file.partition(".")
        how = _toml if ending == "toml" else _json
        content = how(members.pop(name), rng)
        new = hashlib.sha256(content).hexdigest()
        members[f"{folder}/{new}.{ending}"] = content
        members[manifest] = members[manifest].replace(old.encode(), new.encode())
    else:
        head, *rows = [json.loads(line) for line in members[manifest].splitlines()]
        rows = _changed(rows, rng)
        if rng.random() < 0.9:
            head["rows"] = len(rows)
        members[manifest] = b"".join(json.dumps(row).encode() + b"\n" for row in (head, *rows))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as packed:
        for name, content in members.items():
            packed.writestr(name, content)
    return out.getvalue()


_FORMS: dict[str, Callable[[bytes, random.Random], bytes]] = {
    "rest": _json,
    "layout": _json,
    "check": _json,
    "cohort": _json,
    "plan": _toml,
    "panel": _toml,
    "functions": _toml,
    "dxf": _dxf,
    "dxf-binary": _dxf_binary,
    "svg": _xml,
    "csv": _csv,
    "list": _lines,
    "http": _request,
    "incoming": _toml,
    "batch": _json_lines,
    "archive": _archive,
}
