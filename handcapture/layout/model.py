"""What a layout is: buttons with centres on a panel, and what was found when checking it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, Literal

from handcapture.names import Finger, Side

Point = tuple[float, float]
Vertex = tuple[float, float, float]
"""x, y and bulge of a corner of an outline: the bulge is the tangent of a quarter of the angle of the arc that leads to
the next corner, 0 for a straight line (DXF reference, LWPOLYLINE, group 42), here positive where the arc turns
clockwise as seen, y being down."""
Edge = Literal["back", "front", "left", "right"]
"""The panel's edges: front is the person's."""
Row = Literal["near", "far"]
Severity = Literal["error", "warning", "advice"]


@dataclass(frozen=True)
class KeepOut:
    """A place on the panel where no hole may come: a circle or a rectangle, panel frame.

    `clearance_mm` is kept between its edge and the edge of any hole. `face` tells whether it lies above the
    panel, below it, or on both faces. One below may begin only `headroom_mm` under the panel's upper face: what reaches
    less deep passes above it. None means that it begins at the panel.
    """

    name: str
    shape: Literal["circle", "rectangle"]
    centre_mm: Point
    diameter_mm: float = 0.0
    size_mm: Point = (0.0, 0.0)
    clearance_mm: float = 0.0
    face: Literal["above", "below", "both"] = "both"
    headroom_mm: float | None = None


@dataclass(frozen=True)
class Cut:
    """Another opening in the panel, no button's: a screw hole, a gland, a window. It is cut like the buttons' holes.

    A circle of `diameter_mm`, or a rectangle of `size_mm` with `corner_radius_mm`, panel frame. The panel's web is kept
    between its edge and any button's hole.
    """

    name: str
    shape: Literal["circle", "rectangle"]
    centre_mm: Point
    diameter_mm: float = 0.0
    size_mm: Point = (0.0, 0.0)
    corner_radius_mm: float = 0.0


@dataclass(frozen=True)
class SideFeature:
    """Something in a wall of the housing that takes room below the panel: a socket, a switch, a cable's entry.

    `along_mm` is where its middle lies along the edge, from the left for back and front, from the back for left and
    right; it is `width_mm` wide and reaches `inward_mm` in from the panel's edge. It begins `headroom_mm` under the
    panel's upper face; None means that it begins at the panel.
    """

    name: str
    edge: Edge
    along_mm: float
    width_mm: float
    inward_mm: float
    clearance_mm: float = 0.0
    headroom_mm: float | None = None


@dataclass(frozen=True)
class Part:
    """What is mounted in a hole, by its drawing: diameters of hole, rim on top, body and nut below, and depth.

    `depth_mm` is how far body, nut and terminals reach below the panel's upper face, `nut_mm` the nut's diameter across
    its corners, `plunger_mm` that of the part that moves. 0 where it is not known, and then it is not checked.
    `clamps_mm` is the least and largest thickness of panel that it holds on to.
    """

    name: str
    hole_mm: float
    rim_mm: float = 0.0
    body_mm: float = 0.0
    depth_mm: float = 0.0
    nut_mm: float = 0.0
    plunger_mm: float = 0.0
    clamps_mm: Point | None = None

    @property
    def below_mm(self) -> float:
        """Diameter of what lies below the panel: the body or its nut."""
        return max(self.body_mm, self.nut_mm)


@dataclass(frozen=True)
class Panel:
    """The plate, in its own frame (origin at the top-left of its bounding box, x right, y down).

    A rectangle with rounded corners, or where `outline` is given that closed line of straight pieces and arcs,
    clockwise as seen; then `width_mm` and `height_mm` are its bounding box's and `corner_radius_mm` is 0.

    `edge_mm` is the least distance from the edge of a hole to the edge of the panel, `web_mm` the least
    material between two holes; `rim_gap_mm` what is left between the rims of two parts on top, `body_gap_mm` between
    their bodies below.
    """

    name: str
    width_mm: float
    height_mm: float
    corner_radius_mm: float
    edge_mm: float
    web_mm: float
    thickness_mm: float | None = None
    material: str | None = None
    keep_outs: tuple[KeepOut, ...] = ()
    rim_gap_mm: float = 1.0
    body_gap_mm: float = 2.0
    outline: tuple[Vertex, ...] = ()
    cuts: tuple[Cut, ...] = ()
    side_features: tuple[SideFeature, ...] = ()

    def cut_keep_out(self, cut: Cut) -> KeepOut:
        """Return the place that an opening takes: the web is kept from it as from any hole."""
        return KeepOut(cut.name, cut.shape, cut.centre_mm, cut.diameter_mm, cut.size_mm, self.web_mm)

    def is_opening(self, obstacle: KeepOut) -> bool:
        """Tell whether one of the obstacles is an opening."""
        return any(self.cut_keep_out(cut) == obstacle for cut in self.cuts)


@dataclass(frozen=True)
class Button:
    """One fitted button, panel frame.

    `wish_mm` is where its finger wants it, `moved_mm` how far the fit had to move it from there,
    `landing_probability` the probability that the finger, coming down at rest or at its stretch, lands within
    the plunger (None when no finger position is known), `offset_mm` what the plan shifted its wish by, mat frame (None
    where that is not known).
    """

    label: str
    side: Side
    finger: Finger
    row: Row
    hole_mm: float
    centre_mm: Point
    wish_mm: Point
    moved_mm: float
    landing_probability: float | None
    fixed: bool = False
    part: Part | None = None
    offset_mm: Point | None = None

    @property
    def top_radius_mm(self) -> float:
        """Radius of what lies on the panel's upper face: the rim, or the hole itself."""
        return max(self.hole_mm, self.part.rim_mm if self.part else 0.0) / 2

    @property
    def below_radius_mm(self) -> float:
        """Radius of what lies below the panel: the body or its nut, or the hole itself."""
        return max(self.hole_mm, self.part.below_mm if self.part else 0.0) / 2


