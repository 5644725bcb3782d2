"""Moves: temperatures of places, discards, order and ties, and what portions inherit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.places import PLACES
from outcomes.records.checking.findings import Log, Sheet, date_text


def check_storage_temperatures(storage: Sheet, log: Log) -> None:
    """Temperatures that a place of that kind cannot have."""
    if not storage.has("temperature_c", "moved_to"):
        return
    numbers = storage.frame["temperature_c"]
    for name, place in PLACES.items():
        if place.possible_c is None:
            continue
        there = (storage.frame["moved_to"] == name).to_numpy()
        outside = (numbers.notna() & ~numbers.between(*place.possible_c)).to_numpy()
        log.flag(
            "impossible storage temperature",
            storage,
            there & outside,
            "temperature_c",
        )


def settle_discards(storage: Sheet, trials: Sheet | None, log: Log) -> Sheet:
    """Put a discard without a time of day after what else happened to the source that day."""
    if not storage.has("source_id", "moved_at", "moved_to"):
        return storage
    at = storage.frame["moved_at"]
    day = at.dt.normalize()
    gone = storage.frame["moved_to"] == "discarded"
    others = log.usable(storage) & ~gone.to_numpy()
    busy = [storage.frame.loc[others, ["source_id"]].assign(day=day)]
    if trials is not None and trials.has("source_id", "started_at"):
        kept = trials.frame.loc[log.usable(trials), ["source_id", "started_at"]]
        busy.append(kept[["source_id"]].assign(day=kept["started_at"].dt.normalize()).dropna())
    dated = log.usable(storage) & (gone & (at == day)).to_numpy()
    days = pd.MultiIndex.from_frame(pd.concat(busy).drop_duplicates())
    ours = pd.MultiIndex.from_arrays([storage.frame["source_id"], day])
    last = dated & ours.isin(days)
    if not last.any():
        return storage
    log.flag(
        "discarded on a busy day",
        storage,
        last,
        "moved_at",
        lambda i: {"source": storage.frame["source_id"].to_numpy()[i]},
    )
    moved = at.where(~last, day + pd.Timedelta(hours=23, minutes=59))
    return replace(storage, frame=storage.frame.assign(moved_at=moved))


def check_moves(storage: Sheet, log: Log) -> None:
    """Order, ties, repeats and what follows a discard, source by source."""
    if not storage.has("source_id", "moved_at", "moved_to"):
        return
    log_rows = storage.frame.loc[log.usable(storage), ["source_id", "moved_at", "moved_to", "row"]]
    before = log_rows.groupby("source_id")["moved_at"].shift()
    backwards = log_rows["moved_at"] < before
    log.flag(
        "moves out of order",
        storage,
        log_rows.index[backwards].to_numpy(),
        "moved_at",
        lambda i: {"source": storage.frame["source_id"].to_numpy()[i]},
    )
    disordered = set(log_rows.loc[backwards, "source_id"])
    _check_ties(storage, log_rows, disordered, log)

    usable = log.usable(storage)
    moves = storage.frame.loc[usable, ["source_id", "moved_at", "moved_to"]]
    moves = moves.sort_values(["source_id", "moved_at"], kind="stable")
    discards = (moves["moved_to"] == "discarded").astype(int)
    gone = discards.groupby(moves["source_id"]).cumsum() - discards > 0
    discarded = first_discards(moves)
    log.flag(
        "move after discard",
        storage,
        moves.index[gone].to_numpy(),
        "moved_at",
        lambda i: {
            "source": storage.frame["source_id"].to_numpy()[i],
            "date": date_text(discarded[str(storage.frame["source_id"].to_numpy()[i])]),
        },
    )
    moves = moves[~gone]
    again = moves["moved_to"] == moves.groupby("source_id")["moved_to"].shift()
    log.flag(
        "move to the same place",
        storage,
        moves.index[again].to_numpy(),
        "moved_to",
        lambda i: {"source": storage.frame["source_id"].to_numpy()[i]},
    )


def _check_ties(storage: Sheet, moves: pd.DataFrame, disordered: Iterable[str], log: Log) -> None:
    """Two moves at one minute: the order of the rows decides, if it is an order of time at all."""
    minute = moves["moved_at"].dt.floor("min")
    tied = pd.DataFrame({"source_id": moves["source_id"], "minute": minute}).duplicated(keep=False)
    if not tied.any():
        return
    together = moves[tied].groupby(["source_id", minute[tied]])["moved_to"]
    different = together.transform("nunique") > 1
    places = together.transform(lambda p: " and ".join(dict.fromkeys(p)))
    unclear = moves.loc[tied, "source_id"].isin(set(disordered))

    def facts(position: int) -> Mapping[str, Any]:
        source = storage.frame["source_id"].to_numpy()[position]
        return {"source": source, "places": places[position]}

    for rule, which in (
        ("two moves at one time, order unknown", different & unclear),
        ("two moves at one time", different & ~unclear),
    ):
        log.flag(rule, storage, which.index[which].to_numpy(), "moved_at", facts)


def first_discards(moves: pd.DataFrame) -> pd.Series[Any]:
    """Time of the first discard of each source."""
    gone = moves[moves["moved_to"] == "discarded"]
    return gone.groupby("source_id")["moved_at"].min()


def effective_moves(sources: Sheet, storage: Sheet, log: Log) -> pd.DataFrame:
    """Usable moves, with those a portion inherits from the source it was cut from.

    Returns
    -------
    DataFrame
        ``source_id``, ``moved_at``, ``moved_to``, ``position`` (in the storage
        table), in order of time.
    """
    if not storage.has("source_id", "moved_at", "moved_to"):
        return pd.DataFrame(columns=["source_id", "moved_at", "moved_to", "position"])
    usable = log.usable(storage)
    own = storage.frame.loc[usable, ["source_id", "moved_at", "moved_to"]]
    own = own.assign(position=np.flatnonzero(usable))
    parts = [own]
    if sources.has("source_id", "parent_id", "acquired_on"):
        kept = log.usable(sources) & ~sources.missing("parent_id")
        portions = sources.frame.loc[kept, ["source_id", "parent_id", "acquired_on"]]
        portions = portions.assign(acquired_on=portions["acquired_on"].dt.normalize())
        newest = own
        # Each turn hands moves down one generation; checked sources have no rings.
        while len(newest):
            handed = portions.merge(
                newest.rename(columns={"source_id": "parent_id"}), on="parent_id"
            )
            handed = handed[
                (handed["moved_at"] <= handed["acquired_on"]) & (handed["moved_to"] != "discarded")
            ]
            newest = handed[own.columns]
            if len(newest):
                parts.append(newest)
    return pd.concat(parts).sort_values(["moved_at", "position"], kind="stable")
