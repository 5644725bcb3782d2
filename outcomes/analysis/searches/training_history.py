"""False alerts on blank areas against what the dog had been trained on lately."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from outcomes.analysis.results import LeftOut
from outcomes.analysis.searches.false_alerts import count_alerts, rate_interval
from outcomes.errors import FitError
from outcomes.models.counts import (
    NEGATIVE_BINOMIAL,
    POISSON,
    RateFit,
    clustered_rate_errors,
    fit_rates,
    overdispersion_p,
)
from outcomes.models.distributions import student_quantile
from outcomes.models.ratio import Estimate, change, power, ratio_interval, shortfall, sized
from outcomes.settings import DecisionSettings
from outcomes.text import DAYS_PER_YEAR, count

DAYS = 60
LEAST_TRAINED = 5
LEAST_ALERTS = 20
LEAST_DOGS = 3
# Whether dogs differ in this would show in errors clustered by dog; with fewer they are unsure.
ENOUGH_DOGS = 12
PER_TERM = 10
LEAST_IN_BIN = 15
MOST_BINS = 5
LEAST_NEAR = 3
_POINTS = 41
_LEAST_OWN = 1e-3  # share of a predictor's spread that the dogs and the others leave it

_DIET = (
    ("diet_cycles", "cycle", 1.0),
    ("diet_age_days", "30 days", 30.0),
    ("diet_frozen_share", "0.1", 0.1),
)
_STEPS = {
    "diet_cycles": (10, "training lately on sources with 10 more cycles"),
    "diet_age_days": (DAYS_PER_YEAR / 30.0, "training lately on sources a year older"),
    "diet_frozen_share": (5, "training lately with 50 in 100 more of it on frozen sources"),
}


@dataclass(frozen=True, slots=True)
class DietBin:
    """Blank areas grouped by the cycles of what the dog had been trained on.

    Attributes
    ----------
    low, high, mean
        Mean cycles of the hides in the period: of the lowest and the highest
        of the blank areas, and their mean.
    blanks, alerts, dogs
        Blank areas, false alerts on them, and their dogs.
    rate, rate_low, rate_high
        False alerts per blank area with the exact Poisson interval.
    """

    low: float
    high: float
    mean: float
    blanks: int
    alerts: int
    dogs: int
    rate: float
    rate_low: float
    rate_high: float


@dataclass(frozen=True, slots=True)
class DietPoint:
    """False alerts per blank area by the model, averaged over the dogs as they searched.

    Attributes
    ----------
    cycles
        Mean cycles of the hides in the period.
    rate, low, high
        False alerts per blank area, with limits.
    near
        Blank areas within a twentieth of the range of cycles on either side.
    """

    cycles: float
    rate: float
    low: float
    high: float
    near: int


@dataclass(frozen=True, slots=True)
class TrainingDiet:
    """False alerts per blank area against the dog's training before it.

    Attributes
    ----------
    days
        Length of the period before each blank area.
    blanks, alerts, dogs
        Blank areas used, false alerts on them, and their dogs.
    model
        ``"Poisson"`` or ``"negative binomial"``; None without terms.
    overdispersion_p
        p-value of counts that spread more than Poisson's.
    alone
        Each predictor as the only one beside the dogs: ``diet_cycles`` and
        ``diet_age_days`` (means of the hides searched in the period),
        ``diet_frozen_share`` (share of them with a frozen source).
    together
        All of them in one model; empty where the alerts are too few.
    clustered
        As ``alone``, with errors clustered by dog.
    left_out
        Blank areas and predictors it does without, and why.
    reason
        Why there are no terms; None where there are.
    sentence
        What can be said, in words; also when nothing can.
    bins
        What was observed, by ``diet_cycles``: at most 5 groups of 15 blank
        areas or more; empty where there are fewer than 15.
    curve
        The model with ``diet_cycles`` alone, at those of its values that have
        at least 3 blank areas near; empty without that term.
    """

    days: int
    blanks: int
    alerts: int
    dogs: int
    model: str | None
    overdispersion_p: float | None
    alone: tuple[Estimate, ...]
    together: tuple[Estimate, ...]
    clustered: tuple[Estimate, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    sentence: str
    bins: tuple[DietBin, ...] = ()
    curve: tuple[DietPoint, ...] = ()


def training_diet(trials: pd.DataFrame, days: int = DAYS) -> pd.DataFrame:
    """Give each blank area what its dog had searched for in the days before it.

    Parameters
    ----------
    trials
        Joined trials, hides and blank areas.
    days
        Length of the period, which ends just before the trial.

    Returns
    -------
    pandas.DataFrame
        One row a blank area, index as in ``trials``: ``dog_id``, ``trained``
        (hides searched in the period), ``diet_cycles``, ``diet_age_days`` and
        ``diet_frozen_share``: means over those hides that have a value,
        missing where none has.
    """
    blank = trials["source_id"].isna()
    hides = trials[~blank & trials["result"].isin(["find", "miss"])]
    frozen = (
        hides["regime"].map(lambda r: np.nan if pd.isna(r) else float(r == "frozen"))
        if "regime" in hides
        else pd.Series(np.nan, index=hides.index)
    )
    values = pd.DataFrame(
        {
            "diet_cycles": hides["cycles"].astype(float),
            "diet_age_days": hides["age_days"].astype(float),
            "diet_frozen_share": frozen.astype(float),
        }
    )
    columns = list(values.columns)
    rows = pd.DataFrame(np.nan, index=trials.index[blank], columns=["trained", *columns])
    for dog, own in trials[blank].groupby("dog_id", sort=True):
        of_dog = hides["dog_id"] == dog
        order = np.argsort(hides.loc[of_dog, "started_at"].to_numpy(), kind="stable")
        at = hides.loc[of_dog, "started_at"].to_numpy()[order]
        when = own["started_at"].to_numpy()
        until = np.searchsorted(at, when, side="left")
        since = np.searchsorted(at, when - np.timedelta64(days, "D"), side="left")
        rows.loc[own.index, "trained"] = (until - since).astype(float)
        held = values[of_dog].to_numpy()[order]
        known = np.isfinite(held)
        total = np.vstack([np.zeros(3), np.where(known, held, 0.0).cumsum(axis=0)])
        count = np.vstack([np.zeros(3), known.cumsum(axis=0)])
        number = count[until] - count[since]
        mean = np.full(number.shape, np.nan)
        np.divide(total[until] - total[since], number, out=mean, where=number > 0)
        rows.loc[own.index, columns] = mean
    rows.insert(0, "dog_id", trials.loc[blank, "dog_id"])
    return rows


def fit_training_diet(
    trials: pd.DataFrame, settings: DecisionSettings, *, days: int = DAYS
) -> TrainingDiet:
    """Fit false alerts on blank areas against the dog's training in the days before.

    Counts per blank area with a constant for every dog, so that each dog is
    compared with itself; Poisson, or negative binomial where the counts spread
    more. A dog without a false alert says nothing about what changes its rate
    and is left out, as is a blank area with fewer than 5 hides in the period.

    Parameters
    ----------
    trials
        Joined trials, hides and blank areas.
    settings
        Its ``alpha`` is used.
    days
        Length of the period.

    Returns
    -------
    TrainingDiet
        Without terms, and with the reason, under 20 false alerts or 3 dogs. Intervals
        use Student's t with blank areas - parameters degrees of freedom.

    References
    ----------
    Cameron, A. C. and Trivedi, P. K. (1990). Regression-based tests for
    overdispersion in the Poisson model. *Journal of Econometrics* 46, 347-364.
    """
    left_out: list[LeftOut] = []
    diet = training_diet(trials, days)
    diet = diet.assign(count=count_alerts(trials)["count"].reindex(diet.index))
    for keep, why in (
        (diet["count"].notna(), "no result or count"),
        (
            diet["trained"] >= LEAST_TRAINED,
            f"fewer than {LEAST_TRAINED} hides in the {days} days before",
        ),
        (
            diet[["diet_cycles", "diet_age_days"]].notna().all(axis=1),
            "cycles and age of those hides not known",
        ),
    ):
        diet = _keep(diet, keep, why, left_out)
    silent = diet.groupby("dog_id")["count"].transform("sum") == 0.0 if len(diet) else diet["count"]
    if len(diet):
        diet = _keep(diet, ~silent, "of dogs without a false alert", left_out)
    blanks, dogs = len(diet), int(diet["dog_id"].nunique())
    alerts = int(diet["count"].sum())
    reason = _too_few(blanks, alerts, dogs)
    bins = _bins(diet, settings.alpha)
    if reason is None:
        try:
            return replace(_fitted(diet, days, tuple(left_out), settings.alpha), bins=bins)
        except FitError as error:
            reason = str(error)
    return TrainingDiet(
        days=days,
        blanks=blanks,
        alerts=alerts,
        dogs=dogs,
        model=None,
        overdispersion_p=None,
        alone=(),
        together=(),
        clustered=(),
        left_out=tuple(left_out),
        reason=reason,
        sentence=(
            "Whether training on worn sources comes before false alerts on blank areas cannot be "
            f"said yet: {reason}."
        ),
        bins=bins,
    )


def _bins(diet: pd.DataFrame, alpha: float) -> tuple[DietBin, ...]:
    """Groups about equally large, blank areas with the same diet kept together."""
    ordered = diet.sort_values("diet_cycles", kind="stable")
    values = ordered["diet_cycles"].to_numpy(float)
    count = ordered["count"].to_numpy(float)
    if len(values) < LEAST_IN_BIN:
        return ()
    groups = min(MOST_BINS, len(values) // LEAST_IN_BIN)
    parted = np.flatnonzero(np.diff(values) > 0.0) + 1
    edges = [0]
    for wanted in (round(len(values) * k / groups) for k in range(1, groups)):
        end = int(parted[np.abs(parted - wanted).argmin()]) if len(parted) else 0
        if min(end - edges[-1], len(values) - end) >= LEAST_IN_BIN:
            edges.append(end)
    edges.append(len(values))
    found = []
    for begin, end in pairwise(edges):
        alerts = int(count[begin:end].sum())
        rate, low, high = rate_interval(alerts, float(end - begin), alpha)
        assert rate is not None
        assert low is not None
        assert high is not None
        found.append(
            DietBin(
                low=float(values[begin]),
                high=float(values[end - 1]),
                mean=float(values[begin:end].mean()),
                blanks=end - begin,
                alerts=alerts,
                dogs=int(ordered["dog_id"].iloc[begin:end].nunique()),
                rate=rate,
                rate_low=low,
                rate_high=high,
            )
        )
    return tuple(found)


def _curve(
    values: np.ndarray, constants: np.ndarray, fit: RateFit, alpha: float, freedom: int
) -> tuple[DietPoint, ...]:
    """The model of ``diet_cycles`` (first in ``fit``, then the dogs) at its values."""
    share = constants.mean(axis=0)
    reach = float(student_quantile(1.0 - alpha / 2.0, freedom))
    span = float(values.max() - values.min())
    parameters = len(fit.beta)
    found = []
    for at in np.linspace(values.min(), values.max(), _POINTS):
        near = int((np.abs(values - at) <= span / 20.0).sum())
        if near < LEAST_NEAR:
            continue
        away = float(at - values.mean())
        by_dog = share * np.exp(fit.beta[1:] + fit.beta[0] * away)
        rate = float(by_dog.sum())
        # Of the logarithm of the average rate.
        slope = np.concatenate([[away], by_dog / rate])
        error = float(np.sqrt(slope @ fit.cov[:parameters, :parameters] @ slope))
        low, high = (power(np.log(rate) + side * reach * error) for side in (-1.0, 1.0))
        found.append(DietPoint(float(at), rate, low, high, near))
    return tuple(found)


def _keep(diet: pd.DataFrame, keep: pd.Series, why: str, left_out: list[LeftOut]) -> pd.DataFrame:
    keep = keep.reindex(diet.index).astype(bool)
    lost = int((~keep).sum())
    if lost:
        area = "area" if lost == 1 else "areas"
        left_out.append(LeftOut("blank areas", f"{lost:,} blank {area}: {why}"))
    return diet[keep]


def _too_few(blanks: int, alerts: int, dogs: int) -> str | None:
    if blanks == 0:
        return "no blank area can be used for that"
    short = shortfall(
        (
            ("false alert on blank areas", "false alerts on blank areas", alerts, LEAST_ALERTS),
            ("dog", "dogs", dogs, LEAST_DOGS),
        )
    )
    return f"too few in the blank areas that can be used ({short})" if short else None


def _fitted(
    diet: pd.DataFrame, days: int, left_out: tuple[LeftOut, ...], alpha: float
) -> TrainingDiet:
    count = diet["count"].to_numpy(float)
    codes = np.unique(diet["dog_id"].astype(str), return_inverse=True)[1].reshape(-1)
    constants = np.eye(codes.max() + 1)[codes]
    notes = list(left_out)
    usable: list[tuple[str, str]] = []
    columns: list[np.ndarray] = []
    for name, unit, step in _DIET:
        values = diet[name].to_numpy(float)
        if not np.isfinite(values).all():
            notes.append(LeftOut(name, "not known for every blank area"))
        elif _own_share(values, constants) < _LEAST_OWN:
            notes.append(LeftOut(name, "does not vary within dogs"))
        else:
            usable.append((name, unit))
            columns.append((values - values.mean()) / step)
    if not usable:
        raise FitError("what the dogs trained on does not vary within dogs")
    family, spread_p = _family(count, np.column_stack([*columns[:1], constants]), alpha)
    alone, clustered = [], []
    curve: tuple[DietPoint, ...] = ()
    for (name, unit), column in zip(usable, columns, strict=True):
        x = np.column_stack([column, constants])
        fit = _fit(count, x, family)
        freedom = len(count) - x.shape[1]
        error = clustered_rate_errors(count, np.zeros(len(count)), x, fit, codes)
        alone.append(_term(name, unit, fit, 0, float(np.sqrt(fit.cov[0, 0])), alpha, freedom))
        clustered.append(_term(name, unit, fit, 0, float(error[0]), alpha, int(codes.max())))
        if name == "diet_cycles":
            curve = _curve(diet[name].to_numpy(float), constants, fit, alpha, freedom)
    together = _together(usable, columns, constants, count, family, notes, alpha)
    return TrainingDiet(
        days=days,
        blanks=len(count),
        alerts=int(count.sum()),
        dogs=int(codes.max()) + 1,
        model=family,
        overdispersion_p=spread_p,
        alone=tuple(alone),
        together=together,
        clustered=tuple(clustered),
        left_out=tuple(notes),
        reason=None,
        sentence=_sentence(alone, days, len(count), int(count.sum()), int(codes.max()) + 1, alpha),
        curve=curve,
    )


def _family(count: np.ndarray, x: np.ndarray, alpha: float) -> tuple[str, float]:
    poisson = fit_rates(count, np.zeros(len(count)), x, POISSON)
    p = overdispersion_p(count, np.exp(x @ poisson.beta))
    return (NEGATIVE_BINOMIAL if p < alpha else POISSON), p


def _fit(count: np.ndarray, x: np.ndarray, family: str) -> RateFit:
    return fit_rates(count, np.zeros(len(count)), x, family)


def _own_share(values: np.ndarray, others: np.ndarray) -> float:
    """Share of the spread of a predictor that the others leave to it."""
    centred = values - values.mean()
    total = float(centred @ centred)
    if total <= 0.0:
        return 0.0
    basis = np.linalg.qr(np.column_stack([np.ones(len(values)), others]))[0]
    left = centred - basis @ (basis.T @ centred)
    return float(left @ left) / total


def _together(
    usable: list[tuple[str, str]],
    columns: list[np.ndarray],
    constants: np.ndarray,
    count: np.ndarray,
    family: str,
    notes: list[LeftOut],
    alpha: float,
) -> tuple[Estimate, ...]:
    if len(usable) < 2:
        return ()
    if count.sum() < PER_TERM * len(usable):
        notes.append(
            LeftOut(
                "all together",
                f"{int(count.sum())} false alerts, and {PER_TERM * len(usable)} are needed",
            )
        )
        return ()
    for j, column in enumerate(columns):
        others = [c for k, c in enumerate(columns) if k != j]
        if _own_share(column, np.column_stack([*others, constants])) < _LEAST_OWN:
            notes.append(LeftOut("all together", f"{usable[j][0]} goes with the others"))
            return ()
    x = np.column_stack([*columns, constants])
    try:
        fit = _fit(count, x, family)
    except FitError as error:
        notes.append(LeftOut("all together", str(error)))
        return ()
    freedom = len(count) - x.shape[1]
    return tuple(
        _term(name, unit, fit, j, float(np.sqrt(fit.cov[j, j])), alpha, freedom)
        for j, (name, unit) in enumerate(usable)
    )


def _term(
    name: str, unit: str, fit: RateFit, place: int, error: float, alpha: float, freedom: int
) -> Estimate:
    estimate = float(fit.beta[place])
    found = ratio_interval(estimate, max(error, 1e-12), alpha, max(freedom, 1))
    return Estimate(name, unit, estimate, error, found.low, found.high, found.p)


def few_dogs_words(dogs: int) -> str:
    """What cannot be checked with few dogs; nothing where there are enough of them.

    Examples
    --------
    >>> few_dogs_words(6).partition(":")[0]
    'With only 6 dogs it cannot be checked whether dogs differ in this'
    >>> few_dogs_words(ENOUGH_DOGS)
    ''
    """
    if dogs >= ENOUGH_DOGS:
        return ""
    return (
        f"With only {count(dogs, 'dog')} it cannot be checked whether dogs differ in this: take a "
        "change that only just shows as open."
    )


def _sentence(
    alone: list[Estimate], days: int, blanks: int, alerts: int, dogs: int, alpha: float
) -> str:
    parts = []
    for term in alone:
        times, words = _STEPS[term.term]
        middle, low, high = (
            change(power(float(np.log(v)), times), "more", "fewer", "as many")
            for v in (term.ratio, term.low, term.high)
        )
        open_ = term.low <= 1.0 <= term.high
        if not sized(term.low, term.high, times):
            way = "more" if term.low > 1.0 else "fewer"
            parts.append(
                f"for {words}, these records cannot tell"
                if open_
                else f"{words} went with {way}, by how much these records cannot tell"
            )
        elif open_:
            parts.append(
                f"for {words}, no change shows (anything from {low} to {high} fits these records)"
            )
        else:
            parts.append(f"{words} went with {middle} ({low} to {high})")
    return (
        f"False alerts on blank areas against the dog's training in the {days} days before "
        f"({100 * (1 - alpha):g} % intervals): {'; '.join(parts)}; from "
        f"{count(alerts, 'false alert')} on {count(blanks, 'blank area')}. Each is asked "
        f"alone, and all of them change with the calendar. {few_dogs_words(dogs)}".rstrip()
    )
