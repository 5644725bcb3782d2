"""Places of storage: one line in their table is all that another one needs."""

import math
import subprocess
import sys

import pytest

from outcomes.places import COUNTED_AS, PLACES, places_counted_as
from outcomes.records.columns import STORAGE

# A deep freezer is put into the table before anything else reads it: the same log with it in the
# place of the freezer gives the same exposures, at its own temperature.
ANOTHER_PLACE = """
import pandas as pd
import outcomes.places as places

deep = places.StoragePlace("deep freezer", counts_as="freezer", usual_c=-80.0)
places.PLACES = {**places.PLACES, "deep freezer": deep}

from outcomes.exposure.accumulate import EXPOSURES, exposure_at
from outcomes.exposure.stays import storage_history
from outcomes.records.columns import STORAGE
from outcomes.settings import RecordsSettings

assert "deep freezer" in STORAGE.column("moved_to").words
sources = pd.DataFrame({"source_id": ["S1"], "acquired_on": pd.to_datetime(["2025-01-01"])})
moved_at = pd.to_datetime(["2025-01-01 00:00", "2025-02-01 08:00", "2025-02-01 16:00"])
trials = pd.DataFrame(
    {"source_id": ["S1"], "started_at": pd.to_datetime(["2025-02-01 09:00"]), "set_min": [10.0]}
)
found = []
for place in ("freezer", "deep freezer"):
    moved_to = [place, "ambient", place]
    storage = pd.DataFrame({"source_id": "S1", "moved_at": moved_at, "moved_to": moved_to})
    history = storage_history(sources, storage, trials, RecordsSettings())
    at = pd.Series(pd.to_datetime(["2025-03-01"]))
    found.append(exposure_at(history, pd.Series(["S1"]), at))
    stays = history.stays_frame()
    assert stays["place"].tolist() == ["freezer", "ambient", "freezer"]
    assert stays["temperature_c"][0] == (-18.0 if place == "freezer" else -80.0)
pd.testing.assert_frame_equal(*found)
assert found[0]["cycles"].tolist() == [1.0]
assert round(found[0]["frozen_days"][0], 6) == round(59 - 8 / 24, 6)
"""


def test_every_place_counts_as_one_that_is_known() -> None:
    assert {place.counts_as for place in PLACES.values()} == set(COUNTED_AS)
    # What is told in the words of a place is that place itself.
    assert all(PLACES[name].counts_as == name for name in COUNTED_AS)
    assert places_counted_as("discarded") == ("discarded",)


def test_usual_temperatures_are_possible_ones() -> None:
    column = STORAGE.column("temperature_c")
    for place in PLACES.values():
        if place.counts_as == "discarded":
            assert math.isnan(place.usual_c)
            continue
        low, high = place.possible_c or (column.low, column.high)
        assert low <= place.usual_c <= high


@pytest.mark.slow
def test_another_freezer_is_one_line() -> None:
    subprocess.run([sys.executable, "-c", ANOTHER_PLACE], check=True)
