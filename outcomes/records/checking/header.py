"""Which column is which: what is missing, doubled, unknown or in another unit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.checking.findings import Log, quoted
from outcomes.records.columns import ADDED, Column, Table
from outcomes.records.reading.cells import Cells, texts_of
from outcomes.records.reading.mapping import buried_header, likely_columns
from outcomes.records.reading.units import unit_in_heading, unit_is_said, unit_name
from outcomes.settings import RecordsSettings


def place_columns(
    cells: Cells, table: Table, settings: RecordsSettings, log: Log
) -> dict[str, int]:
    """Our column name → its position; what is missing, doubled or unknown is logged."""
    mapped = {
        ours: settings.name_of(table.name, ours) for ours in settings.columns.get(table.name, {})
    }
    placed: dict[str, int] = {}
    missing: list[str] = []
    label = mapped.get("plan_id", "plan_id") if table.name == "trials" else None
    for column in table.columns:
        theirs = mapped.get(column.name, column.name)
        at = [i for i, name in enumerate(cells.header) if name == theirs]
        rivals = {
            i
            for i, name in enumerate(cells.header)
            if name == column.name and name not in mapped.values()
        }
        if at and len(rivals | set(at)) > 1:
            log.add(
                "duplicate column",
                table=table.name,
                file=cells.file,
                column=theirs,
                facts={"count": len(rivals | set(at)), "name": column.name},
            )
        if at and not unit_is_said(column, settings, table.name):
            _flag_unit(cells, table, column, theirs, log)
        if at:
            placed[column.name] = at[0]
        elif column.name == "source_id" and label in cells.header:
            continue  # planned trials alone: the plan's key tells their sources
        elif column.needed or column.name in mapped:
            missing.append(column.name)
    free = [name for i, name in enumerate(cells.header) if name and i not in placed.values()]
    absent = [name for name in table.names if name not in placed]
    likely = likely_columns(table, absent, free)
    buried = buried_header(cells, table)
    if missing and not placed and buried is not None:
        facts = {"found": buried}
        log.add("header not in row 1", table=table.name, file=cells.file, row=1, facts=facts)
        return placed
    for name in missing:
        guess = likely.get(name)
        log.add(
            "missing column",
            table=table.name,
            file=cells.file,
            column=mapped.get(name, name),
            facts={
                "name": name,
                "likely": quoted(guess or "your column's name"),
                "row": cells.header_row,
            },
        )
    ours_of = {theirs: ours for ours, theirs in likely.items()}
    for theirs in dict.fromkeys(free):
        ours = ours_of.get(theirs)
        if (theirs in table.names and theirs in placed) or ours in missing:
            continue
        log.add(
            "unknown column",
            table=table.name,
            file=cells.file,
            column=theirs,
            facts={
                "likely": "Leave it, if it is your own."
                if ours is None
                else f"If it is {ours}, say so in unit.toml, beside the records, under "
                f"[columns.{table.name}]: {ours} = {quoted(theirs)}"
            },
        )
    return placed


def _flag_unit(cells: Cells, table: Table, column: Column, theirs: str, log: Log) -> None:
    """A heading that names another unit than the one its numbers would be read in."""
    unit = unit_in_heading(column, theirs)
    if unit is not None:
        facts = {"name": column.name, "unit": unit, "ours": column.unit}
        facts["kept"] = unit_name(column.unit)
        log.add(
            "unit in the heading", table=table.name, file=cells.file, column=theirs, facts=facts
        )


def found_lower(log: Log, table: Table) -> bool:
    """Whether the names of a table's columns stand lower, so that row 1 says nothing."""
    rule = "header not in row 1"
    return any(f.rule == rule and f.table == table.name for f in log.findings)


def carry_unknown(
    cells: Cells, table: Table, placed: set[int], log: Log
) -> dict[str, pd.Series[Any]]:
    """Columns the toolkit does not know, as text, each under a name of its own."""
    carried: dict[str, pd.Series[Any]] = {}
    lower = found_lower(log, table)
    for at, header in enumerate(cells.header):
        if at in placed:
            continue
        name = header or f"column {at + 1}"
        rule = "" if header or lower else "unnamed column"
        if name in ADDED[table.name]:
            name, rule = f"{name} (as given)", "column of an added name"
        plain, number = name, 1
        while name in table.names or name in carried:
            number += 1
            name = f"{plain} ({number})"
        carried[name] = _as_text(cells.columns[at])
        if number == 2 and header not in table.names:
            rule = rule or "repeated unknown column"
        if rule:
            facts = {"number": at + 1, "name": name, "count": cells.header.count(header)}
            log.add(rule, table=table.name, file=cells.file, column=header or None, facts=facts)
    return carried


def _as_text(cells: pd.Series[Any]) -> pd.Series[Any]:
    codes, texts = texts_of(cells)
    distinct = np.empty(len(texts) + 1, dtype=object)
    distinct[:-1] = [text or None for text in texts]
    return pd.Series(distinct[codes], dtype=object)
