"""The holes in true size on a mat: a print to lay the hands on, measured by the same marks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from handcapture.drawings.common import (
    box_of,
    build_warning,
    check_drawable,
    drawing_notes,
    format_mm,
    outline_points,
)
from handcapture.drawings.labels import Box, Obstacles, box_around, box_is_free, disc_array, place_block
from handcapture.drawings.printed_panel import (
    Text,
    checked_title,
    draw_panel,
    edge_note,
    panel_corners,
    panel_texts,
    template_line,
)
from handcapture.drawings.surroundings import hole_discs
from handcapture.errors import InputError
from handcapture.layout.model import Layout, Point
from handcapture.layout.outline import obstacles_of
from handcapture.lettering import text_width
from handcapture.mat.geometry import LEAST_MARGIN_MM, RULE_MM, Mat, Rectangle, Sheet
from handcapture.mat.printing import draw_sheet
from handcapture.pdf_canvas import (
    ACTUAL_SIZE,
    MM_TO_POINTS,
    RULE_CHECK,
    Pen,
    new_canvas,
)

_TYPE_MM: Final = 2.4
RING_CLEARANCE_MM: Final = 1.0
DOT_CLEARANCE_MM: Final = 4.5
"""Radius kept free around an interior saddle: its squares reach 3.1 mm, a photo blurs them a little."""


def template_origin(layout: Layout, mat: Mat, *, recentre: bool = False) -> Point:
    """Return where the panel's top-left corner lies on the template, mat frame, mm.

    That is the layout's own panel origin, where the fingers were measured, if all holes fall on quiet paper
    there and `recentre` is not asked for. Otherwise the panel, or if that is larger than the quiet paper the
    middle of its holes, is put in the middle of the mat. InputError when the holes do not fit even so.
    """
    check_drawable(layout)
    quiet = quiet_paper(mat)
    if not recentre and _holes_fit(layout, layout.panel_origin_mm, quiet):
        return layout.panel_origin_mm
    middle_x, middle_y = quiet.x_mm + quiet.width_mm / 2, quiet.y_mm + quiet.height_mm / 2
    origin = (middle_x - layout.panel.width_mm / 2, middle_y - layout.panel.height_mm / 2)
    if _holes_fit(layout, origin, quiet):
        return origin
    left, top, right, bottom = _holes_box(layout)
    origin = (middle_x - (left + right) / 2, middle_y - (top + bottom) / 2)
    if _holes_fit(layout, origin, quiet):
        return origin
    raise InputError(
        f"The holes span {format_mm(right - left)} × {format_mm(bottom - top)} mm, but the {mat.title} mat "
        f"has only {format_mm(quiet.width_mm)} × {format_mm(quiet.height_mm)} mm of quiet paper. "
        "Use a larger mat, or print the panel tiled on plain paper."
    )


def template_pdf(layout: Layout, mat: Mat, *, recentre: bool = False) -> bytes:
    """Return a PDF with one page for each sheet of the mat: its marks, and the panel's holes in true size.

    The panel lies where `template_origin` puts it, which each page states. No line of the template comes
    within `DOT_CLEARANCE_MM` of an interior saddle or onto the ring: there it is left out. InputError when
    the layout cannot be drawn or its holes do not fit the mat.
    """
    title = checked_title(layout, f"true-size template on the {mat.title} mat")
    origin = template_origin(layout, mat, recentre=recentre)
    canvas, buffer = new_canvas(title)
    texts = _texts(layout, mat, origin)
    for sheet, offset in zip(mat.sheets, mat.nominal_offsets_mm, strict=True):
        canvas.setPageSize((sheet.width_mm * MM_TO_POINTS, sheet.height_mm * MM_TO_POINTS))
        draw_sheet(canvas, sheet, furniture=False)
        pen = Pen(canvas, sheet.height_mm)
        canvas.saveState()
        _clip_to_quiet_paper(pen, sheet)
        corner = (origin[0] - offset[0], origin[1] - offset[1])
        dots = disc_array((float(x), float(y), DOT_CLEARANCE_MM) for x, y in sheet.dots_mm)
        quiet = quiet_box(sheet, (-corner[0], -corner[1]))
        here = list(texts)
        if not _panel_is_whole(layout, mat, origin):
            here += edge_note(layout, quiet, dots - (*corner, 0.0), _moved(_rule_boxes(sheet), corner), texts)
        draw_panel(pen.moved(corner), layout, here, quiet, bodies=False)
        _draw_notes(pen, layout, mat, sheet, origin, corner, here)
        canvas.restoreState()
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def quiet_paper(mat: Mat) -> Rectangle:
    """Return the paper inside the ring, mat frame, for a pair across the seam, less a small clearance."""
    start, end = mat.sheets[0].interior, mat.sheets[-1].interior
    right = mat.nominal_offsets_mm[-1][0] + end.x_mm + end.width_mm
    return Rectangle(
        start.x_mm + RING_CLEARANCE_MM,
        start.y_mm + RING_CLEARANCE_MM,
        right - start.x_mm - 2 * RING_CLEARANCE_MM,
        start.height_mm - 2 * RING_CLEARANCE_MM,
    )


def _texts(layout: Layout, mat: Mat, origin: Point) -> list[Text]:
    """Return the texts on the panel: none on a saddle, on a rule, or so near to a seam that a printer cuts it off."""
    dots, boxes = [], []
    for sheet, offset in zip(mat.sheets, mat.nominal_offsets_mm, strict=True):
        corner = (origin[0] - offset[0], origin[1] - offset[1])
        dots += [(float(x) - corner[0], float(y) - corner[1], DOT_CLEARANCE_MM) for x, y in sheet.dots_mm]
        boxes += _moved(_rule_boxes(sheet), corner)
        if sheet.seam is not None:
            seam = (sheet.width_mm if sheet.seam == "right" else 0.0) - corner[0]
            boxes.append((seam - LEAST_MARGIN_MM, -corner[1], seam + LEAST_MARGIN_MM, sheet.height_mm - corner[1]))
    quiet = quiet_paper(mat)
    left, top = quiet.x_mm - origin[0], quiet.y_mm - origin[1]
    bounds = (left + 1.0, top + 1.0, left + quiet.width_mm - 1.0, top + quiet.height_mm - 1.0)
    return panel_texts(layout, bounds, disc_array(dots), boxes)


def _moved(boxes: list[Box], corner: Point) -> list[Box]:
    """Return boxes of a sheet in the frame of the panel that lies at `corner`."""
    x, y = corner
    return [(left - x, top - y, right - x, bottom - y) for left, top, right, bottom in boxes]


def _rule_boxes(sheet: Sheet) -> list[Box]:
    """Return the room of the two rules, sheet frame."""
    (rule_x, rule_y), (side_x, side_y) = sheet.rule_x_mm[0], sheet.rule_y_mm[0]
    before, behind = (4.5, 5.5) if sheet.seam == "left" else (5.5, 4.5)  # ticks here, numbers there
    return [
        (rule_x - 1.0, rule_y - 5.0, rule_x + RULE_MM + 6.0, rule_y + 1.0),
        (side_x - before, side_y - 2.0, side_x + behind, side_y + RULE_MM + 2.0),
    ]


def quiet_box(sheet: Sheet, shift: Point = (0.0, 0.0)) -> Box:
    """Return one sheet's paper inside the ring, where lines are drawn, as a box that is moved by `shift`."""
    inside = sheet.interior
    left = inside.x_mm + (RING_CLEARANCE_MM if sheet.seam != "left" else 0.0)
    right = inside.x_mm + inside.width_mm - (RING_CLEARANCE_MM if sheet.seam != "right" else 0.0)
    top, bottom = inside.y_mm + RING_CLEARANCE_MM, inside.y_mm + inside.height_mm - RING_CLEARANCE_MM
    return left + shift[0], top + shift[1], right + shift[0], bottom + shift[1]


