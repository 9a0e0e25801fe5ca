"""The layout as SVG: for a browser, and for cutters that read it."""

from __future__ import annotations

import io
import math
from typing import Final
from xml.etree import ElementTree

from handcapture.drawings.common import (
    check_drawable,
    clean_label,
    describe_button,
    describe_keep_out,
    drawing_notes,
    format_mm,
    keep_out_names,
    largest_letters,
    text_width,
)
from handcapture.layout.model import Button, Layout, Panel, Point
from handcapture.names import Side

_SVG: Final = "http://www.w3.org/2000/svg"
_DC: Final = "http://purl.org/dc/elements/1.1/"
_BORDER_MM: Final = 8.0
_NOTE_MM: Final = 3.2
_KEEP_OUT_TYPE_MM: Final = 2.6
_SIDE_COLOURS: Final[dict[Side, str]] = {"left": "#0072B2", "right": "#B34E00"}
"""Okabe and Ito's blue and a darkened vermilion (2008), for text on white; the sides differ in words too."""


def layout_svg(layout: Layout) -> bytes:
    """Return the layout as an SVG file in true size: one user unit is one millimetre.

    The panel frame is kept (origin top-left, x right, y down), with a border around it. The group `cut` holds
    the outline and the holes at nominal size without kerf, the group `reference` everything that is not to be
    cut. InputError when the layout cannot be drawn.
    """
    check_drawable(layout)
    panel = layout.panel
    notes = drawing_notes(layout)
    widest = max(0.9 * text_width(line, _NOTE_MM * 0.72) for line in notes)
    width = max(panel.width_mm, widest) + 2 * _BORDER_MM
    height = panel.height_mm + 2 * _BORDER_MM + 5.0 * len(notes)
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": _SVG,
            "xmlns:dc": _DC,
            "version": "1.1",
            "width": f"{_number(width)}mm",
            "height": f"{_number(height)}mm",
            "viewBox": f"{_number(-_BORDER_MM)} {_number(-_BORDER_MM)} {_number(width)} {_number(height)}",
            "style": "background:#fff",
            "font-family": "'DejaVu Sans', Verdana, Arial, sans-serif",
        },
    )
    _add_text(root, "title", clean_label(layout.name, 120) or "Panel layout")
    _add_text(root, "desc", " ".join(notes))
    metadata = ElementTree.SubElement(root, "metadata")
    for name, value in (
        ("dc:title", layout.name),
        ("dc:date", layout.created),
        ("dc:source", layout.rest_sha256),
    ):
        if value:
            _add_text(metadata, name, clean_label(value, None))
    _add_text(metadata, "dc:format", "image/svg+xml")

    _draw_reference(root, layout)
    cut = ElementTree.SubElement(
        root,
        "g",
        {"id": "cut", "class": "cut", "fill": "none", "stroke": "#000000", "stroke-width": "0.2"},
    )
    ElementTree.SubElement(cut, "path", {"class": "outline", "d": _outline_path(panel)})
    for button in layout.buttons:
        x, y = button.centre_mm
        hole = {"class": "hole", "cx": _number(x), "cy": _number(y), "r": _number(button.hole_mm / 2)}
        _add_text(ElementTree.SubElement(cut, "circle", hole), "title", describe_button(button))
    ElementTree.indent(root)
    data = io.BytesIO()
    ElementTree.ElementTree(root).write(data, encoding="utf-8", xml_declaration=True)
    return data.getvalue() + b"\n"


def _draw_reference(root: ElementTree.Element, layout: Layout) -> None:
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
    _draw_keep_outs(group, layout)
    for button in layout.buttons:
        _draw_button_marks(group, button)
    for row, line in enumerate(drawing_notes(layout)):
        warning = line.startswith("NOT ")
        attributes = {
            "class": "note",
            "x": "0",
            "y": _number(panel.height_mm + _BORDER_MM + 1.0 + 5.0 * row),
            "font-size": _number(_NOTE_MM),
            "fill": "#B00020" if warning else "#1A1A1A",
            "stroke": "none",
            "font-weight": "bold" if warning or row == 0 else "normal",
        }
        _add_text(group, "text", line, attributes)


