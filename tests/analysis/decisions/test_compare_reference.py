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
    found = compare_storage(plain).difference
    # The same by hand: storage and cycles set either way, predictions averaged.
    cold = (kept_both_ways["regime"] == "refrigerated").astype(float)
    data = pd.DataFrame(
        {
            "const": 1.0,
            "cycles": kept_both_ways["cycles"],
            "age": kept_both_ways["age_days"] / 30.0,
            "kind": (kept_both_ways["kind"] == "blood").astype(float),
            "storage": cold,
            "by_age": cold * kept_both_ways["age_days"] / 30.0,
        }
    )
    y = (kept_both_ways["result"] == "find").astype(float)
    logit = sm.Logit(y, data).fit(disp=False)
    ages = kept_both_ways.groupby("regime")["age_days"].agg(["min", "max"])
    own = data[kept_both_ways["age_days"].between(ages["min"].max(), ages["max"].min())]
    frozen = data[data["storage"] == 0.0].sort_values("age", kind="stable")
    place = np.searchsorted(frozen["age"], own["age"]) - 30
    nearest = [frozen["cycles"].iloc[p : p + 60] for p in np.clip(place, 0, len(frozen) - 60)]
    usual = np.array([np.quantile(cycles, [0.1, 0.3, 0.5, 0.7, 0.9]) for cycles in nearest])

    def difference(params: np.ndarray) -> float:
        way = own.assign(storage=1.0, cycles=0.0, by_age=own["age"])
        cold = logit.model.predict(params, way).mean()
        warm = [
            logit.model.predict(params, own.assign(storage=0.0, by_age=0.0, cycles=c)).mean()
            for c in usual.T
        ]
        return float(cold - np.mean(warm))

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
    comparison = compare_storage(fit)
    found = comparison.difference
    assert found.sources == {"refrigerated": 6, "frozen": 6}
    assert (comparison.kinds, comparison.kinds_left_out) == (("blood", "muscle"), ())
    # Intercept, cycles, age, kind and storage are judged on 12 sources; storage by age is not.
    error = (found.high - found.low) / 2.0 / stats.t.ppf(0.975, 7)
    assert found.p == pytest.approx(2 * stats.t.sf(abs(found.risk_difference) / error, 7), rel=1e-6)
    # Errors are those of the fit at restricted spreads.
    restricted = module.with_restricted_spreads

    def doubled(*known):
        mixed = restricted(*known)
        return replace(mixed, cov=4.0 * mixed.cov)

    monkeypatch.setattr(module, "with_restricted_spreads", doubled)
    twice = compare_storage(fit).difference
    assert twice.high - twice.low == pytest.approx(2.0 * (found.high - found.low), rel=1e-6)


@pytest.mark.parametrize("alpha", [0.4, 0.2, 0.05, 0.01, 1e-4, 1e-7])
def test_p_and_limits_agree_at_every_level(kept_both_ways, alpha):
    found = compare_storage(fit_finds(kept_both_ways, DecisionSettings(alpha=alpha))).difference
    assert (found.p < alpha) == (not found.low <= 0.0 <= found.high)


def test_order_of_rows_does_not_matter(kept_both_ways):
    turned = kept_both_ways.sample(frac=1.0, random_state=4)
    one, two = (
        compare_storage(fit_finds(t, DecisionSettings())).difference
        for t in (kept_both_ways, turned)
    )
    for name in ("risk_difference", "low", "high", "refrigerated", "frozen"):
        assert getattr(two, name) == pytest.approx(getattr(one, name), abs=1e-6)


def test_kinds_kept_one_way_are_left_out_by_name(kept_both_ways):
    number = kept_both_ways["source_id"].str[1:].astype(int)
    trials = kept_both_ways.assign(kind=kept_both_ways["kind"].mask(number == 2, "ash"))
    found = compare_storage(fit_finds(trials, DecisionSettings()))
    assert found.kinds_left_out == ("ash",)
    assert found.sources == {"refrigerated": 5, "frozen": 6}


def test_ages_of_one_way_only_are_left_out(kept_both_ways):
    old = kept_both_ways["regime"].eq("frozen") & (np.arange(900) % 9 == 0)
    trials = kept_both_ways.assign(age_days=kept_both_ways["age_days"].mask(old, 5000.0))
    found = compare_storage(fit_finds(trials, DecisionSettings()))
    assert found.other_ages >= old.sum()
    assert found.trials == 900 - found.other_ages


def _with_few_sources(trials):
    number = trials["source_id"].str[1:].astype(int)
    return trials.assign(regime=np.where(number < 2, "refrigerated", "frozen"), kind="muscle")


def _with_ages_apart(trials):
    young = trials["regime"] == "refrigerated"
    rng = np.random.default_rng(72)
    days = np.where(young, rng.uniform(0, 200, len(trials)), rng.uniform(300, 900, len(trials)))
    return trials.assign(age_days=days)


def _with_few_misses(trials):
    # Of 36 misses, one in three where storage is one or the other.
    miss = trials["result"].eq("miss")
    few = miss & (miss.cumsum() > 36)
    return trials.assign(
        result=trials["result"].mask(few, "find"),
        regime=trials["regime"].mask(miss & (miss.cumsum() % 3 > 0), "mixed"),
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
    assert (found.difference, found.by_kind) == (None, {})
