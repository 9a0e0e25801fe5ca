"""The layout as DXF, for the workshop."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Final

from handcapture.drawings.common import (
    check_drawable,
    clean_label,
    describe_keep_out,
    drawing_notes,
    format_mm,
    hole_discs,
    text_width,
)
from handcapture.drawings.labels import Obstacles, Wanted, disc_array, nearest_point, place_labels
from handcapture.layout.model import Button, KeepOut, Layout, Panel, Point

if TYPE_CHECKING:
    from ezdxf.layouts.layout import Modelspace

CUT: Final = "CUT"
REFERENCE: Final = "REFERENCE"
LETTER_MM: Final = 2.5
"""Height of letters: the smallest size of ISO 3098 that workshops use (common practice, no source)."""
QUARTER_BULGE: Final = math.tan(math.radians(90) / 4)
"""Bulge of a quarter circle: the tangent of a quarter of the arc's angle, positive anticlockwise (DXF
reference, LWPOLYLINE, group 42)."""


def layout_dxf(layout: Layout) -> bytes:
    """Return the layout as a DXF file (R2010, millimetres).

    Origin at the panel's bottom-left corner, x right, y up: the panel seen from above, not mirrored. Layer
    CUT holds the closed outline (an LWPOLYLINE whose corners are true arcs) and one CIRCLE for each hole,
    nominal size without kerf; nothing else. Layer REFERENCE holds centre marks, labels, keep-outs and the
    places where the fingers wished to be; it is not to be cut. InputError when the layout cannot be drawn.
    """
    check_drawable(layout)
    from ezdxf import units
    from ezdxf.filemanagement import new

    document = new("R2010", units=units.MM)
    document.header["$MEASUREMENT"] = 1
    document.header["$LASTSAVEDBY"] = "handcapture"
    document.linetypes.add("KEEP_OUT", pattern=[4.0, 2.5, -1.5], description="Keep-out __ __ __ __")
    document.layers.add(CUT, color=7, lineweight=25)
    document.layers.add(REFERENCE, color=5, lineweight=13)
    document.styles.add("LABELS", font="arial.ttf")
    space = document.modelspace()

    _draw_cuts(space, layout)
    for keep_out in layout.panel.keep_outs:
        _draw_keep_out(space, layout.panel, keep_out)
    for button in layout.buttons:
        _draw_marks(space, layout.panel, button)
    _draw_labels(space, layout)
    for row, line in enumerate(drawing_notes(layout)):
        _draw_text(space, line, (0.0, -8.0 - 6.0 * row), LETTER_MM * 1.4)

    margin = 10.0
    width, height = layout.panel.width_mm, layout.panel.height_mm
    bottom = -8.0 - 6.0 * len(drawing_notes(layout))
    document.header["$EXTMIN"], document.header["$EXTMAX"] = (0.0, bottom, 0.0), (width, height, 0.0)
    space.reset_extents((0.0, bottom, 0.0), (width, height, 0.0))
    document.set_modelspace_vport(
        height=max(height - bottom + 2 * margin, (width + 2 * margin) * 0.6),
        center=(width / 2, (height + bottom) / 2),
    )
    text = io.StringIO()
    document.write(text)
    return document.encode(text.getvalue())


def outline_with_bulges(panel: Panel) -> list[tuple[float, float, float]]:
    """Return the outline as x, y, bulge: anticlockwise, y up, from the bottom edge; corners are arcs."""
    radius, width, height = panel.corner_radius_mm, panel.width_mm, panel.height_mm
    if radius == 0:
        return [(0.0, 0.0, 0.0), (width, 0.0, 0.0), (width, height, 0.0), (0.0, height, 0.0)]
    ends = [
        (radius, 0.0, 0.0),
        (width - radius, 0.0, QUARTER_BULGE),
        (width, radius, 0.0),
        (width, height - radius, QUARTER_BULGE),
        (width - radius, height, 0.0),
        (radius, height, QUARTER_BULGE),
        (0.0, height - radius, 0.0),
        (0.0, radius, QUARTER_BULGE),
    ]
    # Where two corners meet there is no straight piece between them; a zero-length segment upsets cutters.
    return [
        point
        for point, after in zip(ends, ends[1:] + ends[:1], strict=True)
        if point[2] != 0 or math.dist(point[:2], after[:2]) > 1e-9
    ]


def _up(panel: Panel, point: Point) -> Point:
    """Return a point of the panel frame (y down) in the drawing's frame (y up)."""
    return point[0], panel.height_mm - point[1]


def _draw_cuts(space: Modelspace, layout: Layout) -> None:
    outline = outline_with_bulges(layout.panel)
    space.add_lwpolyline(outline, format="xyb", close=True, dxfattribs={"layer": CUT})
    for button in layout.buttons:
        space.add_circle(_up(layout.panel, button.centre_mm), button.hole_mm / 2, dxfattribs={"layer": CUT})


