"""How well the model of finds predicts: sources it has not seen, and what it leaves over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from outcomes.analysis.finds.design import Design
from outcomes.analysis.finds.model import FindFit, averaged_probability
from outcomes.analysis.finds.sensitivity import restrict
from outcomes.errors import FitError
from outcomes.models.clustered import fit_clustered
from outcomes.models.distributions import (
    chi_square_tail,
    exact_interval,
    normal_quantile,
    student_quantile,
    wilson_interval,
)
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.mixed import fit_mixed, idle_groupings
from outcomes.models.mixed_result import MixedFit
from outcomes.models.splines import natural_spline, spline_knots
from outcomes.random_streams import random_stream

MOST_FOLDS = 10
MONTH_DAYS = 30.0
_PER_GROUP = 10  # misses (or finds, if rarer) for each point of the calibration curve
_GROUPS = (3, 10)
_COPY = 1e-6
_EDGE = 1e-6


@dataclass(frozen=True, slots=True)
class Area:
    """Area under the ROC curve: how often a found trial was given the higher probability.

    ``std_error`` is None where it cannot be computed.
    """

    value: float
    std_error: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class CalibrationPoint:
    """Trials with alike predictions: mean prediction, and finds with their interval."""

    predicted: float
    finds: int
    n: int
    sources: int
    proportion: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """Observed log-odds against predicted ones: ``intercept + slope · logit(prediction)``.

    Attributes
    ----------
    intercept, slope
        0 and 1 for predictions that are right on average at every level; a
        slope below 1 means predictions that are too far apart.
    intercept_low, intercept_high, slope_low, slope_high
        Intervals from errors clustered by source; None where there are none.
    in_the_large
        Observed minus mean predicted probability, percentage points.
    curve
        Trials in groups of about equal size, by prediction.
    """

    intercept: float
    intercept_low: float | None
    intercept_high: float | None
    slope: float
    slope_low: float | None
    slope_high: float | None
    in_the_large: float
    curve: tuple[CalibrationPoint, ...]


@dataclass(frozen=True, slots=True)
class Residual:
    """Finds of one dog, source or month beside those predicted.

    ``points`` is observed minus predicted find probability in percentage
    points, with the interval of its number of trials alone; ``outside`` whether
    that leaves out 0.
    """

    group: str
    n: int
    finds: int
    predicted: float
    points: float
    low: float
    high: float
    outside: bool


@dataclass(frozen=True, slots=True)
class Drift:
    """Whether finds changed over calendar time in a way the model does not explain.

    Attributes
    ----------
    log_odds, std_error, low, high
        Change in log-odds per 30 calendar days, cycles, age and the rest held;
        None where it could not be asked.
    p, curve_p
        Likelihood-ratio tests of a straight line and of a smooth curve over
        the calendar, against none.
    explained
        Share of the variation of calendar time that the other terms account for (R²).
    tied_to_age
        Correlation of calendar time with age over the trials; None without age.
    reason
        Why it could not be asked; None otherwise.
    """

    log_odds: float | None
    std_error: float | None
    low: float | None
    high: float | None
    p: float | None
    curve_p: float | None
    explained: float | None
    tied_to_age: float | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class Quality:
    """How well the model predicts trials on sources that had no part in it.

    Attributes
    ----------
    n, sources, folds
        Trials and sources predicted, and the groups of sources left out in turn.
    not_predicted
        Trials in groups whose model could not be fitted.
    brier, brier_of_average
        Mean squared error of the predictions, and of the unit's average alone
        (the average too is taken without the group left out).
    area
        Discrimination, its error clustered by source.
    calibration
        Calibration.
    by
        ``"dog"``, ``"source"``, ``"month"`` → finds beside predictions.
    drift
        Change over the calendar.
    predictions
        Trials in the order of the design: ``predicted`` and ``found``; missing
        where not predicted. Indexed as the trials.
    alpha
        Intervals are at 1 - alpha.
    reason
        Why nothing was checked; None otherwise.
    """

    n: int
    sources: int
    folds: int
    not_predicted: int
    brier: float | None
    brier_of_average: float | None
    area: Area | None
    calibration: Calibration | None
    by: Mapping[str, tuple[Residual, ...]]
    drift: Drift | None
    predictions: pd.DataFrame
    alpha: float
    reason: str | None


def check_quality(fit: FindFit) -> Quality:
    """Check the model of finds against sources it has not seen, and for drift.

    Sources are dealt into at most ten groups; each group is predicted by the
    model fitted to the others, a source that was not seen adding its spread.

    Parameters
    ----------
    fit
        The model of finds. Its seed deals the groups.

    Returns
    -------
    Quality
        With a ``reason`` and no numbers where there is no model.

    Notes
    -----
    A dog's effect is known from its trials on the other sources. Residuals use
    these predictions too: a source's own trials would otherwise pull its
    prediction towards them.

    References
    ----------
    Steyerberg EW (2019). Clinical Prediction Models, 2nd ed., ch. 15. Springer.
    """
    alpha = fit.settings.alpha
    empty = pd.DataFrame({"predicted": np.zeros(0), "found": np.zeros(0)})
    if fit.mixed is None:
        reason = fit.reason or "no model could be fitted"
        return Quality(
            0, 0, 0, 0, None, None, None, None, {}, None, empty, alpha, reason
        )  # fmt: skip
    predicted, average, folds = predict_unseen(fit)
    design = fit.design
    told = np.isfinite(predicted)
    drift = _drift(fit)
    frame = pd.DataFrame(
        {"predicted": predicted, "found": np.where(told, design.y, np.nan)},
        index=design.trials.index,
    )
    if not told.any() or design.y[told].min() == design.y[told].max():
        reason = "no group of sources could be left out and predicted from the others"
        return Quality(
            0, 0, folds, int((~told).sum()), None, None, None, None, {}, drift, frame, alpha,
            reason,
        )  # fmt: skip
    y, p = design.y[told], predicted[told]
    sources = design.trials["source_id"].astype(str).to_numpy()[told]
    area = area_under_curve(y, p, sources, alpha=alpha)
    calibration = calibrate(y, p, sources, alpha=alpha)
    month = design.trials["started_at"].dt.strftime("%Y-%m").to_numpy()[told]
    dogs = design.trials["dog_id"].astype(str).to_numpy()[told]
    by = {
        name: beside_predictions(labels, y, p, alpha)
        for name, labels in (("dog", dogs), ("source", sources), ("month", month))
    }
    brier, of_average = brier_score(y, p), brier_score(y, average[told])
    count = len(set(sources))
    return Quality(
        n=len(y),
        sources=count,
        folds=folds,
        not_predicted=int((~told).sum()),
        brier=brier,
        brier_of_average=of_average,
        area=area,
        calibration=calibration,
        by=by,
        drift=drift,
        predictions=frame,
        alpha=alpha,
        reason=None,
    )


def predict_unseen(fit: FindFit) -> tuple[np.ndarray, np.ndarray, int]:
    """Find probability of every trial from a model without its source.

    Returns
    -------
    predicted, average, folds
        Shape (n,) each: the prediction, and the proportion of finds among the
        trials it was made from; missing where the model could not be fitted.
        Then the number of groups of sources.
    """
    assert fit.mixed is not None
    design = fit.design
    sources = design.trials["source_id"].astype(str).to_numpy()
    levels = np.unique(sources)
    folds = min(MOST_FOLDS, len(levels))
    rng = random_stream(fit.settings.seed, "cross-validation")
    # Largest sources first, each to the group with the fewest trials: groups of like size.
    size = pd.Series(sources).value_counts()
    order = sorted(rng.permutation(levels), key=lambda s: -int(size[s]))
    load = np.zeros(folds)
    fold_of = {}
    for source in order:
        fold_of[source] = int(np.argmin(load))
        load[fold_of[source]] += size[source]
    fold = np.array([fold_of[s] for s in sources])
    idle = idle_groupings(fit.mixed)
    predicted, average = np.full(len(sources), np.nan), np.full(len(sources), np.nan)
    for k in range(folds):
        out = fold == k
        if folds < 2 or design.y[~out].min() == design.y[~out].max():
            continue
        kept = restrict(design, ~out)
        try:
            mixed = fit_mixed(
                kept.y,
                kept.x,
                kept.names,
                kept.groups,
                details=True,
                at_zero=idle,
            )
        except FitError:
            continue
        predicted[out] = _predict(design, out, kept, mixed)
        average[out] = design.y[~out].mean()
    return predicted, average, folds


def _predict(design: Design, rows: np.ndarray, kept: Design, mixed: MixedFit) -> np.ndarray:
    """Probabilities under a model that has not seen the sources of these rows."""
    columns = [0, *(j for j, name in enumerate(design.names) if j and name in kept.names)]
    eta = design.x[rows][:, columns] @ mixed.beta
    variance = np.zeros(len(eta))
    for grouping, labels in design.groups.items():
        if grouping not in mixed.sd:
            continue
        if grouping == "dog" and grouping in mixed.effects:
            effects = mixed.effects["dog"]
            place = effects.index.get_indexer(pd.Index(labels[rows]))
            seen = place >= 0
            eta = eta + np.where(seen, effects["effect"].to_numpy()[place], 0.0)
            known = effects["std_error"].to_numpy()[place] ** 2
            variance += np.where(seen, known, mixed.sd["dog"] ** 2)
        else:
            variance += mixed.sd[grouping] ** 2
    return averaged_probability(eta, np.sqrt(variance))[0]


def brier_score(y: np.ndarray, p: np.ndarray) -> float:
    """Mean squared difference between outcomes (0 or 1) and probabilities; 0 is perfect.

    References
    ----------
    Brier GW (1950). Verification of forecasts expressed in terms of
    probability. Monthly Weather Review 78, 1-3.

    Examples
    --------
    >>> round(brier_score(np.array([0, 1, 1, 0]), np.array([0.1, 0.9, 0.8, 0.3])), 4)
    0.0375
    """
    return float(np.mean((np.asarray(y, dtype=float) - np.asarray(p, dtype=float)) ** 2))


def _ranks(values: np.ndarray) -> np.ndarray:
    """Ranks from 1, those of equal values averaged."""
    return pd.Series(np.asarray(values)).rank().to_numpy()


def area_under_curve(
    y: np.ndarray, p: np.ndarray, clusters: np.ndarray | None = None, *, alpha: float = 0.05
) -> Area:
    """Area under the ROC curve, its error allowing for clusters of trials.

    Parameters
    ----------
    y
        Outcomes 0 or 1, both present, shape (n,).
    p
        Scores, shape (n,); ties count one half.
    clusters
        Label of each row; None where rows are independent (DeLong's error).
    alpha
        The interval is at 1 - alpha, on the log-odds scale of the area.

    References
    ----------
    DeLong ER, DeLong DM, Clarke-Pearson DL (1988). Comparing the areas under two
    or more correlated receiver operating characteristic curves. Biometrics 44,
    837-845.
    Obuchowski NA (1997). Nonparametric analysis of clustered ROC curve data.
    Biometrics 53, 567-578.

    Examples
    --------
    >>> area_under_curve(np.array([0, 0, 1, 1]), np.array([0.1, 0.4, 0.35, 0.8])).value
    0.75
    """
    found = np.asarray(y) == 1
    m, n = int(found.sum()), int((~found).sum())
    ranks = _ranks(p)
    # Share of the other kind that each trial beats, ties one half.
    above = np.empty(len(ranks))
    above[found] = (ranks[found] - _ranks(np.asarray(p)[found])) / n
    above[~found] = 1.0 - (ranks[~found] - _ranks(np.asarray(p)[~found])) / m
    value = float(above[found].mean())
    codes = np.arange(len(ranks)) if clusters is None else pd.factorize(np.asarray(clusters))[0]
    groups = int(codes.max()) + 1

    def deviations(rows: np.ndarray) -> tuple[np.ndarray, int]:
        total = np.bincount(codes[rows], weights=above[rows] - value, minlength=groups)
        return total, len(np.unique(codes[rows]))

    of_found, with_found = deviations(found)
    of_missed, with_missed = deviations(~found)
    if min(with_found, with_missed, groups) < 2:
        return Area(value, None, None, None)
    variance = (
        with_found / (with_found - 1) * float(of_found @ of_found) / m**2
        + with_missed / (with_missed - 1) * float(of_missed @ of_missed) / n**2
        + 2.0 * groups / (groups - 1) * float(of_found @ of_missed) / (m * n)
    )
    if variance <= 0.0 or not 0.0 < value < 1.0:
        return Area(value, None, None, None)
    error = float(np.sqrt(variance))
    reach = normal_quantile(1.0 - alpha / 2.0) * error / (value * (1.0 - value))
    centre = special.logit(value)
    limits = special.expit([centre - reach, centre + reach])
    return Area(value, error, float(limits[0]), float(limits[1]))


def calibrate(
    y: np.ndarray, p: np.ndarray, clusters: np.ndarray, *, alpha: float = 0.05
) -> Calibration | None:
    """Calibration of probabilities, its errors clustered.

    Parameters
    ----------
    y
        Outcomes 0 or 1, both present, shape (n,).
    p
        Probabilities, shape (n,).
    clusters
        Label of each row, shape (n,).
    alpha
        Intervals are at 1 - alpha.

    Returns
    -------
    Calibration or None
        None where the predictions do not vary, or part finds from misses.

    References
    ----------
    Cox DR (1958). Two further applications of a model for binary regression.
    Biometrika 45, 562-565.
    """
    logit = special.logit(np.clip(p, _EDGE, 1.0 - _EDGE))
    if logit.max() - logit.min() < _EDGE:
        return None
    x = np.column_stack([np.ones(len(y)), logit])
    try:
        fit = fit_clustered(y, x, clusters)
    except FitError:
        from statsmodels.genmod import families
        from statsmodels.genmod.generalized_linear_model import GLM

        try:
            beta = np.asarray(GLM(y, x, family=families.Binomial()).fit().params)
        except (ValueError, np.linalg.LinAlgError):
            return None
        limits: list[float | None] = [None] * 4
    else:
        beta = fit.beta
        reach = student_quantile(1.0 - alpha / 2.0, fit.freedom) * np.sqrt(np.diag(fit.cov))
        limits = [
            float(v)
            for v in (
                beta[0] - reach[0],
                beta[0] + reach[0],
                beta[1] - reach[1],
                beta[1] + reach[1],
            )
        ]
    return Calibration(
        intercept=float(beta[0]),
        intercept_low=limits[0],
        intercept_high=limits[1],
        slope=float(beta[1]),
        slope_low=limits[2],
        slope_high=limits[3],
        in_the_large=float(100.0 * (np.mean(y) - np.mean(p))),
        curve=_curve(y, p, clusters, alpha),
    )


def _curve(
    y: np.ndarray, p: np.ndarray, clusters: np.ndarray, alpha: float
) -> tuple[CalibrationPoint, ...]:
    """Groups of about equal size in order of prediction; equal predictions stay together."""
    rarer = int(min(y.sum(), len(y) - y.sum()))
    groups = int(np.clip(rarer // _PER_GROUP, *_GROUPS))
    group = pd.qcut(pd.Series(p), groups, labels=False, duplicates="drop").to_numpy()
    points = []
    for k in np.unique(group):
        rows = group == k
        finds, n = int(y[rows].sum()), int(rows.sum())
        low, high = exact_interval(finds, n, 1.0 - alpha)
        points.append(
            CalibrationPoint(
                predicted=float(p[rows].mean()),
                finds=finds,
                n=n,
                sources=len(set(clusters[rows])),
                proportion=finds / n,
                low=low,
                high=high,
            )
        )
    return tuple(points)


def beside_predictions(
    labels: np.ndarray, y: np.ndarray, p: np.ndarray, alpha: float
) -> tuple[Residual, ...]:
    """Observed minus predicted by group, in order of its name.

    The interval is Wilson's, shifted: it allows for the number of trials alone.
    Groups that differ beyond what the predictions know lie outside it more often
    than in ``alpha`` of all cases.

    Parameters
    ----------
    labels
        Group of each trial, shape (n,).
    y
        Outcomes 0 or 1, shape (n,).
    p
        Predicted probabilities, shape (n,).
    alpha
        Intervals are at 1 - alpha.

    Returns
    -------
    tuple of Residual

    References
    ----------
    Wilson EB (1927). Probable inference, the law of succession, and statistical
    inference. Journal of the American Statistical Association 22, 209-212.
    """
    rows = []
    for label in np.unique(labels):
        own = labels == label
        n, finds = int(own.sum()), int(y[own].sum())
        expected = float(p[own].mean())
        limits = wilson_interval(finds, n, 1.0 - alpha)
        low, high = (100.0 * (v - expected) for v in limits)
        rows.append(
            Residual(
                group=str(label),
                n=n,
                finds=finds,
                predicted=expected,
                points=100.0 * (finds / n - expected),
                low=low,
                high=high,
                outside=low > 0.0 or high < 0.0,
            )
        )
    return tuple(rows)


def _drift(fit: FindFit) -> Drift:
    design, mixed = fit.design, fit.mixed
    assert mixed is not None
    started = design.trials["started_at"]
    days = ((started - started.min()) / pd.Timedelta(days=1)).to_numpy(dtype=float)
    months = (days - days.mean()) / MONTH_DAYS
    tied = _correlation(months, design)
    explained = _explained(months, design.x)
    if explained is None or 1.0 - explained < _COPY:
        reason = "calendar time carries the same information as the other terms in these records"
        return _no_drift(reason, explained, tied)
    try:
        line = _with(design, mixed, months[:, None])
        knots = spline_knots(months)
        curve = None
        if knots:
            bends = natural_spline(months, knots)
            curve = _with(design, mixed, np.column_stack([months, bends]))
    except FitError as error:
        return _no_drift(str(error), explained, tied)
    p = _ratio_p(line, mixed, 1)
    curve_p = None if curve is None else _ratio_p(curve, mixed, len(knots) - 1)
    estimate = float(line.beta[-1])
    spread = float(np.sqrt(line.cov[-1, -1]))
    reach = float(normal_quantile(1.0 - fit.settings.alpha / 2.0)) * spread
    return Drift(
        log_odds=estimate,
        std_error=spread,
        low=estimate - reach,
        high=estimate + reach,
        p=p,
        curve_p=curve_p,
        explained=explained,
        tied_to_age=tied,
        reason=None,
    )


def _with(design: Design, start: MixedFit, columns: np.ndarray) -> MixedFit:
    names = [*design.names, *(f"calendar {k}" for k in range(columns.shape[1]))]
    return fit_mixed(design.y, np.column_stack([design.x, columns]), names, design.groups)


def _ratio_p(larger: MixedFit, smaller: MixedFit, df: int) -> float:
    statistic = likelihood_ratio(larger.log_likelihood, smaller.log_likelihood)
    return float(chi_square_tail(statistic, df))


def _explained(values: np.ndarray, x: np.ndarray) -> float | None:
    """R² of values on the columns of x; None where they do not vary."""
    centred = values - values.mean()
    total = float(centred @ centred)
    if total == 0.0:
        return None
    left = centred - x @ np.linalg.lstsq(x, centred, rcond=None)[0]
    return 1.0 - float(left @ left) / total


def _correlation(months: np.ndarray, design: Design) -> float | None:
    age = design.trials["age_days"].to_numpy(dtype=float)
    if len(age) < 3 or age.max() == age.min() or months.max() == months.min():
        return None
    return float(np.corrcoef(months, age)[0, 1])


def _no_drift(reason: str, explained: float | None, tied: float | None) -> Drift:
    return Drift(None, None, None, None, None, None, explained, tied, reason)
