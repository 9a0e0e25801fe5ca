"""The report as a PDF to print: A4 or Letter, with page numbers and the heads of tables repeated."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any, Final, Literal
from xml.sax.saxutils import escape

from handcapture.errors import OutputError
from handcapture.pdf_canvas import BOLD, FONT, MM_TO_POINTS, new_canvas
from handcapture.report.model import Block, Column, Facts, Heading, Picture, Report, Section, Table, Text

if TYPE_CHECKING:
    from collections.abc import Callable

    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Flowable

Paper = Literal["a4", "letter"]
PAPERS_MM: Final[dict[Paper, tuple[float, float]]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
MARGIN_MM: Final = 15.0
_MM: Final = MM_TO_POINTS
_LEAST_ROOM_MM: Final = 45.0
"""A heading is not set with less room than this below it."""
_WHOLE_SHARE: Final = 0.6
"""Tables up to this share of a page are not broken."""
_LONG_FACTS: Final = 25
_INK, _QUIET, _LINE, _ACCENT = "#1a1a1a", "#4d4d4d", "#bdbdbd", "#00568c"
_NOTE, _NOTE_EDGE, _CAUTION, _CAUTION_EDGE = "#f3f1e4", "#8a6d00", "#fbece4", "#a84300"


def report_pdf(report: Report, paper: Paper = "a4") -> bytes:
    """Return the report as PDF, its pages numbered "3 of 7"."""
    from reportlab.platypus.doctemplate import LayoutError

    try:
        pages = _laid_out(report, paper, 0)[1]
        return _laid_out(report, paper, pages)[0]
    except LayoutError:
        raise OutputError(
            "The report holds something that is larger than a page, and cannot be laid out as PDF. Write it as .html."
        ) from None


def _laid_out(report: Report, paper: Paper, of: int) -> tuple[bytes, int]:
    """Return the PDF and how many pages it has; `of` is the number that its pages name as the last."""
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    new_canvas(report.title)  # registers the typefaces
    width, height = PAPERS_MM[paper]
    room = width - 2 * MARGIN_MM
    buffer = io.BytesIO()
    document = BaseDocTemplate(
        buffer, pagesize=(width * _MM, height * _MM), title=report.title, author="", creator="handcapture", invariant=1,
        lang="en", pageCompression=1,
    )  # fmt: skip
    pages = 0

    def foot(canvas: Any, _: Any) -> None:
        nonlocal pages
        pages = canvas.getPageNumber()
        canvas.saveState()
        canvas.setFont(FONT, 7.5)
        canvas.setFillGray(0.3)
        number = f"{pages} of {of}"
        canvas.drawRightString((width - MARGIN_MM) * _MM, 9.0 * _MM, number)
        canvas.drawString(MARGIN_MM * _MM, 9.0 * _MM, _cut(report.foot, (room - 25.0) * _MM))
        canvas.restoreState()

    frame = Frame(
        MARGIN_MM * _MM, MARGIN_MM * _MM, room * _MM, (height - 2 * MARGIN_MM) * _MM, leftPadding=0, rightPadding=0,
        topPadding=0, bottomPadding=0,
    )  # fmt: skip
    document.addPageTemplates([PageTemplate(frames=[frame], onPage=foot)])
    writer = _Writer(room, height - 2 * MARGIN_MM)
    document.build(writer.whole(report))
    return buffer.getvalue(), pages


def _cut(text: str, room: float) -> str:
    from reportlab.pdfbase.pdfmetrics import stringWidth

    while text and stringWidth(text, FONT, 7.5) > room:
        text = text[:-2].rstrip("…").rstrip() + "…"
    return text


class _Writer:
    """Makes flowables of a report's blocks; `room_mm` is the breadth, `height_mm` the height of a page's text."""

    def __init__(self, room_mm: float, height_mm: float) -> None:
        self.room_mm = room_mm
        self.height_mm = height_mm
        self.styles = _styles()

    def whole(self, report: Report) -> list[Flowable]:
        found = [self.paragraph(report.title, "title"), *self.facts(report.facts)]
        for section in report.sections:
            found += self.section(section)
        return found

    def paragraph(self, text: str, style: str) -> Flowable:
        from reportlab.platypus import Paragraph

        return Paragraph(escape(text) or "&nbsp;", self.styles[style])

    def section(self, section: Section) -> list[Flowable]:
        found: list[Flowable] = []
        waiting: list[Flowable] = [self.paragraph(section.title, "section")]
        after = [*section.blocks[1:], None]
        for block, then in zip(section.blocks, after, strict=True):
            if isinstance(block, Heading):
                waiting.append(self.paragraph(block.text, "heading"))
                continue
            if isinstance(block, Text) and isinstance(then, Picture) and waiting:
                waiting += self.text(block)  # what leads to a picture stays with it
                continue
            found += self.headed(waiting, block)
            waiting = []
        return found + waiting

    def headed(self, headings: list[Flowable], block: Block) -> list[Flowable]:
        """Return the block with its headings, which stay on the page on which it begins."""
        from reportlab.platypus import CondPageBreak, KeepTogether

        parts = self.block(block)
        if not headings:
            return parts
        first, rest = parts[0], parts[1:]
        if isinstance(first, KeepTogether):
            return [KeepTogether([*headings, *first._content]), *rest]
        return [CondPageBreak(_LEAST_ROOM_MM * _MM), *headings, *parts]

    def block(self, block: Block) -> list[Flowable]:
        makers: dict[type, Callable[[Any], list[Flowable]]] = {
            Text: self.text, Facts: self.facts, Table: self.table, Picture: self.picture,
        }  # fmt: skip
        return makers[type(block)](block)

    def text(self, text: Text) -> list[Flowable]:
        from reportlab.platypus import Spacer

        if text.tone == "plain":
            return [self.paragraph(paragraph, "text") for paragraph in text.paragraphs]
        last = len(text.paragraphs) - 1
        boxed = [
            self.boxed(paragraph, text.tone == "caution", number == 0, number == last)
            for number, paragraph in enumerate(text.paragraphs)
        ]
        return [Spacer(0, 1.5 * _MM), *boxed, Spacer(0, 1.5 * _MM)]

    def boxed(self, text: str, caution: bool, first: bool, last: bool) -> Flowable:
        from reportlab.lib.colors import HexColor
        from reportlab.platypus import Table as Grid

        ground, edge = (_CAUTION, _CAUTION_EDGE) if caution else (_NOTE, _NOTE_EDGE)
        box = Grid([[self.paragraph(text, "boxed")]], colWidths=[self.room_mm * _MM])
        box.setStyle(
            [
                ("BACKGROUND", (0, 0), (-1, -1), HexColor(ground)),
                ("LINEBEFORE", (0, 0), (0, -1), 2.5, HexColor(edge)),
                ("LEFTPADDING", (0, 0), (-1, -1), 3.5 * _MM),
                ("TOPPADDING", (0, 0), (-1, -1), (2.0 if first else 0.8) * _MM),
                ("BOTTOMPADDING", (0, 0), (-1, -1), (2.0 if last else 0.8) * _MM),
            ]
        )
        return box

    def facts(self, facts: Facts) -> list[Flowable]:
        from reportlab.platypus import KeepTogether
        from reportlab.platypus import Table as Grid

        rows = [[self.paragraph(name, "quiet"), self.paragraph(value, "cell")] for name, value in facts.entries]
        if not rows:
            return []
        grid = Grid(rows, colWidths=[42.0 * _MM, (self.room_mm - 42.0) * _MM], hAlign="LEFT")
        grid.setStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 0.5 * _MM),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0.5 * _MM),
            ]
        )
        return [KeepTogether([grid])] if len(rows) < _LONG_FACTS else [grid]

    def table(self, table: Table) -> list[Flowable]:
        from reportlab.lib.colors import HexColor
        from reportlab.platypus import CondPageBreak, KeepTogether
        from reportlab.platypus import Table as Grid

        head = [self.paragraph(c.head, "head-number" if c.kind == "number" else "head") for c in table.columns]
        rows = [
            [self.paragraph(cell, _cell_style(c)) for c, cell in zip(table.columns, row, strict=True)]
            for row in table.rows
        ]
        total = sum(column.share for column in table.columns)
        widths = [self.room_mm * _MM * column.share / total for column in table.columns]
        grid = Grid([head, *rows], colWidths=widths, repeatRows=1, hAlign="LEFT")
        grid.setStyle(
            [
                ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
                ("VALIGN", (0, 1), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, 0), 1.0, HexColor(_QUIET)),
                ("LINEBELOW", (0, 1), (-1, -1), 0.4, HexColor(_LINE)),
                ("LEFTPADDING", (0, 0), (-1, -1), 0.6 * _MM),
                ("RIGHTPADDING", (0, 0), (-1, -1), 1.6 * _MM),
                ("TOPPADDING", (0, 0), (-1, -1), 0.7 * _MM),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 0.9 * _MM),
            ]
        )
        parts = [
            self.paragraph(table.caption, "caption"),
            grid,
            *(self.paragraph(note, "note") for note in table.notes),
        ]
        height = sum(part.wrap(self.room_mm * _MM, self.height_mm * _MM)[1] for part in parts)
        if height < _WHOLE_SHARE * self.height_mm * _MM:
            return [KeepTogether(parts)]
        return [CondPageBreak(_LEAST_ROOM_MM * _MM), *parts]

    def picture(self, picture: Picture) -> list[Flowable]:
        from reportlab.platypus import Image, KeepTogether

        shrink = min(1.0, self.room_mm / picture.width_mm, (self.height_mm - 40.0) / picture.height_mm)
        width, height = picture.width_mm * shrink, picture.height_mm * shrink
        image = Image(io.BytesIO(picture.raster), width * _MM, height * _MM, hAlign="LEFT")
        return [KeepTogether([image, self.paragraph(picture.caption, "figure")])]


def _cell_style(column: Column) -> str:
    return {"text": "cell", "number": "number", "code": "code"}[column.kind]


def _styles() -> dict[str, ParagraphStyle]:
    from reportlab.lib.colors import HexColor
    from reportlab.lib.enums import TA_RIGHT
    from reportlab.lib.styles import ParagraphStyle

    def style(name: str, size: float, **fields: Any) -> ParagraphStyle:
        values = {"fontName": FONT, "leading": size * 1.35, "textColor": HexColor(_INK), "splitLongWords": 1, **fields}
        return ParagraphStyle(name, fontSize=size, **values)

    quiet = HexColor(_QUIET)
    return {
        "title": style("title", 18.0, fontName=BOLD, leading=23.0, spaceAfter=3.0 * _MM),
        "section": style(
            "section", 13.0, fontName=BOLD, textColor=HexColor(_ACCENT), spaceBefore=6.0 * _MM, spaceAfter=2.0 * _MM
        ),
        "heading": style("heading", 10.5, fontName=BOLD, spaceBefore=4.0 * _MM, spaceAfter=1.5 * _MM),
        "text": style("text", 9.0, spaceAfter=1.5 * _MM),
        "boxed": style("boxed", 9.0),
        "caption": style("caption", 9.0, fontName=BOLD, spaceBefore=3.0 * _MM, spaceAfter=0.8 * _MM),
        "figure": style("figure", 8.0, textColor=quiet, spaceBefore=0.8 * _MM, spaceAfter=3.0 * _MM),
        "note": style("note", 7.5, textColor=quiet, spaceBefore=0.8 * _MM, spaceAfter=1.2 * _MM),
        "quiet": style("quiet", 9.0, textColor=quiet),
        "cell": style("cell", 8.5, leading=11.0),
        "number": style("number", 8.5, leading=11.0, alignment=TA_RIGHT),
        "code": style("code", 6.5, leading=9.0),
        "head": style("head", 8.0, fontName=BOLD, leading=10.0),
        "head-number": style("head-number", 8.0, fontName=BOLD, leading=10.0, alignment=TA_RIGHT),
    }
