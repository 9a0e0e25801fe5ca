"""What the journal keeps of a session, as files beside the session's state: entries of a journal never change."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from handcapture.documents import write_atomically
from handcapture.errors import InputError
from handcapture.web.state import SessionState
from handcapture.web.texts import TEXTS


def kept_layout(folder: Path, place: Path, state: SessionState) -> Any:
    """Return the session's layout as the journal keeps it. InputError when there is none yet."""
    from handcapture.layout.document import read_layout

    if state.layout is None:
        raise InputError(TEXTS["no_layout"])
    return read_layout(kept_file(folder, place, state.layout))


def kept_file(folder: Path, place: Path, number: int) -> Path:
    """Return a copy of a document in the journal as a file, for the library's readers. InputError when it is gone."""
    from handcapture.journal.store import open_journal

    found = sorted(place.glob(f"kept_{number}.*"))
    if found:  # entries of a journal never change
        return found[0]
    with open_journal(folder) as journal:
        data, suffix = journal.content(number)
    path = place / f"kept_{number}{suffix}"
    write_atomically(path, data)
    return path
