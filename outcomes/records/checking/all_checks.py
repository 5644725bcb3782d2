"""Checking typed tables, each alone and against each other.

A row is told all that can be seen to be wrong with it at once; only what
follows from the order of rows (moves, searches of one dog) is looked for among
rows that can be used. Setting a source aside sets aside its portions, moves
and trials.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.records.checking.any_table import (
    check_copies,
    check_dates,
    check_needed,
    check_spellings,
    check_unit_of_temperature,
)
from outcomes.records.checking.dogs import check_dog_known, check_dogs
from outcomes.records.checking.findings import Log, Sheet
from outcomes.records.checking.inspections import check_inspections, check_masses
from outcomes.records.checking.level_shifts import check_level_shifts, check_own_words
from outcomes.records.checking.readings import check_readings
from outcomes.records.checking.sources import (
    check_histories,
    check_portions,
    check_source_known,
    settle_vague_dates,
    used_often,
)
from outcomes.records.checking.storage import (
    check_discarded_on,
    check_moves,
    check_storage_temperatures,
    effective_moves,
    settle_discards,
)
from outcomes.records.checking.trials import (
    check_one_dog_at_once,
    check_results,
    check_search_times,
    check_trials_in_storage,
    with_search_times,
)
from outcomes.records.columns import BACK, TABLES, Table
from outcomes.records.reading.fold import LABELS, spellings_to_join
from outcomes.settings import RecordsSettings


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
    check_own_words(settings, log)
    handed = with_folded_labels(sheets, settings)
    handed = settle_vague_dates(_with_moves_back(handed), settings, log)
    sheets = {}
    for name, sheet in handed.items():
        check_needed(sheet, log)
        check_dates(sheet, today, log)
        sheets[name] = log.without_doubtful(sheet)
        check_copies(sheets[name], log)
        check_unit_of_temperature(sheets[name], log)
        check_level_shifts(sheets[name], log)
    checked = {**{name: _nothing(table) for name, table in TABLES.items()}, **sheets}
    for name in checked.keys() - sheets.keys():
        log.open(checked[name])
    sources, storage, trials, dogs, readings, inspections = (checked[name] for name in TABLES)
    often = used_often(trials, storage)
    check_portions(sources, often, log)
    nameless = np.zeros(len(trials.frame), dtype=bool)
    if "sources" in sheets:
        check_source_known(storage, sources, often, log)
        nameless = check_source_known(trials, sources, often, log)
    check_dog_known(trials, dogs, log)
    check_results(trials, nameless, log)
    trials = with_search_times(trials, log)
    check_search_times(trials, log)
    check_storage_temperatures(storage, log)
    trials, storage = log.without_doubtful(trials), log.without_doubtful(storage)
    if "readings" in sheets:
        if "sources" in sheets:
            check_source_known(readings, sources, often, log)
        check_readings(readings, storage, settings, log)
    if "inspections" in sheets:
        if "sources" in sheets:
            check_source_known(inspections, sources, often, log)
        check_inspections(inspections, log)
    check_masses(inspections, storage, sources, log)
    storage = settle_discards(storage, trials, log)
    check_discarded_on(sources, log)
    check_moves(storage, sources, trials, log)
    moves = effective_moves(sources, storage, log)
    if "storage" in sheets:
        check_histories(sources, storage, moves, log)
    check_trials_in_storage(trials, moves, settings, log)
    check_one_dog_at_once(trials, log)
    check_dogs(dogs, log)
    checked |= {"storage": storage, "trials": trials}
    check_spellings(checked, log)
    return {name: checked[name] for name in sheets}


def _with_moves_back(sheets: Mapping[str, Sheet]) -> Mapping[str, Sheet]:
    """Moves back to where a source is kept, as moves to that place."""
    storage, sources = sheets.get("storage"), sheets.get("sources")
    if storage is None or not storage.has("source_id", "moved_to"):
        return sheets
    moved = storage.frame["moved_to"]
    if not (moved == BACK).any():
        return sheets
    kept: dict[str, str] = {}
    if sources is not None and sources.has("source_id", "kept_in"):
        named = sources.frame[["source_id", "kept_in"]].dropna()
        kept = dict(zip(named["source_id"], named["kept_in"], strict=True))
    home = storage.frame["source_id"].map(lambda name: kept.get(name, "freezer"))
    frame = storage.frame.assign(moved_to=moved.mask(moved == BACK, home))
    return {**sheets, "storage": replace(storage, frame=frame)}


def with_folded_labels(
    sheets: Mapping[str, Sheet], settings: RecordsSettings
) -> Mapping[str, Sheet]:
    """The tables with one spelling for each label, where the unit has them folded."""
    frames = {name: sheet.frame for name, sheet in sheets.items()}
    for label in settings.fold_labels:
        home, columns = LABELS[label]
        used = [
            frame[column].dropna()
            for frame in frames.values()
            for column in columns
            if column in frame
        ]
        listed = frames[home][label].dropna() if home in frames and label in frames[home] else ()
        if home not in ("sources", "dogs"):
            listed = ()  # not a list of its own: the commonest spelling is taken
        joined = spellings_to_join(list(dict.fromkeys(listed)), [x for one in used for x in one])
        if not joined:
            continue
        for name, frame in frames.items():
            changed = {c: frame[c].replace(joined) for c in columns if c in frame}
            frames[name] = frame.assign(**changed)
    return {name: replace(sheet, frame=frames[name]) for name, sheet in sheets.items()}


def _nothing(table: Table) -> Sheet:
    """A table that could not be read: no columns, no rows."""
    frame = pd.DataFrame({"file": pd.Series(dtype=object), "row": pd.Series(dtype="int64")})
    return Sheet(table, "", {}, {}, frame)
