"""The commands that measure photos."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from handcapture.cli.common import (
    FIGURE,
    MAT_NAMES,
    NEW,
    PATH,
    check_different,
    check_not_input,
    check_output,
    check_overlays,
    json_option,
    measured,
    print_json,
    progress,
    shown,
)
from handcapture.cli.kept import file_name
from handcapture.errors import PhotoError

if TYPE_CHECKING:
    from handcapture.capture import Capture
    from handcapture.mat.sighting import Sighting
    from handcapture.rest import Rest


@click.command()
@click.argument("photos", nargs=-1, type=PATH, required=True, metavar="PHOTO...")
@click.option("--output", type=NEW, required=True, help="The rest document (.json) to write.")
@click.option("--mat", "mat_name", type=click.Choice(MAT_NAMES), help="The mat in use. [default: found out]")
@click.option(
    "--ruler",
    type=FIGURE,
    nargs=2,
    metavar="X Y",
    help="What a ruler reads on the mat's two 150 mm rules, in mm: along the width, along the height.",
)
@click.option("--card", is_flag=True, help="A card lies in its place; refuse photos in which it cannot be measured.")
@click.option("--one-handed", is_flag=True, help="One hand a photo, while the other holds the phone.")
@click.option(
    "--views", is_flag=True, help="The photos show one placement from 2 to 4 sides; nothing moved between them."
)
@click.option("--overlay", type=NEW, metavar="FOLDER", help="Also write each photo with what was measured on it.")
@click.option("--leave-out", is_flag=True, help="Leave photos out that cannot be measured, and go on.")
@json_option
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

    check_output(output, (".json",), "a rest")
    check_not_input(output, photos)
    check_different(photos)
    if overlay is not None:
        check_overlays(overlay, photos)
    scale = PrintScale.from_rulers(*ruler) if ruler else None
    captures: list[Capture] = []
    refused: list[PhotoError] = []
    with progress(len(photos), as_json) as step:
        for _, result in measured(photos, mat_name, scale, one_handed, overlay, card, step, leave_out):
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
        print_json(
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


@click.command()
@click.argument("photos", nargs=-1, type=PATH, required=True, metavar="PHOTO...")
@click.option("--mat", "mat_name", type=click.Choice(MAT_NAMES), help="The mat in use. [default: found out]")
@click.option("--one-handed", is_flag=True, help="One hand a photo, while the other holds the phone.")
@json_option
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
        reports.append({"photo": file_name(path), **quality_dict(result.quality)})
        if not as_json:
            click.echo(f"{shown(file_name(path))}: " + "\n".join(quality_lines(result.quality)) + "\n")

    # Of several files, one that is no photo does not silence what is said of the others.
    measured(photos, mat_name, None, one_handed, None, told=told, lenient=len(photos) > 1)
    if as_json:
        print_json({"photos": reports, "refused": [str(error) for error in refused]})
    if refused:
        raise PhotoError("\n".join(map(str, refused)))


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
    times = rest.placement_count
    click.echo(
        "  95 % within: of where it lay this one time; where it rests from one time to the next is not told."
        if times == 1
        else f"  95 % within: of where it rests on average, as {times} placements tell."
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
