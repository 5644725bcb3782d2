"""``plan``: planned trials, as assigned."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.answers.planned import FindsMoved, Guesses, Planned
from outcomes.planning.document import Kind as Design
from outcomes.planning.document import Plan, Question
from outcomes.planning.result import ArmCount, PlannedEstimate
from outcomes.report.results.values import Estimate, Number, filled
from outcomes.wording.planned import (
    describe_guesses,
    describe_planned,
    describe_planned_at_length,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedEffect(Estimate):
    """An effect of planned trials, also in finds over the span planned.

    Attributes
    ----------
    span
        Units that the plan sets apart.
    found_before, found_after, found_low, found_high
        Share of finds at its beginning, and at its end by the estimate and its limits.
    degrees_of_freedom
        Of the t distribution behind limits and p-value.
    """

    span: float
    found_before: Number
    found_after: Number
    found_low: Number
    found_high: Number
    degrees_of_freedom: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class GuessesTold:
    """What handlers took areas for beforehand; p-value of guessing right as often by chance."""

    hides: int
    called_hide: int
    blanks: int
    called_blank: int
    p: float
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanSection:
    """How far planned trials have come, and what they say.

    Attributes
    ----------
    question, design
        What is asked, and how sources were assigned.
    look, of_looks
        The latest look that is due (0: none yet), and how many there are.
    information
        Share of the planned information on record.
    planned, done, lost, other_dog, swapped, unknown
        Trials of the plan: all, on record, not done in their time, done by another dog or on
        another source, and labels on record that are of no planned trial.
    estimate, as_thawed
        As assigned, and by what was really done: the second row. Null before the first look.
    significant
        Whether the estimate passes its look's bound; null before the first.
    exact_p
        By turning over the lot itself; null below 8 pairs.
    assigned_by_lot
        Whether arms were drawn.
    arms
        Hide trials and finds by arm; empty before the first look.
    key_sha256
        The seal of the key.
    more
        What stands behind the sentence, in words.
    """

    question: Question
    design: Design
    look: int
    of_looks: int
    information: float
    planned: int
    done: int
    lost: int
    other_dog: int
    swapped: int
    unknown: tuple[str, ...]
    estimate: PlannedEffect | None
    as_thawed: PlannedEffect | None
    significant: bool | None
    exact_p: Number
    assigned_by_lot: bool
    arms: tuple[ArmCount, ...]
    guesses: GuessesTold | None
    key_sha256: str
    sentence: str
    more: tuple[str, ...]


_TERMS = {"cycle": ("cycles", "cycle"), "30 days": ("age_days", "30 days"),
          "freezer": ("storage", "freezer less refrigerator")}  # fmt: skip


def make_plan_section(planned: Planned | None, held_back: int = 0) -> PlanSection | None:
    """The section; None where there is no plan."""
    if planned is None:
        return None
    plan, result = planned.plan, planned.result
    guesses = planned.guesses
    return filled(
        PlanSection,
        result,
        result.carried,
        estimate=_effect(plan, result.estimate, planned.moved),
        as_thawed=_effect(plan, result.as_thawed, planned.moved_as_thawed),
        arms=result.arms if result.look else (),
        guesses=None if guesses is None else _guesses(guesses),
        key_sha256=plan.key_sha256,
        sentence=describe_planned(planned),
        more=tuple(describe_planned_at_length(planned, held_back)),
    )


def _effect(
    plan: Plan, estimate: PlannedEstimate | None, moved: FindsMoved | None
) -> PlannedEffect | None:
    if estimate is None:
        return None
    term, unit = _TERMS[plan.effect.per]
    return filled(
        PlannedEffect,
        estimate,
        term=term,
        unit=unit,
        ratio_of="odds",
        ratio=None,
        span=plan.effect.span,
        found_before=None if moved is None else moved.before,
        found_after=None if moved is None else moved.after,
        found_low=None if moved is None else moved.low,
        found_high=None if moved is None else moved.high,
        degrees_of_freedom=estimate.freedom,
    )


def _guesses(guesses: Guesses) -> GuessesTold:
    return filled(GuessesTold, guesses, sentence=describe_guesses(guesses))
