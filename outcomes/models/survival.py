"""Survival curves and regressions with late entry: what is asked of lifelines, and its answers.

lifelines takes longer to load than the answer on finds, so it is loaded when a regression is
fitted; the curve, which is drawn beside that answer, does without it.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import FitError

_MOST_VARIANCE = 100.0  # of a log ratio: beyond it the likelihood is flat
# lifelines takes the probability of an interval as the difference of two, so that where trials
# lie minutes apart rounding keeps it from the closest; then others are tried, its own last.
_SEARCHES: tuple[tuple[str, dict[str, float]], ...] = (
    ("L-BFGS-B", {"ftol": 1e-15, "gtol": 1e-10}),
    ("SLSQP", {"ftol": 1e-13}),
    ("BFGS", {}),
)
_NO_MAXIMUM = "the likelihood has no maximum that could be found"


@dataclass(frozen=True, slots=True)
class ProductLimit:
    """A survival curve at the times of its events.

    Attributes
    ----------
    times
        Times at which an event occurred, rising, shape (k,).
    probability, std_error
        Probability of lasting beyond each, and its standard error.
    at_risk, events
        Followed just before each, and events at it.
    """

    times: np.ndarray
    probability: np.ndarray
    std_error: np.ndarray
    at_risk: np.ndarray
    events: np.ndarray


@dataclass(frozen=True, slots=True)
class Intervals:
    """Sources followed from ``entry``, the event in (``low``, ``high``].

    Shape (n,) each; ``high`` is infinite where the event was not seen, and ``low`` where the
    event is known exactly.
    """

    entry: np.ndarray
    low: np.ndarray
    high: np.ndarray


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


def product_limit(
    exit_: np.ndarray, event: np.ndarray, entry: np.ndarray | None = None
) -> ProductLimit:
    """Estimate a survival curve (Kaplan and Meier's, with Greenwood's errors).

    Not by lifelines, which refuses a curve where nobody is followed for a while, as late entry
    may have it.

    Parameters
    ----------
    exit_
        When each was last followed, shape (n,); none is missing.
    event
        Whether that was by the event.
    entry
        When each began to be followed, before its exit; at risk from just after it on. None:
        from the start.

    Returns
    -------
    ProductLimit
        Without a row where there was no event. Where all still followed met the event at
        once, probability and standard error are 0.

    References
    ----------
    Kaplan EL, Meier P (1958). Nonparametric estimation from incomplete observations.
    Journal of the American Statistical Association 53, 457-481.
    Greenwood M (1926). The natural duration of cancer. Reports on Public Health and
    Medical Subjects 33. HMSO, London.

    Examples
    --------
    >>> curve = product_limit(np.array([1.0, 2.0, 2.0, 3.0]), np.array([True, True, False, False]))
    >>> curve.times, curve.probability, curve.at_risk
    (array([1., 2.]), array([0.75, 0.5 ]), array([4, 3]))
    """
    exit_ = np.asarray(exit_, dtype=float)
    begun = np.full(len(exit_), -np.inf) if entry is None else np.asarray(entry, dtype=float)
    times, events = np.unique(exit_[np.asarray(event, dtype=bool)], return_counts=True)
    at_risk = np.searchsorted(np.sort(begun), times) - np.searchsorted(np.sort(exit_), times)
    probability = np.cumprod(1.0 - events / at_risk)
    left = np.maximum(at_risk - events, 1)  # where none is left, the probability is 0
    error = probability * np.sqrt(np.cumsum(events / (at_risk * left)))
    return ProductLimit(times, probability, error, at_risk, events)


def fit_weibull(times: Intervals, x: np.ndarray) -> HazardFit:
    """Fit log time = constant + x beta + scale * error, the time a Weibull variable.

    By lifelines, on a scale of time near one and with tolerances below its own, which leave
    differences between processors in digits that are told.

    Parameters
    ----------
    times
        Days, say; ``low`` 0 where the event may have been at any time before ``high``.
    x
        Covariates without a constant, shape (n, p); no missing values.

    Returns
    -------
    HazardFit
        Constant, coefficients, logarithm of the scale: p + 2 of them.

    Raises
    ------
    FitError
        If the likelihood has no maximum that could be found.

    References
    ----------
    Kalbfleisch, J. D. and Prentice, R. L. (2002). *The Statistical Analysis of
    Failure Time Data*, 2nd ed., sections 3.2 and 3.6.
    """
    if not np.isfinite(times.high).any():
        raise FitError("no source was followed to an event")
    design = np.column_stack([np.ones(len(x)), x])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise FitError("the terms cannot be told apart in these sources")
    from lifelines import WeibullAFTFitter

    names = [f"x{j}" for j in range(x.shape[1])]
    exact = times.low == times.high
    long = float(np.median(np.where(np.isfinite(times.high), times.high, times.low)))
    rows = pd.DataFrame(x, columns=names).assign(
        entry=times.entry / long, low=times.low / long, high=times.high / long, exact=exact
    )
    for method, tolerances in _SEARCHES:
        fitter = WeibullAFTFitter()
        fitter._scipy_fit_method, fitter._scipy_fit_options = method, tolerances
        try:
            _run(
                fitter.fit_interval_censoring, rows, "low", "high", event_col="exact",
                entry_col="entry", formula=" + ".join(["1", *names]),
            )  # fmt: skip
            break
        except FitError:
            if method == _SEARCHES[-1][0]:
                raise
    of = [("lambda_", name) for name in ("Intercept", *names)] + [("rho_", "Intercept")]
    # lifelines estimates the logarithm of the shape, which is minus that of the scale.
    sign = np.array([*np.ones(len(of) - 1), -1.0])
    cov = fitter.variance_matrix_.loc[of, of].to_numpy(float) * np.outer(sign, sign)
    beta = fitter.params_.loc[of].to_numpy(float) * sign
    beta[0] += np.log(long)
    # A density, that of an event known exactly, is per unit of time.
    value = float(fitter.log_likelihood_) - int(exact.sum()) * float(np.log(long))
    return HazardFit(beta, _usable(cov), value)


def fit_time_varying(
    start: np.ndarray, stop: np.ndarray, event: np.ndarray, x: np.ndarray
) -> HazardFit:
    """Fit a Cox model to stretches (start, stop] within which the covariates do not change.

    By lifelines, with Efron's ties.

    Parameters
    ----------
    start, stop, event
        Each stretch, and whether it ended with the event, shape (n,).
    x
        Covariates in it, shape (n, p); no missing values.

    Returns
    -------
    HazardFit

    Raises
    ------
    FitError
        If the likelihood has no maximum that could be found.
    """
    spread = x.std(axis=0)
    if not (spread > 0).all():
        raise FitError("a term is the same in every stretch, so it has no hazard ratio")
    centred = (x - x.mean(axis=0)) / spread
    if rank_at_events(start, stop, event, centred) < x.shape[1]:
        raise FitError("the terms cannot be told apart in these sources")
    from lifelines import CoxTimeVaryingFitter

    rows = pd.DataFrame(centred, columns=[f"x{j}" for j in range(x.shape[1])])
    fitter = CoxTimeVaryingFitter()
    _run(
        fitter.fit, rows.assign(start=start, stop=stop, event=event), event_col="event",
        fit_options={"precision": 1e-16},
    )  # fmt: skip
    cov = _usable(fitter.variance_matrix_.to_numpy(float))
    beta = fitter.params_.to_numpy(float)
    return HazardFit(beta / spread, cov / np.outer(spread, spread), float(fitter.log_likelihood_))


def rank_at_events(start: np.ndarray, stop: np.ndarray, event: np.ndarray, x: np.ndarray) -> int:
    """Number of covariates that differ, each in its own way, between those at risk together.

    Parameters
    ----------
    start, stop, event, x
        As in :func:`fit_time_varying`.
    """
    products = np.zeros((x.shape[1], x.shape[1]))
    for time in np.unique(stop[event]):
        among = x[(start < time) & (stop >= time)]
        apart = among - among.mean(axis=0)
        products += apart.T @ apart
    return int(np.linalg.matrix_rank(products, tol=1e-8 * max(len(x), 1), hermitian=True))


def _run(fit: Any, *arguments: Any, **options: Any) -> None:
    """Let lifelines fit, its failures to converge as a reason in words."""
    from lifelines.exceptions import ConvergenceError

    with warnings.catch_warnings(), np.errstate(all="ignore"):
        # Its other warnings are guesses at what may go wrong; the covariance shows what did.
        warnings.simplefilter("ignore")
        warnings.filterwarnings("error", "Newton-Raphson|The log-likelihood is getting")
        try:
            fit(*arguments, **options)
        except (ConvergenceError, Warning, ValueError, ArithmeticError, AttributeError) as error:
            raise FitError(_NO_MAXIMUM) from error


def _usable(cov: np.ndarray) -> np.ndarray:
    variances = np.diag(cov)
    if not np.isfinite(cov).all() or variances.min() <= 0.0 or variances.max() > _MOST_VARIANCE:
        raise FitError(_NO_MAXIMUM)
    return cov
