"""The command for many people's hands: how they spread, and sizes that serve them."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
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
    make_folder,
    print_json,
)
from handcapture.errors import InputError

if TYPE_CHECKING:
    from handcapture.cohort import AgainstOwn, Cohort, OnPanel, Share, SizePanel, SizeSet

_PICTURES = (".png", ".svg", ".pdf")
_SHOWN = 40
"""People that are listed; the document has all."""


@click.command()
@click.argument("rests", nargs=-1, type=PATH, required=True, metavar="REST|FOLDER...")
@click.option(
    "--hands", type=click.Choice(("each", "together", "left", "right")), default="each", show_default=True,
    help="Each hand laid down on its own, both as one figure, or one hand only.",
)  # fmt: skip
@click.option("--within", "within_mm", type=FIGURE, help="A finger so near to its place is served, mm. [default: 10.5]")
@click.option("--most-sizes", type=click.IntRange(1, 20), default=6, show_default=True, help="Sets of up to so many.")
@click.option("--sizes", type=click.IntRange(1, 20), help="The set to list. [default: picked by --serve]")
@click.option(
    "--serve", "target", type=FigureRange(0, 100), default=90.0, show_default=True,
    help="The share of new people that a set should serve, %, one standard error to spare.",
)  # fmt: skip
@click.option("--plan", type=PATH, help="With --panel: fit a panel for each size, and one for each person beside it.")
@click.option("--panel", type=PATH, help="The panel (.toml) to fit them on.")
@click.option("--layouts", type=NEW, metavar="FOLDER", help="With --plan: write each size's layout.")
@click.option("--output", type=NEW, help="Write everything as a document (.json).")
@click.option("--plot", type=NEW, help="Draw coverage and sizes (.png, .svg, .pdf).")
@json_option
def cohort(
    rests: tuple[Path, ...],
    hands: Any,
    within_mm: float | None,
    most_sizes: int,
    sizes: int | None,
    target: float,
    plan: Path | None,
    panel: Path | None,
    layouts: Path | None,
    output: Path | None,
    plot: Path | None,
    as_json: bool,
) -> None:
    """Tell how the hands of many people spread, and which few sizes of panel would serve them.

    Each rest is one person; in a folder, each rest is, and each folder in it (its rests are pooled). Hands are laid
    onto each other by turning and shifting, never scaled. Sizes are means of alike hands; coverage is counted over the
    people they were made from, and, as it will be for the next customers, over people left out of the making.

    \b
    Examples:
      handcapture batch club/ --output club.csv --rests rests/
      handcapture cohort rests/ --output sizes.json --plot sizes.png
      handcapture cohort rests/ --plan plan.toml --panel panel.toml --layouts sizes/
    """
    from handcapture.cohort import WITHIN_MM, against_own, gather, study
    from handcapture.cohort_document import cohort_document, find_rests
    from handcapture.documents import dump_json, write_together

    for path, suffixes, what in ((output, (".json",), "a cohort"), (plot, _PICTURES, "a plot")):
        if path is not None:
            check_output(path, suffixes, what)
            check_not_input(path, [*rests, *([plan] if plan else []), *([panel] if panel else [])])
            _require_outside(path, rests)
    if (plan is None) != (panel is None):
        raise click.UsageError("--plan and --panel go together.")
    if layouts is not None and plan is None:
        raise click.UsageError("--layouts needs --plan and --panel: which panels are to be fitted?")
    if layouts is not None:
        _require_outside(layouts, rests)
    people, left_out = gather(find_rests(rests), hands)
    most = max(most_sizes, sizes or 1)
    found = study(people, left_out, hands, WITHIN_MM if within_mm is None else within_mm, most)
    if sizes is not None and sizes > len(found.sets):
        raise InputError(f"{len(people)} people cannot be parted into {sizes} sizes. Ask for {len(people)} or fewer.")
    chosen, foretold = (found.sets[sizes - 1], None) if sizes else found.picked_set(target / 100)
    against: tuple[AgainstOwn, ...] = ()
    panels: tuple[SizePanel, ...] = ()
    fitted: list[tuple[Path, bytes] | None] = []
    if plan is not None and panel is not None:
        from handcapture.layout.plan import load_panel, load_plan

        plate, origin = load_panel(panel)
        with _bar(len(chosen.sizes) + len(people), as_json) as bar:
            panels, against = against_own(found, chosen, load_plan(plan), plate, origin, lambda: bar.update(1))
        if layouts is not None:
            fitted = _layouts(layouts, chosen, panels)
    names = [None if one is None else one[0].name for one in fitted]
    document = cohort_document(found, chosen, against, names, panels, foretold)
    written = [one for one in fitted if one is not None]
    if output is not None:
        written.append((output, dump_json(document)))
    if plot is not None:
        from handcapture.drawings.cohort import cohort_picture

        written.append((plot, cohort_picture(found, chosen, plot.suffix.lower())))
    if written:
        write_together(written)
    if as_json:
        print_json(document)
    else:
        _print(found, chosen, foretold, target)
        _print_people(found, chosen)
        _print_against(found, chosen, against)
        for path in (output, plot):
            if path is not None:
                click.echo(f"  Written: {path}")
        click.echo("\nA size is a mean, and nobody's own hand: let people try a print before anything is cut.")
    refused = [
        f"Size {size.label} cannot be fitted: {panel.refused}"
        for size, panel in zip(chosen.sizes, panels, strict=False)
        if panel.layout is None
    ]
    if refused:
        raise InputError("\n".join([*refused, "Everything else was computed, and written where it was asked for."]))


def _require_outside(path: Path, rests: Sequence[Path]) -> None:
    """Refuse to write among the rests: one of them would be replaced, or the result taken for one next time."""
    for folder in rests:
        if folder.is_dir() and path.resolve().is_relative_to(folder.resolve()):
            raise InputError(f"{path} lies in {folder}, where the rests are read from. Name a place outside of it.")


def _layouts(folder: Path, chosen: SizeSet, panels: Sequence[SizePanel]) -> list[tuple[Path, bytes] | None]:
    """Return each size's layout and where it goes, None where no panel could be fitted to it."""
    from dataclasses import replace

    from handcapture.documents import dump_json
    from handcapture.layout.document import layout_document

    make_folder(folder)
    files: list[tuple[Path, bytes] | None] = []
    for size, panel in zip(chosen.sizes, panels, strict=True):
        if panel.layout is None:
            files.append(None)
            continue
        path = folder / f"{size.label}.layout.json"
        check_output(path, (".json",), "a layout")
        named = replace(panel.layout, name=f"{panel.layout.name} {size.label}")
        files.append((path, dump_json(layout_document(named))))
    return files


