"""Reading a unit's records: files → typed, checked tables."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.errors import RecordsError
from outcomes.records.checking.all_checks import check_tables
from outcomes.records.checking.cells import type_cells
from outcomes.records.checking.findings import Log, Sheet, consistent, quoted
from outcomes.records.checking.planned import with_planned
from outcomes.records.checking.schema import check_schema
from outcomes.records.checking.storage import check_no_log, with_moves_of_sources
from outcomes.records.columns import TABLES, Table
from outcomes.records.plan_file import PlanFile, find_plan
from outcomes.records.reading.cells import CannotReadError, Cells, FindHeader, Place
from outcomes.records.reading.files import Places, find_tables, load_table, mode_of, named
from outcomes.records.reading.gather import gather, stacked
from outcomes.records.reading.mapping import find_header
from outcomes.records.reading.parquet_file import cells_of_frame
from outcomes.records.reading.planned import (
    carried_out,
    moves_of_plan,
    portions_of_plan,
    results_of_plan,
)
from outcomes.records.tables import Examination, Finding, InputFile, Records
from outcomes.records.unit_file import load_settings
from outcomes.records.workbook import INSTRUCTIONS
from outcomes.settings import RecordsSettings
from outcomes.text import count

LINES_SHOWN = 5
AnyPath = str | Path


def read_records(
    path: str | Path,
    settings: RecordsSettings | None = None,
    *,
    today: dt.date | None = None,
    plan: Path | None = None,
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
    plan
        The key of planned trials, a ``plan.json``; None: the one beside the records, if any.
        The sheets beside it, filled in, are read as records: results as trials, the
        storekeeper's ticks as moves, portions that the plan has cut as sources.

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
    examination, records = examine_and_read(path, settings, today=today, plan=plan)
    if records is None:
        raise RecordsError(stop_lines(str(path), examination.stops))
    return records


def examine_and_read(
    path: str | Path,
    settings: RecordsSettings | None = None,
    *,
    today: dt.date | None = None,
    plan: Path | None = None,
) -> tuple[Examination, Records | None]:
    """Check a unit's records, and read them if nothing stops the work.

    Parameters
    ----------
    path, settings, today, plan
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
    examined = _examine(Path(path), settings, today, plan)
    if examined.examination.stops:
        return examined.examination, None
    files = _input_files(find_tables(Path(path), examined.settings.tables), examined.key)
    return examined.examination, _records_of(examined, files)


def frames_examined_and_read(
    frames: Mapping[str, pd.DataFrame],
    settings: RecordsSettings | None = None,
    *,
    today: dt.date | None = None,
) -> tuple[Examination, Records | None]:
    """Check tables that are frames already, and read them if nothing stops the work.

    Parameters
    ----------
    frames
        Table → its frame, as it would be read from a file: with the columns and words of the
        contract, or the unit's own that ``settings`` name. Nothing is changed in them. The first
        row is told as row 2, as in a spreadsheet.
    settings, today
        As for :func:`read_records`; defaults where None.

    Returns
    -------
    Examination, Records or None
        As :func:`examine_and_read`.
    """
    settings, log = settings or RecordsSettings(), Log()
    cells = {}
    for name, table in TABLES.items():
        if name in frames:
            try:
                cells[name] = gather(
                    [cells_of_frame(Place(name, name, Path(name)), frames[name])], table, settings
                )
            except CannotReadError as problem:
                _add_problem(log, problem, name, name)
        elif table.needed:
            log.add("missing table", table=name, file="frames", facts={"likely": ""})
    examined = _checked(cells, settings, today, log, "frames", None)
    stopped = bool(examined.examination.stops)
    return examined.examination, None if stopped else _records_of(examined, ())


def _records_of(examined: _Examined, files: tuple[InputFile, ...]) -> Records:
    sheets, log = examined.sheets, examined.log
    frames = {
        name: _usable_rows(sheets[name], log) if name in sheets else _no_rows(table)
        for name, table in TABLES.items()
    }
    frames["trials"] = _with_trial_ids(frames["trials"])
    frames["storage"] = with_moves_of_sources(frames["storage"], frames["sources"])
    for name, frame in frames.items():
        check_schema(frame, TABLES[name])
    frames["trials"] = _with_sessions(frames["trials"])
    return Records(
        **frames,
        findings=examined.examination.findings,
        rows_in=examined.examination.rows_in,
        settings=examined.settings,
        files=files,
        plan=examined.key,
    )


def _input_files(places: Places, key: PlanFile | None) -> tuple[InputFile, ...]:
    """Every file that tables were found in, and the key, with the digest of its content."""
    tables: dict[Path, list[str]] = {}
    for name, found in places.found.items():
        for place in found:
            tables.setdefault(place.path, []).append(name)
    files = []
    for path, names in tables.items():
        with path.open("rb") as content:
            digest = hashlib.file_digest(content, "sha256").hexdigest()
        files.append(InputFile(tuple(names), path.name, path.stat().st_size, digest))
    if key is not None:
        digest = hashlib.sha256(key.content).hexdigest()
        files.append(InputFile(("plan",), key.file, len(key.content), digest))
    return tuple(files)


