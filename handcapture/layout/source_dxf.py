"""Circles, curves and texts of a DXF file's model space, blocks resolved."""

from __future__ import annotations

import io
import logging
import math
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from handcapture.documents import read_bytes
from handcapture.errors import DocumentError, brief
from handcapture.layout.source_shapes import (
    FLATNESS_MM,
    LARGEST_FILE_BYTES,
    LARGEST_MM,
    MM_PER_UNIT,
    MOST_POINTS,
    MOST_SHAPES,
    OVAL,
    ROUND_MM,
    FloatArray,
    Raw,
    Tags,
    Units,
    arc_rows,
    chord_count,
)
from handcapture.lettering import text_width

if TYPE_CHECKING:
    from ezdxf.document import Drawing as DxfDocument

# What ezdxf mends in damaged files it would tell line by line on the user's screen.
logging.getLogger("ezdxf").addHandler(logging.NullHandler())

APPLICATION: Final = "HANDCAPTURE"
"""Under this name our own drawings state, as "key=value", what a shape is."""
_BINARY: Final = b"AutoCAD Binary DXF"
"""How binary DXF files begin (DXF reference, binary DXF files)."""
_BEGINS: Final = re.compile(_BINARY + rb"|(?:\xef\xbb\xbf)?\s*(?:999\s|0\s+SECTION\s)")
"""How DXF files begin: binary, or with a comment or the first section (DXF reference, group codes 999 and 0)."""
_DWG = re.compile(rb"AC10\d\d[\x00-\x1f]")
_TAIL_BYTES: Final = 200
_LONGEST_TEXT: Final = 5000
_DEEPEST: Final = 16
_MOST_KNOTS: Final = 2000
_HIGHEST_DEGREE: Final = 15
"""Of splines; drawing programs write degrees of 2 to 5, and the time that a point takes grows with the square."""
_FRAME_POINT: Final = 16
"""Flag of vertices that only steer a smoothed polyline (DXF reference, VERTEX, group 70)."""
_LEVEL: Final = 1e-6
_ROUND: Final = 1e-9
_UNIT_NAMES: Final = {1: "inch", 2: "foot", 4: "mm", 5: "cm", 6: "m"}
# What ezdxf lets through on damaged files, its own assertions among them.
_BAD_FILE = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    LookupError,
    OSError,
    RuntimeError,
    StopIteration,
    TypeError,
    ValueError,
)


def read_dxf(path: Path, units: Units | None) -> Raw:
    """Read the model space. DocumentError when the file is no DXF, or has no usable geometry."""
    data = read_bytes(path, LARGEST_FILE_BYTES, "a DXF drawing")
    document = _load(path, data)
    from ezdxf.lldxf.const import DXFError

    raw = Raw(y_up=True)
    try:
        _fill(raw, document, units)
    except DocumentError as error:
        raise DocumentError(f"{path}: {error}") from None
    except (DXFError, *_BAD_FILE) as error:
        raise DocumentError(
            f"{path} has an entity that cannot be read ({brief(error)}). Open it in a drawing program and save it "
            "as DXF."
        ) from None
    return raw


def _fill(raw: Raw, document: DxfDocument, units: Units | None) -> None:
    code = int(document.header.get("$INSUNITS", 0) or 0)
    raw.unit, raw.mm_per_unit, raw.unit_known = _unit(code, units, raw)
    walker = _Walker(raw, _hidden_layers(document))
    walker.walk(document.modelspace(), "0", 0)
    walker.tell()
    if (
        not raw.circles
        and not raw.curves
        and any(len(layout) for layout in document.layouts if layout.is_any_paperspace)
    ):
        raw.notes.add("Only the model space is read; this file has shapes in a paper layout")


