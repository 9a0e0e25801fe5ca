"""Compare layouts, such as the revisions of one panel: what moved, and what that does to fingers and findings.

Buttons are matched by their labels. Panels slide under the hands from fit to fit, so centres are compared in one common
frame, the first layout's mat frame: layouts that were fitted to the same rest share it as they stand, any other is
turned and shifted rigidly (never mirrored) onto the one before it, so that as many of the buttons in common as possible
stay where they were.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from handcapture.documents import plain
from handcapture.errors import InputError
from handcapture.layout.model import Button, Finding, Layout, Panel, Point
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.rest import Rest
from handcapture.rest_document import rest_sha256

if TYPE_CHECKING:
    from handcapture.layout.palm_room import HandRoom

FloatArray = NDArray[np.float64]
Common = Literal["same rest", "buttons in common", "panel corner"]

SAME_MM: Final = 0.05
"""Places and sizes that differ by less are the same: no shop drills more exactly (common practice, no source)."""
REDRILL_MM: Final = 0.5
"""A hole that stands so near to where it was drilled serves still (common practice, no source)."""
_ALIGN_STEPS: Final = 200
_ALIGN_FLOOR_MM: Final = 1e-3


@dataclass(frozen=True, eq=False)
class Placing:
    """How a layout comes into the common frame: its mat frame turned clockwise by `turned_deg`, then shifted.

    `by` tells by what: see the module.
    """

    by: Common
    turned_deg: float
    shift_mm: Point

    def to_common(self, points_mm: FloatArray) -> FloatArray:
        """Return points (N, 2) of the layout's mat frame in the common frame."""
        cos, sin = math.cos(math.radians(self.turned_deg)), math.sin(math.radians(self.turned_deg))
        turned = np.asarray(points_mm, dtype=np.float64) @ np.array([[cos, sin], [-sin, cos]])
        return np.asarray(turned + self.shift_mm, dtype=np.float64)


@dataclass(frozen=True)
class ButtonChange:
    """What became of one button. `move_mm` is in the common frame (x right, y down); None unless it is in both.

    `told` names every other difference, in words.
    """

    label: str
    kind: Literal["same", "changed", "added", "removed"]
    move_mm: Point | None = None
    told: tuple[str, ...] = ()

    @property
    def distance_mm(self) -> float:
        """How far it moved; 0 for what is not in both."""
        return 0.0 if self.move_mm is None else math.hypot(*self.move_mm)

    @property
    def moved(self) -> bool:
        """True when it moved by more than counts."""
        return self.distance_mm > SAME_MM


@dataclass(frozen=True)
class Travel:
    """How far one finger travels from where it rests to each of its buttons; None where its rest is not known."""

    side: Side
    finger: Finger
    buttons: int
    sum_mm: float | None

    @property
    def mean_mm(self) -> float | None:
        """The mean over its buttons."""
        return None if self.sum_mm is None else self.sum_mm / self.buttons


@dataclass(frozen=True)
class Figures:
    """What one layout asks of the fingers, and what its check found.

    `mean_landing` and `least_landing` are over the buttons that state a landing probability, None where none does.
    `rests_by` tells where the fingers rest: by the measured "rest", or by the "wishes" of their near buttons. `palms`
    is the room for them (`palm_room`), empty where the layout was not fitted to the rest or that holds no palms.
    """

    travels: tuple[Travel, ...]
    rests_by: Literal["rest", "wishes"]
    mean_landing: float | None
    least_landing: float | None
    least_label: str | None
    errors: int
    warnings: int
    waived: int
    palms: tuple[HandRoom, ...] = ()

    @property
    def travel_mm(self) -> float:
        """The sum over all fingers whose rest is known."""
        return math.fsum(travel.sum_mm for travel in self.travels if travel.sum_mm is not None)


@dataclass(frozen=True)
class Step:
    """What changed from one layout to the next: buttons in the new one's order, then those that went.

    `panel_move_mm` is how far the panel's corner slid in the common frame; `kept` and `redrilled` are the holes in both
    layouts that stand on the panel itself where they stood, of the same size, and those that do not.
    """

    buttons: tuple[ButtonChange, ...]
    panel_move_mm: Point
    kept: tuple[str, ...]
    redrilled: tuple[str, ...]
    panel: tuple[str, ...]
    came: tuple[Finding, ...]
    went: tuple[Finding, ...]

    @property
    def nothing(self) -> bool:
        """True when the two layouts are the same panel."""
        return not (self.panel or self.came or self.went) and all(change.kind == "same" for change in self.buttons)


