"""What keeps buttons apart from each other, from the panel's edge and from what is in the way, as smooth functions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from handcapture.layout.model import KeepOut, Panel, Part
from handcapture.layout.outline import obstacles_of, sides_of

FloatArray = NDArray[np.float64]
Indices = NDArray[np.intp]
Kind = Literal["web", "rims", "bodies", "left", "right", "top", "bottom", "corner", "outline", "keep-out"]

CODES: Final[dict[Kind, str]] = {
    "web": "web-thin",
    "rims": "rims-collide",
    "bodies": "bodies-collide",
    "left": "edge-near",
    "right": "edge-near",
    "top": "edge-near",
    "bottom": "edge-near",
    "corner": "edge-near",
    "outline": "edge-near",
    "keep-out": "keep-out-hit",
}
"""The finding that a constraint keeps away; a waiver of that finding eases it."""
PAIR_CODES: Final = ("web-thin", "rims-collide", "bodies-collide")
NO_MATTER_MM: Final = 1e4
"""Room given to what passes above a keep-out."""
_STRAIGHT_EDGES: Final[tuple[Kind, ...]] = ("left", "right", "top", "bottom", "corner")
_RIGHT: Final = np.array([1.0, 0.0])
_DOWN: Final = np.array([0.0, 1.0])


@dataclass(frozen=True, eq=False)
class Sizes:
    """How much room each button takes, (n,) each: radii of hole, rim and body, depth below the top; 0 is not known.

    `edge_waived` and `rim_waived` tell for which buttons the edge distance and the rim at the edge are put up with.
    """

    radii: FloatArray
    rims: FloatArray
    bodies: FloatArray
    depths: FloatArray
    edge_waived: NDArray[np.bool_]
    rim_waived: NDArray[np.bool_]

    @classmethod
    def of(cls, radii: FloatArray, parts: Sequence[Part | None] | None = None) -> Sizes:
        """Return the sizes of holes and of what is mounted in them."""
        mounted = [part or Part("", 0.0) for part in parts or [None] * len(radii)]
        return cls(
            radii=np.asarray(radii, dtype=np.float64),
            rims=np.array([part.rim_mm / 2 for part in mounted]),
            bodies=np.array([part.below_mm / 2 for part in mounted]),
            depths=np.array([part.depth_mm for part in mounted]),
            edge_waived=np.zeros(len(mounted), bool),
            rim_waived=np.zeros(len(mounted), bool),
        )

    def apart(self, panel: Panel) -> FloatArray:
        """Return how far apart centres must be, (n, n): webs, rims and bodies."""
        least = self.radii[:, None] + self.radii[None] + panel.web_mm
        for sizes, gap in ((self.rims, panel.rim_gap_mm), (self.bodies, panel.body_gap_mm)):
            either = (sizes[:, None] > 0) | (sizes[None] > 0)
            reach = np.maximum(sizes, self.radii)
            least = np.maximum(least, np.where(either, reach[:, None] + reach[None] + gap, 0.0))
        return np.asarray(least)

    def from_edge(self, panel: Panel) -> FloatArray:
        """Return how far centres must be from the panel's edge, (n,): a hole never leaves the panel."""
        holes = self.radii + np.where(self.edge_waived, 0.0, panel.edge_mm)
        return np.maximum(holes, np.where(self.rim_waived, 0.0, self.rims))

    def reach(self, keep_out: KeepOut) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Return the radius that must stay clear of a keep-out, (n,), and which buttons it concerns at all."""
        radius, concerned = self.radii, np.ones(len(self.radii), bool)
        if keep_out.face in ("above", "both"):
            radius = np.maximum(radius, self.rims)
        if keep_out.face in ("below", "both"):
            radius = np.maximum(radius, self.bodies)
        if keep_out.face == "below" and keep_out.headroom_mm is not None:
            concerned = (self.depths > keep_out.headroom_mm) | (self.depths <= 0.0)
        return radius, concerned

    def pairs_of(self, sizes: FloatArray, pairs: Indices) -> Indices:
        """Return the pairs of which one's `sizes` are known: the other's hole counts where nothing more is."""
        return pairs[(sizes[pairs] > 0).any(axis=1)]


@dataclass(frozen=True, eq=False)
class Constraint:
    """What a line of the constraint vector stands for."""

    kind: Kind
    buttons: tuple[int, ...]
    keep_out: KeepOut | None = None


@dataclass(frozen=True, eq=False)
class Near:
    """What is near enough to matter: `pairs` (p, 2) of buttons, `sides` (s, 2) of a button and a side of the outline,
    `blocks` (b, 2) of a button and one of the panel's obstacles. `kinds` are the pairs whose webs, rims and bodies
    count; None: those of all pairs.
    """

    pairs: Indices
    sides: Indices
    blocks: Indices
    kinds: tuple[Indices, Indices, Indices] | None = None

    def deciding(self, sizes: Sizes, panel: Panel) -> Near:
        """Return the same with each pair's web, rims or bodies: what keeps it furthest apart, and so the others too."""
        first, second = self.pairs.T
        needs = [sizes.radii[first] + sizes.radii[second] + panel.web_mm]
        for outer, gap in ((sizes.rims, panel.rim_gap_mm), (sizes.bodies, panel.body_gap_mm)):
            reach = np.maximum(outer, sizes.radii)
            known = (outer[first] > 0) | (outer[second] > 0)
            needs.append(np.where(known, reach[first] + reach[second] + gap, -np.inf))
        decides = np.argmax(needs, axis=0)
        web, rims, bodies = (self.pairs[decides == kind] for kind in range(3))
        return replace(self, kinds=(web, rims, bodies))

    def between(self, sizes: Sizes) -> tuple[Indices, Indices, Indices]:
        """Return the pairs whose webs, rims and bodies are looked at, (., 2) each."""
        if self.kinds is not None:
            return self.kinds
        return self.pairs, sizes.pairs_of(sizes.rims, self.pairs), sizes.pairs_of(sizes.bodies, self.pairs)

    @property
    def all(self) -> tuple[Indices, Indices, Indices]:
        """All three."""
        return self.pairs, self.sides, self.blocks

    @property
    def count(self) -> int:
        """How many there are."""
        return sum(map(len, self.all))

    def with_those(self, other: Near) -> Near:
        """Return these and the other ones, each once."""
        pairs, sides, blocks = (
            np.unique(np.r_[mine, theirs], axis=0) for mine, theirs in zip(self.all, other.all, strict=True)
        )
        return Near(pairs, sides, blocks)


