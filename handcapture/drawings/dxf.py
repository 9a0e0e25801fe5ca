"""The layout as DXF, for the workshop."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from handcapture.drawings.common import (
    clean_label,
    drawing_notes,
    format_mm,
)
from handcapture.drawings.contours import Contour, bounds_of, cut_contour, rectangle
from handcapture.drawings.kerf import Cutting, corner_note, cutting
from handcapture.drawings.labels import Wanted, middle_of, nearest_point, place_labels
from handcapture.drawings.surroundings import names_on, obstacles_on
from handcapture.layout.model import Button, KeepOut, Layout, Point
from handcapture.layout.outline import reverse, side_keep_out
from handcapture.lettering import text_width

if TYPE_CHECKING:
    from ezdxf.entities.dxfgfx import DXFGraphic
    from ezdxf.layouts.layout import Modelspace

Version = Literal["R2010", "R12"]
CUT: Final = "CUT"
REFERENCE: Final = "REFERENCE"
PARTS: Final = "PARTS"
KEEP_OUT: Final = {"both": "KEEP_OUT", "above": "KEEP_OUT_ABOVE", "below": "KEEP_OUT_BELOW"}
"""The layer of a keep-out, by the face it lies on."""
APPID: Final = "HANDCAPTURE"
LETTER_MM: Final = 2.5
"""Height of letters: the smallest size of ISO 3098 that workshops use (common practice, no source)."""
_DASHED: Final = "HIDDEN"
_LAYERS: Final = {CUT: 7, REFERENCE: 8, "KEEP_OUT": 1, "KEEP_OUT_ABOVE": 30, "KEEP_OUT_BELOW": 6, PARTS: 3}
"""Layers and their colours (numbers of the AutoCAD colour index)."""
_LONGEST_DATA: Final = 250
"""XDATA strings (group 1000) have at most 255 bytes (DXF reference, extended data)."""


def layout_dxf(layout: Layout, *, version: Version = "R2010", kerf_mm: float = 0.0) -> bytes:
    """Return the layout as a DXF file, millimetres.

    Origin at the bottom-left corner of the panel's bounding box, x right, y up: the panel seen from above, not
    mirrored. Layer CUT holds the closed outline (a polyline whose arcs are true arcs), one CIRCLE for each hole, and
    the other cuts; nothing else. Nothing on the other layers is to be cut: REFERENCE (centre marks, labels, the places
    where the fingers wished to be, what lies below at the walls), KEEP_OUT, KEEP_OUT_ABOVE, KEEP_OUT_BELOW, and PARTS
    (rims, and dashed the bodies below).

    Sizes are nominal. With `kerf_mm`, the full width of the cut, the lines of CUT are moved by half of it into the
    waste, and notes and data say so. R12 has no LWPOLYLINE: outline and rectangles are POLYLINEs.

    Extended data (application HANDCAPTURE, group 1000, "key=value") tell what an entity is: kind=button with label,
    side, finger, row; kind=cut with name; kind=keep-out with name, face, clearance_mm, headroom_mm; kind=outline with
    thickness_mm, material, edge_mm, web_mm, kerf_mm. InputError when the layout or the kerf cannot be drawn.
    """
    cut = cutting(layout, kerf_mm)
    from ezdxf import units
    from ezdxf.document import Drawing

    document = Drawing.new(version)
    document.header["$LASTSAVEDBY"] = "handcapture"
    # R12 knows no units; the notes name them.
    if version != "R12":
        document.units = units.MM
        document.header["$MEASUREMENT"] = 1
    document.appids.add(APPID)
    document.linetypes.add("KEEP_OUT", pattern=[4.0, 2.5, -1.5], description="Keep-out __ __ __ __")
    document.linetypes.add(_DASHED, pattern=[2.5, 1.5, -1.0], description="Below the panel _ _ _ _")
    for name, colour in _LAYERS.items():
        document.layers.add(name, color=colour, lineweight=25 if name == CUT else 13)
    document.styles.add("LABELS", font="txt" if version == "R12" else "arial.ttf")
    sheet = _Sheet(document.modelspace(), version, layout.panel.height_mm)

    _draw_cuts(sheet, layout, cut)
    for keep_out in layout.panel.keep_outs:
        _draw_keep_out(sheet, keep_out)
    for feature in layout.panel.side_features:
        place = side_keep_out(layout.panel, feature)
        sheet.closed(rectangle(place.centre_mm, place.size_mm), REFERENCE, _DASHED)
    for button in layout.buttons:
        _draw_part(sheet, button)
        _draw_marks(sheet, button)
    _draw_labels(sheet, layout)
    notes = drawing_notes(layout, kerf_mm, more=corner_note(layout, kerf_mm))
    if not cut.exact:
        notes = (*notes, "The outline with kerf is made of short straight pieces, within 0.005 mm of its arcs.")
    width, height = layout.panel.width_mm, layout.panel.height_mm
    for row, line in enumerate(notes):
        sheet.text(line, (0.0, height + 8.0 + 6.0 * row), LETTER_MM * 1.4)

    bottom, margin = -8.0 - 6.0 * len(notes), 10.0
    left, top, right, _ = bounds_of([cut.outline])
    low, high = (left, bottom, 0.0), (right, height - top, 0.0)
    document.header["$EXTMIN"], document.header["$EXTMAX"] = low, high
    sheet.space.reset_extents(low, high)
    document.set_modelspace_vport(
        height=max(height - bottom + 2 * margin, (width + 2 * margin) * 0.6),
        center=(width / 2, (height + bottom) / 2),
    )
    text = io.StringIO()
    document.write(text)
    return document.encode(text.getvalue())


@dataclass(frozen=True)
class _Sheet:
    """The drawing to be filled: takes places in the panel frame (y down), draws them with y up."""

    space: Modelspace
    version: Version
    height_mm: float

    def up(self, point: Point) -> Point:
        """Return a point of the panel frame in the drawing's frame."""
        return point[0], self.height_mm - point[1]

    def line(self, start: Point, end: Point, layer: str) -> None:
        """Draw a straight line."""
        self.space.add_line(self.up(start), self.up(end), dxfattribs={"layer": layer})

    def circle(self, centre: Point, diameter_mm: float, layer: str, linetype: str | None = None) -> DXFGraphic:
        """Draw a circle."""
        return self.space.add_circle(self.up(centre), diameter_mm / 2, dxfattribs=_attributes(layer, linetype))

    def closed(self, contour: Contour, layer: str, linetype: str | None = None) -> DXFGraphic:
        """Draw a closed line, anticlockwise as seen.

        The bulge of DXF is positive where an arc turns anticlockwise (DXF reference, LWPOLYLINE, group 42).
        """
        points = [(*self.up((x, y)), -bulge) for x, y, bulge in reverse(contour)]
        attributes = _attributes(layer, linetype)
        if self.version == "R12":
            return self.space.add_polyline2d(points, format="xyb", close=True, dxfattribs=attributes)
        return self.space.add_lwpolyline(points, format="xyb", close=True, dxfattribs=attributes)

    def text(self, text: str, place: Point, height_mm: float, *, centred: bool = False) -> None:
        """Draw one line of text with its left end, or its middle, at `place`."""
        from ezdxf.enums import TextEntityAlignment

        if text:
            shown = escape_text(text)
            if self.version == "R12":
                for sign, plain in _R12_SIGNS.items():
                    shown = shown.replace(sign, plain)
            entity = self.space.add_text(shown, height=height_mm, dxfattribs={"layer": REFERENCE, "style": "LABELS"})
            align = TextEntityAlignment.MIDDLE_CENTER if centred else TextEntityAlignment.LEFT
            entity.set_placement(self.up(place), align=align)


