"""The command that draws a layout."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from handcapture.cli.common import (
    MAT_NAMES,
    PATH,
    check_not_input,
    check_output,
    json_option,
    print_cautions,
    print_json,
)
from handcapture.errors import InputError

if TYPE_CHECKING:
    from handcapture.layout.model import Layout

DRAWING_SUFFIXES: Final = (".dxf", ".svg", ".csv", ".pdf", ".jpg", ".png")


@click.command()
@click.argument("layout", type=PATH)
@click.option(
    "--output",
    "outputs",
    type=PATH,
    required=True,
    multiple=True,
    help="A drawing to write, of the kind its ending names; may be given several times.",
)
@click.option("--mat", "mat_name", type=click.Choice(MAT_NAMES), help="For .pdf: print the holes on this mat.")
@click.option("--paper", type=click.Choice(("a4", "letter", "a3", "tabloid")), help="For .pdf: tile on this paper.")
@click.option("--photo", type=PATH, help="For .jpg and .png: the photo to draw over.")
@click.option("--rest", type=PATH, help="For .jpg and .png: the rest measured from that photo.")
@json_option
def draw(
    layout: Path,
    outputs: tuple[Path, ...],
    mat_name: str | None,
    paper: str | None,
    photo: Path | None,
    rest: Path | None,
    as_json: bool,
) -> None:
    """Draw a layout: cut file, drill table, true-size print, or over a photo.

    \b
    The ending of each output names its kind:
      .dxf         holes and outline for a shop, in mm, at nominal size (kerf is the shop's to allow for)
      .svg         the same for a laser or an artist
      .csv         drill table
      .pdf         true-size print: on a mat (--mat), to lay the hands on and photograph again,
                   or tiled over pages (--paper)
      .jpg, .png   the layout over a photo (--photo, --rest)

    \b
    Example:
      handcapture draw layout.json --output panel.dxf --output try.pdf --mat a3
    """
    from handcapture.documents import write_atomically
    from handcapture.layout.document import read_layout

    for path in outputs:
        check_output(path, DRAWING_SUFFIXES, "a drawing")
        check_not_input(path, [p for p in (layout, photo, rest) if p is not None])
    kinds = {path.suffix.lower() for path in outputs}
    if ".pdf" in kinds and (mat_name is None) == (paper is None):
        raise InputError(
            "A .pdf needs either --mat (the holes on a mat, to try with the hands) or --paper (the whole panel, "
            "tiled). Name one of the two."
        )
    if kinds & {".jpg", ".png"} and (photo is None or rest is None):
        raise InputError("To draw over a photo, name it with --photo, and its rest document with --rest.")
    fitted = read_layout(layout)
    # All drawings are made before the first is written: a failure leaves nothing half-done.
    made = [(path, _drawing(path, fitted, mat_name, paper, photo, rest)) for path in outputs]
    for path, data in made:
        write_atomically(path, data)
    if as_json:
        print_json({"outputs": [str(path) for path in outputs]})
        return
    for path in outputs:
        click.echo(f"{path}: {_DRAWN[path.suffix.lower()]}")
    if kinds & {".dxf", ".svg", ".csv", ".pdf"}:
        print_cautions()


_DRAWN: Final = {
    ".dxf": "outline, holes and marks in mm, nominal size.",
    ".svg": "outline, holes and marks in mm, nominal size.",
    ".csv": "drill table.",
    ".pdf": 'true size. Print at "100 %", never "fit", and check the rule with a ruler.',
    ".jpg": "the layout over the photo.",
    ".png": "the layout over the photo.",
}


def _drawing(
    path: Path, layout: Layout, mat_name: str | None, paper: str | None, photo: Path | None, rest: Path | None
) -> bytes:
    suffix = path.suffix.lower()
    if suffix == ".dxf":
        from handcapture.drawings.dxf import layout_dxf

        return layout_dxf(layout)
    if suffix == ".svg":
        from handcapture.drawings.svg import layout_svg

        return layout_svg(layout)
    if suffix == ".csv":
        from handcapture.drawings.drill import layout_drill_csv

        return layout_drill_csv(layout)
    if suffix == ".pdf" and mat_name is not None:
        from handcapture.drawings.template import template_pdf
        from handcapture.mat.geometry import MATS

        return template_pdf(layout, MATS[mat_name])
    if suffix == ".pdf" and paper is not None:
        from handcapture.drawings.tiled import tiled_pdf

        return tiled_pdf(layout, paper)
    if photo is None or rest is None:
        raise InputError("To draw over a photo, name it with --photo, and its rest document with --rest.")
    return _overlay_of(layout, photo, rest, suffix)


def _overlay_of(layout: Layout, photo: Path, rest: Path, suffix: str) -> bytes:
    from handcapture.drawings.overlay import draw_overlay
    from handcapture.mat.sighting import PrintScale, sight
    from handcapture.photo import read_photo
    from handcapture.rest_document import read_rest

    picture, measured = read_photo(photo), read_rest(rest)
    for placement in measured.placements:
        for source in placement.sources:
            if source.photo_sha256 == picture.sha256:
                scale = PrintScale(*source.print_scale, relative_sd=source.print_scale_sd)
                camera = sight(picture, source.mat, scale).camera
                return draw_overlay(picture, camera, placement, layout, image_format=_image_format(suffix))
    known = ", ".join(source.photo_name for p in measured.placements for source in p.sources)
    raise InputError(f"{photo} is not one of the photos that {rest} was measured from ({known}). Name one of those.")


def _image_format(suffix: str) -> Any:
    return "png" if suffix == ".png" else "jpeg"
