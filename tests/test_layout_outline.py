"""Outlines of lines and arcs: distances against shapely on fine chords, derivatives against differences."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import shapely
from helpers_plan import plate
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from handcapture.errors import InputError
from handcapture.layout.model import Vertex
from handcapture.layout.outline import as_outline, polygon, polyline, reverse, sides_of, vertices_of

FloatArray = NDArray[np.float64]
FINE_MM = 5e-4
seeds = st.integers(0, 2**32 - 1)


def random_outline(seed: int) -> tuple[Vertex, ...] | None:
    """Return a star-shaped outline, often concave, half of its pieces arcs; None where it crosses itself."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 10))
    angles = (np.arange(count) + rng.uniform(-0.35, 0.35, count)) * 2 * np.pi / count
    radii = rng.uniform(60, 160, count)
    bulges = np.where(rng.random(count) < 0.5, rng.uniform(-0.3, 0.5, count), 0.0)
    corners = np.c_[radii * np.cos(angles), radii * np.sin(angles), bulges].tolist()
    try:
        found: tuple[Vertex, ...] = as_outline(corners)["outline"]
    except InputError:
        return None
    return found


def places_around(vertices: tuple[Vertex, ...], seed: int, count: int = 60) -> FloatArray:
    points = polyline(vertices)
    return np.random.default_rng(seed + 1).uniform(points.min(axis=0) - 20, points.max(axis=0) + 20, (count, 2))


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_clearance_is_shapelys(seed: int) -> None:
    vertices = random_outline(seed)
    assume(vertices is not None)
    assert vertices is not None
    spots = places_around(vertices, seed)
    shape = shapely.Polygon(polyline(vertices, FINE_MM))
    points = shapely.points(spots)
    away = shapely.distance(shape.exterior, points)
    inside = shapely.contains(shape, points)
    sides = sides_of(vertices)
    # Within the coarse chords of `holds` inside and outside may be mistaken for each other.
    clear = away > 0.06
    np.testing.assert_array_equal(sides.holds(spots)[clear], inside[clear])
    expected = np.where(inside, away, -away)
    np.testing.assert_allclose(sides.clearance(spots)[clear], expected[clear], atol=2 * FINE_MM)
    assert (np.abs(sides.clearance(spots)[~clear]) < 0.07).all()


@given(seeds)
@settings(max_examples=40, deadline=None)
def test_derivatives_are_differences(seed: int) -> None:
    """First and second, where the distance is smooth: there steps of two lengths agree."""
    vertices = random_outline(seed)
    assume(vertices is not None)
    assert vertices is not None
    sides = sides_of(vertices)
    spots = places_around(vertices, seed, 20)
    found, gradient, bend = sides.curved_distances(spots)
    np.testing.assert_allclose(np.linalg.norm(gradient, axis=2), 1.0, atol=1e-9)
    checked = 0
    for place, row, slopes, bends in zip(spots, found, gradient, bend, strict=True):
        for side, (value, slope, bent) in enumerate(zip(row, slopes, bends, strict=True)):
            if abs(value) < 2.0:
                continue  # bends are capped at a radius of 1 mm

            def along(direction: FloatArray, step: float, at: FloatArray = place, side: int = side) -> Any:
                return sides.distances((at + step * direction)[None])[0][0, side]

            across = np.array([-slope[1], slope[0]])
            second = [(along(across, h) + along(across, -h) - 2 * value) / h**2 for h in (1e-3, 2e-3)]
            first = [(along(slope, h) - along(slope, -h)) / (2 * h) for h in (1e-3, 2e-3)]
            skew = (along(across, 1e-3) - along(across, -1e-3)) / 2e-3
            if abs(second[0] - second[1]) > 1e-4 or abs(second[0]) > 0.9 or abs(first[0] - first[1]) > 1e-6:
                continue
            assert first[0] == pytest.approx(1.0, abs=1e-5)
            assert skew == pytest.approx(0.0, abs=1e-5)
            assert bent == pytest.approx(second[0], abs=2e-4)
            checked += 1
    assert checked > 20


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_either_way_round_and_anywhere_it_is_the_same(seed: int) -> None:
    vertices = random_outline(seed)
    assume(vertices is not None)
    assert vertices is not None
    assert reverse(reverse(vertices)) == list(vertices)
    other = [(x + 12.5, y - 300.25, bulge) for x, y, bulge in reverse(vertices)]
    fields = as_outline(other)
    np.testing.assert_allclose(
        sorted(fields["outline"]), sorted(tuple(map(float, vertex)) for vertex in vertices), atol=1e-9
    )
    points = polyline(fields["outline"])
    assert points.min(axis=0) == pytest.approx((0.0, 0.0), abs=0.02)
    assert points.max(axis=0) == pytest.approx((fields["width_mm"], fields["height_mm"]), abs=0.02)
    # Clockwise as seen, y down: the area by the shoelace formula is above 0.
    x, y = points.T
    assert (x * np.roll(y, -1) - y * np.roll(x, -1)).sum() > 0


