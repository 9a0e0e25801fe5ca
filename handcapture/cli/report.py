"""The command that writes the report."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from handcapture.cli.common import (
    FIGURE,
    NEW,
    PATH,
    check_not_input,
    check_not_twice,
    check_output,
    json_option,
    print_json,
)
from handcapture.cli.kept import read_picture
from handcapture.errors import InputError

if TYPE_CHECKING:
    from handcapture.report.inputs import SeenPhoto, Session
    from handcapture.report.paper import Paper
    from handcapture.rest import Rest


@click.command()
@click.argument("rest", type=PATH)
@click.option(
    "--photo", "photos", type=PATH, multiple=True, metavar="PHOTO", help="A photo of a rest to show; several times."
)
@click.option(
    "--before", type=PATH, multiple=True, metavar="REST", help="An earlier rest to compare with; several times."
)
@click.option("--layout", type=PATH, help="The layout to show, with its findings.")
@click.option(
    "--check", "checks", type=PATH, multiple=True, metavar="CHECK", help="A check's document to show; several times."
)
@click.option("--title", help="What stands on top.")
@click.option("--person", metavar="NICK", help="Whose hands: a nickname will do.")
@click.option("--margin", "margin_mm", type=FIGURE, help="Changes smaller than this do not matter, mm. [default: 5]")
@click.option("--margin-deg", type=FIGURE, help="The same for angles, degrees. [default: 5]")
@click.option(
    "--day",
    "days",
    multiple=True,
    metavar="DAY",
    help="The day of each --before, in order, then of the rest (2031-03-04), if photos do not tell it.",
)
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="The PDF's paper.")
@click.option(
    "--output",
    "outputs",
    type=NEW,
    multiple=True,
    required=True,
    help="The report (.html or .pdf); both may be given.",
)
@json_option
def report(
    rest: Path,
    photos: tuple[Path, ...],
    before: tuple[Path, ...],
    layout: Path | None,
    checks: tuple[Path, ...],
    title: str | None,
    person: str | None,
    margin_mm: float | None,
    margin_deg: float | None,
    days: tuple[str, ...],
    paper: Paper,
    outputs: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Write a report of a measurement: one HTML page that needs nothing else, or a PDF to print.

    It shows the contacts with their uncertainty, posture, and what else is given: photos with what was measured in
    them, what changed since earlier sessions, the layout with its findings, checks on a template, and where it all
    comes from. Photos of hands are personal, and those you name travel in the report; nothing is sent anywhere.

    \b
    Examples:
      handcapture report rest.json --photo one.jpg --layout layout.json --output report.html --output report.pdf
      handcapture report now.json --before spring.json --before summer.json --person Mara --output report.pdf
    """
    from datetime import date

    from handcapture.documents import write_together
    from handcapture.drawings.common import texts_of
    from handcapture.fonts import badly_shown
    from handcapture.layout.document import read_layout
    from handcapture.report.content import Inputs, build_report
    from handcapture.report.inputs import NamedLayout, Session, read_check, session_times
    from handcapture.report.page import report_page
    from handcapture.report.paper import report_pdf
    from handcapture.rest_document import read_rest
    from handcapture.sessions import MARGIN_DEG, MARGIN_MM, check_margins

    files = [rest, *photos, *before, *checks, *([layout] if layout else [])]
    for output in outputs:
        check_output(output, (".html", ".pdf"), "a report")
        check_not_input(output, files)
    check_not_twice(outputs)
    margins = (MARGIN_MM if margin_mm is None else margin_mm, MARGIN_DEG if margin_deg is None else margin_deg)
    check_margins(*margins)
    paths = [*before, rest]
    rests = [read_rest(path) for path in paths]
    _require_different(paths, rests)
    times = session_times(rests, days)
    sessions = [Session(path.name, one, when) for path, one, when in zip(paths, rests, times, strict=True)]
    fitted = NamedLayout(layout.name, read_layout(layout)) if layout else None
    read_checks = tuple(read_check(path) for path in checks)
    seen = _seen(photos, sessions, fitted)
    inputs = Inputs(
        session=sessions[-1],
        earlier=tuple(sessions[:-1]),
        photos=seen,
        layout=fitted,
        checks=read_checks,
        title=title,
        person=person,
        margin_mm=margins[0],
        margin_deg=margins[1],
    )
    found = build_report(inputs, date.today())
    named = [title or "", person or "", *(texts_of(fitted.layout) if fitted else ())]
    if warning := badly_shown(named):
        click.echo(f"! {warning}", err=True)
    written = [report_page(found) if path.suffix.lower() == ".html" else report_pdf(found, paper) for path in outputs]
    write_together(list(zip(outputs, written, strict=True)))
    if as_json:
        print_json(
            {
                "title": found.title,
                "sections": [section.title for section in found.sections],
                "photos": [photo.name for photo in seen],
                "outputs": [{"file": str(p), "bytes": len(data)} for p, data in zip(outputs, written, strict=True)],
            }
        )
        return
    for path in outputs:
        click.echo(f"{path}: {', '.join(section.title.lower() for section in found.sections)}.")
    if seen:
        click.echo("It holds photos of hands, which are personal: mind to whom you give it.")


def _require_different(paths: Sequence[Path], rests: Sequence[Rest]) -> None:
    from handcapture.rest_document import rest_sha256

    known: dict[str, Path] = {}
    for path, one in zip(paths, rests, strict=True):
        digest = rest_sha256(one)
        if digest in known:
            raise InputError(f"{path} is the same rest as {known[digest]}. Name different sessions.")
        known[digest] = path


def _seen(photos: Sequence[Path], sessions: Sequence[Session], fitted: object) -> tuple[SeenPhoto, ...]:
    from handcapture.report.inputs import NamedLayout, seen_photo

    layout = fitted.layout if isinstance(fitted, NamedLayout) else None
    return tuple(seen_photo(read_picture(path), sessions, layout) for path in photos)
