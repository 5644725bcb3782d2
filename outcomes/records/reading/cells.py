"""A table as handed over: its cells, nothing of them interpreted.

A text column is a categorical of the texts that occur in it (so that later
steps look at each distinct text once); a column that the file itself types is
``datetime64[ns]`` or ``float64``. A cell that is not there has no category.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

Array = npt.NDArray[Any]
MAX_COLUMNS = 500
MAX_CELL = 32_767  # what a spreadsheet program can hold in one cell
ROWS_SEARCHED = 10


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
    file: str | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """Where a table can be read: a file, or a sheet of a workbook."""

    name: str
    file: str
    path: Path
    sheet: str | None = None


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
        The rows after the column names whole, as (row, cells), where rows are wider.
    header_row
        The row that the column names stand in.
    files
        The file of each row, shape (n,), where there are several; else None.
    """

    name: str
    file: str
    header: tuple[str, ...]
    columns: tuple[pd.Series[Any], ...]
    rows: Array
    marks: tuple[Mark, ...] = ()
    top: tuple[tuple[int, frozenset[str]], ...] = ()
    header_row: int = 1
    files: Array | None = None


FindHeader = Callable[[Sequence[Sequence[str]]], int]
"""The first rows of a sheet → position of the one that holds the column names."""


def in_row_1(_: Sequence[Sequence[str]]) -> int:
    """The column names stand in the first row."""
    return 0


def top_rows(
    columns: Sequence[pd.Series[Any]], rows: Array
) -> tuple[tuple[int, frozenset[str]], ...]:
    """The first rows below the header with all their cells."""
    return tuple(
        (int(row), frozenset(str(column.iloc[at]).strip() for column in columns))
        for at, row in enumerate(rows[:ROWS_SEARCHED])
    )


def uneven_rows(
    columns: Sequence[pd.Series[Any]], rows: Array, lengths: Array, width: int
) -> list[Mark]:
    """Rows with fewer cells than the header, and rows with text beyond its last name."""
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


def categories_of(texts: pd.Series[Any]) -> pd.Series[Any]:
    """A column of texts as a categorical of those that occur."""
    codes, uniques = pd.factorize(texts.to_numpy(dtype=object))
    return from_codes(codes, uniques)


def from_codes(codes: Array, uniques: Array) -> pd.Series[Any]:
    """A categorical column from codes and distinct texts; -1 is no cell."""
    return pd.Series(
        pd.Categorical.from_codes(codes, categories=pd.Index(uniques, dtype=object), validate=False)
    )


def _blank(column: pd.Series[Any]) -> Array:
    if isinstance(column.dtype, pd.CategoricalDtype):
        empty = np.array([not text.strip() for text in column.cat.categories], dtype=bool)
        hit: Array = np.append(empty, True)[column.cat.codes.to_numpy()]
        return hit
    return column.isna().to_numpy()


def without_blanks(
    place: Place,
    header: tuple[str, ...],
    columns: Sequence[pd.Series[Any]],
    rows: Array,
    marks: Sequence[Mark],
    top: tuple[tuple[int, frozenset[str]], ...] = (),
    header_row: int = 1,
) -> Cells:
    """The table without blank rows, and without columns that have neither name nor cell."""
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
    names = tuple(printable(name).strip() for name in header)
    columns, marks = _without_controls(columns, rows, marks)
    if not any(names):
        raise CannotReadError(
            "no header",
            f"row {header_row} is blank",
            "Put the column names in row 1.",
            row=header_row,
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
        header_row=header_row,
    )


_CONTROLS = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]")


def printable(text: str) -> str:
    r"""A text with a mark in the place of each control character, which no file may hold.

    >>> printable("Re\x1bx")
    'Re\ufffdx'
    """
    return _CONTROLS.sub("\ufffd", text)


def _without_controls(
    columns: Sequence[pd.Series[Any]], rows: Array, marks: Sequence[Mark]
) -> tuple[list[pd.Series[Any]], list[Mark]]:
    """Cells without control characters, and a mark for each row that had some."""
    kept, hit = [], np.zeros(len(rows), dtype=bool)
    for column in columns:
        if isinstance(column.dtype, pd.CategoricalDtype):
            codes, texts = texts_of(column)
            bad = np.array([*(bool(_CONTROLS.search(text)) for text in texts), False])
            if bad.any():
                hit |= bad[codes]
                seen = np.array([*map(printable, texts), None], dtype=object)[codes]
                column = categories_of(pd.Series(seen, dtype=object))
        kept.append(column)
    return kept, [*marks, *(Mark("control characters", int(r), None, None) for r in rows[hit])]


def number_text(number: float) -> str:
    """A number as people write it: whole numbers without a point."""
    number = float(number)
    if number.is_integer() and abs(number) < 1e15:
        return str(int(number))
    return f"{number:.12g}"


def clean(text: str) -> str:
    """Trimmed, and with accented letters in one form (NFC), so that equal looks are equal."""
    text = text.strip().strip("\u200b\ufeff").strip()
    return text if text.isascii() else unicodedata.normalize("NFC", text)


def texts_of(cells: pd.Series[Any]) -> tuple[Array, list[str]]:
    """Code of each cell (-1 = no cell) and the distinct texts; typed cells are written out."""
    if isinstance(cells.dtype, pd.CategoricalDtype):
        return cells.cat.codes.to_numpy(), list(cells.cat.categories)
    codes, uniques = pd.factorize(cells.to_numpy())
    if pd.api.types.is_datetime64_any_dtype(cells.dtype):
        return codes, [time_text(value) for value in pd.DatetimeIndex(uniques)]
    return codes, [number_text(value) for value in uniques]


def time_text(time: pd.Timestamp) -> str:
    """A time as people write it; midnight is a date."""
    return time.strftime("%Y-%m-%d") if time == time.normalize() else time.isoformat(sep=" ")


def shown(cells: pd.Series[Any], at: Array) -> list[str | None]:
    """The texts of some cells as handed over; None where empty."""
    taken = cells.iloc[at]
    if isinstance(taken.dtype, pd.CategoricalDtype):
        return [text or None for text in taken.astype(object).where(taken.notna(), None)]
    codes, texts = texts_of(taken)
    return [None if code < 0 else texts[code] for code in codes.tolist()]
