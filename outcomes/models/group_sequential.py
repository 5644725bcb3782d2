"""Bounds for a test that is looked at more than once, by the share of information at each look."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from scipy import optimize, stats

_POINTS = 161
_REACH = 8.0  # standard deviations; beyond lies less than 1e-15


def obrien_fleming_spending(information: np.ndarray | float, alpha: float) -> np.ndarray:
    """Two-sided error spent by a share of information, after Lan and DeMets.

    Parameters
    ----------
    information
        Share of the full information, from 0 to 1.
    alpha
        Two-sided level; half of it is spent on each side.

    Returns
    -------
    numpy.ndarray
        Error spent, of the shape of ``information``.

    References
    ----------
    Lan KKG, DeMets DL (1983). Discrete sequential boundaries for clinical trials. Biometrika
    70:659-663.
    """
    share = np.clip(np.asarray(information, dtype=float), 1e-12, 1.0)
    return np.asarray(4.0 * stats.norm.sf(stats.norm.isf(alpha / 4.0) / np.sqrt(share)))


def crossing_probabilities(information: Sequence[float], bounds: Sequence[float]) -> np.ndarray:
    """Probability to pass a symmetric bound first at each look, where there is no effect.

    Parameters
    ----------
    information
        Information at each look, rising, on any scale.
    bounds
        Bound of the absolute normal value at each.

    Returns
    -------
    numpy.ndarray
        Shape (looks,).

    References
    ----------
    Armitage P, McPherson CK, Rowe BC (1969). Repeated significance tests on accumulating data.
    Journal of the Royal Statistical Society A 132:235-244, for the recursion.
    """
    found = []
    inner = _Inner()
    for at, bound in zip(information, bounds, strict=True):
        found.append(inner.outside(at, bound))
        inner = inner.stay(at, bound)
    return np.array(found)


def spending_bounds(information: Sequence[float], alpha: float) -> tuple[float, ...]:
    """Bounds of the absolute normal value that spend ``alpha`` along the information.

    Parameters
    ----------
    information
        Share of the full information at each look, rising; the last may be less than 1 (what is
        left is then not spent).
    alpha
        Two-sided level.

    Returns
    -------
    tuple of float
        One a look; infinite where nothing can be spent yet.
    """
    spent = obrien_fleming_spending(np.asarray(information), alpha)
    return bounds_for(information, spent)


def bounds_for(information: Sequence[float], spent: np.ndarray) -> tuple[float, ...]:
    """Bounds that have spent so much two-sided error by each look, shape (looks,)."""
    bounds: list[float] = []
    inner, before = _Inner(), 0.0
    for at, total in zip(information, spent, strict=True):
        more = float(total) - before
        if more < 1e-14:
            bound = _REACH
        else:
            bound = float(
                optimize.brentq(
                    lambda b, at=at, inner=inner, more=more: inner.outside(at, b) - more,
                    0.0,
                    _REACH,
                    xtol=1e-10,
                )
            )
        bounds.append(bound)
        inner, before = inner.stay(at, bound), float(total)
    return tuple(bounds)


@cache
def _nodes() -> tuple[np.ndarray, np.ndarray]:
    nodes, weights = np.polynomial.legendre.leggauss(_POINTS)
    return np.asarray(nodes), np.asarray(weights)


class _Inner:
    """Density of the score where no bound has been passed, on a grid with weights."""

    def __init__(
        self, at: float = 0.0, points: np.ndarray | None = None, mass: np.ndarray | None = None
    ) -> None:
        self.at = at
        self.points = np.zeros(1) if points is None else points
        self.mass = np.ones(1) if mass is None else mass

    def outside(self, at: float, bound: float) -> float:
        """Probability to be outside ``bound`` at information ``at``."""
        sd = np.sqrt(at - self.at)
        limit = bound * np.sqrt(at)
        upper = stats.norm.sf((limit - self.points) / sd)
        lower = stats.norm.sf((limit + self.points) / sd)
        return float(self.mass @ (upper + lower))

    def stay(self, at: float, bound: float) -> _Inner:
        """The same after a look at which the bound was not passed."""
        sd = np.sqrt(at - self.at)
        nodes, weights = _nodes()
        limit = bound * np.sqrt(at)
        points = nodes * limit
        density = stats.norm.pdf((points[:, None] - self.points) / sd) / sd
        return _Inner(at, points, (density @ self.mass) * weights * limit)
