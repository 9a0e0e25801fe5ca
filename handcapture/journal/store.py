"""The journal itself: what may be put in, asked and taken out.

    with open_journal(folder, create=True) as journal:
        journal.add_person("Mara")
        added = journal.add_files("Mara", [Path("rest.json"), Path("one.jpg")], keep_photos=True)

Every call is one transaction, and on the disk when it returns. What comes out are frozen records. A journal may be open
in several programs at once; writers wait for each other.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Final, TypeVar

from sqlalchemy import Connection, LargeBinary, Row, Select, Table, delete, exists, func, insert, select, update

from handcapture.documents import plain_text, write_atomically
from handcapture.errors import HandcaptureError, InputError, OutputError
from handcapture.journal import database as files
from handcapture.journal import removal
from handcapture.journal.archive import write_archive
from handcapture.journal.database import Database, Step, read_photo_file
from handcapture.journal.incoming import IncomingDocument, IncomingPhoto, read_document, read_incoming
from handcapture.journal.records import (
    DOCUMENT_KINDS,
    HANDEDNESS,
    Added,
    AnyEntry,
    Deleted,
    Document,
    DocumentKind,
    Entry,
    Export,
    Handedness,
    Impression,
    Kind,
    Person,
    Photo,
    PlacementRecord,
    Session,
)
from handcapture.journal.schema import (
    COMFORT,
    DOCUMENT,
    ENTRY,
    EXPORT,
    IMPRESSION,
    PERSON,
    PHOTO,
    PLACEMENT,
    PLACEMENT_PHOTO,
    SESSION,
    SESSION_ITEM,
    TAG,
    VERSION,
    document_suffix,
)
from handcapture.journal.words import (
    LONGEST_TEXT,
    alike_key,
    checked_nickname,
    checked_tag,
    checked_tags,
    checked_text,
    checked_title,
    clean,
)

EntryT = TypeVar("EntryT", bound=Entry)

COMFORT_MARKS: Final = (1, 2, 3, 4, 5)


@contextlib.contextmanager
def open_journal(
    folder: Path, create: bool = False, step: Step = lambda what: None, reading: bool = False
) -> Iterator[Journal]:
    """Open the journal in a folder; `create` makes it where there is none. For `reading` it may be read-only.

    An older journal is copied beside itself and brought up to date. InputError when there is none or it is none,
    DocumentError when a newer program wrote it, OutputError when it cannot be written. `step` is for tests: called with
    a word or statement before everything that may change the disk.
    """
    if create:
        files.create(folder)
    writable = files.check_file(folder, reading)
    database = Database(folder, step, frozen=not writable)
    try:
        version = database.version()
        if not writable and version != VERSION:
            raise InputError(
                f"The journal in {folder} is of another version and would have to be changed to be read, but it is "
                "read-only. Copy the folder to where you may write."
            )
        if version == 0 and not create:
            raise InputError(
                f"{database.path} holds no journal: it is empty. Make one with handcapture journal init {folder}."
            )
        if not writable:
            yield Journal(database)
            return
        database.use_log()
        database.migrate()
        database.make_photos_folder()
        yield Journal(database, clean=database.sweep())
    finally:
        database.close()


class Journal:
    """An open journal: see `open_journal`."""

    def __init__(self, database: Database, clean: bool = True) -> None:
        self._database = database
        self._clean = clean

    @property
    def folder(self) -> Path:
        """The journal's folder."""
        return self._database.folder

    @property
    def traces_remain(self) -> bool:
        """Tell whether traces of what was deleted could not be removed when the journal was opened."""
        return not self._clean

    # People

    def add_person(
        self,
        nickname: str,
        handedness: Handedness | None = None,
        shoulder_breadth_mm: float | None = None,
        note: str = "",
    ) -> Person:
        """Add a person. InputError when the nickname is taken, upper and lower case being alike, or is no name."""
        shown = checked_nickname(nickname)
        text = checked_text(note, "The note")
        if handedness is not None and handedness not in HANDEDNESS:
            raise InputError(f'Handedness "{handedness}": give left, right or both.')
        if shoulder_breadth_mm is not None and not 100.0 <= shoulder_breadth_mm <= 1000.0:
            raise InputError(f"A shoulder breadth of {shoulder_breadth_mm:g} mm: give 100 to 1000 mm.")
        with self._database.writing() as connection:
            taken = connection.execute(
                select(PERSON.c.nickname).where(PERSON.c.nickname_key == alike_key(shown))
            ).scalar()
            if taken is not None:
                raise InputError(f"There is a person with the nickname {taken} already. Choose another one.")
            person = _new_entry(connection, "person", None, text)
            connection.execute(
                insert(PERSON).values(
                    id=person,
                    nickname=shown,
                    nickname_key=alike_key(shown),
                    handedness=handedness,
                    shoulder_breadth_mm=shoulder_breadth_mm,
                )
            )
            return _one(connection, person, Person)

    def people(self) -> tuple[Person, ...]:
        """Return all people, by nickname."""
        with self._database.reading() as connection:
            numbers = connection.execute(select(PERSON.c.id).order_by(PERSON.c.nickname_key)).scalars().all()
            return tuple(_one(connection, number, Person) for number in numbers)

    def person(self, nickname: str) -> Person:
        """Return a person. InputError when there is none of that nickname."""
        with self._database.reading() as connection:
            return _one(connection, _person_id(connection, nickname), Person)

    def delete_person(self, nickname: str) -> Deleted:
        """Delete a person with all that belongs to them, and every trace of it in the journal's folder.

        Copies that earlier migrations left are deleted too, since they hold the person. Kept photos that others have
        too stay. OutputError when the traces cannot be removed, because another program holds the journal, say: the
        rows are gone then, and the traces go when it is opened next. What a disk keeps of blocks that were overwritten
        is out of reach.
        """
        with self._database.writing() as connection:
            number = _person_id(connection, nickname)
            told = _belongings(connection, number)
            connection.execute(delete(ENTRY).where(ENTRY.c.id == number))
            # Archives that hold the person: their names may, too.
            connection.execute(
                delete(ENTRY).where(ENTRY.c.kind == "export", ENTRY.c.owner_id.is_(None), ENTRY.c.id > number)
            )
            self._database.due_for_purge(connection)
        self._purge(f"{told.nickname} is deleted")
        return told

    def goes_with(self, number: int) -> tuple[AnyEntry, ...]:
        """Return what `delete_entry` would delete: the entry itself last. InputError as there."""
        with self._database.reading() as connection:
            self._check_deletable(connection, number)
            return tuple(_entry(connection, found) for found in removal.goes_with(connection, number))

    def delete_entry(self, number: int) -> tuple[AnyEntry, ...]:
        """Delete an entry with what goes with it, and every trace in the journal's folder; return what it was.

        See `removal.goes_with`. A photo that a kept rest or check was measured from stays by name and hash; only its
        picture goes, unless another person has it too. InputError for a person (see `delete_person`), and for a
        document of a session that the page holds. OutputError as for `delete_person`.
        """
        gone = self.goes_with(number)
        # First what the page drew: broken off here, the photo is still there to be deleted again.
        for entry in gone:
            if entry.kind == "photo":
                self._database.remove_page_pictures(entry.id)
        with self._database.writing() as connection:
            self._check_deletable(connection, number)
            removal.remove(connection, removal.goes_with(connection, number))
            self._database.due_for_purge(connection)
        self._purge(f"{number} is deleted")
        return gone

    def _check_deletable(self, connection: Connection, number: int) -> None:
        entry = _entry(connection, number)
        if isinstance(entry, Person):
            raise InputError(f"{number} is a person. Delete them by name: handcapture journal delete-person.")
        held = [k for k in removal.sessions_with(connection, number) if k in self._database.page_sessions()]
        if held:
            raise InputError(
                f"{number} lies in session {held[0]}, which was made on the page and needs it. Delete the whole "
                f"session: handcapture journal delete {held[0]}."
            )

    def _purge(self, done: str) -> None:
        try:
            self._database.purge()
        except HandcaptureError:
            raise OutputError(
                f"{done}, but traces are still in {self.folder}: another program uses the journal, the disk is full, "
                "or the rights to write are missing. Mend that, then run handcapture journal list: that removes them."
            ) from None

    def belongings(self, nickname: str) -> Deleted:
        """Return what `delete_person` would delete."""
        with self._database.reading() as connection:
            return _belongings(connection, _person_id(connection, nickname))

    # Sessions

    def add_session(
        self, nickname: str, day: str | None = None, title: str = "", note: str = "", tags: Iterable[str] = ()
    ) -> Session:
        """Add a session with a person; `day` is ISO 8601 (2031-05-06), today by default."""
        when, name, text, words = _day(day), checked_title(title), checked_text(note, "The note"), checked_tags(tags)
        with self._database.writing() as connection:
            owner = _person_id(connection, nickname)
            number = _new_session(connection, owner, when or date.today().isoformat(), name, text)
            _add_tags(connection, number, words)
            return _one(connection, number, Session)

    def sessions(self, nickname: str | None = None, tag: str | None = None) -> tuple[Session, ...]:
        """Return the sessions by day, of one person or with one tag if asked."""
        with self._database.reading() as connection:
            wanted = select(SESSION.c.id).join(ENTRY, ENTRY.c.id == SESSION.c.id)
            if nickname is not None:
                wanted = wanted.where(ENTRY.c.owner_id == _person_id(connection, nickname))
            if tag is not None:
                wanted = wanted.where(exists().where(TAG.c.entry_id == SESSION.c.id, TAG.c.tag == checked_tag(tag)))
            numbers = connection.execute(wanted.order_by(SESSION.c.day, SESSION.c.id)).scalars().all()
            return tuple(_one(connection, number, Session) for number in numbers)

    # Documents and photos

    def add_files(
        self,
        nickname: str,
        paths: Sequence[Path],
        session: int | None = None,
        keep_photos: bool = False,
        day: str | None = None,
        title: str = "",
        note: str = "",
    ) -> Added:
        """Add rests, plans, panels, layouts, checks and photos, told apart by content, in one session.

        Without `session` a new one is made, on `day`: by default the earliest day of the photos, else today. What the
        person has already (same bytes) is not added again; when that holds for all, no session is made. A photo known
        by name only is kept when `keep_photos` says so now. All of it or, where a file cannot be used, nothing.
        """
        if not paths:
            raise InputError("No file was named. Name the rests, layouts, plans, panels, checks or photos to add.")
        if session is not None and (day is not None or title or note):
            raise InputError("A date, title or note goes to a new session: leave it out, or leave --session out.")
        when, name, text = _day(day), checked_title(title), checked_text(note, "The note")
        # Photos first: one that a rest names too then is new, not known.
        items = sorted(
            (read_incoming(path, keep_photos) for path in paths), key=lambda item: isinstance(item, IncomingDocument)
        )
        with self._database.writing() as connection:
            owner = _person_id(connection, nickname)
            if session is not None:
                _check_session(connection, session, owner)
            new: list[int] = []
            known: list[int] = []
            remarks: list[str] = []
            for item in items:
                number, is_new = self._put(connection, owner, item, remarks)
                if number not in new and number not in known:
                    (new if is_new else known).append(number)
            if session is None and new:
                session = _new_session(connection, owner, when or _day_of(items), name, text)
            if session is not None:
                for number in sorted([*new, *known]):
                    _link(connection, session, number)
            return Added(
                session=None if session is None else _one(connection, session, Session),
                new=tuple(_item(connection, number) for number in new),
                known=tuple(_item(connection, number) for number in known),
                remarks=tuple(remarks),
            )

    def add_rest(self, nickname: str, path: Path, session: int | None = None) -> Document:
        """Add a rest document; its placements and the names and hashes of its photos are noted with it."""
        return self._add_document(nickname, path, "rest", session)

    def add_plan(self, nickname: str, path: Path, session: int | None = None) -> Document:
        """Add a plan (TOML)."""
        return self._add_document(nickname, path, "plan", session)

    def add_panel(self, nickname: str, path: Path, session: int | None = None) -> Document:
        """Add a panel (TOML)."""
        return self._add_document(nickname, path, "panel", session)

    def add_layout(self, nickname: str, path: Path, session: int | None = None) -> Document:
        """Add a layout document; layouts of one title count as its versions."""
        return self._add_document(nickname, path, "layout", session)

    def add_check(self, nickname: str, path: Path, session: int | None = None) -> Document:
        """Add the document of a check."""
        return self._add_document(nickname, path, "check", session)

    def add_photo(self, nickname: str, path: Path, session: int | None = None, keep: bool = False) -> Photo:
        """Add a photo; `keep` copies it, without personal metadata."""
        item = read_incoming(path, keep)
        if not isinstance(item, IncomingPhoto):
            raise InputError(f"{path} is a {item.kind}, not a photo.")
        return self._add_item(nickname, item, session, Photo)

    def _add_document(self, nickname: str, path: Path, kind: DocumentKind, session: int | None) -> Document:
        return self._add_item(nickname, read_document(path, kind), session, Document)

    def _add_item(
        self, nickname: str, item: IncomingDocument | IncomingPhoto, session: int | None, kind: type[EntryT]
    ) -> EntryT:
        with self._database.writing() as connection:
            owner = _person_id(connection, nickname)
            if session is not None:
                _check_session(connection, session, owner)
            number, _ = self._put(connection, owner, item, [])
            if session is not None:
                _link(connection, session, number)
            return _one(connection, number, kind)

    def _put(
        self, connection: Connection, owner: int, item: IncomingDocument | IncomingPhoto, remarks: list[str]
    ) -> tuple[int, bool]:
        """Return the number of the item, and whether it is new to its owner."""
        if isinstance(item, IncomingPhoto):
            return self._put_photo(connection, owner, item, remarks)
        same = _owned(DOCUMENT, owner, item.kind).where(DOCUMENT.c.sha256 == item.sha256)
        found = connection.execute(same).scalar()
        if found is not None:
            return int(found), False
        if item.kind == "layout":
            twin = _owned(DOCUMENT, owner, "layout").where(
                DOCUMENT.c.title == clean(item.title), DOCUMENT.c.revision == clean(item.revision or "")
            )
            earlier = connection.execute(twin.order_by(DOCUMENT.c.id.desc())).scalar()
            if earlier is not None:
                remarks.append(
                    f"{item.name}: another layout {clean(item.title)} of revision {clean(item.revision or '')} is "
                    f"kept as {earlier}. Count up the revision when you fit, to tell their drawings apart."
                )
        number = _new_entry(connection, item.kind, owner)
        connection.execute(
            insert(DOCUMENT).values(
                id=number,
                name=clean(item.name),
                title=clean(item.title),
                revision=None if item.revision is None else clean(item.revision),
                rest_sha256=None if item.rest_sha256 is None else clean(item.rest_sha256),
                sha256=item.sha256,
                content=item.content,
            )
        )
        for place, noted in enumerate(item.placements, start=1):
            connection.execute(insert(PLACEMENT).values(document_id=number, number=place))
            photos = {
                self._put_photo(connection, owner, IncomingPhoto(p.name, p.sha256, p.captured_at, None), remarks)[0]
                for p in noted
                if re.fullmatch("[0-9a-f]{64}", p.sha256)
            }
            for photo in sorted(photos):
                connection.execute(insert(PLACEMENT_PHOTO).values(document_id=number, number=place, photo_id=photo))
        return number, True

    def _put_photo(
        self, connection: Connection, owner: int, item: IncomingPhoto, remarks: list[str]
    ) -> tuple[int, bool]:
        # A kept copy that comes back is the photo of which it is the copy.
        same = _owned(PHOTO, owner, "photo").where(
            (PHOTO.c.sha256 == item.sha256) | PHOTO.c.file.in_([f"{item.sha256}.jpg", f"{item.sha256}.png"])
        )
        found = connection.execute(same).scalar()
        file = None
        if item.kept is not None:
            file = hashlib.sha256(item.kept.data).hexdigest() + item.kept.suffix
        if found is not None:
            before = connection.execute(select(PHOTO.c.file).where(PHOTO.c.id == found)).scalar()
            if item.kept is not None and file is not None and before is None:
                self._database.store_photo(file, item.kept.data)
                connection.execute(update(PHOTO).where(PHOTO.c.id == found).values(file=file))
                remarks.append(f"{clean(item.name)}: was known by name ({found}); its copy is kept now.")
            return int(found), False
        if item.kept is not None and file is not None:
            self._database.store_photo(file, item.kept.data)
        number = _new_entry(connection, "photo", owner)
        captured_at = None if item.captured_at is None else clean(item.captured_at)
        connection.execute(
            insert(PHOTO).values(
                id=number, name=clean(item.name), sha256=item.sha256, captured_at=captured_at, file=file
            )
        )
        return number, True

    # Whatever has a number

    def show(self, number: int) -> AnyEntry:
        """Return an entry of any kind. InputError when there is none of that number."""
        with self._database.reading() as connection:
            return _entry(connection, number)

    def entries(
        self, kind: Kind | None = None, nickname: str | None = None, tag: str | None = None
    ) -> tuple[AnyEntry, ...]:
        """Return entries by number: of one kind, of one person (themselves included), with one tag, if asked."""
        with self._database.reading() as connection:
            wanted = select(ENTRY.c.id)
            if kind is not None:
                wanted = wanted.where(ENTRY.c.kind == kind)
            if nickname is not None:
                owner = _person_id(connection, nickname)
                wanted = wanted.where((ENTRY.c.owner_id == owner) | (ENTRY.c.id == owner))
            if tag is not None:
                wanted = wanted.where(exists().where(TAG.c.entry_id == ENTRY.c.id, TAG.c.tag == checked_tag(tag)))
            numbers = connection.execute(wanted.order_by(ENTRY.c.id)).scalars().all()
            return tuple(_entry(connection, number) for number in numbers)

    def sessions_of(self, number: int) -> tuple[int, ...]:
        """Return the numbers of the sessions in which an entry was kept."""
        with self._database.reading() as connection:
            _entry(connection, number)
            wanted = select(SESSION_ITEM.c.session_id).where(SESSION_ITEM.c.item_id == number)
            return tuple(connection.execute(wanted.order_by(SESSION_ITEM.c.session_id)).scalars())

    def note(self, number: int, text: str, replace: bool = False) -> AnyEntry:
        """Write a note to an entry, below what stands there; `replace` writes it instead of that."""
        added = checked_text(text, "The note")
        with self._database.writing() as connection:
            before = "" if replace else _entry(connection, number).note
            whole = f"{before}\n{added}" if before and added else before or added
            if len(whole) > LONGEST_TEXT:
                raise InputError(
                    f"The notes of {number} would have {len(whole)} characters; the limit is {LONGEST_TEXT}. Write it "
                    "to a session of its own, or replace them."
                )
            _entry(connection, number)
            connection.execute(update(ENTRY).where(ENTRY.c.id == number).values(note=whole))
            return _entry(connection, number)

    def tag(self, number: int, tags: Iterable[str]) -> AnyEntry:
        """Put tags on an entry; those that it has already stay as they are."""
        words = checked_tags(tags)
        with self._database.writing() as connection:
            _entry(connection, number)
            _add_tags(connection, number, words)
            return _entry(connection, number)

    def untag(self, number: int, tags: Iterable[str]) -> AnyEntry:
        """Take tags off an entry. InputError for one that it does not have."""
        words = checked_tags(tags)
        with self._database.writing() as connection:
            missing = [word for word in words if word not in _entry(connection, number).tags]
            if missing:
                raise InputError(f"{number} has no tag {missing[0]}. Look with handcapture journal show {number}.")
            connection.execute(delete(TAG).where(TAG.c.entry_id == number, TAG.c.tag.in_(words)))
            return _entry(connection, number)

    # Impressions

    def add_impression(
        self, layout: int, text: str = "", comfort: Sequence[tuple[str, int]] = (), day: str | None = None
    ) -> Impression:
        """Add what was felt at a layout: in words, and as marks from 1 (bad) to 5 (good) for buttons by label."""
        felt, when = checked_text(text, "The impression"), _day(day) or date.today().isoformat()
        if not felt and not comfort:
            raise InputError("An impression without words and without a mark says nothing. Give one of them.")
        with self._database.writing() as connection:
            kept = _one(connection, layout, Document, "a layout")
            if kept.kind != "layout":
                raise InputError(f"{layout} is a {kept.kind}, not a layout. Name the layout that was tried.")
            for button, mark in comfort:
                if button not in kept.buttons:
                    known = ", ".join(kept.buttons)
                    raise InputError(f"{kept.title} ({layout}) has no button {button}. It has {known}.")
                if mark not in COMFORT_MARKS:
                    raise InputError(f"A comfort of {mark} for {button}: give 1 (bad) to 5 (good).")
            buttons = [button for button, _ in comfort]
            if len(set(buttons)) < len(buttons):
                raise InputError("A button is given two marks at once. Give each button one.")
            owner = connection.execute(select(ENTRY.c.owner_id).where(ENTRY.c.id == layout)).scalar_one()
            number = _new_entry(connection, "impression", owner)
            connection.execute(insert(IMPRESSION).values(id=number, layout_id=layout, day=when, text=felt))
            for button, mark in comfort:
                connection.execute(insert(COMFORT).values(impression_id=number, button=button, mark=mark))
            return _one(connection, number, Impression)

    def impressions(self, layout: int) -> tuple[Impression, ...]:
        """Return the impressions of a layout, by day."""
        with self._database.reading() as connection:
            _one(connection, layout, Document, "a layout")
            wanted = select(IMPRESSION.c.id).where(IMPRESSION.c.layout_id == layout)
            numbers = connection.execute(wanted.order_by(IMPRESSION.c.day, IMPRESSION.c.id)).scalars().all()
            return tuple(_one(connection, number, Impression) for number in numbers)

    # Files out

    def content(self, number: int) -> tuple[bytes, str]:
        """Return a document, byte for byte as it was added, or a kept photo's copy; and the ending of its file name.

        InputError for an entry that has no file.
        """
        with self._database.reading() as connection:
            return self._content(connection, number)

    def photo_file(self, number: int) -> Path:
        """Return where a photo's copy lies, as `content` returns it. InputError as there."""
        with self._database.reading() as connection:
            self._content(connection, number)
            entry = _entry(connection, number)
        if not isinstance(entry, Photo) or entry.file is None:
            raise InputError(f"{number} is {_a(entry.kind)}, no photo.")
        return self._database.photos / entry.file

    def write_out(self, number: int, path: Path) -> Export:
        """Write a document or kept photo to a file, whole or not at all, and note that under exports."""
        with self._database.writing() as connection:
            data, suffix = self._content(connection, number)
            if path.suffix.lower() != suffix:
                raise InputError(f"{path}: {number} is written to a file that ends in {suffix}. Name it so.")
            write_atomically(path, data)
            return _new_export(connection, number, plain_text(path.name), hashlib.sha256(data).hexdigest(), len(data))

    def add_export(self, number: int, path: Path) -> Export:
        """Note that a file (a drawing, say) was made from an entry: its name, hash and size; the file stays outside."""
        try:
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
                size = file.tell()
        except FileNotFoundError:
            raise InputError(f"{path} does not exist. Check the name and the folder.") from None
        except OSError as error:
            raise InputError(f"{path} cannot be read: {error.strerror or error}.") from None
        with self._database.writing() as connection:
            if not isinstance(_entry(connection, number), Document):
                raise InputError(f"{number} is no document. Name the layout, or another document, that it was made of.")
            return _new_export(connection, number, plain_text(path.name), digest, size)

    def exports(self, number: int | None = None) -> tuple[Export, ...]:
        """Return the exports of an entry, or all of them, in order."""
        with self._database.reading() as connection:
            wanted = select(EXPORT.c.id)
            if number is not None:
                _entry(connection, number)
                wanted = wanted.where(EXPORT.c.item_id == number)
            numbers = connection.execute(wanted.order_by(EXPORT.c.id)).scalars().all()
            return tuple(_one(connection, found, Export) for found in numbers)

    def export_archive(self, path: Path) -> Export:
        """Write everything as one archive: see `archive`. Whole or not at all; noted under exports."""
        with self._database.writing() as connection:
            digest, size = write_archive(connection, self._database.photos, path)
            return _new_export(connection, None, plain_text(path.name), digest, size)

    def _content(self, connection: Connection, number: int) -> tuple[bytes, str]:
        entry = _entry(connection, number)
        if isinstance(entry, Document):
            content = connection.execute(select(DOCUMENT.c.content).where(DOCUMENT.c.id == number)).scalar_one()
            data, digest, suffix = content.encode(), entry.sha256, document_suffix(entry.kind)
        elif isinstance(entry, Photo):
            if entry.file is None:
                raise InputError(
                    f"Of the photo {entry.name} ({number}) only the name and hash are kept. Add the photo again with "
                    "--keep-photos to keep a copy."
                )
            data, digest, suffix = read_photo_file(self._database.photos / entry.file), *_parts(entry.file)
        else:
            raise InputError(f"{number} is {_a(entry.kind)}, which has no file. Name a document or a kept photo.")
        if hashlib.sha256(data).hexdigest() != digest:
            raise InputError(f"What is kept as {number} is damaged: its hash is another. Restore it from an archive.")
        return data, suffix


