"""All that inspections tell: how many looks there were, how sources change, and what finds do."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.inspections.change import (
    Change,
    MassLimit,
    describe_changes,
    mass_limit,
    shares_blind,
)
from outcomes.analysis.inspections.seen_and_finds import SeenAndFinds, finds_and_seen


@dataclass(frozen=True, slots=True)
class Inspected:
    """What looking at sources shows.

    Attributes
    ----------
    looks, sources, held
        Looks, sources that were looked at, and all sources.
    days
        From the first look to the last.
    blind
        Share of looks said to be blind, of those where it was said; None where it never was.
    change
        How each measure changes.
    finds
        Finds against each thing seen.
    trials, seen_trials
        Trials the model of finds uses, and those of them before which the source had been seen.
    alpha
        Intervals are at 1 - alpha.
    mass_limit
        After how many thaws sources have lost as much as they may; None where it is not asked,
        or there are too few weighings.
    """

    looks: int
    sources: int
    held: int
    days: float
    blind: float | None
    change: tuple[Change, ...]
    finds: tuple[SeenAndFinds, ...]
    trials: int
    seen_trials: int
    alpha: float
    mass_limit: MassLimit | None = None


def review_inspections(looks: pd.DataFrame, held: int, fit: FindFit) -> Inspected | None:
    """What inspections show; None where there are none.

    Parameters
    ----------
    looks
        From :func:`~outcomes.analysis.inspections.change.looks_with_exposures`.
    held
        Sources the unit has on record.
    fit
        The model of finds; its settings give the level.
    """
    if looks.empty:
        return None
    most = fit.settings.most_mass_lost
    alpha, trials = fit.settings.alpha, fit.design.trials
    change = describe_changes(looks, alpha)
    finds = () if fit.mixed is None else finds_and_seen(fit, change, alpha, fit.settings.seed)
    return Inspected(
        looks=len(looks),
        sources=int(looks["source_id"].nunique()),
        held=held,
        days=float((looks["at"].max() - looks["at"].min()).total_seconds() / 86_400.0),
        blind=shares_blind(looks["blind"].tolist()),
        change=change,
        finds=finds,
        trials=len(trials),
        seen_trials=int(trials["inspected_days"].notna().sum())
        if "inspected_days" in trials
        else 0,
        alpha=alpha,
        mass_limit=None if most is None else mass_limit(looks, most, alpha),
    )
