"""The test of pairs' parts: exact lot, limits by inversion, what signs and names may not move."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import stats
from scipy.special import expit

from outcomes.errors import FitError
from outcomes.models.assigned_by_lot import (
    PairedTrials,
    estimate_by_lot,
    exact_p_of_parts,
    pair_parts,
    t_of_parts,
)


def _trials(seed=1, pairs=8, each=20, effect=0.0):
    rng = np.random.default_rng(seed)
    pair = np.repeat(np.arange(pairs), each)
    side = np.tile(np.arange(2), pairs * each // 2)
    first = rng.integers(0, 2, pairs)
    arm = np.where(side == first[pair], 0.5, -0.5)
    day = np.tile(np.arange(each) // 2, pairs)
    eta = 1.5 + 0.4 * rng.normal(size=pairs)[pair] + effect * arm
    return PairedTrials(
        found=(rng.random(len(eta)) < expit(eta)).astype(float),
        contrast=arm,
        fixed=np.column_stack([np.ones(len(eta)), day / 10]),
        dog=rng.integers(0, 6, len(eta)),
        pair=pair,
        side=2 * pair + side,
    )


parts_of_pairs = hnp.arrays(
    float, st.integers(3, 9), elements=st.floats(-5, 5).map(lambda x: round(x, 3))
)


@given(parts_of_pairs)
def test_exact_lot_is_every_assignment(parts):
    every = [abs(np.dot(s, parts)) for s in itertools.product((-1, 1), repeat=len(parts))]
    share = np.mean(np.array(every) >= abs(parts.sum()) - 1e-9)
    assert exact_p_of_parts(parts, np.random.default_rng(1)) == pytest.approx(share)


# scipy's permutation test of paired samples turns over the same signs.
def test_exact_lot_is_scipys_permutation_test():
    parts = np.array([0.3, -1.2, 2.0, 0.9, 1.4, -0.2, 0.8, 1.1])
    theirs = stats.permutation_test(
        (parts,), np.sum, permutation_type="samples", n_resamples=np.inf
    ).pvalue
    assert exact_p_of_parts(parts, np.random.default_rng(1)) == pytest.approx(theirs)


def test_many_pairs_are_drawn_near_the_normal():
    parts = np.random.default_rng(3).normal(0.4, 1.0, 30)
    z = parts.sum() / np.sqrt((parts**2).sum())
    exact = exact_p_of_parts(parts, np.random.default_rng(1))
    assert exact == pytest.approx(2 * stats.norm.sf(abs(z)), abs=0.02)


@given(parts_of_pairs.filter(lambda parts: parts.std() > 1e-3))
def test_t_of_parts_is_scipys(parts):
    theirs = stats.ttest_1samp(parts, 0.0)
    assert t_of_parts(parts) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-9)


def test_parts_alike_show_nothing():
    assert t_of_parts(np.zeros(8)) == (0.0, 1.0)


def test_turned_over_arms_turn_the_estimate_over():
    one = _trials(effect=-1.0)
    two = replace(one, contrast=-one.contrast)
    first = estimate_by_lot(one, 0.05, np.random.default_rng(1))
    second = estimate_by_lot(two, 0.05, np.random.default_rng(1))
    assert second.log_odds == pytest.approx(-first.log_odds, rel=1e-4)
    assert (second.low, second.high) == pytest.approx((-first.high, -first.low), rel=1e-4)
    assert second.p == pytest.approx(first.p, rel=1e-6)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000))
def test_order_of_rows_moves_nothing(seed):
    trials = _trials(seed=4, effect=-0.6)
    order = np.random.default_rng(seed).permutation(len(trials.found))
    mixed = PairedTrials(**{f: getattr(trials, f)[order] for f in PairedTrials.__slots__})
    assert pair_parts(mixed) == pytest.approx(pair_parts(trials), abs=1e-6)


def test_limits_are_the_effects_not_rejected():
    trials = _trials(effect=-0.8)
    found = estimate_by_lot(trials, 0.05, np.random.default_rng(1))
    for limit in (found.low, found.high):
        assert t_of_parts(pair_parts(trials, limit))[1] == pytest.approx(0.05, abs=1e-4)
    assert pair_parts(trials, found.log_odds).sum() == pytest.approx(0.0, abs=1e-3)
    assert found.low < found.log_odds < found.high


def test_exact_lot_stands_from_eight_pairs():
    few = estimate_by_lot(_trials(pairs=7), 0.05, np.random.default_rng(1))
    enough = estimate_by_lot(_trials(pairs=8), 0.05, np.random.default_rng(1))
    assert few.exact_p is None
    assert 0.0 < enough.exact_p <= 1.0


def test_all_found_is_refused():
    trials = _trials()
    with pytest.raises(FitError):
        pair_parts(replace(trials, found=np.ones_like(trials.found)))


@pytest.mark.slow
def test_planted_effect_comes_back():
    found = [
        estimate_by_lot(_trials(seed, 10, 60, -0.8), 0.05, np.random.default_rng(1))
        for seed in range(20)
    ]
    estimates = np.array([one.log_odds for one in found])
    # Standard error of the mean of 20 is about .05.
    assert estimates.mean() == pytest.approx(-0.8, abs=0.16)
    assert sum(one.low <= -0.8 <= one.high for one in found) >= 16  # of 20 at 95 %
