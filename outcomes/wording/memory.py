"""Whether the dogs' memory of sources bears on the answer about cycles."""

from __future__ import annotations

from math import expm1

from outcomes.analysis.finds.specifications import Memory
from outcomes.wording.numbers import percent


def describe_memory(memory: Memory | None, alpha: float) -> str | None:
    """What earlier meetings of dog and source do to the answer; None where nothing need be said."""
    if memory is None or memory.cycles_with_it is None or memory.correlation is None:
        return None
    if not memory.changes_answer and not memory.together:
        return None
    tied = f"correlation {memory.correlation:.2f}".replace("-", "−")
    with_it = memory.cycles_with_it
    assert with_it.log_odds is not None
    assert with_it.low is not None
    assert with_it.high is not None
    low, middle, high = (_odds(x) for x in (with_it.low, with_it.log_odds, with_it.high))
    held = (
        f"With meetings held the same, the odds of a find change by {middle} a cycle "
        f"({percent(1.0 - alpha)} interval {low} to {high})"
    )
    if memory.changes_answer:
        hardly = ", and these records can hardly tell the two apart" if memory.together else ""
        return (
            "A dog may remember a source, and meets it more often as it cycles "
            f"({tied}){hardly}. {held}: that changes the answer, so it may be memory in part."
        )
    return (
        f"Cycles and the dogs' earlier meetings with a source go together ({tied}): these records "
        f"can hardly tell the two apart. {held}."
    )


def _odds(log_odds: float) -> str:
    return f"{100.0 * expm1(log_odds):+.0f} %".replace("-", "−")
