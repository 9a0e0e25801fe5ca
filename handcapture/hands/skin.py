"""Tell skin from paper: brightness and colour relative to the paper that the mat shows.

Shadows darken paper but hardly change its colour; skin of every tone is redder than paper in the same light.
So the paper's own brightness and tint are learned from the mat, where its blank places are known, the hand's
tint from the middle of its bones, and each pixel is told by how far its tint lies between the two.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.hands.landmarks import KNUCKLES, LANDMARK_HEIGHT_MM, WRIST, HandLandmarks, finger_landmarks
from handcapture.light import LINEAR_32
from handcapture.mat.geometry import sheet_raster
from handcapture.mat.sighting import Sighting
from handcapture.rectify import View, rectify

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]

_FLOOR: Final = 0.006
"""Added to linear light before the logarithm: black ink then has no tint instead of a noisy one."""


@dataclass(frozen=True, eq=False)
class PaperLight:
    """How bright blank paper looks anywhere on the mat: log linear B, G, R as quadratics of place.

    `coefficients` (6, 3) multiply 1, u, v, u², uv, v², where u, v run from -1 to 1 over the mat.
    """

    coefficients: FloatArray
    size_mm: tuple[float, float]

    def log_at(self, points_mm: FloatArray) -> FloatArray:
        """Return log B, G, R of blank paper at mat points (N, 2), as (N, 3)."""
        return _quadratic(points_mm, self.size_mm) @ self.coefficients


def _quadratic(points_mm: FloatArray, size_mm: tuple[float, float]) -> FloatArray:
    u = points_mm[:, 0] / (size_mm[0] / 2) - 1.0
    v = points_mm[:, 1] / (size_mm[1] / 2) - 1.0
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)


def learn_paper(
    small: tuple[NDArray[np.uint8], float], sighting: Sighting, hands: tuple[HandLandmarks, ...]
) -> PaperLight:
    """Fit the paper's light to the blank places of the mat, away from the hands.

    Shadowed paper pulls down only: residuals below the fit count for less than those above it.
    """
    points, colours = [], []
    for sheet in sighting.sheets:
        width, height = sheet.sheet.width_mm, sheet.sheet.height_mm
        corner, along = sheet.to_mat(np.array([[0.0, 0.0], [1.0, 0.0]]))
        right = (along - corner) / np.linalg.norm(along - corner)
        view = View(corner, right, (float(np.floor(width)), float(np.floor(height))), 1.0, 0.0)
        picture = rectify(small[0], sighting.camera, view, small[1])
        blank = cv2.erode(sheet_raster(sheet.sheet, 1.0), np.ones((5, 5), np.uint8)) > 250
        blank = blank[: picture.shape[0], : picture.shape[1]].copy()
        blank[:4], blank[-4:], blank[:, :4], blank[:, -4:] = False, False, False, False
        blank &= _away_from_hands(view, hands, picture.shape[:2])
        rows, columns = np.nonzero(blank)
        points.append(view.to_mat(np.stack([columns + 0.5, rows + 0.5], axis=1)))
        colours.append(np.log(LINEAR_32[picture[rows, columns]] + 1e-3).astype(np.float64))
    where, log_colour = np.concatenate(points)[::3], np.concatenate(colours)[::3]
    design = _quadratic(where, sighting.mat.size_mm)
    weight = np.ones(len(where))
    coefficients = np.zeros((6, 3))
    for _ in range(5):
        weighted = design * weight[:, None]
        coefficients = np.linalg.lstsq(weighted.T @ design, weighted.T @ log_colour, rcond=None)[0]
        residual = (log_colour - design @ coefficients).mean(axis=1)
        scale = 1.5 * float(np.median(np.abs(residual))) + 0.01
        weight = 1.0 / (1.0 + (residual / np.where(residual < 0, scale, 2 * scale)) ** 2)
    return PaperLight(coefficients, sighting.mat.size_mm)


def _away_from_hands(view: View, hands: tuple[HandLandmarks, ...], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    covered = np.zeros(shape, np.uint8)
    for hand in hands:
        points = view.from_mat(hand.points_mm)
        cv2.fillConvexPoly(covered, cv2.convexHull(points.astype(np.float32)).astype(np.int32), 255)
        wrist = points[WRIST]
        elbow = wrist + 2.0 * (wrist - points[list(KNUCKLES)].mean(axis=0))
        cv2.line(covered, _pixel(wrist), _pixel(elbow), 255, 70)
    return np.asarray(cv2.dilate(covered, np.ones((31, 31), np.uint8)) == 0)


def _pixel(point: FloatArray) -> tuple[int, int]:
    return round(float(point[0])), round(float(point[1]))


def brightness_and_tint(colours: NDArray[np.uint8], log_paper: FloatArray) -> Picture:
    """Return log brightness and tint of sRGB pixels (..., 3) relative to paper: (..., 2).

    Tint is log(R/B) beyond the paper's own: 0 for paper in light or shade, about 0.8 to 1.1 for skin.
    """
    relative = np.log(LINEAR_32[colours] * np.exp(-log_paper).astype(np.float32) + np.float32(_FLOOR))
    return np.stack([relative.mean(axis=-1), relative[..., 2] - relative[..., 0]], axis=-1)


def learn_skin_tint(pixels: NDArray[np.uint8], sighting: Sighting, paper: PaperLight, hand: HandLandmarks) -> float:
    """Return the hand's median tint along its bones, from the full-size photo (last thirds of tips left out)."""
    points = hand.points_mm
    stations = []
    for finger in range(5):
        base, middle, last, tip = (points[k] for k in finger_landmarks(finger))
        for start, stop, reach in ((base, middle, 1.0), (middle, last, 1.0), (last, tip, 0.7)):
            stations += [start + (stop - start) * share for share in np.linspace(0.0, reach, 8)]
    for knuckle in KNUCKLES:
        span = points[knuckle] - points[WRIST]
        stations += [points[WRIST] + span * share for share in np.linspace(0.3, 1.0, 10)]
    where = np.array(stations)
    height = np.full(len(where), LANDMARK_HEIGHT_MM)
    place = np.rint(sighting.camera.project(np.c_[where, height])).astype(int)
    rows, columns = pixels.shape[:2]
    inside = (place[:, 0] >= 3) & (place[:, 0] < columns - 3) & (place[:, 1] >= 3) & (place[:, 1] < rows - 3)
    if inside.sum() < 20:
        return 0.9  # a hand at the picture's edge: a middling skin
    tints = []
    for (x, y), log_paper in zip(place[inside], paper.log_at(where[inside]), strict=True):
        block = LINEAR_32[pixels[y - 3 : y + 4, x - 3 : x + 4]].mean(axis=(0, 1)) / np.exp(log_paper)
        tints.append(float(np.log(block[2] + _FLOOR) - np.log(block[0] + _FLOOR)))
    return max(0.25, float(np.median(tints)))
