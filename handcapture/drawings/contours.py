"""Closed lines of straight pieces and arcs: their length, their area, and the same line so much farther out or in.

A line is a sequence of vertices as in `layout.outline`: x, y, bulge, clockwise as seen, y down, mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from handcapture.errors import InputError
from handcapture.layout.model import Cut, Panel, Point, Vertex
from handcapture.layout.outline import polyline, sides_of, vertices_of

Contour = tuple[Vertex, ...]

_SAME_MM: Final = 1e-4
"""Ends of moved pieces that meet: what corners rounded to a micrometre leave between tangent pieces is no corner."""
_MITRE_LIMIT: Final = 2.0
"""A sharp corner stays one while its point lies at most so many times the offset away: from 60 degrees on."""
_FALLBACK_SAGITTA_MM: Final = 0.002


@dataclass(frozen=True)
class Offset:
    """A line moved out or in: none where nothing is left, several where it falls apart.

    `exact` is False where its arcs had to be made of short straight pieces.
    """

    contours: tuple[Contour, ...]
    exact: bool


def rectangle(centre_mm: Point, size_mm: Point, radius_mm: float = 0.0) -> Contour:
    """Return a rectangle around a point, its corners rounded."""
    (x, y), (width, height) = centre_mm, size_mm
    corners = vertices_of(Panel("", width, height, radius_mm, 0.0, 0.0))
    return tuple((vx + x - width / 2, vy + y - height / 2, bulge) for vx, vy, bulge in corners)


def cut_contour(cut: Cut) -> Contour:
    """Return a rectangular cut as a closed line."""
    return rectangle(cut.centre_mm, cut.size_mm, cut.corner_radius_mm)


def length_mm(contour: Contour) -> float:
    """Return the line's length, its arcs exact."""
    return sum(piece.length_mm for piece in pieces_of(contour))


def area_mm2(contour: Contour) -> float:
    """Return the area that the line encloses, its arcs exact: that of the chords and of the circular segments."""
    doubled = sum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise([*contour, contour[0]]))
    for piece in pieces_of(contour):
        if piece.radius_mm:
            turn = piece.turn
            doubled += math.copysign(piece.radius_mm**2 * (abs(turn) - math.sin(abs(turn))), turn)
    return abs(doubled) / 2


@dataclass(frozen=True)
class Piece:
    """A straight piece, or an arc round `centre_mm` that turns by `turn` (radians, positive clockwise as seen)."""

    start: Point
    end: Point
    centre_mm: Point = (0.0, 0.0)
    radius_mm: float = 0.0
    turn: float = 0.0

    @property
    def length_mm(self) -> float:
        """Length of the piece."""
        return self.radius_mm * abs(self.turn) if self.radius_mm else math.dist(self.start, self.end)

    def point_at(self, share: float) -> Point:
        """Return the point at a share (0 to 1) of the piece."""
        if self.radius_mm == 0.0:
            (ax, ay), (bx, by) = self.start, self.end
            return ax + share * (bx - ax), ay + share * (by - ay)
        x, y = self.centre_mm
        angle = math.atan2(self.start[1] - y, self.start[0] - x) + share * self.turn
        return x + self.radius_mm * math.cos(angle), y + self.radius_mm * math.sin(angle)

    def heading(self, at_end: bool) -> Point:
        """Return the unit vector in which the line runs at the piece's start or end."""
        if self.radius_mm == 0.0:
            length = math.dist(self.start, self.end)
            return (self.end[0] - self.start[0]) / length, (self.end[1] - self.start[1]) / length
        x, y = self.end if at_end else self.start
        sign = math.copysign(1.0, self.turn) / self.radius_mm
        return -(y - self.centre_mm[1]) * sign, (x - self.centre_mm[0]) * sign

    def angle_to(self, point: Point) -> float:
        """Return how far an arc turns from its start to a point on its circle, in its own sense, 0 to 2π."""
        first = math.atan2(self.start[1] - self.centre_mm[1], self.start[0] - self.centre_mm[0])
        angle = math.atan2(point[1] - self.centre_mm[1], point[0] - self.centre_mm[0]) - first
        return (angle if self.turn > 0 else -angle) % math.tau

    def holds(self, point: Point) -> bool:
        """Tell whether a point on the piece's line or circle lies between its ends."""
        if min(math.dist(point, self.start), math.dist(point, self.end)) < 1e-6:
            return True
        if self.radius_mm:
            return self.angle_to(point) < abs(self.turn)
        dx, dy = self.end[0] - self.start[0], self.end[1] - self.start[1]
        share = ((point[0] - self.start[0]) * dx + (point[1] - self.start[1]) * dy) / (dx**2 + dy**2)
        return 0.0 < share < 1.0

    def between(self, start: Point, end: Point) -> Piece | None:
        """Return the piece from one point to another of its line or circle; None where it would run backwards."""
        if self.radius_mm == 0.0:
            along = (end[0] - start[0]) * (self.end[0] - self.start[0])
            along += (end[1] - start[1]) * (self.end[1] - self.start[1])
            return Piece(start, end) if along > 0 else None
        shorter = Piece(start, end, self.centre_mm, self.radius_mm, self.turn)
        turn = shorter.angle_to(end)
        # A trim can only shorten an arc; what is longer has run past the other end.
        if turn > abs(self.turn) + 1e-3 / self.radius_mm:
            return None
        return Piece(start, end, self.centre_mm, self.radius_mm, math.copysign(turn, self.turn))


