"""Read a photo: upright pixels, focal prior, hash and time; never a location."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Photo:
    """One photo, upright.

    `pixels_bgr` is (height, width, 3) uint8, BGR. `name` is the bare file name. `focal_prior_px` is the focal
    length that the file states, in pixels of the upright picture, None when it states none;
    `focal_prior_relative_sd` is its relative standard deviation. `captured_at` is the camera's local time,
    ISO 8601, None when unknown.
    """

    pixels_bgr: NDArray[np.uint8]
    name: str
    sha256: str
    focal_prior_px: float | None
    focal_prior_relative_sd: float
    captured_at: str | None

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return self.pixels_bgr.shape[1], self.pixels_bgr.shape[0]
