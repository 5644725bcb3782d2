"""Which held source lies out on which day, so that cycles and age come apart.

Sources' own levels are left out of the information, so that a strong source that is used more
does no harm. It is then a sum over sources, and one exchange touches two of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import PlanError
from outcomes.planning.layout import (
    DAYS_A_MONTH,
    Effort,
    Search,
    assign_dogs,
    draw_filled,
    order_searches,
    place_units,
)
from outcomes.planning.lot import Lot
from outcomes.planning.unit import HeldSource

_STARTS = 3
_PASSES = 12
_EXTRA = 4  # thaws without a trial a source may have in a month, within what it may have in all
_MOST_MEETINGS = 8  # of a dog with a source in 26 weeks, on average over dogs
_WEEKS_OF_THAT = 26.0
_LESS = 1e-7  # of the error, by which a change must better it
_STILL = 1e-3
DAYS_OF_AGE = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfLayout:
    """Searches and thaws of a shelf plan.

    Attributes
    ----------
    effort, searches
        What it takes, and every search in order; a unit is a source.
    thaws
        By source, days on which it is thawed.
    std_error
        Expected of the exposure asked about given the other: log-odds per cycle or 30 days.
    """

    effort: Effort
    searches: tuple[Search, ...]
    thaws: tuple[tuple[int, ...], ...]
    std_error: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """What the exchange works on.

    Attributes
    ----------
    sources
        The sources, in order of number.
    past
        Sums of each source's past trials: count, cycles, age, and their squares and product,
        shape (N, 6).
    target
        0 for cycles, 1 for age.
    weight
        Information of one trial.
    lead
        Days from the end of the records to the day before the plan.
    """

    sources: tuple[HeldSource, ...]
    past: np.ndarray
    target: int
    weight: float
    lead: int

    @property
    def frozen(self) -> np.ndarray:
        """Which sources a thaw adds a cycle to, shape (N,)."""
        return np.array([source.regime != "refrigerated" for source in self.sources])


def sums_of(cycles: np.ndarray, age: np.ndarray) -> np.ndarray:
    """Count, sums, squares and product, shape (6,)."""
    return np.array(
        [len(cycles), cycles.sum(), age.sum(), cycles @ cycles, cycles @ age, age @ age],
        dtype=float,
    )


def shelf_of(
    sources: tuple[HeldSource, ...], past: pd.DataFrame, target: int, weight: float, lead: int
) -> Shelf:
    """The shelf with the sums of its past trials."""
    own = np.zeros((len(sources), 6))
    for k, source in enumerate(sources):
        rows = past[past["source_id"] == source.source_id]
        if len(rows):
            own[k] = sums_of(
                rows["cycles"].to_numpy(dtype=float) - source.cycles,
                (rows["age_days"].to_numpy(dtype=float) - source.age_days) / DAYS_OF_AGE,
            )
    return Shelf(sources=sources, past=own, target=target, weight=weight, lead=lead)


def information_of(sums: np.ndarray) -> np.ndarray:
    """Within-source cross products of cycles and age, from sums of shape (..., 6), as (..., 3)."""
    count = np.maximum(sums[..., 0], 1.0)
    cycles, age = sums[..., 1], sums[..., 2]
    return np.stack(
        [
            sums[..., 3] - cycles * cycles / count,
            sums[..., 4] - cycles * age / count,
            sums[..., 5] - age * age / count,
        ],
        axis=-1,
    )


def error_of(total: np.ndarray, target: int, weight: float) -> float:
    """Standard error of one exposure given the other, from summed cross products, shape (3,)."""
    own, other = (total[0], total[2]) if target == 0 else (total[2], total[0])
    left = own - (total[1] ** 2 / other if other > 0.0 else 0.0)
    return float(1.0 / np.sqrt(weight * left)) if left > 1e-9 else float("inf")


class _Rota:
    """Uses and extra thaws of each source on each training day, exchanged in place."""

    def __init__(self, shelf: Shelf, effort: Effort, filled: Sequence[int], lot: Lot) -> None:
        self.shelf, self.effort = shelf, effort
        self.days = np.array(effort.days)
        self.month = (self.days - 1) // DAYS_A_MONTH
        self.frozen = shelf.frozen
        count = len(shelf.sources)
        self.used = np.zeros((count, len(self.days)), dtype=bool)
        self.extra = np.zeros_like(self.used)
        each = effort.dogs / effort.dogs_a_hide * max(1.0, effort.weeks / _WEEKS_OF_THAT)
        even = sum(filled) / count
        self.most_used = int(max(_MOST_MEETINGS * each, np.ceil(1.5 * even)))
        self.age = (self.days + shelf.lead) / DAYS_OF_AGE
        self._fill(filled, lot)
        self.parts = np.array([self.part(k) for k in range(count)])
        self.total = self.parts.sum(axis=0)

    def _fill(self, filled: Sequence[int], lot: Lot) -> None:
        """Those not out for longest first, ties by lot."""
        last = np.full(len(self.used), -1)
        for day, number in enumerate(filled):
            turn = lot.order(range(len(self.used)), "turn of sources", day)
            turn.sort(key=lambda k: int(last[k]))
            able = [k for k in turn if self.can_use(k, day)][:number]
            if len(able) < number:
                raise PlanError(
                    f"{number} sources are wanted on a day, and {len(able)} of "
                    f"{len(self.used)} may be thawed again by then. Plan fewer trials a week, "
                    "or allow more thaws."
                )
            self.used[able, day] = True
            last[able] = day

    def can_use(self, source: int, day: int) -> bool:
        """Whether a source may lie out on a day."""
        if self.used[source, day] or self.used[source].sum() >= self.most_used:
            return False
        return self._thaws(source, day) - int(self.extra[source, day]) < self.effort.thaws_a_month

    def can_thaw(self, source: int, day: int) -> bool:
        """Whether it may be thawed for nothing."""
        if not self.frozen[source] or self.used[source, day] or self.extra[source, day]:
            return False
        idle = self.extra[source][self.month == self.month[day]].sum()
        return bool(idle < _EXTRA) and self._thaws(source, day) < self.effort.thaws_a_month

    def _thaws(self, source: int, day: int) -> int:
        same = self.month == self.month[day]
        return int((self.used[source] | self.extra[source])[same].sum())

    def part(self, source: int) -> np.ndarray:
        """Cross products of a source, past and planned."""
        days = np.flatnonzero(self.used[source])
        sums = self.shelf.past[source]
        if len(days):
            thaws = np.cumsum(self.used[source] | self.extra[source])[days]
            cycles = thaws * float(self.frozen[source])
            sums = sums + self.effort.dogs_a_hide * sums_of(cycles, self.age[days])
        return information_of(sums)

    def error(self, total: np.ndarray) -> float:
        return error_of(total, self.shelf.target, self.shelf.weight)

    def improve(self, lot: Lot) -> float:
        """Exchange sources on a day, and thaws for nothing, while the error falls."""
        best = self.error(self.total)
        for turn in range(_PASSES):
            start = best
            for day in lot.order(range(len(self.days)), "days in turn", turn):
                for source in lot.order(np.flatnonzero(self.used[:, day]).tolist(), turn, day):
                    best = self._exchange(source, day, best)
                for frozen in np.flatnonzero(self.frozen):
                    best = self._thaw(int(frozen), day, best)
            # Not better from nothing to nothing either, where no error is finite.
            if not best < start * (1.0 - _STILL):
                break
        return best

    def _exchange(self, source: int, day: int, best: float) -> float:
        self.used[source, day] = False
        without = self.part(source)
        rest = self.total - self.parts[source] + without
        found: tuple[int, np.ndarray] | None = None
        for other in range(len(self.used)):
            if other == source or not self.can_use(other, day):
                continue
            idle = self.extra[other, day]
            self.used[other, day], self.extra[other, day] = True, False
            part = self.part(other)
            self.used[other, day], self.extra[other, day] = False, idle
            error = self.error(rest - self.parts[other] + part)
            if _lower(error, best):
                best, found = error, (other, part)
        if found is None:
            self.used[source, day] = True
            return best
        other, part = found
        self.used[other, day], self.extra[other, day] = True, False
        self._keep(((source, without), (other, part)))
        return best

    def _thaw(self, source: int, day: int, best: float) -> float:
        if not self.extra[source, day] and not self.can_thaw(source, day):
            return best
        self.extra[source, day] ^= True
        part = self.part(source)
        error = self.error(self.total - self.parts[source] + part)
        if _lower(error, best):
            self._keep(((source, part),))
            return error
        self.extra[source, day] ^= True
        return best

    def _keep(self, changed: Iterable[tuple[int, np.ndarray]]) -> None:
        for source, part in changed:
            self.total = self.total - self.parts[source] + part
            self.parts[source] = part


def _lower(error: float, best: float) -> bool:
    """Lower by more than rounding, so that no machine takes another way."""
    return error < best * (1.0 - _LESS) if np.isfinite(best) else np.isfinite(error)


def lay_out_shelf(lot: Lot, effort: Effort, shelf: Shelf, *, chosen: bool = True) -> ShelfLayout:
    """The whole plan of a shelf.

    Parameters
    ----------
    lot
        Areas, order, starts and ties.
    effort
        Of the plan.
    shelf
        The sources and their past.
    chosen
        Exchange sources so that the error falls; else a rota by lot, to compare.

    Raises
    ------
    PlanError
        The caps on thaws leave no such plan, or cycles and age cannot be told apart by it.
    """
    filled = [min(n, len(shelf.sources)) for n in draw_filled(lot, effort, 1)]
    best: _Rota | None = None
    best_error = float("inf")
    for start in range(_STARTS if chosen else 1):
        own = Lot(lot.number("start", start))
        rota = _Rota(shelf, effort, filled, own)
        error = rota.improve(own) if chosen else rota.error(rota.total)
        if best is None or _lower(error, best_error):
            best, best_error = rota, error
    assert best is not None
    if not np.isfinite(best_error):
        raise PlanError(
            "No rota of these sources tells cycles and age apart: none of them is thawed. "
            "Ask for storage, or plan with sources that are kept frozen."
        )
    out = [np.flatnonzero(best.used[:, day]).tolist() for day in range(len(best.days))]
    placed = place_units(lot, out, effort.areas)
    assigned = assign_dogs(lot, placed, effort, [0] * len(shelf.sources))
    thawed = best.used | best.extra
    return ShelfLayout(
        effort=effort,
        searches=tuple(order_searches(lot, placed, assigned, effort)),
        thaws=tuple(
            tuple(best.days[thawed[k]].tolist()) if best.frozen[k] else ()
            for k in range(len(shelf.sources))
        ),
        std_error=best_error,
    )
