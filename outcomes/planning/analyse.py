"""Planned trials analysed as they were assigned, at the looks that were planned."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from outcomes.errors import FitError
from outcomes.models.group_sequential import bounds_for, obrien_fleming_spending
from outcomes.planning.analyse_pairs import arm_counts, pairs_as_assigned, pairs_as_thawed
from outcomes.planning.analyse_shelf import planned_shelf, shelf_as_assigned, shelf_as_thawed
from outcomes.planning.carried import match_trials
from outcomes.planning.document import Plan
from outcomes.planning.looks import first_day, level_of
from outcomes.planning.paired_rows import hides_done, planned_hides
from outcomes.planning.power import information_share
from outcomes.planning.result import PlannedEstimate, PlanResult
from outcomes.planning.shelf_rows import information_share as shelf_share

_ENOUGH = 0.02  # of the information, by which a look may be short and is due
_AS_GOOD = 1e-6  # the same of the last, which waits for all


@dataclass(frozen=True, slots=True)
class _Due:
    """The latest look that is due: its number, day, bound; 0 and None where none is."""

    number: int
    day: int
    bound: float | None
    information: float


def analyse_plan(plan: Plan, trials: pd.DataFrame) -> PlanResult:
    """What planned trials say, as they were assigned.

    A look is due on the day on which so much information stands, whatever the results; it is
    answered from the trials up to that day alone, however late it is asked, and error is spent by
    the information that there was. The last look is due when the plan is over.

    Parameters
    ----------
    plan
        The plan, with its arms.
    trials
        Joined trials with ``plan_id``; those without one have no part in a design by lot, and
        speak for the past in the shelf design.

    Returns
    -------
    PlanResult
    """
    matched = match_trials(plan, trials)
    share_by = _shares(plan, matched.hides, trials)
    due = _look_due(plan, share_by, matched.carried.through_day)
    rows = matched.hides[matched.hides["day"] <= due.day].reset_index(drop=True)
    estimate: PlannedEstimate | None = None
    as_thawed, exact_p, reason = None, None, None
    if due.bound is not None:
        level = level_of(due.bound)
        try:
            if plan.design == "shelf":
                estimate = shelf_as_assigned(plan, rows, trials, level)
            else:
                estimate, exact_p = pairs_as_assigned(plan, rows, level)
        except FitError as error:
            reason = str(error)
        if plan.design == "shelf":
            as_thawed = shelf_as_thawed(plan, rows, trials, level)
        else:
            as_thawed = pairs_as_thawed(plan, rows, level)
    return PlanResult(
        question=plan.question,
        design=plan.design,
        assigned_by_lot=plan.by_lot,
        carried=matched.carried,
        information=due.information,
        look=due.number,
        of_looks=len(plan.looks),
        bound=due.bound,
        significant=(
            None
            if due.bound is None
            else estimate is not None
            and estimate.p is not None
            and estimate.p <= level_of(due.bound)
        ),
        estimate=estimate,
        exact_p=exact_p,
        as_thawed=as_thawed,
        arms=arm_counts(plan, rows),
        reason=reason,
    )


def _shares(plan: Plan, done: pd.DataFrame, trials: pd.DataFrame) -> Callable[[int], float]:
    """Share of the planned information that stands at the end of a day."""
    if plan.design == "shelf":
        target = 0 if plan.question == "cycles" else 1
        whole = planned_shelf(plan, None, trials)
        part = planned_shelf(plan, done, trials)
        return cache(lambda day: shelf_share(whole, part.until(day), target))
    planned, hides = planned_hides(plan)[0], hides_done(plan, done)
    rates, effect = plan.rates, plan.effect.log_odds
    return cache(lambda day: information_share(planned, hides.until(day), rates, effect))


def _look_due(plan: Plan, share_by: Callable[[int], float], through_day: int) -> _Due:
    """The latest look that is due, with the bound that the information really there gives it."""
    all_days = sorted({trial.day for trial in plan.trials})
    days = [day for day in all_days if day <= through_day]
    over = through_day >= all_days[-1]
    if not days:
        return _Due(0, 0, None, 0.0)
    here = share_by(days[-1])
    reached: list[int] = []
    for look in plan.looks:
        wanted = look.information - (_AS_GOOD if look is plan.looks[-1] else _ENOUGH)
        if here < wanted:
            break
        reached.append(first_day(days, share_by, wanted))
    # The last look comes with the end of the plan, however much was lost on the way.
    final = over or len(reached) == len(plan.looks)
    if final and len(reached) < len(plan.looks):
        reached.append(days[-1])
    if not reached:
        return _Due(0, 0, None, here)
    # Looks that fall on one day are one.
    shares = [share for share in map(share_by, sorted(set(reached))) if share > 0.0]
    information = np.unique(shares or [1.0])
    spent = obrien_fleming_spending(information, plan.alpha)
    if final:
        spent[-1] = plan.alpha
    number = len(plan.looks) if final else len(reached)
    return _Due(number, reached[-1], bounds_for(information.tolist(), spent)[-1], here)