def examine_records(
    path: str | Path,
    settings: RecordsSettings | None = None,
    *,
    today: dt.date | None = None,
    plan: Path | None = None,
) -> Examination:
    """Check a unit's records without raising for anything wrong in them.

    Parameters
    ----------
    path, settings, today, plan
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
    return _examine(Path(path), settings, today, plan).examination


@dataclass(frozen=True, slots=True)
class _Examined:
    """Tables as they were checked, with the settings, and the key of a plan where there is one."""

    examination: Examination
    sheets: Mapping[str, Sheet]
    settings: RecordsSettings
    log: Log
    key: PlanFile | None


def _examine(
    path: Path, settings: RecordsSettings | None, today: dt.date | None, plan: Path | None
) -> _Examined:
    log = Log()
    if settings is None:
        mode_of(path)  # that there are no records is told before what is wrong beside them
        settings = load_settings(path).records
    places = _find(path, settings, log)
    key = None if places is None else find_plan(path, plan)
    cells = {} if places is None else _load(places, settings, log, key)
    return _checked(cells, settings, today, log, None if places is None else places.label, key)


def _checked(
    cells: Mapping[str, Cells],
    settings: RecordsSettings,
    today: dt.date | None,
    log: Log,
    label: str | None,
    key: PlanFile | None,
) -> _Examined:
    sheets = {name: type_cells(table, settings, log) for name, table in cells.items()}
    if "trials" in sheets:
        sheets["trials"] = with_planned(sheets["trials"], key, log)
    if label is not None and not any(f.table == "storage" for f in log.findings):
        check_no_log(sheets, label, log)
    sheets = check_tables(sheets, settings, today or dt.date.today(), log)
    order = {name: number for number, name in enumerate(TABLES)}
    findings = sorted(consistent(log.findings), key=lambda f: (order.get(f.table, -1), f.row or 0))
    rows_in = {name: len(sheet.frame) for name, sheet in sheets.items()}
    used = {name: int((~log.aside[name]).sum()) for name in sheets}
    examination = Examination(tuple(findings), rows_in, used)
    return _Examined(examination, sheets, settings, log, key)


def _find(path: Path, settings: RecordsSettings, log: Log) -> Places | None:
    try:
        return find_tables(path, settings.tables)
    except CannotReadError as problem:
        _add_problem(log, problem, "", path.name)
        return None


def _load(
    places: Places, settings: RecordsSettings, log: Log, key: PlanFile | None
) -> dict[str, Cells]:
    cells = {}
    for name, table in TABLES.items():
        found = places.found[name]
        if len(found) > max(len(settings.tables.get(name, ())), 1):
            files = ", ".join(place.file for place in found)
            log.add("table given twice", table=name, file=places.label, facts={"files": files})
        elif name in places.missing:
            _add_absent(log, name, places, settings)
        elif found:
            parts = [_load_part(place, table, settings, log) for place in found]
            read = [part for part in parts if part is not None]
            if read:
                cells[name] = gather([_done(part, settings, log) for part in read], table, settings)
        elif name in settings.tables or table.needed or name in places.likely:
            _add_absent(log, name, places, settings)
    # What may be a table is named where that table is asked for.
    likely = {place.file for of in places.likely.values() for place in of}
    likely |= {place.file for name, place in places.free.items() if name == INSTRUCTIONS}
    unread = [name for name, place in places.free.items() if place.file not in likely]
    if unread and not any(f.severity == "stops" for f in log.findings):
        log.add("not read", table="", file=places.label, facts={"names": named(unread)})
    return cells if key is None else _with_sheets_of_plan(cells, key, settings, log)


def _done(cells: Cells, settings: RecordsSettings, log: Log) -> Cells:
    """The cells without planned trials that have no result, which are told."""
    if cells.name != "trials":
        return cells
    done = carried_out(cells, settings)
    if done.not_done:
        facts = {"count": count(done.not_done, "trial")}
        log.add("planned trials not done", table="trials", file=cells.file, facts=facts)
    return done.cells


def _with_sheets_of_plan(
    cells: Mapping[str, Cells], key: PlanFile, settings: RecordsSettings, log: Log
) -> dict[str, Cells]:
    """The tables with what the plan's own sheets, filled in, add to them."""
    added: dict[str, Cells | None] = {
        "sources": portions_of_plan(key, cells.get("sources"), settings)
    }
    for name, read in (("trials", results_of_plan), ("storage", moves_of_plan)):
        try:
            added[name] = read(key, settings)
        except CannotReadError as problem:
            file = "" if key.workbook is None else key.workbook.name
            _add_problem(log, problem, name, file)
    together = dict(cells)
    for name, more in added.items():
        if more is None or not len((more := _done(more, settings, log)).rows):
            continue
        parts = [*([cells[name]] if name in cells else ()), more]
        together[name] = stacked(parts)
    return together


