"""The last gate before records are handed on: typed tables against their schema.

The schema of each table is made from :mod:`outcomes.records.columns`, which
reading follows too. What a person could have written wrong has been found by
then, and told with its row; so a breach here means that reading let something
pass. It is an error for the person all the same, and never a wrong result.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import RecordsError
from outcomes.records.columns import Column, Table
from outcomes.records.tables import shortened
from outcomes.records.values import EDGE

_TYPES: Mapping[str, str] = {
    "id": "object",
    "text": "object",
    "word": "object",
    "time": "datetime64[ns]",
    "number": "float64",
    "count": "float64",
    "yes or no": "boolean",
}


@dataclass(frozen=True, slots=True)
class ColumnSchema:
    """What a typed column must be.

    Attributes
    ----------
    type
        Name of its pandas type.
    required
        It must be there.
    nullable
        Values may be missing.
    unique
        No value twice.
    low, high
        Inclusive range; None where there is none.
    words
        The values there may be; empty for any.
    whole
        Whole numbers alone.
    """

    type: str
    required: bool = True
    nullable: bool = False
    unique: bool = False
    low: float | None = None
    high: float | None = None
    words: tuple[str, ...] = ()
    whole: bool = False


def table_schema(table: Table) -> dict[str, ColumnSchema]:
    """Column → schema of a typed table: type, range, words, needed values, unique ids.

    Parameters
    ----------
    table
        Its columns, as the contract states them.
    """
    columns = {column.name: _column_schema(column, table) for column in table.columns}
    columns["file"] = ColumnSchema("object")
    columns["row"] = ColumnSchema("int64", unique=True, low=2)
    return columns


def _column_schema(column: Column, table: Table) -> ColumnSchema:
    ranged = column.low is not None and column.high is not None
    return ColumnSchema(
        type=_TYPES[column.type],
        required=column.needed,
        nullable=not column.needed or column.may_be_empty,
        unique=column.name == table.key,
        low=column.low if ranged else None,
        high=column.high if ranged else None,
        words=column.words if column.type == "word" else (),
        whole=column.type == "count",
    )


def check_schema(frame: pd.DataFrame, table: Table) -> None:
    """Refuse a typed table that does not follow its schema.

    Parameters
    ----------
    frame
        The usable rows of the table, typed. Columns the toolkit does not know are let pass.
    table
        Its columns.

    Raises
    ------
    RecordsError
        With the first breach: where it stands and what was expected.
    """
    for name, schema in table_schema(table).items():
        if name not in frame.columns:
            if schema.required:
                raise RecordsError(_line(table.name, name, name, "is not there"))
            continue
        values = frame[name]
        if str(values.dtype) != schema.type:
            found = str(values.dtype)
            raise RecordsError(_line(table.name, name, found, f"not of type {schema.type}"))
        for expected, broken in _breaches(values, schema):
            if broken.any():
                at = int(np.flatnonzero(broken)[0])
                where = f"{frame['file'].iloc[at]!s}, row {frame['row'].iloc[at]!s}"
                raise RecordsError(_line(where, name, str(values.iloc[at]), expected))


def _breaches(values: pd.Series, schema: ColumnSchema) -> Iterator[tuple[str, np.ndarray]]:
    """What is not as expected, and in which rows."""
    missing = values.isna().to_numpy()
    if not schema.nullable:
        yield "missing", missing
    if schema.unique:
        yield "there twice", values.duplicated(keep=False).to_numpy() & ~missing
    if schema.low is not None or schema.high is not None:
        low = -np.inf if schema.low is None else schema.low - EDGE
        high = np.inf if schema.high is None else schema.high + EDGE
        yield "out of range", ~values.between(low, high).to_numpy() & ~missing
    if schema.words:
        yield "not one of the words", ~values.isin(schema.words).to_numpy() & ~missing
    if schema.whole:
        yield "not a whole number", (values % 1 != 0).to_numpy() & ~missing


def _line(where: str, column: str, value: str, breach: str) -> str:
    return (
        f"{where}, column {column}: {shortened(value)!r} was read but does not follow the schema "
        f"of the records ({breach}). Correct it; and since check ought to have said so, "
        "please report it."
    )
