"""False alerts: how often, and whether they go with the cycles or the age of the source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.usable_trials import usable_trials
from outcomes.analysis.results import LeftOut
from outcomes.analysis.searches.conditions import Conditions, choose_conditions
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.counts import (
    NEGATIVE_BINOMIAL,
    POISSON,
    RateFit,
    clustered_rate_errors,
    fit_rates,
    overdispersion_p,
)
from outcomes.models.distributions import chi_square_quantile, exact_interval
from outcomes.models.ratio import (
    Estimate,
    estimate_ratio,
    shortfall,
)
from outcomes.settings import DecisionSettings
from outcomes.text import count

LEAST_ALERTS = 20
LEAST_SOURCES = 8
LEAST_DOGS = 3
_SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class DogAlerts:
    """False alerts of one dog: per searching hour and per blank area, with exact intervals.

    Rates and shares are None where there is no searching time, or no blank area.
    """

    dog: str
    hours: float
    alerts: int
    rate_per_hour: float | None
    rate_low: float | None
    rate_high: float | None
    blanks: int
    blank_alerts: int
    per_blank: float | None
    per_blank_low: float | None
    per_blank_high: float | None


@dataclass(frozen=True, slots=True)
class FalseAlertFit:
    """False alerts per searching hour and per blank area, and what goes with them.

    Attributes
    ----------
    n, hours, alerts
        Trials (hides and blank areas) with a count and a searching time, their
        hours, and the false alerts in them.
    rate_per_hour, rate_low, rate_high
        Rate with its exact Poisson interval; None without searching time.
    rate_reason
        Why there is no rate; None where there is one.
    blanks, blank_alerts
        Trials on blank areas, and those with a false alert.
    per_blank, per_blank_low, per_blank_high
        Share of blank areas with a false alert and its exact binomial interval;
        None without blank areas.
    model
        ``"Poisson"`` or ``"negative binomial"``; None without terms.
    overdispersion_p
        p-value of counts that spread more than Poisson's; None without a model.
    model_trials, model_alerts, sources, dogs
        What the terms rest on: hide trials, false alerts in them, their sources
        and dogs.
    terms
        Model with dog terms and a normal effect of the source on the log rate.
    source_sd
        Standard deviation of that effect.
    clustered
        The same terms without the effect of the source, their errors clustered
        by source.
    left_out
        Terms and trials the model does without, and why.
    reason
        Why there are no terms; None where there are.
    copies
        Terms left out because another says the same: term → that other.
    alpha
        Intervals are at 1 - alpha.
    by_dog
        Rates of each dog, in order of id.
    """

    n: int
    hours: float
    alerts: int
    rate_per_hour: float | None
    rate_low: float | None
    rate_high: float | None
    rate_reason: str | None
    blanks: int
    blank_alerts: int
    per_blank: float | None
    per_blank_low: float | None
    per_blank_high: float | None
    model: str | None
    overdispersion_p: float | None
    model_trials: int
    model_alerts: int
    sources: int
    dogs: int
    terms: tuple[Estimate, ...]
    source_sd: float | None
    clustered: tuple[Estimate, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    copies: Mapping[str, str]
    alpha: float
    by_dog: tuple[DogAlerts, ...] = ()


def fit_false_alerts(trials: pd.DataFrame, settings: DecisionSettings) -> FalseAlertFit:
    """Count false alerts by the hour and by the blank area, and set them against exposure.

    The rate takes every trial whose count and searching time are on record. A
    search lasted its search time or, where that is missing and nothing was
    found, its time limit. On a blank area without a count, ``clear`` counts as
    none and ``false alert`` as one.

    The terms are those of a Poisson model of the hide trials that were not
    assisted, with the logarithm of the hours as offset, a constant for every
    dog and a normal effect of the source on the log rate; a negative binomial
    model where the counts spread more than Poisson's (regression test of
    Cameron and Trivedi, one-sided at ``alpha``). A dog without a false alert
    says nothing about what changes its rate and is left out. Intervals use
    Student's t with one degree of freedom less than there are sources. Errors
    clustered by source are given beside it.

    Parameters
    ----------
    trials
        Joined trials, blank areas included.
    settings
        Its ``alpha`` is used.

    Returns
    -------
    FalseAlertFit
        Without terms, and with the reason, for fewer than 20 false alerts in
        hide trials, 8 sources or 3 dogs, or where no maximum is found.

    References
    ----------
    Garwood, F. (1936). Fiducial limits for the Poisson distribution.
    *Biometrika* 28, 437-442.

    Clopper, C. J. and Pearson, E. S. (1934). The use of confidence or fiducial
    limits illustrated in the case of the binomial. *Biometrika* 26, 404-413.

    Cameron, A. C. and Trivedi, P. K. (1990). Regression-based tests for
    overdispersion in the Poisson model. *Journal of Econometrics* 46, 347-364.
    """
    counted = count_alerts(trials)
    rate, rate_reason = _rate(counted, settings.alpha)
    blanks = counted[counted["blank"]]
    blank_alerts = int((blanks["result"] == "false alert").sum())
    share = share_interval(blank_alerts, len(blanks), settings.alpha)
    model = _model(trials, counted, settings.alpha)
    timed = counted[counted["hours"].notna() & counted["count"].notna()]
    return FalseAlertFit(
        n=len(timed),
        hours=float(timed["hours"].sum()),
        alerts=int(timed["count"].sum()),
        rate_per_hour=rate[0],
        rate_low=rate[1],
        rate_high=rate[2],
        rate_reason=rate_reason,
        blanks=len(blanks),
        blank_alerts=blank_alerts,
        per_blank=share[0],
        per_blank_low=share[1],
        per_blank_high=share[2],
        model=model.family,
        overdispersion_p=model.overdispersion_p,
        model_trials=model.trials,
        model_alerts=model.alerts,
        sources=model.sources,
        dogs=model.dogs,
        terms=model.terms,
        source_sd=model.source_sd,
        clustered=model.clustered,
        left_out=model.left_out,
        reason=model.reason,
        copies=model.copies,
        alpha=settings.alpha,
        by_dog=_by_dog(counted.assign(dog=trials["dog_id"]), settings.alpha),
    )


def _by_dog(counted: pd.DataFrame, alpha: float) -> tuple[DogAlerts, ...]:
    rows = []
    for dog, own in counted.groupby("dog", sort=True):
        timed = own[own["hours"].notna() & own["count"].notna()]
        hours, alerts = float(timed["hours"].sum()), int(timed["count"].sum())
        blanks = own[own["blank"]]
        blank_alerts = int((blanks["result"] == "false alert").sum())
        rate = rate_interval(alerts, hours, alpha)
        share = share_interval(blank_alerts, len(blanks), alpha)
        rows.append(DogAlerts(str(dog), hours, alerts, *rate, len(blanks), blank_alerts, *share))
    return tuple(rows)


_Interval = tuple[float | None, float | None, float | None]


def rate_interval(count: int, time: float, alpha: float) -> _Interval:
    """Rate of events with its exact interval, as if they came singly at one rate.

    Parameters
    ----------
    count
        Events seen.
    time
        Time they were seen in; 0 gives no rate.
    alpha
        1 minus the confidence of the two-sided interval.

    Returns
    -------
    tuple
        Rate, lower and upper limit; three times None without time.

    References
    ----------
    Garwood (1936), as in :func:`fit_false_alerts`.
    """
    if time <= 0.0:
        return None, None, None
    low = 0.0 if count == 0 else float(chi_square_quantile(alpha / 2.0, 2 * count)) / 2.0
    high = float(chi_square_quantile(1.0 - alpha / 2.0, 2 * count + 2)) / 2.0
    return count / time, low / time, high / time


def share_interval(count: int, n: int, alpha: float) -> _Interval:
    """Share with its exact interval.

    Parameters
    ----------
    count, n
        Successes, and trials; 0 trials give no share.
    alpha
        1 minus the confidence of the two-sided interval.

    Returns
    -------
    tuple
        Share, lower and upper limit; three times None without trials.

    References
    ----------
    Clopper and Pearson (1934), as in :func:`fit_false_alerts`.
    """
    if n == 0:
        return None, None, None
    low, high = exact_interval(count, n, 1.0 - alpha)
    return count / n, low, high


def count_alerts(trials: pd.DataFrame) -> pd.DataFrame:
    """Each trial's false alerts and searching hours, missing where not on record.

    Parameters
    ----------
    trials
        Joined trials, blank areas included.

    Returns
    -------
    pandas.DataFrame
        Index as ``trials``: ``result``, ``blank``, ``count``, ``hours``. On a
        blank area without a count, ``clear`` is none and ``false alert`` one.
    """
    nothing = pd.Series(np.nan, index=trials.index)

    def column(name: str) -> pd.Series:
        return trials[name].astype(float) if name in trials else nothing

    result = trials["result"]
    blank = trials["source_id"].isna()
    count = column("false_alerts")
    count = count.mask(count.isna() & (result == "clear"), 0.0)
    alerted = result == "false alert"
    count = count.mask(alerted & ~(count >= 1.0), 1.0)
    seconds = column("search_s")
    seconds = seconds.mask(seconds.isna() & result.isin(["miss", "clear"]), column("limit_s"))
    usable = np.isfinite(seconds) & (seconds > 0.0)
    return pd.DataFrame(
        {
            "result": result,
            "blank": blank,
            "count": count,
            "hours": (seconds / _SECONDS_PER_HOUR).where(usable),
        }
    )


def _rate(counted: pd.DataFrame, alpha: float) -> tuple[_Interval, str | None]:
    timed = counted[counted["hours"].notna() & counted["count"].notna()]
    interval = rate_interval(int(timed["count"].sum()), float(timed["hours"].sum()), alpha)
    if interval[0] is not None:
        return interval, None
    what = "searching time" if counted["count"].notna().any() else "count of false alerts"
    return interval, f"no trial has a {what}"


@dataclass(frozen=True, slots=True)
class _Model:
    family: str | None
    overdispersion_p: float | None
    trials: int
    alerts: int
    sources: int
    dogs: int
    terms: tuple[Estimate, ...]
    source_sd: float | None
    clustered: tuple[Estimate, ...]
    left_out: tuple[LeftOut, ...]
    copies: dict[str, str]
    reason: str | None


def _model(trials: pd.DataFrame, counted: pd.DataFrame, alpha: float) -> _Model:
    hides, left_out = usable_trials(trials)
    hides = hides.assign(count=counted["count"], hours=counted["hours"])
    notes = list(left_out)
    for name, lacking in (("count", "count of false alerts"), ("hours", "searching time")):
        missing = int(hides[name].isna().sum())
        if missing:
            notes.append(LeftOut("trials", f"{count(missing, 'trial')}: no {lacking}"))
            hides = hides[hides[name].notna()]
    by_dog = hides.groupby("dog_id")["count"].transform("sum")
    silent = hides[by_dog == 0.0]
    if len(silent) and len(silent) < len(hides):
        dogs = silent["dog_id"].nunique()
        who = "a dog" if dogs == 1 else f"{dogs} dogs"
        told = count(len(silent), "trial")
        notes.append(LeftOut("trials", f"{told}: of {who} without a false alert"))
        hides = hides[by_dog > 0.0]
    chosen = choose_conditions(hides, hides["count"] > 0.0)
    frame = chosen.trials
    own = _Model(
        family=None,
        overdispersion_p=None,
        trials=len(frame),
        alerts=int(frame["count"].sum()),
        sources=int(frame["source_id"].nunique()),
        dogs=int(frame["dog_id"].nunique()),
        terms=(),
        source_sd=None,
        clustered=(),
        left_out=(*notes, *chosen.left_out),
        copies=chosen.copies,
        reason=None,
    )
    reason = _too_few(own) or _no_exposure(chosen)
    if reason is None:
        try:
            return _fitted(own, chosen, alpha)
        except FitError as error:
            reason = str(error)
    return replace(own, reason=reason)


def _too_few(own: _Model) -> str | None:
    needed = (
        ("false alert in hide trials", "false alerts in hide trials", own.alerts, LEAST_ALERTS),
        ("source", "sources", own.sources, LEAST_SOURCES),
        ("dog", "dogs", own.dogs, LEAST_DOGS),
    )
    if own.trials == 0:
        return "no hide trial can be used for that"
    short = shortfall(needed)
    return f"too few in the trials that can be used ({short})" if short else None


def _no_exposure(chosen: Conditions) -> str | None:
    if any(column.term in CYCLES_AND_AGE for column in chosen.columns):
        return None
    return "neither cycles nor age varies enough between the trials of a dog"


def _fitted(own: _Model, chosen: Conditions, alpha: float) -> _Model:
    frame = chosen.trials
    count = frame["count"].to_numpy(dtype=float)
    offset = np.log(frame["hours"].to_numpy(dtype=float))
    codes = np.unique(frame["dog_id"].astype(str), return_inverse=True)[1].reshape(-1)
    x = np.column_stack([chosen.x, np.eye(own.dogs)[codes]])
    sources = np.unique(frame["source_id"].astype(str), return_inverse=True)[1].reshape(-1)
    poisson = fit_rates(count, offset, x, POISSON)
    spread_p = overdispersion_p(count, np.exp(offset + x @ poisson.beta))
    bare, shared, notes = poisson, None, list(own.left_out)
    if spread_p < alpha:
        try:
            bare = fit_rates(count, offset, x, NEGATIVE_BINOMIAL)
            shared = fit_rates(count, offset, x, NEGATIVE_BINOMIAL, sources)
        except FitError:
            # Beside the effects of dogs and sources nothing may be left to spread.
            notes.append(LeftOut(NEGATIVE_BINOMIAL, "no maximum with the source's effect: Poisson"))
            bare = poisson
    if shared is None:
        shared = fit_rates(count, offset, x, POISSON, sources)
    errors = clustered_rate_errors(count, offset, x, bare, sources)
    freedom = own.sources - 1
    return replace(
        own,
        family=shared.family,
        overdispersion_p=spread_p,
        terms=_terms(chosen, shared, np.sqrt(np.diag(shared.cov)), alpha, freedom),
        source_sd=shared.effects_sd,
        clustered=_terms(chosen, bare, errors, alpha, freedom),
        left_out=tuple(notes),
    )


def _terms(
    chosen: Conditions, fit: RateFit, std_errors: np.ndarray, alpha: float, freedom: int
) -> tuple[Estimate, ...]:
    return tuple(
        estimate_ratio(
            column.term, column.unit, float(fit.beta[j]), float(std_errors[j]), alpha, freedom
        )
        for j, column in enumerate(chosen.columns)
    )
