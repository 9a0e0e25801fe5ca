"""The command that fits a plan to a rest."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from handcapture.cli.common import PATH, check_not_input, check_output, json_option, print_json

if TYPE_CHECKING:
    from handcapture.layout.model import Layout


@click.command()
@click.argument("rest", type=PATH)
@click.option("--plan", type=PATH, required=True, help="The plan (.toml): buttons, fingers, hole sizes.")
@click.option("--panel", type=PATH, required=True, help="The panel (.toml): outline, edges, keep-outs.")
@click.option("--output", type=PATH, required=True, help="The layout document (.json) to write.")
@click.option(
    "--pull",
    type=click.FloatRange(0, 1),
    help="0 as the hand rests, 1 as each hand's half of the old panel was. [default: the plan's]",
)
@click.option("--trade-off", is_flag=True, help="Also show what each pull costs.")
@json_option
def fit(rest: Path, plan: Path, panel: Path, output: Path, pull: float | None, trade_off: bool, as_json: bool) -> None:
    """Fit the buttons of a plan to a rest, within a panel.

    Every button comes as close to its finger as the panel allows: webs between holes, distance to the edge,
    keep-outs, straight rows. What had to give is told, button by button.

    \b
    Example:
      handcapture fit rest.json --plan plan.toml --panel panel.toml --output layout.json
    """
    from dataclasses import asdict

    from handcapture.documents import plain
    from handcapture.layout.document import layout_document, write_layout
    from handcapture.layout.fit import fit_layout, trade_off_curve
    from handcapture.layout.plan import load_panel, load_plan
    from handcapture.rest_document import read_rest

    check_output(output, (".json",), "a layout")
    check_not_input(output, (rest, plan, panel))
    plate, origin = load_panel(panel)
    hands, wanted = read_rest(rest), load_plan(plan)
    if pull is not None:
        wanted = wanted.model_copy(update={"pull": pull})
    layout = fit_layout(hands, wanted, plate, origin)
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
    click.echo(f"{output}: {len(layout.buttons)} buttons on {layout.panel.name}.")
    click.echo()
    click.echo(
        "  In mm from the panel's top-left corner, x to the right, y towards the person (drill tables: y upwards)."
    )
    click.echo("  button            finger            x mm     y mm   hole   moved   lands within")
    for button in layout.buttons:
        lands = f"{100 * button.landing_probability:5.0f} %" if button.landing_probability is not None else "      -"
        click.echo(
            f"  {button.label:16.16s}  {button.side + ' ' + button.finger:14s} {button.centre_mm[0]:7.1f}"
            f"  {button.centre_mm[1]:7.1f}  {button.hole_mm:5.1f}  {button.moved_mm:5.1f}   {lands}"
        )
    click.echo()
    if not layout.findings:
        click.echo("  No findings: it can be built as it stands.")
    for finding in layout.findings:
        after = f"Waived: {finding.waived}" if finding.waived else finding.remedy
        click.echo(f"  {finding.severity} [{finding.code}]: {finding.message} {after}".rstrip())
