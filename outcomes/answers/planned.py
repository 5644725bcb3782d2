"""Planned trials: the plan, what they say, in finds, and whether handlers stayed blind."""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import comb, log

import numpy as np
import pandas as pd

from outcomes.models.averaged_probability import averaged_probability
from outcomes.planning.document import Plan
from outcomes.planning.request import PlanRequest
from outcomes.planning.result import PlannedEstimate, PlanResult
from outcomes.settings import WEEKDAYS, DecisionSettings, PlanSettings

_HALVINGS = 60


@dataclass(frozen=True, slots=True)
class FindsMoved:
    """An estimate told in finds: from ``before`` to ``after`` over the plan's whole span.

    Attributes
    ----------
    before, after
        Probability of a find; the first is the plan's own, the second follows from the estimate.
    low, high
        Limits of ``after``; None where the estimate's are not bounded.
    """

    before: float
    after: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Guesses:
    """What handlers took the areas of planned trials for, before they were searched.

    Attributes
    ----------
    hides, called_hide
        Guesses made on areas with a source, and how many of them said so.
    blanks, called_blank
        The same of blank areas.
    p
        Probability of as many right guesses or more by chance (Fisher's exact test, one-sided).
    """

    hides: int
    called_hide: int
    blanks: int
    called_blank: int
    p: float


@dataclass(frozen=True, slots=True)
class Planned:
    """The planned trials of a unit, as far as they are done.

    Attributes
    ----------
    plan, result
        The plan, and what its trials say.
    moved, moved_as_thawed
        The two estimates in finds; None where there is none.
    guesses
        None where no guess is on record.
    """

    plan: Plan
    result: PlanResult
    moved: FindsMoved | None
    moved_as_thawed: FindsMoved | None
    guesses: Guesses | None


def tell_planned(plan: Plan, result: PlanResult, trials: pd.DataFrame) -> Planned:
    """What is told of planned trials, from what was found.

    Parameters
    ----------
    plan, result
        The plan, and the analysis of its trials.
    trials
        The joined trials, those of no plan among them.
    """
    return Planned(
        plan=plan,
        result=result,
        moved=_moved(plan, result.estimate),
        moved_as_thawed=_moved(plan, result.as_thawed),
        guesses=_guesses(plan, trials),
    )


def _moved(plan: Plan, estimate: PlannedEstimate | None) -> FindsMoved | None:
    if estimate is None or estimate.log_odds is None:
        return None
    rates = plan.rates
    spread = float(np.sqrt(rates.dog_sd**2 + rates.source_sd**2 + rates.portion_sd**2))
    before = plan.effect.found_now
    start = _log_odds_of(before, spread)

    def after(change: float | None) -> float | None:
        if change is None:
            return None
        eta = np.array([start + plan.effect.span * change])
        return float(averaged_probability(eta, spread)[0][0])

    told = after(estimate.log_odds)
    assert told is not None
    return FindsMoved(before, told, after(estimate.low), after(estimate.high))


def _log_odds_of(share: float, spread: float) -> float:
    """The log-odds at which finds, averaged over dogs and sources, are this share."""
    low = high = log(share / (1.0 - share))
    low, high = low - 20.0, high + 20.0
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        found = averaged_probability(np.array([middle]), spread)[0][0]
        low, high = (middle, high) if found < share else (low, middle)
    return (low + high) / 2.0


def _guesses(plan: Plan, trials: pd.DataFrame) -> Guesses | None:
    if "guess" not in trials or "plan_id" not in trials:
        return None
    known = {t.plan_id: t.source_id is not None for t in plan.trials}
    own = trials[trials["plan_id"].isin(known) & trials["guess"].notna()]
    if own.empty:
        return None
    hide = own["plan_id"].map(known).to_numpy(dtype=bool)
    called = own["guess"].eq("hide").to_numpy()
    hides, blanks = int(hide.sum()), int((~hide).sum())
    right = int((hide & called).sum())
    return Guesses(
        hides=hides,
        called_hide=right,
        blanks=blanks,
        called_blank=int((~hide & ~called).sum()),
        p=_at_least(right, hides, blanks, int(called.sum())),
    )


def _at_least(right: int, hides: int, blanks: int, called: int) -> float:
    """Upper tail of the hypergeometric distribution: of so many called hide, so many are."""
    ways = sum(
        comb(hides, k) * comb(blanks, called - k) for k in range(right, min(hides, called) + 1)
    )
    return ways / comb(hides + blanks, called)


def plan_request(settings: PlanSettings, decisions: DecisionSettings) -> PlanRequest:
    """What a unit's settings ask of a plan."""
    given = {field.name: getattr(settings, field.name) for field in fields(settings)}
    if settings.training_days is not None:
        days = {WEEKDAYS.index(day) for day in settings.training_days}
        given["training_days"] = tuple(sorted(days))
    return PlanRequest(**given, floor=decisions.floor, alpha=decisions.alpha, seed=decisions.seed)
