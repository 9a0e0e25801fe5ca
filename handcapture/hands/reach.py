"""How much further along its reach each finger could come down, with the hand where it rests.

The limit is defined as follows. The heel stays where it is; the knuckles sink until the hand lies flat on the mat
(KNUCKLE_HEIGHT of its length above it), and each finger's two further joints are straight within STRAIGHT_DEG. The
chord of its three segments then has one length, whichever way they are bent, and what it covers along the mat is
sqrt(chord² - drop²). The thumb is counted from its root, which stays as high as it is. Beyond that the hand itself has
to move, as it does when a far button is pressed: from how hands rest in the scenes the limit is 1 to 12 mm away.

A photo from above hardly shows how bent a finger is. The landmark network's own guess of the hand in space, scaled to
the palm that is measured, is a poor witness for one finger and a fair one for the four together, which are bent alike.
What is stated is the usual stretch of the finger, plus a share of how much more or less bent than usual the four are
guessed to be: a regression on the fitting half of the scenes' shapes (calibration/reach.py), which leans to the usual.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.hands.landmarks import KNUCKLES, WRIST, HandLandmarks, finger_landmarks
from handcapture.names import FINGERS
from handcapture.placement import Contact

FloatArray = NDArray[np.float64]

STRAIGHT_DEG: Final = 10.0
"""So much each of the two further joints stays bent (our own figure, no source)."""
KNUCKLE_HEIGHT: Final = 0.085
"""Middle of the knuckles over the mat, in hand lengths, when the hand lies flat: half of the hand's thickness (28 of
174 and 33 of 189 mm, Pheasant's British adults, from memory)."""
DROP_MM: Final = 9.0
"""From there to the middle of the fingertip's ball."""
USUAL_MM: Final = (1.9, 5.4, 6.9, 6.4, 5.4)
GUESSED_MM: Final = (7.9, 7.1, 9.2, 4.7)
"""Mean stretch in truth, thumb to little, and as guessed by the network, index to little; on the fitting half."""
SHARE: Final = 0.38
SD_MM: Final = (1.5, 2.4, 2.4, 2.4, 2.4)
"""Spread of what is left, on the fitting half; of the thumb, whose stretch hardly varies there, our own figure."""
BEYOND_SHARE: Final = 0.8
"""A hand that rests far more or less bent than those of the scenes: so much of the difference may be off (our own)."""


def chord_mm(segments_mm: FloatArray) -> float:
    """Return the distance between the ends of a finger whose joints are bent by STRAIGHT_DEG; segments (n,)."""
    turn = np.radians(STRAIGHT_DEG) * np.arange(len(segments_mm))
    return float(np.hypot((segments_mm * np.cos(turn)).sum(), (segments_mm * np.sin(turn)).sum()))


def stretch_mm(joints_mm: FloatArray, drop_mm: float) -> float:
    """Return how much further along the mat a finger could come down, from its joints in space (4, 3), z last.

    Knuckle first, then the two further joints and the end. `drop_mm` is how far below the knuckle the end comes to
    lie. Below 0 for a finger that covers more as it is.
    """
    chord = chord_mm(np.linalg.norm(np.diff(joints_mm, axis=0), axis=1))
    covered = float(np.hypot(*(joints_mm[-1] - joints_mm[0])[:2]))
    return float(np.sqrt(max(chord**2 - drop_mm**2, 0.0))) - covered


def with_stretch(contacts: Sequence[Contact], hand: HandLandmarks) -> tuple[Contact, ...]:
    """Return the contacts of a hand with how much further each could come down than where it is said to be.

    Of a hidden one that place is a guess, whose deviation along the reach is added.
    """
    beyond = SHARE * float((guessed_mm(hand) - GUESSED_MM).mean())
    found = []
    for contact in contacts:
        index = FINGERS.index(contact.finger)
        more = beyond if index else 0.0
        variance = SD_MM[index] ** 2 + (BEYOND_SHARE * more) ** 2
        if contact.hidden:
            variance += float(contact.reach @ contact.covariance_mm2 @ contact.reach)
        stretch = max(0.0, USUAL_MM[index] + more)
        found.append(replace(contact, stretch_mm=stretch, stretch_sd_mm=float(np.sqrt(variance))))
    return tuple(found)


def guessed_mm(hand: HandLandmarks) -> FloatArray:
    """Return the stretch of the four fingers, index to little (4,), as the network guesses the hand in space."""
    model = hand.model_mm
    spokes = np.linalg.norm(model[list(KNUCKLES)] - model[WRIST], axis=1)
    joints = model * (hand.palm_mm / max(float(spokes.mean()), 1e-6))
    return np.array([stretch_mm(joints[finger_landmarks(index)], DROP_MM) for index in range(1, 5)])
