"""Drawing on PDF pages in millimetres, y down, and the panel as it is printed in true size."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Final

from handcapture.drawings.common import (
    FloatArray,
    check_drawable,
    clean_label,
    font_file,
    format_mm,
    keep_out_names,
    largest_letters,
    text_width,
)
from handcapture.drawings.labels import box_around, box_meets_discs, disc_array
from handcapture.layout.model import Button, KeepOut, Layout, Panel, Point

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

MM_TO_POINTS: Final = 72.0 / 25.4
"""The PDF user unit is 1/72 inch (ISO 32000-1, 8.3.2.3)."""
LINE_MM: Final = 0.25
FAINT_MM: Final = 0.15
GREY: Final = 0.3
FONT: Final = "handcapture-sans"
BOLD: Final = "handcapture-sans-bold"
ACTUAL_SIZE: Final = "Print at actual size (100 %), not “fit to page”."
RULE_CHECK: Final = "Each rule must measure 150 mm."


def new_canvas(title: str) -> tuple[Canvas, BytesIO]:
    """Return an empty PDF, and the buffer it will fill; viewers are told to print it without scaling."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont
    from reportlab.pdfgen.canvas import Canvas

    for name, bold in ((FONT, False), (BOLD, True)):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(font_file(bold))))
    buffer = BytesIO()
    canvas = Canvas(buffer, invariant=1, pageCompression=1)
    canvas.setTitle(title)
    canvas.setCreator("handcapture")
    canvas.setViewerPreference("PrintScaling", "None")
    return canvas, buffer


