"""Reading a unit's records: files → typed, checked tables."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import RecordsError
from outcomes.records.check import check_tables, unit_name, words_facts
from outcomes.records.columns import ADDED, TABLES, Column, Table
from outcomes.records.findings import Log, Sheet, consistent, quoted, severity_of
from outcomes.records.likely import likely_columns, unit_in_heading
from outcomes.records.loading import (
    CannotReadError,
    Cells,
    Places,
    find_tables,
    load_table,
    mode_of,
    named,
)
from outcomes.records.schema import check_schema
from outcomes.records.suggest import buried_header
from outcomes.records.tables import Examination, Finding, InputFile, Records
from outcomes.records.unit_file import load_settings
from outcomes.records.values import (
    MAX_TEXT,
    Typed,
    clean,
    read_column,
    shown,
    texts_of,
    unit_is_said,
    unit_of,
)
from outcomes.settings import RecordsSettings

LINES_SHOWN = 5

_NEEDED_ROWS = ("sources", "trials")


def read_records(
    path: str | Path, settings: RecordsSettings | None = None, *, today: dt.date | None = None
) -> Records:
    """Read and check a unit's records.

    Parameters
    ----------
    path
        Folder of ``sources``, ``storage``, ``trials`` and (optional) ``dogs``
        as ``.csv`` or ``.parquet``, or one ``.xlsx`` workbook with those sheets.
        Nothing in it is changed.
    settings
        How they are read (``load_settings(path).records``); None reads ``unit.toml``
        beside the records, or keeps the defaults where there is none.
    today
        Dates later than a day after it are in the future; None for the real date.

    Returns
    -------
    Records
        The usable rows, typed, and all findings. A value that cannot be used
        sets its row aside; in a side column (see
        :class:`~outcomes.records.columns.Column`) it is left out, with a note,
        and the row is used. Text is trimmed; an empty cell is missing.
        ``session_id`` is the date of ``started_at`` where it was not given. A
        discard without a time of day stands at the end of its day where the
        source was used or moved on it. A trial that starts at 00:00 has a date
        and no time of day; only where 00:00 was written out for one, while
        others have times, ``trials`` has a column ``at_midnight`` that is True
        there.

    Raises
    ------
    RecordsError
        If a finding stops the work: one line for each of the first few.
    UsageError
        If there are no records at ``path``.
    SettingsError
        If ``unit.toml`` cannot be used.

    See Also
    --------
    examine_records : The same checks without an error for bad records.
    """
    examination, records = examine_and_read(path, settings, today=today)
    if records is None:
        raise RecordsError(_stop_lines(str(path), examination.stops))
    return records


def examine_and_read(
    path: str | Path, settings: RecordsSettings | None = None, *, today: dt.date | None = None
) -> tuple[Examination, Records | None]:
    """Check a unit's records, and read them if nothing stops the work.

    Parameters
    ----------
    path, settings, today
        As for :func:`read_records`.

    Returns
    -------
    Examination, Records or None
        What :func:`examine_records` gives, and what :func:`read_records`
        gives; None where it would raise for the records.

    Raises
    ------
    UsageError
        If there are no records at ``path``.
    SettingsError
        If ``unit.toml`` cannot be used.
    """
    examination, sheets, settings, log = _examine(Path(path), settings, today)
    if examination.stops:
        return examination, None
    frames = {
        name: _usable_rows(sheets[name], log) if name in sheets else _no_rows(table)
        for name, table in TABLES.items()
    }
    for name, frame in frames.items():
        check_schema(frame, TABLES[name])
    frames["trials"] = _with_sessions(frames["trials"])
    records = Records(
        **frames,
        findings=examination.findings,
        rows_in=examination.rows_in,
        settings=settings,
        files=_input_files(find_tables(Path(path), settings.tables)),
    )
    return examination, records


def _input_files(places: Places) -> tuple[InputFile, ...]:
    """Every file that tables were found in, with the digest of its content."""
    tables: dict[Path, list[str]] = {}
    for name, found in places.found.items():
        for place in found:
            tables.setdefault(place.path, []).append(name)
    files = []
    for path, names in tables.items():
        with path.open("rb") as content:
            digest = hashlib.file_digest(content, "sha256").hexdigest()
        files.append(InputFile(tuple(names), path.name, path.stat().st_size, digest))
    return tuple(files)


def examine_records(
    path: str | Path, settings: RecordsSettings | None = None, *, today: dt.date | None = None
) -> Examination:
    """Check a unit's records without raising for anything wrong in them.

    Parameters
    ----------
    path, settings, today
        As for :func:`read_records`.

    Returns
    -------
    Examination
        Findings, and for each table the rows handed over and those usable.

    Raises
    ------
    UsageError
        If there are no records at ``path``.
    SettingsError
        If ``unit.toml`` cannot be used.
    """
    return _examine(Path(path), settings, today)[0]


def _examine(
    path: Path, settings: RecordsSettings | None, today: dt.date | None
) -> tuple[Examination, Mapping[str, Sheet], RecordsSettings, Log]:
    log = Log()
    if settings is None:
        mode_of(path)  # that there are no records is told before what is wrong beside them
        settings = load_settings(path).records
    places = _find(path, settings, log)
    cells = {} if places is None else _load(places, settings, log)
    sheets = {name: _type_cells(table, settings, log) for name, table in cells.items()}
    sheets = check_tables(sheets, settings, today or dt.date.today(), log)
    order = {name: number for number, name in enumerate(TABLES)}
    findings = sorted(consistent(log.findings), key=lambda f: (order.get(f.table, -1), f.row or 0))
    rows_in = {name: len(sheet.frame) for name, sheet in sheets.items()}
    used = {name: int((~log.aside[name]).sum()) for name in sheets}
    return Examination(tuple(findings), rows_in, used), sheets, settings, log


def _find(path: Path, settings: RecordsSettings, log: Log) -> Places | None:
    try:
        return find_tables(path, settings.tables)
    except CannotReadError as problem:
        _add_problem(log, problem, "", path.name)
        return None


def _load(places: Places, settings: RecordsSettings, log: Log) -> dict[str, Cells]:
    cells = {}
    for name, table in TABLES.items():
        found = places.found[name]
        if len(found) > 1:
            files = ", ".join(place.file for place in found)
            log.add("table given twice", table=name, file=places.label, facts={"files": files})
        elif found:
            try:
                cells[name] = load_table(found[0])
            except CannotReadError as problem:
                if problem.rule != "empty file" or table.needed:
                    _add_problem(log, problem, name, found[0].file)
        elif name in settings.tables or table.needed or name in places.likely:
            _add_absent(log, name, places, settings)
    return cells


def _add_absent(log: Log, table: str, places: Places, settings: RecordsSettings) -> None:
    """A table that is not there, and the file or sheet it may be."""
    if table in settings.tables:
        said = settings.tables[table]
        facts = {"likely": f"Correct its name in unit.toml, [tables] {table} = {quoted(said)}. "}
        log.add("missing table", table=table, file=places.label, facts=facts)
        return
    likely = places.likely.get(table)
    if likely is None:
        seen = _seen(table, places) if places.others else ""
        log.add("missing table", table=table, file=places.label, facts={"likely": seen})
        return
    name = likely.sheet or likely.path.stem
    ours = table if likely.sheet is not None else f"{table}{likely.path.suffix}"
    mend = (
        f"rename it to {ours}, or say in unit.toml, beside the records, under [tables]: "
        f"{table} = {quoted(name)}"
    )
    if TABLES[table].needed:
        facts = {"likely": f"If it is {likely.file!r}, {mend}; otherwise: "}
        log.add("missing table", table=table, file=places.label, facts=facts)
    else:
        facts = {"found": repr(likely.file), "likely": f"If it is that table, {mend}"}
        log.add("table under another name", table=table, file=places.label, facts=facts)


def _seen(table: str, places: Places) -> str:
    """The files or sheets that the table may be, where none is the likeliest."""
    one = len(places.others) == 1
    return (
        f"There {'is' if one else 'are'} also {named(places.others)}: if it is "
        f"{'that' if one else 'one of them'}, rename it to {table}, or say in unit.toml, beside "
        f'the records, under [tables]: {table} = "its name"; otherwise: '
    )


def _add_problem(log: Log, problem: CannotReadError, table: str, file: str) -> None:
    log.add(
        problem.rule,
        table=table,
        file=file,
        row=problem.row,
        facts={"reason": problem.reason, "mend": problem.mend},
    )


# --- columns --------------------------------------------------------------------------------


def _type_cells(cells: Cells, settings: RecordsSettings, log: Log) -> Sheet:
    """Place the columns and read their cells."""
    table = TABLES[cells.name]
    placed = _place_columns(cells, table, settings, log)
    known = {name: cells.columns[at] for name, at in placed.items()}
    names = {name: cells.header[at] for name, at in placed.items()}
    typed = {
        name: read_column(table.column(name), column, settings, cells.name)
        for name, column in known.items()
    }
    carried = _carry(cells, table, set(placed.values()), log)
    written_out = {}
    if table.name == "trials" and "started_at" in known:
        written_out = _midnights(known["started_at"], typed["started_at"].series)
    frame = pd.DataFrame(
        {name: typed[name].series for name in typed}
        | carried
        | written_out
        | {"file": pd.Series(cells.file, index=range(len(cells.rows)), dtype=object)}
        | {"row": pd.Series(cells.rows, dtype="int64")}
    )
    sheet = Sheet(table, cells.file, names, known, frame)
    log.open(sheet)
    if not _found_lower(log, table):
        _add_marks(cells, sheet, log)
    log.flag("total row", sheet, _is_total(cells), None)
    for name, column in typed.items():
        facts = _cell_facts(table.column(name), sheet, column, settings)
        for rule, at in column.broken().items():
            log.flag(rule, sheet, at, name, facts)
    if not len(cells.rows):
        if table.name in _NEEDED_ROWS:
            log.add("no rows", table=table.name, file=cells.file)
        elif table.needed:
            log.add("no storage rows", table=table.name, file=cells.file)
    return sheet


_TOTALS = frozenset(("total", "totals", "sum", "grand total", "subtotal", "sub total"))


def _is_total(cells: Cells) -> npt.NDArray[np.bool_]:
    """Rows whose first filled cell says that they add up the others, shape (n,)."""
    total = np.zeros(len(cells.rows), dtype=bool)
    before = np.zeros(len(cells.rows), dtype=bool)
    for column in cells.columns:
        filled = column.notna().to_numpy()
        if isinstance(column.dtype, pd.CategoricalDtype):
            texts = [clean(text).rstrip(":").casefold() for text in column.cat.categories]
            # The last is for a cell without anything in it, of code -1.
            says = np.array([*(text in _TOTALS for text in texts), False])[column.cat.codes]
            filled = np.array([*(bool(text) for text in texts), False])[column.cat.codes]
            total |= says & ~before
        before |= filled
    return total


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
    if typed.orders:
        texts = shown(sheet.cells[column.name], np.array(list(typed.orders.values())))
        constant["orders"] = " and ".join(
            f"{order} in row {sheet.rows[at]} ({(text or '').strip()!r})"
            for (order, at), text in zip(typed.orders.items(), texts, strict=True)
        )
    return lambda position: constant


def _place_columns(
    cells: Cells, table: Table, settings: RecordsSettings, log: Log
) -> dict[str, int]:
    """Our column name → its position; what is missing, doubled or unknown is logged."""
    mapped = settings.columns.get(table.name, {})
    placed: dict[str, int] = {}
    missing: list[str] = []
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
        elif column.needed or column.name in mapped:
            missing.append(column.name)
    free = [name for i, name in enumerate(cells.header) if name and i not in placed.values()]
    absent = [name for name in table.names if name not in placed]
    likely = likely_columns(table, absent, free)
    buried = buried_header(cells, table, {mapped.get(name, name) for name in table.names})
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
            facts={"name": name, "likely": quoted(guess or "your column's name")},
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


def _found_lower(log: Log, table: Table) -> bool:
    """Whether the names of a table's columns stand lower, so that row 1 says nothing."""
    rule = "header not in row 1"
    return any(f.rule == rule and f.table == table.name for f in log.findings)


