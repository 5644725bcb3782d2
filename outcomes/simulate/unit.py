"""A synthetic unit: its records, what they do not show, and what follows from the truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import expit

from outcomes.simulate.inspections import inspection_table, plant_damage
from outcomes.simulate.plan import draw_calendar, draw_conditions, plan_trials
from outcomes.simulate.stock import stock_sources
from outcomes.simulate.tables import dog_table, source_table, storage_table, trial_table
from outcomes.simulate.truth import DEMO, DEMO_NAME, DEMO_SEED, Truth, check_truth
from outcomes.simulate.uses import age_days, log_odds_without_source, use_sources

_DOG_NAMES = (
    *("Bramble", "Juno", "Moss", "Tilly", "Rook", "Hazel", "Otto", "Fern"),
    *("Pepper", "Bruno", "Willow", "Scout", "Maple", "Archie", "Nell", "Basil"),
)


@dataclass(frozen=True, slots=True)
class Unit:
    """A synthetic unit: its records, and what they do not show.

    Attributes
    ----------
    sources, storage, trials, dogs, inspections
        The tables of the contract with the columns a unit would hand over.
        Times are ``datetime64[ns]``, ids and words text (missing = None),
        numbers float64 (missing = NaN), ``assisted`` is ``boolean``.
    truth
        What was planted.
    source_effects
        Indexed by source: ``effect`` (log-odds), ``cycle_slope`` (log-odds per
        cycle), ``use_rate`` (relative), ``home``, and ``damage`` that it came with (in cycles
        it is worth, a part of its effect).
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
    inspections: pd.DataFrame
    name: str = "Synthetic unit"


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
    check_truth(truth)
    if not 0 <= blank_share <= 1:
        raise ValueError(f"blank_share must be between 0 and 1, not {blank_share}")
    sizes = {"trials": trials, "dogs": dogs, "sources": sources, "months": months}
    for what, number in sizes.items():
        if number < 1:
            raise ValueError(f"{what} must be at least 1, not {number}")
    rng = np.random.default_rng(seed)
    # A stream of its own: what is looked at changes nothing of what happens.
    of_looks = rng.spawn(1)[0]
    calendar = draw_calendar(truth, rng, trials, months)
    plan = plan_trials(truth, rng, calendar, trials, dogs, blank_share)
    stock = stock_sources(truth, rng, calendar, plan, sources)
    conditions = draw_conditions(truth, rng, calendar, plan)
    dog_effect = rng.normal(0.0, truth.dog_sd, dogs)
    session_effect = rng.normal(0.0, truth.session_sd, len(calendar.day))
    fixed = log_odds_without_source(truth, plan, conditions, dog_effect, session_effect)
    uses = use_sources(truth, rng, calendar, plan, stock, fixed)
    dog_ids = np.array([_dog_name(d) for d in range(dogs)], dtype=object)
    session_ids = np.array([f"S{s + 1:04d}" for s in range(len(calendar.day))], dtype=object)
    searches = trial_table(truth, rng, plan, stock, uses, conditions, dog_ids, session_ids)
    hide = uses.source >= 0
    age = age_days(plan, stock, uses.source)
    true_trials = pd.DataFrame(
        {
            "trial_id": searches["trial_id"].to_numpy()[hide],
            "cycles": uses.cycles[hide],
            "age_days": age[hide],
            "log_odds": uses.log_odds[hide],
            "find_probability": expit(uses.log_odds[hide]),
        }
    )
    held = source_table(rng, stock)
    damage = plant_damage(truth, of_looks, stock)
    looks = inspection_table(truth, of_looks, calendar, plan, stock, uses, held, damage)
    return Unit(
        sources=held,
        storage=storage_table(truth, rng, calendar, plan, stock, uses),
        trials=searches,
        dogs=dog_table(rng, dog_ids),
        truth=truth,
        source_effects=pd.DataFrame(
            {
                "effect": stock.effect,
                "cycle_slope": stock.slope,
                "use_rate": stock.use_rate,
                "home": np.where(stock.frozen_first, "freezer", "refrigerator"),
                "damage": damage,
            },
            index=pd.Index(stock.source_id, name="source_id"),
        ),
        dog_effects=pd.DataFrame({"effect": dog_effect}, index=pd.Index(dog_ids, name="dog_id")),
        session_effects=pd.DataFrame(
            {"effect": session_effect}, index=pd.Index(session_ids, name="session_id")
        ),
        true_trials=true_trials,
        inspections=looks,
    )


def find_true_threshold(unit: Unit, floor: float, by: str = "cycles") -> float | None:
    """Exposure at which the unit's true mean find probability falls to the floor.

    The mean is taken over the unit's own unassisted hide trials (by cycles: of
    sources that went through at least one): each keeps its dog, source, session
    and conditions, and only the exposure is set anew.

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
    mean_at = _mean_find_probability(unit, by)
    if not mean_at(low) >= floor > mean_at(high):
        return None
    for _ in range(60):
        middle = (low + high) / 2
        if mean_at(middle) >= floor:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def mean_find_probability(unit: Unit, at: float, by: str = "cycles") -> float:
    """Average the true find probability of the unit's unassisted hide trials at one exposure.

    At a number of cycles: of the trials of sources that went through at least one.

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
    return _mean_find_probability(unit, by)(at)


def _mean_find_probability(unit: Unit, by: str) -> Callable[[float], float]:
    joined = unit.true_trials.merge(unit.trials, on="trial_id")
    joined = joined[~joined["assisted"].fillna(False).astype(bool)]
    if by == "cycles":
        met = joined.groupby("source_id")["cycles"].transform("max") > 0
        joined = joined[met] if met.any() else joined
        slope = unit.source_effects["cycle_slope"].reindex(joined["source_id"]).to_numpy()
    else:
        slope = np.full(len(joined), unit.truth.age_log_odds / 30)
    now, log_odds = joined[by].to_numpy(dtype=float), joined["log_odds"].to_numpy()
    after, step = unit.truth.cycle_step_after, unit.truth.cycle_step_log_odds
    past = (now > after).astype(float)

    def mean_at(at: float) -> float:
        shift = slope * (at - now)
        if by == "cycles":
            shift = shift + step * (float(at > after) - past)
        return float(np.mean(expit(log_odds + shift)))

    return mean_at


def demo_unit() -> Unit:
    """Make the unit of ``synthetic_data/`` anew.

    Returns
    -------
    Unit
        8 dogs, 28 sources, 1,200 trials over 30 months, planted with ``DEMO``.
    """
    return replace(simulate_unit(DEMO, DEMO_SEED, sources=28), name=DEMO_NAME)


def _dog_name(number: int) -> str:
    return _DOG_NAMES[number] if number < len(_DOG_NAMES) else f"Dog {number + 1}"
