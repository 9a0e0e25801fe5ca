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


def make_walk() -> None:
    """Run the README's walk-through with the commands it names, and keep the pictures that stand in it."""
    import contextlib
    import tempfile

    import pypdfium2
    from PIL import Image

    from handcapture.cli import main as command

    def kept(picture: Image.Image, name: str, breadth_px: int) -> None:
        picture = picture.convert("RGB")
        picture.thumbnail((breadth_px, breadth_px))
        picture.save(WALK / name, quality=80, optimize=True)

    WALK.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        Path("samples").symlink_to(SAMPLES)
        for line in WALK_COMMANDS:
            command(line.split(), standalone_mode=False)
        for name in ("try", "cut", "drill"):
            page = pypdfium2.PdfDocument(f"{name}.pdf")[0].render(scale=2.0).to_pil()
            kept(page, f"{name}.png", 1000)
        kept(Image.open("tried/01_try_1.jpg"), "tried.jpg", 1100)
        kept(Image.open("changes.png"), "changes.png", 1000)


WALK = SAMPLES / "walk"
WALK_COMMANDS = (
    "capture samples/rest_1.jpg samples/rest_2.jpg samples/rest_3.jpg --ruler 150 150 --output rest.json",
    "fit rest.json --plan samples/try_plan.toml --panel samples/panel.toml --output layout_a.json",
    "draw layout_a.json --output try.pdf --mat a3",
    "check layout_a.json samples/try_1.jpg samples/try_2.jpg samples/try_3.jpg --ruler 150 150 --overlay tried "
    "--plan samples/try_plan.toml --update plan_b.toml",
    "fit rest.json --plan plan_b.toml --panel samples/panel.toml --revision B --output layout_b.json",
    "compare layout_a.json layout_b.json --rest rest.json --output changes.png",
    "draw layout_b.json --output panel.dxf --output panel.svg --output drill.csv",
    "draw layout_b.json --sheet cut --file panel.dxf --output cut.pdf",
    "draw layout_b.json --sheet drill --output drill.pdf",
)
"""The commands of README's walk-through; a test compares them."""


def main() -> None:
    """Write what is asked for (try, walk), or the photos, expected_rest.json, what a check needs and the pictures."""
    what = sys.argv[1:] or ["rest", "try", "walk"]
    for name in what:
        {"rest": make_rest, "try": make_try, "walk": make_walk}[name]()


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
