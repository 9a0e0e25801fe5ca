"""The sheet for the drill press: hole centres from two datum edges, and a table of holes."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from string import ascii_uppercase
from typing import Final

import numpy as np

from handcapture.drawings.common import clean_label, cut_size, format_mm, outline_points
from handcapture.drawings.kerf import cutting
from handcapture.drawings.labels import Obstacles, Wanted, disc_array, middle_of, place_labels
from handcapture.drawings.printed_panel import checked_title
from handcapture.drawings.sheet import (
    CHECK_RULE_MM,
    MARGIN_MM,
    SCALES,
    SCREEN_NOTE,
    Column,
    Picture,
    cautions,
    check_rule,
    frame,
    heading,
    paper_mm,
    paragraph,
    scale_words,
    spread,
    table,
)
from handcapture.drawings.tolerances import NAME, tolerance_mm
from handcapture.errors import InputError
from handcapture.layout.model import Layout, Panel, Point
from handcapture.layout.outline import vertices_of
from handcapture.pdf_canvas import FAINT_MM, LINE_MM, MM_TO_POINTS, Pen, new_canvas, text_length

_LEFT_MM: Final = 24.0
"""Room for the ordinates left of the panel, and below it."""
_BELOW_MM: Final = 24.0
_ABOVE_MM: Final = 7.0
_RIGHT_MM: Final = 7.0
_TABLE_MM: Final = 80.0
_ROW_MM: Final = 4.2
_TYPE_MM: Final = 2.3
_PLACES_NOTE: Final = (
    f"General tolerances {NAME}, plus or minus: up to 6 mm 0.1; over 6 to 30 mm 0.2; over 30 to 120 mm 0.3; "
    "over 120 to 400 mm 0.5; over 400 to 1000 mm 0.8."
)


@dataclass(frozen=True)
class Hole:
    """A round hole on the sheet: its tag (a letter for its size, and a number), centre (panel frame) and diameter."""

    tag: str
    centre_mm: Point
    diameter_mm: float
    label: str


def tagged_holes(layout: Layout) -> list[Hole]:
    """Return the round holes, buttons first, by size in order of appearance; tags A1, A2, B1 and so on."""
    round_ = [(b.centre_mm, b.hole_mm, clean_label(b.label)) for b in layout.buttons]
    round_ += [
        (c.centre_mm, c.diameter_mm, f"{clean_label(c.name)} (cut)") for c in layout.panel.cuts if c.shape == "circle"
    ]
    sizes = list(dict.fromkeys(round(diameter, 3) for _, diameter, _ in round_))
    found = []
    for k, size in enumerate(sizes):
        alike = [hole for hole in round_ if round(hole[1], 3) == size]
        found += [Hole(f"{_letters(k)}{n}", *hole) for n, hole in enumerate(alike, start=1)]
    return found


def _letters(number: int) -> str:
    """Return A to Z, then AA, AB: I and O are left out, they read as 1 and 0."""
    letters = ascii_uppercase.replace("I", "").replace("O", "")
    return ("" if number < len(letters) else _letters(number // len(letters) - 1)) + letters[number % len(letters)]


@dataclass(frozen=True)
class _Plan:
    """Where things stand on the page; `rows` is how many table rows the page holds in each of its columns."""

    page_mm: Point
    picture: Picture
    tables_mm: Point
    rows: int
    columns: int


def drill_sheet_pdf(layout: Layout, paper: str = "a4") -> bytes:
    """Return the sheet for the drill press, a PDF on a4, letter, a3 or tabloid; long tables go on to a second page.

    The panel at the largest of the scales 1:1, 1:2, 1:2.5 and 1:5 that fits; centres as ordinates from the left and the
    bottom edge of its bounding box; sizes by letters. Always at nominal size. InputError when the layout cannot be
    drawn, the paper is unknown, or the panel is too large for it.
    """
    cutting(layout)
    title = checked_title(layout, "drill sheet")
    holes = tagged_holes(layout)
    canvas, buffer = new_canvas(title)
    plan = _plan(layout.panel, paper)
    canvas.setPageSize(tuple(side * MM_TO_POINTS for side in plan.page_mm))
    pen = Pen(canvas, plan.page_mm[1])
    frame(pen, plan.page_mm)
    plan.picture.draw(pen, layout)
    _draw_datums(pen, layout.panel, plan.picture)
    tables_only = not _draw_ordinates(pen, layout, holes, plan)
    _draw_tags(pen, layout, holes, plan.picture)
    left = _draw_tables(pen, plan, _table_rows(layout, holes))
    more = " There are too many centres to draw all ordinates; the table has them." if tables_only else ""
    more += " The table goes on on the next page." if left else ""
    _draw_foot(pen, layout, plan, more)
    canvas.showPage()
    while left:
        canvas.setPageSize(tuple(side * MM_TO_POINTS for side in plan.page_mm))
        frame(pen, plan.page_mm)
        heading(pen, layout, (MARGIN_MM, MARGIN_MM), plan.page_mm[0] - 2 * MARGIN_MM)
        corner = (MARGIN_MM, MARGIN_MM + 24.0)
        rows = int((plan.page_mm[1] - MARGIN_MM - corner[1]) / _ROW_MM)
        columns = int((plan.page_mm[0] - 2 * MARGIN_MM + 4.0) / (_TABLE_MM + 4.0))
        whole = _Plan(plan.page_mm, plan.picture, corner, rows, columns)
        left = _draw_tables(pen, whole, left)
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _foot_mm(page_mm: Point) -> float:
    return 36.0 if page_mm[0] > page_mm[1] else 54.0


def _plan(panel: Panel, paper: str) -> _Plan:
    """Return page and scale: the largest scale that fits, lying if both ways do."""
    long, short = paper_mm(paper)
    best: _Plan | None = None
    for page in ((long, short), (short, long)):
        lying = page[0] > page[1]
        foot = page[1] - MARGIN_MM - _foot_mm(page)
        for scale in SCALES:
            width, height = panel.width_mm / scale, panel.height_mm / scale
            right = MARGIN_MM + _LEFT_MM + width + _RIGHT_MM
            bottom = MARGIN_MM + _ABOVE_MM + height + _BELOW_MM
            tables = (page[0] - MARGIN_MM - _TABLE_MM, MARGIN_MM) if lying else (MARGIN_MM, bottom)
            if lying:
                fits = right + 3.0 <= tables[0] and bottom <= foot
            else:
                fits = right <= page[0] - MARGIN_MM and bottom + 10 * _ROW_MM <= foot
            if not fits:
                continue
            room = (MARGIN_MM + _LEFT_MM, MARGIN_MM + _ABOVE_MM)
            spare = (tables[0] - right if lying else page[0] - MARGIN_MM - right) / 2
            picture = Picture((room[0] + max(spare, 0.0), room[1]), scale)
            rows = int((foot - tables[1] - 2.0) / _ROW_MM)
            if best is None or scale < best.picture.scale:
                best = _Plan(page, picture, tables, rows, 1 if lying else int((page[0] - 16.0) / (_TABLE_MM + 4.0)))
            break
    if best is None:
        raise InputError(
            f"The panel of {format_mm(panel.width_mm)} × {format_mm(panel.height_mm)} mm does not fit on {paper} at "
            f"{scale_words(SCALES[-1])}. Choose a larger paper, or let the shop work from the drill table (.csv)."
        )
    return best


def _draw_datums(pen: Pen, panel: Panel, picture: Picture) -> None:
    """Mark the left and the bottom edge from which everything is counted."""
    (left, top), (right, bottom) = picture.at((0.0, 0.0)), picture.at((panel.width_mm, panel.height_mm))
    pen.style(FAINT_MM, 0.0, (3.0, 1.0, 0.6, 1.0))
    pen.line((left, top - 3.0), (left, bottom))
    pen.line((left, bottom), (right + 3.0, bottom))
    pen.style(0.7, 0.0)
    vertices = vertices_of(panel)
    for (x, y, bulge), (end_x, end_y, _) in pairwise([*vertices, vertices[0]]):
        on_left = max(abs(x), abs(end_x)) < 0.01
        on_bottom = max(abs(y - panel.height_mm), abs(end_y - panel.height_mm)) < 0.01
        if bulge == 0.0 and (on_left or on_bottom):
            pen.line(picture.at((x, y)), picture.at((end_x, end_y)))
    pen.style(LINE_MM, 0.0)
    pen.circle((left, bottom), 1.2)
    pen.text((left + 1.0, top - 3.2), "datum edge x = 0", _TYPE_MM, bold=True, grey=0.0)
    text = "datum edge y = 0"
    pen.text((left - 2.0 - text_length(text, _TYPE_MM, bold=True), bottom + 6.5), text, _TYPE_MM, bold=True, grey=0.0)


def _draw_ordinates(pen: Pen, layout: Layout, holes: list[Hole], plan: _Plan) -> bool:
    """Draw x below and y on the left, each with a line from its centre; False where there are too many to draw."""
    panel, picture = layout.panel, plan.picture
    (left, top), (right, bottom) = picture.at((0.0, 0.0)), picture.at((panel.width_mm, panel.height_mm))
    centres = [hole.centre_mm for hole in holes]
    centres += [cut.centre_mm for cut in panel.cuts if cut.shape == "rectangle"]
    # The outermost centre of a column or row draws the line for all of it.
    across: dict[float, float] = {0.0: panel.height_mm, round(panel.width_mm, 2): panel.height_mm}
    up: dict[float, float] = {0.0: 0.0, round(panel.height_mm, 2): 0.0}
    for x, y in centres:
        across[round(x, 2)] = min(y, across.get(round(x, 2), math.inf))
        height = round(panel.height_mm - y, 2)
        up[height] = max(x, up.get(height, 0.0))
    xs, ys = sorted(across), sorted(up, reverse=True)
    x_places, x_type = _places([left + x / picture.scale for x in xs], left - 20.0, right + 6.0)
    y_places, y_type = _places([bottom - y / picture.scale for y in ys], top - 4.0, bottom + 2.0)
    pen.style(0.1, 0.45)
    for x, place in zip(xs, x_places, strict=bool(x_places)):
        on_page = left + x / picture.scale
        pen.line((on_page, top + across[x] / picture.scale), (on_page, bottom + 2.0))
        pen.line((on_page, bottom + 2.0), (place, bottom + 7.0))
        pen.line((place, bottom + 7.0), (place, bottom + 9.0))
    for y, place in zip(ys, y_places, strict=bool(y_places)):
        on_page = bottom - y / picture.scale
        pen.line((left + up[y] / picture.scale, on_page), (left - 2.0, on_page))
        pen.line((left - 2.0, on_page), (left - 7.0, place))
        pen.line((left - 7.0, place), (left - 9.0, place))
    for x, place in zip(xs, x_places, strict=bool(x_places)):
        text = _ordinate(x)
        foot = bottom + 9.6 + text_length(text, x_type)
        pen.text((place + 0.36 * x_type, foot), text, x_type, grey=0.0, turned=True)
    for y, place in zip(ys, y_places, strict=bool(y_places)):
        text = _ordinate(y)
        pen.text((left - 9.6 - text_length(text, y_type), place + 0.36 * y_type), text, y_type, grey=0.0)
    return bool(x_places) and bool(y_places)


def _places(wished: list[float], low: float, high: float) -> tuple[list[float], float]:
    """Return where ordinates stand and their type size; none where even the smallest type is too large."""
    for size in (_TYPE_MM, 2.0, 1.7, 1.5):
        if (len(wished) - 1) * 1.25 * size <= high - low:
            return spread(wished, 1.25 * size, low, high), size
    return [], _TYPE_MM


def _ordinate(value: float) -> str:
    return "0" if value == 0.0 else f"{value:.2f}"


def _draw_tags(pen: Pen, layout: Layout, holes: list[Hole], picture: Picture) -> None:
    """Draw centre marks, and each hole's tag in it or beside it."""
    pen.style(FAINT_MM, 0.0)
    discs = disc_array((*picture.at(h.centre_mm), h.diameter_mm / 2 / picture.scale) for h in holes)
    for cut in layout.panel.cuts:
        if cut.shape == "rectangle":
            pen.cross(picture.at(cut.centre_mm), min(2.0, min(cut.size_mm) / 4 / picture.scale))
    for hole in holes:
        pen.cross(picture.at(hole.centre_mm), min(2.0, 0.7 * hole.diameter_mm / 2 / picture.scale))
    beside: list[tuple[str, Wanted]] = []
    for hole, (x, y, radius) in zip(holes, discs.tolist(), strict=True):
        length = text_length(hole.tag, _TYPE_MM, bold=True)
        # Right of and above the centre: the lines of the ordinates run left and down.
        if length < 0.75 * radius:
            pen.text((x + 0.12 * radius, y - 0.18 * radius), hole.tag, _TYPE_MM, bold=True, grey=0.0)
        else:
            beside.append((hole.tag, Wanted((x, y), radius, (length, _TYPE_MM), (1.0, -0.8))))
    (left, top), (right, bottom) = (
        picture.at((0.0, 0.0)),
        picture.at((layout.panel.width_mm, layout.panel.height_mm)),
    )
    line = disc_array((*picture.at((x, y)), 0.4) for x, y in outline_points(layout.panel, picture.scale).tolist())
    found = Obstacles(np.vstack([discs, line]), disc_array(()), (), (left + 0.5, top + 0.5, right - 0.5, bottom - 0.5))
    for (tag, _), box in zip(beside, place_labels([wanted for _, wanted in beside], found, gap=0.5), strict=True):
        pen.text(middle_of(box), tag, _TYPE_MM, bold=True, grey=0.0, centred=True)