def test_doubled_points_add_nothing() -> None:
    square = [(0, 0), (100, 0), (100, 80), (0, 80)]
    doubled = [(0, 0), (100, 0), (100, 0), (100, 80), (0, 80), (0, 80), (0, 0)]
    assert as_outline(doubled) == as_outline(square)


@pytest.mark.parametrize(
    ("corners", "message"),
    [
        ([(0, 0), (100, 0)], "at least three corners"),
        ([(0, 0), (100, 0), (100, 0), (0, 0)], "at least three corners"),
        ([(0, 0), (100, 80), (100, 0), (0, 80)], "crosses or touches itself"),
        ([(0, 0), (100, 0), (100, 50), (50, 0), (0, 50)], "crosses or touches itself"),
        ([(0, 0, -0.8), (100, 0, 0), (100, 20, 0), (0, 20, 0)], "crosses or touches itself"),
        ([(0, 0), (0.5, 0), (0.5, 0.5), (0, 0.5)], "encloses nothing"),
    ],
)
def test_refused(corners: list[Any], message: str) -> None:
    with pytest.raises(InputError, match=message):
        as_outline(corners)


def test_a_circle_of_two_arcs() -> None:
    """Two half circles, bulge 1 (DXF reference): radius 50."""
    fields = as_outline([(0, 50, 1.0), (100, 50, 1.0)])
    assert (fields["width_mm"], fields["height_mm"]) == pytest.approx((100.0, 100.0), abs=0.01)
    sides = sides_of(fields["outline"])
    spots = np.array([(50.0, 50.0), (20.0, 50.0), (50.0, 90.0), (50.0, 120.0), (80.0, 90.0)])
    expected = 50.0 - np.hypot(*(spots - 50.0).T)
    np.testing.assert_allclose(sides.clearance(spots), expected, atol=0.01)


@pytest.mark.parametrize("sagitta_mm", [1.0, 0.05, 0.001])
def test_chords_lie_within_the_sagitta(sagitta_mm: float) -> None:
    points = polyline([(0.0, 50.0, 1.0), (100.0, 50.0, 1.0)], sagitta_mm)
    np.testing.assert_allclose(np.hypot(*(points - 50.0).T), 50.0, atol=1e-9)
    middles = (points + np.roll(points, -1, axis=0)) / 2
    off = 50.0 - np.hypot(*(middles - 50.0).T)
    assert (off <= sagitta_mm + 1e-9).all()
    assert off.max() > sagitta_mm / 5  # and not many more than are needed


@given(st.floats(50, 500), st.floats(50, 500), st.floats(0, 0.5))
@settings(max_examples=25, deadline=None)
def test_a_rounded_rectangle_is_shapelys(width: float, height: float, share: float) -> None:
    """Radii of next to nothing too: they are sharp corners."""
    radius = share * min(width, height)
    panel = plate(width, height, corner_radius_mm=radius)
    expected = shapely.box(radius, radius, width - radius, height - radius).buffer(radius, quad_segs=256)
    assume(not expected.is_empty)
    mine = polygon(panel, 1e-3)
    assert mine.symmetric_difference(expected).area < 2e-3 * (width + height)
    lengths = [math.dist(a[:2], b[:2]) for a, b in zip(vertices_of(panel), vertices_of(panel)[1:], strict=False)]
    assert min(lengths) > 1e-9


def test_a_circle_of_arcs_has_its_exact_size() -> None:
    """Three arcs of 120 degrees, radius 150: width and height are 300 (by hand), not those of chords."""
    bulge = math.tan(math.radians(120) / 4)
    corners = [(150 * math.cos(a), 150 * math.sin(a), bulge) for a in (math.radians(t) for t in (17.0, 137.0, 257.0))]
    fields = as_outline(corners)
    assert fields["width_mm"] == pytest.approx(300.0, abs=1e-9)
    assert fields["height_mm"] == pytest.approx(300.0, abs=1e-9)
