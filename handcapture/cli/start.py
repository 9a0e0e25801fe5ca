"""The commands that start a plan: from a panel that exists, from a pattern, from functions."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from handcapture.cli.common import PATH, check_not_input, check_output, json_option, print_json
from handcapture.errors import InputError
from handcapture.names import FINGERS, SIDES

if TYPE_CHECKING:
    from handcapture.layout.source import Drawing


@click.command()
@click.argument("drawing", type=PATH)
@click.option("--rest", type=PATH, required=True, help="The rest document: whose hands are to work it.")
@click.option("--output", type=PATH, required=True, help="The plan (.toml) to write.")
@click.option("--panel", type=PATH, help="Also write the panel (.toml), from the drawing's outline.")
@click.option("--units", type=click.Choice(("mm", "cm", "inch")), help="The drawing's unit, where it does not say.")
@click.option("--layer", help="Read only this layer of the drawing.")
@click.option(
    "--finger",
    "fingers",
    type=(str, click.Choice(SIDES), click.Choice(FINGERS)),
    multiple=True,
    metavar="HOLE SIDE FINGER",
    help="Whose hole it is, by its label or its number in the drawing, from 1; may be given several times.",
)
@click.option(
    "--pull",
    type=click.FloatRange(0, 1),
    default=0.5,
    show_default=True,
    help="0 as the hand rests, 1 as it was, each hand's half moved onto the hand by itself.",
)
@json_option
def adopt(
    drawing: Path,
    rest: Path,
    output: Path,
    panel: Path | None,
    units: Any,
    layer: str | None,
    fingers: tuple[tuple[str, Any, Any], ...],
    pull: float,
    as_json: bool,
) -> None:
    """Start from a panel that exists: read its holes (.dxf, .svg, .csv) and give each to a finger.

    The plan that is written remembers where the holes were. fit moves them onto each hand and draws them between as
    they were and as the hand rests; --trade-off of fit shows what each pull costs.

    \b
    Example:
      handcapture adopt old.dxf --rest rest.json --output plan.toml --panel panel.toml
    """
    from handcapture.documents import write_atomically
    from handcapture.layout.adopt import adopt as adopt_panel
    from handcapture.layout.adopt import panel_toml, plan_toml
    from handcapture.layout.source import read_drawing
    from handcapture.rest_document import read_rest

    check_output(output, (".toml",), "a plan")
    check_not_input(output, (drawing, rest))
    if panel is not None:
        check_output(panel, (".toml",), "a panel")
        check_not_input(panel, (drawing, rest))
        if panel == output:
            raise InputError(f"{output} cannot be both the plan and the panel. Name two files.")
    holes = read_drawing(drawing, units, layer)
    fixed = {_hole_number(which, holes): (side, finger) for which, side, finger in fingers}
    found = adopt_panel(holes, read_rest(rest), drawing.stem, fixed, pull)
    written = [(output, plan_toml(found.plan, [f"Taken from {drawing.name}.", *found.notes]))]
    if panel is not None:
        if found.panel is None:
            raise InputError(f"{drawing} has no outline that could be the panel. Write a panel file yourself.")
        written.append((panel, panel_toml(found.panel)))
    for path, text in written:
        write_atomically(path, text.encode())
    if as_json:
        places = [[b.label, b.side, b.finger, b.row] for b in found.plan.buttons]
        print_json({"outputs": [str(path) for path, _ in written], "buttons": places, "notes": list(found.notes)})
        return
    click.echo(f"{output}: {len(found.plan.buttons)} buttons of {len(holes.holes)} holes in {drawing.name}.")
    click.echo()
    click.echo("  hole              finger            row     hole   from the finger")
    for wish, entry in zip(found.plan.buttons, found.assignment.holes, strict=True):
        click.echo(
            f"  {wish.label:16.16s}  {wish.side + ' ' + wish.finger:14s}  {wish.row:5s} {entry.hole.diameter_mm:6.1f}"
            f"   {entry.distance_mm:5.1f} mm{'   doubtful' if entry.doubtful else ''}"
        )
    click.echo()
    for hand in found.assignment.hands:
        click.echo(
            f"  {hand.side} hand: its holes turned by {hand.angle_deg:+.1f}°, then {hand.rms_mm:.1f} mm off its "
            "fingers (rms)"
        )
    for note in found.notes:
        click.echo(f"  ! {note}")


@click.command()
@click.argument("rest", type=PATH)
@click.option("--pattern", type=click.Choice(("rows", "arcs", "columns")), required=True, help="How holes are laid.")
@click.option("--output", type=PATH, required=True, help="The plan (.toml) to write.")
@click.option("--hole", "hole_mm", type=float, default=24.0, show_default=True, help="Diameter of the holes, mm.")
@click.option("--pitch", "pitch_mm", type=float, default=32.0, show_default=True, help="From hole to hole, mm.")
@click.option("--rows", "rows", type=int, default=2, show_default=True, help="Holes of each finger.")
@click.option("--row", "row_mm", type=float, help="From row to row, mm. [default: 30; columns: the pitch]")
@click.option("--angle", "angle_deg", type=float, help="rows: turned back at the little finger. [default: as it rests]")
@click.option(
    "--stagger", "stagger_mm", type=float, default=0.0, show_default=True, help="rows: shift of each next row, mm."
)
@click.option("--thumbs", type=click.IntRange(0, 2), default=1, show_default=True, help="Holes of each thumb.")
@click.option(
    "--pull", type=click.FloatRange(0, 1), default=1.0, show_default=True, help="0 as the hand rests, 1 as laid."
)
@json_option
def arrange(
    rest: Path,
    pattern: str,
    output: Path,
    hole_mm: float,
    pitch_mm: float,
    rows: int,
    row_mm: float | None,
    angle_deg: float | None,
    stagger_mm: float,
    thumbs: int,
    pull: float,
    as_json: bool,
) -> None:
    """Start from a geometric pattern laid under the hands: straight rows, arcs, or a column for each finger.

    \b
    Example:
      handcapture arrange rest.json --pattern arcs --rows 2 --output plan.toml
    """
    from handcapture.documents import write_atomically
    from handcapture.layout.adopt import arranged, plan_toml
    from handcapture.layout.plan import DEFAULT_FAR_MM
    from handcapture.layout.starters import fingertip_arcs, staggered_columns, straight_rows
    from handcapture.rest_document import read_rest

    check_output(output, (".toml",), "a plan")
    check_not_input(output, (rest,))
    if pattern != "rows" and (angle_deg is not None or stagger_mm):
        raise InputError("--angle and --stagger belong to --pattern rows. Leave them out.")
    if pattern == "columns" and row_mm is not None:
        raise InputError("In columns the rows stand --pitch apart. Leave --row out.")
    hands, step_mm = read_rest(rest), DEFAULT_FAR_MM if row_mm is None else row_mm
    if pattern == "rows":
        holes = straight_rows(
            hands,
            hole_mm=hole_mm,
            pitch_mm=pitch_mm,
            angle_deg=angle_deg,
            rows=rows,
            row_mm=step_mm,
            stagger_mm=stagger_mm,
            thumbs=thumbs,
        )
    elif pattern == "arcs":
        holes = fingertip_arcs(hands, hole_mm=hole_mm, pitch_mm=pitch_mm, rows=rows, row_mm=step_mm, thumbs=thumbs)
    else:
        holes = staggered_columns(hands, hole_mm=hole_mm, pitch_mm=pitch_mm, rows=rows, thumbs=thumbs)
    plan = arranged(holes, hands, pattern, pull)
    write_atomically(output, plan_toml(plan, [f"Laid in {pattern} under the hands of {rest.name}."]).encode())
    if as_json:
        places = [[b.label, b.side, b.finger, b.row] for b in plan.buttons]
        print_json({"output": str(output), "buttons": places})
        return
    click.echo(f"{output}: {len(plan.buttons)} buttons in {pattern}. Fit them to a panel with handcapture fit.")


@click.command()
@click.argument("functions", type=PATH)
@click.option("--output", type=PATH, help="Also write the buttons as the start of a plan (.toml).")
@json_option
def advise(functions: Path, output: Path | None, as_json: bool) -> None:
    """Advise which finger works which function; the player decides.

    A file tells how often each function is pressed, how fast it must come and with which others; see
    samples/functions.toml. Every advice comes with its reasons and with what the other fingers would cost.

    \b
    Example:
      handcapture advise functions.toml --output plan.toml
    """
    from dataclasses import asdict

    from handcapture.documents import plain, write_atomically
    from handcapture.layout.functions import advise as advice_on
    from handcapture.layout.functions import describe, load_functions, plan_entries

    if output is not None:
        check_output(output, (".toml",), "a plan")
        check_not_input(output, (functions,))
    wanted = load_functions(functions)
    advice = advice_on(wanted)
    if output is not None and advice.functions:
        head = f"name = {json.dumps(wanted.name, ensure_ascii=False)}\n\n"
        write_atomically(output, (head + plan_entries(advice)).encode())
    if as_json:
        print_json(plain(asdict(advice)))
    else:
        click.echo(describe(advice))
    if not advice.functions:
        raise InputError("No assignment was found: see the findings above for what stands in the way.")


def _hole_number(which: str, drawing: Drawing) -> int:
    """Return the place in the drawing of a hole named by its label or by its number from 1."""
    labelled = [k for k, hole in enumerate(drawing.holes) if hole.label == which]
    if len(labelled) == 1:
        return labelled[0]
    if not labelled and which.isdecimal() and 1 <= int(which) <= len(drawing.holes):
        return int(which) - 1
    what = "is the label of several holes" if labelled else "is no hole's label"
    raise InputError(
        f"--finger {which}: this {what}. Give the hole's number, 1 to {len(drawing.holes)}, as it is drawn."
    )
