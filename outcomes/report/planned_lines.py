"""What planned trials say, as commands print it."""

from __future__ import annotations

from outcomes.answers.facts import Facts
from outcomes.wording.planned import describe_planned, describe_planned_at_length


def planned_lines(facts: Facts) -> list[str]:
    """The answer of planned trials, then what stands behind it; empty where there is no plan."""
    if facts.planned is None:
        return []
    return [describe_planned(facts.planned), *describe_planned_at_length(facts.planned)]
