"""The mats as PDF pages in true size: the measuring marks, and round them what a person needs to know.

Everything but the marks is called furniture: two 150 mm rules, the place of the card, and small texts. It is
thin, grey and sparse, because skin has to stand out from the paper; it keeps `CLEARANCE_MM` from every mark
and leaves the middle of the sheet, where the fingertips come down, empty. The words stand where palms and
forearms will cover them: the photo does not need them.

Texts are set in DejaVu Sans, embedded, not in one of the base-14 faces: those are not in the file, so each
viewer and printer puts in its own, and a text that kept its clearance here might not do so there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from handcapture.mat.geometry import CARD_MM, DOT_SQUARE_MM, RULE_MM, Mat, Rectangle, Sheet, black_rectangles
from handcapture.pdf_canvas import BOLD, FONT, MM_TO_POINTS, Pen, Point, new_canvas

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

CLEARANCE_MM: Final = 1.4
"""Free paper between furniture and any measuring mark; on A4 the ends of the upright rule come that close."""
TEXT_GREY: Final = 0.4
LINE_GREY: Final = 0.5
LINE_MM: Final = 0.2
RULE_LINE_MM: Final = 0.15
"""The rules are black hairlines: printers make grey from coarse dots, which blur the end of a rule."""
_NOTE_MM: Final = 2.2
"""Type size of the notes beside marks, rules and card; the instructions have room for a larger one."""
_NAME_MM: Final = 2.6
_LEADING: Final = 1.28
"""Line distance over type size."""
_MERGE_MM: Final = 1e-6
"""Edges closer than this are one edge. It is far below what a printer resolves."""
_BLOCK_INSET_MM: Final = 14.8
"""From the ring to the texts: flush with the outer edge of the interior saddles."""
_SEAM_INSET_MM: Final = 12.0
"""From a seam to the texts: home printers leave the edge of the paper blank."""
_GAP_MM: Final = 5.0
_PICTURE_MM: Final = (29.0, 16.0)

_NEVER_FIT: Final = "at actual size (100 %), never “fit to page”"
_RULE_TEXT: Final = "should measure 150 mm: put a ruler on it and tell the program what it reads"
_CAUTION: Final = "Measuring aid, not a medical device. Stop if it hurts."
_CARD_TEXT: Final = ("Lay a bank-card-sized card here, blank side up", "ISO/IEC 7810 ID-1, 85.60 × 53.98 mm")


@dataclass(frozen=True)
class _Step:
    """One paragraph of the instructions."""

    heading: str
    text: str


_PRINT: Final = _Step(
    "Print",
    f"Print {_NEVER_FIT}, on plain matt paper. Check the size: ruler on both rules, or card in its place.",
)
_JOIN: Final = _Step(
    "Join",
    "Lay the sheets edge to edge, the lines at the seam in line, and tape them. Trim or fold is allowed; "
    "a small gap is measured by the program.",
)
_PHOTO: Final = _Step(
    "Photo",
    "Hands relaxed. Phone level above the middle of the mat, whole mat in the picture. "
    "Light from above or in front, no hard shadows.",
)
_BUSY: Final = _Step(
    "Both hands busy?",
    "Lay the phone over the edge of a shelf or a stack of books, about 45 cm above the mat; "
    "use its self-timer. Or ask a helper.",
)
_STEPS: Final[dict[str | None, tuple[_Step, ...]]] = {
    None: (_PRINT, _PHOTO, _BUSY),
    "right": (_PRINT, _JOIN),
    "left": (_PHOTO, _BUSY),
}
"""What each kind of sheet says, by its seam."""


def mat_pdf(mat: Mat) -> bytes:
    """Return the mat as a PDF, one page per sheet, each exactly as large as its paper.

    The same mat gives the same bytes with the same version of reportlab: no time, no user, no random number.
    Viewers are told not to scale it and not to print on both sides.
    """
    canvas, buffer = new_canvas(f"Hand mat {mat.title}: print {_NEVER_FIT}")
    canvas.setAuthor("handcapture")
    canvas.setSubject(_CAUTION)
    canvas.setViewerPreference("Duplex", "Simplex")
    for sheet in mat.sheets:
        canvas.setPageSize((sheet.width_mm * MM_TO_POINTS, sheet.height_mm * MM_TO_POINTS))
        draw_sheet(canvas, sheet)
        canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def draw_sheet(canvas: Canvas, sheet: Sheet, *, furniture: bool = True) -> None:
    """Draw the sheet's measuring marks, and its furniture, on the canvas's page.

    The page must have the sheet's size; with furniture the canvas must come from `new_canvas`, which brings
    the typeface. `Pen(canvas, sheet.height_mm).at(x_mm, y_mm)` maps the sheet frame to the page for whatever
    else is drawn on it.
    """
    pen = Pen(canvas, sheet.height_mm)
    canvas.saveState()
    _draw_marks(pen, black_rectangles(sheet))
    if furniture:
        _draw_header(pen, sheet)
        _draw_card_place(pen, sheet)
        _draw_rules(pen, sheet)
        _draw_steps(pen, sheet)
        _draw_seam(pen, sheet)
    canvas.restoreState()


def _draw_marks(pen: Pen, rectangles: tuple[Rectangle, ...]) -> None:
    """Fill all rectangles as one path of their joint outline: two fills that touch show a pale seam."""
    import shapely

    boxes = [shapely.box(r.x_mm, r.y_mm, r.x_mm + r.width_mm, r.y_mm + r.height_mm) for r in rectangles]
    path = pen.canvas.beginPath()
    for polygon in shapely.get_parts(shapely.union_all(boxes, grid_size=_MERGE_MM)):
        for ring in (polygon.exterior, *polygon.interiors):
            first, *others = shapely.simplify(ring, 0.0).coords[:-1]
            path.moveTo(*pen.at(*first))
            for point in others:
                path.lineTo(*pen.at(*point))
            path.close()
    pen.canvas.setFillGray(0.0)
    pen.canvas.drawPath(path, stroke=0, fill=1, fillMode=0)  # even-odd: white modules inside are holes


def _block(sheet: Sheet) -> tuple[float, float]:
    """Return the left and right end of the texts, x in mm."""
    inside = sheet.interior
    left = inside.x_mm + (_SEAM_INSET_MM if sheet.seam == "left" else _BLOCK_INSET_MM)
    right = inside.x_mm + inside.width_mm - (_SEAM_INSET_MM if sheet.seam == "right" else _BLOCK_INSET_MM)
    return left, right


def _type_mm(sheet: Sheet) -> float:
    """Return the type size of the instructions: as large as their columns allow."""
    if sheet.seam is not None:
        return 2.5
    return 2.9 if sheet.width_mm > 350.0 else 2.4


def _draw_header(pen: Pen, sheet: Sheet) -> None:
    """Write the sheet's name, which way is up, and a note, in the row below the upper ring."""
    (left, right), inside = _block(sheet), sheet.interior
    baseline = inside.y_mm + 4.0
    name = f"Hand mat {sheet.title}"
    if sheet.seam == "left":
        _write_right(pen, (right, baseline), name, _NAME_MM, bold=True)
        pen.text((left, baseline), f"Print {_NEVER_FIT}.", _NOTE_MM, grey=TEXT_GREY)
    else:
        pen.text((left, baseline), name, _NAME_MM, bold=True, grey=TEXT_GREY)
        _write_right(pen, (right, baseline), _CAUTION, _NOTE_MM)
    middle = (inside.x_mm + inside.width_mm / 2, baseline - 0.36 * _NAME_MM)
    pen.text(middle, "↑ away from you ↑", _NAME_MM, centred=True, grey=TEXT_GREY)


