"""Measure the mat's saddles in a photo: the points where four cells of a chessboard meet.

A saddle is located to a tenth of a pixel where a marker's corner is not: blur and exposure move the edges of a
dark shape, but leave the crossing of two edges where it is. Each one is verified against its own pattern, so
that a mark under a hand or in a fold is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.camera import Camera
from handcapture.mat.geometry import CELL_MM, DOT_SQUARE_MM, Sheet
from handcapture.mat.print_scale import PrintScale, place
from handcapture.mat.surface import PaperSurface

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Grey = NDArray[np.uint8]

RING_REACH_MM: Final = 2.8
"""Ring saddles are looked at as if their pattern ended here: the marker in a white cell begins 2 mm from its
edges, so 2.8 mm from the corner."""
_WINDOW_SHARE: Final = 0.56
_WINDOW_PX: Final = (2, 14)
"""Half the side of the square in which a saddle is measured: share of its reach, and limits."""
_NEAR, _FAR = 0.28, 0.62
"""Where the pattern is sampled, along each axis, as shares of the reach."""
_LEAST_CONTRAST: Final = (18.0, 0.25)
"""Grey levels, and share of the light quadrants' level, by which light and dark must differ."""
_MOST_UNEVEN: Final = 0.3
"""Standard deviation within the light or the dark quadrants, as a share of the contrast."""


@dataclass(frozen=True, eq=False)
class Saddles:
    """The saddles of one sheet.

    `points_mm` (N, 2); `falling` (N,): the black cells lie up left and down right; `reach_mm` (N,): how far
    the pattern extends; `is_dot` (N,): in the quiet interior, not in the ring.
    """

    points_mm: FloatArray
    falling: BoolArray
    reach_mm: FloatArray
    is_dot: BoolArray


@dataclass(frozen=True, eq=False)
class Observed:
    """Saddles measured in a photo: number of the sheet (N,), nominal place on it and pixel (N, 2), kind (N,)."""

    sheet: NDArray[np.intp]
    points_mm: FloatArray
    pixels: FloatArray
    is_dot: BoolArray

    def __len__(self) -> int:
        return len(self.pixels)

    def pick(self, chosen: BoolArray) -> Observed:
        """Return those that are chosen."""
        return Observed(self.sheet[chosen], self.points_mm[chosen], self.pixels[chosen], self.is_dot[chosen])

    def place(self, poses: FloatArray, scale: PrintScale) -> FloatArray:
        """Return where they lie in the mat frame (N, 2) when the sheets lie as `poses` (sheets, 3) say."""
        placed = np.empty_like(self.points_mm)
        for k, pose in enumerate(poses):
            mine = self.sheet == k
            placed[mine] = place(self.points_mm[mine], pose, scale)
        return placed


@lru_cache(maxsize=16)
def saddles_of(sheet: Sheet) -> Saddles:
    """Return the saddles that are printed on a sheet."""
    ring, dots = sheet.ring_saddles_mm, sheet.dots_mm
    cell = np.rint((ring - np.array(sheet.grid_origin_mm)) / CELL_MM).astype(int)
    return Saddles(
        points_mm=np.concatenate([ring, dots]),
        # The cell up left of lattice point (i, j) is (i-1, j-1): black when i + j is odd.
        falling=np.concatenate([cell.sum(axis=1) % 2 == 1, np.ones(len(dots), dtype=bool)]),
        reach_mm=np.concatenate([np.full(len(ring), RING_REACH_MM), np.full(len(dots), DOT_SQUARE_MM)]),
        is_dot=np.concatenate([np.zeros(len(ring), dtype=bool), np.ones(len(dots), dtype=bool)]),
    )


