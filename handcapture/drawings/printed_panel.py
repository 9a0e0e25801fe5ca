"""The panel as it is printed in true size: outline, corners, keep-outs, cuts and holes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from handcapture.drawings.common import (
    FloatArray,
    box_of,
    check_drawable,
    clean_label,
    format_mm,
    outline_points,
    revision_of,
)
from handcapture.drawings.contours import cut_contour
from handcapture.drawings.labels import (
    Box,
    Wanted,
    box_around,
    box_meets_discs,
    box_within,
    boxes_meet,
    disc_array,
    middle_of,
    place_at_one,
    place_labels,
)
from handcapture.drawings.surroundings import cross_mm, names_on, obstacles_on, panel_box
from handcapture.layout.model import Button, KeepOut, Layout, Panel, Point
from handcapture.layout.outline import side_keep_out, vertices_of
from handcapture.lettering import text_width
from handcapture.pdf_canvas import FAINT_MM, LINE_MM, Pen

NAME_MM = 2.4
"""Type size of names beside what they name."""
_EASY_TYPE_MM, _LEAST_TYPE_MM = 2.0, 1.5
_EDGE_NOTE = "panel edge"


@dataclass(frozen=True)
class Text:
    """One line of text on the panel: the box round it (panel frame), its type size, and how it is set."""

    text: str
    box: Box
    size_mm: float
    bold: bool = False
    grey: float = 0.3


def panel_texts(
    layout: Layout, bounds: Box | None = None, spots: FloatArray | None = None, boxes: Sequence[Box] = ()
) -> list[Text]:
    """Return the texts on a print of the panel, clear of `spots` (discs (N, 3)) and `boxes`, in `bounds`; panel frame.

    A hole has its label above its diameter, inside the circle, all in the same type but those that need a smaller one;
    where both cannot stand there in legible type, they stand beside it in one line, in the same order.
    """
    spots = disc_array(()) if spots is None else spots
    limit = panel_box(layout.panel) if bounds is None else bounds
    texts: list[Text] = []
    beside: list[Button] = []
    first = [_inside_hole(button, limit, spots, boxes) for button in layout.buttons]
    # A smaller type than names have elsewhere is one label's own; of the others, the smallest is everyone's.
    most = tuple(
        min(
            (text.size_mm for part in first for text in part if text.bold is bold and text.size_mm >= NAME_MM),
            default=NAME_MM,
        )
        for bold in (True, False)
    )
    for button in layout.buttons:
        inside = _inside_hole(button, limit, spots, boxes, most)
        texts += inside
        if not inside:
            beside.append(button)
    found = obstacles_on(layout, limit, spots, boxes)
    wanted = []
    for button in beside:
        name = f"{clean_label(button.label)} Ø{format_mm(button.hole_mm)}".strip()
        size = (text_width(name, 0.72 * NAME_MM), NAME_MM)
        wanted.append((name, Wanted(button.centre_mm, button.top_radius_mm + 1.0, size)))
    placed = place_labels([label for _, label in wanted], found, gap=1.0)
    texts += [Text(name, box, NAME_MM, bold=True) for (name, _), box in zip(wanted, placed, strict=True)]
    named = names_on(layout, NAME_MM, limit, spots, (*boxes, *placed), crosses=True)
    return texts + [Text(name.text, name.box, NAME_MM, grey=0.45) for name in named]


def _inside_hole(
    button: Button,
    limit: Box,
    spots: FloatArray,
    boxes: Sequence[Box],
    most_mm: Sequence[float] = (math.inf, math.inf),
) -> list[Text]:
    """Return label and diameter, in type of at most `most_mm`, where they fit into the hole; else nothing."""
    radius = button.hole_mm / 2
    lines = (clean_label(button.label), f"Ø{format_mm(button.hole_mm)}")
    for least in (_EASY_TYPE_MM, _LEAST_TYPE_MM):
        # Wherever they stand, the label is the upper one.
        for heights, sizes in (((-0.55, 0.55), (0.3, 0.2)), ((0.42, 0.72), (0.25, 0.2)), ((-0.7, -0.42), (0.22, 0.2))):
            for shift in (0.0, -0.2, 0.2, -0.35, 0.35, -0.5, 0.5):
                texts = []
                for text, height, largest, most, bold in zip(
                    lines, heights, sizes, most_mm, (True, False), strict=True
                ):
                    size = _fitting(text, radius, shift * radius, height * radius, min(largest * radius, most))
                    middle = button.centre_mm[0] + shift * radius, button.centre_mm[1] + height * radius
                    box = box_around(middle, (text_width(text, 0.72 * size), size))
                    texts.append(Text(text, box, size, bold))
                if all(text.size_mm >= least and _free(text.box, limit, spots, boxes) for text in texts):
                    return [text for text in texts if text.text]
    return []


def _fitting(text: str, radius: float, shift: float, height: float, largest: float) -> float:
    """Return the type size, at most `largest`, at which a text fits in a circle so far off its centre."""
    chord = 2 * (math.sqrt(max(radius**2 - (abs(height) + largest / 2) ** 2, 0.0)) - abs(shift)) - 0.1 * radius
    return min(largest, largest * max(chord, 0.0) / max(text_width(text, largest * 0.72), 1e-9))


def _free(box: Box, limit: Box, spots: FloatArray, boxes: Sequence[Box]) -> bool:
    return (
        box_within(box, limit)
        and not box_meets_discs(box, spots)
        and not any(boxes_meet(box, other) for other in boxes)
    )


def edge_note(
    layout: Layout, window: Box, spots: FloatArray, boxes: Sequence[Box], texts: Sequence[Text]
) -> list[Text]:
    """Return a note at one place of the panel's edge that is seen in `window` (panel frame), where there is room."""
    points = outline_points(layout.panel, 2.0)
    seen = (points[:, 0] > window[0]) & (points[:, 0] < window[2])
    seen &= (points[:, 1] > window[1]) & (points[:, 1] < window[3])
    size = (text_width(_EDGE_NOTE, 0.72 * NAME_MM), NAME_MM)
    line = disc_array((x, y, 0.5) for x, y in points.tolist())
    sides = [box_of(side_keep_out(layout.panel, feature)) for feature in layout.panel.side_features]
    taken = (*boxes, *sides, *(text.box for text in texts))
    found = obstacles_on(layout, window, np.vstack([spots, line]), taken)
    middle = np.array([layout.panel.width_mm, layout.panel.height_mm]) / 2
    wanted = []
    for x, y in points[seen].tolist():
        dx, dy = (middle - (x, y)).tolist()
        toward = (0.0, math.copysign(1.0, dy)) if abs(dy) > abs(dx) else (math.copysign(1.0, dx), 0.0)
        wanted.append(Wanted((x, y), 0.3, size, toward))
    box = place_at_one(wanted, found, gap=0.8)
    return [] if box is None else [Text(_EDGE_NOTE, box, NAME_MM, grey=0.45)]


