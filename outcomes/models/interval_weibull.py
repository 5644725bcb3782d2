"""Hazards of interval-censored times with late entry: Weibull, and period by period.

Every source adds the logarithm of the probability of its own interval, given
that it was reliable when it entered:

    H(entry) - H(low) + log(1 - exp(-(H(high) - H(low))))

with H the cumulative hazard, the last part only where the event was seen.
lifelines fits the Weibull model too, but not the model by periods.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from outcomes.errors import FitError
from outcomes.models.newton import maximise


@dataclass(frozen=True, slots=True)
class Intervals:
    """Sources followed from ``entry``, the event in (``low``, ``high``].

    Shape (n,) each; ``high`` is infinite where the event was not seen.
    """

    entry: np.ndarray
    low: np.ndarray
    high: np.ndarray

    @property
    def seen(self) -> np.ndarray:
        """True where there was an event, shape (n,)."""
        return np.asarray(np.isfinite(self.high))


@dataclass(frozen=True, slots=True)
class HazardFit:
    """A model of hazards at its maximum.

    Attributes
    ----------
    beta
        Coefficients, shape (p,).
    cov
        Their covariance from the curvature, shape (p, p).
    log_likelihood
        At the estimate.
    """

    beta: np.ndarray
    cov: np.ndarray
    log_likelihood: float


@dataclass(frozen=True, slots=True)
class _Cumulative:
    """A cumulative hazard per source (n,), with its gradient (n, p) and Hessian (n, p, p)."""

    value: np.ndarray
    first: np.ndarray
    second: np.ndarray


def _log_likelihood(
    entry: _Cumulative, low: _Cumulative, high: _Cumulative, seen: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    between = high.value[seen] - low.value[seen]
    value = float((entry.value - low.value).sum() + np.log(-np.expm1(-between)).sum())
    odds = 1.0 / np.expm1(between)
    step = high.first[seen] - low.first[seen]
    gradient = (entry.first - low.first).sum(axis=0) + odds @ step
    hessian = (
        (entry.second - low.second).sum(axis=0)
        + np.einsum("i,ijk->jk", odds, high.second[seen] - low.second[seen])
        - (step * (odds * (1.0 + odds))[:, None]).T @ step
    )
    return value, gradient, -hessian


def fit_weibull(times: Intervals, x: np.ndarray) -> HazardFit:
    """Fit log time = x beta + scale * error, the time a Weibull variable.

    Parameters
    ----------
    times
        Days, say; ``low`` 0 where the event may have been at any time before
        ``high``.
    x
        Covariates with their constant, shape (n, p); no missing values.

    Returns
    -------
    HazardFit
        The logarithm of the scale is the last coefficient.

    Raises
    ------
    FitError
        If the likelihood has no maximum that could be found.

    References
    ----------
    Kalbfleisch, J. D. and Prentice, R. L. (2002). *The Statistical Analysis of
    Failure Time Data*, 2nd ed., sections 3.2 and 3.6.
    """
    n, p = x.shape
    basis, triangle = _orthonormal(x)

    def cumulative(time: np.ndarray, theta: np.ndarray) -> _Cumulative:
        scale = np.exp(theta[-1])
        begun = (time > 0) & np.isfinite(time)
        z = (np.log(np.where(begun, time, 1.0)) - basis @ theta[:-1]) / scale
        hazard = np.where(begun, np.exp(z), 0.0)
        first = np.empty((n, p + 1))
        first[:, :p] = -(hazard / scale)[:, None] * basis
        first[:, p] = -hazard * z
        second = np.empty((n, p + 1, p + 1))
        second[:, :p, :p] = np.einsum("i,ij,ik->ijk", hazard / scale**2, basis, basis)
        second[:, :p, p] = second[:, p, :p] = (hazard * (z + 1.0) / scale)[:, None] * basis
        second[:, p, p] = hazard * z * (z + 1.0)
        return _Cumulative(hazard, first, second)

    def likelihood(theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        entry, low, high = (cumulative(t, theta) for t in (times.entry, times.low, times.high))
        return _log_likelihood(entry, low, high, times.seen)

    # From the exponential model with the events over the time at risk, half of it unseen.
    until = np.where(times.seen, (times.low + np.where(times.seen, times.high, 0.0)) / 2, times.low)
    at_risk = float((until - times.entry).sum())
    if not times.seen.any() or at_risk <= 0:
        raise FitError("no source was followed to an event")
    level = np.log(at_risk / times.seen.sum())
    start = np.append(basis.T @ np.full(n, level) / n, 0.0)
    maximum = maximise(likelihood, start)
    back = np.eye(p + 1)
    back[:p, :p] = np.linalg.inv(triangle)
    return _fit(back @ maximum.at, back @ _usable(maximum.covariance()) @ back.T, maximum.value)


def fit_periods(source: np.ndarray, uncertain: np.ndarray, x: np.ndarray) -> HazardFit:
    """Fit the hazard of each period: 1 - exp(-exp(x beta)), the grouped proportional-hazards model.

    Parameters
    ----------
    source
        Code from 0 of the source each row belongs to, shape (n,). A row is a
        period a source was followed through.
    uncertain
        True for the periods that may hold its event (one, where it is known
        exactly), False for those it lasted through, shape (n,).
    x
        Covariates with their constant or constants, shape (n, p).

    Returns
    -------
    HazardFit

    Raises
    ------
    FitError
        If the likelihood has no maximum that could be found.

    References
    ----------
    Prentice, R. L. and Gloeckler, L. A. (1978). Regression analysis of grouped
    survival data with application to breast cancer data. *Biometrics* 34, 57-67.
    """
    basis, triangle = _orthonormal(x)
    p = x.shape[1]
    events = np.unique(source[uncertain])
    if not len(events):
        raise FitError("no source was followed to an event")
    place = np.searchsorted(events, source[uncertain])
    unsure = basis[uncertain]
    sure = basis[~uncertain]

    def likelihood(theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        lasted = np.exp(sure @ theta)
        hazard = np.exp(unsure @ theta)
        between = np.bincount(place, hazard)
        step = np.zeros((len(events), p))
        np.add.at(step, place, hazard[:, None] * unsure)
        odds = 1.0 / np.expm1(between)
        value = float(-lasted.sum() + np.log(-np.expm1(-between)).sum())
        gradient = -lasted @ sure + odds @ step
        information = (
            (sure * lasted[:, None]).T @ sure
            - (unsure * (hazard * odds[place])[:, None]).T @ unsure
            + (step * (odds * (1.0 + odds))[:, None]).T @ step
        )
        return value, gradient, information

    level = np.log(len(events) / len(source))
    start = basis.T @ np.full(len(x), level) / len(x)
    maximum = maximise(likelihood, start)
    back = np.linalg.inv(triangle)
    return _fit(back @ maximum.at, back @ _usable(maximum.covariance()) @ back.T, maximum.value)


def _orthonormal(x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """One scale for every direction of the search."""
    n = len(x)
    basis, triangle = np.linalg.qr(x)
    size = np.abs(np.diag(triangle))
    if size.min() < 1e-10 * size.max():
        raise FitError("the terms cannot be told apart in these sources")
    return basis * np.sqrt(n), triangle / np.sqrt(n)


def _usable(cov: np.ndarray) -> np.ndarray:
    if not np.isfinite(cov).all() or np.diag(cov).max() > 100.0:
        raise FitError("the terms cannot be told apart in these sources")
    return cov


def _fit(beta: np.ndarray, cov: np.ndarray, value: float) -> HazardFit:
    return HazardFit(beta=beta, cov=cov, log_likelihood=value)
