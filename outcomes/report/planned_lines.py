"""What planned trials say, as commands print it; loads nothing where there are none."""

from __future__ import annotations

from outcomes.answers.facts import Facts


def planned_lines(facts: Facts) -> list[str]:
    """The answer of planned trials, then what stands behind it; empty where there is no plan."""
    if facts.planned is None:
        return []
    from outcomes.wording.planned import describe_planned, describe_planned_at_length

    behind = describe_planned_at_length(facts.planned, facts.held_back)
    return [describe_planned(facts.planned), *behind]


def settling_lines(facts: Facts) -> list[str]:
    """The plan that would settle what these records cannot say, in one line; empty without one."""
    if facts.outline is None:
        return []
    from outcomes.wording.plan import would_settle

    return [would_settle(facts.outline)]
