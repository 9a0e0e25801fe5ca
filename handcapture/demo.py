"""The whole chain on the sample photos: an invented puppet theatre wants a cue desk fitted to its player."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from handcapture.errors import InputError, InstallationError, OutputError

PHOTOS: Final = ("rest_1.jpg", "rest_2.jpg", "rest_3.jpg")
MAT: Final = "a3"


def samples_folder() -> Path:
    """Return the folder of the samples: inside the installed package, or beside it in a checkout.

    InstallationError when one of them is missing.
    """
    package = Path(__file__).resolve().parent
    for folder in (package / "samples", package.parent / "samples"):
        if all((folder / name).is_file() for name in (*PHOTOS, "plan.toml", "panel.toml")):
            return folder
    raise InstallationError("The sample photos are missing. Install handcapture again, or run it from its checkout.")


def run_demo(output: Path, say: Callable[[str], None]) -> dict[str, Any]:
    """Run every step, write all results into `output`, tell each step to `say`; return what was done.

    OutputError when the folder cannot be made or written.
    """
    from handcapture.capture import Networks, capture
    from handcapture.documents import write_atomically
    from handcapture.drawings.drill import layout_drill_csv
    from handcapture.drawings.dxf import layout_dxf
    from handcapture.drawings.overlay import draw_overlay
    from handcapture.drawings.svg import layout_svg
    from handcapture.drawings.template import template_pdf
    from handcapture.drawings.tiled import tiled_pdf
    from handcapture.layout.document import write_layout
    from handcapture.layout.findings import CAUTIONS
    from handcapture.layout.fit import fit_layout
    from handcapture.layout.plan import load_panel, load_plan
    from handcapture.mat.geometry import MATS
    from handcapture.mat.printing import mat_pdf
    from handcapture.photo import read_photo
    from handcapture.rest import pool
    from handcapture.rest_document import write_rest

    start = time.perf_counter()
    samples = samples_folder()
    try:
        output.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"The folder {output} cannot be made: {error.strerror or error}. Name another one with --output."
        ) from None
    _require_own(output)
    written: list[str] = []

    def write(name: str, data: bytes) -> None:
        write_atomically(output / name, data)
        written.append(name)

    write(_MARK, _MARK_TEXT)
    say("The Lantern Puppet Theatre (invented) wants a desk of twelve cue buttons, fitted to its player's hands.")
    say("The photos are composed of synthetic hands on our printed mat; every place in them is known exactly.\n")
    say("1. The mat to print, and three photos of the hands laid down on it.")
    mat = MATS[MAT]
    write("mat.pdf", mat_pdf(mat))
    measured = []
    with Networks() as networks:
        for name in PHOTOS:
            photo = read_photo(samples / name)
            result = capture(photo, networks, MAT)
            measured.append((photo, result))
            say(
                f"   {name}: mat {mat.title}, camera {result.sighting.height_mm:.0f} mm up, tilted "
                f"{result.sighting.tilt_deg:.0f} degrees; {len(result.placement.contacts)} fingertips."
            )
    say("2. The rest: ten contact points with their uncertainty.")
    rest = pool([result.placement for _, result in measured])
    write_rest(output / "rest.json", rest)
    written.append("rest.json")
    misses = _misses_mm(rest, samples / "expected_rest.json")
    say(f"   Against the known places: median {misses[len(misses) // 2]:.1f} mm off, the farthest {misses[-1]:.1f} mm.")
    say("3. The layout: plan.toml and panel.toml fitted to the rest.")
    plate, origin = load_panel(samples / "panel.toml")
    layout = fit_layout(rest, load_plan(samples / "plan.toml"), plate, origin)
    write_layout(output / "layout.json", layout)
    written.append("layout.json")
    farthest = max(layout.buttons, key=lambda button: button.moved_mm)
    say(f"   {len(layout.buttons)} buttons; {farthest.label} had to move most: {farthest.moved_mm:.1f} mm.")
    for finding in layout.findings:
        say(f"   {finding.severity}: {finding.message}")
    say("4. The drawings.")
    write("panel.dxf", layout_dxf(layout))
    write("panel.svg", layout_svg(layout))
    write("drill.csv", layout_drill_csv(layout))
    write("template.pdf", template_pdf(layout, mat))
    write("tiled_a4.pdf", tiled_pdf(layout, "a4"))
    for number, (photo, result) in enumerate(measured, start=1):
        drawn = draw_overlay(photo, result.sighting.camera, result.placement, layout)
        write(f"seen_{number}.jpg", drawn)
    seconds = time.perf_counter() - start
    say(f"\nDone in {seconds:.0f} s. Look into {output}:")
    for name, text in _GUIDE.items():
        say(f"   {name:14s} {text}")
    say(f"\n{CAUTIONS}")
    return {
        "output": str(output),
        "files": written,
        "misses_mm": [round(miss, 2) for miss in misses],
        "seconds": round(seconds, 1),
    }


_GUIDE: Final = {
    "seen_1.jpg": "the photo with contacts, 95 % regions and buttons; also seen_2, seen_3",
    "mat.pdf": "the mat to print for your own hands",
    "rest.json": "the contacts, with uncertainty",
    "layout.json": "the fitted layout and its findings",
    "template.pdf": "the holes in true size on the mat: lay the hands on it and look",
    "tiled_a4.pdf": "the whole panel in true size on A4 pages",
    "panel.dxf": "for the shop; panel.svg the same; drill.csv the drill table",
}


_MARK: Final = "demo.txt"
_MARK_TEXT: Final = b"handcapture demo wrote the files in this folder, and writes them anew when it is run again.\n"


def _require_own(folder: Path) -> None:
    """Refuse a folder in which somebody's own files would be replaced."""
    names = [*_GUIDE, "panel.svg", "drill.csv", *(f"seen_{k}.jpg" for k in range(2, len(PHOTOS) + 1))]
    own = [name for name in names if (folder / name).exists()]
    if own and not (folder / _MARK).exists():
        raise InputError(
            f"{folder} holds files that the demo did not make and would replace: {', '.join(own)}. Name another folder "
            "with --output."
        )


def _misses_mm(rest: Any, path: Path) -> list[float]:
    """Return the distances from the known contacts, sorted."""
    import math

    known = {
        (tip["side"], tip["finger"]): tip["contact_mm"]
        for tip in json.loads(path.read_text(encoding="utf-8"))["fingertips"]
    }
    return sorted(math.dist(tip.contact_mm, known[tip.side, tip.finger]) for tip in rest.fingertips)
