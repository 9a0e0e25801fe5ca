"""How large the sheets came out of the printer, and where they lie: nominal sheet mm to true mm on the mat."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.mat.geometry import RULE_MM

FloatArray = NDArray[np.float64]

UNVERIFIED_SCALE_SD: Final = 0.003
RULER_SD_MM: Final = 0.25
"""Standard deviation of reading a ruler at both ends of the rule."""


@dataclass(frozen=True)
class PrintScale:
    """Printed mm per nominal mm along each axis of the sheets, and its relative standard deviation."""

    x: float = 1.0
    y: float = 1.0
    relative_sd: float = UNVERIFIED_SCALE_SD
    source: str = "not verified"

    @classmethod
    def from_rulers(cls, along_x_mm: float, along_y_mm: float) -> PrintScale:
        """Return the scale from what a ruler reads on the two 150 mm rules. InputError beyond ±15 %."""
        for axis, reading in (("x", along_x_mm), ("y", along_y_mm)):
            if not 0.85 * RULE_MM <= reading <= 1.15 * RULE_MM:
                raise InputError(
                    f"The ruler reading along {axis} is {reading:g} mm; the rule is {RULE_MM:.0f} mm long "
                    "when printed at actual size. Measure it again, end to end, in millimetres."
                )
        return cls(along_x_mm / RULE_MM, along_y_mm / RULE_MM, RULER_SD_MM / RULE_MM, "ruler")


def place(points_mm: FloatArray, pose: FloatArray, scale: PrintScale) -> FloatArray:
    """Map nominal sheet points (N, 2) through print scale and in-plane pose to true mm in the mat frame.

    `pose` (3,) is the place of the sheet's top-left corner, mm, and its turn, radians, clockwise as seen.
    """
    cos, sin = np.cos(pose[2]), np.sin(pose[2])
    scaled = np.asarray(points_mm, dtype=np.float64) * np.array([scale.x, scale.y])
    return np.asarray(scaled @ np.array([[cos, sin], [-sin, cos]]) + pose[:2], dtype=np.float64)
