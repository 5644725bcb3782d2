"""The Laplace likelihood of a logistic mixed model, with its gradient, at any given point.

The random effects of a grouping are written ``b = L u`` with ``u`` standard
normal. The entries of the lower factors ``L`` stand in one vector, ``theta``;
the likelihood does not change with the sign of a factor's column, so that a
variance of zero is an inner point. At given fixed effects ``beta`` and
``theta`` the penalised log-likelihood is maximised over ``u`` (the mode), and
Laplace's approximation integrates ``u`` out about it.

The grouping with most levels is eliminated as a diagonal, so that cost and
memory grow with the rows, not with the square of its levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.linalg.lapack import dpotrf, dpotri, dpotrs

_MOST_STEPS = 80
_SMALL = 1e-10  # squared distance to the mode, in standard errors: one more step squares it
_ROUGHLY = 1e-5
_NONE = 1e-24
_WORTH_PARTING = 3  # levels; a grouping smaller than this is not worth eliminating


@dataclass(frozen=True, slots=True)
class Grouping:
    """One grouping of the rows, with a random intercept and perhaps a random slope.

    Attributes
    ----------
    name
        What it is called in messages and results.
    codes
        Level of each row, 0 to ``levels - 1``, shape (n,).
    levels
        Number of levels.
    slope
        Values whose coefficient varies by level too, correlated with the
        intercept, shape (n,); None for an intercept alone.
    """

    name: str
    codes: np.ndarray
    levels: int
    slope: np.ndarray | None = None


@dataclass(frozen=True, slots=True)
class Spread:
    """One entry of ``theta``: in which column of which grouping's factor it stands.

    ``column`` counts the random columns of the model (-1: the eliminated one);
    ``by_slope`` says that the entry multiplies the slope's values.
    """

    grouping: int
    column: int
    by_slope: bool
    diagonal: bool


@dataclass(slots=True)
class Mode:
    """Where the penalised log-likelihood peaks at given parameters, and its curvature there.

    ``u`` are the effects that are kept, ``uw`` those of the eliminated grouping, both in
    units of their standard deviation; ``weight`` is each row's binomial weight.
    """

    u: np.ndarray
    uw: np.ndarray
    values: list[np.ndarray | float]
    wide_value: float
    height: float
    mean: np.ndarray
    weight: np.ndarray
    residual: np.ndarray
    factor: np.ndarray
    wide_curvature: np.ndarray
    cross: np.ndarray
    share: np.ndarray


@dataclass(frozen=True, slots=True)
class Point:
    """The likelihood at one point.

    Attributes
    ----------
    log_likelihood
        Laplace's approximation, the binomial coefficients included.
    gradient
        By ``beta`` and ``theta``, shape (p + t,).
    mode
        The effects there.
    """

    log_likelihood: float
    gradient: np.ndarray
    mode: Mode


class LaplaceLikelihood:
    """Laplace likelihood of a logistic mixed model.

    Parameters
    ----------
    y
        Outcome of each row, 0 or 1, shape (n,).
    x
        Fixed-effect design, shape (n, p).
    groupings
        Groupings of at least two levels each.
    offset
        Known part of the log-odds, shape (n,).

    Notes
    -----
    No missing values anywhere.

    References
    ----------
    Bates D, Mächler M, Bolker B, Walker S (2015). Fitting linear mixed-effects models using
    lme4. Journal of Statistical Software 67(1), for the penalised form. Tierney L, Kadane JB
    (1986). Accurate approximations for posterior moments and marginal densities. Journal of the
    American Statistical Association 81, 82-86, for Laplace's approximation.

    Examples
    --------
    Two herds of two rows each, at one point:

    >>> herd = Grouping("herd", np.array([0, 0, 1, 1]), 2)
    >>> one = LaplaceLikelihood(np.array([1.0, 1, 1, 0]), np.ones((4, 1)), [herd])
    >>> round(one.at(np.array([0.8]), np.array([0.5])).log_likelihood, 4)
    -2.3251
    """

    def __init__(
        self,
        y: np.ndarray,
        x: np.ndarray,
        groupings: Sequence[Grouping],
        offset: np.ndarray | None = None,
    ) -> None:
        self.y = np.asarray(y, dtype=float)
        # What every row at even odds gives, twice over: a start below it is no start.
        self._flat = -2.0 * np.log(2.0) * len(y)
        self.x = np.ascontiguousarray(x, dtype=float)
        self.n, self.p = self.x.shape
        self.groupings = tuple(groupings)
        self.offset = np.zeros(self.n) if offset is None else np.asarray(offset, dtype=float)
        self._lay_out()

    # ---- where everything stands -------------------------------------------------------

    def _lay_out(self) -> None:
        """Number the random columns, choose the eliminated one, precompute joint codes."""
        plain = [k for k, g in enumerate(self.groupings) if g.slope is None]
        widest = max(plain, key=lambda k: self.groupings[k].levels, default=None)
        if widest is not None and self.groupings[widest].levels < _WORTH_PARTING:
            widest = None
        self.wide = None if widest is None else self.groupings[widest]
        spreads: list[Spread] = []
        self.start: list[int] = []  # first place of each random column in u
        self.place: list[np.ndarray] = []  # each row's place in u, by random column
        q, of = 0, []
        for k, grouping in enumerate(self.groupings):
            if k == widest:
                spreads.append(Spread(k, -1, False, True))
                continue
            column = len(self.place)
            for _ in range(1 if grouping.slope is None else 2):
                self.start.append(q)
                self.place.append(grouping.codes + q)
                of.append(k)
                q += grouping.levels
            spreads.append(Spread(k, column, False, True))
            if grouping.slope is not None:
                spreads.append(Spread(k, column, True, False))
                spreads.append(Spread(k, column + 1, True, True))
        self.q, self.spreads = q, tuple(spreads)
        self._indicators = [
            _indicator(own - first, self.groupings[k].levels)
            for own, first, k in zip(self.place, self.start, of, strict=True)
        ]
        self.t = len(spreads)
        columns = len(self.place)
        self._pairs = [(i, j) for i in range(columns) for j in range(i + 1)]
        self._cell = [self.place[i] * q + self.place[j] for i, j in self._pairs]
        self._cells = np.concatenate(self._cell) if self._cell else np.zeros(0, dtype=int)
        self._places = np.concatenate(self.place) if self.place else np.zeros(0, dtype=int)
        self._diagonal = np.arange(q) * (q + 1)
        if self.wide is not None:
            self._lay_out_crossings(self.wide)

    def _lay_out_crossings(self, wide: Grouping) -> None:
        """Which levels of the eliminated grouping meet which of the others, and in which pairs."""
        self._wide_indicator = _indicator(wide.codes, wide.levels)
        q = max(self.q, 1)
        rows: list[np.ndarray] = []
        level: list[np.ndarray] = []
        place: list[np.ndarray] = []
        entries = 0
        for own in self.place:
            met, row = np.unique(wide.codes * q + own, return_inverse=True)
            rows.append(row + entries)
            level.append(met // q)
            place.append(met % q)
            entries += len(met)
        self.entry_of_row = rows
        self._entry_of_rows = np.concatenate(rows) if rows else np.zeros(0, dtype=int)
        self.entry_level = np.concatenate(level) if level else np.zeros(0, dtype=int)
        self.entry_place = np.concatenate(place) if place else np.zeros(0, dtype=int)
        order = np.argsort(self.entry_level, kind="stable")
        count = np.bincount(self.entry_level, minlength=wide.levels)
        first_of_level = np.cumsum(count) - count
        repeats = count[self.entry_level[order]]
        first = np.repeat(order, repeats)
        within = np.arange(len(first)) - np.repeat(np.cumsum(repeats) - repeats, repeats)
        second = order[np.repeat(first_of_level[self.entry_level[order]], repeats) + within]
        lower = self.entry_place[first] >= self.entry_place[second]
        self._first, self._second = first[lower], second[lower]
        self._pair_cell = self.entry_place[self._first] * q + self.entry_place[self._second]
        self._apart = self._first != self._second

    # ---- random columns and products with them -----------------------------------------

    def _values(self, theta: np.ndarray) -> tuple[list[np.ndarray | float], float]:
        """What each random column multiplies its effect by, row by row or for all alike."""
        values: list[np.ndarray | float] = [0.0] * len(self.place)
        wide = 0.0
        for entry, spread in zip(theta, self.spreads, strict=True):
            if spread.column < 0:
                wide = float(entry)
            elif spread.by_slope:
                slope = self.groupings[spread.grouping].slope
                assert slope is not None
                values[spread.column] = values[spread.column] + entry * slope
            else:
                values[spread.column] = float(entry)
        return values, wide

    def _apply(self, mode: Mode, u: np.ndarray, uw: np.ndarray) -> np.ndarray:
        """Log-odds that effects add to each row, shape (n,)."""
        total = np.zeros(self.n)
        for value, place in zip(mode.values, self.place, strict=True):
            total += value * u[place]
        if self.wide is not None and mode.wide_value:
            total += mode.wide_value * uw[self.wide.codes]
        return total

    def _collect(self, mode: Mode, of_rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Transpose of :meth:`_apply`."""
        u: np.ndarray = np.zeros(self.q)
        if self.q:
            u = np.bincount(
                self._places, np.concatenate([of_rows * v for v in mode.values]), self.q
            )
        if self.wide is None:
            return u, np.zeros(0)
        return u, mode.wide_value * np.bincount(self.wide.codes, of_rows, self.wide.levels)

    def _factorise(self, mode: Mode) -> None:
        """Curvature of the penalised log-likelihood in the effects, and its factor."""
        weight, q = mode.weight, self.q
        weighted = [weight * v for v in mode.values]
        cells: np.ndarray = np.zeros(q * q)
        if q:
            products = [weighted[i] * mode.values[j] for i, j in self._pairs]
            cells = np.bincount(self._cells, np.concatenate(products), q * q)
            cells[self._diagonal] = cells[self._diagonal] + 1.0
        if self.wide is not None:
            own, codes, levels = mode.wide_value, self.wide.codes, self.wide.levels
            mode.wide_curvature = 1.0 + own * own * np.bincount(codes, weight, levels)
            if q:
                crossing = np.concatenate([own * v for v in weighted])
                mode.cross = np.bincount(self._entry_of_rows, crossing, len(self.entry_level))
                mode.share = mode.cross / mode.wide_curvature[self.entry_level]
                taken = mode.cross[self._first] * mode.share[self._second]
                cells -= np.bincount(self._pair_cell, taken, q * q)
        if q:
            mode.factor, failed = dpotrf(cells.reshape(q, q), lower=1)
            if failed:
                raise FloatingPointError("the curvature in the effects is not positive")

    def _solve(self, mode: Mode, u: np.ndarray, uw: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The curvature's inverse times a vector."""
        if self.wide is None:
            return (dpotrs(mode.factor, u, lower=1)[0] if self.q else u), uw
        if not self.q:
            return u, uw / mode.wide_curvature
        left = u - np.bincount(self.entry_place, mode.share * uw[self.entry_level], self.q)
        found = dpotrs(mode.factor, left, lower=1)[0]
        carried = np.bincount(
            self.entry_level, mode.cross * found[self.entry_place], self.wide.levels
        )
        return found, (uw - carried) / mode.wide_curvature

    # ---- the mode ----------------------------------------------------------------------

    def _look(self, mode: Mode, eta: np.ndarray) -> None:
        """Height, residuals and binomial weights of a mode at some log-odds."""
        away = np.exp(-np.abs(eta))
        lost = np.maximum(eta, 0.0) + np.log1p(away)
        share = 1.0 / (1.0 + away)
        mode.mean = np.where(eta >= 0.0, share, away * share)
        mode.weight = away * share * share
        mode.residual = self.y - mode.mean
        penalty = float(mode.u @ mode.u + mode.uw @ mode.uw)
        mode.height = float(self.y @ eta - lost.sum()) - 0.5 * penalty

    def _mode(self, beta: np.ndarray, theta: np.ndarray, near: Mode | None, enough: float) -> Mode:
        """The mode at this point, from one near by or from zero."""
        none = np.zeros(0)
        values, wide_value = self._values(theta)
        u, uw = np.zeros(self.q), np.zeros(0 if self.wide is None else self.wide.levels)
        mode = Mode(u, uw, values, wide_value, 0.0, *[none] * 7)
        fixed = self.x @ beta + self.offset
        if near is not None:
            mode.u, mode.uw = near.u, near.uw
            self._look(mode, fixed + self._apply(mode, mode.u, mode.uw))
        if near is None or not mode.height > self._flat:
            # What was near by may be a poor start, or not finite.
            mode.u, mode.uw = u, uw
            self._look(mode, fixed)
        if not np.isfinite(mode.height):
            raise FloatingPointError("log-odds beyond all bounds")
        polished = False
        for _ in range(_MOST_STEPS):
            self._factorise(mode)
            if polished:
                return mode
            gradient, gradient_wide = self._collect(mode, mode.residual)
            gradient, gradient_wide = gradient - mode.u, gradient_wide - mode.uw
            step, step_wide = self._solve(mode, gradient, gradient_wide)
            gain = float(gradient @ step + gradient_wide @ step_wide)
            if gain < _NONE:
                return mode
            polished = gain < enough
            size, u, uw, height = 1.0, mode.u, mode.uw, mode.height
            while True:
                mode.u, mode.uw = u + size * step, uw + size * step_wide
                self._look(mode, fixed + self._apply(mode, mode.u, mode.uw))
                if polished or size < 1e-6 or mode.height >= height - 1e-9 * (1.0 + abs(height)):
                    break
                size *= 0.5
        raise FloatingPointError("the mode of the effects was not found")

    # ---- the likelihood ----------------------------------------------------------------

    def at(
        self,
        beta: np.ndarray,
        theta: np.ndarray,
        near: Mode | None = None,
        *,
        roughly: bool = False,
    ) -> Point:
        """Log-likelihood and its gradient at a point.

        Parameters
        ----------
        beta, theta
            Fixed effects, shape (p,), and entries of the factors, shape (t,), in
            the order of ``spreads``.
        near
            A mode to start from, which changes the answer by rounding at most.
        roughly
            Find the mode to about 1e-5 of its standard errors only.

        Raises
        ------
        FloatingPointError
            The point is beyond what can be computed.
        """
        mode = self._mode(beta, theta, near, _ROUGHLY if roughly else _SMALL)
        log_determinant = 2.0 * float(np.log(np.diag(mode.factor)).sum()) if self.q else 0.0
        if self.wide is not None:
            log_determinant += float(np.log(mode.wide_curvature).sum())
        value = mode.height - 0.5 * log_determinant
        return Point(value, self._gradient(mode), mode)

    def _gradient(self, mode: Mode) -> np.ndarray:
        spread_of, spread_wide, variance = self._spread_of_rows(mode)
        bent = variance * mode.weight * (1.0 - 2.0 * mode.mean)
        moved, moved_wide = self._solve(mode, *self._collect(mode, bent))
        pull = mode.residual - 0.5 * (bent - mode.weight * self._apply(mode, moved, moved_wide))
        gradient = np.empty(self.p + self.t)
        gradient[: self.p] = pull @ self.x
        for k, spread in enumerate(self.spreads):
            if spread.column < 0:
                assert self.wide is not None
                effect, shift = mode.uw[self.wide.codes], moved_wide[self.wide.codes]
                own = spread_wide
            else:
                place = self.place[spread.column]
                effect, shift = mode.u[place], moved[place]
                own = spread_of[spread.column]
            rows = effect * pull - 0.5 * shift * mode.residual - mode.weight * own
            slope = self.groupings[spread.grouping].slope
            gradient[self.p + k] = (
                rows @ slope if spread.by_slope and slope is not None else rows.sum()
            )
        return gradient

    def _spread_of_rows(self, mode: Mode) -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
        """Covariance of each random column with the row's log-odds, and the log-odds' variance."""
        columns, q = len(self.place), self.q
        spread_wide = np.zeros(self.n)
        found: list[np.ndarray] = [np.zeros(self.n) for _ in range(columns)]
        if q:
            lower = dpotri(mode.factor, lower=1)[0]
            flat = (np.tril(lower) + np.tril(lower, -1).T).ravel()
            for (i, j), cell in zip(self._pairs, self._cell, strict=True):
                covariance = flat[cell]
                found[i] += mode.values[j] * covariance
                if i != j:
                    found[j] += mode.values[i] * covariance
        if self.wide is not None:
            own = 1.0 / mode.wide_curvature
            if q:
                between = flat[self._pair_cell]
                first, second, apart = self._first, self._second, self._apart
                count = len(self.entry_level)
                met = np.bincount(first, mode.cross[second] * between, count)
                met += np.bincount(second[apart], mode.cross[first[apart]] * between[apart], count)
                with_wide = -met / mode.wide_curvature[self.entry_level]
                own -= np.bincount(self.entry_level, mode.share * with_wide, self.wide.levels)
            spread_wide = mode.wide_value * own[self.wide.codes]
            for k in range(columns):
                covariance = with_wide[self.entry_of_row[k]]
                spread_wide += mode.values[k] * covariance
                found[k] += mode.wide_value * covariance
        variance = mode.wide_value * spread_wide
        for value, covariance in zip(mode.values, found, strict=True):
            variance = variance + value * covariance
        return found, spread_wide, variance

    # ---- beside the likelihood ---------------------------------------------------------

    def follow(self, mode: Mode, step: np.ndarray) -> Mode:
        """The mode moved along with a step of the parameters, to first order.

        Good enough to start from: what was worked out at ``mode`` is not worked out anew.

        Parameters
        ----------
        mode
            Of the point that the step starts from.
        step
            Change of ``beta`` and ``theta``, shape (p + t,).
        """
        along = self.x @ step[: self.p]
        u, uw = np.zeros(self.q), np.zeros(len(mode.uw))
        for change, spread in zip(step[self.p :], self.spreads, strict=True):
            if change == 0.0:
                continue
            slope = self.groupings[spread.grouping].slope if spread.by_slope else None
            factor = change if slope is None else change * slope
            if spread.column < 0:
                assert self.wide is not None
                codes = self.wide.codes
                uw += np.bincount(codes, factor * mode.residual, self.wide.levels)
                along = along + factor * mode.uw[codes]
            else:
                place = self.place[spread.column]
                u += np.bincount(place, factor * mode.residual, self.q)
                along = along + factor * mode.u[place]
        back, back_wide = self._collect(mode, mode.weight * along)
        move, move_wide = self._solve(mode, u - back, uw - back_wide)
        return replace(mode, u=mode.u + move, uw=mode.uw + move_wide)

    def known(self, mode: Mode) -> np.ndarray:
        """How much is known of the effects of each entry of ``theta``, shape (t,).

        The sum over levels of the squared share of their variance that the rows take away:
        twice that is about the information on the logarithm of their spread.
        """
        left = np.zeros(self.q)
        if self.q:
            left = np.diag(dpotri(mode.factor, lower=1)[0])
        found = []
        for spread in self.spreads:
            if spread.column < 0:
                open_still = 1.0 / mode.wide_curvature
            else:
                begin = self.start[spread.column]
                open_still = left[begin : begin + self.groupings[spread.grouping].levels]
            found.append(float(((1.0 - open_still) ** 2).sum()))
        return np.array(found)

    def information(self, mode: Mode) -> np.ndarray:
        """Curvature in ``beta`` at given spreads, shape (p, p).

        The random effects follow; what the determinant adds is left out.
        """
        weighted = self.x * mode.weight[:, None]
        found = self.x.T @ weighted
        parts = [
            indicator @ (weighted * np.reshape(value, (-1, 1)))
            for indicator, value in zip(self._indicators, mode.values, strict=True)
        ]
        small = np.vstack(parts) if parts else np.zeros((0, self.p))
        if self.wide is not None:
            large = mode.wide_value * (self._wide_indicator @ weighted)
            over = large / mode.wide_curvature[:, None]
            found -= large.T @ over
            if self.q:
                met = (self.entry_level, self.entry_place)
                cross = sparse.csr_matrix((mode.cross, met), shape=(self.wide.levels, self.q))
                small = small - cross.T @ over
        if self.q:
            found -= small.T @ dpotrs(mode.factor, small, lower=1)[0]
        return np.asarray((found + found.T) / 2.0)


def _indicator(codes: np.ndarray, levels: int) -> sparse.csr_matrix:
    """Which rows belong to each level, shape (levels, n)."""
    rows = np.arange(len(codes))
    return sparse.csr_matrix((np.ones(len(codes)), (codes, rows)), shape=(levels, len(codes)))
