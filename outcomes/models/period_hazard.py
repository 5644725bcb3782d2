"""Hazards period by period, the event in one of several periods (grouped survival data).

Every source adds the logarithm of the probability that it lasted through the periods before,
and, where the event was seen, that it came in those that may hold it:

    -H(before) + log(1 - exp(-H(those)))

with H the cumulative hazard. lifelines has no model of hazards by period, and a generalised
linear model of statsmodels takes no event that may lie in several.
"""

from __future__ import annotations

import numpy as np

from outcomes.errors import FitError
from outcomes.models.newton import maximise
from outcomes.models.survival import HazardFit


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
    return HazardFit(
        back @ maximum.at, back @ _usable(maximum.covariance()) @ back.T, maximum.value
    )


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
