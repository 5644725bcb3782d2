"""What a temperature logger reads, worked out by hand; and the area under its line."""

from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.exposure.accumulate import OF_READINGS, exposure_at
from outcomes.exposure.stays import storage_history
from outcomes.settings import RecordsSettings

IN_FREEZER = [("2026-03-01 00:00", "freezer")]
Readings = list[tuple[str, float]]


SOURCES = pd.DataFrame({"source_id": ["S"], "acquired_on": pd.to_datetime(["2026-03-01"])})
FROZEN = pd.DataFrame(
    {"source_id": ["S"], "moved_at": pd.to_datetime(["2026-03-01"]), "moved_to": ["freezer"]}
)
STRICT = RecordsSettings(unlogged_thaws="strict")


def tried(at: str) -> pd.DataFrame:
    return pd.DataFrame({"source_id": ["S"], "started_at": pd.to_datetime([at])})


def exposure(
    moves: list[tuple[str, str]],
    readings: Readings,
    at: str,
    of: str = "freezer",
    rules: RecordsSettings | None = None,
    **columns: Any,
) -> dict[str, Any]:
    """Exposure of one source at a moment; a logger ``of`` a place, or of source ``S``."""
    storage = pd.DataFrame(
        {
            "source_id": "S",
            "moved_at": pd.to_datetime([when for when, _ in moves]),
            "moved_to": [place for _, place in moves],
            **columns,
        }
    )
    trials = tried(at)
    read = pd.DataFrame(
        {
            "place_id" if of != "S" else "source_id": of,
            "read_at": pd.to_datetime([when for when, _ in readings]),
            "temperature_c": [number for _, number in readings],
        }
    )
    history = storage_history(SOURCES, storage, trials, rules or STRICT, read)
    return exposure_at(history, trials["source_id"], trials["started_at"]).iloc[0].to_dict()


CUT = [
    ("2026-03-05 08:00", -18.0),
    ("2026-03-05 09:00", -18.0),
    ("2026-03-05 10:00", 2.0),
    ("2026-03-05 11:00", 2.0),
    ("2026-03-05 12:00", -2.0),
    ("2026-03-05 13:00", -18.0),
]
"""A power cut: above 0 °C from 09:54 to 11:30, below −1 °C from 11:45."""


def test_power_cut_is_a_thaw_above_the_threshold() -> None:
    found = exposure(IN_FREEZER, CUT, "2026-03-05 13:00")
    assert found["cycles"] == found["read_thaws"] == 1
    assert found["hours_since_thaw"] == pytest.approx(3.1)
    assert exposure(IN_FREEZER, CUT, "2026-03-05 09:53")["cycles"] == 0
    assert exposure(IN_FREEZER, CUT, "2026-03-05 09:54")["cycles"] == 1


def test_degree_hours_are_the_area_above_the_base() -> None:
    # Triangle 0.1 h × 2 °C / 2, one hour at 2 °C, triangle 0.5 h × 2 °C / 2.
    assert exposure(IN_FREEZER, CUT, "2026-03-05 13:00")["degree_hours"] == pytest.approx(2.6)
    # Half way down the last triangle, at 11:15: 2 °C to 1 °C in a quarter of an hour.
    found = exposure(IN_FREEZER, CUT, "2026-03-05 11:15")
    assert found["degree_hours"] == pytest.approx(0.1 + 2.0 + 0.25 * 1.5)


def test_discarded_source_is_not_warmed_on() -> None:
    moves = [*IN_FREEZER, ("2026-03-05 08:30", "discarded")]
    found = exposure(moves, CUT, "2026-03-05 13:00", of="F1", place_id=["F1", "F1"])
    assert found["degree_hours"] == 0.0


@pytest.mark.parametrize(("thaw_after_h", "cycles"), [(1.85, 1), (1.86, 0)])
def test_thaw_lasts_to_the_lower_threshold(thaw_after_h, cycles) -> None:
    # 09:54 to 11:45 is 1.85 h.
    rules = RecordsSettings(unlogged_thaws="strict", thaw_after_h=thaw_after_h)
    assert exposure(IN_FREEZER, CUT, "2026-03-06 00:00", rules=rules)["cycles"] == cycles


def test_between_thresholds_a_state_goes_on() -> None:
    lingering = [(f"2026-03-05 {h:02}:00", t) for h, t in enumerate([-18, 2, -0.5, 2, -0.5, -18])]
    assert exposure(IN_FREEZER, lingering, "2026-03-06 00:00")["cycles"] == 1
    never = [(f"2026-03-05 {h:02}:00", t) for h, t in enumerate([-18, -0.5, 0, -0.5, -18])]
    assert exposure(IN_FREEZER, never, "2026-03-06 00:00")["cycles"] == 0
    # From its first reading on: two hours and a little more above −1 °C.
    at_first = [(f"2026-03-05 {h:02}:00", t) for h, t in enumerate([2, -0.5, -0.5, -18])]
    rules = replace(STRICT, thaw_after_h=1.9)
    assert exposure(IN_FREEZER, at_first, "2026-03-06 00:00", rules=rules)["cycles"] == 1