@dataclass(frozen=True, eq=False)
class Comparison:
    """Layouts side by side: one `placings` and `figures` entry for each, one step between neighbours."""

    layouts: tuple[Layout, ...]
    placings: tuple[Placing, ...]
    figures: tuple[Figures, ...]
    steps: tuple[Step, ...]

    def centres_mm(self, number: int) -> FloatArray:
        """Return the centres (N, 2) of a layout's buttons in the common frame."""
        layout = self.layouts[number]
        return self.placings[number].to_common(_centres(layout, layout.buttons))


def compare_layouts(layouts: Sequence[Layout], rest: Rest | None = None) -> Comparison:
    """Compare two or more layouts, each with the one before it.

    With the rest, travels count from the measured contacts in every layout that was fitted to it. InputError for fewer
    than two layouts, or for a button without a place.
    """
    if len(layouts) < 2:
        raise InputError("One layout alone cannot be compared. Name two or more.")
    for layout in layouts:
        if not all(math.isfinite(v) for b in layout.buttons for v in (*b.centre_mm, *b.wish_mm, b.hole_mm)):
            raise InputError(f"{layout.name}, revision {layout.revision}, has a button without a place. Fit it again.")
    placings = [Placing("same rest", 0.0, (0.0, 0.0))]
    for before, after in pairwise(layouts):
        placings.append(_place(before, placings[-1], after))
    return Comparison(
        tuple(layouts),
        tuple(placings),
        tuple(_figures(layout, rest) for layout in layouts),
        tuple(
            _step(layouts[k], placings[k], layouts[k + 1], placings[k + 1]) for k in range(len(layouts) - 1)
        ),
    )  # fmt: skip


def align(from_mm: FloatArray, onto_mm: FloatArray) -> tuple[float, Point]:
    """Return the turn (degrees, clockwise with y down) and shift that lay points (N, 2) onto others, N of 1 or more.

    The sum of distances is least, not that of squares: points that stay in place to each other come to lie exactly,
    whatever a few others do. It is found as weighted least squares, weights 1 / distance (Weiszfeld 1937), each with
    the rotation of Kabsch (1976), which in the plane is the angle of one complex sum. A single point is shifted only.
    """
    start, end = (points[:, 0] + 1j * points[:, 1] for points in (from_mm, onto_mm))
    weight = np.ones(len(start))
    turn, shift = 1.0 + 0.0j, complex(0.0)
    for _ in range(_ALIGN_STEPS):
        weight /= weight.sum()
        middle, aim = complex(weight @ start), complex(weight @ end)
        product = complex((weight * np.conj(start - middle)) @ (end - aim))
        turn = product / abs(product) if abs(product) > 1e-9 else 1.0 + 0.0j
        shift = aim - turn * middle
        off = np.abs(turn * start + shift - end)
        weight = 1.0 / np.maximum(off, _ALIGN_FLOOR_MM)
        if float(off.max()) < _ALIGN_FLOOR_MM:
            break
    return float(np.degrees(np.angle(turn))), (shift.real, shift.imag)


def _centres(layout: Layout, buttons: Iterable[Button]) -> FloatArray:
    """Return centres (N, 2) in the layout's mat frame."""
    return np.array([button.centre_mm for button in buttons]).reshape(-1, 2) + layout.panel_origin_mm


def _place(before: Layout, placed: Placing, after: Layout) -> Placing:
    if after.rest_sha256 is not None and after.rest_sha256 == before.rest_sha256:
        return Placing("same rest", placed.turned_deg, placed.shift_mm)
    old = {button.label: button for button in before.buttons}
    shared = [button for button in after.buttons if button.label in old]
    if not shared:
        corner = placed.to_common(np.array([before.panel_origin_mm]))[0]
        own = Placing("panel corner", placed.turned_deg, (0.0, 0.0)).to_common(np.array([after.panel_origin_mm]))[0]
        shift = corner - own
        return Placing("panel corner", placed.turned_deg, (float(shift[0]), float(shift[1])))
    aims = placed.to_common(_centres(before, (old[button.label] for button in shared)))
    return Placing("buttons in common", *align(_centres(after, shared), aims))


