"""Thirty small units of every scenario: nothing told of one contradicts anything else told of it.

The study's own check, that a contradiction is seen, is ``tests/report/test_contradictions.py``.
"""

from collections.abc import Callable
from dataclasses import replace

import pandas as pd
import pytest

from outcomes.answers.facts import gather_facts
from outcomes.records.tables import Records
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import OTHER_WORLDS, SCENARIOS, Truth, simulate_unit
from tests.contradictions import contradictions, tell

_FALLING = Truth(cycle_log_odds=-0.2, baseline_log_odds=3.0)


def _unit(
    truth: Truth, seed: int, *, trials: int = 500, dogs: int = 6, sources: int = 16
) -> Records:
    return unit_records(
        simulate_unit(truth, seed, trials=trials, dogs=dogs, sources=sources, months=20)
    )


def _late_logs() -> Records:
    """A third of the sources have no log for the first 400 days."""
    records = _unit(_FALLING, 41)
    moves = records.storage
    some = moves["source_id"].isin(sorted(moves["source_id"].unique())[::3])
    begun = moves["moved_at"].min() + pd.Timedelta(days=400)
    return replace(records, storage=moves[~(some & (moves["moved_at"] < begun))])


def _no_storage_log() -> Records:
    records = _unit(_FALLING, 42)
    return replace(records, storage=records.storage.iloc[:0])


UNITS: dict[str, Callable[[], Records]] = {
    **{
        f"{name}, {seed}": lambda truth=truth, seed=seed: _unit(truth, seed)
        for name, truth in {**SCENARIOS, **OTHER_WORLDS}.items()
        for seed in (21, 22)
    },
    "few trials": lambda: _unit(_FALLING, 31, trials=80, dogs=3, sources=8),
    "one dog": lambda: _unit(_FALLING, 32, dogs=1),
    "no refrigerator": lambda: _unit(replace(_FALLING, all_frozen=True), 33),
    "no freezer": lambda: _unit(replace(_FALLING, all_refrigerated=True), 34),
    "exactly tied": lambda: _unit(replace(_FALLING, tied="exactly"), 35),
    "rising": lambda: _unit(Truth(cycle_log_odds=0.2, baseline_log_odds=0.0), 36),
    "late logs": _late_logs,
    "no storage log": _no_storage_log,
}


def test_there_are_thirty_units() -> None:
    assert len(UNITS) == 30


@pytest.mark.parametrize("name", UNITS)
def test_no_pair_of_statements_contradicts_itself(name: str) -> None:
    assert contradictions(tell(gather_facts(UNITS[name](), DecisionSettings()))) == []
