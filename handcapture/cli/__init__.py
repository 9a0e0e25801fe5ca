"""The command line: a thin layer over the library calls."""

from __future__ import annotations

from pathlib import Path

import click

from handcapture.cli.batch import batch
from handcapture.cli.capture import capture, inspect
from handcapture.cli.changed import changed
from handcapture.cli.check import check
from handcapture.cli.cohort import cohort
from handcapture.cli.common import MAT_NAMES, SETTINGS, Group
from handcapture.cli.compare import compare
from handcapture.cli.demo import demo
from handcapture.cli.doctor import doctor
from handcapture.cli.draw import DRAWING_SUFFIXES, draw
from handcapture.cli.fit import fit, holes
from handcapture.cli.journal import journal
from handcapture.cli.kept import FOLDER_VARIABLE, NewFile, keeping
from handcapture.cli.mat import mat
from handcapture.cli.posture import posture
from handcapture.cli.report import report
from handcapture.cli.serve import serve
from handcapture.cli.start import adopt, advise, arrange
from handcapture.cli.steady import steady
from handcapture.errors import InputError
from handcapture.version import __version__

_KEEP_NOTHING = ("mat", "journal", "serve", "demo", "doctor", "batch", "cohort")

__all__ = ["DRAWING_SUFFIXES", "MAT_NAMES", "main"]


@click.group(cls=Group, context_settings=SETTINGS)
@click.version_option(__version__, prog_name="handcapture", message="%(prog)s %(version)s")
@click.option(
    "--journal", "journal_folder", type=NewFile(), envvar=FOLDER_VARIABLE,
    help=f"The journal's folder. [default: ${FOLDER_VARIABLE}]",
)  # fmt: skip
@click.option("--keep", metavar="NICKNAME", help="Keep the documents and photos of the command for this person.")
@click.option("--keep-photos", is_flag=True, help="With --keep: copy photos too, without place, names and camera.")
def main(journal_folder: Path | None, keep: str | None, keep_photos: bool) -> None:
    """Measure where ten fingertips rest, from a phone photo, and fit a button panel to them.

    \b
    The usual way:
      handcapture mat --paper a3 --output mat.pdf     print it, lay both hands on it, photograph them
      handcapture capture photo1.jpg photo2.jpg --output rest.json
      handcapture fit rest.json --plan plan.toml --panel panel.toml --output layout.json
      handcapture draw layout.json --output panel.dxf --output template.pdf --mat a3

    See it all at work first:  handcapture demo

    In place of a file, entry:12 is what the journal keeps under that number.
    """
    if keep_photos and keep is None:
        raise InputError("--keep-photos says what --keep does with photos. Name a person with --keep.")
    called = click.get_current_context().invoked_subcommand
    if keep is not None and called in _KEEP_NOTHING:
        raise InputError(f"handcapture {called} has nothing to keep for a person. Leave --keep out.")


for _command in (
    mat,
    capture,
    batch,
    inspect,
    posture,
    steady,
    adopt,
    arrange,
    advise,
    holes,
    fit,
    compare,
    changed,
    cohort,
    draw,
    check,
    report,
    journal,
    serve,
    demo,
    doctor,
):
    main.add_command(_command if _command.name in _KEEP_NOTHING else keeping(_command))
