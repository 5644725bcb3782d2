"""Intervals over several models at once, each by its share of the support."""

from __future__ import annotations

import numpy as np

from outcomes.models.distributions import student_tail

_HALVINGS = 60
_REACH = 60.0  # standard errors: beyond any limit that is told


def averaged_limits(
    means: np.ndarray,
    errors: np.ndarray,
    weights: np.ndarray,
    freedom: float,
    confidence: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Limits whose tail areas, averaged over the models, are what the confidence leaves.

    Parameters
    ----------
    means, errors
        Estimate and standard error of each model at each point, shape (models, points). No
        missing values.
    weights
        Share of each model, shape (models,); they sum to 1.
    freedom
        Degrees of freedom of Student's t.
    confidence
        Two-sided confidence.

    Returns
    -------
    low, high
        Shape (points,).

    References
    ----------
    Turek D, Fletcher D (2012). Model-averaged Wald confidence intervals. Computational
    Statistics & Data Analysis 56, 2809-2815.

    Examples
    --------
    One model alone has its own interval:

    >>> low, high = averaged_limits(
    ...     np.array([[0.0]]), np.array([[1.0]]), np.array([1.0]), 10.0, 0.95
    ... )
    >>> low.round(4), high.round(4)
    (array([-2.2281]), array([2.2281]))
    """
    means, errors = np.atleast_2d(means), np.maximum(np.atleast_2d(errors), 1e-12)
    share = np.asarray(weights, dtype=float)[:, None]
    tail = (1.0 - confidence) / 2.0

    def limit(sign: float) -> np.ndarray:
        # On the side of the limit, distances grow outwards and tails fall.
        outwards = sign * means
        near, far = outwards.min(axis=0), (outwards + _REACH * errors).max(axis=0)
        near = near - _REACH * errors.max(axis=0)
        for _ in range(_HALVINGS):
            middle = (near + far) / 2.0
            standard = (middle - outwards) / errors
            beyond = student_tail(np.abs(standard), freedom)
            beyond = np.where(standard >= 0.0, beyond, 1.0 - beyond)
            within = (share * beyond).sum(axis=0) > tail
            near, far = np.where(within, middle, near), np.where(within, far, middle)
        return np.asarray(sign * (near + far) / 2.0)

    return limit(-1.0), limit(1.0)
