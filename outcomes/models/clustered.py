"""Logistic models without random effects, whose errors allow for clusters of trials.

What the question needs is which errors, how many clusters they rest on, and a plain
reason where a model cannot be fitted. The averages over clusters (GEE) are a thin tie to
statsmodels; logistic regression is not, for loading that takes longer than a figure may.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from scipy import special

from outcomes.errors import FitError
from outcomes.models.newton import maximise
from outcomes.models.separation import start_without_effects

_MOST_WORK = 1e9
"""Multiplications behind one value of a conditional likelihood: about two seconds."""
_NOTHING = 60.0  # exp(-60) of a sum is far below what rounding takes from it
_MOST_AT_ONCE = 2_000_000
_LEVEL_HALVINGS = 60
_MOST_IN_CLUSTER = 1_000  # bias-reduced errors invert a square of this side for every cluster
_HOPELESS_STD_ERROR = 1e3
_MOST_LOG_ODDS = 15.0  # on the scale of a standard deviation: the maximum lies at infinity
_SEPARATED = "finds and misses are separated too cleanly to put a size on the effects"
_Result = TypeVar("_Result")


@dataclass(frozen=True, slots=True)
class ClusteredFit:
    """Estimates whose errors allow for clusters.

    Attributes
    ----------
    beta, cov
        Shape (p,) and (p, p), in the order of the columns handed over.
    freedom
        Degrees of freedom for Student's t: clusters - 1.
    n, clusters
        Trials used, and the clusters they fall in.
    correlation
        Within clusters, where the model has one; else None.
    errors
        Which errors these are, in words.
    """

    beta: np.ndarray
    cov: np.ndarray
    freedom: float
    n: int
    clusters: int
    correlation: float | None
    errors: str


def fit_clustered(
    y: np.ndarray,
    x: np.ndarray,
    clusters: np.ndarray,
    second: np.ndarray | None = None,
) -> ClusteredFit:
    """Fit a logistic regression with errors clustered in one way or in two.

    The covariance is multiplied by G / (G - 1) · (n - 1) / (n - p) for G
    clusters (with two ways, for each part of the sum), and judged against
    Student's t with G - 1 degrees of freedom (the fewer clusters of two ways).

    Parameters
    ----------
    y
        Outcomes 0 or 1, shape (n,). No missing values.
    x
        Design, shape (n, p), with its constant. No missing values.
    clusters, second
        Label of each row, shape (n,).

    Returns
    -------
    ClusteredFit

    Raises
    ------
    FitError
        No finite maximum, fewer than two clusters, or no usable errors.

    References
    ----------
    Cameron AC, Gelbach JB, Miller DL (2011). Robust inference with multiway
    clustering. Journal of Business & Economic Statistics 29, 238-249.
    """
    codes = [pd.factorize(labels)[0] for labels in (clusters, second) if labels is not None]
    counts = [int(c.max()) + 1 for c in codes]
    if min(counts) < 2:
        raise FitError("a single cluster says nothing about the spread between clusters")
    beta = start_without_effects(y, x)
    if beta is None:
        raise FitError(_SEPARATED)
    _check_finite(beta, x)
    mean = special.expit(x @ beta)
    try:
        bread = np.linalg.inv(x.T @ (x * (mean * (1.0 - mean))[:, None]))
    except np.linalg.LinAlgError:
        raise FitError("a term carries the same information as others") from None
    scores = x * (y - mean)[:, None]
    beta, cov = _usable(beta, sandwich(bread, scores, codes))
    ways = "clustered" if second is None else "clustered in two ways"
    return ClusteredFit(beta, cov, float(min(counts) - 1), len(y), counts[0], None, ways)


def sandwich(bread: np.ndarray, scores: np.ndarray, codes: Sequence[np.ndarray]) -> np.ndarray:
    """Covariance (p, p) from scores (n, p), clustered by one or by two sets of codes (n,)."""
    spread = sum(_between(scores, c) for c in codes)
    if len(codes) == 2:
        spread = spread - _between(scores, codes[0] * (codes[1].max() + 1) + codes[1])
    return np.asarray(bread @ spread @ bread)


def _between(scores: np.ndarray, labels: np.ndarray) -> np.ndarray:
    """Spread of the summed scores of each cluster, with the factor for few clusters."""
    n, p = scores.shape
    levels, codes = np.unique(labels, return_inverse=True)
    g = len(levels)
    sums = np.zeros((g, p))
    np.add.at(sums, codes, scores)
    return np.asarray(sums.T @ sums * (g / (g - 1) * (n - 1) / (n - p)))


def fit_gee(y: np.ndarray, x: np.ndarray, clusters: np.ndarray) -> ClusteredFit:
    """Fit a logistic model of population averages, outcomes of a cluster being alike.

    Generalised estimating equations with one (exchangeable) correlation within
    clusters. Where that has no solution (a correlation below the least that large
    clusters can have), trials are weighted as if unrelated; the errors allow for
    clusters all the same, and ``correlation`` is None. Errors are corrected for few clusters;
    plain robust ones where a cluster has more than 1,000 trials.

    Parameters
    ----------
    y, x, clusters
        As for :func:`fit_clustered`.

    Raises
    ------
    FitError
        The equations have no usable solution.

    References
    ----------
    Liang KY, Zeger SL (1986). Longitudinal data analysis using generalized
    linear models. Biometrika 73, 13-22.
    Mancl LA, DeRouen TA (2001). A covariance estimator for GEE with improved
    small-sample properties. Biometrics 57, 126-134.
    """
    codes = pd.factorize(clusters)[0]
    counts = np.bincount(codes)
    if len(counts) < 2:
        raise FitError("a single cluster says nothing about the spread between clusters")
    reduced = int(counts.max()) <= _MOST_IN_CLUSTER
    from statsmodels.genmod import cov_struct, families
    from statsmodels.genmod.generalized_estimating_equations import GEE

    alike = cov_struct.Exchangeable()

    def run(structure: Any) -> Any:
        model = GEE(y, x, groups=codes, family=families.Binomial(), cov_struct=structure)
        return model.fit(cov_type="bias_reduced" if reduced else "robust")

    correlation: float | None = None
    try:
        found = _without_warnings(lambda: run(alike))
        correlation = float(np.squeeze(alike.dep_params))
    except FitError:
        found = _without_warnings(lambda: run(cov_struct.Independence()))
    _check_finite(found.params, x)
    beta, cov = _usable(found.params, found.cov_params())
    return ClusteredFit(
        beta=beta,
        cov=cov,
        freedom=float(len(counts) - 1),
        n=len(y),
        clusters=len(counts),
        correlation=correlation,
        errors="bias-reduced" if reduced else "robust",
    )


def fit_conditional(y: np.ndarray, x: np.ndarray, strata: np.ndarray) -> ClusteredFit:
    """Fit a logistic model within strata, whatever the level of each stratum.

    Strata with finds alone or misses alone say nothing and are left out. The
    exact likelihood, by recursion over the trials of a stratum; the rarer
    outcome is counted as the event, which gives the same likelihood sooner.

    Parameters
    ----------
    y
        Outcomes 0 or 1, shape (n,).
    x
        Columns that vary within strata, shape (n, p), without a constant.
    strata
        Label of each row, shape (n,).

    Raises
    ------
    FitError
        No stratum has both outcomes, there are too many trials a stratum, or
        there is no finite maximum.

    References
    ----------
    Breslow NE, Day NE (1980). Statistical Methods in Cancer Research, vol. 1:
    The Analysis of Case-Control Studies, ch. 7. IARC, Lyon.
    Hong Y (2013). On computing the distribution function for the Poisson binomial
    distribution. Computational Statistics & Data Analysis 59, 41-51, for the
    characteristic function.
    """
    codes = pd.factorize(strata)[0]
    size, events = np.bincount(codes), np.bincount(codes, weights=y)
    mixed = ((events > 0) & (events < size))[codes]
    if not mixed.any():
        raise FitError("no source has both finds and misses, so none can be compared with itself")
    y, x, codes = y[mixed], x[mixed], pd.factorize(codes[mixed])[0]
    size, events = np.bincount(codes), np.bincount(codes, weights=y)
    # Half the variance that a stratum has before anything is known of its trials.
    variance = events * (size - events) / size / 2.0
    points = (len(_frequencies(n, v)) for n, v in zip(size.tolist(), variance, strict=True))
    if float(size @ np.fromiter(points, dtype=float)) * x.shape[1] > _MOST_WORK:
        raise FitError("too many trials a source: this likelihood would take too long")
    scale = x.std(axis=0)
    if np.any(scale == 0.0):
        raise FitError("a term does not vary within sources that have both finds and misses")
    centred = (x - x.mean(axis=0)) / scale
    groups = [np.flatnonzero(codes == code) for code in range(len(size))]
    found, spread = _maximise(y, centred, groups)
    beta, cov = _usable(found / scale, spread / np.outer(scale, scale))
    return ClusteredFit(
        beta, cov, float(max(len(groups) - 1, 1)), len(y), len(groups), None, "likelihood"
    )


def _maximise(
    y: np.ndarray, x: np.ndarray, groups: Sequence[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """Estimates and covariance."""
    try:
        best = maximise(lambda beta: _conditional(beta, y, x, groups), np.zeros(x.shape[1]))
    except FitError:
        raise FitError(_SEPARATED) from None
    _check_finite(best.at, None)
    return best.at, best.covariance()


def _conditional(
    beta: np.ndarray, y: np.ndarray, x: np.ndarray, groups: Sequence[np.ndarray]
) -> tuple[float, np.ndarray, np.ndarray]:
    """Conditional log-likelihood, its gradient and its information.

    For a stratum with d events, the sum over all choices of d of its trials
    of the product of their odds is the probability of d events among independent
    trials, but for a factor. It and its two derivatives come from the characteristic
    function of their number, at as many frequencies as matter.
    """
    p = x.shape[1]
    value, score, information = float(y @ x @ beta), y @ x, np.zeros((p, p))
    for rows in groups:
        events, trials = int(y[rows].sum()), len(rows)
        # Only differences within a stratum count: with this added to each, as many events are
        # expected as there were, and their probability is far above what rounding takes.
        eta = x[rows] @ beta
        added = _level(eta, events)
        event = special.expit(eta + added)
        turns = _frequencies(trials, float(event @ (1.0 - event)))
        sums = np.zeros((p, p), dtype=complex)
        total, first, alone = 0.0, np.zeros(p), np.zeros(trials)
        for part in np.array_split(turns, len(turns) * trials // _MOST_AT_ONCE + 1):
            factors = 1.0 + event * (part[:, None] - 1.0)
            # They come in pairs, one the conjugate of the other, but for the first.
            weight = np.prod(factors, axis=1) * part ** (-events) * np.where(part == 1.0, 1.0, 2.0)
            share = event * part[:, None] / factors
            summed = share @ x[rows]
            total += float(weight.real.sum())
            first += (weight @ summed).real
            alone += (weight @ (share * (1.0 - share))).real
            sums += summed.T @ (weight[:, None] * summed)
        mean = first / total
        second = sums.real + (x[rows].T * alone) @ x[rows]
        softplus = np.logaddexp(0.0, eta + added).sum()
        value -= float(np.log(total / (trials + 1 + trials % 2)) + softplus) - events * added
        score = score - mean
        information += second / total - np.outer(mean, mean)
    return value, score, information


def _frequencies(trials: int, variance: float) -> np.ndarray:
    """Points on the unit circle at which the number of events has a transform that matters.

    At an angle a it is at most exp(-variance · (1 - cos a)). An odd number of points, so that
    none makes a factor of the transform zero.
    """
    points = trials + 1 + trials % 2
    reach = 1.0 - _NOTHING / max(variance, _NOTHING / 2.0)
    last = int(np.arccos(reach) * points / (2.0 * np.pi)) + 1
    return np.asarray(np.exp(2j * np.pi * np.arange(min(last, points // 2) + 1) / points))


def _level(eta: np.ndarray, events: int) -> float:
    """What to add to the log-odds so that as many events are expected as there were."""
    centre = float(special.logit(events / len(eta)))
    low, high = centre - float(eta.max()), centre - float(eta.min())
    for _ in range(_LEVEL_HALVINGS):
        middle = (low + high) / 2.0
        if special.expit(eta + middle).sum() < events:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def _without_warnings(run: Callable[[], _Result]) -> _Result:
    """A library's answer, or a reason in words where it warns that there is none."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        # Deprecations say nothing about the fit.
        for harmless in (FutureWarning, DeprecationWarning, PendingDeprecationWarning):
            warnings.simplefilter("ignore", harmless)
        try:
            return run()
        except (Warning, ValueError, ArithmeticError, np.linalg.LinAlgError) as trouble:
            first = str(trouble).splitlines()[0][:100] if str(trouble) else "no maximum"
            raise FitError(f"the model could not be fitted ({first})") from trouble


def _check_finite(beta: np.ndarray, x: np.ndarray | None) -> None:
    spread = np.ones(len(beta)) if x is None else x.std(axis=0)
    if not np.all(np.isfinite(beta)) or np.any(np.abs(beta) * spread > _MOST_LOG_ODDS):
        raise FitError(_SEPARATED)


def _usable(beta: np.ndarray, cov: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    beta, cov = np.asarray(beta, dtype=float), np.asarray(cov, dtype=float)
    variances = np.diag(cov)
    if not np.all(np.isfinite(cov)) or variances.max() > _HOPELESS_STD_ERROR**2:
        raise FitError("the errors of the estimates could not be computed")
    return beta, cov