def _step(before: Layout, placed: Placing, after: Layout, then: Placing) -> Step:
    old = {button.label: button for button in before.buttons}
    new = {button.label: button for button in after.buttons}
    changes = []
    for button, centre in zip(after.buttons, then.to_common(_centres(after, after.buttons)), strict=True):
        if button.label not in old:
            who = f"{button.side} {button.finger}, {button.row} row, hole {button.hole_mm:g} mm"
            changes.append(ButtonChange(button.label, "added", None, (who,)))
            continue
        was = old[button.label]
        x, y = (centre - placed.to_common(_centres(before, [was]))[0]).tolist()
        told = _differences(was, button)
        kind: Literal["same", "changed"] = "changed" if told or math.hypot(x, y) > SAME_MM else "same"
        changes.append(ButtonChange(button.label, kind, (x, y), told))
    changes += [ButtonChange(b.label, "removed") for b in before.buttons if b.label not in new]
    earlier, later = ({_key(finding): finding for finding in layout.findings} for layout in (before, after))
    corners = [
        place.to_common(np.array([layout.panel_origin_mm]))[0] for place, layout in ((placed, before), (then, after))
    ]
    slid_x, slid_y = (corners[1] - corners[0]).tolist()
    both = [(old[label], new[label]) for label in new if label in old]
    kept = tuple(
        now.label
        for was, now in both
        if math.dist(was.centre_mm, now.centre_mm) <= REDRILL_MM and abs(was.hole_mm - now.hole_mm) <= SAME_MM
    )
    return Step(
        tuple(changes),
        (slid_x, slid_y),
        kept,
        tuple(now.label for _, now in both if now.label not in kept),
        _panel_changes(before.panel, after.panel),
        tuple(finding for key, finding in later.items() if key not in earlier),
        tuple(finding for key, finding in earlier.items() if key not in later),
    )


def _key(finding: Finding) -> tuple[str, frozenset[str], bool]:
    return finding.code, frozenset(finding.concerns), finding.waived is not None


def _differences(was: Button, now: Button) -> tuple[str, ...]:
    """Say everything that differs but the place."""
    told = []
    if abs(was.hole_mm - now.hole_mm) > SAME_MM:
        told.append(f"hole {was.hole_mm:g} → {now.hole_mm:g} mm")
    if (was.side, was.finger) != (now.side, now.finger):
        told.append(f"{was.side} {was.finger} → {now.side} {now.finger}")
    if was.row != now.row:
        told.append(f"{was.row} → {now.row} row")
    if was.part != now.part:
        names = [button.part.name if button.part else "none" for button in (was, now)]
        told.append(f"part {names[0]} → {names[1]}" if names[0] != names[1] else f"part {names[0]}: other sizes")
    if was.fixed != now.fixed:
        told.append("now fixed" if now.fixed else "no longer fixed")
    return tuple(told)


_PANEL_WORDS: Final = {
    "name": "name",
    "width_mm": "width",
    "height_mm": "height",
    "corner_radius_mm": "corner radius",
    "edge_mm": "edge distance",
    "web_mm": "web",
    "thickness_mm": "thickness",
    "material": "material",
    "rim_gap_mm": "gap between rims",
    "body_gap_mm": "gap between bodies",
}


def _panel_changes(was: Panel, now: Panel) -> tuple[str, ...]:
    told = []
    for name, word in _PANEL_WORDS.items():
        old, new = getattr(was, name), getattr(now, name)
        if isinstance(old, float | int) and isinstance(new, float | int):
            if abs(old - new) > SAME_MM:
                told.append(f"{word} {old:g} → {new:g} mm")
        elif old != new:
            told.append(f"{word} {_worded(old)} → {_worded(new)}")
    if (was.outline or now.outline) and (changed := _area_changed(was, now)) > 1.0:
        told.append(f"outline differs by {changed:.0f} mm²")
    for what, olds, news in (
        ("keep-out", was.keep_outs, now.keep_outs),
        ("cut", was.cuts, now.cuts),
        ("side feature", was.side_features, now.side_features),
    ):
        told += _list_changes(what, olds, news)
    return tuple(told)


def _worded(value: Any) -> str:
    return "not stated" if value is None else f"{value:g} mm" if isinstance(value, float | int) else str(value)


def _area_changed(was: Panel, now: Panel) -> float:
    """Return the area that only one of two outlines has, mm², corner on corner."""
    from handcapture.layout.outline import polygon

    return float(polygon(was).symmetric_difference(polygon(now)).area)


def _list_changes(what: str, olds: Sequence[Any], news: Sequence[Any]) -> list[str]:
    """Match entries by name, those of one name in their order; say which came, went or changed in what."""
    old, new = (dict(_numbered(entries)) for entries in (olds, news))
    told = [f"{what} {_entry_name(key)} added" for key in new if key not in old]
    told += [f"{what} {_entry_name(key)} removed" for key in old if key not in new]
    for key in new:
        if key in old and old[key] != new[key]:
            differ = [
                field.name.removesuffix("_mm").replace("_", " ")
                for field in fields(new[key])
                if getattr(old[key], field.name) != getattr(new[key], field.name)
            ]
            told.append(f"{what} {_entry_name(key)}: other {', '.join(differ)}")
    return told


def _numbered(entries: Sequence[Any]) -> list[tuple[tuple[str, int], Any]]:
    count: dict[str, int] = {}
    keyed = []
    for entry in entries:
        count[entry.name] = count.get(entry.name, 0) + 1
        keyed.append(((entry.name, count[entry.name]), entry))
    return keyed


