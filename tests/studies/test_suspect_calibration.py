"""How often suspects are wrongly named, in a reduced size.

With 12 units and a true rate of 5 %, more than 4 are called less than once in
5,000. ``OUTCOMES_STUDY_SIZE=60`` and more asks more closely.
"""

import os

import pytest
from scipy import stats

from outcomes.analysis.finds.confounders import Suspects, compare_suspects
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import DecisionSettings
from outcomes.simulate import SCENARIOS, simulate_unit

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "12"))
FIRST_SEED = 110_000  # none of the seeds the tests, the demo or another study use


def _compared(scenario: str) -> list[Suspects]:
    return [
        compare_suspects(join(unit_records(simulate_unit(SCENARIOS[scenario], seed))).trials, SET)
        for seed in range(FIRST_SEED, FIRST_SEED + UNITS)
    ]


SET = DecisionSettings()


def _no_surprise(number: int, share: float) -> bool:
    return bool(stats.binom.sf(number - 1, UNITS, share) > 1e-3)


@pytest.mark.study
def test_without_a_culprit_few_are_named() -> None:
    called = sum(c.joint_p < SET.alpha for c in _compared("no effect"))
    assert _no_surprise(called, 0.05)


@pytest.mark.study
def test_culprit_has_most_support() -> None:
    compared = _compared("cycles only")
    assert all(max(c.suspects, key=lambda s: s.weight).exposure == "cycles" for c in compared)
    for exposure in ("open_frozen_days", "degree_hours", "age_days"):
        named = sum(c.suspect(exposure).given_others.p < SET.alpha for c in compared)
        assert _no_surprise(named, 0.07)
