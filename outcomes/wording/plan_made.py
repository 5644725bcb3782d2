"""What ``outcomes plan`` prints: the plan, what it would show, its files, and what to do now."""

from __future__ import annotations

from collections.abc import Iterator

from outcomes.planning.document import Plan
from outcomes.text import Row, of_100, table
from outcomes.wording.plan_power import (
    DESIGNS,
    QUESTIONS,
    describe_buys,
    describe_false_findings,
    describe_looks,
    describe_plan_in_short,
    describe_rates,
    describe_same_change,
    describe_smallest,
    describe_whether_worth,
)
from outcomes.wording.plan_sheets import (
    KEY_NOTE,
    TO_HAND_OUT,
    describe_blinding,
    describe_roles,
    describe_used_up,
)


def describe_plan_made(plan: Plan, page: str, command: str) -> Iterator[str]:
    """The plan for people; names of sources and arms are not printed.

    Parameters
    ----------
    plan
        As made.
    page
        Where its page was written, the sheets beside it.
    command
        What tells the results, as it can be pasted.
    """
    yield plan.sentence
    yield f"{QUESTIONS[plan.question]} {DESIGNS[plan.design]} {describe_plan_in_short(plan)}"
    worth = describe_whether_worth(plan)
    if worth is not None:
        yield worth
    yield ""
    yield from _power_table(plan)
    yield f"{describe_false_findings(plan)} {describe_rates(plan)}"
    for line in (describe_same_change(plan), describe_smallest(plan), describe_buys(plan)):
        if line is not None:
            yield line
    yield describe_looks(plan)
    yield ""
    yield describe_used_up(plan)
    yield f"{describe_roles(plan)} {describe_blinding(plan)}"
    yield ""
    yield f"Open {page}, or plan.xlsx beside it, and print the sheets. {TO_HAND_OUT}"
    yield KEY_NOTE
    yield f"When the handlers' results are typed into its sheet results: {command}"


def _power_table(plan: Plan) -> Iterator[Row]:
    rows = [("weeks", "trials", "plans of 100 that would show it", "simulated, limits")]
    for point in sorted(plan.power, key=lambda p: p.weeks):
        own = " (this plan)" if point.weeks == plan.weeks else ""
        limits = f"{of_100(point.low)} to {of_100(point.high)}"
        rows.append((f"{point.weeks}{own}", f"{point.trials:,}", of_100(point.power), limits))
    yield from table(rows)
