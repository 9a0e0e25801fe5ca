"""The probability of landing within a disc, against scipy and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import ncx2

from handcapture.layout.landing import landing_probability


@given(st.floats(0, 15), st.floats(0.3, 8), st.floats(1, 20), st.floats(0, 6.3))
@settings(max_examples=60)
def test_even_spread_is_the_noncentral_chi_square(off: float, sd: float, radius: float, angle: float) -> None:
    """For equal deviations the squared distance is noncentral chi-square with two degrees of freedom."""
    expected = ncx2.cdf((radius / sd) ** 2, 2, (off / sd) ** 2)
    offset = off * np.array([np.cos(angle), np.sin(angle)])
    assert landing_probability(offset, np.eye(2) * sd**2, radius) == pytest.approx(expected, abs=2e-6)


@pytest.mark.parametrize("seed", range(4))
def test_uneven_spread_against_simulation(seed: int) -> None:
    rng = np.random.default_rng(seed)
    factor = rng.normal(0, 3, (2, 2))
    covariance, offset = factor @ factor.T + 0.1 * np.eye(2), rng.normal(0, 4, 2)
    draws = rng.multivariate_normal(offset, covariance, 200_000)
    share = (np.hypot(*draws.T) < 9.0).mean()
    assert landing_probability(offset, covariance, 9.0) == pytest.approx(share, abs=0.004)


def test_limits() -> None:
    nearly_certain = np.eye(2) * 1e-8
    assert landing_probability(np.zeros(2), nearly_certain, 5.0) == pytest.approx(1.0)
    assert landing_probability(np.array([9.0, 0.0]), nearly_certain, 5.0) == pytest.approx(0.0)
    assert landing_probability(np.zeros(2), np.eye(2), 0.0) == 0.0
    assert landing_probability(np.zeros(2), np.diag([1e-10, 4.0]), 2.0) == pytest.approx(0.6827, abs=1e-4)  # one sigma
