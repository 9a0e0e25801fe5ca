"""What texts on the panel keep clear of, and where the names of keep-outs, cuts and side features stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from handcapture.drawings.common import (
    FloatArray,
    box_of,
    describe_cut,
    describe_keep_out,
    describe_side_feature,
    outline_points,
    toward_edge,
)
from handcapture.drawings.labels import (
    Box,
    Obstacles,
    Wanted,
    box_around,
    box_meets_discs,
    box_within,
    boxes_meet,
    disc_array,
    first_free,
    middle_of,
    place_labels,
)
from handcapture.layout.model import Layout, Panel, Point
from handcapture.layout.outline import side_keep_out
from handcapture.lettering import text_width

EDGE_MM = 1.0
"""Texts stay so far inside the panel's edge."""


_INSIDE = ((0.0, 0.0), (0.0, -0.35), (0.0, 0.35), (-0.4, 0.0), (0.4, 0.0), (-0.4, -0.35), (0.4, 0.35), (0.0, -0.5))
"""Where in its place a name may stand, in shares of the room left."""
_GAPS_MM = (1.0, 2.0, 4.0, 7.0, 11.0)
"""How far off what they name names may stand."""


def hole_discs(layout: Layout) -> FloatArray:
    """Return the holes, each with its rim, as discs (N, 3): x, y, radius, panel frame."""
    return disc_array((*button.centre_mm, button.top_radius_mm) for button in layout.buttons)


def panel_box(panel: Panel) -> Box:
    """Return where texts may stand: the panel less a little at its edge."""
    return EDGE_MM, EDGE_MM, panel.width_mm - EDGE_MM, panel.height_mm - EDGE_MM


def obstacles_on(
    layout: Layout,
    bounds: Box | None = None,
    spots: FloatArray | None = None,
    boxes: Sequence[Box] = (),
) -> Obstacles:
    """Return what texts keep clear of: holes, rims, cuts and lines, and more `spots` (N, 3) and `boxes`."""
    panel = layout.panel
    discs = [hole_discs(layout), disc_array((*c.centre_mm, c.diameter_mm / 2) for c in panel.cuts if c.diameter_mm)]
    if spots is not None:
        discs.append(spots)
    if panel.outline or panel.corner_radius_mm > 0:
        # A line that turns in anywhere, or at the corners: a row of small discs along it.
        discs.append(disc_array((x, y, 0.8) for x, y in outline_points(panel, 2.0).tolist()))
    rings = [(*k.centre_mm, k.diameter_mm / 2) for k in panel.keep_outs if k.shape == "circle"]
    rings += [(*b.centre_mm, b.below_radius_mm) for b in layout.buttons if b.below_radius_mm > b.hole_mm / 2]
    blocks = [box_of(cut) for cut in panel.cuts if cut.shape == "rectangle"]
    for keep_out in (*panel.keep_outs, *(side_keep_out(panel, feature) for feature in panel.side_features)):
        if keep_out.shape == "rectangle":
            blocks += edges_of(box_of(keep_out))
    return Obstacles(
        np.vstack(discs), disc_array(rings), (*blocks, *boxes), panel_box(panel) if bounds is None else bounds
    )


def edges_of(box: Box, breadth_mm: float = 0.6) -> list[Box]:
    """Return the four sides of a box as narrow boxes."""
    left, top, right, bottom = box
    half = breadth_mm / 2
    corners = ((left, top), (right, top), (right, bottom), (left, bottom), (left, top))
    return [
        (min(ax, bx) - half, min(ay, by) - half, max(ax, bx) + half, max(ay, by) + half)
        for (ax, ay), (bx, by) in pairwise(corners)
    ]


@dataclass(frozen=True)
class Name:
    """A name, the box it stands in, and the box round what it names, panel frame."""

    text: str
    box: Box
    place: Box


