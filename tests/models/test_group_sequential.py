"""Bounds of repeated looks, held to published tables."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from outcomes.models.group_sequential import (
    crossing_probabilities,
    obrien_fleming_spending,
    spending_bounds,
)


def _equal(looks):
    return np.arange(1, looks + 1) / looks


def _constant_of(shape, looks):
    """The constant whose bounds, of a shape, err in 5 of 100."""
    return optimize.brentq(
        lambda c: crossing_probabilities(_equal(looks), c * shape(_equal(looks))).sum() - 0.05,
        1.5,
        4.0,
    )


# Pocock 1977, Biometrika 64:191; Jennison and Turnbull 2000, table 2.1.
@pytest.mark.parametrize(("looks", "bound"), [(2, 2.178), (3, 2.289), (4, 2.361), (5, 2.413)])
def test_constant_bounds_are_pococks(looks, bound):
    assert _constant_of(np.ones_like, looks) == pytest.approx(bound, abs=1e-3)


# O'Brien and Fleming 1979, Biometrics 35:549; Jennison and Turnbull 2000, table 2.3.
@pytest.mark.parametrize(("looks", "bound"), [(2, 1.977), (3, 2.004)])
def test_classical_last_bound_is_obrien_flemings(looks, bound):
    assert _constant_of(lambda t: t**-0.5, looks) == pytest.approx(bound, abs=1e-3)


# Lan and DeMets 1983, Biometrika 70:659, O'Brien-Fleming type, half of 5 % on each side; the
# values stand in Jennison and Turnbull 2000, chapter 7 (from memory, and recomputed).
@pytest.mark.parametrize(("looks", "bounds"), [(2, (2.963, 1.969)), (3, (3.710, 2.511, 1.993))])
def test_spent_bounds_are_lan_and_demets(looks, bounds):
    assert spending_bounds(_equal(looks), 0.05) == pytest.approx(bounds, abs=1e-3)


# Armitage, McPherson and Rowe 1969, JRSS A 132:235, table 2.
@pytest.mark.parametrize(
    ("looks", "errs"), [(2, 0.083), (3, 0.107), (5, 0.142), (10, 0.193), (20, 0.248)]
)
def test_uncorrected_looks_err_as_armitage_found(looks, errs):
    limit = stats.norm.isf(0.025)
    found = crossing_probabilities(_equal(looks), [limit] * looks).sum()
    assert found == pytest.approx(errs, abs=1e-3)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(0.02, 1.0), min_size=1, max_size=5, unique=True).filter(
        lambda shares: min(np.diff(sorted(shares)), default=1.0) > 0.01
    )
)
def test_all_that_may_be_spent_is_spent(shares):
    information = np.array(sorted(shares))
    bounds = spending_bounds(information, 0.05)
    spent = obrien_fleming_spending(information[-1], 0.05)
    # A look at which next to nothing may be spent has a bound of 8 standard deviations.
    assert crossing_probabilities(information, bounds).sum() == pytest.approx(spent, abs=1e-8)


def test_one_look_is_the_ordinary_test():
    assert spending_bounds([1.0], 0.05)[0] == pytest.approx(stats.norm.isf(0.025), abs=1e-8)
