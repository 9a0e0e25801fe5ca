"""Pooling of placements."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers_rest import PLACES, contact, placement, posture, source
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from handcapture.errors import InputError
from handcapture.placement import Palm, Placement
from handcapture.rest import ASSUMED_SPREAD_SD_MM, pool

shifts = st.lists(
    st.tuples(st.floats(-8, 8, allow_nan=False), st.floats(-8, 8, allow_nan=False)), min_size=1, max_size=7
)


def test_one_placement_is_taken_as_it_is() -> None:
    rest = pool([placement()])
    assert [(tip.side, tip.finger) for tip in rest.fingertips] == list(PLACES)
    for tip in rest.fingertips:
        np.testing.assert_allclose(tip.contact_mm, PLACES[tip.side, tip.finger])
        np.testing.assert_allclose(tip.covariance_mm2, np.diag([0.5, 1.0]))
        np.testing.assert_allclose(tip.spread_mm2, np.eye(2) * ASSUMED_SPREAD_SD_MM**2)
        assert tip.spread_is_assumed
    assert rest.placement_count == 1


def test_equal_covariances_give_the_plain_mean() -> None:
    """numpy's mean is the reference."""
    moves = np.array([[0.0, 0.0], [3.0, -1.0], [-2.0, 4.0], [1.0, 1.0]])
    rest = pool([placement(k, shift) for k, shift in enumerate(moves)])
    for tip in rest.fingertips:
        np.testing.assert_allclose(tip.contact_mm, np.add(PLACES[tip.side, tip.finger], moves.mean(axis=0)))
        assert tip.placements == 4
        assert not tip.spread_is_assumed


@given(shifts, st.tuples(st.floats(-50, 50), st.floats(-50, 50)))
def test_a_moved_mat_moves_the_rest_and_nothing_else(moves: list[tuple[float, float]], by: tuple[float, float]) -> None:
    here = pool([placement(k, shift) for k, shift in enumerate(moves)])
    there = pool([placement(k, np.add(shift, by)) for k, shift in enumerate(moves)])
    for a, b in zip(here.fingertips, there.fingertips, strict=True):
        np.testing.assert_allclose(b.contact_mm - a.contact_mm, by, atol=1e-9)
        np.testing.assert_allclose(b.covariance_mm2, a.covariance_mm2, atol=1e-9)
        np.testing.assert_allclose(b.spread_mm2, a.spread_mm2, atol=1e-9)


@given(shifts)
def test_order_does_not_matter_and_matrices_are_covariances(moves: list[tuple[float, float]]) -> None:
    placements = [placement(k, shift) for k, shift in enumerate(moves)]
    forward, backward = pool(placements), pool(placements[::-1])
    for a, b in zip(forward.fingertips, backward.fingertips, strict=True):
        np.testing.assert_allclose(a.contact_mm, b.contact_mm, atol=1e-9)
        for matrix in (a.covariance_mm2, a.spread_mm2):
            np.testing.assert_allclose(matrix, matrix.T)
            assert np.linalg.eigvalsh(matrix)[0] > 0


@pytest.mark.parametrize("count", [3, 6, 12])
def test_stated_regions_hold_the_true_mean(count: int) -> None:
    """Simulation: a person whose fingers wander by 3 mm, measured with known error, 300 sessions of one hand."""
    rng = np.random.default_rng(count)
    measured = np.array([[0.6, 0.2], [0.2, 1.5]])
    true_spread = np.array([[9.0, 2.0], [2.0, 7.0]])
    inside, total = 0, 0
    for session in range(300):
        placements = []
        for number in range(count):
            found = []
            for key, place in PLACES.items():
                if key[0] == "left":
                    at = rng.multivariate_normal(place, true_spread + measured)
                    found.append(contact(*key, at, measured))
            placements.append(Placement(tuple(found), (posture(),), (source(session * 100 + number),)))
        for tip in pool(placements).fingertips:
            off = tip.contact_mm - PLACES[tip.side, tip.finger]
            inside += float(off @ np.linalg.solve(tip.covariance_mm2, off)) < chi2.ppf(0.95, 2)
            total += 1
    assert 0.93 < inside / total < 0.995


def test_spread_is_told_apart_from_measurement_error() -> None:
    """Twenty placements of a hand that does not move: all scatter is the measurement's."""
    rng = np.random.default_rng(3)
    error = np.diag([4.0, 4.0])
    placements = []
    for number in range(20):
        found = tuple(contact(*key, rng.multivariate_normal(place, error), error) for key, place in PLACES.items())
        placements.append(Placement(found, (posture("left"), posture("right")), (source(number),)))
    spreads = [np.trace(tip.spread_mm2) / 2 for tip in pool(placements).fingertips]
    assert np.mean(spreads) < 0.5 * ASSUMED_SPREAD_SD_MM**2


def test_hidden_contacts_count_only_where_a_finger_was_never_seen() -> None:
    first, second = placement(1), placement(2, (2.0, 0.0))
    hidden = replace(first.contacts[1], hidden=True, contact_mm=np.array([0.0, 0.0]))
    first = replace(first, contacts=(first.contacts[0], hidden, *first.contacts[2:]))
    tip = pool([first, second]).fingertips[1]
    np.testing.assert_allclose(tip.contact_mm, np.add(PLACES["left", "index"], (2.0, 0.0)))
    assert not tip.hidden
    assert pool([first]).fingertips[1].hidden


