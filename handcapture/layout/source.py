"""Read a panel that already exists: holes, outline, openings and keep-outs from a DXF, SVG or CSV file.

The reader of each format gives circles, curves and texts in mm (`source_shapes`); here it is decided, the same
way for all, what is a hole, what is the outline, what else is cut or kept free, and what is left out. Whatever is
left out is told in a note. Drawings of our own state what each shape is (`Tags`); that goes first.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from handcapture.documents import read_bytes
from handcapture.errors import DocumentError, InputError
from handcapture.layout.model import Cut, KeepOut, Point, Row, Vertex
from handcapture.layout.outline import as_outline, bounds, polyline, reverse
from handcapture.layout.plan import HOLE_LIMITS_MM
from handcapture.layout.source_shapes import (
    JOIN_MM,
    LARGEST_FILE_BYTES,
    MM_PER_UNIT,
    OVAL,
    ROUND_MM,
    Circle,
    Curve,
    FloatArray,
    Raw,
    Tags,
    Units,
    as_rectangle,
    circle_ring,
    fit_circle,
    join_curves,
    loose_ends,
)
from handcapture.lettering import KERF_MARK
from handcapture.names import FINGERS, SIDES, Finger, Side

if TYPE_CHECKING:
    from shapely.geometry import Polygon

MOST_HOLES: Final = 2000
MOST_OPENINGS: Final = 200
_SAME_MM: Final = 0.01
_CONCENTRIC_MM: Final = 0.1
_NEARLY_ROUND: Final = 0.05
_CUT: Final = "cut"
"""The layer of the drawings written here that holds what is cut; where it holds circles, only it is read."""
_REFERENCE: Final = "reference"
"""The layer of the drawings written here that is only looked at."""
_KEEP_OUT = re.compile(r"keepouts?(above|below|)")
_USUAL_MM: Final = (10.0, 60.0)
"""Holes of push buttons measure about this much (common practice, no source); only used to advise on the unit."""
_GAP_MM: Final = 2.0
"""Ends that are this near were probably meant to meet."""
_MOST_CORNERS: Final = 2000
_COARSER_MM: Final = (0.01, 0.02, 0.05, 0.1, 0.2)
_DIAMETER_TEXT = re.compile(r"^[ØøΦ⌀∅]\s*\d+([.,]\d+)?\s*(mm|cm|in|\")?$")
NamedT = TypeVar("NamedT", Cut, KeepOut)
_DIAMETER_TAIL = re.compile(r"\s*[ØΦ⌀∅]\s*\d+([.,]\d+)?\s*(mm)?$")


Face = Literal["above", "below", "both"]


@dataclass(frozen=True)
class Hole:
    """One hole: its centre (x right, y down, mm) and diameter, and the text that stood in it.

    `side`, `finger` and `row` are there where the drawing states them.
    """

    centre_mm: Point
    diameter_mm: float
    label: str | None = None
    side: Side | None = None
    finger: Finger | None = None
    row: Row | None = None


@dataclass(frozen=True)
class Drawing:
    """What was read: holes in the order of the file, the closed outline, and what else is cut or kept free.

    The outline is a closed line of straight pieces and arcs, clockwise as seen. Origin at the top-left corner of its
    bounding box, without an outline of that of the holes themselves; x right, y down, mm. `thickness_mm`, `material`,
    `edge_mm` and `web_mm` are there where the drawing states them. `notes` tell what was left out or taken for granted.
    """

    holes: tuple[Hole, ...]
    outline: tuple[Vertex, ...] | None
    notes: tuple[str, ...]
    cuts: tuple[Cut, ...] = ()
    keep_outs: tuple[KeepOut, ...] = ()
    thickness_mm: float | None = None
    material: str | None = None
    edge_mm: float | None = None
    web_mm: float | None = None


def _raw(path: Path, ending: str, units: Units | None) -> Raw:
    """Return what a file of this kind holds."""
    if ending == ".dxf":
        from handcapture.layout.source_dxf import read_dxf

        return read_dxf(path, units)
    if ending == ".svg":
        from handcapture.layout.source_svg import read_svg

        return read_svg(path, units)
    if ending in (".csv", ".tsv", ".txt"):
        from handcapture.layout.source_csv import read_csv

        return read_csv(path, units)
    raise InputError(
        f"{path} is no DXF, SVG or CSV file by its name. Save the panel as one of these (ending .dxf, .svg or .csv) "
        "and read that."
    )


def read_drawing(
    path: Path, units: Units | None = None, layer: str | None = None, keep_out_layers: Sequence[str] = ()
) -> Drawing:
    """Read a panel drawing; the kind of file is told by its ending (.dxf, .svg, .csv, .tsv, .txt).

    `units` overrules what the file says of its unit; `layer` (of an SVG: the id or label of a group) restricts
    holes and outline to one layer. What lies on a layer KEEP_OUT, KEEP_OUT_ABOVE, KEEP_OUT_BELOW or one of
    `keep_out_layers` is kept free. InputError when the file cannot be read, DocumentError when it holds no usable
    panel: what is wrong, where, and what to do.
    """
    if units is not None and units not in MM_PER_UNIT:
        raise InputError(f"The unit {units!r} is not known. Say one of {', '.join(MM_PER_UNIT)}.")
    ending = path.suffix.lower()
    # Numbers too large to reckon with become infinite, and are refused as what they are: no warning is needed.
    with np.errstate(all="ignore"):
        raw = _raw(path, ending, units)
    try:
        drawing = _compose(raw, layer, keep_out_layers)
        if not raw.unit_known:
            raise DocumentError(_unit_question(drawing.holes))
    except InputError as error:
        raise DocumentError(f"{path}: {error}") from None
    # Programs that drop what is tagged keep the words.
    if ending in (".dxf", ".svg") and KERF_MARK.encode() in read_bytes(path, LARGEST_FILE_BYTES, "a drawing"):
        raise DocumentError(
            f"{path} says that it allows for a kerf, so its sizes are not those of the finished panel. Draw the layout "
            "again without kerf, and read that."
        )
    return drawing


def _compose(raw: Raw, layer: str | None, keep_out_layers: Sequence[str]) -> Drawing:
    notes = raw.notes
    raw, kept_free = _keep_outs_apart(raw, layer, keep_out_layers)
    raw = _of_layer(raw, layer)
    closed = join_curves(raw.curves, notes)
    circles, contours = _round_ones(raw, closed)
    circles = _without_twins(raw.circles + circles, raw)
    if len(circles) > MOST_HOLES:
        raise DocumentError(
            f"The drawing has {len(circles)} circles; a panel may have up to {MOST_HOLES}. Name the layer of the "
            "holes (--layer)."
        )
    if not circles:
        told = " ".join(notes.sentences())
        raise DocumentError(f"No hole was found (no circle). {told}".rstrip() + " Draw each hole as a circle.")
    outline, circles, contours, stated = _find_outline(circles, contours, raw)
    if kerf_mm := _measure(stated, "kerf_mm"):
        raise DocumentError(
            f"The drawing allows for a kerf of {kerf_mm:g} mm, so its sizes are not those of the finished panel. Draw "
            "the layout again without kerf, and read that."
        )
    if not circles:
        raise DocumentError("No hole was found besides the outline. Draw each hole as a circle.")
    openings = [circle for circle in circles if circle.tags.get("kind") == "cut"]
    circles = _innermost([circle for circle in circles if circle.tags.get("kind") != "cut"], raw)
    if outline is None:
        reach = np.array([(*c.centre_mm, c.diameter_mm / 2) for c in circles + openings])
        left, top = (reach[:, :2] - reach[:, 2:]).min(axis=0).tolist()
    else:
        left, top = bounds(outline)[:2]
    labels = _labels(circles, raw)
    holes = tuple(
        Hole(_moved(c.centre_mm, left, top), float(c.diameter_mm), label, *_finger(c, raw))
        for c, label in zip(circles, labels, strict=True)
    )
    cuts = [
        Cut(circle.tags.get("name") or "", "circle", _moved(circle.centre_mm, left, top), float(circle.diameter_mm))
        for circle in openings
    ]
    if outline is not None:
        found_cuts, found_keep_outs = _openings(contours, outline, circles + openings, raw)
        cuts += [replace(cut, centre_mm=_moved(cut.centre_mm, left, top)) for cut in found_cuts]
        kept_free += found_keep_outs
    keep_outs = tuple(replace(k, centre_mm=_moved(k.centre_mm, left, top)) for k in kept_free)
    for contour in contours:
        if OVAL in contour.tags:
            size = " × ".join(f"{side:.4g}" for side in np.ptp(contour.points_mm, axis=0))
            notes.add("Ovals (ellipses, stretched circles) are no round holes", f"{contour.where}, {size} mm")
    return Drawing(
        holes,
        None if outline is None else _at_origin(outline),
        notes.sentences(),
        _named(cuts, "opening"),
        _named(keep_outs, "keep-out"),
        _measure(stated, "thickness_mm") or None,
        stated.get("material") or None,
        _measure(stated, "edge_mm"),
        _measure(stated, "web_mm"),
    )


def _at_origin(outline: tuple[Vertex, ...]) -> tuple[Vertex, ...]:
    """Return the outline from its bounding box's corner, no bulge being a negative zero."""
    return tuple((x, y, bulge + 0.0) for x, y, bulge in as_outline(outline)["outline"])


