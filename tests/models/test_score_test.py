"""Score tests of many columns, beside statsmodels and beside the likelihood ratio."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit
from scipy.stats import chi2

from outcomes.models.laplace import Grouping
from outcomes.models.mixed_model import fit_mixed_model
from outcomes.models.score_test import efficient_scores


def records(seed, slope=0.0, spread=0.7, n=400, levels=20):
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(levels), n // levels)
    x = np.column_stack([np.ones(n), rng.normal(size=n)])
    extra = rng.normal(size=(n, 3))
    eta = 0.8 + 0.5 * x[:, 1] + slope * extra[:, 0] + rng.normal(0, spread, levels)[group]
    y = (rng.random(n) < expit(eta)).astype(float)
    return y, x, [Grouping("herd", group, levels)], extra


def test_without_groups_it_is_raos_score_test():
    # statsmodels' GLM has Rao's score test of columns that a model does without.
    y, x, _, extra = records(1, slope=0.3, spread=0.0)
    fit = sm.GLM(y, x, family=sm.families.Binomial()).fit(tol=1e-12)
    statistic = fit.model.score_test(fit.params, exog_extra=extra)[0]
    model = fit_mixed_model(y, x, [])
    found = efficient_scores(model, y, x, [], extra)
    assert found.statistic([0, 1, 2])[0] == pytest.approx(float(np.squeeze(statistic)), rel=1e-6)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_near_none_it_is_the_likelihood_ratio(seed):
    # The two agree to first order where the effect is small (Cox and Hinkley 1974, 9.3).
    y, x, groupings, extra = records(seed)
    without = fit_mixed_model(y, x, groupings)
    scored = efficient_scores(without, y, x, groupings, extra).statistic([0])[0]
    beside = fit_mixed_model(y, np.hstack([x, extra[:, :1]]), groupings)
    ratio = 2.0 * (beside.log_likelihood - without.log_likelihood)
    assert scored == pytest.approx(ratio, abs=0.1 + 0.1 * ratio)


def test_idle_columns_count_for_nothing():
    y, x, groupings, extra = records(3)
    model = fit_mixed_model(y, x, groupings)
    twice = np.column_stack([extra[:, 0], 2.0 * extra[:, 0]])
    found = efficient_scores(model, y, x, groupings, twice)
    one, both = found.statistic([0]), found.statistic([0, 1])
    assert both[1] == one[1] == 1
    assert both[0] == pytest.approx(one[0], rel=1e-6)


def test_an_effect_is_seen():
    y, x, groupings, extra = records(4, slope=0.8)
    model = fit_mixed_model(y, x, groupings)
    statistic, df = efficient_scores(model, y, x, groupings, extra).statistic([0, 1, 2])
    assert chi2.sf(statistic, df) < 1e-4
