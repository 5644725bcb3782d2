"""A log-likelihood known on a lattice, as a function of one or two effects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import optimize
from scipy.interpolate import CubicSpline, RectBivariateSpline

_FAR_DOWN = 100.0
_MOST_BEND = -2.0  # second difference; steps are of one error at most, where it is -1
_LEAST_FOR_SPLINE = 4  # points along an axis
_POINTS = 241  # of a fine grid along each effect, at least
_PER_STEP = 4  # of it to a step of the lattice, or to an error with the other effect known
_MOST_POINTS = 801


@dataclass(frozen=True, slots=True)
class Limits:
    """Where one effect is likeliest, and how far it may lie.

    Attributes
    ----------
    estimate
        Where the likelihood is highest, all else at its best.
    low, high
        Where its logarithm is lower by the drop asked for; infinite where it is not within
        what is known.
    """

    estimate: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Profile:
    """A log-likelihood along one effect, the other at its best.

    Attributes
    ----------
    at, log_likelihood
        Shape (k,).
    at_edge
        Where the other effect's best lies at the end of what was looked at, shape (k,): the
        log-likelihood may be higher there, and is no ground for a limit.
    """

    at: np.ndarray
    log_likelihood: np.ndarray
    at_edge: np.ndarray

    def limits(self, drop: float) -> Limits:
        """Where it is highest, and where it is lower by so much."""
        at, value = self.at, self.log_likelihood
        peak, top = _peak(at, value)
        # Between points too far apart a parabola may promise more than there is.
        top = min(top, float(value.max()) + drop / 2.0)
        inside = value >= top - drop
        first, last = np.flatnonzero(inside)[[0, -1]]
        low, high = -np.inf, np.inf
        if first > 0 and not self.at_edge[first - 1 : first + 1].any():
            low = _crossing(at[first - 1 : first + 1], value[first - 1 : first + 1], top - drop)
        if last < len(at) - 1 and not self.at_edge[last : last + 2].any():
            high = _crossing(at[last : last + 2], value[last : last + 2], top - drop)
        return Limits(peak, low, high)


def _peak(at: np.ndarray, value: np.ndarray) -> tuple[float, float]:
    """The top of the parabola through the three highest points that stand together."""
    k = int(np.argmax(value))
    if k in (0, len(at) - 1):
        return float(at[k]), float(value[k])
    step = at[k + 1] - at[k]
    slope = (value[k + 1] - value[k - 1]) / 2.0
    bend = value[k + 1] - 2.0 * value[k] + value[k - 1]
    if not bend < 0.0:
        return float(at[k]), float(value[k])
    move = float(np.clip(-slope / bend, -0.5, 0.5))
    return float(at[k] + move * step), float(value[k] + slope * move + bend * move * move / 2.0)


def _crossing(at: np.ndarray, value: np.ndarray, level: float) -> float:
    share = (level - value[0]) / (value[1] - value[0])
    return float(at[0] + share * (at[1] - at[0]))


class LikelihoodSurface:
    """A log-likelihood between and beyond the points it is known at.

    Cubic spline between them. Values that are not known are continued from those that are
    with the same bend; beyond the lattice the function goes on as a parabola.

    Parameters
    ----------
    axes
        Values of each effect, rising evenly: one or two arrays.
    log_likelihood
        At them, shape of the axes' lengths; NaN where it is not known.

    Raises
    ------
    ValueError
        Fewer than four points along an axis.
    """

    def __init__(self, axes: Sequence[np.ndarray], log_likelihood: np.ndarray) -> None:
        self.axes = tuple(np.asarray(a, dtype=float) for a in axes)
        self.known = np.asarray(log_likelihood, dtype=float)
        if min(map(len, self.axes)) < _LEAST_FOR_SPLINE:
            raise ValueError("a surface needs four points along each effect")
        filled = continued(self.known)
        self._one = CubicSpline(self.axes[0], filled) if len(self.axes) == 1 else None
        self._two = None if len(self.axes) == 1 else RectBivariateSpline(*self.axes, filled, s=0)

    @property
    def dimensions(self) -> int:
        """Number of effects, 1 or 2."""
        return len(self.axes)

    @cached_property
    def information(self) -> np.ndarray:
        """Curvature about the top as the lattice shows it, shape (m, m); positive throughout."""
        return _curvature(self)

    @cached_property
    def top(self) -> np.ndarray:
        """Where it is highest, shape (m,)."""
        return _top_of(self)

    def at(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Values, shape (k,), and gradients, shape (k, m), at points, shape (k, m)."""
        points = np.asarray(points, dtype=float)
        low = np.array([a[0] for a in self.axes])
        high = np.array([a[-1] for a in self.axes])
        inside = np.clip(points, low, high)
        beyond = points - inside
        if self._one is not None:
            value = self._one(inside[:, 0])
            gradient = self._one(inside[:, 0], 1)[:, None]
        else:
            assert self._two is not None
            x, z = inside[:, 0], inside[:, 1]
            value = self._two.ev(x, z)
            gradient = np.column_stack([self._two.ev(x, z, dx=1), self._two.ev(x, z, dy=1)])
        if beyond.any():
            bent = beyond @ self.information
            value = value + (gradient * beyond).sum(axis=1) - 0.5 * (bent * beyond).sum(axis=1)
            gradient = gradient - bent
        return value, gradient

    def on(self, axes: Sequence[np.ndarray]) -> np.ndarray:
        """Values on a grid of points, shape of the axes' lengths."""
        inside = all(
            own[0] <= asked[0] and asked[-1] <= own[-1]
            for own, asked in zip(self.axes, axes, strict=True)
        )
        if inside and self._two is not None:
            return np.asarray(self._two(*axes))
        mesh = np.meshgrid(*axes, indexing="ij")
        points = np.column_stack([m.ravel() for m in mesh])
        if self._two is None or inside:
            return self.at(points)[0].reshape(mesh[0].shape)
        return self._on_and_beyond(axes)

    def _on_and_beyond(self, axes: Sequence[np.ndarray]) -> np.ndarray:
        """The same where the grid goes beyond the lattice: what is clipped is on a grid, too."""
        assert self._two is not None
        clipped = [np.clip(a, own[0], own[-1]) for a, own in zip(axes, self.axes, strict=True)]
        beyond = [a - c for a, c in zip(axes, clipped, strict=True)]
        unique = [np.unique(c, return_inverse=True) for c in clipped]
        places = np.ix_(unique[0][1], unique[1][1])
        x, z = unique[0][0], unique[1][0]
        value = self._two(x, z)[places]
        first, second = beyond[0][:, None], beyond[1][None, :]
        k = self.information
        value = value + self._two(x, z, dx=1)[places] * first
        value = value + self._two(x, z, dy=1)[places] * second
        bent = k[0, 0] * first**2 + 2.0 * k[0, 1] * first * second + k[1, 1] * second**2
        return np.asarray(value - 0.5 * bent)