def _draw_button_marks(group: ElementTree.Element, button: Button) -> None:
    """Draw the centre mark, the finger's wish, and the label and diameter inside the hole."""
    x, y = button.centre_mm
    radius = button.hole_mm / 2
    arm = min(2.0, radius / 4)
    cross = f"M{_number(x - arm)} {_number(y)}H{_number(x + arm)}M{_number(x)} {_number(y - arm)}V{_number(y + arm)}"
    ElementTree.SubElement(group, "path", {"class": "centre", "d": cross})
    colour = _SIDE_COLOURS[button.side]
    wish_x, wish_y = button.wish_mm
    if math.dist(button.centre_mm, button.wish_mm) > 0.1:
        path = (
            f"M{_number(x)} {_number(y)}L{_number(wish_x)} {_number(wish_y)}"
            f"M{_number(wish_x - 0.8)} {_number(wish_y - 0.8)}l1.6 1.6m0 -1.6l-1.6 1.6"
        )
        wish = {"class": "wish", "d": path, "stroke": colour}
        _add_text(
            ElementTree.SubElement(group, "path", wish),
            "title",
            f"Where the {button.side} {button.finger} finger wanted {clean_label(button.label)}",
        )
    # The label stands above the centre unless the wish mark is in its way.
    up = 1.0 if wish_y < y - 0.15 * radius else -1.0
    label, finger = clean_label(button.label), f"{button.side} {button.finger}"
    lines = [
        (label, 0.42 * up, radius / 3.2, "bold"),
        (f"Ø{format_mm(button.hole_mm)}", -0.4 * up, radius / 4.5, "normal"),
    ]
    if label.casefold() != finger:
        lines.append((finger, -0.68 * up, radius / 6, "normal"))
    for text, offset, largest, weight in lines:
        if text:
            size = largest_letters(text, radius, offset * radius, largest)
            place = (x, y + offset * radius)
            _add_label(group, text, place, size, colour, **{"font-weight": weight})


def _draw_keep_outs(group: ElementTree.Element, layout: Layout) -> None:
    for keep_out in layout.panel.keep_outs:
        x, y = keep_out.centre_mm
        style = {"class": "keep-out", "stroke-dasharray": "1.5 1", "fill": "#5B6770", "fill-opacity": "0.08"}
        if keep_out.shape == "circle":
            shape = {"cx": _number(x), "cy": _number(y), "r": _number(keep_out.diameter_mm / 2)}
            element = ElementTree.SubElement(group, "circle", style | shape)
        else:
            width, height = keep_out.size_mm
            shape = {"x": _number(x - width / 2), "y": _number(y - height / 2)}
            shape |= {"width": _number(width), "height": _number(height)}
            element = ElementTree.SubElement(group, "rect", style | shape)
        _add_text(element, "title", f"Keep-out: {describe_keep_out(keep_out)}")
    for name, middle in keep_out_names(layout, _KEEP_OUT_TYPE_MM):
        _add_label(group, name, middle, _KEEP_OUT_TYPE_MM, "#3A434A")


def _add_label(group: ElementTree.Element, text: str, centre: Point, size: float, colour: str, **more: str) -> None:
    """Add text centred on a point, with a white edge so that lines behind do not disturb it."""
    attributes = {
        "class": "label",
        "x": _number(centre[0]),
        "y": _number(centre[1] + 0.36 * size),
        "font-size": _number(size),
        "text-anchor": "middle",
        "fill": colour,
        "stroke": "#FFFFFF",
        "stroke-width": _number(0.18 * size),
        "stroke-linejoin": "round",
        "paint-order": "stroke",
    }
    _add_text(group, "text", text, attributes | more)


def _outline_path(panel: Panel) -> str:
    """Return the outline as SVG path data, clockwise on the screen, corners as arcs."""
    width, height, radius = panel.width_mm, panel.height_mm, panel.corner_radius_mm
    if radius == 0:
        return f"M0 0H{_number(width)}V{_number(height)}H0Z"
    arc = f"A{_number(radius)} {_number(radius)} 0 0 1 "
    right, bottom = _number(width - radius), _number(height - radius)
    left = _number(radius)
    return (
        f"M{left} 0H{right}{arc}{_number(width)} {left}V{bottom}{arc}{right} {_number(height)}"
        f"H{left}{arc}0 {bottom}V{left}{arc}{left} 0Z"
    )


def _add_text(
    parent: ElementTree.Element, tag: str, text: str, attributes: dict[str, str] | None = None
) -> ElementTree.Element:
    element = ElementTree.SubElement(parent, tag, attributes or {})
    element.text = text
    return element


def _number(value: float) -> str:
    """Return a number to a ten-thousandth of a millimetre, without an exponent."""
    text = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
