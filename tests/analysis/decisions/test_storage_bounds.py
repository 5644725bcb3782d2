"""Refrigerated against frozen under other definitions of the two."""

import numpy as np
import pytest

from outcomes.analysis.decisions import storage_bounds as module
from outcomes.analysis.decisions.compare import compare_storage
from outcomes.analysis.decisions.storage_bounds import compare_bounds
from outcomes.analysis.finds.model import fit_finds
from outcomes.settings import DecisionSettings


@pytest.fixture(scope="module")
def fit(made_trials):
    """Muscle kept both ways, with shares between the bounds, and bone only frozen."""
    trials = made_trials(71, n=900, baseline=2.0, age=-0.03)
    number = trials["source_id"].str[1:].astype(int)
    trials["kind"] = np.where(number < 10, "muscle", "bone")
    # Shares lie between the bounds and on them: each definition takes in other sources.
    share = np.where(number % 2 == 0, 0.05 * (number % 5), 1.0 - 0.05 * (number % 5))
    share = np.where(number == 5, 0.72, share)
    share[trials["kind"] == "bone"] = 1.0
    trials["frozen_share"] = share
    trials["regime"] = np.select([share >= 0.8, share <= 0.2], ["frozen", "refrigerated"], "mixed")
    lost = (trials["regime"] == "refrigerated") & (
        np.random.default_rng(1).random(len(trials)) < 0.25
    )
    trials.loc[lost, "result"] = "miss"
    return fit_finds(trials, DecisionSettings())


def test_bounds_of_settings_give_the_comparison(fit):
    plain = compare_storage(fit, each_kind=False)
    found = {c.bound: c.comparison for c in compare_bounds(fit)}
    assert found[0.8] == plain
    assert plain.reason is None


def test_a_wider_definition_takes_in_more_sources(fit):
    counts = [sum(c.comparison.sources.values()) for c in compare_bounds(fit)]
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]


def test_like_definitions_are_fitted_once(fit, monkeypatch):
    calls = []

    def counted(asked, *, each_kind):
        calls.append(each_kind)
        return compare_storage(asked, each_kind=each_kind)

    monkeypatch.setattr(module, "compare_storage", counted)
    assert len(compare_bounds(fit, (0.81, 0.82, 0.83))) == 3
    assert calls == [False]


@pytest.mark.parametrize("bound", [0.5, 0.2, 1.1])
def test_bound_making_a_source_both_is_refused(fit, bound):
    with pytest.raises(ValueError, match="a bound must lie above"):
        compare_bounds(fit, (bound,))
