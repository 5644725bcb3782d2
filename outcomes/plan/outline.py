"""What would settle a question, in one line: so many weeks, sources and trials, by formula."""

from __future__ import annotations

from dataclasses import dataclass, replace

from outcomes.errors import PlanError
from outcomes.models.power import power_of_t
from outcomes.plan.document import Kind, Question
from outcomes.plan.make import TABLE_WEEKS, WANTED_POWER, designer_for, effect_of
from outcomes.plan.paired_design import plan_effort, with_weeks
from outcomes.plan.request import PlanRequest
from outcomes.plan.unit import UnitFacts


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

    Each length looks for the fall to the floor over what it sets apart itself.

    Parameters
    ----------
    unit
        What the unit has.
    request
        What is asked; its ``weeks`` are not used.

    Returns
    -------
    Outline or None
        None where the unit can carry out no plan at all.
    """
    found: dict[int, Outline] = {}
    low, high = 0, len(TABLE_WEEKS) - 1
    # Power rises with the weeks, so that halving finds the first that is enough.
    while low <= high:
        middle = (low + high + 1) // 2 if not found else (low + high) // 2
        weeks = TABLE_WEEKS[middle]
        try:
            found[middle] = _outline(unit, replace(request, weeks=weeks))
        except PlanError:
            return None
        if found[middle].settled:
            high = middle - 1
        else:
            low = middle + 1
    enough = [k for k, one in found.items() if one.settled]
    return found[min(enough) if enough else max(found)]


def _outline(unit: UnitFacts, request: PlanRequest) -> Outline:
    effort, dogs = plan_effort(unit, request)
    effort = with_weeks(effort, request.weeks)
    designer = designer_for(unit, request, effort, dogs)
    out = designer.lay_out(effort)
    effect = effect_of(unit, request, out)
    power = power_of_t(effect.log_odds, out.std_error(effect.log_odds), out.freedom, request.alpha)
    return Outline(
        question=designer.question,
        design=designer.kind,
        settled=power >= WANTED_POWER,
        weeks=request.weeks,
        trials=len(out.searches),
        sources=len({member.parent.source_id for member in designer.members}),
        power=power,
    )