def _parts(file: str) -> tuple[str, str]:
    stem, _, ending = file.partition(".")
    return stem, f".{ending}"


def _a(word: str) -> str:
    return f"an {word}" if word[0] in "aeiou" else f"a {word}"


# Rows to records


def _entry(connection: Connection, number: int) -> AnyEntry:
    row = None
    if 0 < number < 2**63:
        row = connection.execute(select(ENTRY).where(ENTRY.c.id == number)).first()
    if row is None:
        raise InputError(f"There is nothing with the number {number}. Look with handcapture journal list.")
    owner = connection.execute(select(PERSON.c.nickname).where(PERSON.c.id == (row.owner_id or number))).scalar()
    tags = connection.execute(select(TAG.c.tag).where(TAG.c.entry_id == number).order_by(TAG.c.tag)).scalars()
    common: dict[str, Any] = {
        "id": row.id,
        "kind": row.kind,
        "owner": owner,
        "added_at": row.added_at,
        "note": row.note,
        "tags": tuple(tags),
    }
    if row.kind == "person":
        own = connection.execute(select(PERSON).where(PERSON.c.id == number)).one()
        return Person(
            **common,
            nickname=own.nickname,
            handedness=own.handedness,
            shoulder_breadth_mm=own.shoulder_breadth_mm,
        )
    if row.kind == "session":
        own = connection.execute(select(SESSION).where(SESSION.c.id == number)).one()
        items = select(SESSION_ITEM.c.item_id).where(SESSION_ITEM.c.session_id == number)
        held = connection.execute(items.order_by(SESSION_ITEM.c.item_id)).scalars()
        return Session(**common, day=own.day, title=own.title, items=tuple(held))
    if row.kind == "photo":
        own = connection.execute(select(PHOTO).where(PHOTO.c.id == number)).one()
        return Photo(**common, name=own.name, sha256=own.sha256, captured_at=own.captured_at, file=own.file)
    if row.kind == "impression":
        own = connection.execute(select(IMPRESSION).where(IMPRESSION.c.id == number)).one()
        marks = select(COMFORT.c.button, COMFORT.c.mark).where(COMFORT.c.impression_id == number)
        comfort = tuple((mark.button, mark.mark) for mark in connection.execute(marks.order_by(COMFORT.c.button)))
        return Impression(**common, layout=own.layout_id, day=own.day, text=own.text, comfort=comfort)
    if row.kind == "export":
        own = connection.execute(select(EXPORT).where(EXPORT.c.id == number)).one()
        return Export(**common, item=own.item_id, name=own.name, sha256=own.sha256, size_bytes=own.size_bytes)
    return _document(connection, row, common)


