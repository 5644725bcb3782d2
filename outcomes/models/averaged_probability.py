"""The logistic function averaged over a normal spread, by Gauss-Hermite quadrature."""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy import special

_NODES = 25


@cache
def normal_nodes(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes and weights of a Gauss-Hermite mean over a standard normal, shape (count,) each.

    Not to be written to: every caller gets the same arrays.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return nodes, weights / weights.sum()


def averaged_probability(
    eta: np.ndarray, spread: np.ndarray | float
) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the logistic function, and of its slope, over a normal spread around ``eta``.

    Gauss-Hermite quadrature, shape of ``eta`` each.

    Examples
    --------
    >>> p, slope = averaged_probability(np.array([0.0, 2.0]), 0.0)
    >>> p.round(4), slope.round(4)
    (array([0.5   , 0.8808]), array([0.25 , 0.105]))
    """
    nodes, weights = normal_nodes(_NODES)
    eta, spread = np.broadcast_arrays(np.asarray(eta, dtype=float), np.asarray(spread, float))
    probability = np.zeros(eta.shape)
    slope = np.zeros(eta.shape)
    for node, weight in zip(nodes, weights, strict=True):
        p = special.expit(eta + spread * node)
        probability += weight * p
        slope += weight * p * (1.0 - p)
    return probability, slope
