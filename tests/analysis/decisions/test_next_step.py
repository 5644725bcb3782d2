"""What to do next: limit and advice say one thing, and the dog is chosen by a stated rule."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.decisions.next_step import (
    DogsForTests,
    NextStep,
    is_past_limit,
    plan_next_steps,
)
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.answers.facts import Facts
from outcomes.wording.next_step import (
    describe_choices,
    describe_next_step,
    describe_next_steps,
)

AS_OF = pd.Timestamp("2026-01-01")
LIMIT: Any = SimpleNamespace(by="cycles", retire_after=13, curve=SimpleNamespace(kinds=()))


def _source(name: str, advice: str, ground: str, cycles: float, **more: Any) -> ShelfSource:
    given = {"find_probability": 0.85, "low": 0.6, "high": 0.95, "trials_to_settle": None} | more
    return ShelfSource(name, "blood", "frozen", cycles, 300.0, 20, 17, advice=advice, ground=ground,
                       **given)  # type: ignore[arg-type]  # fmt: skip


def _trials(*dogs: tuple[str, str, int, int, str]) -> pd.DataFrame:
    """Trials of dogs: dog, source, trials, finds among them, day of the last."""
    rows = []
    for dog, source, n, finds, last in dogs:
        for k in range(n):
            day = pd.Timestamp(last) - pd.Timedelta(days=n - 1 - k)
            rows.append((dog, source, "find" if k < finds else "miss", day))
    frame = pd.DataFrame(rows, columns=["dog_id", "source_id", "result", "started_at"])
    return frame.assign(trial_id=[f"T{k}" for k in range(len(frame))])


NOBODY = _trials(("Moss", "other", 12, 12, "2025-12-01"))


def _plan(*shelf: ShelfSource, trials: pd.DataFrame = NOBODY) -> tuple[NextStep, ...]:
    return plan_next_steps(shelf, [LIMIT], DogsForTests(trials, AS_OF), 0.85)


def test_past_the_limit_the_order_is_test() -> None:
    steps = _plan(
        _source("K1", "keep", "above", 5.0),
        _source("K2", "keep", "above", 20.0),
        _source("T1", "test", "unsure", 5.0),
        _source("T2", "test", "unsure", 20.0),
        _source("R1", "retire", "below", 20.0),
    )
    assert [(s.source_id, s.order) for s in steps] == [
        ("R1", "retire"),
        ("T2", "test"),
        ("T1", "test"),
        ("K2", "keep and test"),
        ("K1", "keep"),
    ]
    assert {s.source_id for s in steps if s.past_limit} == {"K2", "T2", "R1"}
    told = [describe_next_step(s) for s in steps]
    assert told == [
        "retire", "10 blind trials", "10 blind trials", "keep, test again", "keep using",
    ]  # fmt: skip
    assert max(map(len, told)) <= 20


def test_fewer_trials_where_fewer_settle_it() -> None:
    (step,) = _plan(_source("T1", "test", "unsure", 5.0, trials_to_settle=1))
    assert describe_next_step(step) == "1 blind trial"
    (step,) = _plan(_source("T1", "test", "unsure", 5.0, trials_to_settle=77))
    assert step.trials == 10


def test_what_no_trial_settles_is_a_persons() -> None:
    edge = _source("E1", "test", "unsure", 20.0, low=0.82, high=0.88, trials_to_settle=400)
    unlogged = _source("U1", "test", "not documented", 5.0)
    steps = _plan(edge, unlogged)
    assert [describe_next_step(s) for s in steps] == ["log its storage", "your choice"]
    assert describe_next_steps(steps) is None
    told = describe_choices(steps)
    assert told is not None
    assert told.startswith("Your choice: E1.")
    assert told.endswith("Log where it is kept: U1.")


def test_a_limit_of_some_kinds_is_of_those_alone() -> None:
    of_fat: Any = SimpleNamespace(
        by="cycles", retire_after=13, curve=SimpleNamespace(kinds=("fat",))
    )
    source = _source("T1", "test", "unsure", 20.0)
    assert is_past_limit(source, [LIMIT])
    assert not is_past_limit(source, [of_fat])
    none: Any = SimpleNamespace(by="cycles", retire_after=None, curve=LIMIT.curve)
    assert not is_past_limit(source, [none])


TEST = _source("T1", "test", "unsure", 20.0)


@pytest.mark.parametrize(
    ("trials", "dog", "met"),
    [
        # Both find alike: the one that has met it less.
        ([("A", "T1", 10, 9, "2025-12-01"), ("B", "T1", 4, 4, "2025-12-01"),
          ("B", "x", 16, 14, "2025-12-01")], "B", 4),
        # B met it least but finds less than most.
        ([("A", "T1", 20, 19, "2025-12-01"), ("B", "x", 20, 10, "2025-12-01"),
          ("C", "T1", 15, 14, "2025-12-01")], "C", 15),
        # B is no longer at work.
        ([("A", "T1", 20, 19, "2025-12-01"), ("B", "x", 20, 20, "2025-02-01")], "A", 20),
        # B has too few trials to be known.
        ([("A", "T1", 20, 19, "2025-12-01"), ("B", "x", 3, 3, "2025-12-01")], "A", 20),
        # A tie goes to more finds, then to the name.
        ([("A", "x", 20, 18, "2025-12-01"), ("B", "x", 20, 18, "2025-12-01")], "A", 0),
    ],
)  # fmt: skip
def test_the_dog_that_met_it_least(trials: Any, dog: str, met: int) -> None:
    (step,) = _plan(TEST, trials=_trials(*trials))
    assert (step.dog_id, step.met) == (dog, met)


def test_a_dog_not_yet_qualified_waits() -> None:
    trials = _trials(("A", "T1", 20, 19, "2025-12-01"), ("B", "x", 20, 20, "2025-12-01"))
    qualified = pd.array(np.where(trials["dog_id"] == "B", False, True), dtype="boolean")
    (step,) = _plan(TEST, trials=trials.assign(qualified=qualified))
    assert step.dog_id == "A"
    none = pd.array([False] * len(trials), dtype="boolean")
    (step,) = _plan(TEST, trials=trials.assign(qualified=none))
    assert step.dog_id == "B"


def test_without_any_trial_no_dog_is_named() -> None:
    (step,) = _plan(TEST, trials=NOBODY.iloc[:0])
    assert (step.order, step.dog_id, step.met) == ("test", None, None)
    assert describe_next_steps([step]) == (
        "Test first: T1, 10 blind trials. It is past the limit. Then ask again."
    )


def test_first_source_is_told_with_its_dog() -> None:
    steps = _plan(TEST, _source("T2", "test", "few trials", 2.0))
    assert describe_next_steps(steps) == (
        "Test first: T1, 10 blind trials with Moss (has not met it yet). Then T2 (Moss). "
        "Past the limit: the first. Then ask again."
    )


def test_every_source_held_has_one_order(demo_facts: Facts) -> None:
    steps = demo_facts.next_steps
    assert sorted(s.source_id for s in steps) == sorted(s.source_id for s in demo_facts.shelf)
    advice = {s.source_id: s.advice for s in demo_facts.shelf}
    for step in steps:
        allowed = {"retire": {"retire"}, "keep": {"keep", "keep and test"}}
        assert step.order in allowed.get(advice[step.source_id], {"test", "choose", "log"})
        assert not (step.order == "keep" and step.past_limit)
        assert (step.trials is not None) == (step.order in ("test", "keep and test"))
    assert steps == demo_facts.next_steps
