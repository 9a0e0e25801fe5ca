"""The command that compares sessions: has the hand changed, or is it noise?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from handcapture.cli.common import FIGURE, NEW, PATH, check_not_input, check_output, json_option, print_json
from handcapture.errors import InputError

if TYPE_CHECKING:
    from handcapture.layout.model import Layout
    from handcapture.rest import Rest
    from handcapture.sessions import ButtonMove, Comparison, Trend


@click.command()
@click.argument("rests", nargs=-1, type=PATH, required=True, metavar="REST REST...")
@click.option("--margin", "margin_mm", type=FIGURE, help="Smaller changes do not matter, mm. [default: 5]")
@click.option("--margin-deg", type=FIGURE, help="The same for angles, degrees. [default: 5]")
@click.option(
    "--day", "days", multiple=True, metavar="DAY", help="The day of each rest (2031-03-04), if photos do not tell it."
)
@click.option("--layout", type=PATH, help="A layout fitted to the first rest: tell which of its buttons should move.")
@click.option("--output", type=NEW, help="Also write the comparison as a document (.json).")
@json_option
def changed(
    rests: tuple[Path, ...],
    margin_mm: float | None,
    margin_deg: float | None,
    days: tuple[str, ...],
    layout: Path | None,
    output: Path | None,
    as_json: bool,
) -> None:
    """Tell whether the hands changed between sessions, after an injury or a change of grip, or whether it is noise.

    Each rest is one session; the others are compared with the first. A finger is compared in the frame of its hand,
    so that it does not matter where the hands lay on the mat. It has changed, has not changed by more than the margin,
    or this cannot be told yet; then it says how many placements would tell. Three to five placements in each session
    are the least that tells much. With three sessions and more, trends over their days are looked for as well.

    This is a measuring aid and no medical advice.

    \b
    Examples:
      handcapture changed before.json after.json
      handcapture changed spring.json summer.json autumn.json --layout layout.json --output changed.json
    """
    from handcapture.documents import dump_json, write_atomically
    from handcapture.layout.document import read_layout
    from handcapture.report.inputs import days_of, session_times
    from handcapture.rest_document import read_rest
    from handcapture.sessions import MARGIN_DEG, MARGIN_MM, advise_moves, compare_sessions

    if len(rests) < 2:
        raise InputError("One rest alone cannot be compared. Name two or more; the first is the reference.")
    if output is not None:
        check_not_input(output, [*rests, *([layout] if layout else [])])
        check_output(output, (".json",), "a comparison")
    margins = (MARGIN_MM if margin_mm is None else margin_mm, MARGIN_DEG if margin_deg is None else margin_deg)
    sessions = [read_rest(path) for path in rests]
    times = days_of(session_times(sessions, days))
    fitted = read_layout(layout) if layout else None
    found = []
    for path, session in zip(rests[1:], sessions[1:], strict=True):
        try:
            found.append(compare_sessions(sessions[0], session, *margins))
        except InputError as error:
            raise InputError(f"{rests[0]} and {path} cannot be compared: {error}") from None
    series, reason = _series(rests, sessions, times, margins) if len(sessions) > 2 else ((), None)
    moves = [advise_moves(fitted, comparison) if fitted else () for comparison in found]
    notes = [*_layout_notes(fitted, layout, sessions[0], rests[0]), *_order_notes(rests, times)]
    document = _document(rests, found, moves, series, [*notes, *([reason] if reason else [])])
    if output is not None:
        write_atomically(output, dump_json(document))
    if as_json:
        print_json(document)
        return
    for path, comparison, button_moves in zip(rests[1:], found, moves, strict=True):
        _print_comparison(rests[0], path, comparison)
        if fitted is not None:
            _print_moves(fitted, button_moves)
        click.echo()
    if len(sessions) > 2:
        _print_trends(series, reason)
    for note in notes:
        click.echo(f"! {note}")
    if output is not None:
        click.echo(f"{output}: the comparison written.")


def _series(
    rests: Sequence[Path], sessions: Sequence[Rest], days: Sequence[float | None], margins: tuple[float, float]
) -> tuple[tuple[Trend, ...], str | None]:
    """Return the trends over all sessions, or none and why they cannot be looked for."""
    from handcapture.sessions import trends

    without = [path.name for path, day in zip(rests, days, strict=True) if day is None]
    if without:
        told = f"No trend is looked for: the photos of {', '.join(without)} do not say when they were taken. Give --day"
        return (), f"{told} for each rest."
    timed = [(day, session) for day, session in zip(days, sessions, strict=True) if day is not None]
    try:
        return trends(timed, *margins), None
    except InputError as error:
        return (), f"No trend is looked for: {error}"


def _layout_notes(fitted: Layout | None, path: Path | None, first: Rest, rest: Path) -> list[str]:
    from handcapture.rest_document import rest_sha256

    if fitted is None or fitted.rest_sha256 is None or fitted.rest_sha256 == rest_sha256(first):
        return []
    return [f"{path} was not fitted to {rest}. Moves are told from {rest}; they hold only where that is how it was."]


def _order_notes(rests: Sequence[Path], days: Sequence[float | None]) -> list[str]:
    first = days[0]
    early = [rests[k].name for k, day in enumerate(days) if first is not None and day is not None and day < first]
    if not early:
        return []
    return [f"{', '.join(early)} was measured before {rests[0].name}, which is the reference here. Were they swapped?"]


def _document(
    rests: Sequence[Path],
    found: Sequence[Comparison],
    moves: Sequence[Sequence[ButtonMove]],
    series: Sequence[Trend],
    notes: Sequence[str],
) -> dict[str, Any]:
    from handcapture.sessions import compare_text, comparison_document
    from handcapture.version import __version__

    return {
        "schema": "handcapture.changed/1",
        "program": f"handcapture {__version__}",
        "reference": rests[0].name,  # no folder of this machine
        "comparisons": [
            {
                "file": path.name,
                **comparison_document(comparison),
                "text": compare_text(comparison),
                "button_moves": [_move_fields(move) for move in button_moves],
            }
            for path, comparison, button_moves in zip(rests[1:], found, moves, strict=True)
        ],
        "trends": [_trend_fields(trend) for trend in series],
        "notes": list(notes),
    }


def _move_fields(move: ButtonMove) -> dict[str, Any]:
    from handcapture.documents import plain

    return {
        "label": move.button.label,
        "side": move.button.side,
        "finger": move.button.finger,
        "move_mm": plain(move.move_mm),
        "known_to_mm": _finite(move.known_to_mm),
        "why": move.why,
    }


def _trend_fields(trend: Trend) -> dict[str, Any]:
    from handcapture.documents import plain

    return {
        "name": trend.name,
        "side": trend.side,
        "finger": trend.finger,
        "unit": trend.unit,
        "times_days": plain(trend.times_days),
        "values": plain(trend.values),
        "standard_errors": plain(trend.errors),
        "verdict": trend.verdict,
        "margin": plain(trend.margin),
        "change": _finite(trend.change),
        "half_interval": _finite(trend.half),
        "probability": trend.probability,
        "reason": trend.reason,
    }


def _finite(value: float | None) -> float | None:
    import math

    return None if value is None or not math.isfinite(value) else round(value, 6)


def _print_comparison(first: Path, second: Path, comparison: Comparison) -> None:
    from handcapture.sessions import compare_text, finger_verdict

    click.echo(f"{first.name} → {second.name}")
    click.echo()
    click.echo("  finger          differs by    known to     at most    placements   verdict")
    for f in comparison.fingers:
        line = f"  {f.side + ' ' + f.finger:14s}"
        counts = f"{f.placements[0]}, {f.placements[1]}"
        if f.distance_mm is None:
            click.echo(f"{line} {'-':>9s}    {'-':>9s}   {'-':>9s}    {counts:10s}   cannot tell: {f.reason}")
            continue
        verdict = finger_verdict(f, comparison.margin_mm)
        click.echo(
            f"{line} {f.distance_mm:6.1f} mm    {_plus_minus(f.known_to_mm):>9s}   {_at_most(f.at_most_mm):>9s}    "
            f"{counts:10s}   {verdict}"
        )
    click.echo()
    click.echo("  Differs by: where the finger comes down relative to its hand; known to: 95 %, in that direction; at")
    click.echo("  most: so far from zero the 95 % region of the difference reaches.")
    click.echo()
    click.echo(compare_text(comparison))


def _plus_minus(value: float | None) -> str:
    return "unknown" if _finite(value) is None else f"±{value:.1f} mm"


def _at_most(value: float | None) -> str:
    return "unknown" if _finite(value) is None else f"{value:.1f} mm"


def _print_moves(layout: Layout, moves: Sequence[ButtonMove]) -> None:
    click.echo()
    if not moves:
        click.echo(f"{layout.name}: no button need move by anything that was shown.")
        return
    click.echo(f"{layout.name}: buttons whose finger changed. Fit the layout to the new rest, print it and check it.")
    for move in moves:
        x, y = (float(value) for value in move.move_mm)
        sideways = f"{abs(x):.1f} mm {'right' if x > 0 else 'left'}"
        down = f"{abs(y):.1f} mm {'towards you' if y > 0 else 'away from you'}"
        known = _plus_minus(move.known_to_mm)
        click.echo(f"  {move.button.label[:16]:16s}  {sideways}, {down} (known to {known})")


def _print_trends(series: Sequence[Trend], reason: str | None) -> None:
    from handcapture.sessions import trends_text

    click.echo("All sessions")
    text = trends_text(series) if reason is None else reason
    # With too few sessions all is open: that is said once, not of every finger.
    open_ones = reason is None and all(trend.fit is None for trend in series)
    click.echo(text.splitlines()[-1] if open_ones else text)
