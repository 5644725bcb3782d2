"""Synthetic units with a stated truth: records as a unit would write them, and what made them.

The simulator keeps its own account of every thaw and of every source's age.
It shares no code with :mod:`outcomes.exposure`, so that the two can be
compared. What the records do not show (unlogged thaws, the effects of dogs
and sources, the find probability of each trial) is kept beside the records,
never in them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, ndtr, ndtri

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Times = NDArray[Any]  # datetime64[m]

TIED = ("no", "nearly", "exactly")
KIND_PREFIX = {"muscle": "MUS", "blood": "BLD", "wet bone": "BON", "fat": "FAT"}
REFRIGERATED_KINDS = ("wet bone", "fat")
REFERENCE_SET_MIN = 60.0
REFERENCE_TEMPERATURE_C = 15.0
REFERENCE_EARLIER_TRIALS = 50
FIRST_DAY = np.datetime64("2023-09-01")

_DOG_NAMES = (
    *("Bramble", "Juno", "Moss", "Tilly", "Rook", "Hazel", "Otto", "Fern"),
    *("Pepper", "Bruno", "Willow", "Scout", "Maple", "Archie", "Nell", "Basil"),
)
_BLIND_WORDS = np.array(["open", "single", "double"], dtype=object)
_LIMITS_S = np.array([600.0, 900.0, 1200.0])
_DAYS_PER_SLOT = 3  # a training day, at most one night out, and a day to spare
_DAYS_PER_MONTH = 365.25 / 12


def _kind_effects() -> Mapping[str, float]:
    return {"muscle": 0.0, "blood": -0.2, "wet bone": -0.3, "fat": 0.1}


def _setting_effects() -> Mapping[str, float]:
    return {"woodland": 0.0, "field": 0.1, "building": 0.2, "rubble": -0.2}


def _placement_effects() -> Mapping[str, float]:
    return {"surface": 0.0, "elevated": 0.0, "buried": -0.3}


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything planted in a synthetic unit; effects are log-odds of a find.

    Attributes
    ----------
    cycle_log_odds
        Change per completed freeze/thaw cycle, mean over sources.
    age_log_odds
        Change per 30 days of age.
    refrigerated_log_odds
        Added while the source's home is the refrigerator.
    baseline_log_odds
        Log-odds for a new muscle source with no cycles, on the surface in
        woodland, 60 min after placing, at 15 °C, not blinded ``open``, for the
        average dog with 50 trials behind it.
    kind_effects, setting_effects, placement_effects
        Word → change against the first word.
    dog_sd, source_sd, session_sd
        Standard deviations of the random intercepts.
    cycle_slope_sd
        Standard deviation between sources of the change per cycle.
    set_time_log_odds
        Change per doubling of the set time.
    temperature_log_odds
        Change per °C above 15 °C.
    experience_log_odds
        Change per doubling of (earlier trials + 1) of the dog.
    assisted_share, assisted_effect
        Share of hide trials in which the dog was helped, and the change.
    false_alerts_per_hour
        Rate on hide trials (Poisson).
    false_alert_cycle_log_rate
        Change of its logarithm per cycle of the source.
    false_alert_per_blank
        Probability of a false alert on a blank area.
    median_search_s, search_log_sd
        Search time of a find with no cycles: log-normal, cut off at the limit.
    search_cycle_log_time
        Change of the log search time of a find per cycle.
    search_within_limit
        False: whether the dog finds and how long a find takes are drawn one
        after the other, as described above. True: the time to find is
        log-logistic and a find is a search that ends within the limit, so
        that the log-odds and the search time are one truth; the median and
        the change per cycle then follow from the log-odds (see
        :func:`time_ratio_per_cycle`), and ``search_log_sd`` still holds.
    refrigerated_share
        Share of sources whose home is the refrigerator.
    moved_home_share
        Share of sources that change their home (freezer, refrigerator) once.
    use_log_sd
        Standard deviation between sources of the log rate of use.
    rest_share
        Share of sources that rest for several months.
    idle_thaws_per_year
        Thaws per frozen source and year without a trial (power cut, cancelled day).
    short_outings_per_year
        Stays of half an hour outside the freezer, too short for a thaw, per
        frozen source and year.
    discards_per_year
        Rate at which a source is discarded for reasons unrelated to its trials.
    tied
        Trap 1. ``"nearly"``: all sources are frozen, new when taken in and used
        in strict rotation; cycles and age move together. ``"exactly"``: also
        weekly training and dates without clock times: one is a linear function
        of the other.
    shared_thaws
        Trap 2. True: one thaw serves several dogs. False: one thaw per trial,
        as far as there are sources enough; so there are more thaws.
    strong_used_more
        Trap 3. Change of the log rate of use per standard deviation of the
        source's effect.
    kind_decides_storage
        Trap 4. 0: storage does not depend on kind; 1: kind alone decides.
    poor_benched
        Trap 5. Sources with recent misses are used less, and discarded after
        three misses in a row.
    censored_misses
        Trap 6. A miss always lasts until the limit. False: the unit writes no
        time for it.
    open_blinding_share, blinding_effect
        Trap 7. Share of sessions in which the handlers know the hides, and
        what that adds.
    unlogged_thaw_share
        Share of thaws missing from the storage log.
    imperfect_share
        Share of trials in which a blinding, a set time, a humidity or the time
        of a miss was left empty.
    all_refrigerated, all_frozen
        One home for all sources.

    Notes
    -----
    Trap 8 (a rule that calls healthy sources unreliable, given enough trials)
    needs no switch: it shows wherever no effect is planted.
    """

    cycle_log_odds: float = 0.0
    age_log_odds: float = 0.0
    refrigerated_log_odds: float = 0.0
    baseline_log_odds: float = 2.2
    kind_effects: Mapping[str, float] = field(default_factory=_kind_effects)
    setting_effects: Mapping[str, float] = field(default_factory=_setting_effects)
    placement_effects: Mapping[str, float] = field(default_factory=_placement_effects)
    dog_sd: float = 0.5
    source_sd: float = 0.5
    session_sd: float = 0.3
    cycle_slope_sd: float = 0.0
    set_time_log_odds: float = 0.1
    temperature_log_odds: float = -0.02
    experience_log_odds: float = 0.05
    assisted_share: float = 0.02
    assisted_effect: float = 1.0
    false_alerts_per_hour: float = 0.4
    false_alert_cycle_log_rate: float = 0.0
    false_alert_per_blank: float = 0.06
    median_search_s: float = 300.0
    search_log_sd: float = 0.6
    search_cycle_log_time: float = 0.0
    search_within_limit: bool = False
    refrigerated_share: float = 0.3
    moved_home_share: float = 0.08
    use_log_sd: float = 0.6
    rest_share: float = 0.5
    idle_thaws_per_year: float = 1.0
    short_outings_per_year: float = 0.5
    discards_per_year: float = 0.15
    tied: str = "no"
    shared_thaws: bool = True
    strong_used_more: float = 0.0
    kind_decides_storage: float = 0.0
    poor_benched: bool = False
    censored_misses: bool = True
    open_blinding_share: float = 0.25
    blinding_effect: float = 0.0
    unlogged_thaw_share: float = 0.0
    imperfect_share: float = 0.0
    all_refrigerated: bool = False
    all_frozen: bool = False