def test_left_and_right_photos_make_one_rest() -> None:
    whole = placement()
    left = Placement(whole.contacts[:5], (posture("left"),), (source(1),))
    right = Placement(whole.contacts[5:], (posture("right"),), (source(2),))
    rest = pool([left, right])
    assert len(rest.fingertips) == 10
    assert [hand.side for hand in rest.hands] == ["left", "right"]
    assert rest.placement_count == 1


def test_an_unusual_placement_is_named_but_counted() -> None:
    rng = np.random.default_rng(8)
    placements = [placement(k, rng.normal(0, 0.5, 2)) for k in range(9)]
    slipped = replace(placements[4].contacts[4], contact_mm=np.array([52.0, 175.0]))
    placements[4] = replace(placements[4], contacts=(*placements[4].contacts[:4], slipped, *placements[4].contacts[5:]))
    rest = pool(placements)
    assert [note for note in rest.notes if "Placement 5: the left little" in note]
    assert rest.fingertips[4].placements == 9


def test_a_seen_forearm_goes_before_a_guessed_one() -> None:
    first = replace(placement(1), hands=(posture("left", 14.0), posture("right", 2.0)))
    second = replace(placement(2), hands=(posture("left", 5.0, seen=False), posture("right", 4.0)))
    left, right = pool([first, second]).hands
    assert left.wrist_deviation_deg == pytest.approx(14.0)
    assert left.forearm_seen
    assert right.wrist_deviation_deg == pytest.approx(3.0)


def test_refusals() -> None:
    with pytest.raises(InputError, match=r"different mats \(a3, a4-pair\)"):
        pool([placement(1), placement(2, mat="a4-pair")])
    with pytest.raises(InputError, match=r"same photo as photo_1\.jpg"):
        pool([placement(1), placement(1)])
    with pytest.raises(ValueError, match="No placements"):
        pool([])
    with pytest.raises(InputError, match="101 placements are more than a rest holds"):
        pool([placement(number) for number in range(101)])


def test_the_same_hands_photographed_twice_are_told() -> None:
    rng = np.random.default_rng(4)
    again = [placement(k, rng.normal(0, 0.1, 2)) for k in (1, 2)]
    assert any("were the hands lifted" in note for note in pool(again).notes)
    anew = [placement(k, rng.normal(0, 3.0, 2) + 5.0 * k) for k in (1, 2)]
    assert not any("were the hands lifted" in note for note in pool(anew).notes)


@pytest.mark.parametrize("count", [3, 10])
def test_errors_that_photos_share_are_not_averaged_away(count: int) -> None:
    """Simulation: most of the measurement's error is the same in all photos of a hand, which hardly wanders."""
    rng = np.random.default_rng(count)
    own, common = np.diag([0.3, 0.5]), np.array([[0.5, 0.1], [0.1, 0.9]])
    spread = np.eye(2)
    inside, naive, total = 0, 0, 0
    for session in range(150):
        bias = {key: rng.multivariate_normal((0, 0), common) for key in PLACES}
        placements = []
        for number in range(count):
            found = []
            for key, place in PLACES.items():
                if key[0] == "left":
                    at = rng.multivariate_normal(np.add(place, bias[key]), spread + own)
                    found.append(replace(contact(*key, at, own + common), shared_mm2=common))
            placements.append(Placement(tuple(found), (posture(),), (source(session * 100 + number),)))
        for tip in pool(placements).fingertips:
            off = tip.contact_mm - PLACES[tip.side, tip.finger]
            inside += float(off @ np.linalg.solve(tip.covariance_mm2, off)) < chi2.ppf(0.95, 2)
            naive += float(off @ np.linalg.solve(tip.covariance_mm2 - common, off)) < chi2.ppf(0.95, 2)
            total += 1
    assert inside / total > 0.93
    assert naive < inside


def with_palm(number: int, at: tuple[float, float], forearm: bool = True) -> Placement:
    """Return a placement of the left hand whose invented palm has its heel there."""
    heel = np.array(at)
    palm = Palm(
        outline_mm=np.array([[-40.0, -90.0], [40.0, -90.0], [30.0, 50.0 + number], [-30.0, 50.0]]) + heel,
        height_mm=30.0,
        heel_mm=heel,
        heel_sd_mm=3.5,
        wrist_line_mm=np.array([[-30.0, 0.0], [30.0, 0.0]]) + heel,
        forearm=np.array([0.0, 1.0]) if forearm else None,
    )
    whole = placement(number)
    return replace(whole, contacts=whole.contacts[:5], hands=(replace(posture("left"), palm=palm),))


def test_the_palm_is_the_nearest_placements_laid_on_the_mean_heel() -> None:
    places = [(100.0, 280.0), (104.0, 283.0), (111.0, 292.0)]
    palm = pool([with_palm(k, at) for k, at in enumerate(places)]).hands[0].palm
    assert palm is not None
    mean = np.mean(places, axis=0)
    np.testing.assert_allclose(palm.heel_mm, mean)
    np.testing.assert_allclose(palm.wrist_line_mm.mean(axis=0), mean)
    np.testing.assert_allclose(palm.outline_mm[2] - mean, [30.0, 51.0])  # the second placement's own shape
    assert palm.heel_sd_mm == 3.5


def test_palms_with_a_forearm_come_first() -> None:
    seen, unseen = with_palm(1, (100.0, 280.0)), with_palm(2, (120.0, 280.0), forearm=False)
    palm = pool([unseen, seen]).hands[0].palm
    assert palm is not None
    np.testing.assert_allclose(palm.heel_mm, (100.0, 280.0))
    assert palm.forearm is not None
    assert pool([placement(1)]).hands[0].palm is None
