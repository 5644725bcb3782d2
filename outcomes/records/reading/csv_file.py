"""Text files: encoding, separator, quotation marks and rows of uneven length."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Sequence
from itertools import islice
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.reading.cells import (
    MAX_CELL,
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
    top_rows,
    uneven_rows,
    without_blanks,
)

MAX_TEXT_BYTES = 2_000_000_000


def load_csv(place: Place, find_header: FindHeader = in_row_1) -> Cells:
    """The cells of a text file."""
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
    first = data[: MAX_CELL * 4].decode("utf-8", errors="ignore")
    separator = _separator(first) if stated is None else stated[1].decode()
    lengths = _record_lengths(data, separator)
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
    top = find_header(frame.iloc[:ROWS_SEARCHED].to_numpy().tolist())
    if top >= len(frame):
        raise CannotReadError(
            "no header",
            f"there is no row {top + 1}",
            "Correct header_row in unit.toml.",
            row=top + 1,
        )
    row, width = top + 1, int(lengths[top])
    header = tuple(str(cell) for cell in frame.iloc[top, :width])
    body = frame.iloc[row:].reset_index(drop=True)
    columns = [categories_of(body[position]) for position in range(widest)]
    rows = np.arange(row + 1, len(frame) + 1)
    lengths = lengths[row:]
    if (lengths != width).any():
        marks += uneven_rows(columns, rows, lengths, width)
    if len(frame) != data.count(b"\n") + (not data.endswith(b"\n")):
        marks += _swallowed_rows(columns[:width], rows, separator, width)
    wider = top_rows(columns, rows) if widest > width else ()
    return without_blanks(place, header, columns[:width], rows, marks, wider, row)


def top_of_csv(place: Place) -> list[list[str]]:
    """The first rows of a text file, without reading the rest."""
    with place.path.open("rb") as file:
        data = _as_utf8(file.read(MAX_CELL * 4))[0]
    first = re.sub(rb"^sep=[,;\t]\r?\n", b"", data).decode("utf-8", errors="ignore")
    lines = csv.reader(io.StringIO(first, newline=""), delimiter=_separator(first))
    try:
        return list(islice(lines, ROWS_SEARCHED))
    except csv.Error:
        return []


def _as_utf8(data: bytes) -> tuple[bytes, list[Mark]]:
    """The text in UTF-8, and what there is to say of how it was written."""
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
    """Comma, semicolon or tab: whichever one of the first rows has most of, outside quotes."""
    lines = re.split(r"\r?\n|\r", re.sub(r'"[^"]*"', "", first), maxsplit=ROWS_SEARCHED)
    if any(mark in lines[0] for mark in ",;\t"):
        lines = lines[:1]  # the column names, most likely, whatever cells below them hold
    lines = lines[:ROWS_SEARCHED]
    return max((",", ";", "\t"), key=lambda mark: max(line.count(mark) for line in lines))


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
