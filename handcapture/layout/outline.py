"""The panel's outline: a closed line of straight pieces and arcs, and how far places are from it.

An outline is a sequence of vertices x, y, bulge (see `model.Vertex`), clockwise as seen, in the panel's frame.
Distances to straight pieces and arcs are exact; only where a polygon is asked for are arcs divided into chords.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.layout.model import KeepOut, Panel, SideFeature, Vertex

if TYPE_CHECKING:
    from shapely import Polygon

FloatArray = NDArray[np.float64]

SAGITTA_MM: Final = 0.005
"""How far a chord may lie off its arc."""
_COARSE_MM: Final = 0.05
"""The same where only inside and outside are told apart."""
QUARTER_BULGE: Final = math.tan(math.radians(90) / 4)
_LEAST_PIECE_MM: Final = 1e-6
_FLATTEST_BULGE: Final = 1e-7
_COLUMNS: Final = 41
_SHARP_DEG: Final = 5.0
_BENT_DEG: Final = 45.0
"""A side of the outline ends at a sharp corner, or where it has turned by so much."""


def as_outline(corners: Sequence[Sequence[float]]) -> dict[str, Any]:
    """Return the fields of a panel, `outline`, `width_mm`, `height_mm` and `corner_radius_mm`, for a closed line.

    `corners` are x, y and, where an arc leads to the next one, its bulge, in order, either way round, in any place: the
    line is moved so that its bounding box begins at (0, 0), and turned clockwise. InputError when it encloses nothing,
    crosses or touches itself.
    """
    import shapely

    kept: list[Vertex] = []
    for corner in corners:
        x, y, bulge = (*corner, 0.0)[:3]
        # An arc as flat as this is a straight line, and its centre too far away to reckon with.
        bulge = 0.0 if abs(bulge) < _FLATTEST_BULGE else bulge
        # A corner given twice adds nothing; the later bulge is that of the piece that has a length.
        if kept and math.dist(kept[-1][:2], (x, y)) < _LEAST_PIECE_MM:
            kept[-1] = (*kept[-1][:2], bulge)
        else:
            kept.append((x, y, bulge))
    if len(kept) > 1 and math.dist(kept[-1][:2], kept[0][:2]) < _LEAST_PIECE_MM:
        kept.pop()
    if len(kept) < 3 and not any(bulge for *_, bulge in kept):
        raise InputError("An outline needs at least three corners.")
    ring = shapely.LinearRing(polyline(kept))
    if not ring.is_simple:
        raise InputError("The outline crosses or touches itself. Draw one closed line around the panel.")
    if shapely.Polygon(ring).area < 1.0:
        raise InputError("The outline encloses nothing. Draw one closed line around the panel.")
    # In a frame with y down, what the formula of the area calls anticlockwise goes clockwise as seen.
    if not ring.is_ccw:
        kept = reverse(kept)
    left, top, right, bottom = bounds(kept)
    placed = tuple((x - left, y - top, bulge) for x, y, bulge in kept)
    return {"outline": placed, "width_mm": right - left, "height_mm": bottom - top, "corner_radius_mm": 0.0}


def bounds(corners: Sequence[Sequence[float]]) -> tuple[float, float, float, float]:
    """Return left, top, right and bottom of a closed line of corners x, y and bulge (0 where left out), exactly."""
    line = [(*corner, 0.0)[:3] for corner in corners]
    xs, ys = [x for x, _, _ in line], [y for _, y, _ in line]
    for (x, y, bulge), (next_x, next_y, _) in zip(line, [*line[1:], line[0]], strict=True):
        if abs(bulge) < _FLATTEST_BULGE or (x, y) == (next_x, next_y):
            continue
        centre_x, centre_y, radius, start, turn = _arc((x, y), (next_x, next_y), bulge)
        for quarter in range(4):
            angle = quarter * math.pi / 2
            # How far along the arc, in its own direction, the extreme lies.
            way = (angle - start) * math.copysign(1.0, turn) % (2 * math.pi)
            if way <= abs(turn):
                xs.append(centre_x + radius * math.cos(angle))
                ys.append(centre_y + radius * math.sin(angle))
    return min(xs), min(ys), max(xs), max(ys)


def reverse(vertices: Sequence[Vertex]) -> list[Vertex]:
    """Return the same line run the other way."""
    count = len(vertices)
    return [(*vertices[k][:2], -vertices[k - 1][2]) for k in range(count - 1, -1, -1)]


def vertices_of(panel: Panel) -> tuple[Vertex, ...]:
    """Return the panel's outline, a rounded rectangle's too: clockwise as seen, from the top-left."""
    if panel.outline:
        return panel.outline
    radius, width, height = panel.corner_radius_mm, panel.width_mm, panel.height_mm
    if radius < _LEAST_PIECE_MM:
        return (0.0, 0.0, 0.0), (width, 0.0, 0.0), (width, height, 0.0), (0.0, height, 0.0)
    ends = (
        (0.0, radius, QUARTER_BULGE),
        (radius, 0.0, 0.0),
        (width - radius, 0.0, QUARTER_BULGE),
        (width, radius, 0.0),
        (width, height - radius, QUARTER_BULGE),
        (width - radius, height, 0.0),
        (radius, height, QUARTER_BULGE),
        (0.0, height - radius, 0.0),
    )
    # Where two corners meet there is no straight piece between them; a piece without length upsets cutters.
    return tuple(
        point
        for point, after in zip(ends, ends[1:] + ends[:1], strict=True)
        if point[2] != 0 or math.dist(point[:2], after[:2]) > 1e-9
    )


def polyline(vertices: Sequence[Vertex], sagitta_mm: float = SAGITTA_MM) -> FloatArray:
    """Return the line as points (N, 2), the first not repeated, its arcs as chords that lie within `sagitta_mm`."""
    points: list[tuple[float, float]] = []
    for (x, y, bulge), (next_x, next_y, _) in zip(vertices, [*vertices[1:], vertices[0]], strict=True):
        points.append((x, y))
        if bulge == 0.0:
            continue
        centre_x, centre_y, radius, start, turn = _arc((x, y), (next_x, next_y), bulge)
        step = 2 * math.acos(max(1 - sagitta_mm / radius, 0.5))
        count = max(2, math.ceil(abs(turn) / step))
        points += [
            (
                centre_x + radius * math.cos(start + turn * k / count),
                centre_y + radius * math.sin(start + turn * k / count),
            )
            for k in range(1, count)
        ]
    return np.array(points, dtype=np.float64)


def polygon(panel: Panel, sagitta_mm: float = SAGITTA_MM) -> Polygon:
    """Return the panel as a polygon of shapely, panel frame."""
    import shapely

    return shapely.Polygon(polyline(vertices_of(panel), sagitta_mm))


@lru_cache(maxsize=64)
def obstacles_of(panel: Panel) -> tuple[KeepOut, ...]:
    """Return all places where no button may come: the keep-outs, and what cuts and side features make of theirs."""
    cuts = (panel.cut_keep_out(cut) for cut in panel.cuts)
    return (*panel.keep_outs, *cuts, *(side_keep_out(panel, feature) for feature in panel.side_features))


def side_keep_out(panel: Panel, feature: SideFeature) -> KeepOut:
    """Return the place below the panel that a side feature takes, from the bounding box to inside the edge."""
    inward = feature.inward_mm + (_set_back_mm(panel, feature) if panel.outline else 0.0)
    along, half = feature.along_mm, inward / 2
    centre, size = {
        "back": ((along, half), (feature.width_mm, inward)),
        "front": ((along, panel.height_mm - half), (feature.width_mm, inward)),
        "left": ((half, along), (inward, feature.width_mm)),
        "right": ((panel.width_mm - half, along), (inward, feature.width_mm)),
    }[feature.edge]
    return KeepOut(feature.name, "rectangle", centre, 0.0, size, feature.clearance_mm, "below", feature.headroom_mm)


def _set_back_mm(panel: Panel, feature: SideFeature) -> float:
    """Return how far the panel's edge stands back from its bounding box, at most, over the width of a side feature."""
    import shapely

    across, far = feature.edge in ("back", "front"), panel.width_mm + panel.height_mm
    low, high = feature.along_mm - feature.width_mm / 2, feature.along_mm + feature.width_mm / 2
    plate, deepest = polygon(panel), 0.0
    # Column by column: the first piece of panel that is met, coming from that edge.
    for at in np.linspace(low, high, _COLUMNS):
        ends = [(at, -1.0), (at, far)] if across else [(-1.0, at), (far, at)]
        met = plate.intersection(shapely.LineString(ends))
        if not met.is_empty:
            left, top, right, bottom = met.bounds
            gaps = {"back": top, "front": panel.height_mm - bottom, "left": left, "right": panel.width_mm - right}
            deepest = max(deepest, float(gaps[feature.edge]))
    return deepest


