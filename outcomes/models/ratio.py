"""Ratios with their intervals, and what is said of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.models.distributions import student_quantile, student_tail


@dataclass(frozen=True, slots=True)
class Estimate:
    """One effect on a log scale: of odds, a rate, a hazard or a time.

    Attributes
    ----------
    term, unit
        What changes, and what one step of it is.
    log_ratio, std_error
        Change of the logarithm per ``unit``, and its standard error.
    low, high
        Limits of the ratio; 0 or infinite where a limit is not reached.
    p
        p-value of no change.
    """

    term: str
    unit: str
    log_ratio: float
    std_error: float
    low: float
    high: float
    p: float

    @property
    def ratio(self) -> float:
        """By how much odds, rate, hazard or time are multiplied per ``unit``."""
        return power(self.log_ratio)


def estimate_ratio(
    term: str, unit: str, log_ratio: float, std_error: float, alpha: float, freedom: float
) -> Estimate:
    """An estimate with the limits and the p-value of :func:`ratio_interval`."""
    found = ratio_interval(log_ratio, std_error, alpha, freedom)
    return Estimate(term, unit, log_ratio, std_error, found.low, found.high, found.p)


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio of hazards, times or rates with its interval and p-value."""

    ratio: float
    low: float
    high: float
    p: float


def ratio_interval(log_ratio: float, std_error: float, alpha: float, freedom: float) -> Ratio:
    """Make a ratio of its logarithm, with limits of Student's t.

    Parameters
    ----------
    log_ratio, std_error
        Estimate and standard error on the log scale.
    alpha
        1 minus the confidence of the two-sided interval.
    freedom
        Degrees of freedom.

    Returns
    -------
    Ratio

    Examples
    --------
    >>> found = ratio_interval(0.0, 0.1, alpha=0.05, freedom=10)
    >>> found.ratio, round(found.low * found.high, 12), found.p
    (1.0, 1.0, 1.0)
    """
    reach = float(student_quantile(1.0 - alpha / 2.0, freedom)) * std_error
    return Ratio(
        ratio=power(log_ratio),
        low=power(log_ratio - reach),
        high=power(log_ratio + reach),
        p=float(2.0 * student_tail(abs(log_ratio) / std_error, freedom)),
    )


def power(log_ratio: float, steps: float = 1.0) -> float:
    """Exponential of ``steps`` times a log ratio, kept finite where an interval is that wide.

    >>> power(0.0), power(1e6) < float("inf")
    (1.0, True)
    """
    return float(np.exp(np.clip(steps * log_ratio, -700.0, 700.0)))


def change(ratio: float, more: str, less: str, same: str) -> str:
    """Say a ratio as a change in per cent.

    >>> [change(r, "more", "less", "as many") for r in (1.1234, 0.97, 1.0001, 2.2, 1e9)]
    ['12 % more', '3 % less', 'as many', '2.2 times as many', 'over 1,000 times as many']
    """
    if ratio >= 1000.0:
        return f"over 1,000 times {same}"
    if ratio >= 1.995:
        return f"{ratio:.2g} times {same}" if ratio < 100 else f"{ratio:.0f} times {same}"
    percent = round(100.0 * (ratio - 1.0))
    if percent == 0:
        return same
    return f"{percent} % {more}" if percent > 0 else f"{-percent} % {less}"


_MOST_SPREAD = 400.0  # as from a twentieth to twenty times


def sized(low: float, high: float, steps: float = 1.0) -> bool:
    """Whether an interval of ratios, over so many steps, is narrow enough to tell a size.

    Where cycles and age are tied together, the limits of either alone can lie
    millions apart: such numbers would be read as sizes, and are none.

    >>> sized(0.5, 2.0), sized(0.5, 2.0, steps=10.0), sized(1e-9, 1e9)
    (True, False, False)
    """
    return power(np.log(high) - np.log(low), steps) <= _MOST_SPREAD


def shortfall(needed: Sequence[tuple[str, str, int, int]]) -> str:
    """Say what there is too little of: (word for one, for many, have, least); empty if none.

    >>> shortfall([("dog", "dogs", 1, 3), ("source", "sources", 9, 8)])
    '1 dog where 3 are needed'
    """
    return ", ".join(
        f"{have:,} {one if have == 1 else many} where {least} are needed"
        for one, many, have, least in needed
        if have < least
    )
