"""Score tests of many columns at once, from one fit of a logistic mixed model without them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.models.laplace import Grouping, LaplaceLikelihood
from outcomes.models.mixed_model import MixedModel, one_thread

_NOTHING_LEFT = 1e-8  # of the largest eigenvalue: directions that the others give already


@dataclass(frozen=True, slots=True)
class Scores:
    """Efficient scores of columns that a fitted model does without.

    Attributes
    ----------
    score
        Shape (m,): slope of the log-likelihood in each column's coefficient at zero,
        the model's own coefficients following.
    information
        Shape (m, m): its covariance where the model is right.
    """

    score: np.ndarray
    information: np.ndarray

    def statistic(self, columns: Sequence[int]) -> tuple[float, int]:
        """Score statistic of some of the columns together, and its degrees of freedom."""
        own = self.information[np.ix_(columns, columns)]
        values, vectors = np.linalg.eigh(own)
        there = values > max(_NOTHING_LEFT * float(values[-1]), np.finfo(float).tiny)
        along = vectors.T @ self.score[list(columns)]
        return float((along[there] ** 2 / values[there]).sum()), int(there.sum())


def efficient_scores(
    model: MixedModel,
    y: np.ndarray,
    x: np.ndarray,
    groupings: Sequence[Grouping],
    extra: np.ndarray,
) -> Scores:
    """Score every column of ``extra`` given the model fitted without them.

    Parameters
    ----------
    model
        The fit of ``y`` on ``x`` with these groupings.
    y
        Outcomes 0 or 1, shape (n,).
    x
        Its design, shape (n, p).
    groupings
        Its groupings, in the same order.
    extra
        Columns to be scored, shape (n, m). No missing values anywhere.

    Returns
    -------
    Scores

    References
    ----------
    Cox DR, Hinkley DV (1974). Theoretical Statistics. Chapman & Hall, section 9.3, for score
    tests with nuisance parameters.

    Examples
    --------
    >>> from outcomes.models.mixed_model import fit_mixed_model
    >>> rng = np.random.default_rng(1)
    >>> herd = Grouping("herd", np.repeat(np.arange(20), 10), 20)
    >>> z = rng.normal(size=200)
    >>> y = (rng.random(200) < 1 / (1 + np.exp(-z))).astype(float)
    >>> constant = np.ones((200, 1))
    >>> without = fit_mixed_model(y, constant, [herd])
    >>> found = efficient_scores(without, y, constant, [herd], z[:, None])
    >>> found.statistic([0])[0] > 3.84
    True
    """
    p = x.shape[1]
    theta = np.concatenate([np.zeros(0), *(_entries(group.factor) for group in model.groups)])
    with one_thread():
        likelihood = LaplaceLikelihood(y, np.hstack([x, extra]), groupings)
        point = likelihood.at(np.concatenate([model.beta, np.zeros(extra.shape[1])]), theta)
        information = likelihood.information(point.mode)
        along = np.linalg.solve(information[:p, :p], information[:p, p:])
        score = point.gradient[p : p + extra.shape[1]] - along.T @ point.gradient[:p]
        return Scores(score, information[p:, p:] - information[p:, :p] @ along)


def _entries(factor: np.ndarray) -> np.ndarray:
    """Entries of a lower factor in the order in which the likelihood takes them."""
    return factor[np.tril_indices(len(factor))]