def _percent(share: Share | None) -> str:
    if share is None:
        return "too few people to tell"
    return f"{100 * share.value:3.0f} %  ({100 * share.low:.0f} to {100 * share.high:.0f})"


def _print(found: Cohort, chosen: SizeSet, foretold: Share | None, target: float) -> None:
    hands = {"each": "each hand on its own", "together": "both hands as one figure"}
    told = hands.get(found.hands, f"the {found.hands} hand")
    click.echo(f"{len(found.people)} people, {told}.")
    for out in found.left_out:
        click.echo(f"  left out: {out.name}: {out.reason}")
    for note in found.notes:
        click.echo(f"  {note}")
    click.echo("\nHow they spread, with 95 % intervals where so many people give one:")
    width = max(len(spread.name) for spread in found.spans)
    shown = [k for k, percentile in enumerate(found.spans[0].percentiles) if percentile.percent in (5, 50, 95)]
    percents = [found.spans[0].percentiles[k].percent for k in shown]
    click.echo(f"  {'':{width}s}      " + "".join(f"{f'{p} %':<20s}" for p in percents).rstrip())
    for spread in found.spans:
        cells = []
        for percentile in (spread.percentiles[k] for k in shown):
            low, high = ("…" if bound is None else f"{bound:.0f}" for bound in (percentile.low, percentile.high))
            cells.append(f"{f'{percentile.value:.1f} ({low} to {high})':<20s}")
        click.echo(f"  {spread.name:{width}s}  {spread.unit:3s} " + "".join(cells).rstrip())
    click.echo(f"\nServed: every finger within {found.within_mm:g} mm of its size's place.")
    click.echo("          these people, who made them             people left out of the making")
    click.echo("  sizes   as measured           surely..perhaps   as measured")
    for entry in found.sets:
        mark = "  <- listed below" if entry is chosen else ""
        served, left = _percent(entry.served), _percent(entry.served_when_left_out)
        sure = f"{100 * entry.surely_served:3.0f} .. {100 * entry.perhaps_served:.0f} %"
        click.echo(f"  {len(entry.sizes):5d}   {served:20s}  {sure:16s}  {left:22s}{mark}".rstrip())
    click.echo('  In brackets 95 % intervals. Surely: who is told "served"; perhaps: who is not told "not served".')
    if foretold is None:
        return
    if found.least_set(target / 100) is None:
        click.echo(
            f"  No set of up to {len(found.sets)} surely serves {target:g} % of new people. Listed is the least that "
            "comes within one\n  standard error of the best."
        )
    else:
        click.echo(
            f"  Listed is the least set that serves {target:g} % of people left out, one standard error to spare."
        )
    share = _percent(foretold).replace("  ", " ").strip()
    click.echo(
        f"  A set that is picked like this serves {share} of new people: so many of these, had each been\n"
        "  left out of the picking, too. The figure at the mark flatters it: it was picked by that."
    )


