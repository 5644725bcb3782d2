"""How soon finds come, and the share found by every minute: models, curves and words."""

import dataclasses
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter

from outcomes.analysis.decisions.curve import standardised
from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.finds.shapes import Shape
from outcomes.analysis.searches.search_time import (
    SearchTimeFit,
    fit_search_time,
    seconds_searched,
    time_limits,
)
from outcomes.analysis.searches.share_found import (
    STEPS,
    observed_shares,
    plan_share_found,
    usual_limit,
)
from outcomes.answers.side_questions import ask_search_time
from outcomes.report.results.searches import make_search_time
from outcomes.settings import DecisionSettings
from outcomes.wording.search_time import (
    describe_how_soon_in_short,
    describe_search_time,
    describe_share_found,
    describe_share_found_in_short,
)
from tests.side import UNTOLD, beyond_chance

REFERENCE = Path(__file__).parents[2] / "reference"
DEFAULT = DecisionSettings()
SLOWER = beyond_chance(("search time", "cycles"))


def made(
    seed: int,
    *,
    n: int = 500,
    sources: int = 20,
    dogs: int = 5,
    cycle: float = 0.0,
    odds: float = 0.0,
    limit: float = 1800.0,
    most: int = 20,
) -> pd.DataFrame:
    """Finds whose log time changes per cycle, and whose log-odds change by ``odds`` per cycle."""
    rng = np.random.default_rng(seed)
    source, dog = rng.integers(sources, size=n), rng.integers(dogs, size=n)
    cycles = rng.integers(0, most, n).astype(float)
    found = rng.random(n) < 1 / (1 + np.exp(-(1.8 + odds * cycles)))
    log_time = 5.0 + cycle * cycles + rng.normal(0, 0.2, sources)[source]
    time = np.exp(log_time + rng.normal(0, 0.2, dogs)[dog] + rng.normal(0, 0.4, n))
    return pd.DataFrame(
        {
            "source_id": [f"S{s:02d}" for s in source],
            "dog_id": [f"D{d}" for d in dog],
            "result": np.where(found, "find", "miss"),
            "search_s": np.ceil(np.where(found, np.minimum(time, limit), limit)),
            "limit_s": limit,
            "cycles": cycles,
            "age_days": rng.uniform(0, 700, n),
            "documented": True,
        }
    )


def fitted(trials: pd.DataFrame) -> FindFit:
    return fit_finds(trials, DEFAULT)


def how_soon(trials: pd.DataFrame) -> SearchTimeFit:
    """The answer without its curve, which needs no fitted model of finds."""
    fit: Any = SimpleNamespace(design=plan_design(trials), settings=DEFAULT)
    return fit_search_time(fit)


def test_asked_of_trials_it_is_the_models_answer():
    trials = pd.read_csv(REFERENCE / "search_time_trials.csv").assign(documented=True)
    fit = how_soon(trials)
    fits = pd.read_csv(REFERENCE / "search_time_fits.csv")
    theirs = fits[fits["fit"] == "log(search_s)"].set_index("term")
    names = ["cycles", "age_days", "wind_m_s"]
    assert [t.term for t in fit.terms] == names
    assert [t.unit for t in fit.terms] == ["cycle", "30 days", "1 m/s"]
    in_r = theirs.loc[["cycles", "age_30", "wind_m_s"]]
    np.testing.assert_allclose([t.log_ratio for t in fit.terms], in_r["estimate"], rtol=1e-6)
    np.testing.assert_allclose([t.std_error for t in fit.terms], in_r["std_error"], rtol=1e-6)
    assert (fit.n, fit.finds, fit.sources, fit.dogs) == (360, 298, 18, 5)
    # 18 sources less intercept, cycles and age; wind does not vary between sources.
    # Student's t, 97.5 %, 15 degrees of freedom: 2.1314; normal: 1.9600 (printed tables).
    for term, reach in zip(fit.terms, (2.1314, 2.1314, 1.9600), strict=True):
        assert np.log(term.high / term.ratio) == pytest.approx(reach * term.std_error, rel=1e-4)
    late = trials["search_s"] > 0.75 * trials["limit_s"]
    assert fit.last_quarter == pytest.approx(late[trials["result"] == "find"].mean())
    assert fit.cut_off


def test_a_miss_adds_nothing_to_the_time_of_finds():
    trials = made(1, odds=-0.05)
    missed = trials["result"] == "miss"
    more = trials.assign(search_s=trials["search_s"].mask(missed, 5.0))
    assert how_soon(more).terms == how_soon(trials).terms


