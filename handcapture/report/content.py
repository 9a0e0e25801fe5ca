"""What stands in a report, computed once: both writers lay out the same texts, tables and pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Final

import numpy as np

from handcapture.drawings.common import build_warning, clean_label, format_mm, panel_words
from handcapture.errors import InputError
from handcapture.layout.findings import CAUTIONS
from handcapture.mat.print_scale import RULER_SD_MM, UNVERIFIED_SCALE_SD
from handcapture.names import SIDES
from handcapture.report.inputs import NamedCheck, NamedLayout, SeenPhoto, Session, days_of
from handcapture.report.model import Block, Column, Facts, Heading, Picture, Report, Section, Table, Text
from handcapture.report.plots import NORMAL_95, change_plot, check_plot, contacts_plot, layout_plot, trend_plot
from handcapture.rest_document import rest_sha256
from handcapture.sessions import MARGIN_DEG, MARGIN_MM, compare_sessions, compare_text, finger_verdict
from handcapture.version import __version__

if TYPE_CHECKING:
    from handcapture.layout.model import Layout
    from handcapture.placement import Source
    from handcapture.report.inputs import CheckedButton
    from handcapture.rest import Fingertip, Rest
    from handcapture.sessions import Comparison, FingerChange, Trend

DEFAULT_TITLE: Final = "Where the fingers rest"
CLINICIAN: Final = (
    "This is a measuring aid, not a medical device, and no medical advice. It cannot tell whether a posture is safe "
    "for you. Stop if it hurts; pain, numbness, tingling or weakness that persists, wakes you or follows an injury "
    "belongs with a clinician."
)
_LONGEST_NAME: Final = 120
_LONGEST_LINE: Final = 1500


@dataclass(frozen=True, eq=False)
class Inputs:
    """All that a report is made of. `session` is the rest that it is about; `earlier` ones come in their order."""

    session: Session
    earlier: tuple[Session, ...] = ()
    photos: tuple[SeenPhoto, ...] = ()
    layout: NamedLayout | None = None
    checks: tuple[NamedCheck, ...] = ()
    title: str | None = None
    person: str | None = None
    margin_mm: float = MARGIN_MM
    margin_deg: float = MARGIN_DEG


def build_report(inputs: Inputs, made: date) -> Report:
    """Return the report, dated `made`. InputError where sessions cannot be compared or a layout cannot be drawn."""
    title = clean_label(inputs.title or "", _LONGEST_NAME) or DEFAULT_TITLE
    person = clean_label(inputs.person or "", _LONGEST_NAME) or None
    sections = [
        _contacts_section(inputs.session.rest),
        _photos_section(inputs.photos),
        _posture_section(inputs.session.rest),
        _changes_section(inputs),
        _layout_section(inputs),
        _checks_section(inputs.checks, inputs.layout),
        _provenance_section(inputs),
        _cautions_section(),
    ]
    foot = f"{title}{f', {person}' if person else ''}, {made.isoformat()}"
    return Report(title, person, _facts(inputs, person, made), tuple(s for s in sections if s is not None), foot)


def _facts(inputs: Inputs, person: str | None, made: date) -> Facts:
    rest = inputs.session.rest
    photos = len(_sources(rest))
    seen = sum(not tip.hidden for tip in rest.fingertips)
    entries = [("Person", person)] if person else []
    entries.append(("Measured", _day(inputs.session)))
    if inputs.earlier:
        entries.append(("Compared with", "; ".join(_called(session) for session in inputs.earlier)))
    placements = rest.placement_count
    entries.append(
        (
            "What",
            f"{_count(seen, 'fingertip')} seen, {_count(placements, 'placement')}, {_count(photos, 'photo')}"
            + (f", {_count(len(rest.fingertips) - seen, 'fingertip')} hidden" if seen < len(rest.fingertips) else ""),
        )
    )
    if inputs.layout is not None:
        layout = inputs.layout.layout
        entries.append(
            (
                "Layout",
                f"{_name(layout.name)}, revision {_name(layout.revision)}, {_count(len(layout.buttons), 'button')}",
            )
        )
    entries.append(("Report made", made.isoformat()))
    return Facts(tuple((name, text) for name, text in entries if text is not None))


def _day(session: Session) -> str:
    return "day not known" if session.when is None else session.when.date().isoformat()


def _called(session: Session) -> str:
    name = _name(session.name)
    return name if session.when is None else f"{session.when.date().isoformat()} ({name})"


def _name(text: str) -> str:
    return clean_label(text, _LONGEST_NAME) or "-"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"


def _sources(rest: Rest) -> list[Source]:
    return [source for placement in rest.placements for source in placement.sources]


# Contacts


def reach_95_mm(tip: Fingertip) -> float:
    """Return the longest half axis of a contact's 95 % region."""
    return float(np.sqrt(NORMAL_95 * np.linalg.eigvalsh(tip.covariance_mm2)[-1]))


