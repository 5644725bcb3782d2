"""Where each table is: a file of a folder, or a sheet of a workbook."""

from __future__ import annotations

import re
import stat
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from outcomes.errors import UsageError
from outcomes.records.columns import TABLES
from outcomes.records.reading.cells import (
    CannotReadError,
    Cells,
    FindHeader,
    Place,
    in_row_1,
    printable,
)
from outcomes.records.reading.csv_file import load_csv, top_of_csv
from outcomes.records.reading.mapping import guess_header, likely_tables, tables_by_columns
from outcomes.records.reading.parquet_file import load_parquet, parquet_header
from outcomes.records.reading.xlsx_file import load_sheet, sheet_parts, top_of_sheet
from outcomes.records.tables import shortened

MOST_OPENED = 20  # files or sheets of other names that are looked into for their columns
MOST_NAMED = 8
SAME_SHARE = 0.6  # of the columns of two sheets that are of one table


@dataclass(frozen=True, slots=True)
class Places:
    """Every place found for the tables.

    Attributes
    ----------
    found
        Table → its places.
    label
        The folder or workbook, as people know it.
    likely
        Table without a place → the places of other names that are most like it.
    missing
        Table → names that the unit gives for it and that nothing has.
    free
        The files or sheets that are no table by name, each under its name.
    """

    found: Mapping[str, tuple[Place, ...]]
    label: str
    likely: Mapping[str, tuple[Place, ...]]
    free: Mapping[str, Place] = field(default_factory=dict)
    missing: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    @property
    def others(self) -> tuple[str, ...]:
        """Names of the files or sheets that are no table by name."""
        return tuple(self.free)


def find_tables(path: Path, names: Mapping[str, Sequence[str]] | None = None) -> Places:
    """Find the tables in a folder or a workbook.

    Parameters
    ----------
    path
        Folder of ``.csv`` and ``.parquet`` files, or one ``.xlsx`` workbook.
    names
        Table → the unit's own names for its files or sheets, where it has any.

    Raises
    ------
    UsageError
        If there is nothing of that kind at ``path``.
    CannotReadError
        If the workbook cannot be opened.
    """
    mode = mode_of(path)
    if stat.S_ISDIR(mode):
        return _find_files(path, names or {})
    if not stat.S_ISREG(mode):
        raise UsageError(f"{path}: neither a folder nor a file. Give a folder or a workbook.")
    if path.suffix.lower() in (".csv", ".parquet"):
        raise UsageError(f"{path}: this is one table. Give the folder that holds it: {path.parent}")
    if path.suffix.lower() != ".xlsx":
        raise UsageError(
            f"{path}: not a folder and not an .xlsx workbook. "
            "Save the records as .xlsx, or as .csv files in one folder."
        )
    sheets = [
        (sheet, Place("", printable(f"{path.name}, sheet {sheet}"), path, sheet))
        for sheet in sheet_parts(path)
    ]
    places = _sort_places(sheets, names or {}, path.name)
    if places is None:
        raise UsageError(
            f"{path}: no sheet is called sources, storage, trials, dogs, readings or "
            "inspections; there "
            f"{'is' if len(sheets) == 1 else 'are'} {named([name for name, _ in sheets])}. Rename "
            "the sheets, or say in unit.toml, beside the workbook, what yours are called, under "
            '[tables]: trials = "your sheet". '
            "`outcomes template FILE.xlsx` makes a workbook that has them."
        )
    return places


def mode_of(path: Path) -> int:
    """What stands at the path of the records.

    Raises
    ------
    UsageError
        If there is nothing, or it cannot be looked at.
    """
    try:
        return path.stat().st_mode
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "not a usable path"
        raise UsageError(
            f"{path}: {reason.lower()}. Give the folder or the .xlsx workbook of the records."
        ) from error


def _sort_places(
    entries: Sequence[tuple[str, Place]], names: Mapping[str, Sequence[str]], label: str
) -> Places | None:
    """Places by table, by our names and the unit's own; None where none is like a table."""
    found: dict[str, tuple[Place, ...]] = {}
    missing: dict[str, tuple[str, ...]] = {}
    for table in TABLES:
        places = []
        for name in names.get(table, (table,)):
            own = name.casefold()
            of_name = [p for n, p in entries if own in (n.strip().casefold(), p.file.casefold())]
            places += of_name
            if table in names and not of_name:
                missing[table] = (*missing.get(table, ()), name)
        if table in names and places:
            places += [p for n, p in entries if n.strip().casefold() == table and p not in places]
        found[table] = tuple(replace(place, name=table) for place in places)
    taken = {place.file for places in found.values() for place in places}
    free = {name: place for name, place in entries if place.file not in taken}
    wanted = [table for table, places in found.items() if not places]
    opened = [*free][:MOST_OPENED] if any(TABLES[table].told_by for table in wanted) else []
    headers = {name: _header(free[name]) for name in opened}
    by_columns = {name: tables_by_columns(header) for name, header in headers.items()}
    groups = _groups(free, headers, by_columns)
    first = likely_tables(wanted, [group[0] for group in groups], by_columns)
    likely = {
        table: tuple(replace(free[other], name=table) for other in group)
        for table, name in first.items()
        for group in groups
        if name == group[0]
    }
    if not taken and not likely:
        return None
    return Places(found, label, likely, free, missing)