def _moved(point: Point, left: float, top: float) -> Point:
    return float(point[0] - left), float(point[1] - top)


def _named(shapes: Sequence[NamedT], stem: str) -> tuple[NamedT, ...]:
    """Return the shapes, those without a name numbered."""
    named, number = [], 0
    for shape in shapes:
        if not shape.name:
            number += 1
            shape = replace(shape, name=f"{stem} {number}")
        named.append(shape)
    return tuple(named)


def _measure(tags: Tags, key: str) -> float | None:
    """Return a length that a drawing states, None where there is none that makes sense."""
    try:
        value = float(tags.get(key, ""))
    except ValueError:
        return None
    return value if math.isfinite(value) and 0 <= value <= 500 else None


def _finger(circle: Circle, raw: Raw) -> tuple[Side | None, Finger | None, Row | None]:
    """Return whose hole it is as far as the drawing states it."""
    said = {key: circle.tags.get(key, "").strip().casefold() for key in ("side", "finger", "row")}
    side = next((name for name in SIDES if name == said["side"]), None)
    finger = next((name for name in FINGERS if name == said["finger"]), None)
    rows: tuple[Row, ...] = ("near", "far")
    row = next((name for name in rows if name == said["row"]), None)
    if side is None or finger is None:
        if said["finger"]:
            words = f"{said['side']} {said['finger']}".strip()
            raw.notes.add(
                f"Fingers that are not known were passed over (known: {' or '.join(SIDES)} with {', '.join(FINGERS)})",
                f"{words} at {raw.place(*circle.centre_mm)}",
            )
        return None, None, None
    return side, finger, row


