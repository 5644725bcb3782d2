"""Cells → typed columns; whatever a row or a cell alone shows to be wrong is logged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.checking.findings import Log, Sheet, quoted, severity_of
from outcomes.records.checking.header import carry_unknown, found_lower, place_columns
from outcomes.records.checking.planned import settle_results
from outcomes.records.columns import TABLES, Column
from outcomes.records.reading.cells import Cells, shown, texts_of
from outcomes.records.reading.gather import is_total
from outcomes.records.reading.units import unit_name, unit_of
from outcomes.records.reading.values import MAX_TEXT, Typed, read_column
from outcomes.settings import RecordsSettings

_NEEDED_ROWS = ("sources", "trials")


def type_cells(cells: Cells, settings: RecordsSettings, log: Log) -> Sheet:
    """Place the columns and read their cells."""
    table = TABLES[cells.name]
    placed = place_columns(cells, table, settings, log)
    known = {name: cells.columns[at] for name, at in placed.items()}
    names = {name: cells.header[at] for name, at in placed.items()}
    typed = {
        name: read_column(table.column(name), column, settings, cells.name)
        for name, column in known.items()
    }
    carried = carry_unknown(cells, table, set(placed.values()), log)
    written_out = {}
    if table.name == "trials" and "started_at" in known:
        written_out = _midnights(known["started_at"], typed["started_at"].series)
    frame = pd.DataFrame(
        {name: typed[name].series for name in typed}
        | carried
        | written_out
        | {"file": pd.Series(_files(cells), index=range(len(cells.rows)), dtype=object)}
        | {"row": pd.Series(cells.rows, dtype="int64")}
    )
    # Of planned trials it is the plan's key that tells which area was blank.
    if {"result", "source_id"} <= typed.keys() and "plan_id" not in typed:
        frame = frame.assign(result=settle_results(frame))
    sheet = Sheet(table, cells.file, names, known, frame)
    log.open(sheet)
    if not found_lower(log, table):
        _add_marks(cells, sheet, log)
    log.flag("total row", sheet, is_total(cells), None)
    for name, column in typed.items():
        facts = _cell_facts(table.column(name), sheet, column, settings)
        for rule, at in column.broken().items():
            log.flag(rule, sheet, at, name, facts)
    if not len(cells.rows):
        if table.name in _NEEDED_ROWS:
            log.add("no rows", table=table.name, file=cells.file)
        elif table.name == "storage":
            log.add("no storage rows", table=table.name, file=cells.file)
    return sheet


def _files(cells: Cells) -> Any:
    return cells.file if cells.files is None else cells.files


def _midnights(cells: pd.Series[Any], times: pd.Series[Any]) -> dict[str, pd.Series[Any]]:
    """``at_midnight``, where some cell holds the time of day 00:00.

    A column in which every time of day is 00:00 holds dates, which a program wrote
    out with a time; so does a column that the file itself types.
    """
    midnight = times == times.dt.normalize()
    codes, texts = texts_of(cells)
    timed = np.append(np.array([":" in text for text in texts], dtype=bool), False)[codes]
    if not (timed & midnight).any() or not (times.notna() & ~midnight).any():
        return {}
    return {"at_midnight": midnight & timed}


def _cell_facts(column: Column, sheet: Sheet, typed: Typed, settings: RecordsSettings) -> Any:
    table = sheet.table.name
    unit = unit_name(unit_of(column, settings, table))
    constant = dict(words_facts(column, table)) | {"limit": MAX_TEXT, "unit": unit}
    constant["theirs"] = quoted(sheet.names[column.name])
    if typed.orders:
        texts = shown(sheet.cells[column.name], np.array(list(typed.orders.values())))
        constant["orders"] = " and ".join(
            f"{order} in row {sheet.row_name(at)} ({(text or '').strip()!r})"
            for (order, at), text in zip(typed.orders.items(), texts, strict=True)
        )
    return lambda position: constant


def _add_marks(cells: Cells, sheet: Sheet, log: Log) -> None:
    known = {cells.header.index(theirs): ours for ours, theirs in sheet.names.items()}
    position_of = {}
    if cells.marks:
        at = zip(sheet.frame["file"], sheet.rows.tolist(), strict=True)
        position_of = {row: i for i, row in enumerate(at)}
    for mark in cells.marks:
        file = mark.file or cells.file
        if mark.row is None:
            log.add(mark.rule, table=cells.name, file=file, value=mark.value)
            continue
        position = position_of.get((file, mark.row))
        whole_row = mark.position is None or mark.rule == "open quotation mark"
        if position is None or not (whole_row or mark.position in known):
            continue
        column = None if mark.position is None else cells.header[mark.position]
        ours = None if mark.position is None else known.get(mark.position)
        severity, clause = severity_of(mark.rule, sheet.table, ours)
        log.add(
            mark.rule,
            table=cells.name,
            file=file,
            row=mark.row,
            column=column,
            value=mark.value,
            severity=severity,
            clause=clause,
        )
        log.settle(mark.rule, sheet, np.array([position]), ours)


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


def _or(words: Sequence[str]) -> str:
    return ", ".join(words[:-1]) + " or " + words[-1] if len(words) > 1 else "".join(words)
