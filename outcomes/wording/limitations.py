"""What these records cannot say."""

from __future__ import annotations

from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.model import FindFit
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE


def describe_limitations(
    fit: FindFit, verdict: WhichPredicts, *, by_lot: bool = False
) -> list[str]:
    """What these records cannot say; ``by_lot``: planned trials say what they can."""
    lines = [
        "Whether storage caused a change outside the planned trials: there, sources were chosen "
        "for use and for storage, not assigned."
        if by_lot
        else "Whether storage caused a change: sources were chosen for use and for storage, not "
        "assigned. Only a trial planned for it, with sources assigned by lot, can say.",
    ]
    if verdict.verdict == "no change detected" and verdict.largest_fall:
        lines.append(
            "That nothing changes: a fall as large as the one stated above may be there unseen."
        )
    if verdict.verdict == "cannot be told apart":
        lines.append("Which of the two it is, cycles or age.")
    lines += [f"{note[0].upper()}{note[1:]}." for note in verdict.notes if note != fit.reason]
    for slope in fit.slopes:
        if not slope.seem_to_differ:
            continue
        name = CYCLES_AND_AGE[slope.exposure].noun
        lines.append(
            f"How fast any one {slope.grouping} changes: {slope.grouping}s may differ in how "
            f"they change with {name}. The size given is the average, and its interval allows "
            "for that."
        )
    if fit.mixed is not None and "source" in fit.mixed.singular:
        lines.append(
            "Whether sources differ in ways that are not on record: no such difference showed."
        )
    return lines
