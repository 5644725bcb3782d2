"""Estimates of several units summarised as normal ones: a random-effects meta-analysis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import optimize

from outcomes.models.distributions import chi_square_tail, student_quantile

SpreadBy = Literal["REML", "DerSimonian-Laird", "Paule-Mandel"]
SPREADS_BY: tuple[SpreadBy, ...] = ("REML", "DerSimonian-Laird", "Paule-Mandel")


@dataclass(frozen=True, slots=True)
class CombinedEstimate:
    """The mean of several estimates that may differ by more than their errors.

    Attributes
    ----------
    units
        Number of estimates.
    estimate, std_error
        Weighted mean, and its error as the weights have it.
    hartung_knapp_error
        Its error as the estimates themselves scatter (Hartung and Knapp).
    low, high
        By that error and Student's t with ``units`` - 1 degrees of freedom.
    variance
        Between units, beyond the errors.
    heterogeneity, heterogeneity_p
        Cochran's Q and its p-value.
    """

    units: int
    estimate: float
    std_error: float
    hartung_knapp_error: float
    low: float
    high: float
    variance: float
    heterogeneity: float
    heterogeneity_p: float


def combine_estimates(
    estimates: np.ndarray,
    errors: np.ndarray,
    spread_by: SpreadBy = "REML",
    confidence: float = 0.95,
) -> CombinedEstimate:
    """Combine estimates of several units.

    Parameters
    ----------
    estimates, errors
        One per unit with its standard error, shape (k,); no missing values.
    spread_by
        How the variance between units is found.
    confidence
        Of the limits, two-sided.

    Raises
    ------
    ValueError
        Fewer than two units, or an error that is not positive.

    References
    ----------
    DerSimonian R, Laird N (1986). Meta-analysis in clinical trials. Controlled Clinical Trials
    7, 177-188. Paule RC, Mandel J (1982). Consensus values and weighting factors. Journal of
    Research of the National Bureau of Standards 87, 377-385. Viechtbauer W (2005). Bias and
    efficiency of meta-analytic variance estimators in the random-effects model. Journal of
    Educational and Behavioral Statistics 30, 261-293, for REML. Knapp G, Hartung J (2003).
    Improved tests for a random effects meta-regression with a single covariate. Statistics in
    Medicine 22, 2693-2710.

    Examples
    --------
    >>> one = combine_estimates(np.array([-0.5, -0.7, -0.6]), np.array([0.2, 0.2, 0.2]))
    >>> round(one.estimate, 3), one.variance
    (-0.6, 0.0)
    """
    y, own = np.asarray(estimates, dtype=float), np.asarray(errors, dtype=float)
    v = own**2
    if len(y) < 2 or not (own > 0.0).all():
        raise ValueError("two units or more, each with an error above zero")
    fixed = 1.0 / v
    about = float((fixed * (y - (fixed @ y) / fixed.sum()) ** 2).sum())
    if spread_by == "REML":
        variance = _reml(y, v)
    elif spread_by == "Paule-Mandel":
        variance = _paule_mandel(y, v)
    else:
        variance = _dersimonian_laird(y, v, about)
    weight = 1.0 / (v + variance)
    mean = float(weight @ y / weight.sum())
    scatter = float((weight * (y - mean) ** 2).sum()) / (len(y) - 1)
    error = float(np.sqrt(scatter / weight.sum()))
    half = float(student_quantile(0.5 + confidence / 2.0, len(y) - 1)) * error
    return CombinedEstimate(
        units=len(y),
        estimate=mean,
        std_error=float(1.0 / np.sqrt(weight.sum())),
        hartung_knapp_error=error,
        low=mean - half,
        high=mean + half,
        variance=variance,
        heterogeneity=about,
        heterogeneity_p=float(chi_square_tail(about, len(y) - 1)),
    )


def _dersimonian_laird(y: np.ndarray, v: np.ndarray, about: float) -> float:
    weight = 1.0 / v
    expected = float(weight.sum() - (weight**2).sum() / weight.sum())
    return max((about - (len(y) - 1)) / expected, 0.0)


def _paule_mandel(y: np.ndarray, v: np.ndarray) -> float:
    """The variance at which the weighted squares are what they are expected to be."""

    def beyond(variance: float) -> float:
        weight = 1.0 / (v + variance)
        mean = weight @ y / weight.sum()
        return float((weight * (y - mean) ** 2).sum()) - (len(y) - 1)

    if beyond(0.0) <= 0.0:
        return 0.0
    most = float(np.ptp(y)) ** 2
    while beyond(most) > 0.0:
        most *= 2.0
    return float(optimize.brentq(beyond, 0.0, most, xtol=1e-12))


def _reml(y: np.ndarray, v: np.ndarray) -> float:
    """Variance between units by restricted maximum likelihood, which no library here has."""

    def lost(variance: float) -> float:
        weight = 1.0 / (v + variance)
        mean = weight @ y / weight.sum()
        squares = float((weight * (y - mean) ** 2).sum())
        return 0.5 * float(np.log(v + variance).sum() + np.log(weight.sum()) + squares)

    most = 4.0 * float(np.var(y, ddof=1)) + 4.0 * float(v.min())
    grid = np.linspace(0.0, 1.0, 60) ** 2 * most
    k = int(np.argmin([lost(g) for g in grid]))
    ends = grid[max(k - 1, 0)], grid[min(k + 1, len(grid) - 1)]
    found = optimize.minimize_scalar(lost, bounds=ends, method="bounded", options={"xatol": 1e-10})
    best = float(found.x)
    return best if lost(best) < lost(0.0) - 1e-10 else 0.0
