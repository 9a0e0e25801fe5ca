"""The database file: opened, migrated, guarded, and cleaned of what was deleted.

Every write is one transaction that holds SQLite's write lock from its start (BEGIN IMMEDIATE), and is on the disk when
it returns (WAL with synchronous=FULL). Photo files are only made and removed while that lock is held; a file that no
row names is what a broken-off write left, and goes at the next opening.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import shutil
import sqlite3
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

from sqlalchemy import Connection, Engine, create_engine, delete, event, insert, select
from sqlalchemy.exc import DBAPIError, IntegrityError
from sqlalchemy.pool import QueuePool

from handcapture.errors import DocumentError, HandcaptureError, InputError, OutputError, brief
from handcapture.journal.migrations import migrate_step
from handcapture.journal.schema import APPLICATION_ID, ENTRY, PHOTO, SESSION, SETTING, VERSION

DATABASE: Final = "journal.sqlite"
PHOTOS: Final = "photos"
PAGE: Final = "page"
"""Where the page of `handcapture serve` keeps what it needs of each session, by number."""
BUSY_SECONDS: Final = 10.0
SWEEP_SECONDS: Final = 1.0
_HEADER: Final = b"SQLite format 3\0"
_BACKUP: Final = re.compile(r"journal-version-\d+\..+")
_OURS: Final = re.compile(r"[0-9a-f]{64}\.(jpg|png)|\.[0-9a-f]{64}\.(jpg|png)\.\w+\.part")
_HALF_ENTRIES: Final = """
    SELECT id FROM entry WHERE
        (kind = 'person') <> (id IN (SELECT id FROM person)) OR
        (kind = 'session') <> (id IN (SELECT id FROM session)) OR
        (kind IN ('rest', 'plan', 'panel', 'layout', 'check')) <> (id IN (SELECT id FROM document)) OR
        (kind = 'photo') <> (id IN (SELECT id FROM photo)) OR
        (kind = 'impression') <> (id IN (SELECT id FROM impression)) OR
        (kind = 'export') <> (id IN (SELECT id FROM export)) OR
        (kind = 'person') <> (owner_id IS NULL) OR
        owner_id IS NOT NULL AND owner_id NOT IN (SELECT id FROM person)
