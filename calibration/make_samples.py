"""Compose the photos of samples/ and state what they should give.

python calibration/make_samples.py         all of them
python calibration/make_samples.py try     only those of hands on the printed template, with its layout
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from compose import PAPER_BLACK, PAPER_WHITE, RASTER_PX_PER_MM, Look, Paper, compose, jpeg, lay_mat
from reference import SCENES

from handcapture.capture import Networks, capture
from handcapture.drawings.template import template_origin, template_pdf
from handcapture.layout.document import write_layout
from handcapture.layout.fit import fit_layout
from handcapture.layout.model import Layout
from handcapture.layout.plan import load_panel, load_plan
from handcapture.mat.geometry import MATS
from handcapture.photo import read_photo
from handcapture.rest import pool

SAMPLES = Path(__file__).resolve().parent.parent / "samples"
MAT = "a3"
# One person, hands laid down three times, the phone put up anew each time; the mat stayed where it was.
PHOTOS = {
    "rest_1": ("person_before_00", (1.02, 1.0, 0.97), 11),
    "rest_2": ("person_before_02", (1.02, 1.0, 0.97), 12),
    "rest_3": ("person_before_03", (1.02, 1.0, 0.97), 13),
}
# The same person on the print of try_layout.json: scene, how the sheet is turned (degrees, anticlockwise) and how far
# it lies from where it would suit the hands best (mm on the table), seed. Whoever tries a template looks for its holes.
TRIES = {
    "try_1": ("person_before_00", 0.7, (0.6, -0.8), 21),
    "try_2": ("person_before_02", -0.6, (-0.9, 0.3), 22),
    "try_3": ("person_before_03", 0.3, (0.4, 0.7), 23),
}


def make_try() -> None:
    """Write the layout of try_plan.toml, fitted to the sample photos, and photos of hands on its printed template."""
    with Networks() as networks:
        rest = pool([capture(read_photo(SAMPLES / f"{name}.jpg"), networks).placement for name in PHOTOS])
    panel, origin = load_panel(SAMPLES / "panel.toml")
    layout = fit_layout(rest, load_plan(SAMPLES / "try_plan.toml"), panel, origin)
    write_layout(SAMPLES / "try_layout.json", layout)
    ink = _printed(layout)
    for name, (scene, turn, off, seed) in TRIES.items():
        look = Look(table_bgr=(74, 104, 138), exposure=1.0, noise=0.004, jpeg_quality=86, seed=seed)
        paper = Paper(ink, MATS[MAT].size_mm, _under_the_hands(scene, layout, turn) + off, turn)
        photo, truth = compose(SCENES / scene, [paper], look)
        (SAMPLES / f"{name}.jpg").write_bytes(jpeg(photo, look, truth["focal_35mm"]))


def _under_the_hands(scene: str, layout: Layout, turn_deg: float) -> Any:
    """Return where the sheet's middle lies on the table when most fingers of a scene are on their near buttons."""
    hands = json.loads((SCENES / scene / "truth.json").read_text())["hands"]
    to_table = Paper(np.zeros((1, 1), np.uint8), MATS[MAT].size_mm, (0.0, 0.0), turn_deg).to_table()
    origin = template_origin(layout, MATS[MAT])
    off = []
    for button in layout.buttons:
        if button.row == "near":
            hole = to_table @ [*np.add(origin, button.centre_mm), 1.0]
            off.append(np.array(hands[button.side]["fingers"][button.finger]["contact_mm"][:2]) - hole[:2])
    return np.median(off, axis=0)


def _printed(layout: Layout) -> Any:
    """Return the template as it comes from the printer, grey."""
    import pypdfium2  # type: ignore[import-untyped]

    page = pypdfium2.PdfDocument(template_pdf(layout, MATS[MAT]))[0]
    grey = page.render(scale=RASTER_PX_PER_MM * 25.4 / 72, grayscale=True).to_numpy()
    spread = (PAPER_WHITE - PAPER_BLACK) / 255
    return (grey.reshape(grey.shape[:2]) * spread + PAPER_BLACK + 0.5).astype(np.uint8)


def main() -> None:
    """Write the photos, expected_rest.json and what a check of a template needs."""
    if sys.argv[1:] != ["try"]:
        make_rest()
    make_try()


def make_rest() -> None:
    """Write the photos of the bare mat and expected_rest.json."""
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
