"""Checking what temperature loggers read against the storage log and against itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.places import PLACES
from outcomes.records.checking.findings import Array, Log, Sheet, perhaps
from outcomes.settings import RecordsSettings


def check_readings(readings: Sheet, storage: Sheet, settings: RecordsSettings, log: Log) -> None:
    """What was read, whether the log knows it, and where the readings leave gaps."""
    empty = np.ones(len(readings.frame), dtype=bool)
    no_source = readings.missing("source_id") if readings.has("source_id") else empty
    no_place = readings.missing("place_id") if readings.has("place_id") else empty
    named = "source_id" if readings.has("source_id") else "place_id"
    log.flag("reading of nothing", readings, log.usable(readings) & no_source & no_place, named)
    log.flag(
        "reading of two things", readings, log.usable(readings) & ~no_source & ~no_place, "place_id"
    )
    kinds = _kinds_of_places(storage, log)
    if readings.has("place_id") and storage.has("moved_to"):
        places = readings.values("place_id")
        known = sorted(kinds)
        unknown = log.usable(readings) & ~no_place & ~np.isin(places.astype(str), known)
        otherwise = "Name it in place_id of the moves that go there."
        guesses = {
            place: perhaps(place, known, otherwise) for place in dict.fromkeys(places[unknown])
        }
        log.flag(
            "unknown place",
            readings,
            unknown,
            "place_id",
            lambda i: {"likely": guesses[places[i]]},
        )
    if not readings.has("read_at", "temperature_c"):
        return
    logger = _loggers(readings, no_source, no_place)
    _check_reading_times(readings, logger, log)
    _note_gaps(readings, logger, settings, log)
    _note_unlikely_readings(readings, logger, kinds, settings, log)


def _loggers(readings: Sheet, no_source: Array, no_place: Array) -> pd.Series[Any]:
    """What each reading is of, in words."""
    words = np.full(len(readings.frame), "nothing", dtype=object)
    for name, missing in (("place", no_place), ("source", no_source)):
        if readings.has(f"{name}_id"):
            given = ~missing
            words[given] = f"{name} " + readings.values(f"{name}_id")[given]
    return pd.Series(words, index=readings.frame.index)


def _kinds_of_places(storage: Sheet, log: Log) -> dict[str, str]:
    """Name of each place → what the moves that go there call it.

    A move that names no place goes to the place called as its ``moved_to``.
    """
    if not storage.has("moved_to"):
        return {}
    moved_to = storage.frame["moved_to"]
    moved_to = moved_to.where(moved_to != "discarded")
    place = storage.frame["place_id"].fillna(moved_to) if storage.has("place_id") else moved_to
    pairs = pd.DataFrame({"place": place, "kind": moved_to}).dropna().drop_duplicates()
    first = pairs.drop_duplicates("place")
    kinds = dict(zip(first["place"], first["kind"], strict=True))
    other = pairs.drop(first.index)
    row_of = dict(zip(first["place"], map(storage.row_name, first.index), strict=True))
    log.flag(
        "place of two kinds",
        storage,
        other.index.to_numpy(),
        "place_id",
        lambda i: {
            "place": other.loc[i, "place"],
            "first": kinds[other.loc[i, "place"]],
            "kind": other.loc[i, "kind"],
            "other": row_of[other.loc[i, "place"]],
        },
    )
    return kinds


def _check_reading_times(readings: Sheet, logger: pd.Series[Any], log: Log) -> None:
    """Different temperatures of one logger at one time (when clocks go back, say)."""
    usable = log.usable(readings)
    moments = pd.DataFrame({"logger": logger, "at": readings.frame["read_at"]})[usable]
    tied = moments[moments.duplicated(keep=False)]
    if not len(tied):
        return
    number = readings.frame["temperature_c"]
    together = tied.assign(number=number[tied.index]).groupby(["logger", "at"])["number"]
    tied = tied[together.transform("nunique") > 1]
    groups = {key: list(rows) for key, rows in tied.groupby(["logger", "at"]).groups.items()}

    def facts(position: int) -> Mapping[str, Any]:
        group = groups[(tied.loc[position, "logger"], tied.loc[position, "at"])]
        other = next(row for row in group if number[row] != number[position])
        return {"what": tied.loc[position, "logger"], "other": readings.row_name(other, position)}

    log.flag("two readings at one time", readings, tied.index.to_numpy(), "read_at", facts)


def _note_gaps(
    readings: Sheet, logger: pd.Series[Any], settings: RecordsSettings, log: Log
) -> None:
    """One note for each logger that was silent for longer than its readings are joined."""
    usable = log.usable(readings)
    moments = pd.DataFrame({"logger": logger, "at": readings.frame["read_at"]})[usable]
    moments = moments.sort_values(["logger", "at"], kind="stable")
    hours = moments.groupby("logger")["at"].diff().dt.total_seconds() / 3_600
    gaps = hours[hours > settings.longest_reading_gap_h]
    if not len(gaps):
        return
    by_logger = gaps.groupby(moments["logger"])
    found = by_logger.agg(["count", "sum", "max", "idxmax"]).set_index("idxmax")
    log.flag(
        "gap in the readings",
        readings,
        np.sort(found.index.to_numpy()),
        "read_at",
        lambda i: {
            "what": logger.loc[i],
            "count": "1 gap" if found.loc[i, "count"] == 1 else f"{found.loc[i, 'count']:,} gaps",
            "hours": found.loc[i, "sum"],
            "longest": found.loc[i, "max"],
        },
    )


def _note_unlikely_readings(
    readings: Sheet,
    logger: pd.Series[Any],
    kinds: Mapping[str, str],
    settings: RecordsSettings,
    log: Log,
) -> None:
    """A freezer mostly above freezing: °F read as °C, or a logger that was elsewhere."""
    if not readings.has("place_id"):
        return
    kept = log.usable(readings) & ~readings.missing("place_id")
    kind = readings.frame["place_id"].map(kinds).where(kept)
    limits = {
        name: (place.possible_c[0], settings.thawed_above_c)
        if place.counts_as == "freezer"
        else place.possible_c
        for name, place in PLACES.items()
        if place.possible_c is not None
    }
    numbers = readings.frame["temperature_c"]
    low = kind.map({name: limit[0] for name, limit in limits.items()})
    high = kind.map({name: limit[1] for name, limit in limits.items()})
    given = kind.isin(list(limits))
    share = (~numbers.between(low, high))[given].groupby(logger[given]).mean()
    odd = set(share.index[share > 0.5])
    first = logger[given & logger.isin(odd)].drop_duplicates()
    log.flag(
        "readings unlike the place",
        readings,
        first.index.to_numpy(),
        "temperature_c",
        lambda i: {"what": logger.loc[i], "kind": kind.loc[i]},
    )
