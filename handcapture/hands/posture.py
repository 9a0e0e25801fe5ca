"""What a photo from above tells of a hand's posture: wrist deviation, hand length and breadth.

Wrist deviation is the angle between the forearm's axis and the third metacarpal, seen from above, positive
towards the little finger (ulnar) on both hands. The metacarpal comes from the landmarks, the forearm from its
own outline below the wrist. A photo from above cannot see flexion or extension of the wrist.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.hands.fingertips import little_side
from handcapture.hands.landmarks import KNUCKLES, WRIST, HandLandmarks
from handcapture.hands.palm import CutOut, axes_of, cut_out, palm_of
from handcapture.mat.sighting import Sighting
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
_FIRST_MM, _LEAST_MM = 14.0, 18.0
"""The stretch of forearm, below the wrist, whose outline is used, and how much of it must be seen."""


def posture(hand: HandLandmarks, sighting: Sighting, small: tuple[NDArray[np.uint8], float]) -> HandPosture:
    """Return the posture of one hand, with its palm; `small` is the shrunk photo with its scale."""
    points = hand.points_mm
    bone = points[_MIDDLE_KNUCKLE] - points[WRIST]
    cut = cut_out(hand, sighting, small)
    found = _forearm_direction(hand, cut)
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
        palm=palm_of(hand, sighting, cut, None if found is None else found[0]),
    )


def _forearm_direction(hand: HandLandmarks, cut: CutOut) -> tuple[FloatArray, float] | None:
    """Return the unit vector from the forearm towards the hand and its sd in degrees; None when out of view.

    Its axis is the line through the middles of its rows.
    """
    if cut.visible_mm < _FIRST_MM + 20:
        return None
    up, right = axes_of(hand)
    skin, wrist_row, scale = cut.skin, cut.wrist_row, cut.view.px_per_mm
    rows, columns = skin.shape
    last_row = min(rows - 1, wrist_row + round(cut.visible_mm * scale))
    middles, places = [], []
    for row in range(wrist_row + round(_FIRST_MM * scale), last_row):
        across = np.flatnonzero(skin[row])
        if across.size and across[0] > 1 and across[-1] < columns - 2:
            breadth = (across[-1] - across[0] + 1) / scale
            if 30.0 < breadth < 95.0:
                middles.append((across[0] + across[-1]) / 2)
                places.append(float(row))
    if len(places) < _LEAST_MM * scale:
        return None
    slope, scatter = _robust_slope(np.array(places), np.array(middles))
    direction = up - right * slope  # rows run away from the hand
    length = float(np.ptp(places))
    sd = np.degrees(np.arctan2(2.0 * scatter, length)) + 1.0
    return direction / np.linalg.norm(direction), float(sd)


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
