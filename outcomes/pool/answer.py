"""What several units' shares say together about cycles and age."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from outcomes.errors import FitError, UsageError
from outcomes.models.distributions import chi_square_tail, normal_quantile, student_quantile
from outcomes.models.likelihood_ratio import likelihood_ratio
from outcomes.models.likelihood_surface import LikelihoodSurface, Limits, SurfaceSum
from outcomes.models.meta_analysis import (
    SPREADS_BY,
    CombinedEstimate,
    SpreadBy,
    combine_estimates,
)
from outcomes.models.surfaces_together import UnitsFromNormal
from outcomes.pool.share import Definition, Share
from outcomes.pool.unit_surface import SharedName

CONFIDENCE = 0.95
UNITS_FOR_SPREAD = 5
"""From so many units on, they are taken to differ; fewer cannot tell by how much."""
_UNITS_FOR_PREDICTION = 3
_UNLIKE = 0.05  # p-value below which units are said to differ

Method = Literal["sum", "normal between units"]


@dataclass(frozen=True, slots=True)
class UnitSlope:
    """One unit's own slope, the other at its best.

    Attributes
    ----------
    unit_code
        The unit.
    estimate, low, high
        Log-odds per 10 cycles or per year, 95 % limits from its likelihood; a limit is None
        where its share does not reach it.
    apart
        Its limits leave out what the units say together.
    """

    unit_code: str
    estimate: float
    low: float | None
    high: float | None
    apart: bool


@dataclass(frozen=True, slots=True)
class BetweenUnits:
    """Standard deviation between units of a slope, with 95 % limits; ``high`` None: no bound."""

    sd: float
    low: float
    high: float | None


@dataclass(frozen=True, slots=True)
class Prediction:
    """Where another unit's slope lies, 95 in 100 times.

    Attributes
    ----------
    low, high
        The limits.
    sd
        Standard deviation of a normal distribution with those limits.
    """

    low: float
    high: float
    sd: float


@dataclass(frozen=True, slots=True)
class SlopeTogether:
    """What units say together of one slope.

    Attributes
    ----------
    exposure
        Cycles (per 10) or age (per year).
    units
        Each unit's own, in the order of the shares.
    method
        The sum, which holds if units are alike, or units drawn from a normal distribution.
    estimate, std_error, low, high
        Of the mean slope, log-odds, with 95 % limits; None where the likelihood sets none.
    between_units
        None with fewer than five units, or where the likelihood sets no limit.
    prediction
        None with fewer than three units, or without limits.
    unlike_p
        p-value of a common slope, by the sum of the likelihoods; None with one unit.
    beside
        How the variance between units was found → the same from estimates and errors alone.
    without_limits
        Units not among those, because their own limits are not both known.
    """

    exposure: SharedName
    units: tuple[UnitSlope, ...]
    method: Method
    estimate: float
    std_error: float | None
    low: float | None
    high: float | None
    between_units: BetweenUnits | None
    prediction: Prediction | None
    unlike_p: float | None
    beside: Mapping[SpreadBy, CombinedEstimate]
    without_limits: tuple[str, ...]

    @property
    def changes(self) -> Literal["falls", "rises", "not told"]:
        """What the limits say of finds as the exposure rises."""
        if self.high is not None and self.high < 0.0:
            return "falls"
        return "rises" if self.low is not None and self.low > 0.0 else "not told"

    @property
    def disagree(self) -> bool:
        """Whether the units differ by more than chance."""
        return self.unlike_p is not None and self.unlike_p < _UNLIKE


@dataclass(frozen=True, slots=True)
class PoolAnswer:
    """What several shares say together.

    Attributes
    ----------
    added
        Shares whose surfaces were added up.
    beside
        Shares with a bend, which no slope stands for.
    definition
        Common to all.
    slopes
        Exposure → what the units say of it; empty where nothing could be added.
    """

    added: tuple[Share, ...]
    beside: tuple[Share, ...]
    definition: Definition
    slopes: Mapping[SharedName, SlopeTogether]


def pool_shares(shares: Sequence[Share]) -> PoolAnswer:
    """Put shares together; they are of different units and of one definition.

    Parameters
    ----------
    shares
        In any order; the answer does not depend on it.

    Raises
    ------
    UsageError
        None is given.
    """
    if not shares:
        raise UsageError("name at least two share files.")
    ordered = sorted(shares, key=lambda share: share.unit_code)
    added = tuple(s for s in ordered if s.surface is not None)
    surfaces = {s.unit_code: s.surface.as_function() for s in added if s.surface is not None}
    return PoolAnswer(
        added=added,
        beside=tuple(s for s in ordered if s.surface is None),
        definition=ordered[0].definition,
        slopes=add_up(surfaces),
    )


def add_up(surfaces: Mapping[str, LikelihoodSurface]) -> dict[SharedName, SlopeTogether]:
    """What units' surfaces say together, for each exposure that any of them is of.

    Parameters
    ----------
    surfaces
        Unit → its surface, of cycles and age or of age alone.
    """
    if not surfaces:
        return {}
    dimensions = max(s.dimensions for s in surfaces.values())
    names: tuple[SharedName, ...] = ("cycles", "age") if dimensions == 2 else ("age",)
    counted = [
        sum(s.dimensions + effect >= dimensions for s in surfaces.values())
        for effect in range(dimensions)
    ]
    differ = [k >= UNITS_FOR_SPREAD for k in counted]
    together = SurfaceSum(list(surfaces.values()))
    normal = UnitsFromNormal(list(surfaces.values()), differ) if any(differ) else None
    found: dict[SharedName, SlopeTogether] = {}
    for effect, name in enumerate(names):
        own = {u: s for u, s in surfaces.items() if s.dimensions + effect >= dimensions}
        by_normal = normal if differ[effect] else None
        found[name] = _slope(name, effect, own, together, by_normal)
    return found


def _slope(
    exposure: SharedName,
    effect: int,
    surfaces: Mapping[str, LikelihoodSurface],
    together: SurfaceSum,
    normal: UnitsFromNormal | None,
) -> SlopeTogether:
    k = len(surfaces)
    each = {
        unit: SurfaceSum([s]).limits(effect - (together.dimensions - s.dimensions), _drop())
        for unit, s in surfaces.items()
    }
    beside, without_limits = _from_estimates(each)
    if normal is None:
        method: Method = "sum"
        limits = together.limits(effect, _drop())
        estimate, low, high = limits.estimate, _known(limits.low), _known(limits.high)
        critical = float(normal_quantile(0.5 + CONFIDENCE / 2.0))
        between = None
    else:
        method = "normal between units"
        critical = float(student_quantile(0.5 + CONFIDENCE / 2.0, k - 1))
        estimate = float(normal.best.mean[effect])
        low, high = _limits_of_mean(normal, effect, critical)
        between = _between(normal, effect)
    error = None if low is None or high is None else (high - low) / (2.0 * critical)
    return SlopeTogether(
        exposure=exposure,
        units=tuple(_of_unit(unit, own, estimate) for unit, own in each.items()),
        method=method,
        estimate=estimate,
        std_error=error,
        low=low,
        high=high,
        between_units=between,
        prediction=_predict(k, estimate, error, beside),
        unlike_p=_unlike(list(surfaces.values()), effect, together) if k > 1 else None,
        beside=beside,
        without_limits=without_limits,
    )


def _drop() -> float:
    """Fall of a log-likelihood at 95 % limits: 1.92."""
    return float(normal_quantile(0.5 + CONFIDENCE / 2.0)) ** 2 / 2.0


def _known(limit: float) -> float | None:
    return float(limit) if np.isfinite(limit) else None


def _of_unit(unit: str, own: Limits, together: float) -> UnitSlope:
    apart = not own.low <= together <= own.high
    return UnitSlope(unit, own.estimate, _known(own.low), _known(own.high), apart)


def _limits_of_mean(
    normal: UnitsFromNormal, effect: int, critical: float
) -> tuple[float | None, float | None]:
    try:
        low, high = normal.limits_of_mean(effect, critical)
    except FitError:
        return None, None
    return float(low), float(high)


def _between(normal: UnitsFromNormal, effect: int) -> BetweenUnits | None:
    critical = float(normal_quantile(0.5 + CONFIDENCE / 2.0))
    try:
        low, high = normal.limits_of_spread(effect, critical)
    except FitError:
        return None
    return BetweenUnits(float(normal.best.spread[effect]), float(low), _known(high))


def _from_estimates(
    each: Mapping[str, Limits],
) -> tuple[dict[SpreadBy, CombinedEstimate], tuple[str, ...]]:
    """The same from each unit's estimate and the error that its limits make."""
    wide = 2.0 * float(normal_quantile(0.5 + CONFIDENCE / 2.0))
    closed = [own for own in each.values() if np.isfinite([own.low, own.high]).all()]
    left = tuple(u for u, own in each.items() if not np.isfinite([own.low, own.high]).all())
    if len(closed) < 2:
        return {}, left
    estimates = np.array([own.estimate for own in closed])
    errors = np.array([(own.high - own.low) / wide for own in closed])
    return {by: combine_estimates(estimates, errors, by, CONFIDENCE) for by in SPREADS_BY}, left