@dataclass(frozen=True, slots=True)
class Unit:
    """A synthetic unit: its records, and what they do not show.

    Attributes
    ----------
    sources, storage, trials, dogs
        The tables of the contract with the columns a unit would hand over.
        Times are ``datetime64[ns]``, ids and words text (missing = None),
        numbers float64 (missing = NaN), ``assisted`` is ``boolean``.
    truth
        What was planted.
    source_effects
        Indexed by source: ``effect`` (log-odds), ``cycle_slope`` (log-odds per
        cycle), ``use_rate`` (relative), ``home``.
    dog_effects, session_effects
        Indexed by dog and by session: ``effect`` (log-odds).
    true_trials
        One row per hide trial: ``trial_id``, ``cycles`` and ``age_days`` as
        they really were, ``log_odds`` and ``find_probability``.
    name
        The unit's name.
    """

    sources: pd.DataFrame
    storage: pd.DataFrame
    trials: pd.DataFrame
    dogs: pd.DataFrame
    truth: Truth
    source_effects: pd.DataFrame
    dog_effects: pd.DataFrame
    session_effects: pd.DataFrame
    true_trials: pd.DataFrame
    name: str = "Synthetic unit"


@dataclass(frozen=True, slots=True)
class _Calendar:
    """Training days: ``day`` counts from ``FIRST_DAY``, ``slot`` numbers three-day slots."""

    day: Ints
    slot: Ints
    days: int


@dataclass(frozen=True, slots=True)
class _Plan:
    """Trials before sources are drawn: one row per trial, in order of time."""

    session: Ints
    hide: Ints  # within the session; -1 = blank area
    dog: Ints
    started: Times
    set_min: Floats
    hides: Ints  # per session
    session_start: Times


