"""The cut sheet: one page by which a shop can price and make the panel."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from typing import Final

from handcapture.drawings.common import NOMINAL, clean_label, cut_size, format_mm, kerf_note
from handcapture.drawings.contours import area_mm2, length_mm
from handcapture.drawings.drill_sheet import tolerance_words
from handcapture.drawings.kerf import corner_note, cutting
from handcapture.drawings.printed_panel import checked_title
from handcapture.drawings.sheet import (
    MARGIN_MM,
    Picture,
    cautions,
    frame,
    heading,
    paper_mm,
    paragraph,
    wrapped,
)
from handcapture.drawings.tolerances import NAME
from handcapture.errors import InputError
from handcapture.layout.model import Layout, Point
from handcapture.pdf_canvas import FAINT_MM, MM_TO_POINTS, Pen, new_canvas, text_length

MOST_PIECES: Final = 100_000
_TYPE_MM: Final = 2.8
_KEY_MM: Final = 46.0
_PICTURE_MM: Final = 105.0
_LEAST_PICTURE_MM: Final = 40.0
"""Greatest and least height of the picture."""
_WORKING: Final = (
    "Deburr every edge, on both faces of metal; break sharp edges. Leave masking film on until the panel is mounted. "
    "Cut the holes before the outline, so that the plate still lies firm."
)
"""Common practice of workshops, no source."""


def cut_facts(
    layout: Layout, *, quantity: int = 1, kerf_mm: float = 0.0, files: Sequence[str] = ()
) -> list[tuple[str, str]]:
    """Return what the sheet states, as pairs of name and text. Lengths and areas are those of the nominal lines.

    `kerf_mm` is what the files that go with the sheet allow for. InputError when the layout, the kerf or the quantity
    cannot be.
    """
    if not 1 <= quantity <= MOST_PIECES:
        raise InputError(f"The quantity is {quantity}, but it must be a number of pieces, 1 to {MOST_PIECES}.")
    cutting(layout, kerf_mm)
    nominal, panel = cutting(layout), layout.panel
    holes = Counter(round(diameter, 3) for _, diameter in nominal.holes)
    round_cuts = Counter(round(cut.diameter_mm, 3) for cut in panel.cuts if cut.shape == "circle")
    others = Counter(cut_size(cut) for cut in panel.cuts if cut.shape == "rectangle")
    outline = length_mm(nominal.outline)
    hole_length = sum(math.pi * diameter for _, diameter in nominal.holes)
    other_length = nominal.length_mm - outline - hole_length
    lines = 1 + len(nominal.holes) + len(panel.cuts)
    size = f"{format_mm(panel.width_mm)} × {format_mm(panel.height_mm)} mm"
    if panel.outline:
        shape = "as drawn, with arcs" if any(bulge for *_, bulge in panel.outline) else "as drawn, straight"
    elif panel.corner_radius_mm:
        shape = f"rectangle, corners R{format_mm(panel.corner_radius_mm)}"
    else:
        shape = "rectangle, square corners"
    facts = [
        ("Quantity", f"{quantity} {'piece' if quantity == 1 else 'pieces'}"),
        ("Bounding box", size),
        ("Outline", shape),
        ("Button holes", f"{len(nominal.holes)}: {_by_size(holes)}" if holes else "none"),
        ("Other round holes", f"{sum(round_cuts.values())}: {_by_size(round_cuts)}" if round_cuts else "none"),
        ("Other cuts", "; ".join(f"{count} × {words}" for words, count in others.items()) if others else "none"),
        (
            "Cut length, one piece",
            f"{nominal.length_mm:.0f} mm: outline {outline:.0f}, button holes {hole_length:.0f}, others "
            f"{other_length:.0f}; {lines} closed lines",
        ),
    ]
    if quantity > 1:
        total = quantity * nominal.length_mm / 1000
        facts.append((f"Cut length, {quantity} pieces", f"{total:.1f} m; {quantity * lines} closed lines"))
    facts += [
        (
            "Area",
            f"{area_mm2(nominal.outline) / 100:.1f} cm² within the outline, {nominal.area_mm2 / 100:.1f} cm² without "
            f"holes and cuts; stock {panel.width_mm * panel.height_mm / 100:.1f} cm²",
        ),
        ("General tolerances", f"{NAME}, where nothing else is said"),
        (
            "Kerf",
            " ".join((kerf_note(kerf_mm), *corner_note(layout, kerf_mm)))
            if kerf_mm
            else f"Files are {NOMINAL}. The shop allows for its kerf, once.",
        ),
    ]
    if files:
        facts.append(("Files", ", ".join(clean_label(name, 80) for name in files)))
    return facts


def _by_size(sizes: Counter[float]) -> str:
    return ", ".join(f"{n} × Ø{format_mm(size)} ±{tolerance_words(size)}" for size, n in sorted(sizes.items()))


def cut_sheet_pdf(
    layout: Layout, paper: str = "a4", *, quantity: int = 1, kerf_mm: float = 0.0, files: Sequence[str] = ()
) -> bytes:
    """Return the cut sheet, a PDF of one standing page. InputError as `cut_facts`, and for an unknown paper."""
    facts = cut_facts(layout, quantity=quantity, kerf_mm=kerf_mm, files=files)
    height, width = paper_mm(paper)
    canvas, buffer = new_canvas(checked_title(layout, "cut sheet"))
    canvas.setPageSize((width * MM_TO_POINTS, height * MM_TO_POINTS))
    pen = Pen(canvas, height)
    frame(pen, (width, height))
    inner = width - 2 * MARGIN_MM
    y = heading(pen, layout, (MARGIN_MM, MARGIN_MM), inner) + 4.0
    size, picture_mm = _fitting(facts, inner, height - MARGIN_MM - y - 6.0)
    y = _draw_picture(pen, layout, (MARGIN_MM, y), (inner, picture_mm)) + 6.0
    pen.style(FAINT_MM, 0.6)
    for key, text in facts:
        pen.text((MARGIN_MM, y + 0.85 * size), key, size, bold=True, grey=0.0)
        y = paragraph(pen, (MARGIN_MM + _KEY_MM, y), text, size, inner - _KEY_MM, bold=_is_loud(text)) + 1.0
        pen.line((MARGIN_MM, y - 0.6), (width - MARGIN_MM, y - 0.6))
    y += 2.0
    for text in (_WORKING, cautions()):
        y = paragraph(pen, (MARGIN_MM, y), text, 0.86 * size, inner) + 1.5
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _is_loud(text: str) -> bool:
    return text.startswith("KERF")


def _fitting(facts: Sequence[tuple[str, str]], inner_mm: float, room_mm: float) -> tuple[float, float]:
    """Return the type size at which all facts go on the page, and the height left for the picture."""
    size, left = _TYPE_MM, 0.0
    while True:
        broken = [wrapped(text, size, inner_mm - _KEY_MM, bold=_is_loud(text)) for _, text in facts]
        used = sum(1.35 * size * len(lines) + 1.0 for lines in broken)
        below = [wrapped(text, 0.86 * size, inner_mm) for text in (_WORKING, cautions())]
        used += 2.0 + sum(1.35 * 0.86 * size * len(lines) + 1.5 for lines in below)
        left = room_mm - used - 18.0
        if left > _LEAST_PICTURE_MM or size < 1.4:
            return size, max(min(left, _PICTURE_MM), _LEAST_PICTURE_MM)
        size -= 0.2


def _draw_picture(pen: Pen, layout: Layout, place: Point, size_mm: Point) -> float:
    """Draw the panel, not to scale, with its width and height; return where the picture ends, y in mm."""
    panel = layout.panel
    room = 12.0
    width_mm, height_mm = size_mm
    scale = max(panel.width_mm / (width_mm - room - 4.0), panel.height_mm / height_mm, 1.0)
    wide, high = panel.width_mm / scale, panel.height_mm / scale
    left, top = place[0] + room + (width_mm - room - wide) / 2, place[1] + room
    picture = Picture((left, top), scale)
    picture.draw(pen, layout)
    pen.style(FAINT_MM, 0.0)
    for x in (left, left + wide):
        pen.line((x, top - 8.0), (x, top - 1.5))
    for y in (top, top + high):
        pen.line((left - 8.0, y), (left - 1.5, y))
    pen.line((left, top - 6.5), (left + wide, top - 6.5))
    pen.line((left - 6.5, top), (left - 6.5, top + high))
    for tip, direction in (
        ((left, top - 6.5), (-1.0, 0.0)),
        ((left + wide, top - 6.5), (1.0, 0.0)),
        ((left - 6.5, top), (0.0, -1.0)),
        ((left - 6.5, top + high), (0.0, 1.0)),
    ):
        pen.arrow(tip, direction)
    text = format_mm(panel.width_mm)
    pen.text((left + wide / 2 - text_length(text, 3.0) / 2, top - 7.3), text, 3.0, grey=0.0)
    middle = top + high / 2 + text_length(format_mm(panel.height_mm), 3.0) / 2
    pen.text((left - 7.3, middle), format_mm(panel.height_mm), 3.0, grey=0.0, turned=True)
    note = "The picture is not to scale. Seen from above, the person's edge at the bottom. All sizes in mm."
    pen.text((place[0], top + high + 5.0), note, 2.3, grey=0.0)
    return top + high + 5.5
