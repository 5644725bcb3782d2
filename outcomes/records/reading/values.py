"""Cells → typed values: each distinct text of a column is read once.

Only what can be read in one way is read. What cannot be gets the name of a
rule (see :mod:`outcomes.records.checking.rules`) instead of a value.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.records.columns import ALERTED, BACK, NOT_ALERTED, Column
from outcomes.records.reading.cells import Array, clean, texts_of
from outcomes.records.reading.problems import Problems, matches
from outcomes.records.reading.times import (
    DAY_AND_MONTH,
    ISO,
    NAMED,
    YEAR_FIRST,
    YEAR_LAST,
    read_times,
)
from outcomes.records.reading.units import UNITS, unit_named, unit_of
from outcomes.settings import RecordsSettings

MAX_TEXT = 200
# A unit's conversion may move a value at the very edge of its range by a rounding error.
EDGE = 1e-9
SPREADSHEET_ERRORS = frozenset(
    ("#N/A", "#REF!", "#DIV/0!", "#VALUE!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "#CALC!")
)
_PLAIN_NUMBER = r"^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?$"
_NUMBER_AND_UNIT = r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)\s*[^\d\s.,:+-][^\d]*\d?$"
_OWN_UNIT = re.compile(r"^([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*°?\s*([^\d\s.,:+-]\D*)$")
_DURATION = re.compile(
    r"(?i)^(?:(?P<h>\d{1,2})\s*(?:h|hrs?|hours?)\.?[\s,]*(?:and\s*)?)?"
    r"(?:(?P<m>\d{1,3})\s*(?:m|mins?|minutes?|')\.?[\s,]*(?:and\s*)?)?"
    r"(?:(?P<s>\d{1,2})\s*(?:s|secs?|seconds?|\"|'')\.?)?$"
)
_COMMA_NUMBER = r"^[+-]?\d*(,\d+)+(\.\d+)?$"
_MINUTES_SECONDS = r"^(\d{1,2}:)?\d{1,3}:[0-5]\d$"


@dataclass(frozen=True, slots=True)
class Typed:
    """A column read: n values, and for each the rule it breaks (0 = none, k = ``rules[k-1]``).

    ``orders`` are the positions of the first date that can only be day first and
    of the first that can only be month first, as far as the column has such dates and
    they put others in doubt.
    """

    series: pd.Series[Any]
    problem: Array
    rules: tuple[str, ...]
    orders: Mapping[str, int] = field(default_factory=dict)

    def broken(self) -> dict[str, Array]:
        """Rule → positions of the cells that break it."""
        return {
            rule: np.flatnonzero(self.problem == number)
            for number, rule in enumerate(self.rules, start=1)
            if (self.problem == number).any()
        }


def read_column(
    column: Column, cells: pd.Series[Any], settings: RecordsSettings, table: str
) -> Typed:
    """Read one known column.

    Parameters
    ----------
    column
        What it should hold.
    cells
        Its n cells (text as a categorical, or typed by the file).
    settings
        The unit's words, units, date order and decimal sign.
    table
        Table it belongs to, for units given per table.

    Returns
    -------
    Typed
        Values of length n (missing where a cell is empty or breaks a rule).
    """
    typed = _typed_already(column, cells, settings, table)
    if typed is not None:
        return typed
    codes, raw = texts_of(cells)
    meanings = settings.words.get(column.name, {})
    words = {clean(theirs).casefold(): ours for theirs, ours in meanings.items()}
    texts = [clean(text) for text in raw]
    if words:
        texts = [words.get(text.casefold(), text) for text in texts]
    problems = Problems(len(texts))
    filled = np.array([bool(text) for text in texts], dtype=bool)
    problems.add(
        "spreadsheet error", np.array([text in SPREADSHEET_ERRORS for text in texts], dtype=bool)
    )
    values: pd.Series[Any]
    if column.type == "time":
        values = read_times(texts, filled, settings.date_order, problems, vague=column.may_be_vague)
    elif column.type in ("number", "count"):
        unit = unit_of(column, settings, table)
        clock = "mm:ss" in UNITS.get(column.name, {})
        texts, own = _in_own_units(column, texts, settings.decimal)
        numbers = _read_numbers(texts, filled, unit, settings.decimal, clock, problems, plain=own)
        if unit is not None and unit != column.unit:
            # A cell that names its own unit is not in that of the column.
            converted = UNITS[column.name][unit].to_ours(numbers)
            numbers = np.where(own, numbers, converted)
        values = pd.Series(_in_range(column, numbers, column.unit, problems))
    elif column.words:
        values = _read_words(column, texts, filled, problems)
    else:
        values = _read_texts(texts, filled, problems)
    return _spread(column, values, problems, codes)


def _typed_already(
    column: Column, cells: pd.Series[Any], settings: RecordsSettings, table: str
) -> Typed | None:
    """The column, where the file itself says it holds times or numbers."""
    if column.type == "time" and pd.api.types.is_datetime64_any_dtype(cells.dtype):
        return Typed(cells.astype("datetime64[ns]"), np.zeros(len(cells), dtype=np.int8), ())
    unit = unit_of(column, settings, table)
    if (
        column.type in ("number", "count")
        and pd.api.types.is_float_dtype(cells.dtype)
        and unit != "mm:ss"
        and column.name not in settings.words
    ):
        problems = Problems(len(cells))
        numbers = cells.to_numpy(dtype=float)
        problems.add("number unreadable", np.isinf(numbers))
        values = _in_range(column, numbers, unit, problems)
        return Typed(pd.Series(values), problems.code, tuple(problems.rules))
    return None


def _spread(column: Column, values: pd.Series[Any], problems: Problems, codes: Array) -> Typed:
    """Values of the distinct texts → values of the cells."""
    code = np.append(problems.code, 0).astype(np.int8)
    spread: pd.Series[Any]
    if column.type in ("time", "number", "count"):
        missing = np.datetime64("NaT", "ns") if column.type == "time" else np.nan
        spread = pd.Series(np.append(values.to_numpy(), missing)[codes])
    else:
        distinct = np.empty(len(values) + 1, dtype=object)
        distinct[:-1] = values.to_numpy()
        spread = pd.Series(distinct[codes], dtype=object)
        if column.type == "yes or no":
            spread = spread.map({"yes": True, "no": False}).astype("boolean")
    orders = {
        order: int(np.isin(codes, texts).argmax()) for order, texts in problems.certain.items()
    }
    return Typed(spread, code[codes], tuple(problems.rules), orders)


def _read_texts(texts: Sequence[str], filled: Array, problems: Problems) -> pd.Series[Any]:
    problems.add(
        "line break in a name",
        np.array(["\n" in text or "\r" in text for text in texts], dtype=bool),
    )
    problems.add("text too long", np.array([len(text) > MAX_TEXT for text in texts], dtype=bool))
    return _keep(texts, filled & (problems.code == 0))


def _in_own_units(
    column: Column, texts: Sequence[str], decimal: str
) -> tuple[list[str], npt.NDArray[np.bool_]]:
    """Texts of a number and its unit (``45F``, ``3 m 20 s``) as numbers in our unit, and which."""
    read, own = list(texts), np.zeros(len(texts), dtype=bool)
    units = UNITS.get(column.name, {})
    of_time = "mm:ss" in units or column.name == "set_min"
    for at, text in enumerate(texts):
        parts = _DURATION.match(text) if of_time and text else None
        if parts is not None and sum(part is not None for part in parts.groups()) > 1:
            h, m, s = (int(part or 0) for part in parts.groups())
            seconds = 3600.0 * h + 60 * m + s
            read[at], own[at] = repr(seconds / 60 if column.name == "set_min" else seconds), True
            continue
        found = _OWN_UNIT.match(text)
        if found is None or (("," if decimal == "." else ".") in found[1]):
            continue
        said, number = found[2].strip().rstrip("."), np.array([float(found[1].replace(",", "."))])
        if said == "%" == column.unit:
            ours = number
        else:
            unit = unit_named(units, said)
            if unit is None:
                continue
            ours = unit.to_ours(number)
        read[at], own[at] = repr(float(ours[0])), True
    return read, own


def _read_words(
    column: Column, texts: Sequence[str], filled: Array, problems: Problems
) -> pd.Series[Any]:
    allowed = {word: word for word in column.words}
    if column.type == "yes or no":
        allowed |= {"true": "yes", "false": "no"}
    if column.name == "moved_to":
        allowed[BACK] = BACK
    if column.name == "result":
        allowed |= {word: word for word in (ALERTED, NOT_ALERTED)}
    read = [allowed.get(text.casefold(), "") for text in texts]
    unknown = np.array([not word for word in read], dtype=bool) & filled
    if column.name == "moved_to":
        for pattern in (ISO, YEAR_FIRST, YEAR_LAST, *NAMED):
            problems.add("date for a place", unknown & matches(texts, pattern))
    problems.add("unknown word", unknown)
    return _keep(read, filled & (problems.code == 0))


def _keep(texts: Sequence[str], good: Array) -> pd.Series[Any]:
    kept = np.empty(len(texts), dtype=object)
    kept[:] = texts
    kept[~good] = None
    return pd.Series(kept, dtype=object)


def _read_numbers(
    texts: Sequence[str],
    filled: Array,
    unit: str | None,
    decimal: str,
    clock: bool,
    problems: Problems,
    plain: npt.NDArray[np.bool_],
) -> Array:
    """Numbers of the distinct texts; ``plain`` ones are numbers whatever the unit is."""
    numbers = np.full(len(texts), np.nan)
    for pattern in (ISO, YEAR_FIRST, YEAR_LAST, DAY_AND_MONTH):
        problems.add("date for a number", filled & matches(texts, pattern))
    if unit == "mm:ss":
        good = matches(texts, _MINUTES_SECONDS) & ~plain
        problems.add("not minutes and seconds", ~good & filled & ~plain)
        numbers[plain] = [float(text) for text, one in zip(texts, plain, strict=True) if one]
        for at in np.flatnonzero(good).tolist():
            parts = [int(part) for part in texts[at].split(":")]
            numbers[at] = sum(
                part * factor for part, factor in zip(reversed(parts), (1, 60, 3600), strict=False)
            )
        return numbers
    if decimal == ",":
        pointed = np.array(["." in text for text in texts], dtype=bool) & ~plain
        problems.add("point in a number", pointed & filled)
        texts = [text.replace(",", ".") for text in texts]
    good = matches(texts, _PLAIN_NUMBER) & (problems.code == 0)
    rest = ~good & filled
    if rest.any():
        if clock:
            # In a column that holds both, no one unit can be stated.
            rule = "clock times among numbers" if good.any() else "minutes and seconds"
            problems.add(rule, rest & matches(texts, _MINUTES_SECONDS))
        problems.add("comma in a number", rest & matches(texts, _COMMA_NUMBER))
        problems.add("number with a unit in it", rest & matches(texts, _NUMBER_AND_UNIT))
        problems.add("number unreadable", rest)
    numbers[good] = [float(text) for text, plain in zip(texts, good, strict=True) if plain]
    problems.add("number unreadable", np.isinf(numbers))
    return numbers


def _in_range(column: Column, numbers: Array, unit: str | None, problems: Problems) -> Array:
    """Numbers in our own unit; those out of range become missing."""
    if column.unit is not None and unit is not None and unit != column.unit:
        numbers = UNITS[column.name][unit].to_ours(numbers)
    if column.type == "count":
        problems.add("not a whole number", np.isfinite(numbers) & (numbers != np.floor(numbers)))
    low = -np.inf if column.low is None else column.low
    high = np.inf if column.high is None else column.high
    outside = (numbers < low - EDGE) | (numbers > high + EDGE)
    rule = "impossible temperature" if column.name == "temperature_c" else "number out of range"
    problems.add(rule, outside)
    return np.where(problems.code == 0, numbers, np.nan)
