"""An interval that holds at every look: its width, when it began, and how often it errs."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.analysis.finds.model import fit_finds
from outcomes.analysis.monitoring.asked_again import AskedAgain, ask_again, sequence_multiplier
from outcomes.settings import DecisionSettings
from outcomes.wording.asked_again import describe_asked_again
from tests.analysis.monitoring.test_watch import searches


@pytest.fixture(scope="module")
def trials():
    return searches(np.random.default_rng(21), days=120)


@pytest.fixture(scope="module")
def fit(trials):
    return fit_finds(trials, DecisionSettings())


@pytest.mark.parametrize("ratio", [1.0, 2.0, 3.5])
def test_reach_is_that_of_the_design_note(ratio):
    # r = 0.821 (s1/s)^2 and M = sqrt((1 + 1/r) ln((1 + r)/0.0025)), at 95 %.
    r = 0.821 * ratio**2
    expected = np.sqrt((1 + 1 / r) * np.log((1 + r) / 0.0025))
    assert sequence_multiplier(1.0, ratio, 0.05, np.inf) == pytest.approx(expected, rel=1e-3)


def test_fewer_sources_reach_further():
    few, many = (sequence_multiplier(1.0, 2.0, 0.05, f) for f in (9.0, 200.0))
    assert few > many > sequence_multiplier(1.0, 2.0, 0.05, np.inf)
    reach = sequence_multiplier(1.0, 2.0, 0.05, np.inf)
    assert stats.t.sf(few, 9) == pytest.approx(stats.norm.sf(reach), rel=1e-6)


def test_many_looks_seldom_miss_a_mean():
    # 24 looks at the mean of a growing sample; the ordinary interval misses at some look in far
    # more than 5 of 100. The bound is three binomial errors of 2,000 runs.
    rng = np.random.default_rng(3)
    looks = np.arange(50, 1250, 50)
    sums = rng.normal(0.0, 1.0, (2000, looks[-1])).cumsum(axis=1)[:, looks - 1]
    z = np.abs(sums) / np.sqrt(looks)
    reach = [
        sequence_multiplier(1 / np.sqrt(n), 1 / np.sqrt(looks[0]), 0.05, np.inf) for n in looks
    ]
    assert (z > 1.96).any(axis=1).mean() > 0.15
    assert (z > reach).any(axis=1).mean() < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 2000)


@pytest.mark.slow
def test_first_look_is_the_first_with_a_model(fit, trials):
    found = ask_again(fit, "cycles", trials)
    early = trials[trials["started_at"].dt.normalize() <= found.first_look]
    assert fit_finds(early, fit.settings).term("cycles").std_error == found.first_std_error
    month_before = found.first_look - np.timedelta64(found.first_look.day, "D")
    before = trials[trials["started_at"].dt.normalize() <= month_before]
    assert fit_finds(before, fit.settings).term("cycles") is None
    assert found.first_std_error > found.std_error


@pytest.mark.slow
def test_no_change_left_out_verdict_stands(fit, trials):
    found = ask_again(fit, "cycles", trials)
    ordinary = np.log([fit.term("cycles").low, fit.term("cycles").high])
    assert found.log_odds_low < ordinary[0] < ordinary[1] < found.log_odds_high
    assert found.wider == pytest.approx(
        (found.log_odds_high - found.log_odds_low) / (ordinary[1] - ordinary[0])
    )
    many = sequence_multiplier(found.std_error, found.first_std_error, 0.05, fit.sources - 1)
    ends = found.log_odds + many * found.std_error * np.array([-1.0, 1.0])
    assert (found.log_odds_low, found.log_odds_high) == pytest.approx(tuple(ends))
    assert found.std_error == fit.term("cycles").std_error
    assert found.stands == (found.log_odds_low > 0 or found.log_odds_high < 0)
    assert ask_again(fit, "no change detected", trials).stands is True
    assert ask_again(fit, "both", trials).stands is None
    assert ask_again(fit, "age", trials).exposure == "age_days"
    assert ask_again(replace(fit, terms=()), "cycles", trials) is None


def test_within_a_month_this_look_is_the_first(fit, trials):
    hours = pd.to_timedelta(np.arange(len(trials)) // 10, unit="h")
    found = ask_again(fit, "age", trials.assign(started_at=pd.Timestamp("2024-01-02") + hours))
    assert found.first_look == (pd.Timestamp("2024-01-02") + hours[-1]).normalize()
    assert found.first_std_error == found.std_error == fit.term("age_days").std_error


@pytest.mark.parametrize(
    ("low", "high", "stands", "said"),
    [
        (-0.2, -0.1, True, ": for a unit that asks every month the verdict would stand."),
        (-0.2, 0.1, False, ": for a unit that asks every month the verdict would not stand yet."),
        (-0.2, 0.1, True, ": for a unit that asks every month the verdict would stand."),
        (-0.2, 0.1, None, "rests on two effects, for which there is no such interval."),
    ],
)
def test_line_says_whether_the_verdict_stands(low, high, stands, said):

    found = AskedAgain(
        "cycles", -0.05, low, high, 0.02, 0.07, pd.Timestamp("2024-03-31"), 1.6, stands
    )
    line = describe_asked_again(found, 0.05)
    assert "since 2024-03, the change in log-odds per cycle lies from −0.200 to " in line
    assert "95 %; 1.6 times as wide" in line
    assert line.endswith(said)
