"""What chance alone gives of a rule, against the exact chain and on units with a known truth.

The study of false answers in full: ``OUTCOMES_STUDY_SIZE=500`` and this file.
"""

import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from outcomes.analysis.finds.cycles_or_age import which_predicts
from outcomes.analysis.finds.model import fit_finds
from outcomes.analysis.lifetimes.chance import (
    BAND,
    WORLDS,
    Unchanged,
    ask_lifetime,
    unchanged_finds,
)
from outcomes.analysis.lifetimes.kaplan_meier import counting_trials, fit_lifetime
from outcomes.analysis.lifetimes.rule import rule_false_call
from outcomes.analysis.results import Lifetime
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings, ReliabilityRule
from outcomes.simulate import Truth, simulate_unit
from outcomes.wording.lifetime import describe_lifetime
from tests.analysis.monitoring.test_watch import searches

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "8"))
FIRST_DAY = pd.Timestamp("2024-01-01")
TWO_OF_THREE = DecisionSettings(rule=ReliabilityRule(2, 3))
NO_STORAGE = pd.DataFrame({"source_id": [], "moved_at": [], "moved_to": []})


def tried(missed: np.ndarray) -> pd.DataFrame:
    """Trials of sources, one every ten days; shape (sources, trials)."""
    rows = [
        {
            "trial_id": f"T{s:03d}-{k:03d}",
            "source_id": f"S{s:03d}",
            "started_at": FIRST_DAY + pd.Timedelta(days=10 * k),
            "result": "miss" if missed[s, k] else "find",
            "held_days": 5.0 + 10 * k,
            "regime": "frozen",
        }
        for s in range(len(missed))
        for k in range(missed.shape[1])
    ]
    return pd.DataFrame(rows)


def asked(trials: pd.DataFrame, unchanged: Unchanged | None) -> Lifetime:
    sources = trials[["source_id"]].drop_duplicates()
    return ask_lifetime(trials, sources, NO_STORAGE, TWO_OF_THREE, unchanged)


def alike(trials: pd.DataFrame, found: float, *, no_change: bool = False) -> Unchanged:
    n = len(trials)
    level = np.full(n, np.log(found / (1 - found)))
    return Unchanged(level, np.arange(n), 0.0, None if no_change else found, no_change)


def test_chance_count_is_that_of_the_exact_chain():
    trials = tried(np.random.default_rng(1).random((30, 20)) < 0.1)
    chance = asked(trials, alike(trials, 0.9)).chance
    exact = rule_false_call(2, 3, 0.9, 20)
    # Four standard errors of the mean of 300 binomial counts of 30 sources.
    error = np.sqrt(30 * exact * (1 - exact) / WORLDS)
    assert chance.sources == pytest.approx(30 * exact, abs=4 * error)
    assert chance.low <= chance.sources <= chance.high


def test_sources_alike_are_no_more_than_chance():
    trials = tried(np.random.default_rng(2).random((30, 20)) < 0.1)
    life = asked(trials, alike(trials, 0.9))
    assert life.chance.told == "no more than chance"
    assert not life.beyond_chance
    said = describe_lifetime(life)
    assert "would by chance alone if none changed. That is no more than chance gives" in said
    assert "half" not in said


def test_worn_sources_are_more_than_chance():
    later = np.random.default_rng(3).random((30, 20)) < np.linspace(0.05, 0.7, 20)
    trials = tried(later)
    life = asked(trials, alike(trials, 0.95))
    assert life.chance.told == "more than chance"
    assert life.chance.p == 1 / (1 + WORLDS)
    assert " Half of the " in describe_lifetime(life)
    # The same count beside a verdict of no change is told as neither.
    unclear = asked(trials, alike(trials, 0.95, no_change=True))
    assert unclear.chance.told == "unclear"
    assert "whether sources wear out is unclear" in describe_lifetime(unclear)
    assert "half" not in describe_lifetime(unclear)


def test_without_a_model_own_finds_decide():
    trials = tried(np.random.default_rng(4).random((30, 20)) < 0.1)
    own = asked(trials, None).chance
    alone = asked(trials, alike(trials, float((trials["result"] == "find").mean()))).chance
    assert own.sources == pytest.approx(alone.sources)


def test_curve_of_chance_falls_within_its_band():
    trials = tried(np.random.default_rng(5).random((40, 25)) < 0.12)
    life = asked(trials, alike(trials, 0.88))
    points = life.chance.curve
    assert [points[0].time, points[-1].time] == [life.curve_from["frozen"], life.curve_to["frozen"]]
    assert {p.group for p in points} == {"frozen"}
    share = [p.probability for p in points]
    assert share[0] == 1.0
    assert (np.diff(share) <= 1e-12).all()
    assert all(p.low <= p.probability <= p.high for p in points)
    # Every source is followed from day 5 on, so at the end the share is that of the count.
    assert share[-1] == pytest.approx(1 - life.chance.sources / 40, abs=0.02)
    assert BAND == (0.05, 0.95)