def pieces_of(contour: Contour) -> list[Piece]:
    """Return the pieces of a closed line."""
    sides = sides_of(contour)
    pieces = []
    for k, (vertex, after) in enumerate(zip(contour, (*contour[1:], contour[0]), strict=True)):
        if vertex[2] == 0.0:
            pieces.append(Piece(vertex[:2], after[:2]))
        else:
            centre = float(sides.centres[k, 0]), float(sides.centres[k, 1])
            pieces.append(Piece(vertex[:2], after[:2], centre, float(sides.radii[k]), 4 * math.atan(vertex[2])))
    return pieces


def offset(contour: Contour, distance_mm: float) -> Offset:
    """Return the line that runs `distance_mm` farther out, or in where it is negative.

    Straight pieces and arcs stay what they are. Corners from 60 degrees on stay sharp, sharper ones and those at arcs
    are rounded round the old corner. Where pieces vanish or meet in another order, as in a notch narrower than the
    offset, shapely's buffer takes over: its corners are round, its arcs straight pieces within a few micrometres.
    InputError at a cusp, where that fails too.
    """
    if distance_mm == 0.0:
        return Offset((contour,), exact=True)
    exact = _exact(contour, distance_mm)
    if exact is not None and _keeps_off(contour, exact, abs(distance_mm)):
        return Offset((exact,), exact=True)
    buffered = _buffered(contour, distance_mm)
    if not all(_keeps_off(contour, part, abs(distance_mm), 0.01) for part in buffered):
        raise InputError(
            f"The outline has a corner so sharp that no line can be drawn {abs(distance_mm):g} mm from it. Blunt it."
        )
    return Offset(buffered, exact=False)


def _exact(contour: Contour, distance: float) -> Contour | None:
    """Return the offset line, None where it takes more than moving each piece and joining it to the next."""
    moved: list[tuple[Piece, Piece]] = []
    for piece in pieces_of(contour):
        after = _moved(piece, distance)
        if after is not None:
            moved.append((piece, after))
    if len(moved) < 2:
        return None
    joints = [_joint(first, second, distance) for first, second in pairwise([*moved, moved[0]])]
    vertices: list[Vertex] = []
    for k, (_, piece) in enumerate(moved):
        enters, leaves = joints[k - 1], joints[k]
        if enters is None or leaves is None:
            return None
        trimmed = piece.between(enters[-1][:2], leaves[0][:2])
        if trimmed is None:
            return None
        vertices.append((*trimmed.start, math.tan(trimmed.turn / 4)))
        if len(leaves) > 1:
            vertices.append(leaves[0])
    return tuple(vertices)


def _moved(piece: Piece, distance: float) -> Piece | None:
    """Return the piece moved to the left of its way, which is out; None where an arc shrinks to nothing."""

    def out(point: Point, at_end: bool) -> Point:
        x, y = piece.heading(at_end)
        return point[0] + distance * y, point[1] - distance * x

    radius = piece.radius_mm
    if radius:
        radius += distance if piece.turn > 0 else -distance
        if radius < 1e-6:
            return None
    return Piece(out(piece.start, False), out(piece.end, True), piece.centre_mm, radius, piece.turn)


