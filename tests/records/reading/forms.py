"""The forms a unit may hand its records over in, and whether two hold the same."""

import datetime as dt
from pathlib import Path

import openpyxl
import pandas as pd

from outcomes.records.reading.values import read_column
from outcomes.settings import RecordsSettings

TODAY = dt.date(2026, 3, 14)


def read(column, texts, **settings):
    """Cells of a column of trials, as they are read."""
    cells = pd.Series(pd.Categorical(list(texts)))
    return read_column(column, cells, RecordsSettings(**settings), "trials")


def same(one: pd.DataFrame, other: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(
        one.drop(columns="file"), other.drop(columns="file")[list(one.drop(columns="file"))]
    )


def workbook(path: Path, tables: dict, convert=lambda column, text: text or None) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in tables.items():
        sheet = book.create_sheet(name)
        columns = list(dict.fromkeys(c for row in rows for c in row))
        sheet.append(columns)
        for row in rows:
            sheet.append([convert(column, row.get(column, "")) for column in columns])
    book.save(path)
    return path


def typed(column: str, text: str):
    """Cells as a spreadsheet program holds them: real dates and numbers."""
    if not text:
        return None
    if column.endswith(("_at", "_on")):
        return dt.datetime.fromisoformat(text)
    try:
        return float(text)
    except ValueError:
        return text
