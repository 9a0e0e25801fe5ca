"""How the database came to be what it is: one function a version, each run in one transaction with its number.

What was released is never changed; a new version is a new function at the end. The statements are written out, not
derived from `schema`, because that only knows the newest version; a test compares the two.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from sqlalchemy import Connection

from handcapture.journal.schema import APPLICATION_ID


def _first(connection: Connection) -> None:
    """People, sessions, documents, photos, placements, impressions, exports."""
    for statement in (
        f"PRAGMA application_id = {APPLICATION_ID}",
        """CREATE TABLE entry (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            kind TEXT NOT NULL CHECK (kind IN ('person', 'session', 'rest', 'plan', 'panel', 'layout', 'check',
                'photo', 'impression', 'export')),
            owner_id INTEGER REFERENCES entry (id) ON DELETE CASCADE,
            added_at TEXT NOT NULL,
            note TEXT NOT NULL DEFAULT ''
        ) STRICT""",
        "CREATE INDEX ix_entry_owner_id ON entry (owner_id)",
        """CREATE TABLE person (
            id INTEGER PRIMARY KEY REFERENCES entry (id) ON DELETE CASCADE,
            nickname TEXT NOT NULL CHECK (nickname <> ''),
            nickname_key TEXT NOT NULL UNIQUE,
            handedness TEXT CHECK (handedness IN ('left', 'right', 'both')),
            shoulder_breadth_mm REAL CHECK (shoulder_breadth_mm > 0)
        ) STRICT""",
        """CREATE TABLE session (
            id INTEGER PRIMARY KEY REFERENCES entry (id) ON DELETE CASCADE,
            day TEXT NOT NULL,
            title TEXT NOT NULL
        ) STRICT""",
        """CREATE TABLE document (
            id INTEGER PRIMARY KEY REFERENCES entry (id) ON DELETE CASCADE,
            name TEXT NOT NULL,
            title TEXT NOT NULL,
            revision TEXT,
            rest_sha256 TEXT,
            sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
            content TEXT NOT NULL
        ) STRICT""",
        "CREATE INDEX ix_document_sha256 ON document (sha256)",
        """CREATE TABLE photo (
            id INTEGER PRIMARY KEY REFERENCES entry (id) ON DELETE CASCADE,
            name TEXT NOT NULL,
            sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
            captured_at TEXT,
            file TEXT
        ) STRICT""",
        "CREATE INDEX ix_photo_sha256 ON photo (sha256)",
        """CREATE TABLE placement (
            document_id INTEGER NOT NULL REFERENCES document (id) ON DELETE CASCADE,
            number INTEGER NOT NULL CHECK (number > 0),
            PRIMARY KEY (document_id, number)
        ) STRICT""",
        """CREATE TABLE placement_photo (
            document_id INTEGER NOT NULL,
            number INTEGER NOT NULL,
            photo_id INTEGER NOT NULL REFERENCES photo (id) ON DELETE CASCADE,
            PRIMARY KEY (document_id, number, photo_id),
            FOREIGN KEY (document_id, number) REFERENCES placement (document_id, number) ON DELETE CASCADE
        ) STRICT""",
        "CREATE INDEX ix_placement_photo_photo_id ON placement_photo (photo_id)",
        """CREATE TABLE session_item (
            session_id INTEGER NOT NULL REFERENCES session (id) ON DELETE CASCADE,
            item_id INTEGER NOT NULL REFERENCES entry (id) ON DELETE CASCADE,
            PRIMARY KEY (session_id, item_id)
        ) STRICT""",
        "CREATE INDEX ix_session_item_item_id ON session_item (item_id)",
        """CREATE TABLE impression (
            id INTEGER PRIMARY KEY REFERENCES entry (id) ON DELETE CASCADE,
            layout_id INTEGER NOT NULL REFERENCES document (id) ON DELETE CASCADE,
            day TEXT NOT NULL,
            text TEXT NOT NULL
        ) STRICT""",
        "CREATE INDEX ix_impression_layout_id ON impression (layout_id)",
        """CREATE TABLE comfort (
            impression_id INTEGER NOT NULL REFERENCES impression (id) ON DELETE CASCADE,
            button TEXT NOT NULL,
            mark INTEGER NOT NULL CHECK (mark BETWEEN 1 AND 5),
            PRIMARY KEY (impression_id, button)
        ) STRICT""",
        """CREATE TABLE export (
            id INTEGER PRIMARY KEY REFERENCES entry (id) ON DELETE CASCADE,
            item_id INTEGER REFERENCES entry (id) ON DELETE CASCADE,
            name TEXT NOT NULL,
            sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
            size_bytes INTEGER NOT NULL CHECK (size_bytes >= 0)
        ) STRICT""",
        "CREATE INDEX ix_export_item_id ON export (item_id)",
        "CREATE TABLE setting (name TEXT PRIMARY KEY NOT NULL, value TEXT NOT NULL) STRICT",
    ):
        connection.exec_driver_sql(statement)


def _tags(connection: Connection) -> None:
    """Tags on everything."""
    connection.exec_driver_sql(
        """CREATE TABLE tag (
            entry_id INTEGER NOT NULL REFERENCES entry (id) ON DELETE CASCADE,
            tag TEXT NOT NULL CHECK (tag <> ''),
            PRIMARY KEY (entry_id, tag)
        ) STRICT"""
    )


MIGRATIONS: Final[tuple[Callable[[Connection], None], ...]] = (_first, _tags)
"""The function at place n leads from version n to n + 1."""


def migrate_step(connection: Connection, version: int) -> None:
    """Lead the database from `version` to the next one, in the transaction that is open."""
    MIGRATIONS[version](connection)
    connection.exec_driver_sql(f"PRAGMA user_version = {version + 1}")
