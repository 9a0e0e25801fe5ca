"""What the readers of drawings hand on: circles, curves of lines and arcs, and texts, in mm, x right, y down.

The readers of DXF, SVG and CSV know their format only; what is a hole, an outline or a label is decided in
`source`, the same for all.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import DocumentError
from handcapture.layout.model import Point, Vertex
from handcapture.layout.outline import QUARTER_BULGE, SAGITTA_MM, polyline

FloatArray = NDArray[np.float64]
Units = Literal["mm", "cm", "inch"]
MM_PER_UNIT: Final[dict[Units, float]] = {"mm": 1.0, "cm": 10.0, "inch": 25.4}
"""The inch is 25.4 mm exactly (international yard and pound agreement, 1959)."""

FLATNESS_MM: Final = SAGITTA_MM
"""Largest distance between a curve and its chords."""
JOIN_MM: Final = 0.015
"""Ends nearer to each other are one; drawings are often rounded to hundredths."""
ROUND_MM: Final = 0.02
"""A curve counts as a circle when it nowhere leaves one by more than this."""
RECTANGLE_MM: Final = 0.05
"""A curve counts as a rectangle with round corners when it nowhere leaves one by more than this."""
OVAL: Final = "oval"
"""Tag of closed curves that come from ellipses and stretched circles."""
Tags = Mapping[str, str]
"""What a drawing of our own states of a shape: kind, label, side, finger and so on."""
LARGEST_FILE_BYTES: Final = 20_000_000
LARGEST_MM: Final = 5000.0
MOST_SHAPES: Final = 100_000
MOST_POINTS: Final = 2_000_000
_MOST_CHORDS: Final = 20_000
_LEAST_BULGE: Final = 1e-9
"""Below this an arc is a line, within any drawing."""
_PLACES_SHOWN: Final = 3


@dataclass(frozen=True, eq=False)
class Circle:
    """A circle as drawn; `where` names it for people, in the drawing's own terms."""

    centre_mm: tuple[float, float]
    diameter_mm: float
    layer: str
    where: str
    tags: Tags = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Curve:
    """A line of straight pieces and arcs: `vertices` (K, 3) hold x, y and bulge (`model.Vertex`), the last bulge is 0.

    `drawn` (K - 1,) tells which pieces were drawn as lines or arcs; the others are chords of another curve.
    """

    vertices: FloatArray
    drawn: NDArray[np.bool_]
    layer: str
    where: str
    tags: Tags = field(default_factory=dict)

    @property
    def closed(self) -> bool:
        """True when both ends meet."""
        return len(self.points_mm) > 2 and math.dist(self.points_mm[0], self.points_mm[-1]) <= JOIN_MM

    @cached_property
    def points_mm(self) -> FloatArray:
        """The curve as points (N, 2), its arcs divided into chords."""
        if not self.vertices[:, 2].any():
            return self.vertices[:, :2]
        return polyline(_as_vertices(self.vertices), FLATNESS_MM)

    @property
    def ring(self) -> tuple[Vertex, ...]:
        """The vertices of a closed curve, the first not repeated."""
        return _as_vertices(self.vertices[:-1])

    @property
    def samples_mm(self) -> FloatArray:
        """Points (M, 2) that lie on the curve itself: vertices, points of arcs, and the middles of straight pieces."""
        ends = self.vertices[:, :2]
        straight = self.drawn & (self.vertices[:-1, 2] == 0)
        middles = (ends[1:] + ends[:-1]) / 2
        return np.vstack([self.points_mm[:-1] if self.closed else self.points_mm, middles[straight]])


def _as_vertices(rows: FloatArray) -> tuple[Vertex, ...]:
    return tuple((float(x), float(y), float(bulge) + 0.0) for x, y, bulge in rows)


@dataclass(frozen=True)
class Caption:
    """A text and the estimated middle of the place it covers."""

    text: str
    centre_mm: tuple[float, float]
    anchor_mm: tuple[float, float]