def test_sources_that_share_sessions_vary_more():
    trials = tried(np.random.default_rng(6).random((30, 20)) < 0.1)
    apart = alike(trials, 0.9)
    together = replace(apart, block=np.tile(np.arange(20), 30), block_sd=1.5)
    one, other = (asked(trials, u).chance for u in (apart, together))
    assert other.high - other.low > one.high - one.low


@pytest.mark.slow
def test_exposures_are_held_at_the_first_trial():
    trials = searches(np.random.default_rng(7)).assign(held_days=lambda t: t["age_days"])
    settings = DecisionSettings(rule=ReliabilityRule(qualified_only=False))
    fit = fit_finds(trials, settings)
    unchanged = unchanged_finds(fit, "cycles", trials, settings)
    counted, _ = counting_trials(trials, settings.rule)
    rows = fit.design.trials.reset_index(drop=True)
    place = rows.reset_index().set_index("trial_id")["index"].loc[counted["trial_id"]].to_numpy()
    x = fit.design.x[place].copy()
    codes = pd.factorize(counted["source_id"])[0]
    first = np.flatnonzero(np.diff(codes, prepend=-1))
    for name in ("cycles", "age_days"):
        column = fit.design.column_of(name)
        assert np.ptp(x[:, column]) > 1
        x[:, column] = x[first, column][codes]
    expected = x @ fit.reduced.beta
    for grouping in ("dog", "source"):
        effect = fit.reduced.effects[grouping]["effect"]
        expected += effect.loc[rows[f"{grouping}_id"].to_numpy()[place]].to_numpy()
    assert unchanged.log_odds == pytest.approx(expected, abs=1e-9)
    # What trials of one session have in common is left open, and averaged over.
    assert unchanged.block_sd == fit.reduced.sd["session"] > 0.1
    sessions = rows["session_id"].to_numpy()[place]
    pairs = set(zip(unchanged.block.tolist(), sessions, strict=True))
    assert len(pairs) == len(set(unchanged.block)) == len(set(sessions))
    nodes, weights = np.polynomial.hermite_e.hermegauss(40)
    chance = expit(expected[:, None] + unchanged.block_sd * nodes) @ weights / weights.sum()
    assert unchanged.reference == pytest.approx(chance.mean(), abs=1e-6)
    assert not unchanged.no_change
    assert unchanged_finds(fit, "no change detected", trials, settings).reference is None


def told(truth: Truth, seed: int) -> Lifetime:
    records, settings = unit_records(simulate_unit(truth, seed)), DecisionSettings(seed=seed)
    trials = join(records).trials
    fit = fit_finds(trials, settings)
    verdict = which_predicts(fit, refits=0).verdict
    unchanged = unchanged_finds(fit, verdict, trials, settings)
    return ask_lifetime(trials, records.sources, records.storage, settings, unchanged)


@pytest.mark.study
def test_chance_is_seldom_taken_for_wear():
    # The standard is 5 in 100 units without a change; three binomial errors of the run at hand.
    found = [told(Truth(), 9000 + unit) for unit in range(UNITS)]
    beyond = np.mean([life.chance.p < 0.05 for life in found])
    assert beyond < 0.05 + 3 * np.sqrt(0.05 * 0.95 / UNITS)


@pytest.mark.study
def test_real_wear_is_more_than_chance():
    found = [told(Truth(cycle_log_odds=-0.06, baseline_log_odds=2.8), 9000 + u) for u in range(4)]
    assert sum(life.chance.told == "more than chance" for life in found) >= 2
    assert all(life.rule.chosen for life in found)


def test_no_trial_or_no_rule_has_no_chance():
    trials = tried(np.zeros((3, 4), bool))
    empty = ask_lifetime(
        trials.head(0), trials[["source_id"]].drop_duplicates(), NO_STORAGE, TWO_OF_THREE, None
    )
    assert empty.chance is None
    poor = tried(np.random.default_rng(8).random((8, 60)) < 0.4)
    sources = poor[["source_id"]].drop_duplicates()
    none = ask_lifetime(poor, sources, NO_STORAGE, DecisionSettings(), None)
    assert (none.rule, none.chance) == (None, None)
    assert fit_lifetime(poor, sources, NO_STORAGE, DecisionSettings()).rule is None
