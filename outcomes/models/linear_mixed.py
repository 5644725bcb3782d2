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

# Variance of a grouping over that of the residual. Not of standard deviations: the deviance is even
# in those, so that a search that touches 0 stays there.
_MOST_RATIO = 1e6
_STARTS = (0.25, 0.0025)
_STEPS = 20
_STILL = 1e-10  # largest step of a ratio, of itself, at which the search ends
_NO_WORSE = 1e-9  # deviance by which a spread of zero may be worse and is taken


@dataclass(frozen=True, slots=True)
class LinearMixed:
    """A linear mixed model at its restricted maximum.

    Attributes
    ----------
    beta, cov
        Fixed effects, shape (p,), and their covariance, shape (p, p).
    residual_sd
        Standard deviation of what is left, of a row of weight 1.
    sd
        That of each grouping, in the order given, shape (k,); 0 where none is seen.
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


def fit_linear_mixed(
    y: np.ndarray,
    x: np.ndarray,
    groupings: Sequence[Grouping],
    weights: np.ndarray | None = None,
    residual_sd: float | None = None,
) -> LinearMixed:
    """Fit ``y`` on ``x`` with a random intercept for each grouping.

    Parameters
    ----------
    y
        Shape (n,). No missing values.
    x
        Design, shape (n, p), of full column rank. No missing values.
    groupings
        Groupings, crossed or nested; slopes are not used.
    weights
        Residual variance of each row is that of the residual over its weight, shape (n,), above
        0; all 1 if None.
    residual_sd
        That of a row of weight 1, where it is known; found with the others if None.

    Returns
    -------
    LinearMixed

    Raises
    ------
    FitError
        No more rows than columns, columns that carry the same information, a grouping of a level
        a row beside a residual to be found, or no maximum.
    ValueError
        A weight is not above 0.

    References
    ----------
    Bates D, Mächler M, Bolker B, Walker S (2015). Fitting linear mixed-effects models using
    lme4. Journal of Statistical Software 67(1), sections 3.4 and 3.6, for the profiled
    restricted likelihood.
    """
    from scipy.optimize import minimize

    n, p = x.shape
    weights = np.ones(n) if weights is None else np.asarray(weights, dtype=float)
    if not (weights > 0.0).all():
        raise ValueError("every weight must be above 0")
    if n <= p or np.linalg.matrix_rank(x) < p:
        raise FitError("two terms carry the same information, or there are too few rows")
    if residual_sd is None and any(grouping.levels >= n for grouping in groupings):
        raise FitError("a grouping has a level for every row, so nothing is left to differ within")
    criterion = _Restricted(y, x, groupings, weights, residual_sd)
    if not groupings:
        return criterion.result(np.zeros(0))
    found = [
        minimize(
            criterion.deviance,
            np.full(len(groupings), start),
            jac=True,
            method="L-BFGS-B",
            bounds=[(0.0, _MOST_RATIO)] * len(groupings),
        )
        for start in _STARTS
    ]
    # Rounded, so that of two ways to one maximum the first is taken on every machine.
    best = min(found, key=lambda one: float(np.round(one.fun, 6)))
    if not np.isfinite(best.fun):
        raise FitError("no maximum was found")
    return criterion.result(_polished(criterion, np.asarray(best.x)))


def _polished(criterion: _Restricted, ratios: np.ndarray) -> np.ndarray:
    """The minimum near by, by Newton's steps on the gradient; a spread that does nothing is 0."""
    for k in np.argsort(ratios, kind="stable"):
        without = ratios.copy()
        without[k] = 0.0
        if criterion.deviance(without)[0] <= criterion.deviance(ratios)[0] + _NO_WORSE:
            ratios = without
    free = np.flatnonzero(ratios > 0.0)
    for _ in range(_STEPS if len(free) else 0):
        gradient = criterion.deviance(ratios)[1][free]
        curvature = np.empty((len(free), len(free)))
        for j, k in enumerate(free):
            step = 1e-4 * ratios[k]
            sides = []
            for moved in (ratios[k] + step, ratios[k] - step):
                at = ratios.copy()
                at[k] = moved
                sides.append(criterion.deviance(at)[1][free])
            curvature[:, j] = (sides[0] - sides[1]) / (2.0 * step)
        change = np.linalg.solve((curvature + curvature.T) / 2.0, gradient)
        if not (np.abs(change) < 0.5 * ratios[free]).all():
            break  # no valley to step down into: where the search ended is as good
        ratios = ratios.copy()
        ratios[free] -= change
        if (np.abs(change) < _STILL * ratios[free]).all():
            break
    return ratios