@dataclass
class Notes:
    """Collects what was left out, told once per kind with a few of the places."""

    found: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))

    def add(self, what: str, where: str = "") -> None:
        """Note one case of `what`."""
        self.found[what].append(where)

    def sentences(self) -> tuple[str, ...]:
        """Return one sentence for each kind, in the order in which they came up."""
        sentences = []
        for what, places in self.found.items():
            named = [place for place in places if place]
            more = len(named) - _PLACES_SHOWN
            text = "; ".join(named[:_PLACES_SHOWN]) + (f"; and {more} more" if more > 0 else "")
            sentences.append(f"{what}: {text}." if text else f"{what}.")
        return tuple(sentences)


@dataclass
class Raw:
    """All that a reader found."""

    circles: list[Circle] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)
    captions: list[Caption] = field(default_factory=list)
    notes: Notes = field(default_factory=Notes)
    unit: str = "mm"
    unit_known: bool = True
    mm_per_unit: float = 1.0
    y_up: bool = False
    point_count: int = 0

    def place(self, x_mm: float, y_mm: float) -> str:
        """Return a place (y down, mm) as the drawing itself counts, for messages."""
        x, y = x_mm / self.mm_per_unit, y_mm / self.mm_per_unit
        return f"x {x:.7g}, y {(-y if self.y_up else y):.7g} {self.unit}"

    def add_circle(
        self, x_mm: float, y_mm: float, diameter_mm: float, layer: str, where: str, tags: Tags | None = None
    ) -> None:
        """Add a circle. DocumentError when a number is not finite or beyond all panels."""
        check_numbers((x_mm, y_mm, diameter_mm), where)
        if diameter_mm <= 0:
            self.notes.add("Circles without a size were left out", where)
            return
        self.circles.append(Circle((x_mm, y_mm), diameter_mm, layer, where, tags or {}))
        self._count(where)

    def add_curve(
        self, vertices: FloatArray, drawn: NDArray[np.bool_], layer: str, where: str, tags: Tags | None = None
    ) -> None:
        """Add a curve: x, y and, where there are arcs, bulge (K, 2 or 3) in mm. DocumentError as for circles."""
        if len(vertices) < 2:
            return
        check_numbers(vertices[:, :2], where)
        rows = np.zeros((len(vertices), 3))
        rows[:, : vertices.shape[1]] = vertices
        rows[-1, 2] = 0.0
        rows[np.abs(rows[:, 2]) < _LEAST_BULGE, 2] = 0.0
        lengths = np.hypot(*np.diff(rows[:, :2], axis=0).T)
        check_numbers(rows[:-1, 2] * lengths / 2, where)
        # Pieces without length would look like branches of a contour.
        moves = lengths > 1e-9
        if not moves.any():
            return
        curve = Curve(np.vstack([rows[:-1][moves], rows[-1:]]), drawn[moves], layer, where, tags or {})
        self.curves.append(curve)
        self.point_count += len(curve.points_mm)
        self._count(where)

    def add_caption(self, text: str, centre_mm: tuple[float, float], anchor_mm: tuple[float, float]) -> None:
        """Add a text; blank ones and those beyond all panels say nothing."""
        text = " ".join(text.split())
        if text and all(math.isfinite(v) and abs(v) <= LARGEST_MM for v in (*centre_mm, *anchor_mm)):
            self.captions.append(Caption(text[:200], centre_mm, anchor_mm))

    def check_room(self, points: int, where: str) -> None:
        """Refuse a curve before it is made: DocumentError when `points` more would be too many for a drawing."""
        if self.point_count + points > MOST_POINTS:
            raise DocumentError(
                f"The drawing has curves that take more than {MOST_POINTS} points (it was given up at "
                f"{where.lstrip(', ')}). Save the panel alone, without hatching and pictures."
            )

    def _count(self, where: str) -> None:
        self.check_room(0, where)
        if len(self.circles) + len(self.curves) > MOST_SHAPES:
            raise DocumentError(
                f"The drawing holds more than {MOST_SHAPES} shapes (it was given up at {where.lstrip(', ')}). Save the "
                "panel alone, without hatching and pictures."
            )


