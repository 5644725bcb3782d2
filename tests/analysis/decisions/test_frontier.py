"""The threshold against the floor: what one fit says for every floor."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from outcomes.analysis.decisions.frontier import FLOORS, threshold_frontier
from outcomes.analysis.decisions.threshold import set_threshold
from outcomes.analysis.finds.cycles_or_age import which_predicts
from outcomes.analysis.finds.model import fit_finds
from outcomes.settings import DecisionSettings


@pytest.fixture(scope="module")
def fitted(made_trials):
    fit = fit_finds(
        made_trials(2, n=900, cycle=-0.12, age=-0.06, baseline=4.0, source_sd=0.3),
        DecisionSettings(),
    )
    verdict = replace(which_predicts(fit, refits=0), verdict="cannot be told apart")
    return fit, verdict, set_threshold(fit, verdict)


def test_floors_go_from_a_half_to_ninety_five_in_steps_of_one_in_a_hundred():
    assert (FLOORS[0], FLOORS[-1], len(FLOORS)) == (0.5, 0.95, 46)
    assert np.diff(FLOORS) == pytest.approx(0.01)


@pytest.mark.parametrize("floor", [0.85, 0.5, 0.62, 0.78, 0.9, 0.95])
def test_it_is_the_threshold_that_would_be_set_at_that_floor(fitted, floor):
    fit, verdict, retirement = fitted
    asked = replace(fit, settings=replace(fit.settings, floor=floor))
    again = set_threshold(asked, verdict)
    for frontier, threshold in zip(threshold_frontier(retirement), again.thresholds, strict=True):
        (point,) = (p for p in frontier.points if p.floor == floor)
        assert frontier.by == threshold.by
        for name in ("estimate", "low", "high", "retire_after", "outcome"):
            assert getattr(point, name) == getattr(threshold, name)


def test_a_higher_floor_never_allows_a_later_limit(fitted):
    for frontier in threshold_frontier(fitted[2]):
        for name in ("estimate", "retire_after"):
            values = [v for p in frontier.points if (v := getattr(p, name)) is not None]
            assert len(values) > 10
            assert (np.diff(values) <= 0).all()


def test_floors_outside_the_curve_give_no_limit_and_say_on_which_side(fitted):
    for frontier in threshold_frontier(fitted[2]):
        assert frontier.start > frontier.end
        for point in frontier.points:
            if point.floor < frontier.end:
                assert (point.outcome, point.retire_after) == ("stays above", None)
            elif point.floor > frontier.start:
                assert (point.outcome, point.retire_after) == ("below from the start", None)
            else:
                assert point.estimate is not None


def test_it_says_over_which_exposures_and_how_sure_it_is(fitted):
    for frontier, threshold in zip(
        threshold_frontier(fitted[2]), fitted[2].thresholds, strict=True
    ):
        assert (frontier.by, frontier.confidence) == (threshold.by, threshold.confidence)
        assert frontier.observed_from == threshold.curve.at[0]
        assert frontier.observed_to == threshold.observed_to


def test_it_tells_where_only_the_best_estimate_stays_above_the_floor(fitted):
    for frontier, threshold in zip(
        threshold_frontier(fitted[2]), fitted[2].thresholds, strict=True
    ):
        curve = threshold.curve
        at = np.linspace(frontier.observed_from, frontier.observed_to, 2000)
        lowest = np.interp(at, curve.at, curve.low).min()
        told = {p.floor for p in frontier.points if p.open_below}
        assert told
        assert told == {p.floor for p in frontier.points if lowest < p.floor <= frontier.end}


def test_without_ground_for_a_limit_there_is_nothing_to_show(made_trials):
    fit = fit_finds(made_trials(4), DecisionSettings())
    verdict = replace(which_predicts(fit, refits=0), verdict="no change detected")
    assert threshold_frontier(set_threshold(fit, verdict)) == ()