def _document(connection: Connection, row: Row[Any], common: dict[str, Any]) -> Document:
    columns = [c for c in DOCUMENT.c if c.name != "content"]
    own = connection.execute(select(*columns).where(DOCUMENT.c.id == row.id)).one()
    # In bytes, not characters: SQLite counts those of a blob.
    size = func.length(func.cast(DOCUMENT.c.content, LargeBinary))
    size = connection.execute(select(size).where(DOCUMENT.c.id == row.id)).scalar_one()
    version = rest = None
    buttons: tuple[str, ...] = ()
    placements: tuple[PlacementRecord, ...] = ()
    if row.kind == "layout":
        earlier = _owned(DOCUMENT, row.owner_id, "layout").where(DOCUMENT.c.title == own.title, DOCUMENT.c.id <= row.id)
        version = len(connection.execute(earlier).all())
        fitted_to = _owned(DOCUMENT, row.owner_id, "rest").where(DOCUMENT.c.sha256 == own.rest_sha256)
        rest = connection.execute(fitted_to).scalar()
        content = connection.execute(select(DOCUMENT.c.content).where(DOCUMENT.c.id == row.id)).scalar_one()
        buttons = tuple(clean(button["label"]) for button in json.loads(content)["buttons"])
    if row.kind in ("rest", "check"):
        numbers = select(PLACEMENT.c.number).where(PLACEMENT.c.document_id == row.id).order_by(PLACEMENT.c.number)
        photos = select(PLACEMENT_PHOTO.c.photo_id).where(PLACEMENT_PHOTO.c.document_id == row.id)
        placements = tuple(
            PlacementRecord(
                number,
                tuple(
                    connection.execute(
                        photos.where(PLACEMENT_PHOTO.c.number == number).order_by(PLACEMENT_PHOTO.c.photo_id)
                    ).scalars()
                ),
            )
            for number in connection.execute(numbers).scalars().all()
        )
    return Document(
        **common,
        name=own.name,
        title=own.title,
        sha256=own.sha256,
        size_bytes=size,
        revision=own.revision,
        version=version,
        rest=rest,
        placements=placements,
        buttons=buttons,
    )


