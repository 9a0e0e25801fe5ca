"""What goes with an entry of the journal that is deleted, and its deletion."""

from __future__ import annotations

from collections.abc import Iterable

from sqlalchemy import Connection, delete, select, update

from handcapture.journal.records import DOCUMENT_KINDS
from handcapture.journal.schema import ENTRY, EXPORT, IMPRESSION, PHOTO, PLACEMENT_PHOTO, SESSION_ITEM


def goes_with(connection: Connection, number: int) -> tuple[int, ...]:
    """Return the numbers of what is deleted with an entry, itself last.

    With a session goes what is in no other; with a layout its impressions; with a document or photo the records of
    files made from it; with a rest or check the photos that were only noted for it, without a picture.
    """
    gone = {number}
    kind = connection.execute(select(ENTRY.c.kind).where(ENTRY.c.id == number)).scalar()
    if kind == "session":
        elsewhere = select(SESSION_ITEM.c.item_id).where(SESSION_ITEM.c.session_id != number)
        items = select(SESSION_ITEM.c.item_id).where(SESSION_ITEM.c.session_id == number)
        gone |= set(connection.execute(items.where(SESSION_ITEM.c.item_id.not_in(elsewhere))).scalars())
    gone |= set(connection.execute(select(IMPRESSION.c.id).where(IMPRESSION.c.layout_id.in_(gone))).scalars())
    gone |= set(connection.execute(select(EXPORT.c.id).where(EXPORT.c.item_id.in_(gone))).scalars())
    noted = (
        select(PHOTO.c.id)
        .join(PLACEMENT_PHOTO, PLACEMENT_PHOTO.c.photo_id == PHOTO.c.id)
        .where(PLACEMENT_PHOTO.c.document_id.in_(gone), PHOTO.c.file.is_(None))
    )
    gone |= set(connection.execute(noted).scalars()) - _named(connection, gone)
    return (*sorted(gone - {number}), number)


def remove(connection: Connection, numbers: Iterable[int]) -> None:
    """Delete entries; photos that a document which stays was measured from stay by name and hash, without a picture."""
    gone = set(numbers)
    photos = set(connection.execute(select(ENTRY.c.id).where(ENTRY.c.id.in_(gone), ENTRY.c.kind == "photo")).scalars())
    kept = photos & _named(connection, gone)
    connection.execute(update(PHOTO).where(PHOTO.c.id.in_(kept)).values(file=None))
    connection.execute(delete(ENTRY).where(ENTRY.c.id.in_(gone - kept)))


def _named(connection: Connection, gone: set[int]) -> set[int]:
    """Return the photos that documents name which are not among those that go."""
    stays = select(PLACEMENT_PHOTO.c.photo_id).where(PLACEMENT_PHOTO.c.document_id.not_in(gone))
    return set(connection.execute(stays).scalars())


def sessions_with(connection: Connection, number: int) -> tuple[int, ...]:
    """Return the sessions in which a document lies."""
    held = select(SESSION_ITEM.c.session_id).join(ENTRY, ENTRY.c.id == SESSION_ITEM.c.item_id)
    held = held.where(SESSION_ITEM.c.item_id == number, ENTRY.c.kind.in_(DOCUMENT_KINDS))
    return tuple(connection.execute(held.order_by(SESSION_ITEM.c.session_id)).scalars())
