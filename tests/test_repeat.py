"""Repeatability, held against published figures and scipy."""

from __future__ import annotations

import numpy as np
import pytest
from helpers_rest import PLACES, contact, placement, posture, source
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from handcapture.errors import InputError
from handcapture.names import FINGERS
from handcapture.placement import Placement
from handcapture.repeat import (
    PRIOR_PLACEMENTS,
    Motion,
    agreement,
    align,
    common_spread,
    detectable_change,
    detectable_shift,
    hotelling,
    hotelling_two,
    in_hand_axes,
    intraclass_correlations,
    leverage,
    matrix_in_hand_axes,
    mean_shape,
    person_spread,
    placements_for,
    places_of,
    relative_to_others,
    repeatability,
    shrink,
    t2_limit,
    t2_probability,
    technical_error,
    through,
    variance_components,
    within_variance,
)

# Bland and Altman 1986, Lancet i:307-310, table of 17 subjects (peak flow, l/min). The rows are from memory; every
# figure of the paper comes out of them.
WRIGHT_1 = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0])
WRIGHT_2 = np.array([490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421.0])
MINI_1 = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0])
MINI_2 = np.array([525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443.0])

# Shrout and Fleiss 1979, Psychological Bulletin 86:420, table 2: six people, four judges.
JUDGES = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=np.float64
)

# Johnson and Wichern, Applied Multivariate Statistical Analysis: table 5.1 (sweat) and table 6.1 (effluent).
SWEAT = np.loadtxt(
    [
        "3.7 5.7 3.8 3.2 3.1 4.6 2.4 7.2 6.7 5.4 3.9 4.5 3.5 4.5 1.5 8.5 4.5 6.5 4.1 5.5",
        "48.5 65.1 47.2 53.2 55.5 36.1 24.8 33.1 47.4 54.1 36.9 58.8 27.8 40.2 13.5 56.4 71.6 52.8 44.1 40.9",
        "9.3 8.0 10.9 12.0 9.7 7.9 14.0 7.6 8.5 11.3 12.7 12.3 9.8 8.4 10.1 7.1 8.2 10.9 11.2 9.4",
    ]
).T
COMMERCIAL = np.array(
    [[6, 27], [6, 23], [18, 64], [8, 44], [11, 30], [34, 75], [28, 26], [71, 124], [43, 54], [33, 30], [20, 14.0]]
)
STATE = np.array(
    [[25, 15], [28, 13], [36, 22], [35, 29], [15, 31], [44, 64], [42, 30], [54, 64], [34, 56], [29, 20], [39, 21.0]]
)


def test_limits_of_agreement_of_bland_and_altman() -> None:
    found = agreement(WRIGHT_1, MINI_1)
    assert found.mean == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    # The paper takes 2 standard deviations, -79.7 to 75.5 from rounded figures; 1.96 of them:
    assert found.limits == pytest.approx((-78.0973, 73.8620), abs=2e-3)
    assert found.mean_interval == pytest.approx((-22.0488, 17.8135), abs=1e-3)
    assert found.limit_error == pytest.approx(16.284612, abs=1e-5)


@pytest.mark.parametrize(
    ("first", "second", "repeatability_2sd", "error"),
    [(WRIGHT_1, WRIGHT_2, 43.2, 15.306669), (MINI_1, MINI_2, 56.4, 19.910831)],
)
def test_technical_error_of_bland_and_altmans_repeats(
    first: np.ndarray, second: np.ndarray, repeatability_2sd: float, error: float
) -> None:
    """Their coefficient of repeatability is twice the root mean square difference: 2 sqrt(2) times Dahlberg's error."""
    assert technical_error(first, second) == pytest.approx(error, abs=1e-6)
    assert 2 * np.sqrt(2) * technical_error(first, second) == pytest.approx(repeatability_2sd, abs=0.15)