def wander_mm(tip: Fingertip) -> float:
    """Return the largest standard deviation of where the finger comes down from one placement to the next."""
    return float(np.sqrt(np.linalg.eigvalsh(tip.spread_mm2)[-1]))


def _contacts_section(rest: Rest) -> Section:
    on_mat = ", ".join(sorted({_name(source.mat) for source in _sources(rest)})) or "unknown"
    blocks: list[Block] = [
        Text(
            (
                "A contact is the point where a fingertip's pad meets the mat when both hands rest. Places are in "
                "millimetres from the mat's top-left corner: x to the right, y towards the person.",
            )
        ),
        contacts_plot(rest).picture(
            f"Both hands on the mat ({on_mat}), seen from above.",
            "The contacts of both hands on the mat with their 95 % regions; the table below gives the same in numbers.",
        ),
        _contacts_table(rest),
    ]
    for side in SIDES:
        if any(tip.side == side for tip in rest.fingertips):
            blocks.append(
                contacts_plot(rest, side).picture(
                    f"The {side} hand.", f"The contacts of the {side} hand with their regions, near to."
                )
            )
    if rest.notes:
        blocks.append(Text(tuple(_line(note) for note in rest.notes), "note"))
    return Section("contacts", "Contacts", tuple(blocks))


def _line(text: str) -> str:
    """Return a text on one line, without characters that break a page, cut where it would fill one."""
    return clean_label(text, _LONGEST_LINE)


def _contacts_table(rest: Rest) -> Table:
    rows = []
    for tip in rest.fingertips:
        wanders = f"{wander_mm(tip):.1f}" + (" (assumed)" if tip.spread_is_assumed else "")
        rows.append(
            (
                f"{tip.side} {tip.finger}" + (" (hidden)" if tip.hidden else ""),
                f"{tip.contact_mm[0]:.1f}",
                f"{tip.contact_mm[1]:.1f}",
                f"±{reach_95_mm(tip):.1f}",
                wanders,
                f"{tip.placements}",
            )
        )
    notes = [
        "95 % within: the longest half axis of the region that holds the contact's true place in 95 of 100 cases "
        + ("(of the mean over placements)." if rest.placement_count > 1 else "(of this one placement)."),
        "Wanders by: standard deviation of where the finger comes down, from one placement to the next, in the "
        "direction in which that is largest.",
    ]
    if any(tip.spread_is_assumed for tip in rest.fingertips):
        notes.append("Assumed: one placement cannot tell how far the fingers wander; 3 mm are taken, from memory.")
    if any(tip.hidden for tip in rest.fingertips):
        notes.append("Hidden: seen in no photo; the region is the one that is still honest.")
    columns = (
        Column("Finger", share=1.5),
        Column("x, mm", "number"),
        Column("y, mm", "number"),
        Column("95 % within, mm", "number", 1.2),
        Column("wanders by, mm", "number", 1.4),
        Column("placements", "number"),
    )
    return Table("Contacts, with uncertainty and spread", columns, tuple(rows), tuple(notes))


# Photos


