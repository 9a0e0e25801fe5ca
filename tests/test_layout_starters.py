"""Starters: geometry checked from its definition, and that it moves, turns and mirrors with the hands."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers_assign import hand_like_rest, moved_rest
from helpers_plan import tip
from helpers_rest import PLACES
from hypothesis import given, settings
from hypothesis import strategies as st

from handcapture.errors import InputError
from handcapture.layout.starters import fingertip_arcs, staggered_columns, straight_rows
from handcapture.names import FINGERS, SIDES
from handcapture.rest import Rest

STARTERS = {
    "rows": lambda rest: straight_rows(rest, stagger_mm=7.0, thumbs=2),
    "angled rows": lambda rest: straight_rows(rest, angle_deg=12.0, rows=3),
    "arcs": lambda rest: fingertip_arcs(rest, rows=2),
    "columns": lambda rest: staggered_columns(rest, rows=2, offsets_mm={"little": -6.0}, thumbs=2),
}


def places(holes) -> np.ndarray:
    return np.array([entry.hole.centre_mm for entry in holes])


def of(holes, side, finger=None, row=None) -> np.ndarray:
    return places(
        [
            h
            for h in holes
            if h.side == side
            and (h.finger == finger if finger else h.finger != "thumb")
            and (row is None or h.row == row)
        ]
    )


@pytest.mark.parametrize("name", STARTERS)
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), angle=st.floats(-3.1, 3.1), x=st.floats(-300, 300), y=st.floats(-300, 300))
def test_starters_move_with_the_hands(name, seed, angle, x, y):
    rest = hand_like_rest(np.random.default_rng(seed))
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    before, after = STARTERS[name](rest), STARTERS[name](moved_rest(rest, turn, (x, y)))
    np.testing.assert_allclose(places(after), places(before) @ turn.T + (x, y), atol=1e-4)
    for one, two in zip(before, after, strict=True):
        assert (one.side, one.finger, one.row, one.index) == (two.side, two.finger, two.row, two.index)
        assert one.distance_mm == pytest.approx(two.distance_mm, abs=1e-4)


@pytest.mark.parametrize("name", STARTERS)
def test_mirrored_hands_have_mirrored_starters(name):
    rest = hand_like_rest(np.random.default_rng(5))
    flip = np.diag([-1.0, 1.0])
    before, after = STARTERS[name](rest), STARTERS[name](moved_rest(rest, flip, (420.0, 0.0), swap=True))
    other = {"left": "right", "right": "left"}
    wanted = {(other[h.side], h.finger, h.row, k): h for (k, h) in _numbered(before)}
    for k, hole in _numbered(after):
        twin = wanted[hole.side, hole.finger, hole.row, k]
        expected = flip @ twin.hole.centre_mm + (420.0, 0.0)
        np.testing.assert_allclose(hole.hole.centre_mm, expected, atol=1e-4)


def _numbered(holes):
    seen: dict[tuple[str, str, str], int] = {}
    for hole in holes:
        key = (hole.side, hole.finger, hole.row)
        seen[key] = seen.get(key, -1) + 1
        yield seen[key], hole


def test_straight_rows_are_straight_regular_and_centred():
    rest = hand_like_rest(np.random.default_rng(1))
    holes = straight_rows(rest, pitch_mm=31.0, row_mm=35.0, stagger_mm=9.0, thumbs=0)
    assert len(holes) == 16
    for side in SIDES:
        near, far = of(holes, side, row="near"), of(holes, side, row="far")
        contacts = np.array([t.contact_mm for t in rest.fingertips if t.side == side and t.finger != "thumb"])
        np.testing.assert_allclose(near.mean(axis=0), contacts.mean(axis=0), atol=1e-9)
        steps = np.diff(near, axis=0)
        np.testing.assert_allclose(steps, np.tile(steps[0], (3, 1)), atol=1e-9)
        assert np.hypot(*steps[0]) == pytest.approx(31.0)
        offset = far - near
        np.testing.assert_allclose(offset, np.tile(offset[0], (4, 1)), atol=1e-9)
        assert offset[0] @ steps[0] / 31.0 == pytest.approx(9.0)
        assert np.hypot(*offset[0]) == pytest.approx(math.hypot(9.0, 35.0))
        reach = np.mean([t.reach for t in rest.fingertips if t.side == side and t.finger != "thumb"], axis=0)
        assert offset[0] @ reach > 0
        # The row along the contacts is the line of least squares: no other direction lies nearer to them.
        residual = _off_line(contacts, steps[0])
        for turn in (-0.02, 0.02):
            c, s = math.cos(turn), math.sin(turn)
            assert _off_line(contacts, np.array([[c, -s], [s, c]]) @ steps[0]) > residual


def _off_line(points: np.ndarray, direction: np.ndarray) -> float:
    local = points - points.mean(axis=0)
    unit = direction / np.hypot(*direction)
    return float(((local[:, 0] * unit[1] - local[:, 1] * unit[0]) ** 2).sum())


def test_angle_of_a_row_turns_the_little_fingers_end_back_on_both_hands():
    # With reach straight up the sheet, the little finger's end comes sin(20°) of its distance towards the person.
    rest = Rest(tuple(tip(side, finger, PLACES[side, finger]) for side in SIDES for finger in FINGERS), (), ())
    holes = straight_rows(rest, angle_deg=20.0, rows=1, thumbs=0)
    for side in SIDES:
        index, little = of(holes, side, "index")[0], of(holes, side, "little")[0]
        assert little[1] - index[1] == pytest.approx(90.0 * math.sin(math.radians(20.0)))
        assert abs(little[0] - index[0]) == pytest.approx(90.0 * math.cos(math.radians(20.0)))


@pytest.mark.parametrize("seed", range(5))
def test_arcs_are_concentric_keep_the_pitch_and_lie_near_the_contacts(seed):
    rest = hand_like_rest(np.random.default_rng(seed))
    holes = fingertip_arcs(rest, pitch_mm=28.0, row_mm=32.0, thumbs=0)
    for side in SIDES:
        near, far = of(holes, side, row="near"), of(holes, side, row="far")
        # Each far hole stands on its near one's ray, so the rays meet in the centre.
        rays = far - near
        np.testing.assert_allclose(np.hypot(*rays.T), 32.0, atol=1e-9)
        rays /= 32.0
        system = np.column_stack([rays[:, 1], -rays[:, 0]])
        centre = np.linalg.lstsq(system, (near * system).sum(axis=1), rcond=None)[0]
        radii = np.hypot(*(near - centre).T)
        np.testing.assert_allclose(radii, radii[0], atol=1e-4)
        for row in (near, far):
            assert np.hypot(*np.diff(row, axis=0).T).min() >= 28.0 - 1e-6
        reach = np.mean([t.reach for t in rest.fingertips if t.side == side and t.finger != "thumb"], axis=0)
        assert (rays.mean(axis=0) @ reach) > 0


def test_an_arc_through_contacts_on_a_circle_keeps_them():
    # Invented: contacts on a circle of 90 mm, 25 degrees apart, so their chords are 2 · 90 · sin(12.5°) = 38.96 mm.
    centre = np.array([100.0, 200.0])
    tips = []
    for k, finger in enumerate(FINGERS[1:]):
        ray = np.array([math.cos(math.radians(-120 + 25 * k)), math.sin(math.radians(-120 + 25 * k))])
        tips.append(tip("right", finger, centre + 90 * ray, reach=ray))
    holes = fingertip_arcs(Rest(tuple(tips), (), ()), pitch_mm=38.9, rows=2, row_mm=40.0)
    near, far = of(holes, "right", row="near"), of(holes, "right", row="far")
    np.testing.assert_allclose(near, [t.contact_mm for t in tips], atol=1e-5)
    np.testing.assert_allclose(far, [centre + 130 / 90 * (t.contact_mm - centre) for t in tips], atol=1e-5)
    assert max(hole.distance_mm for hole in holes if hole.row == "near") < 1e-5
    # At a pitch of 40 mm they must part: by symmetry the middle of the row stays.
    parted = of(fingertip_arcs(Rest(tuple(tips), (), ()), pitch_mm=40.0, rows=1), "right")
    np.testing.assert_allclose(np.hypot(*np.diff(parted, axis=0).T), 40.0, atol=1e-5)


def test_contacts_in_a_line_give_straight_arcs():
    tips = [tip("left", finger, (200.0 - 30 * k, 100.0 + 3 * k)) for k, finger in enumerate(FINGERS[1:])]
    holes = fingertip_arcs(Rest(tuple(tips), (), ()), pitch_mm=30.0)
    near = of(holes, "left", row="near")
    np.testing.assert_allclose(near, [t.contact_mm for t in tips], atol=1e-6)


def test_columns_follow_each_fingers_reach():
    rest = hand_like_rest(np.random.default_rng(3))
    holes = staggered_columns(rest, pitch_mm=27.0, rows=3, offsets_mm={"ring": 4.0, "little": -5.0}, thumbs=2)
    for t in rest.fingertips:
        own = of(holes, t.side, t.finger)
        if t.finger == "thumb":
            assert len(own) == 2
            np.testing.assert_allclose(own[0], t.contact_mm)
            assert (own[1] - own[0]) @ t.reach == pytest.approx(0.0, abs=1e-9)
            assert np.hypot(*(own[1] - own[0])) == pytest.approx(30.0)
            continue
        start = {"ring": 4.0, "little": -5.0}.get(t.finger, 0.0)
        np.testing.assert_allclose(own, [t.contact_mm + t.reach * (start + 27.0 * k) for k in range(3)])


def test_one_hand_alone_and_a_missing_finger():
    rest = hand_like_rest(np.random.default_rng(3))
    few = replace(
        rest, fingertips=tuple(t for t in rest.fingertips if t.side == "left" and t.finger not in ("ring", "thumb"))
    )
    for starter in STARTERS.values():
        holes = starter(few)
        assert {hole.side for hole in holes} == {"left"}
        assert {hole.finger for hole in holes} == {"index", "middle", "little"}
    index, middle, little = (of(straight_rows(few, rows=1), "left", f)[0] for f in ("index", "middle", "little"))
    # The missing finger's column stays free.
    assert math.dist(middle, little) == pytest.approx(2 * math.dist(index, middle))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda r: straight_rows(r, hole_mm=2.0), "hole_mm is 2"),
        (lambda r: straight_rows(r, pitch_mm=20.0), r"pitch_mm is 20\.0.*overlap"),
        (lambda r: straight_rows(r, rows=0), "rows is 0"),
        (lambda r: straight_rows(r, row_mm=float("nan")), "row_mm is nan"),
        (lambda r: straight_rows(r, angle_deg=80.0), "angle_deg is 80"),
        (lambda r: straight_rows(r, stagger_mm=float("inf")), "stagger_mm is inf"),
        (lambda r: fingertip_arcs(r, thumbs=3), "thumbs is 3"),
        (lambda r: staggered_columns(r, offsets_mm={"thumb": 3.0}), "'thumb'"),
        (lambda r: staggered_columns(r, offsets_mm={"ring": 99.0}), "ring finger is 99"),
        (lambda r: straight_rows(Rest((), (), ())), "no fingertip"),
        (lambda r: straight_rows(replace(r, fingertips=r.fingertips[:2])), "fewer than two"),
    ],
)
def test_bad_parameters(call, words):
    with pytest.raises(InputError, match=words):
        call(hand_like_rest(np.random.default_rng(0)))


def test_too_narrow_an_arc():
    ring = [(0.0, -15.0), (15.0, 0.0), (0.0, 15.0)]
    tips = [tip("left", f, p, reach=-np.array(p) / 15) for f, p in zip(FINGERS[1:4], ring, strict=True)]
    with pytest.raises(InputError, match="too narrow"):
        fingertip_arcs(Rest(tuple(tips), (), ()), rows=1, pitch_mm=40.0)


def test_starters_are_deterministic_and_numbered():
    rest = hand_like_rest(np.random.default_rng(9))
    for starter in STARTERS.values():
        assert starter(rest) == starter(rest)
        assert [hole.index for hole in starter(rest)] == list(range(len(starter(rest))))
        assert len({(h.hole.centre_mm) for h in starter(rest)}) == len(starter(rest))