@dataclass(frozen=True, slots=True)
class _Stock:
    """The sources: days count from ``FIRST_DAY``; ``home`` True = freezer."""

    kind: NDArray[np.object_]
    source_id: NDArray[np.object_]
    acquired_day: Ints
    age_at_acquisition: Floats
    frozen_first: Bools
    home_changes_day: Ints  # beyond the last day = never
    rest_from: Ints
    rest_to: Ints
    effect: Floats
    slope: Floats
    use_rate: Floats
    rotation: int  # 0 = drawn at random


@dataclass(frozen=True, slots=True)
class _Uses:
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


def simulate_unit(
    truth: Truth,
    seed: int | np.random.Generator,
    *,
    trials: int = 1200,
    dogs: int = 8,
    sources: int = 24,
    months: int = 30,
    blank_share: float = 0.15,
) -> Unit:
    """Simulate one unit.

    Parameters
    ----------
    truth
        What to plant.
    seed
        Seed or generator; the same seed gives the same unit.
    trials
        Searches in all, blank areas included.
    dogs, sources
        Dogs and sources of the unit.
    months
        Length of the records.
    blank_share
        Share of trials on blank areas.

    Returns
    -------
    Unit
        Records and truth.

    Raises
    ------
    ValueError
        If a size is not positive, a share is not within [0, 1], or switches
        contradict each other.

    Examples
    --------
    >>> unit = simulate_unit(Truth(cycle_log_odds=-0.1), seed=1, trials=200)
    >>> len(unit.trials)
    200
    """
    _check(truth, trials, dogs, sources, months, blank_share)
    rng = np.random.default_rng(seed)
    calendar = _draw_calendar(truth, rng, trials, months)
    plan = _plan_trials(truth, rng, calendar, trials, dogs, blank_share)
    stock = _stock_sources(truth, rng, calendar, plan, sources)
    conditions = _draw_conditions(truth, rng, calendar, plan)
    dog_effect = rng.normal(0.0, truth.dog_sd, dogs)
    session_effect = rng.normal(0.0, truth.session_sd, len(calendar.day))
    fixed = _log_odds_without_source(truth, plan, conditions, dog_effect, session_effect)
    uses = _use_sources(truth, rng, calendar, plan, stock, fixed)
    dog_ids = np.array([_dog_name(d) for d in range(dogs)], dtype=object)
    session_ids = np.array([f"S{s + 1:04d}" for s in range(len(calendar.day))], dtype=object)
    trial_table = _trial_table(truth, rng, plan, stock, uses, conditions, dog_ids, session_ids)
    hide = uses.source >= 0
    age = _age_days(plan, stock, uses.source)
    true_trials = pd.DataFrame(
        {
            "trial_id": trial_table["trial_id"].to_numpy()[hide],
            "cycles": uses.cycles[hide],
            "age_days": age[hide],
            "log_odds": uses.log_odds[hide],
            "find_probability": expit(uses.log_odds[hide]),
        }
    )
    return Unit(
        sources=_source_table(rng, stock),
        storage=_storage_table(truth, rng, calendar, plan, stock, uses),
        trials=trial_table,
        dogs=_dog_table(rng, dog_ids),
        truth=truth,
        source_effects=pd.DataFrame(
            {
                "effect": stock.effect,
                "cycle_slope": stock.slope,
                "use_rate": stock.use_rate,
                "home": np.where(stock.frozen_first, "freezer", "refrigerator"),
            },
            index=pd.Index(stock.source_id, name="source_id"),
        ),
        dog_effects=pd.DataFrame({"effect": dog_effect}, index=pd.Index(dog_ids, name="dog_id")),
        session_effects=pd.DataFrame(
            {"effect": session_effect}, index=pd.Index(session_ids, name="session_id")
        ),
        true_trials=true_trials,
    )


