"""The outline of one fingertip: a rounded end of known shape laid over the edge of the skin.

Each fingertip is looked at in a small view, squarely from above and turned so that the finger points up. The
template is a half ellipse with two slightly spreading sides. Where it lies, the inside must be skin; across
its line there must be an edge from skin to paper or, where a neighbouring finger touches, a crease.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.hands.landmarks import LANDMARK_HEIGHT_MM, HandLandmarks, finger_landmarks
from handcapture.hands.skin import PaperLight, Picture, brightness_and_tint
from handcapture.mat.sighting import Sighting
from handcapture.rectify import View, rectify

FloatArray = NDArray[np.float64]

TIP_HEIGHT_MM: Final = 8.0
"""Height of the plane on which outlines are drawn: about where a fingertip is broadest."""
PX_PER_MM: Final = 4.0
TIP_VIEW_MM: Final = (44.0, 52.0)
TIP_ROW_MM: Final = 20.0
"""The tip landmark stands in the middle of the view's columns and this far down."""
BREADTH_TO_PALM: Final = (0.241, 0.225, 0.213, 0.208, 0.175)
"""Breadth of the last segment over `HandLandmarks.palm_mm`, thumb to little: medians of the fitting scenes."""

_EDGE_REACH_MM = 0.8


@dataclass(frozen=True, eq=False)
class TipView:
    """One fingertip seen squarely, the finger pointing up: brightness and tint relative to paper.

    Tint is divided by the hand's own, so that paper is near 0 and skin near 1, whatever its tone.
    """

    view: View
    brightness: Picture
    tint: Picture


@dataclass(frozen=True)
class TipOutline:
    """The template as fitted, in view millimetres.

    (`x_mm`, `y_mm`) is the far end of the finger, `angle_rad` its direction (0 up, positive clockwise),
    `half_breadth_mm` half its breadth. `score` is the share of the outline where an edge was found (about 1
    for a finger on free paper, below about 0.6 for one that another part of the hand hides).
    """

    x_mm: float
    y_mm: float
    angle_rad: float
    half_breadth_mm: float
    score: float

    @property
    def end_mm(self) -> FloatArray:
        """The far end (2,)."""
        return np.array([self.x_mm, self.y_mm])

    @property
    def forward(self) -> FloatArray:
        """Unit vector along the finger, towards its end."""
        return np.array([np.sin(self.angle_rad), -np.cos(self.angle_rad)])

    @property
    def across(self) -> FloatArray:
        """Unit vector a quarter turn clockwise of `forward`."""
        return np.array([np.cos(self.angle_rad), np.sin(self.angle_rad)])


def look_at_tip(
    pixels: NDArray[np.uint8],
    sighting: Sighting,
    paper: PaperLight,
    skin_tint: float,
    hand: HandLandmarks,
    finger_index: int,
) -> TipView:
    """Return the view of one fingertip, from the full-size photo."""
    _, middle, last, tip = (hand.points_mm[k] for k in finger_landmarks(finger_index))
    along = tip - (last if finger_index == 0 else middle)
    forward = along / max(float(np.linalg.norm(along)), 1e-6)
    right = np.array([-forward[1], forward[0]])
    tip = _drop(sighting, tip)
    origin = tip - right * TIP_VIEW_MM[0] / 2 + forward * TIP_ROW_MM
    view = View(origin, right, TIP_VIEW_MM, PX_PER_MM, TIP_HEIGHT_MM)
    colours = rectify(pixels, sighting.camera, view)
    colours = np.asarray(cv2.GaussianBlur(colours, (0, 0), 0.8), dtype=np.uint8)
    relative = brightness_and_tint(colours, paper.log_at(tip[None])[0])
    return TipView(view, relative[..., 0], relative[..., 1] / np.float32(skin_tint))


def _drop(sighting: Sighting, point_mm: FloatArray) -> FloatArray:
    """Carry a point from the landmarks' plane along its ray to the tips' plane."""
    pixel = sighting.camera.project(np.r_[point_mm, LANDMARK_HEIGHT_MM][None])
    return np.asarray(sighting.camera.at_height(pixel, TIP_HEIGHT_MM)[0], dtype=np.float64)