def _panel_is_whole(layout: Layout, mat: Mat, origin: Point) -> bool:
    """Tell whether the panel's edge lies on quiet paper all round."""
    panel, quiet = layout.panel, quiet_paper(mat)
    inside = origin[0] >= quiet.x_mm and origin[1] >= quiet.y_mm
    inside &= origin[0] + panel.width_mm <= quiet.x_mm + quiet.width_mm
    return inside and origin[1] + panel.height_mm <= quiet.y_mm + quiet.height_mm


def _holes_box(layout: Layout) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom of all holes, panel frame; all 0 without buttons."""
    boxes = [
        (
            b.centre_mm[0] - b.hole_mm / 2,
            b.centre_mm[1] - b.hole_mm / 2,
            b.centre_mm[0] + b.hole_mm / 2,
            b.centre_mm[1] + b.hole_mm / 2,
        )
        for b in layout.buttons
    ]
    if not boxes:
        return 0.0, 0.0, 0.0, 0.0
    lefts, tops, rights, bottoms = zip(*boxes, strict=True)
    return min(lefts), min(tops), max(rights), max(bottoms)


def _holes_fit(layout: Layout, origin: Point, quiet: Rectangle) -> bool:
    left, top, right, bottom = _holes_box(layout)
    return (
        origin[0] + left >= quiet.x_mm
        and origin[1] + top >= quiet.y_mm
        and origin[0] + right <= quiet.x_mm + quiet.width_mm
        and origin[1] + bottom <= quiet.y_mm + quiet.height_mm
    )


def _clip_to_quiet_paper(pen: Pen, sheet: Sheet) -> None:
    """Let nothing that follows touch the ring or the interior saddles."""
    from reportlab.pdfgen.canvas import FILL_EVEN_ODD

    left, top, right, bottom = quiet_box(sheet)
    path = pen.canvas.beginPath()
    path.rect(*pen.at(left, bottom), (right - left) * MM_TO_POINTS, (bottom - top) * MM_TO_POINTS)
    for x, y in sheet.dots_mm:
        path.circle(*pen.at(float(x), float(y)), DOT_CLEARANCE_MM * MM_TO_POINTS)
    pen.canvas.clipPath(path, stroke=0, fill=0, fillMode=FILL_EVEN_ODD)


def _draw_notes(
    pen: Pen, layout: Layout, mat: Mat, sheet: Sheet, origin: Point, corner: Point, texts: Sequence[Text]
) -> None:
    """Draw the rules, and the notes where they disturb nothing; `corner` is the panel's on this sheet."""
    pen.rule(sheet.rule_x_mm[0], RULE_MM)
    # Behind it, since a saddle's room may lie at the ticks.
    pen.rule(sheet.rule_y_mm[0], RULE_MM, ticks="left" if sheet.seam == "left" else "right", behind=True)
    place = f"Panel corner at ({format_mm(origin[0])}, {format_mm(origin[1])}) mm on the mat"
    if math.dist(origin, layout.panel_origin_mm) > 0.005:
        place += ", moved from where the fingers were measured"
    lines = [f"{sheet.title}. {ACTUAL_SIZE} {RULE_CHECK}"]
    # What is said of the whole panel stands on the first sheet only; a warning on both.
    first = sheet is mat.sheets[0]
    if first:
        lines += [*drawing_notes(layout, kind="Template"), f"{place}."]
    else:
        lines += [line for line in (template_line(layout), build_warning(layout)) if line]
    if sheet.seam is not None:
        lines.append("Lay both sheets edge to edge and tape them; trim or fold if need be.")
    if first and not _panel_is_whole(layout, mat, origin):
        lines.append("The panel is larger than the quiet paper: its edge is left out where it would cross marks.")

    spacing, warning = 1.3 * _TYPE_MM, build_warning(layout)
    obstacles = _note_obstacles(layout, sheet, corner, texts)
    half = (len(lines) + 1) // 2
    block = _note_block(lines, obstacles)
    if block[2]:
        blocks = [block]
    else:
        # Between rows of marks there may be no room for all lines, but for some here and some there.
        first_half = _note_block(lines[:half], obstacles)
        rest = replace(obstacles, boxes=(*obstacles.boxes, first_half[1]))
        blocks = [first_half, _note_block(lines[half:], rest)]
    for shown, (left, top, _, _), _ in blocks:
        for k, line in enumerate(shown):
            bold = (k == 0 and shown is blocks[0][0]) or (bool(warning) and line in warning)
            pen.text((left, top + (k + 0.8) * spacing), line, _TYPE_MM, bold=bold, grey=0.25)


