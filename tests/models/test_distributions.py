"""Tails and quantiles beside those of scipy.stats; survival curves beside those of lifelines."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from outcomes.models import distributions

RNG = np.random.default_rng(20)
VALUES = RNG.normal(0.0, 3.0, 500)
SHARES = RNG.uniform(1e-6, 1.0 - 1e-6, 500)
FREEDOM = RNG.uniform(0.5, 400.0, 500)
OTHER = RNG.uniform(0.5, 300.0, 500)
# The normal distribution stands in where errors are of trials and not of sources.
SOME_INFINITE = np.where(RNG.random(500) < 0.1, np.inf, FREEDOM)

Both = tuple[Callable[..., Any], Callable[..., Any], tuple[np.ndarray, ...]]
PAIRS: dict[str, Both] = {
    "normal_tail": (distributions.normal_tail, stats.norm.sf, (VALUES,)),
    "normal_share": (distributions.normal_share, stats.norm.cdf, (VALUES,)),
    "normal_quantile": (distributions.normal_quantile, stats.norm.ppf, (SHARES,)),
    "student_tail": (distributions.student_tail, stats.t.sf, (VALUES, SOME_INFINITE)),
    "student_quantile": (distributions.student_quantile, stats.t.ppf, (SHARES, SOME_INFINITE)),
    "chi_square_tail": (distributions.chi_square_tail, stats.chi2.sf, (10.0 * VALUES, FREEDOM)),
    "chi_square_quantile": (distributions.chi_square_quantile, stats.chi2.ppf, (SHARES, FREEDOM)),
    "f_tail": (distributions.f_tail, stats.f.sf, (VALUES, FREEDOM, OTHER)),
    "beta_quantile": (distributions.beta_quantile, stats.beta.ppf, (SHARES, FREEDOM, OTHER)),
}


@pytest.mark.parametrize("name", PAIRS)
def test_a_distribution_is_scipys(name) -> None:
    ours, theirs, arguments = PAIRS[name]
    # Both call the same routines; a few units in the last place for a different order of steps.
    np.testing.assert_allclose(ours(*arguments), theirs(*arguments), rtol=1e-13)


@pytest.mark.parametrize("name", PAIRS)
def test_a_missing_number_stays_missing(name) -> None:
    ours, _, arguments = PAIRS[name]
    assert np.isnan(ours(np.nan, *(float(a[0]) for a in arguments[1:])))


@given(st.integers(1, 3000), st.data(), st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99]))
def test_proportion_limits_are_the_usual_ones(n, data, confidence) -> None:
    count = data.draw(st.integers(0, n))
    for ours, method in (
        (distributions.exact_interval, "beta"),
        (distributions.wilson_interval, "wilson"),
    ):
        theirs = proportion_confint(count, n, alpha=1.0 - confidence, method=method)
        limits = ours(count, n, confidence)
        np.testing.assert_allclose(limits, theirs, rtol=1e-9, atol=1e-12)
        assert 0.0 <= limits[0] <= count / n <= limits[1] <= 1.0
