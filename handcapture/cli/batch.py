"""The command for many photos."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from handcapture.cli.common import (
    FIGURE,
    MAT_NAMES,
    NEW,
    PATH,
    check_output,
    json_option,
    make_folder,
    print_json,
    shown,
)

TABLE_SUFFIXES = (".csv", ".parquet")
"""Stands here as well as in batch_record.py so that the help needs no heavy import; a test compares them."""

FEW = 5
"""So many failed photos are told on the screen."""


@click.command()
@click.argument("photos", nargs=-1, type=PATH, required=True, metavar="FOLDER|PHOTO|LIST...")
@click.option("--output", type=NEW, required=True, help="The table (.csv or .parquet) to write, a row a photo.")
@click.option(
    "--rests", type=NEW, metavar="FOLDER", help="Also write each photo's rest (.json), in folders as the photos'."
)
@click.option("--mat", "mat_name", type=click.Choice(MAT_NAMES), help="The mat in use. [default: found out]")
@click.option("--ruler", type=FIGURE, nargs=2, metavar="X Y", help="What a ruler reads on the two 150 mm rules, mm.")
@click.option("--card", is_flag=True, help="A card lies in its place; photos without it fail.")
@click.option("--one-handed", is_flag=True, help="One hand a photo.")
@click.option("--jobs", type=click.IntRange(1, 512), help="Processes at work. [default: one a processor]")
@click.option("--scheduler", metavar="ADDRESS", help="Measure on the Dask cluster of this scheduler.")
@json_option
@click.pass_context
def batch(
    ctx: click.Context,
    photos: tuple[Path, ...],
    output: Path,
    rests: Path | None,
    mat_name: str | None,
    ruler: tuple[float, float] | None,
    card: bool,
    one_handed: bool,
    jobs: int | None,
    scheduler: str | None,
    as_json: bool,
) -> None:
    """Measure many photos into one table: folders, photos, or lists of photos (.txt, a path a line, from its folder).

    A photo that cannot be measured gets a row with the reason, and the run goes on. A run that was broken off goes on
    where it stopped when the same command is given again. A photo that came before under another name is not measured
    twice. Hidden files and folders are passed over; of several folders, each has its name before its photos'.

    With --scheduler the photos are sent to the machines of that cluster, unencrypted unless its address says tls.

    Ends with 3 where photos could not be measured.

    \b
    Example:
      handcapture batch photos/ --output club.csv --rests rests/
    """
    from handcapture.batch import Settings, find_photos, pictures_not_read, run
    from handcapture.batch_record import Row, check_table
    from handcapture.mat.print_scale import PrintScale

    check_output(output, TABLE_SUFFIXES, "a table", own_rule=True)
    check_table(output)
    if ruler is not None:
        PrintScale.from_rulers(*ruler)
    if scheduler is not None and jobs is not None:
        raise click.UsageError("--jobs is for this machine, --scheduler for a cluster. Leave one of them out.")
    found = find_photos(photos)
    if rests is not None:
        make_folder(rests)
    settings = Settings(mat_name, ruler, one_handed, card)
    bar = _bar(len(found), as_json)

    failed: list[Row] = []

    def told(row: Row) -> None:
        bar.update(1)
        if row["status"] == "failed":
            failed.append(row)

    try:
        with bar:
            outcome = run(found, output, settings, jobs or os.cpu_count() or 1, rests, scheduler, told)
    except KeyboardInterrupt:
        click.echo("\nStopped. What was measured is kept: the same command goes on where it stopped.", err=True)
        ctx.exit(130)
    others = pictures_not_read(photos)
    if as_json:
        print_json(
            {
                "output": str(output),
                "photos": outcome.photos,
                "measured": outcome.measured,
                "failed": outcome.failed,
                "known_before": outcome.known,
                "to_try_again": outcome.again,
                "rests_of_other_photos": outcome.strange,
                "passed_over": others,
            }
        )
    else:
        count = f"{outcome.photos} photo{'s' if outcome.photos != 1 else ''}"
        click.echo(f"{output}: {count}, {outcome.measured} measured, {outcome.failed} failed.")
        if outcome.known:
            click.echo(f"  {outcome.known} were known: from before, or as the same photo under another name.")
        if outcome.again:
            click.echo(
                f"  {outcome.again} failed for what may lie in the machine, not in the photo: the same command tries "
                f"them again, and knows the others ({output.name}.part.jsonl)."
            )
        if others:
            told_of = ", ".join(f"{count} {suffix}" for suffix, count in others.items())
            click.echo(f"  ! Pictures of kinds that are not read were passed over: {told_of}. Export them as JPEG.")
        if outcome.strange:
            some = ", ".join(outcome.strange[:FEW]) + (", …" if len(outcome.strange) > FEW else "")
            count = f"{len(outcome.strange)} rest{'s' if len(outcome.strange) > 1 else ''}"
            click.echo(
                f"  ! {rests} also holds {count} of no photo that was measured now ({shown(some)}): from an earlier "
                f"run? handcapture cohort {rests} would count them."
            )
        for row in failed[:FEW]:
            name, reason = row["photo"], row["reason"]
            click.echo("  " + shown(reason if reason.startswith(name) else f"{name}: {reason}"))
        if len(failed) > FEW:
            click.echo(f"  and {len(failed) - FEW} more: the column reason says why each of them failed.")
    if outcome.failed:
        ctx.exit(3)


def _bar(total: int, quiet: bool) -> Any:
    from tqdm import tqdm

    # None: shown on a terminal only.
    return tqdm(total=total, unit="photo", disable=True if quiet else None, smoothing=0.05)
