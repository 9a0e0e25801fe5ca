"""The plan and the panel: readable TOML files that say what is wanted and on what plate.

Two buttons of one finger in the same row share its place side by side: their wishes stand `SIDE_BY_SIDE_MM`
apart, across the finger's reach, in the order of the plan.

A plan that starts from an existing panel says where its buttons were (`was_mm`, any frame of its own) and how strongly
they pull to stay so (`pull`).
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PlainSerializer,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    model_validator,
)

from handcapture.documents import load_toml
from handcapture.errors import DocumentError, InputError
from handcapture.layout.materials import USUAL, practice_for
from handcapture.layout.model import NEVER_WAIVED, Cut, Edge, KeepOut, Panel, Part, SideFeature, Waiver
from handcapture.layout.outline import as_outline, bounds
from handcapture.names import FINGERS, SIDES, Finger, Side

SIDE_BY_SIDE_MM: Final = 26.0
DEFAULT_FAR_MM: Final = 30.0
DEFAULT_CHOICES_MM: Final = (24.0, 30.0)
"""Holes to choose from where one is to be advised: what push buttons commonly need (common practice, no source)."""
DEFAULT_HAND_MOVES_MM: Final = 40.0
"""How far the hand itself is let move for a far row: about two rows of keys 19 mm apart, as hands move at a keyboard
(ISO 9241-4 gives the spacing; the rest is our own, no source)."""
DEFAULT_LANDING: Final = 0.95
"""Share of landings on the plunger that an advised hole should reach."""
DEFAULT_RIM_GAP_MM: Final = 1.0
DEFAULT_BODY_GAP_MM: Final = 2.0
"""Between rims on top, and between bodies with their terminals below (common practice, no source)."""
DEFAULT_PULL: Final = 0.5
"""Between as the hand rests (0) and as the panel was (1)."""

Finite = Annotated[float, Field(allow_inf_nan=False, ge=-5000, le=5000)]
Length = Annotated[float, Field(allow_inf_nan=False, gt=0, le=5000)]
Gap = Annotated[float, Field(allow_inf_nan=False, ge=0, le=500)]
_AT_ZERO_MM: Final = 0.001
HOLE_LIMITS_MM: Final = (5.0, 80.0)
Hole = Annotated[float, Field(allow_inf_nan=False, ge=HOLE_LIMITS_MM[0], le=HOLE_LIMITS_MM[1])]
ADVISED: Final = 0.0
"""A hole that is left to its finger; a plan's file says "advised"."""


def _hole_or_advised(value: Any, as_hole: ValidatorFunctionWrapHandler) -> float:
    return ADVISED if value == "advised" else float(as_hole(value))


HoleWish = Annotated[
    Hole, WrapValidator(_hole_or_advised), PlainSerializer(lambda hole: "advised" if hole == ADVISED else hole)
]
Place = tuple[Finite, Finite]
Corner = Annotated[tuple[Finite, ...], Field(min_length=2, max_length=3)]
EntryT = TypeVar("EntryT", bound=BaseModel)


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Elsewhere(_Entry):
    """Another finger or row that could work a button: see `ButtonWish.alternatives`."""

    side: Side
    finger: Finger
    row: Literal["near", "far"] = "near"
    far_mm: Annotated[float, Field(allow_inf_nan=False, gt=0, le=80)] | None = None
    offset_mm: Place = (0.0, 0.0)


class ButtonWish(_Entry):
    """One button that is wanted: who works it, how big its hole is, and where it may go.

    `hole_mm = "advised"` leaves the size to the finger: see `layout.holes`. `alternatives` are other places for the
    same function; the fit weighs them against each other.
    """

    label: Annotated[str, Field(min_length=1, max_length=40)]
    side: Side
    finger: Finger
    hole_mm: HoleWish | None = None
    part: str | None = None
    row: Literal["near", "far"] = "near"
    far_mm: Annotated[float, Field(allow_inf_nan=False, gt=0, le=80)] | None = None
    offset_mm: Place = (0.0, 0.0)
    at_mm: Place | None = None
    was_mm: Place | None = None
    alternatives: tuple[Elsewhere, ...] = ()