def _arc(
    start: tuple[float, float], end: tuple[float, float], bulge: float
) -> tuple[float, float, float, float, float]:
    """Return centre x and y, radius, start angle and turn (radians, positive from x to y) of an arc."""
    chord_x, chord_y = end[0] - start[0], end[1] - start[1]
    # From the middle of the chord to the centre: chord / 2 times (1 - b²) / 2b, across the chord.
    share = (1 - bulge**2) / (4 * bulge)
    centre_x = (start[0] + end[0]) / 2 - chord_y * share
    centre_y = (start[1] + end[1]) / 2 + chord_x * share
    radius = math.dist(start, (centre_x, centre_y))
    return centre_x, centre_y, radius, math.atan2(start[1] - centre_y, start[0] - centre_x), 4 * math.atan(bulge)


@dataclass(frozen=True, eq=False)
class Sides:
    """An outline's pieces as arrays (k, ...), to which side of the panel each belongs (k,), and a piece of each side.

    A side is a run of pieces without a sharp corner: seen from a place near it, it has one nearest point.
    """

    starts: FloatArray
    ends: FloatArray
    centres: FloatArray
    radii: FloatArray
    middles: FloatArray
    half_turns: FloatArray
    side: NDArray[np.intp]
    points: FloatArray
    of_side: NDArray[np.intp]

    @cached_property
    def count(self) -> int:
        """How many sides there are."""
        return int(self.side.max()) + 1

    @cached_property
    def _next_points(self) -> tuple[FloatArray, FloatArray]:
        return np.roll(self.points[:, 0], -1), np.roll(self.points[:, 1], -1)

    def distances(self, places: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how far places (n, 2) are from every side, (n, sides), and the derivatives (n, sides, 2).

        Positive; only from a place outside the outline the distance to the nearest side is negative. A place has the
        whole distance d to the outline exactly where it is d or more from every side.
        """
        found, gradient, _ = self.curved_distances(places)
        return found, gradient

    def curved_distances(self, places: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the same, and how the distance bends (n, sides): its second derivative across the derivative."""
        off, gaps, bend = self._nearest(places)
        rows = np.arange(len(places))[:, None]
        if self.count == len(self.side):
            found, which = gaps[:, self.of_side], np.broadcast_to(self.of_side, (len(places), self.count))
        else:
            found = np.full((len(places), self.count), np.inf)
            which = np.zeros((len(places), self.count), np.intp)
            for k, side in enumerate(self.side):
                closer = gaps[:, k] < found[:, side]
                found[closer, side] = gaps[closer, k]
                which[closer, side] = k
        away = off[rows, which]
        length = np.where(found < 1e-9, 1.0, found)
        gradient = away / length[..., None]
        gradient[found < 1e-9] = (1.0, 0.0)
        curve = bend[rows, which]
        outside = np.flatnonzero(~self.holds(places))
        if outside.size:
            side = found[outside].argmin(axis=1)
            found[outside, side] *= -1
            gradient[outside, side] *= -1
            curve[outside, side] *= -1
        return found, gradient, curve

    def clearance(self, places: FloatArray) -> FloatArray:
        """Return how far places (n, 2) are inside the outline, (n,); negative outside."""
        return np.asarray(self.distances(places)[0].min(axis=1))

    def holds(self, places: FloatArray) -> NDArray[np.bool_]:
        """Tell which places (n, 2) lie inside, by the even-odd rule on the chords."""
        x, y = places[:, :1], places[:, 1:]
        ax, ay = self.points[:, 0], self.points[:, 1]
        bx, by = self._next_points
        crosses = (ay > y) != (by > y)
        rise = np.where(by == ay, 1.0, by - ay)
        left_of = x < ax + (bx - ax) * (y - ay) / rise
        return np.asarray((crosses & left_of).sum(axis=1) % 2 == 1)

    def _nearest(self, places: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return places less the nearest point of every piece, (n, k, 2), its length, and how that bends, (n, k)."""
        along = self.ends - self.starts
        length2 = np.maximum((along**2).sum(axis=1), 1e-18)
        raw = ((places[:, None] - self.starts) * along).sum(axis=2) / length2
        share = np.clip(raw, 0.0, 1.0)
        nearest = self.starts + share[..., None] * along
        at_end = raw != share
        bend = np.zeros(share.shape)
        arcs = np.flatnonzero(np.isfinite(self.radii))
        if arcs.size:
            out = places[:, None] - self.centres[arcs]
            far = np.hypot(out[..., 0], out[..., 1])
            # From the centre itself any direction is as good; take the arc's middle.
            angle = np.where(far < 1e-9, self.middles[arcs], np.arctan2(out[..., 1], out[..., 0]))
            turned = (angle - self.middles[arcs] + np.pi) % (2 * np.pi) - np.pi
            kept = np.clip(turned, -self.half_turns[arcs], self.half_turns[arcs])
            angle = self.middles[arcs] + kept
            on = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
            nearest[:, arcs] = self.centres[arcs] + self.radii[arcs, None] * on
            at_end[:, arcs] = kept != turned
            bend[:, arcs] = np.where(far < self.radii[arcs], -1.0, 1.0) / np.maximum(far, 1.0)
        off = places[:, None] - nearest
        gap = np.hypot(off[..., 0], off[..., 1])
        return np.asarray(off), gap, np.where(at_end, 1.0 / np.maximum(gap, 1.0), bend)


@lru_cache(maxsize=32)
def sides_of(vertices: tuple[Vertex, ...]) -> Sides:
    """Return the pieces of an outline, gathered into sides."""
    count = len(vertices)
    starts = np.array([vertex[:2] for vertex in vertices])
    ends = np.roll(starts, -1, axis=0)
    centres, radii = np.zeros((count, 2)), np.full(count, np.nan)
    middles, half_turns = np.zeros(count), np.zeros(count)
    chord = np.arctan2(*(ends - starts).T[::-1])
    enters, leaves = chord.copy(), chord.copy()
    for k, (_, _, bulge) in enumerate(vertices):
        if bulge:
            x, y, radius, start, turn = _arc(tuple(starts[k]), tuple(ends[k]), bulge)
            centres[k], radii[k], middles[k], half_turns[k] = (x, y), radius, start + turn / 2, abs(turn) / 2
            enters[k], leaves[k] = chord[k] - turn / 2, chord[k] + turn / 2
    corner = np.degrees(np.abs((enters - np.roll(leaves, 1) + np.pi) % (2 * np.pi) - np.pi))
    own = np.degrees(2 * half_turns)
    # Begun at the sharpest corner, so that no side is cut where it is smooth without need.
    first = int(corner.argmax())
    side, number, bent = np.zeros(count, np.intp), 0, own[first]
    for step in range(1, count):
        k = (first + step) % count
        bent += corner[k] + own[k]
        if corner[k] > _SHARP_DEG or bent > _BENT_DEG:
            number, bent = number + 1, own[k]
        side[k] = number
    of_side = np.unique(side, return_index=True)[1]
    return Sides(starts, ends, centres, radii, middles, half_turns, side, polyline(vertices, _COARSE_MM), of_side)
