"""A design of covariates and, where asked for, one random effect per cluster."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse


@dataclass(frozen=True, slots=True)
class EffectsDesign:
    """Columns of covariates, then one indicator column per cluster, kept sparse.

    Attributes
    ----------
    x
        Covariates, shape (n, p).
    member
        Indicators of the clusters, shape (n, k); k = 0 without cluster effects.
    """

    x: np.ndarray
    member: sparse.csr_array

    @property
    def width(self) -> int:
        """Number of columns, p + k."""
        return int(self.x.shape[1] + self.member.shape[1])

    @property
    def is_effect(self) -> np.ndarray:
        """True for the columns that are cluster effects, shape (p + k,)."""
        return np.asarray(np.arange(self.width) >= self.x.shape[1])

    def linear(self, beta: np.ndarray) -> np.ndarray:
        """Linear predictor, shape (n,)."""
        p = self.x.shape[1]
        return np.asarray(self.x @ beta[:p] + self.member @ beta[p:])

    def total(self, weight: np.ndarray) -> np.ndarray:
        """Sum of the rows, each times its weight, shape (p + k,)."""
        return np.asarray(np.concatenate([weight @ self.x, self.member.T @ weight]))

    def square(self, weight: np.ndarray) -> np.ndarray:
        """Sum of the rows' outer products, each times its weight, shape (p + k, p + k)."""
        p = self.x.shape[1]
        weighted = self.x * weight[:, None]
        result = np.zeros((self.width, self.width))
        result[:p, :p] = weighted.T @ self.x
        result[p:, :p] = self.member.T @ weighted
        result[:p, p:] = result[p:, :p].T
        result[p:, p:] = np.diag(self.member.T @ weight)
        return result


def effects_design(x: np.ndarray, clusters: np.ndarray | None) -> EffectsDesign:
    """Put covariates and clusters together.

    Parameters
    ----------
    x
        Covariates, shape (n, p).
    clusters
        Label of each row's cluster, shape (n,); None for no cluster effects.
    """
    n = len(x)
    if clusters is None:
        return EffectsDesign(x, sparse.csr_array((n, 0)))
    codes = np.unique(clusters, return_inverse=True)[1].reshape(-1)
    return EffectsDesign(x, sparse.csr_array((np.ones(n), (np.arange(n), codes))))