def _write_right(pen: Pen, end: Point, text: str, size_mm: float, *, bold: bool = False) -> None:
    """Write text that ends at `end`."""
    pen.canvas.setFont(BOLD if bold else FONT, size_mm * MM_TO_POINTS)
    pen.canvas.setFillGray(TEXT_GREY)
    pen.canvas.drawRightString(*pen.at(*end), text)


def _draw_card_place(pen: Pen, sheet: Sheet) -> None:
    """Draw a bracket just outside each corner of the card, and the text that the card will cover."""
    card = sheet.card_place
    if card is None:
        return
    gap, arm = 1.0, 5.0
    pen.style(LINE_MM, LINE_GREY)
    for x, dx in ((card.x_mm - gap, arm), (card.x_mm + card.width_mm + gap, -arm)):
        for y, dy in ((card.y_mm - gap, arm), (card.y_mm + card.height_mm + gap, -arm)):
            pen.line((x, y), (x + dx, y))
            pen.line((x, y), (x, y + dy))
    for k, line in enumerate(_CARD_TEXT):
        middle = (card.x_mm + CARD_MM[0] / 2, card.y_mm + 7.0 + k * _LEADING * _NOTE_MM)
        pen.text(middle, line, _NOTE_MM, centred=True, grey=TEXT_GREY)


