"""p-values by refits: the largest of several statistics held against itself without the effect."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from outcomes.errors import FitError

_CLEAR_FROM = 39
_DOUBT = 0.15


@dataclass(frozen=True, slots=True)
class Calibrated:
    """A p-value by refits, and how many there were."""

    p: float
    refits: int


def calibrate(
    observed: np.ndarray,
    draw: Callable[[], np.ndarray],
    *,
    level: float,
    most: int,
    lead: np.ndarray | None = None,
    first: int = 30,
    progress: Callable[[int, int], None] | None = None,
) -> Calibrated:
    """p-value of the largest of several statistics, each standardised over refits.

    Refits stop once the answer is clear: from ``first`` on where p is above 0.15, from 39
    on where the observed value lies beyond all by one and a half standard deviations.

    Parameters
    ----------
    observed
        Statistics of the records, shape (k,).
    draw
        The same of one set of outcomes drawn without the effect. A draw that cannot be fitted
        counts for nothing, and another is made.
    level
        The level of the test: so many draws are made at least that p can come below it.
    most
        Draws at most, beyond those.
    lead
        What each statistic is given before the others, in standard deviations, shape (k,): the
        more, the less power it loses to them. None: all alike.
    progress
        Called with how many were drawn, and of how many; last with all.
    """
    least = int(np.floor(1.0 / level + 1e-9))  # so many that 1 / (least + 1) lies below the level
    most, clear, doubt = max(most, least), max(_CLEAR_FROM, least), max(_DOUBT, 2.0 * level)
    ahead = np.zeros(len(observed)) if lead is None else lead
    found: list[np.ndarray] = []
    p = 1.0
    for _ in range(2 * most):
        try:
            found.append(draw())
        except FitError:
            continue
        have = len(found)
        if progress is not None:
            progress(have, most)
        if have in (most, clear) or (have >= first and have % 10 == 0):
            drawn = np.array(found)
            centre, spread = drawn.mean(axis=0), drawn.std(axis=0) + 1e-9
            largest = ((drawn - centre) / spread + ahead).max(axis=1)
            own = float(((observed - centre) / spread + ahead).max())
            p = (1 + int((largest >= own).sum())) / (1 + have)
            if p > doubt or (have >= clear and own > largest.max() + 1.5) or have == most:
                break
    if progress is not None:
        progress(most, most)
    return Calibrated(p, len(found))
