"""What the workshop's sheets share: papers, a picture of the panel at a scale, tables, rule and cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from handcapture.drawings.common import build_warning, clean_label, day_of, format_mm
from handcapture.drawings.contours import Contour, cut_contour
from handcapture.drawings.tiled import PAPERS_MM
from handcapture.errors import InputError
from handcapture.layout.model import Layout, Point
from handcapture.layout.outline import vertices_of
from handcapture.pdf_canvas import FAINT_MM, LINE_MM, Pen, text_length

MARGIN_MM: Final = 10.0
CHECK_RULE_MM: Final = 100.0
SCALES: Final = (1.0, 2.0, 2.5, 5.0)
"""1:1, 1:2, 1:2.5 and 1:5; ISO 5455 has all but 1:2.5, which workshops use too (common practice, no source)."""
SCREEN_NOTE: Final = "Seen from above, the person's edge at the bottom. All sizes in mm."


def paper_mm(name: str) -> Point:
    """Return width and height of a paper, lying. InputError for one that is not known."""
    try:
        return PAPERS_MM[name.lower()]
    except KeyError:
        raise InputError(f"There is no paper called {name!r}. Choose one of: {', '.join(PAPERS_MM)}.") from None


@dataclass(frozen=True)
class Picture:
    """A drawing of the panel at a scale: `corner_mm` is where its bounding box's top-left corner lies on the page."""

    corner_mm: Point
    scale: float

    def at(self, point: Point) -> Point:
        """Return a place on the page for one on the panel."""
        return self.corner_mm[0] + point[0] / self.scale, self.corner_mm[1] + point[1] / self.scale

    def line(self, contour: Contour) -> Contour:
        """Return a closed line of the panel on the page."""
        return tuple((*self.at((x, y)), bulge) for x, y, bulge in contour)

    def draw(self, pen: Pen, layout: Layout) -> None:
        """Draw outline, holes and cuts."""
        pen.style(LINE_MM, 0.0)
        pen.contour(self.line(vertices_of(layout.panel)))
        for button in layout.buttons:
            pen.circle(self.at(button.centre_mm), button.hole_mm / 2 / self.scale)
        for cut in layout.panel.cuts:
            if cut.shape == "circle":
                pen.circle(self.at(cut.centre_mm), cut.diameter_mm / 2 / self.scale)
            else:
                pen.contour(self.line(cut_contour(cut)))


def scale_words(scale: float) -> str:
    """Return a scale as it is written: 1:2.5."""
    return f"1:{format_mm(scale)}"


