"""Reading a unit's records: files → typed, checked tables."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.errors import RecordsError
from outcomes.records.checking.all_checks import check_tables
from outcomes.records.checking.cells import type_cells
from outcomes.records.checking.findings import Log, Sheet, consistent, quoted
from outcomes.records.checking.schema import check_schema
from outcomes.records.checking.storage import check_no_log, with_moves_of_sources
from outcomes.records.columns import TABLES, Table
from outcomes.records.reading.cells import CannotReadError, Cells, FindHeader, Place
from outcomes.records.reading.files import Places, find_tables, load_table, mode_of, named
from outcomes.records.reading.gather import gather
from outcomes.records.reading.mapping import find_header
from outcomes.records.tables import Examination, Finding, InputFile, Records
from outcomes.records.unit_file import load_settings
from outcomes.records.workbook import INSTRUCTIONS
from outcomes.settings import RecordsSettings

LINES_SHOWN = 5


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
    frames["trials"] = _with_trial_ids(frames["trials"])
    frames["storage"] = with_moves_of_sources(frames["storage"], frames["sources"])
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
    sheets = {name: type_cells(table, settings, log) for name, table in cells.items()}
    if places is not None and not any(f.table == "storage" for f in log.findings):
        check_no_log(sheets, places.label, log)
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
        if len(found) > max(len(settings.tables.get(name, ())), 1):
            files = ", ".join(place.file for place in found)
            log.add("table given twice", table=name, file=places.label, facts={"files": files})
        elif name in places.missing:
            _add_absent(log, name, places, settings)
        elif found:
            parts = [_load_part(place, table, settings, log) for place in found]
            read = [part for part in parts if part is not None]
            if read:
                cells[name] = gather(read, table, settings)
        elif name in settings.tables or table.needed or name in places.likely:
            _add_absent(log, name, places, settings)
    # What may be a table is named where that table is asked for.
    likely = {place.file for of in places.likely.values() for place in of}
    likely |= {place.file for name, place in places.free.items() if name == INSTRUCTIONS}
    unread = [name for name, place in places.free.items() if place.file not in likely]
    if unread and not any(f.severity == "stops" for f in log.findings):
        log.add("not read", table="", file=places.label, facts={"names": named(unread)})
    return cells


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


def _stop_lines(path: str, stops: tuple[Finding, ...]) -> str:
    lines = [finding.line() for finding in stops[:LINES_SHOWN]]
    if len(stops) == 1:
        return lines[0]
    if len(stops) > LINES_SHOWN:
        lines.append(f"… and {len(stops) - LINES_SHOWN} more.")
    count = f"{path}: {len(stops)} things stop the work:"
    return "\n".join([count, *lines])
