"""Places warmer or colder than stated, by their readings."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.exposure.places_read import LEAST_READINGS, places_read
from outcomes.records.tables import Records
from outcomes.settings import RecordsSettings
from outcomes.wording.places_read import describe_places_read

from .test_inspections import records

# Two household refrigerators held 6.8 °C in the mean of 145 readings (Jofré and others 2019).
READINGS, MEAN = 145, 6.8


def read(mean: float, number: int, place: str = "refrigerator", **moved: object) -> Records:
    """Records of one place, read each hour about this mean."""
    storage = [{"source_id": "A", "moved_at": "2025-01-01", "moved_to": "refrigerator", **moved}]
    swing = np.where(np.arange(number) % 2, 0.05, -0.05)
    readings = pd.DataFrame(
        {
            "place_id": place,
            "read_at": pd.date_range("2025-01-02", periods=number, freq="h"),
            "temperature_c": mean + swing,
        }
    )

    return replace(records([], storage=storage), readings=readings)


def test_a_household_refrigerator_is_told() -> None:
    (place,) = places_read(read(MEAN, READINGS))
    assert (place.counts_as, place.readings, place.stated_c) == ("refrigerator", READINGS, 4.0)
    assert place.mean_c == pytest.approx(MEAN, abs=0.1)
    told = describe_places_read([place])
    assert told is not None
    assert "the refrigerator was warmer than stated: 6.8 °C in the mean of 145 readings" in told


@pytest.mark.parametrize(
    ("given", "apart"),
    [
        (read(4.4, READINGS), False),
        (read(MEAN, LEAST_READINGS - 1), False),
        (read(MEAN, READINGS, temperature_c=7.0), False),
        (read(0.5, READINGS), True),
        (read(MEAN, READINGS, place="F2", place_id="F2"), True),
    ],
)
def test_only_what_is_far_off_and_often_read_is_told(given: Records, apart: bool) -> None:
    (place,) = places_read(given)
    assert place.apart == apart
    assert (describe_places_read([place]) is not None) == apart


def test_settings_state_a_place() -> None:

    given = replace(read(MEAN, READINGS), settings=RecordsSettings(refrigerator_c=7.0))
    assert not places_read(given)[0].apart


def test_without_readings_nothing_is_told() -> None:
    assert places_read(records([])) == ()
    assert describe_places_read(()) is None
