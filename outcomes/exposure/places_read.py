"""How warm places were by their readings, beside the temperature that is stated for them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.places import PLACES, CountsAs
from outcomes.records.tables import Records
from outcomes.settings import RecordsSettings

LEAST_READINGS = 24
LEAST_DAYS = 3
LEAST_APART_C = 1.5  # less is within what loggers and doors do; our choice


@dataclass(frozen=True, slots=True)
class PlaceRead:
    """One place that a logger stays in.

    Attributes
    ----------
    place, counts_as
        Its name, and what it counts as.
    readings, days
        Readings of it, and the days they fall on.
    mean_c
        Mean of the means of its days, °C.
    stated_c
        What the storage log gives for it, in the mean of its moves, else the settings, °C.
    """

    place: str
    counts_as: CountsAs
    readings: int
    days: int
    mean_c: float
    stated_c: float

    @property
    def apart(self) -> bool:
        """Whether the readings are enough, and far enough from what is stated, to be told."""
        enough = self.readings >= LEAST_READINGS and self.days >= LEAST_DAYS
        return enough and abs(self.mean_c - self.stated_c) >= LEAST_APART_C


def places_read(records: Records) -> tuple[PlaceRead, ...]:
    """Every place that was read and that the storage log knows, by name.

    Parameters
    ----------
    records
        As read and checked.
    """
    readings = records.readings
    if "place_id" not in readings or not len(readings):
        return ()
    found = []
    kinds = _kinds(records.storage)
    for name, own in readings.dropna(subset=["place_id"]).groupby("place_id", sort=True):
        kind = kinds.get(str(name))
        if kind is None or PLACES[kind].counts_as == "discarded":
            continue
        by_day = own["temperature_c"].groupby(own["read_at"].dt.normalize()).mean()
        found.append(
            PlaceRead(
                str(name),
                PLACES[kind].counts_as,
                len(own),
                len(by_day),
                float(by_day.mean()),
                _stated(records.storage, str(name), kind, records.settings),
            )
        )
    return tuple(found)


def _names(storage: pd.DataFrame) -> pd.Series[Any]:
    """The place each move goes to: the one it names, else the one called as ``moved_to``."""
    if "place_id" not in storage:
        return storage["moved_to"]
    return storage["place_id"].fillna(storage["moved_to"])


def _kinds(storage: pd.DataFrame) -> dict[str, str]:
    pairs = pd.DataFrame({"name": _names(storage), "kind": storage["moved_to"]}).dropna()
    first = pairs.drop_duplicates("name")
    return dict(zip(first["name"].astype(str), first["kind"].astype(str), strict=True))


def _stated(storage: pd.DataFrame, name: str, kind: str, settings: RecordsSettings) -> float:
    if "temperature_c" in storage:
        logged = storage["temperature_c"][(_names(storage) == name).to_numpy()]
        if logged.notna().any():
            return float(np.mean(logged.dropna()))
    return float(getattr(settings, f"{kind}_c", PLACES[kind].usual_c))
