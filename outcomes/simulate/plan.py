"""Training days, the searches of each day, and the conditions they were made in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.simulate.truth import Truth
from outcomes.text import DAYS_PER_MONTH

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Times = NDArray[Any]  # datetime64[m]
FIRST_DAY = np.datetime64("2023-09-01")
DAYS_PER_SLOT = 3  # a training day, at most one night out, and a day to spare

_BLIND_WORDS = np.array(["open", "single", "double"], dtype=object)
_LIMITS_S = np.array([600.0, 900.0, 1200.0])


@dataclass(frozen=True, slots=True)
class Calendar:
    """Training days: ``day`` counts from ``FIRST_DAY``, ``slot`` numbers three-day slots."""

    day: Ints
    slot: Ints
    days: int


@dataclass(frozen=True, slots=True)
class Plan:
    """Trials before sources are drawn: one row per trial, in order of time."""

    session: Ints
    hide: Ints  # within the session; -1 = blank area
    dog: Ints
    started: Times
    set_min: Floats
    hides: Ints  # per session
    session_start: Times


def draw_calendar(truth: Truth, rng: np.random.Generator, trials: int, months: int) -> Calendar:
    """Draw the training days: at most one in three days, strictly regular where tied."""
    days = max(round(months * DAYS_PER_MONTH), DAYS_PER_SLOT)
    per_session = 8 if truth.shared_thaws else 4
    wanted = max(1, round(trials / per_session))
    if truth.tied == "exactly":
        day = np.arange(min(wanted, max(days // 7, 1)), dtype=np.int64) * 7
        return Calendar(day=day, slot=day // DAYS_PER_SLOT, days=days)
    slots = days // DAYS_PER_SLOT
    number = min(wanted, slots, trials)
    if truth.tied == "nearly":
        slot = np.unique(np.linspace(0, slots - 1, number).astype(np.int64))
    else:
        slot = np.sort(rng.choice(slots, size=number, replace=False)).astype(np.int64)
    day = slot * DAYS_PER_SLOT + rng.integers(0, 2, len(slot))
    return Calendar(day=day, slot=slot, days=days)


def plan_trials(
    truth: Truth,
    rng: np.random.Generator,
    calendar: Calendar,
    trials: int,
    dogs: int,
    blank_share: float,
) -> Plan:
    """Spread the trials over days, hides and dogs.

    Every dog present searches every hide of its day once; blank areas come in
    between.
    """
    sessions = len(calendar.day)
    blanks = round(trials * blank_share)
    share = rng.dirichlet(np.full(sessions, 12.0))  # some days are busier than others
    hide_trials = rng.multinomial(trials - blanks, share)
    blank_trials = rng.multinomial(blanks, np.full(sessions, 1 / sessions))
    present = np.minimum(rng.integers(2, 5, sessions), dogs)
    present = np.minimum(np.maximum(present, -(-hide_trials // 8)), dogs)
    if not truth.shared_thaws:
        present[:] = 1
    hides = -(-hide_trials // present)
    order = np.argsort(rng.random((sessions, dogs)), axis=1)

    session = np.repeat(np.arange(sessions), hide_trials)
    within = np.arange(len(session)) - np.repeat(np.cumsum(hide_trials) - hide_trials, hide_trials)
    hide = within // present[session]
    rank = within % present[session] if truth.shared_thaws else within % dogs
    blank_session = np.repeat(np.arange(sessions), blank_trials)
    blank_within = np.arange(blanks) - np.repeat(
        np.cumsum(blank_trials) - blank_trials, blank_trials
    )
    blank_rank = blank_within % np.maximum(present[blank_session], min(2, dogs))
    key = np.concatenate([within.astype(float), rng.uniform(0, hide_trials[blank_session] + 1.0)])
    session = np.concatenate([session, blank_session])
    hide = np.concatenate([hide, np.full(blanks, -1)])
    dog = order[session, np.concatenate([rank, blank_rank])]
    in_time = np.lexsort((key, session))
    session, hide, dog = session[in_time], hide[in_time], dog[in_time]

    per_session = hide_trials + blank_trials
    position = np.arange(trials) - np.repeat(np.cumsum(per_session) - per_session, per_session)
    begins_min = 9 * 60 + rng.integers(0, 13, sessions) * 5
    gap_min = np.minimum(12.0, 420.0 / np.maximum(per_session, 1))
    offset = np.floor(position * gap_min[session]).astype(np.int64)
    midnight = (FIRST_DAY + calendar.day).astype("datetime64[m]")
    session_start = midnight + begins_min
    started = session_start[session] + offset
    width = int(hides.max(initial=1))
    first_set = np.exp(rng.uniform(np.log(15), np.log(120), (sessions, max(width, 1))))
    set_min = np.where(hide < 0, np.nan, np.round(first_set[session, hide]) + offset)
    if truth.tied == "exactly":
        started, session_start = midnight[session], midnight
    return Plan(session, hide, dog, started, set_min, hides.astype(np.int64), session_start)


def draw_conditions(
    truth: Truth, rng: np.random.Generator, calendar: Calendar, plan: Plan
) -> pd.DataFrame:
    """Draw weather, setting, limit and blinding per day, placement per hide, help per trial."""
    sessions, trials = len(calendar.day), len(plan.session)
    temperature = np.round(season_c(calendar.day) + rng.normal(0.0, 4.0, sessions), 1)
    humidity = np.clip(np.round(70.0 + rng.normal(0.0, 12.0, sessions)), 20, 100)
    wind = np.round(np.abs(rng.normal(0.0, 2.5, sessions)), 1)
    setting = rng.choice(np.array(list(truth.setting_effects), dtype=object), sessions)
    limit = rng.choice(_LIMITS_S, sessions)
    if truth.search_within_limit:
        limit[:] = np.median(_LIMITS_S)
    known = (1 - truth.open_blinding_share) * 0.35
    blinding = _BLIND_WORDS[
        np.digitize(
            rng.random(sessions),
            [truth.open_blinding_share, 1 - known],
        )
    ]
    width = int(plan.hides.max(initial=1))
    placements = np.array(list(truth.placement_effects), dtype=object)
    placement = placements[rng.integers(0, len(placements), (sessions, max(width, 1)))]
    depth = np.round(rng.uniform(5, 40, (sessions, max(width, 1))))
    s, h = plan.session, np.maximum(plan.hide, 0)
    blank = plan.hide < 0
    placed = placement[s, h]
    return pd.DataFrame(
        {
            "temperature_c": temperature[s],
            "humidity_pct": humidity[s],
            "wind_m_s": wind[s],
            "setting": setting[s],
            "limit_s": limit[s],
            "blinding": blinding[s],
            "placement": np.where(blank, None, placed),  # type: ignore[call-overload]
            "depth_cm": np.where(~blank & (placed == "buried"), depth[s, h], np.nan),
            "assisted": ~blank & (rng.random(trials) < truth.assisted_share),
        }
    )


def season_c(day: Ints) -> Floats:
    """Mean air temperature of the day, °C, coldest in late January."""
    day_of_year = day + 243  # the records begin on 1 September
    return np.asarray(12.0 - 10.0 * np.cos(2 * np.pi * (day_of_year - 25) / 365.25))
