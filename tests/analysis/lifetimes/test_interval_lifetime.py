"""Sources until unreliable, the event anywhere between two trials.

The study of the limits in full: ``OUTCOMES_STUDY_SIZE=500`` and this file.
"""

import dataclasses
import os

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.lifetimes.interval_censored import fit_interval_lifetime
from outcomes.analysis.lifetimes.kaplan_meier import NO_TRIAL_COUNTS, fit_lifetime
from outcomes.analysis.results import Lifetime
from outcomes.settings import DecisionSettings

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "25"))
SHAPE, SCALE = 1.3, 400.0
NOTHING = pd.DataFrame({"source_id": [], "moved_at": [], "moved_to": []})
NO_TRIALS = pd.DataFrame(
    {"trial_id": [], "source_id": [], "started_at": [], "result": [], "held_days": []}
)


def lifetime(followed: pd.DataFrame) -> Lifetime:
    empty = fit_lifetime(NO_TRIALS, NO_TRIALS[["source_id"]], NOTHING, DecisionSettings())
    return dataclasses.replace(empty, followed=followed)


def followed(entry, low, exit_, event, regime="frozen", kind="muscle", ending=None):
    n = len(entry)
    event = np.asarray(event, dtype=bool)
    return pd.DataFrame(
        {
            "source_id": [f"S{i:03d}" for i in range(n)],
            "regime": regime,
            "kind": kind,
            "entry_days": np.asarray(entry, float),
            "low_days": np.asarray(low, float),
            "exit_days": np.asarray(exit_, float),
            "event": event,
            "ending": np.where(event, "met the rule", "last trial so far")
            if ending is None
            else ending,
        }
    )


def simulated(rng: np.random.Generator, n: int) -> pd.DataFrame:
    """Sources with Weibull lifetimes, first tried late and then about every 25 days."""
    rows = []
    while len(rows) < n:
        entry = rng.uniform(0, 120)
        fails = SCALE * rng.exponential() ** (1 / SHAPE)
        tried = entry + np.concatenate([[0.0], np.cumsum(rng.exponential(25, 80) + 1)])
        if fails <= entry:
            continue
        tried = tried[tried <= max(rng.uniform(200, 700), entry)]
        shown = np.flatnonzero(tried >= fails)
        if len(shown):
            rows.append((entry, tried[shown[0] - 1], tried[shown[0]], True))
        else:
            rows.append((entry, tried[-1], tried[-1], False))
    return followed(*zip(*rows, strict=True))


@pytest.mark.slow
def test_limits_hold_the_true_curve_as_often_as_they_say():
    # 95 % limits between points, at the days 100, 200, 300 and 400 of units with 12 and 25
    # sources. The bound is 93 of 100 less three binomial errors, the days of one unit
    # taken as one.
    rng = np.random.default_rng(11)
    held: list[float] = []
    for unit in range(UNITS):
        drawn = simulated(rng, 12 if unit % 2 else 25)
        found = fit_interval_lifetime(lifetime(drawn), DecisionSettings(seed=unit), resamples=60)
        for curve in found.curves:
            start = curve.points[0].time
            inside = []
            for day in (100.0, 200.0, 300.0, 400.0):
                before = [p for p in curve.points if p.time <= day]
                after = [p for p in curve.points if p.cell_from >= day]
                if day < start or not before or not after:
                    continue
                truth = np.exp((start / SCALE) ** SHAPE - (day / SCALE) ** SHAPE)
                inside.append(after[0].low <= truth <= before[-1].high)
            if inside:
                held.append(float(np.mean(inside)))
    assert len(held) > UNITS / 2
    assert np.mean(held) >= 0.93 - 3 * np.sqrt(0.95 * 0.05 / len(held))


def test_the_curve_is_drawn_over_cells_and_tells_the_median_as_between_two_days():
    drawn = followed(
        entry=[1.0] * 8,
        low=[20, 20, 40, 60, 60, 90, 90, 90],
        exit_=[30, 30, 50, 80, 80, 90, 90, 90],
        event=[True] * 5 + [False] * 3,
    )
    found = fit_interval_lifetime(lifetime(drawn), DecisionSettings())
    (curve,) = found.curves
    assert [(p.cell_from, p.time) for p in curve.points] == [
        (1, 1), (20, 30), (40, 50), (60, 80), (90, 90)
    ]  # fmt: skip
    assert [p.probability for p in curve.points] == pytest.approx([1, 6 / 8, 5 / 8, 3 / 8, 3 / 8])
    assert [p.at_risk for p in curve.points] == [8, 8, 6, 5, 3]
    assert (curve.median_after, curve.median) == (60.0, 80.0)
    # A month is 365.25 / 12 days: 60 and 80 of them are 1.97 and 2.63 months.
    assert "some time between 2 and 3 months after they were taken in" in found.sentence
    assert "still reliable" not in found.sentence  # the first trial is on day 1, as good as at once
    assert found.reason is None


