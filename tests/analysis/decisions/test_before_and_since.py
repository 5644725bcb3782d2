"""Finds in a source's latest trials and before them: every trial once, cut by number alone."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.analysis.decisions.before_and_since import (
    FindsBeforeAndSince,
    TrialSpan,
    finds_before_and_since,
)

LATER = pd.Timestamp("2030-01-01")


def _trials(cycles: list[float], found: list[bool], age: list[float] | None = None) -> pd.DataFrame:
    n = len(cycles)
    return pd.DataFrame(
        {
            "trial_id": [f"T{k:04d}" for k in range(n)],
            "started_at": pd.Timestamp("2025-01-01") + pd.to_timedelta(np.arange(n), unit="D"),
            "dog_id": "D",
            "source_id": "S",
            "result": np.where(found, "find", "miss"),
            "cycles": cycles,
            "age_days": [31.0 * k for k in range(n)] if age is None else age,
        }
    )


def _of(trials: pd.DataFrame, by: str = "cycles") -> FindsBeforeAndSince:
    return finds_before_and_since(trials, LATER, by)["S"]


def test_latest_twelve_against_all_before() -> None:
    found = [True] * 20 + [False] * 10 + [True, True]
    told = _of(_trials(list(range(32)), found))
    # 32 trials: 20 before the latest 12, too few to halve.
    assert told.spans == (TrialSpan(0, 19, 20, 20), TrialSpan(20, 31, 12, 2))
    assert (told.by, told.trials, told.finds) == ("cycles", 32, 22)


def test_many_earlier_trials_are_halved() -> None:
    told = _of(_trials(list(range(40)), [True] * 40))
    assert [(s.first, s.last, s.trials) for s in told.spans] == [
        (0, 13, 14),
        (14, 27, 14),
        (28, 39, 12),
    ]


def test_few_trials_are_not_parted() -> None:
    told = _of(_trials(list(range(9)), [True] * 9))
    assert (told.by, told.spans, told.trials) == (None, (), 9)


def test_months_part_what_cycles_do_not() -> None:
    told = _of(_trials([0.0] * 24, [True] * 24))
    assert told.by == "age_days"
    # Month 12 begins after 365.25 days; the thirteenth trial is 372 days old.
    assert [(s.first, s.last) for s in told.spans] == [(0, 11), (12, 23)]
    unknown = _of(_trials([np.nan] * 24, [True] * 24, age=[np.nan] * 24))
    assert (unknown.by, unknown.trials) == (None, 24)
    assert _of(_trials(list(range(24)), [True] * 24), "age_days").by == "age_days"


def test_helped_and_later_trials_do_not_count() -> None:
    trials = _trials(list(range(30)), [True] * 30)
    helped = trials.assign(assisted=pd.array([True] * 5 + [False] * 25, dtype="boolean"))
    assert _of(helped).trials == 25
    early = finds_before_and_since(trials, pd.Timestamp("2025-01-11"))["S"]
    assert early.trials == 10
    assert finds_before_and_since(trials, pd.Timestamp("2024-01-01")) == {}


@given(
    steps=st.lists(st.integers(0, 2), min_size=1, max_size=80),
    seed=st.integers(0, 1000),
)
def test_every_trial_is_counted_once(steps: list[int], seed: int) -> None:
    cycles = list(np.cumsum(steps).astype(float))
    found = list(np.random.default_rng(seed).random(len(steps)) < 0.7)
    told = _of(_trials(cycles, found))
    assert (told.trials, told.finds) == (len(found), sum(found))
    if not told.spans:
        return
    assert sum(s.trials for s in told.spans) == told.trials
    assert sum(s.finds for s in told.spans) == told.finds
    assert told.spans[-1].trials >= min(12, (len(found) + 1) // 2)
    for one, following in zip(told.spans, told.spans[1:], strict=False):
        assert one.first <= one.last < following.first
    # No result moves a cut.
    other = _of(_trials(cycles, [not f for f in found]))
    assert [(s.first, s.last, s.trials) for s in other.spans] == [
        (s.first, s.last, s.trials) for s in told.spans
    ]


@pytest.mark.parametrize("order", [1, -1])
def test_order_of_rows_does_not_matter(order: int) -> None:
    trials = _trials(list(range(30)), [k % 3 > 0 for k in range(30)])
    assert _of(trials.iloc[::order]) == _of(trials)
