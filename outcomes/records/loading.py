"""Files → tables of cells, exactly as handed over; nothing is interpreted here.

A text column is a categorical of the texts that occur in it (so that later
steps look at each distinct text once); a column that the file itself types is
``datetime64[ns]`` or ``float64``. A cell that is not there has no category.
"""

from __future__ import annotations

import codecs
import contextlib
import csv
import datetime as dt
import io
import re
import stat
import warnings
import zipfile
import zlib
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import UsageError
from outcomes.records.columns import TABLES
from outcomes.records.likely import likely_tables, tables_by_columns
from outcomes.records.tables import shortened

Array = npt.NDArray[Any]

MAX_TEXT_BYTES = 2_000_000_000
MAX_WORKBOOK_BYTES = 300_000_000
MAX_WORKBOOK_PARTS = 5_000
MAX_PARQUET_BYTES = 8_000_000_000
MAX_ROWS = 20_000_000
MAX_COLUMNS = 500
ROWS_SEARCHED = 10
MOST_OPENED = 20  # files or sheets of other names that are looked into for their columns
MOST_NAMED = 8
MAX_CELL = 32_767  # what a spreadsheet program can hold in one cell

_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_STRICT = "{http://purl.oclc.org/ooxml/spreadsheetml/main}"


class CannotReadError(Exception):
    """A file cannot be read as a table: the reason, and what would mend it."""

    def __init__(self, rule: str, reason: str, mend: str, row: int | None = None) -> None:
        super().__init__(reason)
        self.rule, self.reason, self.mend, self.row = rule, reason, mend, row


@dataclass(frozen=True, slots=True)
class Mark:
    """Something the file itself shows to be wrong or worth saying about one row (or all)."""

    rule: str
    row: int | None
    position: int | None
    value: str | None


@dataclass(frozen=True, slots=True)
class Cells:
    """One table as handed over, without its blank rows.

    Attributes
    ----------
    name, file
        Table of the contract; the file (and sheet) as people know it.
    header
        Column names, trimmed; shape (k,).
    columns
        Cells of each column, k series of equal length n.
    rows
        Row numbers as in the spreadsheet (header = row 1), shape (n,).
    marks
        What the file itself shows.
    top
        Rows 2 to 11 whole, as (row, cells), where rows are wider than row 1.
    """

    name: str
    file: str
    header: tuple[str, ...]
    columns: tuple[pd.Series[Any], ...]
    rows: Array
    marks: tuple[Mark, ...] = ()
    top: tuple[tuple[int, frozenset[str]], ...] = ()


@dataclass(frozen=True, slots=True)
class Place:
    """Where a table can be read: a file, or a sheet of a workbook."""

    name: str
    file: str
    path: Path
    sheet: str | None = None


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
        Table without a place → the place of another name that is most like it.
    others
        Names of the files or sheets that are no table by name.
    """

    found: Mapping[str, tuple[Place, ...]]
    label: str
    likely: Mapping[str, Place]
    others: tuple[str, ...] = ()


def find_tables(path: Path, names: Mapping[str, str] | None = None) -> Places:
    """Find the tables in a folder or a workbook.

    Parameters
    ----------
    path
        Folder of ``.csv`` and ``.parquet`` files, or one ``.xlsx`` workbook.
    names
        Table → the unit's own name for its file or sheet, where it has one.

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
        (sheet, Place("", f"{path.name}, sheet {sheet}", path, sheet))
        for sheet in _sheet_parts(path)
    ]
    places = _sort_places(sheets, names or {}, path.name)
    if places is None:
        raise UsageError(
            f"{path}: no sheet is called sources, storage, trials, dogs or readings; there "
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
    entries: Sequence[tuple[str, Place]], names: Mapping[str, str], label: str
) -> Places | None:
    """Places by table, by our names and the unit's own; None where none is like a table."""
    found: dict[str, tuple[Place, ...]] = {}
    for table in TABLES:
        own = names.get(table, table).casefold()
        places = [p for n, p in entries if own in (n.strip().casefold(), p.file.casefold())]
        if table in names and places:
            places += [p for n, p in entries if n.strip().casefold() == table and p not in places]
        found[table] = tuple(replace(place, name=table) for place in places)
    taken = {place.file for places in found.values() for place in places}
    free = {name: place for name, place in entries if place.file not in taken}
    wanted = [table for table, places in found.items() if not places]
    opened = [*free][:MOST_OPENED] if any(TABLES[table].needed for table in wanted) else []
    by_columns = {name: tables_by_columns(_header(free[name])) for name in opened}
    likely = {
        table: replace(free[name], name=table)
        for table, name in likely_tables(wanted, list(free), by_columns).items()
    }
    if not taken and not likely:
        return None
    return Places(found, label, likely, tuple(free))