class Alignment(_Entry):
    """Buttons that must stand in a straight row; `angle_deg` is turned clockwise from level, None for any."""

    buttons: Annotated[tuple[str, ...], Field(min_length=2)]
    angle_deg: Finite | None = 0.0


class Mirror(_Entry):
    """Two buttons that must mirror each other about the panel's vertical middle line."""

    left: str
    right: str


class PartEntry(_Entry):
    """What is mounted in a hole: see `Part`."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    hole_mm: Hole
    rim_mm: Gap = 0.0
    body_mm: Gap = 0.0
    depth_mm: Gap = 0.0
    nut_mm: Gap = 0.0
    plunger_mm: Gap = 0.0
    clamps_mm: tuple[Gap, Gap] | None = None

    @model_validator(mode="after")
    def _rim(self) -> PartEntry:
        if 0 < self.rim_mm < self.hole_mm:
            raise ValueError("rim_mm is less than hole_mm: the part would fall through")
        if self.plunger_mm > max(self.hole_mm, self.rim_mm):
            raise ValueError("plunger_mm is more than hole_mm and rim_mm: what moves must pass through the rim")
        if self.clamps_mm is not None and self.clamps_mm[0] > self.clamps_mm[1]:
            raise ValueError("clamps_mm is [least, largest] thickness of panel")
        return self


class WaiverEntry(_Entry):
    """A finding that is put up with: see `Waiver`."""

    code: Annotated[str, Field(min_length=1, max_length=40)]
    concerns: tuple[str, ...] = ()
    reason: Annotated[str, Field(min_length=3, max_length=400)]

    @model_validator(mode="after")
    def _can_be_waived(self) -> WaiverEntry:
        if self.code in NEVER_WAIVED:
            raise ValueError(f"{self.code} cannot be waived: it could not be made")
        return self


class Plan(_Entry):
    """All buttons that are wanted, and how they must stand to each other.

    A button's hole is its own `hole_mm`, else that of its part, else that of the plan's part, else the plan's.
    "advised" chooses from `hole_choices_mm` the smallest on whose plunger the finger lands in `landing` of all cases.
    A far button is sought no further out than the finger reaches with the heel of the hand at rest (`hands.reach`) and
    `hand_moves_mm` more, by which the hand itself may move; 0 keeps it still.
    `centre_on` is what the panel's middle line passes through, if the panel slides: "hands" (midway between them),
    "left thumb" or any other finger where it rests, or a button by its label.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    hole_mm: HoleWish = 24.0
    hole_choices_mm: Annotated[tuple[Hole, ...], Field(min_length=1, max_length=20)] = DEFAULT_CHOICES_MM
    landing: Annotated[float, Field(allow_inf_nan=False, gt=0, lt=1)] = DEFAULT_LANDING
    centre_on: Annotated[str, Field(min_length=1, max_length=40)] | None = None
    part: str | None = None
    parts: tuple[PartEntry, ...] = ()
    far_mm: Annotated[float, Field(allow_inf_nan=False, gt=0, le=80)] = DEFAULT_FAR_MM
    hand_moves_mm: Annotated[float, Field(allow_inf_nan=False, ge=0, le=80)] = DEFAULT_HAND_MOVES_MM
    pull: Annotated[float, Field(allow_inf_nan=False, ge=0, le=1)] = DEFAULT_PULL
    buttons: Annotated[tuple[ButtonWish, ...], Field(min_length=1, max_length=200)]
    align: tuple[Alignment, ...] = ()
    mirror: tuple[Mirror, ...] = ()
    waive: tuple[WaiverEntry, ...] = ()

    @model_validator(mode="after")
    def _labels(self) -> Plan:
        labels = [button.label for button in self.buttons]
        twice = sorted({label for label in labels if labels.count(label) > 1})
        if twice:
            raise ValueError(f"label used twice: {', '.join(twice)}")
        named = [name for group in self.align for name in group.buttons]
        named += [name for pair in self.mirror for name in (pair.left, pair.right)]
        unknown = sorted(set(named) - set(labels))
        if unknown:
            raise ValueError(f"no button is labelled {', '.join(unknown)}")
        parts = [part.name for part in self.parts]
        used = {name for name in (self.part, *(button.part for button in self.buttons)) if name}
        if strange := sorted(used - set(parts)):
            raise ValueError(f"no part is named {', '.join(strange)}")
        if len(set(parts)) < len(parts):
            raise ValueError("two parts have the same name")
        fingers = [f"{side} {finger}" for side in SIDES for finger in FINGERS]
        if self.centre_on is not None and self.centre_on not in ("hands", *fingers, *labels):
            told = f'centre_on = "{self.centre_on}" is neither "hands", nor a finger like "left thumb"'
            raise ValueError(f"{told}, nor the label of a button")
        return self

    @property
    def waivers(self) -> tuple[Waiver, ...]:
        """What is put up with."""
        return tuple(Waiver(entry.code, entry.concerns, entry.reason) for entry in self.waive)

    def part_of(self, button: ButtonWish) -> Part | None:
        """Return what is mounted in the button's hole, None where the plan does not say."""
        name = button.part or self.part
        entry = next((part for part in self.parts if part.name == name), None)
        return None if entry is None else Part(**entry.model_dump())

    def advised(self, button: ButtonWish) -> bool:
        """Tell whether the button's hole is left to its finger."""
        return self._hole(button) == ADVISED

    def hole_of(self, button: ButtonWish) -> float:
        """Return the button's hole diameter. ValueError where it is still to be advised (`layout.holes`)."""
        hole = self._hole(button)
        if hole == ADVISED:
            raise ValueError(f"the hole of {button.label} is not chosen yet")
        return hole

    def _hole(self, button: ButtonWish) -> float:
        if button.hole_mm is not None:
            return button.hole_mm
        part = self.part_of(button)
        return self.hole_mm if part is None else part.hole_mm