def test_planted_slowing_is_recovered_unless_cut():
    # Within 3.5 standard errors of the truth (1 in 2,000 would miss).
    free = how_soon(made(8, n=1200, cycle=0.03))
    term = free.term("cycles")
    assert abs(term.log_ratio - 0.03) < 3.5 * term.std_error
    assert not free.cut_off
    assert "each 10 cycles went with" in describe_search_time(free, SLOWER)
    assert "at least" not in describe_search_time(free, SLOWER)
    assert "10 cycles" not in describe_search_time(free, UNTOLD)
    # Times beyond the limit never become finds: what is left has grown less, and that is said.
    trials = made(8, n=1200, cycle=0.03, limit=3600.0)
    late = trials["search_s"] > 250
    cut = trials.assign(limit_s=250.0, search_s=trials["search_s"].clip(upper=250.0))
    cut = how_soon(cut.assign(result=cut["result"].mask(late, "miss")))
    assert cut.cut_off
    assert 1.0 < cut.term("cycles").ratio < term.ratio
    assert "each 10 cycles went with at least" in describe_search_time(cut, SLOWER)


def test_unchanged_time_says_what_is_allowed():
    fit = how_soon(made(2))
    assert fit.term("cycles").low < 1.0 < fit.term("cycles").high
    assert "went with" not in describe_search_time(fit, UNTOLD)
    cut = describe_search_time(replace(fit, last_quarter=0.06), UNTOLD)
    assert "6 % of finds came in its last quarter" in cut
    unknown = describe_search_time(replace(fit, last_quarter=None), UNTOLD)
    assert "How much the time limit hides is not known" in unknown


def test_unusable_times_are_left_out_and_counted():
    trials = made(2)
    finds = trials.index[trials["result"] == "find"]
    misses = trials.index[trials["result"] == "miss"]
    trials.loc[finds[:7], "search_s"] = np.nan
    trials.loc[finds[7:9], "search_s"] = 0.0
    trials.loc[misses[:3], ["search_s", "limit_s"]] = np.nan
    fit = how_soon(trials)
    assert fit.n == len(trials) - 12
    assert fit.finds == len(finds) - 9
    reasons = [note.reason for note in fit.left_out if note.term == "trials"]
    assert reasons == [
        "9 of the finds: no usable search time",
        "3 of the misses: no usable search time",
    ]


@pytest.mark.parametrize(
    ("few", "reason"),
    [
        ({"n": 60, "sources": 7}, "7 sources where 8 are needed"),
        ({"n": 200, "dogs": 2}, "2 dogs where 3 are needed"),
        ({"n": 25}, "finds with a search time where 30 are needed"),
    ],
)
def test_too_few_trials_are_said_to_be_too_few(few, reason):
    fit = ask_search_time(fitted(made(4, **few)))
    assert fit.terms == ()
    assert fit.curve is None
    assert "too few trials" in fit.reason
    assert reason in describe_search_time(fit, UNTOLD)


def test_records_without_finds_or_times_get_words():
    trials = made(5, n=200)
    fit = how_soon(trials.assign(result="miss"))
    assert "0 finds with a search time" in fit.reason
    bare = trials.drop(columns=["search_s", "limit_s"])
    assert how_soon(bare).n == 0
    assert how_soon(trials.iloc[:0]).n == 0


def test_column_constant_in_finds_is_left_out():
    trials = made(6)
    trials["humidity_pct"] = np.where(trials["result"] == "find", 50.0, 60.0)
    fit = how_soon(trials)
    assert fit.term("humidity_pct") is None
    assert ("humidity_pct", "the same in every find used") in [
        (note.term, note.reason) for note in fit.left_out
    ]


def test_tied_cycles_and_age_are_not_parted():
    trials = made(6)
    trials["age_days"] = 30.0 * trials["cycles"] + 12.0
    fit = how_soon(trials)
    assert [t.term for t in fit.terms] == ["cycles"]
    assert "Cycles and age move together in these records" in describe_search_time(fit, SLOWER)
    alone = trials.assign(cycles=3.0, age_days=100.0)
    reason = "neither cycles nor age varies enough between the finds"
    assert how_soon(alone).reason == reason


@hypothesis_settings(deadline=None, max_examples=5)
@given(seed=st.integers(0, 10_000))
def test_the_order_of_the_trials_changes_nothing(seed):
    trials = made(9, n=250, sources=10)
    fit = how_soon(trials)
    other = how_soon(trials.sample(frac=1, random_state=seed))
    assert describe_search_time(fit, SLOWER) == describe_search_time(other, SLOWER)
    for a, b in zip(fit.terms, other.terms, strict=True):
        assert a.log_ratio == pytest.approx(b.log_ratio, rel=1e-6, abs=1e-9)
        assert a.std_error == pytest.approx(b.std_error, rel=1e-6)