def continued(values: np.ndarray) -> np.ndarray:
    """What is not known, continued from three known values in a row with the same bend.

    Along every direction that offers three; their mean where there are several. Never
    rising outwards from what is known.
    """
    values = np.array(values, dtype=float)
    if not np.isfinite(values).any():
        raise ValueError("nothing is known of this surface")
    known = values.copy()
    moves = [(axis, side) for axis in range(values.ndim) for side in (1, -1)]
    for _ in range(sum(values.shape)):
        missing = np.isnan(values)
        if not missing.any():
            break
        ways = np.array([_continued_along(values, known, *move) for move in moves])
        offered = np.isfinite(ways)
        new = missing & offered.any(axis=0)
        if not new.any():
            break
        total = np.where(offered, ways, 0.0).sum(axis=0)
        values[new] = total[new] / offered.sum(axis=0)[new]
    lowest = float(np.nanmin(values))
    return np.asarray(np.where(np.isnan(values), lowest - _FAR_DOWN, values))


def _continued_along(values: np.ndarray, known: np.ndarray, axis: int, side: int) -> np.ndarray:
    """What three values in a row to one side make of every place; NaN where there are not three."""
    first, second, third = (_shifted(values, axis, side * steps) for steps in (1, 2, 3))
    bend = first - 2.0 * second + third
    # Far out small errors of the bend would grow without end.
    on = 2.0 * first - second + np.clip(bend, _MOST_BEND, 0.0)
    # A hole may hold the top; what lies outside all that is known may not rise.
    hole = np.isfinite(_shifted(known, axis, -side))
    return np.asarray(np.where(hole, 2.0 * first - second + bend, np.minimum(on, first)))


