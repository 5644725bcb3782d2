"""The storage log as a step function per source, with what portions inherit.

Everything here works on sorted flat arrays: one row per move, the sources one
after another, each in order of time. Times are whole seconds of local time
since 1970; clocks are read as written, so the hour that daylight saving takes
or gives is not adjusted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import RecordsError
from outcomes.places import COUNTED_AS, PLACES
from outcomes.records.columns import PACKAGINGS
from outcomes.settings import RecordsSettings

Array = npt.NDArray[Any]

FREEZER, REFRIGERATOR, AMBIENT, DISCARDED = range(len(COUNTED_AS))
UNDOCUMENTED = -1
_PACKAGINGS = pd.Index(list(PACKAGINGS))
SEALED = _PACKAGINGS.get_loc("sealed")
UNKNOWN = -1
DAY_S = 86_400
HOUR_S = 3_600
MINUTE_S = 60
FOREVER = np.iinfo(np.int64).max
_UNCHANGED = -2
_PIECE = 1 << 19
_COUNTS_AS = np.array(
    [COUNTED_AS.index(place.counts_as) for place in PLACES.values()], dtype=np.int8
)


@dataclass(frozen=True, slots=True)
class Clock:
    """One integer key for (source, time), so that a single search finds both.

    Attributes
    ----------
    origin, span
        Every time in use lies strictly within ``origin`` to ``origin + span``, s.
    """

    origin: int
    span: int

    def key(self, source: Array, at: Array) -> Array:
        """Key of each (source code, time); times out of range take the nearest end."""
        within: Array = np.clip(at, self.origin, self.origin + self.span - 1)
        within -= self.origin
        within += source * np.int64(self.span)
        return within


@dataclass(frozen=True, slots=True)
class SourceTable:
    """What is known of the n sources themselves.

    Attributes
    ----------
    ids
        Source ids; the position of an id is the source's code.
    acquired
        Midnight of ``acquired_on``, s, shape (n,).
    age
        Age at acquisition, days, shape (n,); a portion's follows its parent's
        where it is not given, a whole source's is 0.
    packaging, packaging_before
        Code of ``packaging`` as given for the source itself, and of what held
        before the first row of its effective log, shape (n,).
    parent
        Code of the source it was cut from, -1 for none, shape (n,).
    cycles
        Cycles to be added to those of the log, shape (n,): ``cycles_before`` (a portion's
        that of its parent where not given), and what a count by hand has beyond it.
    generations
        Codes of the whole sources, then of their portions, then of theirs, ...
    """

    ids: pd.Index[Any]
    acquired: Array
    age: Array
    packaging: Array
    packaging_before: Array
    parent: Array
    generations: tuple[Array, ...]
    cycles: Array


@dataclass(frozen=True, slots=True)
class Log:
    """The step function of every source: m rows sorted by source and time.

    Attributes
    ----------
    source, start
        Code of the source and begin of the stay, s, shape (m,).
    place
        Position in ``COUNTED_AS`` of what the place counts as, or ``UNDOCUMENTED``,
        shape (m,).
    temperature
        °C of the place, shape (m,); missing where undocumented or discarded.
    packaging
        Position in ``PACKAGINGS``, or ``UNKNOWN``, shape (m,).
    logger
        Code of the temperature logger that speaks for the stay, -1 for none,
        shape (m,); None where there are no readings.
    thawed
        True where a logger shows a thaw in the freezer, shape (m,); None where
        there are no readings.
    """

    source: Array
    start: Array
    place: Array
    temperature: Array
    packaging: Array
    logger: Array | None = None
    thawed: Array | None = None

    def take(self, rows: Array) -> Log:
        """The rows at these positions (or under this mask)."""
        return Log(
            self.source[rows],
            self.start[rows],
            self.place[rows],
            self.temperature[rows],
            self.packaging[rows],
            None if self.logger is None else self.logger[rows],
            None if self.thawed is None else self.thawed[rows],
        )

    def starting(self, at: Array) -> Log:
        """The same rows, begun at other moments."""
        return replace(self, start=at)

    def with_logger(self, logger: Array) -> Log:
        """The same rows, read by other loggers."""
        return replace(self, logger=logger)

    def with_thawed(self, thawed: Array) -> Log:
        """The same rows, thawed or not."""
        return replace(self, thawed=thawed)

    def frozen(self) -> Array:
        """True where the log says freezer and no logger shows a thaw, shape (m,)."""
        frozen: Array = self.place == FREEZER
        return frozen if self.thawed is None else frozen & ~self.thawed

    def opens(self) -> Array:
        """True at the first row of each source, shape (m,)."""
        opens = np.ones(len(self.source), dtype=bool)
        opens[1:] = self.source[1:] != self.source[:-1]
        return opens

    def end(self) -> Array:
        """End of each stay, s; ``FOREVER`` for the last of a source, shape (m,)."""
        end = np.full(len(self.start), FOREVER)
        follows = self.source[1:] == self.source[:-1]
        end[:-1][follows] = self.start[1:][follows]
        return end

    def first_rows(self, sources: int) -> Array:
        """Position of each source's first row, with the end appended, shape (sources + 1,)."""
        first: Array = np.searchsorted(self.source, np.arange(sources + 1))
        return first


