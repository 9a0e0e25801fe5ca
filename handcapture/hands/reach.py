"""How much further along its reach each finger could come down, with the hand where it rests.

The limit is defined as comfortable: heel and knuckle stay where they are and as high as they are, and each of the
finger's two further joints is straight within STRAIGHT_DEG. The chord of the three segments then has one length,
whichever way they are bent, and what it covers along the mat follows from the knuckle's height:
sqrt(chord² - height²). The thumb is counted from its root, since it reaches with all three of its bones. Further than
that the hand itself must move: from most places at rest it is a matter of millimetres, a centimetre for a finger that
rests well bent.

A photo from above does not show how high a knuckle is. Lengths and heights are therefore the landmark network's own
guess of the hand in space, scaled to the palm that is measured; what it gets wrong on average is taken off by finger.
Of the synthetic hands of the scenes, which all rest alike (0 to 5 mm of stretch), it tells the differences poorly; that
is why the stated deviation is wide and `rest.furthest_mm` keeps inside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from handcapture.hands.landmarks import KNUCKLES, WRIST, HandLandmarks, finger_landmarks
from handcapture.names import FINGERS
from handcapture.rest import Contact

FloatArray = NDArray[np.float64]

STRAIGHT_DEG: Final = 10.0
"""So much each of the two further joints stays bent at the comfortable limit (our own figure, no source)."""
BIAS_MM: Final = (-0.1, 3.7, 1.4, 2.2, 2.5)
SD_MM: Final = (1.5, 2.3, 2.4, 2.3, 2.8)
"""By how much the network's guess is too long, thumb to little, and its spread: on the fitting half of the scenes'
shapes (calibration/reach.py prints them)."""
RELATIVE_SD: Final = 0.25
"""Beyond what the scenes can tell: of a finger that rests well bent the guess may be off by so much of itself (our own
assumption)."""


def chord_mm(segments_mm: FloatArray) -> float:
    """Return the distance between the ends of a finger whose joints are bent by STRAIGHT_DEG; segments (n,)."""
    turn = np.radians(STRAIGHT_DEG) * np.arange(len(segments_mm))
    return float(np.hypot((segments_mm * np.cos(turn)).sum(), (segments_mm * np.sin(turn)).sum()))


def stretch_mm(joints_mm: FloatArray) -> float:
    """Return how much further along the mat a finger could come down, from its joints in space (4, 3), z last.

    Knuckle first, then the two further joints and the end. Below 0 for a finger straighter than the limit.
    """
    chord = chord_mm(np.linalg.norm(np.diff(joints_mm, axis=0), axis=1))
    span = joints_mm[-1] - joints_mm[0]
    return float(np.sqrt(max(chord**2 - span[2] ** 2, 0.0)) - np.hypot(span[0], span[1]))


def with_stretch(contacts: Sequence[Contact], hand: HandLandmarks) -> tuple[Contact, ...]:
    """Return the contacts of a hand with how much further each could come down; hidden ones as they are."""
    model = hand.model_mm
    spokes = np.linalg.norm(model[list(KNUCKLES)] - model[WRIST], axis=1)
    scale = hand.palm_mm / max(float(spokes.mean()), 1e-6)
    found = []
    for contact in contacts:
        index = FINGERS.index(contact.finger)
        stretch = max(0.0, stretch_mm(model[finger_landmarks(index)] * scale) - BIAS_MM[index])
        sd = float(np.hypot(SD_MM[index], RELATIVE_SD * stretch))
        found.append(contact if contact.hidden else replace(contact, stretch_mm=stretch, stretch_sd_mm=sd))
    return tuple(found)
