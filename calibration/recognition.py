"""How surely a printed template is told from a plain mat and from other layouts: what `handcapture.recognise` rests on.

python calibration/recognition.py [SCENE ...]

Composes, for every scene with two hands, a template whose holes lie near the fingers, and beside it what is not that
template: a plain mat, another layout, revisions with buttons moved or gone, pale and blurred prints. About 45 minutes
on one core for all scenes.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
import pypdfium2  # type: ignore[import-untyped]
from compose import PAPER_BLACK, PAPER_WHITE, RASTER_PX_PER_MM, Bytes, Look, Paper, compose, jpeg, lay_mat
from reference import SCENES, look_of, scene_names

from handcapture.capture import Networks, capture
from handcapture.drawings.template import template_pdf
from handcapture.errors import HandcaptureError
from handcapture.layout.model import Button, KeepOut, Layout, Panel
from handcapture.mat.geometry import MATS
from handcapture.names import FINGERS
from handcapture.photo import read_photo
from handcapture.recognise import recognise

MAT_NAMES: Final = ("a3", "a4-pair", "tabloid", "letter-pair")
SHRINKS: Final = (2, 1, 2, 2, 3)
BLURS_PX: Final = (1.5, 2.5, 4.0)


def main(names: Sequence[str]) -> None:
    """Print the verdict on every photo, then how often each verdict fell on each kind."""
    told: Counter[tuple[str, str]] = Counter()
    contrasts: dict[str, list[float]] = {"seen": [], "missing": []}
    both = [name for name in scene_names() if len(_truth(name)["hands"]) == 2]
    with Networks() as networks, tempfile.TemporaryDirectory() as folder:
        for number, name in enumerate(both):
            if names and name not in names:
                continue
            mat_name, shrink = MAT_NAMES[number % 4], SHRINKS[number % 5]
            rng = np.random.default_rng(number)
            layout = _layout(name, mat_name, rng)
            for kind, papers, look in _shown(layout, mat_name, look_of(name, mat_name), number, rng):
                path = Path(folder) / f"{name}.jpg"
                try:
                    picture, truth = compose(SCENES / name, papers, look, shrink)
                    path.write_bytes(jpeg(picture, look, truth["focal_35mm"]))
                    photo = read_photo(path)
                    found = recognise(layout, photo, capture(photo, networks))
                except HandcaptureError as error:
                    print(f"{name} {mat_name} {kind}: {error}")
                    continue
                told[kind, found.verdict] += 1
                for hole in found.holes:
                    if hole.contrast is not None and hole.state in contrasts:
                        contrasts[hole.state].append(hole.contrast)
                print(f"{name} {mat_name} {kind}: {found.verdict}; seen {found.count_seen}, missing {found.missing}")
    for (kind, verdict), count in sorted(told.items()):
        print(f"{kind:10s} {verdict:17s} {count}")
    if contrasts["seen"] and contrasts["missing"]:
        print(f"contrast: seen from {min(contrasts['seen']):.2f}, missing up to {max(contrasts['missing']):.2f}")


def _truth(name: str) -> dict[str, Any]:
    truth: dict[str, Any] = json.loads((SCENES / name / "truth.json").read_text())
    return truth


def _layout(name: str, mat_name: str, rng: np.random.Generator) -> Layout:
    """Return an invented layout: a hole some 3 mm off every contact, a far one for the middle fingers."""
    hands, middle = _truth(name)["hands"], np.array(MATS[mat_name].size_mm) / 2
    contacts = {
        (side, finger): middle + np.array(hands[side]["fingers"][finger]["contact_mm"][:2]) * (1, -1)
        for side in hands
        for finger in FINGERS
    }
    low, high = np.min(list(contacts.values()), axis=0) - 35.0, np.max(list(contacts.values()), axis=0) + 45.0
    buttons = []
    for (side, finger), contact in contacts.items():
        x, y = (contact + rng.normal(0, 3.0, 2) - low).tolist()
        hole = 30.0 if finger == "thumb" else 24.0
        buttons.append(Button(f"{side} {finger}", side, finger, "near", hole, (x, y), (x, y), 0.0, None))
        if finger == "middle":
            far = (x, y - 34.0)
            buttons.append(Button(f"{side} {finger} far", side, finger, "far", hole, far, far, 0.0, None))
    width, height = (high - low).tolist()
    keep_outs = (KeepOut("plate", "rectangle", (width / 2, height - 20.0), size_mm=(60.0, 20.0)),)
    panel = Panel("Bench", width, height, 12.0, 10.0, 5.0, 3.0, "plywood", keep_outs)
    return Layout("Bench", panel, (float(low[0]), float(low[1])), tuple(buttons))


def _shown(
    layout: Layout, mat_name: str, look: Look, number: int, rng: np.random.Generator
) -> Iterator[tuple[str, list[Paper], Look]]:
    """Yield what lies under the hands, by its kind."""
    try:
        own = _printed(layout, mat_name)
    except HandcaptureError:
        return  # the holes do not fit this mat
    yield "this", own, look
    yield "plain", lay_mat(mat_name), look
    gone = int(rng.integers(len(layout.buttons)))
    kept = tuple(button for k, button in enumerate(layout.buttons) if k != gone)
    for kind, other in (
        ("one moved", _moved(layout, rng, 1, (3.5, 8.0))),
        ("two moved", _moved(layout, rng, 2, (3.5, 8.0))),
        ("one gone", replace(layout, buttons=kept)),
        ("another", _moved(layout, rng, len(layout.buttons), (8.0, 20.0))),
    ):
        yield kind, _printed(other, mat_name), look
    yield "pale", _printed(layout, mat_name, (0.4, 0.15)[number % 2]), look
    blurred = replace(look, blur_px=BLURS_PX[number % 3])
    yield "blurred", own, blurred
    yield "plain blur", lay_mat(mat_name), blurred


def _moved(layout: Layout, rng: np.random.Generator, count: int, by_mm: tuple[float, float]) -> Layout:
    buttons = list(layout.buttons)
    for k in rng.choice(len(buttons), count, replace=False):
        turn, far = rng.uniform(0, 2 * np.pi), rng.uniform(*by_mm)
        x, y = buttons[k].centre_mm
        buttons[k] = replace(buttons[k], centre_mm=(float(x + far * np.cos(turn)), float(y + far * np.sin(turn))))
    return replace(layout, buttons=tuple(buttons))


def _printed(layout: Layout, mat_name: str, darkness: float = 1.0) -> list[Paper]:
    """Return the template's pages as they come from the printer, thin lines with `darkness` of their ink."""
    pages: list[Bytes] = []
    for page in pypdfium2.PdfDocument(template_pdf(layout, MATS[mat_name])):
        grey = page.render(scale=RASTER_PX_PER_MM * 25.4 / 72, grayscale=True).to_numpy()
        ink = 255 - grey.reshape(grey.shape[:2]).astype(np.float32)
        thick = cv2.dilate(cv2.erode(ink, np.ones((9, 9))), np.ones((9, 9)))
        grey = 255 - np.maximum(np.minimum(ink, thick), darkness * ink)
        pages.append((grey * (PAPER_WHITE - PAPER_BLACK) / 255 + PAPER_BLACK + 0.5).astype(np.uint8))
    return [replace(paper, picture=page) for paper, page in zip(lay_mat(mat_name), pages, strict=True)]


if __name__ == "__main__":
    main(sys.argv[1:])