def wrapped(text: str, size_mm: float, width_mm: float, *, bold: bool = False) -> list[str]:
    """Return the text broken to a width; a word that is too long by itself is broken too."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_length(longer, size_mm, bold=bold) <= width_mm:
            lines[-1] = longer
            continue
        while text_length(word, size_mm, bold=bold) > width_mm and len(word) > 1:
            fits = next(k for k in range(len(word) - 1, 0, -1) if k == 1 or _fits(word[:k], size_mm, width_mm, bold))
            lines.append(word[:fits])
            word = word[fits:]
        lines.append(word)
    return lines


def _fits(text: str, size_mm: float, width_mm: float, bold: bool) -> bool:
    return text_length(text, size_mm, bold=bold) <= width_mm


def shortened(text: str, size_mm: float, width_mm: float, *, bold: bool = False) -> str:
    """Return the text, or as much of it as fits a width, with an ellipsis."""
    if _fits(text, size_mm, width_mm, bold):
        return text
    while text and not _fits(f"{text}…", size_mm, width_mm, bold):
        text = text[:-1]
    return f"{text.rstrip()}…"


def paragraph(
    pen: Pen, place: Point, text: str, size_mm: float, width_mm: float, *, bold: bool = False, grey: float = 0.0
) -> float:
    """Write text in lines from a top-left corner; return where the next line would begin, y in mm."""
    x, y = place
    for line in wrapped(text, size_mm, width_mm, bold=bold):
        pen.text((x, y + 0.85 * size_mm), line, size_mm, bold=bold, grey=grey)
        y += 1.35 * size_mm
    return y


def heading(pen: Pen, layout: Layout, place: Point, width_mm: float) -> float:
    """Write name, panel, revision and day, material and thickness; return where it ends, y in mm."""
    x, y = place
    name = clean_label(layout.name, 60) or "Panel"
    size = max(2.8, min(4.2, 4.2 * width_mm / text_length(name, 4.2, bold=True)))
    pen.text((x, y + 3.6), shortened(name, size, width_mm, bold=True), size, bold=True, grey=0.0)
    y += 5.8
    panel, day = layout.panel, day_of(layout)
    revision = f"Revision {clean_label(layout.revision, 8) or '-'}" + (f", {day}" if day else "")
    thickness = "thickness not stated" if panel.thickness_mm is None else f"{format_mm(panel.thickness_mm)} mm thick"
    material = clean_label(panel.material, 60) if panel.material else "material not stated"
    for line, bold in (
        (f"Panel: {clean_label(panel.name, 60)}", False),
        (revision, True),
        (f"{material}, {thickness}", False),
    ):
        pen.text((x, y + 2.4), shortened(line, 2.8, width_mm, bold=bold), 2.8, bold=bold, grey=0.0)
        y += 3.9
    warning = build_warning(layout)
    if warning:
        y = paragraph(pen, (x, y + 0.5), warning, 2.8, width_mm, bold=True)
    return y


def check_rule(pen: Pen, start: Point) -> None:
    """Draw a rule of 100 mm and what it is for."""
    pen.rule(start, CHECK_RULE_MM)
    text = "This rule must measure 100 mm. If it does not, the print is scaled: go by the numbers."
    pen.text((start[0], start[1] + 3.0), text, 2.1, grey=0.0)


def frame(pen: Pen, page_mm: Point) -> None:
    """Draw the frame round the page."""
    pen.style(LINE_MM, 0.0)
    inset = MARGIN_MM - 3.0
    pen.rectangle((inset, inset), (page_mm[0] - 2 * inset, page_mm[1] - 2 * inset))


_LEAST_SHARE: Final = 0.7
"""A text in a table is set as small as this share of the others before it is shortened."""


@dataclass(frozen=True)
class Column:
    """A column of a table: its header, its width in mm, and whether numbers stand flush right in it."""

    header: str
    width_mm: float
    right: bool = False


def table(pen: Pen, place: Point, columns: Sequence[Column], rows: Sequence[Sequence[str]], row_mm: float) -> float:
    """Draw a table from its top-left corner; return where it ends, y in mm.

    Texts that are too long are set smaller, and shortened only where that does not do.
    """
    size = min(2.4, 0.6 * row_mm)
    left, y = place
    width = sum(column.width_mm for column in columns)
    for k, row in enumerate([[column.header for column in columns], *rows]):
        x = left
        for column, text in zip(columns, row, strict=True):
            bold = k == 0
            room = column.width_mm - 2.0
            own = size * min(1.0, max(room / max(text_length(text, size, bold=bold), 1e-9), _LEAST_SHARE))
            shown = shortened(text, own, room, bold=bold)
            start = x + column.width_mm - 1.0 - text_length(shown, own, bold=bold) if column.right else x + 1.0
            pen.text((start, y + row_mm / 2 + 0.36 * own), shown, own, bold=bold, grey=0.0)
            x += column.width_mm
        y += row_mm
        pen.style(LINE_MM if k == 0 else FAINT_MM, 0.0 if k == 0 else 0.6)
        pen.line((left, y), (left + width, y))
    return y


def cautions() -> str:
    """Return the cautions for who cuts and drills, on one line."""
    from handcapture.layout.findings import CAUTIONS

    return " ".join(CAUTIONS.split())


def spread(wished: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return places near the wished ones (ascending), `gap` apart and within low and high: least squares.

    With p_i = q_i + i * gap, q must not decrease: isotonic regression by pooling adjacent violators (Ayer et al.
    1955). InputError where there is no room.
    """
    if (len(wished) - 1) * gap > high - low + 1e-9:
        raise InputError(f"{len(wished)} dimensions do not fit side by side on {format_mm(high - low)} mm.")
    blocks: list[list[float]] = []
    for k, place in enumerate(wished):
        blocks.append([place - k * gap, 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            (a, m), (b, n) = blocks[-2:]
            blocks[-2:] = [[(a * m + b * n) / (m + n), m + n]]
    flat = [mean for mean, count in blocks for _ in range(round(count))]
    last = high - (len(wished) - 1) * gap
    return [min(max(q, low), last) + k * gap for k, q in enumerate(flat)]
