"""The whole journal as one file: a zip archive with a manifest of all rows, the documents and the kept photos.

    manifest.jsonl             first line: schema and number of rows; then one row of one table a line, in fixed order
    documents/<sha256>.json    or .toml: every document once, byte for byte as it was added
    photos/<sha256>.jpg        or .png: every kept copy once

Members are stored uncompressed, in order of name, without times: the same journal gives the same bytes on every
machine, and no member can swell when it is read. Records of archives are left out, so that writing one changes nothing.
Reading trusts nothing: names must be the ones above, contents must have their hashes, rows must satisfy the database,
documents their readers.
"""

from __future__ import annotations

import contextlib
import glob
import hashlib
import json
import os
import re
import shutil
import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, MetaData, Table, insert, select

from handcapture.errors import DocumentError, HandcaptureError, InputError, OutputError, brief
from handcapture.journal import database as files
from handcapture.journal.database import Database, read_photo_file
from handcapture.journal.incoming import MOST_DOCUMENT_BYTES, read_document
from handcapture.journal.records import DOCUMENT_KINDS
from handcapture.journal.schema import ARCHIVED, DOCUMENT, ENTRY, EXPORT, METADATA, PHOTO, VERSION, document_suffix
from handcapture.journal.words import is_nickname

KIND: Final = "handcapture.journal"
MANIFEST: Final = "manifest.jsonl"
MOST_MANIFEST_BYTES: Final = 100_000_000
MOST_PHOTO_BYTES: Final = 300_000_000
_MEMBER: Final = re.compile(r"documents/[0-9a-f]{64}\.(json|toml)|photos/[0-9a-f]{64}\.(jpg|png)")
_HIGHEST_ID: Final = 10**12
"""Numbers of entries are never given twice: from here on they would run out."""
_NO_TIME: Final = (1980, 1, 1, 0, 0, 0)
_TEXT_TYPES: Final = (int, float, str, type(None))


def write_archive(connection: Connection, photos: Path, path: Path) -> tuple[str, int]:
    """Write the archive, whole or not at all; return its SHA-256 and size in bytes.

    `connection` keeps others from changing the journal meanwhile. InputError when a kept photo is missing or damaged,
    OutputError when the archive cannot be written.
    """
    members: dict[str, int | Path | None] = {MANIFEST: None}
    for row in connection.execute(
        select(DOCUMENT.c.id, DOCUMENT.c.sha256, ENTRY.c.kind).join(ENTRY, ENTRY.c.id == DOCUMENT.c.id)
    ):
        members[f"documents/{row.sha256}{document_suffix(row.kind)}"] = row.id
    for file in connection.execute(select(PHOTO.c.file).where(PHOTO.c.file.is_not(None)).distinct()).scalars():
        members[f"photos/{file}"] = photos / file

    def content(name: str) -> bytes:
        source = members[name]
        if source is None:
            return b"".join(_manifest(connection))
        if isinstance(source, Path):
            data = read_photo_file(source)
        else:
            data = connection.execute(select(DOCUMENT.c.content).where(DOCUMENT.c.id == source)).scalar_one().encode()
        if hashlib.sha256(data).hexdigest() != _stem(name):
            raise InputError(
                f"{name} in the journal's folder is damaged: its hash is another. Nothing was written; restore it from "
                "an archive."
            )
        return data

    with _whole_or_not(path) as temporary:
        with zipfile.ZipFile(temporary, "w", zipfile.ZIP_STORED) as archive:
            for name in sorted(members):
                info = zipfile.ZipInfo(name, _NO_TIME)
                info.create_system = 3
                info.external_attr = 0o600 << 16
                archive.writestr(info, content(name))
        with open(temporary, "rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
            size = file.tell()
    return digest, size


@contextlib.contextmanager
def _whole_or_not(path: Path) -> Iterator[str]:
    """Give the name of a neighbouring file that becomes `path` when all went well: `write_atomically` for big files."""
    temporary: str | None = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        os.close(handle)
        yield temporary
        with open(temporary, "rb+") as file:
            os.fsync(file.fileno())
        os.replace(temporary, path)
        temporary = None
        with contextlib.suppress(OSError):  # the archive is there; only that the folder knows of it may be lost
            files.flush(path.parent)
    except HandcaptureError:
        raise
    except OSError as error:
        raise OutputError(
            f"{path} could not be written: {error.strerror or error}. Nothing was changed there; check that the folder "
            "exists, that you may write to it and that the disk is not full."
        ) from error
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)


