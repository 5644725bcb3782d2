"""Whether the two outcomes can be parted by the columns of a design without overlap."""

from __future__ import annotations

import numpy as np

_STEPS = 50
_CONVERGED = 1e-10  # squared distance to the maximum, in standard errors
_FAR = 100.0  # log-odds
_SETTLES = 0.01  # of the last distance; towards separation each step gains a third of the last
_MOST_ROWS = 20_000


def is_separated(y: np.ndarray, x: np.ndarray) -> bool:
    """Whether some combination of columns parts the ones from the zeros without overlap.

    Complete or quasi-complete separation, found exactly by a linear programme;
    then no finite maximum of the logistic likelihood exists, with random
    intercepts or without. Beyond 20,000 rows only the course of the ordinary
    logistic regression is looked at.

    Parameters
    ----------
    y
        Outcomes 0 or 1, or shares between them, shape (n,). No missing values.
    x
        Design, shape (n, p). No missing values.

    References
    ----------
    Albert A, Anderson JA (1984). On the existence of maximum likelihood
    estimates in logistic regression models. Biometrika 71, 1-10.

    Examples
    --------
    >>> y = np.array([0.0, 0.0, 1.0, 1.0])
    >>> x = np.column_stack([np.ones(4), [1.0, 2.0, 3.0, 4.0]])
    >>> is_separated(y, x), is_separated(1 - np.array([0.0, 1.0, 0.0, 1.0]), x)
    (True, False)
    """
    if len(y) == 0 or y.min() == y.max():
        return True
    scale = np.abs(x).max(axis=0)
    scaled = x / np.where(scale == 0.0, 1.0, scale)
    if start_without_effects(y, scaled) is not None:
        return False
    if len(y) > _MOST_ROWS:
        return False
    from scipy import optimize

    # A row that is partly one and partly zero holds the combination to 0 from both sides.
    rows = np.vstack([scaled[y > 0.0], -scaled[y < 1.0]])
    # Maximise the sum of margins, none negative, each at most 1: above 0 only if separated.
    found = optimize.linprog(
        -rows.sum(axis=0),
        A_ub=np.vstack([-rows, rows]),
        b_ub=np.concatenate([np.zeros(len(rows)), np.ones(len(rows))]),
        bounds=[(None, None)] * x.shape[1],
        method="highs",
    )
    # Margins have no scale of their own: if the outcomes part at all, one reaches its bound
    # of 1. Anything much smaller is the solver's own tolerance, added up over many rows.
    return bool(found.status == 0 and -found.fun > 0.5)


def start_without_effects(
    y: np.ndarray,
    x: np.ndarray,
    offset: np.ndarray | float = 0.0,
) -> np.ndarray | None:
    """Coefficients of the ordinary logistic regression, shape (p,).

    Parameters
    ----------
    y
        Outcomes 0 or 1, shape (n,).
    x
        Design, shape (n, p), of full column rank for an answer to be certain.
    offset
        Known part of the log-odds.

    Returns
    -------
    ndarray or None
        None where Newton's method does not settle as it does at a maximum: then the
        outcomes may be separated, and the question is one for :func:`is_separated`.
    """
    beta, last = np.zeros(x.shape[1]), np.inf
    for _ in range(_STEPS):
        eta = x @ beta + offset
        mean = 1.0 / (1.0 + np.exp(-np.clip(eta, -500.0, 500.0)))
        if np.abs(x @ beta).max() > _FAR:
            return None
        curvature = x.T @ (x * (mean * (1.0 - mean))[:, None])
        gradient = x.T @ (y - mean)
        try:
            step = np.linalg.solve(curvature, gradient)
        except np.linalg.LinAlgError:
            return None
        gain = float(step @ gradient)
        if not np.isfinite(gain) or gain < 0.0:
            return None
        # Long steps overshoot where most outcomes are alike.
        beta = beta + step * min(1.0, 3.0 / max(float(np.abs(x @ step).max()), 3.0))
        if gain < _CONVERGED:
            return beta if gain < _SETTLES * last else None
        last = gain
    return None