@hypothesis_settings(deadline=None, max_examples=5)
@given(factor=st.floats(0.01, 100))
def test_the_unit_of_time_changes_no_ratio(factor):
    trials = made(10, n=250, sources=10)
    fit = how_soon(trials)
    other = trials.assign(search_s=trials["search_s"] * factor, limit_s=trials["limit_s"] * factor)
    for a, b in zip(fit.terms, how_soon(other).terms, strict=True):
        assert a.ratio == pytest.approx(b.ratio, rel=1e-6)


def test_search_fit_holds_only_finite_numbers():
    fit = ask_search_time(fitted(made(11, cycle=0.01)))
    rows = [*fit.terms, *(p for g in fit.curve.groups for p in (*g.curve, *g.observed))]
    numbers = [v for row in rows for v in dataclasses.astuple(row) if isinstance(v, float)]
    assert len(numbers) > 400
    assert np.isfinite([*numbers, *fit.sd.values(), fit.last_quarter]).all()


def test_a_miss_lasts_until_its_limit():
    trials = pd.DataFrame(
        {
            "result": ["find", "miss", "miss", "miss", "find"],
            "search_s": [50.0, np.nan, 300.0, np.nan, np.nan],
            "limit_s": [600.0, 900.0, np.nan, np.nan, 600.0],
        }
    )
    np.testing.assert_array_equal(seconds_searched(trials), [50.0, 900.0, 300.0, np.nan, np.nan])
    np.testing.assert_array_equal(time_limits(trials), [600.0, 900.0, 300.0, np.nan, 600.0])
    assert usual_limit(np.full(3, np.nan)) is None
    assert usual_limit(np.array([600.0, 900.0, 1200.0, 1200.0])) == 1200.0


def test_curves_join_finds_with_their_times():
    fit = fitted(made(12, n=800, odds=-0.1, cycle=0.02, limit=900.0))
    found = ask_search_time(fit)
    curve = found.curve
    assert (curve.exposure, curve.limit_s, curve.trials) == ("cycles", 900.0, fit.n)
    assert [g.at for g in curve.groups] == sorted({g.at for g in curve.groups})
    at = np.array([g.at for g in curve.groups])
    by_limit = standardised(fit.design, fit.reduced, "cycles", at, 0.95)
    slope = found.term("cycles").log_ratio
    finds = fit.design.trials[fit.design.y == 1]
    for k, group in enumerate(curve.groups):
        assert len(group.curve) == STEPS
        assert group.curve[-1].seconds == 900.0
        shares = np.array([p.share for p in group.curve])
        assert (np.diff(shares) >= 0).all()
        assert shares[-1] == pytest.approx(by_limit[0][k])
        # With draws of both, about as wide at the limit as the find probability itself.
        assert group.curve[-1].low == pytest.approx(by_limit[1][k], abs=0.01)
        assert group.curve[-1].high == pytest.approx(by_limit[2][k], abs=0.01)
        moved = finds["search_s"] * np.exp(slope * (group.at - finds["cycles"]))
        share = (moved <= group.curve[9].seconds).sum() / (moved <= 900.0).sum()
        assert shares[9] == pytest.approx(by_limit[0][k] * share)
        assert all(p.low <= p.share <= p.high for p in group.curve)


def test_curves_end_at_the_usual_limit():
    trials = made(13, n=900)
    limits = np.where(np.arange(900) % 3 == 0, 300.0, np.where(np.arange(900) % 3 == 1, 600.0, 900))
    late = trials["search_s"] > limits
    trials = trials.assign(
        limit_s=limits,
        result=trials["result"].mask(late, "miss"),
        search_s=np.minimum(trials["search_s"], limits),
    )
    curve = ask_search_time(fitted(trials)).curve
    assert curve.limit_s == 600.0
    assert curve.trials == 600
    assert sum(g.trials for g in curve.groups) == 600
    assert max(p.seconds for g in curve.groups for p in (*g.curve, *g.observed)) == 600.0
    told = describe_share_found(curve)
    assert told.startswith("Found within 10 minutes: ")
    assert "600 searches for sources thawed at least once limited to 10 minutes or more" in told


def test_observed_shares_are_kaplan_and_meiers():
    # Those of lifelines, misses censored at their limit.
    trials = made(14, n=120, limit=400.0)
    found = trials["result"] == "find"
    fitter = KaplanMeierFitter().fit(trials["search_s"], found)
    at = np.where(found, trials["search_s"], np.inf)
    points = observed_shares(at, trials["source_id"].to_numpy(), 400.0, 0.95)
    for point in points:
        theirs = 1.0 - float(fitter.predict(point.seconds))
        assert point.share == pytest.approx(theirs, abs=1e-12)
        assert 0.0 < point.share < 1.0


