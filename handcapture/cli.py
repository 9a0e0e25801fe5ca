"""The command line: a thin layer over the library calls."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NoReturn

import click

from handcapture.errors import HandcaptureError, InputError, PhotoError
from handcapture.names import FINGERS, SIDES
from handcapture.version import __version__

if TYPE_CHECKING:
    from handcapture.capture import Capture
    from handcapture.check import TemplateCheck
    from handcapture.layout.model import Layout
    from handcapture.layout.source import Drawing
    from handcapture.mat.print_scale import PrintScale
    from handcapture.mat.sighting import Sighting
    from handcapture.rest import Rest

MAT_NAMES: Final = ("a4", "letter", "a3", "tabloid", "a4-pair", "letter-pair")
"""Stands here as well as in mat/geometry.py so that the help needs no heavy import; a test compares them."""
DRAWING_SUFFIXES: Final = (".dxf", ".svg", ".csv", ".pdf", ".jpg", ".png")


class _Group(click.Group):
    """Turns the program's named errors into one clear message and the right exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except HandcaptureError as error:
            _fail(error, ctx)
        except KeyboardInterrupt:
            click.echo("\nStopped. Nothing half-done was left behind.", err=True)
            ctx.exit(130)


def _fail(error: HandcaptureError, ctx: click.Context) -> NoReturn:
    if ctx.meta.get("handcapture.json"):
        click.echo(json.dumps({"error": str(error), "exit_code": error.exit_code}, ensure_ascii=False))
    click.echo(f"handcapture: {error}", err=True)
    ctx.exit(error.exit_code)


def _remember_json(ctx: click.Context, _: click.Parameter, value: bool) -> bool:
    ctx.meta["handcapture.json"] = value
    return value


def _json_option(function: Callable[..., None]) -> Callable[..., None]:
    return click.option(
        "--json", "as_json", is_flag=True, callback=_remember_json, help="Print the result as JSON, for machines."
    )(function)


_PATH: Final = click.Path(path_type=Path)
_SETTINGS: Final = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


@click.group(cls=_Group, context_settings=_SETTINGS)
@click.version_option(__version__, prog_name="handcapture", message="%(prog)s %(version)s")
def main() -> None:
    """Measure where ten fingertips rest, from a phone photo, and fit a button panel to them.

    \b
    The usual way:
      handcapture mat --paper a3 --output mat.pdf     print it, lay both hands on it, photograph them
      handcapture capture photo1.jpg photo2.jpg --output rest.json
      handcapture fit rest.json --plan plan.toml --panel panel.toml --output layout.json
      handcapture draw layout.json --output panel.dxf --output template.pdf --mat a3

    See it all at work first:  handcapture demo
    """


@main.command()
@click.option("--paper", type=click.Choice(MAT_NAMES), default="a3", show_default=True, help="Size of the mat.")
@click.option("--output", type=_PATH, required=True, help="The PDF to write.")
@_json_option
def mat(paper: str, output: Path, as_json: bool) -> None:
    """Write a mat to print: the sheet (or pair of sheets) on which the hands rest.

    Print it at actual size ("100 %", not "fit"), in black on white. A3 or Tabloid takes both hands of most
    people; where no large printer is at hand, a pair prints as two pages that lie side by side.

    \b
    Example:
      handcapture mat --paper a4-pair --output mat.pdf
    """
    from handcapture.documents import write_atomically
    from handcapture.mat.geometry import MATS
    from handcapture.mat.printing import mat_pdf

    _check_output(output, (".pdf",), "a mat")
    chosen = MATS[paper]
    write_atomically(output, mat_pdf(chosen))
    pages = len(chosen.sheets)
    if as_json:
        _print_json({"output": str(output), "mat": paper, "pages": pages, "size_mm": list(chosen.size_mm)})
        return
    click.echo(f"{output}: {chosen.title}, {pages} {'page' if pages == 1 else 'pages'}.")
    click.echo('Print at actual size ("100 %", never "fit to page"), then check the two 150 mm rules with a ruler.')
    if pages > 1:
        click.echo("Lay the pages side by side, L left and R right, and tape them from below.")