def _manifest(connection: Connection) -> Iterator[bytes]:
    lines: list[bytes] = []
    for name in ARCHIVED:
        table = METADATA.tables[name]
        columns = [column for column in table.c if not (name == "document" and column.name == "content")]
        wanted = select(*columns).order_by(*table.primary_key.columns)
        if name == "entry":
            wanted = wanted.where((table.c.kind != "export") | table.c.owner_id.is_not(None))
        if name == "export":
            wanted = wanted.where(EXPORT.c.item_id.is_not(None))
        lines += (_line({"table": name, **row._mapping}) for row in connection.execute(wanted))
    yield _line({"schema": f"{KIND}/{VERSION}", "rows": len(lines)})
    yield from lines


def _line(row: dict[str, Any]) -> bytes:
    return (json.dumps(row, ensure_ascii=False, sort_keys=True, separators=(",", ":")) + "\n").encode()


def _stem(name: str) -> str:
    return name.partition("/")[2].partition(".")[0]


def read_archive(path: Path, folder: Path) -> None:
    """Make the journal of an archive in `folder`, which must be new or empty: whole or not at all.

    InputError when the archive is damaged, cut short or none, DocumentError when it is of a newer version.
    """
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise InputError(f"{folder} is there already and not empty. Name a new folder to read the archive into.")
        if not folder.parent.is_dir():
            raise InputError(f"The folder {folder.parent} does not exist. Make it first, or name another one.")
    except OSError as error:
        raise InputError(f"{folder} cannot be used: {error.strerror or error}. Name another folder.") from None
    # What a reading that was killed left behind holds photographs of hands, and is of no use to anyone.
    for left in folder.parent.glob(f".{glob.escape(folder.name)}.*.part"):
        shutil.rmtree(left, ignore_errors=True)
    try:
        part = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".part", dir=folder.parent))
    except OSError as error:
        raise OutputError(
            f"No folder can be made in {folder.parent}: {error.strerror or error}. Name one that you may write to."
        ) from error
    try:
        _fill(path, part)
        with contextlib.suppress(OSError):
            folder.rmdir()  # an empty one, which Windows does not replace
        os.replace(part, folder)
        files.flush(folder.parent)
    except HandcaptureError:
        raise
    except OSError as error:
        raise OutputError(
            f"{folder} could not be written: {error.strerror or error}. Nothing was changed there; check that the disk "
            "is not full."
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _fill(path: Path, part: Path) -> None:
    with _opened(path) as archive:
        infos = {info.filename: info for info in archive.infolist()}
        _check_members(archive, infos, path)
        version, rows = _rows(_content(archive, infos[MANIFEST], path), path)
        _check_complete(rows, set(infos), path)
        files.create(part)
        database = Database(part)
        try:
            database.use_log()
            database.migrate(version)
            database.make_photos_folder()
            _put_rows(database, rows, archive, infos, path)
            for name in sorted(infos):
                if name.startswith("photos/"):
                    _store_photo(database, name, _content(archive, infos[name], path), path)
            database.check(path)
            database.migrate()
        finally:
            database.close()
    for backup in part.glob("journal-version-*"):
        backup.unlink()  # the archive is the copy


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        if path.is_dir():
            raise InputError(f"{path} is a folder, but an archive (.zip) was expected. Name a file.")
        if path.exists() and not path.is_file():  # to read from it might never end
            raise InputError(f"{path} is a pipe or a device, but an archive (.zip) was expected. Name a file.")
        archive = zipfile.ZipFile(path)
    except InputError:
        raise
    except FileNotFoundError:
        raise InputError(f"{path} does not exist. Check the name and the folder.") from None
    except PermissionError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}.") from None
    except Exception as error:  # zipfile raises many kinds
        raise _damaged(path, f"it is no whole zip file ({brief(error)})") from None
    with archive:
        yield archive


