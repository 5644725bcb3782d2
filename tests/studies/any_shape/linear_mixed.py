"""A linear mixed model with crossed random intercepts, by restricted maximum likelihood.

For outcomes on a line, such as the logarithm of a time. (statsmodels has crossed intercepts only
by a dense matrix of all rows, which a unit of some thousand finds is too large for.)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.errors import FitError
from outcomes.models.laplace import Grouping

_MOST_RATIO = 1e3  # standard deviation of a grouping over that of the residual


@dataclass(frozen=True, slots=True)
class LinearMixed:
    """A linear mixed model at its restricted maximum.

    Attributes
    ----------
    beta, cov
        Fixed effects, shape (p,), and their covariance, shape (p, p).
    residual_sd
        Standard deviation of what is left.
    sd
        That of each grouping, in the order given, shape (k,).
    effects
        Predicted effects of each grouping, shape (levels,) each.
    restricted_log_likelihood
        At the maximum.
    """

    beta: np.ndarray
    cov: np.ndarray
    residual_sd: float
    sd: np.ndarray
    effects: tuple[np.ndarray, ...]
    restricted_log_likelihood: float


def fit_linear_mixed(y: np.ndarray, x: np.ndarray, groupings: Sequence[Grouping]) -> LinearMixed:
    """Fit ``y`` on ``x`` with a random intercept a grouping.

    Parameters
    ----------
    y
        Shape (n,). No missing values.
    x
        Design, shape (n, p), of full column rank.
    groupings
        Crossed groupings; slopes are not used.

    Returns
    -------
    LinearMixed

    Raises
    ------
    FitError
        Fewer rows than columns, columns that carry the same information, or no maximum.

    References
    ----------
    Bates D, Mächler M, Bolker B, Walker S (2015). Fitting linear mixed-effects models using
    lme4. Journal of Statistical Software 67(1), sections 3.4 and 3.6, for the profiled
    restricted likelihood.
    """
    from scipy.optimize import minimize

    n, p = x.shape
    if n <= p or np.linalg.matrix_rank(x) < p:
        raise FitError("two terms carry the same information, or there are too few rows")
    work = _Profiled(y, x, groupings)
    if not groupings:
        return work.result(np.zeros(0))
    bounds = [(0.0, _MOST_RATIO)] * len(groupings)
    found = [
        minimize(work.deviance, np.full(len(groupings), start), method="L-BFGS-B", bounds=bounds)
        for start in (0.5, 0.05)
    ]
    near = min(found, key=lambda one: float(np.round(one.fun, 6)))
    # Differences of the deviance lead to the sixth digit of a standard deviation only.
    best = minimize(
        work.deviance,
        near.x,
        method="Nelder-Mead",
        bounds=bounds,
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 2_000},
    )
    if not np.isfinite(best.fun):
        raise FitError("no maximum was found")
    return work.result(np.asarray(best.x))


class _Profiled:
    """Restricted deviance at standard deviations of the groupings over that of the residual."""

    def __init__(self, y: np.ndarray, x: np.ndarray, groupings: Sequence[Grouping]) -> None:
        self.y, self.x = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
        self.n, self.p = self.x.shape
        self.levels = [g.levels for g in groupings]
        start = np.cumsum([0, *self.levels])
        q = int(start[-1])
        self.places = [g.codes + s for g, s in zip(groupings, start, strict=False)]
        zz = np.zeros((q, q))
        for i in self.places:
            for j in self.places:
                np.add.at(zz, (i, j), 1.0)
        self.zz = zz
        both = np.column_stack([self.x, self.y])
        zb = np.zeros((q, both.shape[1]))
        for place in self.places:
            np.add.at(zb, place, both)
        self.zb, self.bb = zb, both.T @ both

    def pieces(self, ratios: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, float, float]:
        """Scale of each level, factor of the random part, sums left over, determinants."""
        scale = np.repeat(ratios, self.levels)
        inner = scale[:, None] * self.zz * scale[None, :] + np.eye(len(scale))
        lower = np.linalg.cholesky(inner)
        half = np.linalg.solve(lower, scale[:, None] * self.zb)
        left = self.bb - half.T @ half
        random = 2.0 * float(np.log(np.diag(lower)).sum())
        fixed = float(np.linalg.slogdet(left[: self.p, : self.p])[1])
        return scale, lower, left, random, fixed

    def rest(self, left: np.ndarray) -> float:
        """Penalised residual sum of squares."""
        p = self.p
        return float(left[p, p] - left[p, :p] @ np.linalg.solve(left[:p, :p], left[:p, p]))

    def deviance(self, ratios: np.ndarray) -> float:
        """Restricted deviance, the residual variance profiled out."""
        _, _, left, random, fixed = self.pieces(ratios)
        free = self.n - self.p
        return float(random + fixed + free * (1.0 + np.log(2.0 * np.pi * self.rest(left) / free)))

    def result(self, ratios: np.ndarray) -> LinearMixed:
        scale, lower, left, random, fixed = self.pieces(ratios)
        p, free = self.p, self.n - self.p
        beta = np.linalg.solve(left[:p, :p], left[:p, p])
        variance = self.rest(left) / free
        residual = self.zb[:, p] - self.zb[:, :p] @ beta
        u = np.linalg.solve(lower.T, np.linalg.solve(lower, scale * residual))
        effects = np.split(scale * u, np.cumsum(self.levels)[:-1]) if len(scale) else []
        deviance = random + fixed + free * (1.0 + np.log(2.0 * np.pi * variance))
        return LinearMixed(
            beta=beta,
            cov=variance * np.linalg.inv(left[:p, :p]),
            residual_sd=float(np.sqrt(variance)),
            sd=ratios * np.sqrt(variance),
            effects=tuple(effects),
            restricted_log_likelihood=-deviance / 2.0,
        )