@main.command()
@click.argument("photos", nargs=-1, type=_PATH, required=True, metavar="PHOTO...")
@click.option("--output", type=_PATH, required=True, help="The rest document (.json) to write.")
@click.option("--mat", "mat_name", type=click.Choice(MAT_NAMES), help="The mat in use. [default: found out]")
@click.option(
    "--ruler",
    type=float,
    nargs=2,
    metavar="X Y",
    help="What a ruler reads on the mat's two 150 mm rules, in mm: along the width, along the height.",
)
@click.option("--card", is_flag=True, help="A card lies in its place; refuse photos in which it cannot be measured.")
@click.option("--one-handed", is_flag=True, help="One hand a photo, while the other holds the phone.")
@click.option(
    "--views", is_flag=True, help="The photos show one placement from 2 to 4 sides; nothing moved between them."
)
@click.option("--overlay", type=_PATH, metavar="FOLDER", help="Also write each photo with what was measured on it.")
@click.option("--leave-out", is_flag=True, help="Leave photos out that cannot be measured, and go on.")
@_json_option
@click.pass_context
def capture(
    ctx: click.Context,
    photos: tuple[Path, ...],
    output: Path,
    mat_name: str | None,
    ruler: tuple[float, float] | None,
    card: bool,
    one_handed: bool,
    views: bool,
    overlay: Path | None,
    leave_out: bool,
    as_json: bool,
) -> None:
    """Measure where the fingertips rest in one or more photos.

    Each photo shows the hands laid down anew; three to five of them tell how far the fingers wander. Both hands
    lie on the mat, palms down, fingers away from the person. Nobody has a third hand: rest the phone on a shelf
    or a stack of books above the mat and use its self-timer, or ask a second person.

    Printers scale. Give what a ruler reads on the mat's rules, or lay a bank-card-sized card of one strong colour in
    its place on the mat: it is measured wherever it is seen, and serves all photos.

    \b
    Examples:
      handcapture capture one.jpg two.jpg three.jpg --output rest.json --overlay seen
      handcapture capture --views above.jpg leftwards.jpg rightwards.jpg --output rest.json
      handcapture capture left.jpg right.jpg --one-handed --ruler 149.6 149.8 --output rest.json
    """
    from handcapture.mat.sighting import PrintScale
    from handcapture.rest import pool
    from handcapture.rest_document import rest_document, write_rest

    _check_output(output, (".json",), "a rest")
    _check_not_input(output, photos)
    if overlay is not None:
        _make_folder(overlay)
    scale = PrintScale.from_rulers(*ruler) if ruler else None
    captures: list[Capture] = []
    refused: list[PhotoError] = []
    with _progress(len(photos), as_json) as step:
        for _, result in _measure(photos, mat_name, scale, one_handed, overlay, card, step):
            if isinstance(result, PhotoError):
                refused.append(result)
            else:
                captures.append(result)
    if refused and not (leave_out and captures):
        if len(photos) == 1:
            raise refused[0]
        good = len(photos) - len(refused)
        hint = (
            ""
            if leave_out or not good
            else f"\n{good} could be measured: --leave-out goes on with {'it' if good == 1 else 'them'}."
        )
        raise PhotoError(f"{len(refused)} of {len(photos)} photos:\n" + "\n".join(map(str, refused)) + hint)
    if views:
        from handcapture.views import join_views

        placements = [join_views(captures)]
    else:
        placements = [c.placement for c in captures]
    rest = pool(placements)
    write_rest(output, rest)
    if as_json:
        _print_json(
            {
                "output": str(output),
                "photos": [_photo_summary(c) for c in captures],
                "left_out": [str(error) for error in refused],
                "rest": rest_document(rest),
            }
        )
        return
    for error in refused:
        click.echo(f"Left out: {error}", err=True)
    _print_rest(rest, captures, output)


