"""Storage log → the history of every source, ready to be asked at any moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from outcomes.exposure.log import (
    AMBIENT,
    DAY_S,
    DISCARDED,
    FOREVER,
    FREEZER,
    REFRIGERATOR,
    SEALED,
    UNDOCUMENTED,
    UNKNOWN,
    Array,
    Clock,
    Log,
    SourceTable,
    code_of,
    read_log,
    read_sources,
    seconds,
)
from outcomes.exposure.moments import as_times, moments
from outcomes.exposure.readings import (
    Read,
    add_readings,
    places_read,
    read_amounts,
    read_of,
    read_readings,
)
from outcomes.exposure.thaws import (
    MARGIN_H,
    Thaws,
    UnloggedTrials,
    add_unlogged_thaws,
    find_logged_thaws,
    find_unlogged_trials,
)
from outcomes.places import COUNTED_AS
from outcomes.records.checking.rules import SILENT_DAYS
from outcomes.records.columns import PACKAGINGS
from outcomes.settings import RecordsSettings


@dataclass(frozen=True, slots=True)
class Totals:
    """What each source has behind it when a stay begins; all of shape (m,).

    Attributes
    ----------
    frozen_s, refrigerated_s, ambient_s
        Time spent in each place before the stay, s.
    open_s
        Time in the freezer before the stay with packaging known and not sealed, s.
    unknown_s
        Time in the freezer before the stay with packaging unknown, s.
    degree_s
        Integral of temperature above the base before the stay, °C·s.
    thaws, inferred
        Counted thaws up to and including the beginning of the stay, and how
        many of them are inferred.
    thawed
        Moment of the latest of them, s; the lowest integer where there is none.
    longest_s
        Longest stay in the freezer before this one, s.
    froze
        Beginning of the stay in the freezer that this row belongs to, s
        (consecutive rows in the freezer are one stay).
    read
        Counted thaws up to and including the beginning of the stay that begin
        with a thaw a logger shows; None where there are no readings.
    covered_s, gap_s
        Time read before the stay, and time in a place or with a logger that the
        readings name without being read, s; None where there are no readings.
    """

    frozen_s: Array
    refrigerated_s: Array
    ambient_s: Array
    open_s: Array
    unknown_s: Array
    degree_s: Array
    thaws: Array
    inferred: Array
    thawed: Array
    longest_s: Array
    froze: Array
    read: Array | None = None
    covered_s: Array | None = None
    gap_s: Array | None = None


@dataclass(frozen=True, slots=True)
class History:
    """The history of every source: its effective stays and what they add up to.

    Attributes
    ----------
    table
        The n sources: ids, acquisition, age then, parents.
    log
        Effective stays (inherited, own, and out around unlogged thaws), sorted.
    as_logged
        The same without the unlogged thaws.
    first
        Position of each source's first stay, the end appended, shape (n + 1,).
    documented_from
        Moment from which the log covers a source, s; ``FOREVER`` where it
        never does, shape (n,). A first stay in the freezer is covered from the first move of any
        source on, where that is over ``SILENT_DAYS`` later.
    totals
        Cumulative sums at the beginning of each stay.
    counted
        Every counted thaw.
    clock
        Makes the search key of (source, time).
    settings
        The settings it was made with.
    read
        What temperature loggers read; None where there are no readings.
    """

    table: SourceTable
    log: Log
    as_logged: Log
    first: Array
    documented_from: Array
    totals: Totals
    counted: Thaws
    clock: Clock
    settings: RecordsSettings
    read: Read | None = None

    @property
    def source_ids(self) -> pd.Index[Any]:
        """Ids of the sources, in the order of ``sources``."""
        return self.table.ids

    def moments_of(self, trials: pd.DataFrame) -> pd.Series[Any]:
        """The moment of each trial, at which :func:`exposure_at` is to be asked.

        Parameters
        ----------
        trials
            ``source_id``, ``started_at`` and, where given, ``at_midnight`` (True
            where a start at 00:00 is a time of day and no date alone); n rows.

        Returns
        -------
        Series
            Times on the index of ``trials``: the start, to the whole second. For
            a trial with a date alone, the beginning of the stay outside the
            freezer that the log has on that day; midnight where it has none.
            Missing where the start is.
        """
        source = code_of(self.table.ids, trials["source_id"])
        return as_times(moments(self.as_logged, source, trials, self.clock), trials.index)

    def sources_frame(self) -> pd.DataFrame:
        """One row per source, as resolved.

        Returns
        -------
        DataFrame
            ``source_id``, ``acquired_on``, ``age_at_acquisition_days`` (a
            portion's from its parent where not given), ``documented_from`` and
            ``discarded_at`` (missing where the log has none).
        """
        begin, end = self.first[:-1], self.first[1:]
        discarded = np.full(len(begin), FOREVER)
        logged = np.flatnonzero(end > begin)
        last = end[logged] - 1
        gone = self.log.place[last] == DISCARDED
        discarded[logged[gone]] = self.log.start[last[gone]]
        return pd.DataFrame(
            {
                "source_id": self.table.ids,
                "acquired_on": _times(self.table.acquired),
                "age_at_acquisition_days": self.table.age,
                "documented_from": _times(self.documented_from),
                "discarded_at": _times(discarded),
            }
        )

    def stays_frame(self) -> pd.DataFrame:
        """One row per effective stay, gaps in the log kept visible.

        Where there are readings, a stay is cut where a logger begins or ends to
        speak, and where it shows the beginning or end of a thaw.

        Returns
        -------
        DataFrame
            ``source_id``, ``start``, ``end`` (missing while it goes on),
            ``place`` (missing where undocumented), ``temperature_c``,
            ``packaging`` (missing where unknown).
        """
        return pd.DataFrame(
            {
                "source_id": self.table.ids.to_numpy()[self.log.source],
                "start": _times(self.log.start),
                "end": _times(self.log.end()),
                "place": np.array([*COUNTED_AS, None], dtype=object)[self.log.place],
                "temperature_c": self.log.temperature,
                "packaging": np.array([*PACKAGINGS, None], dtype=object)[self.log.packaging],
            }
        )

    def thaws_frame(self) -> pd.DataFrame:
        """One row per counted thaw.

        Returns
        -------
        DataFrame
            ``source_id``, ``at``, ``inferred`` (bool) and, where there are
            readings, ``read`` (bool: a logger shows its beginning).
        """
        thaws = pd.DataFrame(
            {
                "source_id": self.table.ids.to_numpy()[self.counted.source],
                "at": _times(self.counted.at),
                "inferred": self.counted.inferred,
            }
        )
        return thaws if self.counted.read is None else thaws.assign(read=self.counted.read)


def storage_history(
    sources: pd.DataFrame,
    storage: pd.DataFrame,
    trials: pd.DataFrame,
    settings: RecordsSettings,
    readings: pd.DataFrame | None = None,
) -> History:
    """Turn the storage log into the history of every source.

    The log is a step function: from each ``moved_at`` a source stays in
    ``moved_to`` until its next move; nothing is assumed before the first.
    Clocks are read as written: plain arithmetic on local time, so the hour
    that daylight saving takes or gives is not adjusted. Times are taken to the
    whole second.

    Parameters
    ----------
    sources, storage, trials
        Tables of the records. Of moves of one source at one minute the last counts, by ``row``
        or the order of the frame where there is no such column; no other order
        matters. Moves and trials of sources that are not in ``sources`` have
        no part. A trial that starts at 00:00 has a date and no time of day,
        unless its ``at_midnight``, where there is such a column, is True.
    settings
        Default temperatures, ``thaw_after_h``, and ``unlogged_thaws``:
        ``"infer"`` adds the thaws that trials prove, ``"strict"`` adds none.
    readings
        What temperature loggers read: ``read_at``, ``temperature_c``, and
        ``source_id`` (the logger travels with the source) or ``place_id`` (it
        stays where moves with that ``place_id`` go; a move without one goes to
        the place called as its ``moved_to``). None or no rows: none.

    Returns
    -------
    History

    Raises
    ------
    RecordsError
        If a parent is not among the sources, parents go round in a circle, or
        a move goes to no known place.
    """
    table = read_sources(sources)
    if readings is None or readings.empty:
        clock, read = _clock(table, storage["moved_at"], trials["started_at"]), None
        log = read_log(storage, table, settings, clock)
    else:
        clock = _clock(table, storage["moved_at"], trials["started_at"], readings["read_at"])
        places = places_read(readings)
        read = read_of(read_readings(readings, places, table, settings, clock), table)
        log = read_log(storage, table, settings, clock, places)
        log = add_readings(log, read, clock)
    logged = find_logged_thaws(log, settings)
    if settings.unlogged_thaws == "infer":
        unlogged = find_unlogged_trials(log, table, trials, clock)
    else:
        none = np.empty(0, dtype=np.int64)
        unlogged = UnloggedTrials(none, none, none)
    as_logged = log
    log, thaws = add_unlogged_thaws(log, logged, unlogged, len(table.ids), settings, clock)
    totals = _add_up(log, thaws, read, settings, clock)
    first = log.first_rows(len(table.ids))
    documented_from = np.full(len(table.ids), FOREVER)
    documented = np.flatnonzero(log.place != UNDOCUMENTED)
    sources_logged, place_of_first = np.unique(log.source[documented], return_index=True)
    documented_from[sources_logged] = log.start[documented[place_of_first]]
    silent, moved = _silent_first_stays(as_logged, sources)
    documented_from[silent] = moved
    return History(
        table, log, as_logged, first, documented_from, totals, thaws, clock, settings, read
    )


def _silent_first_stays(log: Log, sources: pd.DataFrame) -> tuple[Array, Array]:
    """Sources said to be frozen for months before anything was logged, and when that began.

    Of a source's first stay, in the freezer, the days before the first move of any source on the
    log say no more than no log; from then on that it was not moved can be believed. No more than
    ``SILENT_DAYS`` are let pass, and all where ``cycles_before`` says what happened in them.
    """
    logged, start, rows = np.unique(log.source, return_index=True, return_counts=True)
    moves = np.delete(log.start, start)
    began = moves.min() if len(moves) else FOREVER
    logged, start = logged[rows > 1], start[rows > 1]
    silent = log.place[start] == FREEZER
    silent &= began - log.start[start] > SILENT_DAYS * DAY_S
    if "cycles_before" in sources:
        silent &= sources["cycles_before"].isna().to_numpy()[logged]
    return logged[silent], np.full(int(silent.sum()), began)


def _times(at: Array) -> Array:
    """Times as pandas keeps them; ``FOREVER`` becomes missing."""
    times = np.where(at == FOREVER, 0, at).astype("datetime64[s]").astype("datetime64[ns]")
    times[at == FOREVER] = np.datetime64("NaT")
    return times


def _clock(table: SourceTable, *columns: pd.Series[Any]) -> Clock:
    """A clock that holds every time in the records and every unlogged thaw's window."""
    known = [table.acquired]
    for times in columns:
        if times.notna().any():
            known.append(seconds(pd.Series([times.min(), times.max()])))
    every = np.concatenate(known)
    if not len(every):
        return Clock(0, 1)
    origin = int(every.min()) - 1
    end = int(every.max()) + MARGIN_H * 3_600 + 2
    return Clock(origin, end - origin)


def _before(amount: Array, opens: Array) -> Array:
    """Sum of ``amount`` over the earlier rows of the same source (integers: exact)."""
    total = np.cumsum(amount)
    total -= amount
    return total - _held(total, opens)


def _held(values: Array, opens: Array) -> Array:
    """Each source's value at its first row, repeated over its rows."""
    first = np.flatnonzero(opens)
    return np.repeat(values[first], np.diff(np.append(first, len(values))))


def _add_up(
    log: Log, thaws: Thaws, read: Read | None, settings: RecordsSettings, clock: Clock
) -> Totals:
    opens = log.opens()
    # The last stay of a source has no end; nothing follows it to be added up.
    end = log.end()
    length = np.where(end == FOREVER, 0, end - log.start)
    frozen = log.place == FREEZER
    warmth = np.nan_to_num(np.maximum(log.temperature - settings.base_c, 0))
    amount = warmth * length
    of_readings: dict[str, Array] = {}
    if read is not None and thaws.read is not None:
        rows = np.arange(len(length))
        amount, covered, gap = read_amounts(log, rows, length, warmth, read, clock)
        of_readings = {"covered_s": _before(covered, opens), "gap_s": _before(gap, opens)}
    by_source = pd.Series(amount).groupby(log.source, sort=False)
    degree = np.zeros(len(length))
    # Summed within each source, so that one source's log cannot touch another's digits.
    degree[1:] = by_source.cumsum().to_numpy()[:-1]
    degree[opens] = 0

    origin = clock.key(log.source, np.full(len(length), clock.origin))
    keys = clock.key(log.source, log.start)
    thaw_keys = clock.key(thaws.source, thaws.at)
    until = np.searchsorted(thaw_keys, keys, side="right")
    since = np.searchsorted(thaw_keys, origin, side="left")
    inferred = np.append(0, np.cumsum(thaws.inferred))
    if thaws.read is not None:
        shown = np.append(0, np.cumsum(thaws.read))
        of_readings["read"] = (shown[until] - shown[since]).astype(np.int32)
    thawed = np.append(thaws.at, np.iinfo(np.int64).min)[np.where(until > since, until - 1, -1)]

    freezes = frozen.copy()
    freezes[1:] &= ~frozen[:-1] | opens[1:]
    froze = np.maximum.accumulate(np.where(freezes, keys, -1)) - origin + clock.origin
    run = np.where(frozen, log.start + length - froze, 0)
    longest = np.zeros(len(length), dtype=np.int64)
    longest[1:] = (np.maximum.accumulate(run + origin) - origin)[:-1]
    longest[opens] = 0
    return Totals(
        frozen_s=_before(length * frozen, opens),
        refrigerated_s=_before(length * (log.place == REFRIGERATOR), opens),
        ambient_s=_before(length * (log.place == AMBIENT), opens),
        open_s=_before(
            length * (frozen & (log.packaging != SEALED) & (log.packaging != UNKNOWN)), opens
        ),
        unknown_s=_before(length * (frozen & (log.packaging == UNKNOWN)), opens),
        degree_s=degree,
        thaws=(until - since).astype(np.int32),
        inferred=(inferred[until] - inferred[since]).astype(np.int32),
        thawed=thawed,
        longest_s=longest,
        froze=froze,
        **of_readings,
    )
