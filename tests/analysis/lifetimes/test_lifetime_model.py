"""Regime, cycles at a given age, and cycle by cycle: what makes sources unreliable sooner."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.lifetimes.kaplan_meier import fit_lifetime
from outcomes.analysis.lifetimes.regression import (
    CyclesAtAge,
    fit_cycle_hazard,
    fit_cycles_at_age,
    fit_weibull_lifetime,
)
from outcomes.analysis.results import Lifetime
from outcomes.settings import DecisionSettings, ReliabilityRule
from outcomes.wording.lifetime_regression import (
    describe_cycles_at_age,
    describe_next_cycles,
    describe_storage_lifetimes,
)
from tests.side import UNTOLD, beyond_chance

SOONER = beyond_chance(("wear-out", "cycles at the same age"))

NOTHING = pd.DataFrame({"source_id": [], "moved_at": [], "moved_to": []})
NO_TRIALS = pd.DataFrame(
    {"trial_id": [], "source_id": [], "started_at": [], "result": [], "held_days": []}
)
FIRST_MISS = DecisionSettings(rule=ReliabilityRule(misses=1, window=1))
FIRST_DAY = pd.Timestamp("2024-01-01")


def cycles_at_age(trials: pd.DataFrame) -> CyclesAtAge:
    made = fit_lifetime(trials, trials[["source_id"]].drop_duplicates(), NOTHING, FIRST_MISS)
    return fit_cycles_at_age(trials, made, FIRST_MISS)


def lifetime(followed: pd.DataFrame) -> Lifetime:
    empty = fit_lifetime(NO_TRIALS, NO_TRIALS[["source_id"]], NOTHING, DecisionSettings())
    return dataclasses.replace(empty, followed=followed)


def followed(entry, low, exit_, event, regime="frozen", kind="muscle"):
    n = len(entry)
    event = np.asarray(event, dtype=bool)
    return pd.DataFrame(
        {
            "source_id": [f"S{i:03d}" for i in range(n)],
            "regime": regime,
            "kind": kind,
            "entry_days": np.asarray(entry, float),
            "low_days": np.asarray(low, float),
            "exit_days": np.asarray(exit_, float),
            "event": event,
            "ending": np.where(event, "met the rule", "last trial so far"),
        }
    )


def tried(rng: np.random.Generator, sources: int, per_cycle: float) -> pd.DataFrame:
    """Trials on the same days for all, some after a thaw; a miss grows likelier by cycle."""
    rows = []
    for i in range(sources):
        pace = rng.uniform(0.2, 0.9)
        cycles = 0
        for k in range(30):
            cycles += int(rng.random() < pace)
            missed = rng.random() < -np.expm1(-0.01 * np.exp(per_cycle * cycles))
            days = 10.0 * (k + 1)
            rows.append((f"S{i:03d}", k, days, cycles, "miss" if missed else "find"))
    frame = pd.DataFrame(rows, columns=["source_id", "k", "held_days", "cycles", "result"])
    frame["trial_id"] = frame["source_id"] + frame["k"].astype(str).str.zfill(3)
    frame["started_at"] = FIRST_DAY + pd.to_timedelta(frame["held_days"], unit="D")
    return frame.assign(age_days=frame["held_days"] + 50.0, regime="frozen", kind="muscle")


@pytest.mark.parametrize("per_cycle", [0.0, 0.15])
def test_cycle_effect_at_an_age_is_unbiased(per_cycle):
    # 16 units of 60 sources; the mean error must lie within three of its own errors, plus
    # 0.005 for the cycle that may come between the trial before and the one that shows it.
    rng = np.random.default_rng(21)
    found = [cycles_at_age(tried(rng, 60, per_cycle)) for _ in range(16)]
    errors = [fit.terms[0].log_ratio - per_cycle for fit in found if fit.terms]
    assert len(errors) >= 15
    assert abs(np.mean(errors)) < 3 * np.std(errors) / np.sqrt(len(errors)) + 0.005


def cycled(rng: np.random.Generator, sources: int) -> pd.DataFrame:
    """Sources tried at every cycle to some last one, the hazard 3 % and rising 5 % a cycle."""
    rows = []
    for _ in range(sources):
        last = int(rng.integers(10, 40))
        low, cycle, event = 0, 1, False
        for cycle in range(1, last + 1):
            event = rng.random() < -np.expm1(-0.03 * np.exp(0.05 * cycle))
            if event:
                break
            low = cycle
        rows.append((1.0, float(low if event else cycle), float(cycle), event))
    entry, low_at, exit_at, events = zip(*rows, strict=True)
    frame = followed([0.0] * sources, low_at, exit_at, events)
    cycles = {"entry_cycles": entry, "low_cycles": low_at, "exit_cycles": exit_at}
    return frame.assign(**{name: list(values) for name, values in cycles.items()})


@pytest.mark.slow
def test_share_lost_next_covers_as_promised():
    # 95 % intervals over 150 units of 40 sources; the bound is three binomial errors below.
    rng = np.random.default_rng(3)
    held = []
    for _ in range(150):
        found = fit_cycle_hazard(lifetime(cycled(rng, 40)), DecisionSettings())
        row = next(r for r in found.next_cycles if r.after == 10)
        truth = -np.expm1(-0.03 * np.exp(0.05 * np.arange(11, 16)).sum())
        held.append(row.low <= truth <= row.high)
    assert np.mean(held) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / len(held))


def test_next_cycles_are_said_where_they_reach():
    found = fit_cycle_hazard(lifetime(cycled(np.random.default_rng(6), 60)), DecisionSettings())
    assert found.reason is None
    assert describe_next_cycles(found).startswith(
        "Of 100 sources still reliable after 20 cycles, about "
    )
    assert all(row.at_risk >= 3 for row in found.next_cycles)
    assert all(row.low <= row.probability <= row.high for row in found.next_cycles)


def test_late_records_tell_only_cycles_they_saw():
    drawn = cycled(np.random.default_rng(6), 60)
    late = drawn[drawn["low_cycles"] >= 14].assign(entry_cycles=13.0)
    found = fit_cycle_hazard(lifetime(late), DecisionSettings())
    assert found.reason is None
    assert found.next_cycles[0].after == 15
    assert describe_next_cycles(found).startswith(
        "Of 100 sources still reliable after 20 cycles, about "
    )


def test_never_frozen_stay_out_of_cycle_hazard():
    drawn = cycled(np.random.default_rng(6), 60)
    never = drawn.head(4).assign(entry_cycles=0.0, low_cycles=0.0, exit_cycles=0.0)
    both = pd.concat([drawn, never], ignore_index=True)
    found = fit_cycle_hazard(lifetime(both), DecisionSettings())
    assert found.sources == 60
    assert found.left_out[0].reason == "4 sources: no freeze/thaw cycle while followed"


def test_weibull_ratio_is_near_the_planted():
    rng = np.random.default_rng(9)
    parts = []
    for regime, scale in (("frozen", 200.0), ("refrigerated", 400.0)):
        fails = scale * rng.exponential(size=150) ** (1 / 1.5)
        shown = np.ceil(fails / 20) * 20
        event = shown <= 600
        exit_ = np.where(event, shown, 600.0)
        parts.append(followed([0.0] * 150, exit_ - 20 * event, exit_, event, regime=regime))
    found = fit_weibull_lifetime(lifetime(pd.concat(parts, ignore_index=True)), DecisionSettings())
    assert found.terms[0].low < 2.0 < found.terms[0].high
    assert found.terms[0].ratio == pytest.approx(2.0, rel=0.2)
    assert found.shape == pytest.approx(1.5, rel=0.15)


def regimes(seed: int, sources: int, ratio: float) -> pd.DataFrame:
    """As many frozen as refrigerated sources, the latter lasting ``ratio`` times as long."""
    rng = np.random.default_rng(seed)
    parts = []
    for regime, scale in (("frozen", 200.0), ("refrigerated", 200.0 * ratio)):
        shown = np.ceil(scale * rng.exponential(size=sources) ** 2 / 20) * 20
        exit_ = np.minimum(shown, 300.0)
        event = shown <= 300
        low = exit_ - 20 * event
        parts.append(followed([0.0] * sources, low, exit_, event, regime=regime))
    return pd.concat(parts, ignore_index=True)


@pytest.mark.parametrize(
    ("seed", "sources", "ratio", "words"),
    [
        (2, 40, 4.0, "Refrigerated sources stayed reliable 3 times as long as frozen ones (95 % "),
        (0, 40, 1.0, "No difference shows in how long refrigerated and frozen sources stay "),
        (0, 6, 1.0, "How long refrigerated sources stay reliable beside frozen ones these "),
    ],
)
def test_longer_life_only_with_a_direction(seed, sources, ratio, words):
    found = fit_weibull_lifetime(lifetime(regimes(seed, sources, ratio)), DecisionSettings())
    term = found.terms[0]
    assert (term.low > 1.0 or term.high < 1.0) is words.startswith("Refrigerated")
    # Limits more than 400-fold apart are not told: they would be read as sizes.
    longer = term.low > 1.0
    side = beyond_chance(("wear-out", "regime")) if longer else UNTOLD
    said = describe_storage_lifetimes(found, side)
    assert ("interval" in said) is (term.high / term.low <= 400.0)
    assert said.startswith(words)


@pytest.mark.parametrize(("per_cycle", "directed"), [(0.0, False), (0.15, True)])
def test_cycle_hazard_only_where_it_is_clear(per_cycle, directed):
    found = cycles_at_age(tried(np.random.default_rng(0), 60, per_cycle))
    assert (found.terms[0].low > 1.0) is directed
    said = describe_cycles_at_age(found, SOONER if directed else UNTOLD)
    assert ("each further cycle went with a hazard" in said) is directed
    assert ("no change in the hazard" in said) is not directed
    # Where its own interval leaves out no change, neither that nor a change is told.
    assert ("cannot be told" in describe_cycles_at_age(found, UNTOLD)) is directed


def test_trying_more_is_said_without_its_term():
    # Tried on the same days, sources do not differ in how often; with a third of the trials
    # left out of half of them, they do. Both have more than 10 events.
    alike = tried(np.random.default_rng(0), 60, 0.15)
    rng = np.random.default_rng(4)
    rarely = alike["source_id"].str[-1].isin(list("02468")) & (rng.random(len(alike)) < 0.33)
    parted = []
    for trials in (alike, alike[~rarely]):
        found = cycles_at_age(trials)
        assert found.events >= 10
        has_term = len(found.terms) == 2
        assert (
            "these records cannot part the two" in describe_cycles_at_age(found, SOONER)
        ) is not has_term
        parted.append(has_term)
    assert parted == [False, True]


def test_few_events_or_one_regime_are_said():
    few = followed([1.0] * 6, [20.0] * 6, [30.0] * 6, [True] * 3 + [False] * 3)
    few = few.assign(entry_cycles=1.0, low_cycles=2.0, exit_cycles=3.0)
    assert "3 sources met the rule, and 5 are needed" in describe_next_cycles(
        fit_cycle_hazard(lifetime(few), DecisionSettings())
    )
    assert fit_weibull_lifetime(lifetime(few), DecisionSettings()).reason.startswith(
        "3 sources met"
    )
    many = followed([1.0] * 8, [20.0] * 8, [30.0] * 8, [True] * 6 + [False] * 2)
    assert (
        fit_weibull_lifetime(lifetime(many), DecisionSettings()).reason
        == "fewer than 2 refrigerated sources were followed"
    )
    nothing = cycles_at_age(tried(np.random.default_rng(1), 2, -9.0))
    assert nothing.reason == "0 sources met the rule, and 5 are needed"


def test_the_order_of_the_trials_changes_nothing():
    trials = tried(np.random.default_rng(5), 30, 0.1)
    found = cycles_at_age(trials)
    again = cycles_at_age(trials.sample(frac=1, random_state=1))
    assert dataclasses.asdict(found) == dataclasses.asdict(again)