def _keep_outs_apart(raw: Raw, layer: str | None, others: Sequence[str]) -> tuple[Raw, list[KeepOut]]:
    """Return the drawing without what lies on layers of keep-outs, and the keep-outs, not yet moved to the origin."""
    wanted = {name.casefold() for name in others}
    known = {part.casefold() for name in _layers(raw) for part in name.split("\n")}
    if missing := sorted(name for name in others if name.casefold() not in known):
        raise DocumentError(
            f"Nothing is drawn on a layer {missing[0]!r}. There is: {_layers_told(raw)}. Name one of these "
            "(--keep-out-layer)."
        )

    def face(shape: Circle | Curve) -> Face | None:
        parts = [part.casefold() for part in shape.layer.split("\n")]
        if _REFERENCE in parts or (layer is not None and layer.casefold() in parts):
            return None
        for part in reversed(parts):
            if found := _KEEP_OUT.fullmatch(re.sub(r"[-_ ]", "", part)):
                return _face(shape.tags.get("face") or found[1])
            if part in wanted:
                return _face(shape.tags.get("face") or part[-5:])
        return _face(shape.tags.get("face", "")) if shape.tags.get("kind") == "keep-out" else None

    round_ones = [(circle, side) for circle in raw.circles if (side := face(circle))]
    lines = [(curve, side) for curve in raw.curves if (side := face(curve))]
    keep_outs = []
    sides: tuple[Face, ...] = ("above", "below", "both")
    for which in sides:
        closed = join_curves([curve for curve, side in lines if side == which], raw.notes)
        circles, contours = _round_ones(raw, closed)
        circles = _without_twins([circle for circle, side in round_ones if side == which] + circles, raw)
        shapes: list[Circle | Curve] = [*circles, *contours]
        keep_outs += [_keep_out(shape, which, raw) for shape in shapes]
        if any(not curve.closed and side == which for curve, side in lines) and not closed:
            raw.notes.add("Lines on a layer of keep-outs that do not close were left out")
    apart = {id(shape) for shape, _ in (*round_ones, *lines)}
    rest = replace(
        raw,
        circles=[circle for circle in raw.circles if id(circle) not in apart],
        curves=[curve for curve in raw.curves if id(curve) not in apart],
    )
    return rest, keep_outs