def names_on(
    layout: Layout,
    size_mm: float,
    bounds: Box | None = None,
    spots: FloatArray | None = None,
    boxes: Sequence[Box] = (),
    crosses: bool = False,
) -> list[Name]:
    """Return the names of keep-outs, cuts and side features in type of `size_mm`.

    A name that does not fit inside its place stands beside it, clear of holes and lines, of `spots` (N, 3), of `boxes`
    and of each other; with `crosses`, of crosses in the middle of cuts too. What lies wholly out of `bounds` is not
    named.
    """
    panel = layout.panel
    limit = panel_box(panel) if bounds is None else bounds
    spots = disc_array(()) if spots is None else spots
    named: list[tuple[str, str, Box, Point]] = [
        (describe_keep_out(k), k.shape, box_of(k), (0.0, -1.0)) for k in panel.keep_outs
    ]
    named += [(describe_cut(cut), cut.shape, box_of(cut), (0.0, -1.0)) for cut in panel.cuts]
    for feature in panel.side_features:
        x, y = toward_edge(feature.edge)
        named.append((describe_side_feature(feature), "rectangle", box_of(side_keep_out(panel, feature)), (-x, -y)))
    if crosses:
        boxes = (*boxes, *(box_around(middle_of(box_of(c)), (2 * cross_mm(box_of(c)),) * 2) for c in panel.cuts))
    inside: list[Name] = []
    outside: list[tuple[str, Box, Wanted]] = []
    openings = [box_of(cut) for cut in panel.cuts]
    # The small ones first: a wide one has more places to choose from.
    for name, shape, place, toward in sorted(named, key=lambda one: one[2][2] - one[2][0]):
        if not name or not boxes_meet(place, limit):
            continue
        (x, y), (width, height) = middle_of(place), (place[2] - place[0], place[3] - place[1])
        length = text_width(name, 0.72 * size_mm)
        room = max(0.95 * width - length, 0.0), max(0.9 * height - size_mm, 0.0)
        # The middle first; elsewhere only in what is surely large enough for it to be told what is named.
        places = [box_around((x + dx * room[0], y + dy * room[1]), (length, size_mm)) for dx, dy in _INSIDE]
        fits = length <= (0.95 if shape == "rectangle" else 0.9) * width and size_mm <= 0.9 * height
        others = [*boxes, *(other.box for other in inside), *(box for box in openings if box != place)]
        free = [
            box
            for box in places
            if (shape == "rectangle" or _within_circle(box, place))
            and box_within(box, limit)
            and not box_meets_discs(box, spots)
            and not _meets(box, others)
        ]
        if fits and free:
            inside.append(Name(name, free[0], place))
        else:
            reach = height / 2 if toward[0] == 0.0 else width / 2
            outside.append((name, place, Wanted((x, y), reach, (length, size_mm), toward)))
    names = list(inside)
    for name, place, wanted in outside:
        found = obstacles_on(layout, limit, spots, (*boxes, *(other.box for other in names)))
        box = first_free(_beside(place, wanted), found)
        names.append(Name(name, box or place_labels([wanted], found, gap=1.0)[0], place))
    return names


def cross_mm(box: Box) -> float:
    """Return half the size of the cross in the middle of a cut."""
    return min(3.0, (box[2] - box[0]) / 6, (box[3] - box[1]) / 6)


def _within_circle(box: Box, round_box: Box) -> bool:
    """Tell whether a box lies in the circle that fills another box, less a little."""
    (x, y), radius = middle_of(round_box), 0.48 * (round_box[2] - round_box[0])
    corners = [(box[i], box[j]) for i in (0, 2) for j in (1, 3)]
    return all((cx - x) ** 2 + (cy - y) ** 2 <= radius**2 for cx, cy in corners)


def _beside(place: Box, wanted: Wanted) -> list[Box]:
    """Return the boxes beside a place, nearest first, and of those the wished side first, its middle first."""
    (width, height), (left, top, right, bottom) = wanted.size, place
    x, y = middle_of(place)
    boxes = []
    for gap in _GAPS_MM:
        sides = {
            (0.0, -1.0): [(x + shift, top - gap - height / 2) for shift in _shifts((right - left + width) / 2 - 2.0)],
            (0.0, 1.0): [(x + shift, bottom + gap + height / 2) for shift in _shifts((right - left + width) / 2 - 2.0)],
            (-1.0, 0.0): [(left - gap - width / 2, y + shift) for shift in _shifts((bottom - top) / 2)],
            (1.0, 0.0): [(right + gap + width / 2, y + shift) for shift in _shifts((bottom - top) / 2)],
        }
        for side in sorted(sides, key=lambda side: side != wanted.toward):
            boxes += [box_around(middle, wanted.size) for middle in sides[side]]
    return boxes


def _shifts(most_mm: float) -> list[float]:
    """Return steps of 3 mm to both sides, smallest first."""
    steps = [3.0 * k for k in range(int(max(most_mm, 0.0) / 3.0) + 1)]
    return [0.0] + [sign * step for step in steps[1:] for sign in (1, -1)]


def _meets(box: Box, others: Sequence[Box]) -> bool:
    return any(boxes_meet(box, other) for other in others)
