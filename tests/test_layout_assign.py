"""Assignment: panels planted under invented hands are recovered, and the result moves and mirrors with them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers_assign import hand_like_rest, moved_rest, plant, turn
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from handcapture.errors import InputError
from handcapture.layout.assign import GATE_MM, Assignment, assign_holes
from handcapture.layout.source import Hole
from handcapture.names import SIDES
from handcapture.rest import Rest


def owners(assignment: Assignment) -> dict[int, tuple[str, str]]:
    return {entry.index: (entry.side, entry.finger) for entry in assignment.holes}


def hole(x: float, y: float) -> Hole:
    return Hole((float(x), float(y)), 24.0)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_planted_panels_are_recovered(seed):
    rng = np.random.default_rng(seed)
    rest = hand_like_rest(rng)
    planted = plant(rng, rest)
    assignment = assign_holes(planted.holes, rest)
    assert not assignment.unassigned
    assert [(h.side, h.finger, h.row) for h in assignment.holes] == planted.truth
    for fit in assignment.hands:
        # Five contacts with 2 mm of noise each way tell the turn to about 2 / sqrt(sum of squared arms) = 1°.
        assert fit.angle_deg == pytest.approx(planted.back[fit.side][0], abs=6.0)
        assert fit.rms_mm < 6.0


@pytest.mark.parametrize("seed", range(6))
def test_without_noise_the_motion_is_exact(seed):
    rng = np.random.default_rng(seed)
    rest = hand_like_rest(rng)
    planted = plant(rng, rest, noise_mm=0.0, far_rows=False)
    assignment = assign_holes(planted.holes, rest)
    assert [fit.side for fit in assignment.hands] == list(SIDES)
    for fit in assignment.hands:
        angle, shift = planted.back[fit.side]
        assert fit.angle_deg == pytest.approx(angle, abs=1e-6)
        np.testing.assert_allclose(fit.shift_mm, shift, atol=1e-5)
        assert fit.rms_mm == pytest.approx(0.0, abs=1e-6)
        assert fit.count == 5
    assert max(h.distance_mm for h in assignment.holes) < 1e-5


def test_the_motion_is_the_one_scipy_finds():
    """Small residuals weigh almost alike, so the fit must come close to Kabsch's solution as scipy has it."""
    rng = np.random.default_rng(4)
    rest = hand_like_rest(rng)
    planted = plant(rng, rest, noise_mm=0.3, far_rows=False)
    assignment = assign_holes(planted.holes, rest)
    for fit in assignment.hands:
        own = [h for h in assignment.holes if h.side == fit.side]
        contact = {t.finger: t.contact_mm for t in rest.fingertips if t.side == fit.side}
        source = np.array([h.hole.centre_mm for h in own])
        target = np.array([contact[h.finger] for h in own])
        a, b = source - source.mean(axis=0), target - target.mean(axis=0)
        flat = [np.column_stack([v, np.zeros(len(v))]) for v in (b, a)]
        # Points in the plane z = 0 leave a flip about an axis in it open; a heavy third vector closes it.
        up = np.array([[0.0, 0.0, 1e4]])
        rotation, _ = Rotation.align_vectors(np.vstack([flat[0], up]), np.vstack([flat[1], up]))
        assert fit.angle_deg == pytest.approx(rotation.as_euler("zyx", degrees=True)[0], abs=0.02)
        moved = fit.moved(source)
        for entry, place in zip(own, moved, strict=True):
            assert entry.distance_mm == pytest.approx(math.dist(place, contact[entry.finger]), abs=1e-9)


@settings(max_examples=5, deadline=None)
@given(seed=st.integers(0, 1000), x=st.floats(-400, 400), y=st.floats(-400, 400), angle=st.floats(-15, 15))
def test_moving_the_hands_or_the_drawing_changes_only_the_motion(seed, x, y, angle):
    rng = np.random.default_rng(seed)
    rest = hand_like_rest(rng)
    planted = plant(rng, rest)
    before = assign_holes(planted.holes, rest)
    after = assign_holes(planted.holes, moved_rest(rest, turn(angle), (x, y)))
    assert owners(after) == owners(before)
    for one, two in zip(before.hands, after.hands, strict=True):
        assert two.angle_deg == pytest.approx(one.angle_deg + angle, abs=1e-4)
        np.testing.assert_allclose(two.shift_mm, turn(angle) @ one.shift_mm + (x, y), atol=1e-3)
    shifted = [hole(h.centre_mm[0] + x, h.centre_mm[1] + y) for h in planted.holes]
    third = assign_holes(shifted, rest)
    assert owners(third) == owners(before)
    for one, two in zip(before.holes, third.holes, strict=True):
        assert two.distance_mm == pytest.approx(one.distance_mm, abs=1e-4)
        assert two.margin == pytest.approx(one.margin, abs=1e-4)


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 1000))
def test_mirroring_hands_and_drawing_swaps_the_sides(seed):
    rng = np.random.default_rng(seed)
    rest = hand_like_rest(rng)
    planted = plant(rng, rest)
    before = assign_holes(planted.holes, rest)
    mirrored = [hole(420.0 - h.centre_mm[0], h.centre_mm[1]) for h in planted.holes]
    after = assign_holes(mirrored, moved_rest(rest, np.diag([-1.0, 1.0]), (420.0, 0.0), swap=True))
    other = {"left": "right", "right": "left"}
    assert owners(after) == {k: (other[side], finger) for k, (side, finger) in owners(before).items()}
    turns = {fit.side: fit.angle_deg for fit in before.hands}
    for fit in after.hands:
        assert fit.angle_deg == pytest.approx(-turns[other[fit.side]], abs=1e-4)