def _load(path: Path, data: bytes) -> DxfDocument:
    import struct

    from ezdxf import recover
    from ezdxf.document import Drawing as Document
    from ezdxf.lldxf.const import DXFError
    from ezdxf.lldxf.tagger import binary_tags_loader

    if _DWG.match(data):
        raise DocumentError(f"{path} is a DWG file by its content. Save the drawing as DXF, and read that.")
    # What lies beyond a break would be missing without a word.
    whole = b"EOF" in data[-_TAIL_BYTES:]
    try:
        if data.startswith(_BINARY):
            document = Document.load(binary_tags_loader(data))
        else:
            document, _ = recover.read(io.BytesIO(data))
    except (DXFError, struct.error, *_BAD_FILE) as error:
        if not whole and _BEGINS.match(data):
            raise _broken_off(path) from None
        raise DocumentError(
            f"{path} is not a readable DXF file ({brief(error)}). Export the panel as DXF again (ASCII, R2010 for "
            "instance)."
        ) from None
    if not whole:
        raise _broken_off(path)
    return document


def _broken_off(path: Path) -> DocumentError:
    return DocumentError(f"{path} breaks off before its end (there is no EOF). Copy or export it again.")


def _unit(code: int, units: Units | None, raw: Raw) -> tuple[str, float, bool]:
    """Return the unit's name, its length in mm, and whether it is known."""
    from ezdxf.enums import InsertUnits
    from ezdxf.units import conversion_factor

    stated = None
    if code:
        try:
            stated = float(conversion_factor(InsertUnits(code), InsertUnits.Millimeters))
        except (KeyError, IndexError, ValueError, TypeError, ZeroDivisionError):
            raw.notes.add(f"The drawing's unit code {code} ($INSUNITS) is not one of the DXF reference's")
    if units is not None:
        if stated is not None and not math.isclose(stated, MM_PER_UNIT[units]):
            raw.notes.add(f"The file says its unit is {_UNIT_NAMES.get(code, code)}; it was read as {units}, as asked")
        return units, MM_PER_UNIT[units], True
    if stated is None or not math.isfinite(stated) or stated <= 0:
        return "units", 1.0, False
    return _UNIT_NAMES.get(code, "units"), stated, True


def _hidden_layers(document: DxfDocument) -> dict[str, str]:
    """Return why each layer that does not show does not, by its name in lower case."""
    return {
        layer.dxf.name.casefold(): "frozen" if layer.is_frozen() else "off"
        for layer in document.layers
        if layer.is_frozen() or layer.is_off()
    }


