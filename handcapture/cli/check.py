"""The command that checks a printed template against the hands."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from handcapture.cli.common import (
    PATH,
    check_not_input,
    check_output,
    json_option,
    make_folder,
    measured,
    print_json,
    progress,
)
from handcapture.errors import PhotoError

if TYPE_CHECKING:
    from handcapture.capture import Capture
    from handcapture.check import TemplateCheck


@click.command()
@click.argument("layout", type=PATH)
@click.argument("photos", nargs=-1, type=PATH, required=True, metavar="PHOTO...")
@click.option("--ruler", type=float, nargs=2, metavar="X Y", help="What a ruler reads on the template's 150 mm rules.")
@click.option("--one-handed", is_flag=True, help="One hand a photo, while the other holds the phone.")
@click.option("--care", "care_mm", type=float, default=2.0, show_default=True, help="Leave smaller offsets alone, mm.")
@click.option("--overlay", type=PATH, metavar="FOLDER", help="Also write each photo with holes, contacts and moves.")
@click.option("--output", type=PATH, help="Also write the check as a document (.json).")
@json_option
def check(
    layout: Path,
    photos: tuple[Path, ...],
    ruler: tuple[float, float] | None,
    one_handed: bool,
    care_mm: float,
    overlay: Path | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Tell from photos of hands on a printed template where each finger really lands.

    Print the template with draw ... --output try.pdf --mat NAME, lay the hands on it as they will play, and
    photograph them as for capture; lift them and lay them down again for each further photo.

    \b
    Example:
      handcapture check layout.json try1.jpg try2.jpg try3.jpg --ruler 150 150 --overlay seen
    """
    from handcapture.check import check_document, check_template
    from handcapture.documents import dump_json, write_atomically
    from handcapture.layout.document import read_layout
    from handcapture.mat.sighting import PrintScale

    if output is not None:
        check_output(output, (".json",), "a check")
        check_not_input(output, (layout, *photos))
    if overlay is not None:
        make_folder(overlay)
    fitted = read_layout(layout)
    scale = PrintScale.from_rulers(*ruler) if ruler else None
    captures: list[Capture] = []
    with progress(len(photos), as_json) as step:
        for _, result in measured(photos, None, scale, one_handed, None, told=step):
            if isinstance(result, PhotoError):
                raise result
            captures.append(result)
    found = check_template(fitted, captures, care_mm)
    if overlay is not None:
        _write_check_overlays(found, captures, photos, overlay)
    document = check_document(found)
    if output is not None:
        write_atomically(output, dump_json(document))
    if as_json:
        print_json(document)
        return
    _print_check(found)


def _print_check(found: TemplateCheck) -> None:
    click.echo(f"{found.layout.name}: {found.placements} placement{'s' * (found.placements > 1)} on the template.")
    click.echo()
    click.echo("  button            finger          lands off by      known to   on the plunger   verdict")
    for entry in found.buttons:
        button = entry.button
        line = f"  {button.label:16.16s}  {button.side + ' ' + button.finger:14s}"
        if entry.offset_mm is None or entry.distance_mm is None or entry.within is None:
            click.echo(f"{line}  not rested on")
            continue
        verdict: str = entry.verdict
        if entry.move_mm is not None:
            verdict = f"move {_way(entry.move_mm)}"
        click.echo(
            f"{line} {entry.distance_mm:5.1f} mm          ±{entry.known_to_mm:4.1f} mm      {100 * entry.within:5.0f} %"
            f"          {verdict}"
        )
    click.echo()
    click.echo(
        "  Lands off by: from the hole's centre to where the finger comes down, on average; known to: 95 %, in that"
    )
    click.echo("  direction; on the plunger: in so many of 100 landings. Buttons of other rows are not rested on.")
    for note in found.notes:
        click.echo(f"  ! {note}")


def _way(move_mm: Any) -> str:
    """Say a move in words: along the template's width, and towards or away from the person."""
    x, y = (float(value) for value in move_mm)
    parts = []
    if abs(x) >= 0.05:
        parts.append(f"{abs(x):.1f} mm {'right' if x > 0 else 'left'}")
    if abs(y) >= 0.05:
        parts.append(f"{abs(y):.1f} mm {'towards you' if y > 0 else 'away from you'}")
    return ", ".join(parts)


def _write_check_overlays(
    found: TemplateCheck, captures: Sequence[Capture], photos: Sequence[Path], folder: Path
) -> None:
    from dataclasses import replace

    import numpy as np

    from handcapture.check import TemplateView, on_template
    from handcapture.documents import write_atomically
    from handcapture.drawings.overlay import draw_overlay
    from handcapture.photo import read_photo

    placed = replace(found.layout, panel_origin_mm=found.origin_mm)
    origin = np.array(found.origin_mm)
    moves = [
        (origin + entry.button.centre_mm, origin + entry.button.centre_mm + entry.move_mm)
        for entry in found.buttons
        if entry.move_mm is not None
    ]
    for number, (path, result) in enumerate(zip(photos, captures, strict=True), start=1):
        picture = read_photo(path)
        view = TemplateView(result.sighting)
        drawn = draw_overlay(picture, view, on_template(result), placed, moves_mm=moves)
        write_atomically(folder / f"{number:02d}_{path.stem}.jpg", drawn)
