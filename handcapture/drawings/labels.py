"""Find places for labels: near what they name, clear of holes, of each other and of the edge."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Left, top, right, bottom, in the unit and frame of the drawing (y down)."""

_DIRECTIONS = 24
_ALONG = np.linspace(0.1, 1.0, 19)
"""Where a leader is looked at, in shares of its length."""
_HARD = 1000.0
_ROOMY = (3.0, 2.0, 1.0, 0.0)
"""Room around a block of text that is sought, and what is made do with, in the unit of the drawing."""


@dataclass(frozen=True)
class Wanted:
    """A label to place: what it names, how near it may come, its size, and the side it would rather be on."""

    anchor: tuple[float, float]
    radius: float
    size: tuple[float, float]
    toward: tuple[float, float] = (0.0, -1.0)


@dataclass(frozen=True)
class Obstacles:
    """What labels keep clear of.

    `discs` (N, 3) are x, y, radius: hard. `rings` (N, 3) are circles whose line should not be hidden: soft.
    `boxes` are hard. Labels stay within `bounds` if they can.
    """

    discs: FloatArray
    rings: FloatArray
    boxes: tuple[Box, ...]
    bounds: Box


def disc_array(discs: Iterable[tuple[float, float, float]]) -> FloatArray:
    """Return discs as an array (N, 3), also when there are none."""
    return np.array(list(discs), dtype=np.float64).reshape(-1, 3)


def place_labels(wanted: Sequence[Wanted], obstacles: Obstacles, gap: float) -> list[Box]:
    """Return a box for each label, in order.

    Every label takes the cheapest of a fan of places around its anchor, the earlier labels standing. Hard
    obstacles, the labels before it and the bounds are only violated when every place violates one.
    """
    placed: list[Box] = []
    leaders = np.zeros((0, 2))
    for label in wanted:
        boxes, ways = _candidates(label, gap)
        # A long label must not stand far off only to keep the wished side.
        cost = ways @ np.array([1.0, min(2.0 * max(label.size), 12.0 * gap)])
        cost += _HARD * _overlaps_discs(boxes, obstacles.discs, gap / 2)
        cost += 3.0 * max(label.size) * _crosses_rings(boxes, obstacles.rings)
        for other in (*obstacles.boxes, *placed):
            cost += _HARD * _overlaps_box(boxes, other, gap / 2)
        cost += _HARD * _outside(boxes, obstacles.bounds)
        cost += 0.5 * max(label.size) * _leader_crossings(label, boxes, obstacles.discs)
        cost += max(label.size) * (_leader_over(label, boxes, placed) + _covers(boxes, leaders))
        left, top, right, bottom = boxes[int(np.argmin(cost))]
        placed.append((float(left), float(top), float(right), float(bottom)))
        leaders = np.vstack([leaders, _leader(label, boxes[[int(np.argmin(cost))]])[0]])
    return placed


def place_block(size: tuple[float, float], obstacles: Obstacles, step: float) -> Box:
    """Return a box of `size` within the bounds that meets the fewest obstacles: the topmost, leftmost one.

    Where several meet none, one with room around it.
    """
    left, top, right, bottom = obstacles.bounds
    x, y = np.meshgrid(
        np.arange(left, max(right - size[0], left + step), step),
        np.arange(top, max(bottom - size[1], top + step), step),
    )
    boxes = np.column_stack([x.ravel(), y.ravel(), x.ravel() + size[0], y.ravel() + size[1]])
    for gap in _ROOMY:
        cost = _overlaps_discs(boxes, obstacles.discs, gap) + 0.5 * _crosses_rings(boxes, obstacles.rings)
        for other in obstacles.boxes:
            cost += _overlaps_box(boxes, other, gap)
        if cost.min() == 0.0:
            break
    best = boxes[int(np.argmin(cost))]
    return float(best[0]), float(best[1]), float(best[2]), float(best[3])


def box_around(middle: tuple[float, float], size: tuple[float, float]) -> Box:
    """Return the box of `size` around a point."""
    return middle[0] - size[0] / 2, middle[1] - size[1] / 2, middle[0] + size[0] / 2, middle[1] + size[1] / 2


