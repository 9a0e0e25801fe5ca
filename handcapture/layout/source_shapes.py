"""What the readers of drawings hand on: circles, flattened curves and texts, in mm, x right, y down.

The readers of DXF, SVG and CSV know their format only; what is a hole, an outline or a label is decided in
`source`, the same for all.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from handcapture.errors import DocumentError

FloatArray = NDArray[np.float64]
Units = Literal["mm", "cm", "inch"]
MM_PER_UNIT: Final[dict[Units, float]] = {"mm": 1.0, "cm": 10.0, "inch": 25.4}
"""The inch is 25.4 mm exactly (international yard and pound agreement, 1959)."""

FLATNESS_MM: Final = 0.01
"""Largest distance between a curve and its chords: half of the 0.02 mm that is promised."""
JOIN_MM: Final = 0.01
ROUND_MM: Final = 0.02
"""A curve counts as a circle when it nowhere leaves one by more than this."""
OVAL: Final = "Ovals (ellipses, stretched circles) are no round holes and were left out"
LARGEST_FILE_BYTES: Final = 20_000_000
LARGEST_MM: Final = 5000.0
MOST_SHAPES: Final = 100_000
MOST_POINTS: Final = 2_000_000
_MOST_CHORDS: Final = 20_000
_PLACES_SHOWN: Final = 3


@dataclass(frozen=True, eq=False)
class Circle:
    """A circle as drawn; `where` names it for people, in the drawing's own terms."""

    centre_mm: tuple[float, float]
    diameter_mm: float
    layer: str
    where: str


@dataclass(frozen=True, eq=False)
class Curve:
    """A flattened curve: `points_mm` (N, 2); `straight` (N - 1,) tells which chords are true straight lines."""

    points_mm: FloatArray
    straight: NDArray[np.bool_]
    layer: str
    where: str

    @property
    def closed(self) -> bool:
        """True when both ends meet."""
        return len(self.points_mm) > 2 and math.dist(self.points_mm[0], self.points_mm[-1]) <= JOIN_MM

    @property
    def samples_mm(self) -> FloatArray:
        """Points (M, 2) that lie on the curve itself: its vertices, and the middles of straight pieces."""
        middles = (self.points_mm[1:] + self.points_mm[:-1]) / 2
        return np.vstack([self.points_mm[:-1] if self.closed else self.points_mm, middles[self.straight]])


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

    def add_circle(self, x_mm: float, y_mm: float, diameter_mm: float, layer: str, where: str) -> None:
        """Add a circle. DocumentError when a number is not finite or beyond all panels."""
        check_numbers((x_mm, y_mm, diameter_mm), where)
        if diameter_mm <= 0:
            self.notes.add("Circles without a size were left out", where)
            return
        self.circles.append(Circle((x_mm, y_mm), diameter_mm, layer, where))
        self._count(where)

    def add_curve(self, points_mm: FloatArray, straight: NDArray[np.bool_], layer: str, where: str) -> None:
        """Add a flattened curve (N, 2) in mm. DocumentError as for circles."""
        if len(points_mm) < 2:
            return
        check_numbers(points_mm, where)
        # Chords without length would look like branches of a contour.
        moves = np.hypot(*np.diff(points_mm, axis=0).T) > 1e-9
        if not moves.any():
            return
        kept = np.concatenate([[True], moves])
        self.curves.append(Curve(points_mm[kept], straight[moves], layer, where))
        self.point_count += len(points_mm)
        self._count(where)

    def add_caption(self, text: str, centre_mm: tuple[float, float], anchor_mm: tuple[float, float]) -> None:
        """Add a text; blank ones and those beyond all panels say nothing."""
        text = " ".join(text.split())
        if text and all(math.isfinite(v) and abs(v) <= LARGEST_MM for v in (*centre_mm, *anchor_mm)):
            self.captions.append(Caption(text[:200], centre_mm, anchor_mm))

    def _count(self, where: str) -> None:
        if len(self.circles) + len(self.curves) > MOST_SHAPES or self.point_count > MOST_POINTS:
            raise DocumentError(
                f"The drawing holds more than {MOST_SHAPES} shapes (it was given up at {where}). Save the panel "
                "alone, without hatching and pictures."
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
    points, straight = [], []
    for k, forward in chain:
        step = 1 if forward else -1
        points.append(pieces[k].points_mm[::step][:-1])
        # The chord to the next piece starts at this piece's last vertex, so the joint (≤ JOIN_MM) vanishes in it.
        straight.append(pieces[k].straight[::step])
    first = pieces[chain[0][0]]
    ring = np.vstack([*points, points[0][:1]])
    return Curve(ring, np.concatenate(straight), first.layer, f"the contour through {first.where}")


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
