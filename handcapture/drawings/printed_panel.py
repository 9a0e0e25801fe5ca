"""The panel as it is printed in true size: outline, corners, keep-outs and holes."""

from __future__ import annotations

from handcapture.drawings.common import (
    FloatArray,
    check_drawable,
    clean_label,
    format_mm,
    keep_out_names,
    largest_letters,
    text_width,
)
from handcapture.drawings.labels import box_around, box_meets_discs, disc_array
from handcapture.layout.model import Button, KeepOut, Layout, Panel, Point
from handcapture.pdf_canvas import FAINT_MM, LINE_MM, Pen


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
            box_around((x, y + offset), (text_width(text, 0.72 * size), size)) for text, offset, size, _ in arrangement
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