def _joint(first: tuple[Piece, Piece], second: tuple[Piece, Piece], distance: float) -> tuple[Vertex, ...] | None:
    """Return what leads from one moved piece to the next: a point, or the ends of an arc round the old corner."""
    (before, one), (after, two) = first, second
    if math.dist(one.end, two.start) < _SAME_MM:
        return ((*one.end, 0.0),)
    (ax, ay), (bx, by) = before.heading(True), after.heading(False)
    neighbours = math.dist(before.end, after.start) < _SAME_MM
    turn = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    opens = turn * distance > 0
    straight = one.radius_mm == 0.0 and two.radius_mm == 0.0
    if opens and neighbours and not (straight and 1 / math.cos(turn / 2) <= _MITRE_LIMIT):
        return (*one.end, math.tan(turn / 4)), (*two.start, 0.0)
    meeting = [p for p in _crossings(one, two) if (opens and straight) or (one.holds(p) and two.holds(p))]
    if not meeting:
        return None
    # Of several places the one nearest to the old corner: the others are found where the line crosses itself.
    place = min(meeting, key=lambda p: math.dist(p, before.end))
    return ((*place, 0.0),)


def _crossings(one: Piece, two: Piece) -> list[Point]:
    """Return where the lines or circles of two pieces cross."""
    if one.radius_mm == 0.0 and two.radius_mm == 0.0:
        (ax, ay), (bx, by) = one.heading(False), two.heading(False)
        cross = ax * by - ay * bx
        if abs(cross) < 1e-9:
            return []
        along = ((two.start[0] - one.start[0]) * by - (two.start[1] - one.start[1]) * bx) / cross
        return [(one.start[0] + along * ax, one.start[1] + along * ay)]
    if one.radius_mm == 0.0:
        return _line_and_circle(one, two)
    if two.radius_mm == 0.0:
        return _line_and_circle(two, one)
    apart = math.dist(one.centre_mm, two.centre_mm)
    if apart < 1e-9:
        return []
    x, y = ((b - a) / apart for a, b in zip(one.centre_mm, two.centre_mm, strict=True))
    along = (apart**2 + one.radius_mm**2 - two.radius_mm**2) / (2 * apart)
    return _both_sides(one.centre_mm, (x, y), along, one.radius_mm**2 - along**2)


def _line_and_circle(line: Piece, circle: Piece) -> list[Point]:
    x, y = line.heading(False)
    to_x, to_y = line.start[0] - circle.centre_mm[0], line.start[1] - circle.centre_mm[1]
    across = to_x * y - to_y * x
    return _both_sides(circle.centre_mm, (y, -x), across, circle.radius_mm**2 - across**2)


def _both_sides(centre: Point, direction: Point, along: float, square: float) -> list[Point]:
    """Return the points `along` a direction and the root of `square` to either side of it."""
    if square < -1e-9:
        return []
    (x, y), across = direction, math.sqrt(max(square, 0.0))
    foot = centre[0] + along * x, centre[1] + along * y
    return [(foot[0] - side * y, foot[1] + side * x) for side in (across, -across)]


def _keeps_off(contour: Contour, moved: Contour, distance: float, within: float = 0.003) -> bool:
    """Tell whether the moved line is simple and nowhere nearer to the old one than it should be."""
    import shapely

    line = shapely.LinearRing(polyline(moved, 0.001))
    if not line.is_simple:
        return False
    old = shapely.LinearRing(polyline(contour, 0.001))
    points = shapely.points(shapely.get_coordinates(shapely.segmentize(line, 1.0)))
    return bool((shapely.distance(points, old) > distance - within).all())


def _buffered(contour: Contour, distance: float) -> tuple[Contour, ...]:
    import shapely

    fine = _FALLBACK_SAGITTA_MM
    # Round corners: a mitre that is cut short comes too near to the old line.
    shape = shapely.Polygon(polyline(contour, fine)).buffer(distance, quad_segs=64)
    contours = []
    for part in shapely.get_parts(shape) if not shape.is_empty else ():
        for ring in (part.exterior, *part.interiors):
            points = shapely.get_coordinates(shapely.simplify(ring, fine / 2))[:-1]
            # In a frame with y down, what shapely calls anticlockwise goes clockwise as seen.
            ordered = points if ring.is_ccw == (ring is part.exterior) else points[::-1]
            contours.append(tuple((float(x), float(y), 0.0) for x, y in ordered))
    return tuple(contours)


def bounds_of(contours: Sequence[Contour]) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom of some lines, mm."""
    points = [point for contour in contours for point in polyline(contour).tolist()]
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)