def find_true_threshold(unit: Unit, floor: float, by: str = "cycles") -> float | None:
    """Exposure at which the unit's true mean find probability falls to the floor.

    The mean is taken over the unit's own unassisted hide trials: each keeps its
    dog, source, session and conditions, and only the exposure is set anew.

    Parameters
    ----------
    unit
        A simulated unit.
    floor
        Find probability, between 0 and 1.
    by
        ``"cycles"`` or ``"age_days"``.

    Returns
    -------
    float or None
        Cycles or days; None where the mean does not fall to the floor between
        0 and 10 times the largest exposure that occurred.

    Raises
    ------
    ValueError
        If ``by`` is another word.
    """
    highest = 10 * float(unit.true_trials[by].max()) if by in ("cycles", "age_days") else np.nan
    if np.isnan(highest):
        raise ValueError(f"by must be 'cycles' or 'age_days', not {by!r}")
    low, high = 0.0, highest
    if not (mean_find_probability(unit, low, by) >= floor > mean_find_probability(unit, high, by)):
        return None
    for _ in range(60):
        middle = (low + high) / 2
        if mean_find_probability(unit, middle, by) >= floor:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def mean_find_probability(unit: Unit, at: float, by: str = "cycles") -> float:
    """Average the true find probability of the unit's unassisted hide trials at one exposure.

    Parameters
    ----------
    unit
        A simulated unit.
    at
        Cycles, or age in days.
    by
        ``"cycles"`` or ``"age_days"``.

    Returns
    -------
    float
        Probability.
    """
    joined = unit.true_trials.merge(unit.trials, on="trial_id")
    joined = joined[~joined["assisted"].fillna(False).astype(bool)]
    if by == "cycles":
        slope = unit.source_effects["cycle_slope"].reindex(joined["source_id"]).to_numpy()
    else:
        slope = np.full(len(joined), unit.truth.age_log_odds / 30)
    shift = slope * (at - joined[by].to_numpy(dtype=float))
    return float(np.mean(expit(joined["log_odds"].to_numpy() + shift)))


def time_ratio_per_cycle(truth: Truth) -> float:
    """Return the planted factor by which one cycle multiplies the time to a find.

    Parameters
    ----------
    truth
        With ``search_within_limit`` the factor follows from the log-odds: the
        log-odds of a log-logistic time to end within a limit fall by shape times
        the change of log time (Bennett 1983); otherwise it is planted for finds alone.

    Returns
    -------
    float
        Time ratio.

    References
    ----------
    Bennett S (1983). Analysis of survival data by the proportional odds model.
    Statistics in Medicine 2:273-277.

    Examples
    --------
    >>> time_ratio_per_cycle(Truth(cycle_log_odds=-0.1))
    1.0
    >>> round(time_ratio_per_cycle(Truth(cycle_log_odds=-0.1, search_within_limit=True)), 3)
    1.034
    """
    if truth.search_within_limit:
        return float(np.exp(-truth.cycle_log_odds / _log_logistic_shape(truth)))
    return float(np.exp(truth.search_cycle_log_time))


def _check(
    truth: Truth, trials: int, dogs: int, sources: int, months: int, blank_share: float
) -> None:
    for name, value in (
        ("trials", trials),
        ("dogs", dogs),
        ("sources", sources),
        ("months", months),
    ):
        if value < 1:
            raise ValueError(f"{name} must be at least 1, not {value}")
    shares = {
        each.name: getattr(truth, each.name)
        for each in fields(truth)
        if each.name.endswith("_share")
    }
    shares |= {"blank_share": blank_share, "kind_decides_storage": truth.kind_decides_storage}
    for name, value in shares.items():
        if not 0 <= value <= 1:
            raise ValueError(f"{name} must be between 0 and 1, not {value}")
    if truth.tied not in TIED:
        raise ValueError(f"tied must be one of {TIED}, not {truth.tied!r}")
    if truth.all_frozen and truth.all_refrigerated:
        raise ValueError("all_frozen and all_refrigerated exclude each other")
    if truth.tied != "no" and (
        truth.poor_benched or truth.strong_used_more or truth.all_refrigerated
    ):
        raise ValueError("tied sources are all frozen and used in strict rotation: no other choice")


def _dog_name(number: int) -> str:
    return _DOG_NAMES[number] if number < len(_DOG_NAMES) else f"Dog {number + 1}"


