"""Compose the photos of samples/ and state what they should give.

python calibration/make_samples.py
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
from compose import Look, compose, jpeg, lay_mat
from reference import SCENES

SAMPLES = Path(__file__).resolve().parent.parent / "samples"
MAT = "a3"
# One person, hands laid down three times, the phone put up anew each time; the mat stayed where it was.
PHOTOS = {
    "rest_1": ("person_before_00", (1.02, 1.0, 0.97), 11),
    "rest_2": ("person_before_02", (1.02, 1.0, 0.97), 12),
    "rest_3": ("person_before_03", (1.02, 1.0, 0.97), 13),
}


def main() -> None:
    """Write the photos and expected_rest.json."""
    placements: list[dict[tuple[str, str], list[float]]] = []
    for name, (scene, gains, seed) in PHOTOS.items():
        look = Look(table_bgr=(74, 104, 138), gains_rgb=gains, exposure=1.04, noise=0.004, jpeg_quality=86, seed=seed)
        photo, truth = compose(SCENES / scene, lay_mat(MAT), look)
        (SAMPLES / f"{name}.jpg").write_bytes(jpeg(photo, look, truth["focal_35mm"]))
        hands: dict[str, Any] = truth["hands"]
        placements.append(
            {
                (side, finger): known["contact_mat_mm"]
                for side, hand in hands.items()
                for finger, known in hand["fingers"].items()
            }
        )
    expected = {
        "note": "Known contacts of the synthetic hands: the mean over the three placements, mat frame, mm.",
        "mat": MAT,
        "fingertips": [
            {
                "side": side,
                "finger": finger,
                "contact_mm": np.mean([placement[side, finger] for placement in placements], axis=0).round(3).tolist(),
            }
            for side, finger in placements[0]
        ],
    }
    (SAMPLES / "expected_rest.json").write_text(json.dumps(expected, indent=1) + "\n")


if __name__ == "__main__":
    main()