def _groups(
    names: Iterable[str],
    headers: Mapping[str, Sequence[str]],
    by_columns: Mapping[str, Mapping[str, int]],
) -> list[list[str]]:
    """Names of one table each, as those of several years are; copies and forms stand alone."""
    groups: list[list[str]] = []
    for name in names:
        header, tables = headers.get(name, ()), by_columns.get(name, {})
        home = next(
            (
                group
                for group in groups
                if tables
                and tables.keys() & by_columns.get(group[0], {}).keys()
                and not any(NO_PART.search(one) for one in (name, group[0]))
                and same_columns(headers[group[0]], header)
            ),
            None,
        )
        if home is None:
            groups.append([name])
        else:
            home.append(name)
    return groups


NO_PART = re.compile(r"(?i)copy|backup|back-up|template|example|blank")


def same_columns(one: Sequence[str], other: Sequence[str]) -> bool:
    """Whether two sheets have most of their columns in common, as those of two years have."""
    names = [{name.casefold() for name in header if name} for header in (one, other)]
    return len(names[0] & names[1]) >= SAME_SHARE * max(map(len, names))


def named(names: Sequence[str]) -> str:
    """Names in a sentence; of many, the first few and how many more."""
    shown = [repr(shortened(name)) for name in names[:MOST_NAMED]]
    if len(names) > MOST_NAMED:
        shown.append(f"{len(names) - MOST_NAMED} more")
    return " and ".join([", ".join(shown[:-1]), *shown[-1:]]) if len(shown) > 1 else "".join(shown)


def _header(place: Place) -> tuple[str, ...]:
    """The column names of a file or sheet, without the rest; empty where they cannot be read."""
    try:
        if place.path.suffix.lower() == ".parquet":
            return parquet_header(place)
        lines = top_of_csv(place) if place.sheet is None else top_of_sheet(place)
        at = max(guess_header(lines, table) for table in TABLES.values())
        return tuple(cell.strip() for cell in lines[at]) if lines else ()
    except (CannotReadError, OSError, ValueError):
        # What is wrong with it is told where the table is read.
        return ()


def _find_files(folder: Path, names: Mapping[str, Sequence[str]]) -> Places:
    try:
        entries = sorted(e for e in folder.iterdir() if not e.name.startswith((".", "~$")))
    except OSError as error:
        raise UsageError(
            f"{folder}: the folder cannot be read ({(error.strerror or '').lower()}). "
            "Give a folder you may read."
        ) from error
    files = [
        (entry.stem, Place("", printable(entry.name), entry))
        for entry in entries
        if entry.suffix.lower() in (".csv", ".parquet")
    ]
    places = _sort_places(files, names, folder.name or str(folder))
    if places is None:
        raise UsageError(f"{folder}: no tables of records in this folder.{_hint(folder, entries)}")
    return places


def _hint(folder: Path, entries: Sequence[Path]) -> str:
    """What to do with a folder that holds no table."""
    workbooks = [entry.name for entry in entries if entry.suffix.lower() == ".xlsx"]
    apart = likely_tables(list(TABLES), [Path(name).stem for name in workbooks])
    if len(apart) > 1:
        return (
            " It holds several workbooks: put their sheets into one, called sources, storage and "
            "trials, or save each as .csv."
        )
    if workbooks:
        return f" Perhaps you mean the workbook {folder / workbooks[0]}"
    older = [e.name for e in entries if e.suffix.lower() in (".xls", ".ods", ".numbers")]
    if older:
        return f" Save {older[0]} as .xlsx, and name that file."
    return " It should hold sources.csv and trials.csv, and storage.csv where moves are logged."


def load_table(place: Place, find_header: FindHeader = in_row_1) -> Cells:
    """The cells of one table, whose column names stand where ``find_header`` says.

    Raises
    ------
    CannotReadError
        If the file or sheet cannot be read as a table.
    """
    try:
        if not place.path.is_file():
            raise CannotReadError(
                "unreadable file", "it is not an ordinary file", "Put the table itself there."
            )
        if place.sheet is not None:
            return load_sheet(place, find_header)
        if place.path.suffix.lower() == ".parquet":
            return load_parquet(place)
        return load_csv(place, find_header)
    except OSError as error:
        raise CannotReadError(
            "unreadable file",
            (error.strerror or "unknown reason").lower(),
            "Make the file readable, and close it in other programs.",
        ) from error