@main.command()
@click.argument("photos", nargs=-1, type=_PATH, required=True, metavar="PHOTO...")
@click.option("--mat", "mat_name", type=click.Choice(MAT_NAMES), help="The mat in use. [default: found out]")
@click.option("--one-handed", is_flag=True, help="One hand a photo, while the other holds the phone.")
@_json_option
def inspect(photos: tuple[Path, ...], mat_name: str | None, one_handed: bool, as_json: bool) -> None:
    """Say how good photos are, and what would make the next one better; nothing is written.

    Tilt, height, sharpness, exposure, shadows, how much of the mat is seen, hidden fingertips, paper that does not
    lie flat: each with what to do about it.

    \b
    Example:
      handcapture inspect one.jpg
    """
    from handcapture.quality import quality_dict, quality_lines

    reports: list[dict[str, Any]] = []
    refused: list[PhotoError] = []

    def told(path: Path, result: Capture | PhotoError) -> None:
        if isinstance(result, PhotoError):
            refused.append(result)
            return
        reports.append({"photo": path.name, **quality_dict(result.quality)})
        if not as_json:
            click.echo(f"{path.name}: " + "\n".join(quality_lines(result.quality)) + "\n")

    _measure(photos, mat_name, None, one_handed, None, told=told)
    if as_json:
        _print_json({"photos": reports, "refused": [str(error) for error in refused]})
    if refused:
        raise PhotoError("\n".join(map(str, refused)))


@main.command()
@click.argument("drawing", type=_PATH)
@click.option("--rest", type=_PATH, required=True, help="The rest document: whose hands are to work it.")
@click.option("--output", type=_PATH, required=True, help="The plan (.toml) to write.")
@click.option("--panel", type=_PATH, help="Also write the panel (.toml), from the drawing's outline.")
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
@_json_option
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

    _check_output(output, (".toml",), "a plan")
    _check_not_input(output, (drawing, rest))
    if panel is not None:
        _check_output(panel, (".toml",), "a panel")
        _check_not_input(panel, (drawing, rest))
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
        _print_json({"outputs": [str(path) for path, _ in written], "buttons": places, "notes": list(found.notes)})
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


@main.command()
@click.argument("rest", type=_PATH)
@click.option("--pattern", type=click.Choice(("rows", "arcs", "columns")), required=True, help="How holes are laid.")
@click.option("--output", type=_PATH, required=True, help="The plan (.toml) to write.")
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
@_json_option
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

    _check_output(output, (".toml",), "a plan")
    _check_not_input(output, (rest,))
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
        _print_json({"output": str(output), "buttons": places})
        return
    click.echo(f"{output}: {len(plan.buttons)} buttons in {pattern}. Fit them to a panel with handcapture fit.")


@main.command()
@click.argument("functions", type=_PATH)
@click.option("--output", type=_PATH, help="Also write the buttons as the start of a plan (.toml).")
@_json_option
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
        _check_output(output, (".toml",), "a plan")
        _check_not_input(output, (functions,))
    wanted = load_functions(functions)
    advice = advice_on(wanted)
    if output is not None and advice.functions:
        head = f"name = {json.dumps(wanted.name, ensure_ascii=False)}\n\n"
        write_atomically(output, (head + plan_entries(advice)).encode())
    if as_json:
        _print_json(plain(asdict(advice)))
    else:
        click.echo(describe(advice))
    if not advice.functions:
        raise InputError("No assignment was found: see the findings above for what stands in the way.")


@main.command()
@click.argument("rest", type=_PATH)
@click.option("--plan", type=_PATH, required=True, help="The plan (.toml): buttons, fingers, hole sizes.")
@click.option("--panel", type=_PATH, required=True, help="The panel (.toml): outline, edges, keep-outs.")
@click.option("--output", type=_PATH, required=True, help="The layout document (.json) to write.")
@click.option(
    "--pull",
    type=click.FloatRange(0, 1),
    help="0 as the hand rests, 1 as each hand's half of the old panel was. [default: the plan's]",
)
@click.option("--trade-off", is_flag=True, help="Also show what each pull costs.")
@_json_option
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

    _check_output(output, (".json",), "a layout")
    _check_not_input(output, (rest, plan, panel))
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
        _print_json(document)
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