"""
"""Entries of an archive without the row of their kind, or with one of another, or without an owner."""
_WRITE: Final = {"handcapture_write": True}
_PURGE: Final = "purge"

Step = Callable[[str], None]


class Database:
    """The journal's database and its photo files. `step` is called before whatever changes the disk (for tests).

    `frozen` is for a folder that cannot be written: nothing is, no lock either.
    """

    def __init__(self, folder: Path, step: Step = lambda what: None, frozen: bool = False) -> None:
        self.folder = folder.absolute()  # the program may change its working folder meanwhile
        self.path = self.folder / DATABASE
        self.photos = self.folder / PHOTOS
        self.step = step
        self._engine = _engine(self.path, step, "ro&immutable=1" if frozen else "rw")

    def close(self) -> None:
        """Close all connections."""
        with contextlib.suppress(DBAPIError, sqlite3.Error):
            self._engine.dispose()

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a connection that sees one state of the journal."""
        with self._told(), self._engine.connect() as connection, connection.begin():
            yield connection

    @contextlib.contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give a connection in a transaction that others wait for; it is on the disk when the block ends."""
        with self._told(), self._engine.connect().execution_options(**_WRITE) as connection, connection.begin():
            yield connection

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            raise _in_words(error.orig, self.path, isinstance(error, IntegrityError)) from None
        except sqlite3.Error as error:
            raise _in_words(error, self.path) from None

    def use_log(self) -> None:
        """See that the database writes ahead into a log (WAL): readers and a writer then do not wait for each other."""
        with self._told(), self._raw() as driver:
            mode = driver.execute("PRAGMA journal_mode = WAL").fetchone()[0]
        if mode != "wal":
            raise OutputError(
                f"{self.folder} lies on a disk where the journal cannot be kept safely (no write-ahead log). Name a "
                "folder on a disk of this computer."
            )

    def version(self) -> int:
        """Return the version of the database, 0 while it holds nothing. InputError when it is another program's."""
        with self.reading() as connection:
            application = connection.exec_driver_sql("PRAGMA application_id").scalar_one()
            version = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
            tables = connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar_one()
        if application != APPLICATION_ID and (tables or application or version):
            raise InputError(
                f"{self.path} is a database of another program, not a journal. Name the folder of a journal."
            )
        return version

    def migrate(self, up_to: int = VERSION) -> None:
        """Lead the database to the newest version; one that holds something is copied beside it first."""
        version = self.version()
        if version > VERSION:
            raise DocumentError(
                f"{self.path} was written by a newer program (journal version {version}; this one reads up to "
                f"{VERSION}). Update handcapture to open it."
            )
        while version < up_to:
            with self.writing() as connection:
                # Another program may have been quicker while this one waited.
                version = int(connection.exec_driver_sql("PRAGMA user_version").scalar_one())
                if version < up_to:
                    if version > 0 and connection.execute(select(ENTRY.c.id).limit(1)).first() is not None:
                        self._back_up(version)
                    migrate_step(connection, version)
                    version += 1

    def _back_up(self, version: int) -> None:
        """Copy the database to `journal-version-N.sqlite`, whole or not at all, while nobody else may write."""
        target = self.folder / f"journal-version-{version}.sqlite"
        part = target.with_suffix(".part")
        try:
            part.unlink(missing_ok=True)
            os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            with self._told(), self._raw() as source, contextlib.closing(sqlite3.connect(part)) as copy:
                source.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
            flush(part)
            self.step("backup")
            os.replace(part, target)
            flush(self.folder)
        except HandcaptureError:
            raise
        except OSError as error:
            raise OutputError(
                f"{target} could not be written: {error.strerror or error}. The journal was left at version {version}; "
                "make room or allow writing, and open it again."
            ) from error

    @contextlib.contextmanager
    def _raw(self) -> Iterator[sqlite3.Connection]:
        connection = self._engine.raw_connection()
        try:
            driver = connection.driver_connection
            assert isinstance(driver, sqlite3.Connection)
            yield driver
        finally:
            connection.close()

    def check(self, path: Path) -> None:
        """Refuse a database, filled from the file `path`, whose rows do not belong together. InputError says so."""
        with self.reading() as connection:
            loose = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
            sound = connection.exec_driver_sql("PRAGMA integrity_check").scalar_one()
            halves = connection.exec_driver_sql(_HALF_ENTRIES).first()
        if loose is not None or sound != "ok" or halves is not None:
            raise InputError(
                f"{path} cannot be read as an archive of a journal: its rows do not belong together. Copy it again, or "
                "use another one."
            )

    def make_photos_folder(self) -> None:
        """Make the folder of the kept photos, if it is not there."""
        try:
            self.photos.mkdir(mode=0o700, exist_ok=True)
        except OSError as error:
            raise OutputError(
                f"The folder {self.photos} cannot be made: {error.strerror or error}. Check that you may write there."
            ) from error

    def store_photo(self, name: str, data: bytes) -> None:
        """Write a photo file whole, and see that it is on the disk; only while writing."""
        from handcapture.documents import write_atomically

        self.make_photos_folder()
        self.step(f"photo {name}")
        write_atomically(self.photos / name, data)
        try:
            flush(self.photos)
        except OSError as error:
            raise OutputError(
                f"The photo {name} may not have reached the disk: {error.strerror or error}. See to the disk, and keep "
                "it again."
            ) from error

    def due_for_purge(self, connection: Connection) -> None:
        """Remember, with the deletion itself, that its traces are still to be removed."""
        connection.execute(delete(SETTING).where(SETTING.c.name == _PURGE))
        connection.execute(insert(SETTING).values(name=_PURGE, value="due"))

    def sweep(self) -> bool:
        """Remove what a broken-off write or deletion left: files that no row names, traces of what was deleted.

        Return whether all of it is gone; what another program's use or missing rights keep there stays due.
        """
        with self.reading() as connection:
            due = connection.execute(select(SETTING.c.value).where(SETTING.c.name == _PURGE)).first() is not None
            stray = self._strays(connection)
        try:
            if due:
                self.purge(SWEEP_SECONDS)
            elif stray:
                with self.writing() as connection:
                    self._clear(connection)
        except OutputError:
            return False
        return True

    def _clear(self, connection: Connection) -> None:
        """Remove the strays, and the page's folders that they leave empty."""
        folders = self._page_folders(connection)
        self._remove(self._strays(connection))
        for folder in folders:
            shutil.rmtree(folder, ignore_errors=True)  # follows no links

    def _page_folders(self, connection: Connection) -> list[Path]:
        """Return the folders in which the page keeps sessions that the journal has no more."""
        known = set(connection.execute(select(SESSION.c.id)).scalars())
        return [folder for number, folder, _ in self._page_states() if number not in known]

    def page_sessions(self) -> set[int]:
        """Return the numbers of the sessions of which the page keeps something."""
        return {number for number, _, _ in self._page_states()}

    def _page_states(self) -> list[tuple[int, Path, dict[str, Any]]]:
        """Return the folders that the page wrote, with their sessions' numbers and states; others are not ours.

        A folder is the page's if a state is in it, whole or damaged. Links are none of ours, wherever they lead.
        """
        found = []
        page = self.folder / PAGE
        try:
            folders = [] if page.is_symlink() else sorted(p for p in page.iterdir() if p.name.isdecimal())
        except OSError:
            return []  # nobody has used the page
        for folder in folders:
            path = folder / "state.json"
            if folder.is_symlink() or path.is_symlink() or not path.is_file():
                continue
            state: object = None
            with contextlib.suppress(OSError, ValueError, RecursionError):
                state = json.loads(path.read_bytes())
            found.append((int(folder.name), folder, state if isinstance(state, dict) else {}))
        return found

    def remove_page_pictures(self, number: int) -> None:
        """Remove what the page drew of a photo, and measured in it."""
        left = []
        for _, folder, state in self._page_states():
            photos = state.get("photos")
            for photo in photos if isinstance(photos, list) else []:
                if isinstance(photo, dict) and photo.get("number") == number and isinstance(photo.get("id"), int):
                    names = ("{}.jpg", "{}.json", "square_{}.jpg", "square_{}.json")
                    left += [folder / name.format(photo["id"]) for name in names]
        self._remove([path for path in left if path.is_file() and not path.is_symlink()])

    def _strays(self, connection: Connection) -> list[Path]:
        """Return the files of deleted sessions that the page kept, and the photos that no row names; no others."""
        left = [path for folder in self._page_folders(connection) for path in _files_in(folder)]
        return [*left, *self._stray_photos(connection)]

    def _stray_photos(self, connection: Connection) -> list[Path]:
        """Return the files in the photos' folder that no row names; files that are not ours are left alone."""
        if self.photos.is_symlink():
            return []  # another folder's files are not ours to remove
        try:
            present = {name for name in os.listdir(self.photos) if _OURS.fullmatch(name)}
        except FileNotFoundError:
            return []
        except OSError as error:
            raise InputError(f"The folder {self.photos} cannot be read: {error.strerror or error}.") from None
        named = set(connection.execute(select(PHOTO.c.file).where(PHOTO.c.file.is_not(None)).distinct()).scalars())
        return [self.photos / name for name in sorted(present - named)]

    def _remove(self, paths: list[Path]) -> None:
        for path in paths:
            self.step(f"remove {path.name}")
            try:
                with contextlib.suppress(FileNotFoundError):
                    _overwrite(path)
                    path.unlink()
            except OSError as error:
                raise OutputError(
                    f"{path} could not be removed: {error.strerror or error}. It belongs to nothing that is kept; "
                    "allow writing there, and open the journal again."
                ) from error

    def purge(self, wait_seconds: float | None = None) -> None:
        """Remove every trace of what was deleted: photo files, copies of older versions, free pages, the log.

        OutputError when another program holds the journal for `wait_seconds`; the next opening then does it.
        """
        wait_ms = round(1000 * (BUSY_SECONDS if wait_seconds is None else wait_seconds))
        with self.writing() as connection:
            self._clear(connection)
            self._remove([p for p in sorted(self.folder.iterdir()) if _BACKUP.fullmatch(p.name)])
        with self._told(), self._raw() as driver:
            driver.execute(f"PRAGMA busy_timeout = {wait_ms}")
            try:
                self.step("vacuum")
                driver.execute("VACUUM")
                self.step("checkpoint")
                busy = driver.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
            finally:
                driver.execute(f"PRAGMA busy_timeout = {round(1000 * BUSY_SECONDS)}")
        if busy:
            raise OutputError(f"{self.path} is in use by another program, which keeps its log. Close that program.")
        with self.writing() as connection:
            connection.execute(delete(SETTING).where(SETTING.c.name == _PURGE))