def box_meets_discs(box: Box, discs: FloatArray) -> bool:
    """Tell whether a box overlaps any of the discs (N, 3)."""
    return bool(_overlaps_discs(np.array([box]), discs, 0.0)[0])


def nearest_point(box: Box, point: tuple[float, float]) -> tuple[float, float]:
    """Return the point of the box that is nearest to `point`."""
    return min(max(point[0], box[0]), box[2]), min(max(point[1], box[1]), box[3])


def _candidates(label: Wanted, gap: float) -> tuple[FloatArray, FloatArray]:
    """Return boxes (N, 4), and for each its distance and how far it turns from the wished side (0 to 1)."""
    start = np.arctan2(label.toward[1], label.toward[0])
    turn = np.linspace(0.0, 2 * np.pi, _DIRECTIONS, endpoint=False)
    away = np.array([gap, 2 * gap, 4 * gap, 7 * gap, 11 * gap, 16 * gap, 22 * gap])
    turn, away = (part.ravel() for part in np.meshgrid(turn, away))
    ux, uy = np.cos(start + turn), np.sin(start + turn)
    width, height = label.size
    reach = label.radius + away + (np.abs(ux) * width + np.abs(uy) * height) / 2
    x, y = label.anchor[0] + ux * reach, label.anchor[1] + uy * reach
    boxes = np.column_stack([x - width / 2, y - height / 2, x + width / 2, y + height / 2])
    return boxes, np.column_stack([away, (1 - np.cos(turn)) / 2])


def _distances(boxes: FloatArray, discs: FloatArray) -> FloatArray:
    """Return the distance (N, M) of each disc's centre from each box, 0 inside."""
    dx = np.maximum(np.maximum(boxes[:, None, 0] - discs[:, 0], discs[:, 0] - boxes[:, None, 2]), 0.0)
    dy = np.maximum(np.maximum(boxes[:, None, 1] - discs[:, 1], discs[:, 1] - boxes[:, None, 3]), 0.0)
    return np.asarray(np.hypot(dx, dy), dtype=np.float64)


def _count(condition: NDArray[np.bool_]) -> FloatArray:
    return np.asarray(np.count_nonzero(condition, axis=1), dtype=np.float64)


def _overlaps_discs(boxes: FloatArray, discs: FloatArray, gap: float) -> FloatArray:
    if len(boxes) > 2000:  # disc by disc: all at once takes too much memory
        total = np.zeros(len(boxes))
        for disc in discs:
            total += _overlaps_discs_at_once(boxes, disc[None], gap)
        return total
    return _overlaps_discs_at_once(boxes, discs, gap)


def _overlaps_discs_at_once(boxes: FloatArray, discs: FloatArray, gap: float) -> FloatArray:
    return _count(_distances(boxes, discs) < discs[:, 2] + gap)


def _crosses_rings(boxes: FloatArray, rings: FloatArray) -> FloatArray:
    dx = np.maximum(np.abs(boxes[:, None, 0] - rings[:, 0]), np.abs(boxes[:, None, 2] - rings[:, 0]))
    dy = np.maximum(np.abs(boxes[:, None, 1] - rings[:, 1]), np.abs(boxes[:, None, 3] - rings[:, 1]))
    crosses = (_distances(boxes, rings) < rings[:, 2]) & (np.hypot(dx, dy) > rings[:, 2])
    return _count(crosses)


def _overlaps_box(boxes: FloatArray, other: Box, gap: float) -> FloatArray:
    across = (boxes[:, 0] < other[2] + gap) & (boxes[:, 2] > other[0] - gap)
    return (across & (boxes[:, 1] < other[3] + gap) & (boxes[:, 3] > other[1] - gap)).astype(np.float64)


def _outside(boxes: FloatArray, bounds: Box) -> FloatArray:
    left, top, right, bottom = bounds
    inside = (boxes[:, 0] >= left) & (boxes[:, 1] >= top) & (boxes[:, 2] <= right) & (boxes[:, 3] <= bottom)
    return (~inside).astype(np.float64)


