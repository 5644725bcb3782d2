"""How one source's advice came about: every trial in order, and what each added."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, special, stats

from outcomes.analysis.decisions.explain import explain_source, source_level
from outcomes.analysis.finds.model import fit_finds
from outcomes.settings import DecisionSettings


@pytest.fixture(scope="module")
def told(made_trials):
    trials = made_trials(5, n=700, cycle=-0.1, source_sd=0.9)
    worse = trials["dog_id"].isin(["D0", "D1"]) & (np.random.default_rng(5).random(700) < 0.3)
    trials.loc[worse, "result"] = "miss"
    trials["assisted"] = False
    trials["humidity_pct"] = np.random.default_rng(1).uniform(40, 90, 700)
    own = trials.index[trials["source_id"] == "S03"]
    trials.loc[own[4], "assisted"] = True
    trials.loc[own[7], "documented"] = False
    trials.loc[own[9], "humidity_pct"] = np.nan
    fit = fit_finds(trials, DecisionSettings())
    return trials, fit, explain_source(fit, trials, "S03")


def test_every_hide_trial_stands_once_by_time(told):
    trials, _, found = told
    own = trials[trials["source_id"] == "S03"].sort_values("started_at")
    assert [t.trial_id for t in found.trials] == list(own["trial_id"])
    assert [t.result for t in found.trials] == list(own["result"])
    assert [t.age_days for t in found.trials] == list(own["age_days"])
    logged = own["cycles"].where(own["documented"])
    assert [t.cycles for t in found.trials] == [None if np.isnan(c) else c for c in logged]
    counted = [t for t in found.trials if t.why_not != "the dog was helped"]
    assert [t.trials for t in counted] == list(range(1, len(counted) + 1))
    assert counted[-1].finds == sum(t.result == "find" for t in counted)


def test_a_trial_the_model_does_without_says_why(told):
    _, _, found = told
    reasons = {k: t.why_not for k, t in enumerate(found.trials) if t.why_not}
    assert reasons == {
        4: "the dog was helped",
        7: "the storage log does not say where the source was",
        9: "not recorded: humidity_pct",
    }
    for t in found.trials:
        assert (t.running is None) == (t.expected is None) == (t.why_not is not None)


def test_expected_is_the_models_prediction(told):
    _, fit, found = told
    mixed, design = fit.each_source, fit.design
    first = found.trials[0]
    row = design.trials["trial_id"].tolist().index(first.trial_id)
    dog = mixed.effects["dog"].loc[first.dog_id]
    source = mixed.effects["source"].loc["S03"]
    eta = design.x[row] @ mixed.beta + dog["effect"] + source["effect"]
    sd = np.hypot(dog["std_error"], source["std_error"])
    by_hand = integrate.quad(lambda z: special.expit(eta + sd * z) * stats.norm.pdf(z), -9, 9)[0]
    assert first.expected == pytest.approx(by_hand, abs=1e-6)


def test_find_lifts_and_miss_lowers_the_level():
    y = np.array([1.0, 1.0, 0.0, 1.0, 0.0, 0.0])
    offset = np.linspace(1.0, -0.5, 6)
    levels = [source_level(y[:k], offset[:k], 0.8)[0] for k in range(7)]
    for k, result in enumerate(y):
        assert (levels[k + 1] > levels[k]) == (result == 1.0)


def test_level_is_the_mode_of_prior_and_trials():
    rng = np.random.default_rng(2)
    offset = rng.normal(1.0, 1.0, 12)
    y = (rng.random(12) < special.expit(offset - 1.0)).astype(float)
    level, error = source_level(y, offset, 0.7)
    grid = np.linspace(-4, 4, 80_001)
    eta = offset[:, None] + grid
    log_density = (y[:, None] * eta - np.logaddexp(0.0, eta)).sum(axis=0) - grid**2 / (2 * 0.49)
    assert level == pytest.approx(grid[log_density.argmax()], abs=1e-4)
    second = np.gradient(np.gradient(log_density, grid), grid)[log_density.argmax()]
    assert error == pytest.approx(1 / np.sqrt(-second), rel=1e-3)


def test_last_estimate_is_near_the_models_own(told):
    # All its trials are in by then: the fitted effect of the source, up to what dogs leave open.
    _, fit, found = told
    own = fit.design.groups["source"] == "S03"
    eta = fit.design.x @ fit.each_source.beta
    dog = fit.each_source.effects["dog"]["effect"].reindex(fit.design.groups["dog"]).to_numpy()
    order = np.argsort(fit.design.trials["started_at"].to_numpy()[own], kind="stable")
    level, error = source_level(
        fit.design.y[own][order], (eta + dog)[own][order], fit.each_source.sd["source"]
    )
    fitted = fit.each_source.effects["source"].loc["S03"]
    assert level == pytest.approx(fitted["effect"], abs=0.02)
    assert 0.8 * fitted["std_error"] < error < fitted["std_error"]  # dogs leave more open
    last = [t for t in found.trials if t.running is not None][-1]
    assert last.low < last.running < last.high


def test_running_is_the_mean_over_the_unit(told):
    # By hand, at the source's own cycles and age: over every dog and condition of the unit.
    _, fit, found = told
    assert min(fit.each_source.effects["dog"]["std_error"]) > 0.1
    assert (len(fit.design.columns), found.source_sd) == (3, fit.each_source.sd["source"])
    _held_to_the_mean(fit, found)


def test_running_leaves_sessions_open(made_trials):
    trials = made_trials(5, n=700, cycle=-0.1, source_sd=0.9)
    trials["session_id"] = [f"P{i // 10}" for i in range(700)]
    poor = trials["session_id"].isin([f"P{k}" for k in range(0, 70, 3)])
    trials.loc[poor & (np.random.default_rng(5).random(700) < 0.5), "result"] = "miss"
    fit = fit_finds(trials, DecisionSettings())
    assert fit.each_source.sd["session"] > 0.4
    _held_to_the_mean(fit, explain_source(fit, trials, "S03"))


def _held_to_the_mean(fit, found):
    mixed, design = fit.each_source, fit.design
    last = [t for t in found.trials if t.running is not None][-1]
    row = design.trials["trial_id"].tolist().index(last.trial_id)
    state = [j for j, c in enumerate(design.columns, 1) if c.term in ("cycles", "age_days")]
    of_source = design.x[:, state] @ mixed.beta[state]
    dogs = mixed.effects["dog"].reindex(design.groups["dog"])
    rest = design.x @ mixed.beta - of_source + dogs["effect"].to_numpy()
    own = design.groups["source"] == "S03"
    level, error = source_level(design.y[own], (rest + of_source)[own], mixed.sd["source"])
    open_still = np.hypot(dogs["std_error"].to_numpy(), mixed.sd.get("session", 0.0))
    node, weight = np.polynomial.hermite_e.hermegauss(15)

    def mean(level, sd):
        each = special.expit((rest + of_source[row] + level)[:, None] + sd[:, None] * node)
        return (each @ weight).mean() / weight.sum()

    reach = stats.t.ppf(0.95, design.trials["source_id"].nunique() - 2) * error
    # Sixty trials stand for all.
    assert last.running == pytest.approx(mean(level, np.hypot(open_still, error)), abs=0.002)
    assert last.low == pytest.approx(mean(level - reach, open_still), abs=0.002)
    assert last.high == pytest.approx(mean(level + reach, open_still), abs=0.002)


def test_more_trials_leave_less_open(told):
    _, _, found = told
    width = [t.high - t.low for t in found.trials if t.running is not None]
    assert width[-1] < width[0]


def test_estimate_limits_are_at_the_confidence(told):
    trials, fit, found = told
    # A single standard error to either side, which is what 68.27 % of a normal are within.
    narrow = replace(fit, settings=replace(fit.settings, confidence=0.6827))
    less = explain_source(narrow, trials, "S03").trials
    for one, other in zip(found.trials, less, strict=True):
        if one.running is not None:
            assert one.low < other.low < other.running < other.high < one.high


def test_without_a_model_trials_stand_alone(made_trials):
    trials = made_trials(5, n=60)
    found = explain_source(fit_finds(trials, DecisionSettings()), trials, "S03")
    assert found.source_sd is None
    assert found.trials
    assert all(t.expected is None and t.running is None for t in found.trials)


def test_untried_source_has_nothing_to_explain(told):
    trials, fit, _ = told
    assert explain_source(fit, pd.DataFrame(trials), "S99").trials == ()