def _photos_section(photos: Sequence[SeenPhoto]) -> Section | None:
    if not photos:
        return None
    blocks: list[Block] = [
        Text(
            (
                "Each photo with what was measured in it: discs are contacts of the left hand, diamonds those of the "
                "right, with their 95 % regions; hollow ones are hidden. Look whether each point lies where the finger "
                "touches.",
            )
        )
    ]
    for photo in photos:
        what = f"{_name(photo.name)}: placement {photo.placement} of {_name(photo.session)}"
        if photo.with_layout:
            what += ", with the layout's panel and holes"
        blocks.append(
            Picture(
                f"{what}.",
                f"Photo {_name(photo.name)} of the hands on the mat, with the measured contacts drawn on it.",
                photo.jpeg,
                "jpeg",
                photo.size_px,
                130.0 if photo.size_px[0] >= photo.size_px[1] else 100.0,
            )
        )
    return Section("photos", "Photos", tuple(blocks))


# Posture


def _posture_section(rest: Rest) -> Section | None:
    if not rest.hands or not rest.placements:
        return None
    from handcapture.measures import CAUTION, NORMAL_95, measures, posture_text

    found = measures(rest)
    signs = {"deg": "°", "mm": " mm", "%": " %"}
    rows = []
    for measure in found:
        name = measure.name + (f", {measure.side}" if measure.side else "")
        if measure.value is None or measure.sd is None:
            rows.append((name, "not seen", "", "", f"{measure.placements}"))
            continue
        digits = 1 if measure.unit == "deg" else 0
        wander = "" if measure.wander_sd is None else f"{measure.wander_sd:.{digits}f}"
        rows.append(
            (
                name,
                f"{measure.value:.{digits}f}{signs[measure.unit]}",
                f"±{NORMAL_95 * measure.sd:.{digits}f}",
                wander,
                f"{measure.placements}",
            )
        )
    table = Table(
        "Measures of posture",
        (
            Column("Measure", share=2.2),
            Column("value", "number"),
            Column("95 % within", "number"),
            Column("wanders by", "number"),
            Column("placements", "number"),
        ),
        tuple(rows),
        ("Wrist deviation is positive towards the little finger (ulnar) on both hands.",),
    )
    lines = posture_text(found).partition("\n\n")[2].splitlines()
    return Section("posture", "Posture", (table, Text(tuple(line for line in lines if line and line != CAUTION))))


# Sessions compared


def compared(inputs: Inputs) -> tuple[Comparison, ...]:
    """Return the comparisons of each earlier session with the present one. InputError names the files."""
    found = []
    for earlier in inputs.earlier:
        try:
            found.append(compare_sessions(earlier.rest, inputs.session.rest, inputs.margin_mm, inputs.margin_deg))
        except InputError as error:
            raise InputError(f"{earlier.name} and {inputs.session.name} cannot be compared: {error}") from None
    return tuple(found)


def _changes_section(inputs: Inputs) -> Section | None:
    if not inputs.earlier:
        return None
    blocks: list[Block] = [
        Text(
            (
                "A finger is compared in the frame of its hand, so that it does not matter where the hands lay on the "
                "mat. Arrows run from where the finger came down in the earlier session to where it comes down now; a "
                "region holds the true difference in 93 to 95 of 100 cases (by simulation).",
            )
        )
    ]
    for earlier, comparison in zip(inputs.earlier, compared(inputs), strict=True):
        blocks.append(Heading(f"Since {_called(earlier)}"))
        blocks.append(_changes_table(comparison))
        for side in SIDES:
            plot = change_plot(earlier.rest, comparison, side)
            if plot is not None:
                blocks.append(
                    plot.picture(
                        f"The {side} hand: differences since {_called(earlier)}.",
                        f"Arrows from the {side} hand's contacts before to those after; the table gives the numbers.",
                    )
                )
        blocks.append(Text(tuple(_line(line) for line in compare_text(comparison).splitlines())))
    if len(inputs.earlier) > 1:
        blocks += _trend_blocks(inputs)
    return Section("changes", "What changed", tuple(blocks))


def _changes_table(comparison: Comparison) -> Table:
    return Table(
        "Fingers relative to their hands",
        (
            Column("Finger", share=1.2),
            Column("Verdict", share=2.0),
            Column("differs by, mm", "number"),
            Column("known to, mm", "number"),
            Column("at most, mm", "number"),
            Column("placements", "number"),
        ),
        tuple(_change_row(change, comparison.margin_mm) for change in comparison.fingers),
        (
            "Known to: 95 %, in the direction of the difference. At most: so far from zero its 95 % region reaches. "
            "Placements: before, after.",
        ),
    )


