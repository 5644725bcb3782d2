"""How long a typical dog searches, by cycles or by age, and what was observed."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import UNLOGGED, unlogged_days
from outcomes.analysis.searches.design import Conditions
from outcomes.exposure.cycles_and_age import CYCLES, CYCLES_AND_AGE, ExposureName
from outcomes.models.aft import AcceleratedFit
from outcomes.models.distributions import normal_quantile, student_quantile
from outcomes.models.survival import product_limit

POINTS = 41
MOST_BINS = 6
LEAST_IN_BIN = 40
THIN_SOURCES = 3


@dataclass(frozen=True, slots=True)
class ObservedMedian:
    """Searches whose exposure lies in [low, high]: time by which half had found (Kaplan-Meier).

    ``median_s`` and its limits (log-log, pointwise) are None where not reached.
    """

    low: float
    high: float
    mean: float
    n: int
    finds: int
    sources: int
    median_s: float | None
    median_low: float | None
    median_high: float | None


@dataclass(frozen=True, slots=True)
class SearchTimePoint:
    """Median search time, seconds, at one exposure, with pointwise limits.

    ``thin``: fewer than 3 sources were observed at or beyond it.
    """

    at: float
    median_s: float
    low: float
    high: float
    thin: bool


@dataclass(frozen=True, slots=True)
class SearchTimeCurve:
    """Median search time of a typical dog against one exposure.

    Attributes
    ----------
    exposure
        ``"cycles"`` or ``"age_days"``.
    points
        From the lowest exposure observed to the highest: seconds by which half
        the searches have ended in a find, with limits at ``confidence``.
    confidence
        Of the limits.
    observed
        Medians of trials grouped along the exposure, whatever else was theirs.
    held
        What was held fixed while the exposure varied.
    """

    exposure: ExposureName
    points: tuple[SearchTimePoint, ...]
    confidence: float
    observed: tuple[ObservedMedian, ...]
    held: str


def search_time_curve(
    chosen: Conditions, fit: AcceleratedFit, dogs: int, alpha: float, freedom: int
) -> SearchTimeCurve | None:
    """Read the median search time off a fitted accelerated failure-time model.

    The dog is the average of the dogs' constants on the log scale, the source
    one without an effect of its own, and every other term is at its mean.

    Parameters
    ----------
    chosen
        Trials (with ``time_s``) and terms of the model.
    fit
        The model, its columns the terms and then one constant per dog.
    dogs
        Number of those constants.
    alpha, freedom
        1 minus the confidence of the limits, and degrees of freedom of their t.

    Returns
    -------
    SearchTimeCurve or None
        Along cycles, or age where cycles are not among the terms; None without
        either.
    """
    terms = [column.term for column in chosen.columns]
    exposure = next((e for e in CYCLES_AND_AGE if e in terms), None)
    if exposure is None:
        return None
    place = terms.index(exposure)
    values = chosen.trials[exposure].to_numpy(dtype=float)
    at = _grid(values, whole=exposure == CYCLES.name)
    p = len(chosen.columns)
    scale = float(np.exp(fit.log_scale))
    middle = float(np.log(np.log(2.0))) if fit.family == "Weibull" else 0.0
    gradient = np.zeros((len(at), p + dogs + 1))
    gradient[:, place] = (at - values.mean()) / CYCLES_AND_AGE[exposure].divisor
    held = "the average dog, a source of no effect of its own, other terms at their means"
    unlogged = next((j for j, c in enumerate(chosen.columns) if c.term == UNLOGGED), None)
    if unlogged is not None:
        # Terms are centred: of a source logged from the start.
        gradient[:, unlogged] = -float(unlogged_days(chosen.trials[UNLOGGED]).mean()) / 30.0
        held += ", logged from the start"
    gradient[:, p : p + dogs] = 1.0 / dogs
    gradient[:, -1] = scale * middle
    log_median = gradient[:, :-1] @ fit.beta + scale * middle
    error = np.sqrt(np.einsum("ij,jk,ik->i", gradient, fit.cov, gradient))
    reach = float(student_quantile(1.0 - alpha / 2.0, freedom)) * error
    reached = chosen.trials.groupby("source_id")[exposure].max().to_numpy(dtype=float)
    median, low, high = (np.exp(v) for v in (log_median, log_median - reach, log_median + reach))
    thin = (reached[None, :] >= at[:, None]).sum(axis=1) < THIN_SOURCES
    return SearchTimeCurve(
        exposure=exposure,
        points=tuple(
            SearchTimePoint(float(x), float(m), float(lo), float(hi), bool(few))
            for x, m, lo, hi, few in zip(at, median, low, high, thin, strict=True)
        ),
        confidence=1.0 - alpha,
        observed=observed_medians(chosen.trials, exposure, alpha),
        held=held,
    )


def observed_medians(
    trials: pd.DataFrame, exposure: str, alpha: float
) -> tuple[ObservedMedian, ...]:
    """Group trials along an exposure and take each group's median search time.

    Parameters
    ----------
    trials
        With ``time_s``, ``result``, ``source_id`` and the exposure; a miss is
        censored at its time.
    exposure
        Name of the column.
    alpha
        1 minus the confidence of the limits.

    Returns
    -------
    tuple of ObservedMedian
        At most 6 groups of 40 trials or more; trials alike in the exposure
        stay together.
    """
    ordered = trials.sort_values(exposure, kind="stable")
    values = ordered[exposure].to_numpy(dtype=float)
    size = max(LEAST_IN_BIN, -(-len(values) // MOST_BINS))
    edges = [0]
    for end in range(1, len(values) + 1):
        parted = end == len(values) or values[end] > values[end - 1]
        if parted and end - edges[-1] >= size and (len(values) - end >= size or end == len(values)):
            edges.append(end)
    if edges[-1] != len(values):
        edges.append(len(values))
    return tuple(
        _observed(ordered.iloc[begin:end], values[begin:end], alpha)
        for begin, end in pairwise(edges)
        if end > begin
    )


def _observed(own: pd.DataFrame, values: np.ndarray, alpha: float) -> ObservedMedian:
    time = own["time_s"].to_numpy(dtype=float)
    found = (own["result"] == "find").to_numpy()
    median: tuple[float | None, float | None, float | None] = (None, None, None)
    if found.any():
        curve = product_limit(time, found)
        inner = (curve.probability > 0) & (curve.probability < 1)
        width = np.zeros(len(curve.probability))
        z = float(normal_quantile(1.0 - alpha / 2.0))
        s = curve.probability[inner]
        width[inner] = z * curve.std_error[inner] / (s * np.abs(np.log(s)))
        with np.errstate(over="ignore"):
            lower = curve.probability ** np.exp(width)
            upper = curve.probability ** np.exp(-width)
        median = (
            _first_at_half(curve.times, curve.probability),
            _first_at_half(curve.times, lower),
            _first_at_half(curve.times, upper),
        )
    return ObservedMedian(
        low=float(values[0]),
        high=float(values[-1]),
        mean=float(values.mean()),
        n=len(own),
        finds=int(found.sum()),
        sources=int(own["source_id"].nunique()),
        median_s=median[0],
        median_low=median[1],
        median_high=median[2],
    )


def _first_at_half(times: np.ndarray, curve: np.ndarray) -> float | None:
    at = np.flatnonzero(curve <= 0.5 + 1e-12)
    return float(times[at[0]]) if len(at) else None


def _grid(values: np.ndarray, *, whole: bool) -> np.ndarray:
    low, high = float(values.min()), float(values.max())
    if whole and high - low < POINTS:
        return np.arange(np.floor(low), np.floor(high) + 1.0)
    return np.linspace(low, high, POINTS)