def _draw_rules(pen: Pen, sheet: Sheet) -> None:
    """Draw both rules, ticks towards the middle of the sheet, and the word at the person's edge."""
    start, end = sheet.rule_x_mm
    _draw_rule(pen, start, 0.0)
    middle = ((start[0] + end[0]) / 2, start[1] + 3.6)
    pen.text(middle, "↓ you sit here ↓", _NAME_MM, centred=True, grey=TEXT_GREY)
    upper, lower = sheet.rule_y_mm
    if sheet.seam == "left":
        _draw_rule(pen, lower, 90.0)
    else:
        _draw_rule(pen, upper, -90.0)


def _draw_rule(pen: Pen, start: Point, turn_deg: float) -> None:
    """Draw a rule from `start`, along +x turned anticlockwise by `turn_deg`; its ticks point to its left."""
    canvas = pen.canvas
    canvas.saveState()
    canvas.translate(*pen.at(*start))
    canvas.rotate(turn_deg)
    local = Pen(canvas, 0.0)
    local.style(RULE_LINE_MM, 0.0)
    local.line((0.0, 0.0), (RULE_MM, 0.0))
    for step in range(round(RULE_MM) // 10 + 1):
        local.line((10.0 * step, 0.0), (10.0 * step, -3.0 if step % 5 == 0 else -2.0))
    local.text((0.0, 2.6), "0", _NOTE_MM, grey=TEXT_GREY)
    _write_right(local, (RULE_MM, 2.6), "150 mm", _NOTE_MM)
    local.text((RULE_MM / 2, -5.0), _RULE_TEXT, _NOTE_MM, centred=True, grey=TEXT_GREY)
    canvas.restoreState()


def _steps_top(sheet: Sheet) -> float:
    """Return where the instructions begin, y in mm: below the last row of saddles that leaves them room."""
    rule_y = sheet.rule_x_mm[0][1]
    row = max(float(y) for y in sheet.dots_mm[:, 1] if y <= rule_y - 26.0)
    return row + DOT_SQUARE_MM + 1.8


def _even_lines(text: str, size_mm: float, width_mm: float) -> list[str]:
    """Return the text broken to the width, or narrower where as many lines do: no word is left alone."""
    from reportlab.lib.utils import simpleSplit

    size, width = size_mm * MM_TO_POINTS, width_mm * MM_TO_POINTS
    breaks = [list(simpleSplit(text, FONT, size, width * percent / 100)) for percent in range(100, 59, -1)]
    return [lines for lines in breaks if len(lines) == len(breaks[0])][-1]


def _draw_steps(pen: Pen, sheet: Sheet) -> None:
    """Set the instructions in columns, and the pictogram beside the advice that it shows."""
    (left, right), top = _block(sheet), _steps_top(sheet)
    steps, size = _STEPS[sheet.seam], _type_mm(sheet)
    pictured = _BUSY in steps
    scale = max(1.0, size / 2.4)
    room = right - left - (scale * _PICTURE_MM[0] + _GAP_MM if pictured else 0.0)
    column = (room - (len(steps) - 1) * _GAP_MM) / len(steps)
    for k, step in enumerate(steps):
        x, y = left + k * (column + _GAP_MM), top + 0.8 * size
        pen.text((x, y), step.heading, size, bold=True, grey=TEXT_GREY)
        for number, line in enumerate(_even_lines(step.text, size, column), start=1):
            pen.text((x, y + number * _LEADING * size), line, size, grey=TEXT_GREY)
    if pictured:
        pen.canvas.saveState()
        pen.canvas.translate(*pen.at(right - scale * _PICTURE_MM[0], top))
        pen.canvas.scale(scale, scale)
        _draw_pictogram(Pen(pen.canvas, 0.0))
        pen.canvas.restoreState()


def _draw_pictogram(pen: Pen) -> None:
    """Draw, seen from the side, a phone on a shelf that looks down past the shelf's edge on hand and mat."""
    width, floor = _PICTURE_MM[0], _PICTURE_MM[1] - 0.3
    shelf, lens, mat_half = 3.6, 19.3, 5.0
    pen.style(LINE_MM, LINE_GREY)
    pen.line((6.0, floor), (width, floor))  # table
    pen.rectangle((9.0, 1.0), (0.9, floor - 1.0))  # upright and board of the shelf
    pen.rectangle((9.9, shelf), (7.2, 0.8))
    pen.rectangle((14.0, shelf - 0.7), (6.2, 0.7), 0.25)  # phone
    pen.circle((lens, shelf + 0.35), 0.35)
    pen.rectangle((lens - mat_half, floor - 0.4), (2 * mat_half, 0.4))
    wrist, tip = 24.6, lens - 0.6  # a forearm from the right, its hand arched on a fingertip
    for points in (
        ((width, -3.3), (wrist, -2.9), (21.6, -2.65), (tip - 0.1, -3.6), (tip, -0.4)),
        ((width, -1.5), (wrist, -1.2), (22.6, -1.05), (tip + 1.1, -2.2), (tip + 0.9, -0.4)),
    ):
        start, joint, *bend = (pen.at(x, floor + y) for x, y in points)
        path = pen.canvas.beginPath()
        path.moveTo(*start)
        path.lineTo(*joint)
        path.curveTo(*bend[0], *bend[1], *bend[2])
        pen.canvas.drawPath(path)
    clock = (23.2, 2.0)
    pen.circle(clock, 1.5)
    pen.line(clock, (clock[0], clock[1] - 1.0))
    pen.line(clock, (clock[0] + 0.7, clock[1]))
    height = 7.4
    pen.line((height, shelf), (height, floor))
    for y, towards in ((shelf, 1), (floor, -1)):
        pen.line((height - 0.8, y), (height + 0.8, y))
        for side in (-0.5, 0.5):
            pen.line((height, y), (height + side, y + towards * 1.1))
    _write_right(pen, (height - 0.9, (shelf + floor) / 2 + 0.8), "45 cm", 2.1)
    pen.style(LINE_MM, LINE_GREY, (0.7, 0.6))
    for side in (-1, 1):
        pen.line((lens, shelf + 0.9), (lens + side * (mat_half + 0.7), floor - 0.6))


def _draw_seam(pen: Pen, sheet: Sheet) -> None:
    """Mark the edge where the other sheet of a pair joins: lines that meet across it, and a word."""
    if sheet.seam is None:
        return
    inside = sheet.interior
    edge = sheet.width_mm if sheet.seam == "right" else 0.0
    inward = -1.0 if sheet.seam == "right" else 1.0
    pen.style(LINE_MM, LINE_GREY)
    for share in (0.1, 0.9):
        y = inside.y_mm + share * inside.height_mm
        pen.line((edge, y), (edge + inward * 8.0, y))
    canvas = pen.canvas
    canvas.saveState()
    canvas.translate(*pen.at(edge + inward * 7.5, inside.y_mm + 0.78 * inside.height_mm))
    canvas.rotate(inward * 90.0)
    other = "right" if sheet.seam == "right" else "left"
    text = f"↑ join the {other} sheet here ↑"
    Pen(canvas, 0.0).text((0.0, 0.0), text, _NOTE_MM, centred=True, grey=TEXT_GREY)
    canvas.restoreState()