def _predict(
    k: int, estimate: float, error: float | None, beside: Mapping[SpreadBy, CombinedEstimate]
) -> Prediction | None:
    """Another unit's slope: its mean is open by the error, itself by the spread.

    The spread is that by restricted maximum likelihood, which is not drawn towards zero as
    the likeliest is.
    """
    if k < _UNITS_FOR_PREDICTION or error is None or "REML" not in beside:
        return None
    spread = float(np.sqrt(beside["REML"].variance + error**2))
    half = float(student_quantile(0.5 + CONFIDENCE / 2.0, k - 2)) * spread
    sd = half / float(normal_quantile(0.5 + CONFIDENCE / 2.0))
    return Prediction(estimate - half, estimate + half, sd)


def _unlike(surfaces: Sequence[LikelihoodSurface], effect: int, together: SurfaceSum) -> float:
    """p-value of a common slope: the gain in likelihood if each unit had one of its own.

    The other slope is common in both. Units without this exposure tell of the other alone.
    """
    common = float(together.at(together.top[None, :])[0][0])
    if together.dimensions == 1:
        apart = sum(float(s.at(s.top[None, :])[0][0]) for s in surfaces)
    else:
        apart = together.highest_apart(effect)
    return float(chi_square_tail(likelihood_ratio(apart, common), len(surfaces) - 1))
