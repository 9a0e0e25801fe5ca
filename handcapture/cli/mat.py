"""The command that writes a mat."""

from __future__ import annotations

from pathlib import Path

import click

from handcapture.cli.common import MAT_NAMES, NEW, check_output, json_option, print_json


@click.command()
@click.option("--paper", type=click.Choice(MAT_NAMES), default="a3", show_default=True, help="Size of the mat.")
@click.option("--output", type=NEW, required=True, help="The PDF to write.")
@json_option
def mat(paper: str, output: Path, as_json: bool) -> None:
    """Write a mat to print: the sheet (or pair of sheets) on which the hands rest.

    Print it at actual size ("100 %", not "fit"), in black on white. A3 or Tabloid takes both hands of most
    people; where no large printer is at hand, a pair prints as two pages that lie side by side.

    \b
    Example:
      handcapture mat --paper a4-pair --output mat.pdf
    """
    from handcapture.documents import write_atomically
    from handcapture.mat.geometry import MATS
    from handcapture.mat.printing import mat_pdf

    check_output(output, (".pdf",), "a mat")
    chosen = MATS[paper]
    write_atomically(output, mat_pdf(chosen))
    pages = len(chosen.sheets)
    if as_json:
        print_json({"output": str(output), "mat": paper, "pages": pages, "size_mm": list(chosen.size_mm)})
        return
    click.echo(f"{output}: {chosen.title}, {pages} {'page' if pages == 1 else 'pages'}.")
    click.echo('Print at actual size ("100 %", never "fit to page"), then check the two 150 mm rules with a ruler.')
    if pages > 1:
        click.echo("Lay the pages side by side, L left and R right, and tape them from below.")
