"""A plan of pairs by lot as rows: which effort a unit can make, and what it would tell."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from outcomes.errors import PlanError
from outcomes.planning.document import Question
from outcomes.planning.layout import (
    DAYS_A_MONTH,
    Effort,
    Search,
    assign_dogs,
    draw_filled,
    order_searches,
    place_units,
    rotate_pairs,
    thaw_days,
)
from outcomes.planning.lot import Lot
from outcomes.planning.power import Hides
from outcomes.planning.request import PlanRequest
from outcomes.planning.unit import UnitFacts
from outcomes.text import count

_FEWEST_AREAS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class PairedLayout:
    """Searches and thaws of a plan of pairs; a unit's number is 2 x pair + side.

    Attributes
    ----------
    effort, searches
        What it takes, and every search in order.
    often
        By pair, which side is thawed often or kept in the freezer.
    thaws
        By unit, days on which it is thawed.
    """

    effort: Effort
    searches: tuple[Search, ...]
    often: tuple[int, ...]
    thaws: tuple[tuple[int, ...], ...]


def plan_effort(unit: UnitFacts, request: PlanRequest) -> tuple[Effort, tuple[str, ...]]:
    """What a week can take, and the dogs that search.

    Raises
    ------
    PlanError
        Nobody could carry it out; the text says why.
    """
    days = request.training_days or unit.training_days
    days = tuple(sorted(set(days)))
    dogs = tuple(sorted(set(request.dogs))) if request.dogs is not None else unit.dogs
    each = request.dogs_a_hide
    if len(dogs) < max(2, each):
        raise PlanError(
            f"{count(len(dogs), 'dog')} are there, and each hide is to be searched by {each}. "
            "A plan needs two dogs at least."
        )
    areas = round(request.trials_per_week / (len(days) * each))
    if areas < _FEWEST_AREAS:
        fewest = _FEWEST_AREAS * len(days) * each
        raise PlanError(
            f"{request.trials_per_week} trials a week on {len(days)} training days leave fewer "
            f"than {_FEWEST_AREAS} areas a day, so that nothing can be hidden by lot. "
            f"Plan {fewest} trials a week, or fewer training days."
        )
    searches = areas * each
    most = -(-searches // len(dogs))
    if most > request.searches_a_dog:
        raise PlanError(
            f"A training day has {searches} searches for {len(dogs)} dogs, so that a dog would "
            f"search {most} times, and {request.searches_a_dog} is the most. "
            f"{_fewer(len(days), each, request.searches_a_dog * len(dogs))}, or more training days "
            "or dogs."
        )
    minutes = searches * request.minutes_a_search
    if minutes > request.minutes_a_day:
        raise PlanError(
            f"A training day has {searches} searches of {request.minutes_a_search:g} min, "
            f"{minutes:g} min in all, and there are {request.minutes_a_day:g}. "
            f"{_fewer(len(days), each, int(request.minutes_a_day / request.minutes_a_search))}, or "
            "more training days."
        )
    effort = Effort(
        weeks=request.weeks,
        training_days=days,
        areas=areas,
        dogs_a_hide=each,
        dogs=len(dogs),
        filled=areas * (1.0 - request.blanks),
        thaws_a_month=request.thaws_a_month,
    )
    return effort, dogs


def lay_out_pairs(lot: Lot, effort: Effort, pairs: int, question: Question) -> PairedLayout:
    """The whole plan for so many pairs.

    Raises
    ------
    PlanError
        A source would be thawed more often than it may.
    """
    filled = draw_filled(lot, effort, 2)
    days = rotate_pairs(lot, filled, pairs)
    often = tuple(0 if lot.coin("arm", pair) else 1 for pair in range(pairs))
    placed = place_units(
        lot, [[2 * pair + side for pair in day for side in (0, 1)] for day in days], effort.areas
    )
    arms = [int(unit % 2 == often[unit // 2]) for unit in range(2 * pairs)]
    searches = tuple(order_searches(lot, placed, assign_dogs(lot, placed, effort, arms), effort))
    used: list[list[int]] = [[] for _ in range(pairs)]
    for at, day in enumerate(days):
        for pair in day:
            used[pair].append(effort.days[at])
    thaws = []
    for member, arm in enumerate(arms):
        own = used[member // 2]
        if question == "storage":
            thaws.append(tuple(own) if arm else ())
        else:
            thaws.append(thaw_days(own, effort, often=bool(arm)))
    _refuse_too_many_thaws(thaws, effort)
    return PairedLayout(effort=effort, searches=searches, often=often, thaws=tuple(thaws))


def _fewer(days: int, each: int, searches: int) -> str:
    """How many trials a week so many searches a day allow; not where that is too few."""
    areas = searches // each
    if areas < _FEWEST_AREAS:
        return "Plan fewer trials"
    return f"Plan {days * areas * each} trials a week (--trials-per-week)"


def _refuse_too_many_thaws(thaws: list[tuple[int, ...]], effort: Effort) -> None:
    for days in thaws:
        months = np.bincount((np.array(days, dtype=int) - 1) // DAYS_A_MONTH, minlength=1)
        if len(days) and months.max() > effort.thaws_a_month:
            raise PlanError(
                f"A source would be used on {months.max()} days of four weeks, and it may be "
                f"thawed {count(effort.thaws_a_month, 'time')} in them. Plan fewer trials a week, "
                "more sources, or allow more thaws."
            )


def hides_of(layout: PairedLayout, question: Question) -> Hides:
    """The hide trials of a layout as rows."""
    searches = [s for s in layout.searches if s.unit >= 0]
    day = np.array([s.day for s in searches])
    member = np.array([s.unit for s in searches])
    if question == "storage":
        apart = np.ones(len(searches))
    else:
        apart = np.empty(len(searches))
        counts = [np.array(days) for days in layout.thaws]
        for k, search in enumerate(searches):
            pair, side = search.unit // 2, layout.often[search.unit // 2]
            often, seldom = counts[2 * pair + side], counts[2 * pair + 1 - side]
            apart[k] = (often <= search.day).sum() - (seldom <= search.day).sum()
    return Hides(
        day=day,
        dog=np.array([s.dog for s in searches]),
        pair=member // 2,
        side=member % 2,
        apart=apart,
    )


def with_weeks(effort: Effort, weeks: int) -> Effort:
    """The same effort for another number of weeks."""
    return replace(effort, weeks=weeks)