def _shifted(values: np.ndarray, axis: int, by: int) -> np.ndarray:
    """At every place the value so many steps on; NaN beyond the end."""
    found = np.full_like(values, np.nan)
    n = values.shape[axis]
    if abs(by) < n:
        to, come = slice(max(-by, 0), n - max(by, 0)), slice(max(by, 0), n + min(by, 0))
        moved = np.moveaxis(found, axis, 0)
        moved[to] = np.moveaxis(values, axis, 0)[come]
    return found


def _top_of(surface: LikelihoodSurface) -> np.ndarray:
    """The highest point of the lattice, then of finer grids about it."""
    peak = np.unravel_index(int(np.nanargmax(surface.known)), surface.known.shape)
    steps = [a[1] - a[0] for a in surface.axes]
    centre = np.array([a[k] for a, k in zip(surface.axes, peak, strict=True)])
    size = 1.0
    for _ in range(3):
        axes = [
            np.clip(np.linspace(c - size * h, c + size * h, 21), a[0], a[-1])
            for c, h, a in zip(centre, steps, surface.axes, strict=True)
        ]
        mesh = np.meshgrid(*axes, indexing="ij")
        points = np.column_stack([m.ravel() for m in mesh])
        centre = points[int(np.argmax(surface.at(points)[0]))]
        size /= 10.0
    return np.asarray(centre)


def _curvature(surface: LikelihoodSurface) -> np.ndarray:
    """A parabola through the known values within 3 of the top, by least squares."""
    mesh = np.meshgrid(*surface.axes, indexing="ij")
    values = surface.known
    points = np.column_stack([m.ravel() for m in mesh])
    m = surface.dimensions
    pairs = [(i, j) for i in range(m) for j in range(i + 1)]
    top = float(np.nanmax(values))
    for within in (3.0, 6.0, 12.0, np.inf):
        near = np.isfinite(values.ravel()) & (values.ravel() >= top - within)
        if near.sum() >= 2 * (1 + m + len(pairs)):
            break
    own = points[near]
    centre = own.mean(axis=0)
    own = own - centre
    columns = [np.ones(len(own)), *own.T, *(own[:, i] * own[:, j] for i, j in pairs)]
    found = np.linalg.lstsq(np.column_stack(columns), values.ravel()[near], rcond=None)[0]
    bend = np.zeros((m, m))
    for (i, j), value in zip(pairs, found[1 + m :], strict=True):
        bend[i, j] = bend[j, i] = -2.0 * value if i == j else -value
    sizes, directions = np.linalg.eigh(bend)
    least = 1e-3 * max(float(sizes.max()), 1e-6)
    return np.asarray(directions @ np.diag(np.maximum(sizes, least)) @ directions.T)