def draw_panel(pen: Pen, layout: Layout, texts: Sequence[Text], window: Box, *, bodies: bool = True) -> None:
    """Draw outline, corners, keep-outs, cuts and holes; the pen's origin is the panel's top-left corner.

    Rims are thin circles on top, bodies below are dashed. Of a text, all or nothing is seen in `window`.
    """
    panel = layout.panel
    for keep_out in panel.keep_outs:
        _draw_dashed(pen, keep_out, 0.5)
    for feature in panel.side_features:
        _draw_dashed(pen, side_keep_out(panel, feature), 0.6)
    pen.style(LINE_MM)
    pen.contour(vertices_of(panel))
    for cut in panel.cuts:
        pen.style(LINE_MM)
        if cut.shape == "circle":
            pen.circle(cut.centre_mm, cut.diameter_mm / 2)
        else:
            pen.contour(cut_contour(cut))
        pen.style(FAINT_MM)
        pen.cross(cut.centre_mm, cross_mm(box_of(cut)))
    pen.style(FAINT_MM)
    if not panel.outline:
        for corner in panel_corners(panel):
            pen.cross(corner, 4.0)
    for button in layout.buttons:
        _draw_hole(pen, button, bodies)
    for text in texts:
        if not box_within(text.box, window):
            continue
        pen.text(middle_of(text.box), text.text, text.size_mm, centred=True, bold=text.bold, grey=text.grey)


def panel_corners(panel: Panel) -> tuple[Point, ...]:
    """Return the corners of the rectangle, as if they were sharp."""
    width, height = panel.width_mm, panel.height_mm
    return (0.0, 0.0), (width, 0.0), (width, height), (0.0, height)


def _draw_hole(pen: Pen, button: Button, bodies: bool) -> None:
    """Draw the circle, its centre and quarter marks, and the part's rim and body.

    The quarter marks tell the centre also where a mark of the mat covers it.
    """
    x, y = button.centre_mm
    radius = button.hole_mm / 2
    part = button.part
    if part is not None:
        pen.style(FAINT_MM, 0.5)
        if part.rim_mm > button.hole_mm:
            pen.circle(button.centre_mm, part.rim_mm / 2)
        if bodies:
            pen.style(FAINT_MM, 0.5, (1.0, 0.8))
            for diameter in sorted({part.body_mm, part.nut_mm} - {0.0}):
                pen.circle(button.centre_mm, diameter / 2)
    pen.style(LINE_MM)
    pen.circle(button.centre_mm, radius)
    pen.style(FAINT_MM)
    pen.cross(button.centre_mm, min(3.0, radius / 3))
    for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        inner, outer = radius - 1.5, radius + 1.5
        pen.line((x + dx * inner, y + dy * inner), (x + dx * outer, y + dy * outer))


def _draw_dashed(pen: Pen, keep_out: KeepOut, grey: float) -> None:
    x, y = keep_out.centre_mm
    pen.style(FAINT_MM, grey, (1.5, 1.0))
    if keep_out.shape == "circle":
        pen.circle((x, y), keep_out.diameter_mm / 2)
    else:
        width, height = keep_out.size_mm
        pen.rectangle((x - width / 2, y - height / 2), (width, height))


def checked_title(layout: Layout, kind: str) -> str:
    """Return a document's title, after the check that the layout can be drawn."""
    check_drawable(layout)
    return " · ".join(text for text in (clean_label(layout.name, 60), revision_of(layout), kind) if text)


def template_line(layout: Layout) -> str:
    """Return the line that says which template this is."""
    return f"Template of {clean_label(layout.name, 60) or 'a panel'}, {revision_of(layout)}."