class _KeepOutEntry(_Entry):
    name: str
    shape: Literal["circle", "rectangle"]
    centre_mm: Place
    diameter_mm: Annotated[float, Field(allow_inf_nan=False, ge=0, le=5000)] = 0.0
    size_mm: Place = (0.0, 0.0)
    clearance_mm: Gap = 0.0
    face: Literal["above", "below", "both"] = "both"
    headroom_mm: Gap | None = None

    @model_validator(mode="after")
    def _extent(self) -> _KeepOutEntry:
        if self.shape == "circle" and self.diameter_mm <= 0:
            raise ValueError("a circle needs diameter_mm above 0")
        if self.shape == "rectangle" and min(self.size_mm) <= 0:
            raise ValueError("a rectangle needs size_mm = [width, height] above 0")
        if self.headroom_mm is not None and self.face != "below":
            raise ValueError('headroom_mm is for face = "below"')
        return self


class _CutEntry(_Entry):
    name: str
    shape: Literal["circle", "rectangle"]
    centre_mm: Place
    diameter_mm: Annotated[float, Field(allow_inf_nan=False, ge=0, le=5000)] = 0.0
    size_mm: Place = (0.0, 0.0)
    corner_radius_mm: Gap = 0.0

    @model_validator(mode="after")
    def _extent(self) -> _CutEntry:
        if self.shape == "circle" and self.diameter_mm <= 0:
            raise ValueError("a circle needs diameter_mm above 0")
        if self.shape == "rectangle" and min(self.size_mm) <= 0:
            raise ValueError("a rectangle needs size_mm = [width, height] above 0")
        if self.shape == "rectangle" and 2 * self.corner_radius_mm > min(self.size_mm):
            raise ValueError("corner_radius_mm is more than half of the shorter side")
        return self


class _SideFeatureEntry(_Entry):
    name: str
    edge: Edge
    along_mm: Finite
    width_mm: Length
    inward_mm: Length
    clearance_mm: Gap = 0.0
    headroom_mm: Gap | None = None


