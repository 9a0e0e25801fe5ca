"""Read a panel that already exists: holes and outline from a DXF, SVG or CSV file.

The reader of each format gives circles, curves and texts in mm (`source_shapes`); here it is decided, the same
way for all, what is a hole, what is the outline, and what is left out. Whatever is left out is told in a note.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import DocumentError, InputError
from handcapture.layout.model import Point
from handcapture.layout.source_shapes import (
    MM_PER_UNIT,
    ROUND_MM,
    Circle,
    Curve,
    FloatArray,
    Raw,
    Units,
    chord_count,
    fit_circle,
    join_curves,
)

if TYPE_CHECKING:
    from shapely.geometry import Polygon

MOST_HOLES: Final = 2000
_SAME_MM: Final = 0.01
_CONCENTRIC_MM: Final = 0.1
_NEARLY_ROUND: Final = 0.05
_CUT: Final = "cut"
"""The layer of the drawings written here that holds what is cut; where it holds circles, only it is read."""
_USUAL_MM: Final = (10.0, 60.0)
"""Holes of push buttons measure about this much (common practice, no source); only used to advise on the unit."""
_DIAMETER_TEXT = re.compile(r"^[ØøΦ⌀∅]\s*\d+([.,]\d+)?\s*(mm|cm|in|\")?$")
_DIAMETER_TAIL = re.compile(r"\s*[ØΦ⌀∅]\s*\d+([.,]\d+)?\s*(mm)?$")


@dataclass(frozen=True)
class Hole:
    """One hole: its centre (x right, y down, mm) and diameter, and the text that stood in it."""

    centre_mm: Point
    diameter_mm: float
    label: str | None = None


@dataclass(frozen=True)
class Drawing:
    """What was read: holes in the order of the file, and the closed outline (not repeating its first point).

    Origin at the top-left corner of the outline's bounding box, without an outline of that of the holes
    themselves; x right, y down, mm. `notes` tell what was left out or taken for granted.
    """

    holes: tuple[Hole, ...]
    outline: tuple[Point, ...] | None
    notes: tuple[str, ...]


def read_drawing(path: Path, units: Units | None = None, layer: str | None = None) -> Drawing:
    """Read a panel drawing; the kind of file is told by its ending (.dxf, .svg, .csv, .tsv, .txt).

    `units` overrules what the file says of its unit; `layer` (of an SVG: the id or label of a group) restricts
    holes and outline to one layer. InputError when the file cannot be read, DocumentError when it holds no
    usable panel: what is wrong, where, and what to do.
    """
    if units is not None and units not in MM_PER_UNIT:
        raise InputError(f"The unit {units!r} is not known. Say one of {', '.join(MM_PER_UNIT)}.")
    ending = path.suffix.lower()
    if ending == ".dxf":
        from handcapture.layout.source_dxf import read_dxf

        raw = read_dxf(path, units)
    elif ending == ".svg":
        from handcapture.layout.source_svg import read_svg

        raw = read_svg(path, units)
    elif ending in (".csv", ".tsv", ".txt"):
        from handcapture.layout.source_csv import read_csv

        raw = read_csv(path, units)
    else:
        raise InputError(
            f"{path} is no DXF, SVG or CSV file by its name. Save the panel as one of these (ending .dxf, .svg or "
            ".csv) and read that."
        )
    try:
        drawing = _compose(raw, layer)
        if not raw.unit_known:
            raise DocumentError(_unit_question(drawing.holes))
    except DocumentError as error:
        raise DocumentError(f"{path}: {error}") from None
    return drawing


def _compose(raw: Raw, layer: str | None) -> Drawing:
    raw = _of_layer(raw, layer)
    notes = raw.notes
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
    outline, circles = _find_outline(circles, contours, raw)
    circles = _innermost(circles, raw)
    labels = _labels(circles, raw)
    if outline is None:
        reach = np.array([(*c.centre_mm, c.diameter_mm / 2) for c in circles])
        left, top = (reach[:, :2] - reach[:, 2:]).min(axis=0)
    else:
        left, top = outline.min(axis=0)
    holes = tuple(
        Hole((float(c.centre_mm[0] - left), float(c.centre_mm[1] - top)), float(c.diameter_mm), label)
        for c, label in zip(circles, labels, strict=True)
    )
    points = None if outline is None else tuple((float(x - left), float(y - top)) for x, y in outline)
    return Drawing(holes, points, notes.sentences())


def _of_layer(raw: Raw, layer: str | None) -> Raw:
    """Return only the shapes of the asked layer; unasked, those of a layer called CUT if it holds circles."""
    names = {circle.layer for circle in raw.circles} | {curve.layer for curve in raw.curves}
    parts = {name: {part.casefold() for part in name.split("\n")} for name in names}
    wanted = layer
    if wanted is None:
        if not any(_CUT in parts[circle.layer] for circle in raw.circles):
            return raw
        wanted = _CUT
    kept = {name for name, of in parts.items() if wanted.casefold() in of}
    if not kept:
        known = sorted({part for name in names for part in name.split("\n") if part}) or ["none"]
        shown = ", ".join(known[:12]) + (", …" if len(known) > 12 else "")
        raise DocumentError(f"Nothing is drawn on a layer {layer!r}. There is: {shown}. Name one of these (--layer).")
    left_out = sum(shape.layer not in kept for shape in raw.circles)
    if left_out and layer is None:
        raw.notes.add(
            f"There is a layer {_CUT}, so circles on others were left out ({left_out}; --layer reads another)"
        )
    return replace(
        raw,
        circles=[circle for circle in raw.circles if circle.layer in kept],
        curves=[curve for curve in raw.curves if curve.layer in kept],
    )


def _round_ones(raw: Raw, closed: list[Curve]) -> tuple[list[Circle], list[Curve]]:
    """Part closed curves into those that are circles and the rest."""
    circles, others = [], []
    for curve in closed:
        samples = curve.samples_mm
        if len(samples) < 8:
            others.append(curve)
            continue
        centre, radius, off = fit_circle(samples)
        x, y = float(centre[0]), float(centre[1])
        if off <= ROUND_MM and radius > 2 * ROUND_MM and _goes_round(samples, centre):
            circles.append(Circle((x, y), 2 * radius, curve.layer, curve.where))
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


def _find_outline(circles: list[Circle], contours: list[Curve], raw: Raw) -> tuple[FloatArray | None, list[Circle]]:
    """Return the outline (N, 2), the largest closed contour around all holes, and the circles that are holes."""
    import shapely

    polygons: list[Polygon] = []
    for contour in contours:
        polygon = shapely.Polygon(contour.points_mm)
        if not polygon.is_valid:
            raw.notes.add("Closed contours that cross themselves were left out", contour.where)
        elif polygon.area > 1.0:
            polygons.append(polygon)
    places = np.array([circle.centre_mm for circle in circles])
    radii = np.array([circle.diameter_mm / 2 for circle in circles])
    around = [polygon for polygon in polygons if _holds(polygon, places, radii).all()]
    around.sort(key=lambda polygon: -polygon.area)
    if around:
        if len(around) > 1:
            sizes = [_size_text(polygon) for polygon in around]
            raw.notes.add(
                "Several closed contours surround all holes; the largest was taken as outline (--layer chooses)",
                ", ".join(sizes),
            )
        return np.asarray(around[0].exterior.coords)[:-1], circles
    biggest = int(np.argmax(radii))
    apart = np.hypot(*(places - places[biggest]).T)
    within = apart + radii <= radii[biggest] + _SAME_MM
    if len(circles) > 1 and within.all() and (apart > _CONCENTRIC_MM).any():
        count = 4 * math.ceil(chord_count(float(radii[biggest]), 2 * math.pi) / 4)
        angles = np.linspace(0.0, 2 * math.pi, count, endpoint=False)
        ring = places[biggest] + radii[biggest] * np.column_stack([np.cos(angles), np.sin(angles)])
        return ring, [circle for k, circle in enumerate(circles) if k != biggest]
    if polygons:
        largest = max(polygons, key=lambda polygon: float(polygon.area))
        outside = int((~_holds(largest, places, radii)).sum())
        raw.notes.add(
            f"No closed contour surrounds all holes (the largest, {_size_text(largest)}, leaves out {outside} of "
            f"{len(circles)}), so there is no outline and the origin is that of the holes"
        )
    return None, circles


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
    """Keep the inner one of concentric circles, and drop circles that hold other holes off their centre."""
    places = np.array([circle.centre_mm for circle in circles])
    radii = np.array([circle.diameter_mm / 2 for circle in circles])
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
    return kept


def _labels(circles: list[Circle], raw: Raw) -> list[str | None]:
    """Return for each hole the text inside it that is nearest to its centre; plain diameters do not count."""
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
    return [found[1] if found else None for found in best]


def _unit_question(holes: tuple[Hole, ...]) -> str:
    """Return the sentence that asks for the unit, with what the holes would measure in each."""
    middle = sorted(hole.diameter_mm for hole in holes)[len(holes) // 2]
    readings = [f"{middle * factor:.4g} mm if the unit is {unit}" for unit, factor in MM_PER_UNIT.items()]
    likely = [unit for unit, factor in MM_PER_UNIT.items() if _USUAL_MM[0] <= middle * factor <= _USUAL_MM[1]]
    choices = ", ".join(MM_PER_UNIT)
    advice = f"Likely: say --units {likely[0]}." if likely else f"Say which it is with --units ({choices})."
    return f"The file does not say its unit. The holes would be {', '.join(readings[:-1])}, {readings[-1]}. {advice}"
