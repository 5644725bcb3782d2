"""Rules for "unreliable" side by side, and how often each errs."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.stats import binomtest

from outcomes.analysis.finds.model import averaged_probability
from outcomes.analysis.lifetimes.rule import rule_false_call
from outcomes.analysis.lifetimes.rules_compared import (
    compare_rules,
    first_below,
    misses_needed,
    proportion_false_call,
)
from outcomes.analysis.monitoring.charts import learn_unchanging, watch
from outcomes.errors import SettingsError
from outcomes.models.cusum import Healthy, simulate_highest
from outcomes.settings import DecisionSettings, OtherRules, ReliabilityRule
from tests.analysis.monitoring.test_watch import searches

ANY_DOG = DecisionSettings(rule=ReliabilityRule(qualified_only=False))


def test_the_upper_limit_is_clopper_and_pearsons():
    # NIST/SEMATECH handbook 7.2.4.1: 4 of 20 has 90 % limits to 0.401028; value from memory.
    assert misses_needed(20, floor=0.4011, confidence=0.90)[-1] == 16
    assert misses_needed(20, floor=0.4010, confidence=0.90)[-1] == 17


def test_misses_needed_are_the_fewest_whose_limit_lies_below_the_floor():
    for n, needed in enumerate(misses_needed(14, floor=0.85, confidence=0.90), start=1):
        upper = [binomtest(n - m, n).proportion_ci(0.90, method="exact").high for m in range(n + 1)]
        below = [m for m, limit in enumerate(upper) if limit < 0.85]
        assert needed == (below[0] if below else None)


@pytest.mark.parametrize("probability", [0.9, 0.6])
def test_the_share_called_by_chance_is_that_of_every_sequence_of_results(probability):
    needed = misses_needed(5, floor=0.7, confidence=0.80)
    exact = 0.0
    for results in product((False, True), repeat=10):
        missed = np.array(results)
        if first_below(missed, needed) is not None:
            exact += probability ** (~missed).sum() * (1 - probability) ** missed.sum()
    assert proportion_false_call(needed, probability, 10) == pytest.approx(exact, abs=1e-12)


def test_the_share_called_never_falls_with_more_trials_or_a_worse_source():
    needed = misses_needed(12, floor=0.85, confidence=0.90)
    shares = [proportion_false_call(needed, 0.9, n) for n in range(0, 40, 4)]
    assert shares[0] == 0.0
    assert shares == sorted(shares)
    by_quality = [proportion_false_call(needed, p, 20) for p in (1.0, 0.95, 0.9, 0.8, 0.5)]
    assert by_quality == sorted(by_quality)
    assert by_quality[0] == 0.0


def test_a_source_that_goes_bad_is_called_by_every_rule_after_it_did():
    trials = searches(np.random.default_rng(2), worn="S03").assign(
        held_days=lambda t: t["age_days"]
    )
    found = compare_rules(trials, watch(trials, ANY_DOG), ANY_DOG)
    assert "S03" in found.by_all
    assert set(found.by_all) <= set(found.by_any)
    for rule in found.rules:
        assert rule.reason is None
        assert list(rule.false_call) == [10, 20, 50]
        assert all(rule.called_if_worse[n] >= rule.false_call[n] for n in rule.false_call)
        searched, worse = rule.false_call_as_searched, rule.called_if_worse_as_searched
        assert list(worse) == [10, 20, 50]
        assert all(worse[n] >= searched[n] for n in searched)
        assert worse[20] > searched[20]
        when = [called.started_at for called in rule.called]
        assert when == sorted(when)
    assert found.sentence.startswith("Sources called unreliable: by misses within trials ")


def test_the_limit_of_the_cumulative_sum_is_passed_as_often_as_it_was_set_for():
    watched = watch(searches(np.random.default_rng(2)), ANY_DOG)
    rng = np.random.default_rng(8)
    highest = simulate_highest(watched.source_healthy, 2.0, 50, 4000, rng)
    # 4,000 charts to set it and 4,000 others to try it: each an error of 0.0034.
    share = (highest > watched.source_limit).mean()
    assert share == pytest.approx(0.05, abs=3 * 0.0034 * np.sqrt(2))


def test_a_worse_source_is_one_of_doubled_odds_whatever_change_the_charts_look_for():
    trials = searches(np.random.default_rng(2)).assign(held_days=lambda t: t["age_days"])
    settings = replace(ANY_DOG, unreliable=OtherRules(odds_ratio=4.0))
    watched = watch(trials, settings)
    found = compare_rules(trials, watched, settings).rules[2]
    healthy = watched.source_healthy
    for share, odds_ratio in ((found.false_call, 1.0), (found.called_if_worse, 2.0)):
        raised = replace(healthy, log_odds=healthy.log_odds - np.log(odds_ratio))
        highest = simulate_highest(raised, 4.0, 50, 4000, np.random.default_rng(7))
        # Two shares of 4,000 charts, each with an error of at most 0.008.
        assert share[50] == pytest.approx((highest > watched.source_limit).mean(), abs=0.034)
    assert found.called_if_worse[50] > found.false_call[50]
    assert found.called_if_worse_as_searched == found.called_if_worse


def test_without_a_baseline_the_other_rules_still_stand():
    trials = searches(np.random.default_rng(9), days=10).assign(held_days=lambda t: t["age_days"])
    found = compare_rules(trials, watch(trials, ANY_DOG), ANY_DOG)
    assert [rule.reason is None for rule in found.rules] == [True, True, False]
    assert "by cumulative sum nothing can be said (the baseline is not complete" in found.sentence
    empty = compare_rules(trials.head(0), watch(trials.head(0), ANY_DOG), ANY_DOG)
    assert empty.baseline is None
    assert empty.by_any == ()


def test_the_proportion_of_finds_told_is_that_of_the_trials_the_shares_are_counted_in():
    trials = searches(np.random.default_rng(2)).assign(held_days=lambda t: t["age_days"])
    found = compare_rules(trials, watch(trials, ANY_DOG), ANY_DOG)
    healthy = learn_unchanging(trials, ANY_DOG)
    # The same mean by quadrature; 200,000 trials of 4,000 sources that differ.
    spread = np.hypot(healthy.chart_sd, healthy.block_sd)
    expected = averaged_probability(healthy.log_odds, np.full(len(healthy.log_odds), spread))[0]
    assert found.simulated_finds == pytest.approx(expected.mean(), abs=0.01)
    assert f"with {100 * found.simulated_finds:.0f} finds in 100 trials" in found.sentence
    assert "(the cumulative sum's: of the first trials on record)" in found.sentence
    early = searches(np.random.default_rng(9), days=6).assign(held_days=lambda t: t["age_days"])
    without = compare_rules(early, watch(early, ANY_DOG), ANY_DOG)
    assert without.simulated_finds is None
    assert f"independent, with {100 * without.baseline:.0f} finds in 100 while" in without.sentence


def test_a_window_too_wide_or_a_floor_too_low_is_said():
    trials = searches(np.random.default_rng(9), days=10).assign(held_days=lambda t: t["age_days"])
    watched = watch(trials, ANY_DOG)
    with pytest.raises(SettingsError, match="from 2 to 14"):
        OtherRules(proportion_window=30)
    three = OtherRules(proportion_window=3)
    low = DecisionSettings(floor=0.05, rule=ANY_DOG.rule, unreliable=three)
    proportion = compare_rules(trials, watched, low).rules[1]
    assert proportion.reason == "not even 3 misses in 3 trials would show a source below the floor"


@pytest.mark.slow
def test_what_is_learnt_from_all_trials_is_closer_to_the_truth_than_from_the_baseline():
    # Days differ by 0.3 in these units (log-odds), sources by 0.5.
    rng = np.random.default_rng(12)
    off: dict[str, list[tuple[float, float]]] = {"first": [], "all": []}
    for _ in range(12):
        trials = searches(rng, days=180)
        first = watch(trials, ANY_DOG).source_healthy
        for name, one in (("first", first), ("all", learn_unchanging(trials, ANY_DOG))):
            off[name].append((one.chart_sd - 0.5, one.block_sd - 0.3))
    early, late = (np.sqrt(np.mean(np.square(off[name]), axis=0)) for name in ("first", "all"))
    assert (late < early).all()
    # Likelihood takes spreads a little too small; none at all would be off by 0.5 and 0.3.
    assert (np.abs(np.mean(off["all"], axis=0)) < 0.15).all()


def test_sources_that_never_change_are_found_as_often_as_the_units_own_on_average():
    rng = np.random.default_rng(5)
    trials = searches(rng, days=300).assign(held_days=lambda t: t["age_days"])
    spoilt = rng.random(len(trials)) < trials["cycles"] / 150  # two misses of three in the end
    trials.loc[spoilt, "result"] = "miss"
    found = compare_rules(trials, watch(trials, ANY_DOG), ANY_DOG)
    early = (trials["cycles"] < 20) & (trials["result"] == "find")
    assert early.sum() / (trials["cycles"] < 20).sum() > found.baseline + 0.2
    # 200,000 trials of 4,000 sources that differ by less than 1.
    assert found.simulated_finds == pytest.approx(found.baseline, abs=0.01)
    healthy = learn_unchanging(trials, ANY_DOG)
    # Dogs and wind are left, and no fall of 2 on the log-odds scale.
    assert np.std(healthy.log_odds) < 0.75


def test_nothing_is_learnt_of_sources_that_no_qualified_dog_has_searched():
    trials = searches(np.random.default_rng(5)).assign(qualified=False)
    assert learn_unchanging(trials, DecisionSettings()) is None


def test_without_a_miss_no_rule_on_misses_says_how_often_it_errs():
    trials = searches(np.random.default_rng(5)).assign(
        held_days=lambda t: t["age_days"], result="find"
    )
    found = compare_rules(trials, watch(trials, ANY_DOG), ANY_DOG)
    assert {r.reason for r in found.rules[:2]} == {"no trial that counts for it is a miss"}
    assert all(r.told == ({}, {}) for r in found.rules[:2])
    assert "of 100" not in found.sentence


def test_trials_that_are_independent_and_alike_are_called_as_the_exact_chain_says(monkeypatch):
    """The shares as searched, where trials share nothing: exact by a Markov chain."""
    trials = searches(np.random.default_rng(2)).assign(held_days=lambda t: t["age_days"])
    log_odds = np.full(600, np.log(0.85 / 0.15))
    alike = Healthy(log_odds, np.full(600, 0.15), np.arange(600), chart_sd=0.0, block_sd=0.0)
    monkeypatch.setattr(
        "outcomes.analysis.lifetimes.rules_compared.learn_unchanging", lambda *_: alike
    )
    by_misses, by_share, _ = compare_rules(trials, watch(trials, ANY_DOG), ANY_DOG).rules
    rule, window = ANY_DOG.rule, ANY_DOG.unreliable.proportion_window
    needed = misses_needed(window, ANY_DOG.floor, ANY_DOG.confidence)
    for n in (10, 20, 50):
        # Fine ones are found in 0.85; of worse ones the odds of a miss are twice as high.
        for find, searched in ((0.85, "false_call"), (0.85 / 1.15, "called_if_worse")):
            exact = {
                by_misses.name: rule_false_call(rule.misses, rule.window, find, n),
                by_share.name: proportion_false_call(needed, find, n),
            }
            for told in (by_misses, by_share):
                share = exact[told.name]
                # Four standard errors of a share of 4,000 sources.
                margin = 4.0 * np.sqrt(share * (1.0 - share) / 4000)
                found = getattr(told, f"{searched}_as_searched")[n]
                assert found == pytest.approx(share, abs=margin)