def search(log: Log, keys: Array, source: Array, at: Array, clock: Clock) -> Array:
    """Row of each source's latest stay begun by each moment, -1 where none has, shape (n,).

    ``keys`` are the log's own, shape (m,). At one moment the last row counts.
    """
    row = np.full(len(source), -1)
    if not len(keys):
        return row
    for begin in range(0, len(source), _PIECE):
        piece = slice(begin, begin + _PIECE)
        asked = clock.key(source[piece], at[piece])
        # Neighbours are looked up one after another, which memory rewards.
        order = np.argsort(asked)
        found = np.empty(len(order), dtype=np.int64)
        found[order] = np.searchsorted(keys, asked[order], side="right") - 1
        found[log.source[found] != source[piece]] = -1
        row[piece] = found
    return row


def stack(logs: list[Log]) -> Log:
    """The rows of several logs, one after another."""
    return Log(
        np.concatenate([log.source for log in logs]),
        np.concatenate([log.start for log in logs]),
        np.concatenate([log.place for log in logs]),
        np.concatenate([log.temperature for log in logs]),
        np.concatenate([log.packaging for log in logs]),
        _stacked([log.logger for log in logs]),
        _stacked([log.thawed for log in logs]),
    )


def _stacked(columns: list[Array | None]) -> Array | None:
    """Columns one after another, where every log has them."""
    known = [column for column in columns if column is not None]
    return np.concatenate(known) if len(known) == len(columns) else None


def usual_temperatures(settings: RecordsSettings) -> Array:
    """°C of each of ``PLACES`` where the log gives none; missing where nothing is stored."""
    usual = [getattr(settings, f"{place.name}_c", place.usual_c) for place in PLACES.values()]
    return np.array(usual, dtype=float)


def seconds(times: pd.Series[Any]) -> Array:
    """Whole seconds since 1970, shape (n,); a missing time gives the lowest integer."""
    return times.to_numpy().astype("datetime64[s]").astype(np.int64)


