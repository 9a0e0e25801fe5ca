"""How well the stretch of the fingers is told: bias and spread on the fitting half, errors on the reporting half.

    python calibration/reach.py

The truth is reckoned from the scenes' joints by the definition of `handcapture.hands.reach`: the segments as long as
they are, the last one to the place where the pad presses now (a ball of 0.45 finger breadths), the wrist where it is.
The first table is what the constants of that module are taken from.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from reference import composed_photos
from split import FITTING_SHAPES

from handcapture.capture import WORKING_PX_PER_MM, Networks, capture
from handcapture.hands import reach
from handcapture.hands.landmarks import HandLandmarks, find_hands, shrink
from handcapture.mat.sighting import sight
from handcapture.names import FINGERS
from handcapture.photo import read_photo

FloatArray = NDArray[np.float64]
PAD = 0.45


def true_stretch_mm(hand: dict[str, Any], name: str) -> float:
    """Return the stretch of one finger of a scene's truth."""
    finger, wrist = hand["fingers"][name], np.array(hand["wrist_mm"])
    joints = np.array(list(finger["joints_mm"].values()), dtype=np.float64)
    ball = PAD * finger["breadth_dip_mm"]
    whole = np.vstack([joints, np.append(finger["contact_mm"], ball)])
    knuckle = joints[0]
    if name == "thumb":
        return reach.stretch_mm(whole, knuckle[2] - ball)
    # About the wrist, which stays, the knuckle sinks to where it is when the hand lies flat.
    height = min(float(knuckle[2]), reach.KNUCKLE_HEIGHT * hand["hand_length_mm"])
    bone = float(np.linalg.norm(knuckle - wrist))
    forwards = np.sqrt(bone**2 - (height - wrist[2]) ** 2) - np.hypot(*(knuckle - wrist)[:2])
    return reach.stretch_mm(whole, height - ball) + float(forwards)


def usual(samples: Sequence[tuple[HandLandmarks, dict[str, Any]]]) -> None:
    """Print the module's constants from the hands of the fitting half."""
    true = np.array([[max(true_stretch_mm(hand, name), 0.0) for name in FINGERS] for _, hand in samples])
    guessed = np.array([reach.guessed_mm(landmarks) for landmarks, _ in samples])
    print(f"usual {true.mean(axis=0).round(2).tolist()}  guessed {guessed.mean(axis=0).round(2).tolist()}")
    more = np.repeat((guessed - guessed.mean(axis=0)).mean(axis=1), 4)
    beyond = (true - true.mean(axis=0))[:, 1:].ravel()
    share = float(more @ beyond / (more @ more))
    print(f"share {share:.3f}  left {np.std(beyond - share * more):.2f}  thumb {true[:, 0].std():.2f}")


def main() -> None:
    """Print the tables."""
    found: list[tuple[bool, str, float, float, float]] = []
    samples: list[tuple[HandLandmarks, dict[str, Any]]] = []
    with Networks() as networks:
        for scene in composed_photos():
            fitting, photo = scene.truth["shape"] in FITTING_SHAPES, read_photo(scene.photo)
            if fitting:
                sighting = sight(photo, scene.mat)
                hands = find_hands(photo, sighting, networks.hands, shrink(photo, sighting, WORKING_PX_PER_MM))
                samples += [(hand, scene.truth["hands"][hand.side]) for hand in hands]
            for contact in capture(photo, networks, scene.mat).placement.contacts:
                if not contact.hidden and contact.stretch_mm is not None and contact.stretch_sd_mm is not None:
                    true = true_stretch_mm(scene.truth["hands"][contact.side], contact.finger)
                    found.append((fitting, contact.finger, true, contact.stretch_mm, contact.stretch_sd_mm))
    usual(samples)
    for fitting in (True, False):
        print("fitting half" if fitting else "reporting half")
        for name in (*FINGERS, "all"):
            rows = np.array([row[2:] for row in found if row[0] == fitting and name in (row[1], "all")])
            true, told, sd = rows.T
            # Nobody's stretch is below 0, so neither is the truth that is told apart.
            error = told - np.maximum(true, 0.0)
            print(
                f"{name:7} {len(rows):4}  truth {np.median(true):4.1f} mm (5th to 95th {np.percentile(true, 5):.1f} to "
                f"{np.percentile(true, 95):.1f})  bias {error.mean():+.2f}  sd {error.std():.2f}  "
                f"|error| median {np.median(np.abs(error)):.2f}  95th {np.percentile(np.abs(error), 95):.2f}  "
                f"within 1.96 sd {100 * (np.abs(error) < 1.96 * sd).mean():.0f} %  "
                f"true below told - sd {100 * (np.maximum(true, 0.0) < told - sd).mean():.0f} %"
            )


if __name__ == "__main__":
    main()