@main.command()
@click.argument("layout", type=_PATH)
@click.option(
    "--output",
    "outputs",
    type=_PATH,
    required=True,
    multiple=True,
    help="A drawing to write, of the kind its ending names; may be given several times.",
)
@click.option("--mat", "mat_name", type=click.Choice(MAT_NAMES), help="For .pdf: print the holes on this mat.")
@click.option("--paper", type=click.Choice(("a4", "letter", "a3", "tabloid")), help="For .pdf: tile on this paper.")
@click.option("--photo", type=_PATH, help="For .jpg and .png: the photo to draw over.")
@click.option("--rest", type=_PATH, help="For .jpg and .png: the rest measured from that photo.")
@_json_option
def draw(
    layout: Path,
    outputs: tuple[Path, ...],
    mat_name: str | None,
    paper: str | None,
    photo: Path | None,
    rest: Path | None,
    as_json: bool,
) -> None:
    """Draw a layout: cut file, drill table, true-size print, or over a photo.

    \b
    The ending of each output names its kind:
      .dxf         holes and outline for a shop, in mm, at nominal size (kerf is the shop's to allow for)
      .svg         the same for a laser or an artist
      .csv         drill table
      .pdf         true-size print: on a mat (--mat), to lay the hands on and photograph again,
                   or tiled over pages (--paper)
      .jpg, .png   the layout over a photo (--photo, --rest)

    \b
    Example:
      handcapture draw layout.json --output panel.dxf --output try.pdf --mat a3
    """
    from handcapture.documents import write_atomically
    from handcapture.layout.document import read_layout

    for path in outputs:
        _check_output(path, DRAWING_SUFFIXES, "a drawing")
        _check_not_input(path, [p for p in (layout, photo, rest) if p is not None])
    kinds = {path.suffix.lower() for path in outputs}
    if ".pdf" in kinds and (mat_name is None) == (paper is None):
        raise InputError(
            "A .pdf needs either --mat (the holes on a mat, to try with the hands) or --paper (the whole panel, "
            "tiled). Name one of the two."
        )
    if kinds & {".jpg", ".png"} and (photo is None or rest is None):
        raise InputError("To draw over a photo, name it with --photo, and its rest document with --rest.")
    fitted = read_layout(layout)
    # All drawings are made before the first is written: a failure leaves nothing half-done.
    made = [(path, _drawing(path, fitted, mat_name, paper, photo, rest)) for path in outputs]
    for path, data in made:
        write_atomically(path, data)
    if as_json:
        _print_json({"outputs": [str(path) for path in outputs]})
        return
    for path in outputs:
        click.echo(f"{path}: {_DRAWN[path.suffix.lower()]}")
    if kinds & {".dxf", ".svg", ".csv", ".pdf"}:
        _print_cautions()