@dataclass(frozen=True, slots=True)
class _Sums:
    """What the rows' covariance leaves of sums over the rows, at given variances.

    Attributes
    ----------
    scale, lower
        Of each level of the groupings that are kept, shape (q,), and the factor of their part.
    kept, wide
        Indicators by indicators, and by fixed effects and outcome, of levels kept and of the
        eliminated grouping's: (own, by levels kept, by columns), shapes (q,), (q, q), (q, p + 1).
    half, left
        The factor's part of the columns, and what is left of their squares, shape (p + 1, p + 1).
    shrink
        Of each level of the eliminated grouping, shape (m,).
    log_determinant
        Of the rows' covariance, less that of the residual.
    """

    scale: np.ndarray
    lower: np.ndarray
    kept: tuple[np.ndarray, np.ndarray, np.ndarray]
    wide: tuple[np.ndarray, np.ndarray, np.ndarray]
    half: np.ndarray
    left: np.ndarray
    shrink: np.ndarray
    log_determinant: float


class _Restricted:
    """Restricted deviance at variances of the groupings over that of the residual.

    The grouping with most levels is eliminated as a diagonal, so that cost and memory do not grow
    with the square of its levels.
    """

    def __init__(
        self,
        y: np.ndarray,
        x: np.ndarray,
        groupings: Sequence[Grouping],
        weights: np.ndarray,
        residual_sd: float | None,
    ) -> None:
        self.n, self.p = x.shape
        self.fixed_variance = None if residual_sd is None else residual_sd**2
        self.groupings = len(groupings)
        levels = [g.levels for g in groupings]
        self.wide = int(np.argmax(levels)) if levels else -1
        self.others = [k for k in range(len(groupings)) if k != self.wide]
        self.levels = [levels[k] for k in self.others]
        start = np.cumsum([0, *self.levels])
        places = [
            groupings[k].codes + s for k, s in zip(self.others, start[:-1].tolist(), strict=True)
        ]
        q, m = int(start[-1]), levels[self.wide] if levels else 0
        columns = np.column_stack([x, y]).astype(float)
        weighted = weights[:, None] * columns
        self.bb = columns.T @ weighted
        self.zz, self.zb = np.zeros((q, q)), np.zeros((q, self.p + 1))
        self.ww: np.ndarray = np.zeros(m)
        self.wz, self.wb = np.zeros((m, q)), np.zeros((m, self.p + 1))
        if levels:
            codes = groupings[self.wide].codes
            self.ww = np.bincount(codes, weights, m)
            np.add.at(self.wb, codes, weighted)
            for place in places:
                np.add.at(self.wz, (codes, place), weights)
        for i in places:
            np.add.at(self.zb, i, weighted)
            for j in places:
                np.add.at(self.zz, (i, j), weights)
        self.log_weights = float(np.log(weights).sum())

    def sums(self, ratios: np.ndarray) -> _Sums:
        ratio = float(ratios[self.wide]) if self.groupings else 0.0
        shrink = ratio / (1.0 + ratio * self.ww)
        zz = self.zz - self.wz.T @ (shrink[:, None] * self.wz)
        zb = self.zb - self.wz.T @ (shrink[:, None] * self.wb)
        bb = self.bb - self.wb.T @ (shrink[:, None] * self.wb)
        scale = np.repeat(np.sqrt(ratios[self.others]), self.levels)
        lower = np.linalg.cholesky(scale[:, None] * zz * scale[None, :] + np.eye(len(scale)))
        half = np.linalg.solve(lower, scale[:, None] * zb)
        left = 1.0 / (1.0 + ratio * self.ww)
        return _Sums(
            scale=scale,
            lower=lower,
            kept=(np.diag(zz), zz, zb),
            wide=(left * self.ww, left[:, None] * self.wz, left[:, None] * self.wb),
            half=half,
            left=bb - half.T @ half,
            shrink=shrink,
            log_determinant=2.0 * float(np.log(np.diag(lower)).sum())
            + float(np.log1p(ratio * self.ww).sum()),
        )

    def rest(self, left: np.ndarray) -> tuple[np.ndarray, float, float]:
        """Fixed effects, the penalised sum of squares, and the variance of the residual."""
        beta = np.linalg.solve(left[: self.p, : self.p], left[: self.p, self.p])
        rest = float(left[self.p, self.p] - left[self.p, : self.p] @ beta)
        return beta, rest, self.fixed_variance or rest / (self.n - self.p)

    def deviance(self, ratios: np.ndarray) -> tuple[float, np.ndarray]:
        """Restricted deviance, at the likeliest residual unless that is given, and its gradient."""
        sums = self.sums(ratios)
        beta, rest, variance = self.rest(sums.left)
        fixed = sums.left[: self.p, : self.p]
        deviance = (
            sums.log_determinant
            + float(np.linalg.slogdet(fixed)[1])
            + (self.n - self.p) * np.log(2.0 * np.pi * variance)
            + rest / variance
            - self.log_weights
        )

        def by_level(own: np.ndarray, by_kept: np.ndarray, by_column: np.ndarray) -> np.ndarray:
            # What the rows' covariance and the fixed effects leave of a level's indicator, less
            # the square of its sum of residuals.
            inner = np.linalg.solve(sums.lower, (by_kept * sums.scale).T)
            by_column = by_column - inner.T @ sums.half
            by_fixed, residual = by_column[:, : self.p], by_column[:, self.p]
            residual = residual - by_fixed @ beta
            taken = np.einsum("ij,ji->i", by_fixed, np.linalg.solve(fixed, by_fixed.T))
            return np.asarray(own - (inner**2).sum(axis=0) - taken - residual**2 / variance)

        gradient = np.zeros(self.groupings)
        parts = np.split(by_level(*sums.kept), np.cumsum(self.levels)[:-1])
        for k, part in zip(self.others, parts, strict=False):
            gradient[k] = part.sum()
        if self.groupings:
            gradient[self.wide] = by_level(*sums.wide).sum()
        return deviance, gradient

    def result(self, ratios: np.ndarray) -> LinearMixed:
        sums = self.sums(ratios)
        beta, _, variance = self.rest(sums.left)
        residual = sums.kept[2][:, self.p] - sums.kept[2][:, : self.p] @ beta
        u = np.linalg.solve(sums.lower, sums.scale * residual)
        kept = sums.scale * np.linalg.solve(sums.lower.T, u)
        parts = iter(np.split(kept, np.cumsum(self.levels)[:-1]))
        wide = sums.shrink * (self.wb[:, self.p] - self.wb[:, : self.p] @ beta - self.wz @ kept)
        return LinearMixed(
            beta=beta,
            cov=variance * np.linalg.inv(sums.left[: self.p, : self.p]),
            residual_sd=float(np.sqrt(variance)),
            sd=np.sqrt(ratios * variance),
            effects=tuple(wide if k == self.wide else next(parts) for k in range(self.groupings)),
            restricted_log_likelihood=-self.deviance(ratios)[0] / 2.0,
        )
