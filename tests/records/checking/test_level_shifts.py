"""Columns that change half way are told with the row where it begins; drifts are not."""

import datetime as dt

import numpy as np
import pytest

from outcomes.records.checking.level_shifts import best_split
from outcomes.records.read import examine_records

TODAY = dt.date(2026, 3, 14)
N, FROM = 120, 70
FIRST = dt.datetime(2025, 1, 10, 9, 0)


@pytest.fixture
def long(clean):
    """The clean unit with many trials, one a day, of ordinary conditions."""
    rng = np.random.default_rng(4)
    clean["trials"] = [
        {
            "trial_id": f"T{n}",
            "started_at": f"{FIRST + dt.timedelta(days=n):%Y-%m-%d %H:%M}",
            "dog_id": ["Ash", "Birch"][n % 2],
            "handler_id": ["Smith", "Jones"][n % 2],
            "source_id": "S1",
            "result": "find",
            "search_s": round(float(np.exp(rng.normal(5.2, 0.6)))),
            "limit_s": 1800,
            "set_min": int(rng.integers(20, 90)),
            "temperature_c": round(float(8 * np.cos(n / 40) + rng.normal(0, 2)), 1),
            "wind_m_s": round(float(rng.gamma(4, 0.8)), 1) + 0.1,
            "depth_cm": int(rng.integers(5, 30)),
            "humidity_pct": int(rng.integers(40, 95)),
        }
        for n in range(N)
    ]
    return clean


def told(clean, write) -> list[tuple[str, int | None, str | None]]:
    rules = ("unit changes", "columns swapped", "own word redefined")
    found = examine_records(write(clean), today=TODAY).findings
    return [(f.rule, f.row, f.column) for f in found if f.rule in rules]


CHANGES = {
    "search_s": lambda v: round(v / 60, 2),
    "set_min": lambda v: round(v / 60, 2),
    "temperature_c": lambda v: round(1.8 * v + 32, 1),
    "wind_m_s": lambda v: round(3.6 * v, 1),
    "humidity_pct": lambda v: v / 100,
}


@pytest.mark.parametrize("column", CHANGES)
def test_change_of_unit_is_told_where_it_begins(long, write, column) -> None:
    for row in long["trials"][FROM:]:
        row[column] = CHANGES[column](row[column])
    ((rule, row, where),) = told(long, write)
    assert (rule, where) == ("unit changes", column)
    # Header in row 1. A few values beside the jump may be as likely in either unit.
    assert abs(row - (FROM + 2)) <= 3


def test_ordinary_records_have_no_shift(long, write) -> None:
    assert told(long, write) == []


@pytest.mark.parametrize("seed", range(20))
def test_drift_and_chance_are_no_jump_of_a_unit(long, write, seed) -> None:
    rng = np.random.default_rng(seed)
    for n, row in enumerate(long["trials"]):
        row["search_s"] = round(float(np.exp(rng.normal(4.8 + 0.6 * n / N, 0.6))))
        row["temperature_c"] = round(float(-2 + 28 * n / N + rng.normal(0, 3)), 1)
    assert told(long, write) == []


def test_dogs_in_the_place_of_handlers_are_told(long, write) -> None:
    for row in long["trials"][FROM : FROM + 9]:
        row["dog_id"], row["handler_id"] = row["handler_id"], row["dog_id"]
    long["dogs"] = []
    assert told(long, write) == [("columns swapped", FROM + 2, "dog_id")]


def test_levels_that_change_places_are_told(long, write) -> None:
    for row in long["trials"][FROM:]:
        row["depth_cm"], row["search_s"] = row["search_s"], row["depth_cm"]
    assert ("columns swapped", FROM + 2, "search_s") in told(long, write)


def test_own_word_of_another_meaning_is_told(clean, write) -> None:
    folder = write(clean, '[words.moved_to]\nfreezer = "refrigerator"\nin = "freezer"\n')
    found = examine_records(folder, today=TODAY).findings
    (told,) = [f for f in found if f.rule == "own word redefined"]
    assert "'freezer', a word of ours, means 'refrigerator'" in told.line()


def test_split_needs_values_on_both_sides() -> None:
    assert best_split(np.r_[np.full(40, 100.0), np.full(5, 2.0)]) is None
    assert best_split(np.full(100, np.nan)) is None