def _files_in(folder: Path) -> list[Path]:
    """Return the files below one of the page's folders, through no link."""
    found = []
    for place, _, names in os.walk(folder, followlinks=False):
        found += [Path(place) / name for name in sorted(names) if not (Path(place) / name).is_symlink()]
    # The state last: while it is there, what a broken-off removal left is known for the page's.
    return sorted(found, key=lambda path: path == folder / "state.json")


def _overwrite(path: Path) -> None:
    """Overwrite a file, since unlinking leaves its blocks as they are; not one with other names, in a backup say."""
    told = path.lstat()
    if not stat.S_ISREG(told.st_mode) or told.st_nlink > 1:
        return
    handle = os.open(path, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0))
    with os.fdopen(handle, "r+b") as file:
        file.write(bytes(told.st_size))
        file.flush()
        os.fsync(file.fileno())


def _engine(path: Path, step: Step, mode: str) -> Engine:
    address = f"{path.absolute().as_uri()}?mode={mode}"

    def connect() -> sqlite3.Connection:
        # Without the driver's own transactions: they would not cover changes of tables.
        connection = sqlite3.connect(
            address, uri=True, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False
        )
        for pragma in ("foreign_keys = ON", "synchronous = FULL", "secure_delete = ON", "temp_store = MEMORY"):
            connection.execute(f"PRAGMA {pragma}")
        connection.execute("PRAGMA trusted_schema = OFF")
        return connection

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        write = connection.get_execution_options().get("handcapture_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    @event.listens_for(engine, "before_cursor_execute")
    def _statement(_: Any, __: Any, statement: str, *___: Any) -> None:
        step(statement)

    @event.listens_for(engine, "commit")
    def _commit(_: Connection) -> None:
        step("commit")

    return engine


def create(folder: Path) -> None:
    """Make the folder, unless it is there, and an empty database in it, unless one is there."""
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        handle = os.open(folder / DATABASE, os.O_CREAT | os.O_RDWR, 0o600)
        os.close(handle)
        flush(folder)
    except FileNotFoundError:
        raise InputError(f"The folder {folder.parent} does not exist. Make it first, or name another one.") from None
    except OSError as error:
        raise OutputError(
            f"No journal can be made in {folder}: {error.strerror or error}. Name a folder that you may write to."
        ) from error


def check_file(folder: Path, reading: bool = False) -> bool:
    """Refuse a folder without a journal in it, or one that cannot be written, before SQLite sees it.

    For `reading`, one that cannot be written will do. Return whether it can.
    """
    path = folder / DATABASE
    hint = f"Make one with handcapture journal init {folder}, or name the folder of one."
    try:
        if not folder.exists():
            raise InputError(f"The folder {folder} does not exist. {hint}")
        if not folder.is_dir():
            raise InputError(f"{folder} is a file, but the folder of a journal was expected. Name such a folder.")
        if not path.exists():
            raise InputError(f"{folder} holds no journal (no {DATABASE}). {hint}")
        if not path.is_file():  # to read from it might never end
            raise InputError(f"{path} is no file, but a folder, a pipe or a device. Restore it from an archive.")
        linked = next((name for name in (DATABASE, PHOTOS, PAGE) if (folder / name).is_symlink()), None)
        if linked is not None:
            raise InputError(
                f"{folder / linked} is a link to another place. A journal holds what is its own in its own folder, or "
                "it could not delete it: move it there."
            )
        with path.open("rb") as file:
            start = file.read(len(_HEADER))
    except HandcaptureError:
        raise
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}.") from None
    if start and start != _HEADER:
        raise InputError(
            f"{path} is no journal: it is not a database. Restore it from an archive with handcapture journal import."
        )
    if os.access(folder, os.W_OK) and os.access(path, os.W_OK):
        return True
    log = path.with_name(f"{DATABASE}-wal")
    if reading and log.exists() and log.stat().st_size:
        raise InputError(
            f"The journal in {folder} is read-only, but its last changes lie beside it in {log.name}. Copy the folder "
            "to where you may write, and read it there."
        )
    if not reading:
        raise OutputError(
            f"The journal in {folder} cannot be written: the folder or {DATABASE} is read-only. Allow writing, or copy "
            "the folder to where you may write."
        )
    return False


