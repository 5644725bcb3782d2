"""Refrigerated against frozen: recovery, kinds by themselves, and refusals."""

from dataclasses import replace

import numpy as np
import pytest

from outcomes.analysis.decisions.compare import Comparison, compare_storage
from outcomes.analysis.finds.model import fit_finds
from outcomes.analysis.finds.slopes import Slope
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, Truth, simulate_unit
from outcomes.wording.storage_compared import describe_storage_compared


def _planted(effect: float) -> Truth:
    return replace(
        SCENARIOS["no effect"],
        refrigerated_log_odds=effect,
        refrigerated_share=0.5,
        baseline_log_odds=1.5,
    )


def _trials(truth: Truth, seed: int = 2):
    return join(unit_records(simulate_unit(truth, seed, trials=1600, sources=30))).trials


def _compare(trials) -> Comparison:
    return compare_storage(fit_finds(trials, DecisionSettings()))


@pytest.fixture(scope="module")
def worse_refrigerated():
    return _trials(_planted(-1.0))


@pytest.mark.slow
def test_planted_difference_is_found_with_sign(worse_refrigerated) -> None:
    comparison = _compare(worse_refrigerated)
    found = comparison.difference
    assert comparison.reason is None
    assert found.high < 0.0
    assert found.risk_difference == pytest.approx(found.refrigerated - found.frozen)
    assert found.p < 0.05
    assert not found.few


@pytest.mark.slow
def test_no_difference_leaves_zero_inside() -> None:
    found = _compare(_trials(_planted(0.0))).difference
    assert found.low < 0.0 < found.high


@pytest.mark.parametrize(
    ("word", "missing"), [("frozen", "refrigerated"), ("refrigerated", "frozen")]
)
def test_unit_keeping_one_way_is_refused(word: str, missing: str) -> None:
    comparison = _compare(_trials(replace(SCENARIOS["no effect"], **{f"all_{word}": True})))
    assert comparison.difference is None
    assert comparison.reason == f"no {missing} source was tried"


def test_kinds_kept_one_way_are_never_compared(worse_refrigerated) -> None:
    trials = worse_refrigerated.copy()
    trials["kind"] = trials["regime"].map({"frozen": "bone", "refrigerated": "blood"})
    comparison = _compare(trials)
    assert comparison.reason == (
        "no kind was kept both ways; kind and storage cannot be told apart"
    )
    assert set(comparison.kinds_left_out) == {"bone", "blood"}


@pytest.mark.slow
def test_both_sided_and_kindless_sources_are_told(worse_refrigerated):
    trials = worse_refrigerated
    plain = _compare(trials)
    assert (plain.both_ways, plain.without_kind) == (0, 0)
    frozen = trials[(trials["regime"] == "frozen") & trials["kind"].isin(plain.kinds)]
    moved = frozen["source_id"].value_counts().index[0]
    own = trials.index[trials["source_id"] == moved]
    other = trials.copy()
    other.loc[own[: len(own) // 2], "regime"] = "refrigerated"
    some = trials.index[trials["regime"] == "frozen"].difference(own)[:7]
    other.loc[some, "kind"] = None
    found = _compare(other)
    assert (found.both_ways, found.without_kind) == (1, 7)
    assert sum(found.sources.values()) == 1 + len(
        set(other.loc[other["kind"].isin(found.kinds), "source_id"])
    )
    said = describe_storage_compared(found)
    assert "1 source counted on both sides" in said
    assert "7 trials left out" in said
    assert "both sides" not in describe_storage_compared(plain)


def test_slopes_that_differ_leave_no_interval(worse_refrigerated):
    fit = fit_finds(worse_refrigerated, DecisionSettings())
    plain = compare_storage(fit).difference
    slope = Slope("source", "cycles", 0.1, 12.0, 0.05, 0.02)
    found = compare_storage(replace(fit, slopes=(slope,)))
    assert found.difference.risk_difference == plain.risk_difference
    assert (found.difference.low, found.difference.high, found.difference.p) == (None,) * 3
    assert all(own.low is None for own in found.by_kind.values())
    said = describe_storage_compared(found)
    assert "No interval is given and this is no finding: sources differ" in said


@pytest.fixture(scope="module")
def two_kinds(made_trials):
    """24 sources of two kinds, half of each refrigerated; muscle found less often there."""
    trials = made_trials(5, n=2400, sources=24, baseline=1.5)
    number = trials["source_id"].str[1:].astype(int)
    trials["kind"] = np.where(number % 4 < 2, "muscle", "blood")
    trials["regime"] = np.where(number % 2 == 1, "frozen", "refrigerated")
    rng = np.random.default_rng(3)
    worse = (trials["kind"] == "muscle") & (trials["regime"] == "refrigerated")
    trials.loc[worse & (rng.random(len(trials)) < 0.3), "result"] = "miss"
    return trials


def test_difference_within_kind_is_of_its_trials(two_kinds):
    found = _compare(two_kinds).by_kind
    assert found["blood"].low < 0.0 < found["blood"].high
    assert found["muscle"].high < 0.0
    assert found["muscle"].sources == {"refrigerated": 6, "frozen": 6}


@pytest.mark.slow
def test_kinds_are_shown_from_four_a_side(two_kinds):
    number = two_kinds["source_id"].str[1:].astype(int)
    for kept, shown, few in ((6, True, False), (5, True, True), (4, True, True), (3, False, None)):
        refrigerated = sorted(number[(number % 4 == 0)].unique())[:kept]
        gone = (number % 4 == 0) & ~number.isin(refrigerated)
        found = _compare(two_kinds[~gone])
        assert ("muscle" in found.by_kind) is shown
        assert "blood" in found.by_kind
        if shown:
            assert found.by_kind["muscle"].few is few


@pytest.mark.slow
def test_overall_is_a_finding_from_six_a_side(two_kinds):
    number = two_kinds["source_id"].str[1:].astype(int)
    muscle = two_kinds[number % 4 < 2]
    own = muscle["source_id"].str[1:].astype(int)
    refrigerated = sorted(own[own % 4 == 0].unique())
    for kept, few in ((6, False), (5, True), (3, True), (2, None)):
        found = _compare(muscle[~own.isin(refrigerated[kept:])])
        assert found.sources["refrigerated"] == kept
        assert (None if found.difference is None else found.difference.few) is few
        # Of one kind there is nothing to tell beside the whole.
        assert found.by_kind == {}


def test_few_misses_leave_conditions_out(two_kinds):
    trials = two_kinds[two_kinds["kind"] == "muscle"].copy()
    rng = np.random.default_rng(8)
    for term in ("temperature_c", "humidity_pct", "wind_m_s"):
        trials[term] = rng.normal(size=len(trials))
    # Intercept, age, storage, storage by age and cycles need 25 misses, each condition 5 more.
    misses = trials.index[trials["result"] == "miss"]
    few = _compare(trials.assign(result=trials["result"].where(
        ~trials.index.isin(misses[36:]), "find")))  # fmt: skip
    assert few.difference is not None
    assert few.terms_left_out == ("wind_m_s",)
    assert _compare(trials).terms_left_out == ()
