"""Effects that differ between units, from each unit's likelihood rather than its estimate.

Each unit's effects are taken as drawn from a normal distribution; its likelihood surface is
integrated over that. No unit's surface need look like a parabola.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np
from scipy import optimize

from outcomes.errors import FitError
from outcomes.models.likelihood_surface import LikelihoodSurface, SurfaceSum

_NODES = 7  # of Gauss and Hermite, along each effect
_STARTS = (0.5, 3.0)  # spreads to start from, in errors of the mean effect
_GRADIENT = 1e-5
_LEAST_GAIN = 1e-6
_CLOSE = 1e-3  # of the signed root
_MOST_STEPS = 25
_FARTHEST = 60.0  # errors


@dataclass(frozen=True, slots=True)
class UnitsApart:
    """Mean effects of units that differ, and how much they differ.

    Attributes
    ----------
    mean, spread
        By maximum likelihood, shape (m,): mean over units and standard deviation between them.
    log_likelihood
        There.
    """

    mean: np.ndarray
    spread: np.ndarray
    log_likelihood: float


class UnitsFromNormal:
    """The likelihood of mean effects and spreads between units.

    Parameters
    ----------
    surfaces
        One per unit, of all effects or of the last alone.
    may_differ
        Which effects may differ between units, shape (m,); the spread of others is 0.

    Notes
    -----
    Spreads of several effects are taken as independent. Each integral is by adaptive
    Gauss-Hermite quadrature about the peak that a parabola in the unit's place would have.

    References
    ----------
    Pinheiro JC, Bates DM (1995). Approximations to the log-likelihood function in the
    nonlinear mixed-effects model. Journal of Computational and Graphical Statistics 4, 12-35,
    for the quadrature. Van Houwelingen HC, Zwinderman KH, Stijnen T (1993). A bivariate
    approach to meta-analysis. Statistics in Medicine 12, 2273-2284, for likelihoods of units
    integrated over a distribution of effects.
    """

    def __init__(
        self, surfaces: Sequence[LikelihoodSurface], may_differ: Sequence[bool] | None = None
    ) -> None:
        self.together = SurfaceSum(surfaces)
        self.m = self.together.dimensions
        kinds = sorted({surface.dimensions for surface in surfaces})
        self._of_one_kind = [
            _OneKind([s for s in surfaces if s.dimensions == kind]) for kind in kinds
        ]
        differ = [True] * self.m if may_differ is None else list(may_differ)
        self.free = np.array([True] * self.m + differ)
        self.error = np.sqrt(np.diag(np.linalg.inv(self.together.information)))
        self._best: UnitsApart | None = None

    # ---- the likelihood ----------------------------------------------------------------

    def at(self, parameters: np.ndarray) -> tuple[float, np.ndarray]:
        """Log-likelihood and gradient at means and spreads, shape (2 m,)."""
        mean, spread = parameters[: self.m], parameters[self.m :]
        value, gradient = 0.0, np.zeros(2 * self.m)
        for alike in self._of_one_kind:
            first = self.m - alike.dimensions
            own, by_mean, by_spread = alike.integrate(mean[first:], spread[first:])
            value += own
            gradient[first : self.m] += by_mean
            gradient[self.m + first :] += by_spread
        return value, gradient

    def _climb(self, start: np.ndarray, held: int | None = None) -> tuple[np.ndarray, float]:
        """The maximum in everything but one parameter held where it starts."""
        free = self.free.copy()
        if held is not None:
            free[held] = False
        scale = np.concatenate([self.error, self.error])[free]

        def lost(moved: np.ndarray) -> tuple[float, np.ndarray]:
            at = start.copy()
            at[free] += moved * scale
            value, gradient = self.at(at)
            return -value, -gradient[free] * scale

        found = optimize.minimize(
            lost, np.zeros(int(free.sum())), jac=True, method="BFGS", options={"gtol": _GRADIENT}
        )
        at = start.copy()
        at[free] += found.x * scale
        # A spread's sign tells nothing.
        at[self.m :] = np.abs(at[self.m :])
        return at, -float(found.fun)

    @property
    def best(self) -> UnitsApart:
        """The maximum over all means and spreads."""
        if self._best is None:
            best, top = None, -np.inf
            for size in (0.0, *_STARTS):
                spread = np.where(self.free[self.m :], size * self.error, 0.0)
                at, value = self._climb(np.concatenate([self.together.top, spread]))
                if value > top + _LEAST_GAIN:
                    best, top = at, value
            assert best is not None
            self._best = UnitsApart(best[: self.m], best[self.m :], top)
        return self._best

    # ---- limits ------------------------------------------------------------------------

    def limits_of_mean(self, effect: int, critical: float) -> tuple[float, float]:
        """Where the signed root of a mean's likelihood ratio is plus and minus ``critical``.

        Raises
        ------
        FitError
            The likelihood hardly falls to one side.
        """
        low, high = (self._crossing(effect, side * critical) for side in (-1.0, 1.0))
        return low, high

    def limits_of_spread(self, effect: int, critical: float) -> tuple[float, float]:
        """The same of a spread: 0 below where the records allow for none.

        The upper limit is infinite where the likelihood hardly falls.
        """
        place = self.m + effect
        start = np.concatenate([self.best.mean, self.best.spread])
        start[place] = 0.0
        none = self._climb(start, held=place)[1]
        low = 0.0
        if 2.0 * (self.best.log_likelihood - none) > critical**2:
            low = self._crossing(place, -critical)
        try:
            return low, self._crossing(place, critical)
        except FitError:
            return low, np.inf

    def _crossing(self, place: int, wanted: float) -> float:
        """The value whose signed root is ``wanted``, by secants kept within a bracket."""
        at = np.concatenate([self.best.mean, self.best.spread])
        error = float(self.error[place % self.m])
        inside, root_inside = float(at[place]), 0.0
        outside, root_outside = np.nan, np.nan
        floor = 0.0 if place >= self.m else -float("inf")
        value = max(float(inside + wanted * error), floor)
        for _ in range(_MOST_STEPS):
            at = at.copy()
            at[place] = value
            at, likelihood = self._climb(at, held=place)
            lost = max(2.0 * (self.best.log_likelihood - likelihood), 0.0)
            root = float(np.copysign(np.sqrt(lost), wanted))
            if abs(root - wanted) < _CLOSE:
                return value
            if abs(root) < abs(wanted):
                inside, root_inside = value, root
            else:
                outside, root_outside = value, root
            if np.isnan(outside):
                value += float(np.copysign(max(1.2 * abs(wanted - root), 0.3) * error, wanted))
                if abs(value - inside) > _FARTHEST * error or value < floor:
                    raise FitError("the likelihood hardly falls to one side: no limit can be given")
                error *= 1.3
            else:
                share = (wanted - root_inside) / (root_outside - root_inside)
                value = inside + min(max(share, 0.05), 0.95) * (outside - inside)
        raise FitError("the limit was not found in a reasonable number of steps")


class _OneKind:
    """Surfaces of the same effects, integrated side by side."""

    def __init__(self, surfaces: Sequence[LikelihoodSurface]) -> None:
        self.surfaces = tuple(surfaces)
        self.dimensions = surfaces[0].dimensions
        self.known = np.array([surface.information for surface in surfaces])
        self.tops = np.array([surface.top for surface in surfaces])

    def integrate(
        self, mean: np.ndarray, spread: np.ndarray
    ) -> tuple[float, np.ndarray, np.ndarray]:
        """Sum of the logarithms of likelihoods integrated over a normal, with its gradients."""
        m = self.dimensions
        if not spread.any():
            found = [surface.at(mean[None, :]) for surface in self.surfaces]
            at_mean = float(sum(own[0] for own, _ in found))
            return at_mean, np.sum([slope[0] for _, slope in found], axis=0), np.zeros(m)
        # In standard normal coordinates a parabola in a surface's place has this peak.
        precision = np.eye(m) + spread[:, None] * self.known * spread[None, :]
        pull = spread * np.einsum("kij,kj->ki", self.known, self.tops - mean)
        peak = np.linalg.solve(precision, pull[:, :, None])[:, :, 0]
        factor = np.linalg.cholesky(np.linalg.inv(precision))
        nodes, log_weights = _quadrature(m)
        z = peak[:, None, :] + np.einsum("qj,kij->kqi", nodes, factor)
        found = [
            surface.at(mean + own * spread) for surface, own in zip(self.surfaces, z, strict=True)
        ]
        value = np.array([own for own, _ in found])
        slope = np.array([own for _, own in found])
        size = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
        terms = log_weights + 0.5 * (nodes**2).sum(axis=1) - 0.5 * (z**2).sum(axis=2) + value
        highest = terms.max(axis=1)
        share = np.exp(terms - highest[:, None])
        total = share.sum(axis=1)
        share = share / total[:, None]
        by_mean = np.einsum("kq,kqi->i", share, slope)
        by_spread = np.einsum("kq,kqi,kqi->i", share, slope, z)
        return float((highest + np.log(total) + size).sum()), by_mean, by_spread


@cache
def _quadrature(m: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes of a standard normal in m dimensions, shape (k, m), and logarithms of weights."""
    node, weight = np.polynomial.hermite_e.hermegauss(_NODES)
    weight = weight / weight.sum()
    nodes = np.array(list(product(node, repeat=m)))
    weights = np.array([np.prod(w) for w in product(weight, repeat=m)])
    return nodes, np.log(weights)
