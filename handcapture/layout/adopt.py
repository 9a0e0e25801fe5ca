"""Make a plan of a panel that already exists: its holes, the fingers that work them, and where they were.

The plan keeps each hole's place in the drawing (`was_mm`), so that it can be fitted to any rest: the panel is then
moved rigidly onto each hand, and pulls its buttons as strongly as the plan says. The panel itself is taken over with
its outline, openings and keep-outs.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from handcapture.documents import first_slip, plain_text
from handcapture.errors import InputError
from handcapture.layout.assign import AssignedHole, Assignment, assign_holes
from handcapture.layout.model import Cut, KeepOut, Point
from handcapture.layout.plan import DEFAULT_PULL, HOLE_LIMITS_MM, ButtonWish, PanelFile, Plan
from handcapture.layout.source import Drawing, Hole
from handcapture.layout.source_shapes import as_rectangle
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.rest import Rest

FloatArray = NDArray[np.float64]

_NEAT_MM: Final = 0.02
"""A corner radius this near to a tenth of a millimetre is meant to be it: chords cut corners."""
_CORNERS_TOLD: Final = (
    "outline: its corners in mm, clockwise: x to the right, y towards the person, and where an arc leads to the next "
    "corner its bulge, the tangent of a quarter of its angle (positive: clockwise)."
)
_FAR_MM: Final = (5.0, 80.0)
_LEAST_OPENING_MM: Final = 0.1
"""What is smaller is no opening that anybody cuts, but a slip of the drawing."""


@dataclass(frozen=True)
class Adopted:
    """The plan, the panel where the drawing has an outline, how holes were assigned, and what to know of it."""

    plan: Plan
    panel: PanelFile | None
    assignment: Assignment
    notes: tuple[str, ...]


def adopt(
    drawing: Drawing,
    rest: Rest,
    name: str,
    fixed: Mapping[int, tuple[Side, Finger]] | None = None,
    pull: float = DEFAULT_PULL,
    others: Collection[int] = (),
) -> Adopted:
    """Return the plan of an existing panel for the hands of `rest`.

    `fixed` names the finger of holes by their place in the drawing; it goes before what the drawing states. `others`
    are holes that are no button's: these, and holes that no button can have, become openings of the panel. Holes that
    no finger reaches are left out, and told. InputError when there is no hole that a button can have.
    """
    drawing, fixed, openings, numbers = _parted(drawing, dict(fixed or {}), set(others), rest)
    assignment = _renumbered(assign_holes(drawing.holes, rest, fixed), numbers, drawing)
    assignment = replace(assignment, holes=_side_by_side(assignment, rest))
    motions = {hand.side: hand for hand in assignment.hands}
    places = [motions[entry.side].moved(np.array([entry.hole.centre_mm]))[0] for entry in assignment.holes]
    plan = _plan(assignment.holes, places, rest, name, pull)
    panel, told = _panel(drawing, name)
    doubtful = [
        f"{wish.label} (hole {entry.index + 1}) may belong to another finger than the {entry.side} {entry.finger}: "
        "name its finger if so (--finger)."
        for entry, wish in zip(assignment.holes, plan.buttons, strict=True)
        if entry.doubtful
    ]
    return Adopted(plan, panel, assignment, (*drawing.notes, *openings, *assignment.notes, *doubtful, *told))


def _renumbered(assignment: Assignment, numbers: Sequence[int], drawing: Drawing) -> Assignment:
    """Return the assignment of `drawing`, whose holes are `numbers` of the one that was read, by those numbers.

    Rows that the drawing states go first.
    """
    holes = tuple(
        replace(entry, index=numbers[entry.index], row=entry.hole.row or entry.row) for entry in assignment.holes
    )
    # Those two name holes by the numbers that no longer hold; doubtful holes are told one by one.
    notes = [note for note in assignment.notes if not note.startswith(("No finger comes near", "Another finger might"))]
    if assignment.unassigned:
        named = ", ".join(
            f"{numbers[k] + 1}" + (f" ({label})" if (label := drawing.holes[k].label) else "")
            for k in assignment.unassigned
        )
        notes.insert(
            0,
            f"No finger comes near, or is left for, these holes, and they were left out: {named}. Name their finger "
            "(--finger), or keep them as openings of the panel (--other).",
        )
    unassigned = tuple(numbers[k] for k in assignment.unassigned)
    return replace(assignment, holes=holes, unassigned=unassigned, notes=tuple(notes))


def _side_by_side(assignment: Assignment, rest: Rest) -> tuple[AssignedHole, ...]:
    """Return the holes ordered by finger and row, and those that share one across the finger's reach.

    The fit puts buttons that share a finger's place beside each other in the order of the plan.
    """
    motions = {hand.side: hand for hand in assignment.hands}
    reaches = {(tip.side, tip.finger): tip.reach for tip in rest.fingertips}

    def place(entry: AssignedHole) -> tuple[int, int, str, float]:
        reach = reaches[entry.side, entry.finger]
        x, y = motions[entry.side].moved(np.array([entry.hole.centre_mm]))[0]
        return SIDES.index(entry.side), FINGERS.index(entry.finger), entry.row, float(-reach[1] * x + reach[0] * y)

    return tuple(sorted(assignment.holes, key=place))


def _parted(
    drawing: Drawing, fixed: dict[int, tuple[Side, Finger]], others: set[int], rest: Rest
) -> tuple[Drawing, dict[int, tuple[Side, Finger]], list[str], list[int]]:
    """Return the drawing with buttons' holes alone and the rest as cuts, the fingers of holes that are known, what to
    say, and the place of each hole in the drawing that was read.
    """
    low, high = HOLE_LIMITS_MM
    fitting = {k for k, hole in enumerate(drawing.holes) if low <= hole.diameter_mm <= high}
    usable = [k for k in range(len(drawing.holes)) if k in fitting and k not in others]
    aside = [k for k in range(len(drawing.holes)) if k not in set(usable)]
    sizes = ", ".join(f"{size:g}" for size in sorted({round(drawing.holes[k].diameter_mm, 2) for k in aside}))
    if drawing.holes and not fitting:
        raise InputError(
            f"All holes of the drawing are outside what a button can have ({low:g} to {high:g} mm): {sizes} mm. Is the "
            "unit right (--units)?"
        )
    if drawing.holes and not usable:
        raise InputError("No hole is left for a button: all others were said to be none (--other). Leave some of them.")
    for k in sorted(set(fixed) - set(usable)):
        if k in others:
            raise InputError(
                f"Hole {k + 1} was given to the {fixed[k][0]} {fixed[k][1]} and said to be no button's. Leave out "
                "--finger or --other."
            )
        if 0 <= k < len(drawing.holes):
            raise InputError(
                f"Hole {k + 1} measures {drawing.holes[k].diameter_mm:g} mm and cannot be a button's ({low:g} to "
                f"{high:g} mm). Leave its finger out."
            )
    taken = {cut.name for cut in drawing.cuts}
    cuts = [_cut(drawing.holes[k], k, taken) for k in aside]
    cuts = [cut for cut in cuts if _extent_mm(cut) >= _LEAST_OPENING_MM]
    notes = []
    if len(cuts) < len(aside):
        notes.append(f"Holes of less than {_LEAST_OPENING_MM:g} mm are left out: {len(aside) - len(cuts)}.")
    if cuts:
        one = len(cuts) == 1
        what = f"{len(cuts)} {'hole is' if one else 'holes are'} no button's, {sizes} mm wide"
        if drawing.outline is None:
            notes.append(f"{what}, and {'was' if one else 'were'} left out: without an outline there is no panel.")
        else:
            notes.append(f"{what}, and became {'an opening' if one else 'openings'} of the panel.")
    new = {old: k for k, old in enumerate(usable)}
    kept = replace(drawing, holes=tuple(drawing.holes[k] for k in usable), cuts=(*drawing.cuts, *cuts))
    fixed = {new[k]: finger for k, finger in fixed.items() if k in new}
    return kept, _stated(drawing, new, fixed, rest) | fixed, notes, usable


def _stated(
    drawing: Drawing, new: Mapping[int, int], fixed: Mapping[int, tuple[Side, Finger]], rest: Rest
) -> dict[int, tuple[Side, Finger]]:
    """Return the fingers that the drawing states of holes that are not `fixed`, by their new places."""
    known = {(tip.side, tip.finger) for tip in rest.fingertips}
    stated: dict[int, tuple[Side, Finger]] = {}
    for old, k in new.items():
        hole = drawing.holes[old]
        if k in fixed or hole.side is None or hole.finger is None:
            continue
        if (hole.side, hole.finger) not in known:
            named = f"Hole {old + 1}" + (f" ({hole.label})" if hole.label else "")
            raise InputError(
                f"{named} belongs to the {hole.side} {hole.finger} by the drawing, which the rest does not hold. "
                f"Measure photos that show it, or name another finger: --finger {old + 1} SIDE FINGER."
            )
        stated[k] = hole.side, hole.finger
    return stated


def _cut(hole: Hole, index: int, taken: set[str]) -> Cut:
    name, number = hole.label or f"hole {index + 1}", 1
    stem = name
    while name in taken:
        number += 1
        name = f"{stem} {number}"
    taken.add(name)
    return Cut(name, "circle", hole.centre_mm, hole.diameter_mm)


def arranged(holes: Sequence[AssignedHole], rest: Rest, name: str, pull: float = 1.0) -> Plan:
    """Return the plan of holes that stand in the mat frame, as `starters` lays them for the hands of `rest`."""
    return _plan(holes, [np.array(entry.hole.centre_mm) for entry in holes], rest, name, pull)


def off_their_fingers(plan: Plan, rest: Rest) -> list[tuple[str, float]]:
    """Return the buttons of the near row that are laid with their finger outside the hole, and how far off, mm.

    `plan` is one of `arranged`: its `was_mm` are places in the mat frame of `rest`.
    """
    contacts = {(tip.side, tip.finger): tip.contact_mm for tip in rest.fingertips}
    off = [
        (b.label, math.dist(b.was_mm, contacts[b.side, b.finger]), plan.hole_of(b))
        for b in plan.buttons
        if b.was_mm is not None and b.row == "near"
    ]
    return [(label, distance) for label, distance, hole_mm in off if plan.pull > 0.5 and distance > hole_mm / 2]


def _plan(holes: Sequence[AssignedHole], places: Sequence[FloatArray], rest: Rest, name: str, pull: float) -> Plan:
    """Return a button for each hole, which lies at its of `places` (2,) once it is moved onto the hand."""
    contacts = {(tip.side, tip.finger): tip for tip in rest.fingertips}
    wishes = []
    for entry, place, label in zip(holes, places, _labels(holes), strict=True):
        tip = contacts[entry.side, entry.finger]
        along = float((place - tip.contact_mm) @ tip.reach)
        wishes.append(
            ButtonWish(
                label=label,
                side=entry.side,
                finger=entry.finger,
                hole_mm=round(entry.hole.diameter_mm, 3),
                row=entry.row,
                far_mm=round(float(np.clip(along, *_FAR_MM)), 1) if entry.row == "far" else None,
                was_mm=_rounded(entry.hole.centre_mm),
            )
        )
    usual = Counter(wish.hole_mm for wish in wishes).most_common(1)[0][0]
    return Plan(name=plain_text(name)[:80] or "panel", hole_mm=usual or 24.0, pull=pull, buttons=tuple(wishes))


def _rounded(point: Point) -> Point:
    return round(point[0], 4) + 0.0, round(point[1], 4) + 0.0


def _labels(holes: Sequence[AssignedHole]) -> list[str]:
    """Return the drawing's own labels where they are there and differ, else the finger's name and a number."""
    own = [(entry.hole.label or "").strip()[:40] for entry in holes]
    counts = Counter(own)
    labels: list[str] = []
    taken = {label for label in own if label and counts[label] == 1}
    for entry, label in zip(holes, own, strict=True):
        if not label or counts[label] > 1:
            stem, number = f"{entry.side} {entry.finger}", 1
            label = stem
            while label in taken:
                number += 1
                label = f"{stem} {number}"
            taken.add(label)
        labels.append(label)
    return labels


def _panel(drawing: Drawing, name: str) -> tuple[PanelFile | None, list[str]]:
    """Return the panel where there is an outline, and what is to be added to it by hand."""
    from pydantic import ValidationError

    if drawing.outline is None:
        lost = len(drawing.keep_outs)
        told = f" {lost} keep-out{'s are' if lost > 1 else ' is'} left out without it." if lost else ""
        return None, [f"No outline is known; write a panel file yourself.{told}"]
    content: dict[str, Any] = {"name": plain_text(name)[:80] or "panel"}
    rectangle = as_rectangle(drawing.outline)
    if rectangle is not None:
        _, (width, height), radius = rectangle
        neat = round(radius, 1) if abs(radius - round(radius, 1)) < _NEAT_MM else round(radius, 3)
        content |= {"width_mm": round(width, 4), "height_mm": round(height, 4)}
        content["corner_radius_mm"] = min(neat, content["width_mm"] / 2, content["height_mm"] / 2)
    else:
        content["outline"] = [
            (*_rounded((x, y)), *([round(bulge, 6)] if bulge else ())) for x, y, bulge in drawing.outline
        ]
    stated = {key: getattr(drawing, key) for key in ("thickness_mm", "material", "edge_mm", "web_mm")}
    content |= {key: value for key, value in stated.items() if value is not None}
    content["keep_outs"] = [_entry(keep_out) for keep_out in drawing.keep_outs if _extent_mm(keep_out) > 0]
    content["cuts"] = [_entry(cut) for cut in drawing.cuts if _extent_mm(cut) >= _LEAST_OPENING_MM]
    tiny = [cut.name for cut in drawing.cuts if _extent_mm(cut) < _LEAST_OPENING_MM]
    notes = [f"Too small to be openings, and left out: {_listed(tiny)}."] if tiny else []
    missing = [] if drawing.keep_outs else ["what must stay free"]
    missing += [
        word for word, value in (("thickness", drawing.thickness_mm), ("material", drawing.material)) if value is None
    ]
    free = f"The drawing does not tell {_listed(missing)}: add it to the panel file before you fit."
    notes += [free] if missing else []
    try:
        return PanelFile.model_validate(content), notes
    except ValidationError as error:
        raise InputError(f"The drawing gives no usable panel: {first_slip(error)}. Mend it there.") from None


def _extent_mm(shape: KeepOut | Cut) -> float:
    """Return the least extent as it is written."""
    return round(min(shape.size_mm) if shape.shape == "rectangle" else shape.diameter_mm, 4)


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1] if words else ""


def _entry(shape: KeepOut | Cut) -> dict[str, Any]:
    """Return the fields of a cut or keep-out, lengths rounded as places are."""
    fields: dict[str, Any] = {}
    for key, value in vars(shape).items():
        if isinstance(value, float):
            value = round(value, 4) + 0.0
        fields[key] = _rounded(value) if isinstance(value, tuple) else value
    if "corner_radius_mm" in fields:
        fields["corner_radius_mm"] = min(fields["corner_radius_mm"], *(side / 2 for side in fields["size_mm"]))
    return fields


def plan_toml(plan: Plan, notes: Sequence[str] = ()) -> str:
    """Return a plan as a file that `load_plan` reads, notes as comments on top."""
    return _toml(plan.model_dump(mode="json", exclude_defaults=True), notes)


def panel_toml(panel: PanelFile, notes: Sequence[str] = ()) -> str:
    """Return a panel as a file that `load_panel` reads, a corner of the outline on each line, notes on top."""
    content = panel.model_dump(mode="json", exclude_none=True)
    for entries in ("keep_outs", "cuts", "side_features"):
        told = [entry.model_dump(mode="json", exclude_defaults=True) for entry in getattr(panel, entries)]
        content.pop(entries)
        if told:
            content[entries] = told
    if panel.outline:
        content.pop("corner_radius_mm")
        notes = [*notes, _CORNERS_TOLD]
    else:
        content.pop("outline")
    return _toml(content, notes)


def _toml(content: dict[str, Any], notes: Iterable[str]) -> str:
    import tomli_w

    comments = "".join(f"# {' '.join(note.split())}\n" for note in notes)
    # Places and corners read better on one line than on four.
    number = r"-?[\d.e+-]+"
    text = re.sub(
        rf"\[\n\s+({number}),\n\s+({number}),\n(?:\s+({number}),\n)?\s*\]",
        lambda found: f"[{', '.join(part for part in found.groups() if part)}]",
        tomli_w.dumps(content),
    )
    return comments + text
