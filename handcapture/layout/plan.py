"""The plan and the panel: readable TOML files that say what is wanted and on what plate.

Two buttons of one finger in the same row share its place side by side: their wishes stand `SIDE_BY_SIDE_MM`
apart, across the finger's reach, in the order of the plan.

A plan that starts from an existing panel says where its buttons were (`was_mm`, any frame of its own) and how strongly
they pull to stay so (`pull`).
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Final, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, model_validator

from handcapture.documents import load_toml
from handcapture.layout.model import KeepOut, Panel, Part, Waiver
from handcapture.names import Finger, Side

SIDE_BY_SIDE_MM: Final = 26.0
DEFAULT_FAR_MM: Final = 30.0
DEFAULT_WEB_MM: Final = 6.0
"""Acrylic and plywood: 5 to 6 mm between holes (common practice, no source)."""
DEFAULT_EDGE_MM: Final = 10.0
"""From hole to panel edge in wood-based boards (common practice, no source)."""

DEFAULT_RIM_GAP_MM: Final = 1.0
DEFAULT_BODY_GAP_MM: Final = 2.0
"""Between rims on top, and between bodies with their terminals below (common practice, no source)."""
DEFAULT_PULL: Final = 0.5
"""Between as the hand rests (0) and as the panel was (1)."""

Finite = Annotated[float, Field(allow_inf_nan=False, ge=-5000, le=5000)]
Length = Annotated[float, Field(allow_inf_nan=False, gt=0, le=5000)]
Gap = Annotated[float, Field(allow_inf_nan=False, ge=0, le=500)]
HOLE_LIMITS_MM: Final = (5.0, 80.0)
Hole = Annotated[float, Field(allow_inf_nan=False, ge=HOLE_LIMITS_MM[0], le=HOLE_LIMITS_MM[1])]
Place = tuple[Finite, Finite]
EntryT = TypeVar("EntryT", bound=BaseModel)


class _Entry(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ButtonWish(_Entry):
    """One button that is wanted: who works it, how big its hole is, and where it may go."""

    label: Annotated[str, Field(min_length=1, max_length=40)]
    side: Side
    finger: Finger
    hole_mm: Hole | None = None
    part: str | None = None
    row: Literal["near", "far"] = "near"
    far_mm: Annotated[float, Field(allow_inf_nan=False, gt=0, le=80)] | None = None
    offset_mm: Place = (0.0, 0.0)
    at_mm: Place | None = None
    was_mm: Place | None = None


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

    @model_validator(mode="after")
    def _rim(self) -> PartEntry:
        if 0 < self.rim_mm < self.hole_mm:
            raise ValueError("rim_mm is less than hole_mm: the part would fall through")
        return self


class WaiverEntry(_Entry):
    """A finding that is put up with: see `Waiver`."""

    code: Annotated[str, Field(min_length=1, max_length=40)]
    concerns: tuple[str, ...] = ()
    reason: Annotated[str, Field(min_length=3, max_length=400)]


class Plan(_Entry):
    """All buttons that are wanted, and how they must stand to each other.

    A button's hole is its own `hole_mm`, else that of its part, else that of the plan's part, else the plan's.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    hole_mm: Hole = 24.0
    part: str | None = None
    parts: tuple[PartEntry, ...] = ()
    far_mm: Annotated[float, Field(allow_inf_nan=False, gt=0, le=80)] = DEFAULT_FAR_MM
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

    def hole_of(self, button: ButtonWish) -> float:
        """Return the button's hole diameter."""
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


class PanelFile(_Entry):
    """The panel as written: see `Panel`. `origin_mm` pins it in the mat frame; without it the panel slides."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    width_mm: Length
    height_mm: Length
    corner_radius_mm: Gap = 0.0
    edge_mm: Gap = DEFAULT_EDGE_MM
    web_mm: Gap = DEFAULT_WEB_MM
    rim_gap_mm: Gap = DEFAULT_RIM_GAP_MM
    body_gap_mm: Gap = DEFAULT_BODY_GAP_MM
    thickness_mm: Length | None = None
    material: str | None = None
    origin_mm: Place | None = None
    keep_outs: tuple[_KeepOutEntry, ...] = ()

    @model_validator(mode="after")
    def _radius(self) -> PanelFile:
        if 2 * self.corner_radius_mm > min(self.width_mm, self.height_mm):
            raise ValueError("corner_radius_mm is more than half of the shorter side")
        return self


def load_plan(path: Path) -> Plan:
    """Read a plan. DocumentError lists everything that is wrong, by entry."""
    return load_toml(
        path, Plan, "a plan", "buttons", "button", _words(Plan, ButtonWish, Alignment, Mirror, PartEntry, WaiverEntry)
    )


def load_panel(path: Path) -> tuple[Panel, tuple[float, float] | None]:
    """Read a panel; the second value is its fixed origin in the mat frame, None when it may slide."""
    entry = load_toml(path, PanelFile, "a panel", "keep_outs", "keep-out", _words(PanelFile, _KeepOutEntry))
    fields: dict[str, Any] = entry.model_dump(exclude={"origin_mm", "keep_outs"})
    keep_outs = tuple(KeepOut(**keep_out.model_dump()) for keep_out in entry.keep_outs)
    return Panel(**fields, keep_outs=keep_outs), entry.origin_mm


def _words(*kinds: type[BaseModel]) -> set[str]:
    return {name for kind in kinds for name in kind.model_fields}
