"""Which pair lies where on which day, which dog searches it, and what is thawed when.

Everything is whole numbers and drawn by :class:`~outcomes.planning.lot.Lot`, ties included, so that
one seed gives one layout on every machine.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from outcomes.planning.lot import Lot

DAYS_A_WEEK = 7
DAYS_A_MONTH = 28
_PASSES = 20
_UNIT_COUNTS = 8  # meetings with a unit, over those with its class


@dataclass(frozen=True, slots=True, kw_only=True)
class Effort:
    """What a week of the plan takes.

    Attributes
    ----------
    weeks
        Length.
    training_days
        Days of the week, Monday 0.
    areas
        Areas searched on a training day.
    dogs_a_hide
        Dogs that search each.
    dogs
        Number of dogs.
    filled
        Areas that hold a source, on average.
    thaws_a_month
        Thaws that a source may have in 28 days.
    """

    weeks: int
    training_days: tuple[int, ...]
    areas: int
    dogs_a_hide: int
    dogs: int
    filled: float
    thaws_a_month: int

    @property
    def days(self) -> tuple[int, ...]:
        """The training days of the plan, from 1."""
        return tuple(
            DAYS_A_WEEK * week + day + 1 for week in range(self.weeks) for day in self.training_days
        )

    @property
    def trials_a_week(self) -> int:
        """Searches a week, blank areas among them."""
        return len(self.training_days) * self.areas * self.dogs_a_hide


@dataclass(frozen=True, slots=True)
class Search:
    """One dog at one area; ``unit`` is the source or portion there, -1 on a blank area."""

    day: int
    area: int
    unit: int
    dog: int
    order: int


def filled_shares(mean: float, most: int, fewest: int = 1) -> np.ndarray:
    """Probability that ``fewest``, ..., ``most`` areas are filled, as even as the mean allows.

    The number varies, so that blank areas cannot be counted out.

    Parameters
    ----------
    mean
        The mean number wanted.
    most, fewest
        Bounds.

    Returns
    -------
    numpy.ndarray
        Shape (most - fewest + 1,), summing to 1.
    """
    numbers = np.arange(fewest, most + 1, dtype=float)
    if len(numbers) == 1:
        return np.ones(1)
    mean = min(max(mean, fewest + 0.02), most - 0.02)
    low, high = -50.0, 50.0
    for _ in range(200):
        tilt = (low + high) / 2.0
        shares = np.exp(tilt * (numbers - (numbers[0] if tilt < 0 else numbers[-1])))
        shares /= shares.sum()
        low, high = (tilt, high) if shares @ numbers < mean else (low, tilt)
    return np.asarray(shares)


def draw_filled(lot: Lot, effort: Effort, step: int) -> list[int]:
    """How many units lie out on each training day, in steps of pairs (2) or of one.

    Each number comes as often over the plan as its probability says, in an order by lot. It may be
    all of them or few: where every day had its share of blank ones, they could be counted out.
    """
    most = effort.areas // step
    shares = filled_shares(effort.filled / step, most)
    count = len(effort.days)
    numbers: list[int] = []
    # By systematic sampling along the cumulated shares from one start by lot.
    start = lot.share("filled")
    edges = np.cumsum(shares)
    for k in range(count):
        at = (k + start) / count
        numbers.append(1 + int(np.searchsorted(edges, min(at, 1.0 - 1e-9), side="right")))
    return [step * min(one, most) for one in lot.order(numbers, "filled order")]


def rotate_pairs(lot: Lot, filled: Sequence[int], pairs: int) -> list[list[int]]:
    """The pairs of each training day: all come round before any comes again."""
    turn = itertools.cycle(lot.order(range(pairs), "turn of pairs"))
    return [[next(turn) for _ in range(min(number // 2, pairs))] for number in filled]


def place_units(lot: Lot, units: Sequence[Sequence[int]], areas: int) -> list[list[int]]:
    """What lies in each area on each training day, -1 for nothing, by lot."""
    return [
        lot.order([*out, *[-1] * (areas - len(out))], "areas", day) for day, out in enumerate(units)
    ]


def assign_dogs(
    lot: Lot, placed: Sequence[Sequence[int]], effort: Effort, groups: Sequence[int]
) -> list[list[list[int]]]:
    """Dogs of each area of each day, so that every dog meets all alike.

    How often a dog searches on a day is settled first, so that it tells nothing of what lies
    where; then dogs are exchanged within days while that evens out meetings.

    Parameters
    ----------
    lot
        Ties.
    placed
        Unit of each area by day, -1 for nothing.
    effort
        Of the plan.
    groups
        Class of each unit (its arm), whose meetings are evened out too.

    Returns
    -------
    list
        Day, area → ``dogs_a_hide`` dogs, in ascending order.
    """
    turns = _turns(lot, len(placed), effort)
    uneven = _Uneven(groups)
    assigned: list[list[list[int]]] = []
    for day, units in enumerate(placed):
        left = list(turns[day])
        areas: list[list[int]] = [[] for _ in units]
        order = lot.order(range(len(units)), "areas in turn", day)
        for behind, area in enumerate(order):
            open_areas = len(units) - behind
            rank = lot.order(range(effort.dogs), "dogs in turn", day, area)
            place = {dog: k for k, dog in enumerate(rank)}
            able = [dog for dog in rank if left[dog] > 0]
            # A dog with as many searches left as there are areas must go into each of them.
            able.sort(
                key=lambda dog: (
                    left[dog] < open_areas,
                    uneven.of(dog, units[area]),
                    -left[dog],
                    place[dog],
                )
            )
            areas[area] = sorted(able[: effort.dogs_a_hide])
            for dog in areas[area]:
                left[dog] -= 1
                uneven.add(dog, units[area], 1)
        assigned.append(areas)
    for _ in range(_PASSES):
        # Moves that make nothing worse lead on where no single move makes anything better.
        for sideways in (True, False):
            for day in range(len(placed)):
                _exchange(assigned[day], placed[day], uneven, sideways=sideways)
        if uneven.spread(effort.dogs) <= 1:
            break
    return assigned


def _turns(lot: Lot, days: int, effort: Effort) -> list[list[int]]:
    """How often each dog searches on each day; over the plan all alike, give or take one."""
    slots = effort.areas * effort.dogs_a_hide
    total = [0] * effort.dogs
    turns = []
    for day in range(days):
        each, more = divmod(slots, effort.dogs)
        rank = lot.order(range(effort.dogs), "searches twice", day)
        first = sorted(rank, key=total.__getitem__)[:more]
        turns.append([each + (dog in first) for dog in range(effort.dogs)])
        for dog in first:
            total[dog] += 1
    return turns


class _Uneven:
    """Sums of squared meetings of each dog with each unit and each class of units."""

    def __init__(self, groups: Sequence[int]) -> None:
        self.groups = groups
        self.units: Counter[tuple[int, int]] = Counter()
        self.classes: Counter[tuple[int, int]] = Counter()

    def _class(self, unit: int) -> int:
        return -1 if unit < 0 else self.groups[unit]

    def of(self, dog: int, unit: int) -> int:
        """What one more meeting would add to the sum."""
        by_class = 2 * self.classes[dog, self._class(unit)] + 1
        return by_class + _UNIT_COUNTS * self.with_unit(dog, unit)

    def with_unit(self, dog: int, unit: int) -> int:
        """The same of the unit alone; nothing on a blank area."""
        return 0 if unit < 0 else 2 * self.units[dog, unit] + 1

    def spread(self, dogs: int) -> int:
        """Largest difference between dogs' meetings with a unit."""
        met = {unit for _, unit in self.units}
        counts = ([self.units[dog, unit] for dog in range(dogs)] for unit in met)
        return max((max(one) - min(one) for one in counts), default=0)

    def add(self, dog: int, unit: int, number: int) -> None:
        """Count a meeting, or take it back."""
        self.classes[dog, self._class(unit)] += number
        if unit >= 0:
            self.units[dog, unit] += number


