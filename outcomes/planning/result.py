"""What planned trials say, as they were assigned."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.planning.document import Kind, Question


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """How far the plan was carried out.

    Attributes
    ----------
    planned, done
        Trials of the plan, and those of them on record.
    hides_planned, hides_done
        The same of trials on sources.
    lost
        Trials not on record though their day, or a later day of the plan, was searched.
    swapped
        Done on another source than planned; analysed as planned.
    other_dog
        Done by another dog than planned.
    assisted
        Hide trials done with help; out of use.
    unknown
        plan_ids on record that are not in the plan.
    repeated
        Records beyond the first of a plan_id; out of use.
    through_day
        Last day of the plan on record; 0: none.
    """

    planned: int
    done: int
    hides_planned: int
    hides_done: int
    lost: int
    swapped: int
    other_dog: int
    assisted: int
    unknown: tuple[str, ...]
    repeated: int
    through_day: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedEstimate:
    """One estimate of the plan's effect, in the unit of the plan's ``effect.log_odds``.

    Attributes
    ----------
    log_odds, std_error
        None where it could not be estimated.
    low, high
        Limits at ``confidence``; None: not bounded within reach.
    confidence
        Two-sided; at a look before the last, that of the look's bound.
    p
        Two-sided.
    freedom
        Degrees of freedom of the t distribution.
    """

    log_odds: float | None
    std_error: float | None
    low: float | None
    high: float | None
    confidence: float
    p: float | None
    freedom: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmCount:
    """Hide trials done of one arm, and finds among them."""

    arm: str
    trials: int
    finds: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanResult:
    """What planned trials say; numbers only.

    Attributes
    ----------
    question, design
        Of the plan.
    assigned_by_lot
        Whether arms were drawn.
    carried
        How far the plan was carried out.
    information
        Share of the planned information that is on record.
    look, of_looks
        The latest look that is due (0: none yet), and how many there are.
    bound
        Absolute normal value to be reached at that look; None before the first.
    significant
        Whether it was reached: None before the first look is due. Nothing is to be told of the
        effect then.
    estimate
        As assigned; None before the first look is due, or where ``reason`` says why.
    exact_p
        By turning over all assignments that could have been drawn; None below 8 pairs and in
        the shelf design.
    as_thawed
        By cycles, days or storage as they really were: a second row, never the first.
    arms
        Counts by arm, ``often`` or ``freezer`` first; empty in the shelf design.
    reason
        Why there is no estimate; None where there is one, or no look is due.
    """

    question: Question
    design: Kind
    assigned_by_lot: bool
    carried: Carried
    information: float
    look: int
    of_looks: int
    bound: float | None
    significant: bool | None
    estimate: PlannedEstimate | None
    exact_p: float | None
    as_thawed: PlannedEstimate | None
    arms: tuple[ArmCount, ...]
    reason: str | None
