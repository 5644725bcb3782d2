"""What if thaws went unlogged: the same trials, with thaws added to the storage log at random."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.stays import History, storage_history
from outcomes.records.tables import Records
from outcomes.settings import RecordsSettings

_HOURS = 3.0
_THAWS = 2.0  # an added thaw lasts this many times the shortest stay that counts as one


def history_of(records: Records, storage: pd.DataFrame, settings: RecordsSettings) -> History:
    """The history of every source under another log or other settings.

    Parameters
    ----------
    records
        As read and checked; nothing in them is changed.
    storage
        The log to use instead of the records' own.
    settings
        The settings to use instead of the records' own.
    """
    asked = ("source_id", "started_at", "set_min", "at_midnight")
    columns = [c for c in asked if c in records.trials]
    return storage_history(
        records.sources, storage, records.trials[columns], settings, records.readings
    )


def add_thaws(
    records: Records, history: History, share: float, rng: np.random.Generator
) -> tuple[pd.DataFrame, int]:
    """A storage log with more thaws, placed evenly at random over the time in the freezer.

    Parameters
    ----------
    records
        As read and checked.
    history
        Of the same records.
    share
        Thaws to add, as a share of those counted up to each source's last trial.
    rng
        Source of randomness.

    Returns
    -------
    storage, added
        A new log, and how many thaws were added to it. Each lasts 3 hours, or
        twice ``thaw_after_h`` if that is longer, and lies before the last
        trial of its source and after the source was taken in; a portion cut
        from it later inherits it.
    """
    hours = max(_HOURS, _THAWS * history.settings.thaw_after_h)
    length = pd.Timedelta(hours, "h")
    last = records.trials.groupby("source_id")["started_at"].max()
    taken_in = records.sources.set_index("source_id")["acquired_on"]
    thaws = history.thaws_frame()
    counted = int(
        (
            (thaws["at"] <= thaws["source_id"].map(last))
            & (thaws["at"] >= thaws["source_id"].map(taken_in))
        ).sum()
    )
    stays = history.stays_frame()
    stays = stays[stays["place"] == "freezer"]
    until = stays["source_id"].map(last)
    start = stays["start"].where(
        stays["start"] >= stays["source_id"].map(taken_in), stays["source_id"].map(taken_in)
    )
    end = stays["end"].where(stays["end"] < until, until)
    spare = pd.TimedeltaIndex(end - start - length).total_seconds().to_numpy(dtype=float)
    room = np.nan_to_num(np.maximum(spare, 0.0))
    added = round(share * counted)
    if not added or room.sum() == 0.0:
        return records.storage, 0
    chosen = np.sort(rng.choice(len(room), size=added, p=room / room.sum()))
    offset = pd.to_timedelta(np.floor(rng.random(added) * room[chosen]), unit="s")
    out = pd.DatetimeIndex(start.iloc[chosen]) + offset
    moves = pd.DataFrame(
        {
            "source_id": np.tile(stays["source_id"].to_numpy()[chosen], 2),
            "moved_at": np.concatenate([out.to_numpy(), (out + length).to_numpy()]),
            "moved_to": np.repeat(["ambient", "freezer"], added),
        }
    )
    storage = records.storage
    if "row" in storage:
        # Behind the unit's own rows: at one moment the later row counts.
        moves["row"] = np.arange(len(moves)) + int(storage["row"].max()) + 1
    moves = moves.reindex(columns=storage.columns)
    for name in storage.columns:
        if moves[name].isna().all():
            moves[name] = pd.Series([None] * len(moves), dtype=storage[name].dtype)
    return pd.concat([storage, moves], ignore_index=True), added


def exposures_of(history: History, trials: pd.DataFrame) -> pd.DataFrame:
    """Exposures of the trials' sources under a history, on the index of ``trials``."""
    return exposure_at(history, trials["source_id"], history.moments_of(trials))