@main.command()
@click.argument("layout", type=_PATH)
@click.argument("photos", nargs=-1, type=_PATH, required=True, metavar="PHOTO...")
@click.option("--ruler", type=float, nargs=2, metavar="X Y", help="What a ruler reads on the template's 150 mm rules.")
@click.option("--one-handed", is_flag=True, help="One hand a photo, while the other holds the phone.")
@click.option("--care", "care_mm", type=float, default=2.0, show_default=True, help="Leave smaller offsets alone, mm.")
@click.option("--overlay", type=_PATH, metavar="FOLDER", help="Also write each photo with holes, contacts and moves.")
@click.option("--output", type=_PATH, help="Also write the check as a document (.json).")
@_json_option
def check(
    layout: Path,
    photos: tuple[Path, ...],
    ruler: tuple[float, float] | None,
    one_handed: bool,
    care_mm: float,
    overlay: Path | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Tell from photos of hands on a printed template where each finger really lands.

    Print the template with draw ... --output try.pdf --mat NAME, lay the hands on it as they will play, and
    photograph them as for capture; lift them and lay them down again for each further photo.

    \b
    Example:
      handcapture check layout.json try1.jpg try2.jpg try3.jpg --ruler 150 150 --overlay seen
    """
    from handcapture.check import check_document, check_template
    from handcapture.documents import dump_json, write_atomically
    from handcapture.layout.document import read_layout
    from handcapture.mat.sighting import PrintScale

    if output is not None:
        _check_output(output, (".json",), "a check")
        _check_not_input(output, (layout, *photos))
    if overlay is not None:
        _make_folder(overlay)
    fitted = read_layout(layout)
    scale = PrintScale.from_rulers(*ruler) if ruler else None
    captures: list[Capture] = []
    with _progress(len(photos), as_json) as step:
        for _, result in _measure(photos, None, scale, one_handed, None, told=step):
            if isinstance(result, PhotoError):
                raise result
            captures.append(result)
    found = check_template(fitted, captures, care_mm)
    if overlay is not None:
        _write_check_overlays(found, captures, photos, overlay)
    document = check_document(found)
    if output is not None:
        write_atomically(output, dump_json(document))
    if as_json:
        _print_json(document)
        return
    _print_check(found)


@main.command()
@click.option("--output", type=_PATH, default=Path("out"), show_default=True, help="The folder to write into.")
@_json_option
def demo(output: Path, as_json: bool) -> None:
    """Run the whole chain on the sample photos, and leave everything in a folder to look at.

    \b
    Example:
      handcapture demo --output try-out
    """
    from handcapture.demo import run_demo

    with _without_native_chatter():
        steps = run_demo(output, lambda text: None if as_json else click.echo(text))
    if as_json:
        _print_json(steps)


_DRAWN: Final = {
    ".dxf": "outline, holes and marks in mm, nominal size.",
    ".svg": "outline, holes and marks in mm, nominal size.",
    ".csv": "drill table.",
    ".pdf": 'true size. Print at "100 %", never "fit", and check the rule with a ruler.',
    ".jpg": "the layout over the photo.",
    ".png": "the layout over the photo.",
}


def _drawing(
    path: Path, layout: Layout, mat_name: str | None, paper: str | None, photo: Path | None, rest: Path | None
) -> bytes:
    suffix = path.suffix.lower()
    if suffix == ".dxf":
        from handcapture.drawings.dxf import layout_dxf

        return layout_dxf(layout)
    if suffix == ".svg":
        from handcapture.drawings.svg import layout_svg

        return layout_svg(layout)
    if suffix == ".csv":
        from handcapture.drawings.drill import layout_drill_csv

        return layout_drill_csv(layout)
    if suffix == ".pdf" and mat_name is not None:
        from handcapture.drawings.template import template_pdf
        from handcapture.mat.geometry import MATS

        return template_pdf(layout, MATS[mat_name])
    if suffix == ".pdf" and paper is not None:
        from handcapture.drawings.tiled import tiled_pdf

        return tiled_pdf(layout, paper)
    if photo is None or rest is None:
        raise InputError("To draw over a photo, name it with --photo, and its rest document with --rest.")
    return _overlay_of(layout, photo, rest, suffix)


def _overlay_of(layout: Layout, photo: Path, rest: Path, suffix: str) -> bytes:
    from handcapture.drawings.overlay import draw_overlay
    from handcapture.mat.sighting import PrintScale, sight
    from handcapture.photo import read_photo
    from handcapture.rest_document import read_rest

    picture, measured = read_photo(photo), read_rest(rest)
    for placement in measured.placements:
        for source in placement.sources:
            if source.photo_sha256 == picture.sha256:
                scale = PrintScale(*source.print_scale, relative_sd=source.print_scale_sd)
                camera = sight(picture, source.mat, scale).camera
                return draw_overlay(picture, camera, placement, layout, image_format=_image_format(suffix))
    known = ", ".join(source.photo_name for p in measured.placements for source in p.sources)
    raise InputError(f"{photo} is not one of the photos that {rest} was measured from ({known}). Name one of those.")


def _image_format(suffix: str) -> Any:
    return "png" if suffix == ".png" else "jpeg"


def _measure(
    photos: Sequence[Path],
    mat_name: str | None,
    scale: PrintScale | None,
    one_handed: bool,
    overlay: Path | None,
    card: bool = False,
    told: Callable[[Path, Capture | PhotoError], None] = lambda path, result: None,
) -> list[tuple[Path, Capture | PhotoError]]:
    """Return each photo's capture, or why it cannot be measured; tell each as it comes. InputError for no photo.

    The photos show one print: what a card in one of them tells of its scale serves all of them.
    """
    from handcapture.capture import Networks
    from handcapture.capture import capture as measure
    from handcapture.documents import write_atomically
    from handcapture.drawings.overlay import draw_overlay
    from handcapture.mat.card import CARD
    from handcapture.photo import read_photo

    def measured(path: Path) -> Capture | PhotoError:
        try:
            return measure(read_photo(path), networks, mat_name, scale, one_handed, card)
        except PhotoError as error:
            return error

    results: list[Capture | PhotoError] = []
    with _without_native_chatter(), Networks() as networks:
        for path in photos:
            results.append(measured(path))
            told(path, results[-1])
            if not isinstance(results[-1], PhotoError) and results[-1].sighting.print_scale.source == CARD:
                scale = results[-1].sighting.print_scale
        for k, result in enumerate(results):
            without_card = not isinstance(result, PhotoError) and result.sighting.print_scale.source != CARD
            if without_card and scale is not None and scale.source == CARD:
                results[k] = measured(photos[k])
        if overlay is not None:
            for number, (path, result) in enumerate(zip(photos, results, strict=True), start=1):
                if not isinstance(result, PhotoError):
                    drawn = draw_overlay(read_photo(path), result.sighting.camera, result.placement)
                    write_atomically(overlay / f"{number:02d}_{path.stem}.jpg", drawn)
    return list(zip(photos, results, strict=True))


@contextlib.contextmanager
def _without_native_chatter() -> Iterator[None]:
    """Keep what native libraries print on standard error away from the user; Python's own text still comes."""
    try:
        kept = os.dup(2)
    except OSError:
        yield
        return
    before = sys.stderr
    before.flush()
    with contextlib.ExitStack() as stack:
        stack.callback(os.close, kept)
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 2)
        os.close(nothing)
        stack.callback(os.dup2, kept, 2)
        if _writes_to_descriptor_2(before):
            own = os.fdopen(os.dup(kept), "w", encoding=before.encoding, errors="replace", buffering=1)
            sys.stderr = stack.enter_context(own)
            stack.callback(setattr, sys, "stderr", before)
        yield


