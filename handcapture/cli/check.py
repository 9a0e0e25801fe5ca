"""The command that checks a printed template against the hands."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from handcapture.cli.common import (
    FIGURE,
    NEW,
    PATH,
    check_different,
    check_new,
    check_not_input,
    check_output,
    check_overlays,
    force_option,
    json_option,
    measured,
    overlay_file,
    print_json,
    progress,
)
from handcapture.cli.kept import read_picture
from handcapture.errors import InputError, PhotoError

if TYPE_CHECKING:
    from handcapture.capture import Capture
    from handcapture.check import TemplateCheck
    from handcapture.check_document import PlanChange
    from handcapture.layout.model import Layout


@click.command()
@click.argument("layout", type=PATH)
@click.argument("photos", nargs=-1, type=PATH, required=True, metavar="PHOTO...")
@click.option("--ruler", type=FIGURE, nargs=2, metavar="X Y", help="What a ruler reads on the template's 150 mm rules.")
@click.option("--one-handed", is_flag=True, help="One hand a photo, while the other holds the phone.")
@click.option("--care", "care_mm", type=FIGURE, default=2.0, show_default=True, help="Leave smaller offsets alone, mm.")
@click.option(
    "--with",
    "earlier",
    type=PATH,
    multiple=True,
    metavar="CHECK",
    help="Pool with an earlier check of the same template (its --output); may be given several times.",
)
@click.option("--plan", type=PATH, help="The plan (.toml) that the layout was fitted from, for --update.")
@click.option(
    "--update", type=NEW, metavar="PLAN", help="Write a copy of --plan with the moved buttons' wishes changed."
)
@click.option("--overlay", type=NEW, metavar="FOLDER", help="Also write each photo with holes, contacts and moves.")
@click.option("--output", type=NEW, help="Also write the check as a document (.json).")
@force_option
@json_option
def check(
    layout: Path,
    photos: tuple[Path, ...],
    ruler: tuple[float, float] | None,
    one_handed: bool,
    care_mm: float,
    earlier: tuple[Path, ...],
    plan: Path | None,
    update: Path | None,
    overlay: Path | None,
    output: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Tell from photos of hands on a printed template where each finger really lands.

    Print the template with draw ... --output try.pdf --mat NAME, lay the hands on it as they will play, and
    photograph them as for capture; lift them and lay them down again for each further photo. Photos of a plain mat or
    of another layout's template are refused.

    With --plan and --update the moves go into a copy of the plan; fit it, print it and check again.

    \b
    Examples:
      handcapture check layout.json try1.jpg try2.jpg try3.jpg --ruler 150 150 --overlay seen --output check.json
      handcapture check layout.json try4.jpg --with check.json --plan plan.toml --update plan_2.toml
    """
    from handcapture.check import check_template
    from handcapture.check_document import check_document, earlier_placements
    from handcapture.documents import dump_json, write_together
    from handcapture.layout.document import read_layout
    from handcapture.mat.sighting import PrintScale

    inputs = [layout, *photos, *earlier, *([plan] if plan else [])]
    if output is not None:
        check_output(output, (".json",), "a check")
        check_not_input(output, inputs)
    if (plan is None) != (update is None):
        raise InputError("--plan names the plan to change and --update the copy to write: give both, or neither.")
    if update is not None:
        check_output(update, (".toml",), "a plan", own_rule=True)
        check_not_input(update, inputs)
        check_new(update, force)
    check_different(photos)
    if overlay is not None:
        check_overlays(overlay, photos)
    fitted = read_layout(layout)
    scale = PrintScale.from_rulers(*ruler) if ruler else None
    captures: list[Capture] = []
    with progress(len(photos), as_json) as step:
        for _, result in measured(photos, None, scale, one_handed, None, told=step):
            if isinstance(result, PhotoError):
                raise result
            captures.append(result)
    notes = _recognised(fitted, photos, captures)
    mat_name = captures[0].sighting.mat.name
    before = [p for path in earlier for p in earlier_placements(path, fitted, mat_name)]
    found = check_template(fitted, captures, care_mm, before, notes)
    document = check_document(found)
    changes: tuple[PlanChange, ...] = ()
    files: list[tuple[Path, bytes]] = []
    if plan is not None and update is not None:
        changed, changes = _updated(found, plan)
        files.append((update, changed))
        document["plan_changes"] = [
            {"label": c.label, "before_mm": c.before_mm, "after_mm": c.after_mm, "text": c.text} for c in changes
        ]
    if overlay is not None:
        files += _drawn_over(found, captures, photos, overlay)
    if output is not None:
        files.append((output, dump_json(document)))
    if files:
        write_together(files)
    if as_json:
        print_json(document)
        return
    _print_check(found)
    if update is not None:
        _print_changes(update, changes)