def test_a_source_that_failed_before_the_next_came_in_takes_no_curve_away():
    # Alone from day 0, shown to have failed by day 10; the others came in on day 15.
    drawn = followed(
        entry=[15.0] * 8,
        low=[20, 20, 40, 60, 60, 90, 90, 90],
        exit_=[30, 30, 50, 80, 80, 90, 90, 90],
        event=[True] * 5 + [False] * 3,
        ending=["met the rule"] * 5 + ["discarded while reliable"] + ["last trial so far"] * 2,
    )
    first = followed([0.0], [5.0], [10.0], [True]).assign(source_id="S999")
    found = fit_interval_lifetime(
        lifetime(pd.concat([first, drawn], ignore_index=True)), DecisionSettings()
    )
    assert found.not_drawn == {}
    (curve,) = found.curves
    (alone,) = fit_interval_lifetime(lifetime(drawn), DecisionSettings()).curves
    assert [(p.cell_from, p.time, p.at_risk) for p in curve.points] == [
        (p.cell_from, p.time, p.at_risk) for p in alone.points
    ]
    assert [p.probability for p in curve.points] == pytest.approx([1, 6 / 8, 5 / 8, 3 / 8, 3 / 8])
    # The resamples are others, so the limits are only about the same.
    for own, other in zip(curve.points, alone.points, strict=True):
        assert own.low == pytest.approx(other.low, abs=0.05)
        assert own.high == pytest.approx(other.high, abs=0.05)
    (bound,) = found.bounds
    assert bound.if_failed < bound.as_seen == pytest.approx(3 / 8)


def test_groups_with_fewer_than_five_events_have_no_curve_but_all_sources_together_may():
    parts = [
        followed([1.0] * 6, [20.0] * 6, [30.0] * 6, [True] * 3 + [False] * 3, regime=regime)
        for regime in ("frozen", "refrigerated")
    ]
    found = fit_interval_lifetime(lifetime(pd.concat(parts, ignore_index=True)), DecisionSettings())
    assert [curve.group for curve in found.curves] == ["all sources"]
    assert found.not_drawn["frozen"] == "3 met the rule; a curve needs 5"
    few = fit_interval_lifetime(lifetime(parts[0]), DecisionSettings())
    assert few.curves == ()
    assert few.reason == "3 of 6 sources followed met the rule, and a curve needs 5"
    assert few.sentence.startswith("How long sources stay reliable cannot be drawn yet")


def test_records_without_a_trial_that_counts_give_a_reason():
    found = fit_interval_lifetime(lifetime(followed([], [], [], [])), DecisionSettings())
    assert found.reason == NO_TRIAL_COUNTS
    assert NO_TRIAL_COUNTS.startswith("no source has a trial that counts for the rule")


def test_discarded_sources_bound_the_curve_on_both_sides():
    drawn = followed(
        entry=[1.0] * 10,
        low=[20, 25, 30, 35, 40, 45, 45, 80, 80, 80],
        exit_=[25, 30, 35, 40, 45, 45, 45, 80, 80, 80],
        event=[True] * 5 + [False] * 5,
        ending=["met the rule"] * 5 + ["discarded while reliable"] * 2 + ["last trial so far"] * 3,
    )
    (bound,) = fit_interval_lifetime(lifetime(drawn), DecisionSettings()).bounds
    # By hand: 5 of 10 failed and 2 of the other 5 were discarded on day 45.
    assert bound.if_failed == pytest.approx(3 / 10)
    assert bound.as_seen == pytest.approx(5 / 10)
    assert bound.if_never == pytest.approx(5 / 10)
    assert bound.discarded == 2
    assert bound.median_if_failed == 45.0


def test_the_same_seed_gives_the_same_limits_in_any_order_of_sources():
    drawn = simulated(np.random.default_rng(3), 25)
    found = fit_interval_lifetime(lifetime(drawn), DecisionSettings(seed=4))
    again = fit_interval_lifetime(lifetime(drawn), DecisionSettings(seed=4))
    assert found == again
    for curve in found.curves:
        assert all(0 <= p.low <= p.probability <= p.high <= 1 for p in curve.points)
