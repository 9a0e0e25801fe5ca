"""Invented placements and rests for tests."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from handcapture.names import FINGERS, SIDES, Finger, Side
from handcapture.placement import Contact, HandPosture, Placement, Source

FloatArray = NDArray[np.float64]

# Invented, but hand-like: contacts on an A3 mat, mm.
PLACES: dict[tuple[Side, Finger], tuple[float, float]] = {
    ("left", "thumb"): (165.0, 195.0),
    ("left", "index"): (135.0, 125.0),
    ("left", "middle"): (105.0, 110.0),
    ("left", "ring"): (77.0, 118.0),
    ("left", "little"): (52.0, 145.0),
    ("right", "thumb"): (255.0, 195.0),
    ("right", "index"): (285.0, 125.0),
    ("right", "middle"): (315.0, 110.0),
    ("right", "ring"): (343.0, 118.0),
    ("right", "little"): (368.0, 145.0),
}


def contact(
    side: Side = "left",
    finger: Finger = "index",
    at_mm: tuple[float, float] | FloatArray = (100.0, 100.0),
    covariance_mm2: FloatArray | None = None,
    hidden: bool = False,
) -> Contact:
    """Return one contact."""
    return Contact(
        side=side,
        finger=finger,
        contact_mm=np.array(at_mm, dtype=np.float64),
        covariance_mm2=np.diag([0.5, 1.0]) if covariance_mm2 is None else covariance_mm2,
        reach=np.array([0.1, -0.995]) / np.hypot(0.1, 0.995),
        breadth_mm=16.0,
        hidden=hidden,
        advice="Hold the phone level." if hidden else None,
    )


def posture(side: Side = "left", deviation_deg: float = 6.0, seen: bool = True) -> HandPosture:
    """Return a posture."""
    return HandPosture(side, np.array([90.0, 280.0]), deviation_deg, 3.0, seen, 185.0, 84.0)


def source(number: int = 1, mat: str = "a3") -> Source:
    """Return where a placement came from."""
    return Source(
        photo_name=f"photo_{number}.jpg",
        photo_sha256=f"{number:064x}",
        captured_at="2031-05-06T07:08:09",
        mat=mat,
        print_scale=(1.0, 1.0),
        print_scale_sd=0.003,
        tilt_deg=8.0,
        height_mm=450.0,
        mm_per_px=0.14,
        rms_px=0.1,
    )


def placement(number: int = 1, shift_mm: tuple[float, float] | FloatArray = (0.0, 0.0), mat: str = "a3") -> Placement:
    """Return both hands laid down once."""
    contacts = tuple(
        contact(side, finger, np.add(PLACES[side, finger], shift_mm)) for side in SIDES for finger in FINGERS
    )
    return Placement(contacts, tuple(posture(side) for side in SIDES), (source(number, mat),))