def _writes_to_descriptor_2(stream: Any) -> bool:
    try:
        return bool(stream.fileno() == 2)
    except (OSError, ValueError, AttributeError):
        return False


@contextlib.contextmanager
def _progress(total: int, quiet: bool) -> Iterator[Callable[[Path, Capture | PhotoError], None]]:
    """Give a function that tells, photo by photo, how it went."""
    done = 0

    def step(path: Path, result: Capture | PhotoError) -> None:
        nonlocal done
        done += 1
        if quiet or total == 1:
            return
        said = "cannot be measured" if isinstance(result, PhotoError) else "measured"
        click.echo(f"[{done}/{total}] {path.name}: {said}", err=True)

    yield step


def _print_json(value: dict[str, Any]) -> None:
    click.echo(json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False))


def _photo_summary(result: Capture) -> dict[str, Any]:
    from handcapture.quality import quality_dict

    sighting = result.sighting
    return {
        "photo": result.placement.sources[0].photo_name,
        "mat": sighting.mat.name,
        "print_scale": {
            "x": round(sighting.sheets[0].print_scale.x, 6),
            "y": round(sighting.sheets[0].print_scale.y, 6),
            "relative_sd": round(sighting.print_scale.relative_sd, 6),
            "source": sighting.print_scale.source,
        },
        "tilt_deg": round(sighting.tilt_deg, 2),
        "height_mm": round(sighting.height_mm, 1),
        "mm_per_px": round(sighting.mm_per_px, 4),
        "rms_px": round(sighting.rms_px, 3),
        "corners_used": sighting.corners_used,
        "crosscheck_mm": round(sighting.crosscheck_mm, 3),
        "sheets": [
            {
                "gap_mm": round(sheet.gap_mm, 2),
                "shift_mm": round(sheet.shift_mm or 0.0, 2),
                "skew_deg": round(sheet.skew_deg or 0.0, 2),
            }
            for sheet in sighting.sheets
            if sheet.gap_mm is not None
        ],
        "notes": list(sighting.notes),
        "quality": quality_dict(result.quality),
        "hidden": [f"{c.side} {c.finger}" for c in result.placement.contacts if c.hidden],
    }