_SIZES: Final = (
    Column("Size", 12.0),
    Column("Ø mm", 18.0, True),
    Column("±", 14.0, True),
    Column("How many", 36.0, True),
)
_HOLES: Final = (
    Column("Hole", 11.0),
    Column("x", 13.0, True),
    Column("y", 13.0, True),
    Column("Ø", 9.0, True),
    Column("Label", 34.0),
)
_CUTS: Final = (Column("Cut, not round", 26.0), Column("x", 13.5, True), Column("y", 13.5, True), Column("Size", 27.0))

_Rows = list[tuple[tuple[Column, ...], tuple[str, ...]]]


def _table_rows(layout: Layout, holes: list[Hole]) -> _Rows:
    """Return the rows of all three tables, each with its columns."""
    rows: _Rows = []
    for letter in dict.fromkeys(hole.tag.rstrip("0123456789") for hole in holes):
        alike = [hole for hole in holes if hole.tag.rstrip("0123456789") == letter]
        size = alike[0].diameter_mm
        rows.append((_SIZES, (letter, format_mm(size), tolerance_words(size), str(len(alike)))))
    for hole in holes:
        x, y = hole.centre_mm[0], layout.panel.height_mm - hole.centre_mm[1]
        rows.append((_HOLES, (hole.tag, f"{x:.2f}", f"{y:.2f}", format_mm(hole.diameter_mm), hole.label)))
    for cut in layout.panel.cuts:
        if cut.shape == "rectangle":
            x, y = cut.centre_mm[0], layout.panel.height_mm - cut.centre_mm[1]
            rows.append((_CUTS, (clean_label(cut.name), f"{x:.2f}", f"{y:.2f}", cut_size(cut))))
    return rows