def _carry(cells: Cells, table: Table, placed: set[int], log: Log) -> dict[str, pd.Series[Any]]:
    """Columns the toolkit does not know, as text, each under a name of its own."""
    carried: dict[str, pd.Series[Any]] = {}
    lower = _found_lower(log, table)
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


def _add_marks(cells: Cells, sheet: Sheet, log: Log) -> None:
    known = {cells.header.index(theirs): ours for ours, theirs in sheet.names.items()}
    position_of = {row: i for i, row in enumerate(sheet.rows.tolist())} if cells.marks else {}
    for mark in cells.marks:
        if mark.row is None:
            log.add(mark.rule, table=cells.name, file=cells.file, value=mark.value)
            continue
        position = position_of.get(mark.row)
        whole_row = mark.position is None or mark.rule == "open quotation mark"
        if position is None or not (whole_row or mark.position in known):
            continue
        column = None if mark.position is None else cells.header[mark.position]
        ours = None if mark.position is None else known.get(mark.position)
        severity, clause = severity_of(mark.rule, sheet.table, ours)
        log.add(
            mark.rule,
            table=cells.name,
            file=cells.file,
            row=mark.row,
            column=column,
            value=mark.value,
            severity=severity,
            clause=clause,
        )
        log.settle(mark.rule, sheet, np.array([position]), ours)


