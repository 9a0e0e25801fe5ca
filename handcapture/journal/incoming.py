"""Files on their way into the journal: told apart by their content, checked by the readers of their kind."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field

from handcapture.documents import load_json, parse_toml, plain_text, read_bytes, validated
from handcapture.errors import DocumentError, InputError, brief
from handcapture.journal.records import DOCUMENT_KINDS, DocumentKind
from handcapture.names import PHOTO_SUFFIXES, Finger, Side

if TYPE_CHECKING:
    from handcapture.journal.photos import KeptPhoto
    from handcapture.placement import Source

MOST_DOCUMENT_BYTES: Final = 50_000_000
CHECK_KIND: Final = "handcapture.check"
_PHOTO_STARTS: Final = (b"\xff\xd8\xff", b"\x89PNG", b"II*\0", b"MM\0*", b"RIFF")

Finite = Annotated[float, Field(allow_inf_nan=False, ge=-1e5, le=1e5)]


class _Entry(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class _CheckedButton(_Entry):
    label: Annotated[str, Field(min_length=1, max_length=200)]
    side: Side
    finger: Finger
    verdict: str
    offset_mm: tuple[Finite, Finite] | None = None


class _CheckedPhoto(_Entry):
    photo_name: str
    photo_sha256: str
    captured_at: str | None = None


class _CheckedPlacement(_Entry):
    sources: list[_CheckedPhoto]


class _Check(_Entry):
    layout: Annotated[str, Field(min_length=1, max_length=200)]
    revision: Annotated[str, Field(max_length=8)] | None = None
    placements: Annotated[int, Field(ge=1)]
    buttons: list[_CheckedButton]
    placement_records: list[_CheckedPlacement] = []


@dataclass(frozen=True)
class NotedPhoto:
    """A photo as a document names it."""

    name: str
    sha256: str
    captured_at: str | None


@dataclass(frozen=True)
class IncomingDocument:
    """A document that its reader accepts. `placements` are the photos of each placement of a rest or check."""

    kind: DocumentKind
    name: str
    title: str
    content: str
    sha256: str
    revision: str | None = None
    rest_sha256: str | None = None
    placements: tuple[tuple[NotedPhoto, ...], ...] = ()
    buttons: tuple[str, ...] = ()


@dataclass(frozen=True)
class IncomingPhoto:
    """A photo that can be read; `kept` is the copy to keep, None where only its name and hash are wanted."""

    name: str
    sha256: str
    captured_at: str | None
    kept: KeptPhoto | None


def read_incoming(path: Path, keep_photos: bool = False) -> IncomingDocument | IncomingPhoto:
    """Read a rest, layout, check, plan, panel or photo, whichever the file is.

    InputError or DocumentError names the file and what is wrong with it.
    """
    from handcapture.photo import MOST_BYTES

    data = read_bytes(path, max(MOST_BYTES, MOST_DOCUMENT_BYTES), "a photo or a document")
    if data.startswith(_PHOTO_STARTS) or data[4:8] == b"ftyp" or path.suffix.lower() in PHOTO_SUFFIXES:
        return _read_photo(path, data, keep_photos)
    return read_document(path, _kind_of(path, data), data)


def read_document(path: Path, kind: DocumentKind, data: bytes | None = None) -> IncomingDocument:
    """Read a document of a kind. `data`, if given, is what the file held a moment ago; InputError if it has changed."""
    if data is None:
        data = read_bytes(path, MOST_DOCUMENT_BYTES, f"a {kind}")
    found = _readers()[kind](path)
    if read_bytes(path, MOST_DOCUMENT_BYTES, f"a {kind}") != data:
        raise InputError(f"{path} was changed while it was read. Try again.")
    try:
        content = data.decode()
    except UnicodeDecodeError:
        raise DocumentError(f"{path} is not written in UTF-8. Save it as UTF-8 text.") from None
    return IncomingDocument(
        kind=kind, name=plain_text(path.name), content=content, sha256=hashlib.sha256(data).hexdigest(), **found
    )


def _read_photo(path: Path, data: bytes, keep: bool) -> IncomingPhoto:
    from handcapture.photo import read_photo

    photo = read_photo(path)
    if photo.sha256 != hashlib.sha256(data).hexdigest():
        raise InputError(f"{path} was changed while it was read. Try again.")
    kept = None
    if keep:
        from handcapture.journal.photos import without_personal_data

        kept = without_personal_data(data, photo)
    return IncomingPhoto(plain_text(path.name), photo.sha256, photo.captured_at, kept)


def _kind_of(path: Path, data: bytes) -> DocumentKind:
    """Tell a document's kind by its schema or, in a file that a person wrote, by the entries that only it has."""
    known = "a rest, layout or check (JSON), a plan or panel (TOML), or a photo"
    if data.lstrip()[:1] in (b"{", b"["):
        try:
            content = json.loads(data)
        except (ValueError, RecursionError) as error:
            raise DocumentError(f"{path} looks like JSON but is not: {brief(error)}. Write it again.") from None
        schema = content.get("schema") if isinstance(content, dict) else None
        kind = schema.partition("/")[0].removeprefix("handcapture.") if isinstance(schema, str) else None
        for name in DOCUMENT_KINDS:
            if name == kind:
                return name
        raise DocumentError(f"{path} is a JSON file, but no document that a journal keeps. It keeps {known}.")
    try:
        entries = parse_toml(data)
    except UnicodeDecodeError:
        raise InputError(f"{path} is nothing that a journal keeps: {known}. Check that it is the right file.") from None
    except ValueError as error:
        remedy = f"If it is meant as a plan or panel, mend the TOML: {brief(error)}."
        raise InputError(f"{path} is nothing that a journal keeps: {known}. {remedy}") from None
    if "buttons" in entries:
        return "plan"
    if {"width_mm", "outline", "keep_outs"} & set(entries):
        return "panel"
    raise DocumentError(
        f"{path} is TOML, but neither a plan (it has no [[buttons]]) nor a panel (it has no width_mm and no outline)."
    )


