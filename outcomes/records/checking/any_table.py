"""What is checked in every table: needed values, dates, copies, units, spellings."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.checking.findings import Array, Log, Sheet, quoted
from outcomes.records.dates import dated_only
from outcomes.records.reading.cells import shown
from outcomes.records.reading.spelling import alike
from outcomes.settings import JOINED_BY

_DITTOS = 5  # empty dates from which on they may be meant as the one above
FIRST_DATE = pd.Timestamp("1950-01-01")


def check_needed(sheet: Sheet, log: Log) -> None:
    """Needed values that are empty."""
    for column in sheet.table.columns:
        if column.needed and not column.may_be_empty and column.name in sheet.names:
            empty = sheet.missing(column.name) & ~log.in_doubt(sheet, column.name)
            above = _as_above(sheet, column.name) if column.type == "time" else ""
            log.flag("empty needed value", sheet, empty, column.name, _alike_for_all(above=above))


def _alike_for_all(**facts: str) -> Callable[[int], Mapping[str, Any]]:
    """The same facts for every row."""
    return lambda _: facts


def _as_above(sheet: Sheet, column: str) -> str:
    """What mends dates that stand once for several rows; nothing where few are empty."""
    if int(sheet.missing(column).sum()) < _DITTOS:
        return ""
    own = quoted(sheet.names[column].partition(JOINED_BY)[0])
    return (
        "; or, where an empty cell means the date above it, say so in unit.toml: "
        f"[same_as_above] {sheet.table.name} = [{own}]"
    )


def check_dates(sheet: Sheet, today: dt.date, log: Log) -> None:
    """Dates in the future, and before any unit kept records."""
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
    "inspections": ("source_id", "inspected_at"),
}


def check_copies(sheet: Sheet, log: Log) -> None:
    """Identical rows, and one id on rows that differ."""
    if sheet.table.name == "trials":
        _check_copies_without_ids(sheet, log)
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
    first = whole.groupby(list(whole.columns), dropna=False, observed=True, sort=False)
    leader = at[first.ngroup().pipe(_first_of_group)]
    copy = leader != at
    of_copy = dict(zip(at.tolist(), leader.tolist(), strict=True))
    log.flag(
        "identical rows",
        sheet,
        at[copy],
        key[0],
        lambda i: {"other": sheet.row_name(of_copy[i], i)},
    )
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
        return {"other": sheet.row_name(other, position), "name": sheet.names[key[0]]}

    log.flag("duplicate id", sheet, left, key[0], facts)


def _check_copies_without_ids(sheet: Sheet, log: Log) -> None:
    """Trials without an id that are the same in all else: copies, if they have a time of day."""
    if not sheet.has("started_at", "dog_id"):
        return
    nameless = sheet.missing("trial_id") if sheet.has("trial_id") else True
    at = np.flatnonzero(log.usable(sheet) & nameless & ~sheet.missing("started_at"))
    whole = sheet.frame.iloc[at].drop(columns=["row", "file"])
    if not whole.duplicated().any():
        return
    group = whole.groupby(list(whole.columns), dropna=False, observed=True, sort=False).ngroup()
    leader = at[_first_of_group(group)]
    copy = leader != at
    of_copy = dict(zip(at.tolist(), leader.tolist(), strict=True))
    dated = dated_only(sheet.frame)[at]
    for rule, which in (("identical rows", ~dated), ("rows that may be copies", dated)):
        log.flag(
            rule,
            sheet,
            at[copy & which],
            "started_at",
            lambda i: {"other": sheet.row_name(of_copy[i], i)},
        )


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
    of_copy = dict(zip(at.tolist(), leader.tolist(), strict=True))
    log.flag(
        "identical rows",
        sheet,
        at[copy],
        key[0],
        lambda i: {"other": sheet.row_name(of_copy[i], i)},
    )
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
        lambda i: {"other": sheet.row_name(others[i], i), "name": sheet.names[key[0]]},
    )


def _first_of_group(group: pd.Series[Any]) -> Array:
    """For each element, the position of the first with the same group number."""
    codes = group.to_numpy()
    _, first, inverse = np.unique(codes, return_index=True, return_inverse=True)
    positions: Array = first[inverse]
    return positions


def check_unit_of_temperature(sheet: Sheet, log: Log) -> None:
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


def check_spellings(sheets: Mapping[str, Sheet], log: Log) -> None:
    """Names that look like another of their list; kept apart, and told."""
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
                "other_row": sheet.row_name(position[first], position[second]),
                "quoted": quoted(second),
                "name": name,
            }
            at = np.array([position[second]])
            log.flag("spellings alike", sheet, at, name, lambda _, facts=facts: facts)  # type: ignore[misc]