def _one(connection: Connection, number: int, kind: type[EntryT], words: str | None = None) -> EntryT:
    entry = _entry(connection, number)
    if not isinstance(entry, kind):
        raise InputError(f"{number} is {_a(entry.kind)}, not {words or _a(kind.__name__.lower())}.")
    return entry


def _item(connection: Connection, number: int) -> Document | Photo:
    entry = _entry(connection, number)
    assert isinstance(entry, Document | Photo)
    return entry


# Rows in


def _new_entry(connection: Connection, kind: Kind, owner: int | None, note: str = "") -> int:
    now = datetime.now(UTC).isoformat(timespec="seconds")
    added = connection.execute(insert(ENTRY).values(kind=kind, owner_id=owner, added_at=now, note=note))
    assert added.inserted_primary_key is not None
    return int(added.inserted_primary_key[0])


def _new_session(connection: Connection, owner: int, day: str, title: str, note: str) -> int:
    number = _new_entry(connection, "session", owner, note)
    connection.execute(insert(SESSION).values(id=number, day=day, title=title))
    return number


def _new_export(connection: Connection, item: int | None, name: str, digest: str, size: int) -> Export:
    owner = None
    if item is not None:
        owner = connection.execute(select(ENTRY.c.owner_id).where(ENTRY.c.id == item)).scalar_one()
    number = _new_entry(connection, "export", owner)
    connection.execute(insert(EXPORT).values(id=number, item_id=item, name=clean(name), sha256=digest, size_bytes=size))
    return _one(connection, number, Export)