def _leader_crossings(label: Wanted, boxes: FloatArray, discs: FloatArray) -> FloatArray:
    """Return how many discs, other than the label's own, the line from anchor to box centre crosses."""
    anchor = np.array(label.anchor)
    others = discs[np.hypot(*(discs[:, :2] - anchor).T) > 1e-9]
    to_box = (boxes[:, :2] + boxes[:, 2:]) / 2 - anchor
    length_squared = np.maximum((to_box**2).sum(axis=1), 1e-12)
    to_disc = others[:, :2] - anchor
    along = np.clip(to_box @ to_disc.T / length_squared[:, None], 0.0, 1.0)
    apart = np.linalg.norm(along[..., None] * to_box[:, None] - to_disc[None], axis=2)
    return _count(apart < others[:, 2])


def _leader(label: Wanted, boxes: FloatArray) -> FloatArray:
    """Return points (N, M, 2) on the way from the rim of what is named to each box's nearest point."""
    anchor = np.array(label.anchor)
    way = np.clip(anchor, boxes[:, :2], boxes[:, 2:]) - anchor
    length = np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)
    first = np.minimum(label.radius / length, 1.0)
    shares = first[:, None] + (1.0 - first[:, None]) * _ALONG
    return np.asarray(anchor + shares[..., None] * way[:, None], dtype=np.float64)


def _leader_over(label: Wanted, boxes: FloatArray, placed: Sequence[Box]) -> FloatArray:
    """Return how many placed boxes each box's leader runs over."""
    points = _leader(label, boxes)
    total = np.zeros(len(boxes))
    for left, top, right, bottom in placed:
        x, y = points[..., 0], points[..., 1]
        total += ((x > left) & (x < right) & (y > top) & (y < bottom)).any(axis=1)
    return total


def _covers(boxes: FloatArray, points: FloatArray) -> FloatArray:
    """Return whether each box covers any of some points, 0 or 1."""
    within = (points > boxes[:, None, :2]) & (points < boxes[:, None, 2:])
    return (_count(np.all(within, axis=2)) > 0).astype(np.float64)


def place_at_one(wanted: Sequence[Wanted], obstacles: Obstacles, gap: float) -> Box | None:
    """Return a box for one label at the first of several anchors that has room on its wished side, None without any."""
    if not wanted:
        return None
    middles = []
    for label in wanted:
        reach = label.radius + gap + (abs(label.toward[0]) * label.size[0] + abs(label.toward[1]) * label.size[1]) / 2
        middles.append((label.anchor[0] + label.toward[0] * reach, label.anchor[1] + label.toward[1] * reach))
    return first_free(
        [box_around(middle, label.size) for middle, label in zip(middles, wanted, strict=True)], obstacles
    )


def first_free(boxes: Sequence[Box], obstacles: Obstacles) -> Box | None:
    """Return the first of some boxes that meets no hard obstacle, rather one that crosses no ring; None without any."""
    every = np.array(boxes, dtype=np.float64).reshape(-1, 4)
    cost = _overlaps_discs(every, obstacles.discs, 0.0) + _outside(every, obstacles.bounds)
    for other in obstacles.boxes:
        cost += _overlaps_box(every, other, 0.0)
    free = np.flatnonzero(cost == 0.0)
    if free.size == 0:
        return None
    crossed = _crosses_rings(every[free], obstacles.rings)
    left, top, right, bottom = every[free[int(np.argmin(crossed > 0))]].tolist()
    return left, top, right, bottom


def box_is_free(box: Box, obstacles: Obstacles) -> bool:
    """Tell whether a box lies within the bounds and on no hard obstacle."""
    met = box_meets_discs(box, obstacles.discs) or any(boxes_meet(box, other) for other in obstacles.boxes)
    return box_within(box, obstacles.bounds) and not met


def boxes_meet(first: Box, second: Box, gap: float = 0.0) -> bool:
    """Tell whether two boxes come nearer to each other than `gap`."""
    across = first[0] < second[2] + gap and first[2] > second[0] - gap
    return across and first[1] < second[3] + gap and first[3] > second[1] - gap


def box_within(box: Box, limit: Box) -> bool:
    """Tell whether a box lies wholly in another."""
    return limit[0] <= box[0] and limit[1] <= box[1] and box[2] <= limit[2] and box[3] <= limit[3]


def middle_of(box: Box) -> tuple[float, float]:
    """Return the middle of a box."""
    return (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