def _draw_marks(space: Modelspace, panel: Panel, button: Button) -> None:
    """Draw the centre mark, and a slanting cross where the finger wished to be, tied to the centre."""
    x, y = _up(panel, button.centre_mm)
    arm = min(3.0, button.hole_mm / 4)
    reference = {"layer": REFERENCE}
    space.add_line((x - arm, y), (x + arm, y), dxfattribs=reference)
    space.add_line((x, y - arm), (x, y + arm), dxfattribs=reference)
    wish_x, wish_y = _up(panel, button.wish_mm)
    if math.dist((x, y), (wish_x, wish_y)) > 0.1:
        space.add_line((x, y), (wish_x, wish_y), dxfattribs=reference)
        space.add_line((wish_x - 1, wish_y - 1), (wish_x + 1, wish_y + 1), dxfattribs=reference)
        space.add_line((wish_x - 1, wish_y + 1), (wish_x + 1, wish_y - 1), dxfattribs=reference)


def _draw_keep_out(space: Modelspace, panel: Panel, keep_out: KeepOut) -> None:
    x, y = _up(panel, keep_out.centre_mm)
    dashed = {"layer": REFERENCE, "linetype": "KEEP_OUT"}
    if keep_out.shape == "circle":
        space.add_circle((x, y), keep_out.diameter_mm / 2, dxfattribs=dashed)
        return
    half_x, half_y = keep_out.size_mm[0] / 2, keep_out.size_mm[1] / 2
    corners = [
        (x - half_x, y - half_y),
        (x + half_x, y - half_y),
        (x + half_x, y + half_y),
        (x - half_x, y + half_y),
    ]
    space.add_lwpolyline(corners, close=True, dxfattribs=dashed)


def _draw_labels(space: Modelspace, layout: Layout) -> None:
    """Draw a label for each hole and keep-out, clear of all holes, tied by a leader where it stands apart."""
    panel = layout.panel
    names: list[str] = []
    wanted: list[Wanted] = []
    for button in layout.buttons:
        names.append(f"{clean_label(button.label)} Ø{format_mm(button.hole_mm)}".strip())
        size = (text_width(names[-1], LETTER_MM), LETTER_MM)
        wanted.append(Wanted(button.centre_mm, button.hole_mm / 2, size))
    for keep_out in panel.keep_outs:
        names.append(describe_keep_out(keep_out))
        half = keep_out.diameter_mm / 2 if keep_out.shape == "circle" else min(keep_out.size_mm) / 2
        wanted.append(Wanted(keep_out.centre_mm, half, (text_width(names[-1], LETTER_MM), LETTER_MM)))
    obstacles = Obstacles(
        discs=hole_discs(layout),
        rings=disc_array((*k.centre_mm, k.diameter_mm / 2) for k in panel.keep_outs if k.shape == "circle"),
        boxes=(),
        bounds=(1.0, 1.0, panel.width_mm - 1.0, panel.height_mm - 1.0),
    )
    for name, label, box in zip(names, wanted, place_labels(wanted, obstacles, gap=1.5), strict=True):
        _draw_text(space, name, _up(panel, ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)), LETTER_MM, centred=True)
        end = nearest_point(box, label.anchor)
        distance = math.dist(end, label.anchor)
        if distance > label.radius + 4.0:
            start = tuple(a + (e - a) * label.radius / distance for a, e in zip(label.anchor, end, strict=True))
            ends = (_up(panel, (start[0], start[1])), _up(panel, end))
            space.add_line(*ends, dxfattribs={"layer": REFERENCE})


def _draw_text(space: Modelspace, text: str, place: Point, height_mm: float, *, centred: bool = False) -> None:
    """Draw one line of text with its left end, or its middle, at `place`."""
    from ezdxf.enums import TextEntityAlignment

    if text:
        entity = space.add_text(escape_text(text), height=height_mm, dxfattribs={"layer": REFERENCE, "style": "LABELS"})
        entity.set_placement(place, align=TextEntityAlignment.MIDDLE_CENTER if centred else TextEntityAlignment.LEFT)


def escape_text(text: str) -> str:
    r"""Return `text` so that a DXF reader shows it as it stands.

    In TEXT entities %% and ^ begin control codes (%%% draws one percent sign, "^ " a caret), and \U+ and \M+
    encode characters; a space parts the latter from what follows.
    """
    if "%%" in text:
        text = text.replace("%", "%%%")
    return text.replace("^", "^ ").replace("\\U+", "\\ U+").replace("\\M+", "\\ M+")
