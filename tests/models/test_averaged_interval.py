"""Limits over several models at once."""

import numpy as np
import pytest
from scipy.stats import t

from outcomes.models.averaged_interval import averaged_limits


def test_limits_leave_the_stated_tails():
    # Turek and Fletcher 2012, equation 2: the averaged tail areas are what is left.
    means, errors = np.array([[0.0], [1.0], [0.4]]), np.array([[0.5], [0.2], [1.0]])
    weights = np.array([0.5, 0.3, 0.2])
    low, high = averaged_limits(means, errors, weights, 22, 0.9)
    below = t.cdf((low[0] - means[:, 0]) / errors[:, 0], 22) @ weights
    above = t.sf((high[0] - means[:, 0]) / errors[:, 0], 22) @ weights
    assert (below, above) == pytest.approx((0.05, 0.05), abs=1e-9)


def test_agreeing_models_have_their_interval():
    low, high = averaged_limits(np.full((3, 2), 0.3), np.ones((3, 2)), np.full(3, 1 / 3), 12, 0.95)
    assert low == pytest.approx(0.3 - t.ppf(0.975, 12))
    assert high == pytest.approx(0.3 + t.ppf(0.975, 12))
