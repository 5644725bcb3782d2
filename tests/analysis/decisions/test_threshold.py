"""Retirement thresholds: every outcome, and what they may never claim."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.analysis.decisions.curve import find_curve, observed_bins, observed_to
from outcomes.analysis.decisions.threshold import find_threshold, read_threshold, set_threshold
from outcomes.analysis.finds.cycles_or_age import which_predicts
from outcomes.analysis.finds.model import fit_finds
from outcomes.analysis.finds.shapes import Shape, candidate_shapes, step_shapes
from outcomes.analysis.results import FindCurve
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, find_true_threshold, simulate_unit

Made = Callable[..., pd.DataFrame]


def _curve(start: float, end: float, half: float = 0.3) -> FindCurve:
    """A straight line on the log-odds scale from 0 to 30 cycles with a constant band."""
    at = np.linspace(0.0, 30.0, 61)
    line = np.linspace(start, end, 61)
    p, low, high = (1 / (1 + np.exp(-(line + d))) for d in (0.0, -half, half))
    return FindCurve("cycles", at, p, low, high, 0.9, np.zeros(61, bool), (), "")


@pytest.mark.parametrize(
    ("curve", "outcome"),
    [
        (_curve(3.0, 0.5), "crosses"),
        (_curve(3.5, 2.5), "stays above"),
        (_curve(1.0, 0.0), "below from the start"),
        (_curve(1.9, 2.9), "rises"),
        (_curve(0.5, 1.0), "rises"),
        (_curve(2.0, 0.5, half=0.6), "never sure"),
    ],
)
def test_every_shape_of_curve_has_its_outcome(curve, outcome) -> None:
    threshold = read_threshold(curve, 0.85, 30.0)
    assert threshold.outcome == outcome
    assert (threshold.retire_after is not None) == (outcome == "crosses")
    assert (threshold.estimate is not None) == (outcome in ("crosses", "never sure"))


def test_beginning_at_the_floor_is_not_below_it() -> None:
    curve = _curve(2.0, 0.5)
    threshold = read_threshold(curve, float(curve.probability[0]), 30.0)
    assert (threshold.outcome, threshold.estimate) == ("never sure", 0.0)


def test_only_the_estimate_above_says_from_where() -> None:
    # 3 - x/24 ends at 1.75 and its lower limit, 0.3 below, reaches logit(0.85) = 1.734601 at
    # 24 * (3 - 0.3 - 1.734601).
    threshold = read_threshold(_curve(3.0, 1.75), 0.85, 30.0)
    assert threshold.outcome == "stays above"
    assert threshold.low == pytest.approx(24.0 * (2.7 - np.log(0.85 / 0.15)), abs=0.01)
    assert (threshold.estimate, threshold.high, threshold.retire_after) == (None, None, None)
    assert read_threshold(_curve(3.5, 2.5), 0.85, 30.0).low is None
    # Never sure, from the first exposure on.
    assert read_threshold(_curve(2.0, 1.9), 0.85, 30.0).low == 0.0


def test_straight_line_crosses_where_algebra_says() -> None:
    # logit(0.85) = 1.734601; the line 3 - x/12 reaches it at 12 * (3 - 1.734601), the lower
    # limit (0.3 below) 3.6 earlier and the upper 3.6 later.
    threshold = read_threshold(_curve(3.0, 0.5), 0.85, 30.0)
    exact = 12.0 * (3.0 - np.log(0.85 / 0.15))
    # Linear interpolation on a grid of half a cycle.
    assert threshold.estimate == pytest.approx(exact, abs=0.01)
    assert threshold.low == pytest.approx(exact - 3.6, abs=0.01)
    assert threshold.high == pytest.approx(exact + 3.6, abs=0.01)
    assert threshold.retire_after == int(exact - 3.6)


def test_fall_within_one_cycle_leaves_none() -> None:
    # 2.5 - 0.7 x, its lower limit 0.3 below, reaches 1.734601 at 0.66 cycles.
    threshold = read_threshold(_curve(2.5, 2.5 - 21.0), 0.85, 30.0)
    assert threshold.retire_after == 0
    # Between two points of the curve, half a cycle apart, a straight line stands for it.
    assert threshold.low == pytest.approx((2.2 - np.log(0.85 / 0.15)) / 0.7, abs=0.02)


@pytest.mark.parametrize(("exposure", "third"), [("cycles", 18.0), ("age_days", 500.0)])
def test_without_a_model_it_says_how_far_was_seen(made_trials, exposure, third) -> None:
    trials = made_trials(5, n=24, sources=6)
    # Furthest of six sources: 20, 19, 18, ... cycles and 700, 600, 500, ... days.
    number = trials["source_id"].str[1:].astype(int)
    trials = trials.assign(cycles=20.0 - number, age_days=700.0 - 100.0 * number)
    threshold = find_threshold(fit_finds(trials, DecisionSettings()), exposure, alone=False)
    assert threshold.outcome == "no model"
    assert (threshold.by, threshold.observed_to) == (exposure, third)
    assert (threshold.estimate, threshold.retire_after) == (None, None)
    none = find_threshold(fit_finds(trials.head(0), DecisionSettings()), exposure, alone=False)
    assert (none.outcome, none.observed_to) == ("no model", 0.0)


@pytest.mark.parametrize(
    ("word", "by"),
    [
        ("cycles", ["cycles"]),
        ("age", ["age_days"]),
        ("both", ["cycles", "age_days"]),
        ("no change detected", []),
    ],
)
def test_limits_are_set_by_what_the_verdict_names(made_trials, word, by) -> None:
    fit = fit_finds(made_trials(7, n=900, cycle=-0.06, age=-0.02), DecisionSettings())
    verdict = replace(which_predicts(fit, refits=0), verdict=word)
    found = set_threshold(fit, verdict)
    assert [threshold.by for threshold in found.thresholds] == by
    assert [curve.exposure for curve in found.curves] == (by or ["cycles"])


def test_nothing_is_read_beyond_what_was_observed() -> None:
    threshold = read_threshold(_curve(3.0, 0.5), 0.85, 14.0)
    assert threshold.outcome == "stays above"
    assert threshold.estimate is None
    threshold = read_threshold(_curve(3.0, 0.5), 0.85, 16.0)
    assert threshold.estimate is not None
    assert threshold.high is None


@given(
    st.floats(-1.0, 5.0),
    st.floats(-3.0, 5.0),
    st.floats(0.05, 1.5),
    st.floats(0.5, 0.98),
    st.floats(1.0, 30.0),
)
@settings(deadline=None, max_examples=200)
def test_limit_is_observed_and_above_the_floor(start, end, half, floor, limit) -> None:
    curve = _curve(start, end, half)
    threshold = read_threshold(curve, floor, limit)
    if threshold.retire_after is not None:
        assert threshold.retire_after <= limit
        assert np.interp(threshold.retire_after, curve.at, curve.low) >= floor
        assert threshold.retire_after <= threshold.estimate
    if threshold.estimate is not None and threshold.low is not None:
        assert threshold.low <= threshold.estimate + 1e-9


@given(st.floats(0.55, 0.9), st.floats(0.01, 0.05))
@settings(deadline=None, max_examples=50)
def test_a_higher_floor_is_crossed_earlier(floor, more) -> None:
    low, high = (read_threshold(_curve(3.2, -0.5), f, 30.0) for f in (floor, floor + more))
    assert high.estimate < low.estimate


def test_without_random_effects_it_averages(made_trials) -> None:
    # Standardisation by hand: set the exposure, predict every trial, average (statsmodels Logit).
    import statsmodels.api as sm

    fit = fit_finds(made_trials(7, n=900, cycle=-0.06, age=-0.02), DecisionSettings())
    assert max(fit.sd.values()) < 1e-3
    curve = find_curve(fit, "cycles", 0.9, alone=False)
    exposures = [fit.design.column_of("cycles"), fit.design.column_of("age_days")]
    # The effects asked about are told less their bias; all else is fitted with them held there.
    told = fit.reduced.beta[exposures]
    others = np.delete(fit.design.x, exposures, axis=1)
    family = sm.families.Binomial()
    offset = fit.design.x[:, exposures] @ told
    plain = sm.GLM(fit.design.y, others, family=family, offset=offset).fit()
    likeliest = sm.Logit(fit.design.y, fit.design.x).fit(disp=False)
    np.testing.assert_allclose(fit.mixed.beta, likeliest.params, atol=1e-4)
    assert abs(told[0]) < abs(likeliest.params[exposures[0]])
    for k in (0, 60, 120):
        x = fit.design.x[:, exposures].copy()
        x[:, 0] = curve.at[k]
        by_hand = plain.predict(others, offset=x @ told).mean()
        assert curve.probability[k] == pytest.approx(by_hand, abs=1e-4)
    assert (curve.low < curve.probability).all()
    assert (curve.probability < curve.high).all()


def test_one_very_common_exposure_takes_one_bin(made_trials) -> None:
    trials = made_trials(3)
    trials.loc[trials.index[:400], "cycles"] = 0.0
    bins = observed_bins(trials, "cycles", 0.9)
    assert bins[0].low == bins[0].high == 0.0
    assert len(bins) >= 4


def test_observed_to_counts_sources_not_trials() -> None:
    trials = pd.DataFrame(
        {"source_id": ["a", "a", "a", "b", "c", "d"], "cycles": [50.0, 49.0, 48.0, 9.0, 7.0, 3.0]}
    )
    assert observed_to(trials, "cycles") == 7.0
    assert observed_to(trials.head(5), "cycles") == 7.0
    # With fewer than three sources, as far as any was.
    assert observed_to(trials.head(4), "cycles") == 50.0
    assert observed_to(trials.head(0), "cycles") == 0.0


def test_planted_threshold_lies_in_its_interval() -> None:
    unit = simulate_unit(SCENARIOS["cycles only"], 11)
    fit = fit_finds(join(unit_records(unit)).trials, DecisionSettings())
    threshold = find_threshold(fit, "cycles", alone=False)
    true = find_true_threshold(unit, 0.85)
    assert true is not None
    assert threshold.low is not None
    assert threshold.low <= true <= (threshold.high or np.inf)
    assert threshold.retire_after <= true


def test_without_trials_there_is_no_curve(made_trials) -> None:
    fit = fit_finds(made_trials(5).head(0), DecisionSettings())
    retirement = set_threshold(fit, which_predicts(fit))
    assert (retirement.thresholds, retirement.curves) == ((), ())


def test_never_frozen_unit_is_shown_by_age(made_trials) -> None:
    fit = fit_finds(made_trials(3).assign(cycles=0.0), DecisionSettings())
    retirement = set_threshold(fit, which_predicts(fit, refits=0))
    assert retirement.thresholds == ()
    assert [c.exposure for c in retirement.curves] == ["age_days"]


@pytest.mark.parametrize(("correlation", "along"), [(0.97, True), (-0.97, True), (0.6, False)])
def test_without_verdict_age_moves_along(made_trials, correlation, along) -> None:
    fit = fit_finds(made_trials(4), DecisionSettings())
    verdict = replace(which_predicts(fit, refits=0), correlation=correlation)
    assert verdict.verdict == "no change detected"
    (curve,) = set_threshold(fit, verdict).curves
    assert ("moves along" in curve.held) == along


def test_inseparable_exposures_are_two_views(made_trials) -> None:
    fit = fit_finds(made_trials(2, n=900, cycle=-0.15, baseline=3.0, tied=True), DecisionSettings())
    retirement = set_threshold(fit, which_predicts(fit, refits=0))
    by_cycles, by_age = retirement.thresholds
    # Age is 30 days a cycle here, so the two must be the same point.
    assert by_age.estimate == pytest.approx(30.0 * by_cycles.estimate, rel=1e-3)
    # Where thaws are missing from the log, neither is what the sources went through.
    missing = replace(which_predicts(fit, refits=0), thaws_missing=0.1)
    assert set_threshold(fit, missing).thresholds == ()
    assert len(set_threshold(fit, replace(missing, thaws_missing=0.09)).thresholds) == 2
    assert [c.exposure for c in set_threshold(fit, missing).curves] == ["cycles", "age_days"]


def test_last_digits_decide_no_limit() -> None:
    at = np.linspace(0.0, 20.0, 21)
    p = np.linspace(0.95, 0.75, 21)

    def limit(off: float) -> tuple[int | None, float | None]:
        # At 10 the lower limit lies on the floor, but for what processors differ by.
        low = np.where(at == 10.0, 0.85 + off, p)
        curve = FindCurve("cycles", at, p, low, p, 0.9, np.zeros(21, bool), (), "")
        found = read_threshold(curve, 0.85, 20.0)
        return found.retire_after, found.low

    for off in (1e-12, -1e-12, 0.0):
        # A cycle is 0.01 of finds here: the crossing moves by 1e-10 of one.
        assert limit(off) == (10, pytest.approx(10.0, abs=1e-9))
    assert limit(-1e-6)[0] == 9


def test_a_step_falls_at_its_place_and_not_before(made_trials) -> None:
    trials = made_trials(3, n=600, cycle=-0.1, baseline=2.5)
    fit = fit_finds(trials, DecisionSettings(), shapes={"cycles": Shape("step", 7.0)})
    curve = find_curve(fit, "cycles", 0.9, alone=False)
    before, after = curve.probability[curve.at <= 7.0], curve.probability[curve.at > 7.0]
    assert curve.at[curve.at <= 7.0][-1] == 7.0
    assert np.ptp(before) < 1e-12
    assert np.ptp(after) < 1e-12
    floor = float((before[0] + after[0]) / 2.0)
    found = read_threshold(curve, floor, float(curve.at[-1]))
    assert found.estimate == pytest.approx(7.0, abs=1e-3)


def test_where_a_step_lies_is_weighed_place_by_place() -> None:
    rng = np.random.default_rng(3)
    source = np.repeat(np.arange(20), 60)
    exposure = rng.integers(0, 30, len(source)).astype(float)
    steps = [shape.knot for shape in step_shapes(exposure, source)]
    # Every whole number with 8 in 100 of the trials on either side.
    shares = np.array([(exposure > knot).mean() for knot in range(30)])
    carried = np.flatnonzero((shares >= 0.08) & (shares <= 0.92))
    assert steps == [float(k) for k in carried if k > 0]
    tried = {s.knot for s in candidate_shapes(exposure, source) if s.kind == "step"}
    assert tried < set(steps)
    # Of many different exposures some forty, the tenths among them.
    ages = rng.uniform(0.0, 900.0, len(source))
    many = {shape.knot for shape in step_shapes(ages, source)}
    assert 30 <= len(many) <= 49
    assert {s.knot for s in candidate_shapes(ages, source) if s.kind == "step"} <= many
