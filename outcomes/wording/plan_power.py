"""How often a plan would show what it is to show, and what more of one thing would buy."""

from __future__ import annotations

from outcomes.planning.document import Effect, Plan, PowerAt, PowerIf
from outcomes.text import DAYS_PER_MONTH, count, of_100
from outcomes.wording.numbers import joined

ENOUGH = 0.8
"""Share of plans that should show the effect; common practice, no source."""
EVEN = 0.5
"""Share below which a plan sooner misses the effect than finds it."""
_STEP_DAYS = 30.0
QUESTIONS = {
    "storage": "Does it matter whether a source is kept frozen or refrigerated?",
    "cycles": "Does it matter how often a source has been thawed?",
    "age": "Does it matter how old a source is?",
}
DESIGNS = {
    "split": "Split sources: each source is cut in two, and a lot decides which portion is which.",
    "pairs": "Like pairs: whole sources alike in kind and age, and a lot decides which is which.",
    "shelf": "The shelf as it is: which source on which day, chosen so that the trials tell most.",
}


def describe_effect(effect: Effect) -> str:
    """What the plan is to show, in finds."""
    finds = f"from {of_100(effect.found_now)} to {of_100(effect.found_then)} finds in 100"
    if effect.per == "freezer":
        now, then = of_100(effect.found_now), of_100(effect.found_then)
        return f"a difference of {now} against {then} finds in 100 between freezer and refrigerator"
    change = "fall" if effect.found_then < effect.found_now else "rise"
    if effect.per == "cycle":
        return f"a {change} {finds} over {effect.span:.0f} more cycles"
    return f"a {change} {finds} over {effect.span * _STEP_DAYS / DAYS_PER_MONTH:.0f} months"


def power_of_plan(plan: Plan) -> PowerAt | None:
    """Power at the plan's own length; None where it was not worked out."""
    return next((p for p in plan.power if p.weeks == plan.weeks), None)


def describe_power_in_short(plan: Plan) -> str:
    """The headline: what this plan would do, and how long would be long enough."""
    own = power_of_plan(plan)
    if own is None:
        return "How often this plan would show the difference is not known"
    thing = "difference" if plan.question == "storage" else "fall"
    start = (
        f"{count(plan.weeks, 'week')} of {plan.trials_per_week} trials would show the {thing} in "
        f"{of_100(own.power)} of 100 such plans"
    )
    if own.power >= ENOUGH:
        return start
    if plan.settled_after_weeks is None:
        longest = max(p.weeks for p in plan.power)
        return f"{start}; it cannot be settled in {count(longest, 'week')}"
    if plan.settled_after_weeks <= plan.weeks:
        return start
    return f"{start}; {count(plan.settled_after_weeks, 'week')} would settle it"


def describe_power(plan: Plan) -> str:
    """What power is of, and what it is not."""
    return (
        f"If there is {describe_effect(plan.effect)}, so many of 100 plans like this one would "
        f"find it; {100.0 * ENOUGH:.0f} is usually asked for. {describe_false_findings(plan)}"
    )


def describe_false_findings(plan: Plan) -> str:
    """How often chance alone makes a finding."""
    return (
        f"If there is no difference, {of_100(plan.alpha)} of 100 such plans would find one all the "
        "same."
    )


def describe_same_change(plan: Plan) -> str | None:
    """What the rows of the table have in common; None where there is nothing to say of it."""
    if plan.effect.per == "freezer":
        return None
    many = "cycles" if plan.effect.per == "cycle" else "months"
    return (
        f"Every row looks for the same change, over as many {many} as nine in ten of the sources "
        "held have at most."
    )


def describe_whether_worth(plan: Plan) -> str | None:
    """A word of warning before scarce tissue is spent; None where the plan can be begun."""
    own = power_of_plan(plan)
    if own is None or own.power >= EVEN:
        return None
    return (
        "Do not begin this plan as it stands: it would sooner miss the difference than show it, "
        "and use up tissue for it. Plan longer, or more of what buys most below."
    )


def describe_rates(plan: Plan) -> str:
    """Whether power rests on the unit's own trials."""
    rates = plan.rates
    if not rates.from_records:
        return (
            "The unit has too few trials to tell what its dogs find: common field rates were "
            "taken, so take these numbers as rough."
        )
    return (
        f"These numbers rest on {count(rates.trials, 'hide trial')} of "
        f"{count(rates.sources, 'source')} by {count(rates.dogs, 'dog')} on record, and on "
        "simulated plans."
    )


def describe_smallest(plan: Plan) -> str | None:
    """How small a change the plan could still find; None where nothing is known."""
    own = power_of_plan(plan)
    if own is None or not plan.effect.log_odds:
        return None
    times = own.smallest / abs(plan.effect.log_odds)
    if times <= 1.0:
        return None
    return (
        f"In {count(plan.weeks, 'week')} only a change {times:.1f} times as large would be found "
        f"in {100.0 * ENOUGH:.0f} of 100 plans."
    )


def describe_buys(plan: Plan) -> str | None:
    """What more of one thing would buy; None where that was not worked out."""
    as_planned = next((b for b in plan.buys if b.change == "as planned"), None)
    if as_planned is None:
        return None
    others = [b for b in plan.buys if b.change != "as planned" and b.power > as_planned.power]
    if not others:
        return None
    parts = [f"{_changed(b)} {of_100(b.power)}" for b in others]
    return f"What more would buy, each alone, in 100 plans (by formula, rough): {joined(parts)}."


def _changed(buy: PowerIf) -> str:
    number = f"{buy.to:.3g}"
    if buy.change == "thaws a week":
        return f"{number} {'thaw' if buy.to == 1 else 'thaws'} a week"
    return f"{number} {buy.change}"


def describe_plan_in_short(plan: Plan) -> str:
    """What is planned, in one sentence."""
    hides = sum(t.source_id is not None for t in plan.trials)
    return (
        f"{count(len(plan.trials), 'trial')} in {count(plan.weeks, 'week')} from "
        f"{plan.date_of(1)}: {hides:,} with a source, {len(plan.trials) - hides:,} blank, "
        f"by {count(len({t.dog_id for t in plan.trials}), 'dog')}."
    )


def describe_looks(plan: Plan) -> str:
    """When the results may be looked at."""
    if len(plan.looks) < 2:
        return "Results are looked at once, at the end."
    days = joined([plan.date_of(look.expected_day).isoformat() for look in plan.looks])
    return (
        f"Results are looked at {len(plan.looks)} times, when enough of the plan is done: about "
        f"{days}. An early look has to find more, so that looking often calls nothing falsely."
    )


def describe_power_footer(plan: Plan) -> str:
    """What stands under the figure: whose plan, and what its numbers rest on."""
    whose = plan.unit or "One unit"
    return (
        f"{whose}: {QUESTIONS[plan.question]} A plan of {count(plan.weeks, 'week')} from "
        f"{plan.date_of(1)}. {describe_rates(plan)}"
    )