def observe(
    grey: Grey,
    camera: Camera,
    poses: FloatArray,
    sheets: Sequence[Sheet],
    scale: PrintScale,
    surface: PaperSurface | None = None,
) -> Observed:
    """Measure every saddle that can be seen near where `camera` and `poses` (sheets, 3) expect it.

    With a `surface`, its poses and print scale hold.

    PhotoError when a part of a sheet would lie behind the camera.
    """
    parts = []
    for k, (sheet, pose) in enumerate(zip(sheets, poses, strict=True)):
        saddles = saddles_of(sheet)
        steps = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
        points = (saddles.points_mm + steps[:, None]).reshape(-1, 2)
        if surface is None:
            placed = np.c_[place(points, pose, scale), np.zeros(len(points))]
        else:
            placed = surface.place(k, points)
        found, good = _observe_sheet(grey, camera.project(placed), saddles)
        number = np.full(int(good.sum()), k, dtype=np.intp)
        parts.append(Observed(number, saddles.points_mm[good], found[good], saddles.is_dot[good]))
    return Observed(
        np.concatenate([part.sheet for part in parts]),
        np.concatenate([part.points_mm for part in parts]),
        np.concatenate([part.pixels for part in parts]),
        np.concatenate([part.is_dot for part in parts]),
    )


def _observe_sheet(grey: Grey, expected_px: FloatArray, saddles: Saddles) -> tuple[FloatArray, BoolArray]:
    """Return the pixels (N, 2) of all saddles, and which of them were found.

    `expected_px` (3 N, 2): where all saddles should be seen, then points 1 mm right of each, then 1 mm below.
    """
    start, right, down = expected_px.reshape(3, -1, 2)
    px_per_mm = np.stack([right - start, down - start], axis=-1)
    finest = np.linalg.svd(px_per_mm, compute_uv=False)[:, 1]
    window = np.clip(np.floor(_WINDOW_SHARE * saddles.reach_mm * finest), *_WINDOW_PX).astype(int)
    room = np.minimum(start, np.array(grey.shape[::-1]) - 1 - start).min(axis=1)
    inside = room > window + 3
    pixels = start.copy()
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 25, 0.01)
    for size in np.unique(window[inside]):
        which = np.flatnonzero(inside & (window == size))
        guess = np.ascontiguousarray(start[which], dtype=np.float32).reshape(-1, 1, 2)
        refined = cv2.cornerSubPix(grey, guess, (int(size), int(size)), (-1, -1), stop)
        pixels[which] = np.asarray(refined).reshape(-1, 2)
    near = np.linalg.norm(pixels - start, axis=1) < 0.75 * window
    return pixels, inside & near & _pattern_fits(grey, pixels, px_per_mm, saddles)


def _pattern_fits(grey: Grey, pixels: FloatArray, px_per_mm: FloatArray, saddles: Saddles) -> BoolArray:
    """Tell which saddles show two dark and two light quadrants where they should."""
    quadrant = np.array([[_NEAR, _NEAR], [_FAR, _NEAR], [_NEAR, _FAR], [_FAR, _FAR]])
    signs = np.array([[-1, -1], [1, 1], [1, -1], [-1, 1]])  # first the falling diagonal, then the rising one
    steps = saddles.reach_mm[:, None, None] * (signs[:, None] * quadrant).reshape(-1, 2)
    places = (pixels[:, None] + np.einsum("nij,nkj->nki", px_per_mm, steps)).astype(np.float32)
    sampled = np.asarray(cv2.remap(grey, places[..., 0], places[..., 1], cv2.INTER_LINEAR), dtype=np.float64)
    falling, rising = sampled[:, :8], sampled[:, 8:]
    dark = np.where(saddles.falling[:, None], falling, rising)
    light = np.where(saddles.falling[:, None], rising, falling)
    contrast = light.mean(axis=1) - dark.mean(axis=1)
    uneven = np.maximum(light.std(axis=1), dark.std(axis=1))
    least, share = _LEAST_CONTRAST
    return np.asarray((contrast > least) & (contrast > share * light.mean(axis=1)) & (uneven < _MOST_UNEVEN * contrast))
