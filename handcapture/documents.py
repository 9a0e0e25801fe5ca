"""Files at the edge: atomic writing, and JSON documents with a schema name and version."""

from __future__ import annotations

import contextlib
import json
import mmap
import os
import re
import stat
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from handcapture.errors import DocumentError, InputError, OutputError, brief

if TYPE_CHECKING:
    import sqlite3

    from pydantic import BaseModel, ValidationError

ModelT = TypeVar("ModelT", bound="BaseModel")


_UMASK: Final = os.umask(0o022)
"""Read once, while there is one thread: it cannot be asked for without being changed."""
os.umask(_UMASK)


def write_atomically(path: Path, data: bytes) -> None:
    """Write `data` to `path` whole or not at all: `write_together` for one file."""
    write_together([(path, data)])


def write_together(files: Sequence[tuple[Path, bytes]]) -> None:
    """Write files that belong together, each whole, all of them or none.

    Neighbouring temporary files are filled and flushed to the disk, and when all are, renamed over their places.
    OutputError when that fails; what stood there before is then untouched, and no temporary file stays behind. Only
    where the disk fails between two renamings are some new and some old, which the error tells. A file keeps its
    permissions, one that is write-protected its content as well. A symbolic link stays one: what it leads to is
    replaced.
    """
    waiting: list[tuple[str, Path]] = []
    done: list[Path] = []
    path = files[0][0]
    try:
        for path, data in files:
            waiting.append(_filled(path, data))
        for (path, _), (temporary, target) in zip(files, list(waiting), strict=True):
            os.replace(temporary, target)
            waiting.pop(0)
            done.append(path)
    except OutputError:
        raise
    except OSError as error:
        changed = f"{', '.join(map(str, done))} had been written by then; nothing else" if done else "Nothing"
        raise OutputError(
            f"{path} could not be written: {error.strerror or error}. {changed} was changed there; check that the "
            "folder exists, that you may write to it and that the disk is not full."
        ) from error
    finally:  # also where the user breaks it off
        for temporary, _ in waiting:
            with contextlib.suppress(OSError):
                os.unlink(temporary)


_LONGEST_NAMED_BYTES: Final = 235
"""With points, eight letters and .part around it, no more than the 255 bytes that common disks take."""


def _filled(path: Path, data: bytes) -> tuple[str, Path]:
    """Return a filled temporary file and the place that it is to be renamed to. OutputError for a protected one."""
    if path.is_symlink():
        path = Path(os.path.realpath(path))
    check_not_protected(path)
    # By the whole name a journal knows what a killed process left there; the longest that a disk takes are cut.
    name = path.name if len(os.fsencode(path.name)) <= _LONGEST_NAMED_BYTES else path.name[:40]
    handle, temporary = tempfile.mkstemp(prefix=f".{name}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        with contextlib.suppress(OSError):  # a file system without permission bits
            os.chmod(temporary, path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_UMASK)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    return temporary, path


def check_not_protected(path: Path) -> None:
    """Refuse to replace a file that nobody may write to. OutputError says so."""
    try:
        mode = path.stat().st_mode
    except OSError:
        return
    if stat.S_ISREG(mode) and not mode & 0o222:
        raise OutputError(f"{path} is write-protected. Name another file, or lift the protection.")


@contextlib.contextmanager
def alone(lock: Path, taken: str) -> Iterator[None]:
    """Hold a lock file, which ends with the process: InputError with the text `taken` where another process holds it.

    A lock of SQLite's, since those work alike on every system. OutputError when the file cannot be made.
    """
    if not lock.parent.is_dir():
        raise OutputError(f"The folder {lock.parent} does not exist. Make it first, or name another one.")
    held = _locked(lock, taken)
    try:
        yield
    finally:
        # While it is held: who opens the file now finds it taken, who comes later makes a new one.
        with contextlib.suppress(OSError):
            lock.unlink()
        held.close()
        if os.name == "nt":  # where files in use cannot be removed, nor can one that another process has opened since
            with contextlib.suppress(OSError):
                lock.unlink()


def _locked(lock: Path, taken: str) -> sqlite3.Connection:
    """Return the connection that holds the lock until it is closed. Errors as of `alone`."""
    import sqlite3

    def seen() -> int | None:
        with contextlib.suppress(FileNotFoundError):
            return os.stat(lock).st_ino
        return None

    try:
        for _ in range(_TRIES):
            if (before := seen()) is None:  # SQLite makes it, and knows then that no lock of this process is on it
                sqlite3.connect(lock).close()
                continue
            held = sqlite3.connect(lock, timeout=0, isolation_level=None)
            try:
                held.execute("BEGIN EXCLUSIVE")
            except sqlite3.Error as error:
                held.close()
                if error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                    raise InputError(taken) from None
                if seen() == before:
                    raise
                continue
            if seen() == before:
                return held
            # Whoever held it has removed it between opening and locking: this lock would keep nobody out.
            held.close()
    except (OSError, sqlite3.Error) as error:
        raise OutputError(
            f"{lock} cannot be written: {brief(error)}. Check that its folder exists and that you may write to it."
        ) from None
    raise InputError(taken)


_TRIES: Final = 20
"""So often a lock is taken again that was removed at that very moment."""


def read_bytes(path: Path, limit_bytes: int, what: str) -> bytes:
    """Return the content of `path`, or raise InputError naming what is wrong; `what` says what was expected."""
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise InputError(f"{path} is a folder, but {what} was expected. Name a file.")
        if not path.is_file():  # to read from it might never end
            raise InputError(f"{path} is a pipe or a device, but {what} was expected. Name a file.")
        if size > limit_bytes:
            raise InputError(
                f"{path} has {size / 1e6:.1f} MB; {what} may have at most {limit_bytes / 1e6:.0f} MB. "
                "Check that it is the right file."
            )
        if size == 0:
            raise InputError(f"{path} is empty (0 bytes), but {what} was expected. Copy or export it again.")
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{path} does not exist. Check the name and the folder.") from None
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}.") from error


