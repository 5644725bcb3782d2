"""Shapes a change along an exposure may have, and where the records can carry them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from outcomes.models.splines import natural_spline

ShapeKind = Literal["line", "log", "step", "levels off", "sets in"]
_SOURCES_EITHER_SIDE = 4
_TRIALS_EITHER_SIDE = 0.08
_DECILES = np.arange(0.1, 0.95, 0.1)
_MOST_STEPS = 40  # places of a step that are weighed
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
_MOST_OF_IT = 0.9


def step_range(weighed: Sequence[WeightedShape]) -> tuple[float, float] | None:
    """Lowest and highest place of a step, of those that together have 90 % of the steps' support.

    None where no step was weighed.

    Examples
    --------
    >>> step_range([WeightedShape(Shape("step", k), w, 0.0) for k, w in ((9, 0.6), (11, 0.3))])
    (9, 11)
    """
    steps = sorted((w for w in weighed if w.shape.kind == "step"), key=lambda w: -w.weight)
    total = sum(w.weight for w in steps)
    held: list[float] = []
    share = 0.0
    for one in steps:
        if one.shape.knot is None or share >= _MOST_OF_IT * total:
            break
        held.append(one.shape.knot)
        share += one.weight
    return (min(held), max(held)) if held else None


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
    kinds: tuple[ShapeKind, ...] = ("step", "levels off", "sets in")
    knots = _knots(exposure, sources, _DECILES)
    return (Shape("line"), Shape("log"), *(Shape(k, knot) for knot in knots for k in kinds))


def step_shapes(exposure: np.ndarray, sources: np.ndarray) -> tuple[Shape, ...]:
    """Steps at every exposure at which the records can carry one; at most 40, spread evenly.

    By the rules of :func:`candidate_shapes`. Where a step lies is never known: between two
    tenths of the trials there may be many exposures, and a limit hangs on each.
    """
    above = np.unique(exposure[exposure > 0.0])
    shares = np.linspace(0.0, 1.0, _MOST_STEPS)
    # The tenths are tried in any case, so that no step is lost to a finer grid.
    places = above if len(above) <= _MOST_STEPS else np.quantile(above, shares, method="lower")
    knots = {*_carried(places, exposure, sources), *_knots(exposure, sources, _DECILES)}
    return tuple(Shape("step", knot) for knot in sorted(knots))


def _knots(exposure: np.ndarray, sources: np.ndarray, shares: np.ndarray) -> list[float]:
    above = exposure[exposure > 0.0]
    if not len(above):
        return []
    return _carried(np.quantile(above, shares, method="lower"), exposure, sources)


def _carried(places: np.ndarray, exposure: np.ndarray, sources: np.ndarray) -> list[float]:
    """Places of a knot with sources and trials enough on either side."""
    found = []
    for knot in np.unique(places):
        past = exposure > knot
        if not _TRIALS_EITHER_SIDE <= past.mean() <= 1.0 - _TRIALS_EITHER_SIDE:
            continue
        sides = (len(np.unique(sources[side])) for side in (past, ~past))
        if min(sides) >= _SOURCES_EITHER_SIDE:
            found.append(float(knot))
    return found


def smooth_columns(exposure: np.ndarray) -> np.ndarray:
    """A natural cubic spline with three degrees of freedom, shape (n, 3 or fewer)."""
    above = exposure[exposure > 0.0]
    knots = np.unique(np.quantile(above, _KNOTS)) if len(above) else np.zeros(0)
    if len(knots) < 3:
        return np.asarray(exposure, dtype=float)[:, None]
    return np.column_stack([exposure, natural_spline(exposure, knots.tolist())])
