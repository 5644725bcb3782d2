"""Sheets of a workbook, as a person sees their cells."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import warnings
import zipfile
import zlib
from collections.abc import Generator, Sequence
from pathlib import Path, PurePosixPath
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd

from outcomes.records.reading.cells import (
    MAX_COLUMNS,
    Array,
    CannotReadError,
    Cells,
    Mark,
    Place,
    categories_of,
    number_text,
    top_rows,
    uneven_rows,
    without_blanks,
)

MAX_WORKBOOK_BYTES = 300_000_000
MAX_WORKBOOK_PARTS = 5_000
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


def load_sheet(place: Place) -> Cells:
    """The cells of a sheet of a workbook."""
    assert place.sheet is not None
    part = sheet_parts(place.path)[place.sheet]
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
        columns.append(categories_of(pd.Series(cells, dtype=object)))
    marks: list[Mark] = []
    if widest > width:
        marks += uneven_rows(columns, rows, np.full(len(rows), width), width)
    marks += _merged_rows(merged, rows, width)
    if formulas:
        marks += _empty_formulas(place, lines, width)
    top = top_rows(columns, rows) if widest > width else ()
    return without_blanks(place, tuple(header[:width]), columns[:width], rows, marks, top)


def sheet_header(place: Place) -> tuple[str, ...]:
    """The column names of a sheet alone, without reading the rest."""
    with contextlib.closing(_lines(place)) as lines:
        return tuple((cell or "").strip() for cell in next(lines, []))


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
