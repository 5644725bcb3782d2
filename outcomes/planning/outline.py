"""What would settle a question, in one line: so many weeks, sources and trials, by formula."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from outcomes.errors import PlanError
from outcomes.models.power import power_of_t
from outcomes.planning.document import Kind, Question
from outcomes.planning.make import TABLE_WEEKS, WANTED_POWER, designer_for, effect_of
from outcomes.planning.paired_design import plan_effort, with_weeks
from outcomes.planning.request import PlanRequest
from outcomes.planning.unit import UnitFacts


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """The shortest plan of its kind that would settle the question.

    Attributes
    ----------
    question, design
        What it would ask, and how.
    settled
        Whether any length up to a year does; else all else is of the longest.
    weeks, trials, sources
        Its length, trials in all with blank areas, and sources (of portions: those to be cut).
    power
        By formula, for the effect that a plan of these weeks looks for.
    """

    question: Question
    design: Kind
    settled: bool
    weeks: int
    trials: int
    sources: int
    power: float


def outline_plan(unit: UnitFacts, request: PlanRequest) -> Outline | None:
    """The fewest weeks, of 8 to 52, that would find the effect in 80 of 100.

    The effect is the one that a plan of the weeks asked for looks for, as in that plan's table.

    Parameters
    ----------
    unit
        What the unit has.
    request
        What is asked.

    Returns
    -------
    Outline or None
        None where the unit can carry out no such plan.
    """
    try:
        effort, dogs = plan_effort(unit, request)
        designer = designer_for(unit, request, effort, dogs)
        effect = effect_of(unit, request, designer.lay_out(effort))
    except PlanError:
        return None

    @cache
    def outline(weeks: int) -> Outline:
        out = designer.lay_out(with_weeks(effort, weeks))
        power = power_of_t(
            effect.log_odds, out.std_error(effect.log_odds), out.freedom, request.alpha
        )
        return Outline(
            question=designer.question,
            design=designer.kind,
            settled=power >= WANTED_POWER,
            weeks=weeks,
            trials=len(out.searches),
            sources=len({member.parent.source_id for member in designer.members}),
            power=power,
        )

    # Power rises with the weeks, so that halving finds the first that is enough.
    low, high = 0, len(TABLE_WEEKS) - 1
    while low < high:
        middle = (low + high) // 2
        if outline(TABLE_WEEKS[middle]).settled:
            high = middle
        else:
            low = middle + 1
    return outline(TABLE_WEEKS[low])
