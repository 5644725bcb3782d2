"""Sources: portions and what they were cut from, histories, and every row that names a source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.places import places_counted_as
from outcomes.records.checking.findings import Array, Log, Sheet, date_text, missing_name, quoted
from outcomes.records.checking.rules import LATE_LOG_DAYS, SILENT_DAYS
from outcomes.records.reading.cells import clean, shown
from outcomes.records.reading.times import vague_period
from outcomes.records.reading.words import means_nothing
from outcomes.settings import RecordsSettings

# A name in so many trials is more likely missing from its list than misspelt; our choice.
SEVERAL_TRIALS = 3


def used_often(trials: Sheet, storage: Sheet) -> frozenset[str]:
    """Names of sources that stand in several trials or in the storage log."""
    names = in_several(trials, "source_id")
    if storage.has("source_id"):
        names |= set(storage.frame["source_id"].dropna().unique())
    return frozenset(name for name in names if not means_nothing(name))


def in_several(trials: Sheet, column: str) -> set[str]:
    """What stands in a column of several trials."""
    if not trials.has(column):
        return set()
    counts = trials.frame[column].value_counts()
    return set(counts.index[counts >= SEVERAL_TRIALS])


def settle_vague_dates(
    sheets: Mapping[str, Sheet], settings: RecordsSettings, log: Log
) -> Mapping[str, Sheet]:
    """Dates of receipt without a day: the last day meant, or that of the first move or trial.

    By then it was surely there. Portions are no later than the source they were cut from,
    whatever is used of it.
    """
    sources = sheets.get("sources")
    if sources is None or not sources.has("source_id", "acquired_on"):
        return sheets
    said = {clean(w).casefold(): v for w, v in settings.words.get("acquired_on", {}).items()}
    texts = shown(sources.cells["acquired_on"], np.arange(len(sources.frame)))
    plain = [clean(text or "") for text in texts]
    periods = [vague_period(said.get(text.casefold(), text)) if text else None for text in plain]
    vague = np.array([period is not None for period in periods], dtype=bool)
    vague &= ~sources.missing("acquired_on") & ~sources.missing("source_id")
    if not vague.any():
        return sheets
    first = _first_uses(sheets)
    acquired = sources.frame["acquired_on"].copy()
    known: dict[int, Mapping[str, Any]] = {}
    for at in np.flatnonzero(vague).tolist():
        period = periods[at]
        assert period is not None
        begun, last = (pd.Timestamp(day) for day in period)
        use = first.get(sources.values("source_id")[at])
        used_before = use is not None and use < last
        day = max(use.normalize(), begun) if use is not None and used_before else last
        acquired.iloc[at] = day
        why = "the day of its first move or trial" if used_before else "the last day it can mean"
        known[at] = {"taken": date_text(day), "why": why, "days": f"{(day - begun).days:,}"}
        vague[at] = day != begun  # used on the first day it can mean: that day is certain
    log.flag("vague date", sources, vague, "acquired_on", lambda i: known[i])
    frame = sources.frame.assign(acquired_on=acquired)
    return {**sheets, "sources": replace(sources, frame=frame)}


def _first_uses(sheets: Mapping[str, Sheet]) -> dict[Any, pd.Timestamp]:
    """Source → its first move or trial, portions of it among them."""
    uses = []
    for table, time in (("storage", "moved_at"), ("trials", "started_at")):
        sheet = sheets.get(table)
        if sheet is not None and sheet.has("source_id", time):
            rows = sheet.frame[["source_id", time]].dropna()
            uses.append(rows.set_axis(["source_id", "at"], axis="columns"))
    sources = sheets["sources"]
    if sources.has("parent_id", "acquired_on"):
        cut = sources.frame[["parent_id", "acquired_on"]].dropna()
        uses.append(cut.set_axis(["source_id", "at"], axis="columns"))
    if not uses:
        return {}
    return dict(pd.concat(uses).groupby("source_id")["at"].min())


def check_portions(sources: Sheet, often: frozenset[str], log: Log) -> None:
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
            lambda i: {"parent": parents[i], "parent_date": date_text(begun.to_numpy()[i])},
        )
    while True:
        used = set(ids[log.usable(sources)])
        orphaned = given & ~told & np.array([p not in used for p in parents], dtype=bool)
        if not orphaned.any():
            return
        told |= orphaned
        first = _first_rows(sources)
        log.flag(
            "parent set aside",
            sources,
            orphaned,
            "parent_id",
            lambda i, first=first: _cause(sources, first[parents[i]]),  # type: ignore[misc]
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


def _first_rows(sheet: Sheet) -> dict[Any, int]:
    """Position of the first row of each source."""
    first: dict[Any, int] = {}
    for at, label in enumerate(sheet.values("source_id")):
        first.setdefault(label, at)
    return first


def _cause(sources: Sheet, at: int) -> Mapping[str, Any]:
    """The row of the sources that sets another aside."""
    return {"where": sources.place(at), "cause": (sources.files[at], int(sources.rows[at]))}


_TIMES = {
    "storage": "moved_at",
    "trials": "started_at",
    "readings": "read_at",
    "inspections": "inspected_at",
}


def check_source_known(sheet: Sheet, sources: Sheet, often: frozenset[str], log: Log) -> Array:
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
                reads_as_none(label)
                if blank and means_nothing(label)
                else missing_name(label, names, to_add, often=label in often) + blank
            )
        return {"likely": guesses[label]}

    log.flag("unknown source", sheet, ~is_handed, "source_id", facts)
    first = _first_rows(sources)
    log.flag(
        "source set aside",
        sheet,
        is_handed & ~is_used,
        "source_id",
        lambda i: _cause(sources, first[ids.to_numpy()[i]]),
    )
    time = _TIMES[sheet.table.name]
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
            lambda i: {"date": date_text(acquired.to_numpy()[i]), "source": ids.to_numpy()[i]},
        )
    unknown: Array = ~is_handed
    return unknown


def reads_as_none(text: str) -> str:
    """How to have a word read as no source."""
    return (
        "If it means that there was no source, say so in unit.toml, beside the records, under "
        f'[words.source_id]: {quoted(text)} = ""'
    )


def check_histories(sources: Sheet, storage: Sheet, moves: pd.DataFrame, log: Log) -> None:
    """Sources that the storage log does not know, or knows only long after they were taken in."""
    if not (sources.has("source_id") and storage.has("source_id", "moved_at", "moved_to")):
        return
    bare = ~sources.frame["source_id"].isin(moves["source_id"].unique()).to_numpy()
    log.flag("source without storage history", sources, log.usable(sources) & bare, "source_id")
    if not sources.has("acquired_on"):
        return
    ids = sources.frame["source_id"]
    of_source = moves.groupby("source_id")
    first = ids.map(of_source["moved_at"].min())
    # A stay in the freezer for months before the first move of any source says no more than no log.
    frozen = ids.map(of_source["moved_to"].first()).isin(places_counted_as("freezer"))
    rank = of_source.cumcount()
    second = moves["moved_at"][rank == 1].min()
    moved = ids.map(of_source.size()) > 1
    silent = moved & ((second - first).dt.days > SILENT_DAYS)
    if sources.has("cycles_before"):
        silent &= sources.frame["cycles_before"].isna()
    first = first.mask(frozen & silent, second)
    late = (first.dt.normalize() - sources.frame["acquired_on"].dt.normalize()).dt.days

    def facts(position: int) -> Mapping[str, Any]:
        return {"days": f"{late.iloc[position]:,.0f}", "date": date_text(first.iloc[position])}

    where = log.usable(sources) & (late > LATE_LOG_DAYS).to_numpy()
    log.flag("storage log begins late", sources, where, "acquired_on", facts)