def _damaged(path: Path, what: str) -> InputError:
    return InputError(f"{path} cannot be read as an archive of a journal: {what}. Copy it again, or use another one.")


def _check_members(archive: zipfile.ZipFile, infos: dict[str, zipfile.ZipInfo], path: Path) -> None:
    """Refuse names, sizes and packing that no archive of ours has, before anything is read."""
    if len(infos) < len(archive.infolist()):
        raise _damaged(path, "two of its members have the same name")
    if MANIFEST not in infos:
        raise _damaged(path, f"it holds no {MANIFEST}")
    for name, info in infos.items():
        if name != MANIFEST and not _MEMBER.fullmatch(name):
            raise _damaged(path, f"it holds a member that does not belong in it ({name[:80]!r})")
        if info.compress_type != zipfile.ZIP_STORED or info.flag_bits & 0x1 or info.file_size != info.compress_size:
            raise _damaged(path, f"{name} is packed or encrypted, which handcapture never does")
        most = MOST_MANIFEST_BYTES if name == MANIFEST else MOST_PHOTO_BYTES
        if info.file_size > (MOST_DOCUMENT_BYTES if name.startswith("documents/") else most):
            raise _damaged(path, f"{name} claims {info.file_size / 1e6:.0f} MB, more than it may have")
    if sum(info.file_size for info in infos.values()) > path.stat().st_size:
        raise _damaged(path, "its members claim more bytes than the file has")


def _content(archive: zipfile.ZipFile, info: zipfile.ZipInfo, path: Path) -> bytes:
    try:
        data = archive.read(info)
    except Exception as error:  # zipfile raises many kinds
        raise _damaged(path, f"{info.filename} cannot be read ({brief(error)})") from None
    if len(data) != info.file_size:
        raise _damaged(path, f"{info.filename} is cut short")
    if info.filename != MANIFEST and hashlib.sha256(data).hexdigest() != _stem(info.filename):
        raise _damaged(path, f"{info.filename} does not have the content that its name promises")
    return data


def _rows(manifest: bytes, path: Path) -> tuple[int, list[dict[str, Any]]]:
    """Return the version of the archive and its rows. DocumentError when a newer program wrote it."""
    # Not splitlines: that also splits at characters which stand within a line of JSON. One by one, so that what is no
    # manifest is refused before all of it lies in memory, many times as large.
    lines = manifest.split(b"\n")[:-1]
    head = _parsed(lines[0], path) if lines else None
    schema = head.get("schema") if isinstance(head, dict) else None
    name, _, number = schema.rpartition("/") if isinstance(schema, str) else ("", "", "")
    if name != KIND or not re.fullmatch("[1-9][0-9]{0,8}", number):
        raise _damaged(path, f"its manifest does not begin with the schema {KIND}/{VERSION}")
    if int(number) > VERSION:
        raise DocumentError(
            f"{path} was written by a newer program (schema {schema}; this one reads up to {KIND}/{VERSION}). Update "
            "handcapture to read it."
        )
    if not isinstance(head, dict) or head.get("rows") != len(lines) - 1:
        raise _damaged(path, "its manifest does not have as many rows as it says")
    rows = []
    for line in lines[1:]:
        row = _parsed(line, path)
        if not isinstance(row, dict) or row.get("table") not in ARCHIVED:
            raise _damaged(path, "its manifest holds something that is no row of a journal")
        rows.append(row)
    return int(number), rows


def _parsed(line: bytes, path: Path) -> Any:
    try:
        return json.loads(line.decode())
    except (ValueError, RecursionError) as error:
        raise _damaged(path, f"its manifest is no list of JSON lines ({brief(error)})") from None