@dataclass
class _Walker:
    raw: Raw
    hidden: dict[str, str]
    count: int = 0
    unread: Counter[str] = field(default_factory=Counter)
    on_hidden: Counter[str] = field(default_factory=Counter)
    invisible: int = 0

    def walk(self, entities: Iterable[Any], layer_of_insert: str, depth: int) -> None:
        """Go through entities; those on layer 0 of a block show on the layer of its insert."""
        if depth > _DEEPEST:
            raise DocumentError(
                f"Blocks stand in one another more than {_DEEPEST} deep. Explode the blocks and save again."
            )
        for entity in entities:
            self.count += 1
            if self.count > MOST_SHAPES:
                raise DocumentError(
                    f"The drawing holds more than {MOST_SHAPES} entities. Save the panel alone, blocks exploded."
                )
            layer = str(entity.dxf.get("layer", "0"))
            layer = layer_of_insert if depth and layer == "0" else layer
            if entity.dxf.get("invisible", 0):
                self.invisible += 1
            elif layer.casefold() in self.hidden:
                self.on_hidden[layer] += 1
            else:
                self.read(entity, layer, depth)

    def tell(self) -> None:
        """Note what was passed over."""
        notes = self.raw.notes
        for layer, count in self.on_hidden.items():
            notes.add(f"Layer {layer} is {self.hidden[layer.casefold()]} and was left out (entities: {count})")
        if self.invisible:
            notes.add(f"Entities that are set invisible were left out ({self.invisible})")
        if self.unread:
            kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(self.unread.items()))
            notes.add(f"Entities that can be neither hole nor outline were not read: {kinds}")

    def read(self, entity: Any, layer: str, depth: int) -> None:
        kind = entity.dxftype()
        if kind == "INSERT":
            if entity.mcount > MOST_SHAPES:  # of an empty block, say: nothing else would count its copies
                raise DocumentError(
                    f"A block stands there {entity.mcount} times, more than the {MOST_SHAPES} that are read. "
                    "Save the panel alone."
                )
            self.count += int(entity.mcount)
            for part in entity.multi_insert() if entity.mcount > 1 else (entity,):
                self.walk(part.virtual_entities(skipped_entity_callback=self.skipped), layer, depth + 1)
                self.walk(part.attribs, layer, depth + 1)
        elif kind in ("TEXT", "MTEXT", "ATTRIB"):
            self.caption(entity, kind)
        elif kind == "CIRCLE":
            self.circle(entity, layer)
        elif kind == "ARC":
            self.arc(entity, layer)
        elif kind == "ELLIPSE":
            self.ellipse(entity, layer)
        elif kind == "LINE":
            ends = self.flat([entity.dxf.start, entity.dxf.end])
            self.raw.add_curve(ends, np.ones(1, dtype=bool), layer, self.where(entity, layer, ends[0]), _tags(entity))
        elif kind == "LWPOLYLINE" or (kind == "POLYLINE" and (entity.is_2d_polyline or entity.is_3d_polyline)):
            self.polyline(entity, layer)
        elif kind == "SPLINE":
            self.spline(entity, layer)
        elif kind != "POINT":
            self.unread[kind] += 1

    def skipped(self, entity: Any, reason: str) -> None:
        self.unread[entity.dxftype()] += 1

    def flat(self, vertices: Iterable[Any]) -> FloatArray:
        """Return vertices of the world frame as points (N, 2) in mm, y down."""
        points = np.array([(vertex.x, -vertex.y) for vertex in vertices], dtype=np.float64).reshape(-1, 2)
        return points * self.raw.mm_per_unit

    def where(self, entity: Any, layer: str, point: FloatArray) -> str:
        handle = f" #{entity.dxf.handle}" if entity.dxf.get("handle") else ""
        place = self.raw.place(float(point[0]), float(point[1])) if np.isfinite(point).all() else "no place"
        return f"{entity.dxftype()}{handle} on layer {layer} at {place}"

    def tilted(self, entity: Any, where: str) -> bool:
        """Return whether a plane curve stands out of the drawing plane, and note it."""
        normal = entity.dxf.get("extrusion")
        if normal is None or math.hypot(normal.x, normal.y) <= _LEVEL * abs(normal.z):
            return False
        self.raw.notes.add("Curves that are tilted out of the drawing plane were left out", where)
        return True

    def circle(self, entity: Any, layer: str) -> None:
        centre = self.flat([entity.ocs().to_wcs(entity.dxf.center)])[0]
        where = self.where(entity, layer, centre)
        if not self.tilted(entity, where):
            diameter = 2 * abs(entity.dxf.radius) * self.raw.mm_per_unit
            self.raw.add_circle(float(centre[0]), float(centre[1]), diameter, layer, where, _tags(entity))

    def arc(self, entity: Any, layer: str) -> None:
        start, end = float(entity.dxf.start_angle), float(entity.dxf.end_angle)
        sweep = (end - start) % 360.0
        if sweep < 1e-9 or sweep > 360.0 - 1e-9:  # the DXF reference has no arc without length
            self.circle(entity, layer)
            return
        centre = self.flat([entity.ocs().to_wcs(entity.dxf.center)])[0]
        where = self.where(entity, layer, centre)
        if self.tilted(entity, where):
            return
        if not math.isfinite(entity.dxf.radius) or not math.isfinite(sweep):
            raise DocumentError(f"{where} has a size or angle that is not a number. Mend or delete it.")
        places = [(float(x), float(y)) for x, y in self.flat(entity.vertices(np.linspace(start, start + sweep, 5)))]
        rows = arc_rows(places, math.radians(sweep))
        self.raw.add_curve(rows, np.ones(len(rows) - 1, dtype=bool), layer, where, _tags(entity))

    def ellipse(self, entity: Any, layer: str) -> None:
        centre, axis = entity.dxf.center, entity.dxf.major_axis
        at = self.flat([centre])[0]
        where = self.where(entity, layer, at)
        if self.tilted(entity, where):
            return
        start, end = float(entity.dxf.start_param), float(entity.dxf.end_param)
        sweep = (end - start) % math.tau
        full = sweep < 1e-9 or sweep > math.tau - 1e-9
        radius = float(axis.magnitude) * self.raw.mm_per_unit
        tags = dict(_tags(entity))
        if full and abs(abs(entity.dxf.ratio) - 1.0) <= _ROUND:
            self.raw.add_circle(float(at[0]), float(at[1]), 2 * radius, layer, where, tags)
            return
        if not math.isfinite(radius) or not math.isfinite(sweep):
            raise DocumentError(f"{where} has a size or angle that is not a number. Mend or delete it.")
        sweep = math.tau if full else sweep
        count = 4 * math.ceil(chord_count(radius, sweep) / 2)  # of a whole one, the widest points are among them
        points = self.flat(entity.vertices(np.linspace(start, start + sweep, count + 1)))
        if full:
            points[-1] = points[0]
            if radius * (1 - abs(entity.dxf.ratio)) > ROUND_MM:
                tags[OVAL] = "yes"
        self.raw.add_curve(points, np.zeros(count, dtype=bool), layer, where, tags)

    def polyline(self, entity: Any, layer: str) -> None:
        """Read lines and bulges as one curve."""
        places, bulges = _vertices(entity)
        points = self.flat(places)
        if not len(points):
            return
        where = self.where(entity, layer, points[0])
        if bulges.any() and self.tilted(entity, where):
            return
        if not np.isfinite(bulges).all():
            raise DocumentError(f"{where} has a bulge that is not a number. Mend it.")
        # A bulge turns anticlockwise in the entity's own frame, whose x is mirrored where it is seen from below; here,
        # y being down, a bulge turns clockwise.
        normal = entity.dxf.get("extrusion")
        rows = np.column_stack([points, bulges if normal is not None and normal.z < 0 else -bulges])
        if entity.is_closed:
            rows = np.vstack([rows, rows[:1]])
        self.raw.add_curve(rows, np.ones(len(rows) - 1, dtype=bool), layer, where, _tags(entity))

    def spline(self, entity: Any, layer: str) -> None:
        counts = (len(entity.control_points), len(entity.fit_points), len(entity.knots))
        if max(counts) > _MOST_KNOTS or entity.dxf.get("degree", 3) > _HIGHEST_DEGREE:
            self.raw.notes.add(
                f"Splines of more than {_MOST_KNOTS} points or a degree above {_HIGHEST_DEGREE} were left out",
                f"SPLINE on layer {layer}",
            )
            return
        if np.abs(np.array([tuple(p) for p in entity.control_points or entity.fit_points])).max(initial=0) > (
            LARGEST_MM / self.raw.mm_per_unit
        ):
            self.raw.notes.add("Splines beyond all panels were left out", f"SPLINE on layer {layer}")
            return
        # Never all at once: a knot at the edge of what is read makes thousands.
        flattened = entity.flattening(FLATNESS_MM / 4 / self.raw.mm_per_unit, segments=8)
        vertices = list(islice(flattened, MOST_POINTS - self.raw.point_count + 1))
        self.raw.check_room(len(vertices), f"SPLINE on layer {layer}")
        points = self.flat(vertices)
        if len(points):
            where = self.where(entity, layer, points[0])
            self.raw.add_curve(points, np.zeros(len(points) - 1, dtype=bool), layer, where, _tags(entity))

    def caption(self, entity: Any, kind: str) -> None:
        """Add a text; the place it covers is estimated from its height, length and alignment."""
        if len(entity.dxf.get("text", "") if kind != "MTEXT" else entity.text) > _LONGEST_TEXT:
            return  # no label of a hole, and ezdxf takes the square of its length to read it
        text = entity.plain_text() if kind == "MTEXT" else _plain(entity.plain_text())
        lines = text.split("\n")
        if kind == "MTEXT":
            height = float(entity.dxf.get("char_height", 2.5))
            anchor = entity.dxf.insert
            point = entity.dxf.get("attachment_point", 1)
            across, up = ((point - 1) % 3) / 2 - 0.5, 0.5 - ((point - 1) // 3) / 2
            angle = math.radians(float(entity.get_rotation()))
            if not math.isfinite(angle):
                return
        else:
            height = float(entity.dxf.get("height", 2.5))
            halign, valign = entity.dxf.get("halign", 0), entity.dxf.get("valign", 0)
            aligned = (halign or valign) and entity.dxf.hasattr("align_point")
            anchor = entity.ocs().to_wcs(entity.dxf.align_point if aligned else entity.dxf.insert)
            across = {1: 0.0, 2: 0.5, 4: 0.0}.get(halign, -0.5) if aligned else -0.5
            up = 0.0 if halign == 4 and aligned else {2: 0.0, 3: 0.5}.get(valign, -0.5) if aligned else -0.5
            angle = math.radians(float(entity.dxf.get("rotation", 0.0)))
        width = max(text_width(line, height) for line in lines) * 0.85
        tall = height * (1 + 1.6 * (len(lines) - 1))
        along, off = -across * width, -up * tall
        x = anchor.x + along * math.cos(angle) - off * math.sin(angle)
        y = anchor.y + along * math.sin(angle) + off * math.cos(angle)
        k = self.raw.mm_per_unit
        self.raw.add_caption(text, (x * k, -y * k), (anchor.x * k, -anchor.y * k))


def _vertices(entity: Any) -> tuple[list[Any], FloatArray]:
    """Return a polyline's vertices in the world frame, and their bulges (K,) as they are stored."""
    if entity.dxftype() == "LWPOLYLINE":
        return list(entity.vertices_in_wcs()), np.array([row[4] for row in entity.lwpoints], dtype=np.float64)
    kept = [vertex for vertex in entity.vertices if not int(vertex.dxf.get("flags", 0)) & _FRAME_POINT]
    places = [vertex.dxf.location for vertex in kept]
    if any(place is None for place in places):
        raise DocumentError("A polyline has a vertex without a place. Mend or delete it.")
    if entity.is_3d_polyline:
        return places, np.zeros(len(places))
    elevation = entity.dxf.get("elevation")
    height = elevation.z if elevation is not None else 0.0
    in_plane = [(place.x, place.y, height) for place in places]
    return list(entity.ocs().points_to_wcs(in_plane)), np.array([float(v.dxf.get("bulge", 0.0)) for v in kept])


def _tags(entity: Any) -> Tags:
    """Return what a drawing of our own states of an entity, keys in lower case."""
    if not entity.has_xdata(APPLICATION):
        return {}
    texts = [str(tag.value) for tag in entity.get_xdata(APPLICATION) if tag.code == 1000]
    pairs = (text.partition("=") for text in texts)
    return {key.strip().casefold(): value.strip() for key, sign, value in pairs if sign}


def _plain(text: str) -> str:
    r"""Return a TEXT's own letters: \U+XXXX is a code point, and caret codes are undone (DXF reference)."""
    return re.sub(r"\\U\+([0-9A-Fa-f]{4})", lambda m: chr(int(m[1], 16)), text)
