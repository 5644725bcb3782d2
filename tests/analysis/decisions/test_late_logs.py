"""Decisions where storage logs begin late: the model's term for what went unlogged."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import special

from outcomes.analysis.decisions.bootstrap import _threshold
from outcomes.analysis.decisions.compare import _EitherWay
from outcomes.analysis.decisions.curve import find_curve, met_at_all
from outcomes.analysis.decisions.shelf import review_shelf
from outcomes.analysis.decisions.threshold import set_threshold
from outcomes.analysis.decisions.trade_off import trade_off
from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.cycles_or_age import which_predicts
from outcomes.analysis.finds.describe_terms import linear_predictor
from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.finds.terms import UNLOGGED
from outcomes.analysis.searches.conditions import choose_conditions
from outcomes.answers.side_questions import ask_search_time
from outcomes.exposure.trials import Joined, join
from outcomes.models.averaged_probability import averaged_probability
from outcomes.records.tables import Records
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, mean_find_probability, simulate_unit
from outcomes.wording.shelf import describe_cycles_so_far, describe_late_logs, describe_past_limit

Late = tuple[Records, Joined, FindFit]


def _a_third_late(records: Records) -> Records:
    """A third of the sources have no log for the first 400 days."""
    moves = records.storage
    some = moves["source_id"].isin(sorted(moves["source_id"].unique())[::3])
    begun = moves["moved_at"].min() + pd.Timedelta(days=400)
    return replace(records, storage=moves[~(some & (moves["moved_at"] < begun))])


@pytest.fixture(scope="module")
def late() -> Late:
    records = _a_third_late(unit_records(simulate_unit(SCENARIOS["cycles only"], 6)))
    joined = join(records)
    return records, joined, fit_finds(joined.trials, DecisionSettings())


def test_curve_is_of_sources_logged_from_start(late) -> None:
    fit = late[2]
    design, mixed = fit.design, fit.reduced
    column, cycles = design.column_of(UNLOGGED), design.column_of("cycles")
    assert column is not None
    assert cycles is not None
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


def test_resampled_limit_is_of_logged_sources(late) -> None:
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


@pytest.mark.slow
def test_true_curve_is_found_with_a_third_late() -> None:
    # Mean over units of the error on the log-odds scale: without the term it is far below zero.
    with_term, without = [], []
    for seed in range(31, 39):
        unit = simulate_unit(SCENARIOS["cycles only"], seed)
        trials = join(_a_third_late(unit_records(unit))).trials
        for errors, used in ((with_term, trials), (without, trials.drop(columns=UNLOGGED))):
            fit = fit_finds(used, DecisionSettings())
            curve = find_curve(fit, "cycles", 0.9, alone=False)
            told = np.interp(6.0, curve.at, curve.probability)
            met = fit.design.trials["trial_id"][met_at_all(fit.design.trials, "cycles")]
            true = unit.true_trials[unit.true_trials["trial_id"].isin(met)]
            truth = mean_find_probability(replace(unit, true_trials=true), 6.0)
            errors.append(special.logit(told) - special.logit(truth))
    assert abs(np.mean(with_term)) < 0.3
    assert np.mean(without) < np.mean(with_term) - 0.15


def test_source_on_the_shelf_keeps_its_gap(late) -> None:
    records, joined, fit = late
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=1)
    column = fit.design.column_of(UNLOGGED)
    assert column is not None
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


def test_unrecorded_thaws_stay_out_of_storage(late) -> None:
    fit = late[2]
    trials = fit.design.trials
    sides = trials[trials["regime"].isin(["frozen", "refrigerated"])]
    terms = {c.term for c in _EitherWay(fit, sides).design.columns}
    assert {"age_days", "cycles", "storage"} <= terms
    assert not {UNLOGGED, "frozen_share"} & terms


def test_nothing_is_priced_with_cycles_missing(late) -> None:
    from outcomes.analysis.decisions.rate_of_use import rate_of_use

    records, joined, fit = late
    verdict = which_predicts(fit, refits=0)
    assert verdict.verdict == "cycles"
    assert verdict.no_limit
    trials = joined.trials["started_at"]
    use = rate_of_use(records.sources, records.storage, joined.history, trials.min(), trials.max())
    assert "storage logs begin late" in (trade_off(fit, verdict, use).reason or "")
    few = replace(verdict, thaws_missing=0.09)
    assert trade_off(fit, few, use).reason is None


def test_term_is_there_only_where_a_log_is_late(late) -> None:
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


def test_late_logs_cycles_are_told_as_the_least(late) -> None:
    records, joined, fit = late
    as_of = joined.trials["started_at"].max() + pd.Timedelta(days=1)
    shelf = review_shelf(fit, records.sources, joined.history, as_of)
    taken_in = records.sources.set_index("source_id")["acquired_on"]
    first = records.storage.groupby("source_id")["moved_at"].min()
    told = {s.source_id: s.log_begins_late for s in shelf if s.cycles is not None}
    assert told == {name: (first[name] - taken_in[name]).days > 30 for name in told}
    assert len(set(told.values())) == 2
    for source in shelf:
        if source.cycles is not None:
            assert (describe_cycles_so_far(source) or "").startswith("at least ") is told[
                source.source_id
            ]
    verdict = replace(which_predicts(fit, refits=0), thaws_missing=0.09, shapes={})
    # At a floor at which these records set a limit.
    retirement = set_threshold(replace(fit, settings=replace(fit.settings, floor=0.7)), verdict)
    assert retirement.thresholds[0].retire_after is not None
    some = [s for s in shelf if s.advice == "test"][:1]
    within = [replace(s, cycles=1.0, log_begins_late=True) for s in some]
    said = describe_past_limit(within, retirement)
    assert said == (
        f"{some[0].source_id} may be past the limit by cycles too: its log begins late, so it may "
        "have more cycles than are on record."
    )
    assert describe_past_limit([replace(within[0], log_begins_late=False)], retirement) is None
    assert describe_past_limit(within, replace(retirement, thresholds=())) is None


def test_slide_says_cycles_are_counted_too_low(late) -> None:
    fit = late[2]
    verdict = which_predicts(fit, refits=0)
    n = fit.design.trials.loc[fit.design.trials[UNLOGGED] > 30.0, "source_id"].nunique()
    said = (
        f"Cycles may be counted too low for {n} of {fit.sources} sources, whose storage logs begin"
    )
    assert describe_late_logs(fit, verdict) == f"{said} late: no retirement limit."
    some = describe_late_logs(fit, replace(verdict, thaws_missing=0.06))
    assert some == f"{said} late."
    assert describe_late_logs(fit, replace(verdict, thaws_missing=0.04)) == ""


@pytest.mark.slow
def test_one_late_log_does_not_cost_the_answer() -> None:
    # Five trials after a late start, all found: as a term they would part finds from misses.
    trials = join(unit_records(simulate_unit(SCENARIOS["cycles only"], 6))).trials
    find = trials["result"] == "find"
    hides = find | (trials["result"] == "miss")
    sources = trials["source_id"][hides].unique()
    found = trials.index[find & (trials["source_id"] == sources[0])][:5]
    some = trials.index[hides & (trials["source_id"] == sources[0])]
    more = trials.index[hides & (trials["source_id"] == sources[1])]
    for rows, there, reason in (
        (found, False, "fewer than 5 finds or 5 misses on sources whose"),
        (some, False, "only one source whose storage log begins late"),
        (some.union(more), True, ""),
    ):
        told = trials.assign(**{UNLOGGED: np.where(trials.index.isin(rows), 400.0, 0.0)})
        fit = fit_finds(told, DecisionSettings())
        assert fit.mixed is not None
        assert (fit.term(UNLOGGED) is not None) is there
        left = [x.reason for x in fit.left_out if x.term == UNLOGGED]
        assert [r.startswith(reason) for r in left] == ([] if there else [True])
        chosen = choose_conditions(told[hides], find[hides])
        assert (UNLOGGED in {c.term for c in chosen.columns}) is there


def test_hazards_leave_out_sources_without_cycles(late) -> None:
    from outcomes.analysis.lifetimes.kaplan_meier import fit_lifetime
    from outcomes.answers.lifetimes import ask_lasting

    records, joined, _fit = late
    trials, tables = joined.trials, (records.sources, records.storage)
    lifetime = fit_lifetime(trials, *tables, DecisionSettings())
    found = ask_lasting(trials, lifetime, DecisionSettings())
    begins_late = set(trials["source_id"][trials[UNLOGGED] > 30.0].astype(str))
    reason = "the storage log begins late, so cycles are not known"
    for answer in (found.cycles_at_age, found.next_cycles):
        assert any(x.reason.endswith(reason) for x in answer.left_out)
    known = trials[~trials["source_id"].astype(str).isin(begins_late)]
    alone = ask_lasting(known, fit_lifetime(known, *tables, DecisionSettings()), DecisionSettings())
    assert found.cycles_at_age.events == alone.cycles_at_age.events
    assert found.next_cycles.events == alone.next_cycles.events
    assert 0 < alone.next_cycles.sources == found.next_cycles.sources < len(lifetime.followed)


def test_share_found_is_of_fully_logged_sources(late) -> None:
    fit = late[2]
    found = ask_search_time(fit)
    how_soon, curve = found.how_soon, found.curve
    assert how_soon is not None
    assert curve is not None
    assert curve.held.endswith("logged from the start")
    place = how_soon.design.column_of(UNLOGGED)
    assert place is not None
    before = how_soon.model.beta[place] * how_soon.design.x[:, place]
    assert np.abs(before).max() > 1e-3
    met = met_at_all(fit.design.trials, "cycles")[how_soon.rows]
    used = (how_soon.limit >= curve.limit_s) & met
    slope = found.term("cycles")
    assert slope is not None
    group = curve.groups[-1]
    cycles = how_soon.design.trials["cycles"].to_numpy()
    moved = how_soon.log_time - before + slope.log_ratio * (group.at - cycles)
    by_then = (moved[used] <= np.log(group.curve[19].seconds)).sum()
    by_the_end = (moved[used] <= np.log(curve.limit_s)).sum()
    assert by_then < by_the_end
    share = group.curve[19].share / group.curve[-1].share
    assert share == pytest.approx(by_then / by_the_end)


def test_telling_sources_are_fully_logged(late) -> None:
    from outcomes.analysis.finds.cycles_or_age import _would_separate

    design = late[2].design
    begins_late = set(design.trials["source_id"][design.trials[UNLOGGED] > 30.0])
    assert set(_would_separate(design.logged_from_the_start())) - begins_late
    assert not set(_would_separate(design)) & begins_late
    blind = replace(design, trials=design.trials.assign(**{UNLOGGED: 0.0}))
    assert set(_would_separate(blind)) & begins_late