def _recognised(layout: Layout, photos: Sequence[Path], captures: Sequence[Capture]) -> list[str]:
    """Refuse photos that do not show the layout's template; return what is to be noted of the others."""
    from handcapture.recognise import recognise, require_template

    notes = []
    for path, result in zip(photos, captures, strict=True):
        seen = recognise(layout, read_picture(path), result)
        require_template(seen, layout)
        if seen.note is not None:
            notes.append(seen.note)
    return notes


def _updated(found: TemplateCheck, plan: Path) -> tuple[bytes, tuple[PlanChange, ...]]:
    from handcapture.check_document import updated_plan
    from handcapture.documents import read_bytes
    from handcapture.layout.plan import load_plan

    theirs = [button.label for button in load_plan(plan).buttons]  # tells what is wrong with it, if anything is
    ours = [entry.button.label for entry in found.buttons]
    for these, has, others in ((ours, "the layout", theirs), (theirs, str(plan), ours)):
        if strange := [label for label in these if label not in others]:
            raise InputError(
                f"Only {has} has {'a button' if len(strange) == 1 else 'buttons'} labelled {', '.join(strange)}. Name "
                "the plan that this layout was fitted from."
            )
    text, changes = updated_plan(read_bytes(plan, 1_000_000, "a plan (TOML)").decode("utf-8-sig"), found, str(plan))
    moved = sum(change.after_mm is not None for change in changes)
    head = f"# {plan.name} with {moved} wishes moved by a check of revision {found.layout.revision or '-'}.\n"
    return (head + text).encode(), changes


def _print_check(found: TemplateCheck) -> None:
    placements = f"{found.placements} placement{'s' * (found.placements > 1)} on the template"
    click.echo(f"{found.layout.name}: {placements}{f', {found.earlier} of them checked before' * (found.earlier > 0)}.")
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
    if any(entry.move_mm is not None for entry in found.buttons):
        click.echo("  To carry the moves into the plan: --plan and --update; then fit, print and check again.")
    for note in found.notes:
        click.echo(f"  ! {note}")


def _print_changes(update: Path, changes: Sequence[PlanChange]) -> None:
    click.echo()
    click.echo(f"{update}: {sum(c.after_mm is not None for c in changes)} wishes changed.")
    for change in changes:
        click.echo(f"  {change.text}")


def _way(move_mm: Any) -> str:
    """Say a move in words: along the template's width, and towards or away from the person."""
    x, y = (float(value) for value in move_mm)
    parts = []
    if abs(x) >= 0.05:
        parts.append(f"{abs(x):.1f} mm {'right' if x > 0 else 'left'}")
    if abs(y) >= 0.05:
        parts.append(f"{abs(y):.1f} mm {'towards you' if y > 0 else 'away from you'}")
    return ", ".join(parts)


def _drawn_over(
    found: TemplateCheck, captures: Sequence[Capture], photos: Sequence[Path], folder: Path
) -> list[tuple[Path, bytes]]:
    """Return each photo with the check drawn over it, and where it goes."""
    from dataclasses import replace

    import numpy as np

    from handcapture.check import TemplateView, on_template
    from handcapture.drawings.overlay import Landing, draw_overlay

    placed = replace(found.layout, panel_origin_mm=found.origin_mm)
    landings = []
    made: list[tuple[Path, bytes]] = []
    for entry in found.buttons:
        if entry.offset_mm is None or entry.landing_mm2 is None:
            continue
        centre = np.add(found.origin_mm, entry.button.centre_mm)
        landings.append(
            Landing(entry.button.hole_mm, centre, centre + entry.offset_mm, entry.landing_mm2, entry.move_mm)
        )
    for number, (path, result) in enumerate(zip(photos, captures, strict=True), start=1):
        picture = read_picture(path)
        view = TemplateView(result.sighting)
        drawn = draw_overlay(picture, view, on_template(result), placed, landings=landings)
        made.append((overlay_file(folder, number, path), drawn))
    return made
