"""The panel in true size on several sheets of plain paper, to be taped together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from handcapture.drawings.common import box_of, circle_points, drawing_notes, outline_points
from handcapture.drawings.labels import box_around, box_meets_discs, boxes_meet, disc_array
from handcapture.drawings.printed_panel import NAME_MM, Text, checked_title, draw_panel, panel_texts
from handcapture.drawings.surroundings import edges_of, hole_discs, names_on, panel_box
from handcapture.errors import InputError
from handcapture.layout.model import Layout, Panel, Point
from handcapture.mat.geometry import MATS, RULE_MM
from handcapture.pdf_canvas import (
    ACTUAL_SIZE,
    FAINT_MM,
    LINE_MM,
    MM_TO_POINTS,
    RULE_CHECK,
    Pen,
    new_canvas,
)

PAPERS_MM: Final[dict[str, Point]] = {name: mat.size_mm for name, mat in MATS.items() if len(mat.sheets) == 1}
"""Width and height, lying. ISO 216 and ANSI/ASME Y14.1 sizes, as the mats have them."""
OVERLAP_MM: Final = 15.0
_MARGIN_MM: Final = 8.0
_LEFT_MM: Final = _MARGIN_MM + 9.0
_BOTTOM_MM: Final = _MARGIN_MM + 24.0
_AROUND_MM: Final = 6.0
"""Paper shown around the panel."""
_CROSS_ROOM_MM: Final = 6.0
"""Room of an alignment cross and its number, to every side."""


@dataclass(frozen=True)
class Tiling:
    """How a panel is cut into pages: the page's size, and the span (mm) that each column and row shows."""

    page_mm: Point
    columns: tuple[Point, ...]
    rows: tuple[Point, ...]

    @property
    def pages(self) -> int:
        """Number of pages."""
        return len(self.columns) * len(self.rows)


def tiling(panel: Panel, paper: str) -> Tiling:
    """Return the pages, standing or lying, whichever needs fewer; InputError for an unknown paper."""
    try:
        width, height = PAPERS_MM[paper.lower()]
    except KeyError:
        raise InputError(f"There is no paper called {paper!r}. Choose one of: {', '.join(PAPERS_MM)}.") from None
    choices = [
        Tiling(
            page,
            _spans(panel.width_mm, page[0] - _LEFT_MM - _MARGIN_MM),
            _spans(panel.height_mm, page[1] - _MARGIN_MM - _BOTTOM_MM),
        )
        for page in ((width, height), (height, width))
    ]
    return min(choices, key=lambda choice: choice.pages)


def _spans(length_mm: float, window_mm: float) -> tuple[Point, ...]:
    """Return equal spans that cover a length and the paper around it, neighbours overlapping."""
    whole = length_mm + 2 * _AROUND_MM
    count = 1 if whole <= window_mm else math.ceil((whole - OVERLAP_MM) / (window_mm - OVERLAP_MM))
    span = (whole + (count - 1) * OVERLAP_MM) / count
    starts = (k * (span - OVERLAP_MM) - _AROUND_MM for k in range(count))
    return tuple((start, start + span) for start in starts)


def tiled_pdf(layout: Layout, paper: str) -> bytes:
    """Return the panel in true size on as many pages of plain paper as it takes.

    Pages run row by row. Neighbours share a strip of 15 mm with a dashed line and numbered crosses at the
    same places: cut one page along the line, lay cross on cross, tape. `paper` is a4, letter, a3 or tabloid.
    InputError when the layout cannot be drawn or the paper is unknown.
    """
    title = checked_title(layout, "true size, tiled")
    plan = tiling(layout.panel, paper)
    marks = crosses(plan, layout)
    texts = _texts(layout, plan, marks)
    canvas, buffer = new_canvas(title)
    width, height = plan.page_mm
    for row in range(len(plan.rows)):
        for column in range(len(plan.columns)):
            canvas.setPageSize((width * MM_TO_POINTS, height * MM_TO_POINTS))
            pen = Pen(canvas, height)
            _draw_tile(pen, layout, plan, (row, column), marks, texts)
            _draw_furniture(pen, layout, plan, row, column)
            canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def window_corner_mm(plan: Tiling, row: int, column: int) -> Point:
    """Return the top-left corner of the drawn window on its page: in the middle of the room for it."""
    (left, right), (top, bottom) = plan.columns[column], plan.rows[row]
    spare_x = plan.page_mm[0] - _LEFT_MM - _MARGIN_MM - (right - left)
    spare_y = plan.page_mm[1] - _MARGIN_MM - _BOTTOM_MM - (bottom - top)
    return _LEFT_MM + spare_x / 2, _MARGIN_MM + spare_y / 2


def _draw_tile(
    pen: Pen, layout: Layout, plan: Tiling, place: tuple[int, int], marks: Sequence[Point], texts: Sequence[Text]
) -> None:
    """Draw the part of the panel that falls on the page at this row and column, and the seams with their crosses."""
    row, column = place
    (left, right), (top, bottom) = plan.columns[column], plan.rows[row]
    corner = window_corner_mm(plan, row, column)
    panel_pen = pen.moved((corner[0] - left, corner[1] - top))
    canvas = pen.canvas
    canvas.saveState()
    window = canvas.beginPath()
    x, y = panel_pen.at(left, bottom)
    window.rect(x, y, (right - left) * MM_TO_POINTS, (bottom - top) * MM_TO_POINTS)
    canvas.clipPath(window, stroke=0, fill=0)
    draw_panel(panel_pen, layout, texts, (left, top, right, bottom))
    panel_pen.style(FAINT_MM, 0.5, (3.0, 2.0))
    for seam in _seams(plan.columns):
        panel_pen.line((seam, top), (seam, bottom))
    for seam in _seams(plan.rows):
        panel_pen.line((left, seam), (right, seam))
    for number, (cross_x, cross_y) in enumerate(marks, start=1):
        if left < cross_x < right and top < cross_y < bottom:
            panel_pen.style(LINE_MM, 0.0)
            panel_pen.cross((cross_x, cross_y), 5.0)
            panel_pen.circle((cross_x, cross_y), 2.0)
            panel_pen.text((cross_x + 2.4, cross_y - 2.0), str(number), 2.6, grey=0.0)
    canvas.restoreState()
    pen.style(FAINT_MM, 0.75)
    pen.rectangle(corner, (right - left, bottom - top))


