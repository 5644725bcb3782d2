"""Planned trials analysed as they were assigned, at the looks that were planned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import FitError
from outcomes.models.assigned_by_lot import LotEstimate, PairedTrials, estimate_by_lot
from outcomes.models.group_sequential import bounds_for, obrien_fleming_spending
from outcomes.models.laplace import Grouping
from outcomes.models.mixed_model import fit_mixed_model
from outcomes.plan.carried import match_trials
from outcomes.plan.document import Plan
from outcomes.plan.looks import level_of
from outcomes.plan.paired_rows import (
    FIRST_ARMS,
    contrast_of,
    hides_done,
    planned_hides,
)
from outcomes.plan.power import Hides, information_share
from outcomes.plan.result import ArmCount, PlannedEstimate, PlanResult
from outcomes.random_streams import random_stream

_ENOUGH = 0.02  # of the information, by which a look may be short and is due


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
    planned, _ = planned_hides(plan)
    done = hides_done(plan, matched.hides)
    due = _look_due(plan, planned, done, matched.carried.through_day)
    rows = matched.hides[matched.hides["day"] <= due.day].reset_index(drop=True)
    estimate, exact_p, as_thawed, reason = None, None, None, None
    if due.number:
        assert due.bound is not None
        level = level_of(due.bound)
        try:
            found = _as_assigned(plan, rows, level)
            estimate, exact_p = _told(found, level), found.exact_p
        except FitError as error:
            reason = str(error)
        as_thawed = _as_thawed(plan, rows, level)
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
        arms=_arm_counts(plan, rows),
        reason=reason,
    )


def _look_due(plan: Plan, planned: Hides, done: Hides, through_day: int) -> _Due:
    """The latest look that is due, with the bound that the information really there gives it."""
    days = sorted(set(planned.day.tolist()))
    shares = {
        day: information_share(planned, done.until(day), plan.rates, plan.effect.log_odds)
        for day in days
        if day <= through_day
    }
    over = through_day >= days[-1]
    reached: list[tuple[int, float]] = []
    for look in plan.looks[:-1]:
        day = next((d for d, s in shares.items() if s >= look.information - _ENOUGH), None)
        if day is None:
            break
        share = shares[day]
        if not reached or share > reached[-1][1] + 1e-6:
            reached.append((day, share))
    last = next(
        (d for d, s in shares.items() if s >= plan.looks[-1].information - 1e-9),
        days[-1] if over else None,
    )
    here = max(shares.values(), default=0.0)
    if last is not None:
        reached = [one for one in reached if one[0] < last]
        information = [share for _, share in reached] + [
            max(shares[last], reached[-1][1] + 1e-6 if reached else 1e-6)
        ]
        # What is left is spent at the end, however much was lost on the way.
        spent = obrien_fleming_spending(np.array(information), plan.alpha)
        spent[-1] = plan.alpha
        return _Due(len(plan.looks), last, bounds_for(information, spent)[-1], here)
    if not reached:
        return _Due(0, 0, None, here)
    information = [share for _, share in reached]
    bounds = bounds_for(information, obrien_fleming_spending(np.array(information), plan.alpha))
    return _Due(len(reached), reached[-1][0], bounds[-1], here)


def _paired(plan: Plan, rows: pd.DataFrame) -> PairedTrials:
    hides = hides_done(plan, rows)
    return PairedTrials(
        found=rows["found"].to_numpy(dtype=float),
        contrast=contrast_of(hides),
        fixed=hides.fixed,
        dog=hides.dog,
        pair=hides.pair,
        side=hides.member,
    )


def _as_assigned(plan: Plan, rows: pd.DataFrame, level: float) -> LotEstimate:
    if not len(rows):
        raise FitError("no hide trial of the plan is on record")
    return estimate_by_lot(_paired(plan, rows), level, random_stream(plan.seed, "assignments"))


def _told(found: LotEstimate, level: float) -> PlannedEstimate:
    std_error = None
    if found.low is not None and found.high is not None:
        std_error = (found.high - found.low) / (2.0 * float(stats.t.isf(level / 2, found.freedom)))
    return PlannedEstimate(
        log_odds=found.log_odds,
        std_error=std_error,
        low=found.low,
        high=found.high,
        confidence=1.0 - level,
        p=found.p,
        freedom=found.freedom,
    )


def _as_thawed(plan: Plan, rows: pd.DataFrame, level: float) -> PlannedEstimate | None:
    """By what each source really went through since the plan began; None where that is unknown."""
    values = _really(plan, rows)
    if values is None or np.ptp(values) == 0.0:
        return None
    trials = _paired(plan, rows)
    groupings = []
    for name, codes in (("side", trials.side), ("dog", trials.dog), ("pair", trials.pair)):
        levels, own = np.unique(codes, return_inverse=True)
        if len(levels) > 1:
            groupings.append(Grouping(name, own, len(levels)))
    x = np.column_stack([trials.fixed, values])
    try:
        fit = fit_mixed_model(trials.found, x, groupings)
    except FitError:
        return None
    freedom = trials.pairs - 1
    error = float(np.sqrt(fit.covariance[2, 2]))
    wide = float(stats.t.isf(level / 2.0, freedom)) * error
    effect = float(fit.beta[2])
    return PlannedEstimate(
        log_odds=effect,
        std_error=error,
        low=effect - wide,
        high=effect + wide,
        confidence=1.0 - level,
        p=float(2.0 * stats.t.sf(abs(effect) / error, freedom)),
        freedom=freedom,
    )


def _really(plan: Plan, rows: pd.DataFrame) -> np.ndarray | None:
    """Cycles, or the share of days in the freezer, since the plan began; shape (n,)."""
    before = {source.source_id: source.cycles_before for source in plan.storage}
    if plan.question == "cycles":
        if "cycles" not in rows or rows["cycles"].isna().any():
            return None
        start = rows["source_id"].map(before).to_numpy(dtype=float)
        return np.asarray(rows["cycles"].to_numpy(dtype=float) - start)
    needed = ["frozen_days", "refrigerated_days"]
    if not set(needed) <= set(rows) or rows[needed].isna().any().any():
        return None
    # Days before the first trial of a source in the plan are its past, not the plan's.
    since = rows[needed] - rows.groupby("source_id")[needed].transform("min")
    total = since.sum(axis=1).to_numpy(dtype=float)
    first = {s.source_id: float(s.arm in FIRST_ARMS) for s in plan.storage}
    arm = rows["source_id"].map(first).to_numpy(dtype=float)
    share = since["frozen_days"].to_numpy(dtype=float) / np.where(total > 0.0, total, 1.0)
    return np.asarray(np.where(total > 0.0, share, arm))


def _arm_counts(plan: Plan, rows: pd.DataFrame) -> tuple[ArmCount, ...]:
    if not plan.by_lot:
        return ()
    arms = {source.source_id: str(source.arm) for source in plan.storage}
    own = rows["source_id"].map(arms)
    names = ("freezer", "refrigerator") if plan.question == "storage" else ("often", "seldom")
    return tuple(
        ArmCount(
            arm=name,
            trials=int((own == name).sum()),
            finds=int(rows.loc[own == name, "found"].sum()),
        )
        for name in names
    )
