"""Shapes a change along an exposure may have, and where the records can carry them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from outcomes.models.splines import natural_spline

ShapeKind = Literal["line", "log", "step", "levels off", "sets in"]
_SOURCES_EITHER_SIDE = 4
_TRIALS_EITHER_SIDE = 0.08
_DECILES = np.arange(0.1, 0.95, 0.1)
_KNOTS = (0.05, 0.35, 0.65, 0.95)


@dataclass(frozen=True, slots=True)
class Shape:
    """One shape of a change along an exposure: a single column, whatever the exposure.

    Attributes
    ----------
    kind
        ``line``; ``log``, to base 2 and of 1 + the exposure; ``step``, past the knot; ``levels
        off``, a line
        up to the knot; ``sets in``, a line from the knot on.
    knot
        In the unit of the exposure; None for a line and a logarithm.

    Examples
    --------
    >>> Shape("step", 10.0).values(np.array([4.0, 10.0, 11.0]))
    array([0., 0., 1.])
    >>> Shape("levels off", 10.0).values(np.array([4.0, 10.0, 11.0]))
    array([ 4., 10., 10.])
    """

    kind: ShapeKind
    knot: float | None = None

    def values(self, exposure: np.ndarray | float) -> np.ndarray:
        """The shape along exposures of any number, in the same form."""
        x = np.asarray(exposure, dtype=float)
        if self.kind == "line":
            return x
        if self.kind == "log":
            return np.asarray(np.log2(1.0 + np.maximum(x, 0.0)))
        assert self.knot is not None
        if self.kind == "step":
            return np.asarray(x > self.knot, dtype=float)
        if self.kind == "levels off":
            return np.asarray(np.minimum(x, self.knot))
        return np.asarray(np.maximum(x - self.knot, 0.0))

    @property
    def bent(self) -> bool:
        """Whether it is anything but a straight line."""
        return self.kind != "line"

    @property
    def parameters(self) -> int:
        """Parameters of its own: a knot counts as one."""
        return 1 if self.knot is None else 2


@dataclass(frozen=True, slots=True)
class WeightedShape:
    """A shape and its share of the support; ``criterion`` is Akaike's, a knot counted as one."""

    shape: Shape
    weight: float
    criterion: float


LINE = Shape("line")


def candidate_shapes(exposure: np.ndarray, sources: np.ndarray) -> tuple[Shape, ...]:
    """The shapes that the records can carry, line and logarithm first.

    A knot is tried at each tenth of the trials' exposures above none, where at least 4 sources
    and 8 in 100 trials lie on either side of it.

    Parameters
    ----------
    exposure
        At each trial, shape (n,). No missing values.
    sources
        Source of each trial, as codes from 0, shape (n,).
    """
    shapes = [Shape("line"), Shape("log")]
    above = exposure[exposure > 0.0]
    if not len(above):
        return tuple(shapes)
    for knot in np.unique(np.quantile(above, _DECILES, method="lower")):
        past = exposure > knot
        if not _TRIALS_EITHER_SIDE <= past.mean() <= 1.0 - _TRIALS_EITHER_SIDE:
            continue
        sides = (len(np.unique(sources[side])) for side in (past, ~past))
        if min(sides) >= _SOURCES_EITHER_SIDE:
            kinds: tuple[ShapeKind, ...] = ("step", "levels off", "sets in")
            shapes.extend(Shape(kind, float(knot)) for kind in kinds)
    return tuple(shapes)


def smooth_columns(exposure: np.ndarray) -> np.ndarray:
    """A natural cubic spline with three degrees of freedom, shape (n, 3 or fewer)."""
    above = exposure[exposure > 0.0]
    knots = np.unique(np.quantile(above, _KNOTS)) if len(above) else np.zeros(0)
    if len(knots) < 3:
        return np.asarray(exposure, dtype=float)[:, None]
    return np.column_stack([exposure, natural_spline(exposure, knots.tolist())])
