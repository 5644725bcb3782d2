"""What a plan tells before a dog runs: its power, what it rests on, when it cannot settle."""

from __future__ import annotations

from dataclasses import replace

from outcomes.planning.document import Plan, PowerAt
from outcomes.planning.outline import Outline
from outcomes.text import count
from outcomes.wording.numbers import bare_in_100, few, floor_in_100, in_100, joined

_WANTED = 0.8
_WHAT = {
    "cycles": "thawing",
    "storage": "storage in freezer or refrigerator",
    "age": "age",
}
_RATE_NAMES = {
    "found": "the share found",
    "dog_sd": "how far dogs differ",
    "source_sd": "how far sources differ",
    "portion_sd": "how far portions or sources of a pair differ",
}


def with_words(plan: Plan) -> Plan:
    """The plan with its sentence and its assumptions."""
    return replace(plan, assumptions=assumptions(plan), sentence=sentence(plan))


def sentence(plan: Plan) -> str:
    """What the plan would settle, and how often."""
    own = next(p for p in plan.power if p.weeks == plan.weeks)
    looked_for = f"If {_change(plan)}, {count(plan.weeks, 'week')} of these trials would show it"
    told = f"{looked_for} in {_with_limits(own)} such plans."
    if own.power >= _WANTED:
        return told
    return f"{told} {cannot_be_settled(plan)}"


def cannot_be_settled(plan: Plan) -> str:
    """That the weeks planned are too few, and how many would do."""
    start = f"This cannot be settled in {count(plan.weeks, 'week')}"
    enough = next((p for p in plan.power if p.weeks > plan.weeks and p.power >= _WANTED), None)
    if enough is None:
        longest = max(p.weeks for p in plan.power)
        return f"{start}, nor in {longest}." if longest > plan.weeks else f"{start}."
    return (
        f"{start}; {enough.weeks} weeks ({count(enough.trials, 'trial')}) would show it in "
        f"{in_100(enough.power)}."
    )


def would_settle(outline: Outline) -> str:
    """The line that ends an answer which the records cannot give."""
    what = _WHAT[outline.question]
    plan = (
        f"{count(outline.weeks, 'week')}, {count(outline.sources, 'source')} and "
        f"{count(outline.trials, 'trial')}"
    )
    how = "planned by the shelf" if outline.design == "shelf" else "assigned by lot"
    if outline.settled:
        return (
            f"Trials {how} could tell about {what}: {plan} would show a fall that matters about "
            f"{times(outline.power)} (outcomes plan)."
        )
    return (
        f"Even trials {how} would hardly tell about {what} within a year: {plan} would show a "
        f"fall that matters about {times(outline.power)} (outcomes plan)."
    )


def times(power: float) -> str:
    """Power as a count of a hundred plans.

    >>> times(0.8)
    '80 times in 100'
    """
    return f"{bare_in_100(power)} times in 100"


def _change(plan: Plan) -> str:
    effect = plan.effect
    finds = f"finds from {bare_in_100(effect.found_now)} to {in_100(effect.found_then)}"
    if effect.per == "cycle":
        return f"{few(effect.span)} more cycles bring {finds}"
    if effect.per == "30 days":
        return f"{few(effect.span)} months of age bring {finds}"
    return f"the freezer instead of the refrigerator brings {finds}"


def _with_limits(power: PowerAt) -> str:
    low, high = bare_in_100(power.low), bare_in_100(power.high)
    return f"{in_100(power.power)} ({low} to {high})"


def assumptions(plan: Plan) -> tuple[str, ...]:
    """What the power rests on, a sentence each."""
    rates = plan.rates
    own = [_RATE_NAMES[name] for name in _RATE_NAMES if name in rates.from_records]
    stated = [_RATE_NAMES[name] for name in _RATE_NAMES if name not in rates.from_records]
    told = [
        f"Power is for {in_100(rates.found)} found today, and spreads in log-odds of "
        f"{rates.dog_sd:.2g} between dogs, {rates.source_sd:.2g} between sources and "
        f"{rates.portion_sd:.2g} within pairs."
    ]
    if own:
        trials = count(rates.trials, "hide trial")
        told.append(f"From the unit's {trials}: {joined(own)}.")
    if stated:
        told.append(f"Stated as usual in the field, not from the records: {joined(stated)}.")
    told.append(_fall(plan))
    told.append(_lot(plan))
    if plan.design != "shelf" and len(plan.storage) < 12:
        told.append(
            f"With {count(len(plan.storage) // 2, 'pair')} the test leans on how pairs differ: "
            "one that goes wrong costs much of the power."
        )
    told.append(
        "Every trial is done as planned. A sick dog, lost portions or forgotten thaws cost power, "
        "and make no false finding, as long as nobody who sets or handles knows the arm."
    )
    return tuple(told)


def _fall(plan: Plan) -> str:
    if plan.effect.found_then == plan.found_at_least:
        return f"The fall looked for ends at the floor, {floor_in_100(plan.found_at_least)}."
    return (
        f"Finds are about at the floor of {floor_in_100(plan.found_at_least)} or below it today, "
        f"so the fall looked for ends at {in_100(plan.effect.found_then)}."
    )


def _lot(plan: Plan) -> str:
    what = _WHAT[plan.question]
    if plan.design == "split":
        return f"Each source is cut in two, and {what} is drawn by lot between its portions."
    if plan.design == "pairs":
        return (
            f"Sources alike in kind, age and past finds form pairs, and {what} is drawn by lot "
            "within each."
        )
    return (
        "No arm is drawn: the plan chooses which source is used when. "
        "What it shows is planned, not assigned by lot."
    )
