"""The check of a template as a JSON document: written, read back to pool it with a later one, carried into the plan."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from handcapture.check import ButtonCheck, TemplateCheck
from handcapture.documents import load_json, plain, validated
from handcapture.drawings.template import template_origin
from handcapture.errors import DocumentError, InputError, brief
from handcapture.layout.model import Button, Layout
from handcapture.mat.geometry import mat_by_name
from handcapture.names import Finger, Side
from handcapture.placement import Contact, Placement, Source
from handcapture.rest_document import Finite, Matrix, Place, Point
from handcapture.version import __version__

if TYPE_CHECKING:
    from tomlkit.items import Table

KIND: Final = "handcapture.check"
VERSION: Final = 1
SAME_MM: Final = 0.01
"""Holes of a template that are drawn so near to each other are the same hole."""


class _Entry(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class _ContactEntry(_Entry):
    side: Side
    finger: Finger
    contact_mm: Place
    covariance_mm2: Matrix
    shared_mm2: Matrix
    reach: Point
    breadth_mm: Finite
    hidden: bool


class _SourceEntry(_Entry):
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


class _PlacementEntry(_Entry):
    contacts: list[_ContactEntry]
    sources: Annotated[list[_SourceEntry], Field(min_length=1)]


class _ButtonEntry(_Entry):
    label: str
    hole_mm: Annotated[float, Field(allow_inf_nan=False, gt=0, le=100)] | None = None
    centre_mm: Place | None = None


class _Document(_Entry):
    layout: str
    revision: str | None = None
    mat: str | None = None
    panel_origin_mm: Place
    buttons: list[_ButtonEntry]
    placement_records: list[_PlacementEntry] = []


def check_document(check: TemplateCheck) -> dict[str, Any]:
    """Return the check as JSON has it.

    `placement_records` are the placements on the template as drawn, by which a later check pools them; documents of the
    first programs lack them, and mat, revision, holes and centres.
    """
    return {
        "schema": f"{KIND}/{VERSION}",
        "program": f"handcapture {__version__}",
        "layout": check.layout.name,
        "revision": check.layout.revision,
        "mat": check.mat_name,
        "placements": check.placements,
        "earlier_placements": check.earlier,
        "panel_origin_mm": plain(check.origin_mm),
        "print_scale": plain(check.print_scale),
        "print_scale_verified": check.scale_verified,
        "buttons": [
            {
                "label": b.button.label,
                "side": b.button.side,
                "finger": b.button.finger,
                "row": b.button.row,
                "hole_mm": plain(b.button.hole_mm),
                "centre_mm": plain(b.button.centre_mm),
                "verdict": b.verdict,
                "offset_mm": plain(b.offset_mm),
                "offset_covariance_mm2": plain(b.covariance_mm2),
                "spread_mm2": plain(b.spread_mm2),
                "within_plunger": plain(b.within),
                "move_mm": plain(b.move_mm),
            }
            for b in check.buttons
        ],
        "placement_records": [
            {
                "contacts": [
                    {name: plain(getattr(contact, name)) for name in _ContactEntry.model_fields}
                    for contact in placement.contacts
                ],
                "sources": [plain(asdict(source)) for source in placement.sources],
            }
            for placement in check.pooled.placements
        ],
        "notes": list(check.notes),
    }


def earlier_placements(path: Path, layout: Layout, mat_name: str) -> tuple[Placement, ...]:
    """Return the placements of an earlier check, on the template of `layout` on the mat called `mat_name`.

    DocumentError when the file is no check that can be read; InputError when it is one of other holes or another mat,
    or carries no placements.
    """
    raw, _ = load_json(path, KIND, VERSION)
    known = validated(_Document, raw, path, "check", "Check its photos again.")
    if not known.placement_records:
        raise InputError(
            f"{path} carries no placements: an older program wrote it. Check its photos again, together with the new "
            "ones."
        )
    if known.mat != mat_name:
        raise InputError(
            f"{path} is a check on the {known.mat} mat, but the photos show the {mat_name} mat. Places on them cannot "
            "be pooled; check each mat's photos on their own."
        )
    _require_same_holes(path, known, layout, mat_name)
    return tuple(
        Placement(
            contacts=tuple(_contact(contact) for contact in placement.contacts),
            hands=(),
            sources=tuple(Source(**source.model_dump()) for source in placement.sources),
        )
        for placement in known.placement_records
    )


def _contact(entry: _ContactEntry) -> Contact:
    arrays = {name: np.array(getattr(entry, name)) for name in ("contact_mm", "covariance_mm2", "shared_mm2", "reach")}
    return Contact(**{**entry.model_dump(), **arrays})


def _require_same_holes(path: Path, known: _Document, layout: Layout, mat_name: str) -> None:
    """Refuse a check whose template had its holes elsewhere on the paper."""
    origin = template_origin(layout, mat_by_name(mat_name))
    then = {button.label: button for button in known.buttons}
    now = {button.label: button for button in layout.buttons}
    differ = sorted(then.keys() ^ now.keys())
    for label in then.keys() & now.keys():
        old, new = then[label], now[label]
        if old.centre_mm is None or old.hole_mm is None:
            raise DocumentError(f"{path} is not a usable check: {label} has no centre_mm or hole_mm. Check again.")
        places = (np.add(old.centre_mm, known.panel_origin_mm), np.add(new.centre_mm, origin))
        if math.dist(*places) > SAME_MM or abs(old.hole_mm - new.hole_mm) > SAME_MM:
            differ.append(label)
    if differ:
        names = ", ".join(sorted(differ)[:4]) + (" and others" if len(differ) > 4 else "")
        revision = f", revision {known.revision}" if known.revision else ""
        raise InputError(
            f"{path} is a check of {known.layout}{revision}, whose template has other holes than {layout.name}, "
            f"revision {layout.revision} ({names}). Fingers aim at the holes they see; pool checks of one template "
            "only."
        )


@dataclass(frozen=True)
class PlanChange:
    """What a check changes of one button in the plan: `offset_mm` before and after, None for a button left alone.

    `text` says it in words.
    """

    label: str
    before_mm: tuple[float, float]
    after_mm: tuple[float, float] | None
    text: str


def updated_plan(text: str, check: TemplateCheck, name: str = "the plan") -> tuple[str, tuple[PlanChange, ...]]:
    """Return the text of a plan with every button that is to move wished for where its finger lands.

    A button's `offset_mm` changes by how far its finger lands from where the layout wished it, mat frame: by the move
    that is advised, less what the fit had moved it off its wish. Everything else, comments too, is kept. A fixed button
    (`at_mm`) stays. InputError when the plan is not the one that the layout was fitted from: it has not its buttons, or
    wishes them elsewhere.
    """
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        plan = tomlkit.parse(text)
        entries: dict[str, Table] = {str(entry["label"]): entry for entry in plan["buttons"]}
    except (TOMLKitError, KeyError, TypeError) as error:
        raise InputError(f"{name} is not a plan that can be changed: {brief(error)}. Mend it first.") from None
    moves = [entry for entry in check.buttons if entry.move_mm is not None]
    strange = [entry.button.label for entry in moves if entry.button.label not in entries]
    if strange:
        raise InputError(
            f"{name} has no button labelled {', '.join(strange)}, but the layout has. Name the plan that this layout "
            "was fitted from."
        )
    for entry in moves:
        _require_same_wish(entries[entry.button.label], entry.button, name)
    rows = [
        [str(label) for label in group.get("buttons", [group.get("left"), group.get("right")])]
        for kind in ("align", "mirror")
        for group in plan.get(kind, [])
    ]
    changes = []
    for entry in moves:
        label = entry.button.label
        wish = _wish_of(entries[label], entry.button)
        assert wish is not None
        changes.append(_change(wish, entry, any(label in row for row in rows)))
    return tomlkit.dumps(plan), tuple(changes)


def _require_same_wish(entry: Table, button: Button, name: str) -> None:
    """Refuse another plan, or a later one: the move counts from where the button was wished when it was fitted."""
    wish = _wish_of(entry, button)
    other = f"Name the plan that this layout was fitted from, or fit {name} and check a print of that."
    if wish is None:
        raise InputError(f"{name} gives {button.label} to another finger or row than the layout. {other}")
    offset = tuple(float(v) for v in wish.get("offset_mm", (0.0, 0.0)))
    if button.offset_mm is not None and max(abs(a - b) for a, b in zip(offset, button.offset_mm, strict=True)) > 1e-6:
        raise InputError(
            f"{name} wishes {button.label} at offset_mm [{offset[0]:g}, {offset[1]:g}], the layout was fitted with "
            f"[{button.offset_mm[0]:g}, {button.offset_mm[1]:g}]. {other}"
        )


def _wish_of(entry: Table, button: Button) -> Table | None:
    """Return the button's entry, or that of its alternatives which the layout took; None where it took neither."""
    taken = (button.side, button.finger, button.row)
    wishes: list[Table] = [entry, *entry.get("alternatives", [])]
    for wish in wishes:
        if (wish.get("side"), wish.get("finger"), wish.get("row", "near")) == taken:
            return wish
    return None


def _change(wish: Table, entry: ButtonCheck, tied: bool) -> PlanChange:
    """Change one wish in place."""
    import tomlkit

    button, move = entry.button, entry.move_mm
    before = (float(wish.get("offset_mm", (0.0, 0.0))[0]), float(wish.get("offset_mm", (0.0, 0.0))[1]))
    if button.fixed or "at_mm" in wish:
        told = "is fixed (at_mm) and stays; its finger lands elsewhere. Move it yourself or free it."
        return PlanChange(button.label, before, None, f"{button.label} {told}")
    assert move is not None
    by = np.array(button.centre_mm) + move - np.array(button.wish_mm)
    after = (round(before[0] + float(by[0]), 2), round(before[1] + float(by[1]), 2))
    value = tomlkit.array()
    value.extend(after)
    wish["offset_mm"] = value
    told = f"{button.label}: offset_mm [{before[0]:g}, {before[1]:g}] → [{after[0]:g}, {after[1]:g}]"
    if button.moved_mm > 0.5:
        told += f"; the fit had moved it {button.moved_mm:.1f} mm off its wish, and may do so again"
    if tied:
        told += "; a row or mirror of the plan holds it as well"
    return PlanChange(button.label, before, after, told + ".")
