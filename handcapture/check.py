"""A printed template under the hands: where every finger really lands, and which buttons should move.

The template carries the marks of its mat, so photos of hands that rest on it are measured like any other. Contacts
are carried to the template as it was drawn, sheet by sheet, so that a print that came out too small and pages taped
askew are told apart from fingers that land off their buttons. What is advised weighs the offset against how surely it
is known: a button moves only where the finger surely lands off it (with all buttons looked at, one in twenty checks
moves any without need), and as far as can be told by more than one cares for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from handcapture.capture import Capture
from handcapture.drawings.template import template_origin
from handcapture.errors import InputError
from handcapture.layout.landing import landing_probability, plunger_mm
from handcapture.layout.model import Button, Layout, Point
from handcapture.mat.sighting import SheetSighting, Sighting
from handcapture.names import Finger, Side
from handcapture.placement import Contact, Placement
from handcapture.rest import Fingertip, Rest, pool

FloatArray = NDArray[np.float64]
Verdict = Literal["fits", "move", "cannot tell", "not rested on"]

CARED_FOR_MM: Final = 2.0
"""Offsets below this are left alone unless told otherwise (our own figure, no source): a tenth of a common hole."""
SCALE_LIMIT: Final = 0.005
"""A print that is further off its size should be printed again: 1 mm over the breadth of a hand."""
LOOSELY: Final = 3.0
"""A button is said to fit when its finger surely lands within so many times what one cares for,"""
LANDS: Final = 0.9
"""or when so many landings are on the plunger, what is not known counted in (our own figures, no source)."""
_CHI2_95: Final = 5.991
_ERROR: Final = 0.05
"""Probability that a check of hands that land on all buttons moves any of them (Bonferroni over the buttons)."""


@dataclass(frozen=True, eq=False)
class ButtonCheck:
    """What the photos tell of one button.

    `offset_mm` (2,): from the button's centre to where its finger lands on average, panel axes (x right, y down
    towards the person), with `covariance_mm2`, the uncertainty of that mean, and `spread_mm2`, how it scatters.
    `landing_mm2` is the covariance of single landings about `offset_mm`: the spread and the mean's own uncertainty;
    `within` is the share of them within the plunger. `move_mm` (2,) is by how much the button should move, None
    unless the verdict is "move". For a button on which no finger rests (another row, a second one of the finger) all
    of these are None.
    """

    button: Button
    verdict: Verdict
    offset_mm: FloatArray | None = None
    covariance_mm2: FloatArray | None = None
    spread_mm2: FloatArray | None = None
    landing_mm2: FloatArray | None = None
    within: float | None = None
    move_mm: FloatArray | None = None

    @property
    def distance_mm(self) -> float | None:
        """How far off the finger lands."""
        return None if self.offset_mm is None else float(np.hypot(*self.offset_mm))

    @property
    def known_to_mm(self) -> float | None:
        """How far the 95 % region of the offset reaches along it."""
        if self.offset_mm is None or self.covariance_mm2 is None:
            return None
        along = self.offset_mm / max(float(np.hypot(*self.offset_mm)), 1e-9)
        return float(np.sqrt(_CHI2_95 / (along @ np.linalg.solve(self.covariance_mm2, along))))


@dataclass(frozen=True, eq=False)
class TemplateCheck:
    """All buttons of a template, in the layout's order; `origin_mm` is the panel's corner on the template's mat.

    `placements` are those that count, on the template as drawn (nominal mat frame); the first `earlier` of them come
    from earlier checks. `print_scale` is how large the print came out along x and y, as far as it is known
    (`scale_verified`), in the photos of this check.
    """

    layout: Layout
    mat_name: str
    origin_mm: Point
    buttons: tuple[ButtonCheck, ...]
    pooled: Rest
    earlier: int
    print_scale: tuple[float, float]
    scale_verified: bool
    notes: tuple[str, ...] = ()

    @property
    def placements(self) -> int:
        """How many times the hands were laid down, earlier checks included."""
        return self.pooled.placement_count


def check_template(
    layout: Layout,
    captures: Sequence[Capture],
    cared_for_mm: float = CARED_FOR_MM,
    earlier: Sequence[Placement] = (),
    notes: Sequence[str] = (),
) -> TemplateCheck:
    """Compare photos of hands on the printed template of `layout` with its holes.

    All photos show the template on one mat, the hands laid down anew for each. `earlier` are placements on prints of
    the same template that were measured before (`check_document.earlier_placements`); `notes` come before the check's
    own.
    InputError when mats differ or a photo comes twice, when the layout's holes do not fit the mat, or when
    `cared_for_mm` is no sensible length.
    """
    if not 0.0 <= cared_for_mm <= 50.0:
        raise InputError(f"Offsets to leave alone below {cared_for_mm:g} mm: give 0 to 50 mm.")
    if not captures:
        raise InputError("No photo of the template was given.")
    mat = captures[0].sighting.mat
    origin = template_origin(layout, mat)
    rest = pool([*earlier, *(on_template(capture) for capture in captures)])
    rested = _rested_on(layout)
    tips = {(tip.side, tip.finger): tip for tip in rest.fingertips}
    limit = float(-2.0 * np.log(_ERROR / max(len(rested), 1)))
    buttons = tuple(_check(button, tips, rested, origin, cared_for_mm, limit) for button in layout.buttons)
    scales = np.array([[s.x, s.y] for s in (c.sighting.sheets[0].print_scale for c in captures)])
    verified = all(c.sighting.print_scale.source != "not verified" for c in captures)
    mean = scales.mean(axis=0)
    return TemplateCheck(
        layout=layout,
        mat_name=mat.name,
        origin_mm=origin,
        buttons=buttons,
        pooled=rest,
        earlier=len(earlier),
        print_scale=(float(mean[0]), float(mean[1])),
        scale_verified=verified,
        notes=(*notes, *_notes(rest, mean, verified), *_more_placements(buttons, rest)),
    )


def on_template(capture: Capture) -> Placement:
    """Return a placement with its contacts where they fall on the template as it was drawn (nominal mat frame)."""
    return replace(
        capture.placement,
        contacts=tuple(_on_template(contact, capture.sighting) for contact in capture.placement.contacts),
    )


@dataclass(frozen=True, eq=False)
class TemplateView:
    """Projects points of the template as drawn (nominal mat frame) into a photo of the print: see `draw_overlay`."""

    sighting: Sighting

    def project(self, points_mm: FloatArray) -> FloatArray:
        """Return the pixels (N, 2) of points (N, 3), z up from the paper, each through the sheet on which it was drawn.

        PhotoError for a point that is not before the camera.
        """
        mat = self.sighting.mat
        starts = np.array([x for x, _ in mat.nominal_offsets_mm])
        number = np.maximum(np.searchsorted(starts, points_mm[:, 0], side="right") - 1, 0)
        placed = np.array(points_mm, dtype=np.float64)
        for k, sheet in enumerate(self.sighting.sheets):
            mine = number == k
            placed[mine, :2] = sheet.to_mat(placed[mine, :2] - np.array(mat.nominal_offsets_mm[k]))
        if self.sighting.surface is not None:
            placed[:, 2] += self.sighting.surface.height_mm(placed[:, :2])
        return self.sighting.camera.project(placed)


def _on_template(contact: Contact, sighting: Sighting) -> Contact:
    offsets = sighting.mat.nominal_offsets_mm
    found = []
    for sheet, offset in zip(sighting.sheets, offsets, strict=True):
        linear, nominal = _from_mat(sheet, contact.contact_mm)
        inside = min(nominal[0], sheet.sheet.width_mm - nominal[0])
        found.append((inside, linear, nominal + np.array(offset)))
    _, linear, place = max(found, key=lambda entry: entry[0])
    # Fingers and holes are on the same paper: its scale does not come between them.
    scale = sighting.scale_covariance(contact.contact_mm[None])[0]
    return replace(
        contact,
        contact_mm=place,
        covariance_mm2=linear @ _less(contact.covariance_mm2, scale) @ linear.T,
        shared_mm2=linear @ _less(contact.shared_mm2, scale) @ linear.T,
        reach=linear @ contact.reach / np.linalg.norm(linear @ contact.reach),
    )


def _less(covariance: FloatArray, part: FloatArray) -> FloatArray:
    """Return a covariance without a part of it, never less than nothing."""
    values, vectors = np.linalg.eigh(covariance - part)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T, dtype=np.float64)


def _from_mat(sheet: SheetSighting, point_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the derivative (2, 2), and where a point of the mat frame lies on a sheet, nominal mm."""
    corner, along_x, along_y = sheet.to_mat(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    linear = np.linalg.inv(np.stack([along_x - corner, along_y - corner], axis=1))
    return linear, np.asarray(linear @ (point_mm - corner), dtype=np.float64)


def _rested_on(layout: Layout) -> dict[tuple[Side, Finger], str]:
    """Return, for each finger, the label of the button on which it rests: of its near row, the one it wants least far.

    A finger that has only buttons of the far row rests on none of them.
    """
    nearest: dict[tuple[Side, Finger], Button] = {}
    for button in layout.buttons:
        key = (button.side, button.finger)
        if button.row == "near" and (key not in nearest or button.moved_mm < nearest[key].moved_mm):
            nearest[key] = button
    return {key: button.label for key, button in nearest.items()}


def _check(
    button: Button,
    tips: dict[tuple[Side, Finger], Fingertip],
    rested: dict[tuple[Side, Finger], str],
    origin: Point,
    cared_for_mm: float,
    limit: float,
) -> ButtonCheck:
    key = (button.side, button.finger)
    if rested.get(key) != button.label or key not in tips:
        return ButtonCheck(button, "not rested on")
    tip = tips[key]
    offset = tip.contact_mm - np.array(origin) - np.array(button.centre_mm)
    # Of a single placement the covariance is the measurement's alone; how the finger wanders comes on top.
    covariance = tip.covariance_mm2 + (tip.spread_mm2 if tip.placements == 1 else 0.0)
    radius = plunger_mm(button.hole_mm, button.part) / 2
    landing = tip.covariance_mm2 + tip.spread_mm2
    within = landing_probability(offset, landing, radius)
    verdict = "cannot tell" if tip.hidden else _verdict(offset, covariance, cared_for_mm, limit, within)
    move = offset.copy() if verdict == "move" else None
    return ButtonCheck(button, verdict, offset, covariance, tip.spread_mm2, landing, within, move)


def _verdict(
    offset: FloatArray, covariance: FloatArray, cared_for_mm: float, limit: float, within: float = 0.0
) -> Verdict:
    """Move what is surely off, beyond `limit` of chi-square; what is near enough fits, if that is known at all well.

    `within` is the share of landings on the plunger.
    """
    distance = float(np.hypot(*offset))
    surely_off = float(offset @ np.linalg.solve(covariance, offset)) > limit
    if distance > cared_for_mm:
        return "move" if surely_off else "cannot tell"
    known_within = float(np.sqrt(_CHI2_95 * np.linalg.eigvalsh(covariance)[-1]))
    known_well = distance + known_within <= LOOSELY * max(cared_for_mm, CARED_FOR_MM)
    return "fits" if known_well or within >= LANDS else "cannot tell"


def _more_placements(buttons: Sequence[ButtonCheck], rest: Rest) -> list[str]:
    """Say how many placements would tell of the buttons of which nothing can be told yet, and where none would.

    The region of the mean shrinks with the square root of the placements, but for what all photos of a hand share.
    """
    open_ones = [b for b in buttons if b.verdict == "cannot tell" and b.known_to_mm and b.distance_mm]
    needed: list[float] = []
    hopeless: list[str] = []
    for entry in open_ones:
        assert entry.offset_mm is not None
        shared = [
            contact.shared_mm2
            for placement in rest.placements
            for contact in placement.contacts
            if (contact.side, contact.finger) == (entry.button.side, entry.button.finger)
        ]
        along = entry.offset_mm / max(float(np.hypot(*entry.offset_mm)), 1e-9)
        floor = _CHI2_95 * float(along @ np.mean(shared, axis=0) @ along)
        room = max(entry.distance_mm or 0.0, CARED_FOR_MM) ** 2 - floor
        if room <= 0.0:
            hopeless.append(entry.button.label)
        else:
            more = max((entry.known_to_mm or 0.0) ** 2 - floor, 0.0)
            needed.append(rest.placement_count * more / room)
    notes = []
    if needed:
        names = ", ".join(b.button.label for b in open_ones if b.button.label not in hopeless)
        notes.append(
            f"{names}: the offset is not known well enough to say whether the button should move. With about "
            f"{int(np.ceil(sorted(needed)[len(needed) // 2])) + 1} placements in all, half of them could be told."
        )
    if hopeless:
        notes.append(
            f"{', '.join(hopeless)}: what all photos of this hand have in common is known no better than the offset; "
            "more placements will not tell. Mark on the print where the fingertip lies, and go by that."
        )
    return notes


def _notes(rest: Rest, scale: FloatArray, verified: bool) -> list[str]:
    notes = list(rest.notes)
    off = float(np.abs(scale - 1).max())
    if off > SCALE_LIMIT:
        notes.append(
            f"The template came out at {100 * scale[0]:.1f} % along its width and {100 * scale[1]:.1f} % along its "
            "height. Offsets are told from the holes as printed; print it again at actual size before you trust them."
        )
    elif not verified:
        notes.append(
            "The size of the print was not checked. Measure the two 150 mm rules on the template and give their "
            "lengths, or lay a card in its place."
        )
    if rest.placement_count < 3:
        notes.append(
            "One placement is one way of landing among many. Lift the hands, lay them down again, and check photos of "
            "three to five placements together."
        )
    return notes