def _link(connection: Connection, session: int, item: int) -> None:
    pair = {"session_id": session, "item_id": item}
    known = select(SESSION_ITEM).where(SESSION_ITEM.c.session_id == session, SESSION_ITEM.c.item_id == item)
    if connection.execute(known).first() is None:
        connection.execute(insert(SESSION_ITEM).values(**pair))


def _add_tags(connection: Connection, number: int, tags: Sequence[str]) -> None:
    has = set(connection.execute(select(TAG.c.tag).where(TAG.c.entry_id == number)).scalars())
    for tag in tags:
        if tag not in has:
            connection.execute(insert(TAG).values(entry_id=number, tag=tag))


def _owned(table: Table, owner: int, kind: str) -> Select[Any]:
    return (
        select(table.c.id)
        .join(ENTRY, ENTRY.c.id == table.c.id)
        .where(ENTRY.c.owner_id == owner, ENTRY.c.kind == kind)
        .order_by(table.c.id)
    )


def _person_id(connection: Connection, nickname: str) -> int:
    shown = checked_nickname(nickname)
    number = connection.execute(select(PERSON.c.id).where(PERSON.c.nickname_key == alike_key(shown))).scalar()
    if number is None:
        known = connection.execute(select(PERSON.c.nickname).order_by(PERSON.c.nickname_key).limit(11)).scalars().all()
        names = ", ".join(known[:10]) + (" and others" if len(known) > 10 else "")
        told = f"There are: {names}." if known else "There is nobody yet."
        raise InputError(
            f"There is no person with the nickname {shown}. {told} Add one with handcapture journal person add."
        )
    return int(number)


