"""Invented rests, plans and panels for the layout tests."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from handcapture.layout.model import KeepOut, Panel
from handcapture.layout.plan import Plan
from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.rest import Fingertip, Rest

KEYS: tuple[tuple[Side, Finger], ...] = tuple((side, finger) for side in SIDES for finger in FINGERS)


def tip(side: Side, finger: Finger, at_mm: Sequence[float], covariance_mm2: Any = None, **fields: Any) -> Fingertip:
    """Return a fingertip with an uncertainty of 1 mm and a spread of 2 mm, unless told otherwise."""
    values: dict[str, Any] = {
        "covariance_mm2": np.eye(2) if covariance_mm2 is None else np.array(covariance_mm2, dtype=float),
        "spread_mm2": np.eye(2) * 4.0,
        "spread_is_assumed": False,
        "reach": np.array([0.0, -1.0]),
        "breadth_mm": 16.0,
        "hidden": False,
        "placements": 4,
    }
    return Fingertip(side=side, finger=finger, contact_mm=np.array(at_mm, dtype=float), **{**values, **fields})


def rest_at(places: Sequence[Sequence[float]], **fields: Any) -> Rest:
    """Return a rest whose first fingers lie at the places, mat frame."""
    return Rest(tuple(tip(*KEYS[k], place, **fields) for k, place in enumerate(places)), (), ())


def plan_of(count: int, **fields: Any) -> Plan:
    """Return a plan with one button for each of the first `count` fingers, labelled B0, B1 and so on."""
    buttons = [{"label": f"B{k}", "side": KEYS[k][0], "finger": KEYS[k][1]} for k in range(count)]
    for k, extra in fields.pop("extra", {}).items():
        buttons[k] |= extra
    return Plan.model_validate({"name": "Test bench", "buttons": buttons, **fields})


def plate(width_mm: float = 400.0, height_mm: float = 250.0, **fields: Any) -> Panel:
    """Return a panel."""
    values: dict[str, Any] = {"name": "Plate", "corner_radius_mm": 0.0, "edge_mm": 10.0, "web_mm": 6.0}
    return Panel(width_mm=width_mm, height_mm=height_mm, **{**values, **fields})


def round_keep_out(x: float, y: float, diameter_mm: float, clearance_mm: float = 0.0) -> KeepOut:
    """Return a round keep-out."""
    return KeepOut("post", "circle", (x, y), diameter_mm=diameter_mm, clearance_mm=clearance_mm)
