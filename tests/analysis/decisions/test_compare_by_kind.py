"""Refrigerated against frozen kind by kind, and what other definitions of the two give."""

import numpy as np
import pytest

from outcomes.analysis.decisions.compare import compare_storage
from outcomes.analysis.decisions.compare_by_kind import (
    FewSources,
    KindComparison,
    compare_bounds,
    compare_kinds,
    kinds_with_few_sources,
)
from outcomes.analysis.finds.model import fit_finds
from outcomes.settings import DecisionSettings
from outcomes.wording.storage_compared import describe_kind, describe_kinds


@pytest.fixture(scope="module")
def fit(made_trials):
    """Muscle kept both ways, bone only frozen, blood both ways but never at one age."""
    trials = made_trials(71, n=900, baseline=2.0, age=-0.03)
    number = trials["source_id"].str[1:].astype(int)
    trials["kind"] = np.select([number < 6, number < 9], ["muscle", "bone"], "blood")
    # Shares lie between the bounds, so that each definition takes in other sources.
    share = np.where(number % 2 == 0, 0.05 * (number % 5), 1.0 - 0.05 * (number % 5))
    share = np.where(number == 5, 0.72, share)
    share[trials["kind"] == "bone"] = 1.0
    trials["frozen_share"] = share
    trials["regime"] = np.select([share >= 0.8, share <= 0.2], ["frozen", "refrigerated"], "mixed")
    blood = trials["kind"] == "blood"
    young = trials["regime"] == "refrigerated"
    rng = np.random.default_rng(1)
    trials.loc[blood & young, "age_days"] = rng.uniform(0, 100, (blood & young).sum())
    trials.loc[blood & ~young, "age_days"] = rng.uniform(300, 900, (blood & ~young).sum())
    lost = young & (rng.random(len(trials)) < 0.25)
    trials.loc[lost, "result"] = "miss"
    return fit_finds(trials, DecisionSettings())


def test_few_sources_are_told_at_shared_ages(fit):
    # Muscle alone is tried both ways at one age: 2 refrigerated of S0, S2, S4; 3 frozen.
    trials = fit.design.trials
    muscle = trials[trials["kind"] == "muscle"].groupby("regime")["source_id"].nunique()
    expected = tuple(
        FewSources("muscle", way, int(muscle[way]))
        for way in ("refrigerated", "frozen")
        if muscle[way] < 3
    )
    assert kinds_with_few_sources(trials) == expected
    assert len(expected) > 0


def test_kinds_with_most_shared_trials_come_first(made_trials):
    trials = made_trials(71, n=400)
    number = trials["source_id"].str[1:].astype(int)
    trials["regime"] = np.where(number % 2 == 0, "refrigerated", "frozen")
    trials["kind"] = np.select([number < 2, number < 6], ["bone", "muscle"], "blood")
    found = kinds_with_few_sources(trials)
    assert found == (
        FewSources("muscle", "refrigerated", 2),
        FewSources("muscle", "frozen", 2),
        FewSources("bone", "refrigerated", 1),
        FewSources("bone", "frozen", 1),
    )


def test_bounds_of_settings_give_the_comparison(fit):
    plain = compare_storage(fit)
    found = {c.bound: c.comparison for c in compare_bounds(fit)}
    assert found[0.8] == plain
    assert plain.reason is None


def test_a_wider_definition_takes_in_more_sources(fit):
    counts = [sum(c.comparison.sources.values()) for c in compare_bounds(fit)]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]


def test_like_definitions_are_fitted_once(fit, monkeypatch):
    from outcomes.analysis.decisions import compare_by_kind as module

    calls = []

    def counted(asked):
        calls.append(1)
        return compare_storage(asked)

    monkeypatch.setattr(module, "compare_storage", counted)
    assert len(compare_bounds(fit, (0.81, 0.82, 0.83))) == 3
    assert len(calls) == 1


@pytest.mark.parametrize("bound", [0.5, 0.2, 1.1])
def test_bound_making_a_source_both_is_refused(fit, bound):
    with pytest.raises(ValueError, match="a bound must lie above"):
        compare_bounds(fit, (bound,))


def test_without_kinds_there_is_nothing_to_show(made_trials):
    assert kinds_with_few_sources(fit_finds(made_trials(1), DecisionSettings()).design.trials) == ()
    assert compare_kinds(fit_finds(made_trials(1), DecisionSettings())) == ()


def test_each_kind_is_compared_alone_or_refused(fit):
    found = {k.kind: k for k in compare_kinds(fit)}
    assert list(found) == ["blood", "bone", "muscle"]
    # Bone is only frozen; blood was tried both ways, refrigerated young and frozen old.
    assert describe_kind(found["bone"], 0.05) == (
        "bone: cannot be compared: no refrigerated source was tried."
    )
    assert found["blood"].comparison.risk_difference is None
    assert "at least 3 are needed" in found["blood"].comparison.reason
    assert "among kinds" not in describe_kind(found["blood"], 0.05)
    for k in found.values():
        other = fit.design.trials["kind"] != k.kind
        assert sum(k.comparison.sources.values()) <= (
            fit.design.trials.loc[~other, "source_id"].nunique()
        )


def test_kind_with_ages_apart_is_refused_for_them(made_trials):
    trials = made_trials(71, n=900, baseline=2.0, age=-0.03)
    number = trials["source_id"].str[1:].astype(int)
    trials["kind"] = np.where(number < 6, "muscle", "blood")
    trials["frozen_share"] = (number % 2).astype(float)
    trials["regime"] = np.where(number % 2 == 1, "frozen", "refrigerated")
    rng = np.random.default_rng(1)
    blood, young = trials["kind"] == "blood", trials["regime"] == "refrigerated"
    trials.loc[blood & young, "age_days"] = rng.uniform(0, 100, (blood & young).sum())
    trials.loc[blood & ~young, "age_days"] = rng.uniform(300, 900, (blood & ~young).sum())
    found = {k.kind: k.comparison for k in compare_kinds(fit_finds(trials, DecisionSettings()))}
    assert (
        found["blood"].reason == "refrigerated and frozen sources were not tried at the same ages"
    )
    assert found["muscle"].reason is None


def test_difference_within_kind_is_of_its_trials(made_trials):
    # The planted fall of refrigerated muscle shows in muscle and not in blood.
    trials = made_trials(5, n=2400, sources=24, baseline=1.5)
    number = trials["source_id"].str[1:].astype(int)
    trials["kind"] = np.where(number % 4 < 2, "muscle", "blood")
    trials["frozen_share"] = (number % 2).astype(float)
    trials["regime"] = np.where(number % 2 == 1, "frozen", "refrigerated")
    rng = np.random.default_rng(3)
    worse = (trials["kind"] == "muscle") & (trials["regime"] == "refrigerated")
    trials.loc[worse & (rng.random(len(trials)) < 0.3), "result"] = "miss"
    kinds = compare_kinds(fit_finds(trials, DecisionSettings()))
    blood, muscle = (k.comparison for k in kinds)
    assert blood.low < 0.0 < blood.high
    assert muscle.high < 0.0
    assert muscle.sources == {"refrigerated": 6, "frozen": 6}
    told = describe_kinds(kinds, 0.05)
    assert told.startswith("Kind by kind: blood: ")
    assert told.endswith("Of 2 kinds, one may seem different by chance.")
    assert describe_kinds(kinds[:1], 0.05) is None
    assert isinstance(kinds[0], KindComparison)