def _face(word: str) -> Face:
    return "above" if word == "above" else "below" if word == "below" else "both"


def _keep_out(shape: Circle | Curve, face: Face, raw: Raw) -> KeepOut:
    """Return a shape as a keep-out: circles and rectangles as they are, others by their bounding box."""
    depth = _measure(shape.tags, "headroom_mm") if face == "below" else None
    clearance = _measure(shape.tags, "clearance_mm") or 0.0
    if isinstance(shape, Circle):
        name = shape.tags.get("name") or _text_within(shape.centre_mm, shape.diameter_mm / 2, raw)
        return KeepOut(name, "circle", shape.centre_mm, float(shape.diameter_mm), (0.0, 0.0), clearance, face, depth)
    low, high = shape.points_mm.min(axis=0), shape.points_mm.max(axis=0)
    centre, size = _pair((low + high) / 2), _pair(high - low)
    exact = as_rectangle(shape.ring)
    if exact is None or exact[2]:
        raw.notes.add(
            "Keep-outs that are neither circles nor level rectangles with sharp corners were taken by their bounding "
            "box",
            f"{size[0]:.4g} × {size[1]:.4g} mm at {raw.place(*centre)}",
        )
    name = shape.tags.get("name") or _text_within(centre, min(size) / 2, raw)
    return KeepOut(name, "rectangle", centre, 0.0, size, clearance, face, depth)


def _pair(values: FloatArray) -> Point:
    return float(values[0]), float(values[1])


def _text_within(centre: Point, radius: float, raw: Raw) -> str:
    near = [(math.dist(caption.centre_mm, centre), caption.text) for caption in raw.captions]
    found = min(near, default=None)
    return found[1][:80] if found is not None and found[0] <= radius else ""


