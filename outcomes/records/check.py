"""Checking typed tables, each alone and against each other.

A row is told all that can be seen to be wrong with it at once; only what
follows from the order of rows (moves, searches of one dog) is looked for among
rows that can be used. Setting a source aside sets aside its portions, moves
and trials.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.check_readings import PLACE_TEMPERATURES_C, check_readings
from outcomes.records.columns import TABLES, Column, Table
from outcomes.records.dates import ALL_DAY, AT_THIS_TIME, dated_only
from outcomes.records.findings import Array, Log, Sheet, missing_name, quoted
from outcomes.records.rules import LATE_LOG_DAYS
from outcomes.records.spelling import alike
from outcomes.records.suggest import means_nothing, named_word
from outcomes.records.values import shown
from outcomes.settings import PLACES, RecordsSettings

FIRST_DATE = pd.Timestamp("1950-01-01")
# A name in so many trials is more likely missing from its list than misspelt; our choice.
SEVERAL_TRIALS = 3


def check_tables(
    sheets: Mapping[str, Sheet], settings: RecordsSettings, today: dt.date, log: Log
) -> dict[str, Sheet]:
    """Check the tables that could be read; breaches go to ``log``.

    Parameters
    ----------
    sheets
        Table → what was read of it; a table may be missing.
    settings
        The unit's settings.
    today
        Dates later than a day after it are in the future.
    log
        Open for every sheet; cells that could not be read are in it already.

    Returns
    -------
    dict
        The same tables, without the values in doubt; a discard dated without a
        time of day, on a day with trials or moves of that source, stands at the
        end of that day.
    """
    handed = sheets
    sheets = {}
    for name, sheet in handed.items():
        _check_needed(sheet, log)
        _check_dates(sheet, today, log)
        sheets[name] = log.without_doubtful(sheet)
        _check_copies(sheets[name], log)
        _check_unit_of_temperature(sheets[name], log)
    checked = {**{name: _nothing(table) for name, table in TABLES.items()}, **sheets}
    for name in checked.keys() - sheets.keys():
        log.open(checked[name])
    sources, storage, trials, dogs, readings = (checked[name] for name in TABLES)
    often = _used_often(trials, storage)
    _check_portions(sources, often, log)
    nameless = np.zeros(len(trials.frame), dtype=bool)
    if "sources" in sheets:
        _check_source_known(storage, sources, often, log)
        nameless = _check_source_known(trials, sources, often, log)
    _check_dog_known(trials, dogs, log)
    _check_results(trials, nameless, log)
    _check_search_times(trials, log)
    _check_storage_temperatures(storage, log)
    trials, storage = log.without_doubtful(trials), log.without_doubtful(storage)
    if "readings" in sheets:
        if "sources" in sheets:
            _check_source_known(readings, sources, often, log)
        check_readings(readings, storage, settings, log)
    storage = _settle_discards(storage, trials, log)
    _check_moves(storage, log)
    moves = effective_moves(sources, storage, log)
    if "storage" in sheets:
        _check_histories(sources, storage, moves, log)
    _check_trials_in_storage(trials, moves, settings, log)
    _check_one_dog_at_once(trials, log)
    _check_dogs(dogs, log)
    checked |= {"storage": storage, "trials": trials}
    _check_spellings(checked, log)
    return {name: checked[name] for name in sheets}


def _nothing(table: Table) -> Sheet:
    """A table that could not be read: no columns, no rows."""
    frame = pd.DataFrame({"row": pd.Series(dtype="int64")})
    return Sheet(table, "", {}, {}, frame)


# --- one table alone ------------------------------------------------------------------------


def _check_needed(sheet: Sheet, log: Log) -> None:
    for column in sheet.table.columns:
        if column.needed and not column.may_be_empty and column.name in sheet.names:
            empty = sheet.missing(column.name) & ~log.in_doubt(sheet, column.name)
            log.flag("empty needed value", sheet, empty, column.name)


def _check_dates(sheet: Sheet, today: dt.date, log: Log) -> None:
    latest = pd.Timestamp(today) + pd.Timedelta(days=2)
    for column in sheet.table.columns:
        if column.type != "time" or column.name not in sheet.names:
            continue
        times = sheet.frame[column.name]
        for rule, breach in (
            ("date in the future", (times >= latest).to_numpy()),
            ("date before 1950", (times < FIRST_DATE).to_numpy()),
        ):
            log.flag(rule, sheet, breach, column.name, lambda _: {"today": today})


# What names a row of a table that has no id of its own.
_MOMENTS: Mapping[str, tuple[str, ...]] = {
    "storage": ("source_id", "moved_at"),
    "readings": ("read_at", "source_id", "place_id", "temperature_c"),
}


def _check_copies(sheet: Sheet, log: Log) -> None:
    """Identical rows, and one id on rows that differ."""
    key = [sheet.table.key] if sheet.table.key else list(_MOMENTS[sheet.table.name])
    if sheet.table.name == "readings":
        key = [name for name in key if sheet.has(name)]
    if not key or not sheet.has(*key):
        return
    usable = log.usable(sheet)
    repeated = sheet.frame[key].duplicated(keep=False).to_numpy() & ~sheet.missing(key[0])
    _check_copies_at_fault(sheet, key, np.flatnonzero(repeated & ~usable), log)
    at = np.flatnonzero(repeated & usable)
    if not len(at):
        return
    whole = sheet.frame.iloc[at].drop(columns=["row", "file"])
    rows = sheet.rows
    first = whole.groupby(list(whole.columns), dropna=False, observed=True, sort=False)
    leader = at[first.ngroup().pipe(_first_of_group)]
    copy = leader != at
    of_copy = dict(zip(at.tolist(), leader.tolist(), strict=True))
    log.flag("identical rows", sheet, at[copy], key[0], lambda i: {"other": rows[of_copy[i]]})
    if not sheet.table.key:
        return
    left = at[~copy]
    ids = sheet.frame[key[0]].iloc[left]
    left = left[ids.duplicated(keep=False).to_numpy()]
    members: dict[Any, list[int]] = {}
    for position in left.tolist():
        members.setdefault(sheet.frame[key[0]].to_numpy()[position], []).append(position)

    def facts(position: int) -> Mapping[str, Any]:
        group = members[sheet.frame[key[0]].to_numpy()[position]]
        other = next(other for other in group if other != position)
        return {"other": rows[other], "name": sheet.names[key[0]]}

    log.flag("duplicate id", sheet, left, key[0], facts)


def _check_copies_at_fault(sheet: Sheet, key: Sequence[str], at: Array, log: Log) -> None:
    """Rows set aside already that repeat another, as handed over, or its id alone."""
    if not len(at):
        return
    written = pd.DataFrame(
        {name: pd.Series(shown(cells, at), dtype=object) for name, cells in sheet.cells.items()}
    )
    carried = sheet.frame.drop(columns=[*sheet.cells, "row", "file"]).iloc[at]
    whole = pd.concat([written, carried.reset_index(drop=True)], axis=1)
    group = whole.groupby(list(whole.columns), dropna=False, sort=False).ngroup()
    leader = at[_first_of_group(group)]
    copy = leader != at
    rows = sheet.rows
    of_copy = dict(zip(at.tolist(), leader.tolist(), strict=True))
    log.flag("identical rows", sheet, at[copy], key[0], lambda i: {"other": rows[of_copy[i]]})
    if not sheet.table.key:
        return
    ids = sheet.frame[key[0]]
    copies = set(at[copy].tolist())
    others: dict[int, int] = {}
    for position in at[~copy].tolist():
        alike = np.flatnonzero((ids == ids[position]).to_numpy())
        other = [i for i in alike.tolist() if i != position and i not in copies]
        if other:
            others[position] = other[0]
    log.flag(
        "duplicate id",
        sheet,
        np.array(list(others), dtype=np.int64),
        key[0],
        lambda i: {"other": rows[others[i]], "name": sheet.names[key[0]]},
    )


def _first_of_group(group: pd.Series[Any]) -> Array:
    """For each element, the position of the first with the same group number."""
    codes = group.to_numpy()
    _, first, inverse = np.unique(codes, return_index=True, return_inverse=True)
    positions: Array = first[inverse]
    return positions


def _check_unit_of_temperature(sheet: Sheet, log: Log) -> None:
    """Half a column of °C out of range that would be in range as °F: nothing in it can be used."""
    name = "temperature_c"
    if not sheet.has(name):
        return
    broken = [
        f
        for f in log.findings
        if f.table == sheet.table.name and f.rule == "impossible temperature"
    ]
    given = int((~sheet.missing(name)).sum()) + len(broken)
    column = sheet.table.column(name)
    if len(broken) < max(3, given / 2) or column.low is None or column.high is None:
        return
    numbers = pd.to_numeric(pd.Series([f.value for f in broken]), errors="coerce")
    if (((numbers - 32) / 1.8).between(column.low, column.high)).mean() > 0.9:
        log.add(
            "column in another unit",
            table=sheet.table.name,
            file=sheet.file,
            column=sheet.names[name],
            facts={"share": 100 * len(broken) / given},
        )


def _check_dogs(dogs: Sheet, log: Log) -> None:
    for later, earlier in (
        ("started_on", "born_on"),
        ("qualified_on", "started_on"),
        ("qualified_on", "born_on"),
    ):
        if dogs.has(later, earlier):
            dates = dogs.frame[earlier]
            breach = log.usable(dogs) & (dogs.frame[later] < dates).to_numpy()
            log.flag(
                "dog's dates out of order",
                dogs,
                breach,
                later,
                lambda i, dates=dates, earlier=earlier: {  # type: ignore[misc]
                    "other_name": dogs.names[earlier],
                    "date": _day(dates.to_numpy()[i]),
                },
            )


def _day(time: Any) -> str:
    return str(pd.Timestamp(time).strftime("%Y-%m-%d"))


# --- sources and what hangs on them ---------------------------------------------------------


def _used_often(trials: Sheet, storage: Sheet) -> frozenset[str]:
    """Names of sources that stand in several trials or in the storage log."""
    names = _in_several(trials, "source_id")
    if storage.has("source_id"):
        names |= set(storage.frame["source_id"].dropna().unique())
    return frozenset(name for name in names if not means_nothing(name))


def _in_several(trials: Sheet, column: str) -> set[str]:
    """What stands in a column of several trials."""
    if not trials.has(column):
        return set()
    counts = trials.frame[column].value_counts()
    return set(counts.index[counts >= SEVERAL_TRIALS])


def _check_portions(sources: Sheet, often: frozenset[str], log: Log) -> None:
    """Portions of themselves, of nothing, of later sources, of each other, of set-aside ones."""
    if not sources.has("source_id", "parent_id"):
        return
    ids = sources.values("source_id")
    parents = sources.values("parent_id")
    given = ~sources.missing("parent_id")
    known = {i for i in ids if i is not None}
    names = sorted(known)
    itself = given & (ids == parents)
    log.flag("portion of itself", sources, itself, "parent_id")
    unknown = given & ~np.array([p in known for p in parents], dtype=bool)
    log.flag(
        "unknown parent",
        sources,
        unknown,
        "parent_id",
        lambda i: {
            "likely": missing_name(
                parents[i], names, "add it to the sources", often=parents[i] in often
            )
            + " Leave it empty, if it was not cut from another source."
        },
    )
    told = itself | unknown | _check_rings(sources, ids, parents, log)
    if sources.has("acquired_on"):
        acquired = sources.frame["acquired_on"].dt.normalize()
        of_parent = _lookup(sources, log.usable(sources), acquired)
        begun = sources.frame["parent_id"].map(of_parent)
        later = (begun > acquired).to_numpy()
        log.flag(
            "parent acquired later",
            sources,
            later,
            "parent_id",
            lambda i: {"parent": parents[i], "parent_date": _day(begun.to_numpy()[i])},
        )
    while True:
        used = set(ids[log.usable(sources)])
        orphaned = given & ~told & np.array([p not in used for p in parents], dtype=bool)
        if not orphaned.any():
            return
        told |= orphaned
        row_of = _first_rows(sources)
        log.flag(
            "parent set aside",
            sources,
            orphaned,
            "parent_id",
            lambda i, row_of=row_of: {  # type: ignore[misc]
                "where": f"{sources.file}, row {row_of[parents[i]]}",
                "cause": row_of[parents[i]],
            },
        )


def _check_rings(sources: Sheet, ids: Array, parents: Array, log: Log) -> Array:
    """Flag rings of portions, and tell which rows are in one."""
    usable = log.usable(sources)
    parent_of = {i: p for i, p in zip(ids[usable], parents[usable], strict=True) if p is not None}
    ring_of: dict[str, str] = {}
    done: set[str] = set()
    for start in parent_of:
        path: list[str] = []
        seen: set[str] = set()
        here = start
        while here in parent_of and here not in done and here not in seen:
            seen.add(here)
            path.append(here)
            here = parent_of[here]
        if here in seen:
            ring = path[path.index(here) :]
            ring_of |= dict.fromkeys(ring, ", ".join(ring))
        done |= seen
    in_ring: Array = usable & np.array([i in ring_of for i in ids], dtype=bool)
    log.flag("ring of portions", sources, in_ring, "parent_id", lambda i: {"ring": ring_of[ids[i]]})
    return in_ring


def _lookup(sources: Sheet, usable: Array, values: pd.Series[Any]) -> pd.Series[Any]:
    """Values by source id, of usable sources (whose ids are unique)."""
    kept = values[usable]
    return pd.Series(kept.to_numpy(), index=pd.Index(sources.values("source_id")[usable]))


def _first_rows(sheet: Sheet, name: str = "source_id") -> dict[Any, int]:
    rows: dict[Any, int] = {}
    for label, row in zip(sheet.values(name), sheet.rows.tolist(), strict=True):
        rows.setdefault(label, row)
    return rows


def _check_source_known(sheet: Sheet, sources: Sheet, often: frozenset[str], log: Log) -> Array:
    """Flag rows of unknown or set-aside sources, and tell which name an unknown one.

    ``often`` are the names that are more likely missing from the sources than misspelt.
    """
    if not (sheet.has("source_id") and sources.has("source_id") and len(sources.frame)):
        # Without any source the work stops anyway.
        return np.zeros(len(sheet.frame), dtype=bool)
    ids = sheet.frame["source_id"]
    handed = pd.Index(sources.frame["source_id"].dropna().unique())
    used = pd.Index(sources.values("source_id")[log.usable(sources)])
    codes, labels = pd.factorize(ids.to_numpy(dtype=object))
    # A blank area (code -1) has no source to look for.
    is_handed = np.append(pd.Index(labels).isin(handed), True)[codes]
    is_used = np.append(pd.Index(labels).isin(used), True)[codes]
    names = sorted(handed)
    blank = " Leave it empty for a blank area." if sheet.table.name == "trials" else ""
    guesses: dict[str, str] = {}

    def facts(position: int) -> Mapping[str, Any]:
        label = str(ids.to_numpy()[position])
        if label not in guesses:
            to_add = "add the source to the sources"
            guesses[label] = (
                _reads_as_none(label)
                if blank and means_nothing(label)
                else missing_name(label, names, to_add, often=label in often) + blank
            )
        return {"likely": guesses[label]}

    log.flag("unknown source", sheet, ~is_handed, "source_id", facts)
    row_of = _first_rows(sources)
    log.flag(
        "source set aside",
        sheet,
        is_handed & ~is_used,
        "source_id",
        lambda i: {
            "where": f"{sources.file}, row {row_of[ids.to_numpy()[i]]}",
            "cause": row_of[ids.to_numpy()[i]],
        },
    )
    time = {"storage": "moved_at", "trials": "started_at", "readings": "read_at"}[sheet.table.name]
    if sheet.has(time) and sources.has("acquired_on"):
        acquired = ids.map(
            _lookup(sources, log.usable(sources), sources.frame["acquired_on"].dt.normalize())
        )
        early = (sheet.frame[time] < acquired).to_numpy()
        log.flag(
            "before the source existed",
            sheet,
            early,
            time,
            lambda i: {"date": _day(acquired.to_numpy()[i]), "source": ids.to_numpy()[i]},
        )
    unknown: Array = ~is_handed
    return unknown


def _check_dog_known(trials: Sheet, dogs: Sheet, log: Log) -> None:
    if not (trials.has("dog_id") and dogs.has("dog_id") and len(dogs.frame)):
        return  # an empty table of dogs was not filled in, so it knows none
    ids = trials.frame["dog_id"]
    # A dog whose row is set aside for a bad date is still a known dog.
    known = sorted(dogs.frame["dog_id"].dropna().unique())
    unknown = (ids.notna() & ~ids.isin(known)).to_numpy()
    often = _in_several(trials, "dog_id")
    guesses = {
        name: missing_name(name, known, "add the dog to the dogs", often=name in often)
        for name in dict.fromkeys(ids.to_numpy()[unknown])
    }
    log.flag(
        "unknown dog",
        trials,
        unknown,
        "dog_id",
        lambda i: {"likely": guesses[ids.to_numpy()[i]]},
    )


# --- storage --------------------------------------------------------------------------------


def _check_storage_temperatures(storage: Sheet, log: Log) -> None:
    if not storage.has("temperature_c", "moved_to"):
        return
    numbers = storage.frame["temperature_c"]
    for place, (low, high) in PLACE_TEMPERATURES_C.items():
        there = (storage.frame["moved_to"] == place).to_numpy()
        outside = (numbers.notna() & ~numbers.between(low, high)).to_numpy()
        log.flag(
            "impossible storage temperature",
            storage,
            there & outside,
            "temperature_c",
        )


def _settle_discards(storage: Sheet, trials: Sheet | None, log: Log) -> Sheet:
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


def _check_moves(storage: Sheet, log: Log) -> None:
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
    discarded = _discards(moves)
    log.flag(
        "move after discard",
        storage,
        moves.index[gone].to_numpy(),
        "moved_at",
        lambda i: {
            "source": storage.frame["source_id"].to_numpy()[i],
            "date": _day(discarded[str(storage.frame["source_id"].to_numpy()[i])]),
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


def _discards(moves: pd.DataFrame) -> pd.Series[Any]:
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


def _check_histories(sources: Sheet, storage: Sheet, moves: pd.DataFrame, log: Log) -> None:
    if not (sources.has("source_id") and storage.has("source_id", "moved_at", "moved_to")):
        return
    bare = ~sources.frame["source_id"].isin(moves["source_id"].unique()).to_numpy()
    log.flag("source without storage history", sources, log.usable(sources) & bare, "source_id")
    if not sources.has("acquired_on"):
        return
    first = moves.groupby("source_id")["moved_at"].min()
    first = sources.frame["source_id"].map(first)
    late = (first.dt.normalize() - sources.frame["acquired_on"].dt.normalize()).dt.days

    def facts(position: int) -> Mapping[str, Any]:
        return {"days": f"{late.iloc[position]:,.0f}", "date": _day(first.iloc[position])}

    where = log.usable(sources) & (late > LATE_LOG_DAYS).to_numpy()
    log.flag("storage log begins late", sources, where, "acquired_on", facts)


def _reads_as_none(text: str) -> str:
    """How to have a word read as no source."""
    return (
        "If it means that there was no source, say so in unit.toml, beside the records, under "
        f'[words.source_id]: {quoted(text)} = ""'
    )


# --- trials ---------------------------------------------------------------------------------


def _check_results(trials: Sheet, nameless: Array, log: Log) -> None:
    """Results against what was searched; a source of unknown name may mean a blank area."""
    if not trials.has("source_id", "result"):
        return
    hide = ~trials.missing("source_id")
    blank = ~hide & ~log.in_doubt(trials, "source_id")
    result = trials.frame["result"]
    on_blank = result.isin(("clear", "false alert")).to_numpy()
    on_hide = result.isin(("find", "miss")).to_numpy()
    name = trials.names["source_id"]
    log.flag(
        "result contradicts blank area",
        trials,
        blank & on_hide,
        "result",
        lambda _: {
            "what": f"a hide's result, but {name} is empty, which means a blank area",
            "mend": f"Fill in {name}, or write clear or false alert.",
        },
    )
    named = hide & ~nameless & on_blank
    texts = trials.frame["source_id"].to_numpy()

    def of_named(at: int) -> Mapping[str, Any]:
        said = str(texts[at])
        mend = (
            "If a source was there, write find or miss, or let unit.toml read the word as miss; "
            f"empty {name} only where there was none."
        )
        return {
            "what": f"a blank area's result, but {name} names a source ({said!r})",
            "mend": _reads_as_none(said) if means_nothing(said) else mend,
        }

    log.flag("result contradicts blank area", trials, named, "result", of_named)
    if trials.has("false_alerts"):
        count = trials.frame["false_alerts"]
        wrong = ((result == "clear") & (count > 0)) | ((result == "false alert") & (count == 0))
        log.flag(
            "result contradicts false alerts",
            trials,
            wrong.to_numpy(),
            "false_alerts",
            lambda i: {"result": result.to_numpy()[i], "count": count.to_numpy()[i]},
        )


def _check_search_times(trials: Sheet, log: Log) -> None:
    if not trials.has("search_s"):
        return
    searched = trials.frame["search_s"]
    log.flag("search time zero", trials, (searched == 0).to_numpy(), "search_s")
    if not trials.has("result"):
        return
    found = (trials.frame["result"] == "find").to_numpy()
    missed = (trials.frame["result"] == "miss").to_numpy()
    if trials.has("limit_s"):
        limit = trials.frame["limit_s"]
        over = (searched > limit).to_numpy()
        for rule, which in (
            ("find over the limit", found),
            ("search over the limit", log.usable(trials) & ~found),
        ):
            log.flag(
                rule,
                trials,
                which & over,
                "search_s",
                lambda i: {"limit": limit.to_numpy()[i]},
            )
        at_limit = (searched == limit).to_numpy()
        log.flag("find at the limit", trials, log.usable(trials) & found & at_limit, "search_s")
    _check_times_in_words(trials, log)
    untimed = log.usable(trials) & missed & trials.missing("search_s")
    untimed &= ~log.in_doubt(trials, "search_s")
    log.flag("miss without a time", trials, untimed, "search_s")


def _check_times_in_words(trials: Sheet, log: Log) -> None:
    """A search time that is a word for another result, as ``not found`` beside a find."""
    doubted = np.flatnonzero(log.in_doubt(trials, "search_s"))
    column = TABLES["trials"].column("result")
    said = [named_word(column, text or "") for text in shown(trials.cells["search_s"], doubted)]
    result = trials.values("result")
    other = np.array(
        [
            word is not None
            and result[at] is not None
            and (word == "find") != (result[at] == "find")
            for at, word in zip(doubted, said, strict=True)
        ],
        dtype=bool,
    )
    log.flag(
        "result contradicts search time",
        trials,
        doubted[other],
        "search_s",
        lambda i: {"result": result[i]},
    )


def _check_trials_in_storage(
    trials: Sheet, moves: pd.DataFrame, settings: RecordsSettings, log: Log
) -> None:
    """Trials after a discard, and while the log says freezer."""
    if not trials.has("source_id", "started_at") or not len(moves):
        return
    ids = trials.frame["source_id"]
    started = trials.frame["started_at"]
    discarded = pd.to_datetime(ids.map(_discards(moves)))
    late = (started >= discarded).to_numpy()
    log.flag(
        "trial on a discarded source",
        trials,
        late,
        "started_at",
        lambda i: {"source": ids.to_numpy()[i], "date": _day(discarded.to_numpy()[i])},
    )
    hides = log.usable(trials) & ids.notna().to_numpy()
    policy = (
        "a thaw is inferred"
        if settings.unlogged_thaws == "infer"
        else "the trial is left out of the analysis"
    )
    dated = dated_only(trials.frame)
    frozen = _positions_in_freezer(trials.frame[hides], moves)
    frozen = frozen[~(dated[frozen] & _out_that_day(trials.frame.loc[frozen], moves))]
    log.flag(
        "trial while in the freezer",
        trials,
        frozen,
        "started_at",
        lambda i: {
            "source": ids.to_numpy()[i],
            "policy": policy,
            "when": ALL_DAY if dated[i] else AT_THIS_TIME,
        },
    )


def _out_that_day(trials: pd.DataFrame, moves: pd.DataFrame) -> Array:
    """True where the log takes the source out of the freezer on the day of the trial.

    Of moves at one moment the last counts: a source that went back at once was not out.
    """
    last = moves.drop_duplicates(["source_id", "moved_at"], keep="last")
    out = last[last["moved_to"].isin(("refrigerator", "ambient"))]
    days = pd.MultiIndex.from_arrays([out["source_id"], out["moved_at"].dt.normalize()])
    ours = pd.MultiIndex.from_arrays([trials["source_id"], trials["started_at"].dt.normalize()])
    found: Array = ours.isin(days)
    return found


def _positions_in_freezer(hides: pd.DataFrame, moves: pd.DataFrame) -> Array:
    labels = pd.Index(moves["source_id"].unique())
    left = pd.DataFrame(
        {
            "at": hides["started_at"].to_numpy(),
            "source": labels.get_indexer(pd.Index(hides["source_id"])),
            "position": hides.index.to_numpy(),
        }
    ).sort_values("at", kind="stable")
    right = pd.DataFrame(
        {
            "at": moves["moved_at"].to_numpy(),
            "source": labels.get_indexer(pd.Index(moves["source_id"])),
            "place": pd.Index(PLACES).get_indexer(pd.Index(moves["moved_to"])),
        }
    )
    joined = pd.merge_asof(left, right, on="at", by="source")
    frozen = joined.loc[joined["place"] == PLACES.index("freezer"), "position"]
    return np.sort(frozen.to_numpy(dtype=np.int64))


def _check_one_dog_at_once(trials: Sheet, log: Log) -> None:
    """A search that begins while the same dog is still searching (times of day given)."""
    if not trials.has("dog_id", "started_at", "search_s"):
        return
    started = trials.frame["started_at"]
    timed = log.usable(trials) & (started != started.dt.normalize()).to_numpy()
    searches = trials.frame.loc[timed, ["dog_id", "started_at", "search_s", "row"]]
    searches = searches.sort_values(["dog_id", "started_at"], kind="stable")
    ended = searches["started_at"] + pd.to_timedelta(searches["search_s"].fillna(0), unit="s")
    before = searches["dog_id"] == searches["dog_id"].shift()
    # Starts are written to the minute, so an overlap within the minute is rounding.
    overlap = searches["started_at"] + pd.Timedelta(minutes=1) < ended.shift()
    other = searches["row"].shift()
    breach = np.sort(searches.index[before & overlap].to_numpy())
    log.flag(
        "one dog in two trials",
        trials,
        breach,
        "started_at",
        lambda i: {"dog": trials.frame["dog_id"].to_numpy()[i], "other": int(other[i])},
    )


# --- spellings ------------------------------------------------------------------------------


def _check_spellings(sheets: Mapping[str, Sheet], log: Log) -> None:
    homes = {"source_id": "sources", "kind": "sources"}
    homes["dog_id"] = "dogs" if len(sheets["dogs"].frame) else "trials"
    homes |= {"place_id": "storage"}
    homes |= {"handler_id": "trials", "setting": "trials", "placement": "trials"}
    for name, home in homes.items():
        sheet = sheets[home]
        if not sheet.has(name):
            continue
        usable = log.usable(sheet)
        values = sheet.frame[name][usable].dropna().drop_duplicates()
        position = dict(zip(values, values.index, strict=True))
        for first, second in alike(list(values)):
            facts = {
                "other": first,
                "other_quoted": quoted(first),
                "other_row": int(sheet.rows[position[first]]),
                "quoted": quoted(second),
                "name": name,
            }
            at = np.array([position[second]])
            log.flag("spellings alike", sheet, at, name, lambda _, facts=facts: facts)  # type: ignore[misc]


# --- used by reading ------------------------------------------------------------------------


def words_facts(column: Column, table: str) -> Mapping[str, Any]:
    """What messages about a column's cells fill in."""
    return {
        "name": column.name,
        "words": _or(column.words),
        "example": quoted(column.words[0]) if column.words else '""',
        "unit": unit_name(column.unit),
        "space_unit": f" {unit_name(column.unit)}".rstrip(),
        "low": column.low,
        "high": column.high,
        "table": table,
    }


def unit_name(unit: str | None) -> str:
    """A unit as messages call it."""
    return {"C": "°C", "count": "", None: "its unit"}.get(unit, unit or "")


def _or(words: Sequence[str]) -> str:
    return ", ".join(words[:-1]) + " or " + words[-1] if len(words) > 1 else "".join(words)
