"""Synthetic units with a stated truth: records as a unit would write them, and what made them.

The simulator keeps its own account of every thaw and of every source's age.
It shares no code with :mod:`outcomes.exposure`, so that the two can be
compared. What the records do not show (unlogged thaws, the effects of dogs
and sources, the find probability of each trial) is kept beside the records,
never in them.

The way: ``truth`` → ``plan`` (days, searches, conditions) → ``stock`` (sources) →
``uses`` (thaws and results, day by day) → ``tables`` (records) → ``unit``.
"""

from outcomes.simulate.truth import DEMO, OTHER_WORLDS, SCENARIOS, Truth, time_ratio_per_cycle
from outcomes.simulate.unit import (
    Unit,
    demo_unit,
    find_true_threshold,
    mean_find_probability,
    simulate_unit,
)

__all__ = [
    "DEMO",
    "OTHER_WORLDS",
    "SCENARIOS",
    "Truth",
    "Unit",
    "demo_unit",
    "find_true_threshold",
    "mean_find_probability",
    "simulate_unit",
    "time_ratio_per_cycle",
]