def near(centres: FloatArray, sizes: Sizes, panel: Panel, within_mm: float) -> Near:
    """Return what is less than `within_mm` further away than is needed, centres (n, 2) in the panel frame."""
    gaps = np.linalg.norm(centres[:, None] - centres[None], axis=2)
    pairs = np.argwhere(np.triu(gaps < sizes.apart(panel) + within_mm, 1))
    sides = np.zeros((0, 2), np.intp)
    if panel.outline:
        distances, _ = sides_of(panel.outline).distances(centres)
        sides = np.argwhere(distances < sizes.from_edge(panel)[:, None] + within_mm)
    blocks = np.argwhere(np.ones((len(centres), len(obstacles_of(panel))), bool))
    if len(blocks):
        clear, _, _ = _Blocks.of(sizes, panel, blocks).room(centres)
        blocks = np.asarray(blocks[clear < within_mm])
    return Near(pairs, sides, blocks)


def name_constraints(count: int, sizes: Sizes, panel: Panel, looked_at: Near) -> tuple[Constraint, ...]:
    """Return what `room` gives for `count` buttons, line by line."""
    webs, rims, bodies = looked_at.between(sizes)
    obstacles = obstacles_of(panel)
    listed = [Constraint("web", (int(i), int(j))) for i, j in webs]
    listed += [Constraint("rims", (int(i), int(j))) for i, j in rims]
    listed += [Constraint("bodies", (int(i), int(j))) for i, j in bodies]
    if panel.outline:
        listed += [Constraint("outline", (int(k),)) for k, _ in looked_at.sides]
    else:
        listed += [Constraint(kind, (k,)) for kind in _STRAIGHT_EDGES for k in range(count)]
    listed += [Constraint("keep-out", (int(k),), obstacles[which]) for k, which in looked_at.blocks]
    return tuple(listed)