class Pen:
    """Draws on the canvas's page in millimetres, x right, y down.

    `origin_mm` is where the pen's (0, 0) lies, counted from the page's top-left corner.
    """

    def __init__(self, canvas: Canvas, page_height_mm: float, origin_mm: Point = (0.0, 0.0)) -> None:
        self.canvas = canvas
        self.page_height_mm = page_height_mm
        self.origin_mm = origin_mm

    def moved(self, origin_mm: Point) -> Pen:
        """Return a pen for the same page with another origin."""
        return Pen(self.canvas, self.page_height_mm, origin_mm)

    def at(self, x_mm: float, y_mm: float) -> Point:
        """Return a point in PDF units."""
        x, y = x_mm + self.origin_mm[0], y_mm + self.origin_mm[1]
        return x * MM_TO_POINTS, (self.page_height_mm - y) * MM_TO_POINTS

    def style(self, width_mm: float = LINE_MM, grey: float = GREY, dash_mm: Sequence[float] = ()) -> None:
        """Set the width, grey (0 black) and dashes of the lines that follow."""
        self.canvas.setLineWidth(width_mm * MM_TO_POINTS)
        self.canvas.setStrokeGray(grey)
        self.canvas.setDash([part * MM_TO_POINTS for part in dash_mm])

    def line(self, start: Point, end: Point) -> None:
        """Draw a straight line."""
        self.canvas.line(*self.at(*start), *self.at(*end))

    def cross(self, centre: Point, arm_mm: float) -> None:
        """Draw an upright cross."""
        x, y = centre
        self.line((x - arm_mm, y), (x + arm_mm, y))
        self.line((x, y - arm_mm), (x, y + arm_mm))

    def circle(self, centre: Point, radius_mm: float) -> None:
        """Draw a circle."""
        self.canvas.circle(*self.at(*centre), radius_mm * MM_TO_POINTS, stroke=1, fill=0)

    def rectangle(
        self, corner: Point, size: Point, radius_mm: float = 0.0, *, fill_grey: float | None = None
    ) -> None:
        """Draw a rectangle from its top-left corner; filled when a grey is given."""
        x, y = self.at(corner[0], corner[1] + size[1])
        if fill_grey is not None:
            self.canvas.setFillGray(fill_grey)
        width, height, radius = (length * MM_TO_POINTS for length in (*size, radius_mm))
        if radius > 0:
            self.canvas.roundRect(x, y, width, height, radius, stroke=1, fill=int(fill_grey is not None))
        else:
            self.canvas.rect(x, y, width, height, stroke=1, fill=int(fill_grey is not None))

    def text(
        self,
        place: Point,
        text: str,
        size_mm: float,
        *,
        centred: bool = False,
        bold: bool = False,
        grey: float = GREY,
    ) -> None:
        """Write text with its baseline's start, or its middle, at `place`; `size_mm` is the type size."""
        self.canvas.setFont(BOLD if bold else FONT, size_mm * MM_TO_POINTS)
        self.canvas.setFillGray(grey)
        if centred:
            self.canvas.drawCentredString(*self.at(place[0], place[1] + 0.36 * size_mm), text)
        else:
            self.canvas.drawString(*self.at(*place), text)

    def rule(self, start: Point, length_mm: float, *, down: bool = False) -> None:
        """Draw a rule with a tick each 10 mm, to the right or down from `start`; ticks point up or right."""
        x, y = start
        self.style(LINE_MM, 0.0)
        self.line(start, (x, y + length_mm) if down else (x + length_mm, y))
        for step in range(round(length_mm) // 10 + 1):
            tick = 3.5 if step % 5 == 0 else 2.0
            if down:
                self.line((x, y + 10 * step), (x + tick, y + 10 * step))
                if tick > 3:
                    self.text((x + tick + 0.6, y + 10 * step + 0.7), str(10 * step), 1.9, grey=0.0)
            else:
                self.line((x + 10 * step, y), (x + 10 * step, y - tick))
                if tick > 3:
                    self.text((x + 10 * step + 0.7, y - tick + 1.2), str(10 * step), 1.9, grey=0.0)


def draw_panel(pen: Pen, layout: Layout, spots: FloatArray | None = None) -> None:
    """Draw outline, corners, keep-outs and holes; the pen's origin is the panel's top-left corner.

    Texts keep clear of `spots`: discs (N, 3), x, y, radius, panel frame.
    """
    panel = layout.panel
    spots = disc_array(()) if spots is None else spots
    for keep_out in panel.keep_outs:
        _draw_keep_out(pen, keep_out)
    for name, middle in keep_out_names(layout, 2.4, spots):
        pen.text(middle, name, 2.4, centred=True, grey=0.45)
    pen.style(LINE_MM)
    pen.rectangle((0.0, 0.0), (panel.width_mm, panel.height_mm), panel.corner_radius_mm)
    pen.style(FAINT_MM)
    for corner in panel_corners(panel):
        pen.cross(corner, 4.0)
    for button in layout.buttons:
        _draw_hole(pen, button, spots)


def panel_corners(panel: Panel) -> tuple[Point, ...]:
    """Return the corners of the rectangle, as if they were sharp."""
    width, height = panel.width_mm, panel.height_mm
    return (0.0, 0.0), (width, 0.0), (width, height), (0.0, height)


def _draw_hole(pen: Pen, button: Button, spots: FloatArray) -> None:
    """Draw the circle, its centre and quarter marks, the label and the diameter.

    The quarter marks tell the centre also where a mark of the mat covers it.
    """
    x, y = button.centre_mm
    radius = button.hole_mm / 2
    pen.style(LINE_MM)
    pen.circle(button.centre_mm, radius)
    pen.style(FAINT_MM)
    pen.cross(button.centre_mm, min(3.0, radius / 3))
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        inner, outer = radius - 1.5, radius + 1.5
        pen.line((x + dx * inner, y + dy * inner), (x + dx * outer, y + dy * outer))
    label, diameter = clean_label(button.label), f"Ø{format_mm(button.hole_mm)}"
    # Label above and diameter below; where a mark of the mat is in the way, both in one half.
    arrangements = [
        [
            (text, offset * radius, largest_letters(text, radius, offset * radius, largest * radius), bold)
            for text, offset, largest, bold in lines
        ]
        for lines in (
            ((label, -0.55, 0.3, True), (diameter, 0.55, 0.2, False)),
            ((label, 0.55, 0.3, True), (diameter, -0.55, 0.2, False)),
            ((label, -0.45, 0.25, True), (diameter, -0.72, 0.2, False)),
            ((label, 0.45, 0.25, True), (diameter, 0.72, 0.2, False)),
        )
    ]

    def blocked(arrangement: list[tuple[str, float, float, bool]]) -> int:
        boxes = [
            box_around((x, y + offset), (text_width(text, 0.72 * size), size))
            for text, offset, size, _ in arrangement
        ]
        return sum(box_meets_discs(box, spots) for box in boxes)

    for text, offset, size, bold in min(arrangements, key=blocked):
        if text:
            pen.text((x, y + offset), text, size, centred=True, bold=bold)


def _draw_keep_out(pen: Pen, keep_out: KeepOut) -> None:
    x, y = keep_out.centre_mm
    pen.style(FAINT_MM, 0.5, (1.5, 1.0))
    if keep_out.shape == "circle":
        pen.circle((x, y), keep_out.diameter_mm / 2)
    else:
        width, height = keep_out.size_mm
        pen.rectangle((x - width / 2, y - height / 2), (width, height))


def checked_title(layout: Layout, kind: str) -> str:
    """Return a document's title, after the check that the layout can be drawn."""
    check_drawable(layout)
    return " · ".join(text for text in (clean_label(layout.name, 60), kind) if text)