def plain_text(name: str) -> str:
    """Return a file's name as text that can be written: bytes that are no UTF-8 become question marks."""
    return name.encode(errors="surrogateescape").decode(errors="replace").replace("\ufffd", "?")


def dump_json(document: dict[str, Any]) -> bytes:
    """Return the document as readable UTF-8 JSON; a number that is not finite is a ValueError."""
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    return (plain_text(text) + "\n").encode()


def plain(value: Any) -> Any:
    """Return arrays, tuples and numbers as JSON has them, rounded to six decimals, finer than all that is measured.

    A document that is read back and written again is then the same one.
    """
    if hasattr(value, "tolist"):  # arrays and numbers of numpy, which need not be imported for this
        value = value.tolist()
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, dict):
        return {name: plain(item) for name, item in value.items()}
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    return value


def load_json(path: Path, kind: str, version: int) -> tuple[dict[str, Any], int]:
    """Return a document of `kind` (as in "handcapture.rest") and its version, at most `version`.

    DocumentError when the file is no JSON, another kind of document, or of a newer version.
    """
    wanted = _DOCUMENTS.get(kind, f"a {kind} document")
    data = read_bytes(path, 50_000_000, wanted)
    try:
        document = json.loads(data.decode("utf-8-sig"), parse_constant=_refuse_constant)
    except UnicodeDecodeError:
        raise DocumentError(f"{path} is no text, but {wanted} was expected. Name the right file.") from None
    except json.JSONDecodeError as error:
        where = f"it cannot be read from line {error.lineno}, column {error.colno} on"
        raise DocumentError(
            f"{path} is not {wanted}, or only a part of one: {where}. Name the right file, or write it again."
        ) from None
    except (ValueError, RecursionError) as error:
        raise DocumentError(f"{path} is not {wanted}: {brief(error)}. Write it again.") from None
    schema = document.get("schema") if isinstance(document, dict) else None
    if not isinstance(schema, str) or "/" not in schema:
        raise DocumentError(
            f'{path} is not {wanted}: it has no "schema" entry of the form "{kind}/{version}". Name the right file.'
        )
    name, _, number = schema.rpartition("/")
    if name != kind:
        own = _DOCUMENTS.get(name, f"a {name[:_LONGEST_NAME]} document")
        raise DocumentError(f"{path} is {own}, but {wanted} is needed here. Name the right file.")
    if not re.fullmatch("[1-9][0-9]{0,8}", number):
        raise DocumentError(f'{path} has the schema "{schema[:_LONGEST_NAME]}"; expected "{kind}/{version}".')
    if int(number) > version:
        raise DocumentError(
            f"{path} was written by a newer program (schema {schema}; this one reads up to {kind}/{version}). "
            "Update handcapture to open it."
        )
    return document, int(number)


def kind_of(path: Path) -> str | None:
    """Return which of our documents a file is, in words ("a rest"); None where it is none."""
    if not path.is_file():
        return None
    try:
        with path.open("rb") as file:
            start = file.read(400)
    except OSError:
        return None
    found = re.match(rb'\s*\{\s*"schema":\s*"(handcapture\.[a-z_]+)/', start)
    if found is None:
        return None
    word = found[1].decode().removeprefix("handcapture.")
    return f"a {'comparison' if word == 'changed' else word}"


_OURS: Final = re.compile(rb"handcapture", re.IGNORECASE)
"""Stands in every drawing, picture and report of ours."""
_LARGEST_OF_OURS_BYTES: Final = 200_000_000


