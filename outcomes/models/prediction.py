"""How good predicted probabilities are: Brier score, area under the ROC curve, calibration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from outcomes.errors import FitError
from outcomes.models.clustered import fit_clustered
from outcomes.models.distributions import (
    exact_interval,
    normal_quantile,
    student_quantile,
)
from outcomes.models.separation import start_without_effects

_PER_GROUP = 10  # misses (or finds, if rarer) for each point of the calibration curve
_GROUPS = (3, 10)
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
        found = start_without_effects(y, x)
        if found is None:
            return None
        beta = found
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
