"""The ``pool`` section of ``results.json``: own, pool and both side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from outcomes.answers.facts import Facts
from outcomes.models.ratio import Estimate as FittedEstimate
from outcomes.pool.answer import CONFIDENCE
from outcomes.pool.unit_surface import SharedName
from outcomes.report.results.values import Estimate, told_as_ratio
from outcomes.wording.pool_beside import describe_with_pool


@dataclass(frozen=True, slots=True, kw_only=True)
class PoolSection:
    """The unit's own slope beside that of several units.

    Attributes
    ----------
    units
        How many the prediction rests on.
    exposure, unit
        What the slopes are of, and per which step.
    own
        By this unit's records alone.
    pooled
        What the other units predict for another one; its limits are those of the prediction.
    both
        The prediction as a start and this unit's records; null where the pool is not used.
    clash
        Own and predicted slope part, so the pool is not used.
    used
        This unit's records cannot say, and ``both`` stands in the answer.
    sentence
        The same in words.
    """

    units: int
    exposure: SharedName
    unit: Literal["10 cycles", "year"]
    own: Estimate | None
    pooled: Estimate | None
    both: Estimate | None
    clash: bool
    used: bool
    sentence: str


def make_pool(facts: Facts) -> PoolSection | None:
    """The section; None where no pool was given."""
    found = facts.with_pool
    if found is None:
        return None
    return PoolSection(
        units=found.units,
        exposure=found.exposure,
        unit="10 cycles" if found.exposure == "cycles" else "year",
        own=_told(found.own),
        pooled=_told(found.pooled),
        both=_told(found.both),
        clash=found.clash,
        used=found.used,
        sentence=describe_with_pool(found),
    )


def _told(estimate: FittedEstimate | None) -> Estimate | None:
    return None if estimate is None else told_as_ratio(estimate, "odds", CONFIDENCE)
