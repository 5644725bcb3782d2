"""Within sources: what lies between them has no part, and few sources are refused."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit

from outcomes.errors import FitError
from outcomes.models.within_source import WithinTrials, fit_within


def _trials(seed=1, sources=12, each=40, effect=0.0, between=0.0):
    rng = np.random.default_rng(seed)
    source = np.repeat(np.arange(sources), each)
    turn = np.tile(np.arange(each), sources)
    start = rng.integers(0, 20, sources)
    cycles = start[source] + turn * (0.2 + 0.6 * rng.random(sources)[source])
    age = turn * 0.3 + 5 * rng.random(sources)[source]
    eta = 1.6 + effect * (cycles - start[source]) + between * start[source]
    eta = eta + 0.4 * rng.normal(size=sources)[source] + 0.4 * rng.normal(size=6)[turn % 6]
    return WithinTrials(
        found=(rng.random(len(eta)) < expit(eta)).astype(float),
        exposure=cycles.astype(float),
        other=age,
        met=(turn // 6).astype(float),
        dog=turn % 6,
        source=source,
        kind=source % 2,
    )


def test_shift_of_a_source_moves_nothing_within():
    trials = _trials(effect=-0.1)
    once = fit_within(trials)
    shifted = replace(trials, exposure=trials.exposure + 10.0, other=trials.other + 3.0)
    again = fit_within(shifted)
    assert again.log_odds == pytest.approx(once.log_odds, rel=1e-4)
    assert again.std_error == pytest.approx(once.std_error, rel=1e-4)


def test_freedom_counts_sources_that_moved():
    trials = _trials()
    still = trials.source < 4
    exposure = np.where(still, 3.0, trials.exposure)
    assert fit_within(replace(trials, exposure=exposure)).freedom == 8 - 2


def test_three_sources_are_too_few():
    trials = _trials(sources=3)
    with pytest.raises(FitError, match="only 3 sources"):
        fit_within(trials)


@pytest.mark.slow
def test_strong_sources_used_more_do_no_harm():
    found = [fit_within(_trials(seed, between=0.1)) for seed in range(30)]
    # Nothing is planted within sources: the mean of 30 has an error of about .01.
    assert np.mean([one.log_odds for one in found]) == pytest.approx(0.0, abs=0.03)


@pytest.mark.slow
def test_planted_effect_comes_back():
    found = [fit_within(_trials(seed, effect=-0.1)) for seed in range(30)]
    assert np.mean([one.log_odds for one in found]) == pytest.approx(-0.1, abs=0.03)
