"""Where the confidence bound of a straight line meets a limit: shelf life on a measured scale."""

from __future__ import annotations

import numpy as np

from outcomes.models.distributions import student_quantile

_ROUNDING = 1e-9
_FLAT = 1e-200  # below, a division overflows


def bound_meets_limit(
    beta: np.ndarray,
    cov: np.ndarray,
    freedom: float,
    limit: float,
    confidence: float,
) -> float | None:
    """The first x at or above 0 at which the one-sided bound of the line meets the limit.

    The lower bound of a line that starts above the limit, the upper of one that starts below.

    Parameters
    ----------
    beta
        Intercept and slope, shape (2,).
    cov
        Their covariance, shape (2, 2).
    freedom
        Degrees of freedom for Student's t.
    limit
        On the scale of the line.
    confidence
        One-sided, 0.95 by custom.

    Returns
    -------
    float or None
        0 where the bound is past the limit from the first; None where it never meets it.

    References
    ----------
    ICH (2003). Q1E: Evaluation of stability data, section 2.4 and appendix B.
    Fieller EC (1954). Some problems in interval estimation. JRSS B 16, 175-185.

    Examples
    --------
    A line known without error, 100 - 0.5 x:

    >>> bound_meets_limit(np.array([100.0, -0.5]), np.zeros((2, 2)), 20.0, 95.0, 0.95)
    10.0
    """
    t = float(student_quantile(confidence, freedom))
    above = float(np.sign(beta[0] - limit))
    start, slope = float(beta[0] - limit), float(beta[1])
    if above == 0.0 or above * start <= t * np.sqrt(cov[0, 0]):
        return 0.0
    # (start + slope x)² = t² (v00 + 2 v01 x + v11 x²), where the line is still on its side.
    square = slope**2 - t**2 * cov[1, 1]
    middle = 2.0 * (start * slope - t**2 * cov[0, 1])
    rest = start**2 - t**2 * cov[0, 0]
    if abs(square) < _FLAT and abs(middle) < _FLAT:
        return None  # a line so flat meets nothing
    if square == 0.0:
        roots = [-rest / middle]
    else:
        under = middle**2 - 4.0 * square * rest
        if under < -_ROUNDING * middle**2:
            return None
        # A line known all but without error meets it once, and rounding decides the sign.
        reach = float(np.sqrt(max(under, 0.0)))
        roots = sorted((-middle + side * reach) / (2.0 * square) for side in (-1.0, 1.0))
    met = [
        float(x)
        for x in roots
        if x > 0.0 and above * (start + slope * x) >= -_ROUNDING * abs(start)
    ]
    return met[0] if met else None