def is_foreign(path: Path) -> bool:
    """Return whether a file is there that this program did not write: a shop's drawing, a photo, a table.

    An empty file is nobody's; what is no ordinary file (/dev/stdout) is not looked at.
    """
    try:
        if not path.is_file() or not (size := path.stat().st_size):
            return False
        if size > _LARGEST_OF_OURS_BYTES:
            return True
        with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as content:
            return _OURS.search(content) is None
    except (OSError, ValueError):  # emptied meanwhile, say
        return True


_DOCUMENTS: Final = {
    "handcapture.rest": "a rest (as handcapture capture writes it)",
    "handcapture.layout": "a layout (as handcapture fit writes it)",
    "handcapture.check": "a check (as handcapture check writes it)",
}
"""What the documents are called where they are asked for."""


def validated(kind: type[ModelT], document: object, path: Path, what: str, remedy: str) -> ModelT:
    """Return `document` as the pydantic model `kind`. DocumentError names the first entry that is wrong."""
    from pydantic import ValidationError

    try:
        return kind.model_validate(document)
    except ValidationError as error:
        raise DocumentError(f"{path} is not a usable {what}: {first_slip(error)}. {remedy}") from None


def first_slip(error: ValidationError) -> str:
    """Return the first entry that is wrong, and how many more are."""
    first = error.errors(include_url=False)[0]
    place = ".".join(str(part) for part in first["loc"]) or "the document"
    more = f" (and {error.error_count() - 1} more)" if error.error_count() > 1 else ""
    problem = first["msg"].removeprefix("Value error, ")
    return f"{place}: {problem}"[:_LONGEST_SLIP] + more


def parse_toml(data: bytes) -> dict[str, Any]:
    """Return what a TOML file (https://toml.io, 1.0) says. UnicodeDecodeError where it is no UTF-8 text; ValueError."""
    import tomllib

    text = data.decode("utf-8-sig")  # editors on Windows may put a mark before the text
    if endless := _ENDLESS_KEY.search(text):
        line = text.count("\n", 0, endless.start()) + 1
        raise ValueError(f"Key of more than {_MOST_PARTS} parts (at line {line})")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError("Brackets within brackets without an end") from None
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"at line (\d+)", str(error))
        line_text = text.splitlines()[int(found[1]) - 1] if found and int(found[1]) <= text.count("\n") + 1 else ""
        comma = re.fullmatch(r"\s*\w+\s*=\s*([-+]?\d+),(\d+)\s*(#.*)?", line_text)
        if comma is None:
            raise
        raise ValueError(f"{brief(error)}: write {comma[1]}.{comma[2]}, with a point") from None


_MOST_PARTS: Final = 20
_ENDLESS_KEY: Final = re.compile(
    r"""(?<![\w.-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+)"""
    f"{{{_MOST_PARTS}}}"
)
"""The time that a reader needs grows with the square of a key's parts."""


def load_toml(path: Path, kind: type[ModelT], what: str, lists: Mapping[str, str], known: Iterable[str]) -> ModelT:
    """Return a file that a person wrote as the pydantic model `kind`; `what` names it in words.

    `lists` are the names of lists, with what one of their entries is in words; `known` are the words that a misspelt
    one may have meant. DocumentError lists everything that is wrong, by entry; InputError when it cannot be read.
    """
    from pydantic import ValidationError

    data = read_bytes(path, 1_000_000, f"{what} (TOML)")
    try:
        content = parse_toml(data)
    except UnicodeDecodeError:
        raise DocumentError(f"{path} is not a text file, but {what} is written as text (TOML, in UTF-8).") from None
    except ValueError as error:
        raise DocumentError(f"{path} is not valid TOML: {brief(error)}. Mend that line, or name {what}.") from None
    other = next((name for name, signs in _SIGNS.items() if name != what and signs & content.keys()), None)
    if other is not None and not _SIGNS.get(what, set()) & content.keys():
        raise DocumentError(f"{path} looks like {other}, but {what} is needed here. Were two files swapped?")
    try:
        found = kind.model_validate(content)
    except ValidationError as error:
        lines = _slips(error, content, lists, known)
    else:
        lines = [f"  {_place(place, content, lists)}: {text}" for place, text in _taken_for_numbers(content, found)]
        if not lines:
            return found
    if len(lines) > _MOST_SLIPS:
        lines[_MOST_SLIPS:] = [f"  and {len(lines) - _MOST_SLIPS} more"]
    lines = [line if len(line) <= _LONGEST_SLIP else f"{line[:_LONGEST_SLIP]}..." for line in lines]
    raise DocumentError("\n".join([f"{path} cannot be used as {what}. Mend:", *lines]))


