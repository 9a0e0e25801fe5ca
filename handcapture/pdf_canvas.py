"""Drawing on PDF pages in millimetres, y down."""

from __future__ import annotations

import math
from collections.abc import Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Final, Literal

from handcapture.fonts import font_file

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

Point = tuple[float, float]
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

    def contour(
        self, vertices: Sequence[tuple[float, float, float]], *, stroke: bool = True, fill_grey: float | None = None
    ) -> None:
        """Draw a closed line of x, y and bulge (see `layout.model.Vertex`), its arcs as curves."""
        path = self.canvas.beginPath()
        path.moveTo(*self.at(*vertices[0][:2]))
        for (x, y, bulge), (end_x, end_y, _) in zip(vertices, [*vertices[1:], vertices[0]], strict=True):
            if bulge == 0.0:
                path.lineTo(*self.at(end_x, end_y))
                continue
            for curve in _curves((x, y), (end_x, end_y), bulge):
                path.curveTo(*(part for point in curve for part in self.at(*point)))
        path.close()
        if fill_grey is not None:
            self.canvas.setFillGray(fill_grey)
        self.canvas.drawPath(path, stroke=int(stroke), fill=int(fill_grey is not None))

    def arrow(self, tip: Point, direction: Point, size_mm: float = 2.0) -> None:
        """Draw a filled arrowhead, six times as slim as a square, that points in `direction` (a unit vector)."""
        (x, y), (dx, dy) = tip, direction
        half = size_mm / 6
        path = self.canvas.beginPath()
        path.moveTo(*self.at(x, y))
        path.lineTo(*self.at(x - dx * size_mm - dy * half, y - dy * size_mm + dx * half))
        path.lineTo(*self.at(x - dx * size_mm + dy * half, y - dy * size_mm - dx * half))
        path.close()
        self.canvas.setFillGray(0.0)
        self.canvas.drawPath(path, stroke=0, fill=1)

    def rectangle(self, corner: Point, size: Point, radius_mm: float = 0.0, *, fill_grey: float | None = None) -> None:
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
        turned: bool = False,
    ) -> None:
        """Write text with its baseline's start, or its middle, at `place`; `size_mm` is the type size.

        Turned text reads from below upwards.
        """
        if turned:
            self.canvas.saveState()
            self.canvas.translate(*self.at(*place))
            self.canvas.rotate(90.0)
            Pen(self.canvas, 0.0).text((0.0, 0.0), text, size_mm, centred=centred, bold=bold, grey=grey)
            self.canvas.restoreState()
            return
        self.canvas.setFont(BOLD if bold else FONT, size_mm * MM_TO_POINTS)
        self.canvas.setFillGray(grey)
        if centred:
            self.canvas.drawCentredString(*self.at(place[0], place[1] + 0.36 * size_mm), text)
        else:
            self.canvas.drawString(*self.at(*place), text)

    def rule(
        self, start: Point, length_mm: float, *, ticks: Literal["up", "right", "left"] = "up", behind: bool = False
    ) -> None:
        """Draw a rule with a tick each 10 mm: to the right from `start`, or down with ticks to one side.

        Numbers stand at the ends of the ticks; of a rule downwards, if wished, `behind` it instead, within 5 mm.
        """
        x, y = start
        side = -1.0 if ticks == "left" else 1.0
        self.style(LINE_MM, 0.0)
        self.line(start, (x + length_mm, y) if ticks == "up" else (x, y + length_mm))
        for step in range(round(length_mm) // 10 + 1):
            along, labelled = 10.0 * step, step % 5 == 0
            tick = 3.5 if labelled else 2.0
            text = str(round(along))
            away = 0.9 + 0.6 * len(text)
            if ticks == "up":
                self.line((x + along, y), (x + along, y - tick))
                number = (x + along + away, y - tick + 0.7)
            else:
                self.line((x, y + along), (x + side * tick, y + along))
                number = (x + side * (tick + away), y + along)
            if ticks != "up" and behind:  # within the rule's length: there may be no room above and below
                inward = 0.8 if step == 0 else -0.8 if along >= length_mm else 0.0
                number = (x - side * away, y + along + inward)
            if labelled:
                self.text(number, text, 1.9, centred=True, grey=0.0)


def text_length(text: str, size_mm: float, *, bold: bool = False) -> float:
    """Return how long a text is in type of `size_mm`, mm; a canvas must have been made before."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(text, BOLD if bold else FONT, size_mm))


def _curves(start: Point, end: Point, bulge: float) -> list[tuple[Point, Point, Point]]:
    """Return an arc as cubic curves: two control points and the end of each.

    Of 45 degrees each, with tangents of 4/3 tan(turn / 4) radii, they lie within 4e-6 radii of the arc.
    """
    share = (1 - bulge**2) / (4 * bulge)
    x = (start[0] + end[0]) / 2 - (end[1] - start[1]) * share
    y = (start[1] + end[1]) / 2 + (end[0] - start[0]) * share
    radius, first = math.dist(start, (x, y)), math.atan2(start[1] - y, start[0] - x)
    turn = 4 * math.atan(bulge)
    count = max(1, math.ceil(abs(turn) / (math.pi / 4)))
    step = turn / count
    handle = 4 / 3 * math.tan(step / 4) * radius
    curves = []
    for k in range(count):
        a, b = first + k * step, first + (k + 1) * step
        to = (x + radius * math.cos(b), y + radius * math.sin(b))
        leave = (x + radius * math.cos(a) - handle * math.sin(a), y + radius * math.sin(a) + handle * math.cos(a))
        curves.append((leave, (to[0] + handle * math.sin(b), to[1] - handle * math.cos(b)), to))
    return curves
