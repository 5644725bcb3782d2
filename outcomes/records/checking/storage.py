"""Moves: temperatures of places, discards, order and ties, and what portions inherit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.places import PLACES, places_counted_as
from outcomes.records.checking.findings import Log, Sheet, date_text

END_OF_DAY = pd.Timedelta(hours=23, minutes=59)
LONG_AMBIENT_DAYS = 2  # beyond it a person is asked; our choice
KEPT_IN_SOURCES = "as the sources say"


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
    moved = at.where(~last, day + END_OF_DAY)
    return replace(storage, frame=storage.frame.assign(moved_at=moved))


def check_no_log(sheets: Mapping[str, Sheet], file: str, log: Log) -> None:
    """What stands for a storage log that is not there, and what cannot be asked without it."""
    if "storage" in sheets or "sources" not in sheets:
        return
    sources, trials = sheets["sources"], sheets.get("trials")
    n = len(sources.frame)
    kept = int((~sources.missing("kept_in")).sum()) if sources.has("kept_in") else 0
    counts = [
        sheet.names[name]
        for sheet, name in ((trials, "cycles"), (sources, "cycles_counted"))
        if sheet is not None and sheet.has(name) and not sheet.missing(name).all()
    ]
    of_days = "the days it was tried, one thaw a day"
    mends = []
    if kept < n:
        mends.append("fill in kept_in for each source")
    if not counts:
        mends.append("give the cycles where they are counted by hand, in trials or in sources")
    told = "; ".join([*mends, "log every move from now on"])
    facts = {
        "kept": f"{kept:,} of {n:,} sources have",
        "cycles": f"the counts by hand in {' and '.join(counts)}" if counts else of_days,
        "mend": f"{told[:1].upper()}{told[1:]}.",
    }
    log.add("no storage log", table="storage", file=file, facts=facts)


def check_discarded_on(sources: Sheet, log: Log) -> None:
    """Sources discarded before they were acquired."""
    if sources.has("discarded_on", "acquired_on"):
        gone, acquired = sources.frame["discarded_on"], sources.frame["acquired_on"]
        early = (gone.dt.normalize() < acquired.dt.normalize()).to_numpy()
        log.flag("discarded before it was acquired", sources, early, "discarded_on")


def moves_of_sources(sources: pd.DataFrame, moves: pd.DataFrame) -> pd.DataFrame:
    """Moves that the list of sources stands for: kept from the first day, discarded.

    Parameters
    ----------
    sources
        ``source_id``, ``acquired_on`` and, where given, ``kept_in`` and ``discarded_on``.
    moves
        ``source_id``, ``moved_at``, ``moved_to``, as logged.

    Returns
    -------
    DataFrame
        ``source_id``, ``moved_at``, ``moved_to`` and the ``index`` of the source's row:
        the place it is kept in from ``acquired_on`` on, unless the log has a move by
        the end of that day; that it was discarded, at the end of the day, unless the log
        says so itself.
    """
    found = [moves.iloc[:0][["source_id", "moved_at", "moved_to"]]]
    acquired = sources["acquired_on"].dt.normalize()
    if "kept_in" in sources:
        first = moves.groupby("source_id", observed=True)["moved_at"].min()
        begun = sources["source_id"].map(first) < acquired + pd.Timedelta(days=1)
        here = sources["kept_in"].notna() & acquired.notna() & ~begun
        found.append(
            sources.loc[here, ["source_id"]].assign(
                moved_at=acquired[here], moved_to=sources.loc[here, "kept_in"]
            )
        )
    if "discarded_on" in sources:
        gone = sources["discarded_on"].dt.normalize()
        said = set(moves.loc[moves["moved_to"] == "discarded", "source_id"])
        here = (gone >= acquired) & ~sources["source_id"].isin(said)
        found.append(
            sources.loc[here, ["source_id"]].assign(
                moved_at=gone[here] + END_OF_DAY, moved_to="discarded"
            )
        )
    # An empty table would only blur the types of those that have rows.
    rows = pd.concat([part for part in found if len(part)] or found)
    return rows.rename_axis("index").reset_index()


def with_moves_of_sources(storage: pd.DataFrame, sources: pd.DataFrame) -> pd.DataFrame:
    """The log with the moves that the list of sources stands for, each with its file and row."""
    added = moves_of_sources(sources, storage)
    if not len(added):
        return storage
    at = added.pop("index")
    added["file"] = sources["file"].loc[at].to_numpy() + f", {KEPT_IN_SOURCES}"
    added["row"] = np.arange(len(added)) + 2
    return pd.concat([storage, added], ignore_index=True).astype(
        {"moved_at": "datetime64[ns]", "row": "int64"}
    )


def check_moves(storage: Sheet, sources: Sheet, trials: Sheet, log: Log) -> None:
    """Order, ties, repeats, long stays and what follows a discard, source by source."""
    if not storage.has("source_id", "moved_at", "moved_to"):
        return
    log_rows = storage.frame.loc[log.usable(storage), ["source_id", "moved_at", "moved_to"]]
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
    if sources.has("source_id", "discarded_on", "acquired_on"):
        listed = moves_of_sources(sources.frame[log.usable(sources)], moves)
        discarded = pd.concat([discarded, first_discards(listed)])
        gone |= moves["moved_at"] > moves["source_id"].map(first_discards(listed))
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
    _check_long_stays(storage, trials, moves, log)
    again = moves["moved_to"] == moves.groupby("source_id")["moved_to"].shift()
    log.flag(
        "move to the same place",
        storage,
        moves.index[again].to_numpy(),
        "moved_to",
        lambda i: {"source": storage.frame["source_id"].to_numpy()[i]},
    )


def _check_long_stays(storage: Sheet, trials: Sheet, moves: pd.DataFrame, log: Log) -> None:
    """Stays at ambient temperature so long that a move back is more likely missing."""
    last = moves["moved_at"].max()
    if trials.has("started_at"):
        last = max(last, trials.frame["started_at"].max())
    until = moves.groupby("source_id")["moved_at"].shift(-1)
    ends = until.fillna(last)
    days = (ends - moves["moved_at"]).dt.total_seconds() / 86_400
    out = moves["moved_to"].isin(places_counted_as("ambient"))
    long = out & (days > LONG_AMBIENT_DAYS)

    def facts(position: int) -> Mapping[str, Any]:
        ended = not pd.isna(until[position])
        return {
            "source": storage.frame["source_id"].to_numpy()[position],
            "days": f"{days[position]:,.0f}",
            "until": date_text(ends[position]) if ended else "the end of the records",
        }

    log.flag("long at ambient temperature", storage, np.sort(moves.index[long]), "moved_at", facts)


def _check_ties(storage: Sheet, moves: pd.DataFrame, disordered: Iterable[str], log: Log) -> None:
    """Two moves at one minute: the order of the rows decides, if it is an order of time at all."""
    minute = moves["moved_at"].dt.floor("min")
    tied = pd.DataFrame({"source_id": moves["source_id"], "minute": minute}).duplicated(keep=False)
    if not tied.any():
        return
    together = moves[tied].groupby(["source_id", minute[tied]])["moved_to"]
    different = together.transform("nunique") > 1
    places = together.transform(lambda p: " and ".join(dict.fromkeys(p)))
    # Rows next to each other were written down in one go, and in order; others were added later.
    at = moves.groupby("source_id").cumcount()[tied]
    groups = [moves["source_id"][tied], minute[tied]]
    of_group = at.groupby(groups)
    apart = of_group.transform("max") - of_group.transform("min") >= of_group.transform("size")
    unclear = moves.loc[tied, "source_id"].isin(set(disordered)) & apart

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
    own = pd.DataFrame(
        {
            "source_id": pd.Series(dtype=object),
            "moved_at": pd.Series(dtype="datetime64[ns]"),
            "moved_to": pd.Series(dtype=object),
            "position": pd.Series(dtype="int64"),
        }
    )
    if storage.has("source_id", "moved_at", "moved_to"):
        usable = log.usable(storage)
        own = storage.frame.loc[usable, ["source_id", "moved_at", "moved_to"]]
        own = own.assign(position=np.flatnonzero(usable))
    if sources.has("source_id", "acquired_on"):
        added = moves_of_sources(sources.frame[log.usable(sources)], own)
        own = pd.concat([own, added.drop(columns="index").assign(position=-1)])
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
