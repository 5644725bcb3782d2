"""Risk-adjusted cumulative sums of misses: the score of a trial, the chart, and its limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

_CHARTS = 4000  # simulated, for the limit


def miss_scores(expected: np.ndarray, missed: np.ndarray, odds_ratio: float) -> np.ndarray:
    """How far each result speaks for odds of a miss raised ``odds_ratio`` times.

    Parameters
    ----------
    expected
        Probability of a miss if nothing has changed, shape (n,).
    missed
        True where the trial was a miss, shape (n,).
    odds_ratio
        The change looked for; above 1.

    Returns
    -------
    numpy.ndarray
        Logarithm of the likelihood ratio, shape (n,): above 0 for a miss, the
        more the less it was expected; below 0 for a find.

    References
    ----------
    Steiner, S. H., Cook, R. J., Farewell, V. T. and Treasure, T. (2000).
    Monitoring surgical performance using risk-adjusted cumulative sum charts.
    *Biostatistics* 1, 441-452.

    Examples
    --------
    >>> miss_scores(np.array([0.5]), np.array([True]), 2.0).round(4)
    array([0.2877])
    """
    raised = 1.0 - expected + odds_ratio * expected
    return np.asarray(np.where(missed, np.log(odds_ratio), 0.0) - np.log(raised))


def chart_values(scores: np.ndarray) -> np.ndarray:
    """Values of the chart: each the sum so far, never below zero.

    Parameters
    ----------
    scores
        In order of time along the last axis, shape (..., n).

    Returns
    -------
    numpy.ndarray
        Shape as ``scores``.

    Examples
    --------
    >>> chart_values(np.array([-1.0, 2.0, -0.5, -3.0]))
    array([0. , 2. , 1.5, 0. ])
    """
    total = np.cumsum(scores, axis=-1)
    lowest = np.minimum(np.minimum.accumulate(total, axis=-1), 0.0)
    return np.asarray(total - lowest)


@dataclass(frozen=True, slots=True)
class Healthy:
    """What trials are like while nothing changes, for finding the limit of a chart.

    Attributes
    ----------
    log_odds
        Of a find, per trial of the baseline, in order, shape (n,).
    expected
        Probability of a miss by which the chart scores it, shape (n,).
    block
        Code from 0 of trials that belong together (one source in one session,
        say), shape (n,), rising without gaps.
    chart_sd
        Standard deviation, log-odds, of what one whole chart has in common
        and the model does not.
    block_sd
        Standard deviation, log-odds, of what a block has in common.
    """

    log_odds: np.ndarray
    expected: np.ndarray
    block: np.ndarray
    chart_sd: float
    block_sd: float


def simulate_misses(
    healthy: Healthy, trials: int, charts: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Results of trials while nothing changes.

    Parameters
    ----------
    healthy
        What they are like: blocks are drawn from it, with replacement.
    trials
        Length of each chart.
    charts
        Number of charts.
    rng
        Where chance comes from.

    Returns
    -------
    missed, expected
        Whether each trial is a miss, and the probability by which the chart
        scores it; shape (charts, trials) each.
    """
    size = np.bincount(healthy.block)
    begins = np.cumsum(size) - size
    drawn = rng.integers(0, len(size), (charts, trials))
    shared = rng.normal(0.0, healthy.block_sd, (charts, trials))
    whole = rng.normal(0.0, healthy.chart_sd, (charts, 1))
    ends = np.cumsum(size[drawn], axis=1)
    place = np.arange(trials)
    # Which of the drawn blocks each trial falls into: all charts laid end to end, far apart.
    apart = np.arange(charts)[:, None] * (int(ends.max()) + trials + 1)
    nth = np.searchsorted((ends + apart).ravel(), (place + apart).ravel(), side="right")
    nth = nth.reshape(charts, trials) - np.arange(charts)[:, None] * trials
    rows = np.arange(charts)[:, None]
    within = place[None, :] - (ends - size[drawn])[rows, nth]
    trial = begins[drawn[rows, nth]] + within
    log_odds = healthy.log_odds[trial] + whole + shared[rows, nth]
    missed = rng.random((charts, trials)) >= expit(log_odds)
    return np.asarray(missed), np.asarray(healthy.expected[trial])


def simulate_highest(
    healthy: Healthy, odds_ratio: float, trials: int, charts: int, rng: np.random.Generator
) -> np.ndarray:
    """Highest value that charts reach while nothing changes.

    Parameters
    ----------
    healthy, trials, charts, rng
        As in :func:`simulate_misses`.
    odds_ratio
        As in :func:`miss_scores`.

    Returns
    -------
    numpy.ndarray
        Shape (charts,).
    """
    missed, expected = simulate_misses(healthy, trials, charts, rng)
    return np.asarray(chart_values(miss_scores(expected, missed, odds_ratio)).max(axis=1))


def limit_for(
    healthy: Healthy,
    odds_ratio: float,
    false_call: float,
    trials: int,
    rng: np.random.Generator,
) -> float:
    """Limit that a chart on which nothing changes passes as often as stated.

    Parameters
    ----------
    healthy, odds_ratio, trials
        As in :func:`simulate_highest`.
    false_call
        Share of such charts that may pass it within ``trials``.
    rng
        Draws the charts.

    Returns
    -------
    float
        The lowest value that at most that share of the simulated charts goes beyond.
    """
    highest = simulate_highest(healthy, odds_ratio, trials, _CHARTS, rng)
    return float(np.quantile(highest, 1.0 - false_call, method="higher"))
