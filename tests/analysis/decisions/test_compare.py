"""Refrigerated against frozen: recovery, refusals, and the E-value."""

from __future__ import annotations

import pytest

from outcomes.analysis.decisions.compare import (
    Comparison,
    _storage_design,
    compare_storage,
    e_value,
)
from outcomes.analysis.finds.model import fit_finds, small_sample
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, Truth, simulate_unit
from outcomes.wording.storage_compared import describe_storage_compared


def _compare(truth: Truth, seed: int = 2) -> Comparison:
    trials = join(unit_records(simulate_unit(truth, seed, trials=1600, sources=30))).trials
    return compare_storage(fit_finds(trials, DecisionSettings()))


def _planted(effect: float) -> Truth:
    from dataclasses import replace

    return replace(
        SCENARIOS["no effect"],
        refrigerated_log_odds=effect,
        refrigerated_share=0.5,
        baseline_log_odds=1.5,
    )


@pytest.mark.slow
def test_a_planted_difference_is_found_with_its_sign() -> None:
    comparison = _compare(_planted(-1.0))
    assert comparison.reason is None
    assert comparison.high < 0.0
    assert comparison.risk_difference == pytest.approx(comparison.refrigerated - comparison.frozen)
    assert comparison.p < 0.05
    assert comparison.e_value_limit > 1.0


@pytest.mark.slow
def test_no_difference_planted_leaves_zero_inside_the_interval() -> None:
    comparison = _compare(_planted(0.0))
    assert comparison.low < 0.0 < comparison.high
    assert comparison.e_value_limit == 1.0


@pytest.mark.parametrize(
    ("word", "missing"), [("frozen", "refrigerated"), ("refrigerated", "frozen")]
)
def test_a_unit_that_keeps_all_sources_one_way_is_refused(word: str, missing: str) -> None:
    from dataclasses import replace

    truth = replace(SCENARIOS["no effect"], **{f"all_{word}": True})
    comparison = _compare(truth)
    assert comparison.risk_difference is None
    assert comparison.reason == f"no {missing} source was tried"


def test_kinds_kept_only_one_way_are_never_compared() -> None:
    trials = join(unit_records(simulate_unit(_planted(-1.0), 2, trials=1600, sources=30))).trials
    trials = trials.copy()
    trials["kind"] = trials["regime"].map({"frozen": "bone", "refrigerated": "blood"})
    comparison = compare_storage(fit_finds(trials, DecisionSettings()))
    assert comparison.reason == "no kind of source was kept both ways"
    assert set(comparison.kinds_left_out) == {"bone", "blood"}


@pytest.mark.parametrize(("effect", "rarer"), [(-1.0, "miss"), (-3.5, "find")])
def test_the_e_value_is_of_the_rarer_result_by_the_published_formula(effect, rarer) -> None:
    # VanderWeele & Ding 2017: RR + sqrt(RR (RR - 1)), a ratio below 1 turned over first.
    truth = _planted(effect)
    if rarer == "find":
        from dataclasses import replace

        truth = replace(truth, baseline_log_odds=0.0)
    found = _compare(truth)
    assert found.e_value_of == rarer
    one, other = found.refrigerated, found.frozen
    if rarer == "miss":
        one, other = 1.0 - one, 1.0 - other
    ratio = max(one / other, other / one)
    assert found.e_value == pytest.approx(ratio + (ratio * (ratio - 1.0)) ** 0.5)
    nearest = found.frozen + min(found.low, found.high, key=abs)
    end = (1.0 - nearest) / other if rarer == "miss" else nearest / other
    end = max(end, 1.0 / end)
    assert found.e_value_limit == pytest.approx(end + (end * (end - 1.0)) ** 0.5)


def test_the_e_value_of_the_published_example() -> None:
    # VanderWeele & Ding 2017: risk ratio 3.9, limits 1.8 and 8.7; 7.26, limit 3.0 (from memory).
    assert e_value(3.9) == pytest.approx(7.26, abs=0.005)
    assert e_value(1.8) == pytest.approx(3.0, abs=0.005)
    assert e_value(0.8) == pytest.approx(1.809, abs=0.001)
    assert e_value(1.0) == 1.0


def test_sources_kept_one_way_and_then_the_other_are_told_of_and_so_are_trials_without_a_kind():
    trials = join(unit_records(simulate_unit(_planted(-1.0), 2, trials=1600, sources=30))).trials
    plain = compare_storage(fit_finds(trials, DecisionSettings()))
    assert (plain.both_ways, plain.without_kind) == (0, 0)
    frozen = trials[(trials["regime"] == "frozen") & trials["kind"].isin(plain.kinds)]
    moved = frozen["source_id"].value_counts().index[0]
    own = trials.index[trials["source_id"] == moved]
    other = trials.copy()
    other.loc[own[: len(own) // 2], "regime"] = "refrigerated"
    some = trials.index[trials["regime"] == "frozen"].difference(own)[:7]
    other.loc[some, "kind"] = None
    found = compare_storage(fit_finds(other, DecisionSettings()))
    assert (found.both_ways, found.without_kind) == (1, 7)
    assert sum(found.sources.values()) == 1 + len(
        set(other.loc[other["kind"].isin(found.kinds), "source_id"])
    )
    said = describe_storage_compared(found, 0.05)
    assert "1 source counted on both sides" in said
    assert "7 trials left out" in said
    assert "both sides" not in describe_storage_compared(plain, 0.05)


def test_storage_is_among_what_is_asked_about_where_few_sources_widen_its_error() -> None:
    trials = join(unit_records(simulate_unit(_planted(-1.0), 2, trials=1600, sources=30))).trials
    design = fit_finds(trials, DecisionSettings()).design
    sides = trials[trials["regime"].isin(["refrigerated", "frozen"])]
    storage = _storage_design(design, design.trials.loc[design.trials.index.isin(sides.index)])
    sources = storage.trials["source_id"].nunique()
    # The intercept, age and storage: sqrt(S / (S - 3)), as the methods have it.
    widening = small_sample(storage)[1]
    assert storage.columns[-1].term == "storage"
    assert widening[-1] == pytest.approx((sources / (sources - 3)) ** 0.5)