def _exchange(
    areas: list[list[int]], units: Sequence[int], uneven: _Uneven, *, sideways: bool
) -> None:
    """Exchange dogs between two areas of a day while meetings become more even.

    ``sideways``: also where meetings with units stay as uneven, whatever classes do.
    """
    for a, b in itertools.combinations(range(len(areas)), 2):
        for g, h in itertools.product(tuple(areas[a]), tuple(areas[b])):
            if g in areas[b] or h in areas[a] or g not in areas[a] or h not in areas[b]:
                continue
            moved = ((g, a, b), (h, b, a))
            for dog, old, _ in moved:
                uneven.add(dog, units[old], -1)
            cost = uneven.with_unit if sideways else uneven.of
            change = sum(cost(d, units[new]) - cost(d, units[old]) for d, old, new in moved)
            better = change < 0 or (sideways and change == 0)
            for dog, old, new in moved:
                uneven.add(dog, units[new if better else old], 1)
            if better:
                areas[a] = sorted({*areas[a], h} - {g})
                areas[b] = sorted({*areas[b], g} - {h})


def order_searches(
    lot: Lot,
    placed: Sequence[Sequence[int]],
    assigned: Sequence[Sequence[Sequence[int]]],
    effort: Effort,
) -> list[Search]:
    """Every search in the order of the day: each dog once before any dog again, to rest."""
    searches = []
    for day, (units, areas) in enumerate(zip(placed, assigned, strict=True)):
        own: dict[int, list[int]] = {}
        for area in lot.order(range(len(units)), "area of a dog", day):
            for dog in areas[area]:
                own.setdefault(dog, []).append(area)
        dogs = lot.order(sorted(own), "order of dogs", day)
        order = 0
        for again in range(max(map(len, own.values()), default=0)):
            for dog in dogs:
                if again < len(own[dog]):
                    order += 1
                    area = own[dog][again]
                    searches.append(Search(effort.days[day], area, units[area], dog, order))
    return searches


def thaw_days(used: Sequence[int], effort: Effort, *, often: bool) -> tuple[int, ...]:
    """Days on which a source or portion is thawed: those it is used on, and by the calendar.

    Parameters
    ----------
    used
        Days it is set on.
    effort
        Of the plan.
    often
        Thawed by the calendar too, as often as the month allows, else only when used.
    """
    thawed = set(used)
    if not often:
        return tuple(sorted(thawed))
    most = effort.thaws_a_month
    # Tissue is scarce: a thaw after the last day it is set on would be spent on nothing.
    last = min(max(thawed, default=0), effort.weeks * DAYS_A_WEEK)
    # Training days first, since someone is there; then the day farthest from any thaw.
    for month in range(math.ceil(effort.weeks * DAYS_A_WEEK / DAYS_A_MONTH)):
        first = month * DAYS_A_MONTH + 1
        days = range(first, max(first, min(first + DAYS_A_MONTH, last + 1)))
        allowed = math.floor(most * len(days) / DAYS_A_MONTH)
        free = [day for day in days if day not in thawed]
        while sum(day in thawed for day in days) < allowed and free:
            training = set(effort.days)
            best = max(
                free,
                key=lambda day: (
                    day in training,
                    min((abs(day - other) for other in thawed), default=DAYS_A_MONTH),
                    -day,
                ),
            )
            thawed.add(best)
            free.remove(best)
    return tuple(sorted(thawed))