@settings(max_examples=4, deadline=None)
@given(seed=st.integers(0, 1000))
def test_the_order_of_holes_does_not_matter(seed):
    rng = np.random.default_rng(seed)
    rest = hand_like_rest(rng)
    planted = plant(rng, rest)
    order = rng.permutation(len(planted.holes))
    before = owners(assign_holes(planted.holes, rest))
    after = owners(assign_holes([planted.holes[k] for k in order], rest))
    assert {int(order[k]): owner for k, owner in after.items()} == before


def test_holes_far_from_all_fingers_stay_unassigned_and_are_told():
    rng = np.random.default_rng(2)
    rest = hand_like_rest(rng)
    planted = plant(rng, rest, far_rows=False)
    top = min(h.centre_mm[1] for h in planted.holes) - 110
    menu = [Hole((200.0 + 30 * k, top), 16.0, f"Menu {k}") for k in range(3)]
    assignment = assign_holes([*planted.holes, *menu], rest)
    assert assignment.unassigned == (10, 11, 12)
    assert [owners(assignment)[k] for k in range(10)] == [t[:2] for t in planted.truth]
    assert any("11 (Menu 0), 12 (Menu 1), 13 (Menu 2)" in note for note in assignment.notes)
    assert max(h.distance_mm for h in assignment.holes) <= GATE_MM


def test_fixed_holes_obey():
    rng = np.random.default_rng(7)
    rest = hand_like_rest(rng)
    planted = plant(rng, rest, far_rows=False)
    free = owners(assign_holes(planted.holes, rest))
    index = next(k for k, owner in free.items() if owner == ("left", "index"))
    for owner in (("left", "middle"), ("left", "thumb"), ("right", "little")):
        assignment = assign_holes(planted.holes, rest, {index: owner})
        assert owners(assignment)[index] == owner
        entry = next(h for h in assignment.holes if h.index == index)
        assert entry.margin == math.inf
        assert not entry.doubtful
    everything = dict.fromkeys(range(len(planted.holes)), ("right", "ring"))
    assert owners(assign_holes(planted.holes, rest, everything)) == everything


def test_fixing_one_hole_settles_a_doubtful_hand():
    """Three equally spaced holes in a row fit the fingers equally well one finger further."""
    rest = hand_like_rest(np.random.default_rng(0))
    four = [t for t in rest.fingertips if t.side == "left" and t.finger != "thumb"]
    row = Rest(
        tuple(
            replace(t, contact_mm=np.array([25.0 * k, 0.0]), reach=np.array([0.0, -1.0])) for k, t in enumerate(four)
        ),
        (),
        (),
    )
    holes = [hole(25.0 * k, 0.0) for k in range(3)]
    assert all(h.doubtful for h in assign_holes(holes, row).holes)
    for first in (0, 1):
        fixed = {0: ("left", four[first].finger)}
        assignment = assign_holes(holes, row, fixed)
        assert [h.finger for h in assignment.holes] == [four[first + k].finger for k in range(3)]


def test_one_hand_and_single_holes():
    rng = np.random.default_rng(3)
    rest = hand_like_rest(rng)
    left = replace(rest, fingertips=tuple(t for t in rest.fingertips if t.side == "left"))
    holes = [hole(*(t.contact_mm + np.array([30, 5]))) for t in left.fingertips]
    assignment = assign_holes(holes, left)
    assert [h.finger for h in assignment.holes] == [t.finger for t in left.fingertips]
    assert assignment.hands[0].shift_mm == pytest.approx((-30, -5), abs=1e-6)
    both = assign_holes(holes, rest)
    assert {h.side for h in both.holes} == {"left"}
    assert any("No hole is the right hand's" in note for note in both.notes)
    single = assign_holes(holes[:1], left)
    assert len(single.holes) == 1
    assert single.hands[0].angle_deg == 0.0
    assert any("hardly known" in note for note in single.notes)


def test_turns_are_proper_never_mirrored():
    """A left-hand panel under the right hand: without mirroring it cannot fit, and the residual shows it."""
    rng = np.random.default_rng(11)
    rest = hand_like_rest(rng)
    right = replace(rest, fingertips=tuple(t for t in rest.fingertips if t.side == "right"))
    holes = [hole(*(t.contact_mm * (-1, 1) + (420, 0))) for t in right.fingertips]
    assignment = assign_holes(holes, right)
    fit = assignment.hands[0]
    square = fit.moved(np.array([(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)]))
    assert np.linalg.det(square[1:] - square[0]) == pytest.approx(1.0)
    assert fit.rms_mm > 5.0 or assignment.unassigned or any(h.doubtful for h in assignment.holes)


@pytest.mark.parametrize(
    ("holes", "fixed", "words"),
    [
        ([], {}, "no hole"),
        ([hole(0, 0)] * 201, {}, "201 holes"),
        ([hole(math.nan, 0)], {}, "Hole 1 has a centre"),
        ([hole(0, 0)], {3: ("left", "index")}, "only 1 holes"),
        ([hole(0, 0)], {0: ("right", "index")}, "does not hold"),
    ],
)
def test_refusals(holes, fixed, words):
    rest = hand_like_rest(np.random.default_rng(0))
    left = replace(rest, fingertips=tuple(t for t in rest.fingertips if t.side == "left"))
    with pytest.raises(InputError, match=words):
        assign_holes(holes, left, fixed)


def test_a_rest_without_fingertips():
    with pytest.raises(InputError, match="no fingertip"):
        assign_holes([hole(0, 0)], Rest((), (), ()))


def test_many_holes_end_in_reasonable_time():
    rest = hand_like_rest(np.random.default_rng(0))
    assignment = assign_holes([hole(30 * (k % 12), 30 * (k // 12)) for k in range(72)], rest)
    assert len(assignment.holes) + len(assignment.unassigned) == 72
    assert len(assignment.holes) >= 10
