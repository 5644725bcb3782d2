"""Newton's method for a log-likelihood, and the variance of a random effect in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import LinAlgError, cho_factor, cho_solve

from outcomes.errors import FitError

# Log-likelihood, its gradient (q,) and its negative Hessian (q, q).
Likelihood = Callable[[np.ndarray], tuple[float, np.ndarray, np.ndarray]]

_STEPS = 100
_SMALL_GAIN = 1e-11  # half the squared distance to the maximum, in standard errors
_LEAST_VARIANCE = 1e-5
_USUAL_VARIANCE = 0.1
_MOST_VARIANCE = 25.0


@dataclass(frozen=True, slots=True)
class Maximum:
    """A log-likelihood at its maximum.

    ``at`` are the parameters, shape (q,), ``information`` the negative Hessian
    with the precision of the random effects added, shape (q, q).
    """

    at: np.ndarray
    value: float
    information: np.ndarray

    def covariance(self) -> np.ndarray:
        """Inverse of the information, shape (q, q)."""
        return np.asarray(cho_solve(cho_factor(self.information), np.eye(len(self.at))))


def maximise(
    likelihood: Likelihood, start: np.ndarray, precision: np.ndarray | None = None
) -> Maximum:
    """Maximise a log-likelihood, less half of ``precision`` times the squared parameters.

    Parameters
    ----------
    likelihood
        Gives the log-likelihood, its gradient and its negative Hessian.
    start
        Where to begin, shape (q,).
    precision
        Inverse variance of each parameter's normal distribution about zero,
        shape (q,); 0 for a parameter without one.

    Returns
    -------
    Maximum

    Raises
    ------
    FitError
        If no maximum is found.
    """
    at = np.asarray(start, dtype=float)
    weight = np.zeros(len(at)) if precision is None else precision

    def penalised(where: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        value, gradient, information = likelihood(where)
        return (
            value - 0.5 * float(weight @ where**2),
            gradient - weight * where,
            information + np.diag(weight),
        )

    # A step too far overflows to an infinite loss and is then taken back.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        value, gradient, information = penalised(at)
        damping = 0.0
        for _ in range(_STEPS):
            step = _step(gradient, information, damping)
            gain = None if step is None else float(step @ gradient)
            if step is not None and gain is not None and damping == 0.0 and gain < 2 * _SMALL_GAIN:
                # The last step squares the distance and needs no evaluation.
                return Maximum(at + step, float(value), information)
            tried = None if step is None else penalised(at + step)
            # Close to the maximum the value no longer tells two points apart.
            if tried is not None and tried[0] >= value - 1e-11 * abs(value):
                at, (value, gradient, information) = at + step, tried
                damping = 0.0 if damping < 1e-3 else damping / 10
            else:
                damping = max(1e-3, damping * 10)
            if damping > 1e12:
                break
    raise FitError("the likelihood has no maximum that could be found")


def _step(gradient: np.ndarray, information: np.ndarray, damping: float) -> np.ndarray | None:
    damped = information + damping * np.diag(np.abs(np.diag(information)) + 1e-12)
    try:
        return np.asarray(cho_solve(cho_factor(damped), gradient))
    except (LinAlgError, ValueError):  # not positive definite, or not finite
        return None


def maximise_with_effects(
    likelihood: Likelihood, start: np.ndarray, effects: np.ndarray
) -> tuple[Maximum, float]:
    """Maximise a log-likelihood in which some parameters are normal random effects.

    Their variance solves: sum of squared effects + sum of their conditional
    variances = number of effects times the variance, which is restricted
    maximum likelihood in Laplace's approximation with the curvature held.

    Parameters
    ----------
    likelihood
        Gives the log-likelihood, its gradient and its negative Hessian.
    start
        Where to begin, shape (q,).
    effects
        True for the parameters that are random effects, shape (q,).

    Returns
    -------
    Maximum, float
        The penalised maximum, and the variance of the effects; with a variance
        of 0 the effects are 0 and their rows of the information are those of a
        variance of 0.00001.

    Raises
    ------
    FitError
        If no maximum is found, or the variance is beyond 25.

    References
    ----------
    Therneau, T. M., Grambsch, P. M. and Pankratz, V. S. (2003). Penalized
    survival models and frailty. *Journal of Computational and Graphical
    Statistics* 12, 156-175.
    """
    found: dict[str, Maximum] = {"last": Maximum(np.asarray(start, dtype=float), 0.0, np.eye(1))}
    many = int(effects.sum())

    def at_variance(variance: float) -> Maximum:
        precision = np.where(effects, 1.0 / variance, 0.0)
        found["last"] = maximise(likelihood, found["last"].at, precision)
        return found["last"]

    def excess(log_variance: float) -> float:
        """Logarithm of the variance the effects show over the one they were given."""
        variance = float(np.exp(log_variance))
        maximum = at_variance(variance)
        spread = float(np.diag(maximum.covariance())[effects].sum())
        shown = (float((maximum.at[effects] ** 2).sum()) + spread) / many
        return float(np.log(shown / variance))

    bracket = _bracket(excess)
    if bracket is None:
        return at_variance(_LEAST_VARIANCE), 0.0
    from scipy.optimize import brentq

    variance = float(np.exp(brentq(excess, *bracket, xtol=1e-7)))
    return at_variance(variance), variance


def _bracket(excess: Callable[[float], float]) -> tuple[float, float] | None:
    """Log variances between which the excess changes sign; None if it is zero or less throughout.

    The search goes from a moderate variance outwards, for each evaluation is a
    fit; steps grow with the excess, which tells how far off the variance is.
    """
    low, high = float(np.log(_LEAST_VARIANCE)), float(np.log(_MOST_VARIANCE))
    at = float(np.log(_USUAL_VARIANCE))
    found = excess(at)
    up = found > 0.0
    while True:
        if at <= low and not up:
            return None
        if at >= high and up:
            raise FitError("the sources differ too much for their spread to be estimated")
        step = max(0.5, 3.0 * abs(found))
        further = min(at + step, high) if up else max(at - step, low)
        found = excess(further)
        if (found > 0.0) != up:
            return (at, further) if up else (further, at)
        at = further