def _openings(
    contours: Sequence[Curve], outline: tuple[Vertex, ...], circles: Sequence[Circle], raw: Raw
) -> tuple[list[Cut], list[KeepOut]]:
    """Return what other closed contours within the outline are: rectangles openings, other shapes keep-outs."""
    import shapely

    inside = shapely.Polygon(polyline(outline)).buffer(JOIN_MM)
    places = np.array([circle.centre_mm for circle in circles])
    radii = np.array([circle.diameter_mm / 2 for circle in circles])
    shapes = [(contour, shapely.Polygon(contour.points_mm[:-1])) for contour in contours]
    shapes = [(contour, shape) for contour, shape in shapes if shape.is_valid and shape.area > 1.0]
    if len(shapes) > MOST_OPENINGS:
        raw.notes.add(
            f"There are {len(shapes)} closed contours besides holes and outline. So many are letters or patterns "
            "rather than openings, and were left out; name the layer of what is cut (--layer)"
        )
        return [], []
    shapes.sort(key=lambda pair: -float(pair[1].area))
    cuts: list[Cut] = []
    keep_outs: list[KeepOut] = []
    taken: list[Polygon] = []
    for contour, shape in shapes:
        left, top, right, bottom = shape.bounds
        centre, size = ((left + right) / 2, (top + bottom) / 2), (right - left, bottom - top)
        told = f"{size[0]:.4g} × {size[1]:.4g} mm at {raw.place(*centre)}"
        if not inside.contains(shape):
            raw.notes.add("Closed contours outside the outline, or across it, were left out", told)
            continue
        if (shapely.distance(shape, shapely.points(places)) < radii - ROUND_MM).any():
            raw.notes.add("Closed contours around holes, or across them, were left out", told)
            continue
        if any(other.contains(shape) for other in taken):
            raw.notes.add("Closed contours within other openings were left out", told)
            continue
        taken.append(shape)
        exact = as_rectangle(contour.ring)
        name = contour.tags.get("name", "")
        if exact is not None:
            cuts.append(Cut(name, "rectangle", exact[0], 0.0, exact[1], round(exact[2], 6)))
            if contour.tags.get("kind") != "cut":
                raw.notes.add("Rectangles within the outline were taken for openings", told)
            continue
        raw.notes.add(
            "Closed contours within the outline that are neither circles nor level rectangles became keep-outs of "
            "their bounding box",
            told,
        )
        keep_outs.append(KeepOut(name, "rectangle", centre, 0.0, size))
    return cuts, keep_outs


def _layers(raw: Raw) -> set[str]:
    return {circle.layer for circle in raw.circles} | {curve.layer for curve in raw.curves}


def _layers_told(raw: Raw) -> str:
    known = sorted({part for name in _layers(raw) for part in name.split("\n") if part}) or ["none"]
    return ", ".join(known[:12]) + (", …" if len(known) > 12 else "")


def _of_layer(raw: Raw, layer: str | None) -> Raw:
    """Return only the shapes of the asked layer; unasked, those of a layer called CUT if it holds circles."""
    parts = {name: {part.casefold() for part in name.split("\n")} for name in _layers(raw)}
    wanted = layer
    if wanted is None:
        if not any(_CUT in parts[circle.layer] for circle in raw.circles):
            return raw
        wanted = _CUT
    kept = {name for name, of in parts.items() if wanted.casefold() in of}
    if not kept:
        raise DocumentError(
            f"Nothing is drawn on a layer {layer!r}. There is: {_layers_told(raw)}. Name one of these (--layer)."
        )
    left_out = sum(shape.layer not in kept and _REFERENCE not in parts[shape.layer] for shape in raw.circles)
    ours = any(circle.tags for circle in raw.circles)
    if left_out and layer is None and not ours:
        raw.notes.add(
            f"There is a layer {_CUT}, so circles on others were left out ({left_out}; --layer reads another)"
        )
    curves = [curve for curve in raw.curves if curve.layer in kept]
    if layer is None and not curves:  # holes only: the outline then lies on another layer
        curves = [curve for curve in raw.curves if _REFERENCE not in parts[curve.layer]]
    return replace(raw, circles=[circle for circle in raw.circles if circle.layer in kept], curves=curves)


