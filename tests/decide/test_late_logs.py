"""Decisions where storage logs begin late: the model's term for what went unlogged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import special

from outcomes.decide.bootstrap import _threshold
from outcomes.decide.compare import _storage_design
from outcomes.decide.curve import find_curve, met_at_all
from outcomes.decide.shelf import review_shelf
from outcomes.decide.trade_off import trade_off
from outcomes.fit.conditions import choose_conditions
from outcomes.fit.finds import FindFit, averaged_probability, fit_finds, linear_predictor
from outcomes.fit.terms import UNLOGGED, plan_design
from outcomes.fit.which_predicts import which_predicts
from outcomes.joining.trials import Joined, join
from outcomes.records.tables import Records
from outcomes.records.write import unit_records
from outcomes.settings import Settings
from outcomes.simulate import SCENARIOS, mean_find_probability, simulate_unit

Late = tuple[Records, Joined, FindFit]


@pytest.fixture(scope="module")
def late() -> Late:
    """A third of the sources have no log for the first 400 days."""
    records = unit_records(simulate_unit(SCENARIOS["cycles only"], 6))
    moves = records.storage
    some = moves["source_id"].isin(sorted(moves["source_id"].unique())[::3])
    begun = moves["moved_at"].min() + pd.Timedelta(days=400)
    records = replace(records, storage=moves[~(some & (moves["moved_at"] < begun))])
    joined = join(records)
    return records, joined, fit_finds(joined.trials, Settings())


def test_a_curve_is_that_of_sources_logged_from_the_start(late: Late) -> None:
    fit = late[2]
    design, mixed = fit.design, fit.reduced
    column, cycles = design.column_of(UNLOGGED), design.column_of("cycles")
    assert column is not None
    assert cycles is not None
    assert mixed is not None
    assert mixed.beta[column] < 0.0
    curve = find_curve(fit, "cycles", 0.9, alone=False)
    assert "as if every source had been logged from the start" in curve.held
    met = met_at_all(design.trials, "cycles")
    eta, spread = linear_predictor(design, mixed)
    eta = eta + (curve.at[60] - design.x[:, cycles]) * mixed.beta[cycles]
    new = eta - design.x[:, column] * mixed.beta[column]
    assert curve.probability[60] == pytest.approx(
        averaged_probability(new, spread)[0][met].mean(), rel=1e-9
    )
    as_logged = averaged_probability(eta, spread)[0][met].mean()
    assert curve.probability[60] - as_logged > 0.01


def test_a_resampled_limit_is_that_of_sources_logged_from_the_start(late: Late) -> None:
    fit = late[2]
    assert fit.mixed is not None
    found = _threshold(fit.design, fit.mixed, "cycles", 0.85, (0.0, 60.0))
    zeroed = fit.design.logged_from_the_start()
    assert found == _threshold(zeroed, fit.mixed, "cycles", 0.85, (0.0, 60.0))
    assert np.isfinite(found)
    column = fit.design.column_of(UNLOGGED)
    assert column is not None
    assert not zeroed.x[:, column].any()
    assert fit.design.x[:, column].any()


def test_the_true_curve_is_found_though_a_third_of_the_logs_begin_late() -> None:
    # Mean over units of the error on the log-odds scale: without the term it is far below zero.
    with_term, without = [], []
    for seed in range(31, 39):
        unit = simulate_unit(SCENARIOS["cycles only"], seed)
        records = unit_records(unit)
        moves = records.storage
        some = moves["source_id"].isin(sorted(moves["source_id"].unique())[::3])
        begun = moves["moved_at"].min() + pd.Timedelta(days=400)
        trials = join(replace(records, storage=moves[~(some & (moves["moved_at"] < begun))])).trials
        for errors, used in (
            (with_term, trials),
            (without, trials.drop(columns=UNLOGGED)),
        ):
            fit = fit_finds(used, Settings())
            curve = find_curve(fit, "cycles", 0.9, alone=False)
            told = np.interp(6.0, curve.at, curve.probability)
            met = fit.design.trials["trial_id"][met_at_all(fit.design.trials, "cycles")]
            true = unit.true_trials[unit.true_trials["trial_id"].isin(met)]
            truth = mean_find_probability(replace(unit, true_trials=true), 6.0)
            errors.append(special.logit(told) - special.logit(truth))
    assert abs(np.mean(with_term)) < 0.3
    assert np.mean(without) < np.mean(with_term) - 0.15


def test_a_source_on_the_shelf_keeps_its_own_time_unlogged(late: Late) -> None:
    records, joined, fit = late
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=1)
    column = fit.design.column_of(UNLOGGED)
    assert column is not None
    assert fit.each_source is not None
    beta = fit.each_source.beta.copy()
    beta[column] = 0.0
    blind = replace(fit, each_source=replace(fit.each_source, beta=beta))
    unlogged = fit.design.trials.groupby("source_id")[UNLOGGED].max() > 30.0
    lower = {True: 0, False: 0}
    for own, other in zip(
        sorted(review_shelf(fit, records.sources, joined.history, as_of), key=_name),
        sorted(review_shelf(blind, records.sources, joined.history, as_of), key=_name),
        strict=True,
    ):
        if own.find_probability is None or other.find_probability is None:
            continue
        begins_late = bool(unlogged[own.source_id])
        lower[begins_late] += 1
        if begins_late:
            assert own.find_probability < other.find_probability
        else:
            assert own.find_probability == pytest.approx(other.find_probability)
    assert min(lower.values()) >= 2


def _name(source: object) -> str:
    return str(source.source_id)  # type: ignore[attr-defined]


def test_thaws_not_on_record_stay_out_of_refrigerated_against_frozen(late: Late) -> None:
    fit = late[2]
    trials = fit.design.trials
    sides = trials[trials["regime"].isin(["frozen", "refrigerated"])]
    terms = {c.term for c in _storage_design(fit.design, sides).columns}
    assert "age_days" in terms
    assert not {UNLOGGED, "cycles", "frozen_share"} & terms


def test_nothing_is_priced_where_many_cycles_are_not_on_record(late: Late) -> None:
    from outcomes.decide.rate_of_use import rate_of_use

    records, joined, fit = late
    verdict = which_predicts(fit, refits=0)
    assert verdict.verdict == "cycles"
    assert verdict.no_limit
    trials = joined.trials["started_at"]
    use = rate_of_use(records.sources, records.storage, joined.history, trials.min(), trials.max())
    assert "storage logs begin late" in (trade_off(fit, verdict, use).reason or "")
    few = replace(verdict, thaws_missing=0.09)
    assert trade_off(fit, few, use).reason is None


def test_the_term_is_there_only_where_a_log_begins_late(late: Late) -> None:
    trials = late[2].design.trials
    find = trials["result"] == "find"
    for days, there in ((30.0, False), (31.0, True)):
        told = trials.assign(**{UNLOGGED: np.where(trials[UNLOGGED] > 30.0, days, 12.0)})
        design = plan_design(told)
        assert (design.column_of(UNLOGGED) is not None) is there
        assert UNLOGGED not in {x.term for x in design.left_out}
        chosen = choose_conditions(told, find)
        assert (UNLOGGED in {c.term for c in chosen.columns}) is there
        assert UNLOGGED not in {x.term for x in chosen.left_out}
        if there:
            # Up to 30 days count as none.
            assert set(design.x[:, design.column_of(UNLOGGED)]) == {0.0, 31.0 / 30.0}
