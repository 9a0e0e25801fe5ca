"""What a photo from above tells of a hand's posture: wrist deviation, hand length and breadth.

Wrist deviation is the angle between the forearm's axis and the third metacarpal, seen from above, positive
towards the little finger (ulnar) on both hands. The metacarpal comes from the landmarks, the forearm from its
own outline below the wrist. A photo from above cannot see flexion or extension of the wrist.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from handcapture.hands.fingertips import little_side
from handcapture.hands.landmarks import KNUCKLES, LANDMARK_HEIGHT_MM, WRIST, HandLandmarks
from handcapture.mat.sighting import Sighting
from handcapture.rectify import View, rectify
from handcapture.rest import HandPosture

FloatArray = NDArray[np.float64]

# Medians and spreads on the fitting half of the reference scenes (calibration/train_fingertips.py prints them).
BIAS_DEG: Final = -0.5
"""Median of measured minus true deviation where the forearm is seen: the landmarks' metacarpal is turned
towards the thumb, the outline's axis of the forearm the same way, and the two nearly cancel."""
METACARPAL_SD_DEG: Final = 2.5
PALM_TO_HAND_LENGTH: Final = 0.418
KNUCKLES_TO_HAND_BREADTH: Final = 0.736
USUAL_DEVIATION_DEG: Final = (5.0, 6.0)
"""Mean and standard deviation stated when the forearm is out of the picture: how hands rest in the scenes."""

_MIDDLE_KNUCKLE = 9
_PX_PER_MM = 0.75
_WINDOW_MM = (150.0, 190.0)
_WRIST_ROW_MM = 70.0
_FIRST_MM, _LAST_MM, _LEAST_MM = 14.0, 100.0, 18.0
"""The stretch of forearm, below the wrist, whose outline is used, and how much of it must be seen."""


def posture(hand: HandLandmarks, sighting: Sighting, small: tuple[NDArray[np.uint8], float]) -> HandPosture:
    """Return the posture of one hand; `small` is the shrunk photo with its scale."""
    points = hand.points_mm
    bone = points[_MIDDLE_KNUCKLE] - points[WRIST]
    found = _forearm_direction(hand, sighting, small)
    deviation, deviation_sd = USUAL_DEVIATION_DEG
    if found is not None:
        forearm, forearm_sd = found
        # Positive clockwise as seen, y being down.
        turn = np.degrees(np.arctan2(forearm[0] * bone[1] - forearm[1] * bone[0], float(forearm @ bone)))
        deviation = float(turn) * little_side(hand) - BIAS_DEG
        deviation_sd = float(np.hypot(METACARPAL_SD_DEG, forearm_sd))
    return HandPosture(
        side=hand.side,
        wrist_mm=points[WRIST].copy(),
        wrist_deviation_deg=deviation,
        wrist_deviation_sd_deg=deviation_sd,
        forearm_seen=found is not None,
        hand_length_mm=hand.palm_mm / PALM_TO_HAND_LENGTH,
        hand_breadth_mm=float(np.linalg.norm(points[KNUCKLES[0]] - points[KNUCKLES[-1]])) / KNUCKLES_TO_HAND_BREADTH,
    )


