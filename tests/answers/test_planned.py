"""Planned trials told: in finds, by guesses, and what a unit's settings ask of a plan."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from outcomes.answers.planned import plan_request, tell_planned
from outcomes.planning.result import PlannedEstimate, PlanResult
from outcomes.settings import DecisionSettings, PlanSettings
from tests.made_plans import made_plan
from tests.wording.cases import planned_result

PLAN = made_plan()


def _told(log_odds, low=None, high=None, trials=None):
    estimate = PlannedEstimate(
        log_odds=log_odds, std_error=0.02, low=low, high=high, confidence=0.95, p=0.01, freedom=7.0
    )
    result = planned_result(PLAN, estimate=estimate)
    return tell_planned(PLAN, result, pd.DataFrame() if trials is None else trials)


def test_no_change_stays_where_it_was():
    moved = _told(0.0, -0.1, 0.1).moved
    assert moved.before == PLAN.effect.found_now
    assert moved.after == pytest.approx(moved.before, abs=1e-9)
    assert moved.low < moved.after < moved.high


def test_finds_move_as_averaged_over_dogs_and_sources():
    # Against draws: the same shift of log-odds for 400,000 dogs on sources.
    spread = np.sqrt(0.5**2 + 0.5**2 + 0.3**2)
    eta = np.random.default_rng(1).normal(0.0, spread, 400_000)
    start = 0.0
    for step in (4.0, 1.0, 0.25, 0.05, 0.01, 0.002):
        while (1.0 / (1.0 + np.exp(-(eta + start + step)))).mean() < PLAN.effect.found_now:
            start += step
    after = (1.0 / (1.0 + np.exp(-(eta + start - 8.0 * 0.1)))).mean()
    # Three errors of a mean of so many draws are under 0.001.
    assert _told(-0.1).moved.after == pytest.approx(after, abs=0.002)


def test_limits_that_are_not_bounded_are_none():
    moved = _told(-0.1, None, -0.02).moved
    assert moved.low is None
    assert moved.high is not None


def _guessed(hides, called_hide, blanks, called_blank):
    on = [t.plan_id for t in PLAN.trials if t.source_id is not None][:hides]
    off = [t.plan_id for t in PLAN.trials if t.source_id is None][:blanks]
    guess = ["hide"] * called_hide + ["blank"] * (hides - called_hide)
    guess += ["blank"] * called_blank + ["hide"] * (blanks - called_blank)
    rows = pd.DataFrame({"plan_id": [*on, *off], "guess": guess})
    return _told(0.0, trials=rows).guesses


@pytest.mark.parametrize("counts", [(16, 12, 8, 3), (16, 16, 8, 8), (10, 2, 8, 1), (5, 5, 3, 0)])
def test_guesses_are_fishers_exact_test(counts):
    # SciPy's own exact test of the same table.
    found = _guessed(*counts)
    hides, called_hide, blanks, called_blank = counts
    table = [[called_hide, hides - called_hide], [blanks - called_blank, called_blank]]
    assert (found.hides, found.called_hide, found.blanks, found.called_blank) == counts
    expected = stats.fisher_exact(table, alternative="greater").pvalue
    assert found.p == pytest.approx(expected, rel=1e-9)


def test_no_guess_no_word():
    assert _told(0.0).guesses is None
    rows = pd.DataFrame({"plan_id": ["strange"], "guess": ["hide"]})
    assert _told(0.0, trials=rows).guesses is None


def test_request_takes_bounds_and_days():
    settings = PlanSettings(training_days=("Sunday", "Monday"), weeks=16)
    request = plan_request(settings, DecisionSettings(floor=0.8, seed=4))
    assert request.training_days == (0, 6)
    assert (request.weeks, request.floor, request.seed) == (16, 0.8, 4)


def test_a_result_is_needed_for_a_size():
    result: PlanResult = planned_result(PLAN, look=0, estimate=None)
    assert tell_planned(PLAN, result, pd.DataFrame()).moved is None