def test_technical_error_of_hand_spans() -> None:
    """MASS survey (Venables and Ripley), spans of both hands of 236 students, cm: 0.444791 cm.

    A row of differences with their published mean and standard deviation has their error, whatever its order.
    """
    rng = np.random.default_rng(1)
    noise = rng.normal(size=236)
    differences = 0.08644067796610169 + 0.6243860309254664 * (noise - noise.mean()) / noise.std(ddof=1)
    assert technical_error(differences, np.zeros(236)) == pytest.approx(0.444791, abs=1e-6)


def test_minimal_detectable_change() -> None:
    """2.771808 is 1.95996 · sqrt(2), the common MDC95 of one repeat each; the other two figures go by 1.96."""
    assert detectable_change(1.0) == pytest.approx(2.771808, abs=1e-6)
    assert detectable_change(15.306669) == pytest.approx(42.427922, abs=2e-3)
    assert detectable_change(19.910831) == pytest.approx(55.190007, abs=2e-3)
    # Small samples: t of 4 degrees of freedom is 2.776 in every table.
    assert detectable_change(1.0, freedom=4) == pytest.approx(2.776 * np.sqrt(2), abs=1e-3)
    assert detectable_change(2.0, 4, 5, 5) == pytest.approx(2.776 * 2.0 * np.sqrt(2 / 5), abs=1e-3)


def test_intraclass_correlations_of_shrout_and_fleiss() -> None:
    """The paper's .17, .29, .71, .44, .62, .91; the intervals are pingouin 0.7.0's for the same table."""
    found = intraclass_correlations(JUDGES)
    values = (found.one, found.two, found.three, found.one_mean, found.two_mean, found.three_mean)
    assert values == pytest.approx((0.17, 0.29, 0.71, 0.44, 0.62, 0.91), abs=0.005)
    assert values == pytest.approx((0.165742, 0.289764, 0.714841, 0.442797, 0.620051, 0.909316), abs=1e-6)
    expected = [(-0.13, 0.72), (0.02, 0.76), (0.34, 0.95), (-0.88, 0.91), (0.07, 0.93), (0.68, 0.99)]
    for interval, given_interval in zip(found.intervals, expected, strict=True):
        assert interval == pytest.approx(given_interval, abs=0.006)


def test_variance_components_against_scipys_analysis_of_variance() -> None:
    between, within = variance_components(list(JUDGES))
    ratio = stats.f_oneway(*JUDGES).statistic
    assert within == pytest.approx(6.263889, abs=1e-6)  # WMS of Shrout and Fleiss
    assert between == pytest.approx(within * (ratio - 1) / 4)
    assert within_variance(list(JUDGES)) == (pytest.approx(6.263889, abs=1e-6), 18)
    # Equal sizes: ICC(1,1) is the share of the variance that lies between.
    assert between / (between + within) == pytest.approx(intraclass_correlations(JUDGES).one)
    assert variance_components([np.array([1.0, 9.0]), np.array([2.0, 8.0])])[0] == 0.0


def test_sweat_of_johnson_and_wichern() -> None:
    found = hotelling(SWEAT, np.array([4.0, 50.0, 10.0]))
    assert found.t2 == pytest.approx(9.74, abs=0.005)
    assert found.probability == pytest.approx(0.064928, abs=1e-6)
    assert t2_limit(0.10, 3, 19) == pytest.approx(8.172573, abs=1e-5)  # the book: 8.18 from a rounded F


def test_paired_effluent_of_johnson_and_wichern() -> None:
    """Pairs are tested by their differences; the unpaired test gives another figure (12.6648)."""
    found = hotelling(COMMERCIAL - STATE)
    assert found.difference == pytest.approx((-9.36, 13.27), abs=0.005)
    assert found.t2 == pytest.approx(13.6, abs=0.05)
    assert found.probability == pytest.approx(0.020828, abs=1e-6)
    assert t2_limit(0.05, 2, 10) == pytest.approx(9.47, abs=0.02)
    assert hotelling_two(STATE, COMMERCIAL).t2 == pytest.approx(12.6648, abs=1e-4)


