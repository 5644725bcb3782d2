"""The last gate before records are handed on: typed tables against their schema.

The schema of each table is made from :mod:`outcomes.records.columns`, which
reading follows too. What a person could have written wrong has been found by
then, and told with its row; so a breach here means that reading let something
pass. It is an error for the person all the same, and never a wrong result.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from outcomes.errors import RecordsError
from outcomes.records.columns import Column, Table
from outcomes.records.reading.values import EDGE
from outcomes.records.tables import shortened

if TYPE_CHECKING:
    from pandera.pandas import DataFrameSchema

_TYPES: Mapping[str, str] = {
    "id": "object",
    "text": "object",
    "word": "object",
    "time": "datetime64[ns]",
    "number": "float64",
    "count": "float64",
    "yes or no": "boolean",
}


def table_schema(table: Table) -> DataFrameSchema:
    """The schema of a typed table: types, ranges, words, needed values, unique ids.

    Parameters
    ----------
    table
        Its columns, as the contract states them.

    Returns
    -------
    DataFrameSchema
        Columns the toolkit does not know are let pass.
    """
    import pandera.pandas as pa

    columns = {column.name: _column_schema(column, table) for column in table.columns}
    columns["file"] = pa.Column("object")
    columns["row"] = pa.Column("int64", pa.Check.ge(2))
    return pa.DataFrameSchema(columns, name=table.name, unique=["file", "row"])


def _column_schema(column: Column, table: Table) -> Any:
    import pandera.pandas as pa

    checks = []
    if column.low is not None and column.high is not None:
        checks.append(pa.Check.in_range(column.low - EDGE, column.high + EDGE))
    if column.words and column.type == "word":
        checks.append(pa.Check.isin(column.words))
    if column.type == "count":
        checks.append(pa.Check(lambda numbers: numbers % 1 == 0, error="whole_number"))
    return pa.Column(
        _TYPES[column.type],
        checks,
        nullable=not column.needed or column.may_be_empty,
        unique=column.name == table.key,
        required=column.needed,
    )


def check_schema(frame: pd.DataFrame, table: Table) -> None:
    """Refuse a typed table that does not follow its schema.

    Parameters
    ----------
    frame
        The usable rows of the table, typed.
    table
        Its columns.

    Raises
    ------
    RecordsError
        With the first breach: where it stands and what was expected.
    """
    import pandera.pandas as pa

    try:
        table_schema(table).validate(frame, lazy=True, inplace=True)
    except pa.errors.SchemaErrors as error:
        raise RecordsError(_line(error.failure_cases, frame, table)) from error


def _line(breaches: pd.DataFrame, frame: pd.DataFrame, table: Table) -> str:
    first = breaches.iloc[0]
    where: str = table.name
    at = first["index"]
    if not pd.isna(at) and int(at) in frame.index:
        where = f"{frame.loc[int(at), 'file']!s}, row {frame.loc[int(at), 'row']!s}"
    column = first["column"] if first["schema_context"] == "Column" else first["failure_case"]
    if first["check"] == "multiple_fields_uniqueness":
        column = "row"
    found = shortened(str(first["failure_case"]))
    return (
        f"{where}, column {column}: {found!r} was read but does not follow the schema of the "
        f"records ({first['check']}). Correct it; and since check ought to have said so, "
        "please report it."
    )