def _print_people(found: Cohort, chosen: SizeSet) -> None:
    from handcapture.cohort import spans_mm

    spans = [spans_mm(size) for size in chosen.sizes]
    names = list(dict.fromkeys(name.split(" ", 1)[1] for name in spans[0]))
    heads = "".join(f"{name:18s}" for name in names)
    sides = " / ".join(dict.fromkeys(name.split(" ", 1)[0] for name in spans[0]))
    click.echo(f"\n  size  mean of     nearest for   {heads}({sides}, mm)")
    for which, (size, mine) in enumerate(zip(chosen.sizes, spans, strict=True)):
        near = sum(service.size == which for service in chosen.services)
        cells = []
        for name in names:
            both = [f"{span:.0f}" for key, span in mine.items() if key.split(" ", 1)[1] == name]
            cells.append(f"{' / '.join(both):18s}")
        click.echo(
            f"  {size.label:4s}  {_people(len(size.people)):10s}  {_people(near):12s}  {''.join(cells)}".rstrip()
        )
    width = _width(found)
    click.echo(f"\n  {'':{width}s}  size  farthest finger  off by                  verdict")
    for service in chosen.services[:_SHOWN]:
        name = found.people[service.person].name
        off = f"{service.worst_mm:5.1f} mm ({service.at_least_mm:.1f} to {service.at_most_mm:.1f})"
        finger = f"{service.side} {service.finger}"
        label = chosen.sizes[service.size].label
        click.echo(f"  {_padded(name, width)}  {label:4s}  {finger:15s}  {off:22s}  {service.verdict}")
    if len(chosen.services) > _SHOWN:
        click.echo(f"  and {len(chosen.services) - _SHOWN} more; --output writes all of them.")
    click.echo(
        "  In brackets: where the farthest of all fingers may lie (95 % to either side), from how well contacts are\n"
        "  known and how far the size would lie elsewhere had others made it. Served: all of it lies within "
        f"{found.within_mm:g} mm;\n  not served: all beyond; on the line: neither can be said."
    )
    if any(service.verdict == "made from this person alone" for service in chosen.services):
        click.echo(
            "  A size that one person alone made fits that person by its making, which tells nothing of its use."
        )


def _width(found: Cohort) -> int:
    return min(30, max(sum(map(_columns, person.name)) for person in found.people))


def _columns(character: str) -> int:
    """Return how many columns of a terminal a character takes: East Asian wide ones and emoji two."""
    if unicodedata.combining(character):
        return 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def _padded(name: str, width: int) -> str:
    """Return a name cut or filled to so many columns of a terminal."""
    shown, used = "", 0
    for character in name:
        if used + _columns(character) > width:
            break
        shown, used = shown + character, used + _columns(character)
    return shown + " " * (width - used)


def _people(count: int) -> str:
    return f"{count} {'person' if count == 1 else 'people'}"


def _on_panel(entry: OnPanel | None) -> str:
    if entry is None:
        return "cannot be fitted"
    return f"{entry.worst_mm:5.1f} mm {100 * entry.least_landing:4.0f} %"


def _print_against(found: Cohort, chosen: SizeSet, against: tuple[AgainstOwn, ...]) -> None:
    if not against:
        return
    width = _width(found)
    click.echo("\nOn the size's panel, and on a panel fitted to their own hands (farthest button; least landing):")
    for entry in against[:_SHOWN]:
        name = found.people[entry.person].name
        label = "-" if entry.size is None else chosen.sizes[entry.size].label
        click.echo(f"  {_padded(name, width)}  {label:4s}  {_on_panel(entry.sized):16s}  own {_on_panel(entry.own)}")
    if len(against) > _SHOWN:
        click.echo(f"  and {len(against) - _SHOWN} more; --output writes all of them.")


def _bar(total: int, quiet: bool) -> Any:
    from tqdm import tqdm

    # None: shown on a terminal only.
    return tqdm(total=total, unit="fit", disable=True if quiet else None)
