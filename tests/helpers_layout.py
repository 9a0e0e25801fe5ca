"""An invented layout for the drawing tests: ten buttons for the bench of a community workshop."""

from __future__ import annotations

import math

from handcapture.layout.model import Button, Finding, KeepOut, Layout, Panel
from handcapture.names import Finger, Side

# Invented: label, side, finger, row, hole, centre, wish (panel frame, mm).
_BUTTONS: tuple[tuple[str, Side, Finger, float, tuple[float, float], tuple[float, float]], ...] = (
    ("Stop", "left", "little", 24.0, (27.5, 64.25), (27.5, 64.25)),
    ("Clamp", "left", "ring", 24.0, (57.25, 41.5), (58.4, 42.6)),
    ("Vise open", "left", "middle", 24.0, (87.0, 33.75), (86.1, 33.0)),
    ("Vise close", "left", "index", 24.0, (116.5, 42.0), (113.2, 43.9)),
    ("Foot lamp", "left", "thumb", 30.0, (139.0, 101.5), (134.0, 98.0)),
    ("Drill", "right", "thumb", 30.0, (181.0, 101.5), (186.6, 97.5)),
    ("Feed", "right", "index", 24.0, (203.5, 42.0), (206.3, 44.2)),
    ("Coolant", "right", "middle", 24.0, (233.0, 33.75), (233.8, 33.1)),
    ("Belt", "right", "ring", 24.0, (262.75, 41.5), (261.0, 42.2)),
    ("Hush", "right", "little", 24.0, (292.5, 64.25), (292.5, 64.25)),
)


def workshop_layout(panel_origin_mm: tuple[float, float] = (50.0, 45.0), findings: bool = False) -> Layout:
    """Return the layout; every figure in it is invented."""
    panel = Panel(
        name="Bench panel",
        width_mm=320.0,
        height_mm=150.0,
        corner_radius_mm=12.0,
        edge_mm=10.0,
        web_mm=5.0,
        thickness_mm=3.0,
        material="plywood",
        keep_outs=(
            KeepOut("cable gland", "circle", (160.0, 22.0), diameter_mm=20.0, clearance_mm=2.0, face="below"),
            KeepOut("name plate", "rectangle", (55.0, 125.0), size_mm=(60.0, 22.0), face="above"),
            KeepOut("M4", "circle", (10.0, 10.0), diameter_mm=8.0),
            KeepOut("M4", "circle", (310.0, 10.0), diameter_mm=8.0),
            KeepOut("M4", "circle", (310.0, 140.0), diameter_mm=8.0),
            KeepOut("M4", "circle", (10.0, 140.0), diameter_mm=8.0),
        ),
    )
    buttons = tuple(
        Button(
            label=label,
            side=side,
            finger=finger,
            row="near",
            hole_mm=hole,
            centre_mm=centre,
            wish_mm=wish,
            moved_mm=math.dist(centre, wish),
            landing_probability=0.97,
        )
        for label, side, finger, hole, centre, wish in _BUTTONS
    )
    found = (Finding("web", "error", "Feed and Coolant leave 4.1 mm of web."),) if findings else ()
    return Layout("Mara's bench", panel, panel_origin_mm, buttons, found, created="2031-03-04T10:00:00")


def relabelled(layout: Layout, label: str) -> Layout:
    """Return the layout with every text in it replaced by `label`."""
    from dataclasses import replace

    panel = replace(
        layout.panel,
        name=label,
        material=label,
        keep_outs=tuple(replace(keep_out, name=label) for keep_out in layout.panel.keep_outs),
    )
    buttons = tuple(replace(button, label=label) for button in layout.buttons)
    return replace(layout, name=label, panel=panel, buttons=buttons, created=label)
