"""The command that compares layouts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from handcapture.cli.common import NEW, PATH, check_not_input, check_output, json_option, print_json
from handcapture.errors import InputError

if TYPE_CHECKING:
    from handcapture.layout.compare import Comparison, Figures, Step
    from handcapture.layout.palm_room import HandRoom


@click.command()
@click.argument("layouts", nargs=-1, type=PATH, required=True, metavar="LAYOUT LAYOUT...")
@click.option("--rest", type=PATH, help="The rest that they were fitted to: travel then counts from the contacts.")
@click.option("--output", type=NEW, help="Also draw the comparison (.pdf, .png or .svg).")
@json_option
def compare(layouts: tuple[Path, ...], rest: Path | None, output: Path | None, as_json: bool) -> None:
    """Compare layouts, such as the revisions of one panel, each with the one before it.

    Buttons are matched by their labels: what moved, and how far each finger travels, what came and went in the panel
    and among the findings.

    \b
    Example:
      handcapture compare layout_a.json layout_b.json --rest rest.json --output changes.pdf
    """
    from handcapture.documents import write_atomically
    from handcapture.layout.compare import compare_layouts, comparison_document
    from handcapture.layout.document import read_layout
    from handcapture.rest_document import read_rest

    if len(layouts) < 2:
        raise InputError("One layout alone cannot be compared. Name two or more.")
    if output is not None:
        check_output(output, (".pdf", ".png", ".svg"), "a comparison")
        check_not_input(output, [*layouts, *([rest] if rest else [])])
    read = [read_layout(path) for path in layouts]
    found = compare_layouts(read, read_rest(rest) if rest else None)
    if output is not None:
        from handcapture.drawings.common import texts_of
        from handcapture.drawings.comparison import comparison_picture
        from handcapture.fonts import badly_shown

        if warning := badly_shown(text for layout in read for text in texts_of(layout)):
            click.echo(f"! {warning}", err=True)
        write_atomically(output, comparison_picture(found, output.suffix.lower()[1:]))  # type: ignore[arg-type]
    if as_json:
        print_json({**comparison_document(found), "files": [str(path) for path in layouts]})
        return
    _print_figures(found, layouts)
    for number, step in enumerate(found.steps):
        click.echo()
        click.echo(f"{layouts[number].name} → {layouts[number + 1].name}")
        _print_step(found, number, step)
    if output is not None:
        click.echo()
        click.echo(f"{output}: the comparison drawn.")


def _print_figures(found: Comparison, layouts: Sequence[Path]) -> None:
    click.echo("  layout              revision  buttons   travel   lands: mean, least              errors  warnings")
    for path, layout, figures in zip(layouts, found.layouts, found.figures, strict=True):
        click.echo(
            f"  {path.name:18.18s}  {layout.revision:8s}  {len(layout.buttons):7d}  {figures.travel_mm:4.0f} mm"
            f"   {_landing(figures):30s}  {figures.errors:6d}  {figures.warnings:8d}"
        )
    by = {figures.rests_by for figures in found.figures}
    start = {"rest": "where the fingers were measured to rest", "wishes": "where the near buttons were wished"}
    click.echo()
    click.echo(
        f"  Travel: from {' or '.join(start[kind] for kind in sorted(by))} to each of the finger's buttons, all fingers"
    )
    click.echo("  together; lands: on the plunger, mean and least of all buttons.")


def _landing(figures: Figures) -> str:
    if figures.mean_landing is None or figures.least_landing is None:
        return "-"
    least = f"{100 * figures.least_landing:.0f} % ({(figures.least_label or '')[:16]})"
    return f"{100 * figures.mean_landing:.0f} %, {least}"


def _print_step(found: Comparison, number: int, step: Step) -> None:
    placing = found.placings[number + 1]
    if step.nothing:
        click.echo("  Nothing changed.")
        return
    how = {
        "same rest": "in the frame of the rest that both share",
        "buttons in common": (
            f"laid onto each other by the buttons in common, turned by {placing.turned_deg:.2f}°: most stay put"
        ),
        "panel corner": "no button in common; the panels lie corner on corner",
    }[placing.by]
    click.echo(f"  Places are compared {how}." if placing.by != "panel corner" else f"  {how[0].upper()}{how[1:]}.")
    changed = [change for change in step.buttons if change.kind != "same"]
    same = len(step.buttons) - len(changed)
    for change in changed:
        parts = []
        if change.moved and change.move_mm is not None:
            parts.append(f"{change.distance_mm:4.1f} mm ({_way(change.move_mm)})")
        elif change.kind in ("added", "removed"):
            parts.append(change.kind)
        click.echo(f"  {change.label:16.16s}  {'; '.join([*parts, *change.told])}")
    if same:
        click.echo(f"  {same} {'button is' if same == 1 else 'buttons are'} as before.")
    before, after = found.figures[number], found.figures[number + 1]
    _print_travels(before, after)
    _print_palms(before, after)
    for text in step.panel:
        click.echo(f"  panel: {text}")
    if step.redrilled:
        slid = math.hypot(*step.panel_move_mm)
        why = f"it slid under the hands by {slid:.1f} mm ({_way(step.panel_move_mm)}); " if slid > 0.5 else ""
        count = len(step.kept) + len(step.redrilled)
        click.echo(
            f"  panel: {why}on it {len(step.redrilled)} of {count} holes stand elsewhere "
            "than before or have another size: one drilled for the earlier layout does not serve."
        )
    for word, findings in (("gone", step.went), ("new", step.came)):
        for finding in findings:
            waived = " (waived)" if finding.waived is not None else ""
            click.echo(f"  {word}: {finding.severity} [{finding.code}]{waived} {finding.message}")


def _print_travels(before: Figures, after: Figures) -> None:
    """Tell of each finger whose way changed by 0.5 mm or more in all."""
    old = {(travel.side, travel.finger): travel for travel in before.travels}
    for travel in after.travels:
        was = old.get((travel.side, travel.finger))
        if was is None or was.sum_mm is None or travel.sum_mm is None or abs(travel.sum_mm - was.sum_mm) < 0.5:
            continue
        who = f"{travel.side} {travel.finger}"
        click.echo(
            f"  {who}: travels {was.sum_mm:.1f} → {travel.sum_mm:.1f} mm in all, {was.mean_mm:.1f} → "
            f"{travel.mean_mm:.1f} mm to a button"
        )


def _print_palms(before: Figures, after: Figures) -> None:
    """Tell of each hand how far behind its heel the panel ends, and which buttons lie under its palm."""
    old = {hand.side: hand for hand in before.palms}
    for hand in after.palms:
        was = old.get(hand.side)
        if was is not None and abs(was.edge_behind_mm - hand.edge_behind_mm) >= 0.5:
            click.echo(
                f"  {hand.side} palm: the panel ends {was.edge_behind_mm:.0f} → {hand.edge_behind_mm:.0f} mm behind "
                "the heel of the hand"
            )
        if was is not None and (under := _under(hand)) != _under(was):
            click.echo(f"  {hand.side} palm: buttons under it {_under(was) or 'none'} → {under or 'none'}")


def _under(hand: HandRoom) -> str:
    return ", ".join(button.label for button in hand.under_palm)


def _way(move_mm: tuple[float, float]) -> str:
    x, y = move_mm
    parts = [f"{abs(x):.1f} {'right' if x > 0 else 'left'}"] if abs(x) >= 0.05 else []
    parts += [f"{abs(y):.1f} {'towards you' if y > 0 else 'away from you'}"] if abs(y) >= 0.05 else []
    return ", ".join(parts)
