"""What a run over many photos records: its rows, the journal that it goes on from, and the table.

Columns: `photo` (name within the folder that was given, never a path of the machine), `sha256`, `status` ("measured" or
"failed"), `reason` (of a failure), `quality` ("good", "fair", "poor"), `advice`, `mat`, `tilt_deg`, `height_mm`,
`mm_per_px`, `print_scale_x`, `print_scale_y`, `print_scale_sd`; for each finger, as in `left_thumb_x_mm`: `x_mm`,
`y_mm` (mat frame), `known_to_mm` (longest half axis of the 95 % region), `hidden`; for each hand `wrist_deviation_deg`,
`wrist_deviation_sd_deg`, `hand_length_mm`, `hand_breadth_mm`; `seconds`; `same_as` (the earlier photo with the same
hash). What was not measured is empty. In .csv, texts that a spreadsheet would run as a formula (= + - @ comes first)
have an apostrophe before them; not so in .parquet. In the journal alone, `again` marks a failure that may lie in the
machine.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Final

from handcapture.documents import write_atomically
from handcapture.errors import InputError, OutputError, brief
from handcapture.names import FINGERS, SIDES
from handcapture.version import __version__

TABLE_SUFFIXES: Final = (".csv", ".parquet")
_TEXTS: Final = ("photo", "sha256", "status", "reason", "quality", "advice", "mat", "same_as")
Row = dict[str, Any]


def columns() -> tuple[str, ...]:
    """Return the columns of the table, in order."""
    fingers = [
        f"{side}_{finger}_{what}"
        for side in SIDES
        for finger in FINGERS
        for what in ("x_mm", "y_mm", "known_to_mm", "hidden")
    ]
    hands = [
        f"{side}_{what}"
        for side in SIDES
        for what in ("wrist_deviation_deg", "wrist_deviation_sd_deg", "hand_length_mm", "hand_breadth_mm")
    ]
    return (
        *("photo", "sha256", "status", "reason", "quality", "advice", "mat", "tilt_deg", "height_mm", "mm_per_px"),
        *("print_scale_x", "print_scale_y", "print_scale_sd", *fingers, *hands, "seconds", "same_as"),
    )


def resumed(journal: Path, settings: Mapping[str, Any]) -> dict[str, Row]:
    """Return the finished rows of a broken-off run, by photo; a last line that is not whole is left out.

    InputError when it is damaged, or belongs to a run with other settings.
    """
    if journal.exists() and not journal.is_file():
        raise InputError(f"{journal} is no file, but a run keeps its rows there. Take it away, or name another output.")
    try:
        lines = journal.read_bytes().splitlines(keepends=True)
    except FileNotFoundError:
        return {}
    except OSError as error:
        raise InputError(f"{journal} cannot be read: {brief(error)}. Delete it to begin anew.") from None
    try:
        head, *rows = [json.loads(line, parse_constant=_no_number) for line in lines if line.endswith(b"\n")] or [None]
    except (ValueError, RecursionError):
        raise _damaged(journal) from None
    if head is None:
        return {}
    if not isinstance(head, dict) or "batch" not in head or not all(_is_row(row) for row in rows):
        raise _damaged(journal)
    wanted = _head(settings)
    other = [_told(key, head.get(key)) for key in wanted if head.get(key) != wanted[key]]
    if other or head.keys() != wanted.keys():
        had = f" ({', '.join(other)})" if other else ""
        raise InputError(
            f"{journal} belongs to a run with other options{had}. Give the same ones to go on, or delete it to begin "
            "anew."
        )
    return {row["photo"]: row for row in rows}


def _no_number(word: str) -> float:
    raise ValueError(word)


def _told(key: str, value: Any) -> str:
    """Return an option of an earlier run as it was given."""
    if key == "version":
        return f"version {value}"
    option = "--rests" if key == "with_rests" else f"--{key.replace('_', '-')}"
    if value in (None, False):
        return f"no {option}"
    values = value if isinstance(value, list) else [] if value is True else [value]
    return " ".join([option, *(str(v) for v in values)])[:80]


def _damaged(journal: Path) -> InputError:
    return InputError(f"{journal} is damaged. Delete it to begin anew.")


def _is_row(row: Any) -> bool:
    """Tell whether this is a row as a run writes it."""
    if not isinstance(row, dict) or row.get("status") not in ("measured", "failed") or "photo" not in row:
        return False
    known = {*columns(), "again"}
    return all(key in known and isinstance(value, _type(key)) for key, value in row.items())


def _type(column: str) -> type | tuple[type, ...]:
    if column in _TEXTS:
        return str
    return bool if column.endswith("_hidden") or column == "again" else (int, float)


def _head(settings: Mapping[str, Any]) -> Row:
    return {"batch": 1, "version": __version__, **json.loads(json.dumps(dict(settings)))}


@contextmanager
def appending(journal: Path, settings: Mapping[str, Any], fresh: bool) -> Iterator[Callable[[Row], None]]:
    """Give a function that appends a row, a whole line on the disk before it returns."""
    try:
        if not fresh:
            # A line that was broken off would spoil the next.
            data = journal.read_bytes()
            write_atomically(journal, data[: data.rfind(b"\n") + 1])
        file: IO[bytes] = journal.open("wb" if fresh else "ab")
    except FileNotFoundError:
        raise OutputError(f"The folder {journal.parent} does not exist. Make it first, or name another one.") from None
    except OSError as error:
        raise OutputError(
            f"{journal} cannot be written: {error.strerror or error}. Name an output where you may write."
        ) from None

    written = False

    def put(row: Row) -> None:
        try:
            file.write(json.dumps(row, ensure_ascii=False, allow_nan=False).encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
        except OSError as error:
            raise OutputError(
                f"{journal} cannot be written: {error.strerror or error}. What was measured before is kept: make "
                "room, and give the same command again."
            ) from None

    def append(row: Row) -> None:
        nonlocal written
        put(row)
        written = True

    try:
        with file:
            if fresh:
                put(_head(settings))
            yield append
    finally:
        if fresh and not written:  # nothing to go on from, and it would stand in the way of a run with other options
            with suppress(OSError):
                journal.unlink()


def table(rows: Iterable[Row], suffix: str) -> bytes:
    """Return the table as a file of that ending. InputError where pyarrow is missing for .parquet."""
    named = [{column: row.get(column) for column in columns()} for row in rows]
    if suffix == ".parquet":
        arrow, parquet = require_arrow()
        out = io.BytesIO()
        schema = arrow.schema([(column, _kind(arrow, column)) for column in columns()])
        parquet.write_table(arrow.Table.from_pylist(named, schema=schema), out)
        return out.getvalue()
    text = io.StringIO()
    writer = csv.DictWriter(text, columns(), lineterminator="\n")
    writer.writeheader()
    writer.writerows({key: plain_cell(value) for key, value in row.items()} for row in named)
    return text.getvalue().encode()


def check_table(output: Path) -> None:
    """Refuse to replace a file that is no table of ours. InputError says so."""
    try:
        with output.open("rb") as file:
            start = file.read(100)
            if output.suffix.lower() == ".parquet":
                file.seek(-min(output.stat().st_size, _FOOTER_BYTES), os.SEEK_END)
                ours = start[:4] == b"PAR1" and b"left_thumb_known_to_mm" in file.read()
            else:
                ours = start.startswith(",".join(columns()[:3]).encode())
    except FileNotFoundError:
        return
    except OSError as error:
        raise InputError(f"{output} cannot be looked at: {brief(error)}. Name another output.") from None
    if not ours:
        raise InputError(f"{output} is no table of photos, and would be replaced. Name another file.")


_FOOTER_BYTES: Final = 100_000
"""More than the footer of a table's .parquet, which names its columns."""


def plain_cell(value: Any) -> Any:
    """Return a value as a table has it: no formula for a spreadsheet to run."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str) and value[:1] in "=+-@\t\r":
        return f"'{value}"
    return value


def _kind(arrow: Any, column: str) -> Any:
    if column in _TEXTS:
        return arrow.string()
    return arrow.bool_() if column.endswith("_hidden") else arrow.float64()


def require_arrow() -> tuple[Any, Any]:
    """Return pyarrow and its parquet module. InputError when they are not installed."""
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise InputError(
            "A .parquet table needs pyarrow, which is not installed: pip install pyarrow, or write .csv."
        ) from None
    return pyarrow, parquet