def _change_row(f: FingerChange, margin_mm: float) -> tuple[str, ...]:
    counts = f"{f.placements[0]}, {f.placements[1]}"
    name = f"{f.side} {f.finger}"
    if f.distance_mm is None:
        return (name, f"cannot tell: {f.reason}", "-", "-", "-", counts)
    verdict = finger_verdict(f, margin_mm)
    if f.placements_needed is not None:
        verdict += f" yet; {f.placements_needed} placements in each session should"
    return (name, verdict, f"{f.distance_mm:.1f}", f"±{_figure(f.known_to_mm)}", _figure(f.at_most_mm), counts)


def _figure(value: float | None) -> str:
    return "unknown" if value is None or not math.isfinite(value) else f"{value:.1f}"


def _trend_blocks(inputs: Inputs) -> list[Block]:
    from handcapture.sessions import trends, trends_text

    sessions = [*inputs.earlier, inputs.session]
    days = days_of([session.when for session in sessions])
    heading = Heading("All sessions")
    without = [_name(session.name) for session, day in zip(sessions, days, strict=True) if day is None]
    if without:
        told = f"No trend is drawn: it is not known when {', '.join(without)} {'was' if len(without) == 1 else 'were'}"
        return [heading, Text((f"{told} measured.",), "note")]
    timed = [(day, session.rest) for session, day in zip(sessions, days, strict=True) if day is not None]
    try:
        found: Sequence[Trend] = trends(timed, inputs.margin_mm, inputs.margin_deg)
    except InputError as error:
        return [heading, Text((f"No trend is drawn: {error}",), "note")]
    lines = trends_text(found).splitlines()
    if all(trend.fit is None for trend in found):
        lines = lines[-1:]
    blocks: list[Block] = [heading, Text(tuple(_line(line) for line in lines))]
    for side, what in (("left", "The left hand's fingers"), ("right", "The right hand's fingers"), (None, "Posture")):
        plot = trend_plot(found, side)  # type: ignore[arg-type]
        if plot is not None:
            caption = f"{what} over the sessions; bars are 95 % of a session's own error."
            if side is not None:
                caption = f"{what} relative to the hand over the sessions; bars are 95 % of a session's own error."
            blocks.append(plot.picture(caption, f"{what} over the sessions, one small plot each."))
    return blocks


# Layout


def _layout_section(inputs: Inputs) -> Section | None:
    if inputs.layout is None:
        return None
    layout = inputs.layout.layout
    fitted_to = _fitted_to(layout, inputs)
    blocks: list[Block] = []
    warning = build_warning(layout)
    if warning:
        blocks.append(Text((warning,), "caution"))
    here = fitted_to is inputs.session
    words = f"{_name(layout.panel.name)}: {panel_words(layout.panel)}."
    if here:
        words += " It was fitted to this rest."
    elif fitted_to is not None:
        words += f" It was fitted to an earlier session, {_called(fitted_to)}, whose contacts are drawn."
    else:
        words += " It was fitted to another rest, or does not say to which; no contacts are drawn."
    blocks.append(Text((words,)))
    plot = layout_plot(layout, fitted_to.rest if fitted_to is not None else None)
    blocks.append(
        plot.picture(
            f"{_name(layout.name)}, revision {_name(layout.revision)}, seen from above; the person's edge is below.",
            "The panel with its holes; the table below gives their places.",
        )
    )
    blocks += [_buttons_table(layout, here), _findings_block(layout)]
    return Section("layout", "Layout", tuple(blocks))


def _fitted_to(layout: Layout, inputs: Inputs) -> Session | None:
    sessions = (inputs.session, *inputs.earlier)
    return next((session for session in sessions if rest_sha256(session.rest) == layout.rest_sha256), None)


