"""What planned trials say, as they were assigned; and "not yet" while they do not."""

from __future__ import annotations

from collections.abc import Iterator

from outcomes.answers.planned import FindsMoved, Guesses, Planned
from outcomes.planning.document import Effect, Plan
from outcomes.planning.result import Carried, PlannedEstimate
from outcomes.text import DAYS_PER_MONTH, count, of_100, p_value
from outcomes.wording.numbers import joined, percent

_STEP_DAYS = 30.0
BLIND_ALPHA = 0.05
"""Guesses that chance alone would make so seldom are told as a doubt about blinding."""


def describe_planned(planned: Planned) -> str:
    """The answer of the planned trials, or that it is not to be told yet."""
    plan, result = planned.plan, planned.result
    if result.look == 0:
        return _not_yet(planned)
    how = "Assigned by lot" if result.assigned_by_lot else "In the planned trials"
    last = result.look == result.of_looks
    if planned.moved is None or result.estimate is None:
        return f"{how}, but nothing can be told: {result.reason or 'no estimate was possible'}."
    size = _size(plan, planned.moved, result.estimate)
    if result.significant:
        text = f"{how}: finds {_change(plan, planned.moved)} {size}."
        if not result.assigned_by_lot:
            text += " Sources were chosen for the days, not drawn, so this is not proof of cause."
        return text if last else f"{text} Found at look {result.look} of {result.of_looks}."
    if not last:
        nxt = plan.looks[result.look]
        return (
            f"{how}: not settled at look {result.look} of {result.of_looks}. Go on as planned; the "
            f"next look is due about {plan.date_of(nxt.expected_day)}."
        )
    return f"{how}: no difference shows with {_noun(plan)}; {size}. That is not proof of none."


def describe_planned_in_short(planned: Planned) -> str | None:
    """The same for a caption; None where nothing may be told yet."""
    result = planned.result
    if result.look == 0 or planned.moved is None:
        return None
    how = "Planned trials, by lot" if result.assigned_by_lot else "Planned trials"
    if not result.significant:
        return f"{how}: no difference shows {_until(planned)}".rstrip() + "."
    return f"{how}: {of_100(planned.moved.before)} to {_after(planned)} in 100 {_over(planned)}."


def _until(planned: Planned) -> str:
    result = planned.result
    return "" if result.look == result.of_looks else f"at look {result.look} of {result.of_looks}"


def _after(planned: Planned) -> str:
    assert planned.moved is not None
    return of_100(planned.moved.after)


def _over(planned: Planned) -> str:
    return _span(planned.plan.effect)


def _span(effect: Effect) -> str:
    if effect.per == "freezer":
        return "from refrigerator to freezer"
    if effect.per == "cycle":
        return f"over {effect.span:.0f} more {'cycle' if round(effect.span) == 1 else 'cycles'}"
    return f"over {effect.span * _STEP_DAYS / DAYS_PER_MONTH:.0f} months"


def _noun(plan: Plan) -> str:
    return {"cycles": "freeze/thaw cycles", "age": "age", "storage": "storage"}[plan.question]


def _change(plan: Plan, moved: FindsMoved) -> str:
    down = moved.after < moved.before
    if plan.question == "storage":
        kept = "refrigerated" if down else "frozen"
        return f"are more when {kept}:"
    return f"{'fall' if down else 'rise'} with {_noun(plan)}:"


def _size(plan: Plan, moved: FindsMoved, estimate: PlannedEstimate) -> str:
    """From so many finds to so many, with the limits of the second."""
    interval = "no interval can be given"
    if moved.low is not None and moved.high is not None:
        low, high = sorted((moved.low, moved.high))
        interval = f"{percent(estimate.confidence)} interval {of_100(low)} to {of_100(high)}"
    return (
        f"from {of_100(moved.before)} in 100 to {of_100(moved.after)} {_span(plan.effect)} "
        f"({interval})"
    )


def _not_yet(planned: Planned) -> str:
    plan, carried = planned.plan, planned.result.carried
    first = plan.looks[0]
    share = f"{100.0 * planned.result.information:.0f} %"
    due = "when all of it is done" if len(plan.looks) == 1 else "at the first look"
    return (
        f"Planned trials: not yet. {carried.done:,} of {carried.planned:,} are done, {share} of "
        f"what the plan will tell; it is told {due}, about {plan.date_of(first.expected_day)}. "
        "Told before, chance would be taken for a finding."
    )


def describe_planned_at_length(planned: Planned, held_back: int = 0) -> Iterator[str]:
    """What stands behind the answer: how it was carried out, as thawed, by lot, guesses."""
    plan, result = planned.plan, planned.result
    yield describe_carried(result.carried)
    if held_back:
        yield describe_held_back(held_back)
    if result.look and planned.moved is not None and result.estimate is not None:
        yield _how_told(planned)
    if result.look and result.arms:
        arms = [f"{a.arm} {a.finds:,} of {a.trials:,} found" for a in result.arms]
        yield f"As counted: {joined(arms)}."
    if result.look and planned.moved_as_thawed is not None and result.as_thawed is not None:
        size = _size(plan, planned.moved_as_thawed, result.as_thawed)
        yield (
            f"Second, by what was really done: {size}. The lot vouches for the first number, not "
            "for this one."
        )
    if planned.guesses is not None:
        yield describe_guesses(planned.guesses)


def describe_held_back(held_back: int) -> str:
    """That planned trials are in no other answer yet, and what to leave alone meanwhile."""
    held, them = count(held_back, "planned trial"), "it" if held_back == 1 else "them"
    return (
        f"In no other answer, nor on the shelf, until the last look: {held}. Whoever saw {them} by "
        "source would no longer be blind. Until then neither test nor retire a source of the plan "
        "beside it, whatever the shelf says."
    )


def _how_told(planned: Planned) -> str:
    result = planned.result
    assert result.estimate is not None
    text = f"By paired differences within sources, {_p(result.estimate.p)}"
    if not result.assigned_by_lot:
        text = f"Within sources, {_p(result.estimate.p)}"
    if result.exact_p is not None:
        text += f"; by turning over the lot itself, {_p(result.exact_p)}"
    if result.of_looks > 1:
        text += f"; look {result.look} of {result.of_looks}"
    return f"{text}."


def _p(p: float | None) -> str:
    return "no p-value" if p is None else p_value(p)


def describe_carried(carried: Carried) -> str:
    """How far the plan was carried out, and what went otherwise."""
    parts = [f"{carried.done:,} of {count(carried.planned, 'planned trial')} done"]
    for number, what in (
        (carried.lost, "lost"),
        (carried.other_dog, "by another dog"),
        (carried.swapped, "on another source than planned (analysed as planned)"),
        (carried.assisted, "helped (not used)"),
        (carried.repeated, "entered twice (not used)"),
        (len(carried.unknown), "with a label of no planned trial (not used)"),
    ):
        if number:
            parts.append(f"{number:,} {what}")
    return f"{', '.join(parts)}."


def describe_guesses(guesses: Guesses) -> str:
    """Whether handlers could tell hides from blank areas beforehand."""
    said = (
        f"Handlers guessed hide on {guesses.called_hide:,} of {count(guesses.hides, 'hide')} and "
        f"blank on {guesses.called_blank:,} of {count(guesses.blanks, 'blank area')}"
    )
    if guesses.p < BLIND_ALPHA:
        return (
            f"{said}: better than chance ({p_value(guesses.p)}), so the trials may not have stayed "
            "blind. Look for what gives them away."
        )
    return f"{said}: no better than chance."
