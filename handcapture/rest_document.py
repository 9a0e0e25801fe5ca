"""The rest as a JSON document, written and read back."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from handcapture.documents import dump_json, load_json, plain, validated, write_atomically
from handcapture.errors import DocumentError
from handcapture.names import Finger, Side
from handcapture.placement import Contact, HandPosture, Palm, Placement, Source
from handcapture.rest import MOST_PLACEMENTS, Fingertip, Rest
from handcapture.version import __version__

KIND = "handcapture.rest"
VERSION = 1

Finite = Annotated[float, Field(allow_inf_nan=False, ge=-1e5, le=1e5)]
Point = tuple[Finite, Finite]
Near = Annotated[float, Field(allow_inf_nan=False, ge=-3000, le=3000)]
Place = tuple[Near, Near]
"""On a mat or around it, mm: the largest mats have not half a metre."""
Deviation = Annotated[float, Field(allow_inf_nan=False, ge=0, le=500)]


def _covariance(value: tuple[Point, Point]) -> tuple[Point, Point]:
    matrix = np.array(value)
    if not np.allclose(matrix, matrix.T, atol=1e-4) or float(np.linalg.eigvalsh(matrix)[0]) < 0:
        raise ValueError("this is no covariance (symmetric, not negative)")
    return value


Matrix = Annotated[tuple[Point, Point], AfterValidator(_covariance)]


class _Entry(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class _Tip(_Entry):
    side: Side
    finger: Finger
    contact_mm: Place
    covariance_mm2: Matrix
    hidden: bool
    spread_mm2: Matrix
    spread_is_assumed: bool
    reach: Point
    breadth_mm: Finite
    placements: Annotated[int, Field(ge=1)]
    stretch_mm: Deviation | None = None
    stretch_sd_mm: Deviation | None = None


class _Contact(_Entry):
    side: Side
    finger: Finger
    contact_mm: Place
    covariance_mm2: Matrix
    hidden: bool
    reach: Point
    breadth_mm: Finite
    advice: str | None = None
    shared_mm2: tuple[Point, Point] = ((0.0, 0.0), (0.0, 0.0))
    stretch_mm: Deviation | None = None
    stretch_sd_mm: Deviation | None = None


class _Palm(_Entry):
    outline_mm: Annotated[list[Place], Field(min_length=3, max_length=1000)]
    height_mm: Finite
    heel_mm: Place
    heel_sd_mm: Deviation
    wrist_line_mm: tuple[Place, Place]
    forearm: Point | None = None
    forearm_breadth_mm: Finite | None = None


class _Hand(_Entry):
    side: Side
    wrist_mm: Place
    wrist_deviation_deg: Finite
    wrist_deviation_sd_deg: Finite
    forearm_seen: bool
    hand_length_mm: Finite
    hand_breadth_mm: Finite
    palm: _Palm | None = None


class _Source(_Entry):
    photo_name: str
    photo_sha256: str
    captured_at: str | None
    mat: str
    print_scale: Point
    print_scale_sd: Finite
    tilt_deg: Finite
    height_mm: Finite
    mm_per_px: Finite
    rms_px: Finite


class _Placement(_Entry):
    contacts: list[_Contact]
    hands: list[_Hand]
    sources: list[_Source]


class _Document(_Entry):
    frame: Literal["mat"]
    placements: Annotated[int, Field(ge=1)]
    fingertips: Annotated[list[_Tip], Field(min_length=1)]
    hands: list[_Hand]
    placement_records: Annotated[list[_Placement], Field(max_length=MOST_PLACEMENTS)]
    notes: list[str] = []


_LATER = ("stretch_mm", "stretch_sd_mm", "palm", "forearm", "forearm_breadth_mm")
"""Written only where they are known: a rest that was measured before they were keeps its hash."""


def _fields(item: Any) -> dict[str, Any]:
    values = {name: getattr(item, name) for name in item.__dataclass_fields__}
    return {name: plain(value) for name, value in values.items() if value is not None or name not in _LATER}


def _hand_fields(hand: HandPosture) -> dict[str, Any]:
    fields = _fields(replace(hand, palm=None))
    return fields if hand.palm is None else {**fields, "palm": _fields(hand.palm)}


def rest_document(rest: Rest) -> dict[str, Any]:
    """Return the document of a rest."""
    return {
        "schema": f"{KIND}/{VERSION}",
        "program": f"handcapture {__version__}",
        "frame": "mat",
        "frame_note": "mm; origin at the top-left corner of the (first) sheet, x right, y down towards the person",
        "covariance_note": (
            "of one placement: of where the finger came down in it; of several: of the mean over placements"
        ),
        "placements": rest.placement_count,
        "fingertips": [_fields(tip) for tip in rest.fingertips],
        "hands": [_hand_fields(hand) for hand in rest.hands],
        "placement_records": [
            {
                "contacts": [_fields(contact) for contact in placement.contacts],
                "hands": [_hand_fields(hand) for hand in placement.hands],
                "sources": [_fields(source) for source in placement.sources],
            }
            for placement in rest.placements
        ],
        "notes": list(rest.notes),
    }


def write_rest(path: Path, rest: Rest) -> None:
    """Write the rest to `path`, whole or not at all."""
    write_atomically(path, dump_json(rest_document(rest)))


def rest_sha256(rest: Rest) -> str:
    """Return the hash that layouts name to say which rest they were fitted to."""
    return hashlib.sha256(dump_json(rest_document(rest))).hexdigest()


def read_rest(path: Path) -> Rest:
    """Read a rest. DocumentError names the entry that is wrong."""
    raw, _ = load_json(path, KIND, VERSION)
    document = validated(_Document, raw, path, "rest", "Write it again with handcapture capture.")
    seen = [(tip.side, tip.finger) for tip in document.fingertips]
    if len(set(seen)) < len(seen):
        raise DocumentError(f"{path} is not a usable rest: a finger is listed twice.")
    return Rest(
        fingertips=tuple(_tip(tip) for tip in document.fingertips),
        hands=tuple(_hand(hand) for hand in document.hands),
        placements=tuple(
            Placement(
                contacts=tuple(_contact(contact) for contact in placement.contacts),
                hands=tuple(_hand(hand) for hand in placement.hands),
                sources=tuple(Source(**source.model_dump()) for source in placement.sources),
            )
            for placement in document.placement_records
        ),
        notes=tuple(document.notes),
    )


def _array(value: Any) -> NDArray[np.float64]:
    return np.array(value, dtype=np.float64)


def _tip(tip: _Tip) -> Fingertip:
    arrays = {name: _array(getattr(tip, name)) for name in ("contact_mm", "covariance_mm2", "spread_mm2", "reach")}
    return Fingertip(**{**tip.model_dump(), **arrays})


def _contact(contact: _Contact) -> Contact:
    arrays = {name: _array(getattr(contact, name)) for name in ("contact_mm", "covariance_mm2", "reach", "shared_mm2")}
    return Contact(**{**contact.model_dump(), **arrays})


def _hand(hand: _Hand) -> HandPosture:
    palm = None if hand.palm is None else _palm(hand.palm)
    return HandPosture(**{**hand.model_dump(), "wrist_mm": _array(hand.wrist_mm), "palm": palm})


def _palm(palm: _Palm) -> Palm:
    arrays = {name: _array(getattr(palm, name)) for name in ("outline_mm", "heel_mm", "wrist_line_mm")}
    forearm = None if palm.forearm is None else _array(palm.forearm)
    return Palm(**{**palm.model_dump(), **arrays, "forearm": forearm})