def _buttons_table(layout: Layout, fitted_here: bool) -> Table:
    rows = []
    for button in layout.buttons:
        landing = button.landing_probability
        rows.append(
            (
                _name(button.label),
                f"{button.side} {button.finger}" + (", far" if button.row == "far" else ""),
                format_mm(button.hole_mm),
                f"{button.centre_mm[0]:.1f}",
                f"{button.centre_mm[1]:.1f}",
                "fixed" if button.fixed else f"{button.moved_mm:.1f}",
                "-" if landing is None else f"{100 * landing:.0f}",
            )
        )
    columns = (
        Column("Button", share=1.7),
        Column("Finger", share=1.5),
        Column("hole, mm", "number"),
        Column("x, mm", "number"),
        Column("y, mm", "number"),
        Column("off its wish, mm", "number", 1.1),
        Column("lands, %" if fitted_here else "landed then, %", "number"),
    )
    note = (
        "Centres from the panel's top-left corner. Off its wish: how far the fit had to move it from where its finger "
        "wants it. Lands: in so many of 100 placements the finger lands on the plunger."
    )
    if not fitted_here:
        note += " Wishes and landings are those of the rest that it was fitted to, not of this one."
    notes = (note,)
    return Table("Buttons", columns, tuple(rows), notes)


def _findings_block(layout: Layout) -> Block:
    if not layout.findings:
        return Text(("The checks of the layout found nothing.",))
    rows = []
    for finding in layout.findings:
        text = _line(f"{finding.message} {finding.remedy}")
        if finding.waived is not None:
            text += f" Waived: {_line(finding.waived) or 'no reason given'}"
        severity = finding.severity + (", waived" if finding.waived is not None else "")
        rows.append((severity, _name(finding.code), text))
    notes = ("An error must not be cut; a warning deserves a look; advice is for comfort.",)
    columns = (
        Column("Finding", share=1.0),
        Column("Code", share=1.2),
        Column("What, and what would mend it", share=4.0),
    )
    return Table("Findings", columns, tuple(rows), notes)


# Checks


def _checks_section(checks: Sequence[NamedCheck], layout: NamedLayout | None) -> Section | None:
    if not checks:
        return None
    blocks: list[Block] = [
        Text(
            (
                "The hands laid on a printed template: where each finger lands, seen from its hole's centre, and "
                "whether the hole should move.",
            )
        )
    ]
    for named in checks:
        check = named.check
        revision = f", revision {_name(check.revision)}" if check.revision else ""
        blocks.append(Heading(f"{_name(check.layout)}{revision} ({_name(named.name)})"))
        if layout is not None and (check.layout, check.revision) != (layout.layout.name, layout.layout.revision):
            told = "This check is of another layout or revision than the one above."
            blocks.append(Text((told,), "note"))
        plot = check_plot(check)
        if plot is not None:
            blocks.append(
                plot.picture(
                    f"{_name(check.layout)}{revision} on {_count(check.placements, 'placement')}.",
                    "The template's holes with the mean landing of each finger; the table gives the numbers.",
                )
            )
        blocks.append(_check_table(named))
        if check.notes:
            blocks.append(Text(tuple(_line(note) for note in check.notes), "note"))
    return Section("checks", "Checks on a printed template", tuple(blocks))


def _check_table(named: NamedCheck) -> Table:
    columns = (
        Column("Button", share=1.5),
        Column("Verdict", share=2.4),
        Column("Finger", share=1.2),
        Column("lands off by, mm", "number"),
        Column("known to, mm", "number"),
        Column("on the plunger, %", "number"),
    )
    notes = (
        "Lands off by: from the hole's centre to where the finger comes down, on average. Known to: 95 %, in that "
        "direction. Buttons of other rows are not rested on.",
    )
    return Table("Landings", columns, tuple(_check_row(button) for button in named.check.buttons), notes)


def _check_row(button: CheckedButton) -> tuple[str, ...]:
    label, finger = _name(button.label), f"{button.side} {button.finger}" + (", far" if button.row == "far" else "")
    if button.offset_mm is None:
        return (label, "not rested on", finger, "-", "-", "-")
    known = "-"
    away = math.hypot(*button.offset_mm)
    if button.offset_covariance_mm2 is not None:
        along = np.array(button.offset_mm) / max(away, 1e-9)
        known = (
            f"±{math.sqrt(NORMAL_95 / (along @ np.linalg.pinv(np.array(button.offset_covariance_mm2)) @ along)):.1f}"
        )
    within = "-" if button.within_plunger is None else f"{100 * button.within_plunger:.0f}"
    verdict = _line(button.verdict)
    if button.move_mm is not None:
        verdict = f"move {way(*button.move_mm)}"
    return (label, verdict, finger, f"{away:.1f}", known, within)