def test_a_power_cut_moves_nothing() -> None:
    read = exposure(IN_FREEZER, CUT, "2026-03-06 00:00")
    unread = exposure(IN_FREEZER, CUT, "2026-03-06 00:00", of="another freezer")
    kept = ("frozen_days", "longest_freeze_days", "ambient_hours", "frozen_share", "place")
    assert {name: read[name] for name in kept} == {name: unread[name] for name in kept}


def test_thaw_into_a_stay_outside_is_one() -> None:
    moves = [*IN_FREEZER, ("2026-03-05 11:00", "ambient"), ("2026-03-05 18:00", "freezer")]
    found = exposure(moves, CUT, "2026-03-06 00:00")
    assert found["cycles"] == found["read_thaws"] == 1
    assert found["hours_since_thaw"] == pytest.approx(24 - 9.9)


def test_warm_freezer_lengthens_the_same_thaw() -> None:
    moves = [*IN_FREEZER, ("2026-03-05 10:00", "ambient"), ("2026-03-05 10:30", "freezer")]
    after = [("2026-03-05 10:00", 5.0), ("2026-03-05 11:00", 5.0), ("2026-03-05 12:00", -19.0)]
    found = exposure(moves, after, "2026-03-06 00:00")
    assert (found["cycles"], found["read_thaws"]) == (1, 0)
    assert exposure(moves, after, "2026-03-06 00:00", of="unused")["cycles"] == 0


def test_proved_thaw_within_a_read_one_is_it() -> None:
    found = exposure(IN_FREEZER, CUT, "2026-03-05 10:30", rules=RecordsSettings())
    assert (found["cycles"], found["inferred_thaws"], found["read_thaws"]) == (1, 0, 1)
    days = pd.date_range("2026-03-04", "2026-03-07", freq="h")
    long = [(str(when), 5.0) for when in days]
    found = exposure(IN_FREEZER, long, "2026-03-05 10:30", rules=RecordsSettings())
    assert (found["cycles"], found["inferred_thaws"], found["read_thaws"]) == (1, 0, 1)


def test_gap_is_filled_with_the_places_own() -> None:
    apart = [
        ("2026-03-05 00:00", 10.0),
        ("2026-03-05 02:00", 10.0),
        ("2026-03-05 04:01", 10.0),
        ("2026-03-05 05:00", 10.0),
    ]
    found = exposure(
        [("2026-03-05 00:00", "refrigerator")], apart, "2026-03-05 06:00", of="refrigerator"
    )
    silent = 2 + 1 / 60 + 1
    assert found["reading_gap_hours"] == pytest.approx(silent)
    assert found["read_hours"] == pytest.approx(6 - silent)
    assert found["degree_hours"] == pytest.approx(10 * (6 - silent) + 4 * silent)


def test_gap_ends_a_thaw() -> None:
    silent = [
        ("2026-03-05 08:00", -18.0),
        ("2026-03-05 09:00", 2.0),
        ("2026-03-05 09:30", 2.0),
        ("2026-03-05 20:00", -18.0),
    ]
    # Above 0 °C from 08:54; the last reading before the gap is 36 minutes later.
    assert exposure(IN_FREEZER, silent, "2026-03-06 00:00")["cycles"] == 0
    rules = RecordsSettings(unlogged_thaws="strict", thaw_after_h=0.6)
    assert exposure(IN_FREEZER, silent, "2026-03-06 00:00", rules=rules)["cycles"] == 1


def test_start_between_thresholds_is_no_thaw() -> None:
    warm = [("2026-03-05 08:00", 2.0), ("2026-03-05 08:30", 2.0)]
    after = [(f"2026-03-05 {hour}:00", -0.5) for hour in range(11, 15)]
    assert exposure(IN_FREEZER, warm + after, "2026-03-06 00:00")["cycles"] == 0


def test_sources_own_logger_goes_first() -> None:
    moves = [("2026-03-05 00:00", "ambient")]
    own = [("2026-03-05 00:00", 30.0), ("2026-03-05 02:00", 30.0)]
    found = exposure(moves, own, "2026-03-05 04:00", of="S")
    assert found["degree_hours"] == pytest.approx(30 * 2 + 20 * 2)
    assert found["reading_gap_hours"] == pytest.approx(2)


