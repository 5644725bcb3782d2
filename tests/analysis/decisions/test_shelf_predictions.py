"""What the shelf predicts for each source, and every ground for its advice."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy import special

from outcomes.analysis.decisions.shelf import (
    _WIDE,
    ShelfSource,
    _trials_to_settle,
    held_sources,
    review_shelf,
)
from outcomes.analysis.finds.model import fit_finds
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit


@pytest.fixture(scope="module")
def unit():
    """Records, joined trials and fit of a unit of fewer trials than stand for a unit."""
    truth = replace(SCENARIOS["cycles only"], baseline_log_odds=2.4)
    records = unit_records(simulate_unit(truth, 61, trials=550))
    joined = join(records)
    fit = fit_finds(joined.trials, DecisionSettings())
    assert fit.each_source is not None
    assert fit.n < 500
    return records, joined, fit


def _shelf(unit, fit=None, *, days: float = 1.0, records=None, history=None):
    given, joined, fitted = unit
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=days)
    sources = (records or given).sources
    return {
        s.source_id: s
        for s in review_shelf(fit or fitted, sources, history or joined.history, as_of)
    }


def test_prediction_is_the_mean_over_trials(unit):
    # Drawn instead of computed: effects from their conditional normal, 400 to a trial.
    _, _, fit = unit
    design, mixed = fit.design, fit.each_source
    rng = np.random.default_rng(1)
    shelf = _shelf(unit)
    source = max((s for s in shelf.values() if s.find_probability), key=lambda s: s.trials)
    own = design.trials[design.trials["source_id"] == source.source_id].index[-1]
    row = design.x[design.trials.index.get_loc(own)]
    x = design.x.copy()
    for j, column in enumerate(design.columns, start=1):
        if column.term in ("kind", "use_ratio", "first_mass_g", "freezer_c"):
            x[:, j] = row[j]
        elif column.term == "cycles":
            x[:, j] = source.cycles
        elif column.term == "age_days":
            x[:, j] = source.age_days / 30.0
        elif column.term == "frozen_share":
            # By the day asked about it is that of its last trial to within a few hundredths.
            x[:, j] = row[j]
    eta = x @ mixed.beta
    draws = np.zeros((len(eta), 400))
    own_effect = mixed.effects["source"].loc[source.source_id]
    draws += rng.normal(own_effect["effect"], own_effect["std_error"], draws.shape)
    dog = mixed.effects["dog"].loc[design.groups["dog"]]
    draws += rng.normal(
        dog["effect"].to_numpy()[:, None], dog["std_error"].to_numpy()[:, None], draws.shape
    )
    for grouping in set(design.groups) - {"dog", "source"}:
        draws += rng.normal(0.0, mixed.sd[grouping], draws.shape)
    drawn = special.expit(eta[:, None] + draws).mean()
    # 180,000 draws of SD below 0.3 leave 0.001; the frozen share another 0.005.
    assert source.find_probability == pytest.approx(drawn, abs=0.01)
    assert source.low < source.find_probability < source.high


def test_rare_kind_is_predicted_as_its_pool(unit):
    records, joined, _ = unit
    trials = joined.trials.copy()
    usable = trials["result"].isin(["find", "miss"]) & ~trials["assisted"].fillna(False)
    often = trials.loc[usable, "source_id"].value_counts().index[:2]
    kinds = records.sources.set_index("source_id")["kind"].copy()
    kinds[often] = ["ash", "tooth"]
    # Four misses each, too few to stand alone; four finds each: found every second time.
    rows = [trials.index[usable & (trials["source_id"] == name)] for name in often]
    for own in rows:
        trials.loc[own[:8], "result"] = ["find", "miss"] * 4
    trials = trials.drop(index=[*rows[0][8:], *rows[1][8:]])
    trials["kind"] = trials["source_id"].map(kinds)
    fit = fit_finds(trials.reset_index(drop=True), DecisionSettings())
    assert "any other" in {c.contrast[0] for c in fit.design.columns if c.term == "kind"}
    sources = records.sources.assign(kind=records.sources["source_id"].map(kinds))
    shelf = _shelf(unit, fit, records=replace(records, sources=sources), days=-400.0)
    rare = [shelf[name].find_probability for name in often if name in shelf]
    others = [s.find_probability for n, s in shelf.items() if n not in often and s.trials > 10]
    assert len(rare) == 2
    # 8 of 16 found: 0.25 to 0.75 exactly (95 %). As the commonest kind they would stand at 0.85.
    assert all(0.25 < p < 0.75 for p in rare)
    assert np.mean(others) > 0.8


def test_trial_order_changes_no_prediction(unit):
    joined = unit[1]
    shuffled = fit_finds(joined.trials.sample(frac=1.0, random_state=4), DecisionSettings())
    here, there = _shelf(unit), _shelf(unit, shuffled)
    for name, source in here.items():
        if source.find_probability is not None:
            # The optimiser's own tolerance, 0.005 of a standard error.
            assert there[name].find_probability == pytest.approx(source.find_probability, abs=1e-3)


def test_latest_trials_are_by_date(unit):
    _, joined, _ = unit
    shuffled = fit_finds(joined.trials.sample(frac=1.0, random_state=4), DecisionSettings())
    trials = shuffled.design.trials
    told = 0
    for name, source in _shelf(unit, shuffled).items():
        own = trials[trials["source_id"] == name].set_index("started_at").sort_index()
        latest = own["result"].iloc[-20:]
        assert (source.latest_trials, source.latest_finds) == (
            len(latest),
            (latest == "find").sum(),
        )
        told += len(own) > 20
    assert told > 3, "sources with more trials than are counted"


def test_trials_after_the_day_do_not_count(unit):
    _, joined, fit = unit
    days = -300.0
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=days)
    trials = fit.design.trials
    before = trials[trials["started_at"] < as_of]
    counts = before["source_id"].value_counts()
    shelf = _shelf(unit, days=days)
    assert {name: s.trials for name, s in shelf.items()} == {
        name: counts.get(name, 0) for name in shelf
    }
    assert counts.sum() < len(trials)
    for name, source in shelf.items():
        own = before[before["source_id"] == name].sort_values("started_at")["result"].iloc[-20:]
        assert (source.latest_trials, source.latest_finds) == (len(own), (own == "find").sum())


@pytest.mark.parametrize(("beyond", "ground"), [(1.05, False), (1.15, True)])
def test_a_tenth_beyond_the_observed_is_allowed(unit, beyond, ground):
    _, joined, fit = unit
    trials = fit.design.trials
    assert fit.design.column_of("age_days") is not None
    third_oldest = trials.groupby("source_id")["age_days"].max().nlargest(3).iloc[-1]
    last = joined.trials["started_at"].max()
    asked = 0
    for name, source in _shelf(unit, days=0.0).items():
        own = trials.loc[trials["source_id"] == name]
        if source.regime != "frozen" or len(own) < 5 or source.age_days is None:
            continue
        limit = max(third_oldest, own["age_days"].max())
        days = beyond * limit - source.age_days
        later = _shelf(unit, days=days)[name]
        assert later.age_days == pytest.approx(beyond * limit)
        # Nothing is thawed after the last trial: cycles stay as they are.
        assert later.cycles == source.cycles
        assert (later.ground == "beyond records") is ground, (name, last)
        asked += 1
        if asked == 3:
            return
    pytest.fail("no source to ask about")


def test_500_even_trials_stand_for_a_large_unit(unit, monkeypatch):
    from outcomes.analysis.decisions import shelf as module

    full = _shelf(unit)
    monkeypatch.setattr(module, "_STANDING", 100)
    few = _shelf(unit)
    for name, source in full.items():
        if source.find_probability is not None:
            assert few[name].find_probability == pytest.approx(source.find_probability, abs=3e-3)


@pytest.mark.parametrize("floor", [0.05, 0.5, 0.7, 0.85, 0.95, 0.999])
def test_advice_is_what_limits_and_grounds_say(unit, floor):
    _, _, fit = unit
    for s in _shelf(unit, replace(fit, settings=replace(fit.settings, floor=floor))).values():
        if s.find_probability is None:
            assert s.advice == "test"
            assert s.ground in ("no trials", "no model", "not documented")
        elif s.high < floor:
            assert (s.advice, s.ground) in (
                ("retire", "below"),
                ("test", "few trials"),
                ("test", "beyond records"),
                ("test", "own trials disagree"),
            )
        elif s.low >= floor:
            assert (s.advice, s.ground) in (
                ("keep", "above"),
                ("test", "few trials"),
                ("test", "beyond records"),
                ("test", "own trials disagree"),
            )
        else:
            assert (s.advice, s.ground) in (("test", "unsure"), ("test", "beyond records"))
        assert s.trials_to_settle is None or (s.ground == "unsure" and s.trials_to_settle >= 1)


def test_rising_floor_never_turns_to_keeping(unit):
    _, _, fit = unit
    rank = {"keep": 0, "test": 1, "retire": 2}
    shelves = [
        _shelf(unit, replace(fit, settings=replace(fit.settings, floor=f)))
        for f in (0.3, 0.6, 0.8, 0.9, 0.99)
    ]
    for low, high in pairwise(shelves):
        for name in low:
            if "own trials disagree" not in (low[name].ground, high[name].ground):
                assert rank[low[name].advice] <= rank[high[name].advice]


@pytest.mark.parametrize("floor", [1e-6, 1.0 - 1e-6])
def test_far_beyond_nothing_is_kept_or_retired(unit, floor):
    # At these floors every source would be kept, or retired, on the model's word.
    _, _, fit = unit
    asked = replace(fit, settings=replace(fit.settings, floor=floor))
    now, later = _shelf(unit, asked), _shelf(unit, asked, days=3650.0)
    tried = [name for name, s in later.items() if s.trials and s.cycles is not None]
    assert {later[name].ground for name in tried} == {"beyond records"}
    assert {later[name].advice for name in tried} == {"test"}
    assert {now[name].advice for name in tried} - {"test"}


def test_source_of_unknown_storage_is_to_test(unit):
    records, joined, _ = unit
    name = joined.trials["source_id"].value_counts().index[0]
    storage = records.storage[records.storage["source_id"] != name]
    history = join(replace(records, storage=storage)).history
    source = _shelf(unit, history=history)[name]
    assert (source.advice, source.ground) == ("test", "not documented")
    assert (source.cycles, source.find_probability) == (None, None)


def test_limits_are_wider_at_higher_confidence(unit):
    _, _, fit = unit
    wide = _shelf(unit, replace(fit, settings=replace(fit.settings, confidence=0.99)))
    for name, s in _shelf(unit).items():
        if s.find_probability is not None:
            assert wide[name].low < s.low < s.high < wide[name].high


@pytest.mark.parametrize(("probability", "error"), [(0.90, 0.5), (0.70, 0.6), (0.95, 0.9)])
def test_trials_to_settle_are_just_enough(probability, error):
    floor, reach = 0.85, 1.7
    centre = special.logit(probability)
    low, high = special.expit(centre + reach * error * np.array([-1.0, 1.0]))
    assert low < floor < high
    more = _trials_to_settle(probability, float(low), float(high), floor, reach)

    def settled(trials: int) -> bool:
        information = 1.0 / error**2 + trials * probability * (1.0 - probability)
        return reach / np.sqrt(information) <= abs(centre - special.logit(floor)) + 1e-12

    # Twice as many as that information takes.
    assert settled(int(np.ceil(more / 2)))
    assert not settled(int(more / 2) - 1)
    # What counts is the limit beyond the floor, not the one on the other side.
    lower, upper = (low, 0.999) if probability > floor else (0.001, high)
    assert _trials_to_settle(probability, float(lower), float(upper), floor, reach) == more


@pytest.mark.parametrize(
    ("probability", "low", "high"), [(0.85, 0.7, 0.9), (0.8501, 0.7, 0.9), (1.0, 0.8, 1.0)]
)
def test_no_number_is_made_up_at_the_floor(probability, low, high):
    more = _trials_to_settle(probability, low, high, 0.85, 1.7)
    assert more is None or more >= 1
    if probability < 0.9:
        assert more is None


@pytest.mark.parametrize(
    ("low", "high", "sides"),
    [
        (0.38, 0.98, ("above", "below")),
        (0.62, 0.88, ("below",)),
        (0.82, 1.0, ()),
        (0.76, 0.92, ()),
        (None, None, ()),
    ],
)
def test_only_wide_intervals_lie_far_from_it(low, high, sides) -> None:
    source = ShelfSource(
        "S1", "muscle", "frozen", 12.0, 400.0, 30, 24, 0.8, low, high, "test", "unsure", None
    )
    assert source.could_be_far(0.85) == sides


def test_35_trials_leave_as_much_open_as_wide() -> None:
    # Wald's interval of a share: 2 x 1.645 standard errors.
    assert pytest.approx(2 * 1.645 * np.sqrt(0.85 * 0.15 / 35), abs=0.005) == _WIDE


def test_the_sources_held_are_those_of_the_shelf(demo_facts) -> None:
    held = held_sources(demo_facts.records.sources, demo_facts.joined.history, demo_facts.as_of)
    assert sorted(held) == sorted(s.source_id for s in demo_facts.shelf)
    assert len(held) < len(demo_facts.records.sources)
