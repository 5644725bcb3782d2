"""Where refrigerated and frozen overlap, and what other definitions of the two give."""

from __future__ import annotations

import numpy as np
import pytest

from outcomes.analysis.decisions.compare import compare_storage
from outcomes.analysis.decisions.overlap import (
    KindComparison,
    compare_bounds,
    compare_kinds,
    storage_overlap,
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


def test_every_trial_kept_one_way_or_the_other_stands_once(fit):
    trials = fit.design.trials
    found = {k.kind: k for k in storage_overlap(fit.design.trials)}
    assert set(found) == {"muscle", "bone", "blood"}
    for kind, k in found.items():
        for way in ("frozen", "refrigerated"):
            own = trials[(trials["kind"] == kind) & (trials["regime"] == way)]
            assert list(k.ages[way]) == sorted(own["age_days"])
            assert k.sources[way] == own["source_id"].nunique()


def test_kinds_overlap_only_where_both_were_tried_at_one_age(fit):
    found = {k.kind: k for k in storage_overlap(fit.design.trials)}
    assert found["bone"].shared_from is None
    assert found["blood"].shared_from is None
    muscle = found["muscle"]
    assert muscle.shared_from == max(a[0] for a in muscle.ages.values())
    assert muscle.shared_to == min(a[-1] for a in muscle.ages.values())
    for way, ages in muscle.ages.items():
        inside = [a for a in ages if muscle.shared_from <= a <= muscle.shared_to]
        assert muscle.shared_trials[way] == len(inside)


def test_kinds_that_can_be_compared_come_first(fit):
    assert [k.kind for k in storage_overlap(fit.design.trials)] == ["muscle", "blood", "bone"]


def test_the_bounds_of_the_settings_give_the_comparison_itself(fit):
    plain = compare_storage(fit)
    found = {c.bound: c.comparison for c in compare_bounds(fit)}
    assert found[0.8] == plain
    assert plain.reason is None


def test_a_wider_definition_takes_in_more_sources(fit):
    counts = [sum(c.comparison.sources.values()) for c in compare_bounds(fit)]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]


def test_definitions_that_part_trials_alike_are_fitted_once(fit, monkeypatch):
    from outcomes.analysis.decisions import overlap as module

    calls = []

    def counted(asked):
        calls.append(1)
        return compare_storage(asked)

    monkeypatch.setattr(module, "compare_storage", counted)
    assert len(compare_bounds(fit, (0.81, 0.82, 0.83))) == 3
    assert len(calls) == 1


@pytest.mark.parametrize("bound", [0.5, 0.2, 1.1])
def test_a_bound_that_would_make_a_source_both_is_refused(fit, bound):
    with pytest.raises(ValueError, match="a bound must lie above"):
        compare_bounds(fit, (bound,))


def test_without_kinds_there_is_nothing_to_show(made_trials):
    assert storage_overlap(fit_finds(made_trials(1), DecisionSettings()).design.trials) == ()
    assert compare_kinds(fit_finds(made_trials(1), DecisionSettings())) == ()


def test_each_kind_is_compared_alone_or_refused_in_words(fit):
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


def test_a_kind_tried_both_ways_at_other_ages_is_refused_for_its_ages(made_trials):
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


def test_the_difference_within_a_kind_is_that_of_its_trials_alone(made_trials):
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