def test_one_quantity_is_students_test() -> None:
    rng = np.random.default_rng(2)
    before, after = rng.normal(size=(7, 1)), rng.normal(0.8, 1.0, size=(5, 1))
    by_scipy = stats.ttest_ind(after[:, 0], before[:, 0])
    found = hotelling_two(before, after)
    assert found.t2 == pytest.approx(by_scipy.statistic**2)
    assert found.probability == pytest.approx(by_scipy.pvalue)


@given(st.floats(0.001, 0.3), st.floats(1.5, 400.0))
def test_limit_and_probability_are_inverse_and_the_closed_form_is_fs(level: float, freedom: float) -> None:
    limit = t2_limit(level, 2, freedom)
    assert t2_probability(limit, 2, freedom) == pytest.approx(level, rel=1e-6)
    assert limit == pytest.approx(2 * freedom / (freedom - 1) * stats.f.isf(level, 2, freedom - 1), rel=1e-6)


def test_limits_at_the_ends_of_freedom() -> None:
    assert t2_limit(0.05, 2, np.inf) == pytest.approx(5.991, abs=1e-3)  # chi-square tables
    assert t2_limit(0.05, 2, 1) == np.inf
    assert t2_probability(1e9, 2, 1) == 1.0


def test_umeyamas_example_turns_and_does_not_reflect() -> None:
    """Umeyama 1991, PAMI 13(4):376: a mirrored triangle. Its rotation is the same with and without scale."""
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 2.0]])
    mirrored = np.array([[0.0, 0.0], [-1.0, 0.0], [0.0, 2.0]])
    motion = align(corners, mirrored)
    np.testing.assert_allclose(motion.matrix, [[0.832050, 0.554700], [-0.554700, 0.832050]], atol=1e-6)
    assert np.linalg.det(motion.matrix) == pytest.approx(1.0)
    assert np.sum((motion(corners) - mirrored) ** 2) > 1.0  # a reflection would leave nothing


@given(st.floats(-170, 170), st.floats(-80, 80), st.floats(-80, 80))
def test_a_rigid_motion_is_found_again(turn: float, x: float, y: float) -> None:
    points = np.array([PLACES["right", finger] for finger in FINGERS]) - [300.0, 140.0]
    motion = Motion(turn, (x, y))
    found = align(points, motion(points), np.array([1.0, 2.0, 0.5, 1.0, 3.0]))
    assert found.turn_deg == pytest.approx(turn, abs=1e-6)
    assert found.shift_mm == pytest.approx((x, y), abs=1e-6)


def test_a_moved_finger_is_seen_whole_and_alone() -> None:
    """The finger that moved by 6 mm is seen to move by 6 mm; taken out, it does not smear over the others."""
    shape = np.array([PLACES["right", finger] for finger in FINGERS])
    hand = shape.copy()
    hand[3] += [6.0, 0.0]
    moved = Motion(11.0, (30.0, -12.0))(hand)[None]
    seen = relative_to_others(moved, shape, np.ones(5))[0]
    np.testing.assert_allclose(seen[3] - shape[3], [6.0, 0.0], atol=1e-9)
    assert np.abs(seen - shape)[[0, 1, 2, 4]].max() > 0.5
    without = relative_to_others(moved, shape, np.array([1.0, 1.0, 1.0, 0.0, 1.0]))[0]
    np.testing.assert_allclose(without[[0, 1, 2, 4]], shape[[0, 1, 2, 4]], atol=1e-9)


@given(st.integers(0, 4), st.integers(0, 10_000))
def test_leverage_is_the_derivative(finger: int, number: int) -> None:
    rng = np.random.default_rng(number)
    shape = np.array([PLACES["right", f] for f in FINGERS])
    step = rng.normal(size=(5, 2)) * 1e-4
    seen = relative_to_others((shape + step)[None], shape, np.ones(5))[0, finger] - shape[finger]
    np.testing.assert_allclose(leverage(shape, np.ones(5), finger) @ step.ravel(), seen, atol=1e-7)


