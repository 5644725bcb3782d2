"""Parquet files, whose columns the file itself types."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.reading.cells import CannotReadError, Cells, Place, from_codes, without_blanks

MAX_PARQUET_BYTES = 8_000_000_000
MAX_ROWS = 20_000_000


def load_parquet(place: Place) -> Cells:
    """The cells of a parquet file."""
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
    return _cells_of(place, table)


def cells_of_frame(place: Place, frame: pd.DataFrame) -> Cells:
    """The cells of a frame, as if it had been read from a file; its first row is row 2."""
    import pyarrow as pa

    if frame.shape[1] == 0:
        raise CannotReadError("empty file", "there is nothing in it", "Fill it in.")
    try:
        columns = [
            pa.array(_plain_values(frame.iloc[:, k]), from_pandas=True)
            for k in range(frame.shape[1])
        ]
        table = pa.Table.from_arrays(columns, names=[str(name) for name in frame.columns])
    except (pa.ArrowException, TypeError, ValueError) as error:
        raise CannotReadError(
            "unreadable file",
            "a column holds what is neither numbers, times nor text",
            "Write one plain value per cell.",
        ) from error
    return _cells_of(place, table)


def _plain_values(column: pd.Series[Any]) -> pd.Series[Any]:
    """A column of one type; values of several types as text, as a spreadsheet shows them."""
    if column.dtype != object:
        return column
    kinds = {type(value) for value in column.dropna()}
    return column if len(kinds) <= 1 else column.map(str, na_action="ignore")


def _cells_of(place: Place, table: Any) -> Cells:
    header, columns = [], []
    for name, column in zip(table.column_names, table.columns, strict=True):
        if not re.fullmatch(r"__index_level_\d+__", name):
            header.append(name)
            columns.append(_arrow_cells(name, column))
    if not header:
        raise CannotReadError("empty file", "there is nothing in it", "Fill it in.")
    rows = np.arange(2, table.num_rows + 2)
    return without_blanks(place, tuple(header), columns, rows, [])


def parquet_header(place: Place) -> tuple[str, ...]:
    """The column names of a parquet file alone."""
    import pyarrow.parquet as pq

    return tuple(pq.read_schema(place.path).names)


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
        return from_codes(np.full(len(column), -1), np.array([], dtype=object))
    coded = column.combine_chunks().dictionary_encode()
    if isinstance(coded, pa.ChunkedArray):
        coded = coded.combine_chunks()
    codes = coded.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    return from_codes(codes, coded.dictionary.to_numpy(zero_copy_only=False))
