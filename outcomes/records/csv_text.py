"""Tables as CSV whose text a spreadsheet program shows and never runs."""

from __future__ import annotations

import re
from typing import Any

import pandas as pd

# What a spreadsheet program takes for the start of a formula, unless it is a plain number.
# Full-width signs are read as the plain ones in some languages, and leading blanks are passed over.
_SIGNS = "=+\\-@\uff1d\uff0b\uff0d\uff20"
_FORMULA = re.compile(rf"[\s\u200b-\u200f\u2060\ufeff]*[{_SIGNS}]|[\t\r]")
# Where a semicolon or a tab parts columns, what follows one begins a cell of its own.
_IN_TEXT = re.compile(rf"([;\t]\s*)(?=[{_SIGNS}])")
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")


def csv_bytes(table: pd.DataFrame) -> bytes:
    """A table as CSV in UTF-8, lines ended by a newline alone, without its index.

    A text that begins with ``=``, ``+``, ``-``, ``@`` (full-width too, after blanks too) or a
    control character, and is no plain number, has an apostrophe put before it, here and in
    the names of columns: opened in a spreadsheet program it would be run as a formula
    otherwise. So has what follows a semicolon or a tab within a text, which part columns in
    the programs of some countries.

    Parameters
    ----------
    table
        Text in columns of type object; all other columns are written as they are.
        A missing value becomes an empty cell.
    """
    columns = [table.iloc[:, at] for at in range(table.shape[1])]
    columns = [_shielded(c) if pd.api.types.is_object_dtype(c) else c for c in columns]
    shielded = pd.concat(columns, axis=1) if columns else table.copy(deep=False)
    shielded.columns = pd.Index([_shield(name) for name in table.columns])
    return shielded.to_csv(index=False, lineterminator="\n").encode()


def _shielded(column: pd.Series[Any]) -> pd.Series[Any]:
    """The column, each distinct text looked at once; itself where none needs it."""
    distinct = column.drop_duplicates()
    changed = {
        text: _shield(text) for text in distinct if isinstance(text, str) and _shield(text) != text
    }
    return column.map(lambda text: changed.get(text, text)) if changed else column


def _shield(text: Any) -> Any:
    if not isinstance(text, str) or _NUMBER.fullmatch(text):
        return text
    inside = text[:1] + _IN_TEXT.sub(r"\1'", text[1:])
    return f"'{inside}" if _FORMULA.match(text) else inside
