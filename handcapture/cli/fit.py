"""The command that fits a plan to a rest."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from handcapture.cli.common import (
    FIGURE,
    NEW,
    PATH,
    FigureRange,
    check_not_input,
    check_output,
    json_option,
    print_json,
)
from handcapture.errors import InputError

if TYPE_CHECKING:
    from handcapture.layout.model import Layout

_ALIKE = 4
"""Findings of one code that are printed."""


@click.command()
@click.argument("rest", type=PATH)
@click.option("--plan", type=PATH, required=True, help="The plan (.toml): buttons, fingers, hole sizes.")
@click.option("--panel", type=PATH, required=True, help="The panel (.toml): outline, edges, keep-outs.")
@click.option("--output", type=NEW, required=True, help="The layout document (.json) to write.")
@click.option(
    "--pull",
    type=FigureRange(0, 1),
    help="0 as the hand rests, 1 as each hand's half of the old panel was. [default: the plan's]",
)
@click.option("--trade-off", is_flag=True, help="Also show what each pull costs.")
@click.option("--revision", default="A", show_default=True, help="The letter that stands on every drawing of it.")
@json_option
def fit(
    rest: Path,
    plan: Path,
    panel: Path,
    output: Path,
    pull: float | None,
    trade_off: bool,
    revision: str,
    as_json: bool,
) -> None:
    """Fit the buttons of a plan to a rest, within a panel.

    Every button comes as close to its finger as the panel allows: webs between holes, distance to the edge,
    keep-outs, straight rows. What had to give is told, button by button.

    \b
    Example:
      handcapture fit rest.json --plan plan.toml --panel panel.toml --output layout.json
    """
    import datetime
    from dataclasses import asdict, replace

    from handcapture.documents import plain
    from handcapture.layout.document import layout_document, write_layout
    from handcapture.layout.fit import fit_layout, trade_off_curve
    from handcapture.layout.plan import load_panel, load_plan
    from handcapture.rest_document import read_rest

    check_output(output, (".json",), "a layout")
    check_not_input(output, (rest, plan, panel))
    if not (1 <= len(revision) <= 8 and revision.isalnum()):
        raise InputError(f"--revision {revision}: give one to eight letters or digits, like B.")
    plate, origin = load_panel(panel)
    hands, wanted = read_rest(rest), load_plan(plan)
    if pull is not None:
        if all(button.was_mm is None for button in wanted.buttons):
            raise InputError(
                "--pull draws the buttons towards a panel that exists, but no button of the plan has was_mm. Leave it "
                "out, or start with handcapture adopt."
            )
        wanted = wanted.model_copy(update={"pull": pull})
    layout = fit_layout(hands, wanted, plate, origin)
    layout = replace(layout, created=datetime.date.today().isoformat(), revision=revision)
    curve = trade_off_curve(hands, wanted, plate, origin) if trade_off else ()
    write_layout(output, layout)
    if as_json:
        document: dict[str, Any] = {"output": str(output), "layout": layout_document(layout)}
        if trade_off:
            document["trade_off"] = [plain(asdict(point)) for point in curve]
        print_json(document)
        return
    _print_layout(layout, output)
    if curve:
        click.echo()
        click.echo("  pull   from the fingers (rms, worst)   from each half as it was (rms, worst)   lands within")
    for point in curve:
        click.echo(
            f"  {point.pull:4.1f}       {point.fingers_rms_mm:5.1f} {point.fingers_worst_mm:5.1f} mm"
            f"                     {point.start_rms_mm:5.1f} {point.start_worst_mm:5.1f} mm"
            f"                   {100 * point.least_landing:4.0f} %"
        )


def _print_layout(layout: Layout, output: Path) -> None:
    panel = layout.panel
    click.echo(f"{output}: {len(layout.buttons)} buttons on {panel.name}, revision {layout.revision}.")
    material = f" ({panel.material})" if panel.material else ""
    click.echo(f"  Web {panel.web_mm:g} mm, edge {panel.edge_mm:g} mm{material}.")
    click.echo()
    click.echo(
        "  In mm from the panel's top-left corner, x to the right, y towards the person (drill tables: y upwards)."
    )
    click.echo("  button            finger            x mm     y mm   hole   moved   on the plunger")
    for button in layout.buttons:
        lands = f"{100 * button.landing_probability:5.0f} %" if button.landing_probability is not None else "      -"
        click.echo(
            f"  {button.label:16.16s}  {button.side + ' ' + button.finger:14s} {button.centre_mm[0]:7.1f}"
            f"  {button.centre_mm[1]:7.1f}  {button.hole_mm:5.1f}  {button.moved_mm:5.1f}   {lands}"
        )
    click.echo()
    if layout.choices:
        click.echo("  places to choose from (chosen: *)            on the plunger   all on theirs   worst moved")
    for choice in layout.choices:
        where = f"{choice.side} {choice.finger}{', far' if choice.row == 'far' else ''}"
        line = f"  {'*' if choice.chosen else ' '} {choice.label:16.16s} {where:20s}"
        if choice.landing_probability is None or choice.landings is None or choice.worst_moved_mm is None:
            click.echo(f"{line}     does not fit on the panel")
            continue
        click.echo(
            f"{line}        {100 * choice.landing_probability:5.0f} %          {100 * choice.landings:5.1f} %"
            f"      {choice.worst_moved_mm:5.1f} mm"
        )
    if layout.choices:
        click.echo()
    if not layout.findings:
        click.echo("  No findings: it can be built as it stands.")
    seen: Counter[str] = Counter()
    for finding in layout.findings:
        seen[finding.code] += 1
        if seen[finding.code] > _ALIKE:
            continue
        after = f"Waived: {finding.waived}" if finding.waived else finding.remedy
        click.echo(f"  {finding.severity} [{finding.code}]: {finding.message} {after}".rstrip())
    for code, count in seen.items():
        if count > _ALIKE:
            click.echo(f"  ... and {count - _ALIKE} more of [{code}]: they stand in {output}.")
    errors = sum(finding.severity == "error" and finding.waived is None for finding in layout.findings)
    if errors:
        click.echo()
        click.echo(f"  ! Not to be built yet: {errors} error{'s' * (errors > 1)}.")


@click.command()
@click.argument("rest", type=PATH)
@click.option("--plan", type=PATH, required=True, help="The plan (.toml): buttons and their fingers.")
@click.option("--layout", type=PATH, help="Where the buttons have come to stand (.json); else where fingers want them.")
@click.option("--size", "sizes_mm", type=FIGURE, multiple=True, help="A hole to choose from, mm; several times.")
@click.option("--landing", type=FigureRange(0.5, 0.999), help="Share of landings to reach. [default: the plan's]")
@click.option("--reasons", is_flag=True, help="Say for every button what decided.")
@json_option
def holes(
    rest: Path,
    plan: Path,
    layout: Path | None,
    sizes_mm: tuple[float, ...],
    landing: float | None,
    reasons: bool,
    as_json: bool,
) -> None:
    """Advise a hole for every button, from the finger's breadth and how surely it lands; nothing is written.

    In a plan, hole_mm = "advised" takes this advice when it is fitted.

    \b
    Example:
      handcapture holes rest.json --plan plan.toml --size 24 --size 30
    """
    from dataclasses import asdict

    from handcapture.documents import plain
    from handcapture.layout.document import read_layout
    from handcapture.layout.holes import advise_holes, describe
    from handcapture.layout.plan import HOLE_LIMITS_MM, load_plan
    from handcapture.rest_document import read_rest

    low, high = HOLE_LIMITS_MM
    if wrong := [size for size in sizes_mm if not low <= size <= high]:
        raise InputError(f"--size {wrong[0]:g}: a hole measures {low:g} to {high:g} mm.")
    wanted, hands = load_plan(plan), read_rest(rest)
    if sizes_mm:
        wanted = wanted.model_copy(update={"hole_choices_mm": sizes_mm})
    if landing is not None:
        wanted = wanted.model_copy(update={"landing": landing})
    advice = advise_holes(wanted, hands, None if layout is None else read_layout(layout))
    if as_json:
        print_json(plain(asdict(advice)))
        return
    click.echo(describe(advice, reasons))
