"""Thaws: those the log shows, those loggers read, and those a trial proves.

A trial while the log says freezer proves that the source was out. Under the
policy ``infer`` it counts as one thaw per source and calendar day, and the
source is out around every such trial of that day.

A thaw that a logger shows while the log says freezer counts as a stay outside
does: from its beginning, if it lasts ``thaw_after_h``. One that touches a stay
outside is the same thaw, and both together must last as long.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.exposure.log import (
    AMBIENT,
    DAY_S,
    DISCARDED,
    FOREVER,
    FREEZER,
    HOUR_S,
    Array,
    Clock,
    Log,
    SourceTable,
    code_of,
    search,
    spread,
    stack,
)
from outcomes.exposure.moments import moments
from outcomes.settings import RecordsSettings

MARGIN_H = 2
"""An unlogged thaw lasts from this long before the placing to this long after the start."""


@dataclass(frozen=True, slots=True)
class LoggedThaws:
    """Stays outside the freezer, as logged, that count as a thaw: k rows, sorted.

    Attributes
    ----------
    source, start, end
        Code of the source, when it left the freezer and when it went back or
        was discarded (``FOREVER`` if neither is logged), s, shape (k,).
    read
        True where it begins with a thaw that a logger shows in the freezer,
        shape (k,); None where there are no readings.
    """

    source: Array
    start: Array
    end: Array
    read: Array | None = None


@dataclass(frozen=True, slots=True)
class Thaws:
    """Every counted thaw: k rows sorted by source and time.

    Attributes
    ----------
    source, at
        Code of the source and moment from which the thaw counts, s, shape (k,).
    inferred
        True where a trial proves a thaw that the log lacks, shape (k,).
    read
        True where it begins with a thaw that a logger shows in the freezer,
        shape (k,); None where there are no readings.
    """

    source: Array
    at: Array
    inferred: Array
    read: Array | None = None


@dataclass(frozen=True, slots=True)
class UnloggedTrials:
    """Hide trials held while the log says freezer: k rows.

    Attributes
    ----------
    source, at, set_s
        Code of the source, moment of the trial and seconds from placing the
        source to that start, shape (k,).
    """

    source: Array
    at: Array
    set_s: Array


def find_logged_thaws(log: Log, settings: RecordsSettings) -> LoggedThaws:
    """Moves out of the freezer whose stay outside lasts ``thaw_after_h`` or longer.

    Refrigerator and ambient in a row are one stay outside. A stay whose end is
    not logged lasts for ever, and so counts. From the freezer to ``discarded``
    is no thaw. Where a logger shows a thaw in the freezer, the source counts as
    outside.
    """
    frozen = log.frozen()
    outside = ~frozen & (log.place != DISCARDED)
    leaves = np.zeros(len(outside), dtype=bool)
    leaves[1:] = outside[1:] & frozen[:-1] & (log.source[1:] == log.source[:-1])
    # A stay outside ends with its last row: the one before a freezer, a discard or another source.
    lasts = outside.copy()
    lasts[:-1] &= ~outside[1:] | (log.source[1:] != log.source[:-1])
    rows = np.flatnonzero(leaves)
    ends = np.flatnonzero(lasts)
    end = log.end()[ends[np.searchsorted(ends, rows)]]
    start = log.start[rows]
    counts = (end == FOREVER) | (end - start >= settings.thaw_after_h * HOUR_S)
    read = None if log.thawed is None else log.thawed[rows][counts]
    return LoggedThaws(log.source[rows][counts], start[counts], end[counts], read)


def find_unlogged_trials(
    log: Log, table: SourceTable, trials: pd.DataFrame, clock: Clock
) -> UnloggedTrials:
    """Hide trials while the log says freezer, with those a portion inherits.

    A trial without a time of day is one only where the log has the source in
    the freezer the whole day (see :func:`~outcomes.exposure.moments.moments`).
    A portion inherits those of its parent at or before its own
    ``acquired_on``. A missing ``set_min`` counts as 0.
    """
    source = code_of(table.ids, trials["source_id"])
    hides = np.flatnonzero(source >= 0)
    source, at = source[hides], moments(log, source, trials, clock)[hides]
    keys = clock.key(log.source, log.start)
    frozen = _frozen_at(log, keys, source, at, clock)
    source, at, hides = source[frozen], at[frozen], hides[frozen]
    set_s = np.zeros(len(hides), dtype=np.int64)
    if "set_min" in trials:
        set_min = np.nan_to_num(trials["set_min"].to_numpy(dtype=float)[hides])
        set_s = np.rint(set_min * 60).astype(np.int64)
    order = np.argsort(clock.key(source, at), kind="stable")
    found = UnloggedTrials(source[order], at[order], set_s[order])
    for portions in table.generations[1:]:
        parent = table.parent[portions]
        begin = np.searchsorted(found.source, parent)
        end = np.searchsorted(
            clock.key(found.source, found.at),
            clock.key(parent, table.acquired[portions]),
            side="right",
        )
        rows, which = spread(begin, np.maximum(begin, end))
        source = portions[which]
        at, set_s = found.at.take(rows), found.set_s.take(rows)
        frozen = _frozen_at(log, keys, source, at, clock)
        source = np.concatenate([found.source, source[frozen]])
        at = np.concatenate([found.at, at[frozen]])
        set_s = np.concatenate([found.set_s, set_s[frozen]])
        order = np.argsort(clock.key(source, at), kind="stable")
        found = UnloggedTrials(source[order], at[order], set_s[order])
    return found


def _frozen_at(log: Log, keys: Array, source: Array, at: Array, clock: Clock) -> Array:
    """Whether the log says freezer for each source and time."""
    row = search(log, keys, source, at, clock)
    frozen = row >= 0
    frozen[frozen] = log.place[row[frozen]] == FREEZER
    return frozen


@dataclass(frozen=True, slots=True)
class _Windows:
    """Spans of time in which a source was out, each within one ``group``."""

    source: Array
    day: Array
    group: Array
    begin: Array
    end: Array


def _merge(source: Array, day: Array, group: Array, begin: Array, end: Array) -> _Windows:
    """The union of the windows of each group; groups in order, windows by their begin."""
    order = np.lexsort((begin, group))
    source, day, group = source[order], day[order], group[order]
    begin, end = begin[order], end[order]
    low, height = end.min(), np.int64(end.max() - end.min() + 1)
    reach = np.maximum.accumulate(end - low + group * height) - group * height + low
    opens = np.ones(len(begin), dtype=bool)
    opens[1:] = (group[1:] != group[:-1]) | (begin[1:] > reach[:-1])
    first = np.flatnonzero(opens)
    last = np.append(first[1:], len(begin)) - 1
    return _Windows(source[first], day[first], group[first], begin[first], reach[last])


def add_unlogged_thaws(
    log: Log,
    logged: LoggedThaws,
    trials: UnloggedTrials,
    sources: int,
    settings: RecordsSettings,
    clock: Clock,
) -> tuple[Log, Thaws]:
    """The log with the source out around each trial that proves it, and all thaws.

    The source is out from ``set_s`` and two hours before each trial to two
    hours after its start, as far as the log says freezer. Each source and
    calendar day counts one thaw, from the first of those moments. Where such a
    window touches a logged thaw that starts or ends within it on the same day, or
    lies within one that a logger shows, that is the same thaw with its clock
    off: no other is added, but it counts from whichever came first.

    Returns
    -------
    tuple of Log and Thaws
        New objects; every thaw's moment is the start of a row.
    """
    none = np.zeros(len(logged.source), dtype=bool)
    if not len(trials.at):
        return log, Thaws(logged.source, logged.start, none, logged.read)
    margin = MARGIN_H * HOUR_S
    day = trials.at // DAY_S
    order = np.lexsort((day, trials.source))
    opens = np.ones(len(order), dtype=bool)
    opens[1:] = (np.diff(trials.source[order]) != 0) | (np.diff(day[order]) != 0)
    group = np.empty(len(order), dtype=np.int64)
    group[order] = np.cumsum(opens) - 1
    windows = _merge(
        trials.source, day, group, trials.at - trials.set_s - margin, trials.at + margin
    )
    keys = clock.key(log.source, log.start)
    first = np.flatnonzero(np.diff(windows.group, prepend=-1))
    source = windows.source[first]
    moment = _first_frozen(log, keys, source, windows.begin[first], clock)

    touched = np.minimum.reduceat(_touched(windows, logged, clock), first)
    known = touched < len(logged.source)
    at = logged.start.copy()
    np.minimum.at(at, touched[known], moment[known])
    thaw_source = np.concatenate([logged.source, source[~known]])
    thaw_at = np.concatenate([at, moment[~known]])
    inferred = np.concatenate([none, np.ones(np.count_nonzero(~known), dtype=bool)])
    order = np.argsort(clock.key(thaw_source, thaw_at), kind="stable")
    read = None
    if logged.read is not None:
        read = np.concatenate([logged.read, np.zeros(np.count_nonzero(~known), dtype=bool)])[order]
    thaws = Thaws(thaw_source[order], thaw_at[order], inferred[order], read)
    return _take_out(log, keys, windows, source, moment, sources, settings, clock), thaws


def _first_frozen(log: Log, keys: Array, source: Array, begin: Array, clock: Clock) -> Array:
    """The first moment from ``begin`` on at which the log says freezer, s."""
    row = np.searchsorted(keys, clock.key(source, begin), side="right") - 1
    here = (row >= 0) & (log.source[row] == source) & (log.place[row] == FREEZER)
    lasting = np.flatnonzero((log.place == FREEZER) & (log.end() > log.start))
    # The trial itself lies in a stay in the freezer, so there always is a next one.
    following = np.searchsorted(lasting, row + 1)
    following = lasting[np.minimum(following, len(lasting) - 1)]
    moment: Array = np.where(here, begin, log.start[following])
    return moment


def _touched(windows: _Windows, logged: LoggedThaws, clock: Clock) -> Array:
    """Position of the first logged thaw that each window touches on its own day.

    Where it touches none, the number of logged thaws.
    """
    count = len(logged.source)
    midnight = windows.day * DAY_S
    low = clock.key(windows.source, np.maximum(windows.begin, midnight))
    high = clock.key(windows.source, np.minimum(windows.end, midnight + DAY_S - 1))
    touched = np.full(len(low), count)
    for bound in (logged.start, logged.end):
        keys = clock.key(logged.source, bound)
        found = np.searchsorted(keys, low, side="left")
        within = found < np.searchsorted(keys, high, side="right")
        touched = np.where(within, np.minimum(touched, found), touched)
    if logged.read is not None and count:
        # A stay outside cannot hold a whole window, for the trial was in the freezer.
        around = np.searchsorted(clock.key(logged.source, logged.start), low, side="right") - 1
        holds = (around >= 0) & (logged.source[around] == windows.source)
        holds &= clock.key(logged.source, logged.end)[around] >= high
        touched = np.where(holds, np.minimum(touched, around), touched)
    return touched


def _take_out(
    log: Log,
    keys: Array,
    windows: _Windows,
    source: Array,
    moment: Array,
    sources: int,
    settings: RecordsSettings,
    clock: Clock,
) -> Log:
    """The log with each window's time in the freezer turned into ambient."""
    union = _merge(windows.source, windows.day, windows.source, windows.begin, windows.end)
    begin = np.searchsorted(keys, clock.key(union.source, union.begin), side="right") - 1
    begin += (begin < 0) | (log.source[begin] != union.source)
    end = np.searchsorted(keys, clock.key(union.source, union.end), side="right")
    rows, which = spread(begin, np.maximum(begin, end))
    frozen = log.place[rows] == FREEZER
    rows, which = rows[frozen], which[frozen]
    stay_end = log.end()[rows]
    leaves = np.maximum(union.begin[which], log.start[rows])
    returns = np.minimum(union.end[which], stay_end)
    lasting = returns > leaves
    rows, leaves, returns = rows[lasting], leaves[lasting], returns[lasting]
    back = returns < stay_end[lasting]

    resumed = log.take(rows[back]).starting(returns[back])
    # A thaw of one day may begin while the window of the day before is still open.
    extra = ~np.isin(clock.key(source, moment), clock.key(log.source[rows], leaves))
    extra_rows = np.searchsorted(keys, clock.key(source, moment), side="right")[extra] - 1
    out_rows = np.concatenate([rows, extra_rows])
    out = replace(
        log.take(out_rows),
        start=np.concatenate([leaves, moment[extra]]),
        place=np.full(len(out_rows), AMBIENT, dtype=np.int8),
        temperature=np.full(len(out_rows), settings.ambient_c),
    )
    if out.logger is not None:
        # Only a logger that travels with the source is out with it.
        out = out.with_logger(np.where(out.logger < sources, out.logger, -1))
    # At one moment the row that takes the source out must come after the logged one.
    effective = stack([log, resumed, out])
    order = np.argsort(clock.key(effective.source, effective.start), kind="stable")
    return effective.take(order)
