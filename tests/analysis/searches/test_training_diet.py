"""False alerts on blank areas against the training before them."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy.stats import poisson

from outcomes.analysis.searches.training_history import fit_training_diet, training_diet
from outcomes.models.ratio import sized
from outcomes.settings import DecisionSettings

FIRST_DAY = pd.Timestamp("2024-01-01")


def trial(day, dog, result, cycles=np.nan, age=np.nan, regime=None, alerts=np.nan):
    return {
        "started_at": FIRST_DAY + pd.Timedelta(days=day),
        "dog_id": dog,
        "source_id": "S1" if result in ("find", "miss") else None,
        "result": result,
        "cycles": cycles,
        "age_days": age,
        "regime": regime,
        "false_alerts": alerts,
    }


def test_the_diet_is_the_mean_of_the_dogs_own_hides_in_the_days_just_before():
    trials = pd.DataFrame(
        [
            trial(0, "Juno", "find", 50, 500, "frozen"),  # 61 days before
            trial(1, "Juno", "find", 1, 100, "frozen"),  # 60 days before, to the minute
            trial(30, "Juno", "miss", 4, 130, "refrigerated"),
            trial(31, "Moss", "find", 90, 900, "frozen"),  # another dog
            trial(61, "Juno", "clear"),
            trial(61, "Juno", "find", 7, 160, None),  # the same moment, not before it
            trial(62, "Juno", "false alert"),
        ]
    )
    found = training_diet(trials)
    assert list(found.index) == [4, 6]
    assert found["trained"].tolist() == [2, 2]
    assert found["diet_cycles"].tolist() == [2.5, 5.5]
    assert found["diet_age_days"].tolist() == [115, 145]
    assert found["diet_frozen_share"].tolist() == [0.5, 0.0]


def test_a_dog_that_never_trained_has_no_diet():
    found = training_diet(pd.DataFrame([trial(3, "Juno", "clear")]))
    assert found["trained"].tolist() == [0]
    assert found["diet_cycles"].isna().all()


def unit(rng: np.random.Generator, per_cycle: float, dogs: int = 6, days: int = 200):
    """Each dog trains every third day, on sources of its own rhythm, with a blank after."""
    rows = []
    for d in range(dogs):
        rate, phase = 0.12 * np.exp(rng.normal(0, 0.3)), rng.uniform(0, 300)
        recent: list[tuple[int, float]] = []
        for day in range(0, 3 * days, 3):
            cycles = np.round(10 + 8 * np.sin((day + phase) / 60) + rng.normal(0, 2))
            regime = "frozen" if rng.random() < 0.6 else "refrigerated"
            rows.append(trial(day, f"D{d}", "find", cycles, rng.uniform(100, 900), regime))
            recent = [(at, c) for at, c in [*recent, (day, cycles)] if at >= day + 1 - 60]
            diet = np.mean([c for _, c in recent])
            count = rng.poisson(rate * np.exp(per_cycle * (diet - 10)))
            result = "false alert" if count else "clear"
            rows.append(trial(day + 1, f"D{d}", result, alerts=float(count)))
    return pd.DataFrame(rows)


@pytest.mark.slow
@pytest.mark.parametrize("per_cycle", [0.0, 0.08])
def test_a_planted_effect_of_the_diet_is_recovered_without_bias(per_cycle):
    # 40 units; the mean error within three of its own errors, and the 95 % intervals hold the
    # truth as often as promised less three binomial errors (190 of 200 without an effect).
    rng = np.random.default_rng(41)
    errors, held = [], []
    for _ in range(40):
        found = fit_training_diet(unit(rng, per_cycle), DecisionSettings())
        term = found.alone[0]
        assert term.term == "diet_cycles"
        errors.append(term.log_ratio - per_cycle)
        held.append(np.log(term.low) <= per_cycle <= np.log(term.high))
    assert abs(np.mean(errors)) < 3 * np.std(errors) / np.sqrt(40)
    assert np.mean(held) >= 0.95 - 3 * np.sqrt(0.95 * 0.05 / 40)


def test_what_is_left_out_is_counted_and_the_rest_adds_up():
    trials = unit(np.random.default_rng(5), 0.0)
    silent = unit(np.random.default_rng(6), 0.0, dogs=1).assign(dog_id="Quiet")
    alerted = silent["result"] == "false alert"
    silent.loc[alerted, ["result", "false_alerts"]] = ["clear", 0.0]
    found = fit_training_diet(pd.concat([trials, silent], ignore_index=True), DecisionSettings())
    lost = {left.reason.split(": ")[1]: int(left.reason.split()[0]) for left in found.left_out}
    assert lost == {
        "fewer than 5 hides in the 60 days before": 7 * 4,
        "of dogs without a false alert": 196,
    }
    assert found.blanks + sum(lost.values()) == 7 * 200
    assert found.dogs == 6
    assert len(found.together) == 3


def test_the_diets_direction_is_told_only_where_its_interval_has_one():
    ways = []
    for per_cycle in (0.0, 0.08):
        found = fit_training_diet(unit(np.random.default_rng(5), per_cycle), DecisionSettings())
        term = found.alone[0]
        ten = "training lately on sources with 10 more cycles"
        assert sized(term.low, term.high, 10)
        if term.low <= 1.0 <= term.high:
            assert f"for {ten}, no change shows (anything from " in found.sentence
        else:
            assert f"{ten} went with " in found.sentence
        ways.append(term.low > 1.0)
    assert ways == [False, True]


@pytest.mark.slow
@pytest.mark.parametrize("dogs", [6, 13])
def test_with_few_dogs_the_sentence_says_to_take_a_narrow_call_as_open(dogs):
    found = fit_training_diet(unit(np.random.default_rng(5), 0.08, dogs=dogs), DecisionSettings())
    assert found.alone
    few = f"With only {found.dogs} dogs it cannot be checked whether dogs differ"
    assert (few in found.sentence) == (found.dogs < 12) == (dogs == 6)
    assert found.sentence.endswith(("as open.", "with the calendar."))


def test_too_few_false_alerts_give_a_reason_and_no_terms():
    few = unit(np.random.default_rng(7), 0.0, dogs=3, days=20)
    found = fit_training_diet(few, DecisionSettings())
    assert found.alone == ()
    assert "where 20 are needed" in found.reason
    assert "cannot be said yet" in found.sentence
    nothing = fit_training_diet(few[few["result"].isin(["find", "miss"])], DecisionSettings())
    assert nothing.reason == "no blank area can be used for that"


def test_a_diet_that_never_changes_is_said():
    trials = unit(np.random.default_rng(5), 0.0)
    hides = trials["result"] == "find"
    trials.loc[hides, ["cycles", "age_days", "regime"]] = [3.0, 100.0, "frozen"]
    found = fit_training_diet(trials, DecisionSettings())
    assert found.reason == "what the dogs trained on does not vary within dogs"


def test_the_order_of_the_rows_changes_nothing():
    trials = unit(np.random.default_rng(8), 0.05)
    one, other = (
        fit_training_diet(t, DecisionSettings())
        for t in (trials, trials.sample(frac=1, random_state=3))
    )
    assert one.alone[0].log_ratio == pytest.approx(other.alone[0].log_ratio, abs=1e-9)
    assert (one.blanks, one.alerts) == (other.blanks, other.alerts)


def test_the_groups_hold_every_blank_area_used_once_with_exact_intervals():
    trials = unit(np.random.default_rng(5), 0.0)
    found = fit_training_diet(trials, DecisionSettings())
    assert sum(b.blanks for b in found.bins) == found.blanks
    assert sum(b.alerts for b in found.bins) == found.alerts
    assert all(b.blanks >= 15 for b in found.bins)
    assert len(found.bins) == 5
    for before, group in pairwise(found.bins):
        assert before.high < group.low
    for b in found.bins:
        assert b.low <= b.mean <= b.high
        # Garwood's limits by their definition: either tail of the Poisson holds 2.5 %.
        assert poisson.sf(b.alerts - 1, b.blanks * b.rate_low) == pytest.approx(0.025)
        assert poisson.cdf(b.alerts, b.blanks * b.rate_high) == pytest.approx(0.025)


def test_with_few_blank_areas_they_are_still_shown_and_no_line_is():
    few = unit(np.random.default_rng(7), 0.0, dogs=3, days=20)
    found = fit_training_diet(few, DecisionSettings())
    assert found.reason is not None
    assert sum(b.blanks for b in found.bins) == found.blanks > 0
    assert found.curve == ()
    assert fit_training_diet(few.head(30), DecisionSettings()).bins == ()


def test_the_line_is_the_model_and_passes_through_the_average():
    found = fit_training_diet(unit(np.random.default_rng(8), 0.05), DecisionSettings())
    term, points = found.alone[0], found.curve
    for before, point in pairwise(points):
        slope = np.log(point.rate / before.rate) / (point.cycles - before.cycles)
        assert slope == pytest.approx(term.log_ratio, rel=1e-6)
    assert all(p.low < p.rate < p.high for p in points)
    assert all(p.near >= 3 for p in points)
    mean = sum(b.mean * b.blanks for b in found.bins) / found.blanks
    at_mean = np.interp(mean, [p.cycles for p in points], [p.rate for p in points])
    # Within a third: the rate there is below the average one, as an exponential is convex.
    assert at_mean == pytest.approx(found.alerts / found.blanks, rel=0.33)


def test_no_line_crosses_a_stretch_of_diets_that_no_dog_had():
    trials = unit(np.random.default_rng(5), 0.0)
    hides = trials["result"] == "find"
    early = trials["started_at"] < FIRST_DAY + pd.Timedelta(days=300)
    trials.loc[hides, "cycles"] = np.where(early[hides], 2.0, 30.0)
    trials.loc[hides, "cycles"] += np.random.default_rng(1).uniform(0, 1, int(hides.sum()))
    moved = trials["started_at"] < FIRST_DAY + pd.Timedelta(days=361)
    between = ~early & moved & ~hides
    found = fit_training_diet(trials[~between], DecisionSettings())
    assert not any(5.0 < p.cycles < 28.0 for p in found.curve)
    assert {p.cycles < 5.0 for p in found.curve} == {True, False}
