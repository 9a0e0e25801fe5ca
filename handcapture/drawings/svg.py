"""The layout as SVG: for a browser, and for cutters that read it."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from typing import Final
from xml.etree import ElementTree

from handcapture.drawings.common import (
    clean_label,
    cut_size,
    describe_button,
    describe_keep_out,
    describe_side_feature,
    drawing_notes,
    format_mm,
    largest_letters,
    lines_in_circle,
)
from handcapture.drawings.contours import Contour, bounds_of, cut_contour, pieces_of
from handcapture.drawings.kerf import Cutting, corner_note, cutting
from handcapture.drawings.labels import middle_of
from handcapture.drawings.surroundings import names_on
from handcapture.layout.model import Button, Cut, KeepOut, Layout, Point
from handcapture.layout.outline import side_keep_out
from handcapture.lettering import text_width
from handcapture.names import Side

_SVG: Final = "http://www.w3.org/2000/svg"
_DC: Final = "http://purl.org/dc/elements/1.1/"
_BORDER_MM: Final = 8.0
_NOTE_MM: Final = 3.2
_KEEP_OUT_TYPE_MM: Final = 2.6
_SIDE_COLOURS: Final[dict[Side, str]] = {"left": "#0072B2", "right": "#B34E00"}
"""Okabe and Ito's blue and a darkened vermilion (2008), for text on white; the sides differ in words too."""


def layout_svg(layout: Layout, *, kerf_mm: float = 0.0) -> bytes:
    """Return the layout as an SVG file in true size: one user unit is one millimetre.

    The panel frame is kept (origin top-left, x right, y down), with a border around it. The group `cut` holds the
    outline, the holes and the other cuts, at nominal size, or with `kerf_mm` (the full width of the cut) moved by half
    of it into the waste; notes and data then say so. The group `keep-out` holds the places where no hole may come, the
    group `reference` everything else that is not to be cut: names, centres, rims, and dashed what lies below.

    What an element is stands in its data-kind (outline, button, cut, keep-out), with data-label, data-side,
    data-finger, data-row, data-name, data-face, data-clearance-mm, data-headroom-mm; the outline's thickness, material,
    edge, web and kerf alike. InputError when the layout or the kerf cannot be drawn.
    """
    cut = cutting(layout, kerf_mm)
    notes = drawing_notes(layout, kerf_mm, more=corner_note(layout, kerf_mm))
    if not cut.exact:
        notes = (*notes, "The outline with kerf is made of short straight pieces, within 0.005 mm of its arcs.")
    widest = max(0.9 * text_width(line, _NOTE_MM * 0.72) for line in notes)
    width = max(layout.panel.width_mm, widest) + 2 * _BORDER_MM
    height = layout.panel.height_mm + 2 * _BORDER_MM + 5.0 * len(notes)
    left, top, _, _ = bounds_of([cut.outline])
    root = new_svg(width, height, (min(left, 0.0) - _BORDER_MM, min(top, 0.0) - _BORDER_MM))
    add_heading(root, layout, notes)

    keep_outs = ElementTree.SubElement(
        root,
        "g",
        {"id": "keep-out", "class": "keep-out", "fill": "#5B6770", "fill-opacity": "0.08"}
        | {"stroke": "#5B6770", "stroke-width": "0.15", "stroke-dasharray": "1.5 1"},
    )
    for keep_out in layout.panel.keep_outs:
        _draw_keep_out(keep_outs, keep_out)
    _draw_reference(root, layout, notes)
    group = ElementTree.SubElement(
        root,
        "g",
        {"id": "cut", "class": "cut", "fill": "none", "stroke": "#000000", "stroke-width": "0.2"},
    )
    _draw_cuts(group, layout, cut)
    return svg_bytes(root)


def new_svg(width_mm: float, height_mm: float, corner_mm: Point) -> ElementTree.Element:
    """Return an empty drawing in true size whose top-left corner lies at `corner_mm`."""
    return ElementTree.Element(
        "svg",
        {
            "xmlns": _SVG,
            "xmlns:dc": _DC,
            "version": "1.1",
            "width": f"{number(width_mm)}mm",
            "height": f"{number(height_mm)}mm",
            "viewBox": " ".join(number(value) for value in (*corner_mm, width_mm, height_mm)),
            "style": "background:#fff",
            "font-family": "'DejaVu Sans', Verdana, Arial, sans-serif",
        },
    )


def add_heading(root: ElementTree.Element, layout: Layout, notes: Sequence[str]) -> None:
    """Add title, description and metadata."""
    add_text(root, "title", clean_label(layout.name, 120) or "Panel layout")
    add_text(root, "desc", " ".join(notes))
    metadata = ElementTree.SubElement(root, "metadata")
    for name, value in (
        ("dc:title", layout.name),
        ("dc:identifier", f"revision {layout.revision}"),
        ("dc:date", layout.created),
        ("dc:source", layout.rest_sha256),
    ):
        if value:
            add_text(metadata, name, clean_label(value, None))
    add_text(metadata, "dc:format", "image/svg+xml")
    add_text(metadata, "dc:creator", "handcapture")


