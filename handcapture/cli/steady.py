"""The command that tells how steady a measurement is, and how many placements a change of some size needs."""

from __future__ import annotations

import math
from pathlib import Path

import click

from handcapture.cli.common import PATH, FigureRange, json_option, print_json


@click.command()
@click.argument("rest", type=PATH)
@click.option(
    "--resolve", "resolve_mm", type=FigureRange(0.1, 100), default=6.0, show_default=True, metavar="MM",
    help="The change of one finger that a later comparison should tell.",
)  # fmt: skip
@json_option
def steady(rest: Path, resolve_mm: float, as_json: bool) -> None:
    """Tell how far fingers wander from one placement to the next, and what change can be told from that.

    Each finger is looked at in the frame of its hand. Told are the technical error of measurement (one placement, one
    axis), the least change that two sessions of as many placements each can tell (MDC95), and how many placements each
    session needs for a change of --resolve. Measure three to five placements first: two tell little.

    \b
    Example:
      handcapture steady rest.json --resolve 4
    """
    from handcapture.repeat import MOST_PLACEMENTS, repeatability
    from handcapture.rest_document import read_rest

    found = repeatability(read_rest(rest))
    needed = found.plan(resolve_mm)
    rows = []
    for finger in found.fingers:
        count = finger.placements
        least = finger.detectable_mm(count, count)
        rows.append(
            {
                "side": finger.side,
                "finger": finger.finger,
                "placements": count,
                "technical_error_mm": round(math.sqrt(float(finger.relative_mm2.trace()) / 2), 3),
                "least_change_mm": round(least, 3) if math.isfinite(least) else None,
                "placements_needed": needed[finger.side, finger.finger],
            }
        )
    if as_json:
        print_json(
            {
                "file": rest.name,
                "technical_error_mm": round(found.technical_error_mm, 3),
                "resolve_mm": resolve_mm,
                "fingers": rows,
            }
        )
        return
    click.echo(f"  {'':14s}  placements   technical error   least change told   placements for {resolve_mm:g} mm")
    for row in rows:
        told = row["least_change_mm"]
        change = "unknown" if told is None else f"{told:.1f} mm"
        many = row["placements_needed"]
        name = f"{row['side']} {row['finger']}"
        error = f"{row['technical_error_mm']:.1f} mm"
        click.echo(
            f"  {name:14s}  {row['placements']:10d}   {error:>15s}   {change:>17s}   "
            f"{many if many is not None else f'more than {MOST_PLACEMENTS}'}"
        )
    click.echo()
    click.echo(f"All fingers together: technical error {found.technical_error_mm:.2f} mm, relative to the hand.")
    click.echo("Least change: MDC95 of one finger by itself, this session against another of as many placements.")
    click.echo(
        f"Placements: for each of two sessions, all fingers looked at; a change of just {resolve_mm:g} mm is then "
        "found every second time, one half as large again nearly always."
    )
