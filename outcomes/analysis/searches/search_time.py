"""How long the dogs search: what makes a find come sooner or later."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import usable_trials
from outcomes.analysis.results import LeftOut
from outcomes.analysis.searches.design import Condition, Conditions, choose_conditions
from outcomes.analysis.searches.search_time_curve import SearchTimeCurve, search_time_curve
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.aft import FAMILIES, AcceleratedFit, fit_accelerated
from outcomes.models.cox import CoxFit, fit_cox
from outcomes.models.ratio import (
    Estimate,
    estimate_ratio,
    ratio_interval,
    shortfall,
)
from outcomes.settings import DecisionSettings

LEAST_FINDS = 30
LEAST_SOURCES = 8
LEAST_DOGS = 3


@dataclass(frozen=True, slots=True)
class HazardEstimate(Estimate):
    """One term of a Cox model, per ``unit``: above 1, finds come sooner.

    ``proportional_p`` is the p-value of a hazard ratio that changes during the
    search, by the model without an effect of the source, trials independent.
    """

    proportional_p: float


@dataclass(frozen=True, slots=True)
class SearchTimeFit:
    """Time to the find against cycles, age and conditions.

    Attributes
    ----------
    n, events, sources, dogs
        Trials with a usable time, finds among them, and their sources and dogs.
    terms
        Cox model stratified by dog, with a normal effect of the source.
    source_sd
        Standard deviation of that effect, log hazard.
    clustered
        The same terms without the effect of the source, their errors clustered
        by source.
    proportional_p
        p-value of hazard ratios, of any of the terms, that change during the search.
    time_ratio
        Accelerated failure-time model with dog terms and a normal effect of the
        source: how many times as long a search takes, for cycles and age.
    time_model, aic
        The distribution it has, by Akaike's criterion, and that criterion of each.
    left_out
        Terms and trials the models do without, and why.
    reason
        Why there are no terms; None where there are.
    copies
        Terms left out because another says the same: term → that other.
    alpha
        Intervals are at 1 - alpha.
    curve
        Median search time of a typical dog by cycles (or by age), from the
        accelerated failure-time model; None without terms.
    """

    n: int
    events: int
    sources: int
    dogs: int
    terms: tuple[HazardEstimate, ...]
    source_sd: float | None
    clustered: tuple[HazardEstimate, ...]
    proportional_p: float | None
    time_ratio: tuple[Estimate, ...]
    time_model: str | None
    aic: dict[str, float]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    copies: Mapping[str, str]
    alpha: float
    curve: SearchTimeCurve | None = None


def fit_search_time(trials: pd.DataFrame, settings: DecisionSettings) -> SearchTimeFit:
    """Fit the time to the find against cycles, age and what else is on record.

    Hide trials that were not assisted. A find ends at its search time; a miss
    is censored at the end of its search, which is its search time or, where
    that is not on record, its time limit. Trials without a usable time are
    left out and counted.

    Cox model stratified by dog, with a normal effect of the source on the log
    hazard. Errors clustered by source are given beside it, but not relied on:
    few sources bear most of the trials with many cycles, and in simulated
    units with 16 sources and no effect of cycles such errors call one far more
    often than at their level, and than the model with an effect of the source
    (held by the study in ``tests/analysis/searches/test_search_time.py``). Intervals use
    Student's t with one degree of freedom less than there are sources.

    Parameters
    ----------
    trials
        Joined trials.
    settings
        Its ``alpha`` is used.

    Returns
    -------
    SearchTimeFit
        Without terms, and with the reason, for fewer than 30 finds with a
        time, 8 sources or 3 dogs, or where no maximum is found.

    References
    ----------
    Cox, D. R. (1972). Regression models and life-tables. *Journal of the Royal
    Statistical Society B* 34, 187-220.

    Lin, D. Y. and Wei, L. J. (1989). The robust inference for the Cox
    proportional hazards model. *Journal of the American Statistical
    Association* 84, 1074-1078.

    Therneau, T. M., Grambsch, P. M. and Pankratz, V. S. (2003). Penalized
    survival models and frailty. *Journal of Computational and Graphical
    Statistics* 12, 156-175.
    """
    frame, left_out = _timed(trials)
    found = frame["result"] == "find"
    chosen = choose_conditions(frame, found)
    frame = chosen.trials
    left_out = (*left_out, *chosen.left_out)
    counts = _Counts(
        n=len(frame),
        events=int((frame["result"] == "find").sum()),
        sources=int(frame["source_id"].nunique()),
        dogs=int(frame["dog_id"].nunique()),
    )
    reason = _too_few(counts) or _no_exposure(chosen)
    if reason is None:
        try:
            return _fitted(counts, chosen, left_out, settings.alpha)
        except FitError as error:
            reason = str(error)
    return SearchTimeFit(
        n=counts.n,
        events=counts.events,
        sources=counts.sources,
        dogs=counts.dogs,
        terms=(),
        source_sd=None,
        clustered=(),
        proportional_p=None,
        time_ratio=(),
        time_model=None,
        aic={},
        left_out=left_out,
        reason=reason,
        copies=chosen.copies,
        alpha=settings.alpha,
    )


@dataclass(frozen=True, slots=True)
class _Counts:
    n: int
    events: int
    sources: int
    dogs: int


def _timed(trials: pd.DataFrame) -> tuple[pd.DataFrame, tuple[LeftOut, ...]]:
    """Trials with a time to the find or to the end of the search, as ``time_s``."""
    hides, left_out = usable_trials(trials)
    nothing = pd.Series(np.nan, index=hides.index)
    searched = hides["search_s"].astype(float) if "search_s" in hides else nothing
    limit = hides["limit_s"].astype(float) if "limit_s" in hides else nothing
    missed = hides["result"] == "miss"
    time = searched.where(searched.notna() | ~missed, limit)
    usable = np.isfinite(time) & (time > 0)
    notes = []
    for word, rows in (("finds", ~missed), ("misses", missed)):
        lacking = int((rows & ~usable).sum())
        if lacking:
            notes.append(LeftOut("trials", f"{lacking:,} of the {word}: no usable search time"))
    return hides.assign(time_s=time)[usable], (*left_out, *notes)


def _too_few(counts: _Counts) -> str | None:
    needed = (
        ("find with a search time", "finds with a search time", counts.events, LEAST_FINDS),
        ("source", "sources", counts.sources, LEAST_SOURCES),
        ("dog", "dogs", counts.dogs, LEAST_DOGS),
    )
    if counts.n == 0:
        return "no hide trial has a search time that can be used"
    short = shortfall(needed)
    return f"too few trials that can be used ({short})" if short else None


def _no_exposure(chosen: Conditions) -> str | None:
    if any(column.term in CYCLES_AND_AGE for column in chosen.columns):
        return None
    return "neither cycles nor age varies enough between the trials of a dog"


def _fitted(
    counts: _Counts, chosen: Conditions, left_out: tuple[LeftOut, ...], alpha: float
) -> SearchTimeFit:
    frame, x = chosen.trials, chosen.x
    time = frame["time_s"].to_numpy(dtype=float)
    event = (frame["result"] == "find").to_numpy()
    dogs = frame["dog_id"].astype(str).to_numpy()
    sources = frame["source_id"].astype(str).to_numpy()
    bare = fit_cox(time, event, x, dogs)
    shared = fit_cox(time, event, x, dogs, sources)
    _, codes = np.unique(dogs, return_inverse=True)
    design = np.column_stack([x, np.eye(counts.dogs)[codes]])
    alone = [fit_accelerated(time, event, design, family) for family in FAMILIES]
    aic = {fit.family: float(fit.aic) for fit in alone if fit.aic is not None}
    family = min(aic, key=lambda name: aic[name])
    timed = fit_accelerated(time, event, design, family, sources)
    freedom = counts.sources - 1
    errors = np.sqrt(np.diag(shared.cov))
    time_ratio = _time_terms(chosen.columns, timed, alpha, freedom)
    return SearchTimeFit(
        n=counts.n,
        events=counts.events,
        sources=counts.sources,
        dogs=counts.dogs,
        terms=_hazard_terms(chosen.columns, shared, errors, bare, alpha, freedom),
        source_sd=shared.effects_sd,
        clustered=_hazard_terms(
            chosen.columns, bare, clustered_errors(bare, sources), bare, alpha, freedom
        ),
        proportional_p=bare.proportional_all_p,
        time_ratio=time_ratio,
        time_model=family,
        aic=aic,
        left_out=left_out,
        reason=None,
        copies=chosen.copies,
        alpha=alpha,
        curve=search_time_curve(chosen, timed, counts.dogs, alpha, freedom),
    )


def clustered_errors(fit: CoxFit | AcceleratedFit, clusters: np.ndarray) -> np.ndarray:
    """Standard errors that allow for any dependence within clusters, shape as the estimate.

    Parameters
    ----------
    fit
        A fit without cluster effects.
    clusters
        Label of each trial's cluster, shape (n,).

    References
    ----------
    Lin, D. Y. and Wei, L. J. (1989), as in :func:`fit_search_time`.
    """
    if fit.scores is None:
        raise ValueError("the fit has cluster effects, and no scores")
    codes = np.unique(clusters, return_inverse=True)[1].reshape(-1)
    total = np.zeros((codes.max() + 1, fit.scores.shape[1]))
    np.add.at(total, codes, fit.scores)
    return np.asarray(np.sqrt(np.diag(fit.cov @ total.T @ total @ fit.cov)))


def _hazard_terms(
    columns: tuple[Condition, ...],
    fit: CoxFit,
    std_errors: np.ndarray,
    tested: CoxFit,
    alpha: float,
    freedom: int,
) -> tuple[HazardEstimate, ...]:
    rows = []
    assert tested.proportional_p is not None  # it has no cluster effects
    for j, column in enumerate(columns):
        estimate, error = float(fit.beta[j]), float(std_errors[j])
        found = ratio_interval(estimate, error, alpha, freedom)
        rows.append(
            HazardEstimate(
                term=column.term,
                unit=column.unit,
                log_ratio=estimate,
                std_error=error,
                low=found.low,
                high=found.high,
                p=found.p,
                proportional_p=float(tested.proportional_p[j]),
            )
        )
    return tuple(rows)


def _time_terms(
    columns: tuple[Condition, ...], fit: AcceleratedFit, alpha: float, freedom: int
) -> tuple[Estimate, ...]:
    errors = np.sqrt(np.diag(fit.cov))
    return tuple(
        estimate_ratio(
            column.term, column.unit, float(fit.beta[j]), float(errors[j]), alpha, freedom
        )
        for j, column in enumerate(columns)
        if column.term in CYCLES_AND_AGE
    )
