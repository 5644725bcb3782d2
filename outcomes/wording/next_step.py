"""What to do next with each source: a few words for a table, and the order of work."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.analysis.decisions.next_step import NextStep
from outcomes.text import count
from outcomes.wording.numbers import joined

_MOST_NAMED = 8
BLIND_NOTE = (
    "Blind: nobody present knows where the hide is. The dog named has met the source least, of "
    "those at work that find as often as most: its miss tells of the source, not of the dog. "
    "This is no ranking of dogs."
)


def describe_next_step(step: NextStep) -> str:
    """What to do next with one source, short enough for a cell of a table."""
    if step.order == "test":
        return count(step.trials or 0, "blind trial")
    return {
        "retire": "retire",
        "log": "log its storage",
        "choose": "your choice",
        "keep and test": "keep, test again",
        "keep": "keep using",
    }[step.order]


def describe_next_steps(steps: Sequence[NextStep]) -> str | None:
    """Which source to test first, with how many trials and which dog; None without a test.

    Parameters
    ----------
    steps
        Every source held, in the order to do things in.
    """
    tests = [s for s in steps if s.order == "test"]
    if not tests:
        return None
    first, *others = tests
    text = f"Test first: {first.source_id}, {count(first.trials or 0, 'blind trial')}"
    if first.dog_id is not None:
        met = "has not met it yet" if not first.met else f"met it {_times(first.met)}"
        text += f" with {first.dog_id} ({met})"
    if others:
        named = [_with_dog(s) for s in others[:_MOST_NAMED]]
        if len(others) > _MOST_NAMED:
            named.append(f"{len(others) - _MOST_NAMED:,} more")
        text += f". Then {joined(named)}"
    past = sum(s.past_limit for s in tests)
    if past and len(tests) == 1:
        text += ". It is past the limit"
    elif past:
        some = f"the first {past:,}" if past > 1 else "the first"
        text += f". Past the limit: {'all of them' if past == len(tests) else some}"
    return f"{text}. Then ask again."


def describe_choices(steps: Sequence[NextStep]) -> str | None:
    """Sources that need no blind trial but a person's word; None without any."""
    told = []
    if choose := [s.source_id for s in steps if s.order == "choose"]:
        told.append(
            f"Your choice: {joined(choose)}. To settle it would take more trials than it is worth."
        )
    if again := [s.source_id for s in steps if s.order == "keep and test"]:
        told.append(
            f"Past the limit, but shown at or above the floor by its own trials: {joined(again)}. "
            "Keep using, and test again."
        )
    if log := [s.source_id for s in steps if s.order == "log"]:
        told.append(f"Log where it is kept: {joined(log)}.")
    return " ".join(told) or None


def _with_dog(step: NextStep) -> str:
    return step.source_id if step.dog_id is None else f"{step.source_id} ({step.dog_id})"


def _times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number, f"{number:,} times")


def describe_first_test(steps: Sequence[NextStep]) -> str | None:
    """The first test to run, and how many wait behind it; None without a test."""
    tests = [s for s in steps if s.order == "test"]
    if not tests:
        return None
    first = tests[0]
    dog = "" if first.dog_id is None else f" with {first.dog_id}"
    text = f"Test first: {first.source_id}, {count(first.trials or 0, 'blind trial')}{dog}."
    chosen = sum(s.order == "choose" for s in steps)
    more = [f"{len(tests) - 1} more to test"] if len(tests) > 1 else []
    more += [f"{chosen} left to your choice"] if chosen else []
    return f"{text} On the shelf: {joined(more)}." if more else text
