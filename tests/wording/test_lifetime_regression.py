"""How long sources last: a direction or a size is told only where the interval has one."""

from __future__ import annotations

from dataclasses import replace

from outcomes.analysis.lifetimes.regression import CycleHazard, NextCycles, not_by_cycles
from outcomes.models.ratio import Estimate
from outcomes.wording.lifetime_regression import (
    describe_hazard_ratio,
    describe_next_cycles,
    describe_time_ratio,
)


def test_a_direction_without_a_size_is_told() -> None:
    wide = Estimate("regime", "refrigerated against frozen", 3.7, 1.8, 1.5, 2000.0, 0.03)
    assert describe_time_ratio(wide, 0.05, told=True) == (
        "Refrigerated sources stayed reliable longer than frozen ones, by how much these records "
        "cannot tell"
    )
    shorter = replace(wide, log_ratio=-3.7, low=0.0001, high=0.9)
    assert "less long than" in describe_time_ratio(shorter, 0.05, told=True)
    assert "went with a higher hazard" in describe_hazard_ratio(wide, 0.05, told=True)
    open_ = describe_hazard_ratio(replace(wide, low=0.01, high=90.0), 0.05, told=False)
    assert open_.startswith("these records cannot tell how")


def test_where_finds_go_with_age_no_cycle_is_told_a_price() -> None:
    row = NextCycles(5, 5, 0.2, 0.1, 0.3, 9)
    found = CycleHazard(12, 6, 90, (), (row,), (), None, 0.05)
    assert describe_next_cycles(found).startswith("Of 100 sources still reliable after 5 cycles")
    by_age = not_by_cycles(found)
    assert by_age.next_cycles == ()
    assert describe_next_cycles(by_age) == (
        "How many sources each further cycle costs is not told: finds go with age in these "
        "records, and cycles only rise along with it."
    )
    none = replace(found, next_cycles=(), reason="too few")
    assert not_by_cycles(none) == none
