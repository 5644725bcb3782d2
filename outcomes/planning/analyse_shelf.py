"""Planned trials of a shelf: cycles or age within sources, past trials counted."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.analysis.finds.usable_trials import unassisted_hides
from outcomes.errors import FitError
from outcomes.models.within_source import WithinEffect, fit_within
from outcomes.planning.document import Plan, planned_cycles
from outcomes.planning.result import PlannedEstimate
from outcomes.planning.shelf_rows import ShelfRows, rows_of, trials_of

_COLUMNS = ["source_id", "dog_id", "cycles", "age_days", "day", "found"]


def planned_shelf(plan: Plan, done: pd.DataFrame | None, trials: pd.DataFrame) -> ShelfRows:
    """Past trials and those done (None: all that were planned), with planned cycles."""
    if done is None:
        wanted = [trial for trial in plan.trials if trial.source_id is not None]
        done = pd.DataFrame(
            {
                "source_id": [trial.source_id for trial in wanted],
                "dog_id": [trial.dog_id for trial in wanted],
                "day": [trial.day for trial in wanted],
                "found": 0.0,
            }
        )
    return _rows(plan, _as_planned(plan, done), _past(plan, trials))


def shelf_as_assigned(
    plan: Plan, rows: pd.DataFrame, trials: pd.DataFrame, level: float
) -> PlannedEstimate:
    """The effect by planned cycles.

    Raises
    ------
    FitError
        No model can be fitted.
    """
    return _estimate(plan, _as_planned(plan, rows), _past(plan, trials), level)


def shelf_as_thawed(
    plan: Plan, rows: pd.DataFrame, trials: pd.DataFrame, level: float
) -> PlannedEstimate | None:
    """The effect by cycles and age as they really were; None where they are not known."""
    if not {"cycles", "age_days"} <= set(rows):
        return None
    known = rows.dropna(subset=["cycles", "age_days"])
    try:
        return _estimate(plan, known, _past(plan, trials), level)
    except FitError:
        return None


def _as_planned(plan: Plan, rows: pd.DataFrame) -> pd.DataFrame:
    sources = {source.source_id: source for source in plan.storage}
    cycles, age = [], []
    for source_id, day in zip(rows["source_id"], rows["day"], strict=True):
        source = sources[source_id]
        cycles.append(source.cycles_before + planned_cycles(source, int(day)))
        age.append(source.age_days_before + float(day))
    return rows.assign(cycles=np.array(cycles, dtype=float), age_days=np.array(age, dtype=float))


def _past(plan: Plan, trials: pd.DataFrame) -> pd.DataFrame:
    """Unassisted hide trials from before the plan, of its sources."""
    none = pd.DataFrame({name: pd.Series(dtype=float) for name in _COLUMNS})
    if "started_at" not in trials or "cycles" not in trials or trials.empty:
        return none
    start = pd.Timestamp(plan.date_of(1))
    before = unassisted_hides(trials[trials["started_at"] < start])
    before = before[before["source_id"].isin([source.source_id for source in plan.storage])]
    if before.empty:
        return none
    day = (before["started_at"].dt.normalize() - start).dt.days + 1
    found = before["result"].eq("find").astype(float)
    past = before.assign(day=day.astype(float), found=found)[_COLUMNS]
    return past.astype({"cycles": float, "age_days": float}).dropna().reset_index(drop=True)


def _rows(plan: Plan, done: pd.DataFrame, past: pd.DataFrame) -> ShelfRows:
    return rows_of(past, done, {source.source_id: source.kind for source in plan.storage}, 0)


def _estimate(plan: Plan, done: pd.DataFrame, past: pd.DataFrame, level: float) -> PlannedEstimate:
    if done.empty:
        raise FitError("no hide trial of the plan is on record")
    together = pd.concat([one[_COLUMNS] for one in (past, done) if len(one)], ignore_index=True)
    found = together.sort_values("day", kind="stable")["found"].to_numpy(dtype=float)
    target = 0 if plan.question == "cycles" else 1
    effect = fit_within(trials_of(_rows(plan, done, past), target, found))
    return _told(effect, level)


def _told(effect: WithinEffect, level: float) -> PlannedEstimate:
    wide = float(stats.t.isf(level / 2.0, effect.freedom)) * effect.std_error
    return PlannedEstimate(
        log_odds=effect.log_odds,
        std_error=effect.std_error,
        low=effect.log_odds - wide,
        high=effect.log_odds + wide,
        confidence=1.0 - level,
        p=effect.p,
        freedom=effect.freedom,
    )