def _seams(spans: tuple[Point, ...]) -> list[float]:
    """Return the middle of each overlap."""
    return [(end + start) / 2 for (_, end), (start, _) in itertools.pairwise(spans)]


def crosses(plan: Tiling, layout: Layout) -> list[Point]:
    """Return the alignment crosses, panel frame: two on each seam of each page, clear of holes, cuts and names.

    They stand at a fifth and four fifths of the seam, or as near to there as there is room.
    """
    panel = layout.panel
    discs = np.add(hole_discs(layout), (0.0, 0.0, _CROSS_ROOM_MM))
    boxes = [box_of(shape) for shape in panel.cuts]
    boxes += [name.box for name in names_on(layout, NAME_MM)]

    lines = [line for k in panel.keep_outs if k.shape == "rectangle" for line in edges_of(box_of(k))]
    circles = [circle_points(k.centre_mm, k.diameter_mm / 2) for k in panel.keep_outs if k.shape == "circle"]
    points = np.vstack([outline_points(panel), *circles])

    def blocked(place: Point) -> float:
        room = box_around(place, (2 * _CROSS_ROOM_MM, 2 * _CROSS_ROOM_MM))
        hard = box_meets_discs(box_around(place, (0.0, 0.0)), discs) + sum(boxes_meet(room, box) for box in boxes)
        # Lines of the drawing only confuse.
        near = np.hypot(*(points - place).T).min() < _CROSS_ROOM_MM or any(boxes_meet(room, line) for line in lines)
        return hard + 0.1 * near

    def on(start: Point, end: Point) -> list[Point]:
        found = []
        for wished, shares in ((0.2, np.arange(0.08, 0.46, 0.02)), (0.8, np.arange(0.55, 0.93, 0.02))):
            ordered = sorted((wished, *shares.tolist()), key=lambda share: abs(share - wished))
            places = [(s * end[0] + (1 - s) * start[0], s * end[1] + (1 - s) * start[1]) for s in ordered]
            found.append(min(places, key=blocked))
        return found

    found: list[Point] = []
    for seam in _seams(plan.columns):
        for top, bottom in plan.rows:
            found += on((seam, top), (seam, bottom))
    for seam in _seams(plan.rows):
        for left, right in plan.columns:
            found += on((left, seam), (right, seam))
    return found


def _texts(layout: Layout, plan: Tiling, marks: Sequence[Point]) -> list[Text]:
    """Return the texts on the panel, clear of the crosses and of the lines where pages are cut."""
    whole = -_AROUND_MM, -_AROUND_MM, layout.panel.width_mm + _AROUND_MM, layout.panel.height_mm + _AROUND_MM
    seams = [(seam - 0.5, whole[1], seam + 0.5, whole[3]) for seam in _seams(plan.columns)]
    seams += [(whole[0], seam - 0.5, whole[2], seam + 0.5) for seam in _seams(plan.rows)]
    spots = disc_array((x, y, _CROSS_ROOM_MM) for x, y in marks)
    return panel_texts(layout, panel_box(layout.panel), spots, seams)


def _draw_furniture(pen: Pen, layout: Layout, plan: Tiling, row: int, column: int) -> None:
    """Draw rules, notes and the page map."""
    width, height = plan.page_mm
    pen.rule((_LEFT_MM, height - _MARGIN_MM), RULE_MM)
    pen.rule((_MARGIN_MM, _MARGIN_MM), RULE_MM, ticks="right")
    number = row * len(plan.columns) + column + 1
    place = f", row {row + 1}, column {column + 1}" if plan.pages > 1 else ""
    lines = [f"Page {number} of {plan.pages}{place}. {ACTUAL_SIZE} {RULE_CHECK}"]
    lines += drawing_notes(layout, kind="Template")
    if plan.pages > 1:
        lines.append("Cut one of two neighbours along the dashed line, lay cross on cross, tape.")
    for k, line in enumerate(lines):
        pen.text(
            (_LEFT_MM, height - _BOTTOM_MM + 4.0 + 3.0 * k), line, 2.3, bold=k == 0 or line.startswith("NOT "), grey=0.0
        )
    if plan.pages == 1:
        return
    cell = min(20.0 / len(plan.columns), 14.0 / len(plan.rows), 7.0)
    left = width - _MARGIN_MM - cell * len(plan.columns)
    top = height - _MARGIN_MM - cell * len(plan.rows)
    pen.style(FAINT_MM, 0.0)
    for r in range(len(plan.rows)):
        for c in range(len(plan.columns)):
            here = (r, c) == (row, column)
            pen.rectangle((left + c * cell, top + r * cell), (cell, cell), fill_grey=0.3 if here else 1.0)
            middle = (left + (c + 0.5) * cell, top + (r + 0.5) * cell)
            text = str(r * len(plan.columns) + c + 1)
            pen.text(middle, text, 0.5 * cell, centred=True, bold=here, grey=1.0 if here else 0.0)
