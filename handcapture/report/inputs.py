"""What a report is made of, read at the edge: sessions with their days, photos with overlays, checks."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

from pydantic import BaseModel, ConfigDict, Field

from handcapture.documents import load_json, validated
from handcapture.errors import InputError
from handcapture.names import Finger, Side
from handcapture.placement import Placement, Source
from handcapture.rest import Rest
from handcapture.rest_document import Finite, Matrix, Place, Point

if TYPE_CHECKING:
    from handcapture.layout.model import Layout
    from handcapture.photo import Photo

PHOTO_LONG_SIDE_PX: Final = 1200


@dataclass(frozen=True, eq=False)
class Session:
    """A rest with the name of its file, and when it was measured, None where that is not known."""

    name: str
    rest: Rest
    when: datetime | None


@dataclass(frozen=True, eq=False)
class SeenPhoto:
    """A photo with what was measured drawn on it, JPEG without metadata; it shows a placement (from 1) of a session."""

    name: str
    session: str
    placement: int
    jpeg: bytes
    size_px: tuple[int, int]
    with_layout: bool


@dataclass(frozen=True, eq=False)
class NamedLayout:
    """A layout with the name of its file."""

    name: str
    layout: Layout


def when_measured(rest: Rest) -> datetime | None:
    """Return when the first photo of a rest was taken, None where none says it."""
    times = []
    for source in (source for placement in rest.placements for source in placement.sources):
        try:
            times.append(datetime.fromisoformat(source.captured_at or "").replace(tzinfo=None))
        except ValueError:
            continue
    return min(times, default=None)


def days_of(times: Sequence[datetime | None]) -> list[float | None]:
    """Return the days from the first known time to each, None where a time is not known."""
    first = min((time for time in times if time is not None), default=None)
    return [None if time is None or first is None else (time - first).total_seconds() / 86400 for time in times]


def session_times(rests: Sequence[Rest], days: Sequence[str] = ()) -> list[datetime | None]:
    """Return when each rest was measured: as `days` (ISO 8601) say, else as its photos do.

    InputError for a day that is none, or when there are not as many days as rests.
    """
    if not days:
        return [when_measured(rest) for rest in rests]
    if len(days) != len(rests):
        raise InputError(
            f"The number of days ({len(days)}) is not that of the rests ({len(rests)}). Give --day once for each rest, "
            "in the order of the sessions, or not at all."
        )
    times: list[datetime | None] = []
    for day in days:
        try:
            times.append(datetime.combine(date.fromisoformat(day), datetime.min.time()))
        except ValueError:
            raise InputError(f"{day!r} is not a day. Write year, month and day, as in 2031-03-04.") from None
    return times


# Photos


def seen_photo(photo: Photo, sessions: Sequence[Session], layout: Layout | None = None) -> SeenPhoto:
    """Return the photo with its own placement drawn on it, and the layout where that was fitted to its rest.

    The photo is told by its hash among those that the sessions were measured from. InputError when it is none of
    them, PhotoError when the mat is not found in it any more.
    """
    from handcapture.drawings.overlay import draw_overlay
    from handcapture.mat.sighting import PrintScale, sight
    from handcapture.rest_document import rest_sha256

    found = _placement_of(photo.sha256, sessions)
    if found is None:
        names = ", ".join(session.name for session in sessions)
        raise InputError(
            f"{photo.name} is none of the photos that {names} was measured from. Give those photos themselves, "
            "unchanged, or leave it out."
        )
    session, number, placement, source = found
    scale = PrintScale(*source.print_scale, source.print_scale_sd)
    sighting = sight(photo, source.mat, scale)
    drawn = None
    if layout is not None and layout.rest_sha256 == rest_sha256(session.rest):
        drawn = layout
    jpeg = draw_overlay(photo, sighting.camera, placement, drawn, long_side_px=PHOTO_LONG_SIDE_PX)
    shrink = min(1.0, PHOTO_LONG_SIDE_PX / max(photo.size_px))
    width, height = (max(1, round(side * shrink)) for side in photo.size_px)
    return SeenPhoto(photo.name, session.name, number, jpeg, (width, height), drawn is not None)


def _placement_of(sha256: str, sessions: Sequence[Session]) -> tuple[Session, int, Placement, Source] | None:
    for session in sessions:
        for number, placement in enumerate(session.rest.placements, start=1):
            for source in placement.sources:
                if source.photo_sha256 == sha256:
                    return session, number, placement, source
    return None


# Checks


class _Entry(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class CheckedButton(_Entry):
    """What a check says of one button; `offset_mm` is where its finger lands from the hole's centre, mat axes."""

    label: str
    side: Side
    finger: Finger
    row: str = "near"
    hole_mm: Annotated[float, Field(allow_inf_nan=False, gt=0, le=100)] | None = None
    centre_mm: Place | None = None
    verdict: str
    offset_mm: Place | None = None
    offset_covariance_mm2: Matrix | None = None
    within_plunger: Annotated[float, Field(ge=0, le=1)] | None = None
    move_mm: Place | None = None


class CheckRecord(_Entry):
    """A check of a printed template, as its document tells it."""

    layout: str
    revision: str | None = None
    mat: str | None = None
    placements: Annotated[int, Field(ge=0)] = 0
    print_scale: Finite | Point | None = None
    print_scale_verified: bool | None = None
    buttons: list[CheckedButton]
    notes: list[str] = []


@dataclass(frozen=True, eq=False)
class NamedCheck:
    """A check with the name of its file, and the file's SHA-256."""

    name: str
    check: CheckRecord
    sha256: str


def read_check(path: Path) -> NamedCheck:
    """Read the check of a template. DocumentError names the entry that is wrong."""
    from handcapture.check_document import KIND, VERSION

    raw, _ = load_json(path, KIND, VERSION)
    check = validated(CheckRecord, raw, path, "check", "Check its photos again.")
    return NamedCheck(path.name, check, hashlib.sha256(path.read_bytes()).hexdigest())
