"""What a layout is: buttons with centres on a panel, and what was found when checking it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from handcapture.names import Finger, Side

Point = tuple[float, float]
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
class Part:
    """What is mounted in a hole, by its drawing: diameters of hole, rim on top and body below, and depth.

    `depth_mm` is how far body, nut and terminals reach below the panel's upper face. 0 where it is not known, and then
    it is not checked.
    """

    name: str
    hole_mm: float
    rim_mm: float = 0.0
    body_mm: float = 0.0
    depth_mm: float = 0.0


@dataclass(frozen=True)
class Panel:
    """The plate: a rectangle with rounded corners, in its own frame (origin top-left, x right, y down).

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


@dataclass(frozen=True)
class Button:
    """One fitted button, panel frame.

    `wish_mm` is where its finger wants it, `moved_mm` how far the fit had to move it from there,
    `landing_probability` the probability that the finger, coming down at rest or at its stretch, lands within
    the plunger (None when no finger position is known).
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

    @property
    def top_radius_mm(self) -> float:
        """Radius of what lies on the panel's upper face: the rim, or the hole itself."""
        return max(self.hole_mm, self.part.rim_mm if self.part else 0.0) / 2

    @property
    def below_radius_mm(self) -> float:
        """Radius of what lies below the panel: the body, or the hole itself."""
        return max(self.hole_mm, self.part.body_mm if self.part else 0.0) / 2


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
class Layout:
    """A fitted layout: the panel, where its origin lies in the mat frame, the buttons and the findings."""

    name: str
    panel: Panel
    panel_origin_mm: Point
    buttons: tuple[Button, ...]
    findings: tuple[Finding, ...] = ()
    rest_sha256: str | None = None
    created: str | None = None

    @property
    def buildable(self) -> bool:
        """True when no finding is an error, but for those that are waived."""
        return all(finding.severity != "error" or finding.waived is not None for finding in self.findings)