def test_only_moves_to_the_place_read_are_read() -> None:
    hot = [("2026-03-05 00:00", 40.0), ("2026-03-05 02:00", 40.0)]
    moves = [("2026-03-05 00:00", "refrigerator")]
    there = exposure(moves, hot, "2026-03-05 02:00", of="R2", place_id="R2")
    elsewhere = exposure(moves, hot, "2026-03-05 02:00", of="R2", place_id="R1")
    assert (there["degree_hours"], elsewhere["degree_hours"]) == (80, 8)
    assert elsewhere["read_hours"] == elsewhere["reading_gap_hours"] == 0


@pytest.mark.parametrize(("later", "thaws"), [("warm", 1), ("cold", 0)])
def test_later_row_of_one_minute_counts(later, thaws) -> None:
    minute = pd.to_datetime(["2026-03-05 08:00", *["2026-03-05 09:00"] * 2, "2026-03-05 11:00"])
    degrees = [-18.0, 15.0, -18.0, -18.0]
    rows = [2, 4, 3, 5] if later == "warm" else [2, 3, 4, 5]
    read = pd.DataFrame(
        {"place_id": "freezer", "read_at": minute, "temperature_c": degrees, "row": rows}
    )
    trials = tried("2026-03-06")
    for order in ([0, 1, 2, 3], [3, 2, 1, 0]):
        told = storage_history(SOURCES, FROZEN, trials, STRICT, read.iloc[order])
        found = exposure_at(told, trials["source_id"], trials["started_at"])
        assert found["cycles"].tolist() == [thaws]


def test_without_readings_nothing_is_added() -> None:
    assert not set(OF_READINGS) & set(exposure_without())


def exposure_without() -> dict[str, Any]:
    trials = tried("2026-03-02")
    history = storage_history(SOURCES, FROZEN, trials, STRICT, None)
    return exposure_at(history, trials["source_id"], trials["started_at"]).iloc[0].to_dict()


def test_readings_of_no_place_change_nothing() -> None:
    found = exposure(IN_FREEZER, CUT, "2026-03-02 00:00", of="cellar")
    unread = exposure_without()
    pd.testing.assert_series_equal(
        pd.Series({name: found[name] for name in unread}), pd.Series(unread)
    )


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 7200), st.integers(-400, 400)), min_size=2, max_size=20),
    st.sampled_from([0, 4, -5]),
    st.integers(0, 3600),
)
def test_degree_hours_are_exact_for_any_readings(steps, base, early) -> None:
    begin = pd.Timestamp("2026-03-05")
    ats = np.cumsum([step for step, _ in steps]).tolist()
    degrees = [Fraction(tenths, 10) for _, tenths in steps]
    end = max(ats[-1] - early, ats[0])
    area = Fraction(0)
    for k in range(len(ats) - 1):
        left, right = ats[k], min(ats[k + 1], end)
        if right <= left:
            continue
        slope = (degrees[k + 1] - degrees[k]) / (ats[k + 1] - ats[k])
        first = degrees[k] - base
        last = first + slope * (right - left)
        if first < 0 < last or last < 0 < first:
            area += max(first, last) ** 2 / abs(slope) / 2
        else:
            area += (max(first, 0) + max(last, 0)) / 2 * (right - left)
    readings = [
        (str(begin + pd.Timedelta(seconds=at)), float(number))
        for at, number in zip(ats, degrees, strict=True)
    ]
    moves = [(str(begin + pd.Timedelta(seconds=ats[0])), "refrigerator")]
    rules = replace(RecordsSettings(), base_c=float(base), unlogged_thaws="strict")
    at = str(begin + pd.Timedelta(seconds=end))
    found = exposure(moves, readings, at, of="refrigerator", rules=rules)
    # Twenty terms of at most 2 h × 45 °C: rounding stays far below.
    assert found["degree_hours"] == pytest.approx(float(area / 3600), rel=1e-9, abs=1e-9)


def test_portion_inherits_its_parents_readings() -> None:
    sources = pd.DataFrame(
        {
            "source_id": ["S", "P"],
            "acquired_on": pd.to_datetime(["2026-03-01", "2026-03-05"]),
            "parent_id": [None, "S"],
        }
    )
    storage = FROZEN.assign(moved_to="refrigerator")
    hours = pd.date_range("2026-03-04 20:00", "2026-03-05 06:00", freq="h")
    read = pd.DataFrame({"source_id": "S", "read_at": hours, "temperature_c": 10.0})
    trials = pd.DataFrame(
        {"source_id": ["S", "P"], "started_at": pd.to_datetime(["2026-03-05 06:00"] * 2)}
    )
    history = storage_history(sources, storage, trials, RecordsSettings(), read)
    found = exposure_at(history, trials["source_id"], trials["started_at"])
    assert found["read_hours"].tolist() == [10, 4]
    days = 3 * 24 + 20
    assert found["degree_hours"].tolist() == [days * 4 + 10 * 10, days * 4 + 4 * 10 + 6 * 4]