def _round_ones(raw: Raw, closed: list[Curve]) -> tuple[list[Circle], list[Curve]]:
    """Part closed curves into those that are circles and the rest."""
    circles, others = [], []
    for curve in closed:
        if len(np.unique(np.round(curve.points_mm, 6), axis=0)) < 3:
            raw.notes.add("Closed curves that enclose nothing were left out", curve.where)
            continue
        samples = curve.samples_mm
        if len(samples) < 8:
            others.append(curve)
            continue
        centre, radius, off = fit_circle(samples)
        x, y = float(centre[0]), float(centre[1])
        if off <= ROUND_MM and radius > 2 * ROUND_MM and _goes_round(samples, centre):
            circles.append(Circle((x, y), 2 * radius, curve.layer, curve.where, curve.tags))
            continue
        if off <= _NEARLY_ROUND * radius and _goes_round(samples, centre):
            raw.notes.add(
                f"Closed curves that are nearly circles, but not within {ROUND_MM} mm, were not taken for holes (draw "
                "them as circles if holes are meant)",
                f"{curve.where}, at {raw.place(x, y)}, Ø{2 * radius / raw.mm_per_unit:.4g} {raw.unit}, off by "
                f"{off:.3f} mm",
            )
        others.append(curve)
    return circles, others


def _goes_round(samples: FloatArray, centre: FloatArray) -> bool:
    """Return whether samples surround the centre without a gap of more than 60 degrees."""
    angles = np.sort(np.arctan2(samples[:, 1] - centre[1], samples[:, 0] - centre[0]))
    gaps = np.diff(np.concatenate([angles, angles[:1] + 2 * math.pi]))
    return bool(gaps.max() < math.pi / 3)


def _without_twins(circles: list[Circle], raw: Raw) -> list[Circle]:
    kept: list[Circle] = []
    cells: dict[tuple[int, int], list[Circle]] = {}
    for circle in circles:
        column, row = (math.floor(v / _SAME_MM) for v in circle.centre_mm)
        near = (c for i in (-1, 0, 1) for j in (-1, 0, 1) for c in cells.get((column + i, row + j), ()))
        if any(
            math.dist(c.centre_mm, circle.centre_mm) <= _SAME_MM and abs(c.diameter_mm - circle.diameter_mm) <= _SAME_MM
            for c in near
        ):
            raw.notes.add("Circles drawn twice count once", raw.place(*circle.centre_mm))
            continue
        kept.append(circle)
        cells.setdefault((column, row), []).append(circle)
    return kept


def _find_outline(
    circles: list[Circle], contours: list[Curve], raw: Raw
) -> tuple[tuple[Vertex, ...] | None, list[Circle], list[Curve], Tags]:
    """Return the outline, the circles and contours that are left, and what the drawing states of the panel.

    The outline is what is stated to be it, or else the largest closed contour around all holes.
    """
    import shapely

    for circle in circles:
        if circle.tags.get("kind") == "outline":
            others = [other for other in circles if other is not circle]
            return circle_ring(circle.centre_mm, circle.diameter_mm / 2), others, contours, circle.tags
    polygons: list[tuple[Polygon, Curve]] = []
    for contour in contours:
        polygon = shapely.Polygon(contour.points_mm[:-1])
        if not polygon.is_valid:
            raw.notes.add("Closed contours that cross themselves were left out", contour.where)
        elif polygon.area > 1.0:
            polygons.append((polygon, contour))
    places = np.array([circle.centre_mm for circle in circles])
    radii = np.array([circle.diameter_mm / 2 for circle in circles])
    around = [pair for pair in polygons if pair[1].tags.get("kind") == "outline"]
    if not around:
        around = [pair for pair in polygons if _holds(pair[0], places, radii).all()]
    around.sort(key=lambda pair: -float(pair[0].area))
    if around:
        if len(around) > 1:
            raw.notes.add(
                "Several closed contours surround all holes; the largest was taken as outline (--layer chooses)",
                ", ".join(_size_text(polygon) for polygon, _ in around),
            )
        taken = [contour for _, contour in around]
        rest = [contour for contour in contours if not any(contour is other for other in taken)]
        return _corners(taken[0], raw), circles, rest, taken[0].tags
    biggest = int(np.argmax(radii))
    apart = np.hypot(*(places - places[biggest]).T)
    within = apart + radii <= radii[biggest] + _SAME_MM
    if len(circles) > 1 and within.all() and (apart > _CONCENTRIC_MM).any():
        ring = circle_ring(circles[biggest].centre_mm, circles[biggest].diameter_mm / 2)
        return ring, [circle for k, circle in enumerate(circles) if k != biggest], contours, circles[biggest].tags
    if polygons:
        largest = max((polygon for polygon, _ in polygons), key=lambda polygon: float(polygon.area))
        outside = int((~_holds(largest, places, radii)).sum())
        raw.notes.add(
            f"No closed contour surrounds all holes (the largest, {_size_text(largest)}, leaves out {outside} of "
            f"{len(circles)}), so there is no outline and the origin is that of the holes"
        )
    for at, gap_mm in loose_ends(raw.curves, _GAP_MM):
        raw.notes.add(
            "Lines that nearly meet make no closed contour; if they are the outline, close the gap and read it again",
            f"{gap_mm:.3g} mm at {raw.place(*at)}",
        )
    return None, circles, contours, {}