NEVER_WAIVED: Final = frozenset(
    {"holes-overlap", "hole-off-panel", "hole-opening-overlap", "opening-off-panel", "openings-overlap"}
)
"""Findings of what cannot be made at all."""


@dataclass(frozen=True)
class Finding:
    """One thing a check found: a code of ours, how bad, what it concerns, the numbers and the remedy.

    `waived` is the reason why it is put up with, None where it is not: see `Waiver`.
    """

    code: str
    severity: Severity
    message: str
    concerns: tuple[str, ...] = ()
    numbers: dict[str, float] = field(default_factory=dict)
    remedy: str = ""
    waived: str | None = None


@dataclass(frozen=True)
class Waiver:
    """A finding that is put up with: its code, what it concerns (labels and names; all where empty), and why."""

    code: str
    concerns: tuple[str, ...]
    reason: str

    def covers(self, code: str, concerns: Iterable[str]) -> bool:
        """Tell whether a finding of this code about these is waived."""
        return self.code == code and (not self.concerns or set(self.concerns) == set(concerns))


@dataclass(frozen=True)
class Choice:
    """One place that a function could have: the finger and row, and what it costs with all other buttons as chosen.

    `fits` is False where the panel has no room for it; then there are no figures. `landing_probability` is this
    button's, `landings` the mean over all buttons, `worst_moved_mm` how far the button that does worst is moved.
    """

    label: str
    side: Side
    finger: Finger
    row: Row
    chosen: bool
    fits: bool
    landing_probability: float | None = None
    landings: float | None = None
    worst_moved_mm: float | None = None


@dataclass(frozen=True)
class Layout:
    """A fitted layout: the panel, where its origin lies in the mat frame, the buttons and the findings.

    `created` is the day (ISO 8601), `revision` the letter that stands on every drawing of it.
    `choices` are the places of functions for which the plan names several.
    """

    name: str
    panel: Panel
    panel_origin_mm: Point
    buttons: tuple[Button, ...]
    findings: tuple[Finding, ...] = ()
    rest_sha256: str | None = None
    created: str | None = None
    revision: str = "A"
    choices: tuple[Choice, ...] = ()

    @property
    def buildable(self) -> bool:
        """True when no finding is an error, but for those that are waived."""
        return all(finding.severity != "error" or finding.waived is not None for finding in self.findings)
