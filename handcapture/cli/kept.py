"""The journal behind every command: entries as inputs (entry:12), and what a command used kept under a person."""

from __future__ import annotations

import contextlib
import errno
import functools
import os
import re
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from handcapture.errors import HandcaptureError, InputError, OutputError

if TYPE_CHECKING:
    from handcapture.journal.store import Journal
    from handcapture.photo import Photo

ENTRIES: Final = "handcapture.entries"
"""Where a command's context keeps what the user called the files that entries were put into."""
FOLDER_VARIABLE: Final = "HANDCAPTURE_JOURNAL"
_ORIGINALS: Final = "handcapture.originals"
_ENTRY: Final = re.compile(r"entry:([0-9]{1,9})")
_DRAWN: Final = (".dxf", ".svg", ".csv", ".pdf", ".html", ".jpg", ".png")


def _refuse_unusable(kind: click.Path, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> None:
    """Refuse a name that no file can have, and an empty one: most likely a variable of the shell that is not set."""
    if value == "":
        kind.fail("the name is empty. Name a file or a folder ('.' is this one).", param, ctx)
    try:
        os.lstat(value)
    except ValueError:
        kind.fail("the name holds a zero byte. Name a file or a folder.", param, ctx)
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            kind.fail(f"the name {str(value)[:40]!r}... is longer than a disk takes. Shorten it.", param, ctx)


class FileOrEntry(click.Path):
    """A path; `entry:12` stands for what the journal keeps under that number.

    Of a document a file is made for as long as it is needed. A photo's copy is read where it lies: no other is made,
    which might be left behind where a command is killed.
    """

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a path. InputError for an entry that has no file; a usage error for a name that is empty."""
        _refuse_unusable(self, value, param, ctx)
        found = _ENTRY.fullmatch(value) if isinstance(value, str) else None
        if found is None or ctx is None:
            return super().convert(value, param, ctx)
        number = int(found[1])
        with _opened(ctx, reading=True) as kept:
            entry = kept.show(number)
            if entry.kind == "photo":
                path = kept.photo_file(number)
                _note(ctx, path, value, entry)
                return path
            data, suffix = kept.content(number)
        folder = Path(ctx.with_resource(_folder_for_a_while()))
        name = Path(getattr(entry, "name", "") or f"entry_{number}")
        path = folder / (safe_stem(name.stem) + suffix)
        try:
            path.write_bytes(data)
        except OSError as error:
            raise OutputError(f"{value} cannot be put into {folder}: {error.strerror or error}. Make room.") from None
        _note(ctx, path, value, entry)
        return path


def safe_stem(stem: str) -> str:
    """Return what of a name from another machine this one's disk surely takes."""
    return re.sub(r"[^\w. ()-]", "_", stem)[:60]


def _note(ctx: click.Context, path: Path, called: str, entry: Any) -> None:
    """Remember what the user called a file of the journal, and the photo whose copy it is."""
    name = getattr(entry, "name", "") or path.name
    ctx.meta.setdefault(ENTRIES, {})[str(path)] = f"{called} ({name})"
    if entry.kind == "photo":
        ctx.meta.setdefault(_ORIGINALS, {})[str(path)] = entry


def read_picture(path: Path) -> Photo:
    """Read a photo as `read_photo` does; a journal's copy under the name, hash and time of its original.

    By these measurements know it; the copy itself, without personal data, has another hash.
    """
    from handcapture.photo import read_photo

    photo = read_photo(path)
    ctx = click.get_current_context(silent=True)
    entry = None if ctx is None else ctx.meta.get(_ORIGINALS, {}).get(str(path))
    if entry is None:
        return photo
    return replace(photo, name=entry.name, sha256=entry.sha256, captured_at=entry.captured_at)


def file_name(path: Path) -> str:
    """Return a photo's file name; of a journal's copy, that of its original."""
    ctx = click.get_current_context(silent=True)
    entry = None if ctx is None else ctx.meta.get(_ORIGINALS, {}).get(str(path))
    return path.name if entry is None else str(entry.name)


class NewFile(click.Path):
    """A path to write to: no entry, since what the journal keeps never changes."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return a path. InputError for an entry; a usage error for a name that is empty."""
        _refuse_unusable(self, value, param, ctx)
        if isinstance(value, str) and _ENTRY.fullmatch(value):
            raise InputError(
                f"{value} cannot be written: entries of the journal stay as they are. Name a file; --keep before the "
                "command keeps it as a new entry."
            )
        return super().convert(value, param, ctx)


@contextlib.contextmanager
def _folder_for_a_while() -> Iterator[str]:
    try:
        folder = tempfile.TemporaryDirectory(prefix="handcapture-")
    except OSError as error:
        raise OutputError(
            f"No folder can be made for what comes from the journal: {error.strerror or error}. Make room on the disk "
            "of temporary files."
        ) from None
    with folder as name:
        yield name


@contextlib.contextmanager
def _opened(ctx: click.Context, reading: bool = False) -> Iterator[Journal]:
    from handcapture.journal.store import open_journal

    folder = ctx.find_root().params.get("journal_folder")
    if folder is None:
        raise InputError(
            f"Which journal? Name its folder with --journal before the command, or set {FOLDER_VARIABLE}. A new one is "
            "made with handcapture journal init FOLDER."
        )
    with open_journal(folder, reading=reading) as kept:
        yield kept


def keeping(command: click.Command) -> click.Command:
    """Let a command keep the documents and photos it used and wrote, where --keep names a person."""
    plain = command.callback
    assert plain is not None

    @functools.wraps(plain)
    def callback(*arguments: Any, **values: Any) -> Any:
        ctx = click.get_current_context()
        wishes = ctx.find_root().params
        nickname = wishes.get("keep")
        if nickname is None:
            return plain(*arguments, **values)
        with _opened(ctx) as kept:
            kept.person(nickname)  # before any work: a person who is not there is told at once
        result = plain(*arguments, **values)
        # What came from the journal is in it, perhaps as another person's.
        from_journal = ctx.meta.get(ENTRIES, {})
        files = [path for path in _files(values.values()) if str(path) not in from_journal]
        _keep(ctx, nickname, bool(wishes.get("keep_photos")), files)
        return result

    command.callback = callback
    return command


def _files(values: Iterable[Any]) -> Iterator[Path]:
    """Yield the files among a command's values."""
    for value in values:
        if isinstance(value, Path) and value.is_file():
            yield value
        elif isinstance(value, tuple | list):
            yield from _files(value)


def _keep(ctx: click.Context, nickname: str, keep_photos: bool, files: list[Path]) -> None:
    """Add what the journal has a place for to the person's session of today, and note the drawings by their hash."""
    from handcapture.journal.incoming import read_incoming

    usable = []
    for path in dict.fromkeys(files):
        with contextlib.suppress(HandcaptureError):
            read_incoming(path)
            usable.append(path)
    drawn = [path for path in dict.fromkeys(files) if path not in usable and path.suffix.lower() in _DRAWN]
    with _opened(ctx) as kept:
        today = date.today().isoformat()
        session = next((s.id for s in reversed(kept.sessions(nickname)) if s.day == today), None)
        day = today if session is None else None
        added = kept.add_files(nickname, usable, session, keep_photos, day) if usable else None
        entries = [] if added is None else [*added.new, *added.known]
        layout = next((entry.id for entry in entries if entry.kind == "layout"), None)
        if layout is not None:
            for path in drawn:
                kept.add_export(layout, path)
    if not (ctx.params.get("as_json") or ctx.meta.get("handcapture.json")):
        told = ", ".join(f"{entry.kind} {entry.id}" for entry in entries) or "nothing"
        click.echo(f"\n  Kept for {nickname}: {told}.")