_MOST_SLIPS, _LONGEST_SLIP, _LONGEST_NAME, _GIANT = 30, 300, 60, 10**18
_SIGNS: Final = {
    "a plan": {"buttons"},
    "a panel": {"width_mm", "height_mm", "outline"},
    "a list of functions": {"functions"},
}
"""Entries that tell files of people apart."""


def _slips(
    error: ValidationError, content: dict[str, Any], lists: Mapping[str, str], known: Iterable[str]
) -> list[str]:
    """Return a plain line for everything that pydantic found wrong in a file that a person wrote."""
    from difflib import get_close_matches

    problems = error.errors(include_url=False)
    misspelt: dict[tuple[str | int, ...], list[str]] = {}
    for problem in problems:
        if problem["type"] == "extra_forbidden":
            near = get_close_matches(str(problem["loc"][-1]), list(known), n=1)
            misspelt.setdefault(problem["loc"][:-1], []).extend(near)
    lines = []
    for problem in problems:
        place = problem["loc"]
        text, context = problem["msg"].removeprefix("Value error, "), problem.get("ctx", {})
        kind = problem["type"]
        if kind == "missing" and place[-1] in misspelt.get(place[:-1], ()):
            continue  # told where the misspelt word is
        if kind == "extra_forbidden":
            near = get_close_matches(str(place[-1]), list(known), n=1)
            text = "is not known here" + (f"; did you mean {near[0]}?" if near else "")
        elif kind == "missing":
            text = "is missing"
        elif kind in _PLAIN_WORDS:
            text = _PLAIN_WORDS[kind].format(**context)
        given = problem.get("input")
        got = f" (got {_shown(given)})" if isinstance(given, str | int | float) and kind != "extra_forbidden" else ""
        lines.append(f"  {_place(place, content, lists)}: {text}{got}" if place else f"  {text}{got}")
    return lines


def plain_slip(error: ValidationError) -> str:
    """Return in plain words what is first wrong with what was entered, entries called as people do."""
    first = _slips(error, {}, {}, ())[0].strip()
    return re.sub(r"\b(\w+)_mm\b", r"\1", first).replace("_", " ") + "."


def _shown(given: object) -> str:
    """Return a value as TOML has it, cut short."""
    if isinstance(given, int) and abs(given) >= _GIANT:
        return "a number of very many digits"
    text = str(given).lower() if isinstance(given, bool) else repr(given)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _place(place: Sequence[str | int], content: object, lists: Mapping[str, str]) -> str:
    """Return in words where in a file something stands: members of lists by their label, or counted from 1."""
    words: list[str] = []
    for part in place:
        if isinstance(part, int):
            listed = lists.get(words[-1]) if words else None
            member = content[part] if isinstance(content, list) and part < len(content) else None
            label = (member.get("label") or member.get("name")) if isinstance(member, dict) else None
            if listed:
                words[-1] = f"{listed} {label if isinstance(label, str) else part + 1}"
            else:
                words.append(f"number {part + 1}")
            content = member
        else:
            words.append(part)
            content = content.get(part) if isinstance(content, dict) else None
    return ", ".join(words)


def _taken_for_numbers(given: object, taken: object) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """Yield where true, false or a text was taken for a number: pydantic does, a person did not mean it."""
    pairs: list[tuple[str | int, object, object]] = []
    if isinstance(given, dict):
        pairs = [(name, item, getattr(taken, name, None)) for name, item in given.items()]
    elif isinstance(given, list) and isinstance(taken, list | tuple):
        pairs = [(k, item, got) for k, (item, got) in enumerate(zip(given, taken, strict=False))]
    for name, item, got in pairs:
        number = isinstance(got, int | float) and not isinstance(got, bool)
        if number and (isinstance(item, bool) or (isinstance(item, str) and _is_number(item))):
            yield (name,), f"must be a number (got {_shown(item)})"
        for place, text in _taken_for_numbers(item, got):
            yield (name, *place), text


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


_PLAIN_WORDS: Final = {
    "float_parsing": "must be a number",
    "float_type": "must be a number",
    "finite_number": "must be a finite number",
    "int_parsing": "must be a whole number",
    "int_type": "must be a whole number",
    "bool_type": "must be true or false",
    "string_type": "must be text in quotes",
    "string_too_short": "must not be empty",
    "string_too_long": "must have at most {max_length} characters",
    "literal_error": "must be {expected}",
    "greater_than": "must be above {gt:g}",
    "greater_than_equal": "must be {ge:g} or more",
    "less_than": "must be below {lt:g}",
    "less_than_equal": "must be {le:g} or less",
    "tuple_type": "must be a list in brackets",
    "too_short": "must have at least {min_length} entries",
    "too_long": "must have at most {max_length} entries",
}


def _refuse_constant(name: str) -> float:
    raise ValueError(f"the value {name} is not a number")