_R12_SIGNS: Final = {"Ø": "%%c", "×": "x", "·": "-", "…": "...", "−": "-"}
"""What the old stroke faces have no letter for; %%c is the diameter sign (DXF reference, TEXT)."""


def _attributes(layer: str, linetype: str | None) -> dict[str, Any]:
    return {"layer": layer} | ({"linetype": linetype} if linetype else {})


def _tag(entity: DXFGraphic, **data: str | float | None) -> None:
    """Write down with an entity what it is."""
    pairs = [(key, f"{value:.9g}" if isinstance(value, float) else value) for key, value in data.items()]
    entity.set_xdata(APPID, [(1000, _shortened(f"{key}={value}")) for key, value in pairs if value is not None])


def _shortened(text: str) -> str:
    return text.encode()[:_LONGEST_DATA].decode(errors="ignore")


def _draw_cuts(sheet: _Sheet, layout: Layout, cut: Cutting) -> None:
    panel = layout.panel
    _tag(
        sheet.closed(cut.outline, CUT),
        kind="outline",
        thickness_mm=panel.thickness_mm,
        material=clean_label(panel.material, None) if panel.material else None,
        edge_mm=float(panel.edge_mm),
        web_mm=float(panel.web_mm),
        kerf_mm=float(cut.kerf_mm) if cut.kerf_mm else None,
    )
    for button, diameter in cut.holes:
        _tag(
            sheet.circle(button.centre_mm, diameter, CUT),
            kind="button",
            label=clean_label(button.label, None),
            side=button.side,
            finger=button.finger,
            row=button.row,
        )
    for other in cut.cuts:
        if other.shape == "circle":
            entity = sheet.circle(other.centre_mm, other.diameter_mm, CUT)
        else:
            entity = sheet.closed(cut_contour(other), CUT)
        _tag(entity, kind="cut", name=clean_label(other.name, None))