def _corners(contour: Curve, raw: Raw) -> tuple[Vertex, ...]:
    """Return the vertices of the outline, clockwise as seen; very many ones are thinned out, and told."""
    import shapely

    ring = contour.ring
    for off_mm in _COARSER_MM:
        if len(ring) <= _MOST_CORNERS:
            break
        thinned = shapely.simplify(shapely.LinearRing(contour.points_mm[:-1]), off_mm)
        ring = tuple((float(x), float(y), 0.0) for x, y in np.asarray(thinned.coords)[:-1])
    if len(ring) > _MOST_CORNERS:
        raise DocumentError(
            f"The outline ({contour.where}) has {len(contour.ring)} corners; up to {_MOST_CORNERS} are read. Draw it "
            "with lines and arcs."
        )
    if len(ring) < len(contour.ring):
        raw.notes.add(f"The outline's {len(contour.ring)} corners were thinned out to {len(ring)}")
    # In a frame with y down, what the formula of the area calls anticlockwise goes clockwise as seen.
    return ring if shapely.LinearRing(polyline(ring)).is_ccw else tuple(reverse(ring))


def _holds(polygon: Polygon, places: FloatArray, radii: FloatArray) -> NDArray[np.bool_]:
    """Return which circles (N, 2), (N,) lie within the polygon, as far as drawings are exact."""
    import shapely

    points = shapely.points(places)
    shapely.prepare(polygon)
    clear = shapely.distance(polygon.exterior, points) >= radii - 2 * ROUND_MM
    return np.asarray(shapely.contains(polygon, points) & clear)


def _size_text(polygon: Polygon) -> str:
    left, top, right, bottom = polygon.bounds
    return f"{right - left:.4g} × {bottom - top:.4g} mm"


