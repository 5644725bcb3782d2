"""Day by day: which sources are thawed, and what the dogs make of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from outcomes.simulate.plan import DAYS_PER_SLOT, FIRST_DAY, Bools, Calendar, Floats, Ints, Plan
from outcomes.simulate.stock import Stock
from outcomes.simulate.truth import Truth

REFERENCE_SET_MIN = 60.0
REFERENCE_TEMPERATURE_C = 15.0
REFERENCE_EARLIER_TRIALS = 50


@dataclass(frozen=True, slots=True)
class Uses:
    """What happened to the sources, and what the dogs made of it."""

    source: Ints  # per trial; -1 = blank area
    cycles: Floats  # per trial
    log_odds: Floats
    found: Bools
    chance: Floats  # the uniform draw that decided between find and miss
    taken_out: tuple[tuple[int, int], ...]  # (source, session), whatever its home
    idle: tuple[tuple[int, int], ...]  # (source, session before which it thawed)
    short: tuple[tuple[int, int], ...]  # the same, too short for a thaw
    discarded: Mapping[int, int]  # source → day


def log_odds_without_source(
    truth: Truth,
    plan: Plan,
    conditions: pd.DataFrame,
    dog_effect: Floats,
    session_effect: Floats,
) -> Floats:
    """Return the log-odds of a find per trial, all but the part of the source."""
    earlier = pd.Series(plan.dog).groupby(plan.dog).cumcount().to_numpy()
    experience = np.log2((earlier + 1) / (REFERENCE_EARLIER_TRIALS + 1))
    blank = plan.hide < 0
    set_min = np.where(blank, REFERENCE_SET_MIN, plan.set_min)
    total = (
        truth.baseline_log_odds
        + dog_effect[plan.dog]
        + session_effect[plan.session]
        + truth.experience_log_odds * experience
        + truth.set_time_log_odds * np.log2(set_min / REFERENCE_SET_MIN)
        + truth.temperature_log_odds
        * (conditions["temperature_c"].to_numpy() - REFERENCE_TEMPERATURE_C)
        + truth.blinding_effect * (conditions["blinding"].to_numpy() == "open")
        + truth.assisted_effect * conditions["assisted"].to_numpy()
        + conditions["setting"].map(truth.setting_effects).to_numpy()
        + conditions["placement"].map(truth.placement_effects).fillna(0.0).to_numpy()
    )
    return np.asarray(total, dtype=np.float64)


def age_days(plan: Plan, stock: Stock, source: Ints) -> Floats:
    """Return the age of the source at the start of each trial, days; missing on blank areas."""
    day = (plan.started - FIRST_DAY.astype("datetime64[m]")).astype(np.float64) / (24 * 60)
    index = np.maximum(source, 0)
    age = day - stock.acquired_day[index] + stock.age_at_acquisition[index]
    return np.where(source < 0, np.nan, age)


def use_sources(
    truth: Truth,
    rng: np.random.Generator,
    calendar: Calendar,
    plan: Plan,
    stock: Stock,
    fixed: Floats,
) -> Uses:
    """Draw the sources day by day: which are used may depend on what the dogs found before."""
    sources, sessions, trials = len(stock.kind), len(calendar.day), len(plan.session)
    gumbel = rng.gumbel(size=(sessions, sources))
    chance = rng.random(trials)
    gap_days = np.diff(calendar.day, prepend=0)
    idle_chance = -np.expm1(-truth.idle_thaws_per_year * gap_days / 365.25)
    outing = rng.random((sessions, sources))
    idle = outing < idle_chance[:, None]
    short_chance = -np.expm1(-truth.short_outings_per_year * gap_days / 365.25)
    short = (outing > 1 - short_chance[:, None]) & ~idle
    discard_chance = -np.expm1(-truth.discards_per_year * gap_days / 365.25)
    discard = rng.random((sessions, sources)) < discard_chance[:, None]
    if stock.rotation:
        idle[:], short[:], discard[:] = False, False, False
    kind_effect = np.array([truth.kind_effects[word] for word in stock.kind])
    day_of_trial = (plan.started - FIRST_DAY.astype("datetime64[m]")).astype(np.float64) / 1440
    first = np.searchsorted(plan.session, np.arange(sessions))
    last = np.searchsorted(plan.session, np.arange(sessions), side="right")
    log_use = np.log(stock.use_rate)
    keep_at_least = max(3, sources // 4)
    place_in_rotation = np.arange(sources) % max(stock.rotation, 1)

    source = np.full(trials, -1, dtype=np.int64)
    cycles_then = np.full(trials, np.nan)
    log_odds = np.full(trials, np.nan)
    found = np.zeros(trials, dtype=bool)
    cycles = np.zeros(sources)
    meetings = np.zeros((int(plan.dog.max(initial=0)) + 1) * sources, dtype=np.int64)
    misses_in_a_row = np.zeros(sources, dtype=np.int64)
    recent_misses = np.zeros(sources)
    gone = np.zeros(sources, dtype=bool)
    home_changed = np.zeros(sources, dtype=bool)
    taken_out: list[tuple[int, int]] = []
    idle_thaws: list[tuple[int, int]] = []
    short_outings: list[tuple[int, int]] = []
    discarded: dict[int, int] = {}

    for s in range(sessions):
        day = int(calendar.day[s])
        spare_day = int(calendar.slot[s]) * DAYS_PER_SLOT - 1
        held = (stock.acquired_day < day) & ~gone
        frozen = stock.frozen_first ^ (day > stock.home_changes_day)
        moving = stock.home_changes_day == spare_day
        # Out of the freezer into the refrigerator for good: it thaws once.
        cycles[(stock.home_changes_day < day) & ~home_changed & stock.frozen_first] += 1
        home_changed |= stock.home_changes_day < day
        at_home = held & frozen & (stock.acquired_day < spare_day) & ~moving
        cycles[at_home & idle[s]] += 1
        idle_thaws.extend((int(i), s) for i in np.flatnonzero(at_home & idle[s]))
        short_outings.extend((int(i), s) for i in np.flatnonzero(at_home & short[s]))
        leaving = discard[s] & held
        if truth.poor_benched:
            leaving |= held & (misses_in_a_row >= 3)
        for i in np.flatnonzero(leaving & (stock.acquired_day < spare_day)):
            if held.sum() > keep_at_least and not (idle[s, i] or short[s, i] or moving[i]):
                held[i] = False
                gone[i] = True
                discarded[int(i)] = spare_day
        hides = int(plan.hides[s])
        if stock.rotation:
            drawn = np.flatnonzero(held & (place_in_rotation == s % stock.rotation))
        else:
            resting = (day >= stock.rest_from) & (day < stock.rest_to)
            free = held & ~resting
            if not free.any():
                free = held
            score = np.where(free, log_use + gumbel[s] - 2.0 * recent_misses, -np.inf)
            drawn = np.argsort(-score)[: min(hides, int(free.sum()))]
        cycles[drawn[frozen[drawn]]] += 1
        taken_out.extend((int(i), s) for i in drawn)
        rows = np.arange(first[s], last[s])
        rows = rows[plan.hide[rows] >= 0]
        if not len(rows):
            continue
        used = drawn[plan.hide[rows] % len(drawn)]
        age = day_of_trial[rows] - stock.acquired_day[used] + stock.age_at_acquisition[used]
        eta = (
            fixed[rows]
            + kind_effect[used]
            + stock.effect[used]
            + stock.slope[used] * cycles[used]
            + truth.cycle_step_log_odds * (cycles[used] > truth.cycle_step_after)
            + truth.age_log_odds * age / 30
            + truth.refrigerated_log_odds * ~frozen[used]
        )
        pair = plan.dog[rows] * sources + used
        earlier = meetings[pair] + [int((pair[:k] == one).sum()) for k, one in enumerate(pair)]
        eta = eta + truth.memory_log_odds * np.log2(earlier + 1.0)
        np.add.at(meetings, pair, 1)
        result = chance[rows] < expit(eta)
        source[rows], cycles_then[rows] = used, cycles[used]
        log_odds[rows], found[rows] = eta, result
        if truth.poor_benched:
            for i, hit in zip(used.tolist(), result.tolist(), strict=True):
                misses_in_a_row[i] = 0 if hit else misses_in_a_row[i] + 1
                recent_misses[i] += 0.3 * ((not hit) - recent_misses[i])
    return Uses(
        source=source,
        cycles=cycles_then,
        log_odds=log_odds,
        found=found,
        chance=chance,
        taken_out=tuple(taken_out),
        idle=tuple(idle_thaws),
        short=tuple(short_outings),
        discarded=discarded,
    )