def _load_part(place: Place, table: Table, settings: RecordsSettings, log: Log) -> Cells | None:
    """The cells of one file or sheet of a table; None where it cannot be read, which is told."""
    try:
        cells = load_table(place, header_finder(table, settings))
    except CannotReadError as problem:
        if problem.rule != "empty file" or table.needed:
            _add_problem(log, problem, table.name, place.file)
        return None
    if cells.header_row > 1:
        facts = {"found": cells.header_row}
        log.add("column names found lower", table=table.name, file=place.file, facts=facts)
    return cells


def header_finder(table: Table, settings: RecordsSettings) -> FindHeader:
    """Where the column names of a table stand: where the unit says, or where its names do."""
    if table.name in settings.header_row:
        return lambda _: settings.header_row[table.name] - 1
    mapped = settings.columns.get(table.name, {})
    names = {name for column in table.names for name in mapped.get(column, (column,))}
    return lambda lines: find_header(lines, names)


def _add_absent(log: Log, table: str, places: Places, settings: RecordsSettings) -> None:
    """A table that is not there, and the file or sheet it may be."""
    if table in settings.tables:
        said = ", ".join(map(quoted, places.missing.get(table, settings.tables[table])))
        facts = {"likely": f"Correct its name in unit.toml, [tables] {table} = {said}. "}
        log.add("missing table", table=table, file=places.label, facts=facts)
        return
    likely = places.likely.get(table)
    if likely is None:
        seen = _seen(table, places) if places.others else ""
        log.add("missing table", table=table, file=places.label, facts={"likely": seen})
        return
    first = likely[0]
    ours = table if first.sheet is not None else f"{table}{first.path.suffix}"
    rename = f"rename it to {ours}, or " if len(likely) == 1 else ""
    mend = (
        f"{rename}say in unit.toml, beside the records, under [tables]: "
        f"{table} = {names_of(likely)}"
    )
    files = named([place.file for place in likely])
    # A log that is there under another name is never passed over.
    if TABLES[table].needed or table == "storage":
        facts = {"likely": f"If it is {files}, {mend}; otherwise: "}
        log.add("missing table", table=table, file=places.label, facts=facts)
    else:
        facts = {"found": files, "likely": f"If it is that table, {mend}"}
        log.add("table under another name", table=table, file=places.label, facts=facts)


def names_of(places: Sequence[Place]) -> str:
    """The names of files or sheets as ``unit.toml`` has them."""
    names = [quoted(place.sheet or place.path.stem) for place in places]
    return names[0] if len(names) == 1 else f"[{', '.join(names)}]"


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


def _usable_rows(sheet: Sheet, log: Log) -> pd.DataFrame:
    kept = log.usable(sheet)
    frame = sheet.frame if kept.all() else sheet.frame[kept]
    return frame.reset_index(drop=True)


def _no_rows(table: Table) -> pd.DataFrame:
    types = {
        "time": "datetime64[ns]",
        "number": "float64",
        "count": "float64",
        "yes or no": "boolean",
    }
    return pd.DataFrame(
        {c.name: pd.Series(dtype=types.get(c.type, "object")) for c in table.columns}
        | {"file": pd.Series(dtype=object), "row": pd.Series(dtype="int64")}
    )


def _with_trial_ids(trials: pd.DataFrame) -> pd.DataFrame:
    """``trial_id`` where it was not given: the table, or of several the file, and the row."""
    given = trials.get("trial_id", pd.Series(None, index=trials.index, dtype=object))
    if len(trials) and given.notna().all():
        return trials
    several = bool(len(trials)) and bool((trials["file"] != trials["file"].iloc[0]).any())
    homes = trials["file"].map(lambda file: Path(str(file).rpartition(", sheet ")[2]).stem)
    made = (homes if several else "trials") + " " + trials["row"].astype(str)
    taken = set(given.dropna())
    made = made.map(lambda name: f"{name} (row)" if name in taken else name)
    columns = {"trial_id": given.where(given.notna(), made).astype(object)}
    return pd.DataFrame(columns | {name: trials[name] for name in trials if name != "trial_id"})


def _with_sessions(trials: pd.DataFrame) -> pd.DataFrame:
    """``session_id`` where it was not given: the date of the trial."""
    days, codes = np.unique(trials["started_at"].dt.normalize().to_numpy(), return_inverse=True)
    names = pd.DatetimeIndex(days).strftime("%Y-%m-%d").to_numpy(dtype=object)
    dates = pd.Series(names[codes] if len(names) else [], index=trials.index, dtype=object)
    if "session_id" not in trials:
        return trials.assign(session_id=dates)
    given = trials["session_id"]
    return trials.assign(session_id=given.where(given.notna(), dates))


def stop_lines(path: str, stops: tuple[Finding, ...]) -> str:
    """What stops the work, a line each for the first few."""
    lines = [finding.line() for finding in stops[:LINES_SHOWN]]
    if len(stops) == 1:
        return lines[0]
    if len(stops) > LINES_SHOWN:
        lines.append(f"… and {len(stops) - LINES_SHOWN} more.")
    count = f"{path}: {len(stops)} things stop the work:"
    return "\n".join([count, *lines])
