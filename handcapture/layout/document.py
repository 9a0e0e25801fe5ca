"""The layout as a JSON document, written and read back."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from handcapture.documents import dump_json, load_json, plain, validated, write_atomically
from handcapture.layout.model import (
    Button,
    Choice,
    Cut,
    Edge,
    Finding,
    KeepOut,
    Layout,
    Panel,
    Part,
    Row,
    Severity,
    SideFeature,
)
from handcapture.names import Finger, Side
from handcapture.version import __version__

KIND = "handcapture.layout"
VERSION = 1

# As plans and panels have them, with room for what a fit makes of those: what is larger would be drawn in true size.
Finite = Annotated[float, Field(allow_inf_nan=False, ge=-10_000, le=10_000)]
Length = Annotated[float, Field(allow_inf_nan=False, gt=0, le=5000)]
Gap = Annotated[float, Field(allow_inf_nan=False, ge=0, le=10_000)]
Hole = Annotated[float, Field(allow_inf_nan=False, gt=0, le=100)]
Place = tuple[Finite, Finite]
Label = Annotated[str, Field(min_length=1, max_length=200)]


class _Entry(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)


class _KeepOut(_Entry):
    name: str
    shape: Literal["circle", "rectangle"]
    centre_mm: Place
    diameter_mm: Gap = 0.0
    size_mm: tuple[Gap, Gap] = (0.0, 0.0)
    clearance_mm: Gap = 0.0
    face: Literal["above", "below", "both"] = "both"
    headroom_mm: Gap | None = None


class _Cut(_Entry):
    name: str
    shape: Literal["circle", "rectangle"]
    centre_mm: Place
    diameter_mm: Gap = 0.0
    size_mm: tuple[Gap, Gap] = (0.0, 0.0)
    corner_radius_mm: Gap = 0.0


class _SideFeature(_Entry):
    name: str
    edge: Edge
    along_mm: Finite
    width_mm: Length
    inward_mm: Length
    clearance_mm: Gap = 0.0
    headroom_mm: Gap | None = None


class _Part(_Entry):
    name: Label
    hole_mm: Hole
    rim_mm: Gap = 0.0
    body_mm: Gap = 0.0
    depth_mm: Gap = 0.0
    nut_mm: Gap = 0.0
    plunger_mm: Gap = 0.0
    clamps_mm: tuple[Gap, Gap] | None = None


class _Panel(_Entry):
    name: Label
    width_mm: Length
    height_mm: Length
    corner_radius_mm: Gap
    edge_mm: Gap
    web_mm: Gap
    thickness_mm: Length | None = None
    material: str | None = None
    keep_outs: list[_KeepOut] = []
    rim_gap_mm: Gap = 1.0
    body_gap_mm: Gap = 2.0
    outline: tuple[tuple[Finite, Finite, Finite], ...] = ()
    cuts: list[_Cut] = []
    side_features: list[_SideFeature] = []


class _Button(_Entry):
    label: Label
    side: Side
    finger: Finger
    row: Row = "near"
    hole_mm: Hole
    centre_mm: Place
    wish_mm: Place
    moved_mm: Gap
    landing_probability: Annotated[float, Field(ge=0, le=1)] | None = None
    fixed: bool = False
    part: _Part | None = None
    offset_mm: Place | None = None


class _Finding(_Entry):
    code: str
    severity: Severity
    message: str
    concerns: list[str] = []
    numbers: dict[str, Finite] = {}
    remedy: str = ""
    waived: str | None = None


class _Choice(_Entry):
    label: Label
    side: Side
    finger: Finger
    row: Row
    chosen: bool
    fits: bool
    landing_probability: Annotated[float, Field(ge=0, le=1)] | None = None
    landings: Annotated[float, Field(ge=0, le=1)] | None = None
    worst_moved_mm: Gap | None = None


class _Document(_Entry):
    frame: Literal["panel"]
    name: Label
    panel: _Panel
    panel_origin_mm: Place
    buttons: Annotated[list[_Button], Field(min_length=1)]
    findings: list[_Finding] = []
    rest_sha256: str | None = None
    created: str | None = None
    revision: Annotated[str, Field(min_length=1, max_length=8)] = "A"
    choices: list[_Choice] = []

    @model_validator(mode="after")
    def _labels(self) -> _Document:
        labels = [button.label for button in self.buttons]
        twice = sorted({label for label in labels if labels.count(label) > 1})
        if twice:
            raise ValueError(f"label used twice: {', '.join(twice)}")
        return self


def layout_document(layout: Layout) -> dict[str, Any]:
    """Return the document of a layout."""
    return {
        "schema": f"{KIND}/{VERSION}",
        "program": f"handcapture {__version__}",
        "frame": "panel",
        "frame_note": "mm; origin at the panel's top-left corner, x right, y down towards the person",
        "name": layout.name,
        "created": layout.created,
        "revision": layout.revision,
        "rest_sha256": layout.rest_sha256,
        "panel_origin_mm": plain(layout.panel_origin_mm),
        "panel": plain(asdict(layout.panel)),
        "buttons": plain([asdict(button) for button in layout.buttons]),
        "findings": plain([asdict(finding) for finding in layout.findings]),
        "choices": plain([asdict(choice) for choice in layout.choices]),
    }


def write_layout(path: Path, layout: Layout) -> None:
    """Write the layout to `path`, whole or not at all."""
    write_atomically(path, dump_json(layout_document(layout)))


def read_layout(path: Path) -> Layout:
    """Read a layout. DocumentError names the entry that is wrong."""
    raw, _ = load_json(path, KIND, VERSION)
    document = validated(_Document, raw, path, "layout", "Write it again with handcapture fit.")
    panel = document.panel
    around: dict[str, Any] = {
        "keep_outs": tuple(KeepOut(**keep_out.model_dump()) for keep_out in panel.keep_outs),
        "cuts": tuple(Cut(**cut.model_dump()) for cut in panel.cuts),
        "side_features": tuple(SideFeature(**feature.model_dump()) for feature in panel.side_features),
    }
    return Layout(
        name=document.name,
        panel=Panel(**{**panel.model_dump(), **around}),
        panel_origin_mm=document.panel_origin_mm,
        buttons=tuple(
            Button(**{**button.model_dump(), "part": Part(**button.part.model_dump()) if button.part else None})
            for button in document.buttons
        ),
        findings=tuple(
            Finding(**{**finding.model_dump(), "concerns": tuple(finding.concerns)}) for finding in document.findings
        ),
        rest_sha256=document.rest_sha256,
        created=document.created,
        revision=document.revision,
        choices=tuple(Choice(**choice.model_dump()) for choice in document.choices),
    )
