"""Hole tables: CSV with one hole on each line, in any order of columns, also the drill table written here."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np

from handcapture.documents import read_bytes
from handcapture.errors import DocumentError, brief
from handcapture.layout.source_shapes import MM_PER_UNIT, Raw, Units, rectangle_rows

_MOST_BYTES: Final = 2_000_000
_SEPARATOR_NAMES: Final = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_UNIT_WORDS: Final[dict[str, Units]] = {
    "mm": "mm",
    "millimetre": "mm",
    "millimetres": "mm",
    "millimeter": "mm",
    "millimeters": "mm",
    "cm": "cm",
    "centimetre": "cm",
    "centimetres": "cm",
    "centimeter": "cm",
    "centimeters": "cm",
    "in": "inch",
    "inch": "inch",
    "inches": "inch",
}
_DIAMETER: Final = ("d", "dia", "diam", "diameter", "ø", "⌀", "hole", "hole diameter", "hole dia", "size", "hole size")
_PLACE_WORDS: Final = ("centre", "center", "position", "pos", "coordinate", "coord", "of", "hole", "middle")
_LABEL: Final = ("label", "name", "text", "title", "button", "id")
_NUMBER = re.compile(r"^[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?$", re.IGNORECASE)
_SEPARATOR_LINE = re.compile(r"^\s*\"?sep=.\"?\s*$", re.IGNORECASE)
_GROUPED = re.compile(r"^[-+]?\d{1,3}(,\d{3})+(\.\d+)?$|^[-+]?\d{1,3}(\.\d{3})+,\d+$")

Role = Literal[
    "x",
    "y",
    "diameter",
    "radius",
    "width",
    "height",
    "cut width",
    "cut height",
    "cut radius",
    "label",
    "side",
    "finger",
    "row",
    "kind",
]
_WORDS: Final[dict[str, Role]] = {
    "side": "side",
    "hand": "side",
    "finger": "finger",
    "row": "row",
    "kind": "kind",
    "panel width": "width",
    "panel height": "height",
    "cut width": "cut width",
    "cut height": "cut height",
    "cut corner radius": "cut radius",
}
_TEXTS: Final[tuple[Role, ...]] = ("label", "side", "finger", "row", "kind")
"""Columns that hold no number."""
_CUT: Final[tuple[Role, ...]] = ("cut width", "cut height", "cut radius")
_OPTIONAL: Final[tuple[Role, ...]] = ("width", "height", *_CUT)
"""Columns that may be empty."""


@dataclass(frozen=True)
class _Column:
    """What a column means; `flips` where it counts up from the bottom or in from the right."""

    role: Role
    unit: Units | None
    edge: str | None


def read_csv(path: Path, units: Units | None) -> Raw:
    """Read a table of holes. DocumentError names the line that is wrong."""
    data = read_bytes(path, _MOST_BYTES, "a table of holes (CSV)")
    try:
        text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    try:
        return _read(text, units)
    except csv.Error as error:
        raise DocumentError(f"{path} cannot be read as a table: {brief(error)}. Save it as CSV again.") from None
    except DocumentError as error:
        told = str(error)
        raise DocumentError(f"{path}{told if told.startswith((',', ' ')) else f': {told}'}") from None


def _read(text: str, units: Units | None) -> Raw:
    separator, columns, rows = _table(text)
    by_role: dict[Role, tuple[int, _Column]] = {}
    for number, column in columns.items():
        if column.role in by_role:
            raise DocumentError(f", line 1: two columns could be the {column.role}. Leave one of them out.")
        by_role[column.role] = number, column
    raw = Raw(y_up=by_role["y"][1].edge != "top")
    stated = {column.unit for column in columns.values() if column.unit and column.role not in _TEXTS}
    if units is not None and stated and stated != {units}:
        raise DocumentError(f", line 1: the header says {' and '.join(sorted(stated))}, but {units} was asked for.")
    needed = [by_role[role][1].unit for role in by_role if role not in _TEXTS]
    raw.unit_known = units is not None or None not in needed
    if None in needed and stated and units is None:
        if len(stated) > 1:
            raise DocumentError(", line 1: the columns name different units, some none. Write each one's, as in x_mm.")
        units = next(iter(stated))
        raw.unit_known = True
        raw.notes.add(f"Columns without a unit were read as {units}, as the others")
    decimal = _decimal(rows, [place for role, (place, _) in by_role.items() if role not in _TEXTS], separator)
    flips_x, flips_y = by_role["x"][1].edge == "right", by_role["y"][1].edge != "top"
    if by_role["y"][1].edge is None:
        raw.notes.add(
            "The table does not say which way y counts; it was read as counting up, away from the person (call the "
            "column y_from_top where it counts down)"
        )
    sizes: set[tuple[float, float]] = set()
    for line, cells in rows:
        values: dict[Role, float] = {}
        words: dict[str, str] = {}
        for role, (place, column) in by_role.items():
            cell = cells[place].strip() if place < len(cells) else ""
            if role in _TEXTS:
                # Our own tables put an apostrophe before what a spreadsheet would take for a formula.
                words[role] = cell[1:] if re.match(r"'[=+\-@＝＋－＠]", cell) else cell
            elif cell or role not in _OPTIONAL:
                if not cell and role == "diameter" and _tells_cut(by_role, cells):
                    continue
                values[role] = _number(cells, place, line, role, decimal) * MM_PER_UNIT[column.unit or units or "mm"]
        x, y = (-values["x"] if flips_x else values["x"]), (-values["y"] if flips_y else values["y"])
        tags = {role: word for role, word in words.items() if word}
        if "width" in values and "height" in values:
            sizes.add((values["width"], values["height"]))
        if "diameter" not in values and "radius" not in values:
            _add_cut(raw, x, y, values, words, line)
            continue
        diameter = values["diameter"] if "diameter" in values else 2 * values["radius"]
        if diameter <= 0:
            raise DocumentError(f", line {line}: the hole's diameter must be above 0. Mend it or delete the line.")
        if words.get("kind", "").casefold() == "cut":
            tags = {"kind": "cut", "name": words.get("label", "")}
        raw.add_circle(x, y, diameter, "", f", line {line}: the hole", tags)
    if len(sizes) == 1:
        _add_panel(raw, *sizes.pop(), flips_x, flips_y)
    elif sizes:
        raw.notes.add("The lines tell different panel sizes, so there is no outline")
    return raw


def _tells_cut(by_role: dict[Role, tuple[int, _Column]], cells: list[str]) -> bool:
    """Return whether a line tells the size of a rectangular opening instead of a diameter."""
    places = [by_role[role][0] for role in ("cut width", "cut height") if role in by_role]
    return len(places) == 2 and all(place < len(cells) and cells[place].strip() for place in places)


def _add_cut(raw: Raw, x: float, y: float, values: dict[Role, float], words: dict[str, str], line: int) -> None:
    width, height, radius = (values.get(role, 0.0) for role in _CUT)
    if width <= 0 or height <= 0 or not 0 <= radius <= min(width, height) / 2:
        raise DocumentError(
            f", line {line}: an opening needs a width and height above 0, and corners that fit. Mend it or delete the "
            "line."
        )
    rows = rectangle_rows(x - width / 2, y - height / 2, width, height, radius)
    tags = {"kind": "cut", "name": words.get("label", "")}
    raw.add_curve(rows, np.ones(len(rows) - 1, dtype=bool), "", f", line {line}: the opening", tags)


def _add_panel(raw: Raw, width: float, height: float, flips_x: bool, flips_y: bool) -> None:
    left, top = (-width if flips_x else 0.0), (-height if flips_y else 0.0)
    corners = [(left, top), (left + width, top), (left + width, top + height), (left, top + height), (left, top)]
    raw.add_curve(np.array(corners), np.ones(4, dtype=bool), "", "the panel")
    raw.notes.add("The outline is the panel's width and height; a table does not tell rounded corners")


def _table(text: str) -> tuple[str, dict[int, _Column], list[tuple[int, list[str]]]]:
    """Return separator, meaning of the columns, and the lines that hold something, numbered."""
    best: tuple[str, list[str], dict[int, _Column]] | None = None
    lines = text.splitlines()
    # Spreadsheets may write the separator alone in the first line.
    filled = [k for k, line in enumerate(lines) if line.strip(" ,;|\t") and not _SEPARATOR_LINE.match(line)]
    first = next(iter(filled), None)
    if first is None:
        raise DocumentError(" holds no text. Write a header (x_mm, y_mm, diameter_mm, label) and a line for each hole.")
    for separator in _SEPARATOR_NAMES:
        names = next(csv.reader([lines[first]], delimiter=separator), [])
        columns = {k: column for k, name in enumerate(names) if (column := _column(name)) is not None}
        if best is None or len(columns) > len(best[2]):
            best = separator, names, columns
    assert best is not None
    separator, header, columns = best
    roles = {column.role for column in columns.values()}
    missing = [role for role in ("x", "y") if role not in roles]
    missing += [] if roles & {"diameter", "radius"} else ["diameter"]
    if missing:
        raise DocumentError(
            f", line {first + 1}: the header has no column {' and no column '.join(missing)} (it reads "
            f"{lines[first][:80]!r}). Name the columns x_mm, y_mm, diameter_mm and, if there is one, label."
        )
    rows = []
    reader = csv.reader(io.StringIO("\n".join(lines[first + 1 :])), delimiter=separator)
    try:
        for cells in reader:
            other = next((sign for sign in _SEPARATOR_NAMES if sign in cells[0]), None) if len(cells) == 1 else None
            if other is not None and len(columns) > 1:
                raise DocumentError(
                    f", line {first + 1 + reader.line_num}: the cells are parted by {_SEPARATOR_NAMES[other]}, those "
                    f"of the header by {_SEPARATOR_NAMES[separator]}. Part all lines alike."
                )
            if any(cell.strip() for cell in cells):
                rows.append((first + 1 + reader.line_num, cells))
    except csv.Error as error:
        raise DocumentError(f", line {first + 1 + reader.line_num}: {brief(error)}. Mend that line.") from None
    if rows and text[-1] not in "\r\n":
        line, cells = rows[-1]
        if len(cells) < min([len(header), *(len(whole) for _, whole in rows[:-1])]):
            raise DocumentError(f", line {line}: the file breaks off within this line. Copy or export it again.")
    if not rows:
        raise DocumentError(" has a header but no hole. Write one line for each hole.")
    return separator, columns, rows


def _column(name: str) -> _Column | None:
    """Return what a header means; None for columns that say nothing here."""
    words = [word for word in re.split(r"[\s_\-()\[\]{}/.:]+", name.strip().strip("'\"").casefold()) if word]
    unit = next((_UNIT_WORDS[word] for word in words[1:] if word in _UNIT_WORDS), None)
    if unit is not None:
        cut = max(k for k, word in enumerate(words) if word in _UNIT_WORDS and k > 0)
        words = words[:cut] + words[cut + 1 :]
    edge = next((word for word in words if word in ("left", "right", "top", "bottom")), None)
    words = [word for word in words if word not in ("from", "edge", "the", "left", "right", "top", "bottom")]
    axis = [word for word in words if word not in _PLACE_WORDS]
    if axis == ["x"] and edge in (None, "left", "right"):
        return _Column("x", unit, edge)
    if axis == ["y"] and edge in (None, "top", "bottom"):
        return _Column("y", unit, edge)
    plain = " ".join(words)
    if plain in _DIAMETER:
        return _Column("diameter", unit, None)
    if plain in ("r", "radius", "hole radius"):
        return _Column("radius", unit, None)
    if plain in _WORDS:
        return _Column(_WORDS[plain], unit, None)
    return _Column("label", None, None) if plain in _LABEL else None


def _decimal(rows: list[tuple[int, list[str]]], places: list[int], separator: str) -> str:
    """Return the decimal sign of the number columns. DocumentError when it cannot be told."""
    cells = [(line, row[place].strip()) for line, row in rows for place in places if place < len(row)]
    with_comma = [(line, cell) for line, cell in cells if "," in cell]
    if not with_comma:
        return "."
    line, cell = with_comma[0]
    for number, text in cells:
        if _GROUPED.match(text) and ("." in text or text.count(",") > 1):
            raise DocumentError(
                f", line {number}: {text[:30]!r} seems to group thousands. Write numbers without grouping."
            )
    if any("." in text for _, text in cells):
        raise DocumentError(
            f", line {line}: some numbers have a decimal comma ({cell[:30]!r}), others a decimal point. Write all "
            "alike."
        )
    if separator == ",":
        raise DocumentError(
            f", line {line}: {cell[:30]!r} has a comma within. Part columns by semicolons, or use points."
        )
    return ","


def _number(cells: list[str], place: int, line: int, role: str, decimal: str) -> float:
    text = cells[place].strip() if place < len(cells) else ""
    if not text:
        raise DocumentError(f", line {line}: the {role} is missing. Fill it in or delete the line.")
    plain = text.replace(",", ".") if decimal == "," else text
    value = float(plain) if _NUMBER.match(plain) else math.nan
    if not math.isfinite(value):
        raise DocumentError(
            f", line {line}: the {role} {text[:30]!r} is not a number. Mend it; units stand in the header."
        )
    return value
