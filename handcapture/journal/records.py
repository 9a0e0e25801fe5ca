"""What the journal gives out: frozen records, each whole in itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

DocumentKind = Literal["rest", "plan", "panel", "layout", "check"]
Kind = Literal["person", "session", "rest", "plan", "panel", "layout", "check", "photo", "impression", "export"]
Handedness = Literal["left", "right", "both"]

DOCUMENT_KINDS: Final[tuple[DocumentKind, ...]] = get_args(DocumentKind)
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
HANDEDNESS: Final[tuple[Handedness, ...]] = get_args(Handedness)


@dataclass(frozen=True)
class Entry:
    """What every record has: its number, its owner's nickname, when it was added (UTC, ISO 8601), note and tags.

    Numbers run through all kinds and are never given twice. `owner` is None for archives that were written.
    """

    id: int
    kind: Kind
    owner: str | None
    added_at: str
    note: str
    tags: tuple[str, ...]


@dataclass(frozen=True)
class Person(Entry):
    """A person; what is not known is None."""

    nickname: str
    handedness: Handedness | None
    shoulder_breadth_mm: float | None


@dataclass(frozen=True)
class Session(Entry):
    """One meeting with a person. `day` is ISO 8601; `items` are the numbers of what was kept in it, in order."""

    day: str
    title: str
    items: tuple[int, ...]


@dataclass(frozen=True)
class PlacementRecord:
    """Hands laid down once, as a rest or check tells: its place there from 1, and the numbers of its photos."""

    number: int
    photos: tuple[int, ...]


@dataclass(frozen=True)
class Document(Entry):
    """A rest, plan, panel, layout or check, kept whole.

    `name` is the file's name, `title` the name that the document gives itself; of a check, that and `revision` are the
    layout's. `version` counts the layouts of that title which the person has, from 1. `rest` is the number of the rest
    to which a layout was fitted, where that is kept too. `sha256` is of the file's bytes.
    """

    name: str
    title: str
    sha256: str
    size_bytes: int
    revision: str | None = None
    version: int | None = None
    rest: int | None = None
    placements: tuple[PlacementRecord, ...] = ()
    buttons: tuple[str, ...] = ()


@dataclass(frozen=True)
class Photo(Entry):
    """A photo: `sha256` is of the original file, as measurements name it.

    `file` is the kept copy in the journal's folder `photos`, None where only the photo's name and hash are kept.
    """

    name: str
    sha256: str
    captured_at: str | None
    file: str | None


@dataclass(frozen=True)
class Impression(Entry):
    """What was felt at a layout on a day; `comfort` holds button and mark, 1 (bad) to 5 (good)."""

    layout: int
    day: str
    text: str
    comfort: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Export(Entry):
    """A file that was written from the journal or for it; `item` is what it was made of, None for an archive of all."""

    item: int | None
    name: str
    sha256: str
    size_bytes: int


AnyEntry = Person | Session | Document | Photo | Impression | Export


@dataclass(frozen=True)
class Added:
    """What adding files did: `new` and `known` are the entries that were made, and that were there already.

    `session` is None when nothing was new and no session was named.
    """

    session: Session | None
    new: tuple[Document | Photo, ...]
    known: tuple[Document | Photo, ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Deleted:
    """What goes with a person. `photo_files` are kept copies that go, `photos_shared` those that others have too.

    `files_elsewhere` are the names of files that were written outside the folder: archives since the person was
    added, and exports of what belonged to them. Deleting does not reach those.
    """

    nickname: str
    sessions: int
    documents: int
    photos: int
    impressions: int
    photo_files: int
    photos_shared: int
    files_elsewhere: tuple[str, ...] = ()
