"""A unit's share made from its joined trials, or why there is none."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace

import pandas as pd

from outcomes.analysis.finds.cycles_or_age import WhichPredicts, exposures_tied, which_predicts
from outcomes.analysis.finds.design import Design, count_design
from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.pool.disclosure import (
    COUNTED_BY,
    Quarter,
    band_of_dogs,
    last_full_quarter,
    rounded_down,
    through,
)
from outcomes.pool.share import (
    FORMAT,
    AgeMet,
    CyclesCounted,
    CyclesMet,
    Definition,
    ExposuresMet,
    Maker,
    Share,
    SharedCounts,
    shared_surface,
)
from outcomes.pool.unit_surface import unit_surface
from outcomes.settings import DecisionSettings, RecordsSettings

_DAYS = 50  # ages are told to it


@dataclass(frozen=True, slots=True)
class UnitForPool:
    """A unit's trials up to a quarter's end, and what they say.

    Attributes
    ----------
    quarter
        The last one whose trials are in it.
    fit
        What predicts finds, along straight lines.
    later
        Trials of the records that are later, and not in it.
    """

    quarter: Quarter
    fit: FindFit
    later: int

    @property
    def trials(self) -> int:
        """Hide trials that the model rests on."""
        return count_design(self.fit.design).n

    @property
    def misses(self) -> int:
        """Misses among them."""
        return count_design(self.fit.design).misses


def unit_for_pool(trials: pd.DataFrame, settings: DecisionSettings, today: dt.date) -> UnitForPool:
    """A unit's trials cut off at a quarter's end, and its model of finds.

    Parameters
    ----------
    trials
        Joined trials, at least one.
    settings
        The unit's.
    today
        The day of the share: a quarter that still runs then is left out.
    """
    quarter = last_full_quarter(trials["started_at"].max().date(), today)
    kept = through(trials, quarter)
    return UnitForPool(quarter, fit_finds(kept, settings), len(trials) - len(kept))


def make_share(
    unit: UnitForPool,
    records: RecordsSettings,
    made_by: Maker,
    unit_code: str,
    describe: Callable[[Share], str],
    *,
    jobs: int = 1,
) -> Share:
    """What the unit hands over.

    Parameters
    ----------
    unit
        With a model, and at least the least counts.
    records
        How its cycles and ages were counted.
    made_by, unit_code
        Written into it.
    describe
        Makes the share's own sentence from the share.
    jobs
        Processes for the unit's own verdict.

    Raises
    ------
    FitError
        The records cannot say, or not well enough.
    """
    design, fit = unit.fit.design, unit.fit
    verdict = which_predicts(fit, jobs=jobs)
    bent = _is_bent(verdict, fit.settings.alpha)
    surface = None if bent else shared_surface(unit_surface(design, fit.mixed))
    used = design.trials
    counted = count_design(design)
    share = Share(
        format=FORMAT,
        made_by=made_by,
        unit_code=unit_code,
        through=unit.quarter.name,
        definition=definition_of(design, records),
        shape="bend" if bent else "line",
        joint_p=None if verdict.joint is None else round(float(verdict.joint.p), 2),
        tied=bool(design.copies) or exposures_tied(design),
        correlation=None if verdict.correlation is None else round(verdict.correlation, 1),
        exposures=ExposuresMet(
            cycles=_cycles_met(used),
            age=AgeMet(p95_days=_to(float(used["age_days"].quantile(0.95)), _DAYS)),
        ),
        counts=SharedCounts(
            trials=rounded_down(counted.n),
            misses=rounded_down(counted.misses),
            sources=rounded_down(counted.sources),
            dogs=band_of_dogs(counted.dogs),
        ),
        surface=surface,
        sentence="",
    )
    return replace(share, sentence=describe(share))


def definition_of(design: Design, records: RecordsSettings) -> Definition:
    """How a unit counts cycles and age."""
    return Definition(
        cycles_from=_counted_from(design.trials, records),
        thaw_after_h=records.thaw_after_h,
        unlogged_thaws=records.unlogged_thaws,
        age="age_days",
        terms=tuple(sorted({c.term for c in design.columns} - {"cycles", "age_days"})),
    )


def _is_bent(verdict: WhichPredicts, alpha: float) -> bool:
    """Whether a straight line would be a wrong answer for this unit."""
    rejected = verdict.bend is not None and verdict.bend.p < alpha
    return rejected or bool(verdict.contradicted)


def _counted_from(trials: pd.DataFrame, settings: RecordsSettings) -> CyclesCounted:
    """Where the cycles of the trials used come from; a count goes before the log unless set."""
    if "cycles_source" not in trials or settings.cycles_from == "log":
        return "log"
    of_trials = trials["cycles_source"].astype(str)
    by_hand = of_trials.isin(["counted", "both"])
    if not by_hand.any():
        return "log"
    return "counted" if by_hand.all() else "both"


def _cycles_met(trials: pd.DataFrame) -> CyclesMet | None:
    cycles = trials["cycles"].astype(float)
    if cycles.max() == cycles.min():
        return None
    frozen = int((trials.assign(cycles=cycles).groupby("source_id")["cycles"].max() > 0).sum())
    return CyclesMet(
        p95=_to(float(cycles.quantile(0.95)), COUNTED_BY), frozen_sources=rounded_down(frozen)
    )


def _to(value: float, step: int) -> int:
    return round(value / step) * step