def tolerance_words(size_mm: float) -> str:
    """Return the general tolerance of a size, or a dash where the standard has none."""
    try:
        return format_mm(tolerance_mm(size_mm))
    except InputError:
        return "–"


def _draw_tables(pen: Pen, plan: _Plan, rows: _Rows) -> _Rows:
    """Draw as many rows as there is room for, column by column; return those that are left."""
    for column in range(plan.columns):
        x, y, room = plan.tables_mm[0] + column * (_TABLE_MM + 4.0), plan.tables_mm[1], plan.rows
        while rows and room >= 2:
            kind = rows[0][0]
            count = next((k for k, row in enumerate(rows) if row[0] != kind), len(rows))
            count = min(count, room - 1)
            y = table(pen, (x, y), kind, [row for _, row in rows[:count]], _ROW_MM) + 0.5 * _ROW_MM
            rows = rows[count:]
            room -= count + 2
    return rows


def _draw_foot(pen: Pen, layout: Layout, plan: _Plan, more: str) -> None:
    """Draw heading, rule, notes (with what `more` there is to say) and cautions."""
    width, height = plan.page_mm
    top = height - MARGIN_MM - _foot_mm(plan.page_mm) + 2.0
    pen.style(LINE_MM, 0.0)
    pen.line((MARGIN_MM - 3.0, top - 1.0), (width - MARGIN_MM + 3.0, top - 1.0))
    lying = width > height
    notes = f"Scale {scale_words(plan.picture.scale)}. {SCREEN_NOTE} Nominal: no kerf allowance."
    notes += " x counts from the left datum edge to the right, y from the bottom one up."
    if layout.panel.outline:
        notes += " The datum edges are the left and the bottom of the box round the outline."
    notes += more
    notes += f" {_PLACES_NOTE}"
    rule_mm = CHECK_RULE_MM + 8.0
    if lying:
        first = width - 2 * MARGIN_MM - 2 * rule_mm + 10.0
        heading(pen, layout, (MARGIN_MM, top + 1.0), min(first, 90.0))
        x = MARGIN_MM + min(first, 90.0) + 5.0
        paragraph(pen, (x, top + 1.0), notes, 2.1, rule_mm - 4.0)
        check_rule(pen, (x, height - MARGIN_MM - 3.0))
        x += rule_mm
        paragraph(pen, (x, top + 1.0), cautions(), 2.1, width - MARGIN_MM - x)
        return
    half = (width - 2 * MARGIN_MM) / 2
    left_end = heading(pen, layout, (MARGIN_MM, top + 1.0), half - 4.0)
    right_end = paragraph(pen, (MARGIN_MM + half, top + 1.0), cautions(), 2.1, half)
    paragraph(pen, (MARGIN_MM, max(left_end, right_end) + 2.5), notes, 2.1, 2 * half)
    check_rule(pen, (MARGIN_MM, height - MARGIN_MM - 3.0))