@dataclass(frozen=True, eq=False)
class _Blocks:
    """Buttons and obstacles as arrays (b, ...): half the size of a rectangle, nothing of a circle, whose radius is in
    `reach` with all that must stay clear.
    """

    button: Indices
    centre: FloatArray
    half: FloatArray
    reach: FloatArray

    @classmethod
    def of(cls, sizes: Sizes, panel: Panel, blocks: Indices) -> _Blocks:
        obstacles = obstacles_of(panel)
        centres = np.array([o.centre_mm for o in obstacles]).reshape(-1, 2)
        halves = np.array([o.size_mm if o.shape == "rectangle" else (0.0, 0.0) for o in obstacles]).reshape(-1, 2) / 2
        reaches = np.zeros((len(obstacles), len(sizes.radii)))
        for k, obstacle in enumerate(obstacles):
            reach, concerned = sizes.reach(obstacle)
            reach = reach + obstacle.clearance_mm + (obstacle.diameter_mm / 2 if obstacle.shape == "circle" else 0.0)
            reaches[k] = np.where(concerned, reach, -NO_MATTER_MM)
        button, which = blocks[:, 0], blocks[:, 1]
        return cls(button, centres[which], halves[which], reaches[which, button])

    def room(self, centres: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return by how much each is clear (b,), the derivatives (b, 2), and the bend (b,)."""
        off = centres[self.button] - self.centre
        q = np.abs(off) - self.half
        outside, direction = _length(np.maximum(q, 0.0))
        side = np.where(off < 0, -1.0, 1.0)
        inside = np.asarray((q < 0).all(axis=1))
        nearest = np.eye(2)[np.argmax(q, axis=1)]
        gap = np.where(inside, q.max(axis=1), outside)
        bend = np.where((q > 0).all(axis=1) | (self.half == 0.0).all(axis=1), 1.0 / np.maximum(outside, 1.0), 0.0)
        return gap - self.reach, np.where(inside[:, None], nearest, direction) * side, bend


@lru_cache(maxsize=8)
def _blocks_of(sizes: Sizes, panel: Panel, looked_at: Near) -> _Blocks:
    return _Blocks.of(sizes, panel, looked_at.blocks)


def room(
    centres: FloatArray, sizes: Sizes, panel: Panel, looked_at: Near, more: int = 0
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return by how many mm each constraint is kept (m,), its derivatives by the centres (m, 2n), and its bend (m,).

    After the derivatives come `more` columns of zeros, for what no constraint hangs on.

    Order: see `name_constraints`. A constraint that is a distance changes along a circle about what it keeps away from:
    its second derivative is `bend` times the outer product of its derivatives, each button's turned by 90 degrees.
    Panel frame.
    """
    n, each = len(centres), np.arange(len(centres))
    sides, blocks = looked_at.sides, looked_at.blocks
    webs, rims, bodies = looked_at.between(sizes)
    kinds = (
        (webs, sizes.radii, panel.web_mm),
        (rims, np.maximum(sizes.rims, sizes.radii), panel.rim_gap_mm),
        (bodies, np.maximum(sizes.bodies, sizes.radii), panel.body_gap_mm),
    )
    edges = len(sides) if panel.outline else n * len(_STRAIGHT_EDGES)
    values = np.empty(sum(len(between) for between, _, _ in kinds) + edges + len(blocks))
    lines, bend = np.zeros((len(values), 2 * n + more)), np.zeros(len(values))
    at = 0

    def put(button: Indices, value: FloatArray, gradient: FloatArray, curve: FloatArray | float = 0.0) -> slice:
        """Put one constraint for each of `button`, `gradient` (n, 2) or (2,)."""
        nonlocal at
        mine = slice(at, at + len(button))
        values[mine], bend[mine] = value, curve
        rows = np.arange(at, at + len(button))
        lines[rows, 2 * button], lines[rows, 2 * button + 1] = gradient[..., 0], gradient[..., 1]
        at += len(button)
        return mine

    for between, radii, least in kinds:
        first, second = between[:, 0], between[:, 1]
        gap, direction = _length(centres[first] - centres[second])
        mine = put(first, gap - radii[first] - radii[second] - least, direction, 1.0 / np.maximum(gap, 1.0))
        rows = np.arange(mine.start, mine.stop)
        lines[rows, 2 * second], lines[rows, 2 * second + 1] = -direction[:, 0], -direction[:, 1]
    margin = sizes.from_edge(panel)
    if panel.outline:
        gaps, gradients, curves = sides_of(panel.outline).curved_distances(centres)
        button, side = sides[:, 0], sides[:, 1]
        put(button, gaps[button, side] - margin[button], gradients[button, side], curves[button, side])
    else:
        put(each, centres[:, 0] - margin, _RIGHT)
        put(each, panel.width_mm - margin - centres[:, 0], -_RIGHT)
        put(each, centres[:, 1] - margin, _DOWN)
        put(each, panel.height_mm - margin - centres[:, 1], -_DOWN)
        half = np.array([panel.width_mm, panel.height_mm]) / 2
        beyond = np.maximum(np.abs(centres - half) - (half - panel.corner_radius_mm), 0.0)
        in_corner = (beyond > 0).all(axis=1) & (margin < panel.corner_radius_mm)
        far, outward = _length(beyond)
        outward = outward * np.where(centres < half, -1.0, 1.0)
        # Away from the corners, where the straight edges rule, the nearest arc is as far as the radius allows.
        spare = np.where(margin < panel.corner_radius_mm, panel.corner_radius_mm - margin, 1.0)
        put(
            each,
            np.where(in_corner, spare - far, spare),
            np.where(in_corner[:, None], -outward, 0.0),
            np.where(in_corner, -1.0 / np.maximum(far, 1.0), 0.0),
        )
    if len(blocks):
        put(blocks[:, 0], *_blocks_of(sizes, panel, looked_at).room(centres))
    return values, lines, bend


def depths_mm(places: FloatArray, sizes: Sizes, panel: Panel) -> FloatArray:
    """Return how deep buttons at many `places` (g, n, 2) reach into edges and obstacles, (g, n); panel frame."""
    count, n = places.shape[:2]
    flat, size = places.reshape(-1, 2), np.array([panel.width_mm, panel.height_mm])
    clear = sides_of(panel.outline).clearance(flat) if panel.outline else np.minimum(flat, size - flat).min(axis=1)
    deep = np.maximum(np.tile(sizes.from_edge(panel), count) - clear, 0.0)
    each = np.argwhere(np.ones((n, len(obstacles_of(panel))), bool))
    blocks = _Blocks.of(sizes, panel, each)
    for which in range(len(obstacles_of(panel))):
        mine = np.tile(np.flatnonzero(each[:, 1] == which), count)
        one = _Blocks(np.arange(count * n), blocks.centre[mine], blocks.half[mine], blocks.reach[mine])
        deep += np.maximum(-one.room(flat)[0], 0.0)
    return deep.reshape(count, n)


def _length(vectors: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return lengths (n,) and unit vectors (n, 2); a vector of no length points right, so that it has a way out."""
    length = np.hypot(vectors[:, 0], vectors[:, 1])
    none = length < 1e-9
    direction = vectors / np.where(none, 1.0, length)[:, None]
    direction[none] = _RIGHT
    return length, direction
