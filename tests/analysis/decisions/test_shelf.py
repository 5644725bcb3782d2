"""Advice for every source held, and the evidence each needs."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.decisions.curve import reach_of
from outcomes.analysis.decisions.shelf import (
    _held,
    _kind_columns,
    _own_values,
    _predict_by,
    _source_rows,
    _standing_trials,
    advice_at,
    review_shelf,
)
from outcomes.analysis.decisions.source_draws import draw_over_spreads
from outcomes.analysis.finds.cycles_or_age import exposures_tied
from outcomes.analysis.finds.model import fit_finds
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit


@pytest.fixture
def reviewed(shelved):
    return shelved[1:]


def test_advice_follows_the_limits_and_the_floor(reviewed) -> None:
    *_, shelf = reviewed
    assert {s.advice for s in shelf} == {"retire", "test", "keep"}
    for s in shelf:
        if s.advice == "retire":
            assert s.high < 0.85
        if s.advice == "keep":
            assert s.low >= 0.85
        if s.ground == "unsure":
            assert s.low < 0.85 <= s.high
    # Who is unsure is told how many more trials would do.
    unsure = [s for s in shelf if s.ground == "unsure"]
    assert any(s.trials_to_settle is not None for s in unsure)
    reach = reach_of(reviewed[2].design, 0.90)
    for s in unsure:
        told = (s.find_probability, s.low, s.high)
        assert advice_at(0.85, told, 40, 0.9, reach) == ("test", "unsure", s.trials_to_settle)


def test_every_held_source_stands_once(reviewed) -> None:
    records, _, _, shelf = reviewed
    gone = set(records.storage.loc[records.storage["moved_to"] == "discarded", "source_id"])
    assert sorted(s.source_id for s in shelf) == sorted(set(records.sources["source_id"]) - gone)


def test_what_to_act_on_first_stands_first(reviewed) -> None:
    *_, shelf = reviewed
    order = [("retire", "test", "keep").index(s.advice) for s in shelf]
    assert order == sorted(order)


def test_a_source_never_tried_is_to_be_tested(reviewed) -> None:
    records, _, fit, _ = reviewed
    new = records.sources.iloc[[0]].assign(
        source_id="NEW-01", acquired_on=pd.Timestamp("2023-09-10")
    )
    sources = pd.concat([records.sources, new], ignore_index=True)
    move = records.storage.iloc[[0]].assign(
        source_id="NEW-01", moved_at=pd.Timestamp("2023-09-10"), moved_to="freezer"
    )
    storage = pd.concat([records.storage, move], ignore_index=True)
    joined = join(replace(records, sources=sources, storage=storage))
    shelf = review_shelf(fit, sources, joined.history, pd.Timestamp("2026-02-01"))
    advice = next(s for s in shelf if s.source_id == "NEW-01")
    assert (advice.advice, advice.ground, advice.trials) == ("test", "no trials", 0)


def test_source_found_at_floor_is_never_retired(reviewed) -> None:
    _, joined, fit, shelf = reviewed
    retired = next(s.source_id for s in shelf if s.advice == "retire")
    # The same fit, asked as if every late trial of that source had been a find.
    trials = fit.design.trials.copy()
    trials.loc[trials["source_id"] == retired, "result"] = "find"
    asked = replace(fit, design=replace(fit.design, trials=trials))
    records = reviewed[0]
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=1)
    again = review_shelf(asked, records.sources, joined.history, as_of)
    now = next(s for s in again if s.source_id == retired)
    assert (now.advice, now.ground) == ("test", "own trials disagree")


def test_without_a_model_everything_is_to_test(reviewed) -> None:
    records, joined, _, _ = reviewed
    few = fit_finds(joined.trials.head(60), DecisionSettings())
    assert few.mixed is None
    shelf = review_shelf(few, records.sources, joined.history, pd.Timestamp("2026-02-01"))
    assert {s.advice for s in shelf} == {"test"}
    assert "no model" in {s.ground for s in shelf} <= {"no model", "not documented"}
    assert all(s.find_probability is None for s in shelf)


def test_misses_the_model_leaves_out_still_count(reviewed) -> None:
    # The dogs' record: every unassisted hide trial, whatever conditions are missing in it.
    records, joined, fit, shelf = reviewed
    late = joined.trials.copy()
    extra = late[late["source_id"] == shelf[0].source_id].head(3).assign(result="miss")
    all_trials = pd.concat([late, extra], ignore_index=True)
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=1)
    told = review_shelf(fit, records.sources, joined.history, as_of, all_trials)
    before = {s.source_id: s for s in shelf}
    for s in told:
        own = all_trials[(all_trials["source_id"] == s.source_id)]
        own = own[~own["assisted"].fillna(False).astype(bool)]
        assert (s.trials, s.finds) == (len(own), int((own["result"] == "find").sum()))
        assert s.trials_used == before[s.source_id].trials
        assert s.advice == before[s.source_id].advice


@pytest.mark.parametrize(
    ("prediction", "recent", "advice"),
    [((0.95, 0.90, 0.98), 1.0, "keep"), ((0.70, 0.60, 0.80), 0.5, "retire")],
)
def test_fewer_than_five_trials_means_test(prediction, recent, advice) -> None:
    assert advice_at(0.85, prediction, 4, recent, 1.7)[:2] == ("test", "few trials")
    assert advice_at(0.85, prediction, 5, recent, 1.7)[0] == advice


@pytest.mark.slow
def test_finds_at_the_floor_are_not_below_it():
    below, above = (0.70, 0.60, 0.80), (0.95, 0.90, 0.98)
    assert advice_at(0.85, below, 40, 0.85, 1.7) == ("test", "own trials disagree", None)
    assert advice_at(0.85, above, 40, 0.85, 1.7) == ("keep", "above", None)


def test_four_finds_earn_nothing_but_a_test(reviewed) -> None:
    records, joined, _, shelf = reviewed
    kept = next(s for s in shelf if s.advice == "keep")
    own = joined.trials.index[joined.trials["source_id"] == kept.source_id]
    finds = [i for i in own if joined.trials.loc[i, "result"] == "find"][-4:]
    fewer = joined.trials.drop(index=own.difference(pd.Index(finds)))
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=1)
    fit = fit_finds(fewer, DecisionSettings())
    found = {s.source_id: s for s in review_shelf(fit, records.sources, joined.history, as_of)}
    assert (found[kept.source_id].trials_used, found[kept.source_id].advice) == (4, "test")
    for source in found.values():
        if source.advice != "test":
            assert source.trials_used is not None
            assert source.trials_used >= 5


@pytest.mark.slow
def test_tied_advice_stands_by_either_alone():
    unit = simulate_unit(SCENARIOS["tied together"], 20_142)
    records = unit_records(unit)
    joined = join(records)
    as_of = joined.trials["started_at"].max().normalize() + pd.Timedelta(days=1)

    fit = fit_finds(joined.trials, DecisionSettings())
    assert exposures_tied(fit.design)
    held = _held(records.sources, joined.history, as_of)
    place = {name: k for k, name in enumerate(held["source_id"].astype(str))}
    alone = []
    for exposure in ("cycles", "age_days"):
        one = fit_finds(joined.trials, DecisionSettings(), exposures=(exposure,))
        alone.append(_predict_by(one.design, one.each_source, held, DecisionSettings().confidence))
    told = review_shelf(fit, records.sources, joined.history, as_of)
    tried = [s for s in told if s.low is not None]
    assert len(tried) > 10
    for source in tried:
        # What is told is between what either says alone; off their common line the two together
        # say anything.
        by_either = sorted(one[0][place[source.source_id]] for one in alone)
        assert by_either[0] - 1e-3 <= source.find_probability <= by_either[1] + 1e-3
        for _, low, high in alone:
            assert source.low <= low[place[source.source_id]] + 1e-3
            assert source.high >= high[place[source.source_id]] - 1e-3
    # By the two together nine were kept here, six of them below the floor in truth.
    assert [s for s in told if s.advice == "keep"] == []


def test_limits_reach_over_every_spread(reviewed) -> None:
    records, joined, fit, shelf = reviewed
    drawn = draw_over_spreads(fit)
    compared = 0
    for source in shelf:
        if source.low is None:
            continue
        share = _held(records.sources, joined.history, pd.Timestamp("2026-01-01"))
        share = share.set_index(share["source_id"].astype(str))["frozen_share"]
        today = {
            "cycles": source.cycles,
            "age_days": source.age_days,
            "frozen_share": share.get(source.source_id),
        }
        below, above = np.quantile(drawn.now(source.source_id, today), [0.05, 0.95])
        assert source.low <= below + 2e-3
        assert source.high >= above - 2e-3
        compared += 1
    assert compared > 10


def test_a_source_is_asked_about_with_its_own_hours() -> None:
    # One that is never thawed has none, whatever the trials were that stand for the conditions.
    records = unit_records(simulate_unit(SCENARIOS["cycles only"], 20_039))
    joined = join(records)
    fit = fit_finds(joined.trials, DecisionSettings())
    design, name = fit.design, "hours_since_thaw"
    position = design.column_of(name)
    assert position is not None
    own = {name: _own_values(design, name)}
    take, kinds = _standing_trials(design, fit.mixed), _kind_columns(design)
    hours = pd.Series(design.x[:, position]).groupby(design.trials["source_id"].to_numpy()).mean()
    assert hours.nunique() > 2
    for source, expected in hours.items():
        asked_of = SimpleNamespace(
            source_id=source, kind="blood", cycles=3.0, age_days=90.0, frozen_share=0.5
        )
        *_, asked = _source_rows(design, fit.mixed, asked_of, take, kinds, own)
        assert asked[:, position] == pytest.approx(expected)
