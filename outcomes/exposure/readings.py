"""What temperature loggers read: warmth between readings, thaws, and the gaps left over.

A logger travels with a source or stays in a place. Between two readings of one
logger at most ``longest_reading_gap_h`` apart the temperature runs in a straight
line; at any other moment the logger says nothing. It shows a thaw from the
moment its temperature rises above ``thawed_above_c`` until it falls below
``frozen_below_c`` or falls silent. In between a thaw, once begun, goes on and a
freeze goes on; a logger that begins there shows no thaw.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from outcomes.exposure.log import (
    DISCARDED,
    FREEZER,
    HOUR_S,
    UNDOCUMENTED,
    Array,
    Clock,
    Log,
    SourceTable,
    code_of,
    seconds,
    spread,
    stack,
)
from outcomes.settings import RecordsSettings


@dataclass(frozen=True, slots=True)
class Readings:
    """k readings sorted by logger and time, and what follows from them.

    A logger's code is that of the source it travels with, or the number of
    sources plus the position of the place it stays in.

    Attributes
    ----------
    logger, at, temperature
        Code of the logger, moment, s, and °C, shape (k,).
    joined
        True where the next reading is near enough for a straight line, shape (k,).
    keys
        Search keys of (logger, moment), shape (k,).
    degree_s, covered_s
        Integral of temperature above the base, °C·s, and time covered, s, from
        the logger's first reading to this one, shape (k,).
    thaw_logger, thaw_start, thaw_end
        Thaws each logger shows, sorted, shape (j,).
    base_c
        Base temperature of ``degree_s``.
    """

    logger: Array
    at: Array
    temperature: Array
    joined: Array
    keys: Array
    degree_s: Array
    covered_s: Array
    thaw_logger: Array
    thaw_start: Array
    thaw_end: Array
    base_c: float

    def until(self, logger: Array, at: Array, clock: Clock) -> tuple[Array, Array]:
        """Integral above the base, °C·s, and time covered, s, by each moment, shape (n,)."""
        if not len(self.keys):
            return np.zeros(len(at)), np.zeros(len(at), dtype=np.int64)
        row = np.searchsorted(self.keys, clock.key(logger, at), side="right") - 1
        known = (row >= 0) & (self.logger[row] == logger)
        degree = np.where(known, self.degree_s[row], 0.0)
        covered = np.where(known, self.covered_s[row], 0)
        within = np.flatnonzero(known & self.joined[row])
        row = row[within]
        since = at[within] - self.at[row]
        slope = (self.temperature[row + 1] - self.temperature[row]) / (
            self.at[row + 1] - self.at[row]
        )
        first = self.temperature[row] - self.base_c
        degree[within] += _positive_area(first, first + slope * since, since)
        covered[within] += since
        return degree, covered

    def spans(self) -> tuple[Array, Array, Array]:
        """Logger, begin and end of each span of time covered without a gap, s."""
        opens = self.joined.copy()
        opens[1:] &= ~self.joined[:-1]
        closes = ~self.joined
        closes[1:] &= self.joined[:-1]
        closes[:1] = False
        return self.logger[opens], self.at[opens], self.at[closes]


@dataclass(frozen=True, slots=True)
class Carried:
    """Spans covered by a logger that travels with a source: p rows, sorted.

    Attributes
    ----------
    source, start, end
        Code of the source, begin and end of the span, s, shape (p,).
    logger
        Code of the logger: for what a portion inherits, that of its parent, shape (p,).
    any_of
        True for each source that has a row, shape (n,).
    """

    source: Array
    start: Array
    end: Array
    logger: Array
    any_of: Array


@dataclass(frozen=True, slots=True)
class Read:
    """What was read of places and of sources."""

    readings: Readings
    carried: Carried


def places_read(readings: pd.DataFrame) -> pd.Index[Any]:
    """Names of the places that readings name, sorted."""
    if "place_id" not in readings:
        return pd.Index([], dtype=object)
    places: pd.Index[Any] = pd.Index(sorted(readings["place_id"].dropna().unique()), dtype=object)
    return places


def read_readings(
    readings: pd.DataFrame,
    places: pd.Index[Any],
    table: SourceTable,
    settings: RecordsSettings,
    clock: Clock,
) -> Readings:
    """Sort the readings by logger and time, and add up what lies between them.

    Of several readings of one logger at one time the last row counts. Readings
    of sources that are not in ``table``, and those without a temperature, have
    no part; one that names both a source and a place is the source's.
    """
    n = len(table.ids)
    source = np.full(len(readings), -1)
    place = np.full(len(readings), -1)
    if "source_id" in readings:
        source = code_of(table.ids, readings["source_id"])
        named = readings["source_id"].notna().to_numpy()
    else:
        named = np.zeros(len(readings), dtype=bool)
    if "place_id" in readings:
        place = code_of(places, readings["place_id"])
    logger = np.where(named, source, np.where(place < 0, -1, place + n))
    at = seconds(readings["read_at"])
    temperature = readings["temperature_c"].to_numpy(dtype=float)
    known = (logger >= 0) & readings["read_at"].notna().to_numpy() & ~np.isnan(temperature)
    order = np.flatnonzero(known)
    if "row" in readings:
        order = order[np.argsort(readings["row"].to_numpy()[order], kind="stable")]
    keys = clock.key(logger[order], at[order])
    sorting = np.argsort(keys, kind="stable")
    order, keys = order[sorting], keys[sorting]
    last = np.ones(len(keys), dtype=bool)
    last[:-1] = keys[1:] != keys[:-1]
    order, keys = order[last], keys[last]
    logger, at, temperature = logger[order], at[order], temperature[order]

    joined = np.zeros(len(keys), dtype=bool)
    apart = np.diff(at)
    longest = settings.longest_reading_gap_h * HOUR_S
    joined[:-1] = (logger[1:] == logger[:-1]) & (apart <= longest)
    above = temperature - settings.base_c
    degree: Array = np.zeros(len(keys))
    degree[1:] = np.where(joined[:-1], _positive_area(above[:-1], above[1:], apart), 0)
    covered: Array = np.zeros(len(keys), dtype=np.int64)
    covered[1:] = np.where(joined[:-1], apart, 0)
    # Summed within each logger, so that one logger's readings cannot touch another's digits.
    degree = pd.Series(degree).groupby(logger, sort=False).cumsum().to_numpy()
    covered = pd.Series(covered).groupby(logger, sort=False).cumsum().to_numpy()
    thaws = _find_thaws(logger, at, temperature, joined, settings)
    return Readings(logger, at, temperature, joined, keys, degree, covered, *thaws, settings.base_c)


def _positive_area(first: Array, last: Array, length: Array) -> Array:
    """Integral of the positive part of a straight line from ``first`` to ``last``."""
    high, low = np.maximum(first, last), np.minimum(first, last)
    crossing = (high > 0) & (low < 0)
    fall = np.where(crossing, high - low, 1.0)
    triangle = np.maximum(high, 0) ** 2 / (2 * fall)
    trapezoid = (np.maximum(first, 0) + np.maximum(last, 0)) / 2
    area: Array = np.where(crossing, triangle, trapezoid) * length
    return area


def _find_thaws(
    logger: Array, at: Array, temperature: Array, joined: Array, settings: RecordsSettings
) -> tuple[Array, Array, Array]:
    """Logger, begin and end of each thaw, to the nearest second."""
    thawed_above, frozen_below = settings.thawed_above_c, settings.frozen_below_c
    opens = np.ones(len(at), dtype=bool)
    opens[1:] = ~joined[:-1]
    decides = opens | (temperature > thawed_above) | (temperature < frozen_below)
    latest = np.maximum.accumulate(np.where(decides, np.arange(len(at)), 0))
    thawed = (temperature > thawed_above)[latest]

    # A straight line between readings crosses the threshold that changes the state once.
    rises = np.flatnonzero(joined[:-1] & ~thawed[:-1] & thawed[1:])
    falls = np.flatnonzero(joined[:-1] & thawed[:-1] & ~thawed[1:])
    begins = np.flatnonzero(opens & thawed)
    ceases = np.flatnonzero(~joined & thawed)
    start_row = np.concatenate([rises, begins])
    start = np.concatenate([_crossing(at, temperature, rises, thawed_above), at[begins]])
    end_row = np.concatenate([falls, ceases])
    end = np.concatenate([_crossing(at, temperature, falls, frozen_below), at[ceases]])
    first, last = np.argsort(start_row, kind="stable"), np.argsort(end_row, kind="stable")
    start, end, whose = start[first], end[last], logger[start_row[first]]
    lasting = end > start
    return whose[lasting], start[lasting], end[lasting]


def _crossing(at: Array, temperature: Array, row: Array, threshold: float) -> Array:
    """Moment at which the line from each row to the next crosses the threshold, s."""
    share = (threshold - temperature[row]) / (temperature[row + 1] - temperature[row])
    moment: Array = at[row] + np.rint(share * (at[row + 1] - at[row])).astype(np.int64)
    return moment


def read_of(readings: Readings, table: SourceTable) -> Read:
    """Readings with the spans of those that travel with sources."""
    return Read(readings, _carried(readings, table))


def _carried(readings: Readings, table: SourceTable) -> Carried:
    """Spans covered by loggers that travel with sources, and what portions inherit.

    A portion inherits what was read of its parent before its own
    ``acquired_on``, and has its own readings from then on.
    """
    logger, start, end = readings.spans()
    own = logger < len(table.ids)
    spans = _Spans(logger[own], start[own], end[own], logger[own])
    generation_of = np.empty(len(table.ids), dtype=np.int32)
    for number, members in enumerate(table.generations):
        generation_of[members] = number
    whole = generation_of[spans.source] == 0
    parts = [_take(spans, whole)]
    for number, portions in enumerate(table.generations[1:], start=1):
        known, parent = parts[-1], table.parent[portions]
        begin = np.searchsorted(known.source, parent, side="left")
        stop = np.searchsorted(known.source, parent, side="right")
        rows, which = spread(begin, stop)
        cut = table.acquired[portions][which]
        inherited = _Spans(
            portions[which],
            known.start[rows],
            np.minimum(known.end[rows], cut),
            known.logger[rows],
        )
        mine = _take(spans, generation_of[spans.source] == number)
        mine = _Spans(
            mine.source,
            np.maximum(mine.start, table.acquired[mine.source]),
            mine.end,
            mine.logger,
        )
        parts.append(_sorted(_join([inherited, mine])))
    every = _sorted(_join(parts))
    any_of = np.zeros(len(table.ids), dtype=bool)
    any_of[every.source] = True
    return Carried(*every, any_of)


class _Spans(NamedTuple):
    """Source, begin, end and logger of spans, as in :class:`Carried`."""

    source: Array
    start: Array
    end: Array
    logger: Array


def _take(spans: _Spans, rows: Array) -> _Spans:
    return _Spans(spans.source[rows], spans.start[rows], spans.end[rows], spans.logger[rows])


def _join(parts: list[_Spans]) -> _Spans:
    return _Spans(
        np.concatenate([part.source for part in parts]),
        np.concatenate([part.start for part in parts]),
        np.concatenate([part.end for part in parts]),
        np.concatenate([part.logger for part in parts]),
    )


def _sorted(spans: _Spans) -> _Spans:
    """Sorted by source and time, without those of no length."""
    spans = _take(spans, spans.end > spans.start)
    return _take(spans, np.lexsort((spans.start, spans.source)))


def add_readings(log: Log, read: Read, clock: Clock) -> Log:
    """The log cut where a logger begins or ends to speak, and where it shows a thaw.

    Parameters
    ----------
    log
        With the loggers of places in ``logger``.

    Returns
    -------
    Log
        With each row's ``logger`` (one that travels with the source goes before
        that of the place), and ``thawed`` where it shows a thaw in the freezer.
    """
    readings, carried = read.readings, read.carried
    log = _cut(
        log,
        np.concatenate([carried.source, carried.source]),
        np.concatenate([carried.start, carried.end]),
        clock,
    )
    assert log.logger is not None
    if len(carried.source):
        keys = clock.key(carried.source, carried.start)
        span = np.searchsorted(keys, clock.key(log.source, log.start), side="right") - 1
        speaks = (
            (span >= 0) & (carried.source[span] == log.source) & (log.start < carried.end[span])
        )
        log = log.with_logger(np.where(speaks, carried.logger[span], log.logger))

    assert log.logger is not None
    rows = np.flatnonzero((log.place == FREEZER) & (log.logger >= 0))
    logger, start, end = log.logger[rows], log.start[rows], log.end()[rows]
    begins = clock.key(readings.thaw_logger, readings.thaw_start)
    ends = clock.key(readings.thaw_logger, readings.thaw_end)
    first = np.searchsorted(ends, clock.key(logger, start), side="right")
    stop = np.searchsorted(begins, clock.key(logger, end), side="left")
    thaw, which = spread(first, np.maximum(first, stop))
    log = _cut(
        log,
        np.tile(log.source[rows][which], 2),
        np.concatenate([readings.thaw_start[thaw], readings.thaw_end[thaw]]),
        clock,
        within=(np.tile(start[which], 2), np.tile(end[which], 2)),
    )
    assert log.logger is not None
    thawed = np.zeros(len(log.source), dtype=bool)
    if len(begins):
        latest = np.searchsorted(begins, clock.key(log.logger, log.start), side="right") - 1
        thawed = (
            (log.place == FREEZER)
            & (latest >= 0)
            & (readings.thaw_logger[latest] == log.logger)
            & (log.start < readings.thaw_end[latest])
        )
    return log.with_thawed(thawed)


def _cut(
    log: Log,
    source: Array,
    at: Array,
    clock: Clock,
    within: tuple[Array, Array] | None = None,
) -> Log:
    """The log with a row beginning at each of these moments that lies within a stay."""
    if within is not None:
        inside = (at > within[0]) & (at < within[1])
        source, at = source[inside], at[inside]
    keys = clock.key(log.source, log.start)
    wanted, which = np.unique(clock.key(source, at), return_index=True)
    if not len(wanted) or not len(keys):
        return log
    row = np.searchsorted(keys, wanted, side="right") - 1
    cuts = (row >= 0) & (log.source[row] == source[which]) & (keys[row] != wanted)
    cuts &= log.place[row] != DISCARDED
    added = log.take(row[cuts]).starting(at[which][cuts])
    whole = stack([log, added])
    return whole.take(np.argsort(clock.key(whole.source, whole.start), kind="stable"))


def read_amounts(
    log: Log, rows: Array, length: Array, warmth: Array, read: Read, clock: Clock
) -> tuple[Array, Array, Array]:
    """What parts of rows add up to: °C·s above the base, s read, and s in a gap.

    Parameters
    ----------
    log, rows
        The log and positions in it, shape (n,).
    length
        Seconds from the beginning of each row, shape (n,).
    warmth
        °C above the base of the place itself, shape (n,); 0 where there is none.
    """
    assert log.logger is not None
    logger, start = log.logger[rows], log.start[rows]
    kept = (log.place[rows] != UNDOCUMENTED) & (log.place[rows] != DISCARDED)
    degree = warmth * length
    covered = np.zeros(len(length), dtype=np.int64)
    at = np.flatnonzero(kept & (logger >= 0))
    begin = read.readings.until(logger[at], start[at], clock)
    end = read.readings.until(logger[at], start[at] + length[at], clock)
    covered[at] = end[1] - begin[1]
    degree[at] = end[0] - begin[0] + warmth[at] * (length[at] - covered[at])
    may_be_read = kept & ((logger >= 0) | read.carried.any_of[log.source[rows]])
    return degree, covered, np.where(may_be_read, length - covered, 0)
