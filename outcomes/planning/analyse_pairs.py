"""Planned trials of pairs, analysed as the arms were drawn, and as the sources were thawed."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from outcomes.errors import FitError
from outcomes.models.assigned_by_lot import LotEstimate, PairedTrials, estimate_by_lot
from outcomes.models.laplace import Grouping
from outcomes.models.mixed_model import fit_mixed_model
from outcomes.planning.document import Plan
from outcomes.planning.paired_rows import FIRST_ARMS, contrast_of, hides_done
from outcomes.planning.result import ArmCount, PlannedEstimate
from outcomes.random_streams import random_stream


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


def pairs_as_assigned(
    plan: Plan, rows: pd.DataFrame, level: float
) -> tuple[PlannedEstimate, float | None]:
    """The estimate as assigned, and the p of the exact lot.

    Raises
    ------
    FitError
        No model can be fitted, or fewer than two pairs are on record.
    """
    if not len(rows):
        raise FitError("no hide trial of the plan is on record")
    found = estimate_by_lot(_paired(plan, rows), level, random_stream(plan.seed, "assignments"))
    return _told(found, level), found.exact_p


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


def pairs_as_thawed(plan: Plan, rows: pd.DataFrame, level: float) -> PlannedEstimate | None:
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


def arm_counts(plan: Plan, rows: pd.DataFrame) -> tuple[ArmCount, ...]:
    """Trials and finds of each arm; none where none was drawn."""
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
