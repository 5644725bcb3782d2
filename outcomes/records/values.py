"""Cells → typed values: each distinct text of a column is read once.

Only what can be read in one way is read. What cannot be gets the name of a
rule (see :mod:`outcomes.records.rules`) instead of a value.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.records.columns import Column
from outcomes.records.loading import number_text
from outcomes.settings import RecordsSettings

Array = npt.NDArray[Any]

MAX_TEXT = 200
# A unit's conversion may move a value at the very edge of its range by a rounding error.
EDGE = 1e-9
SPREADSHEET_ERRORS = frozenset(
    ("#N/A", "#REF!", "#DIV/0!", "#VALUE!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "#CALC!")
)

Convert = Callable[[Array], Array]


def _times(factor: float) -> Convert:
    return lambda numbers: numbers * factor


_TEMPERATURES: Mapping[str, Convert] = {
    "C": _times(1.0),
    "F": lambda numbers: (numbers - 32.0) / 1.8,
}
_DURATIONS_S: Mapping[str, Convert] = {
    "s": _times(1.0),
    "min": _times(60.0),
    "h": _times(3600.0),
    "mm:ss": _times(1.0),
}
# 1 in = 2.54 cm, 1 mile = 1609.344 m, 1 knot = 1852 m/h, 1 lb = 453.59237 g: exact by
# the international yard and pound agreement of 1959 and the definition of the knot.
UNITS: Mapping[str, Mapping[str, Convert]] = {
    "temperature_c": _TEMPERATURES,
    "search_s": _DURATIONS_S,
    "limit_s": _DURATIONS_S,
    "set_min": {"min": _times(1.0), "h": _times(60.0), "s": _times(1 / 60.0)},
    "depth_cm": {
        "cm": _times(1.0),
        "in": _times(2.54),
        "ft": _times(30.48),
        "m": _times(100.0),
        "mm": _times(0.1),
    },
    "wind_m_s": {
        "m/s": _times(1.0),
        "mph": _times(1609.344 / 3600),
        "km/h": _times(1 / 3.6),
        "kn": _times(1852 / 3600),
    },
    "mass_g": {
        "g": _times(1.0),
        "kg": _times(1000.0),
        "lb": _times(453.59237),
        "oz": _times(453.59237 / 16),
    },
    "age_at_acquisition_days": {"days": _times(1.0), "weeks": _times(7.0), "h": _times(1 / 24)},
}
"""For each number that may be written in another unit: unit → conversion to ours."""

_PLAIN_NUMBER = r"^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?$"
_NUMBER_AND_UNIT = r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)\s*[^\d\s.,:+-][^\d]*\d?$"
_COMMA_NUMBER = r"^[+-]?\d*(,\d+)+(\.\d+)?$"
_MINUTES_SECONDS = r"^(\d{1,2}:)?\d{1,3}:[0-5]\d$"

_CLOCK = r"(\d{1,2}:\d{2}(:\d{2})?( ?[AaPp][Mm])?)"
_ISO = r"^\d{4}-\d{2}-\d{2}([ T]\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?)?$"
_ZONED = r"^\d{4}-\d{2}-\d{2}[ T]\d{2}:\d{2}(:\d{2}(\.\d+)?)? ?(Z|z|UTC|GMT|[+-]\d{2}(:?\d{2})?)$"
_YEAR_FIRST = rf"^\d{{4}}[/.]\d{{1,2}}[/.]\d{{1,2}}([ T]{_CLOCK})?$"
_YEAR_LAST = rf"^\d{{1,2}}[/.\-]\d{{1,2}}[/.\-](\d{{4}}|\d{{2}})(,? {_CLOCK})?$"
# Of such a date: that its first number is no month, and that its second is none.
_CERTAIN = {
    "day first": r"^(1[3-9]|[23]\d)[/.\-]\d",
    "month first": r"^\d{1,2}[/.\-](1[3-9]|[23]\d)[/.\-]",
}
_OTHER_ORDER = {"day first": "month first", "month first": "day first"}
_MONTH = "(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
_DAY_AND_MONTH = rf"(?i)^(\d{{1,2}}[- .]{_MONTH}|{_MONTH}[- .]\d{{1,4}})([- .]\d{{2,4}})?$"
_NAMED = (
    rf"(?i)^(?P<day>\d{{1,2}})[-/. ](?P<month>{_MONTH})\.?[-/., ] ?(?P<year>\d{{4}}|\d{{2}})"
    rf"(,? (?P<clock>{_CLOCK}))?$",
    rf"(?i)^(?P<month>{_MONTH})\.?[- ](?P<day>\d{{1,2}}),?[- ](?P<year>\d{{4}})"
    rf"(,? (?P<clock>{_CLOCK}))?$",
)
_MONTH_NAMES = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
_MONTHS = {"sept": 9}
_MONTHS |= {name: at for at, full in enumerate(_MONTH_NAMES, 1) for name in (full, full[:3])}
_SERIAL = r"^[1-9]\d{4}(\.\d+)?$"


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


class _Problems:
    """Rules broken by the distinct texts of one column; the first one found stays.

    ``certain`` are the texts that can only be day first, and only month first, where
    they put other dates in doubt.
    """

    def __init__(self, n: int) -> None:
        self.code = np.zeros(n, dtype=np.int8)
        self.rules: list[str] = []
        self.certain: dict[str, Array] = {}

    def add(self, rule: str, where: Array) -> None:
        if not where.any():
            return
        if rule not in self.rules:
            self.rules.append(rule)
        self.code[where & (self.code == 0)] = self.rules.index(rule) + 1


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
    problems = _Problems(len(texts))
    filled = np.array([bool(text) for text in texts], dtype=bool)
    problems.add(
        "spreadsheet error", np.array([text in SPREADSHEET_ERRORS for text in texts], dtype=bool)
    )
    values: pd.Series[Any]
    if column.type == "time":
        values = _read_times(texts, filled, settings.date_order, problems)
    elif column.type in ("number", "count"):
        unit = unit_of(column, settings, table)
        clock = "mm:ss" in UNITS.get(column.name, {})
        numbers = _read_numbers(texts, filled, unit, settings.decimal, clock, problems)
        values = pd.Series(_in_range(column, numbers, unit, problems))
    elif column.words:
        values = _read_words(column, texts, filled, problems)
    else:
        values = _read_texts(texts, filled, problems)
    return _spread(column, values, problems, codes)


def unit_of(column: Column, settings: RecordsSettings, table: str) -> str | None:
    """The unit a number is written in: the unit's own choice, else ours."""
    return settings.units.get(
        f"{table}.{column.name}", settings.units.get(column.name, column.unit)
    )


