"""The study of planned trials in a reduced size: sizes, power and intervals within their limits."""

import os
from dataclasses import replace

import pytest
from planned_trials import CELLS, World, judge, run_cell

pytestmark = [pytest.mark.study, pytest.mark.slow]
PLANS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "20"))
BY_NAME = {cell.name: cell for cell in CELLS}


def _shares(name, world=None):
    cell = BY_NAME[name] if world is None else replace(BY_NAME[name], world=world)
    return {share.what: share for share in judge(cell, list(run_cell(cell, PLANS)))}


@pytest.mark.parametrize(
    "name",
    ["pairs, cycles | nothing planted, life", "split, storage | nothing planted, life"],
)
def test_life_makes_no_false_findings(name):
    shares = _shares(name)
    assert shares["false finding"].low <= 0.05
    holds = shares["interval holds what was planted"]
    assert holds.high >= 0.93


def test_achieved_power_is_the_promised():
    shares = _shares("pairs, cycles | planted")
    promised = float(shares["found"].wanted)
    assert shares["found"].low - 0.03 <= promised <= shares["found"].high + 0.03
    assert shares["interval holds what was planted"].high >= 0.93


def test_study_sees_an_effect_that_is_there():
    """The study can fail: three times the effect looked for is no 5 in 100."""
    name = "pairs, cycles | nothing planted"
    shares = _shares(name, World(effect=3.0))
    assert shares["found"].low > 0.05
