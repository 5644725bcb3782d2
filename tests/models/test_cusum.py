"""Risk-adjusted cumulative sums: scores, run lengths and limits against outside values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy.special import expit, logit

from outcomes.models.cusum import Charted, chart_values, limit_for, miss_scores, simulate_highest


@pytest.mark.parametrize(
    ("odds_ratio", "score", "published"),
    [
        (2.0, 0, "-0.024 0.669"),
        (2.0, 50, "-0.433 0.260"),
        (0.5, 0, "0.012 -0.681"),
        (0.5, 50, "0.316 -0.377"),
    ],
)
def test_scores_are_the_published_surgery_ones(outside, odds_ratio, score, published):
    check = outside(
        "Scores of the risk-adjusted cumulative sum (cardiac surgery)",
        "Steiner et al. (2000), Biostatistics 1, 441-452, p. 446: logit p = −3.68 + 0.077 score.",
        "read",
    )
    expected = expit(np.array([-3.68 + 0.077 * score] * 2))
    found = miss_scores(expected, np.array([False, True]), odds_ratio)
    names = [f"odds times {odds_ratio:g}, score {score}, {end}" for end in ("survived", "died")]
    check.each(names, published, found)


@pytest.mark.parametrize(
    ("probability", "one_in", "published"), [(0.2, 4, "124.6435"), (0.1, 5, "907.8598")]
)
def test_bernoulli_run_length_is_the_exact_chains(outside, probability, one_in, published):
    # Steps of 1 - 1/m for an event and -1/m otherwise, alarm at 3: every value is a whole number
    # of 1/m, so a finite chain is exact, each step taken by our own recursion.
    check = outside(
        "Mean run length of a Bernoulli cumulative sum, alarm at 3",
        "Exact Markov chain; R's surveillance, arlCusum, gives the same.",
        "computed",
    )
    states = 3 * one_in
    onward = np.zeros((states, states))
    for state in range(states):
        for event, chance in ((True, probability), (False, 1.0 - probability)):
            steps = [state / one_in, (1.0 if event else 0.0) - 1.0 / one_in]
            after = round(float(chart_values(np.array(steps))[-1]) * one_in)
            if after < states:
                onward[state, after] += chance
    lengths = np.linalg.solve(np.eye(states) - onward, np.ones(states))
    check(f"probability {probability}, reference 1/{one_in}", published, lengths[0], 1e-4)


@pytest.mark.parametrize(("truth", "published"), [(0.01, "1983.105"), (0.02, "348.2")])
def test_run_length_is_the_exact_chains(outside, truth, published):
    check = outside(
        "Mean run length of a likelihood-ratio chart, 0.01 against 0.02, limit 2",
        "Exact Markov chain: its states are the numbers of misses and finds since zero.",
        "computed",
    )
    ratio = float(np.exp(logit(0.02) - logit(0.01)))
    scores = miss_scores(np.full(2, 0.01), np.array([False, True]), ratio)
    # From a chart at zero until it is there again or gives an alarm: every value it can have by
    # then, with its chance, each step our own score taken by our own recursion. As often as it
    # begins anew at zero, the mean length is that of such a part over its chance of an alarm.
    values, chances = np.zeros(1), np.ones(1)
    trials = alarm = 0.0
    while chances.sum() > 1e-15:
        trials += chances.sum()
        steps = np.stack([np.repeat(values, 2), np.tile(scores, len(values))], axis=-1)
        after = chart_values(steps)[:, -1]
        of_each = np.outer(chances, [1.0 - truth, truth]).ravel()
        alarm += of_each[after >= 2.0].sum()
        going_on = (after > 0.0) & (after < 2.0)
        # As many misses in as many trials, in another order: the same value but for rounding.
        values, place = np.unique(after[going_on].round(9), return_inverse=True)
        chances = np.bincount(place, of_each[going_on], len(values))
    check(f"trials until an alarm at {truth}", published, trials / alarm)


@hypothesis_settings(deadline=None, max_examples=60)
@given(scores=st.lists(st.floats(-3, 3, allow_nan=False), min_size=1, max_size=30))
def test_chart_is_the_recursion_above_zero(scores):
    value, expected = 0.0, []
    for score in scores:
        value = max(0.0, value + score)
        expected.append(value)
    assert chart_values(np.array(scores)) == pytest.approx(expected, abs=1e-9)


def charted(rng: np.random.Generator, runs: int = 600, **changes: float) -> Charted:
    log_odds = rng.normal(2.2, 0.5, 50)
    return Charted(
        log_odds=log_odds,
        expected=1 - expit(log_odds),
        block=np.arange(50) // 3,
        block_sd=changes.get("block_sd", 0.0),
        effects=changes.get("own_sd", 0.0) * rng.normal(0.0, 1.0, runs),
    )


def test_limit_is_passed_as_often_as_asked():
    like = charted(np.random.default_rng(1), 4000)
    limit, passing = limit_for(like, 2.0, 0.05, np.random.default_rng(2))
    again = simulate_highest(like, 2.0, 0.0, np.random.default_rng(3))
    assert 0.04 < passing <= 0.05
    # Both are simulated: 4,000 runs each leave errors of 0.0034.
    assert (again > limit).mean() == pytest.approx(0.05, abs=3 * np.hypot(0.0034, 0.0034))


def test_simulated_charts_reach_one_by_one():
    # Blocks of one trial and one probability: the highest value after 20 trials, its mean
    # within four errors of a plain simulation.
    level = np.full(20, 1.5)
    one = Charted(level, 1 - expit(level), np.arange(20), 0.0, np.zeros(4000))
    found = simulate_highest(one, 2.0, 0.0, np.random.default_rng(4))
    rng = np.random.default_rng(5)
    plain = []
    for _ in range(4000):
        value = top = 0.0
        for _ in range(20):
            missed = rng.random() > expit(1.5)
            value = max(0.0, value + (np.log(2) if missed else 0.0) - np.log(2 - expit(1.5)))
            top = max(top, value)
        plain.append(top)
    error = np.hypot(np.std(found), np.std(plain)) / np.sqrt(4000)
    assert np.mean(found) == pytest.approx(np.mean(plain), abs=4 * error)


@pytest.mark.parametrize("more", [{"own_sd": 0.8}, {"block_sd": 1.5}])
def test_what_differs_needs_a_wider_limit(more):
    plain = limit_for(charted(np.random.default_rng(6)), 2.0, 0.05, np.random.default_rng(1))
    wider = limit_for(
        charted(np.random.default_rng(6), **more), 2.0, 0.05, np.random.default_rng(1)
    )
    assert wider[0] > plain[0]


def test_worse_runs_pass_more_often():
    like = charted(np.random.default_rng(7))
    limit, passing = limit_for(like, 2.0, 0.05, np.random.default_rng(1))
    worse = simulate_highest(like, 2.0, -np.log(2.0), np.random.default_rng(2))
    assert (worse > limit).mean() > 4 * passing


def test_one_rare_miss_passes_no_limit():
    sure = Charted(np.full(10, 9.0), np.full(10, 1 - expit(9.0)), np.arange(10), 0.0, np.zeros(600))
    limit, passing = limit_for(sure, 2.0, 0.05, np.random.default_rng(1))
    one_miss = miss_scores(sure.expected, np.arange(10) == 3, 2.0)
    assert passing == 0.0
    assert chart_values(one_miss).max() <= limit