def unit_is_said(column: Column, settings: RecordsSettings, table: str) -> bool:
    """Whether the unit has said itself which unit a number is written in."""
    return bool({column.name, f"{table}.{column.name}"} & set(settings.units))


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
        problems = _Problems(len(cells))
        numbers = cells.to_numpy(dtype=float)
        problems.add("number unreadable", np.isinf(numbers))
        values = _in_range(column, numbers, unit, problems)
        return Typed(pd.Series(values), problems.code, tuple(problems.rules))
    return None


def _spread(column: Column, values: pd.Series[Any], problems: _Problems, codes: Array) -> Typed:
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


# --- text and words -------------------------------------------------------------------------


def _read_texts(texts: Sequence[str], filled: Array, problems: _Problems) -> pd.Series[Any]:
    problems.add(
        "line break in a name",
        np.array(["\n" in text or "\r" in text for text in texts], dtype=bool),
    )
    problems.add("text too long", np.array([len(text) > MAX_TEXT for text in texts], dtype=bool))
    return _keep(texts, filled & (problems.code == 0))


def _read_words(
    column: Column, texts: Sequence[str], filled: Array, problems: _Problems
) -> pd.Series[Any]:
    allowed = {word: word for word in column.words}
    if column.type == "yes or no":
        allowed |= {"true": "yes", "false": "no"}
    read = [allowed.get(text.casefold(), "") for text in texts]
    unknown = np.array([not word for word in read], dtype=bool) & filled
    problems.add("unknown word", unknown)
    return _keep(read, filled & (problems.code == 0))


def _keep(texts: Sequence[str], good: Array) -> pd.Series[Any]:
    kept = np.empty(len(texts), dtype=object)
    kept[:] = texts
    kept[~good] = None
    return pd.Series(kept, dtype=object)


