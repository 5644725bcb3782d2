"""What ``outcomes plan --json`` prints: the plan without its key."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.planning.document import Effect, Kind, Look, Plan, PowerAt, PowerIf, Question
from outcomes.report.results.document import FORMAT, MADE_BY, MadeBy
from outcomes.report.results.values import Number


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanMade:
    """A plan as it may be told to anyone.

    Attributes
    ----------
    trials, hide_trials, blank_trials, sources, dogs
        How many of each.
    starts_on
        First day, ISO 8601.
    effect, power, buys, looks
        What is to be found, how often it would be, what more would buy, and when it is looked at.
    settled_after_weeks
        Fewest weeks asked that find it in 80 of 100; null: none of them.
    key_sha256
        The seal of the key.
    """

    format: int
    unit: str
    made_by: MadeBy
    question: Question
    design: Kind
    seed: int
    starts_on: str
    weeks: int
    trials: int
    hide_trials: int
    blank_trials: int
    sources: int
    dogs: int
    effect: Effect
    power: tuple[PowerAt, ...]
    buys: tuple[PowerIf, ...]
    looks: tuple[Look, ...]
    settled_after_weeks: Number
    key_sha256: str
    assumptions: tuple[str, ...]
    sentence: str


def make_plan_made(plan: Plan) -> PlanMade:
    """The plan without what lies where and how it is treated."""
    hides = sum(t.source_id is not None for t in plan.trials)
    return PlanMade(
        format=FORMAT,
        unit=plan.unit,
        made_by=MADE_BY,
        question=plan.question,
        design=plan.design,
        seed=plan.seed,
        starts_on=plan.starts_on,
        weeks=plan.weeks,
        trials=len(plan.trials),
        hide_trials=hides,
        blank_trials=len(plan.trials) - hides,
        sources=len(plan.storage),
        dogs=len({t.dog_id for t in plan.trials}),
        effect=plan.effect,
        power=plan.power,
        buys=plan.buys,
        looks=plan.looks,
        settled_after_weeks=plan.settled_after_weeks,
        key_sha256=plan.key_sha256,
        assumptions=plan.assumptions,
        sentence=plan.sentence,
    )
