"""What a photo from above tells of a hand's posture: wrist deviation, hand length and breadth.

Wrist deviation is the angle between the forearm's axis and the third metacarpal, seen from above, positive
towards the little finger (ulnar) on both hands. The metacarpal runs from the middle of the wrist, which the outline
tells better than the landmark does (its direction then scatters by 1.2 degrees instead of 2.1), to the landmark of the
middle knuckle; the forearm comes from its own outline below the wrist. Both are carried along their rays to the
heights at which they lie as hands rest, since a camera sees what is higher further out. A photo from above cannot see
flexion or extension of the wrist.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.hands.fingertips import little_side
from handcapture.hands.landmarks import KNUCKLES, LANDMARK_HEIGHT_MM, WRIST, HandLandmarks
from handcapture.hands.palm import OUTLINE_HEIGHT_MM, CutOut, cut_out, palm_of
from handcapture.mat.sighting import Sighting
from handcapture.placement import HandPosture

FloatArray = NDArray[np.float64]

# Fitted on the fitting half of the reference scenes (calibration/posture.py prints them), each hand shape counted once.
FOREARM_TURN_DEG: Final = -2.5
"""So far the middle of the forearm's outline is turned from its axis, towards the little finger on both hands."""
METACARPAL_TURN_DEG: Final = -1.25
"""The same of the line from the middle of the wrist to the middle knuckle's landmark."""
LANDMARKS_TURN_DEG: Final = -4.3
"""The same of the line from the wrist's landmark, which serves where the palm has no outline."""
PERSON_SD_DEG: Final = 1.6
"""How far the deviation is off in all photos of a person: forearms are not built alike about their axis. From five hand
shapes, so widened for there being no more (Student's t), and for their mean."""
METACARPAL_SD_DEG: Final = 1.0
"""How much the metacarpal scatters from photo to photo beyond that; without an outline, LANDMARKS_SD_DEG."""
LANDMARKS_SD_DEG: Final = 2.0
PALM_TO_HAND_LENGTH: Final = 0.418
KNUCKLES_TO_HAND_BREADTH: Final = 0.736
USUAL_DEVIATION_DEG: Final = (5.0, 6.0)
"""Mean and standard deviation stated when the forearm is out of the picture: how hands rest in the scenes."""

_MIDDLE_KNUCKLE = 9
_FIRST_MM, _LEAST_MM = 14.0, 18.0
"""The stretch of forearm, below the wrist, whose outline is used, and how much of it must be seen."""
_KNUCKLE_ABOVE_WRIST_MM, _FOREARM_RISE = 5.3, 0.078
"""How much higher than the wrist joint the middle knuckle lies, and the forearm for every millimetre towards the elbow:
medians of the fitting half."""


def posture(hand: HandLandmarks, sighting: Sighting, small: tuple[NDArray[np.uint8], float]) -> HandPosture:
    """Return the posture of one hand, with its palm; `small` is the shrunk photo with its scale."""
    points = hand.points_mm
    cut = cut_out(hand, sighting, small)
    found = _forearm_direction(hand, cut, sighting)
    palm = palm_of(hand, sighting, cut, None if found is None else found[0])
    deviation, deviation_sd = USUAL_DEVIATION_DEG
    if found is not None:
        forearm, forearm_sd = found
        knuckle = _lift(sighting, points[_MIDDLE_KNUCKLE], OUTLINE_HEIGHT_MM + _KNUCKLE_ABOVE_WRIST_MM)
        if palm is None:
            bone, turn, bone_sd = knuckle - _lift(sighting, points[WRIST]), LANDMARKS_TURN_DEG, LANDMARKS_SD_DEG
        else:
            bone, turn, bone_sd = knuckle - palm.heel_mm, METACARPAL_TURN_DEG, METACARPAL_SD_DEG
        # Positive clockwise as seen, y being down.
        angle = np.degrees(np.arctan2(forearm[0] * bone[1] - forearm[1] * bone[0], float(forearm @ bone)))
        deviation = float(angle) * little_side(hand) - turn
        deviation_sd = float(np.sqrt(PERSON_SD_DEG**2 + bone_sd**2 + forearm_sd**2))
    return HandPosture(
        side=hand.side,
        wrist_mm=points[WRIST].copy(),
        wrist_deviation_deg=deviation,
        wrist_deviation_sd_deg=deviation_sd,
        forearm_seen=found is not None,
        hand_length_mm=hand.palm_mm / PALM_TO_HAND_LENGTH,
        hand_breadth_mm=float(np.linalg.norm(points[KNUCKLES[0]] - points[KNUCKLES[-1]])) / KNUCKLES_TO_HAND_BREADTH,
        palm=palm,
    )


def _lift(sighting: Sighting, point_mm: FloatArray, height_mm: float = OUTLINE_HEIGHT_MM) -> FloatArray:
    """Carry a place (2,) of the landmarks' plane along its ray to another height."""
    pixels = sighting.camera.project(np.array([[*point_mm, LANDMARK_HEIGHT_MM]]))
    return np.asarray(sighting.camera.at_height(pixels, height_mm)[0], dtype=np.float64)


def _forearm_direction(hand: HandLandmarks, cut: CutOut, sighting: Sighting) -> tuple[FloatArray, float] | None:
    """Return the unit vector (2,) from the forearm towards the hand and its sd in degrees; None when out of view.

    Its axis is the line through the middles of its rows, turned by what forearms are turned from it.
    """
    if cut.visible_mm < _FIRST_MM + 20:
        return None
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
    slope, start, scatter = _robust_line(np.array(places), np.array(middles))
    length = float(np.ptp(places))
    ends = []
    for place in (places[0], places[-1]):
        on_view = np.array([[(slope * place + start + 0.5) / scale, (place + 0.5) / scale]])
        height = OUTLINE_HEIGHT_MM + _FOREARM_RISE * ((place - wrist_row) / scale - _FIRST_MM)
        ends.append(_lift(sighting, cut.view.to_mat(on_view)[0], height))
    turn = np.radians(-FOREARM_TURN_DEG * little_side(hand))
    x, y = ends[0] - ends[1]
    direction = np.array([x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)])
    sd = np.degrees(np.arctan2(2.0 * scatter, length)) + 0.5
    return direction / np.linalg.norm(direction), float(sd)


def _robust_line(x: FloatArray, y: FloatArray) -> tuple[float, float, float]:
    """Return slope and start of y over x by reweighted least squares, and the scatter about the line."""
    weight = np.ones(len(x))
    slope, start, scatter = 0.0, 0.0, 0.0
    for _ in range(6):
        slope, start = np.polyfit(x, y, 1, w=weight)
        residual = y - slope * x - start
        scatter = 1.4826 * float(np.median(np.abs(residual))) + 0.1
        weight = 1.0 / (1.0 + (residual / (2 * scatter)) ** 2)
    return float(slope), float(start), scatter