def _entry_name(key: tuple[str, int]) -> str:
    return key[0] if key[1] == 1 else f"{key[0]} ({key[1]})"


def _figures(layout: Layout, rest: Rest | None) -> Figures:
    measured = rest is not None and layout.rest_sha256 == rest_sha256(rest)
    rests = _contacts(layout, rest) if rest is not None and measured else _wished(layout)
    travels = []
    for side in SIDES:
        for finger in FINGERS:
            own = [button for button in layout.buttons if (button.side, button.finger) == (side, finger)]
            if own:
                at = rests.get((side, finger))
                far = None if at is None else math.fsum(math.dist(at, button.centre_mm) for button in own)
                travels.append(Travel(side, finger, len(own), far))
    landings = [(b.landing_probability, b.label) for b in layout.buttons if b.landing_probability is not None]
    least = min(landings, default=(None, None))
    open_ = [finding for finding in layout.findings if finding.waived is None]
    return Figures(
        travels=tuple(travels),
        rests_by="rest" if measured else "wishes",
        mean_landing=math.fsum(p for p, _ in landings) / len(landings) if landings else None,
        least_landing=least[0],
        least_label=least[1],
        errors=sum(finding.severity == "error" for finding in open_),
        warnings=sum(finding.severity == "warning" for finding in open_),
        waived=len(layout.findings) - len(open_),
        palms=_palms(layout, rest) if rest is not None and measured else (),
    )


def _palms(layout: Layout, rest: Rest) -> tuple[HandRoom, ...]:
    from handcapture.layout.palm_room import palm_room

    return palm_room(layout, rest).hands


def _contacts(layout: Layout, rest: Rest) -> dict[tuple[Side, Finger], Point]:
    """Return where the fingers rest, panel frame."""
    origin = layout.panel_origin_mm
    return {
        (tip.side, tip.finger): (float(tip.contact_mm[0]) - origin[0], float(tip.contact_mm[1]) - origin[1])
        for tip in rest.fingertips
    }


def _wished(layout: Layout) -> dict[tuple[Side, Finger], Point]:
    """Return the middle of what each finger's near buttons wish for, panel frame."""
    near: dict[tuple[Side, Finger], list[Point]] = {}
    for button in layout.buttons:
        if button.row == "near":
            near.setdefault((button.side, button.finger), []).append(button.wish_mm)
    return {
        key: (math.fsum(x for x, _ in wishes) / len(wishes), math.fsum(y for _, y in wishes) / len(wishes))
        for key, wishes in near.items()
    }


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """Return the comparison as JSON has it."""
    layouts = []
    for layout, placing, figures in zip(comparison.layouts, comparison.placings, comparison.figures, strict=True):
        layouts.append(
            {
                "name": layout.name,
                "revision": layout.revision,
                "buttons": len(layout.buttons),
                "placed_by": placing.by,
                "turned_deg": plain(placing.turned_deg),
                "shift_mm": plain(placing.shift_mm),
                "rests_by": figures.rests_by,
                "travel_mm": plain(figures.travel_mm),
                "travels": [
                    {
                        "side": travel.side,
                        "finger": travel.finger,
                        "buttons": travel.buttons,
                        "sum_mm": plain(travel.sum_mm),
                        "mean_mm": plain(travel.mean_mm),
                    }
                    for travel in figures.travels
                ],
                "mean_landing": plain(figures.mean_landing),
                "least_landing": plain(figures.least_landing),
                "least_landing_button": figures.least_label,
                "errors": figures.errors,
                "warnings": figures.warnings,
                "waived": figures.waived,
                "palms": [plain(asdict(hand)) for hand in figures.palms],
            }
        )
    steps = [
        {
            "nothing_changed": step.nothing,
            "buttons": [
                {
                    "label": change.label,
                    "kind": change.kind,
                    "move_mm": plain(change.move_mm),
                    "distance_mm": plain(change.distance_mm),
                    "told": list(change.told),
                }
                for change in step.buttons
            ],
            "panel_move_mm": plain(step.panel_move_mm),
            "holes_kept": list(step.kept),
            "holes_redrilled": list(step.redrilled),
            "panel": list(step.panel),
            "findings_came": [_finding_entry(finding) for finding in step.came],
            "findings_went": [_finding_entry(finding) for finding in step.went],
        }
        for step in comparison.steps
    ]
    return {"schema": "handcapture.comparison/1", "layouts": layouts, "steps": steps}


def _finding_entry(finding: Finding) -> dict[str, Any]:
    return {
        "code": finding.code,
        "severity": finding.severity,
        "concerns": list(finding.concerns),
        "message": finding.message,
        "waived": finding.waived,
    }