def test_scatter_seen_relative_to_others_is_what_leverage_lets_expect() -> None:
    """Simulation of fingers that wander by themselves: the covariance seen is the one computed."""
    rng = np.random.default_rng(5)
    shape = np.array([PLACES["right", f] for f in FINGERS])
    covariance = np.array([[1.4, 0.3], [0.3, 0.6]])
    hands = shape + rng.multivariate_normal((0, 0), covariance, size=(4000, 5))
    for finger in range(5):
        seen = np.cov(relative_to_others(hands, shape, np.ones(5))[:, finger], rowvar=False)
        expected = through(leverage(shape, np.ones(5), finger), np.tile(covariance, (5, 1, 1)))
        np.testing.assert_allclose(seen, expected, atol=0.12 * np.trace(expected))


def test_common_spread_finds_what_was_put_in() -> None:
    rng = np.random.default_rng(6)
    shape = np.array([PLACES["right", f] for f in FINGERS])
    hands = shape + rng.normal(size=(3000, 5, 2)) * [1.2, 0.7] + rng.normal(size=(3000, 1, 2)) * 4.0
    common = common_spread([(shape, [hands[:1500], np.add(hands[1500:], [20.0, 5.0])])])
    assert np.trace(common.covariance_mm2) == pytest.approx(1.2**2 + 0.7**2, rel=0.05)
    assert common.freedom == pytest.approx(2998 * 3.5)
    nothing = common_spread([(shape, [hands[:1], hands[1:2]])])
    assert nothing.assumed
    np.testing.assert_allclose(nothing.covariance_mm2, 9.0 * np.eye(2))


def test_mean_shape_bears_missing_fingers() -> None:
    rng = np.random.default_rng(7)
    shape = np.array([PLACES["right", f] for f in FINGERS])
    hands = np.array([Motion(rng.normal(0, 5), tuple(rng.normal(0, 9, 2)))(shape) for _ in range(6)])
    hands[2, 1] = np.nan
    found = mean_shape(hands, np.ones(5))
    distances = np.linalg.norm(found[:, None] - found[None], axis=-1)
    np.testing.assert_allclose(distances, np.linalg.norm(shape[:, None] - shape[None], axis=-1), atol=1e-4)


def test_person_and_measurement_are_told_apart() -> None:
    rng = np.random.default_rng(8)
    own = np.diag([1.0, 4.0])
    places = rng.multivariate_normal((0, 0), np.diag([9.0, 4.0]) + own, size=4000)
    person, total, freedom = person_spread(places, np.tile(own, (4000, 1, 1)))
    np.testing.assert_allclose(person, np.diag([9.0, 4.0]), atol=0.5)
    np.testing.assert_allclose(total - person, own, atol=1e-9)
    assert freedom == 3999
    steady, _, _ = person_spread(places * 0.1, np.tile(own, (4000, 1, 1)))
    assert np.linalg.eigvalsh(steady)[0] >= -1e-12


def test_shrinking_goes_from_common_to_own() -> None:
    own, common = np.diag([4.0, 1.0]), np.eye(2)
    none, freedom = shrink(own, 0.0, common, 20.0)
    np.testing.assert_allclose(none, common)
    assert freedom == pytest.approx(20.0)
    half, _ = shrink(own, PRIOR_PLACEMENTS, common, 20.0)
    np.testing.assert_allclose(half, np.diag([2.5, 1.0]))
    much, freedom = shrink(own, 1e6, common, 1e6)
    np.testing.assert_allclose(much, own, atol=1e-4)
    assert freedom == pytest.approx(1e6, rel=1e-3)


def test_plans() -> None:
    """Hand-computed: 1 mm sd, T² of 2(n - 1) degrees of freedom; detectable where sqrt(T² · 2/n) reaches it."""
    for count in (3, 6):
        freedom = 2 * count - 2
        t2 = 2 * freedom / (freedom - 1) * stats.f.isf(0.05, 2, freedom - 1)
        reach = float(np.sqrt(t2 * 2 / count))
        assert detectable_shift(np.eye(2), freedom, count, count) == pytest.approx(reach)
        assert placements_for(np.eye(2), reach + 1e-6) == count
        assert placements_for(np.eye(2), reach - 1e-6) == count + 1
    assert placements_for(np.eye(2) * 400, 0.5) is None
    wanted = [placements_for(np.eye(2), mm) for mm in (6.0, 3.0, 2.0, 1.0)]
    assert wanted == sorted(wanted)  # type: ignore[type-var]
    # A common spread known from both hands saves placements.
    assert (placements_for(np.eye(2), 2.5, common_per_placement=7.0) or 99) < (placements_for(np.eye(2), 2.5) or 0)
    with pytest.raises(InputError, match="resolution of 0 mm"):
        placements_for(np.eye(2), 0.0)