def _note_block(lines: list[str], obstacles: Obstacles) -> tuple[list[str], Box, bool]:
    """Return lines as they are broken, the box they stand in, and whether it meets nothing.

    In one long block where there is room for it, else in narrower ones.
    """
    spacing = 1.3 * _TYPE_MM
    found: tuple[list[str], Box, bool] | None = None
    for width_mm in (math.inf, 120.0, 100.0, 70.0):
        broken = [part for line in lines for part in _broken(line, width_mm)]
        size = (max(0.92 * text_width(line, 0.72 * _TYPE_MM) for line in broken), spacing * len(broken))
        box = place_block(size, obstacles, 1.0)
        free = box_is_free(box, obstacles)
        if found is None or free:
            found = broken, box, free
        if free:
            break
    assert found is not None
    return found


def _broken(line: str, width_mm: float) -> list[str]:
    """Return the line broken to a width at its spaces."""
    parts = [""]
    for word in line.split():
        longer = f"{parts[-1]} {word}".strip()
        if parts[-1] and 0.92 * text_width(longer, 0.72 * _TYPE_MM) > width_mm:
            parts.append(word)
        else:
            parts[-1] = longer
    return parts


def _note_obstacles(layout: Layout, sheet: Sheet, corner: Point, texts: Sequence[Text]) -> Obstacles:
    """Return what the notes keep clear of, sheet frame."""
    panel, paper = layout.panel, sheet.interior
    dots = disc_array((float(x), float(y), DOT_CLEARANCE_MM) for x, y in sheet.dots_mm)
    right, bottom = corner[0] + panel.width_mm, corner[1] + panel.height_mm
    boxes: list[Box] = [
        *_rule_boxes(sheet),
        # The panel's four edges.
        (corner[0], corner[1] - 1.5, right, corner[1] + 1.5),
        (corner[0], bottom - 1.5, right, bottom + 1.5),
        (corner[0] - 1.5, corner[1], corner[0] + 1.5, bottom),
        (right - 1.5, corner[1], right + 1.5, bottom),
    ]
    boxes += [box_around((corner[0] + x, corner[1] + y), (10.0, 10.0)) for x, y in panel_corners(panel)]
    places = [*(box_of(place) for place in obstacles_of(panel)), *(text.box for text in texts)]
    moved = _moved(places, (-corner[0], -corner[1]))
    boxes += [(left - 1.0, top - 1.0, right + 1.0, bottom + 1.0) for left, top, right, bottom in moved]
    # An outline of its own may turn in anywhere.
    points = outline_points(panel, 5.0) if panel.outline else np.zeros((0, 2))
    line = disc_array((corner[0] + x, corner[1] + y, 3.0) for x, y in points.tolist())
    return Obstacles(
        discs=np.vstack([dots, np.add(hole_discs(layout), (*corner, 2.0)), line]),
        rings=disc_array(()),
        boxes=tuple(boxes),
        bounds=(
            paper.x_mm + 4.0,
            paper.y_mm + 3.0,
            paper.x_mm + paper.width_mm - 4.0,
            paper.y_mm + paper.height_mm - 3.0,
        ),
    )