def _check_complete(rows: list[dict[str, Any]], names: set[str], path: Path) -> None:
    """Refuse an archive that holds other documents or photos than its rows name."""
    kinds = _kinds(rows)
    wanted = {MANIFEST}
    for row in _of(rows, "document"):
        number = row.get("id")
        kind = kinds.get(number) if isinstance(number, int) else None
        if kind not in DOCUMENT_KINDS:
            raise _damaged(path, f"its document {number} is of no kind")
        wanted.add(f"documents/{row.get('sha256')}{document_suffix(kind)}")
    wanted |= {f"photos/{row['file']}" for row in _of(rows, "photo") if row.get("file") is not None}
    if missing := sorted(wanted - names):
        raise _damaged(path, f"{missing[0][:80]} is missing")
    if strange := sorted(names - wanted):
        raise _damaged(path, f"it holds a member that no row names ({strange[0]})")


def _kinds(rows: list[dict[str, Any]]) -> dict[int, Any]:
    """Return the kinds of entries by number, of rows that are not checked yet."""
    return {row["id"]: row.get("kind") for row in _of(rows, "entry") if isinstance(row.get("id"), int)}


def _of(rows: list[dict[str, Any]], table: str) -> list[dict[str, Any]]:
    return [row for row in rows if row["table"] == table]


def _put_rows(
    database: Database,
    rows: list[dict[str, Any]],
    archive: zipfile.ZipFile,
    infos: dict[str, zipfile.ZipInfo],
    path: Path,
) -> None:
    """Insert all rows as the tables of the archive's version have them."""
    kinds = _kinds(rows)
    with database.writing() as connection:
        tables = MetaData()
        tables.reflect(connection)
        # Rows point to each other by number; all of them are checked when the transaction ends.
        connection.exec_driver_sql("PRAGMA defer_foreign_keys = ON")
        for row in rows:
            if row["table"] == "person" and not is_nickname(row.get("nickname"), row.get("nickname_key")):
                raise _damaged(path, "a nickname in it is none that handcapture takes")
            table = tables.tables.get(row["table"])
            values = {name: value for name, value in row.items() if name != "table"}
            if table is None or not _fits(table, values):
                raise _damaged(path, f"a row of its manifest has other columns or values than {row['table']} has")
            if table.name == "document":
                name = f"documents/{values['sha256']}{document_suffix(kinds[values['id']])}"
                values["content"] = _document(database.folder, name, kinds[values["id"]], archive, infos, path)
            try:
                connection.execute(insert(table).values(**values))
            except InputError:
                raise
            except Exception as error:  # SQLite's checks of values
                told = f"a row of {table.name} breaks the rules of a journal ({_first_line(error)})"
                raise _damaged(path, told) from None
        if connection.exec_driver_sql("PRAGMA foreign_key_check").first() is not None:
            raise _damaged(path, "a row of its manifest points to one that is not there")


def _fits(table: Table, values: dict[str, Any]) -> bool:
    columns = {column.name for column in table.c} - ({"content"} if table.name == "document" else set())
    if set(values) != columns or not all(type(value) in _TEXT_TYPES for value in values.values()):
        return False
    keys = [value for name, value in values.items() if name == "id" or name.endswith("_id")]
    if not all(value is None or (isinstance(value, int) and 1 <= value <= _HIGHEST_ID) for value in keys):
        return False
    numbers = [value for value in values.values() if isinstance(value, int)]
    texts = [value for value in values.values() if isinstance(value, str)]
    return all(abs(number) < 2**63 for number in numbers) and all(_is_text(text) for text in texts)


def _is_text(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return "\0" not in text


def _first_line(error: Exception) -> str:
    return str(getattr(error, "orig", error)).splitlines()[0]


def _document(
    folder: Path, name: str, kind: Any, archive: zipfile.ZipFile, infos: dict[str, zipfile.ZipInfo], path: Path
) -> str:
    """Return the content of a document that its reader accepts."""
    data = _content(archive, infos[name], path)
    file = folder / name.partition("/")[2]
    file.write_bytes(data)
    try:
        return read_document(file, kind, data).content
    except InputError as error:
        told = str(error).replace(str(file), name).splitlines()
        raise _damaged(path, " ".join(told).rstrip(".")) from None
    finally:
        file.unlink()


def _store_photo(database: Database, name: str, data: bytes, path: Path) -> None:
    file = name.partition("/")[2]
    if not data.startswith((b"\xff\xd8\xff", b"\x89PNG")):
        raise _damaged(path, f"{name} is no photo")
    database.store_photo(file, data)