# --- numbers --------------------------------------------------------------------------------


def _matches(texts: Sequence[str], pattern: str) -> Array:
    import pyarrow as pa
    import pyarrow.compute as pc

    if not len(texts):
        return np.zeros(0, dtype=bool)
    matched = pc.match_substring_regex(pa.array(texts, type=pa.large_string()), pattern)
    hit: Array = np.asarray(matched.to_numpy(zero_copy_only=False), dtype=bool)
    return hit


def _read_numbers(
    texts: Sequence[str],
    filled: Array,
    unit: str | None,
    decimal: str,
    clock: bool,
    problems: _Problems,
) -> Array:
    numbers = np.full(len(texts), np.nan)
    for pattern in (_ISO, _YEAR_FIRST, _YEAR_LAST, _DAY_AND_MONTH):
        problems.add("date for a number", filled & _matches(texts, pattern))
    if unit == "mm:ss":
        good = _matches(texts, _MINUTES_SECONDS)
        problems.add("not minutes and seconds", ~good & filled)
        for at in np.flatnonzero(good).tolist():
            parts = [int(part) for part in texts[at].split(":")]
            numbers[at] = sum(
                part * factor for part, factor in zip(reversed(parts), (1, 60, 3600), strict=False)
            )
        return numbers
    if decimal == ",":
        pointed = np.array(["." in text for text in texts], dtype=bool)
        problems.add("point in a number", pointed & filled)
        texts = [text.replace(",", ".") for text in texts]
    good = _matches(texts, _PLAIN_NUMBER) & (problems.code == 0)
    rest = ~good & filled
    if rest.any():
        if clock:
            # In a column that holds both, no one unit can be stated.
            rule = "clock times among numbers" if good.any() else "minutes and seconds"
            problems.add(rule, rest & _matches(texts, _MINUTES_SECONDS))
        problems.add("comma in a number", rest & _matches(texts, _COMMA_NUMBER))
        problems.add("number with a unit in it", rest & _matches(texts, _NUMBER_AND_UNIT))
        problems.add("number unreadable", rest)
    numbers[good] = [float(text) for text, plain in zip(texts, good, strict=True) if plain]
    problems.add("number unreadable", np.isinf(numbers))
    return numbers


def _in_range(column: Column, numbers: Array, unit: str | None, problems: _Problems) -> Array:
    """Numbers in our own unit; those out of range become missing."""
    if column.unit is not None and unit is not None and unit != column.unit:
        numbers = UNITS[column.name][unit](numbers)
    if column.type == "count":
        problems.add("not a whole number", np.isfinite(numbers) & (numbers != np.floor(numbers)))
    low = -np.inf if column.low is None else column.low
    high = np.inf if column.high is None else column.high
    outside = (numbers < low - EDGE) | (numbers > high + EDGE)
    rule = "impossible temperature" if column.name == "temperature_c" else "number out of range"
    problems.add(rule, outside)
    return np.where(problems.code == 0, numbers, np.nan)


# --- times ----------------------------------------------------------------------------------


def _read_times(
    texts: Sequence[str], filled: Array, order: str | None, problems: _Problems
) -> pd.Series[Any]:
    read = np.full(len(texts), np.datetime64("NaT", "ns"))
    iso = _matches(texts, _ISO)
    read[iso] = _to_times([texts[at] for at in np.flatnonzero(iso).tolist()], "ISO8601")
    rest = filled & ~iso
    if rest.any():
        problems.add("time with a zone", rest & _matches(texts, _ZONED))
        problems.add("spreadsheet date number", rest & _matches(texts, _SERIAL))
        year_first = rest & _matches(texts, _YEAR_FIRST)
        read[year_first] = _split_times(texts, np.flatnonzero(year_first), (0, 1, 2))
        year_last = rest & _matches(texts, _YEAR_LAST)
        _read_year_last(texts, np.flatnonzero(year_last), order, read, problems)
        for pattern in _NAMED:
            named = np.flatnonzero(rest & _matches(texts, pattern))
            read[named] = _named_times(texts, named, pattern)
    problems.add("date unreadable", filled & np.isnat(read))
    read[problems.code != 0] = np.datetime64("NaT", "ns")
    return pd.Series(read)


