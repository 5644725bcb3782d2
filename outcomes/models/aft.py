"""Accelerated failure times, Weibull or log-logistic, with a random effect of the cluster.

lifelines fits the same models, but neither clusters their errors nor gives
them a random effect.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from outcomes.errors import FitError
from outcomes.models.frailty_design import EffectsDesign, effects_design
from outcomes.models.newton import maximise, maximise_with_effects

FAMILIES = ("Weibull", "log-logistic")


@dataclass(frozen=True, slots=True)
class AcceleratedFit:
    """An accelerated failure-time model at its maximum.

    Attributes
    ----------
    family
        ``"Weibull"`` or ``"log-logistic"``.
    beta
        Coefficients of the log time, shape (p,).
    log_scale
        Logarithm of the scale of the log time.
    cov
        Covariance from the curvature, shape (p + 1, p + 1), ``log_scale``
        last: trials independent, given the effect of the cluster where there
        is one.
    effects_sd
        Standard deviation of the clusters' log times; None without them.
    scores
        Derivative of each trial's log-likelihood, shape (n, p + 1); None with
        cluster effects.
    log_likelihood, aic
        Of the time itself, and Akaike's criterion; None with cluster effects.
    """

    family: str
    beta: np.ndarray
    log_scale: float
    cov: np.ndarray
    effects_sd: float | None = None
    scores: np.ndarray | None = None
    log_likelihood: float | None = None
    aic: float | None = None


def fit_accelerated(
    time: np.ndarray,
    event: np.ndarray,
    x: np.ndarray,
    family: str,
    clusters: np.ndarray | None = None,
) -> AcceleratedFit:
    """Fit log time = x beta + effect of the cluster + scale * error.

    Parameters
    ----------
    time
        Time to the event or to the end of observation, above 0, shape (n,).
    event
        True where the event was seen, shape (n,).
    x
        Covariates with their constant or constants, shape (n, p); no missing
        values, full rank.
    family
        Distribution of the time: one of ``FAMILIES``.
    clusters
        Label of the cluster, shape (n,), to give each a normal random effect
        on the log time.

    Returns
    -------
    AcceleratedFit

    Raises
    ------
    FitError
        If the likelihood has no maximum that could be found.

    References
    ----------
    Kalbfleisch, J. D. and Prentice, R. L. (2002). *The Statistical Analysis of
    Failure Time Data*, 2nd ed., chapter 3.
    """
    if family not in FAMILIES:
        raise ValueError(f"family is {family!r}; it must be one of {FAMILIES}")
    log_time = np.log(time)
    event = event.astype(float)
    n, p = x.shape
    # An orthonormal basis of the columns: one scale for every direction of the search.
    basis, triangle = np.linalg.qr(x)
    if np.abs(np.diag(triangle)).min() < 1e-10 * np.abs(np.diag(triangle)).max():
        raise FitError("the terms cannot be told apart in these search times")
    basis, triangle = basis * np.sqrt(n), triangle / np.sqrt(n)
    guess = basis.T @ log_time / n
    spread = max(float(np.std(log_time - basis @ guess)), 1e-3)
    design = effects_design(basis, clusters)
    start = np.concatenate([guess, np.zeros(design.width - p), [np.log(spread)]])
    own = np.append(np.arange(p), design.width)  # the coefficients, then the log scale

    def likelihood(theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        at = _errors(log_time, event, design, theta, family)
        information = np.empty((len(theta), len(theta)))
        information[:-1, :-1] = design.square(at.bend) / at.scale**2
        cross = design.total((at.bend * at.z - at.u) / at.scale)
        information[:-1, -1] = information[-1, :-1] = cross
        information[-1, -1] = float((at.bend * at.z**2 - at.u * at.z).sum())
        gradient = np.append(-design.total(at.u) / at.scale, float((-at.u * at.z - event).sum()))
        return at.value, gradient, information

    if clusters is None:
        maximum, variance = maximise(likelihood, start), None
    else:
        effects = np.append(design.is_effect, False)
        maximum, variance = maximise_with_effects(likelihood, start, effects)
    back = np.eye(p + 1)
    back[:p, :p] = np.linalg.inv(triangle)
    cov = maximum.covariance()[np.ix_(own, own)]
    bare = clusters is None
    at = _errors(log_time, event, design, maximum.at, family)
    scores = np.column_stack([-at.u[:, None] * basis / at.scale, -at.u * at.z - event])
    return AcceleratedFit(
        family=family,
        beta=back[:p, :p] @ maximum.at[:p],
        log_scale=float(maximum.at[-1]),
        cov=back @ cov @ back.T,
        effects_sd=None if variance is None else float(np.sqrt(variance)),
        scores=scores @ np.linalg.inv(back) if bare else None,
        log_likelihood=maximum.value if bare else None,
        aic=2 * (p + 1) - 2 * maximum.value if bare else None,
    )


@dataclass(frozen=True, slots=True)
class _Errors:
    """Log-likelihood at some parameters, and what its derivatives are made of.

    ``z`` are the standardised log times, ``u`` the derivative of each trial's
    log-likelihood with respect to its z, ``bend`` minus the second one; shape (n,).
    """

    value: float
    scale: float
    z: np.ndarray
    u: np.ndarray
    bend: np.ndarray


def _errors(
    log_time: np.ndarray, event: np.ndarray, design: EffectsDesign, theta: np.ndarray, family: str
) -> _Errors:
    log_scale = theta[-1]
    scale = float(np.exp(log_scale))
    z = (log_time - design.linear(theta[:-1])) / scale
    if family == "Weibull":
        loss = slope = bend = np.exp(z)
    else:
        loss = (1.0 + event) * np.logaddexp(0.0, z)
        slope = (1.0 + event) * expit(z)
        bend = slope * expit(-z)
    value = float((event * (z - log_scale - log_time) - loss).sum())
    return _Errors(value, scale, z, event - slope, bend)
