"""Refrigerated against frozen: the standardised difference, by other means."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from outcomes.analysis.decisions import compare as module
from outcomes.analysis.decisions.compare import compare_storage
from outcomes.analysis.finds.model import fit_finds
from outcomes.models.mixed import fit_mixed
from outcomes.settings import DecisionSettings


@pytest.fixture(scope="module")
def kept_both_ways(made_trials):
    """Sources of two kinds, half of each refrigerated; found less often there."""
    trials = made_trials(71, n=900, baseline=2.0, age=-0.03)
    number = trials["source_id"].str[1:].astype(int)
    rng = np.random.default_rng(71)
    trials["regime"] = np.where(number % 2 == 0, "refrigerated", "frozen")
    trials["kind"] = np.where(number % 4 < 2, "muscle", "blood")
    lost = (trials["regime"] == "refrigerated") & (rng.random(len(trials)) < 0.25)
    trials.loc[lost, "result"] = "miss"
    return trials


def test_without_groupings_it_is_statsmodels(kept_both_ways):
    fit = fit_finds(kept_both_ways, DecisionSettings())
    plain = replace(fit, design=replace(fit.design, groups={}))
    found = compare_storage(plain)
    # The same by hand: age set, storage set both ways, predictions averaged.
    data = pd.DataFrame(
        {
            "const": 1.0,
            "age": kept_both_ways["age_days"] / 30.0,
            "kind": (kept_both_ways["kind"] == "blood").astype(float),
            "storage": (kept_both_ways["regime"] == "refrigerated").astype(float),
        }
    )
    y = (kept_both_ways["result"] == "find").astype(float)
    logit = sm.Logit(y, data).fit(disp=False)

    def difference(params: np.ndarray) -> float:
        way = data.assign(age=found.at_age_days / 30.0)
        means = [logit.model.predict(params, way.assign(storage=s)).mean() for s in (1.0, 0.0)]
        return float(means[0] - means[1])

    params = logit.params.to_numpy()
    assert found.risk_difference == pytest.approx(difference(params), abs=1e-6)
    step = 1e-5
    gradient = np.array(
        [
            (difference(params + step * e) - difference(params - step * e)) / (2 * step)
            for e in np.eye(len(params))
        ]
    )
    error = float(np.sqrt(gradient @ logit.cov_params().to_numpy() @ gradient))
    # 1e-5: numerical derivatives and two optimisers.
    assert found.low == pytest.approx(found.risk_difference - 1.959964 * error, abs=1e-5)
    assert found.high == pytest.approx(found.risk_difference + 1.959964 * error, abs=1e-5)
    assert found.p == pytest.approx(2 * stats.norm.sf(abs(found.risk_difference) / error), rel=1e-3)


def test_limits_allow_for_few_sources(kept_both_ways, monkeypatch):
    fit = fit_finds(kept_both_ways, DecisionSettings())
    found = compare_storage(fit)
    assert found.sources == {"refrigerated": 6, "frozen": 6}
    assert (found.kinds, found.kinds_left_out) == (("blood", "muscle"), ())

    def as_fitted(design, *, slopes, reduced):
        return fit_mixed(design.y, design.x, design.names, design.groups)

    monkeypatch.setattr(module, "refit", as_fitted)
    plain = compare_storage(fit)
    # Intercept, age, kind and storage are judged on 12 sources; the intercept, age and storage
    # are asked about: 12 / (12 - 3) on every variance.
    ratio = (found.high - found.low) / (plain.high - plain.low)
    assert ratio == pytest.approx(np.sqrt(12 / 9), rel=1e-9)


@pytest.mark.parametrize("alpha", [0.4, 0.2, 0.05, 0.01, 1e-4, 1e-7])
def test_p_and_limits_agree_at_every_level(kept_both_ways, alpha):
    found = compare_storage(fit_finds(kept_both_ways, DecisionSettings(alpha=alpha)))
    assert (found.p < alpha) == (not found.low <= 0.0 <= found.high)


def test_swapping_ways_turns_the_difference(kept_both_ways):
    swap = {"frozen": "refrigerated", "refrigerated": "frozen"}
    turned = kept_both_ways.assign(regime=kept_both_ways["regime"].map(swap))
    one, two = (compare_storage(fit_finds(t, DecisionSettings())) for t in (kept_both_ways, turned))
    assert two.risk_difference == pytest.approx(-one.risk_difference, abs=1e-4)
    assert (two.low, two.high) == (
        pytest.approx(-one.high, abs=1e-3),
        pytest.approx(-one.low, abs=1e-3),
    )


def test_kinds_kept_one_way_are_left_out_by_name(kept_both_ways):
    number = kept_both_ways["source_id"].str[1:].astype(int)
    trials = kept_both_ways.assign(kind=kept_both_ways["kind"].mask(number == 2, "ash"))
    found = compare_storage(fit_finds(trials, DecisionSettings()))
    assert found.kinds_left_out == ("ash",)
    assert found.sources == {"refrigerated": 5, "frozen": 6}


def _with_few_sources(trials):
    number = trials["source_id"].str[1:].astype(int)
    return trials.assign(regime=np.where(number < 2, "refrigerated", "frozen"), kind="muscle")


def _with_ages_apart(trials):
    young = trials["regime"] == "refrigerated"
    rng = np.random.default_rng(72)
    days = np.where(young, rng.uniform(0, 200, len(trials)), rng.uniform(300, 900, len(trials)))
    return trials.assign(age_days=days)


def _with_few_misses(trials):
    few = trials["result"].eq("miss") & (trials["result"].eq("miss").cumsum() > 34)
    settings = [f"place {i % 3}" for i in range(len(trials))]
    return trials.assign(result=trials["result"].mask(few, "find"), setting=settings).assign(
        # One miss in three where storage is neither one nor the other.
        regime=trials["regime"].mask(
            trials["result"].eq("miss") & (np.arange(900) % 3 > 0), "mixed"
        )
    )


def _with_a_few_trials(trials):
    return trials.head(80)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (
            _with_few_sources,
            "among kinds kept both ways only 2 refrigerated sources were tried; "
            "at least 3 are needed",
        ),
        (_with_ages_apart, "refrigerated and frozen sources were not tried at the same ages"),
        (_with_few_misses, "too few finds or misses to compare the two"),
        (_with_a_few_trials, "too few trials to fit a model that could be trusted"),
    ],
)
def test_without_a_comparison_the_reason_is_given(kept_both_ways, change, reason):
    found = compare_storage(fit_finds(change(kept_both_ways), DecisionSettings()))
    assert found.reason == reason
    numbers = (found.risk_difference, found.low, found.high, found.p)
    assert numbers == (None,) * 4