def _innermost(circles: list[Circle], raw: Raw) -> list[Circle]:
    """Keep one of concentric circles, the innermost that can be a button's hole, and drop those around other holes."""
    places = np.array([circle.centre_mm for circle in circles]).reshape(-1, 2)
    radii = np.array([circle.diameter_mm / 2 for circle in circles])
    marks = np.zeros(len(circles), dtype=bool)
    low, high = HOLE_LIMITS_MM
    for k in np.flatnonzero(radii < low / 2).tolist():
        larger = (np.hypot(*(places - places[k]).T) <= _CONCENTRIC_MM) & (radii >= low / 2) & (radii <= high / 2)
        if larger.any():
            marks[k] = True
            raw.notes.add(
                f"Circles below {low:g} mm in the middle of a hole were taken for centre marks",
                f"{raw.place(*circles[k].centre_mm)}: Ø{circles[k].diameter_mm:.4g} mm",
            )
    circles = [circle for circle, mark in zip(circles, marks, strict=True) if not mark]
    places, radii = places[~marks], radii[~marks]
    kept = []
    for k, circle in enumerate(circles):
        apart = np.hypot(*(places - places[k]).T)
        inside = (apart + radii <= radii[k] + _SAME_MM) & (radii < radii[k])
        if not inside.any():
            kept.append(circle)
            continue
        inner = int(np.argmin(np.where(inside, radii, np.inf)))
        at = f"{raw.place(*circle.centre_mm)}: Ø{circle.diameter_mm:.4g} mm"
        if apart[inner] <= _CONCENTRIC_MM:
            raw.notes.add(
                "Of circles with one centre the innermost is the hole (--layer chooses another)",
                f"{at} left out, Ø{2 * radii[inner]:.4g} mm kept",
            )
        else:
            raw.notes.add("Circles that surround other holes were left out", at)
    for circle, other, gap_mm in _overlapping(kept):
        raw.notes.add(
            "Holes overlap; mend the drawing, or name the layer of the holes (--layer)",
            f"{raw.place(*circle.centre_mm)} and {raw.place(*other.centre_mm)}, by {-gap_mm:.3g} mm",
        )
    return kept


def _overlapping(circles: Sequence[Circle]) -> list[tuple[Circle, Circle, float]]:
    places = np.array([circle.centre_mm for circle in circles]).reshape(-1, 2)
    radii = np.array([circle.diameter_mm / 2 for circle in circles])
    found = []
    for k, circle in enumerate(circles):
        gaps = np.hypot(*(places[k + 1 :] - places[k]).T) - radii[k + 1 :] - radii[k]
        found += [(circle, circles[k + 1 + int(n)], float(gaps[n])) for n in np.flatnonzero(gaps < -_SAME_MM)]
    return found


def _labels(circles: list[Circle], raw: Raw) -> list[str | None]:
    """Return for each hole the label that is stated, or the text inside it that is nearest to its centre.

    Plain diameters do not count.
    """
    best: list[tuple[float, str] | None] = [None] * len(circles)
    places = np.array([circle.centre_mm for circle in circles])
    radii = np.array([circle.diameter_mm / 2 for circle in circles])
    for caption in raw.captions:
        if _DIAMETER_TEXT.match(caption.text):
            continue
        text = _DIAMETER_TAIL.sub("", caption.text) or caption.text
        for point in (caption.centre_mm, caption.anchor_mm):
            apart = np.hypot(*(places - point).T)
            nearest = int(np.argmin(apart / radii))
            if apart[nearest] <= radii[nearest]:
                found = best[nearest]
                if found is None or apart[nearest] < found[0] - 1e-9:
                    best[nearest] = (float(apart[nearest]), text)
                break
    read = [found[1] if found else None for found in best]
    stated = (" ".join(circle.tags.get("label", "").split())[:200] for circle in circles)
    return [label or text for label, text in zip(stated, read, strict=True)]


def _unit_question(holes: tuple[Hole, ...]) -> str:
    """Return the sentence that asks for the unit, with what the holes would measure in each."""
    middle = sorted(hole.diameter_mm for hole in holes)[len(holes) // 2]
    readings = [f"{middle * factor:.4g} mm if the unit is {unit}" for unit, factor in MM_PER_UNIT.items()]
    likely = [unit for unit, factor in MM_PER_UNIT.items() if _USUAL_MM[0] <= middle * factor <= _USUAL_MM[1]]
    choices = ", ".join(MM_PER_UNIT)
    advice = f"Likely: say --units {likely[0]}." if likely else f"Say which it is with --units ({choices})."
    return f"The file does not say its unit. The holes would be {', '.join(readings[:-1])}, {readings[-1]}. {advice}"
