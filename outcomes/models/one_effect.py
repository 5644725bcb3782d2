"""What results say of one effect while all else is known: its posterior on a grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_expit, logsumexp

_POINTS = 61  # of the grid, from -4 to 4 standard deviations
_WIDE = 4.0
_NODES = 15  # of the mean over what a block has in common


@dataclass(frozen=True, slots=True)
class OneEffect:
    """A posterior on a grid.

    Attributes
    ----------
    at
        Values of the effect, log-odds, rising, shape (g,).
    weight
        Probability of each, shape (g,); they sum to 1.
    """

    at: np.ndarray
    weight: np.ndarray

    def draw(self, number: int, rng: np.random.Generator) -> np.ndarray:
        """Draws from it, spread evenly within the steps of the grid, shape (number,)."""
        step = self.at[1] - self.at[0]
        return np.asarray(
            rng.choice(self.at, number, p=self.weight) + step * rng.uniform(-0.5, 0.5, number)
        )


def posterior_of_effect(
    found: np.ndarray, log_odds: np.ndarray, block: np.ndarray, block_sd: float, sd: float
) -> OneEffect:
    """Posterior of an effect that all the trials have in common.

    Parameters
    ----------
    found
        1 = find, 0 = miss, shape (n,); n may be 0, and then the prior is returned.
    log_odds
        Of a find but for the effect, shape (n,).
    block
        Code of trials that have a normal effect of their own in common, shape (n,).
    block_sd
        Its standard deviation; 0 for none.
    sd
        Standard deviation of the normal prior of the effect, above 0.

    Returns
    -------
    OneEffect
        On 61 points from -4 to 4 prior standard deviations; the mean over each block's own
        effect by Gauss-Hermite quadrature.

    Examples
    --------
    >>> found, level = np.ones(40), np.zeros(40)
    >>> seen = posterior_of_effect(found, level, np.arange(40), 0.0, sd=1.0)
    >>> bool((seen.at * seen.weight).sum() > 1.5)
    True
    """
    at = np.linspace(-_WIDE * sd, _WIDE * sd, _POINTS)
    log_weight = -0.5 * (at / sd) ** 2
    if len(found):
        nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES if block_sd > 0.0 else 1)
        sign = np.where(np.asarray(found) > 0.5, 1.0, -1.0)
        at_nodes = log_odds[:, None, None] + at[:, None] + block_sd * nodes
        each = log_expit(sign[:, None, None] * at_nodes)
        codes = np.unique(block, return_inverse=True)[1].reshape(-1)
        of_block = np.zeros((int(codes.max()) + 1, *each.shape[1:]))
        np.add.at(of_block, codes, each)
        log_weight = log_weight + logsumexp(of_block + np.log(weights / weights.sum()), axis=2).sum(
            axis=0
        )
    weight = np.exp(log_weight - log_weight.max())
    return OneEffect(at, weight / weight.sum())
