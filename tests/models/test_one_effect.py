"""The posterior of one effect on a grid, against closed forms and direct integration."""

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit

from outcomes.models.one_effect import posterior_of_effect


def moments(one):
    mean = float((one.at * one.weight).sum())
    return mean, float(np.sqrt(((one.at - mean) ** 2 * one.weight).sum()))


def test_without_trials_it_is_the_prior():
    nothing = np.zeros(0)
    mean, sd = moments(posterior_of_effect(nothing, nothing, nothing.astype(int), 0.4, 0.7))
    assert mean == pytest.approx(0.0, abs=1e-12)
    # The grid ends at four standard deviations.
    assert sd == pytest.approx(0.7, rel=1e-3)


@pytest.mark.parametrize("block_sd", [0.0, 0.8])
def test_moments_are_those_of_dense_sums(block_sd):
    # Two blocks of two and three trials, both integrals as sums over dense grids.
    found, log_odds = np.array([1, 0, 1, 1, 0.0]), np.array([1.2, 0.4, 2.0, 0.1, -0.5])
    block, sd = np.array([0, 0, 1, 1, 1]), 0.6
    effect, shared = np.linspace(-6, 6, 801) * sd, np.linspace(-8, 8, 801)
    density = stats.norm.pdf(effect, 0.0, sd)
    for code in (0, 1):
        rows = block == code
        p = expit(log_odds[rows] + effect[:, None, None] + block_sd * shared[:, None])
        product = np.where(found[rows] > 0.5, p, 1 - p).prod(axis=2)
        density = density * (product @ stats.norm.pdf(shared))
    mean = (effect * density).sum() / density.sum()
    spread = np.sqrt(((effect - mean) ** 2 * density).sum() / density.sum())
    found_mean, found_sd = moments(posterior_of_effect(found, log_odds, block, block_sd, sd))
    # 61 points over eight standard deviations, 15 nodes a block.
    assert found_mean == pytest.approx(mean, abs=2e-4)
    assert found_sd == pytest.approx(spread, rel=2e-3)


def test_trials_of_one_block_say_less():
    found, level = np.ones(30), np.ones(30)
    apart = posterior_of_effect(found, level, np.arange(30), 1.0, 1.0)
    together = posterior_of_effect(found, level, np.zeros(30, int), 1.0, 1.0)
    assert moments(together)[1] > moments(apart)[1]


def test_draws_follow_the_posterior():
    one = posterior_of_effect(np.array([1.0, 1, 0, 1]), np.zeros(4), np.arange(4), 0.0, 1.0)
    drawn = one.draw(40_000, np.random.default_rng(1))
    mean, sd = moments(one)
    assert drawn.mean() == pytest.approx(mean, abs=4 * sd / 200)
    assert drawn.std() == pytest.approx(sd, rel=0.02)