def _print_rest(rest: Rest, captures: Sequence[Capture], output: Path) -> None:
    import numpy as np

    click.echo(f"{output}: {len(rest.fingertips)} fingertips from {len(captures)} photo{'s' * (len(captures) > 1)}.")
    for result in captures:
        if result.quality.grade == "poor":
            click.echo(f"  ! {result.placement.sources[0].photo_name}: {result.quality.verdict}. Do not build on it.")
    click.echo()
    click.echo("  In mm from the mat's top-left corner, x to the right, y towards the person.")
    click.echo("                     x mm     y mm   95 % within   wanders by")
    for tip in rest.fingertips:
        within = np.sqrt(5.991 * np.linalg.eigvalsh(tip.covariance_mm2)[-1])
        wander = np.sqrt(np.linalg.eigvalsh(tip.spread_mm2)[-1])
        assumed = " (assumed)" if tip.spread_is_assumed else ""
        hidden = "   hidden" if tip.hidden else ""
        click.echo(
            f"  {tip.side + ' ' + tip.finger:14s} {tip.contact_mm[0]:8.1f} {tip.contact_mm[1]:8.1f}"
            f"   ±{within:4.1f} mm      {wander:3.1f} mm{assumed}{hidden}"
        )
    click.echo()
    for hand in rest.hands:
        seen = f"{hand.wrist_deviation_deg:+.0f} ± {2 * hand.wrist_deviation_sd_deg:.0f}°"
        text = f"wrist deviation {seen} (+ towards the little finger)" if hand.forearm_seen else "forearm not seen"
        click.echo(f"  {hand.side} hand: {text}, about {hand.hand_length_mm:.0f} mm long")
    click.echo()
    for result in captures:
        sighting = result.sighting
        sheets = "".join(
            f", sheets {sheet.gap_mm:.1f} mm apart and turned by {sheet.skew_deg:.1f}°"
            for sheet in sighting.sheets
            if sheet.gap_mm is not None and sheet.skew_deg is not None
        )
        click.echo(
            f"  {result.placement.sources[0].photo_name}: {sighting.mat.title}, camera {sighting.height_mm:.0f} mm up, "
            f"tilted {sighting.tilt_deg:.0f}°, marks within {sighting.rms_px:.2f} px{sheets}{_print_size(sighting)}; "
            f"{result.quality.verdict}"
        )
    for text in _advice(rest, captures):
        click.echo(f"  ! {text}")


def _print_size(sighting: Sighting) -> str:
    """Say how large the print came out, where that is known."""
    scale = sighting.sheets[0].print_scale
    if sighting.print_scale.source == "not verified":
        return ""
    sd = 100 * scale.relative_sd
    return f", print at {100 * scale.x:.2f} × {100 * scale.y:.2f} % (±{2 * sd:.2f}, {scale.source})"


