"""Quick photos for tests that need hands on a mat but no realism: hand layers laid over a mat seen squarely.

The layers are the synthetic hands of calibration/scenes. Without light, shadow or lens; the accuracy tests use
composed photos instead.
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.mat.geometry import MATS, sheet_raster

SCENES = Path(__file__).resolve().parent.parent / "calibration" / "scenes"
SIZE = (2016, 1512)
Picture = NDArray[np.uint8]
Part = Literal["both", "left", "right"]


@lru_cache(maxsize=4)
def layer(scene: str = "person_before_02") -> Picture:
    """Return the hands of a scene with alpha, in the picture's place."""
    info = json.loads((SCENES / scene / "layers.json").read_text())
    hand = cv2.imread(str(SCENES / scene / "hand.webp"), cv2.IMREAD_UNCHANGED)
    x, y, width, height = info["hand_box"]
    full = np.zeros((SIZE[1], SIZE[0], 4), np.uint8)
    full[y : y + height, x : x + width] = hand
    return full


def truth(scene: str = "person_before_02") -> dict[str, Any]:
    """Return what is known of the scene."""
    loaded: dict[str, Any] = json.loads((SCENES / scene / "truth.json").read_text())
    return loaded


def hand_layer(part: Part, scene: str = "person_before_02", mirrored: bool = False) -> Picture:
    """Return one hand or both; `mirrored` turns each hand over in its place, as palms turned up look."""
    full = layer(scene).copy()
    middle = SIZE[0] // 2
    if part == "left":
        full[:, middle:] = 0
    if part == "right":
        full[:, :middle] = 0
    if mirrored:
        for half in (full[:, :middle], full[:, middle:]):
            columns = np.flatnonzero(half[..., 3].any(axis=0))
            if columns.size:
                inside = half[:, columns[0] : columns[-1] + 1]
                inside[:] = inside[:, ::-1].copy()
    return full


def shifted(picture: Picture, right: int, down: int) -> Picture:
    """Return the layer moved by whole pixels."""
    matrix = np.array([[1.0, 0.0, right], [0.0, 1.0, down]])
    return np.asarray(cv2.warpAffine(picture, matrix, SIZE), np.uint8)


def photo_of(
    *layers: Picture, mat_name: str = "a3", scene: str = "person_before_02", sheets: tuple[int, ...] | None = None
) -> Picture:
    """Return a photo, BGR, of the mat with the layers on it, as the scene's camera sees it.

    `sheets` names those that are there, all by default.
    """
    known = truth(scene)
    mat = MATS[mat_name]
    scale = SIZE[0] / known["image_size"][0]
    k = np.diag([scale, scale, 1.0]) @ np.array(known["K"])
    r, t = np.array(known["R"]), np.array(known["t"])
    plane = k @ np.c_[r[:, 0], r[:, 1], t]
    photo = np.full((SIZE[1], SIZE[0], 3), (96, 120, 150), np.float32)
    width, height = mat.size_mm
    left = 0.0
    for number, sheet in enumerate(mat.sheets):
        if sheets is None or number in sheets:
            raster = 30 + 208 / 255 * sheet_raster(sheet, 6.0).astype(np.float32)
            pixel_to_mm = np.array([[1 / 6, 0, 0.5 / 6 + left], [0, 1 / 6, 0.5 / 6], [0, 0, 1.0]])
            to_table = np.array([[1, 0, -width / 2], [0, -1, height / 2], [0, 0, 1.0]])
            warp = plane @ to_table @ pixel_to_mm
            paper = cv2.warpPerspective(raster, warp, SIZE, flags=cv2.INTER_AREA)
            there = cv2.warpPerspective(np.ones_like(raster), warp, SIZE)[..., None]
            photo = photo * (1 - there) + paper[..., None] * there
        left += sheet.width_mm
    for hands in layers:
        alpha = hands[..., 3:].astype(np.float32) / 255
        photo = photo * (1 - alpha) + hands[..., :3] * alpha
    photo = cv2.GaussianBlur(photo, (0, 0), 0.6)
    noise = np.random.default_rng(5).normal(0, 1.5, photo.shape)
    return np.asarray(np.clip(photo + noise, 0, 255), np.uint8)


def write_jpeg(path: Path, photo: Picture) -> Path:
    """Write the photo and return its path."""
    assert cv2.imwrite(str(path), photo, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path