def _forearm_direction(
    hand: HandLandmarks, sighting: Sighting, small: tuple[NDArray[np.uint8], float]
) -> tuple[FloatArray, float] | None:
    """Return the unit vector from the forearm towards the hand and its sd in degrees; None when out of view.

    The forearm is cut out of its surroundings, paper or table, by GrabCut (Rother, Kolmogorov and Blake 2004),
    seeded with the hand's own colours; its axis is the line through the middles of its rows.
    """
    points = hand.points_mm
    up = points[list(KNUCKLES)].mean(axis=0) - points[WRIST]
    up = up / max(float(np.linalg.norm(up)), 1e-6)
    right = np.array([-up[1], up[0]])
    origin = points[WRIST] - right * _WINDOW_MM[0] / 2 + up * _WRIST_ROW_MM
    view = View(origin, right, _WINDOW_MM, _PX_PER_MM, LANDMARK_HEIGHT_MM)
    picture = rectify(small[0], sighting.camera, view, small[1])
    rows, columns = picture.shape[:2]
    pixels = sighting.camera.project(
        np.c_[view.to_mat(np.array([[_WINDOW_MM[0] / 2, _WINDOW_MM[1]]])), [[LANDMARK_HEIGHT_MM]]]
    )[0]
    visible_mm = _LAST_MM
    if not (0 <= pixels[0] < sighting.size_px[0] and 0 <= pixels[1] < sighting.size_px[1]):
        visible_mm = _visible_length(view, sighting)
    if visible_mm < _FIRST_MM + 20:
        return None

    mask = np.full((rows, columns), cv2.GC_PR_BGD, np.uint8)
    middle, wrist_row = columns // 2, round(_WRIST_ROW_MM * _PX_PER_MM)
    mask[:, : round(8 * _PX_PER_MM)] = mask[:, -round(8 * _PX_PER_MM) :] = cv2.GC_BGD
    mask[wrist_row:, middle - round(24 * _PX_PER_MM) : middle + round(24 * _PX_PER_MM)] = cv2.GC_PR_FGD
    palm = view.from_mat(points[[WRIST, *KNUCKLES]]) * _PX_PER_MM
    cv2.fillConvexPoly(mask, cv2.convexHull(palm.astype(np.float32)).astype(np.int32), int(cv2.GC_FGD))
    core = round(7 * _PX_PER_MM)
    mask[wrist_row : wrist_row + round(20 * _PX_PER_MM), middle - core : middle + core] = cv2.GC_FGD
    cv2.setRNGSeed(1)
    cv2.grabCut(picture, mask, (0, 0, 1, 1), np.zeros((1, 65)), np.zeros((1, 65)), 2, cv2.GC_INIT_WITH_MASK)
    skin = ((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)).astype(np.uint8)
    count, labels = cv2.connectedComponents(skin)
    if count < 2:
        return None
    skin = labels == labels[wrist_row + 2, middle]

    last_row = min(rows - 1, wrist_row + round(min(visible_mm, _LAST_MM) * _PX_PER_MM))
    middles, places = [], []
    for row in range(wrist_row + round(_FIRST_MM * _PX_PER_MM), last_row):
        across = np.flatnonzero(skin[row])
        if across.size and across[0] > 1 and across[-1] < columns - 2:
            breadth = (across[-1] - across[0] + 1) / _PX_PER_MM
            if 30.0 < breadth < 95.0:
                middles.append((across[0] + across[-1]) / 2)
                places.append(float(row))
    if len(places) < _LEAST_MM * _PX_PER_MM:
        return None
    slope, scatter = _robust_slope(np.array(places), np.array(middles))
    direction = up - right * slope  # rows run away from the hand
    length = float(np.ptp(places))
    sd = np.degrees(np.arctan2(2.0 * scatter, length)) + 1.0
    return direction / np.linalg.norm(direction), float(sd)


def _visible_length(view: View, sighting: Sighting) -> float:
    """Return how many mm below the wrist lie inside the picture."""
    below = np.arange(0.0, _WINDOW_MM[1] - _WRIST_ROW_MM, 4.0)
    middle = np.stack([np.full(len(below), _WINDOW_MM[0] / 2), _WRIST_ROW_MM + below], axis=1)
    pixels = sighting.camera.project(np.c_[view.to_mat(middle), np.full(len(below), LANDMARK_HEIGHT_MM)])
    inside = ((pixels >= 0) & (pixels < np.array(sighting.size_px))).all(axis=1)
    return float(below[inside].max()) if inside.any() else 0.0


def _robust_slope(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Return the slope of y over x by reweighted least squares, and the scatter about the line."""
    weight = np.ones(len(x))
    slope, scatter = 0.0, 0.0
    for _ in range(6):
        slope, start = np.polyfit(x, y, 1, w=weight)
        residual = y - slope * x - start
        scatter = 1.4826 * float(np.median(np.abs(residual))) + 0.1
        weight = 1.0 / (1.0 + (residual / (2 * scatter)) ** 2)
    return float(slope), scatter