def way(x: float, y: float) -> str:
    """Say a move in words: along the width, and towards or away from the person."""
    parts = [f"{abs(x):.1f} mm {'right' if x > 0 else 'left'}"] if abs(x) >= 0.05 else []
    parts += [f"{abs(y):.1f} mm {'towards you' if y > 0 else 'away from you'}"] if abs(y) >= 0.05 else []
    return ", ".join(parts)


# Where it all comes from


def print_scale_words(source: Source) -> str:
    """Say how large the print was taken to be, how surely, and by what."""
    x, y = (100 * part for part in source.print_scale)
    sd = source.print_scale_sd
    if sd >= UNVERIFIED_SCALE_SD - 1e-9:
        how = "not verified"
    elif abs(sd - RULER_SD_MM / 150.0) < 1e-6:
        how = "verified with a ruler"
    else:
        how = "verified with a card"
    return f"{x:.2f} × {y:.2f} % (± {200 * sd:.2f} %), {how}"


def _provenance_section(inputs: Inputs) -> Section:
    sessions = (inputs.session, *inputs.earlier)
    facts = [("Program", f"handcapture {__version__}")]
    for session in sessions:
        words = sorted({print_scale_words(source) for source in _sources(session.rest)})
        mats = sorted({_name(source.mat) for source in _sources(session.rest)})
        called = f" of {_name(session.name)}" if len(sessions) > 1 else ""
        facts.append((f"Mat{called}", ", ".join(mats) or "unknown"))
        facts.append((f"Print scale{called}", "; ".join(words) or "unknown"))
    blocks: list[Block] = [Facts(tuple(facts))]
    if any(s.print_scale_sd >= UNVERIFIED_SCALE_SD - 1e-9 for session in sessions for s in _sources(session.rest)):
        told = (
            "The size of a print was not verified: all places may be up to 0.6 % too far apart or too near together. "
            "Measure the rules of the mat, or use a card."
        )
        blocks.append(Text((told,), "note"))
    rows = [(_name(session.name), "rest", rest_sha256(session.rest)) for session in sessions]
    if inputs.layout is not None:
        rows.append((_name(inputs.layout.name), "fitted to the rest", inputs.layout.layout.rest_sha256 or "not told"))
    rows += [(_name(named.name), "the check's file", named.sha256) for named in inputs.checks]
    blocks.append(
        Table(
            "Documents",
            (Column("Document", share=1.4), Column("Hash of", share=1.0), Column("SHA-256", "code", 3.2)),
            tuple(rows),
            ("The hash of a rest is taken of its content; layouts name it to say which rest they were fitted to.",),
        )
    )
    photos = [(session, source) for session in sessions for source in _sources(session.rest)]
    if photos:
        blocks.append(
            Table(
                "Photos",
                (
                    Column("Photo", share=1.4),
                    Column("taken", share=1.1),
                    Column("tilt", "number", 0.6),
                    Column("height, mm", "number", 0.7),
                    Column("mm per px", "number", 0.7),
                    Column("marks within, px", "number", 0.8),
                    Column("SHA-256", "code", 2.6),
                ),
                tuple(_photo_row(session, source, len(sessions) > 1) for session, source in photos),
            )
        )
    return Section("provenance", "Where this comes from", tuple(blocks))


def _photo_row(session: Session, source: Source, several: bool) -> tuple[str, ...]:
    name = _name(source.photo_name) + (f" ({_name(session.name)})" if several else "")
    return (
        name,
        _name((source.captured_at or "not known").replace("T", " ")),
        f"{source.tilt_deg:.0f}°",
        f"{source.height_mm:.0f}",
        f"{source.mm_per_px:.3f}",
        f"{source.rms_px:.2f}",
        _name(source.photo_sha256),
    )


def _cautions_section() -> Section:
    before_cutting = " ".join(line for line in CAUTIONS.splitlines() if "medical advice" not in line)
    return Section("cautions", "Cautions", (Text((CLINICIAN, before_cutting), "caution"),))