# --- what is handed on ----------------------------------------------------------------------


def _usable_rows(sheet: Sheet, log: Log) -> pd.DataFrame:
    kept = log.usable(sheet)
    frame = sheet.frame if kept.all() else sheet.frame[kept]
    return frame.reset_index(drop=True)


def _no_rows(table: Table) -> pd.DataFrame:
    types = {"time": "datetime64[ns]", "number": "float64", "count": "float64"}
    return pd.DataFrame(
        {c.name: pd.Series(dtype=types.get(c.type, "object")) for c in table.columns}
        | {"file": pd.Series(dtype=object), "row": pd.Series(dtype="int64")}
    )


def _with_sessions(trials: pd.DataFrame) -> pd.DataFrame:
    """``session_id`` where it was not given: the date of the trial."""
    days, codes = np.unique(trials["started_at"].dt.normalize().to_numpy(), return_inverse=True)
    names = pd.DatetimeIndex(days).strftime("%Y-%m-%d").to_numpy(dtype=object)
    dates = pd.Series(names[codes] if len(names) else [], index=trials.index, dtype=object)
    if "session_id" not in trials:
        return trials.assign(session_id=dates)
    given = trials["session_id"]
    return trials.assign(session_id=given.where(given.notna(), dates))


def _stop_lines(path: str, stops: tuple[Finding, ...]) -> str:
    lines = [finding.line() for finding in stops[:LINES_SHOWN]]
    if len(stops) == 1:
        return lines[0]
    if len(stops) > LINES_SHOWN:
        lines.append(f"… and {len(stops) - LINES_SHOWN} more.")
    count = f"{path}: {len(stops)} things stop the work:"
    return "\n".join([count, *lines])