def _draw_calendar(truth: Truth, rng: np.random.Generator, trials: int, months: int) -> _Calendar:
    days = max(round(months * _DAYS_PER_MONTH), _DAYS_PER_SLOT)
    per_session = 8 if truth.shared_thaws else 4
    wanted = max(1, round(trials / per_session))
    if truth.tied == "exactly":
        day = np.arange(min(wanted, max(days // 7, 1)), dtype=np.int64) * 7
        return _Calendar(day=day, slot=day // _DAYS_PER_SLOT, days=days)
    slots = days // _DAYS_PER_SLOT
    number = min(wanted, slots, trials)
    if truth.tied == "nearly":
        slot = np.unique(np.linspace(0, slots - 1, number).astype(np.int64))
    else:
        slot = np.sort(rng.choice(slots, size=number, replace=False)).astype(np.int64)
    day = slot * _DAYS_PER_SLOT + rng.integers(0, 2, len(slot))
    return _Calendar(day=day, slot=slot, days=days)


def _plan_trials(
    truth: Truth,
    rng: np.random.Generator,
    calendar: _Calendar,
    trials: int,
    dogs: int,
    blank_share: float,
) -> _Plan:
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
    return _Plan(session, hide, dog, started, set_min, hides.astype(np.int64), session_start)


def _stock_sources(
    truth: Truth, rng: np.random.Generator, calendar: _Calendar, plan: _Plan, sources: int
) -> _Stock:
    kinds = np.array(list(truth.kind_effects), dtype=object)
    kind = kinds[rng.permutation(np.arange(sources) % len(kinds))]
    source_id = np.empty(sources, dtype=object)
    for word in kinds:
        prefix = KIND_PREFIX.get(word, str(word)[:3].upper())
        rows = np.flatnonzero(kind == word)
        source_id[rows] = [f"{prefix}-{number + 1:02d}" for number in range(len(rows))]
    effect = rng.normal(0.0, truth.source_sd, sources)
    slope = truth.cycle_log_odds + rng.normal(0.0, 1.0, sources) * truth.cycle_slope_sd
    strength = effect / truth.source_sd if truth.source_sd > 0 else np.zeros(sources)
    use_rate = np.exp(
        truth.use_log_sd * rng.normal(0.0, 1.0, sources) + truth.strong_used_more * strength
    )
    by_kind = np.isin(kind, REFRIGERATED_KINDS).astype(float)
    weight = truth.kind_decides_storage
    refrigerated = rng.random(sources) < (1 - weight) * truth.refrigerated_share + weight * by_kind
    changes = rng.random(sources) < truth.moved_home_share
    change_share = rng.uniform(0.3, 0.7, sources)
    rests = rng.random(sources) < truth.rest_share
    rest_from = np.floor(rng.uniform(0.1, 0.7, sources) * calendar.days).astype(np.int64)
    rest_length = rng.integers(90, 270, sources)
    held_at_start = np.arange(sources) < max(3, round(0.45 * sources))
    acquired = np.where(
        held_at_start,
        -rng.integers(1, 60, sources),
        np.floor(rng.uniform(0.0, 0.75, sources) * calendar.days).astype(np.int64),
    )
    age_at_acquisition = np.exp(rng.uniform(np.log(5), np.log(700), sources)).round()
    never = calendar.days + 1000
    rotation = 0
    if truth.all_refrigerated or truth.all_frozen:
        refrigerated = np.full(sources, truth.all_refrigerated)
        changes[:] = False
    if truth.tied != "no":
        refrigerated[:], changes[:], rests[:] = False, False, False
        age_at_acquisition[:] = 0.0
        rotation = max(1, round(sources / max(1.0, float(plan.hides.mean()))))
        rotation = min(rotation, sources, len(calendar.day))
        turns = len(calendar.day) // rotation
        turn = np.where(
            np.arange(sources) < rotation, 0, rng.integers(0, max(1, 3 * turns // 4), sources)
        )
        first_use = np.minimum(
            turn * rotation + np.arange(sources) % rotation, len(calendar.day) - 1
        )
        lead = 1 if truth.tied == "exactly" else rng.integers(1, 10, sources)
        acquired = calendar.day[first_use] - lead
    change_day = acquired + np.floor(change_share * np.maximum(calendar.days - acquired, 1)).astype(
        np.int64
    )
    # The last day of a three-day slot: the source is at home on that day.
    change_day = change_day // _DAYS_PER_SLOT * _DAYS_PER_SLOT + _DAYS_PER_SLOT - 1
    return _Stock(
        kind=kind,
        source_id=source_id,
        acquired_day=acquired.astype(np.int64),
        age_at_acquisition=age_at_acquisition,
        frozen_first=~refrigerated,
        home_changes_day=np.where(changes, change_day, never),
        rest_from=np.where(rests, rest_from, never),
        rest_to=np.where(rests, rest_from + rest_length, never),
        effect=effect,
        slope=slope,
        use_rate=use_rate,
        rotation=rotation,
    )


def _draw_conditions(
    truth: Truth, rng: np.random.Generator, calendar: _Calendar, plan: _Plan
) -> pd.DataFrame:
    sessions, trials = len(calendar.day), len(plan.session)
    temperature = np.round(_season_c(calendar.day) + rng.normal(0.0, 4.0, sessions), 1)
    humidity = np.clip(np.round(70.0 + rng.normal(0.0, 12.0, sessions)), 20, 100)
    wind = np.round(np.abs(rng.normal(0.0, 2.5, sessions)), 1)
    setting = rng.choice(np.array(list(truth.setting_effects), dtype=object), sessions)
    limit = rng.choice(_LIMITS_S, sessions)
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


def _season_c(day: Ints) -> Floats:
    """Mean air temperature of the day, °C, coldest in late January."""
    day_of_year = day + 243  # the records begin on 1 September
    return np.asarray(12.0 - 10.0 * np.cos(2 * np.pi * (day_of_year - 25) / 365.25))


def _log_odds_without_source(
    truth: Truth,
    plan: _Plan,
    conditions: pd.DataFrame,
    dog_effect: Floats,
    session_effect: Floats,
) -> Floats:
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


def _age_days(plan: _Plan, stock: _Stock, source: Ints) -> Floats:
    day = (plan.started - FIRST_DAY.astype("datetime64[m]")).astype(np.float64) / (24 * 60)
    index = np.maximum(source, 0)
    age = day - stock.acquired_day[index] + stock.age_at_acquisition[index]
    return np.where(source < 0, np.nan, age)


def _use_sources(
    truth: Truth,
    rng: np.random.Generator,
    calendar: _Calendar,
    plan: _Plan,
    stock: _Stock,
    fixed: Floats,
) -> _Uses:
    """Draw the sources day by day: which are used may depend on what the dogs found before."""
    sources, sessions, trials = len(stock.kind), len(calendar.day), len(plan.session)
    gumbel = rng.gumbel(size=(sessions, sources))
    chance = rng.random(trials)
    gap_days = np.diff(calendar.day, prepend=0)
    idle_chance = -np.expm1(-truth.idle_thaws_per_year * gap_days / 365.25)
    outing = rng.random((sessions, sources))
    idle = outing < idle_chance[:, None]
    short_chance = -np.expm1(-truth.short_outings_per_year * gap_days / 365.25)
    short = outing > 1 - short_chance[:, None]
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
        spare_day = int(calendar.slot[s]) * _DAYS_PER_SLOT - 1
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
            + truth.age_log_odds * age / 30
            + truth.refrigerated_log_odds * ~frozen[used]
        )
        result = chance[rows] < expit(eta)
        source[rows], cycles_then[rows] = used, cycles[used]
        log_odds[rows], found[rows] = eta, result
        if truth.poor_benched:
            for i, hit in zip(used.tolist(), result.tolist(), strict=True):
                misses_in_a_row[i] = 0 if hit else misses_in_a_row[i] + 1
                recent_misses[i] += 0.3 * ((not hit) - recent_misses[i])
    return _Uses(
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


def _trial_table(
    truth: Truth,
    rng: np.random.Generator,
    plan: _Plan,
    stock: _Stock,
    uses: _Uses,
    conditions: pd.DataFrame,
    dog_ids: NDArray[np.object_],
    session_ids: NDArray[np.object_],
) -> pd.DataFrame:
    trials = len(plan.session)
    blank = uses.source < 0
    limit = conditions["limit_s"].to_numpy()
    time_of_find = _draw_find_times(truth, rng, uses, limit)
    blank_time = rng.uniform(0.5, 1.0, trials) * limit
    search = np.where(blank, blank_time, np.where(uses.found, time_of_find, limit))
    search = np.minimum(np.maximum(np.round(search), 1.0), limit)
    rate = truth.false_alerts_per_hour * np.exp(
        truth.false_alert_cycle_log_rate * np.nan_to_num(uses.cycles)
    )
    on_hides = rng.poisson(rate * search / 3600)
    on_blank = (rng.random(trials) < truth.false_alert_per_blank).astype(np.int64)
    alerts = np.where(blank, on_blank, on_hides)
    result = np.where(
        blank,
        np.where(on_blank > 0, "false alert", "clear"),
        np.where(uses.found, "find", "miss"),
    ).astype(object)
    if not truth.censored_misses:
        search = np.where(result == "miss", np.nan, search)
    hide_number = plan.hide + 1
    hide_id = np.array(
        [
            None if h < 1 else f"{session_ids[s]}-{h}"
            for s, h in zip(plan.session.tolist(), hide_number.tolist(), strict=True)
        ],
        dtype=object,
    )
    left_empty = rng.random((4, trials)) < truth.imperfect_share
    source_names = np.array([*stock.source_id, None], dtype=object)
    people = max(1, len(dog_ids) - len(dog_ids) // 4)  # some handle two dogs
    handlers = np.array([f"H{d % people + 1}" for d in range(len(dog_ids))], dtype=object)
    width = max(4, len(str(trials)))
    return pd.DataFrame(
        {
            "trial_id": [f"T{number + 1:0{width}d}" for number in range(trials)],
            "session_id": session_ids[plan.session],
            "started_at": plan.started.astype("datetime64[ns]"),
            "dog_id": dog_ids[plan.dog],
            "handler_id": handlers[plan.dog],
            "source_id": source_names[uses.source],
            "result": result,
            "false_alerts": alerts.astype(np.float64),
            "search_s": np.where(left_empty[0] & (result == "miss"), np.nan, search),
            "limit_s": limit,
            "blinding": np.where(left_empty[1], None, conditions["blinding"]),  # type: ignore[call-overload]
            "set_min": np.where(left_empty[2], np.nan, plan.set_min),
            "hide_id": hide_id,
            "temperature_c": conditions["temperature_c"].to_numpy(),
            "humidity_pct": np.where(left_empty[3], np.nan, conditions["humidity_pct"]),
            "wind_m_s": conditions["wind_m_s"].to_numpy(),
            "setting": conditions["setting"].to_numpy(),
            "placement": conditions["placement"].to_numpy(),
            "depth_cm": conditions["depth_cm"].to_numpy(),
            "assisted": pd.array(conditions["assisted"].to_numpy(), dtype="boolean"),
        }
    )


def _draw_find_times(truth: Truth, rng: np.random.Generator, uses: _Uses, limit: Floats) -> Floats:
    """Seconds to the find; of no meaning where there was none."""
    draw = rng.uniform(1e-6, 1.0, len(limit))
    if truth.search_within_limit:
        odds_of_draw = uses.chance / (1 - uses.chance)
        shape = _log_logistic_shape(truth)
        return np.asarray(limit * (odds_of_draw * np.exp(-uses.log_odds)) ** (1 / shape))
    log_median = np.log(truth.median_search_s) + truth.search_cycle_log_time * uses.cycles
    reach = ndtr((np.log(limit) - log_median) / truth.search_log_sd)
    return np.asarray(np.exp(log_median + truth.search_log_sd * ndtri(reach * draw)))


def _log_logistic_shape(truth: Truth) -> float:
    return float(np.pi / (np.sqrt(3) * truth.search_log_sd))


def _source_table(rng: np.random.Generator, stock: _Stock) -> pd.DataFrame:
    sources = len(stock.kind)
    packaging = np.array(["sealed", "vented", "open"], dtype=object)
    return pd.DataFrame(
        {
            "source_id": stock.source_id,
            "kind": stock.kind,
            "acquired_on": (FIRST_DAY + stock.acquired_day).astype("datetime64[ns]"),
            "age_at_acquisition_days": stock.age_at_acquisition,
            "packaging": packaging[rng.choice(3, sources, p=[0.5, 0.3, 0.2])],
            "mass_g": np.round(np.exp(rng.normal(np.log(60), 0.5, sources))),
        }
    ).sort_values("source_id", ignore_index=True)


def _storage_table(
    truth: Truth,
    rng: np.random.Generator,
    calendar: _Calendar,
    plan: _Plan,
    stock: _Stock,
    uses: _Uses,
) -> pd.DataFrame:
    """Write the log: a stay outside the home is two rows, unless it went unlogged."""
    sources = len(stock.kind)
    midnight = FIRST_DAY.astype("datetime64[m]")
    minutes = 24 * 60

    out_source, out_session = _columns(uses.taken_out)
    idle_source, idle_session = _columns((*uses.idle, *uses.short))
    is_short = np.arange(len(idle_source)) >= len(uses.idle)
    out = plan.session_start[out_session] - rng.integers(130, 165, len(out_source))
    day = calendar.day[out_session]
    overnight = rng.random(len(out_source)) < 0.1
    back_min = np.where(
        overnight, minutes + 7 * 60, 17 * 60 + 30 + rng.integers(0, 18, len(out_source)) * 5
    )
    back = midnight + day * minutes + back_min
    if truth.tied == "exactly":
        out = midnight + day * minutes
        back = out + minutes
    spare = calendar.slot[idle_session] * _DAYS_PER_SLOT - 1
    idle_out = midnight + spare * minutes + 9 * 60
    idle_back = idle_out + np.where(is_short, 30, rng.integers(2, 9, len(idle_source)) * 60)

    warmth = np.round(10 + 0.5 * _season_c(calendar.day[out_session]), 0)
    warmth[rng.random(len(warmth)) < 0.4] = np.nan
    warmth = np.concatenate([warmth, np.full(len(idle_source), np.nan)])
    source = np.concatenate([out_source, idle_source])
    left = np.concatenate([out, idle_out])
    returned = np.concatenate([back, idle_back])
    left_day = ((left - midnight).astype(np.int64)) // minutes
    frozen = stock.frozen_first[source] ^ (left_day > stock.home_changes_day[source])
    home = np.where(frozen, "freezer", "refrigerator").astype(object)
    logged = ~(frozen & (rng.random(len(source)) < truth.unlogged_thaw_share))

    changed = np.flatnonzero(stock.home_changes_day <= calendar.days)
    gone = np.array(list(uses.discarded), dtype=np.int64)
    gone_day = np.array(list(uses.discarded.values()), dtype=np.int64)
    leaves = np.full(sources, calendar.days + 1000, dtype=np.int64)
    leaves[gone] = gone_day
    changed = changed[stock.home_changes_day[changed] < leaves[changed]]
    first_home = np.where(stock.frozen_first, "freezer", "refrigerator").astype(object)
    second_home = np.where(stock.frozen_first, "refrigerator", "freezer").astype(object)
    table = pd.DataFrame(
        {
            "source_id": stock.source_id[
                np.concatenate([np.arange(sources), source[logged], source[logged], changed, gone])
            ],
            "moved_at": np.concatenate(
                [
                    midnight + stock.acquired_day * minutes,
                    left[logged],
                    returned[logged],
                    midnight + stock.home_changes_day[changed] * minutes + 8 * 60,
                    midnight + gone_day * minutes + 10 * 60,
                ]
            ).astype("datetime64[ns]"),
            "moved_to": np.concatenate(
                [
                    first_home,
                    np.full(int(logged.sum()), "ambient", dtype=object),
                    home[logged],
                    second_home[changed],
                    np.full(len(gone), "discarded", dtype=object),
                ]
            ),
            "temperature_c": np.concatenate(
                [
                    np.full(sources, np.nan),
                    warmth[logged],
                    np.full(int(logged.sum()) + len(changed) + len(gone), np.nan),
                ]
            ),
        }
    )
    return table.sort_values(["moved_at", "source_id"], ignore_index=True, kind="stable")


def _columns(pairs: tuple[tuple[int, int], ...]) -> tuple[Ints, Ints]:
    array = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    return array[:, 0], array[:, 1]


def _dog_table(rng: np.random.Generator, dog_ids: NDArray[np.object_]) -> pd.DataFrame:
    dogs = len(dog_ids)
    started = FIRST_DAY - rng.integers(30, 1500, dogs)
    qualified = started + rng.integers(240, 420, dogs)
    born = started - rng.integers(90, 500, dogs)
    return pd.DataFrame(
        {
            "dog_id": dog_ids,
            "started_on": started.astype("datetime64[ns]"),
            "qualified_on": qualified.astype("datetime64[ns]"),
            "born_on": born.astype("datetime64[ns]"),
        }
    )


# Baselines are chosen so that about four searches in five end in a find in each.
SCENARIOS: Mapping[str, Truth] = {
    "no effect": Truth(),
    "cycles only": Truth(cycle_log_odds=-0.10, baseline_log_odds=3.0),
    "age only": Truth(age_log_odds=-0.08, baseline_log_odds=3.5),
    "both": Truth(cycle_log_odds=-0.08, age_log_odds=-0.06, baseline_log_odds=3.8),
    "tied together": Truth(cycle_log_odds=-0.10, baseline_log_odds=3.0, tied="nearly"),
    "benched sources": Truth(cycle_log_odds=-0.10, baseline_log_odds=3.0, poor_benched=True),
    "strong sources used more": Truth(
        cycle_log_odds=-0.10, baseline_log_odds=3.0, strong_used_more=0.5
    ),
}

DEMO = Truth(
    cycle_log_odds=-0.11,
    baseline_log_odds=3.5,
    use_log_sd=0.5,
    refrigerated_share=0.2,
    kind_decides_storage=0.4,
    open_blinding_share=0.2,
    blinding_effect=0.3,
    unlogged_thaw_share=0.03,
    imperfect_share=0.02,
    search_cycle_log_time=0.01,
)
DEMO_NAME = "Alderfold Search Dogs (synthetic)"
DEMO_SEED = 1


def demo_unit() -> Unit:
    """Make the unit of ``synthetic_data/`` anew.

    Returns
    -------
    Unit
        8 dogs, 26 sources, 1,200 trials over 30 months, planted with ``DEMO``.
    """
    return replace(simulate_unit(DEMO, DEMO_SEED, sources=26), name=DEMO_NAME)