def _template() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return, in half breadths: place behind the end, place across, outward normals, weights."""
    elongation, side_length, spread = 1.15, 1.6, 0.04
    turn = np.radians(np.linspace(-90.0, 90.0, 17))
    side = np.linspace(0.0, side_length, 7)[1:]
    behind = np.r_[elongation * (1 - np.cos(turn)), elongation + side, elongation + side]
    across = np.r_[np.sin(turn), 1 + spread * side, -1 - spread * side]
    normals = np.concatenate(
        [
            np.stack([-np.cos(turn) / elongation, np.sin(turn)], axis=1),
            np.tile([[0.0, 1.0]], (len(side), 1)),
            np.tile([[0.0, -1.0]], (len(side), 1)),
        ]
    )
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    weights = np.r_[np.ones(len(turn)), np.full(2 * len(side), 0.7)]
    return behind, across, normals, weights / weights.sum()


_BEHIND, _ACROSS, _NORMALS, _WEIGHTS = _template()
_CORE = np.array([0.5, 1.0, 1.6, 2.4])


class _Search:
    """Scores many placements of the template at once."""

    def __init__(self, tip: TipView, breadth_mm: float) -> None:
        self.tint = cv2.GaussianBlur(tip.tint, (0, 0), 1.0)
        self.light = cv2.GaussianBlur(tip.brightness, (0, 0), 1.0)
        self.edge_tint = np.clip(self.tint, 0.08, 0.4)
        self.half_mm = breadth_mm / 2
        self.rows, self.columns = self.tint.shape

    def _at(self, x_mm: FloatArray, y_mm: FloatArray) -> NDArray[np.intp]:
        column = np.clip((x_mm * PX_PER_MM).astype(np.intp), 0, self.columns - 1)
        row = np.clip((y_mm * PX_PER_MM).astype(np.intp), 0, self.rows - 1)
        return np.asarray(row * self.columns + column, dtype=np.intp)

    def scores(
        self, x: FloatArray, y: FloatArray, angles: FloatArray, halves: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return total and edge score, (angles, halves, y, x), for a grid of placements."""
        sin, cos = np.sin(angles)[:, None, None], np.cos(angles)[:, None, None]
        half = halves[None, :, None]
        # Template points relative to the end: forward is (sin, -cos), across is (cos, sin).
        dx = -sin * _BEHIND * half + cos * _ACROSS * half
        dy = cos * _BEHIND * half + sin * _ACROSS * half
        nx = -sin * _NORMALS[:, 0] + cos * _NORMALS[:, 1]
        ny = cos * _NORMALS[:, 0] + sin * _NORMALS[:, 1]
        gx, gy = x[None, None, None, :, None], y[None, None, :, None, None]
        inner = self._at(
            gx + (dx - nx * _EDGE_REACH_MM)[:, :, None, None], gy + (dy - ny * _EDGE_REACH_MM)[:, :, None, None]
        )
        outer = self._at(
            gx + (dx + nx * _EDGE_REACH_MM)[:, :, None, None], gy + (dy + ny * _EDGE_REACH_MM)[:, :, None, None]
        )
        tint_in, tint_out = self.tint.ravel()[inner], self.tint.ravel()[outer]
        step = (self.edge_tint.ravel()[inner] - self.edge_tint.ravel()[outer]) / 0.28
        crease = np.abs(self.light.ravel()[inner] - self.light.ravel()[outer])
        crease = 0.5 * np.clip(2.0 * crease, 0.0, 1.0) * (tint_out > 0.3) * (tint_in > 0.25)
        evidence = np.maximum(np.clip(step, -1.0, 1.0), crease) - 0.8 * (tint_in < 0.2)
        edge = evidence @ _WEIGHTS.astype(np.float32)
        core_x = gx + (-sin * _CORE * half)[:, :, None, None]
        core_y = gy + (cos * _CORE * half)[:, :, None, None]
        core = (self.tint.ravel()[self._at(core_x, core_y)] > 0.3).mean(axis=-1)
        prior = 0.5 * (
            ((x - TIP_VIEW_MM[0] / 2) / 4.0)[None, None, None, :] ** 2
            + ((y - (TIP_ROW_MM - 5.0)) / 3.5)[None, None, :, None] ** 2
            + (angles / 0.21)[:, None, None, None] ** 2
            + ((halves / self.half_mm - 1.0) / 0.08)[None, :, None, None] ** 2
        )
        return edge + 0.5 * core - 0.06 * prior, edge


def fit_outline(tip: TipView, breadth_mm: float) -> TipOutline:
    """Fit the template to one fingertip; `breadth_mm` is the breadth expected of it."""
    search = _Search(tip, breadth_mm)
    x = np.arange(-8.0, 8.1, 1.6) + TIP_VIEW_MM[0] / 2
    y = np.arange(-12.0, 6.1, 1.2) + TIP_ROW_MM - 3.0
    angles = np.radians(np.arange(-28.0, 29.0, 8.0))
    halves = search.half_mm * np.array([0.88, 1.0, 1.12])
    step = np.array([-1.0, 0.0, 1.0])
    score = 0.0
    for share in (0.0, 1.0, 0.5, 0.25):
        if share:
            x = x + 0.8 * share * step
            y = y + 0.6 * share * step
            angles = angles + np.radians(4.0) * share * step
            halves = halves + 0.06 * search.half_mm * share * step
        total, edge = search.scores(x, y, angles, halves)
        best = np.unravel_index(int(np.argmax(total)), total.shape)
        score = float(edge[best])
        angles, halves, y, x = angles[best[0]], halves[best[1]], y[best[2]], x[best[3]]
    return TipOutline(float(x), float(y), float(angles), float(halves), score)
