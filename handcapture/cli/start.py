"""The commands that start a plan: from a panel that exists, from a pattern, from functions."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click
from click.core import ParameterSource

from handcapture.cli.common import (
    FIGURE,
    MAT_NAMES,
    NEW,
    PATH,
    FigureRange,
    check_new,
    check_not_input,
    check_output,
    force_option,
    json_option,
    print_json,
    without_native_chatter,
)
from handcapture.cli.kept import read_picture
from handcapture.errors import InputError, PhotoError
from handcapture.names import FINGERS, PHOTO_SUFFIXES, SIDES

if TYPE_CHECKING:
    from handcapture.layout.adopt import Adopted
    from handcapture.layout.plan import PanelFile
    from handcapture.layout.source import Drawing

DEFAULT_DIAMETERS_MM: Final = (24.0, 30.0)
WIDEST_LINE_MM: Final = 0.5
"""Of lines in printed drawings (the widest in use on small sheets by ISO 128, from memory)."""
_OF_DRAWINGS: Final = ("units", "layer", "keep_out_layers")


@click.command()
@click.argument("drawing", type=PATH, metavar="DRAWING|PHOTO")
@click.option("--rest", type=PATH, required=True, help="The rest document: whose hands are to work it.")
@click.option("--output", type=NEW, required=True, help="The plan (.toml) to write.")
@click.option("--panel", type=NEW, help="Also write the panel (.toml), from the drawing's outline.")
@click.option("--units", type=click.Choice(("mm", "cm", "inch")), help="The drawing's unit, where it does not say.")
@click.option("--layer", help="Read only this layer of the drawing.")
@click.option(
    "--keep-out-layer",
    "keep_out_layers",
    multiple=True,
    metavar="NAME",
    help="What lies on this layer must stay free, as on KEEP_OUT, KEEP_OUT_ABOVE, KEEP_OUT_BELOW; several times.",
)
@click.option(
    "--finger",
    "fingers",
    type=(str, click.Choice(SIDES), click.Choice(FINGERS)),
    multiple=True,
    metavar="HOLE SIDE FINGER",
    help="Whose hole it is, by its label or its number in the drawing, from 1; may be given several times.",
)
@click.option(
    "--other",
    "others",
    multiple=True,
    metavar="HOLE",
    help="A hole that is no button's, by its label or number: it becomes an opening of the panel; several times.",
)
@click.option(
    "--pull",
    type=FigureRange(0, 1),
    default=0.5,
    show_default=True,
    help="0 as the hand rests, 1 as it was, each hand's half moved onto the hand by itself.",
)
@click.option("--thickness", type=FIGURE, metavar="MM", help="Photos: of the panel on the mat; 0 for a print.")
@click.option(
    "--thickness-sd", type=FIGURE, metavar="MM", help="Photos: how unsure that is, one deviation. [default: 0.2]"
)
@click.option(
    "--diameter",
    "diameters",
    type=FIGURE,
    multiple=True,
    metavar="MM",
    help="Photos: a diameter that holes should have; several times. [default: 24 and 30]",
)
@click.option("--tolerance", type=FIGURE, metavar="MM", help="Photos: how far from it they may be. [default: 2]")
@click.option("--caps", type=FIGURE, metavar="MM", help="Photos: measure round caps that stand so high.")
@click.option("--depth", type=FIGURE, metavar="MM", help="Photos: how far down the holes go. [default: the thickness]")
@click.option("--mat", "mat_name", type=click.Choice(MAT_NAMES), help="Photos: the mat in use. [default: found out]")
@click.option(
    "--ruler", type=FIGURE, nargs=2, metavar="X Y", help="Photos: what a ruler reads on the mat's two 150 mm rules, mm."
)
@click.option("--card", is_flag=True, help="Photos: a card lies in its place; refuse the photo without it.")
@click.option("--leave-out", is_flag=True, help="Photos: leave out holes that cannot be measured, and go on.")
@force_option
@json_option
def adopt(
    drawing: Path,
    rest: Path,
    output: Path,
    panel: Path | None,
    units: Any,
    layer: str | None,
    keep_out_layers: tuple[str, ...],
    fingers: tuple[tuple[str, Any, Any], ...],
    others: tuple[str, ...],
    pull: float,
    force: bool,
    as_json: bool,
    **photo_options: Any,
) -> None:
    """Start from a panel that exists: read its holes and give each to a finger.

    A drawing (.dxf, .svg, .csv) gives holes, outline, other openings and keep-outs. A photo (.jpg, .png, .heic and
    others) gives the holes of a panel, a cardboard trial or a print that lies on the mat, as it is turned in use; say
    how thick it is, measured with a caliper.

    The plan that is written remembers where the holes were. fit moves them onto each hand and draws them between as
    they were and as the hand rests; --trade-off of fit shows what each pull costs.

    \b
    Examples:
      handcapture adopt old.dxf --rest rest.json --output plan.toml --panel panel.toml
      handcapture adopt board.jpg --thickness 3 --diameter 24 --rest rest.json --output plan.toml
    """
    from handcapture.documents import plain_text, write_together
    from handcapture.layout.adopt import adopt as adopt_panel
    from handcapture.layout.adopt import panel_toml, plan_toml
    from handcapture.layout.source import read_drawing
    from handcapture.rest_document import read_rest

    check_output(output, (".toml",), "a plan", own_rule=True)
    check_not_input(output, (drawing, rest))
    check_new(output, force)
    if panel is not None:
        check_output(panel, (".toml",), "a panel", own_rule=True)
        check_not_input(panel, (drawing, rest))
        check_new(panel, force)
        if panel.resolve() == output.resolve():
            raise InputError(f"{output} cannot be both the plan and the panel. Name two files.")
    hands = read_rest(rest)
    known_to: list[float] | None = None
    if drawing.suffix.lower() in PHOTO_SUFFIXES:
        _require_unused(_OF_DRAWINGS, f"{drawing} is a photo", "drawings")
        if panel is not None:
            raise InputError(
                f"{drawing} is a photo, which does not tell the panel's outline. Leave --panel out, and write a panel "
                "file yourself."
            )
        holes, known_to = _measured_panel(drawing, **photo_options)
    else:
        _require_unused(tuple(photo_options), f"{drawing} is no photo by its name", "photos")
        holes = read_drawing(drawing, units, layer, keep_out_layers)
    fixed = {_hole_number(which, holes, "--finger"): (side, finger) for which, side, finger in fingers}
    set_aside = {_hole_number(which, holes, "--other") for which in others}
    found = adopt_panel(holes, hands, drawing.stem, fixed, pull, set_aside)
    written = [(output, plan_toml(found.plan, [f"Taken from {plain_text(drawing.name)}.", *found.notes]))]
    if panel is not None:
        if found.panel is None:
            told = " ".join(note for note in holes.notes if "contour" in note)
            raise InputError(
                f"{drawing} has no outline that could be the panel. {told}".rstrip()
                + " Leave --panel out, and write a panel file yourself."
            )
        written.append((panel, panel_toml(found.panel, [f"Taken from {plain_text(drawing.name)}."])))
    write_together([(path, text.encode()) for path, text in written])
    if as_json:
        print_json(_adopted(found, written, known_to))
        return
    click.echo(f"{output}: {len(found.plan.buttons)} buttons of {len(holes.holes)} holes in {drawing.name}.")
    if panel is not None and found.panel is not None:
        more = f"{len(found.panel.cuts)} other openings, {len(found.panel.keep_outs)} keep-outs"
        click.echo(f"{panel}: {_outline_told(found.panel)}; {more}.")
    click.echo()
    click.echo(
        "   no.  hole              finger            row     hole   from the finger"
        + ("   known to" if known_to else "")
    )
    for wish, entry in zip(found.plan.buttons, found.assignment.holes, strict=True):
        known = f"   ±{known_to[entry.index]:5.2f} mm" if known_to else ""
        click.echo(
            f"  {entry.index + 1:4d}  {wish.label:16.16s}  {wish.side + ' ' + wish.finger:14s}  {wish.row:5s} "
            f"{entry.hole.diameter_mm:6.1f}   {entry.distance_mm:5.1f} mm      {known}"
            f"{'   doubtful' if entry.doubtful else ''}".rstrip()
        )
    if known_to:
        click.echo("\n  Known to: how far off the hole's place may be on the mat, in the worst direction (95 %).")
    click.echo()
    for hand in found.assignment.hands:
        if hand.count < 2:
            click.echo(f"  {hand.side} hand: one hole, moved onto its finger; how the hand fits cannot be told from it")
            continue
        click.echo(
            f"  {hand.side} hand: its holes turned by {hand.angle_deg:+.1f}°, then {hand.rms_mm:.1f} mm off its "
            "fingers (rms)"
        )
    for note in found.notes:
        click.echo(f"  ! {note}")


def _require_unused(names: Sequence[str], why: str, kind: str) -> None:
    """Refuse options that would do nothing."""
    ctx = click.get_current_context()
    for parameter in ctx.command.params:
        given = ctx.get_parameter_source(parameter.name or "") is ParameterSource.COMMANDLINE
        if parameter.name in names and given:
            raise InputError(f"{why}; {parameter.opts[0]} is for {kind}. Leave it out.")


def _measured_panel(
    path: Path,
    thickness: float | None,
    thickness_sd: float | None,
    diameters: tuple[float, ...],
    tolerance: float | None,
    caps: float | None,
    depth: float | None,
    mat_name: str | None,
    ruler: tuple[float, float] | None,
    card: bool,
    leave_out: bool,
) -> tuple[Drawing, list[float]]:
    """Return the holes that a photo shows, and how far off each may be (95 %, mm).

    PhotoError where some are doubtful.
    """
    from dataclasses import replace

    from handcapture.capture import sight_with_card
    from handcapture.layout.measured import as_drawing, measure_holes
    from handcapture.mat.print_scale import PrintScale

    if thickness is None:
        raise InputError(
            f"{path} is a photo: say how thick the panel on the mat is, measured with a caliper (--thickness MM), 0 "
            "for a print."
        )
    if caps is not None and depth is not None:
        raise InputError("--depth is for holes, --caps for round caps. Leave one of them out.")
    scale = PrintScale.from_rulers(*ruler) if ruler else None
    photo = read_picture(path)
    is_print = thickness == 0 and caps is None
    with without_native_chatter():
        sighting = sight_with_card(photo, mat_name, scale, card)
        try:
            found = measure_holes(
                photo,
                sighting,
                thickness + (caps or 0.0),
                diameters or DEFAULT_DIAMETERS_MM,
                2.0 if tolerance is None else tolerance,
                height_sd_mm=0.2 if thickness_sd is None else thickness_sd,
                depth_mm=depth if caps is None else caps,
                kind="holes" if caps is None else "caps",
            )
        except PhotoError as error:
            if not is_print:
                raise
            raise PhotoError(
                f"{error} Circles printed as thin lines need a sharp photo of 8 megapixels or more; the drawing's own "
                "file needs no photo."
            ) from None
    if len(found.doubtful_mm) and not leave_out:
        told = next((note for note in found.notes if "could not be measured" in note), "")
        raise PhotoError(f"{path}: {len(found.holes)} holes were measured. {told} --leave-out goes on without them.")
    drawing = as_drawing(found, diameters or DEFAULT_DIAMETERS_MM, WIDEST_LINE_MM if is_print else 0.0)
    count = f"{len(drawing.holes)} {'caps' if caps is not None else 'holes'} were measured: count them on the panel."
    notes = (f"{count} What is covered or outside the picture is not listed.", *sighting.notes, *drawing.notes)
    return replace(drawing, notes=notes), [hole.known_to_mm for hole in found.holes]


def _adopted(found: Adopted, written: Sequence[tuple[Path, str]], known_to: list[float] | None) -> dict[str, Any]:
    """Return what was adopted as JSON has it."""
    holes = []
    for wish, entry in zip(found.plan.buttons, found.assignment.holes, strict=True):
        hole = {
            "number": entry.index + 1,
            "label": wish.label,
            "at_mm": [round(value, 4) for value in entry.hole.centre_mm],
            "diameter_mm": round(entry.hole.diameter_mm, 4),
            "from_finger_mm": round(entry.distance_mm, 3),
            "doubtful": entry.doubtful,
        }
        holes.append(hole | ({"known_to_mm": round(known_to[entry.index], 3)} if known_to else {}))
    return {
        "outputs": [str(path) for path, _ in written],
        "buttons": [[b.label, b.side, b.finger, b.row] for b in found.plan.buttons],
        "holes": holes,
        "unassigned": [index + 1 for index in found.assignment.unassigned],
        "notes": list(found.notes),
    }


def _outline_told(panel: PanelFile) -> str:
    if panel.outline:
        arcs = sum(len(corner) > 2 and corner[2] != 0 for corner in panel.outline)
        return f"an outline of {len(panel.outline)} pieces, {arcs} of them arcs"
    rounded = f", corners of radius {panel.corner_radius_mm:g} mm" if panel.corner_radius_mm else ""
    return f"a rectangle of {panel.width_mm:g} × {panel.height_mm:g} mm{rounded}"


@click.command()
@click.argument("rest", type=PATH)
@click.option("--pattern", type=click.Choice(("rows", "arcs", "columns")), required=True, help="How holes are laid.")
@click.option("--output", type=NEW, required=True, help="The plan (.toml) to write.")
@click.option("--hole", "hole_mm", type=FIGURE, default=24.0, show_default=True, help="Diameter of the holes, mm.")
@click.option("--pitch", "pitch_mm", type=FIGURE, default=32.0, show_default=True, help="From hole to hole, mm.")
@click.option("--rows", "rows", type=int, default=2, show_default=True, help="Holes of each finger.")
@click.option("--row", "row_mm", type=FIGURE, help="From row to row, mm. [default: 30; columns: the pitch]")
@click.option("--angle", "angle_deg", type=FIGURE, help="rows: turned back at the little finger. [default: as at rest]")
@click.option(
    "--stagger", "stagger_mm", type=FIGURE, default=0.0, show_default=True, help="rows: shift of each next row, mm."
)
@click.option("--thumbs", type=click.IntRange(0, 2), default=1, show_default=True, help="Holes of each thumb.")
@click.option("--pull", type=FigureRange(0, 1), default=1.0, show_default=True, help="0 as the hand rests, 1 as laid.")
@force_option
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
    force: bool,
    as_json: bool,
) -> None:
    """Start from a geometric pattern laid under the hands: straight rows, arcs, or a column for each finger.

    \b
    Example:
      handcapture arrange rest.json --pattern arcs --rows 2 --output plan.toml
    """
    from handcapture.documents import write_atomically
    from handcapture.layout.adopt import arranged, off_their_fingers, plan_toml
    from handcapture.layout.plan import DEFAULT_FAR_MM
    from handcapture.layout.starters import fingertip_arcs, staggered_columns, straight_rows
    from handcapture.rest_document import read_rest

    check_output(output, (".toml",), "a plan", own_rule=True)
    check_not_input(output, (rest,))
    check_new(output, force)
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
    missed = off_their_fingers(plan, hands)
    if missed:
        told = ", ".join(f"{label} {distance:.0f} mm" for label, distance in missed)
        click.echo(
            f"  ! Laid so, the holes of these fingers lie beside where they rest: {told}. A smaller --pull draws them "
            "nearer, or take another --pitch."
        )


@click.command()
@click.argument("functions", type=PATH)
@click.option("--output", type=NEW, help="Also write the buttons as the start of a plan (.toml).")
@click.option("--reasons", is_flag=True, help="Show why, and what the other fingers would cost.")
@force_option
@json_option
def advise(functions: Path, output: Path | None, reasons: bool, force: bool, as_json: bool) -> None:
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
    from handcapture.layout.functions import describe, load_functions, plan_entries, summarise

    if output is not None:
        check_output(output, (".toml",), "a plan", own_rule=True)
        check_not_input(output, (functions,))
        check_new(output, force)
    wanted = load_functions(functions)
    advice = advice_on(wanted)
    if output is not None and advice.functions:
        head = f"name = {json.dumps(wanted.name, ensure_ascii=False)}\n\n"
        write_atomically(output, (head + plan_entries(advice)).encode())
    if as_json:
        print_json(plain(asdict(advice)))
    elif reasons:
        click.echo(describe(advice))
    else:
        click.echo(summarise(advice))
        if advice.functions:
            click.echo("  Why, and what every other finger would cost: --reasons.")
        if output is not None and advice.functions:
            click.echo(f"  {output}: {len(advice.functions)} buttons, the start of a plan.")
    if not advice.functions:
        raise InputError("No assignment was found: see the findings above for what stands in the way.")


def _hole_number(which: str, drawing: Drawing, option: str) -> int:
    """Return the place in the drawing of a hole named by its label or by its number from 1."""
    labelled = [k for k, hole in enumerate(drawing.holes) if hole.label == which]
    if len(labelled) == 1:
        return labelled[0]
    if not labelled and which.isdecimal() and 1 <= int(which) <= len(drawing.holes):
        return int(which) - 1
    what = "is the label of several holes" if labelled else "is no hole's label"
    raise InputError(
        f"{option} {which}: this {what}. Give the hole's number, 1 to {len(drawing.holes)}, as it is drawn."
    )