class PanelFile(_Entry):
    """The panel as written: see `Panel`. `origin_mm` pins it in the mat frame; without it the panel slides.

    Web and edge distance that are not written are the usual ones of the material (`layout.materials`). A panel with an
    `outline` takes its width and height from that; corners are [x, y] or [x, y, bulge], in order.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    width_mm: Length | None = None
    height_mm: Length | None = None
    corner_radius_mm: Gap = 0.0
    outline: Annotated[tuple[Corner, ...], Field(max_length=2000)] = ()
    edge_mm: Gap | None = None
    web_mm: Gap | None = None
    rim_gap_mm: Gap = DEFAULT_RIM_GAP_MM
    body_gap_mm: Gap = DEFAULT_BODY_GAP_MM
    thickness_mm: Length | None = None
    material: str | None = None
    origin_mm: Place | None = None
    keep_outs: tuple[_KeepOutEntry, ...] = ()
    cuts: tuple[_CutEntry, ...] = ()
    side_features: tuple[_SideFeatureEntry, ...] = ()

    @model_validator(mode="after")
    def _extent(self) -> PanelFile:
        if self.outline:
            if self.width_mm is not None or self.height_mm is not None or self.corner_radius_mm:
                raise ValueError("outline tells the size: leave width_mm, height_mm and corner_radius_mm out")
            return self
        if self.width_mm is None or self.height_mm is None:
            raise ValueError("width_mm and height_mm are missing (or an outline)")
        if 2 * self.corner_radius_mm > min(self.width_mm, self.height_mm):
            raise ValueError("corner_radius_mm is more than half of the shorter side")
        return self


def load_plan(path: Path) -> Plan:
    """Read a plan. DocumentError lists everything that is wrong, by entry."""
    return load_toml(
        path,
        Plan,
        "a plan",
        {"buttons": "button", "parts": "part", "align": "row", "mirror": "mirror", "waive": "waiver"},
        _words(Plan, ButtonWish, Alignment, Mirror, PartEntry, WaiverEntry),
    )


def load_panel(path: Path) -> tuple[Panel, tuple[float, float] | None]:
    """Read a panel; the second value is its fixed origin in the mat frame, None when it may slide."""
    words = _words(PanelFile, _KeepOutEntry, _CutEntry, _SideFeatureEntry)
    lists = {"keep_outs": "keep-out", "cuts": "cut", "side_features": "side feature"}
    entry = load_toml(path, PanelFile, "a panel", lists, words)
    try:
        return panel_of(entry), entry.origin_mm
    except InputError as error:
        raise DocumentError(f"{path}: {error}") from None


def panel_of(entry: PanelFile) -> Panel:
    """Return the panel that a file describes. InputError where its outline is none that can be cut."""
    practice = practice_for(entry.material) or USUAL
    fields: dict[str, Any] = entry.model_dump(exclude={"origin_mm", "keep_outs", "cuts", "side_features"})
    if entry.outline:
        left, top = bounds(entry.outline)[:2]
        if max(abs(left), abs(top)) > _AT_ZERO_MM:
            raise InputError(
                f"The outline begins at ({left:.3f}, {top:.3f}), but all places of a panel count from its top-left "
                f"corner: take ({left:.3f}, {top:.3f}) off every place in it, and off the plan's at_mm."
            )
        fields |= as_outline(entry.outline)
    for name, usual in (("web_mm", practice.least_web_mm), ("edge_mm", practice.least_edge_mm)):
        if fields[name] is None:
            fields[name] = usual(entry.thickness_mm)
    return Panel(
        **fields,
        keep_outs=tuple(KeepOut(**keep_out.model_dump()) for keep_out in entry.keep_outs),
        cuts=tuple(Cut(**cut.model_dump()) for cut in entry.cuts),
        side_features=tuple(SideFeature(**feature.model_dump()) for feature in entry.side_features),
    )


def _words(*kinds: type[BaseModel]) -> set[str]:
    return {name for kind in kinds for name in kind.model_fields}