def svg_bytes(root: ElementTree.Element) -> bytes:
    """Return the drawing as a file."""
    ElementTree.indent(root)
    data = io.BytesIO()
    ElementTree.ElementTree(root).write(data, encoding="utf-8", xml_declaration=True)
    return data.getvalue() + b"\n"


def path_of(contour: Contour) -> str:
    """Return a closed line as SVG path data: straight pieces as lines, arcs as arcs.

    An arc of half a turn or more becomes two: how readers take one whose end says little about its way differs.
    """
    parts = [f"M{number(contour[0][0])} {number(contour[0][1])}"]
    for piece in pieces_of(contour):
        if piece.radius_mm == 0.0:
            parts.append(f"L{number(piece.end[0])} {number(piece.end[1])}")
            continue
        radius, sweep = number(piece.radius_mm), int(piece.turn > 0)
        ends = [piece.end] if abs(piece.turn) < math.pi - 0.01 else [piece.point_at(0.5), piece.end]
        parts += [f"A{radius} {radius} 0 0 {sweep} {number(x)} {number(y)}" for x, y in ends]
    return "".join(parts) + "Z"


def _draw_cuts(group: ElementTree.Element, layout: Layout, cut: Cutting) -> None:
    panel = layout.panel
    data = {"data-kind": "outline"}
    if panel.thickness_mm is not None:
        data["data-thickness-mm"] = number(panel.thickness_mm)
    if panel.material:
        data["data-material"] = clean_label(panel.material, None)
    data |= {"data-edge-mm": number(panel.edge_mm), "data-web-mm": number(panel.web_mm)}
    if cut.kerf_mm:
        data["data-kerf-mm"] = number(cut.kerf_mm)
    ElementTree.SubElement(group, "path", {"class": "outline", "d": path_of(cut.outline)} | data)
    for button, diameter in cut.holes:
        data = {"data-kind": "button", "data-label": clean_label(button.label, None), "data-side": button.side}
        data |= {"data-finger": button.finger, "data-row": button.row}
        element = _draw_circle(group, button.centre_mm, diameter, {"class": "hole"} | data)
        add_text(element, "title", describe_button(button))
    for nominal, other in zip(panel.cuts, cut.cuts, strict=True):
        element = _draw_opening(group, other)
        add_text(element, "title", f"Cut: {clean_label(nominal.name)}, {cut_size(nominal)}")


def _draw_opening(group: ElementTree.Element, cut: Cut) -> ElementTree.Element:
    data = {"class": "opening", "data-kind": "cut", "data-name": clean_label(cut.name, None)}
    if cut.shape == "circle":
        return _draw_circle(group, cut.centre_mm, cut.diameter_mm, data)
    return ElementTree.SubElement(group, "path", data | {"d": path_of(cut_contour(cut))})


def _draw_circle(
    group: ElementTree.Element, centre: Point, diameter_mm: float, attributes: dict[str, str]
) -> ElementTree.Element:
    place = {"cx": number(centre[0]), "cy": number(centre[1]), "r": number(diameter_mm / 2)}
    return ElementTree.SubElement(group, "circle", attributes | place)


def _draw_rectangle(
    group: ElementTree.Element, centre: Point, size: Point, attributes: dict[str, str]
) -> ElementTree.Element:
    place = {"x": number(centre[0] - size[0] / 2), "y": number(centre[1] - size[1] / 2)}
    place |= {"width": number(size[0]), "height": number(size[1])}
    return ElementTree.SubElement(group, "rect", attributes | place)


def _draw_keep_out(group: ElementTree.Element, keep_out: KeepOut) -> None:
    data = {"class": "keep-out", "data-kind": "keep-out", "data-name": clean_label(keep_out.name, None)}
    data |= {"data-face": keep_out.face, "data-clearance-mm": number(keep_out.clearance_mm)}
    if keep_out.headroom_mm is not None:
        data["data-headroom-mm"] = number(keep_out.headroom_mm)
    if keep_out.shape == "circle":
        element = _draw_circle(group, keep_out.centre_mm, keep_out.diameter_mm, data)
    else:
        element = _draw_rectangle(group, keep_out.centre_mm, keep_out.size_mm, data)
    add_text(element, "title", f"Keep-out: {describe_keep_out(keep_out)}")


