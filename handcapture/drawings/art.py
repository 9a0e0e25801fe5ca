"""The artist's outline: where artwork under the panel may go, in true size, as SVG or PDF."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final
from xml.etree import ElementTree

from handcapture.drawings.common import (
    build_warning,
    clean_label,
    format_mm,
    lines_in_circle,
    panel_words,
    revision_of,
)
from handcapture.drawings.contours import Contour, bounds_of, cut_contour, offset, rectangle
from handcapture.drawings.kerf import cutting
from handcapture.drawings.labels import disc_array, middle_of
from handcapture.drawings.printed_panel import checked_title
from handcapture.drawings.sheet import CHECK_RULE_MM, check_rule, paragraph
from handcapture.drawings.surroundings import names_on
from handcapture.drawings.svg import add_heading, add_text, new_svg, number, path_of, svg_bytes
from handcapture.errors import InputError
from handcapture.layout.model import KeepOut, Layout, Point
from handcapture.layout.outline import polyline, vertices_of
from handcapture.pdf_canvas import ACTUAL_SIZE, FAINT_MM, LINE_MM, MM_TO_POINTS, Pen, new_canvas

MOST_MM: Final = 50.0
"""Widest bleed and safe margin."""
RIM_CLEARANCE_MM: Final = 1.0
_AROUND_MM: Final = 8.0
_LINE_MM: Final = 5.0
_TYPE_MM: Final = 3.0
_RULE_ROOM_MM: Final = 8.0
_LEAST_OPENING_MM: Final = 12.0
"""Round openings smaller than this hold no name."""
_LAYERS: Final = "http://www.inkscape.org/namespaces/inkscape"
_GROUPS: Final = {
    "artwork": "fill:none;stroke:none",
    "keep-clear": "fill:#B00020;fill-opacity:0.10;stroke:#B00020;stroke-width:0.15",
    "bleed": "fill:none;stroke:#0072B2;stroke-width:0.25",
    "safe": "fill:none;stroke:#009E73;stroke-width:0.25;stroke-dasharray:2 1",
    "outline": "fill:none;stroke:#000000;stroke-width:0.25",
    "labels": "fill:#3A434A;stroke:none",
    "notes": "fill:#1A1A1A;stroke:none",
}
"""Groups, lowest first, and how they look; colours by Okabe and Ito (2008)."""


@dataclass(frozen=True)
class Art:
    """The lines of an artist's outline, panel frame: circles as centre and diameter, all else as closed lines.

    Labels have their middle, text and type size.
    """

    outline: Contour
    holes: tuple[tuple[Point, float], ...]
    openings: tuple[Contour, ...]
    clear_circles: tuple[tuple[Point, float], ...]
    clear_lines: tuple[Contour, ...]
    bleed: tuple[Contour, ...]
    safe: tuple[Contour, ...]
    labels: tuple[tuple[Point, str, float], ...]
    notes: tuple[str, ...]


def art_of(layout: Layout, *, bleed_mm: float = 3.0, safe_mm: float = 3.0, labels: bool = False) -> Art:
    """Return the lines for an artist. InputError when the layout cannot be drawn, or bleed or safe margin cannot be.

    Keep clear are each hole with its rim and 1 mm more, each cut with 1 mm more, and the keep-outs above the panel.
    """
    nominal, panel = cutting(layout), layout.panel
    for what, value in (("bleed", bleed_mm), ("safe margin", safe_mm)):
        if not (math.isfinite(value) and 0 <= value <= MOST_MM):
            raise InputError(f"The {what} is {value:g} mm, but it must lie between 0 and {MOST_MM:g} mm.")
    outline = vertices_of(panel)
    safe = offset(outline, -safe_mm)
    if not safe.contours:
        raise InputError(
            f"A safe margin of {safe_mm:g} mm leaves nothing of a panel of {format_mm(panel.width_mm)} × "
            f"{format_mm(panel.height_mm)} mm. Give a smaller one."
        )
    circles = [(b.centre_mm, 2 * (b.top_radius_mm + RIM_CLEARANCE_MM)) for b in layout.buttons]
    lines: list[Contour] = []
    for cut in panel.cuts:
        if cut.shape == "circle":
            circles.append((cut.centre_mm, cut.diameter_mm + 2 * RIM_CLEARANCE_MM))
        else:
            lines += offset(cut_contour(cut), RIM_CLEARANCE_MM).contours
    above = [keep_out for keep_out in panel.keep_outs if keep_out.face != "below"]
    for keep_out in above:
        if keep_out.shape == "circle":
            circles.append((keep_out.centre_mm, keep_out.diameter_mm))
        else:
            lines.append(rectangle(keep_out.centre_mm, keep_out.size_mm))
    round_cuts = [(cut.centre_mm, cut.diameter_mm) for cut in panel.cuts if cut.shape == "circle"]
    return Art(
        outline,
        tuple((button.centre_mm, diameter) for button, diameter in nominal.holes) + tuple(round_cuts),
        tuple(cut_contour(cut) for cut in panel.cuts if cut.shape == "rectangle"),
        tuple(circles),
        tuple(lines),
        offset(outline, bleed_mm).contours,
        safe.contours,
        _labels(layout, safe.contours, tuple(above)) if labels else (),
        _notes(layout, bleed_mm, safe_mm),
    )


def _labels(
    layout: Layout, safe: Sequence[Contour], above: tuple[KeepOut, ...]
) -> tuple[tuple[Point, str, float], ...]:
    """Return names with their middles and type sizes: in holes where they fit, else within the safe line."""
    texts = []
    for button in layout.buttons:
        name, (x, y) = clean_label(button.label), button.centre_mm
        lines = lines_in_circle(name, button.hole_mm / 2, 0.0, _TYPE_MM)
        texts += [((x, y + offset), line, size) for line, offset, size in lines]
    left, top, right, bottom = bounds_of(safe)
    shown = replace(layout, panel=replace(layout.panel, keep_outs=above, side_features=()))
    spots = [(x, y, 0.8) for contour in safe for x, y in polyline(contour).tolist()]
    # No name on what is to be kept clear; larger openings may hold their own.
    spots += [(*button.centre_mm, button.top_radius_mm + RIM_CLEARANCE_MM) for button in layout.buttons]
    small = [cut for cut in layout.panel.cuts if cut.shape == "circle" and cut.diameter_mm < _LEAST_OPENING_MM]
    spots += [(*cut.centre_mm, cut.diameter_mm / 2 + RIM_CLEARANCE_MM) for cut in small]
    spots += [
        (*keep_out.centre_mm, keep_out.diameter_mm / 2)
        for keep_out in above
        if keep_out.shape == "circle" and keep_out.diameter_mm < _LEAST_OPENING_MM
    ]
    texts += [
        (middle_of(name.box), name.text, _TYPE_MM)
        for name in names_on(shown, _TYPE_MM, (left + 1.0, top + 1.0, right - 1.0, bottom - 1.0), disc_array(spots))
    ]
    return tuple(text for text in texts if text[1])


def _notes(layout: Layout, bleed_mm: float, safe_mm: float) -> tuple[str, ...]:
    title = clean_label(layout.name, 60) or "Panel"
    warning = build_warning(layout)
    return (
        f"{title}, {revision_of(layout)}: {panel_words(layout.panel)}",
        f"True size, seen from above, the person's edge at the bottom. {ACTUAL_SIZE}",
        "Black, group outline: the panel's edge, its holes and cuts, at nominal size.",
        f"Blue, group bleed: carry the artwork out to here, {format_mm(bleed_mm)} mm beyond the edge; it is trimmed.",
        f"Green and dashed, group safe: keep what must be seen inside, {format_mm(safe_mm)} mm from the edge.",
        "Red, group keep-clear: holes with rims and 1 mm more, cuts and 1 mm more, and what stands on the panel: "
        "covered or cut away.",
        "Put the artwork into the group artwork, which lies below all lines; hide the others before printing.",
        *((warning,) if warning else ()),
    )


def art_svg(layout: Layout, *, bleed_mm: float = 3.0, safe_mm: float = 3.0, labels: bool = False) -> bytes:
    """Return the artist's outline as SVG in true size, panel frame, one user unit a millimetre. See `art_of`.

    The groups artwork (empty), keep-clear, bleed, safe, outline, labels (where wished) and notes are layers to editors
    that know layers.
    """
    art = art_of(layout, bleed_mm=bleed_mm, safe_mm=safe_mm, labels=labels)
    left, top, width, height, text_top = _page(art)
    root = new_svg(width, height, (left, top))
    root.set("xmlns:inkscape", _LAYERS)
    add_heading(root, layout, art.notes)
    groups = {
        name: ElementTree.SubElement(
            root, "g", {"id": name, "inkscape:groupmode": "layer", "inkscape:label": name, "style": style}
        )
        for name, style in _GROUPS.items()
        if name != "labels" or labels
    }
    for name, circles, lines in _groups(art):
        for centre, diameter in circles:
            place = {"cx": number(centre[0]), "cy": number(centre[1]), "r": number(diameter / 2)}
            ElementTree.SubElement(groups[name], "circle", place)
        for line in lines:
            ElementTree.SubElement(groups[name], "path", {"d": path_of(line)})
    for centre, text, size in art.labels:
        place = {"x": number(centre[0]), "y": number(centre[1] + 0.36 * size), "text-anchor": "middle"}
        add_text(groups["labels"], "text", text, place | {"font-size": number(size)})
    for row, text in enumerate(art.notes):
        place = {"x": number(left + _AROUND_MM), "y": number(text_top + _LINE_MM * row)}
        add_text(groups["notes"], "text", text, place | {"font-size": number(_TYPE_MM)})
    return svg_bytes(root)


def _groups(art: Art) -> tuple[tuple[str, tuple[tuple[Point, float], ...], tuple[Contour, ...]], ...]:
    return (
        ("keep-clear", art.clear_circles, art.clear_lines),
        ("bleed", (), art.bleed),
        ("safe", (), art.safe),
        ("outline", art.holes, (art.outline, *art.openings)),
    )


def _page(art: Art) -> tuple[float, float, float, float, float]:
    """Return the page's left, top, width and height, and where the notes begin, panel frame, mm."""
    left, top, right, bottom = bounds_of([art.outline, *art.bleed])
    # The longest note has some 130 letters: room for it on small panels too.
    width = max(right - left, 0.56 * _TYPE_MM * max(len(line) for line in art.notes)) + 2 * _AROUND_MM
    text_top = bottom + _AROUND_MM
    height = text_top + _LINE_MM * len(art.notes) - top + _AROUND_MM
    return left - _AROUND_MM, top - _AROUND_MM, width, height + _AROUND_MM, text_top


