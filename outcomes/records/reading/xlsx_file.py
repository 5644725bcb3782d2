"""Sheets of a workbook, as a person sees their cells."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import warnings
import zipfile
import zlib
from collections import Counter
from collections.abc import Generator, Sequence
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import Any
from xml.etree import ElementTree
from xml.parsers import expat

import numpy as np
import pandas as pd

from outcomes.records.reading.cells import (
    MAX_COLUMNS,
    ROWS_SEARCHED,
    Array,
    CannotReadError,
    Cells,
    FindHeader,
    Mark,
    Place,
    categories_of,
    in_row_1,
    number_text,
    top_rows,
    uneven_rows,
    without_blanks,
)
from outcomes.records.tables import shortened

MAX_WORKBOOK_BYTES = 300_000_000
MAX_WORKBOOK_PARTS = 5_000
MAX_ROWS, MAX_SHEET_COLUMNS = 1_048_576, 16_384  # what a spreadsheet program can hold
_MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_STRICT = "{http://purl.oclc.org/ooxml/spreadsheetml/main}"
# What reading a damaged archive may raise; OSError, too, where it points before its own start.
_DAMAGED = (
    zipfile.BadZipFile,
    zlib.error,
    ElementTree.ParseError,
    RuntimeError,
    NotImplementedError,
    EOFError,
)
_SAVE_AGAIN = "Look in a spreadsheet program whether all is there, and save it as .xlsx again."


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
    twice = [name for name, times in Counter(archive.namelist()).items() if times > 1]
    if twice:
        archive.close()
        raise CannotReadError(
            "unreadable file",
            f"its part {shortened(twice[0])} is there twice, and one would be lost",
            _SAVE_AGAIN,
        )
    return archive


def sheet_parts(path: Path) -> dict[str, str]:
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
            name = element.attrib.get("name", "")
            if name in sheets:
                raise CannotReadError(
                    "unreadable file",
                    f"two of its sheets are called {shortened(name)!r}",
                    "Give each sheet a name of its own, in a spreadsheet program.",
                )
            sheets[name] = targets.get(relation, "")
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


def load_sheet(place: Place, find_header: FindHeader = in_row_1) -> Cells:
    """The cells of a sheet of a workbook."""
    xml = _part_of(place)
    merged = [m.decode() for m in re.findall(rb'<(?:\w+:)?mergeCell [^>]*ref="([A-Z0-9:]+)"', xml)]
    formulas = re.search(rb"<(?:\w+:)?f[ >/]", xml) is not None
    del xml
    lines = list(_lines(place))
    if not lines:
        raise CannotReadError("empty file", "there is nothing in it", "Fill it in.")
    top = find_header(_texts(lines[:ROWS_SEARCHED]))
    if top >= len(lines):
        raise CannotReadError(
            "no header",
            f"there is no row {top + 1}",
            "Correct header_row in unit.toml.",
            row=top + 1,
        )
    row = top + 1
    heading = next((area for area in merged if re.match(rf"[A-Z]+{row}(:|$)", area)), None)
    if heading is not None:
        raise CannotReadError(
            "merged header",
            f"cells {heading} of row {row} are merged",
            "If they hold a title above the column names, say in unit.toml what the columns are "
            "called, or header_row; otherwise unmerge them and give every column its own name.",
            row=row,
        )
    header = _texts(lines[top:row])[0]
    width = len(header)
    while width and not header[width - 1].strip():
        width -= 1
    body = lines[row:]
    widest = max([width, *(len(line) for line in body)])
    rows = np.arange(row + 1, len(lines) + 1)
    columns = []
    for position in range(widest):
        cells = [line[position] if position < len(line) else None for line in body]
        columns.append(categories_of(pd.Series(cells, dtype=object)))
    marks: list[Mark] = []
    if widest > width:
        marks += uneven_rows(columns, rows, np.full(len(rows), width), width)
    marks += _merged_rows(merged, rows, width)
    if formulas:
        marks += _empty_formulas(place, lines, width, row)
    wider = top_rows(columns, rows) if widest > width else ()
    return without_blanks(place, tuple(header[:width]), columns[:width], rows, marks, wider, row)


def _texts(lines: Sequence[Sequence[str | None]]) -> list[list[str]]:
    return [["" if cell is None else cell for cell in line] for line in lines]


def _part_of(place: Place) -> bytes:
    """The sheet's part of the archive, its rows and cells numbered as they should be."""
    assert place.sheet is not None
    part = sheet_parts(place.path)[place.sheet]
    with _open_workbook(place.path) as archive:
        try:
            xml = archive.read(part)
        except (KeyError, OSError, *_DAMAGED) as error:
            raise CannotReadError(
                "unreadable file", "the sheet is damaged or not a table", "Save it as .xlsx again."
            ) from error
    _check_numbering(xml)
    return xml


def _check_numbering(xml: bytes) -> None:
    """Refuse a sheet whose rows or cells are numbered so that some would be read over others."""
    row = column = 0

    def refuse(what: str) -> None:
        raise CannotReadError("unreadable file", what, _SAVE_AGAIN, row=row or None)

    def begin(tag: str, attributes: dict[str, str]) -> None:
        nonlocal row, column
        if tag == "row":
            before, said = row, attributes.get("r", "")
            row, column = int(said) if said.isdecimal() else before + 1, 0
            if said and not said.isdecimal():
                refuse(f"a row is numbered {shortened(said)!r}")
            if row > MAX_ROWS:
                refuse(f"a row is numbered {row:,}, and no sheet has more than {MAX_ROWS:,}")
            if row <= before:
                refuse(f"row {row} stands after row {before}, so that one would be lost")
        elif tag == "c":
            before, said = column, attributes.get("r", "")
            at = re.fullmatch(r"([A-Z]{1,3})([0-9]{1,7})", said)
            column = before + 1 if at is None else _column_number(at[1])
            if (said and at is None) or (at is not None and int(at[2]) != row):
                refuse(f"a cell of row {row} is called {shortened(said)!r}")
            if not before < column <= MAX_SHEET_COLUMNS:
                refuse(f"the cells of row {row} are not in order, so that one would be lost")

    def refuse_entities(*_: object) -> None:
        refuse("it declares XML entities, which no workbook needs")

    parser = expat.ParserCreate()
    parser.StartElementHandler = lambda tag, of: begin(tag.rpartition(":")[2], of)
    parser.StartDoctypeDeclHandler = refuse_entities
    try:
        parser.Parse(xml, True)
    except expat.ExpatError as error:
        raise CannotReadError(
            "unreadable file", "the sheet is damaged or not a table", "Save it as .xlsx again."
        ) from error


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number


def top_of_sheet(place: Place) -> list[list[str]]:
    """The first rows of a sheet, without reading the rest."""
    _part_of(place)
    with contextlib.closing(_lines(place)) as lines:
        return _texts(list(islice(lines, ROWS_SEARCHED)))


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


def _empty_formulas(
    place: Place, lines: Sequence[Sequence[str | None]], width: int, header_row: int
) -> list[Mark]:
    """Formulas whose result the file does not hold: they would read as empty cells."""
    marks = []
    for at, line in enumerate(_lines(place, formulas=True)):
        if at < header_row:
            continue
        shown = lines[at] if at < len(lines) else ()
        for position, cell in enumerate(line[:width]):
            value = shown[position] if position < len(shown) else None
            if cell is not None and value is None:
                marks.append(Mark("formula without a value", at + 1, position, cell))
    return marks
