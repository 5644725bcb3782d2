"""What each held source has left: by algebra, against the shelf, and in the planted truth."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import special

from outcomes.analysis.decisions.curve import observed_to
from outcomes.analysis.decisions.exposure_left import (
    _from_today,
    _to_go,
    _years,
    exposure_left,
    first_things,
)
from outcomes.analysis.decisions.rate_of_use import RateOfUse
from outcomes.analysis.decisions.shelf import ShelfSource, review_shelf
from outcomes.analysis.decisions.source_draws import DRAWS, draw_sources
from outcomes.analysis.finds.model import fit_finds
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit


@pytest.fixture(scope="module")
def reviewed(shelved):
    unit, _, _, fit, shelf = shelved
    ids = tuple(s.source_id for s in shelf)
    n = len(ids)
    use = RateOfUse(1.0, ids, np.ones(n), np.full(n, 8.0), np.zeros(n), np.zeros(n), (), 0)
    return unit, fit, shelf, exposure_left(fit, shelf, "cycles", use)


def test_straight_line_crosses_where_algebra_says():
    at = np.linspace(4.0, 20.0, 200)
    values = 0.95 - 0.01 * (at - 4.0)
    assert _to_go(at, values, 0.85) == pytest.approx(10.0, abs=1e-9)
    assert _to_go(at, values, 0.96) == 0.0
    assert _to_go(at, values, 0.5) is None
    # To touch the floor is not to fall below it.
    assert _to_go(np.arange(3.0), np.array([0.9, 0.85, 0.9]), 0.85) is None


def test_curve_is_moved_to_the_shelf_in_log_odds():
    values = np.array([0.9, 0.8, 0.6, 0.3])
    moved = _from_today(values, 0.95)
    assert moved[0] == pytest.approx(0.95)
    assert np.diff(special.logit(moved)) == pytest.approx(np.diff(special.logit(values)))
    assert _from_today(values, None) is values


def test_days_by_calendar_and_cycles_by_pace():
    assert _years(730.5, "age_days", None) == pytest.approx(2.0)
    assert _years(730.5, "age_days", 9.0) == pytest.approx(2.0)
    assert _years(12.0, "cycles", 8.0) == pytest.approx(1.5)
    assert _years(12.0, "cycles", None) is _years(12.0, "cycles", 0.0) is None
    assert _years(None, "age_days", 8.0) is None


def test_every_source_has_a_number_or_a_reason(reviewed):
    _, _, shelf, left = reviewed
    assert [x.source_id for x in left] == [s.source_id for s in shelf]
    for x in left:
        assert (x.below is None) == (x.reason is not None)
        if x.left is not None:
            assert x.low is not None
            assert x.low <= x.left <= (np.inf if x.high is None else x.high)
            assert x.now + x.left <= x.observed_to + 1e-9
            assert x.years_left == pytest.approx(x.left / 8.0)
        if x.reason is None:
            least = max(x.observed_to - x.now, 0.0) if x.low is None else x.low
            assert x.years_low == pytest.approx(least / 8.0)


def test_nothing_is_left_below_the_floor(reviewed):
    _, _, shelf, left = reviewed
    compared = 0
    for s, x in zip(shelf, left, strict=True):
        if x.reason is None:
            # One source has one probability, and one interval, today.
            assert (x.left == 0.0) == (s.find_probability < 0.85)
            assert (x.high == 0.0) == (s.high < 0.85)
            assert (x.low == 0.0) == (s.low < 0.85)
            compared += 1
        if x.reason is None and abs(s.find_probability - 0.85) > 0.01:
            # Averaged over draws, up to 0.01 apart.
            assert (x.below > 0.5) == (s.find_probability < 0.85)
        if s.advice == "retire":
            assert x.reason is not None or (x.high == 0.0 and x.below > 0.9)
    assert compared > 5


def test_each_source_goes_along_its_own_curve(reviewed):
    # By hand, at the modes but for the source's own state: over dogs and conditions.
    _, fit, shelf, left = reviewed
    mixed, design = fit.each_source, fit.design
    own = [
        j
        for j, c in enumerate(design.columns, start=1)
        if c.term in ("cycles", "age_days", "frozen_share", "use_ratio", "kind")
    ]
    rest = [j for j in range(design.x.shape[1]) if j not in own]
    dog = mixed.effects["dog"]["effect"].reindex(design.groups["dog"]).to_numpy()
    others = design.x[:, rest] @ mixed.beta[rest] + dog
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    weights = weights / weights.sum()
    checked = 0
    for s, x in zip(shelf, left, strict=True):
        if not x.left:
            continue
        rows = np.flatnonzero(design.groups["source"] == s.source_id)
        latest = rows[np.argmax(design.trials["started_at"].to_numpy()[rows])]
        at = []
        for cycles in (s.cycles, s.cycles + x.left):
            row = design.x[latest].copy()
            row[design.column_of("cycles")] = cycles
            row[design.column_of("age_days")] = s.age_days / 30.0
            # What the source adds, and how far that is open: its own effect, the terms it carries.
            state = np.zeros(len(mixed.joint_names))
            state[own] = row[own]
            state[mixed.joint_names.index(("source", s.source_id))] = 1.0
            open_still = np.sqrt(state @ mixed.joint_cov @ state)
            level = mixed.effects["source"].loc[s.source_id, "effect"]
            eta = others + row[own] @ mixed.beta[own] + level + open_still * nodes[:, None]
            at.append(special.logit(float(weights @ special.expit(eta).mean(axis=1))))
        # From what the shelf tells today, as far down as by hand.
        found = special.expit(special.logit(s.find_probability) + at[1] - at[0])
        # Draws also average over what dogs and sessions leave open; here they are fixed.
        assert found == pytest.approx(0.85, abs=0.01)
        checked += 1
    assert checked >= 3


@pytest.mark.slow
def test_planted_cycles_left_lie_within_limits(reviewed):
    unit, fit, shelf, _ = reviewed
    # 99.9 %: none of so few sources should be outside.
    sure = replace(fit, settings=replace(fit.settings, confidence=0.999))
    true = unit.true_trials.merge(unit.trials[["trial_id", "source_id"]], on="trial_id")
    log_odds = true["log_odds"].to_numpy()
    slope = unit.source_effects["cycle_slope"]
    effect = unit.source_effects["effect"]
    checked = 0
    for x in exposure_left(sure, shelf, "cycles"):
        if x.reason is not None:
            continue
        kind = unit.sources.set_index("source_id")["kind"]
        same = (true["source_id"] == x.source_id).to_numpy()
        assert same.any()
        # Every trial of the unit as if this source had been out in it, further and further on.
        own_slope = slope.loc[x.source_id]
        others = (
            log_odds
            - slope.reindex(true["source_id"]).to_numpy() * true["cycles"].to_numpy()
            - effect.reindex(true["source_id"]).to_numpy()
            - kind.reindex(true["source_id"]).map(unit.truth.kind_effects).to_numpy()
        )
        base = others + effect.loc[x.source_id] + unit.truth.kind_effects[kind.loc[x.source_id]]
        at = np.linspace(x.now, x.observed_to, 100)
        probability = [special.expit(base + own_slope * value).mean() for value in at]
        gone = _to_go(at, np.array(probability), 0.85)
        truly = np.inf if gone is None else gone
        assert x.low is None or x.low <= truly + 1e-9
        assert x.high is None or truly <= x.high + 1e-9
        checked += 1
    assert checked > 5


def test_limits_are_a_twentieth_of_the_draws(reviewed):
    _, fit, shelf, left = reviewed
    drawn = draw_sources(fit, DRAWS)
    ends = [(x, s, x.low, 0.05, s.low) for s, x in zip(shelf, left, strict=True) if x.low]
    assert len(ends) >= 2
    above = [(x, s, x.high, 0.95, s.high) for s, x in zip(shelf, left, strict=True) if x.high]
    assert len(above) >= 2
    for x, source, gone, rank, told in ends + above:
        today = {"cycles": source.cycles, "age_days": source.age_days}
        at = np.array([x.now, x.now + gone])
        states = drawn.along(source.source_id, today, "cycles", at)
        found = np.sort(drawn.averaged_along([states])[0], axis=0)
        begin, end = special.logit(found[round(rank * (DRAWS - 1))])
        # One draw further, and a step of the grid, are less than this.
        assert end - begin + special.logit(told) == pytest.approx(special.logit(0.85), abs=0.03)


def test_source_without_an_answer_has_its_reason(reviewed, made_trials):
    _, fit, shelf, _ = reviewed
    beyond = "it is beyond what three sources, or its own trials, have shown"
    first = next(s for s in shelf if s.find_probability is not None)
    nothing = {"find_probability": None, "low": None, "high": None, "advice": "test"}
    strange = [
        replace(first, ground="beyond records", **nothing),
        replace(first, cycles=2.0 * max(fit.design.trials["cycles"])),
        replace(first, ground="not documented", cycles=None, **nothing),
    ]
    reasons = [x.reason for x in exposure_left(fit, strange, "cycles")]
    assert reasons == [beyond, beyond, "it cannot be predicted"]
    # Of one never tried, the unit's other sources tell how far was seen.
    (new,) = exposure_left(fit, [replace(strange[2], source_id="new")], "cycles")
    assert new.observed_to == observed_to(fit.design.trials, "cycles")
    flat = fit_finds(made_trials(3).assign(cycles=0.0), DecisionSettings())
    (left,) = exposure_left(flat, [first], "cycles")
    assert left.reason == "the model has no effect of cycles"


@pytest.mark.slow
def test_a_higher_floor_leaves_less(reviewed):
    _, fit, shelf, left = reviewed
    higher = exposure_left(replace(fit, settings=replace(fit.settings, floor=0.9)), shelf, "cycles")
    for one, other in zip(left, higher, strict=True):
        if one.reason is None and one.left is not None:
            assert other.left is not None
            assert other.left <= one.left


def _source(name, advice, probability, **more):
    fields = {f: None for f in ShelfSource.__slots__}
    fields |= {"source_id": name, "advice": advice, "ground": "unsure", "trials": 9, "finds": 8}
    return ShelfSource(**fields | {"find_probability": probability} | more)


def test_first_is_what_is_surest_or_soonest():
    # Name, advice, find probability today, least years left, chance of being below the floor.
    rows = [
        ("K0", "keep", 0.95, None, 0.0),
        ("K1", "keep", 0.95, 2.0, 0.0), ("K2", "keep", 0.93, 0.4, 0.0),
        ("T1", "test", 0.86, 0.1, 0.45), ("T2", "test", 0.80, 0.0, 0.8),
        ("T3", "test", None, None, None),
        ("R1", "retire", 0.60, 0.0, 0.99), ("R2", "retire", 0.55, 0.0, 0.96),
    ]  # fmt: skip
    shelf = [_source(*row[:3]) for row in rows]
    left = [SimpleNamespace(source_id=r[0], years_low=r[3], below=r[4]) for r in rows]
    order = [s.source_id for s in first_things(shelf, left)]
    assert order == ["R1", "R2", "T2", "T1", "T3", "K2", "K1", "K0"]


@pytest.mark.slow
def test_soonest_to_run_out_leads_those_to_keep(reviewed):
    _, fit, shelf, _ = reviewed
    # At a low floor some stay above it as far as the records go.
    fit = replace(fit, settings=replace(fit.settings, floor=0.1))
    # Those that could be judged, as if all were to be kept.
    judged = {x.source_id for x in exposure_left(fit, shelf, "cycles") if x.reason is None}
    kept = [replace(s, advice="keep") for s in shelf if s.source_id in judged]
    assert len(kept) >= 6
    # The first is never thawed.
    rates = np.array([0.0, *np.linspace(1.0, 24.0, len(kept) - 1)])
    n = len(kept)
    ids = tuple(s.source_id for s in kept)
    use = RateOfUse(1.0, ids, np.ones(n), rates, np.zeros(n), np.zeros(n), (), 0)
    left = exposure_left(fit, kept, "cycles", use)
    by_name = {x.source_id: x for x in left}
    order = [s.source_id for s in first_things(kept, left)]
    assert order[-1] == kept[0].source_id
    assert by_name[order[-1]].years_low is None
    times = [by_name[name].years_low for name in order[:-1]]
    assert times == sorted(times)
    assert any(by_name[name].low is None for name in order[:-1])


def test_without_a_model_each_has_the_reason(reviewed, made_trials):
    few = fit_finds(made_trials(1, n=60), DecisionSettings())
    shelf = (_source("S00", "test", None, cycles=3.0, age_days=90.0),)
    (found,) = exposure_left(few, shelf, "cycles")
    assert found.reason == "too few trials to fit a model that could be trusted"
    assert (found.left, found.low, found.high, found.below) == (None,) * 4


@pytest.mark.slow
def test_tied_cycles_and_age_go_on_together():
    unit = simulate_unit(SCENARIOS["tied together"], 20_003, trials=600, sources=14, dogs=4)
    records = unit_records(unit)
    joined = join(records)
    fit = fit_finds(joined.trials, DecisionSettings())
    # Of the two together one rises and one falls, both far more than anything planted.
    slopes = [fit.reduced.beta[fit.design.column_of(e)] for e in ("cycles", "age_days")]
    assert min(slopes) < -1.0
    assert max(slopes) > 1.0
    as_of = joined.trials["started_at"].max().normalize() + pd.Timedelta(days=1)
    shelf = review_shelf(fit, records.sources, joined.history, as_of)
    alone = fit_finds(joined.trials, DecisionSettings(), exposures=("cycles",))
    for name in ("cycles", "age_days"):
        left = {x.source_id: x for x in exposure_left(fit, shelf, name)}
        assert sum(x.below is not None for x in left.values()) > 10
        for source in shelf:
            x = left[source.source_id]
            if x.below is not None and abs(source.find_probability - 0.85) > 0.03:
                assert (x.below > 0.5) == (source.find_probability < 0.85)
                assert (x.left == 0.0) == (source.find_probability < 0.85)
    by_itself = {x.source_id: x for x in exposure_left(alone, shelf, "cycles")}
    by_both = {x.source_id: x for x in exposure_left(fit, shelf, "cycles")}
    for name, x in by_itself.items():
        if x.below is not None:
            # Without age there is room for one more condition.
            assert by_both[name].below == pytest.approx(x.below, abs=0.1)
