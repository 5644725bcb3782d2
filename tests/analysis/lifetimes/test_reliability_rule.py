"""The reliability rule: which trial meets it, and how often a good source would."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.analysis.lifetimes.rule import (
    LADDER,
    MOST_FALSE_CALLS,
    choose_rule,
    first_called,
    mean_trials_to_call,
    rule_false_call,
)
from outcomes.errors import SettingsError

probabilities = st.floats(0.0, 1.0)
rules = st.integers(1, 6).flatmap(lambda window: st.tuples(st.integers(1, window), st.just(window)))


def enumerated(misses: int, window: int, find_probability: float, trials: int) -> float:
    """Add up the probability of every sequence of results whose windows hold the misses."""
    total = 0.0
    for missed in product((0, 1), repeat=trials):
        if any(sum(missed[max(0, end - window) : end]) >= misses for end in range(1, trials + 1)):
            count = sum(missed)
            total += (1 - find_probability) ** count * find_probability ** (trials - count)
    return total


@pytest.mark.parametrize(("misses", "window"), [(1, 1), (1, 4), (2, 2), (2, 3), (3, 5), (4, 4)])
@pytest.mark.parametrize("find_probability", [0.3, 0.9])
def test_chain_agrees_with_every_sequence(misses, window, find_probability):
    # Both are exact; only the rounding of 2^10 additions separates them.
    assert rule_false_call(misses, window, find_probability, 10) == pytest.approx(
        enumerated(misses, window, find_probability, 10), abs=1e-13
    )


@pytest.mark.parametrize("p", [0.01, 0.1, 0.4])
@pytest.mark.parametrize("window", [2, 3, 10, 100])
def test_mean_to_a_second_miss_is_closed_form(p, window):
    # Two events within m consecutive trials (the Bernoulli CUSUM that adds m - 1 on an
    # event, takes 1 off otherwise and alarms at m): ARL = (1 + q) / (p q) with
    # q = 1 - (1 - p)^(m - 1). After the first event the wait for the next is geometric.
    q = 1 - (1 - p) ** (window - 1)
    assert mean_trials_to_call(2, window, 1 - p) == pytest.approx((1 + q) / (p * q), rel=1e-9)


def test_mean_for_1_in_100_is_258_6621(outside):
    check = outside(
        "Mean trials until the rule calls a source: two misses within so many trials",
        "(1 + q) / (p q) with q = 1 − (1 − p)^(m − 1): a Bernoulli cumulative sum, alarm at m.",
        "closed",
    )
    check("p = 0.01, m = 100", "258.6621", mean_trials_to_call(2, 100, 0.99))


def test_run_of_misses_takes_fellers_time():
    # Feller, An Introduction to Probability Theory and Its Applications, vol. 1, XIII.7:
    # mean wait for a run of r with probability p is (1 - p^r) / ((1 - p) p^r).
    p, r = 0.3, 4
    assert mean_trials_to_call(r, r, 1 - p) == pytest.approx(
        (1 - p**r) / ((1 - p) * p**r), rel=1e-12
    )


def test_mean_wait_sums_the_chances():
    waits = sum(1 - rule_false_call(3, 5, 0.6, n) for n in range(300))
    # After 300 trials less than 1e-12 of the probability is left.
    assert mean_trials_to_call(3, 5, 0.6) == pytest.approx(waits, abs=1e-9)


@given(rule=rules, find_probability=probabilities, trials=st.integers(0, 40))
def test_false_call_never_falls_with_trials(rule, find_probability, trials):
    misses, window = rule
    before = rule_false_call(misses, window, find_probability, trials)
    after = rule_false_call(misses, window, find_probability, trials + 1)
    assert 0.0 <= before <= after <= 1.0


@given(rule=rules, low=probabilities, high=probabilities)
def test_better_source_is_never_called_more(rule, low, high):
    misses, window = rule
    low, high = sorted((low, high))
    # 1e-12: rounding of 20 steps of the chain.
    assert (
        rule_false_call(misses, window, high, 20)
        <= rule_false_call(misses, window, low, 20) + 1e-12
    )


@given(rule=rules, missed=st.lists(st.booleans(), max_size=30))
def test_first_full_window_meets_the_rule(rule, missed):
    misses, window = rule
    full = [i for i in range(len(missed)) if sum(missed[max(0, i - window + 1) : i + 1]) >= misses]
    assert first_called(np.array(missed, dtype=bool), misses, window) == (full[0] if full else None)


def test_always_found_is_never_called():
    assert rule_false_call(2, 3, 1.0, 1000) == 0.0
    assert mean_trials_to_call(2, 3, 1.0) is None
    assert rule_false_call(2, 3, 0.0, 1) == 0.0
    assert rule_false_call(2, 3, 0.0, 2) == 1.0


@pytest.mark.parametrize(("misses", "window"), [(0, 3), (4, 3)])
def test_impossible_rule_is_refused_with_mend(misses, window):
    with pytest.raises(SettingsError, match=r"Set rule\.(misses|window)"):
        rule_false_call(misses, window, 0.9, 10)


def test_too_wide_rule_is_refused_in_words():
    with pytest.raises(SettingsError, match=r"Choose a smaller rule\.window"):
        rule_false_call(10, 40, 0.9, 10)


@pytest.mark.parametrize(("find_probability", "trials"), [(1.1, 5), (float("nan"), 5), (0.9, -1)])
def test_values_out_of_range_are_refused(find_probability, trials):
    with pytest.raises(ValueError, match=r"must be between|cannot be negative"):
        rule_false_call(2, 3, find_probability, trials)


@pytest.mark.parametrize(
    ("found", "trials", "rule"),
    [
        *((0.93, 50, (3, 5)), (0.90, 20, (3, 5)), (0.90, 50, (4, 8)), (0.80, 50, (6, 10))),
        *((0.80, 200, None), (0.70, 50, None), (0.55, 2, None)),
    ],
)
def test_rule_is_the_one_that_sees_most(found, trials, rule):
    assert choose_rule(found, trials) == rule
    fallen = 0.7 if found >= 0.85 else 0.6
    kept = [r for r in LADDER if rule_false_call(*r, found, trials) <= MOST_FALSE_CALLS]
    if rule is not None:
        best = max(rule_false_call(*r, fallen, 20) for r in kept)
        assert rule_false_call(*rule, fallen, 20) == best
