"""How much the choice of the floor matters: the retirement threshold for every floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.analysis.decisions.threshold import Outcome, Retirement, Threshold, read_threshold
from outcomes.analysis.results import ExposureName

FLOORS = tuple(round(0.50 + 0.01 * k, 2) for k in range(46))


@dataclass(frozen=True, slots=True)
class FrontierPoint:
    """The threshold at one floor.

    Fields as of :class:`~outcomes.analysis.decisions.threshold.Threshold`.

    ``estimate``, ``low``, ``high`` and ``retire_after`` are None where
    ``outcome`` says why. ``open_below`` is true where the best estimate stays at
    or above the floor, but the lower limit does not: no limit is called for yet,
    and none is ruled out.
    """

    floor: float
    estimate: float | None
    low: float | None
    high: float | None
    retire_after: int | None
    outcome: Outcome
    open_below: bool = False


@dataclass(frozen=True, slots=True)
class Frontier:
    """Thresholds by one exposure against the floor, all from one fit.

    Attributes
    ----------
    by
        ``"cycles"`` or ``"age_days"``.
    floor
        The floor in the settings.
    confidence
        Two-sided confidence of ``low`` and ``high``.
    observed_from, observed_to
        Nothing is read outside these exposures.
    start, end
        Find probability, averaged over the unit, at either of them.
    points
        One a floor, in rising order.
    """

    by: ExposureName
    floor: float
    confidence: float
    observed_from: float
    observed_to: float
    start: float
    end: float
    points: tuple[FrontierPoint, ...]


def threshold_frontier(
    retirement: Retirement, floors: Sequence[float] = FLOORS
) -> tuple[Frontier, ...]:
    """Read the threshold off each curve for every floor, without fitting anything again.

    Parameters
    ----------
    retirement
        As set for the verdict (:func:`outcomes.analysis.decisions.threshold.set_threshold`).
    floors
        Floors, each between 0 and 1.

    Returns
    -------
    tuple of Frontier
        One for each threshold that has a curve; empty where the verdict gives
        no ground for a limit.
    """
    return tuple(_frontier(t, floors) for t in retirement.thresholds if len(t.curve.at))


def _frontier(threshold: Threshold, floors: Sequence[float]) -> Frontier:
    curve, limit = threshold.curve, threshold.observed_to
    start, end = np.interp([curve.at[0], limit], curve.at, curve.probability)
    points = []
    for floor in sorted(floors):
        read = read_threshold(curve, floor, limit)
        points.append(
            FrontierPoint(
                floor, read.estimate, read.low, read.high, read.retire_after, read.outcome,
                open_below=read.outcome == "stays above" and read.low is not None,
            )
        )  # fmt: skip
    return Frontier(
        by=threshold.by,
        floor=threshold.floor,
        confidence=threshold.confidence,
        observed_from=float(curve.at[0]),
        observed_to=limit,
        start=float(start),
        end=float(end),
        points=tuple(points),
    )