def code_of(ids: pd.Index[Any], values: pd.Series[Any]) -> Array:
    """Position of each value in ``ids``, -1 where missing or unknown, shape (n,)."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        codes = np.append(ids.get_indexer(values.cat.categories), -1)
        return codes[values.cat.codes.to_numpy()]
    # A missing id must not match anything, whatever kind of missing it is.
    codes = ids.get_indexer(pd.Index(values))
    return np.where(values.isna().to_numpy(), -1, codes)


def read_sources(sources: pd.DataFrame) -> SourceTable:
    """Sort out who was cut from whom.

    Raises
    ------
    RecordsError
        If a portion's parent is not among the sources, or portions are each
        other's parents.
    """
    ids = pd.Index(sources["source_id"], dtype=object)
    n = len(ids)
    acquired = seconds(sources["acquired_on"])
    acquired -= acquired % DAY_S
    packaging = np.full(n, UNKNOWN, dtype=np.int8)
    if "packaging" in sources:
        packaging = code_of(_PACKAGINGS, sources["packaging"]).astype(np.int8)
    age = np.full(n, np.nan)
    if "age_at_acquisition_days" in sources:
        age = sources["age_at_acquisition_days"].to_numpy(dtype=float, copy=True)
    parent = np.full(n, -1)
    if "parent_id" in sources:
        parent = code_of(ids, sources["parent_id"])
        orphans = sources["parent_id"].notna().to_numpy() & (parent < 0)
        if orphans.any():
            named = sources["parent_id"].to_numpy()[orphans][0]
            raise RecordsError(
                f"sources: parent {named!r} of {ids[orphans][0]!r} is not among the sources. "
                "Add it, or leave parent_id empty."
            )
    generations = _generations(ids, parent)
    before = packaging.copy()
    whole = generations[0]
    age[whole] = np.nan_to_num(age[whole])
    for portions in generations[1:]:
        own = parent[portions]
        inherited = age[own] + (acquired[portions] - acquired[own]) / DAY_S
        age[portions] = np.where(np.isnan(age[portions]), inherited, age[portions])
        before[portions] = before[own]
    cycles = np.full(n, np.nan)
    if "cycles_before" in sources:
        cycles = sources["cycles_before"].to_numpy(dtype=float, copy=True)
    cycles[whole] = np.nan_to_num(cycles[whole])
    for portions in generations[1:]:
        inherited = cycles[parent[portions]]
        cycles[portions] = np.where(np.isnan(cycles[portions]), inherited, cycles[portions])
    return SourceTable(ids, acquired, age, packaging, before, parent, generations, cycles)


def _generations(ids: pd.Index[Any], parent: Array) -> tuple[Array, ...]:
    reached = parent < 0
    generations = [np.flatnonzero(reached)]
    while not reached.all():
        portions = np.flatnonzero(~reached & reached[parent])
        if not len(portions):
            raise RecordsError(
                f"sources: following parent_id from {ids[~reached][0]!r} leads round in a circle. "
                "Correct parent_id."
            )
        generations.append(portions)
        reached[portions] = True
    return tuple(generations)


def read_log(
    storage: pd.DataFrame,
    table: SourceTable,
    settings: RecordsSettings,
    clock: Clock,
    places: pd.Index[Any] | None = None,
) -> Log:
    """The effective log of every source: its own moves after those it inherits.

    A portion inherits the moves of its parent's effective log up to and
    including its own ``acquired_on``, each with the packaging the parent had
    then; its own follow from ``acquired_on`` on, and its own ``packaging``,
    where given, holds from then. That the rest of the parent was
    discarded is not inherited. Of moves of one source at one minute the last in the
    file counts, with what those before it say of packaging. Nothing after ``discarded`` is kept.

    Where ``places`` are given, those that readings name, a move goes to the one
    its ``place_id`` names, or, without one, to the one called as ``moved_to``;
    ``logger`` is the number of sources plus the position of the place.

    Raises
    ------
    RecordsError
        If a move goes to a place that is not in ``PLACES``.
    """
    own = _own_moves(storage, table, settings, clock, places)
    if len(table.generations) == 1:
        return _last_of_each_minute(_settle(own, table.packaging_before))

    early = (table.parent[own.source] >= 0) & (own.start < table.acquired[own.source])
    own = own.take(~early) if early.any() else own
    generation_of = np.empty(len(table.ids), dtype=np.int32)
    for number, members in enumerate(table.generations):
        generation_of[members] = number
    row_generation = generation_of[own.source]
    logs = [_settle(own.take(row_generation == 0), table.packaging_before)]
    for number, portions in enumerate(table.generations[1:], start=1):
        inherited = _inherit(logs[-1], portions, table, clock)
        repacked = portions[table.packaging[portions] != UNKNOWN]
        cut = Log(
            repacked,
            table.acquired[repacked],
            np.full(len(repacked), _UNCHANGED, dtype=np.int8),
            np.full(len(repacked), np.nan),
            table.packaging[repacked],
            None if places is None else np.full(len(repacked), -1),
        )
        rows = stack([inherited, cut, own.take(row_generation == number)])
        order = np.argsort(clock.key(rows.source, rows.start), kind="stable")
        logs.append(_settle(rows.take(order), table.packaging_before))
    rows = stack(logs)
    return _last_of_each_minute(rows.take(np.argsort(rows.source, kind="stable")))


def _last_of_each_minute(rows: Log) -> Log:
    """Of the rows of one source at one minute the last alone: a stay of no length is none."""
    minute = rows.start // MINUTE_S
    again = (minute[1:] == minute[:-1]) & (rows.source[1:] == rows.source[:-1])
    return rows.take(np.append(~again, True)) if again.any() else rows


def _own_moves(
    storage: pd.DataFrame,
    table: SourceTable,
    settings: RecordsSettings,
    clock: Clock,
    places: pd.Index[Any] | None,
) -> Log:
    """The moves as logged, sorted by source, time and order in the file."""
    if "row" in storage and not storage["row"].is_monotonic_increasing:
        files = ["file"] if "file" in storage else []
        storage = storage.sort_values([*files, "row"], kind="stable")
    source = code_of(table.ids, storage["source_id"])
    known = source >= 0
    moved_to = code_of(pd.Index(list(PLACES)), storage["moved_to"])
    if (moved_to < 0).any():
        raise RecordsError(
            f"storage: moved_to {storage['moved_to'].to_numpy()[moved_to < 0][0]!r} is not a "
            f"place. Use one of {', '.join(PLACES)}."
        )
    place = _COUNTS_AS[moved_to]
    temperature = usual_temperatures(settings)[moved_to]
    if "temperature_c" in storage:
        given = storage["temperature_c"].to_numpy(dtype=float)
        temperature = np.where(np.isnan(given) | (place == DISCARDED), temperature, given)
    packaging = np.full(len(place), UNKNOWN, dtype=np.int8)
    if "packaging" in storage:
        packaging = code_of(_PACKAGINGS, storage["packaging"]).astype(np.int8)
    logger = None
    if places is not None:
        logger = code_of(places, storage["moved_to"])
        if "place_id" in storage:
            named = storage["place_id"].notna().to_numpy()
            logger = np.where(named, code_of(places, storage["place_id"]), logger)
        logger = np.where(logger < 0, -1, logger + len(table.ids))
    rows = Log(source, seconds(storage["moved_at"]), place, temperature, packaging, logger)
    if not known.all():
        rows = rows.take(known)
    key = clock.key(rows.source, rows.start)
    if (key[1:] >= key[:-1]).all():
        return rows
    return rows.take(np.argsort(key, kind="stable"))


def _inherit(parents: Log, portions: Array, table: SourceTable, clock: Clock) -> Log:
    """Each portion's copy of its parent's rows up to and including the cut."""
    parent = table.parent[portions]
    begin = np.searchsorted(parents.source, parent)
    end = np.searchsorted(
        clock.key(parents.source, parents.start),
        clock.key(parent, table.acquired[portions]),
        side="right",
    )
    rows, which = spread(begin, np.maximum(end, begin))
    inherited = parents.take(rows)
    inherited = replace(inherited, source=portions[which])
    return inherited.take(inherited.place != DISCARDED)


def spread(begin: Array, end: Array) -> tuple[Array, Array]:
    """The integers of k half-open ranges in a row, and the range each belongs to."""
    counts = end - begin
    which = np.repeat(np.arange(len(begin)), counts)
    offset = np.cumsum(counts) - counts
    return np.arange(len(which)) - np.repeat(offset - begin, counts), which


def _settle(rows: Log, packaging_before: Array) -> Log:
    """Cut off what follows a discard; carry place, temperature and packaging forward."""
    m = len(rows.source)
    if not m:
        return rows
    opens = rows.opens()
    discards = np.cumsum(rows.place == DISCARDED)
    # Number of discards before this row within its source.
    before = discards - (rows.place == DISCARDED)
    before -= np.maximum.accumulate(np.where(opens, before, 0))
    if before.any():
        rows = rows.take(before == 0)
        opens = rows.opens()
        m = len(rows.source)
    position = np.arange(m)
    first = np.maximum.accumulate(np.where(opens, position, 0))

    place, temperature, logger = rows.place, rows.temperature, rows.logger
    unchanged = place == _UNCHANGED
    if unchanged.any():
        last = np.maximum.accumulate(np.where(unchanged, -1, position))
        held = last >= first
        place = np.where(held, place[last], UNDOCUMENTED).astype(np.int8)
        temperature = np.where(held, temperature[last], np.nan)
        logger = None if logger is None else np.where(held, logger[last], -1)
    known = rows.packaging != UNKNOWN
    last = np.maximum.accumulate(np.where(known, position, -1))
    packaging = np.where(last >= first, rows.packaging[last], packaging_before[rows.source]).astype(
        np.int8
    )
    return Log(rows.source, rows.start, place, temperature, packaging, logger)
