"""Risk-adjusted cumulative sums of misses: the score of a trial, the chart, and its limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

CHARTS = 600  # simulated, for the limit of one chart


def miss_scores(expected: np.ndarray, missed: np.ndarray, odds_ratio: float) -> np.ndarray:
    """How far each result speaks for odds of a miss raised ``odds_ratio`` times.

    Parameters
    ----------
    expected
        Probability of a miss if nothing has changed, shape (n,).
    missed
        True where the trial was a miss, shape (..., n).
    odds_ratio
        The change looked for; above 1.

    Returns
    -------
    numpy.ndarray
        Logarithm of the likelihood ratio, shape (..., n): above 0 for a miss, the
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


ALIKE = 1e-9  # a chart passes a limit by more than what machines differ by in its sums


@dataclass(frozen=True, slots=True)
class Charted:
    """Trials of one chart, and what chance makes of them.

    Attributes
    ----------
    log_odds
        Of a find, but for what is open about the one charted, in order of time, shape (n,).
    expected
        Probability of a miss by which the chart scores it, shape (n,).
    block
        Code from 0 of trials that belong together (one session, or one hide), shape (n,).
    block_sd
        Standard deviation, log-odds, of what a block has in common.
    effects
        Draws of what is open about the one charted, log-odds, shape (runs,).
    """

    log_odds: np.ndarray
    expected: np.ndarray
    block: np.ndarray
    block_sd: float
    effects: np.ndarray


def simulate_highest(
    charted: Charted, odds_ratio: float, shift: float, rng: np.random.Generator
) -> np.ndarray:
    """Highest value that the chart reaches in runs by chance.

    Parameters
    ----------
    charted
        Its trials.
    odds_ratio
        As in :func:`miss_scores`.
    shift
        Added to the log-odds of a find throughout; 0 while nothing changes.
    rng
        Where chance comes from.

    Returns
    -------
    numpy.ndarray
        Shape (runs,).
    """
    runs = len(charted.effects)
    shared = rng.normal(0.0, 1.0, (runs, int(charted.block.max()) + 1)) * charted.block_sd
    log_odds = charted.log_odds + charted.effects[:, None] + shared[:, charted.block] + shift
    missed = rng.random(log_odds.shape) >= expit(log_odds)
    scores = miss_scores(charted.expected, missed, odds_ratio)
    return np.asarray(chart_values(scores).max(axis=1))


def limit_for(
    charted: Charted, odds_ratio: float, false_call: float, rng: np.random.Generator
) -> tuple[float, float]:
    """Limit that the chart passes as often as stated while nothing changes.

    Parameters
    ----------
    charted, odds_ratio, rng
        As in :func:`simulate_highest`.
    false_call
        Share of runs that may pass it.

    Returns
    -------
    limit, passing
        The lowest value that at most that share of the runs goes beyond, and their share.
    """
    highest = simulate_highest(charted, odds_ratio, 0.0, rng)
    limit = float(np.quantile(highest, 1.0 - false_call, method="higher"))
    limit = max(limit, float(np.log(odds_ratio)))  # one miss alone, however rare, passes no limit
    return limit, float((highest > limit + ALIKE).mean())
