"""Photos of printed sheets alone, made through a known camera."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.camera import Camera
from handcapture.mat.geometry import MATS, sheet_raster
from handcapture.mat.print_scale import PrintScale
from handcapture.photo import Photo

FloatArray = NDArray[np.float64]
Picture = NDArray[np.uint8]
SIZE = (2000, 1500)
FOCAL_PX = 1350.0
RASTER_PX_PER_MM = 8.0
_NODE_PX = 4


def camera_over(
    middle_mm: tuple[float, float] = (210.0, 148.5),
    height_mm: float = 420.0,
    tilt_deg: float = 8.0,
    towards_deg: float = 30.0,
    turn_deg: float = 0.0,
    k1: float = 0.0,
    focal_px: float = FOCAL_PX,
    size: tuple[int, int] = SIZE,
) -> Camera:
    """Return a camera that looks at `middle_mm` from `height_mm`, tilted, and turned about its own axis."""
    axis = np.radians(tilt_deg) * np.array([np.cos(np.radians(towards_deg)), np.sin(np.radians(towards_deg)), 0.0])
    rotation = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(turn_deg)]))[0] @ cv2.Rodrigues(axis)[0]
    back = rotation.T @ np.array([0.0, 0.0, 1.0])
    centre = np.array([*middle_mm, 0.0]) - back * height_mm / back[2]
    middle_px = (np.array(size) - 1) / 2 + [3.0, -2.0]
    return Camera(focal_px, middle_px, k1, rotation, -rotation @ centre)


def picture_of(
    mat_name: str,
    camera: Camera,
    size: tuple[int, int] = SIZE,
    poses: Sequence[tuple[float, float, float]] | None = None,
    scale: PrintScale | None = None,
    bend: Callable[[FloatArray], FloatArray] | None = None,
    table: int = 110,
) -> Picture:
    """Return a grey picture of the mat's sheets.

    `poses`: corner x and y, mm, and turn in degrees for each sheet; side by side by default. `bend` gives the
    height of the paper, mm, at mat points (N, 2): its rays are cut there.
    """
    mat, scale = MATS[mat_name], scale or PrintScale()
    if poses is None:
        poses = [(0.0, 0.0, 0.0), (mat.sheets[0].width_mm * scale.x, 0.0, 0.0)][: len(mat.sheets)]
    ground = _ground(camera, size, bend)
    picture = np.full(size[::-1], float(table), np.float32)
    for sheet, (x, y, turn_deg) in zip(mat.sheets, poses, strict=True):
        cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        on_sheet = (ground - [x, y]) @ np.array([[cos, -sin], [sin, cos]]) / [scale.x, scale.y]
        raster = 30 + 208 / 255 * sheet_raster(sheet, RASTER_PX_PER_MM).astype(np.float32)
        blur = 0.45 * RASTER_PX_PER_MM * camera.mm_per_px(np.array(mat.size_mm) / 2)
        raster = cv2.GaussianBlur(raster, (0, 0), blur)
        where = (on_sheet * RASTER_PX_PER_MM - 0.5).astype(np.float32)
        seen = cv2.remap(raster, where[..., 0], where[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        inside = ((on_sheet > 0) & (on_sheet < [sheet.width_mm, sheet.height_mm])).all(axis=-1)
        picture[inside] = seen[inside]
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.5) + 0.5, np.uint8)


def _ground(camera: Camera, size: tuple[int, int], bend: Callable[[FloatArray], FloatArray] | None) -> FloatArray:
    """Return the mat point (rows, columns, 2) that each pixel sees; between every fourth pixel it is interpolated."""
    nodes = np.stack(np.meshgrid(*(_NODE_PX * np.arange(-1, n // _NODE_PX + 2) for n in size)), axis=-1)
    pixels = nodes.reshape(-1, 2).astype(np.float64)
    points = camera.at_height(pixels, 0.0)
    if bend is not None:
        for _ in range(4):
            points = camera.at_height(pixels, bend(points))
    columns, rows = ((np.arange(n, dtype=np.float32) / _NODE_PX + 1) for n in size)
    return np.asarray(cv2.remap(points.reshape(nodes.shape), *np.meshgrid(columns, rows), cv2.INTER_LINEAR), np.float64)


def photo_from(picture: Picture, noise: float = 2.0, seed: int = 0, focal_px: float | None = FOCAL_PX) -> Photo:
    """Return the picture with noise as a `Photo`."""
    rng = np.random.default_rng(seed)
    grainy = np.clip(picture[..., None] + rng.normal(0, noise, (*picture.shape, 3)), 0, 255)
    return Photo(np.asarray(grainy + 0.5, np.uint8), "photo.jpg", "0" * 64, focal_px, 0.03, None)


def misses_mm(found: Camera, known: Camera, points_mm: FloatArray, z_mm: float = 0.0) -> FloatArray:
    """Return how far off, on the mat, points (N, 2) at a height are placed when `known` made the picture."""
    pixels = known.project(np.column_stack([points_mm, np.full(len(points_mm), z_mm)]))
    return np.linalg.norm(found.at_height(pixels, z_mm) - points_mm, axis=1)


def grid(mat_name: str) -> FloatArray:
    """Return points (N, 2) all over the quiet part of a mat."""
    width, height = MATS[mat_name].size_mm
    return np.array([(u * width, v * height) for u in np.linspace(0.12, 0.88, 7) for v in np.linspace(0.15, 0.85, 5)])
