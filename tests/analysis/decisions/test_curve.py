"""The standardised curve: what it averages, its limits, and where it is thin."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, sparse, special, stats

from outcomes.analysis.decisions import curve as module
from outcomes.analysis.decisions.curve import (
    find_curve,
    log_odds_limits,
    observed_bins,
    standardised,
)
from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.describe_terms import linear_predictor
from outcomes.analysis.finds.model import fit_finds, refit
from outcomes.analysis.finds.shapes import LINE, Shape, WeightedShape
from outcomes.exposure.trials import join
from outcomes.models.mixed import fit_mixed
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, mean_find_probability, simulate_unit


@pytest.fixture(scope="module")
def grouped(made_trials):
    trials = made_trials(1, n=500, cycle=-0.08, baseline=2.0, source_sd=0.7)
    return fit_finds(trials, DecisionSettings())


@pytest.mark.parametrize("exposure", ["cycles", "age_days"])
def test_limits_are_statsmodels_delta_method(made_trials, exposure):
    # statsmodels: get_prediction(average=True) gives the mean prediction and its delta-method
    # error; ours is put on the log-odds scale with Student's t on sources minus two.
    design = replace(plan_design(made_trials(2, cycle=-0.1, age=-0.03)), groups={})
    mixed = fit_mixed(design.y, design.x, design.names, {})
    reference = sm.Logit(design.y, design.x).fit(disp=False)
    position = design.column_of(exposure)
    at = np.array([0.0, 6.0, 20.0]) * design.columns[position - 1].divisor
    found = np.array(standardised(design, mixed, exposure, at, 0.90))
    for k, value in enumerate(at):
        x = design.x.copy()
        x[:, position] = value / design.columns[position - 1].divisor
        prediction = reference.get_prediction(x, average=True)
        mean, error = float(prediction.predicted), float(np.squeeze(prediction.se))
        reach = stats.t(12 - 2).ppf(0.95) * error / (mean * (1.0 - mean))
        expected = [mean, *special.expit(special.logit(mean) + reach * np.array([-1.0, 1.0]))]
        # 1e-5: two optimisers, each within its own tolerance.
        assert found[:, k] == pytest.approx(expected, abs=1e-5)


@pytest.mark.slow
def test_only_the_exposure_is_set_in_each_trial(grouped):
    # Trial by trial with adaptive quadrature over what its dog, source and session leave open.
    design, mixed = grouped.design, grouped.mixed
    column = design.column_of("cycles")
    at = 7.0
    values = {}
    total = 0.0
    for i in range(len(design.y)):
        key = (design.groups["dog"][i], design.groups["source"][i], design.x[i, 2])
        if key not in values:
            row = design.x[i].copy()
            row[column] = at
            eta, variance = float(row @ mixed.beta), 0.0
            for grouping in ("dog", "source"):
                effect = mixed.effects[grouping].loc[design.groups[grouping][i]]
                eta += effect["effect"]
                variance += effect["std_error"] ** 2
            sd = np.sqrt(variance)
            values[key] = integrate.quad(
                lambda z, e=eta, s=sd: special.expit(e + s * z) * stats.norm.pdf(z), -9, 9
            )[0]
        total += values[key]
    probability, _, _ = standardised(design, mixed, "cycles", np.array([at]), 0.9)
    assert probability[0] == pytest.approx(total / len(design.y), abs=1e-6)


def test_limits_count_dog_and_source_estimates(made_trials):
    # The delta method again, by central differences over every effect of the joint covariance.
    trials = made_trials(1, n=500, cycle=-0.08, baseline=2.0, source_sd=0.7)
    rng = np.random.default_rng(5)
    worse = trials["dog_id"].isin(["D0", "D1"]) & (rng.random(500) < 0.3)
    fit = fit_finds(trials.assign(result=trials["result"].mask(worse, "miss")), DecisionSettings())
    design, mixed = fit.design, fit.mixed
    assert mixed.sd["dog"] > 0.2
    assert mixed.sd["source"] > 0.2
    column = design.column_of("age_days")
    x = design.x.copy()
    x[:, column] = 400.0 / design.columns[column - 1].divisor
    _, spread = linear_predictor(design, mixed)
    start = np.array(
        [
            mixed.beta[mixed.names.index(level)]
            if grouping == ""
            else mixed.effects[grouping].loc[level, "effect"]
            for grouping, level in mixed.joint_names
        ]
    )

    def mean(effects):
        known = dict(zip(mixed.joint_names, effects, strict=True))
        eta = x @ [known["", name] for name in mixed.names]
        for grouping in ("dog", "source"):
            eta = eta + [known[grouping, str(level)] for level in design.groups[grouping]]
        nodes, weights = np.polynomial.hermite_e.hermegauss(40)
        p = special.expit(eta[:, None] + spread[:, None] * nodes)
        return float((p @ weights).mean() / weights.sum())

    near = 1e-4 * np.eye(len(start))
    gradient = np.array([(mean(start + h) - mean(start - h)) / 2e-4 for h in near])
    centre = mean(start)
    error = np.sqrt(gradient @ mixed.joint_cov @ gradient) / (centre * (1.0 - centre))
    sources = len(set(design.groups["source"]))
    reach = stats.t(sources - 2).ppf(0.95) * np.array([0.0, -1.0, 1.0])
    expected = special.expit(special.logit(centre) + reach * error)
    found = standardised(design, mixed, "age_days", np.array([400.0]), 0.90)
    # 1e-5: quadrature with as many nodes as a briefing takes.
    assert np.ravel(found) == pytest.approx(expected, abs=1e-5)


def test_like_trials_stand_for_a_large_unit(grouped, monkeypatch):
    curve = find_curve(grouped, "cycles", 0.9, alone=False)
    monkeypatch.setattr(module, "_ROWS", 100)
    coarse = find_curve(grouped, "cycles", 0.9, alone=False)
    # Five neighbours in log-odds share a point: far below what a reader could see.
    np.testing.assert_allclose(coarse.probability, curve.probability, atol=5e-4)
    np.testing.assert_allclose(coarse.low, curve.low, atol=2e-3)
    np.testing.assert_allclose(coarse.high, curve.high, atol=2e-3)
    alike = module._grouped(np.arange(500.0), np.zeros(500), sparse.eye(500, format="csr"))
    assert alike[3] == pytest.approx(np.full(100, 0.01))


@given(st.floats(0.5, 0.98), st.floats(0.002, 0.015))
@settings(deadline=None, max_examples=10)
def test_band_widens_with_confidence(grouped, base, more):
    at = np.linspace(0.0, 20.0, 5)
    design, mixed = grouped.design, grouped.mixed
    p, low, high = standardised(design, mixed, "cycles", at, base)
    q, lower, higher = standardised(design, mixed, "cycles", at, base + more)
    np.testing.assert_array_equal(p, q)
    assert (lower < low).all()
    assert (low < p).all()
    assert (p < high).all()
    assert (high < higher).all()


def test_curve_spans_what_was_observed(grouped):
    for exposure in ("cycles", "age_days"):
        curve = find_curve(grouped, exposure, 0.9, alone=False)
        steps = np.diff(curve.probability)
        assert (steps < 0).all() or (steps > 0).all()
        values = grouped.design.trials[exposure]
        assert (curve.at[0], curve.at[-1]) == (values.min(), values.max())


def test_slopes_widen_their_own_exposure(made_trials):
    # Sources differ in how they change with cycles: a curve by age alone knows nothing of it.
    slopes = np.tile([-0.45, 0.0, 0.3], 4)
    fit = fit_finds(made_trials(36, n=1000, baseline=1.0, cycle_slopes=slopes), DecisionSettings())
    assert {s.exposure for s in fit.slopes} == {"cycles"}
    for exposure, sloped in (("cycles", True), ("age_days", False)):
        only = plan_design(fit.design.trials, exposures=(exposure,))
        curve = find_curve(fit, exposure, 0.9, alone=True)
        expected = standardised(only, refit(only, slopes=sloped), exposure, curve.at, 0.9)
        found = curve.probability, curve.low, curve.high
        np.testing.assert_allclose(found, expected, atol=1e-6)
    step = [WeightedShape(Shape("step", 10.0), 1.0, 0.0)]
    bent = fit.design.with_shapes({"cycles": step[0].shape})
    curve = find_curve(fit, "cycles", 0.9, alone=False, shapes=step)
    _, low, _ = standardised(bent, refit(bent, slopes=True), "cycles", curve.at, 0.9)
    np.testing.assert_allclose(curve.low, low, atol=1e-6)


def test_shapes_are_averaged_by_support(grouped):
    # Turek & Fletcher 2012: tails of each model's own t, by weight, make 5 in 100 a side.
    shapes = [WeightedShape(Shape("step", 10.0), 0.4, 1.0), WeightedShape(LINE, 0.6, 0.0)]
    found = find_curve(grouped, "cycles", 0.9, alone=False, shapes=shapes)
    each = [find_curve(grouped, "cycles", 0.9, alone=False, shapes=[s]) for s in shapes]
    weights, k = np.array([0.4, 0.6]), 15
    # At a step there are two places more, where a line has none.
    even = np.isin(found.at, each[1].at)
    assert len(found.at) == len(each[0].at) > even.sum() == len(each[1].at)
    both = [each[0].probability[even], each[1].probability]
    np.testing.assert_allclose(found.probability[even], weights @ both)
    log_odds = special.logit([[c.low[k], c.probability[k], c.high[k]] for c in each])
    own = stats.t(len(set(grouped.design.groups["source"])) - 2)
    error = (log_odds[:, 2] - log_odds[:, 0]) / (2.0 * own.ppf(0.95))
    for side, limit in ((1.0, found.low[k]), (-1.0, found.high[k])):
        tail = weights @ own.sf(side * (log_odds[:, 1] - special.logit(limit)) / error)
        assert tail == pytest.approx(0.05, abs=1e-6)


def test_a_copy_is_drawn_on_its_own_scale(made_trials):
    fit = fit_finds(made_trials(3, cycle=-0.1, tied=True), DecisionSettings())
    by_cycles, by_age = (find_curve(fit, e, 0.9, alone=True) for e in ("cycles", "age_days"))
    np.testing.assert_allclose(by_age.at, 30.0 * by_cycles.at)
    np.testing.assert_allclose(by_age.probability, by_cycles.probability, atol=1e-5)
    np.testing.assert_allclose(by_age.low, by_cycles.low, atol=1e-4)
    # Not alone there is nothing to hold the copy at.
    assert len(find_curve(fit, "age_days", 0.9, alone=False).at) == 0


def test_without_a_model_the_proportions_remain(made_trials):
    fit = fit_finds(made_trials(4, n=100, dogs=2), DecisionSettings())
    curve = find_curve(fit, "cycles", 0.9, alone=False)
    assert len(curve.at) == len(curve.probability) == 0
    assert curve.held == ""
    assert sum(b.n for b in curve.bins) == 100


def test_fewer_than_three_sources_is_thin():
    curve = find_curve(_staggered(), "cycles", 0.9, alone=False)
    # Sources reach 10, 11, ... 19 cycles: at least three reach 17, two reach 18.
    assert not curve.thin[(curve.at >= 2.0) & (curve.at <= 17.0)].any()
    assert curve.thin[curve.at > 17.0].all()


def _staggered():
    rng = np.random.default_rng(5)
    rows = []
    for k in range(10):
        cycles = np.tile(np.arange(0.0, 11.0 + k), 6)
        rows.append(pd.DataFrame({"source_id": f"S{k}", "cycles": cycles}))
    trials = pd.concat(rows, ignore_index=True)
    n = len(trials)
    found = rng.random(n) < special.expit(2.0 - 0.05 * trials["cycles"])
    return fit_finds(
        trials.assign(
            trial_id=np.arange(n).astype(str),
            started_at=pd.Timestamp("2025-01-01"),
            dog_id=[f"D{i % 4}" for i in range(n)],
            result=np.where(found, "find", "miss"),
            age_days=rng.uniform(0, 900, n),
            documented=pd.array(np.ones(n, dtype=bool), dtype="boolean"),
        ),
        DecisionSettings(),
    )


@given(st.floats(0.0, 1.0), st.floats(0.0, 10.0), st.floats(0.1, 20.0))
def test_limits_hold_the_probability_at_extremes(mean, variance, reach):
    low, high = log_odds_limits(mean, variance, reach)
    assert 0.0 <= low <= high <= 1.0
    # A probability nearer to 0 or 1 than 1e-9 counts as that near.
    assert low <= mean + 2e-9
    assert high >= mean - 2e-9


@given(st.lists(st.integers(0, 40), min_size=1, max_size=400), st.integers(0, 9))
@settings(deadline=None, max_examples=40)
def test_bins_hold_every_trial_once(values, seed):
    rng = np.random.default_rng(seed)
    trials = pd.DataFrame(
        {
            "cycles": np.array(values, dtype=float),
            "source_id": rng.integers(0, 5, len(values)).astype(str),
            "result": rng.choice(["find", "miss"], len(values)),
        }
    )
    trials.loc[rng.random(len(values)) < 0.1, "cycles"] = np.nan
    bins = observed_bins(trials, "cycles", 0.95)
    used = trials.dropna(subset=["cycles"])
    assert sum(b.n for b in bins) == len(used)
    assert sum(b.finds for b in bins) == (used["result"] == "find").sum()
    assert len(bins) <= 7
    assert len(bins) == 1 or not bins or all(b.n >= 30 for b in bins)
    for before, after in pairwise(bins):
        assert before.high < after.low
    for one in bins:
        own = used[used["cycles"].between(one.low, one.high)]
        assert one.mean == pytest.approx(own["cycles"].mean())
        assert one.sources == own["source_id"].nunique()
        assert one.proportion_low <= one.proportion <= one.proportion_high


@pytest.mark.parametrize(
    ("at_each", "wanted"),
    [
        # Four bins of 33.75: 30 fall short by less than 70 overshoot; 20 are too few for a bin.
        ([30, 40, 20, 45], [30, 40, 65]),
        # Seven bins of 40: 38 are nearer to it than 30; one common value takes one bin.
        ([30, 8, 242], [38, 242]),
        # The last are too few, and go to the bin before them.
        ([30, 35, 29], [30, 64]),
    ],
)
def test_bin_closes_before_it_grows_too_far(at_each, wanted):
    cycles = np.repeat(np.arange(float(len(at_each))), at_each)
    trials = pd.DataFrame({"cycles": cycles, "source_id": "S1", "result": "find"})
    assert [b.n for b in observed_bins(trials, "cycles", 0.95)] == wanted


@pytest.mark.parametrize("seed", [51, 52, 53, 54])
def test_the_true_curve_lies_within_its_limits(seed):
    unit = simulate_unit(SCENARIOS["cycles only"], seed, trials=800)
    fit = fit_finds(join(unit_records(unit)).trials, DecisionSettings())
    # 99.9 %: each of eight points misses once in a thousand units.
    curve = find_curve(fit, "cycles", 0.999, alone=False)
    for at in fit.design.trials["cycles"].quantile([0.25, 0.9]):
        true = mean_find_probability(unit, float(at))
        assert np.interp(at, curve.at, curve.low) < true < np.interp(at, curve.at, curve.high)


def test_cycle_limit_is_about_thawing_sources():
    truth = replace(SCENARIOS["cycles only"], refrigerated_log_odds=1.5, refrigerated_share=0.5)
    unit = simulate_unit(truth, 3001)
    records = unit_records(unit)
    trials = join(records).trials
    fit = fit_finds(trials, DecisionSettings())
    curve = find_curve(fit, "cycles", 0.9, alone=False)
    used = fit.design.trials
    most = used.groupby("source_id")["cycles"].max().astype(float)
    never = set(most.index[most == 0.0])
    assert len(never) > 5
    assert curve.without == len(never)
    assert sum(b.n for b in curve.bins) == int((~used["source_id"].isin(never)).sum())
    # By hand: those trials alone, all at the same number of cycles, what is open averaged over.
    rows = ~used["source_id"].isin(never).to_numpy()
    eta, spread = linear_predictor(fit.design, fit.mixed)
    column = fit.design.column_of("cycles")
    step = fit.mixed.beta[column] * (12.0 - used["cycles"].to_numpy(dtype=float))
    normal = stats.norm.ppf((np.arange(1001)[:, None] + 0.5) / 1001)
    level = (eta + step)[rows] + spread[rows] * normal
    by_hand = (1.0 / (1.0 + np.exp(-level))).mean()
    assert np.interp(12.0, curve.at, curve.probability) == pytest.approx(by_hand, abs=2e-3)
    whole = (1.0 / (1.0 + np.exp(-(eta + step + spread * normal)))).mean()
    assert by_hand < whole - 0.03  # with the refrigerated ones the limit would be set too late


def test_a_limit_by_age_is_about_all_sources():
    records = unit_records(simulate_unit(SCENARIOS["age only"], 5, trials=700))
    fit = fit_finds(join(records).trials, DecisionSettings())
    curve = find_curve(fit, "age_days", 0.9, alone=False)
    assert curve.without == 0
    assert sum(b.n for b in curve.bins) == fit.n