def art_pdf(layout: Layout, *, bleed_mm: float = 3.0, safe_mm: float = 3.0, labels: bool = False) -> bytes:
    """Return the artist's outline as a PDF of one page in true size, as large as it takes. See `art_of`."""
    title = checked_title(layout, "outline for artwork")
    art = art_of(layout, bleed_mm=bleed_mm, safe_mm=safe_mm, labels=labels)
    left, top, width, height, text_top = _page(art)
    width, height = max(width, CHECK_RULE_MM + 2 * _AROUND_MM + 8.0), height + _RULE_ROOM_MM
    canvas, buffer = new_canvas(title)
    canvas.setPageSize((width * MM_TO_POINTS, height * MM_TO_POINTS))
    pen = Pen(canvas, height, (-left, -top))
    looks = {
        "keep-clear": ("#B00020", FAINT_MM, ()),
        "bleed": ("#0072B2", LINE_MM, ()),
        "safe": ("#009E73", LINE_MM, (2.0, 1.0)),
        "outline": ("#000000", LINE_MM, ()),
    }
    for name, circles, lines in _groups(art):
        colour, breadth, dashes = looks[name]
        pen.style(breadth, 0.0, dashes)
        canvas.setStrokeColor(colour)
        for centre, diameter in circles:
            pen.circle(centre, diameter / 2)
        for line in lines:
            pen.contour(line)
    for centre, text, size in art.labels:
        pen.text(centre, text, size, centred=True)
    for row, text in enumerate(art.notes):
        place = (left + _AROUND_MM, text_top - 0.85 * _TYPE_MM + _LINE_MM * row)
        paragraph(pen, place, text, _TYPE_MM, 2 * width, bold=text.startswith("NOT "))
    check_rule(pen, (left + _AROUND_MM, text_top + _LINE_MM * len(art.notes) + 3.0))
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()