def _readers() -> dict[DocumentKind, Any]:
    return {"rest": _rest, "layout": _layout, "check": _check, "plan": _plan, "panel": _panel}


def _rest(path: Path) -> dict[str, Any]:
    from handcapture.rest_document import read_rest

    rest = read_rest(path)
    return {"title": "", "placements": tuple(_noted(placement.sources) for placement in rest.placements)}


def _layout(path: Path) -> dict[str, Any]:
    from handcapture.layout.document import read_layout

    layout = read_layout(path)
    return {
        "title": layout.name,
        "revision": layout.revision,
        "rest_sha256": layout.rest_sha256,
        "buttons": tuple(button.label for button in layout.buttons),
    }


def _check(path: Path) -> dict[str, Any]:
    raw, _ = load_json(path, CHECK_KIND, 1)
    check = validated(_Check, raw, path, "check", "Write it again with handcapture check.")
    return {
        "title": check.layout,
        "revision": check.revision,
        "buttons": tuple(button.label for button in check.buttons),
        "placements": tuple(_noted(placement.sources) for placement in check.placement_records),
    }


def _noted(sources: Iterable[Source | _CheckedPhoto]) -> tuple[NotedPhoto, ...]:
    return tuple(NotedPhoto(s.photo_name, s.photo_sha256, s.captured_at) for s in sources)


def _plan(path: Path) -> dict[str, Any]:
    from handcapture.layout.plan import load_plan

    plan = load_plan(path)
    return {"title": plan.name, "buttons": tuple(button.label for button in plan.buttons)}


def _panel(path: Path) -> dict[str, Any]:
    from handcapture.layout.plan import load_panel

    panel, _ = load_panel(path)
    return {"title": panel.name}
