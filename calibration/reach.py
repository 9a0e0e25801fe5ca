"""How well the stretch of the fingers is told: bias and spread on the fitting half, errors on the reporting half.

    python calibration/reach.py

The truth is reckoned from the scenes' joints by the definition of `handcapture.hands.reach`: the segments as long as
they are, the last one to the place where the pad presses now (a ball of 0.45 finger breadths about it), knuckle and
heel where they are.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from reference import composed_photos
from split import FITTING_SHAPES

from handcapture.capture import Networks, capture
from handcapture.hands import reach
from handcapture.names import FINGERS
from handcapture.photo import read_photo

FloatArray = NDArray[np.float64]
PAD = 0.45


def true_stretch_mm(finger: dict[str, Any]) -> float:
    """Return the stretch of one finger of a scene's truth."""
    joints = np.array(list(finger["joints_mm"].values()), dtype=np.float64)
    end = np.append(finger["contact_mm"], PAD * finger["breadth_dip_mm"])
    return reach.stretch_mm(np.vstack([joints, end]))


def main() -> None:
    """Print the tables."""
    found: list[tuple[bool, str, float, float, float]] = []
    with Networks() as networks:
        for scene in composed_photos():
            fitting = scene.truth["shape"] in FITTING_SHAPES
            for contact in capture(read_photo(scene.photo), networks, scene.mat).placement.contacts:
                if contact.stretch_mm is not None and contact.stretch_sd_mm is not None:
                    true = true_stretch_mm(scene.truth["hands"][contact.side]["fingers"][contact.finger])
                    found.append((fitting, contact.finger, true, contact.stretch_mm, contact.stretch_sd_mm))
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