def _advice(rest: Rest, captures: Sequence[Capture]) -> list[str]:
    """Return each note once, and what would make the measurement better."""
    texts = list(rest.notes)
    joined = any(len(placement.sources) > 1 for placement in rest.placements)
    still_hidden = {f"{tip.side} {tip.finger}" for tip in rest.fingertips if tip.hidden}
    for result in captures:
        name = result.placement.sources[0].photo_name
        texts += [text for text in result.sighting.notes if text not in texts]
        for point in result.quality.points:
            # The sighting's own notes say more of the paper; what other views saw need not be told.
            told = point.what != "paper" and (point.where is None or not joined or point.where in still_hidden)
            if point.advice is not None and told:
                texts.append(f"{name}: {point.text} {point.advice}")
    if rest.placement_count < 3:
        texts.append(
            "So few placements tell little of how far the fingers wander; much of it is assumed. Lift the hands, lay "
            "them down again, and give photos of three to five placements together."
        )
    return texts


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


def _print_check(found: TemplateCheck) -> None:
    click.echo(f"{found.layout.name}: {found.placements} placement{'s' * (found.placements > 1)} on the template.")
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
    for note in found.notes:
        click.echo(f"  ! {note}")


def _way(move_mm: Any) -> str:
    """Say a move in words: along the template's width, and towards or away from the person."""
    x, y = (float(value) for value in move_mm)
    parts = []
    if abs(x) >= 0.05:
        parts.append(f"{abs(x):.1f} mm {'right' if x > 0 else 'left'}")
    if abs(y) >= 0.05:
        parts.append(f"{abs(y):.1f} mm {'towards you' if y > 0 else 'away from you'}")
    return ", ".join(parts)


def _write_check_overlays(
    found: TemplateCheck, captures: Sequence[Capture], photos: Sequence[Path], folder: Path
) -> None:
    from dataclasses import replace

    import numpy as np

    from handcapture.check import TemplateView, on_template
    from handcapture.documents import write_atomically
    from handcapture.drawings.overlay import draw_overlay
    from handcapture.photo import read_photo

    placed = replace(found.layout, panel_origin_mm=found.origin_mm)
    origin = np.array(found.origin_mm)
    moves = [
        (origin + entry.button.centre_mm, origin + entry.button.centre_mm + entry.move_mm)
        for entry in found.buttons
        if entry.move_mm is not None
    ]
    for number, (path, result) in enumerate(zip(photos, captures, strict=True), start=1):
        picture = read_photo(path)
        view = TemplateView(result.sighting)
        drawn = draw_overlay(picture, view, on_template(result), placed, moves_mm=moves)
        write_atomically(folder / f"{number:02d}_{path.stem}.jpg", drawn)


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


def _print_cautions() -> None:
    from handcapture.layout.findings import CAUTIONS

    click.echo()
    click.echo(CAUTIONS)


def _check_output(path: Path, suffixes: tuple[str, ...], what: str) -> None:
    """Refuse, before any work, a place where the result cannot be written."""
    if path.suffix.lower() not in suffixes:
        endings = suffixes[0] if len(suffixes) == 1 else ", ".join(suffixes[:-1]) + " or " + suffixes[-1]
        raise InputError(f"{path}: {what} is written to a file that ends in {endings}. Name it so.")
    if path.is_dir():
        raise InputError(f"{path} is a folder. Name a file in it.")
    if not path.parent.is_dir():
        raise InputError(f"The folder {path.parent} does not exist. Make it first, or name another one.")


def _check_not_input(output: Path, inputs: Sequence[Path]) -> None:
    for path in inputs:
        if path.exists() and output.exists() and output.samefile(path):
            raise InputError(f"{output} is also an input; it would be overwritten. Name another output.")


def _make_folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"The folder {path} cannot be made: {error.strerror or error}.") from None