def _check_session(connection: Connection, number: int, owner: int) -> None:
    session = _one(connection, number, Session)
    if connection.execute(select(ENTRY.c.owner_id).where(ENTRY.c.id == number)).scalar() != owner:
        raise InputError(f"Session {number} is with {session.owner}. Name one with the same person.")


def _belongings(connection: Connection, owner: int) -> Deleted:
    person = _one(connection, owner, Person)

    def count(*kinds: str) -> int:
        wanted = select(func.count()).select_from(ENTRY).where(ENTRY.c.owner_id == owner, ENTRY.c.kind.in_(kinds))
        return int(connection.execute(wanted).scalar_one())

    held = select(PHOTO.c.file, ENTRY.c.owner_id).join(ENTRY, ENTRY.c.id == PHOTO.c.id).where(PHOTO.c.file.is_not(None))
    rows = connection.execute(held).all()
    mine = {row.file for row in rows if row.owner_id == owner}
    others = {row.file for row in rows if row.owner_id != owner}
    written = (
        select(EXPORT.c.name)
        .join(ENTRY, ENTRY.c.id == EXPORT.c.id)
        .where((ENTRY.c.owner_id == owner) | (ENTRY.c.owner_id.is_(None) & (ENTRY.c.id > owner)))
        .order_by(EXPORT.c.id)
    )
    return Deleted(
        nickname=person.nickname,
        sessions=count("session"),
        documents=count(*DOCUMENT_KINDS),
        photos=count("photo"),
        impressions=count("impression"),
        photo_files=len(mine - others),
        photos_shared=len(mine & others),
        files_elsewhere=tuple(dict.fromkeys(connection.execute(written).scalars())),
    )


# Words in


def _day(day: str | None) -> str | None:
    if day is None:
        return None
    try:
        return date.fromisoformat(day).isoformat()
    except ValueError:
        raise InputError(f'"{day}" is no date. Write it as 2031-05-06.') from None


def _day_of(items: Iterable[IncomingDocument | IncomingPhoto]) -> str:
    """Return the earliest day on which a photo was taken, else today."""
    stamps: list[str | None] = []
    for item in items:
        if isinstance(item, IncomingPhoto):
            stamps.append(item.captured_at)
        else:
            stamps += [photo.captured_at for noted in item.placements for photo in noted]
    days = []
    for stamp in stamps:
        with contextlib.suppress(ValueError):
            days.append(datetime.fromisoformat(stamp or "").date().isoformat())
    return min(days, default=date.today().isoformat())
