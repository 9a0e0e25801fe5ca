"""Where labels go."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handcapture.drawings.labels import Obstacles, Wanted, disc_array, nearest_point, place_labels

BOUNDS = (0.0, 0.0, 400.0, 300.0)


def overlap(a, b):
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def obstacles(discs=(), rings=(), boxes=(), bounds=BOUNDS):
    return Obstacles(disc_array(discs), disc_array(rings), tuple(boxes), bounds)


def test_a_lone_label_stands_on_the_side_it_asks_for():
    (box,) = place_labels([Wanted((200, 150), 12, (30, 6), toward=(0, -1))], obstacles([(200, 150, 12)]), gap=2)
    assert box == pytest.approx((185, 130, 215, 136))


@pytest.mark.parametrize("toward", [(1, 0), (-1, 0), (0, 1), (1, 1)], ids=["right", "left", "down", "slanting"])
def test_the_side_is_taken_from_the_direction(toward):
    (box,) = place_labels([Wanted((200, 150), 12, (30, 6), toward)], obstacles(), gap=2)
    middle = np.array([(box[0] + box[2]) / 2 - 200, (box[1] + box[3]) / 2 - 150])
    assert middle @ toward == pytest.approx(math.hypot(*middle) * math.hypot(*toward))


def test_no_label_leaves_the_drawing():
    (box,) = place_labels([Wanted((200, 8), 5, (30, 6), toward=(0, -1))], obstacles(), gap=2)
    assert box[1] >= 0


def test_a_box_and_the_line_of_a_ring_are_avoided():
    sign = (180.0, 120.0, 220.0, 140.0)
    (box,) = place_labels([Wanted((200, 150), 5, (30, 6))], obstacles(boxes=[sign]), gap=2)
    assert not overlap(box, sign)
    (box,) = place_labels([Wanted((200, 150), 5, (30, 6))], obstacles(rings=[(200, 150, 10)]), gap=2)
    corners = [math.dist(p, (200, 150)) for p in ((box[0], box[1]), (box[2], box[3]), (box[0], box[3]))]
    assert min(corners) > 10


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 20))
def test_with_room_enough_nothing_overlaps(seed, count):
    """Invented scenes: discs on a lattice with a label's room between them."""
    rng = np.random.default_rng(seed)
    places = np.stack(np.meshgrid(np.arange(5) * 75 + 50, np.arange(4) * 65 + 45), axis=-1).reshape(-1, 2)
    discs = [(float(x), float(y), 12.0) for x, y in rng.permutation(places)[:count]]
    wanted = [Wanted(d[:2], d[2], (float(rng.uniform(10, 45)), 6.0), tuple(rng.normal(size=2))) for d in discs]
    boxes = place_labels(wanted, obstacles(discs), gap=2)
    for number, box in enumerate(boxes):
        assert box[2] - box[0] == pytest.approx(wanted[number].size[0])
        for x, y, radius in discs:
            assert math.dist(nearest_point(box, (x, y)), (x, y)) >= radius
        assert not any(overlap(box, other) for other in boxes[:number])


def test_nothing_wanted_gives_nothing():
    assert place_labels([], obstacles(), gap=2) == []
