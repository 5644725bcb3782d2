"""Refrigerated against frozen: recovery and refusals."""

from dataclasses import replace

import pytest

from outcomes.analysis.decisions.compare import Comparison, _storage_design, compare_storage
from outcomes.analysis.finds.model import fit_finds, small_sample
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, Truth, simulate_unit
from outcomes.wording.storage_compared import describe_storage_compared


@pytest.fixture(scope="module")
def worse_refrigerated():
    unit = simulate_unit(_planted(-1.0), 2, trials=1600, sources=30)
    return join(unit_records(unit)).trials


def _compare(truth: Truth, seed: int = 2) -> Comparison:
    trials = join(unit_records(simulate_unit(truth, seed, trials=1600, sources=30))).trials
    return compare_storage(fit_finds(trials, DecisionSettings()))


def _planted(effect: float) -> Truth:
    return replace(
        SCENARIOS["no effect"],
        refrigerated_log_odds=effect,
        refrigerated_share=0.5,
        baseline_log_odds=1.5,
    )


@pytest.mark.slow
def test_planted_difference_is_found_with_sign(worse_refrigerated) -> None:
    comparison = compare_storage(fit_finds(worse_refrigerated, DecisionSettings()))
    assert comparison.reason is None
    assert comparison.high < 0.0
    assert comparison.risk_difference == pytest.approx(comparison.refrigerated - comparison.frozen)
    assert comparison.p < 0.05


@pytest.mark.slow
def test_no_difference_leaves_zero_inside() -> None:
    comparison = _compare(_planted(0.0))
    assert comparison.low < 0.0 < comparison.high


@pytest.mark.parametrize(
    ("word", "missing"), [("frozen", "refrigerated"), ("refrigerated", "frozen")]
)
def test_unit_keeping_one_way_is_refused(word: str, missing: str) -> None:
    truth = replace(SCENARIOS["no effect"], **{f"all_{word}": True})
    comparison = _compare(truth)
    assert comparison.risk_difference is None
    assert comparison.reason == f"no {missing} source was tried"


def test_kinds_kept_one_way_are_never_compared(worse_refrigerated) -> None:
    trials = worse_refrigerated.copy()
    trials["kind"] = trials["regime"].map({"frozen": "bone", "refrigerated": "blood"})
    comparison = compare_storage(fit_finds(trials, DecisionSettings()))
    assert comparison.reason == "no kind of source was kept both ways"
    assert set(comparison.kinds_left_out) == {"bone", "blood"}


def test_both_sided_and_kindless_sources_are_told(worse_refrigerated):
    trials = worse_refrigerated
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


def test_storage_is_judged_on_its_few_sources(worse_refrigerated) -> None:
    trials = worse_refrigerated
    design = fit_finds(trials, DecisionSettings()).design
    sides = trials[trials["regime"].isin(["refrigerated", "frozen"])]
    storage = _storage_design(design, design.trials.loc[design.trials.index.isin(sides.index)])
    sources = storage.trials["source_id"].nunique()
    # The intercept, age and storage: sqrt(S / (S - 3)), as the methods have it.
    widening = small_sample(storage)[1]
    assert storage.columns[-1].term == "storage"
    assert widening[-1] == pytest.approx((sources / (sources - 3)) ** 0.5)
