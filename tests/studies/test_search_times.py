"""How soon finds come, on units whose finds fall while their times do not change.

In a reduced size, which finds gross faults only; in full see ``search_times.py``. With misses as
searches cut off by the limit, all of 20 such units were told longer searches (by 17 to 80 %).
"""

import os

import numpy as np
from scipy.stats import binom
from search_times import ask

UNITS = int(os.environ.get("OUTCOMES_STUDY_SIZE", "12"))


def test_fewer_finds_are_not_longer_searches() -> None:
    asked = [ask(seed) for seed in range(UNITS)]
    # Beyond the bounds with probability 0.002 at the promised 2.5 % either way and 95 %.
    most = binom.ppf(0.998, UNITS, 0.025)
    assert sum(a.low > 1.0 for a in asked) <= most
    assert sum(a.high < 1.0 for a in asked) <= most
    # Points of one unit go together: the bounds are of units, 90 % or more within.
    assert np.mean([a.inside.mean() for a in asked]) > 0.95 - 3 * np.sqrt(0.05 / UNITS) * 0.95
    assert np.mean([a.points_inside.mean() for a in asked]) > 0.9


def test_hidden_growth_is_told_as_the_least() -> None:
    # A fifth longer every 10 cycles. What comes after the limit is no find.
    growth = np.log(1.2) / 10
    asked = [ask(seed, growth) for seed in range(max(UNITS // 4, 3))]
    assert all(a.cut_off for a in asked)
    assert np.mean([np.log(a.ratio) for a in asked]) < growth
    assert sum(a.low > np.exp(growth) for a in asked) <= binom.ppf(0.998, len(asked), 0.025)
