"""Power of a layout of pairs: by formula for the search, by simulation for the promise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats
from scipy.special import expit

from outcomes.errors import FitError
from outcomes.models.assigned_by_lot import PairedTrials, pair_parts, t_of_parts
from outcomes.planning.document import Rates

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(31)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
DAYS_OF_TIME = 50.0  # the column of time, so that its size is that of the others


@dataclass(frozen=True, slots=True, kw_only=True)
class Hides:
    """Hide trials of a layout of pairs, a row each.

    Attributes
    ----------
    day, dog, pair, side
        Shape (n,): day of the plan, codes of dog and pair, and which member of the pair (0, 1).
    apart
        Difference between the arms planned for that day (cycles; 1 of storage), shape (n,).
    """

    day: np.ndarray
    dog: np.ndarray
    pair: np.ndarray
    side: np.ndarray
    apart: np.ndarray

    @property
    def member(self) -> np.ndarray:
        """Number of the member among all members, shape (n,)."""
        return np.asarray(2 * self.pair + self.side)

    @property
    def fixed(self) -> np.ndarray:
        """Design without the effect: intercept and time, shape (n, 2)."""
        return np.column_stack([np.ones(len(self.day)), self.day / DAYS_OF_TIME])

    def until(self, day: int) -> Hides:
        """Those up to a day."""
        kept = self.day <= day
        return Hides(
            day=self.day[kept],
            dog=self.dog[kept],
            pair=self.pair[kept],
            side=self.side[kept],
            apart=self.apart[kept],
        )


def conditional_log_odds(share: float, sd: float) -> float:
    """Log-odds of the middle dog and source where this share is found over all of them."""
    return float(optimize.brentq(lambda b: expit(b + sd * _NODES) @ _WEIGHTS - share, -15.0, 15.0))


def total_sd(rates: Rates) -> float:
    """SD of a trial's log-odds over dogs, sources and portions."""
    return float(np.sqrt(rates.dog_sd**2 + rates.source_sd**2 + rates.portion_sd**2))


def expected_error(hides: Hides, rates: Rates, effect: float) -> float:
    """Standard error to be expected of the effect, at the planning values.

    Parameters
    ----------
    hides
        The layout.
    rates
        Share found where nothing has changed, and spreads.
    effect
        Log-odds per unit of ``apart``.

    Returns
    -------
    float
        From the information of the model about its middle; infinite where there is none.
    """
    arm = np.where((hides.side + hides.pair) % 2 == 0, 0.5, -0.5)
    sd = total_sd(rates)
    eta = conditional_log_odds(rates.found, sd) + effect * hides.apart * (arm + 0.5)
    p = expit(eta[:, None] + sd * _NODES)
    weight = (p * (1.0 - p)) @ _WEIGHTS
    x = np.column_stack([hides.fixed, arm * hides.apart])
    spreads = (
        (rates.dog_sd, hides.dog),
        (rates.source_sd, hides.pair),
        (rates.portion_sd, hides.member),
    )
    blocks = [
        sd * (codes[:, None] == np.unique(codes))
        for sd, codes in spreads
        if sd > 0.0 and len(codes)
    ]
    wx = x * weight[:, None]
    information = x.T @ wx
    if blocks:
        z = np.hstack(blocks)
        inner = np.eye(z.shape[1]) + z.T @ (z * weight[:, None])
        information = information - (z.T @ wx).T @ np.linalg.solve(inner, z.T @ wx)
    try:
        variance = float(np.linalg.inv(information)[2, 2])
    except np.linalg.LinAlgError:
        return float("inf")
    return float(np.sqrt(variance)) if variance > 0.0 else float("inf")


def information_share(planned: Hides, done: Hides, rates: Rates, effect: float) -> float:
    """Information of the trials done over that of all planned, at the planning values.

    Results have no part in it, so that when to look does not depend on what is seen.

    Parameters
    ----------
    planned, done
        All trials of the plan, and those on record.
    rates, effect
        As for :func:`expected_error`.

    Returns
    -------
    float
        From 0 to 1; 0 where both members of two pairs are not yet there.
    """
    met = set(np.unique(done.member).tolist())
    if sum({2 * p, 2 * p + 1} <= met for p in range(max(met, default=0) // 2 + 1)) < 2:
        return 0.0
    so_far = expected_error(done, rates, effect)
    if not np.isfinite(so_far):
        return 0.0
    return float(min(1.0, (expected_error(planned, rates, effect) / so_far) ** 2))


def simulate_found(
    hides: Hides, rates: Rates, effect: float, rng: np.random.Generator
) -> PairedTrials:
    """One outcome of the layout: arms, dogs, sources and portions drawn anew."""
    pairs, dogs = int(hides.pair.max()) + 1, int(hides.dog.max()) + 1
    often = rng.integers(0, 2, pairs)
    arm = np.where(hides.side == often[hides.pair], 0.5, -0.5)
    eta = (
        conditional_log_odds(rates.found, total_sd(rates))
        + rates.dog_sd * rng.normal(size=dogs)[hides.dog]
        + rates.source_sd * rng.normal(size=pairs)[hides.pair]
        + rates.portion_sd * rng.normal(size=2 * pairs)[hides.member]
        + effect * hides.apart * (arm + 0.5)
    )
    return PairedTrials(
        found=(rng.random(len(eta)) < expit(eta)).astype(float),
        contrast=arm * hides.apart,
        fixed=hides.fixed,
        dog=hides.dog,
        pair=hides.pair,
        side=hides.member,
    )


def simulate_power(
    hides: Hides, rates: Rates, effect: float, level: float, runs: int, rng: np.random.Generator
) -> tuple[float, float, float]:
    """Share of simulated plans in which the effect is found, with Monte Carlo limits.

    Parameters
    ----------
    hides, rates, effect
        As for :func:`expected_error`.
    level
        Two-sided level of the test.
    runs
        Number of plans.
    rng
        Draws.

    Returns
    -------
    tuple of float
        Share, and its limits (Wilson, 95 %). A plan whose trials carry no model finds nothing.
    """
    found = 0
    for _ in range(runs):
        try:
            parts = pair_parts(simulate_found(hides, rates, effect, rng), roughly=True)
        except FitError:
            continue
        found += t_of_parts(parts)[1] <= level
    low, high = wilson(found, runs)
    return found / runs, low, high


def wilson(found: int, runs: int) -> tuple[float, float]:
    """Limits of a share, 95 %, after Wilson (1927).

    >>> tuple(round(limit, 4) for limit in wilson(81, 263))
    (0.2553, 0.3662)
    """
    test = stats.binomtest(found, runs).proportion_ci(0.95, method="wilson")
    return float(test.low), float(test.high)