def _draw_reference(root: ElementTree.Element, layout: Layout, notes: Sequence[str]) -> None:
    group = ElementTree.SubElement(
        root,
        "g",
        {
            "id": "reference",
            "class": "reference",
            "fill": "none",
            "stroke": "#5B6770",
            "stroke-width": "0.15",
        },
    )
    panel = layout.panel
    for feature in panel.side_features:
        place = side_keep_out(panel, feature)
        style = {"class": "side-feature", "stroke-dasharray": "0.8 0.8"}
        element = _draw_rectangle(group, place.centre_mm, place.size_mm, style)
        add_text(element, "title", describe_side_feature(feature))
    for button in layout.buttons:
        _draw_part(group, button)
        _draw_button_marks(group, button)
    for name in names_on(layout, _KEEP_OUT_TYPE_MM):
        _add_label(group, name.text, middle_of(name.box), _KEEP_OUT_TYPE_MM, "#3A434A")
    for row, line in enumerate(notes):
        warning = line.startswith(("NOT ", "KERF "))
        attributes = {
            "class": "note",
            "x": "0",
            "y": number(panel.height_mm + _BORDER_MM + 1.0 + 5.0 * row),
            "font-size": number(_NOTE_MM),
            "fill": "#B00020" if warning else "#1A1A1A",
            "stroke": "none",
            "font-weight": "bold" if warning or row == 0 else "normal",
        }
        add_text(group, "text", line, attributes)


def _draw_part(group: ElementTree.Element, button: Button) -> None:
    """Draw the rim on top, and dashed the body and the nut below, where they are known."""
    part = button.part
    if part is None:
        return
    if part.rim_mm > button.hole_mm:
        _draw_circle(group, button.centre_mm, part.rim_mm, {"class": "rim", "stroke-width": "0.1"})
    for diameter in sorted({part.body_mm, part.nut_mm}):
        if diameter > 0:
            style = {"class": "body", "stroke-width": "0.1", "stroke-dasharray": "0.8 0.8"}
            _draw_circle(group, button.centre_mm, diameter, style)


def _draw_button_marks(group: ElementTree.Element, button: Button) -> None:
    """Draw label and diameter inside the hole, the centre mark, and the finger's wish."""
    x, y = button.centre_mm
    radius = button.hole_mm / 2
    colour = _SIDE_COLOURS[button.side]
    label, finger = clean_label(button.label), f"{button.side} {button.finger}"
    for text, offset, size in lines_in_circle(label, radius, -0.42 * radius, radius / 3.2) if label else []:
        _add_label(group, text, (x, y + offset), size, colour, **{"font-weight": "bold"})
    lines = [(f"Ø{format_mm(button.hole_mm)}", 0.4, radius / 4.5)]
    if label.casefold() != finger:
        lines.append((finger, 0.68, radius / 6))
    for text, offset, largest in lines:
        size = largest_letters(text, radius, offset * radius, largest)
        _add_label(group, text, (x, y + offset * radius), size, colour, **{"font-weight": "normal"})
    arm = min(2.0, radius / 4)
    cross = f"M{number(x - arm)} {number(y)}H{number(x + arm)}M{number(x)} {number(y - arm)}V{number(y + arm)}"
    ElementTree.SubElement(group, "path", {"class": "centre", "d": cross})
    wish_x, wish_y = button.wish_mm
    if math.dist(button.centre_mm, button.wish_mm) > 0.1:
        path = (
            f"M{number(x)} {number(y)}L{number(wish_x)} {number(wish_y)}"
            f"M{number(wish_x - 0.8)} {number(wish_y - 0.8)}l1.6 1.6m0 -1.6l-1.6 1.6"
        )
        wish = {"class": "wish", "d": path, "stroke": colour}
        add_text(
            ElementTree.SubElement(group, "path", wish),
            "title",
            f"Where the {button.side} {button.finger} finger wanted {clean_label(button.label)}",
        )


def _add_label(group: ElementTree.Element, text: str, centre: Point, size: float, colour: str, **more: str) -> None:
    """Add text centred on a point, with a white edge so that lines behind do not disturb it."""
    attributes = {
        "class": "label",
        "x": number(centre[0]),
        "y": number(centre[1] + 0.36 * size),
        "font-size": number(size),
        "text-anchor": "middle",
        "fill": colour,
        "stroke": "#FFFFFF",
        "stroke-width": number(0.18 * size),
        "stroke-linejoin": "round",
        "paint-order": "stroke",
    }
    add_text(group, "text", text, attributes | more)


def add_text(
    parent: ElementTree.Element, tag: str, text: str, attributes: dict[str, str] | None = None
) -> ElementTree.Element:
    """Add an element that holds text."""
    element = ElementTree.SubElement(parent, tag, attributes or {})
    element.text = text
    return element


def number(value: float) -> str:
    """Return a number to a ten-thousandth of a millimetre, without an exponent."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
