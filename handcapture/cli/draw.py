"""The command that draws a layout."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from handcapture.cli.common import (
    FIGURE,
    MAT_NAMES,
    NEW,
    PATH,
    check_not_input,
    check_not_twice,
    check_output,
    json_option,
    print_cautions,
    print_json,
)
from handcapture.cli.kept import read_picture
from handcapture.errors import InputError, OutputError

if TYPE_CHECKING:
    from handcapture.layout.model import Layout

DRAWING_SUFFIXES: Final = (".dxf", ".svg", ".csv", ".pdf", ".jpg", ".png")


SHEET_SUFFIXES: Final = {"drill": (".pdf",), "cut": (".pdf",), "art": (".svg", ".pdf")}


@dataclass(frozen=True)
class _Wishes:
    """What the options ask for; None where an option was not given."""

    mat: str | None
    paper: str | None
    photo: Path | None
    rest: Path | None
    dxf_version: str | None
    kerf_mm: float | None
    sheet: str | None
    quantity: int | None
    files: tuple[str, ...]
    bleed_mm: float | None
    safe_mm: float | None
    labels: bool


@click.command()
@click.argument("layout", type=PATH)
@click.option(
    "--output",
    "outputs",
    type=NEW,
    required=True,
    multiple=True,
    help="A drawing to write, of the kind its ending names; may be given several times.",
)
@click.option("--mat", "mat_name", type=click.Choice(MAT_NAMES), help="For .pdf: print the holes on this mat.")
@click.option(
    "--paper",
    type=click.Choice(("a4", "letter", "a3", "tabloid")),
    help="For .pdf: tile on this paper; with --sheet drill or cut, the paper of the sheet (a4 unless given).",
)
@click.option("--photo", type=PATH, help="For .jpg and .png: the photo to draw over.")
@click.option("--rest", type=PATH, help="For .jpg and .png: the rest measured from that photo.")
@click.option(
    "--dxf-version",
    type=click.Choice(("R2010", "R12"), case_sensitive=False),
    help="For .dxf: R2010 unless given; R12 for old machines.",
)
@click.option(
    "--kerf",
    "kerf_mm",
    type=FIGURE,
    help="For .dxf and .svg: allow for this width of cut, mm. Leave it out where the shop does so itself. "
    "Drill tables and prints stay nominal.",
)
@click.option(
    "--sheet",
    type=click.Choice(tuple(SHEET_SUFFIXES)),
    help="A sheet for one purpose: drill press, pricing and cutting, or artwork.",
)
@click.option("--quantity", type=int, help="For --sheet cut: how many pieces, 1 unless given.")
@click.option("--file", "files", multiple=True, help="For --sheet cut: a file that goes with it; may be repeated.")
@click.option("--bleed", "bleed_mm", type=FIGURE, help="For --sheet art: bleed beyond the edge, 3 mm unless given.")
@click.option("--safe", "safe_mm", type=FIGURE, help="For --sheet art: safe line inside the edge, 3 mm unless given.")
@click.option("--labels", is_flag=True, help="For --sheet art: with names.")
@json_option
def draw(
    layout: Path,
    outputs: tuple[Path, ...],
    mat_name: str | None,
    paper: str | None,
    photo: Path | None,
    rest: Path | None,
    dxf_version: str | None,
    kerf_mm: float | None,
    sheet: str | None,
    quantity: int | None,
    files: tuple[str, ...],
    bleed_mm: float | None,
    safe_mm: float | None,
    labels: bool,
    as_json: bool,
) -> None:
    """Draw a layout: cut file, drill table, true-size print, sheets for the shop, or over a photo.

    \b
    The ending of each output names its kind:
      .dxf         holes and outline for a shop, in mm, at nominal size (kerf is the shop's to allow for,
                   unless --kerf is given)
      .svg         the same for a laser or an artist
      .csv         drill table
      .pdf         true-size print: on a mat (--mat), to lay the hands on and photograph again,
                   or tiled over pages (--paper)
      .jpg, .png   the layout over a photo (--photo, --rest)

    \b
    Sheets, one kind at a time:
      --sheet drill   .pdf: panel to scale, centres from two datum edges, table of holes
      --sheet cut     .pdf: one page to price and make the panel by
      --sheet art     .svg or .pdf: true-size outline for artwork, with bleed, safe line and what to keep clear

    \b
    Examples:
      handcapture draw layout.json --output panel.dxf --output try.pdf --mat a3
      handcapture draw layout.json --sheet cut --quantity 5 --file panel.dxf --output cut.pdf
    """
    from handcapture.documents import write_together
    from handcapture.drawings.common import build_warning, texts_of
    from handcapture.fonts import badly_shown
    from handcapture.layout.document import read_layout

    wishes = _Wishes(
        mat_name,
        paper,
        photo,
        rest,
        dxf_version.upper() if dxf_version else None,
        kerf_mm,
        sheet,
        quantity,
        tuple(Path(name).name for name in files),
        bleed_mm,
        safe_mm,
        labels,
    )
    for path in outputs:
        check_output(path, DRAWING_SUFFIXES, "a drawing")
        check_not_input(path, [p for p in (layout, photo, rest) if p is not None])
    kinds = {path.suffix.lower() for path in outputs}
    _check_sheet(wishes, outputs)
    _check_options(wishes, kinds)
    if sheet is None and ".pdf" in kinds and (mat_name is None) == (paper is None):
        raise InputError(
            "A .pdf needs either --mat (the holes on a mat, to try with the hands) or --paper (the whole panel, "
            "tiled), or --sheet. Name one of them."
        )
    if kinds & {".jpg", ".png"} and (photo is None or rest is None):
        raise InputError("To draw over a photo, name it with --photo, and its rest document with --rest.")
    _check_names(outputs, files)
    if layout.suffix.lower() == ".toml":
        raise InputError(
            f"{layout} is a plan or a panel, written by hand; drawings are made of a layout (.json). Run handcapture "
            "fit with it first, and name what that writes."
        )
    fitted = read_layout(layout)
    # All drawings are made before the first is written: a failure leaves nothing half-done.
    made = [(path, _drawing(path, fitted, wishes)) for path in outputs]
    _check_folders(outputs)
    write_together(made)
    if kinds & {".pdf", ".jpg", ".png"} and (warning := badly_shown(texts_of(fitted))):
        click.echo(f"! {warning}", err=True)
    if warning := build_warning(fitted):
        click.echo(f"{warning} The drawings say so too; handcapture fit names them.", err=True)
    if as_json:
        print_json({"outputs": [str(path) for path in outputs]})
        return
    for path in outputs:
        click.echo(f"{path}: {_told(path, wishes)}")
    if kinds & {".dxf", ".svg", ".csv", ".pdf"}:
        print_cautions()


def _check_names(outputs: tuple[Path, ...], files: tuple[str, ...]) -> None:
    """Refuse a drawing named twice, and files for the sheet that are not there nor about to be."""
    check_not_twice(outputs)
    for name in files:
        if not Path(name).exists():
            raise InputError(f"{name} (--file) does not exist. Draw it first, or mend the name: the shop will ask.")
        if Path(name).is_dir():
            raise InputError(f"{name} (--file) is a folder. Name the files in it, each with --file.")


def _check_folders(outputs: tuple[Path, ...]) -> None:
    """Refuse a folder that cannot be written to before anything is written to another one."""
    import tempfile

    for folder in dict.fromkeys(path.parent for path in outputs):
        try:
            with tempfile.TemporaryFile(dir=folder):
                pass
        except OSError as error:
            raise OutputError(
                f"The folder {folder} cannot be written to: {error.strerror or error}. Nothing was written; name "
                "another folder, or see to its permissions."
            ) from error


def _check_sheet(wishes: _Wishes, outputs: tuple[Path, ...]) -> None:
    """Refuse a sheet in a kind of file it is not made in, and options that do not belong to it."""
    if wishes.sheet is None:
        return
    endings = SHEET_SUFFIXES[wishes.sheet]
    for path in outputs:
        if path.suffix.lower() not in endings:
            raise InputError(
                f"{path}: --sheet {wishes.sheet} is written as {' or '.join(endings)}. Name such a file, or leave "
                "--sheet out."
            )
    for given, option in (
        (wishes.mat is not None, "--mat"),
        (wishes.photo is not None, "--photo"),
        (wishes.rest is not None, "--rest"),
        (wishes.paper is not None and wishes.sheet == "art", "--paper"),
        (wishes.kerf_mm is not None and wishes.sheet != "cut", "--kerf"),
    ):
        if given:
            reason = {
                "--paper": "it is as large as the panel takes",
                "--kerf": "it is always at nominal size",
            }.get(option, "it is a drawing of its own")
            raise InputError(f"--sheet {wishes.sheet} takes no {option}: {reason}. Leave one of the two out.")


def _check_options(wishes: _Wishes, kinds: set[str]) -> None:
    """Refuse options that nothing that is drawn would heed."""
    cut_files = wishes.sheet is None and bool(kinds & {".dxf", ".svg"})
    for given, option, heeded, where in (
        (wishes.photo is not None, "--photo", bool(kinds & {".jpg", ".png"}), "a .jpg or .png"),
        (wishes.rest is not None, "--rest", bool(kinds & {".jpg", ".png"}), "a .jpg or .png"),
        (wishes.dxf_version is not None, "--dxf-version", ".dxf" in kinds, "a .dxf"),
        (wishes.kerf_mm is not None, "--kerf", cut_files or wishes.sheet == "cut", "a .dxf, a .svg or --sheet cut"),
        (wishes.quantity is not None, "--quantity", wishes.sheet == "cut", "--sheet cut"),
        (bool(wishes.files), "--file", wishes.sheet == "cut", "--sheet cut"),
        (wishes.bleed_mm is not None, "--bleed", wishes.sheet == "art", "--sheet art"),
        (wishes.safe_mm is not None, "--safe", wishes.sheet == "art", "--sheet art"),
        (wishes.labels, "--labels", wishes.sheet == "art", "--sheet art"),
    ):
        if given and not heeded:
            raise InputError(f"{option} only means something for {where}. Leave it out, or add that.")


_DRAWN: Final = {
    ".dxf": "outline, holes and marks in mm, nominal size.",
    ".svg": "outline, holes and marks in mm, nominal size.",
    ".csv": "drill table.",
    ".pdf": 'true size. Print at "100 %", never "fit", and check the rule with a ruler.',
    ".jpg": "the layout over the photo.",
    ".png": "the layout over the photo.",
}
_SHEETS: Final = {
    "drill": "drill sheet, at the scale that it states; holes at nominal size.",
    "cut": "cut sheet.",
    "art": 'outline for artwork, true size. Print at "100 %", never "fit".',
}


def _told(path: Path, wishes: _Wishes) -> str:
    """Return what is said of a drawing that was written."""
    suffix = path.suffix.lower()
    if wishes.sheet is not None:
        return _SHEETS[wishes.sheet]
    if wishes.kerf_mm and suffix in (".dxf", ".svg"):
        return f"outline, holes and marks in mm, a kerf of {wishes.kerf_mm:g} mm allowed for: tell the shop."
    return _DRAWN[suffix]


def _drawing(path: Path, layout: Layout, wishes: _Wishes) -> bytes:
    suffix = path.suffix.lower()
    if wishes.sheet is not None:
        return _sheet(suffix, layout, wishes)
    if suffix == ".dxf":
        from handcapture.drawings.dxf import layout_dxf

        version: Any = wishes.dxf_version or "R2010"
        return layout_dxf(layout, version=version, kerf_mm=wishes.kerf_mm or 0.0)
    if suffix == ".svg":
        from handcapture.drawings.svg import layout_svg

        return layout_svg(layout, kerf_mm=wishes.kerf_mm or 0.0)
    if suffix == ".csv":
        from handcapture.drawings.drill import layout_drill_csv

        return layout_drill_csv(layout)
    if suffix == ".pdf" and wishes.mat is not None:
        from handcapture.drawings.template import template_pdf
        from handcapture.mat.geometry import MATS

        return template_pdf(layout, MATS[wishes.mat])
    if suffix == ".pdf" and wishes.paper is not None:
        from handcapture.drawings.tiled import tiled_pdf

        return tiled_pdf(layout, wishes.paper)
    if wishes.photo is None or wishes.rest is None:
        raise InputError("To draw over a photo, name it with --photo, and its rest document with --rest.")
    return _overlay_of(layout, wishes.photo, wishes.rest, suffix)


def _sheet(suffix: str, layout: Layout, wishes: _Wishes) -> bytes:
    if wishes.sheet == "drill":
        from handcapture.drawings.drill_sheet import drill_sheet_pdf

        return drill_sheet_pdf(layout, wishes.paper or "a4")
    if wishes.sheet == "cut":
        from handcapture.drawings.cut_sheet import cut_sheet_pdf

        quantity = 1 if wishes.quantity is None else wishes.quantity
        kerf_mm = wishes.kerf_mm or 0.0
        return cut_sheet_pdf(layout, wishes.paper or "a4", quantity=quantity, kerf_mm=kerf_mm, files=wishes.files)
    from handcapture.drawings.art import art_pdf, art_svg

    draw_art = art_svg if suffix == ".svg" else art_pdf
    bleed_mm = 3.0 if wishes.bleed_mm is None else wishes.bleed_mm
    safe_mm = 3.0 if wishes.safe_mm is None else wishes.safe_mm
    return draw_art(layout, bleed_mm=bleed_mm, safe_mm=safe_mm, labels=wishes.labels)


def _overlay_of(layout: Layout, photo: Path, rest: Path, suffix: str) -> bytes:
    from handcapture.drawings.overlay import draw_overlay
    from handcapture.mat.sighting import PrintScale, sight
    from handcapture.rest_document import read_rest

    picture, measured = read_picture(photo), read_rest(rest)
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