def _read_year_last(
    texts: Sequence[str], at: Array, order: str | None, read: Array, problems: _Problems
) -> None:
    """Dates like 03/04/2026 in the order the unit states, or where only one order is possible.

    A stated order decides nothing that the column itself speaks against.
    """
    if not len(at):
        return
    if order is not None and not _matches(texts, _CERTAIN[_OTHER_ORDER[order]]).any():
        # Nothing speaks against the order: the dates are read once.
        read[at] = _split_times(texts, at, (2, 1, 0) if order == "day first" else (2, 0, 1))
        return
    day_first = _split_times(texts, at, (2, 1, 0))
    month_first = _split_times(texts, at, (2, 0, 1))
    day, month = ~np.isnat(day_first), ~np.isnat(month_first)
    certain = {"day first": day & ~month, "month first": month & ~day}
    doubtful = day & month & (day_first != month_first)
    rule = "date ambiguous"
    if order is None:
        read[at] = np.where(day, day_first, month_first)
        # Without an order the year of 25/04/26 could stand first.
        short_year = np.array([len(_date_parts(texts[i])[2]) == 2 for i in at], dtype=bool)
        doubtful |= short_year & (day | month)
    else:
        read[at] = day_first if order == "day first" else month_first
        against = certain[_OTHER_ORDER[order]]
        if not against.any():
            return
        problems.add("date against the order", _spread_over(len(texts), at, against))
        rule = "date order in doubt"
    if all(found.any() for found in certain.values()):
        rule = "dates of both orders"
    if rule != "date ambiguous":
        problems.certain = {name: at[found] for name, found in certain.items() if found.any()}
    problems.add(rule, _spread_over(len(texts), at, doubtful))


def _spread_over(n: int, at: Array, marked: Array) -> Array:
    """Of n texts those marked, by their positions."""
    spread = np.zeros(n, dtype=bool)
    spread[at] = marked
    return spread


def _named_times(texts: Sequence[str], at: Array, pattern: str) -> Array:
    """Times whose month is a word; what is no English month gives none."""
    written = []
    for text in (texts[i] for i in at):
        found = re.match(pattern, text)
        assert found is not None
        year = found["year"] if len(found["year"]) == 4 else f"20{found['year']}"
        month = _MONTHS.get(found["month"].lower(), 0)
        written.append(f"{year}-{month:02d}-{found['day'].zfill(2)} {_clock(found['clock'] or '')}")
    return _to_times(written, "%Y-%m-%d %H:%M:%S")


def _date_parts(text: str) -> list[str]:
    date = text.replace("T", " ").replace(",", " ").split(" ", 1)[0]
    return date.replace("/", "-").replace(".", "-").split("-")


def _split_times(texts: Sequence[str], at: Array, order: tuple[int, int, int]) -> Array:
    """Times whose date has year, month and day at the positions of ``order``."""
    written = []
    for text in (texts[i] for i in at):
        parts = _date_parts(text)
        year, month, day = (parts[position] for position in order)
        year = f"20{year}" if len(year) == 2 else year
        clock = text.replace("T", " ").replace(",", " ").split(" ", 1)[1:]
        date = f"{year}-{month.zfill(2)}-{day.zfill(2)}"
        written.append(f"{date} {_clock(clock[0] if clock else '')}")
    return _to_times(written, "%Y-%m-%d %H:%M:%S")


def _clock(text: str) -> str:
    """``9:30 PM`` → ``21:30:00``; an impossible hour stays impossible."""
    text = text.strip().lower()
    if not text:
        return "00:00:00"
    half = text[-2:] if text[-1] == "m" else ""
    hour, *rest = text.removesuffix(half).strip().split(":")
    if half:
        if not 1 <= int(hour) <= 12:
            return "99:99:99"
        hour = str(int(hour) % 12 + (12 if half == "pm" else 0))
    return ":".join([hour.zfill(2), *rest, *(["00"] if len(rest) == 1 else [])])


def _to_times(texts: Sequence[str], form: str) -> Array:
    if not len(texts):
        return np.array([], dtype="datetime64[ns]")
    times = pd.to_datetime(pd.Series(texts, dtype=object), format=form, errors="coerce")
    read: Array = times.to_numpy().astype("datetime64[ns]")
    return read
