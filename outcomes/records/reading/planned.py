"""Planned trials as they come back: the sheets of a plan, filled in, as cells of our tables."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.columns import ALERTED, NOT_ALERTED, TABLES
from outcomes.records.plan_file import KeySource, PlanFile
from outcomes.records.reading.cells import (
    Array,
    Cells,
    Place,
    categories_of,
    clean,
    texts_of,
)
from outcomes.records.reading.xlsx_file import load_sheet, sheet_parts
from outcomes.settings import RecordsSettings

ALERT, NO_ALERT = "alert", "no alert"
"""What a handler writes who does not know what lay in the area."""
LOST = "lost"
"""What may stand where a planned trial was not done."""
RESULTS_SHEET, STORAGE_SHEET = "results", "storekeeper"
DONE, NOT_DONE = "done", "not done"
CONTAINERS = "containers"
CONTAINERS_JOINED_BY = ", "
_MOVED_HOME, _TAKEN_OUT, _PUT_BACK = dt.time(7), dt.time(8), dt.time(20)
_MIN_S = re.compile(r"(\d{1,3}):([0-5]\d)(?::00)?")  # a spreadsheet adds the seconds of a time
_TICKS = frozenset(("yes", "y", "x", "done", "ok", "1", "true", "✓", "✔", "√"))
_OWN_UNITS: Mapping[str, str] = {"search_s": "s", "temperature_c": "C"}


@dataclass(frozen=True, slots=True)
class PlannedCells:
    """Cells of a table without the planned trials that are not done yet.

    Attributes
    ----------
    cells
        The rows that were carried out, and all rows of no plan.
    not_done
        How many others there were.
    """

    cells: Cells
    not_done: int


def results_of_plan(plan: PlanFile, settings: RecordsSettings) -> Cells | None:
    """The sheet of results beside the key, under the unit's own column names; None without one.

    Raises
    ------
    CannotReadError
        The workbook, or that sheet of it, cannot be read.
    """
    cells = _sheet_of_plan(plan, RESULTS_SHEET, "trials")
    if cells is None:
        return None
    columns = [
        _with_unit(_seconds(column) if name == "search_s" else column, _OWN_UNITS[name])
        if name in _OWN_UNITS
        else column
        for name, column in zip(cells.header, cells.columns, strict=True)
    ]
    ours = TABLES["trials"].names
    header = tuple(settings.name_of("trials", n) if n in ours else n for n in cells.header)
    return replace(cells, header=header, columns=tuple(columns))


def _seconds(column: pd.Series[Any]) -> pd.Series[Any]:
    """Times that a handler wrote as min:s, in seconds; all else as it stands."""
    codes, texts = texts_of(column)
    found = [_MIN_S.fullmatch(clean(text)) for text in texts]
    if not any(found):
        return column
    told = [
        text if at is None else str(60 * int(at[1]) + int(at[2]))
        for text, at in zip(texts, found, strict=True)
    ]
    return categories_of(pd.Series(np.array([*told, None], dtype=object)[codes], dtype=object))


def carried_out(cells: Cells, settings: RecordsSettings) -> PlannedCells:
    """Trials without those that are planned and have no result yet; alerts in our words.

    Parameters
    ----------
    cells
        Trials of one file or sheet.
    settings
        What the unit calls its columns.
    """
    label, result = (settings.name_of("trials", name) for name in ("plan_id", "result"))
    if label not in cells.header or result not in cells.header:
        return PlannedCells(cells, 0)
    planned = _filled(cells.columns[cells.header.index(label)])
    at = cells.header.index(result)
    codes, texts = texts_of(cells.columns[at])
    said = [clean(text).casefold() for text in texts]
    told = {ALERT: ALERTED, NO_ALERT: NOT_ALERTED}
    if any(word in told for word in said):
        # Only of a planned trial: elsewhere the word does not say where the dog alerted.
        changed = [told.get(word, text) for word, text in zip(said, texts, strict=True)]
        cells_as = np.array([*texts, None], dtype=object)[codes]
        cells_to = np.array([*changed, None], dtype=object)[codes]
        column = categories_of(pd.Series(np.where(planned, cells_to, cells_as), dtype=object))
        columns = (*cells.columns[:at], column, *cells.columns[at + 1 :])
        cells = replace(cells, columns=columns)
    lost = np.array([*(word == LOST for word in said), False])[codes]
    done = (_filled(cells.columns[at]) & ~lost) | ~planned
    return PlannedCells(_rows(cells, done), int((~done).sum()))


def portions_of_plan(plan: PlanFile, sources: Cells | None, settings: RecordsSettings) -> Cells:
    """The portions that the plan has cut, as rows of the sources that lack them."""
    label = settings.name_of("sources", "source_id")
    known: set[str] = set()
    if sources is not None and label in sources.header:
        known = set(_texts(sources.columns[sources.header.index(label)]))
    new = [s for s in plan.storage if s.parent_id is not None and s.source_id not in known]
    cut_on = plan.starts_on.isoformat()
    rows: dict[str, list[str | None]] = {
        "source_id": [s.source_id for s in new],
        "kind": [s.kind for s in new],
        "acquired_on": [cut_on for _ in new],
        "parent_id": [s.parent_id for s in new],
        "kept_in": [_kept_in(s) for s in new],
    }
    return _made("sources", plan.file, rows, settings)


def _kept_in(source: KeySource) -> str:
    """Where a source is kept from the first day on."""
    first = (m.moved_to for m in source.moves if m.moved_to != "ambient")
    return next(first, "freezer")


def moves_of_plan(plan: PlanFile, settings: RecordsSettings) -> Cells | None:
    """The storekeeper's ticks, as moves of the storage log; None without that sheet.

    A line that was ticked is of all containers it lists, but for those named as not done. A thaw
    is out from 08:00 to 20:00 of its day; what is to stay elsewhere is there at 07:00.

    Raises
    ------
    CannotReadError
        The workbook, or that sheet of it, cannot be read.
    """
    cells = _sheet_of_plan(plan, STORAGE_SHEET, "storage")
    if cells is None or not {"day", CONTAINERS, DONE} <= set(cells.header):
        return None
    column = dict(zip(cells.header, cells.columns, strict=True))
    day, listed, done = (_texts(column[name]) for name in ("day", CONTAINERS, DONE))
    not_done = _texts(column[NOT_DONE]) if NOT_DONE in column else [""] * len(day)
    ticked = {
        (on[:10], container)
        for on, several, tick, without in zip(day, listed, done, not_done, strict=True)
        if _is_tick(tick)
        for container in _numbers(several) - _numbers(without)
    }
    rows: dict[str, list[str | None]] = {"source_id": [], "moved_at": [], "moved_to": []}

    def move(source: str, day: dt.date, at: dt.time, to: str) -> None:
        moved_at = dt.datetime.combine(day, at).isoformat(sep=" ", timespec="minutes")
        for name, value in zip(rows, (source, moved_at, to), strict=True):
            rows[name].append(value)

    for source in plan.storage:
        home = _kept_in(source)
        for one in source.moves:
            on = plan.date_of(one.day)
            home = home if one.moved_to == "ambient" else one.moved_to
            if (on.isoformat(), source.container) not in ticked:
                continue
            if one.moved_to != "ambient":
                move(source.source_id, on, _MOVED_HOME, one.moved_to)
                continue
            move(source.source_id, on, _TAKEN_OUT, one.moved_to)
            move(source.source_id, on, _PUT_BACK, home)
    return _made("storage", cells.file, rows, settings)


def _sheet_of_plan(plan: PlanFile, sheet: str, table: str) -> Cells | None:
    if plan.workbook is None:
        return None
    name = next((n for n in sheet_parts(plan.workbook) if n.strip().casefold() == sheet), None)
    if name is None:
        return None
    place = Place(table, f"{plan.workbook.name}, sheet {name}", plan.workbook, name)
    return load_sheet(place, lambda lines: _row_of(lines, sheet))


def _row_of(lines: Sequence[Sequence[str]], sheet: str) -> int:
    """Where the column names stand: below what the sheet tells the person who fills it in."""
    wanted = {"plan_id", "result"} if sheet == RESULTS_SHEET else {CONTAINERS, DONE}
    found = (at for at, line in enumerate(lines) if wanted <= {cell.strip() for cell in line})
    return next(found, 0)


def _numbers(listed: str) -> set[str]:
    return set(re.findall(r"\w+", listed))


def _is_tick(text: str) -> bool:
    return clean(text).casefold() in _TICKS


def _made(
    table: str, file: str, rows: Mapping[str, Sequence[str | None]], settings: RecordsSettings
) -> Cells:
    """Cells of a table that no file holds as it is, their rows numbered as under a header."""
    number = len(next(iter(rows.values())))
    return Cells(
        name=table,
        file=f"{file} ({table})",
        header=tuple(settings.name_of(table, name) for name in rows),
        columns=tuple(categories_of(pd.Series([*v], dtype=object)) for v in rows.values()),
        rows=np.arange(2, number + 2),
    )


def _with_unit(column: pd.Series[Any], unit: str) -> pd.Series[Any]:
    """Bare numbers with the unit that our sheet asks for, whatever unit the unit's own log has."""
    codes, texts = texts_of(column)
    read = [f"{t} {unit}" if t.replace(".", "", 1).isdecimal() else t for t in texts]
    return categories_of(pd.Series(np.array([*read, None], dtype=object)[codes], dtype=object))


def _texts(column: pd.Series[Any]) -> list[str]:
    codes, texts = texts_of(column)
    return [clean(texts[code]) if code >= 0 else "" for code in codes.tolist()]


def _filled(column: pd.Series[Any]) -> Array:
    codes, texts = texts_of(column)
    filled: Array = np.array([*(bool(clean(text)) for text in texts), False])[codes]
    return filled


def _rows(cells: Cells, kept: Array) -> Cells:
    """Some of the rows."""
    if kept.all():
        return cells
    gone = set(cells.rows[~kept].tolist())
    return replace(
        cells,
        columns=tuple(column[kept].reset_index(drop=True) for column in cells.columns),
        rows=cells.rows[kept],
        marks=tuple(mark for mark in cells.marks if mark.row not in gone),
        files=None if cells.files is None else cells.files[kept],
    )
