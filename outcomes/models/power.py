"""Power in closed form: of a t test, and of two shares."""

from __future__ import annotations

import numpy as np
from scipy import optimize, stats


def power_of_t(effect: float, std_error: float, freedom: float, alpha: float) -> float:
    """Power of a two-sided t test.

    Parameters
    ----------
    effect, std_error
        The effect and its expected standard error, in one unit.
    freedom
        Degrees of freedom.
    alpha
        Two-sided level.

    Returns
    -------
    float
        By the noncentral t distribution.
    """
    limit = stats.t.isf(alpha / 2.0, freedom)
    shift = abs(effect) / std_error
    power = float(stats.nct.sf(limit, freedom, shift))
    if not np.isfinite(power):  # the noncentral t has no digits left there
        return 1.0 if shift > limit else 0.0
    # The far tail is nothing where the library has no digits for it.
    power += float(np.nan_to_num(stats.nct.cdf(-limit, freedom, shift)))
    return float(np.clip(power, 0.0, 1.0))


def detectable(std_error: float, freedom: float, alpha: float, power: float = 0.8) -> float:
    """Smallest effect that a two-sided t test finds with this power.

    Parameters
    ----------
    std_error, freedom, alpha
        As for :func:`power_of_t`.
    power
        Wanted, above ``alpha``.
    """
    most = 2.0
    while power_of_t(most, 1.0, freedom, alpha) < power:
        most *= 2.0
    found = optimize.brentq(
        lambda shift: power_of_t(shift, 1.0, freedom, alpha) - power, 0.0, most, xtol=1e-9
    )
    return float(found) * std_error


def power_of_two_shares(first: float, second: float, each: int, alpha: float) -> float:
    """Power to tell two shares apart, by the normal approximation with a pooled error.

    Parameters
    ----------
    first, second
        The shares.
    each
        Trials of each.
    alpha
        Two-sided level; the far side is left out, as in R's ``power.prop.test``.

    References
    ----------
    Fleiss JL (1981). Statistical Methods for Rates and Proportions, 2nd edition. Wiley.
    """
    middle = (first + second) / 2.0
    pooled = np.sqrt(2.0 * middle * (1.0 - middle))
    apart = np.sqrt(first * (1.0 - first) + second * (1.0 - second))
    value = np.sqrt(each) * abs(first - second) - stats.norm.isf(alpha / 2.0) * pooled
    return float(stats.norm.cdf(value / apart))