def flush(path: Path) -> None:
    """See that a file, or the names in a folder, are on the disk."""
    with contextlib.suppress(PermissionError):  # some systems do not open folders
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        except OSError as error:
            if error.errno != errno.EBADF:  # Windows flushes what is open for writing only
                raise
        finally:
            os.close(handle)


def read_photo_file(path: Path) -> bytes:
    """Return a kept photo. InputError when it is not there."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise InputError(
            f"The kept photo {path} cannot be read: {error.strerror or error}. Restore it from an archive."
        ) from None


def _in_words(error: BaseException | None, path: Path, integrity: bool = False) -> HandcaptureError:
    """Return the one sentence for what SQLite says."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = code & 0xFF if isinstance(code, int) else None
    told = brief(error) if error is not None else "unknown"
    if integrity or primary == sqlite3.SQLITE_CONSTRAINT:
        return InputError(
            f"{path}: what this belongs to was changed or deleted meanwhile. Nothing was written; look with "
            "handcapture journal list, and try again."
        )
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return OutputError(
            f"{path} has been in use by another program for {BUSY_SECONDS:.0f} s. Nothing was written; try again when "
            "it is done."
        )
    if primary == sqlite3.SQLITE_FULL:
        return OutputError(f"{path} could not be written: the disk is full. Nothing was changed; make room.")
    if primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return OutputError(
            f"{path} could not be opened or written. Nothing was changed; check that the folder exists and that you "
            "may write to it."
        )
    if primary == sqlite3.SQLITE_IOERR:
        return OutputError(
            f"{path} could not be read or written: {told}. Nothing was changed; check that the disk is not full and "
            "sound."
        )
    if primary in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
        return InputError(
            f"{path} is no journal, or damaged ({told}). Restore it from an archive with handcapture journal import."
        )
    return InputError(f"{path} cannot be used as a journal ({told}). Restore it from an archive.")
