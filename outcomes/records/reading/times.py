"""Dates and times, in the forms that can be read in one way."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.reading.cells import Array
from outcomes.records.reading.problems import Problems, matches

_CLOCK = r"(\d{1,2}:\d{2}(:\d{2})?( ?[AaPp][Mm])?)"
ISO = r"^\d{4}-\d{2}-\d{2}([ T]\d{2}:\d{2}(:\d{2}(\.\d{1,9})?)?)?$"
_ZONED = r"^\d{4}-\d{2}-\d{2}[ T]\d{2}:\d{2}(:\d{2}(\.\d+)?)? ?(Z|z|UTC|GMT|[+-]\d{2}(:?\d{2})?)$"
YEAR_FIRST = rf"^\d{{4}}[/.]\d{{1,2}}[/.]\d{{1,2}}([ T]{_CLOCK})?$"
YEAR_LAST = rf"^\d{{1,2}}[/.\-]\d{{1,2}}[/.\-](\d{{4}}|\d{{2}})(,? {_CLOCK})?$"
# Of such a date: that its first number is no month, and that its second is none.
_CERTAIN = {
    "day first": r"^(1[3-9]|[23]\d)[/.\-]\d",
    "month first": r"^\d{1,2}[/.\-](1[3-9]|[23]\d)[/.\-]",
}
_OTHER_ORDER = {"day first": "month first", "month first": "day first"}
_MONTH = "(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
DAY_AND_MONTH = rf"(?i)^(\d{{1,2}}[- .]{_MONTH}|{_MONTH}[- .]\d{{1,4}})([- .]\d{{2,4}})?$"
NAMED = (
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
WEEKDAY = re.compile(r"(?i)^(mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+(?=\S*\d|[a-z]{3})")
_SERIAL = r"^[1-9]\d{4}(\.\d+)?$"


_TIME_OF_DAY = re.compile(
    r"(?i)^(?P<hour>\d{1,2})(?:[:.h]\s?(?P<minute>\d{2}))?(?::(?P<second>\d{2}))?\s*"
    r"(?P<half>[ap]\.?m\.?)?\s*(?:h|hrs?|hours?)?$"
)
_RUN_TOGETHER = re.compile(
    r"(?i)^(?P<hour>\d{1,2})(?P<minute>[0-5]\d)\s*(?P<half>[ap]m)?\s*(?:h|hrs?)?$"
)
_SEASONS = {"spring": (3, 5), "summer": (6, 8), "autumn": (9, 11), "fall": (9, 11)}
_THIRDS = {"early": (1, 4), "mid": (5, 8), "late": (9, 12)}
_ABOUT = (
    r"(?:(?:about|approx(?:imately|\.)?|around|circa|ca?\.?|some ?time in|maybe|probably|~)\s*)?"
)
_VAGUE = re.compile(
    rf"(?i)^{_ABOUT}(?:(?P<month>{_MONTH})\.?|(?P<season>spring|summer|autumn|fall|winter)|"
    r"(?P<third>early|mid|late)|(?P<q>q[1-4]))?(?: of|,|[-/ ])*"
    r"(?P<year>(?:19|20)\d{2})(?:[- ]?ish|\s*\?|\s*\((?:approx|about)\.?\))?$"
)
_NUMBERED_MONTH = re.compile(
    r"^(?:(?P<first>0?[1-9]|1[0-2])[/.]((?:19|20)\d{2})|((?:19|20)\d{2})-(0[1-9]|1[0-2]))$"
)


def clock_of(text: str) -> str | None:
    """A time of day as ``08:30`` or ``08:30:15``, in whichever way it is written; None where none.

    >>> [clock_of(t) for t in ("0830", "830", "8:30 AM", "8.30pm", "14:05:10", "9", "dawn", "2570")]
    ['08:30', '08:30', '08:30', '20:30', '14:05:10', None, None, None]
    """
    text = text.strip()
    found = _RUN_TOGETHER.match(text) or _TIME_OF_DAY.match(text)
    if found is None:
        return None
    parts = found.groupdict()
    if parts["minute"] is None and not parts["half"]:
        return None  # a bare number is no time of day
    hour, minute = int(parts["hour"]), int(parts["minute"] or 0)
    half = (parts["half"] or "").lower().replace(".", "")
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "pm" else 0)
    if hour > 23 or minute > 59:
        return None
    second = parts.get("second")
    return f"{hour:02d}:{minute:02d}" + (f":{second}" if second else "")


def vague_period(text: str) -> tuple[dt.date, dt.date] | None:
    """First and last day that a date without a day can mean; None where it is none.

    Seasons are those north of the equator; a winter of a year may begin or end in it.

    >>> [str(vague_period(text)[1]) for text in ("Spring 2023", "ca. Feb 2024", "2022", "Q3 2023")]
    ['2023-05-31', '2024-02-29', '2022-12-31', '2023-09-30']
    >>> vague_period("3 Feb 2024") is None
    True
    """
    numbered = _NUMBERED_MONTH.match(text)
    if numbered:
        month, late_year, year, late_month = numbered.groups()
        return _months(int(late_year or year), int(month or late_month), int(month or late_month))
    found = _VAGUE.match(text)
    if found is None:
        return None
    year = int(found["year"])
    if found["month"]:
        month = _MONTHS.get(found["month"].lower(), 0)
        return _months(year, month, month) if month else None
    if found["season"]:
        season = found["season"].lower()
        if season == "winter":
            return _months(year - 1, 12, 12)[0], _months(year + 1, 2, 2)[1]
        return _months(year, *_SEASONS[season])
    if found["third"]:
        return _months(year, *_THIRDS[found["third"].lower()])
    if found["q"]:
        last = 3 * int(found["q"][1])
        return _months(year, last - 2, last)
    return _months(year, 1, 12)


def _months(year: int, first: int, last: int) -> tuple[dt.date, dt.date]:
    """First and last day of some months of a year."""
    after = dt.date(year + last // 12, last % 12 + 1, 1)
    return dt.date(year, first, 1), after - dt.timedelta(days=1)


def read_times(
    texts: Sequence[str],
    filled: Array,
    order: str | None,
    problems: Problems,
    *,
    vague: bool = False,
) -> pd.Series[Any]:
    """Times of the distinct texts, missing where a text is none or breaks a rule.

    With ``vague``, a month, a season or a year is its last day.
    """
    texts = [_with_plain_clock(WEEKDAY.sub("", text)) for text in texts]
    read = np.full(len(texts), np.datetime64("NaT", "ns"))
    iso = matches(texts, ISO)
    read[iso] = _to_times([texts[at] for at in np.flatnonzero(iso).tolist()], "ISO8601")
    rest = filled & ~iso
    if rest.any():
        problems.add("time with a zone", rest & matches(texts, _ZONED))
        problems.add("spreadsheet date number", rest & matches(texts, _SERIAL))
        year_first = rest & matches(texts, YEAR_FIRST)
        read[year_first] = _split_times(texts, np.flatnonzero(year_first), (0, 1, 2))
        year_last = rest & matches(texts, YEAR_LAST)
        _read_year_last(texts, np.flatnonzero(year_last), order, read, problems)
        for pattern in NAMED:
            named = np.flatnonzero(rest & matches(texts, pattern))
            read[named] = _named_times(texts, named, pattern)
    if vague:
        for at in np.flatnonzero(filled & np.isnat(read) & (problems.code == 0)).tolist():
            period = vague_period(texts[at])
            if period is not None:
                read[at] = np.datetime64(period[1], "ns")
    problems.add("date unreadable", filled & np.isnat(read))
    read[problems.code != 0] = np.datetime64("NaT", "ns")
    return pd.Series(read)


def _with_plain_clock(text: str) -> str:
    """A date and hours written ``0830``, ``8h30`` or ``8.30`` with those as ``08:30``."""
    date, _, rest = text.partition(" ")
    if not rest or ":" in rest or not re.fullmatch(r"\d+[-/.]\d+[-/.]\d+", date):
        return text
    clock = clock_of(rest)
    return text if clock is None else f"{date} {clock}"


def _read_year_last(
    texts: Sequence[str], at: Array, order: str | None, read: Array, problems: Problems
) -> None:
    """Dates like 03/04/2026 in the order the unit states, or where only one order is possible.

    A stated order decides nothing that the column itself speaks against.
    """
    if not len(at):
        return
    if order is not None and not matches(texts, _CERTAIN[_OTHER_ORDER[order]]).any():
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
