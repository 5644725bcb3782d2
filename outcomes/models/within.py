"""A straight line within groups, with errors that allow for groups of their own kind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import FitError
from outcomes.models.clustered import sandwich

MOST_INFLATION = 10.0
"""Variance inflation beyond which a column is said to tell the same as the others."""


@dataclass(frozen=True, slots=True)
class WithinFit:
    """Slopes within groups.

    Attributes
    ----------
    beta, cov
        Shape (p,) and (p, p).
    freedom
        Degrees of freedom for Student's t: groups - 1.
    n, groups
        Rows, and the groups they fall in; groups of one row tell nothing and are not counted.
    """

    beta: np.ndarray
    cov: np.ndarray
    freedom: float
    n: int
    groups: int


def centred_within(values: np.ndarray, groups: np.ndarray) -> np.ndarray:
    """Values, shape (n,) or (n, p), less the mean of their group."""
    frame = pd.DataFrame(np.asarray(values, dtype=float).reshape(len(groups), -1))
    mean = frame.groupby(groups).transform("mean")
    return np.asarray((frame - mean).to_numpy().reshape(np.shape(values)))


def fit_within(y: np.ndarray, x: np.ndarray, groups: np.ndarray) -> WithinFit:
    """Fit ``y`` on ``x`` with a level for each group, errors clustered by group.

    Groups may differ in level, in slope about the mean, and in how alike their rows are: the
    errors allow for it. Multiplied by G / (G - 1) · (n - 1) / (n - p) for G groups, levels not
    counted among the p, and judged against Student's t with G - 1 degrees of freedom.

    Parameters
    ----------
    y
        Shape (n,). No missing values.
    x
        Shape (n, p), without a constant. No missing values.
    groups
        Label of each row, shape (n,).

    Raises
    ------
    FitError
        Fewer than two groups of more than one row, or a column that does not vary within them
        or carries the same information as others.

    References
    ----------
    Arellano M (1987). Computing robust standard errors for within-groups estimators. Oxford
    Bulletin of Economics and Statistics 49, 431-434.
    """
    codes = pd.factorize(groups)[0]
    several = np.bincount(codes)[codes] > 1
    y, x, codes = y[several], x[several], pd.factorize(codes[several])[0]
    number = int(codes.max()) + 1 if len(codes) else 0
    if number < 2:
        raise FitError("fewer than two sources were looked at more than once")
    within, level = centred_within(x, codes), centred_within(y, codes)
    scale = np.sqrt((within**2).mean(axis=0))
    if np.any(scale < 1e-9 * np.maximum(np.abs(x).max(axis=0), 1e-12)):
        raise FitError("an exposure does not vary within sources")
    if len(y) - number <= x.shape[1] or np.linalg.matrix_rank(within / scale) < x.shape[1]:
        raise FitError("two exposures carry the same information, or there are too few looks")
    inner = within / scale
    bread = np.linalg.inv(inner.T @ inner)
    beta = bread @ (inner.T @ level)
    scores = inner * (level - inner @ beta)[:, None]
    cov = sandwich(bread, scores, [codes])
    return WithinFit(beta / scale, cov / np.outer(scale, scale), float(number - 1), len(y), number)


def inflation(x: np.ndarray, groups: np.ndarray) -> np.ndarray:
    """Variance inflation of each column within groups, shape (p,); infinite where it is none.

    Parameters
    ----------
    x, groups
        As for :func:`fit_within`.
    """
    within = centred_within(x, pd.factorize(groups)[0])
    spread = within.std(axis=0)
    if np.any(spread <= 0.0):
        return np.full(x.shape[1], np.inf)
    correlation = np.corrcoef(within, rowvar=False).reshape(x.shape[1], x.shape[1])
    if np.linalg.matrix_rank(correlation, tol=1e-8) < x.shape[1]:
        return np.full(x.shape[1], np.inf)
    return np.asarray(np.diag(np.linalg.inv(correlation)))