def named(names: Sequence[str]) -> str:
    """Names in a sentence; of many, the first few and how many more."""
    shown = [repr(shortened(name)) for name in names[:MOST_NAMED]]
    if len(names) > MOST_NAMED:
        shown.append(f"{len(names) - MOST_NAMED} more")
    return " and ".join([", ".join(shown[:-1]), *shown[-1:]]) if len(shown) > 1 else "".join(shown)


def _header(place: Place) -> tuple[str, ...]:
    """The column names of a file or sheet, without the rest; empty where they cannot be read."""
    try:
        if place.sheet is not None:
            with contextlib.closing(_lines(place)) as lines:
                return tuple((cell or "").strip() for cell in next(lines, []))
        if place.path.suffix.lower() == ".parquet":
            import pyarrow.parquet as pq

            return tuple(pq.read_schema(place.path).names)
        with place.path.open("rb") as file:
            data = _as_utf8(file.read(MAX_CELL * 4))[0]
        first = re.sub(rb"^sep=[,;\t]\r?\n", b"", data).decode("utf-8", errors="ignore")
        cells = next(csv.reader(io.StringIO(first, newline=""), delimiter=_separator(first)), [])
        return tuple(cell.strip() for cell in cells)
    except (CannotReadError, OSError, ValueError, csv.Error):
        # What is wrong with it is told where the table is read.
        return ()


