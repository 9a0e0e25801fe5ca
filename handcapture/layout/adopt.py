"""Make a plan of a panel that already exists: its holes, the fingers that work them, and where they were.

The plan keeps each hole's place in the drawing (`was_mm`), so that it can be fitted to any rest: the panel is then
moved rigidly onto each hand, and pulls its buttons as strongly as the plan says. The panel itself is taken over where
its outline is a rectangle with equal round corners; of any other outline only the bounding box can be.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.layout.assign import AssignedHole, Assignment, assign_holes
from handcapture.layout.model import Point
from handcapture.layout.plan import DEFAULT_PULL, HOLE_LIMITS_MM, ButtonWish, PanelFile, Plan
from handcapture.layout.source import Drawing
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.rest import Rest

FloatArray = NDArray[np.float64]

OUTLINE_MM: Final = 0.05
"""An outline is a rounded rectangle when it stays this close to one."""
_FAR_MM: Final = (5.0, 80.0)


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
) -> Adopted:
    """Return the plan of an existing panel for the hands of `rest`.

    `fixed` names the finger of holes by their place in the drawing. Holes that no finger reaches are left out, and
    told. InputError when there is no hole that a button can have.
    """
    drawing, fixed, small = _of_usable_size(drawing, dict(fixed or {}))
    assignment = assign_holes(drawing.holes, rest, fixed)
    assignment = replace(assignment, holes=_side_by_side(assignment, rest))
    motions = {hand.side: hand for hand in assignment.hands}
    places = [motions[entry.side].moved(np.array([entry.hole.centre_mm]))[0] for entry in assignment.holes]
    plan = _plan(assignment.holes, places, rest, name, pull)
    panel, told = _panel(drawing, name)
    doubtful = [
        f"{wish.label} may belong to another finger than the {entry.side} {entry.finger}: name its finger if so."
        for entry, wish in zip(assignment.holes, plan.buttons, strict=True)
        if entry.doubtful
    ]
    return Adopted(plan, panel, assignment, (*drawing.notes, *small, *assignment.notes, *doubtful, *told))


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


def _of_usable_size(
    drawing: Drawing, fixed: dict[int, tuple[Side, Finger]]
) -> tuple[Drawing, dict[int, tuple[Side, Finger]], list[str]]:
    """Return the drawing without holes that no button can have (screws, cable glands), and what to say of them."""
    low, high = HOLE_LIMITS_MM
    usable = [k for k, hole in enumerate(drawing.holes) if low <= hole.diameter_mm <= high]
    left_out = sorted({round(hole.diameter_mm, 2) for k, hole in enumerate(drawing.holes) if k not in set(usable)})
    if not left_out:
        return drawing, fixed, []
    sizes = ", ".join(f"{size:g}" for size in left_out)
    count = len(drawing.holes) - len(usable)
    if not usable:
        raise InputError(
            f"All holes of the drawing are outside what a button can have ({low:g} to {high:g} mm): {sizes} mm. Is the "
            "unit right (--units)?"
        )
    lost = [k for k in fixed if k not in usable]
    if lost:
        raise InputError(
            f"Hole {lost[0] + 1} measures {drawing.holes[lost[0]].diameter_mm:g} mm and cannot be a button's ({low:g} "
            f"to {high:g} mm). Leave its finger out."
        )
    note = (
        f"{count} {'hole was' if count == 1 else 'holes were'} left out as no button's, {sizes} mm wide: if something "
        "is mounted there, add it to the panel as a keep-out."
    )
    new = {old: k for k, old in enumerate(usable)}
    kept = replace(drawing, holes=tuple(drawing.holes[k] for k in usable))
    return kept, {new[k]: finger for k, finger in fixed.items()}, [note]


def arranged(holes: Sequence[AssignedHole], rest: Rest, name: str, pull: float = 1.0) -> Plan:
    """Return the plan of holes that stand in the mat frame, as `starters` lays them for the hands of `rest`."""
    return _plan(holes, [np.array(entry.hole.centre_mm) for entry in holes], rest, name, pull)


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
    return Plan(name=name[:80] or "panel", hole_mm=usual or 24.0, pull=pull, buttons=tuple(wishes))


def _rounded(point: Point) -> Point:
    return round(point[0], 4), round(point[1], 4)


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
    if drawing.outline is None:
        return None, ["The drawing has no outline; write a panel file yourself."]
    outline = np.array(drawing.outline)
    width, height = (round(float(side), 3) for side in np.ptp(outline, axis=0))
    radius = _corner_radius(outline, width, height)
    free = (
        "A drawing does not tell what must stay free, thickness or material: add them to the panel file before you fit."
    )
    panel = PanelFile(
        name=name[:80] or "panel", width_mm=width, height_mm=height, corner_radius_mm=round(radius or 0.0, 1)
    )
    if radius is None:
        return panel, [
            f"The outline is no rectangle with round corners; the panel is taken as its bounding box, {width:g} × "
            f"{height:g} mm. Mark what is missing of it as keep-outs.",
            free,
        ]
    return panel, [free]


def _corner_radius(outline: FloatArray, width: float, height: float) -> float | None:
    """Return the radius of the corners of a rounded rectangle, 0 for sharp ones, None when it is none."""
    import shapely

    # The area missing from the corners of the box tells the radius: (4 - pi) r^2 in all.
    shape = shapely.Polygon(outline)
    radius = float(np.sqrt(max(width * height - shape.area, 0.0) / (4 - np.pi)))
    radius = 0.0 if radius < OUTLINE_MM else min(radius, min(width, height) / 2)
    box = shapely.box(radius, radius, width - radius, height - radius)
    like = box.buffer(radius, quad_segs=64) if radius else box
    return radius if like.boundary.hausdorff_distance(shape.boundary) < max(OUTLINE_MM, 0.02 * radius) else None


def plan_toml(plan: Plan, notes: Sequence[str] = ()) -> str:
    """Return a plan as a file that `load_plan` reads, notes as comments on top."""
    return _toml(plan.model_dump(mode="json", exclude_defaults=True), notes)


def panel_toml(panel: PanelFile, notes: Sequence[str] = ()) -> str:
    """Return a panel as a file that `load_panel` reads."""
    return _toml(panel.model_dump(mode="json", exclude_none=True, exclude={"keep_outs"}), notes)


def _toml(content: dict[str, Any], notes: Sequence[str]) -> str:
    import tomli_w

    comments = "".join(f"# {' '.join(note.split())}\n" for note in notes)
    # Places read better on one line than on four.
    text = re.sub(r"\[\n\s+(-?[\d.e+-]+),\n\s+(-?[\d.e+-]+),\n\]", r"[\1, \2]", tomli_w.dumps(content))
    return comments + text
