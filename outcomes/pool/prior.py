"""A unit's own slopes beside what a pool predicts for it, and both together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.results import Verdict
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.distributions import normal_quantile
from outcomes.models.ratio import Estimate, estimate_ratio
from outcomes.pool.answer import CONFIDENCE
from outcomes.pool.share import Definition
from outcomes.pool.unit_surface import EXPOSURE_OF, PER, SharedName

_CLASH = 1.645  # joint errors between a unit and a pool that part
_SAME_UNIT = 0.1  # of its own error: a unit of the pool with the same slopes is this one
CANNOT_SAY: tuple[Verdict, ...] = (
    "too few trials",
    "no change detected",
    "cannot be told apart",
)


@dataclass(frozen=True, slots=True)
class PooledSlopes:
    """What a pool says, as far as another unit needs it.

    Attributes
    ----------
    units
        Exposure → units that tell of it.
    predictions
        Exposure → limits (95 %) of another unit's slope, log-odds per 10 cycles or per year;
        those with too few units are not among them.
    means
        Exposure → the units' mean slope.
    told
        Exposures whose mean slope is told from no change.
    of_units
        Unit → exposure → its own slope.
    definition
        How they counted.
    """

    units: Mapping[SharedName, int]
    predictions: Mapping[SharedName, tuple[float, float]]
    means: Mapping[SharedName, float]
    told: tuple[SharedName, ...]
    of_units: Mapping[str, Mapping[SharedName, float]]
    definition: Definition


@dataclass(frozen=True, slots=True)
class UnitWithPool:
    """One exposure: the unit's own slope, what other units predict, and both.

    Attributes
    ----------
    exposure, units
        What it is of, and how many units the prediction rests on.
    own
        The unit's own estimate, per 10 cycles or per year; None without a model.
    pooled
        The pool's prediction for another unit; None with too few units in it.
    both
        The prediction as a start, and the unit's own records; None where the pool is not used.
    clash
        Own and predicted slope differ by more than 1.645 joint errors.
    own_can_say
        The unit's own records give an answer; the pool then changes nothing.
    in_pool
        The code of a unit of the pool with the very slopes of this one: its records would
        count twice.
    """

    exposure: SharedName
    units: int
    own: Estimate | None
    pooled: Estimate | None
    both: Estimate | None
    clash: bool
    own_can_say: bool
    in_pool: str | None

    @property
    def used(self) -> bool:
        """Whether the pool stands in the answer."""
        return self.both is not None and not self.own_can_say


def set_beside(fit: FindFit, verdict: Verdict, pool: PooledSlopes) -> UnitWithPool:
    """Set a unit's own answer beside a pool's.

    The prediction for another unit, never the interval of the mean, is the start: as a normal
    distribution with those limits, for both slopes at once where both are predicted.

    Parameters
    ----------
    fit
        The unit's own fit, along straight lines.
    verdict
        What its records say.
    pool
        What other units say.
    """
    exposure: SharedName = "cycles"
    if "cycles" not in pool.means or (pool.told == ("age",)):
        exposure = "age"
    own = _own(fit)
    centre = {e: pool.means[e] for e in pool.predictions}
    wide = 2.0 * float(normal_quantile(0.5 + CONFIDENCE / 2.0))
    spread = {e: (high - low) / wide for e, (low, high) in pool.predictions.items()}
    pooled = None
    if exposure in centre:
        pooled = _estimate(exposure, centre[exposure], spread[exposure])
    mine = own.get(exposure)
    clash = False
    if mine is not None and pooled is not None:
        joint = float(np.hypot(mine.std_error, pooled.std_error))
        clash = abs(mine.log_ratio - pooled.log_ratio) > _CLASH * joint
    in_pool = _in_pool(fit, pool)
    both = None
    if pooled is not None and not clash and in_pool is None:
        both = pooled if mine is None else _both(fit, exposure, centre, spread)
    return UnitWithPool(
        exposure=exposure,
        units=pool.units.get(exposure, 0),
        own=mine,
        pooled=pooled,
        both=both,
        clash=clash,
        own_can_say=verdict not in CANNOT_SAY,
        in_pool=in_pool,
    )


def _estimate(exposure: SharedName, log_odds: float, error: float) -> Estimate:
    unit = "10 cycles" if exposure == "cycles" else "year"
    alpha = 1.0 - CONFIDENCE
    return estimate_ratio(EXPOSURE_OF[exposure], unit, log_odds, error, alpha, float("inf"))


def _step(exposure: SharedName) -> float:
    return PER[exposure] / CYCLES_AND_AGE[EXPOSURE_OF[exposure]].divisor


def _present(fit: FindFit) -> dict[SharedName, int]:
    """Exposures in the model along a straight line, and where they stand in it."""
    places = {e: fit.design.column_of(name) for e, name in EXPOSURE_OF.items()}
    bent = fit.design.shapes
    return {e: k for e, k in places.items() if k is not None and EXPOSURE_OF[e] not in bent}


def _own(fit: FindFit) -> dict[SharedName, Estimate]:
    """The unit's own slopes, as its own page tells them but for the step."""
    if fit.reduced is None:
        return {}
    found: dict[SharedName, Estimate] = {}
    for exposure, place in _present(fit).items():
        step = _step(exposure)
        unit = "10 cycles" if exposure == "cycles" else "year"
        found[exposure] = estimate_ratio(
            EXPOSURE_OF[exposure],
            unit,
            float(fit.reduced.beta[place]) * step,
            float(np.sqrt(fit.reduced.cov[place, place])) * step,
            1.0 - CONFIDENCE,
            float(fit.freedom[place]),
        )
    return found


def _both(
    fit: FindFit,
    exposure: SharedName,
    centre: Mapping[SharedName, float],
    spread: Mapping[SharedName, float],
) -> Estimate:
    """Own slopes and prediction weighted by what each knows, all exposures at once."""
    assert fit.reduced is not None
    present = _present(fit)
    places = list(present.values())
    step = np.array([_step(e) for e in present])
    own = fit.reduced.beta[places] * step
    information = np.linalg.inv(fit.reduced.cov[np.ix_(places, places)] * np.outer(step, step))
    known = np.array([1.0 / spread[e] ** 2 if e in centre else 0.0 for e in present])
    start = np.array([centre.get(e, 0.0) for e in present])
    covariance = np.linalg.inv(information + np.diag(known))
    mean = covariance @ (information @ own + known * start)
    k = list(present).index(exposure)
    return _estimate(exposure, float(mean[k]), float(np.sqrt(covariance[k, k])))


def _in_pool(fit: FindFit, pool: PooledSlopes) -> str | None:
    """The unit of the pool whose slopes are this one's, by maximum likelihood."""
    if fit.mixed is None:
        return None
    present = _present(fit)
    if not present:
        return None
    for code, slopes in pool.of_units.items():
        near = [
            abs(slopes[e] - float(fit.mixed.beta[k]) * _step(e))
            < _SAME_UNIT * float(np.sqrt(fit.mixed.cov[k, k])) * _step(e)
            for e, k in present.items()
            if e in slopes
        ]
        if near and all(near) and len(near) == len(slopes):
            return code
    return None
