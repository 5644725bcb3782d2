"""Verdicts where the world is no straight line, in a reduced size."""

from collections import Counter

import pytest
from other_worlds import verdict_in
from scipy import stats

pytestmark = pytest.mark.study


def counted(world: str, units: int) -> Counter[str]:
    return Counter(verdict_in(world, seed).verdict for seed in range(100, 100 + units))


def test_no_effect_is_seldom_called() -> None:
    found = counted("no effect", 30)
    called = 30 - found["no change detected"]
    # 5 in 100 are promised; so many or more come 1 time in 1,000.
    assert called <= stats.binom.isf(0.001, 30, 0.05)


def test_a_step_is_cycles_and_never_age() -> None:
    found = counted("step at 10 cycles", 16)
    # 65 in 100 are asked for, 70 were measured on 40 units.
    assert found["cycles"] >= stats.binom.ppf(0.001, 16, 0.65)
    assert found["age"] <= stats.binom.isf(0.001, 16, 0.05)


def test_a_line_is_still_named() -> None:
    found = counted("weak line", 12)
    # 73 in 100 on 30 units.
    assert found["cycles"] >= stats.binom.ppf(0.001, 12, 0.73)