def _find_files(folder: Path, names: Mapping[str, str]) -> Places:
    try:
        entries = sorted(e for e in folder.iterdir() if not e.name.startswith((".", "~$")))
    except OSError as error:
        raise UsageError(
            f"{folder}: the folder cannot be read ({(error.strerror or '').lower()}). "
            "Give a folder you may read."
        ) from error
    files = [
        (entry.stem, Place("", entry.name, entry))
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
    return " It should hold sources.csv, storage.csv and trials.csv."


def load_table(place: Place) -> Cells:
    """The cells of one table.

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
            return _load_sheet(place)
        if place.path.suffix.lower() == ".parquet":
            return _load_parquet(place)
        return _load_csv(place)
    except OSError as error:
        raise CannotReadError(
            "unreadable file",
            (error.strerror or "unknown reason").lower(),
            "Make the file readable, and close it in other programs.",
        ) from error


# --- text -----------------------------------------------------------------------------------


def _load_csv(place: Place) -> Cells:
    if place.path.stat().st_size > MAX_TEXT_BYTES:
        raise CannotReadError(
            "unreadable file",
            f"it is larger than {MAX_TEXT_BYTES // 1_000_000_000} GB",
            "Split the records by year.",
        )
    data, marks = _as_utf8(place.path.read_bytes())
    # A line by which a spreadsheet program is told the separator, and which it does not show.
    stated = re.match(rb"sep=([,;\t])\r?\n", data)
    if stated is not None:
        data = data[stated.end() :]
    if not data.strip():
        raise CannotReadError("empty file", "there is nothing in it", "Fill it in.")
    if data[:1] in b"\r\n":
        raise CannotReadError(
            "no header", "row 1 is blank", "Put the column names in row 1.", row=1
        )
    first = data[: MAX_CELL * 4].decode("utf-8", errors="ignore")
    separator = _separator(first) if stated is None else stated[1].decode()
    lengths = _record_lengths(data, separator)
    width = int(lengths[0])
    widest = int(lengths.max())
    if widest > MAX_COLUMNS:
        raise CannotReadError(
            "unreadable file",
            f"a row has {widest} cells, more than {MAX_COLUMNS}",
            "Keep to the columns of the records; check for stray separators.",
            row=int(lengths.argmax()) + 1,
        )
    try:
        frame = pd.read_csv(
            io.BytesIO(data),
            encoding="utf-8",
            sep=separator,
            header=None,
            names=list(range(widest)),
            dtype=str,
            na_filter=False,
            skip_blank_lines=False,
            index_col=False,
            low_memory=False,
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise CannotReadError(
            "unreadable file",
            f"it does not read as a table ({str(error).strip().splitlines()[-1]})",
            "Open it in a spreadsheet program and save it as CSV again.",
        ) from error
    if len(frame) != len(lengths):
        raise CannotReadError(
            "unreadable file",
            "a quotation mark is opened and never closed",
            "Look for a lone quotation mark, and save the file as CSV again.",
        )
    header = tuple(str(cell) for cell in frame.iloc[0, :width])
    body = frame.iloc[1:].reset_index(drop=True)
    columns = [_categories(body[position]) for position in range(widest)]
    rows = np.arange(2, len(body) + 2)
    lengths = lengths[1:]
    if (lengths != width).any():
        marks += _uneven_rows(columns, rows, lengths, width)
    if len(frame) != data.count(b"\n") + (not data.endswith(b"\n")):
        marks += _swallowed_rows(columns[:width], rows, separator, width)
    top = _top(columns, rows) if widest > width else ()
    return _without_blanks(place, header, columns[:width], rows, marks, top)


def _top(columns: Sequence[pd.Series[Any]], rows: Array) -> tuple[tuple[int, frozenset[str]], ...]:
    """The first rows below the header with all their cells."""
    return tuple(
        (int(row), frozenset(str(column.iloc[at]).strip() for column in columns))
        for at, row in enumerate(rows[:ROWS_SEARCHED])
    )


def _as_utf8(data: bytes) -> tuple[bytes, list[Mark]]:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encodings = ["utf-16"]
    elif b"\x00" in data:
        raise CannotReadError(
            "unreadable file",
            "it holds NUL characters, so it is not a text file",
            "Save it as CSV UTF-8.",
        )
    else:
        data = data.removeprefix(codecs.BOM_UTF8)
        if data.isascii():
            return data, []
        encodings = ["utf-8", "cp1252"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeError:
            continue
        if "\x00" in text:
            break
        marks = [Mark("Windows-1252 text", None, None, None)] if encoding == "cp1252" else []
        return data if encoding == "utf-8" else text.encode(), marks
    raise CannotReadError(
        "unreadable file",
        "its characters are neither UTF-8, UTF-16 nor Windows-1252",
        "Save it as CSV UTF-8.",
    )


def _separator(first: str) -> str:
    """Comma, semicolon or tab: whichever the header row has most of, outside quotation marks."""
    header = re.split(r"[\r\n]", re.sub(r'"[^"]*"', "", first), maxsplit=1)[0]
    return max((",", ";", "\t"), key=header.count)


def _record_lengths(data: bytes, separator: str) -> Array:
    """Number of cells of each record, blank lines (0 cells) included."""
    if b'"' not in data and data.count(b"\r") == data.count(b"\r\n"):
        # No quotation marks: every line is a record, and counting characters will do.
        mark = separator.encode()
        return np.fromiter(
            (line.count(mark) + 1 if line.strip(b"\r\n") else 0 for line in io.BytesIO(data)),
            np.int64,
        )
    text = io.TextIOWrapper(io.BytesIO(data), encoding="utf-8", newline="")
    try:
        return np.fromiter(
            (len(record) for record in csv.reader(text, delimiter=separator)), np.int64
        )
    except csv.Error as error:
        raise CannotReadError(
            "unreadable file",
            f"it does not read as a table ({error})",
            "Look for a lone quotation mark, and save the file as CSV again.",
            row=None,
        ) from error


def _uneven_rows(
    columns: Sequence[pd.Series[Any]], rows: Array, lengths: Array, width: int
) -> list[Mark]:
    marks = [
        Mark("fewer cells than the header", int(row), None, None)
        for row in rows[(lengths < width) & (lengths > 1)]
    ]
    beyond = np.zeros(len(rows), dtype=bool)
    for column in columns[width:]:
        beyond |= ~_blank(column)
    for position in np.flatnonzero(beyond):
        cell = next(str(c.iloc[position]) for c in columns[width:] if str(c.iloc[position]).strip())
        marks.append(Mark("more cells than the header", int(rows[position]), None, cell))
    return marks


def _swallowed_rows(
    columns: Sequence[pd.Series[Any]], rows: Array, separator: str, width: int
) -> list[Mark]:
    """Cells whose text holds whole further rows: a quotation mark was left open."""
    marks = []
    # What is swallowed begins and ends within a row, so a line of it may be half of one.
    few = max(min(width - 2, width // 2), 1)
    for position, column in enumerate(columns):
        swallowing = np.array(
            [
                "\n" in text and any(line.count(separator) >= few for line in text.splitlines())
                for text in column.cat.categories
            ],
            dtype=bool,
        )
        if swallowing.any():
            hit = np.append(swallowing, False)[column.cat.codes.to_numpy()]
            marks += [
                Mark("open quotation mark", int(rows[at]), position, str(column.iloc[at]))
                for at in np.flatnonzero(hit)
            ]
    return marks


def _categories(texts: pd.Series[Any]) -> pd.Series[Any]:
    codes, uniques = pd.factorize(texts.to_numpy(dtype=object))
    return _from_codes(codes, uniques)


def _from_codes(codes: Array, uniques: Array) -> pd.Series[Any]:
    return pd.Series(
        pd.Categorical.from_codes(codes, categories=pd.Index(uniques, dtype=object), validate=False)
    )


def _blank(column: pd.Series[Any]) -> Array:
    if isinstance(column.dtype, pd.CategoricalDtype):
        empty = np.array([not text.strip() for text in column.cat.categories], dtype=bool)
        hit: Array = np.append(empty, True)[column.cat.codes.to_numpy()]
        return hit
    return column.isna().to_numpy()


def _without_blanks(
    place: Place,
    header: tuple[str, ...],
    columns: Sequence[pd.Series[Any]],
    rows: Array,
    marks: Sequence[Mark],
    top: tuple[tuple[int, frozenset[str]], ...] = (),
) -> Cells:
    blank = np.ones(len(rows), dtype=bool)
    for column in columns:
        blank &= _blank(column)
        if not blank.any():
            break
    if blank.any():
        columns = [column[~blank].reset_index(drop=True) for column in columns]
        dropped = set(rows[blank].tolist())
        marks = [mark for mark in marks if mark.row not in dropped]
        rows = rows[~blank]
    names = tuple(name.strip() for name in header)
    if not any(names):
        raise CannotReadError(
            "no header", "row 1 is blank", "Put the column names in row 1.", row=1
        )
    # A column without a name and without a cell is only formatting.
    keep = [i for i, name in enumerate(names) if name or not _blank(columns[i]).all()]
    moved = {old: new for new, old in enumerate(keep)}
    return Cells(
        name=place.name,
        file=place.file,
        header=tuple(names[i] for i in keep),
        columns=tuple(columns[i] for i in keep),
        rows=rows,
        marks=tuple(
            Mark(m.rule, m.row, moved.get(m.position), m.value) if m.position is not None else m
            for m in marks
        ),
        top=top,
    )


# --- workbooks ------------------------------------------------------------------------------


# What reading a damaged archive may raise; OSError, too, where it points before its own start.
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    ElementTree.ParseError,
    RuntimeError,
    NotImplementedError,
    EOFError,
)


def _open_workbook(path: Path) -> zipfile.ZipFile:
    """The workbook's archive, after looking at the sizes it declares.

    ``zipfile`` never hands out more than the declared size of a part, so what
    is declared bounds what is read.
    """
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise CannotReadError(
            "unreadable file",
            "it is not an .xlsx workbook (an older .xls, a password or a damaged file)",
            "Save it as .xlsx without a password.",
        ) from error
    parts = archive.infolist()
    declared = sum(part.file_size for part in parts)
    if declared > MAX_WORKBOOK_BYTES or len(parts) > MAX_WORKBOOK_PARTS:
        archive.close()
        raise CannotReadError(
            "unreadable file",
            f"unpacked it would hold {declared / 1e6:,.0f} MB in {len(parts)} parts, more than "
            f"{MAX_WORKBOOK_BYTES // 1_000_000} MB or {MAX_WORKBOOK_PARTS} parts",
            "Save large tables as .csv or .parquet files in one folder.",
        )
    return archive


def _sheet_parts(path: Path) -> dict[str, str]:
    """Sheet name → its part in the archive."""
    try:
        with _open_workbook(path) as archive:
            for part in archive.namelist():
                if part.endswith((".xml", ".rels")):
                    with archive.open(part) as stream:
                        if b"<!DOCTYPE" in stream.read(2_000):
                            raise CannotReadError(
                                "unreadable file",
                                "it declares XML entities, which no workbook needs",
                                "Save it anew from a spreadsheet program.",
                            )
            root = _main_part(archive)
            targets = _targets(archive, root)
            book = ElementTree.fromstring(archive.read(root))
    except (KeyError, OSError, *_DAMAGED) as error:
        raise CannotReadError(
            "unreadable file", "it is damaged or not a workbook", "Save it as .xlsx again."
        ) from error
    sheets = {}
    for element in book.iter():
        if element.tag in (f"{_MAIN}sheet", f"{_STRICT}sheet"):
            relation = next((v for k, v in element.attrib.items() if k.endswith("}id")), "")
            sheets[element.attrib.get("name", "")] = targets.get(relation, "")
    return sheets


def _main_part(archive: zipfile.ZipFile) -> str:
    rels = ElementTree.fromstring(archive.read("_rels/.rels"))
    for relation in rels:
        if relation.attrib.get("Type", "").endswith("/officeDocument"):
            return relation.attrib["Target"].lstrip("/")
    raise KeyError("officeDocument")


def _targets(archive: zipfile.ZipFile, root: str) -> dict[str, str]:
    folder = PurePosixPath(root).parent
    rels = ElementTree.fromstring(
        archive.read(str(folder / "_rels" / (PurePosixPath(root).name + ".rels")))
    )
    targets = {}
    for relation in rels:
        target = relation.attrib.get("Target", "")
        whole = target.lstrip("/") if target.startswith("/") else str(folder / target)
        targets[relation.attrib.get("Id", "")] = whole
    return targets


def _load_sheet(place: Place) -> Cells:
    assert place.sheet is not None
    part = _sheet_parts(place.path)[place.sheet]
    with _open_workbook(place.path) as archive:
        try:
            xml = archive.read(part)
        except (KeyError, OSError, *_DAMAGED) as error:
            raise CannotReadError(
                "unreadable file", "the sheet is damaged or not a table", "Save it as .xlsx again."
            ) from error
    merged = [m.decode() for m in re.findall(rb'<(?:\w+:)?mergeCell [^>]*ref="([A-Z0-9:]+)"', xml)]
    formulas = re.search(rb"<(?:\w+:)?f[ >/]", xml) is not None
    del xml
    heading = next((area for area in merged if re.match(r"[A-Z]+1(:|$)", area)), None)
    if heading is not None:
        raise CannotReadError(
            "merged header",
            f"cells {heading} of row 1 are merged",
            "If they hold a title, remove the rows above the column names, so that the names stand "
            "in row 1; otherwise unmerge them and give every column its own name.",
            row=1,
        )
    lines = list(_lines(place))
    if not lines:
        raise CannotReadError("empty file", "there is nothing in it", "Fill it in.")
    header = [("" if cell is None else cell) for cell in lines[0]]
    width = len(header)
    while width and not header[width - 1].strip():
        width -= 1
    body = lines[1:]
    widest = max([width, *(len(line) for line in body)])
    rows = np.arange(2, len(body) + 2)
    columns = []
    for position in range(widest):
        cells = [line[position] if position < len(line) else None for line in body]
        columns.append(_categories(pd.Series(cells, dtype=object)))
    marks: list[Mark] = []
    if widest > width:
        marks += _uneven_rows(columns, rows, np.full(len(rows), width), width)
    marks += _merged_rows(merged, rows, width)
    if formulas:
        marks += _empty_formulas(place, lines, width)
    top = _top(columns, rows) if widest > width else ()
    return _without_blanks(place, tuple(header[:width]), columns[:width], rows, marks, top)


def _lines(place: Place, *, formulas: bool = False) -> Generator[list[str | None], None, None]:
    """Rows of a sheet as texts, as a person sees them; trailing empty rows are left off."""
    import openpyxl

    pending = 0
    try:
        # Opened here: openpyxl leaves a file of its own open where the workbook is damaged.
        with place.path.open("rb") as file, warnings.catch_warnings():
            # openpyxl warns of workbook features it leaves out; none bears on the cells.
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(file, read_only=True, data_only=not formulas)
            try:
                sheet = book[place.sheet]
                # The extent a file declares may be wrong, and absurdly large.
                sheet.reset_dimensions()
                for row in sheet.iter_rows():
                    line = [_cell_text(cell) for cell in row]
                    while line and line[-1] is None:
                        line.pop()
                    if len(line) > MAX_COLUMNS:
                        raise CannotReadError(
                            "unreadable file",
                            f"it uses more than {MAX_COLUMNS} columns",
                            "Keep to the columns of the records; clear stray cells to the right.",
                        )
                    if not line:
                        pending += 1
                        continue
                    yield from ([] for _ in range(pending))
                    pending = 0
                    yield line
            finally:
                book.close()
    except CannotReadError:
        raise
    except Exception as error:
        # openpyxl meets a damaged workbook with errors of every kind.
        raise CannotReadError(
            "unreadable file",
            f"the sheet is damaged ({type(error).__name__})",
            "Open it in a spreadsheet program and save it as .xlsx again.",
        ) from error


def _cell_text(cell: Any) -> str | None:
    value = cell.value
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        percent = isinstance(value, float | int) and "%" in (cell.number_format or "")
        return number_text(value * 100 if percent else value)
    if isinstance(value, dt.datetime):
        # Spreadsheets hold times as fractions of a day; whole seconds are what was typed.
        whole = (value + dt.timedelta(microseconds=500_000)).replace(microsecond=0)
        return whole.isoformat(sep=" ") if whole.time() != dt.time() else whole.date().isoformat()
    if isinstance(value, dt.date):
        return value.isoformat()
    shown_seconds = "s" in (cell.number_format or "").lower()
    if isinstance(value, dt.time):
        value = dt.timedelta(hours=value.hour, minutes=value.minute, seconds=value.second)
    if isinstance(value, dt.timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        clock = f"{minutes // 60}:{minutes % 60:02d}"
        return f"{clock}:{seconds:02d}" if shown_seconds or seconds else clock
    return str(value)


def number_text(number: float) -> str:
    """A number as people write it: whole numbers without a point."""
    number = float(number)
    if number.is_integer() and abs(number) < 1e15:
        return str(int(number))
    return f"{number:.12g}"


def _merged_rows(merged: Sequence[str], rows: Array, width: int) -> list[Mark]:
    from openpyxl.utils import range_boundaries

    marks = []
    for area in merged:
        left, top, _, bottom = range_boundaries(area)
        if left > width:
            continue
        last = min(bottom, int(rows[-1]) if len(rows) else 0)
        marks += [Mark("merged cells", row, left - 1, area) for row in range(max(top, 2), last + 1)]
    return marks


def _empty_formulas(place: Place, lines: Sequence[Sequence[str | None]], width: int) -> list[Mark]:
    """Formulas whose result the file does not hold: they would read as empty cells."""
    marks = []
    for at, line in enumerate(_lines(place, formulas=True)):
        if at == 0:
            continue
        shown = lines[at] if at < len(lines) else ()
        for position, cell in enumerate(line[:width]):
            value = shown[position] if position < len(shown) else None
            if cell is not None and value is None:
                marks.append(Mark("formula without a value", at + 1, position, cell))
    return marks


# --- parquet --------------------------------------------------------------------------------


def _load_parquet(place: Place) -> Cells:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        file = pq.ParquetFile(place.path)
        meta = file.metadata
        unpacked = sum(meta.row_group(i).total_byte_size for i in range(meta.num_row_groups))
        if unpacked > MAX_PARQUET_BYTES or meta.num_rows > MAX_ROWS:
            raise CannotReadError(
                "unreadable file",
                f"it declares {meta.num_rows:,} rows and {unpacked / 1e9:,.1f} GB unpacked",
                "Split the records by year.",
            )
        table = file.read(use_pandas_metadata=False)
    except (pa.ArrowException, ValueError) as error:
        raise CannotReadError(
            "unreadable file",
            "it is damaged or not a parquet file",
            "Write it again, or save the table as .csv.",
        ) from error
    header, columns = [], []
    for name, column in zip(table.column_names, table.columns, strict=True):
        if not re.fullmatch(r"__index_level_\d+__", name):
            header.append(name)
            columns.append(_arrow_cells(name, column))
    if not header:
        raise CannotReadError("empty file", "there is nothing in it", "Fill it in.")
    rows = np.arange(2, table.num_rows + 2)
    return _without_blanks(place, tuple(header), columns, rows, [])


def _arrow_cells(name: str, column: Any) -> pd.Series[Any]:
    import pyarrow as pa
    import pyarrow.compute as pc

    kind = column.type
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
        column = column.cast(kind)
    try:
        if pa.types.is_date(kind) or (pa.types.is_timestamp(kind) and kind.tz is None):
            times = column.cast(pa.timestamp("us"), safe=False).to_pandas()
            beyond = (times < pd.Timestamp.min) | (times > pd.Timestamp.max)
            if not beyond.any():
                return pd.Series(times.to_numpy().astype("datetime64[ns]"))
            column = column.cast(pa.string())
        elif pa.types.is_boolean(kind):
            column = pc.if_else(column, "yes", "no")
        elif pa.types.is_floating(kind) or pa.types.is_decimal(kind):
            return pd.Series(column.cast(pa.float64(), safe=False).to_numpy())
        elif not pa.types.is_null(kind):
            column = column.cast(pa.string())
    except (pa.ArrowException, ValueError) as error:
        raise CannotReadError(
            "unreadable file",
            f"column {name} holds {kind}, not numbers, times or text",
            "Write one plain value per cell.",
        ) from error
    if pa.types.is_null(column.type):
        return _from_codes(np.full(len(column), -1), np.array([], dtype=object))
    coded = column.combine_chunks().dictionary_encode()
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    codes = coded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    return _from_codes(codes, coded.dictionary.to_numpy(zero_copy_only=False))
