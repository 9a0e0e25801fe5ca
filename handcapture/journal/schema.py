"""The tables of the journal as the newest version has them. How they come about stands in `migrations`.

Every person, session, document, photo, impression and export is an `entry`: one row of numbers, owner and note, and a
row of its own kind with the same number. Who owns an entry is an entry too, so that deleting it deletes all.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import Column, ForeignKey, Integer, MetaData, String, Table, Text
from sqlalchemy.types import REAL

VERSION: Final = 2
APPLICATION_ID: Final = 0x48434A31
"""Stands in the file's header (PRAGMA application_id), so that other programs' databases are told apart: "HCJ1"."""

METADATA: Final = MetaData()


def _entry_key() -> Column[int]:
    return Column("id", Integer, ForeignKey("entry.id", ondelete="CASCADE"), primary_key=True)


ENTRY: Final = Table(
    "entry",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("kind", String, nullable=False),
    Column("owner_id", Integer, ForeignKey("entry.id", ondelete="CASCADE"), index=True),
    Column("added_at", String, nullable=False),
    Column("note", Text, nullable=False),
)
PERSON: Final = Table(
    "person",
    METADATA,
    _entry_key(),
    Column("nickname", String, nullable=False),
    Column("nickname_key", String, nullable=False, unique=True),
    Column("handedness", String),
    Column("shoulder_breadth_mm", REAL),
)
SESSION: Final = Table(
    "session",
    METADATA,
    _entry_key(),
    Column("day", String, nullable=False),
    Column("title", String, nullable=False),
)
DOCUMENT: Final = Table(
    "document",
    METADATA,
    _entry_key(),
    Column("name", String, nullable=False),
    Column("title", String, nullable=False),
    Column("revision", String),
    Column("rest_sha256", String),
    Column("sha256", String, nullable=False),
    Column("content", Text, nullable=False),
)
PHOTO: Final = Table(
    "photo",
    METADATA,
    _entry_key(),
    Column("name", String, nullable=False),
    Column("sha256", String, nullable=False),
    Column("captured_at", String),
    Column("file", String),
)
PLACEMENT: Final = Table(
    "placement",
    METADATA,
    Column("document_id", Integer, ForeignKey("document.id", ondelete="CASCADE"), primary_key=True),
    Column("number", Integer, primary_key=True),
)
PLACEMENT_PHOTO: Final = Table(
    "placement_photo",
    METADATA,
    Column("document_id", Integer, primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("photo_id", Integer, ForeignKey("photo.id", ondelete="CASCADE"), primary_key=True),
)
SESSION_ITEM: Final = Table(
    "session_item",
    METADATA,
    Column("session_id", Integer, ForeignKey("session.id", ondelete="CASCADE"), primary_key=True),
    Column("item_id", Integer, ForeignKey("entry.id", ondelete="CASCADE"), primary_key=True),
)
IMPRESSION: Final = Table(
    "impression",
    METADATA,
    _entry_key(),
    Column("layout_id", Integer, ForeignKey("document.id", ondelete="CASCADE"), nullable=False),
    Column("day", String, nullable=False),
    Column("text", Text, nullable=False),
)
COMFORT: Final = Table(
    "comfort",
    METADATA,
    Column("impression_id", Integer, ForeignKey("impression.id", ondelete="CASCADE"), primary_key=True),
    Column("button", String, primary_key=True),
    Column("mark", Integer, nullable=False),
)
EXPORT: Final = Table(
    "export",
    METADATA,
    _entry_key(),
    Column("item_id", Integer, ForeignKey("entry.id", ondelete="CASCADE")),
    Column("name", String, nullable=False),
    Column("sha256", String, nullable=False),
    Column("size_bytes", Integer, nullable=False),
)
TAG: Final = Table(
    "tag",
    METADATA,
    Column("entry_id", Integer, ForeignKey("entry.id", ondelete="CASCADE"), primary_key=True),
    Column("tag", String, primary_key=True),
)
SETTING: Final = Table(
    "setting",
    METADATA,
    Column("name", String, primary_key=True),
    Column("value", String, nullable=False),
)
"""Of this folder alone: never in an archive. `purge` says that traces of something deleted are still to be removed."""

ARCHIVED: Final = (
    "entry",
    "person",
    "session",
    "document",
    "photo",
    "placement",
    "placement_photo",
    "session_item",
    "impression",
    "comfort",
    "export",
    "tag",
)
"""The tables of an archive, each after those that it points to."""


def document_suffix(kind: str) -> str:
    """Return the ending of the file names of a kind of document."""
    return ".toml" if kind in ("plan", "panel") else ".json"
