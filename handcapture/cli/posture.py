"""The command that tells the posture of a measurement."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from handcapture.cli.common import FIGURE, PATH, json_option, print_json

if TYPE_CHECKING:
    from handcapture.measures import Sex

SEXES: Final = ("female", "male")
"""Stands here as well as in measures.py so that the help needs no further import; a test compares them."""


@click.command()
@click.argument("rest", type=PATH)
@click.option(
    "--shoulder", "shoulder_mm", type=FIGURE, metavar="MM", help="Your shoulder breadth, between the bony tips, in mm."
)
@click.option("--sex", type=click.Choice(SEXES), help="Show percentiles of this sex only. [default: both]")
@json_option
def posture(rest: Path, shoulder_mm: float | None, sex: Sex | None, as_json: bool) -> None:
    """Tell the posture of a measurement: wrists, forearms, how the fingers are spread, the hands' size.

    Wrist deviation is held against published bands, each named with its source; where the photo cannot tell which band
    it is, that is said. It is a measuring aid, not medical advice.

    \b
    Example:
      handcapture posture rest.json --shoulder 380
    """
    from handcapture.measures import measures, posture_document, posture_text
    from handcapture.rest_document import read_rest

    found = measures(read_rest(rest), shoulder_mm)
    if as_json:
        print_json({**posture_document(found, shoulder_mm), "file": str(rest)})
        return
    click.echo(posture_text(found, sex))