def check_numbers(numbers: FloatArray | tuple[float, ...], where: str) -> None:
    """Raise DocumentError when a coordinate or size (mm) is not finite or beyond `LARGEST_MM`."""
    values = np.asarray(numbers, dtype=np.float64)
    if not np.isfinite(values).all():
        raise DocumentError(f"{where} has a coordinate or size that is not a number. Mend or delete it.")
    worst = float(np.abs(values).max())
    if worst > LARGEST_MM:
        raise DocumentError(
            f"{where} has a coordinate or size of {worst / 1000:.4g} m; up to {LARGEST_MM / 1000:g} m are read. Check "
            "the drawing's unit (--units), or move the panel close to the origin."
        )


def chord_count(radius_mm: float, sweep: float) -> int:
    """Return how many chords keep an arc of `sweep` radians within FLATNESS_MM of its curve."""
    if radius_mm <= FLATNESS_MM:
        return max(2, math.ceil(abs(sweep)))
    step = 2.0 * math.acos(max(1.0 - FLATNESS_MM / radius_mm, 0.0))
    return int(min(max(2, math.ceil(abs(sweep) / max(step, 1e-9))), _MOST_CHORDS))


def join_curves(curves: list[Curve], notes: Notes) -> list[Curve]:
    """Return the closed curves: those that are, and those that open ones make when joined end to end.

    Ends within JOIN_MM are one. Pieces drawn twice count once. Where more than two pieces meet no contour can be
    told: they are left out with a note.
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    closed = [curve for curve in curves if curve.closed]
    pieces = [curve for curve in curves if not curve.closed]
    if not pieces:
        return closed
    ends = np.array([end for piece in pieces for end in (piece.points_mm[0], piece.points_mm[-1])])
    pairs = cKDTree(ends).query_pairs(JOIN_MM, output_type="ndarray")
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(ends), len(ends)))
    _, labels = connected_components(links, directed=False)
    nodes = labels.reshape(-1, 2)
    seen: dict[tuple[int, int], list[FloatArray]] = defaultdict(list)
    at_node: dict[int, list[int]] = defaultdict(list)
    for k, piece in enumerate(pieces):
        key = (min(nodes[k]), max(nodes[k]))
        middle = _middle(piece)
        if any(math.dist(middle, other) <= JOIN_MM for other in seen[key]):
            continue
        seen[key].append(middle)
        for node in nodes[k]:
            at_node[int(node)].append(k)
    used: set[int] = set()
    for first in range(len(pieces)):
        if first in used or first not in at_node[int(nodes[first, 0])]:
            continue
        chain = _walk(first, nodes, at_node, used)
        used.update(k for k, _ in chain)
        start = int(nodes[first, 0])
        last, forward = chain[-1]
        meets = int(nodes[last, 1 if forward else 0]) == start
        branches = [k for k, ahead in chain if len(at_node[int(nodes[k, 1 if ahead else 0])]) > 2]
        if branches:
            notes.add("Lines that branch make no contour and were left out", pieces[branches[0]].where)
        elif meets and len(chain) > 1:
            closed.append(_chained(pieces, chain))
    return closed


def loose_ends(curves: Sequence[Curve], within_mm: float) -> list[tuple[Point, float]]:
    """Return where ends of lines miss each other by up to `within_mm`, and by how much; nearest first."""
    from scipy.spatial import cKDTree

    ends = np.array([end for c in curves if not c.closed for end in (c.points_mm[0], c.points_mm[-1])]).reshape(-1, 2)
    if len(ends) < 2:
        return []
    tree = cKDTree(ends)
    counts = np.asarray(tree.query_ball_point(ends, JOIN_MM, return_length=True))
    loose = ends[counts == 1]
    if len(loose) < 2:
        return []
    apart, nearest = (np.asarray(found) for found in cKDTree(loose).query(loose, k=2))
    gaps = {
        (min(k, int(other)), max(k, int(other))): float(gap)
        for k, (gap, other) in enumerate(zip(apart[:, 1], nearest[:, 1], strict=True))
        if gap <= within_mm
    }
    middles = [((loose[a] + loose[b]) / 2, gap) for (a, b), gap in gaps.items()]
    return sorted((((float(x), float(y)), gap) for (x, y), gap in middles), key=lambda pair: pair[1])


def _walk(
    first: int, nodes: NDArray[np.int32], at_node: dict[int, list[int]], used: set[int]
) -> list[tuple[int, bool]]:
    """Return the pieces that follow `first`, each with whether it is run forward, until an end or a branch."""
    chain = [(first, True)]
    passed = {first}
    while True:
        piece, forward = chain[-1]
        node = int(nodes[piece, 1 if forward else 0])
        others = [k for k in at_node[node] if k not in passed]
        if len(at_node[node]) != 2 or not others or others[0] in used:
            return chain
        chain.append((others[0], int(nodes[others[0], 0]) == node))
        passed.add(others[0])


def _middle(piece: Curve) -> FloatArray:
    """Return the point half way along a piece (2,)."""
    lengths = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(piece.points_mm, axis=0).T))])
    half = lengths[-1] / 2
    return np.array([np.interp(half, lengths, piece.points_mm[:, axis]) for axis in (0, 1)])


def _chained(pieces: list[Curve], chain: list[tuple[int, bool]]) -> Curve:
    rows, drawn = [], []
    for k, forward in chain:
        piece = pieces[k]
        # The joint (≤ JOIN_MM) vanishes: each piece ends where the next one begins.
        rows.append(piece.vertices[:-1] if forward else _backwards(piece.vertices)[:-1])
        drawn.append(piece.drawn if forward else piece.drawn[::-1])
    first = pieces[chain[0][0]]
    end = np.array([[*rows[0][0, :2], 0.0]])
    return Curve(np.vstack([*rows, end]), np.concatenate(drawn), first.layer, f"the contour through {first.where}")


def _backwards(rows: FloatArray) -> FloatArray:
    """Return the vertices (K, 3) of an open line run the other way."""
    turned = rows[::-1].copy()
    turned[:-1, 2] = -rows[-2::-1, 2]
    turned[-1, 2] = 0.0
    return turned


def bulge_through(start: Point, middle: Point, end: Point) -> float:
    """Return the bulge of the arc from `start` to `end` that passes `middle` half way: sagitta over half the chord."""
    chord_x, chord_y = end[0] - start[0], end[1] - start[1]
    off_x, off_y = middle[0] - (start[0] + end[0]) / 2, middle[1] - (start[1] + end[1]) / 2
    length2 = chord_x**2 + chord_y**2
    # Clockwise as seen, y being down, an arc bows to the left of its chord.
    return 0.0 if length2 == 0 else 2 * (chord_y * off_x - chord_x * off_y) / length2


def arc_rows(places: Sequence[Point], sweep: float) -> FloatArray:
    """Return an arc as rows x, y, bulge (2 or 3, 3): `places` are its start, quarter, middle, three quarters and end.

    One of more than half a turn becomes two: the bulge of nearly a whole circle would be without bounds.
    """
    start, quarter, middle, later, end = places
    if abs(sweep) <= math.pi * 1.001:
        return np.array([(*start, bulge_through(start, middle, end)), (*end, 0.0)])
    return np.array(
        [(*start, bulge_through(start, quarter, middle)), (*middle, bulge_through(middle, later, end)), (*end, 0.0)]
    )


def circle_ring(centre_mm: Point, radius_mm: float) -> tuple[Vertex, ...]:
    """Return a circle as the vertices of four quarter arcs, clockwise as seen."""
    x, y = centre_mm
    return (
        (x, y - radius_mm, QUARTER_BULGE),
        (x + radius_mm, y, QUARTER_BULGE),
        (x, y + radius_mm, QUARTER_BULGE),
        (x - radius_mm, y, QUARTER_BULGE),
    )


def rectangle_rows(left: float, top: float, width: float, height: float, radius: float) -> FloatArray:
    """Return a level rectangle with round corners as rows x, y, bulge (K, 3), the first repeated at the end."""
    right, bottom = left + width, top + height
    if radius <= 0:
        rows = [(left, top, 0.0), (right, top, 0.0), (right, bottom, 0.0), (left, bottom, 0.0)]
    else:
        rows = [
            *((left, top + radius, QUARTER_BULGE), (left + radius, top, 0.0)),
            *((right - radius, top, QUARTER_BULGE), (right, top + radius, 0.0)),
            *((right, bottom - radius, QUARTER_BULGE), (right - radius, bottom, 0.0)),
            *((left + radius, bottom, QUARTER_BULGE), (left, bottom - radius, 0.0)),
        ]
    return np.array([*rows, rows[0]])


def enclosed_mm2(vertices: Sequence[Vertex]) -> float:
    """Return the area within a closed line, exact with its arcs, positive where it runs clockwise as seen."""
    total = 0.0
    for (x, y, bulge), (next_x, next_y, _) in zip(vertices, [*vertices[1:], vertices[0]], strict=True):
        total += (x * next_y - next_x * y) / 2
        if bulge:
            # A segment of a circle: r² (angle - sin angle) / 2, where r = chord (1 + b²) / 4b.
            angle = 4 * math.atan(bulge)
            radius = math.dist((x, y), (next_x, next_y)) * (1 + bulge**2) / (4 * bulge)
            total += radius**2 * (angle - math.sin(angle)) / 2
    return total


def as_rectangle(vertices: Sequence[Vertex]) -> tuple[Point, Point, float] | None:
    """Return centre, size and corner radius of a closed line that is a level rectangle with equal round corners.

    None when it is none, within RECTANGLE_MM.
    """
    import shapely

    points = polyline(vertices, FLATNESS_MM)
    (left, top), (right, bottom) = points.min(axis=0).tolist(), points.max(axis=0).tolist()
    width, height = right - left, bottom - top
    # The area missing from the corners of the box tells the radius: (4 - pi) r² in all.
    missing = max(width * height - abs(enclosed_mm2(vertices)), 0.0)
    radius = min(math.sqrt(missing / (4 - math.pi)), min(width, height) / 2)
    radius = 0.0 if radius < RECTANGLE_MM else radius
    shape = shapely.Polygon(points)
    if not shape.is_valid or min(width, height) <= 0:
        return None
    box = shapely.box(left + radius, top + radius, right - radius, bottom - radius)
    like = box.buffer(radius, quad_segs=64) if radius else box
    if like.boundary.hausdorff_distance(shape.boundary) > RECTANGLE_MM:
        return None
    return ((left + right) / 2, (top + bottom) / 2), (width, height), radius


def fit_circle(samples: FloatArray) -> tuple[FloatArray, float, float]:
    """Return centre (2,), radius and the largest deviation of samples (N, 2) from their circle, in their unit.

    Algebraic least squares (Kåsa 1976): exact for points on a circle, and near enough for those that are nearly.
    """
    middle = samples.mean(axis=0)
    local = samples - middle
    system = np.column_stack([local, np.ones(len(local))])
    solution, *_ = np.linalg.lstsq(system, (local**2).sum(axis=1), rcond=None)
    centre = solution[:2] / 2
    radii = np.hypot(*(local - centre).T)
    # The middle of the band, so that a polygon's chords and corners deviate alike.
    radius = float(radii.max() + radii.min()) / 2
    return centre + middle, radius, float(radii.max() - radii.min()) / 2
