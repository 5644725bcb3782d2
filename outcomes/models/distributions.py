"""Tails and quantiles of the usual distributions.

``scipy.stats`` has them too, and takes longer to load than the model of finds takes to fit.
All take numbers or arrays that can be broadcast together, and give NaN where one is missing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy import special


def normal_tail(value: Any) -> Any:
    """Chance that a standard normal variable exceeds ``value``."""
    return special.ndtr(-np.asarray(value, dtype=float))[()]


def normal_share(value: Any) -> Any:
    """Chance that a standard normal variable stays below ``value``."""
    return special.ndtr(value)


def normal_quantile(share: Any) -> Any:
    """Value that a standard normal variable stays below with chance ``share``."""
    return special.ndtri(share)


def student_tail(value: Any, freedom: Any) -> Any:
    """Chance that Student's t exceeds ``value``; the normal one at infinite degrees of freedom.

    Examples
    --------
    >>> round(float(student_tail(2.228139, 10)), 6)
    0.025
    >>> bool(student_tail(1.0, float("inf")) == normal_tail(1.0))
    True
    """
    return special.stdtr(freedom, -np.asarray(value, dtype=float))[()]


def student_quantile(share: Any, freedom: Any) -> Any:
    """Value that Student's t stays below with chance ``share``; normal at infinite freedom."""
    return np.where(
        np.isinf(freedom), special.ndtri(share), special.stdtrit(np.minimum(freedom, 1e300), share)
    )[()]


def chi_square_tail(value: Any, freedom: Any) -> Any:
    """Chance that a chi-square variable exceeds ``value``; 1 below zero.

    Examples
    --------
    >>> round(float(chi_square_tail(3.841459, 1)), 6)
    0.05
    """
    return special.chdtrc(freedom, np.maximum(value, 0.0))


def chi_square_quantile(share: Any, freedom: Any) -> Any:
    """Value that a chi-square variable stays below with chance ``share``."""
    return 2.0 * special.gammaincinv(np.asarray(freedom, dtype=float) / 2.0, share)


def f_tail(value: Any, numerator: Any, denominator: Any) -> Any:
    """Chance that an F variable exceeds ``value``; 1 below zero.

    Examples
    --------
    >>> round(float(f_tail(4.964603, 1, 10)), 6)
    0.05
    """
    return special.fdtrc(numerator, denominator, np.maximum(value, 0.0))


def beta_quantile(share: Any, a: Any, b: Any) -> Any:
    """Value that a beta variable stays below with chance ``share``."""
    return special.betaincinv(a, b, share)


def exact_interval(count: int, n: int, confidence: float) -> tuple[float, float]:
    """Limits of a proportion, ``count`` of ``n``, by the exact method.

    References
    ----------
    Clopper CJ, Pearson ES (1934). The use of confidence or fiducial limits illustrated in
    the case of the binomial. Biometrika 26, 404-413.

    Examples
    --------
    >>> [round(limit, 4) for limit in exact_interval(9, 10, 0.95)]
    [0.555, 0.9975]
    """
    tail = 0.5 - confidence / 2.0
    low = 0.0 if count == 0 else float(beta_quantile(tail, count, n - count + 1))
    high = 1.0 if count == n else float(beta_quantile(1.0 - tail, count + 1, n - count))
    return low, high


def wilson_interval(count: int, n: int, confidence: float) -> tuple[float, float]:
    """Limits of a proportion, ``count`` of ``n``, from the score test.

    References
    ----------
    Wilson EB (1927). Probable inference, the law of succession, and statistical inference.
    Journal of the American Statistical Association 22, 209-212.

    Examples
    --------
    >>> [round(limit, 4) for limit in wilson_interval(9, 10, 0.95)]
    [0.5958, 0.9821]
    """
    z2 = float(normal_quantile(0.5 + confidence / 2.0)) ** 2
    share = count / n
    centre = (share + z2 / (2.0 * n)) / (1.0 + z2 / n)
    half = float(np.sqrt(z2 * (share * (1.0 - share) + z2 / (4.0 * n)) / n)) / (1.0 + z2 / n)
    # At the ends the limit is the share itself, which rounding may miss.
    return 0.0 if count == 0 else centre - half, 1.0 if count == n else centre + half
