"""How fast a unit uses up its sources: by hand, and what no rule may do."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.analysis.decisions.rate_of_use import RateOfUse, rate_of_use, retired_by_place
from outcomes.exposure.stays import storage_history
from outcomes.settings import RecordsSettings

FIRST, LAST = pd.Timestamp("2025-01-01"), pd.Timestamp("2026-01-01")


def _log(rows: list[tuple[str, str, str]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["source_id", "moved_at", "moved_to"])
    return frame.assign(moved_at=pd.to_datetime(frame["moved_at"], format="ISO8601"))


@pytest.fixture(scope="module")
def small() -> RateOfUse:
    """Five sources with histories that can be counted on fingers.

    A: thawed once before the first trial, then monthly all year. B: came in July, two thaws,
    discarded on 1 October. C: never thawed, older. D: no move logged. E: discarded before the
    first trial.
    """
    sources = pd.DataFrame(
        {
            "source_id": list("ABCDE"),
            "acquired_on": pd.to_datetime(
                ["2024-12-01", "2025-07-01", "2024-06-01", "2025-01-01", "2024-01-01"]
            ),
            "age_at_acquisition_days": [0.0, 100.0, 10.0, 0.0, 0.0],
        }
    )
    rows = [("A", "2024-12-01", "freezer"), ("A", "2024-12-10 08:00", "ambient")]
    rows += [("A", "2024-12-10 18:00", "freezer")]
    for month in range(1, 13):
        rows += [("A", f"2025-{month:02d}-10 08:00", "ambient")]
        rows += [("A", f"2025-{month:02d}-10 18:00", "freezer")]
    rows += [("B", "2025-07-01", "freezer"), ("B", "2025-08-01 08:00", "ambient")]
    rows += [("B", "2025-08-01 18:00", "freezer"), ("B", "2025-09-01 08:00", "ambient")]
    rows += [("B", "2025-09-01 18:00", "freezer"), ("B", "2025-10-01 00:00", "discarded")]
    rows += [("C", "2024-06-01", "refrigerator")]
    rows += [("E", "2024-01-01", "freezer"), ("E", "2024-10-01", "discarded")]
    storage = _log(rows)
    asked = pd.DataFrame({"source_id": ["C"], "started_at": [LAST]})
    history = storage_history(sources, storage, asked, RecordsSettings())
    return rate_of_use(sources, storage, history, FIRST, LAST)


def test_use_is_that_of_the_log(small) -> None:
    assert small.source_ids == ("A", "B", "C")
    assert small.undocumented == 1
    year = 365.25
    assert small.years == pytest.approx(365 / year)
    assert small.held == pytest.approx([1.0, 92 / 365, 1.0])
    assert small.cycles_per_year == pytest.approx([12 / (365 / year), 2 / (92 / year), 0.0])
    assert small.first_age_days == pytest.approx([0.0, 100.0, 10.0])
    (gone,) = small.discards
    assert (gone.source_id, gone.cycles) == ("B", 2.0)
    # 100 days old when it came, held for 92.
    assert gone.age_days == pytest.approx(192.0, abs=0.001)


def test_held_for_less_than_a_day_is_no_place() -> None:
    came = pd.to_datetime(["2025-12-31 00:00", "2025-12-31 01:00"], format="ISO8601")
    sources = pd.DataFrame({"source_id": ["A", "B"], "acquired_on": came})
    storage = _log([("A", "2025-12-31", "freezer"), ("B", "2025-12-31 01:00", "freezer")])
    asked = pd.DataFrame({"source_id": ["A"], "started_at": [LAST]})
    history = storage_history(sources, storage, asked, RecordsSettings())
    assert rate_of_use(sources, storage, history, FIRST, LAST).source_ids == ("A",)


def test_cycle_limit_uses_up_cycles_over_limit(small) -> None:
    # 14 cycles in 365 days over the three of them: 14 / 7 sources in that time.
    found = retired_by_place(small, cycles=7.0)
    assert found.sum() == pytest.approx(2.0 / (365 / 365.25))
    assert found[2] == 0.0


def test_age_limit_gives_places_the_time_left(small) -> None:
    # Limit 200 days: 200, 100 and 190 days left on arrival, 490 / 3 on average.
    found = retired_by_place(small, age_days=200.0)
    assert found.sum() == pytest.approx((2 + 92 / 365) * 365.25 / (490 / 3))
    # At 50 days the source that came 100 days old is not taken in any more.
    younger = retired_by_place(small, age_days=50.0)
    assert younger.sum() == pytest.approx((2 + 92 / 365) * 365.25 / 45.0)
    assert retired_by_place(small, cycles=5.0, age_days=0.0) is None


def test_cycles_before_are_not_there_to_use() -> None:
    # Thawed 12 times a year, limit 20; one came new, one with 5 cycles: 20 and 15 left, 17.5 on
    # average, so each place uses up 12 / 17.5 sources a year.
    two = np.ones(2)
    use = RateOfUse(1.0, ("A", "B"), two, 12.0 * two, np.array([0.0, 5.0]), 0.0 * two, (), 0)
    assert retired_by_place(use, cycles=20.0) == pytest.approx([12 / 17.5] * 2)
    # At a limit of 5 only sources that come new are taken in.
    assert retired_by_place(use, cycles=5.0) == pytest.approx([12 / 5] * 2)


@pytest.mark.parametrize(("day", "counted"), [("2026-01-01", ["A"]), ("2026-01-02", [])])
def test_discard_counts_up_to_the_last_trial(day, counted) -> None:
    sources = pd.DataFrame(
        {
            "source_id": ["A"],
            "acquired_on": pd.to_datetime(["2025-01-01"]),
            "age_at_acquisition_days": [0.0],
        }
    )
    storage = _log([("A", "2025-01-01", "freezer"), ("A", day, "discarded")])
    asked = pd.DataFrame({"source_id": ["A"], "started_at": [FIRST]})
    history = storage_history(sources, storage, asked, RecordsSettings())
    found = rate_of_use(sources, storage, history, FIRST, LAST)
    assert [gone.source_id for gone in found.discards] == counted


def test_long_run_is_that_of_a_simulated_store() -> None:
    # Renewal theory by simulation: each place refilled with one of the ages the unit takes in.
    rng = np.random.default_rng(3)
    n = 6
    rates, ages = rng.uniform(0.0, 40.0, n), rng.uniform(0.0, 300.0, n)
    rates[0] = 0.0
    use = RateOfUse(1.0, ("",) * n, np.ones(n), rates, np.zeros(n), ages, (), 0)
    cycles, age = 15.0, 500.0
    years, retired = 3_000.0, 0
    for rate in rates:
        clock = 0.0
        while True:
            left = (age - rng.choice(ages)) / 365.25
            clock += min(left, cycles / rate) if rate > 0 else left
            if clock > years:
                break
            retired += 1
    # About 20,000 events in 3,000 years: one per cent is two standard errors or more.
    assert retired_by_place(use, cycles=cycles, age_days=age).sum() == pytest.approx(
        retired / years, rel=0.01
    )


@given(
    st.lists(st.tuples(st.floats(0, 60), st.floats(0, 900)), min_size=1, max_size=8),
    st.floats(1, 50),
    st.floats(30, 1500),
    st.floats(1.0, 2.0),
)
def test_later_limits_never_cost_more(places, cycles, age, later) -> None:
    n = len(places)
    rates, _ages = (np.array(part) for part in zip(*places, strict=True))
    use = RateOfUse(1.0, ("",) * n, np.ones(n), rates, np.zeros(n), np.zeros(n), (), 0)
    one = retired_by_place(use, cycles=cycles).sum()
    assert retired_by_place(use, cycles=later * cycles).sum() <= one + 1e-9
    by_age = retired_by_place(use, age_days=age).sum()
    assert retired_by_place(use, age_days=later * age).sum() <= by_age + 1e-9
    both = retired_by_place(use, cycles=cycles, age_days=age).sum()
    assert both >= max(one, by_age) - 1e-9