def _draw_marks(sheet: _Sheet, button: Button) -> None:
    """Draw the centre mark, and a slanting cross where the finger wished to be, tied to the centre."""
    x, y = button.centre_mm
    arm = min(3.0, button.hole_mm / 4)
    sheet.line((x - arm, y), (x + arm, y), REFERENCE)
    sheet.line((x, y - arm), (x, y + arm), REFERENCE)
    wish_x, wish_y = button.wish_mm
    if math.dist((x, y), (wish_x, wish_y)) > 0.1:
        sheet.line((x, y), (wish_x, wish_y), REFERENCE)
        sheet.line((wish_x - 1, wish_y - 1), (wish_x + 1, wish_y + 1), REFERENCE)
        sheet.line((wish_x - 1, wish_y + 1), (wish_x + 1, wish_y - 1), REFERENCE)


def _draw_part(sheet: _Sheet, button: Button) -> None:
    """Draw the rim on top, and dashed the body and the nut below, where they are known and reach beyond the hole."""
    part = button.part
    if part is None:
        return
    if part.rim_mm > button.hole_mm:
        sheet.circle(button.centre_mm, part.rim_mm, PARTS)
    for diameter in sorted({part.body_mm, part.nut_mm}):
        if diameter > 0:
            sheet.circle(button.centre_mm, diameter, PARTS, _DASHED)


def _draw_keep_out(sheet: _Sheet, keep_out: KeepOut) -> None:
    layer = KEEP_OUT[keep_out.face]
    if keep_out.shape == "circle":
        entity = sheet.circle(keep_out.centre_mm, keep_out.diameter_mm, layer, "KEEP_OUT")
    else:
        entity = sheet.closed(rectangle(keep_out.centre_mm, keep_out.size_mm), layer, "KEEP_OUT")
    _tag(
        entity,
        kind="keep-out",
        name=clean_label(keep_out.name, None),
        face=keep_out.face,
        clearance_mm=float(keep_out.clearance_mm),
        headroom_mm=None if keep_out.headroom_mm is None else float(keep_out.headroom_mm),
    )


def _draw_labels(sheet: _Sheet, layout: Layout) -> None:
    """Draw the name of all that is on the panel, clear of all holes, tied by a leader where it stands apart."""
    names = [f"{clean_label(button.label)} Ø{format_mm(button.hole_mm)}".strip() for button in layout.buttons]
    wanted = [
        Wanted(button.centre_mm, button.top_radius_mm, (text_width(name, LETTER_MM), LETTER_MM))
        for name, button in zip(names, layout.buttons, strict=True)
    ]
    boxes = place_labels(wanted, obstacles_on(layout), gap=1.5)
    for text, label, box in zip(names, wanted, boxes, strict=True):
        sheet.text(text, middle_of(box), LETTER_MM, centred=True)
        end = nearest_point(box, label.anchor)
        distance = math.dist(end, label.anchor)
        if text and distance > label.radius + 4.0:
            start = tuple(a + (e - a) * label.radius / distance for a, e in zip(label.anchor, end, strict=True))
            sheet.line((start[0], start[1]), end, REFERENCE)
    for name in names_on(layout, LETTER_MM / 0.72, boxes=boxes):
        sheet.text(name.text, middle_of(name.box), LETTER_MM, centred=True)
        start = nearest_point(name.place, middle_of(name.box))
        end = nearest_point(name.box, start)
        if math.dist(start, end) > 4.0:
            sheet.line(start, end, REFERENCE)


def escape_text(text: str) -> str:
    r"""Return `text` so that a DXF reader shows it as it stands.

    In TEXT entities %% and ^ begin control codes (%%% draws one percent sign, "^ " a caret), and \U+ and \M+
    encode characters; a space parts the latter from what follows.
    """
    if "%%" in text:
        text = text.replace("%", "%%%")
    return text.replace("^", "^ ").replace("\\U+", "\\ U+").replace("\\M+", "\\ M+")