def test_observed_limits_count_sources():
    # Two sources that differ in all trials: no better known than by two.
    at = np.repeat([10.0, np.inf], 50)
    sources = np.repeat(["A", "B"], 50)
    (first, *_) = observed_shares(at, sources, 100.0, 0.95)
    assert (first.share, first.low, first.high) == (0.5, 0.0, 1.0)
    # Each trial a source of its own, 50 of 100: the binomial's errors, t with 99 degrees (1.9842).
    (first, *_) = observed_shares(at, np.arange(100).astype(str), 100.0, 0.95)
    reach = 1.9842 * np.sqrt(0.25 / 99)
    assert (first.low, first.high) == pytest.approx((0.5 - reach, 0.5 + reach), abs=1e-5)
    # All of 50: exactly, 92.89 to 100 (Clopper and Pearson).
    (first, *_) = observed_shares(at[:50], sources[:50], 100.0, 0.95)
    assert (first.low, first.high) == pytest.approx((0.9289, 1.0), abs=1e-4)


def test_few_sources_have_no_points_or_no_curve():
    trials = made(15, n=600, sources=24)
    many = trials["cycles"] >= 12
    trials.loc[many, "source_id"] = np.where(trials.loc[many].index % 2 == 0, "S00", "S01")
    plan = plan_share_found(
        trials, trials["limit_s"].to_numpy(), "cycles", np.ones(len(trials), dtype=bool)
    )
    assert len(plan.at) == 2
    assert set(plan.group[trials["cycles"] >= 15]) == {-1}
    trials.loc[many, "source_id"] = [f"S0{k % 5}" for k in range(many.sum())]
    groups = ask_search_time(fitted(trials)).curve.groups
    assert [len(g.observed) for g in groups] == [4, 4, 0]


def test_no_limit_on_record_means_no_curve():
    trials = made(16)
    trials = trials.assign(search_s=trials["search_s"].where(trials["result"] == "find"))
    found = ask_search_time(fitted(trials.drop(columns="limit_s")))
    assert found.terms
    assert found.curve is None
    assert found.no_curve == "no time limit is on record"


def test_finding_is_told_by_its_ends():
    found = ask_search_time(fitted(made(17, n=800, odds=-0.1)))
    first, last = found.curve.groups[0], found.curve.groups[-1]
    title = describe_share_found_in_short(found.curve)
    assert title == (
        f"Within 30 minutes: {100 * first.curve[-1].share:.0f} of 100 found at {first.at:.0f} "
        f"cycles, {100 * last.curve[-1].share:.0f} at {last.at:.0f}"
    )
    assert first.curve[-1].share > last.curve[-1].share
    assert describe_how_soon_in_short(found, UNTOLD) == "No change in how soon finds come shows."
    cut = replace(found, last_quarter=0.2)
    assert describe_how_soon_in_short(cut, UNTOLD) == (
        "No change in how soon finds come was seen within the limit."
    )
    slower = replace(found.term("cycles"), log_ratio=0.02, low=1.01, high=1.03)
    assert describe_how_soon_in_short(replace(cut, terms=(slower,)), SLOWER) == (
        "Among finds: each 10 cycles went with at least 22 % longer to the find."
    )


def test_a_step_moves_finds_once_and_not_by_every_cycle() -> None:
    # Times do not change here: what is found early is as often so after the step as before it.
    trials = made(5, n=900, sources=24)
    curve = ask_search_time(fit_finds(trials, DEFAULT, shapes={"cycles": Shape("step", 9.0)})).curve
    assert curve is not None
    early = [group.curve[STEPS // 4 - 1].share / group.curve[-1].share for group in curve.groups]
    assert max(early) - min(early) < 0.15


@pytest.mark.parametrize(
    ("shape", "over"),
    [
        (Shape("step", 9.0), "being past 9 freeze/thaw cycles went with"),
        (Shape("levels off", 9.0), "each further cycle up to 9 freeze/thaw cycles went with"),
        (Shape("sets in", 9.0), "each further cycle past 9 freeze/thaw cycles went with"),
        (Shape("log"), "each doubling of cycles went with"),
    ],
)
def test_a_change_is_told_over_what_its_term_counts(shape: Shape, over: str) -> None:
    trials = made(6, n=900, sources=24)
    found = fit_search_time(fit_finds(trials, DEFAULT, shapes={"cycles": shape}))
    term = found.term("cycles")
    assert term is not None
    slower = replace(term, log_ratio=np.log(1.25), low=1.1, high=1.4)
    told = describe_search_time(replace(found, terms=(slower,), last_quarter=0.0), SLOWER)
    # The ratio of the term itself, and not its tenth power.
    assert f"{over} 25 % longer to the find" in told
    assert "10 % longer to 40 % longer" in told
    among = make_search_time(found, SLOWER).among_finds
    assert among is not None
    assert among.per_10_cycles is None
    assert among.not_by_step == {"cycles": f"not a straight line: {term.unit}"}
    assert among.per_year is not None
