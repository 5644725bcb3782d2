"""How strongly records support one model over others, and how far their terms are entangled."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

ENTANGLED_VIF = 10.0


def information_criterion(
    log_likelihood: float, parameters: int, n: int, *, inflation: float = 1.0
) -> float:
    """Akaike's criterion with its correction for few observations (AICc, QAICc).

    Parameters
    ----------
    log_likelihood
        Maximised log-likelihood.
    parameters
        Number of parameters estimated, variances included.
    n
        Number of observations.
    inflation
        Factor by which the observations say less than the likelihood takes
        them to; the log-likelihood is divided by it (QAICc).

    Returns
    -------
    float
        Infinite where ``n`` is no more than ``parameters + 1``.

    References
    ----------
    Burnham KP, Anderson DR (2002). Model Selection and Multimodel Inference,
    2nd edition. Springer, sections 2.4 and 2.5.

    Examples
    --------
    >>> round(information_criterion(-100.0, 3, 50), 3)
    206.522
    """
    if n <= parameters + 1:
        return float("inf")
    correction = 2.0 * parameters * (parameters + 1) / (n - parameters - 1)
    return -2.0 * log_likelihood / inflation + 2.0 * parameters + correction


def support_weights(criteria: Sequence[float]) -> np.ndarray:
    """Akaike weights: each model's share of the support, adding up to 1.

    Parameters
    ----------
    criteria
        One finite criterion a model, all on the same observations.

    References
    ----------
    Burnham KP, Anderson DR (2002). Model Selection and Multimodel Inference,
    2nd edition. Springer, section 2.9.

    Examples
    --------
    >>> support_weights([10.0, 12.0]).round(3)
    array([0.731, 0.269])
    """
    values = np.asarray(criteria, dtype=float)
    shares = np.exp(-0.5 * (values - values.min()))
    return np.asarray(shares / shares.sum())


def variance_inflation(x: np.ndarray) -> np.ndarray:
    """Variance inflation factor of every column after the intercept.

    Parameters
    ----------
    x
        Design, shape (n, 1 + k), intercept first, each other column varying.

    Returns
    -------
    ndarray
        Shape (k,): how many times larger the variance of a coefficient is than
        if its column were unrelated to the others. Infinite for an exact copy.

    References
    ----------
    Belsley DA, Kuh E, Welsch RE (1980). Regression Diagnostics. Wiley, chapter 3.
    """
    centred = x[:, 1:] - x[:, 1:].mean(axis=0)
    centred = centred / np.linalg.norm(centred, axis=0)
    factors = np.empty(centred.shape[1])
    for j in range(centred.shape[1]):
        others = np.delete(centred, j, axis=1)
        left = centred[:, j] - others @ np.linalg.lstsq(others, centred[:, j], rcond=None)[0]
        share = float(left @ left)
        # 1e-12: what is left of an exact copy is rounding.
        factors[j] = 1.0 / share if share > 1e-12 else np.inf
    return factors


def condition_indexes(x: np.ndarray) -> np.ndarray:
    """Condition indexes of a design, every column (intercept too) scaled to length 1.

    Parameters
    ----------
    x
        Design, shape (n, k), no column all zero.

    Returns
    -------
    ndarray
        Shape (k,), ascending from 1; above 30 some columns are strongly entangled.

    References
    ----------
    Belsley DA, Kuh E, Welsch RE (1980). Regression Diagnostics. Wiley, chapter 3.
    """
    singular = np.linalg.svd(x / np.linalg.norm(x, axis=0), compute_uv=False)
    with np.errstate(divide="ignore"):
        return np.asarray(singular[0] / singular)
