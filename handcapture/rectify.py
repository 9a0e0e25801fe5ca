"""Look at a plane above the mat squarely: resample part of a photo into millimetres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.camera import Camera

FloatArray = NDArray[np.float64]

_NODE_PX = 16


@dataclass(frozen=True, eq=False)
class View:
    """A rectangle on the plane `height_mm` above the mat, seen squarely.

    `origin_mm` (2,) is the mat point of the view's top-left corner; `right` (2,) is the unit vector on the mat
    along the view's columns; its rows run along (-right[1], right[0]), a quarter turn clockwise as printed.
    The centre of pixel (column c, row r) lies (c + 0.5, r + 0.5) / px_per_mm mm from the corner.
    """

    origin_mm: FloatArray
    right: FloatArray
    size_mm: tuple[float, float]
    px_per_mm: float
    height_mm: float

    @property
    def size_px(self) -> tuple[int, int]:
        """Columns and rows."""
        return round(self.size_mm[0] * self.px_per_mm), round(self.size_mm[1] * self.px_per_mm)

    @property
    def down(self) -> FloatArray:
        """Unit vector on the mat along the view's rows."""
        return np.array([-self.right[1], self.right[0]])

    def to_mat(self, points_mm: FloatArray) -> FloatArray:
        """View coordinates in mm (..., 2), from its corner -> mat frame at the view's height."""
        points = np.asarray(points_mm, dtype=np.float64)
        return np.asarray(self.origin_mm + points[..., :1] * self.right + points[..., 1:] * self.down, dtype=np.float64)

    def from_mat(self, points_mm: FloatArray) -> FloatArray:
        """Mat frame at the view's height (..., 2) -> view coordinates in mm."""
        offset = np.asarray(points_mm, dtype=np.float64) - self.origin_mm
        return np.stack([offset @ self.right, offset @ self.down], axis=-1)


def sampling_map(camera: Camera, view: View, photo_scale: float) -> tuple[NDArray[np.float32], ...]:
    """Return cv2.remap's x and y maps of `view` into the photo shrunk by `photo_scale`.

    The camera is evaluated on a coarse grid, which the smooth mapping allows.
    """
    columns, rows = view.size_px
    nx, ny = columns // _NODE_PX + 3, rows // _NODE_PX + 3
    # Nodes sit where cv2.resize takes the centres of its coarse pixels to be; one ring of them lies outside.
    x = ((np.arange(nx) - 0.5) * _NODE_PX) / view.px_per_mm
    y = ((np.arange(ny) - 0.5) * _NODE_PX) / view.px_per_mm
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    points = np.c_[view.to_mat(grid), np.full(len(grid), view.height_mm)]
    pixels = (camera.project(points) + 0.5) * photo_scale - 0.5
    nodes = pixels.reshape(ny, nx, 2).astype(np.float32)
    fine = cv2.resize(nodes, (nx * _NODE_PX, ny * _NODE_PX), interpolation=cv2.INTER_LINEAR)
    fine = fine[_NODE_PX : _NODE_PX + rows, _NODE_PX : _NODE_PX + columns]
    return np.ascontiguousarray(fine[..., 0]), np.ascontiguousarray(fine[..., 1])


def rectify(pixels: NDArray[np.uint8], camera: Camera, view: View, photo_scale: float = 1.0) -> NDArray[np.uint8]:
    """Return `view` resampled from `pixels`, a photo that was shrunk by `photo_scale` (1 for full size).

    `camera` is that of the full-size photo. Outside the photo the nearest edge pixel is repeated.
    """
    map_x, map_y = sampling_map(camera, view, photo_scale)
    return np.asarray(
        cv2.remap(pixels, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), dtype=np.uint8
    )