class SurfaceSum:
    """The sum of log-likelihood surfaces of independent records.

    Parameters
    ----------
    surfaces
        At least one. Those of one dimension are of the last effect alone and add along it.
    """

    def __init__(self, surfaces: Sequence[LikelihoodSurface]) -> None:
        if not surfaces:
            raise ValueError("a sum needs at least one surface")
        self.surfaces = tuple(surfaces)
        self.dimensions = max(s.dimensions for s in surfaces)

    def at(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Values, shape (k,), and gradients, shape (k, m), at points, shape (k, m)."""
        value, gradient = np.zeros(len(points)), np.zeros((len(points), self.dimensions))
        for surface in self.surfaces:
            first = self.dimensions - surface.dimensions
            own, slope = surface.at(points[:, first:])
            value += own
            gradient[:, first:] += slope
        return value, gradient

    @cached_property
    def information(self) -> np.ndarray:
        """Curvature of the sum, from that of each about its own top, shape (m, m)."""
        total = np.zeros((self.dimensions, self.dimensions))
        for surface in self.surfaces:
            first = self.dimensions - surface.dimensions
            total[first:, first:] += surface.information
        return total

    @cached_property
    def top(self) -> np.ndarray:
        """Where the sum is highest, shape (m,): from the mean of the tops weighted by curvature."""
        pull = np.zeros(self.dimensions)
        for surface in self.surfaces:
            first = self.dimensions - surface.dimensions
            pull[first:] += surface.information @ surface.top
        start = np.linalg.solve(self.information, pull)
        found = optimize.minimize(
            lambda b: tuple(-v[0] for v in self.at(b[None, :])),
            start,
            jac=True,
            method="BFGS",
            options={"gtol": 1e-6},
        )
        return np.asarray(found.x)

    def on(self, axes: Sequence[np.ndarray]) -> np.ndarray:
        """Values on a grid of points, shape of the axes' lengths."""
        total = np.zeros(tuple(map(len, axes)))
        for surface in self.surfaces:
            own = surface.on(axes[self.dimensions - surface.dimensions :])
            total += own if own.ndim == total.ndim else own[None, :]
        return total

    def limits(self, effect: int, drop: float) -> Limits:
        """Where one effect is likeliest, and where the sum is lower by ``drop``, others at best.

        Limits are infinite where they are farther than 40 standard errors away, or, for a
        single surface, where they lie beyond what is known of it.
        """
        if len(self.surfaces) == 1:
            axes = [
                np.linspace(a[0], a[-1], _points(_PER_STEP * len(a))) for a in self.surfaces[0].axes
            ]
            return self._profile(axes, effect).limits(drop)
        errors = np.sqrt(np.diag(np.linalg.inv(self.information)))
        finest = 1.0 / np.sqrt(np.diag(self.information))
        for reach in (5.0, 15.0, 40.0):
            axes = [
                np.linspace(t - reach * e, t + reach * e, _points(2.0 * _PER_STEP * reach * e / f))
                for t, e, f in zip(self.top, errors, finest, strict=True)
            ]
            found = self._profile(axes, effect).limits(drop)
            if np.isfinite([found.low, found.high]).all():
                break
        return found

    def highest_apart(self, effect: int) -> float:
        """The highest sum where each surface has a value of its own of one of two effects.

        The other effect is common to all.
        """
        other = 1 - effect
        errors = np.sqrt(np.diag(np.linalg.inv(self.information)))
        wide = [np.sqrt(np.diag(np.linalg.inv(s.information))) for s in self.surfaces]
        reach = 8.0 * errors[other]
        common = np.linspace(self.top[other] - reach, self.top[other] + reach, _POINTS)
        total = np.zeros(_POINTS)
        for surface, error in zip(self.surfaces, wide, strict=True):
            if surface.dimensions == 1:
                # Of the last effect alone: what is common if the other one is apart, or
                # itself apart.
                own = surface.on([common]) if effect == 0 else surface.at(surface.top[None, :])[0]
                total += own
                continue
            low = min(surface.axes[effect][0], surface.top[effect] - 8.0 * error[effect])
            high = max(surface.axes[effect][-1], surface.top[effect] + 8.0 * error[effect])
            apart = np.linspace(low, high, _POINTS)
            axes = [common, apart] if other == 0 else [apart, common]
            values = surface.on(axes)
            total += _row_peaks(values if other == 0 else values.T)
        return float(total.max())

    def _profile(self, axes: Sequence[np.ndarray], effect: int) -> Profile:
        values = self.on(axes)
        if values.ndim == 1:
            return Profile(axes[0], values, np.zeros(len(values), dtype=bool))
        across = values if effect == 0 else values.T
        best = across.argmax(axis=1)
        at_edge = (best == 0) | (best == across.shape[1] - 1)
        return Profile(axes[effect], _row_peaks(across), at_edge)


def _points(wanted: float) -> int:
    return int(np.clip(np.ceil(wanted), _POINTS, _MOST_POINTS))


def _row_peaks(values: np.ndarray) -> np.ndarray:
    """The top of each row, by the parabola through its three highest points."""
    k = np.clip(values.argmax(axis=1), 1, values.shape[1] - 2)
    rows = np.arange(len(values))
    before, middle, after = (values[rows, k + move] for move in (-1, 0, 1))
    slope, bend = (after - before) / 2.0, after - 2.0 * middle + before
    with np.errstate(divide="ignore", invalid="ignore"):
        move = np.where(bend < 0.0, np.clip(-slope / bend, -1.0, 1.0), 0.0)
    top = middle + slope * move + bend * move * move / 2.0
    return np.asarray(np.maximum(top, values.max(axis=1)))
