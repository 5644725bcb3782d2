"""How often the rule calls sources that never change, searched as a unit does."""

import numpy as np
import pytest

from outcomes.analysis.finds.model import averaged_probability
from outcomes.analysis.lifetimes.rule import rule_false_call
from outcomes.analysis.lifetimes.rule_as_searched import rule_false_call_as_searched
from outcomes.analysis.monitoring.charts import learn_unchanging
from outcomes.models.cusum import Healthy, simulate_misses
from outcomes.settings import DecisionSettings, ReliabilityRule
from tests.analysis.monitoring.test_watch import searches

ANY_DOG = DecisionSettings(rule=ReliabilityRule(qualified_only=False))


def unchanging_finds(healthy: Healthy) -> float:
    spread = np.hypot(healthy.chart_sd, healthy.block_sd)
    expected = averaged_probability(healthy.log_odds, np.full(len(healthy.log_odds), spread))[0]
    return float(expected.mean())


def test_simulated_trials_are_found_as_expected():
    healthy = learn_unchanging(searches(np.random.default_rng(2)), ANY_DOG)
    missed, _ = simulate_misses(healthy, 50, 4000, np.random.default_rng(3))
    # 200,000 trials of 4,000 sources that differ by less than 1.
    assert 1.0 - missed.mean() == pytest.approx(unchanging_finds(healthy), abs=0.01)


@pytest.mark.slow
def test_learnt_spreads_are_near_the_truth():
    # Days differ by 0.3 in these units (log-odds), sources by 0.5.
    rng = np.random.default_rng(12)
    found = [learn_unchanging(searches(rng, days=180), ANY_DOG) for _ in range(12)]
    off = [(one.chart_sd - 0.5, one.block_sd - 0.3) for one in found]
    # Likelihood takes spreads a little too small; none at all would be off by 0.5 and 0.3.
    assert (np.abs(np.mean(off, axis=0)) < 0.15).all()


def test_unchanging_sources_are_found_as_the_unit():
    rng = np.random.default_rng(5)
    trials = searches(rng, days=300)
    spoilt = rng.random(len(trials)) < trials["cycles"] / 150  # two misses of three in the end
    trials.loc[spoilt, "result"] = "miss"
    own = (trials["result"] == "find").mean()
    early = trials["cycles"] < 20
    assert (trials["result"] == "find")[early].mean() > own + 0.2
    healthy = learn_unchanging(trials, ANY_DOG)
    assert unchanging_finds(healthy) == pytest.approx(own, abs=0.01)
    # Dogs and wind are left, and no fall of 2 on the log-odds scale.
    assert np.std(healthy.log_odds) < 0.75


def test_without_qualified_dogs_nothing_is_learnt():
    trials = searches(np.random.default_rng(5)).assign(qualified=False)
    assert learn_unchanging(trials, DecisionSettings()) is None
    assert rule_false_call_as_searched(trials, DecisionSettings()) == {}


def test_without_a_miss_no_error_of_the_rule():
    trials = searches(np.random.default_rng(5)).assign(result="find")
    assert rule_false_call_as_searched(trials, ANY_DOG) == {}


@pytest.mark.parametrize(("misses", "window"), [(2, 3), (1, 1), (3, 12)])
def test_independent_trials_follow_exact_chain(monkeypatch, misses, window):
    log_odds = np.full(600, np.log(0.85 / 0.15))
    alike = Healthy(log_odds, np.full(600, 0.15), np.arange(600), chart_sd=0.0, block_sd=0.0)
    monkeypatch.setattr(
        "outcomes.analysis.lifetimes.rule_as_searched.learn_unchanging", lambda *_: alike
    )
    rule = ReliabilityRule(misses=misses, window=window)
    found = rule_false_call_as_searched(
        searches(np.random.default_rng(2)), DecisionSettings(rule=rule)
    )
    assert list(found) == [10, 20, 50]
    for n, share in found.items():
        exact = rule_false_call(misses, window, 0.85, n)
        # Four standard errors of a share of 4,000 sources.
        assert share == pytest.approx(exact, abs=4.0 * np.sqrt(exact * (1.0 - exact) / 4000))