def _session(count: int, seed: int = 3) -> list[Placement]:
    rng = np.random.default_rng(seed)
    placements = []
    for number in range(count):
        hand = rng.normal(0, 3, 2)
        found = tuple(contact(*key, np.add(place, hand) + rng.normal(0, 1, 2)) for key, place in PLACES.items())
        placements.append(Placement(found, (posture("left"), posture("right")), (source(number),)))
    return placements


def test_repeatability_of_placements() -> None:
    found = repeatability(_session(200))
    assert [(f.side, f.finger) for f in found.fingers] == list(PLACES)
    for finger in found.fingers:
        # The whole hand's 3 mm and the finger's own 1 mm, per axis; contacts state 0.5 and 1 mm² of error.
        assert np.trace(finger.place_mm2) == pytest.approx(20.0, rel=0.25)
        assert np.trace(finger.place_mm2 - finger.person_mm2) == pytest.approx(1.5, rel=1e-6)
        assert np.trace(finger.relative_mm2) < np.trace(finger.place_mm2) / 2
    assert 1.0 < found.technical_error_mm < 2.0
    assert np.trace(found.common.covariance_mm2) == pytest.approx(2.0, rel=0.1)
    plan = found.plan(4.0)
    assert plan["right", "thumb"] is not None
    assert (plan["right", "thumb"] or 0) >= (plan["right", "middle"] or 0)


def test_few_placements_tell_less() -> None:
    few, more = repeatability(_session(3)), repeatability(_session(12))
    assert min(f.detectable_mm(3, 3) for f in few.fingers) > 0
    assert np.mean([f.freedom for f in few.fingers]) < np.mean([f.freedom for f in more.fingers])
    with pytest.raises(InputError, match="laid down twice or more"):
        repeatability([placement()])


def test_hidden_contacts_are_left_out_and_axes_mirror() -> None:
    first = placement(1)
    hidden = contact("left", "thumb", (0.0, 0.0), hidden=True)
    places = places_of([Placement((hidden, *first.contacts[1:]), first.hands, first.sources)], "left")
    assert np.isnan(places[0, 0]).all()
    assert np.isfinite(places[0, 1:]).all()
    # Towards the little finger is +x on both hands.
    for side in ("left", "right"):
        hand = in_hand_axes(np.array([PLACES[side, f] for f in FINGERS]), side)
        assert hand[4, 0] > hand[0, 0]
    np.testing.assert_allclose(
        matrix_in_hand_axes(np.array([[1.0, 0.5], [0.5, 2.0]]), "left"), [[1.0, -0.5], [-0.5, 2.0]]
    )


def test_refusals() -> None:
    with pytest.raises(ValueError, match="equally long"):
        technical_error(np.zeros((2, 2)), np.zeros((2, 2)))
    with pytest.raises(ValueError, match="No group"):
        within_variance([np.array([1.0])])
    with pytest.raises(ValueError, match="full table"):
        intraclass_correlations(np.array([[1.0, np.nan], [2.0, 3.0]]))
    with pytest.raises(ValueError, match="too few"):
        hotelling(np.zeros((2, 2)))
    with pytest.raises(ValueError, match="too few"):
        hotelling_two(np.zeros((1, 2)), np.zeros((2, 2)))
    with pytest.raises(ValueError, match="Two pairs"):
        agreement(np.zeros(1), np.zeros(1))
    with pytest.raises(ValueError, match="Two placements"):
        person_spread(np.zeros((1, 2)))
