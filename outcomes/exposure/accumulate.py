"""The state of a source at a moment: everything it has been through by then."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from outcomes.exposure.log import (
    AMBIENT,
    DAY_S,
    DISCARDED,
    FREEZER,
    HOUR_S,
    REFRIGERATOR,
    SEALED,
    UNDOCUMENTED,
    UNKNOWN,
    Array,
    code_of,
    seconds,
)
from outcomes.exposure.readings import read_amounts
from outcomes.exposure.stays import History
from outcomes.places import COUNTED_AS
from outcomes.records.checking.rules import SILENT_DAYS
from outcomes.settings import RecordsSettings

_UNLOGGED = {
    "infer": "counted as one cycle a source and day",
    "strict": "not counted, and the trial set aside",
}


_COUNTED = {"counted": "; a count by hand where there is one", "log": ""}


def define_exposures(settings: RecordsSettings) -> dict[str, str]:
    """Exposure → its definition with the numbers of the settings in it.

    Parameters
    ----------
    settings
        The unit's settings.

    Returns
    -------
    dict
        One entry for each exposure, in the order of the columns.

    Examples
    --------
    >>> define_exposures(RecordsSettings(base_c=4.0))["degree_hours"]
    'integral of the degrees above 4 °C from acquired_on to the trial, °C·h'
    """
    frozen, refrigerated = settings.frozen_at_least, settings.refrigerated_at_most
    return {
        "held_days": "from acquired_on (midnight) to the trial, days",
        "age_days": "held_days plus age_at_acquisition_days (0 where not given), days",
        "cycles": (
            "moves out of the freezer to a warmer place by the trial whose stay outside lasts at "
            f"least {settings.thaw_after_h:g} h, the one that brought the source to the trial "
            f"included, and cycles_before{_COUNTED[settings.cycles_from]}"
        ),
        "frozen_days": "time in the freezer by the trial, days",
        "refrigerated_days": "time in the refrigerator by the trial, days",
        "ambient_hours": "time at ambient temperature by the trial, hours",
        "degree_hours": (
            f"integral of the degrees above {settings.base_c:g} °C from acquired_on to the trial, "
            "°C·h"
        ),
        "hours_since_thaw": "from the latest counted thaw to the trial, hours",
        "longest_freeze_days": "longest single stay in the freezer by the trial, days",
        "open_frozen_days": "time in the freezer while packaging is not sealed, days",
        "frozen_share": "frozen_days over frozen_days and refrigerated_days",
        "regime": (
            f"frozen from a frozen_share of {frozen:g} on, refrigerated up to {refrigerated:g}, "
            "mixed between"
        ),
        "undocumented_days": (
            "time from acquired_on to the trial the log does not cover, over "
            f"{SILENT_DAYS} days in the freezer before the first move of any source included, days"
        ),
        "inferred_thaws": (
            "thaws the log lacks but a trial proves (the log says freezer): "
            f"{_UNLOGGED[settings.unlogged_thaws]}"
        ),
    }


EXPOSURES = tuple(define_exposures(RecordsSettings()))
"""Columns of :func:`exposure_at`, in order; ``documented`` and ``place`` follow them."""

OF_READINGS = ("read_thaws", "read_hours", "reading_gap_hours")
"""Columns that follow those where there are readings of a temperature logger."""

Regime = Literal["frozen", "refrigerated", "mixed"]
REGIMES: tuple[Regime, ...] = get_args(Regime)
_REGIME_NAMES = np.array([*REGIMES, None], dtype=object)

_CHUNK = 1 << 19
_THREADS = 2  # pieces at a time: more would hold more memory, and memory is what they wait for


def exposure_at(history: History, source_id: pd.Series[Any], at: pd.Series[Any]) -> pd.DataFrame:
    """Exposure of a source by a moment, for any number of (source, moment) pairs.

    Parameters
    ----------
    history
        From :func:`~outcomes.exposure.stays.storage_history`.
    source_id, at
        Source and moment, shape (n,), on the same index.

    Returns
    -------
    DataFrame
        Shape (n, 16), on the index of ``source_id``: the columns of
        ``EXPOSURES``, then ``documented`` (bool: the log covers the moment,
        and the source is not discarded) and ``place`` (of ``COUNTED_AS``, unlogged
        thaws counted as ambient; missing where the log does not say). All
        numbers are float64. Where the source is missing or unknown, or the
        moment missing, every column is missing and ``documented`` is False. A
        source without a single move has 0 in each place, its whole time in
        ``undocumented_days``, and is not ``documented``. Where there are
        readings the columns of ``OF_READINGS`` follow (see Notes).

    Raises
    ------
    ValueError
        If the two are not of the same length.

    Notes
    -----
    ``cycles``, the times spent in places, ``degree_hours`` and
    ``longest_freeze_days`` never fall with time. A move logged later changes
    none of the earlier exposures, but for four rules that look ahead: a stay
    outside the freezer whose end is not logged counts as a thaw until an end
    within ``thaw_after_h`` is; an unlogged thaw lasts at most until the next
    logged move; it stops being one where a logged thaw turns out to touch
    its window; and a trial without a time of day proves none where the log turns
    out to have the source outside the freezer later that day.
    ``open_frozen_days`` is missing where no packaging is known by then, or where
    any of the frozen days had packaging unknown.

    ``hours_since_thaw`` counts from the latest thaw and is missing before the
    first; ``frozen_share`` and ``regime`` are missing before the source was in
    the freezer or the refrigerator. Nothing accumulates after a discard, but
    ``held_days``, ``age_days`` and ``hours_since_thaw`` run on.

    Readings of a temperature logger bear on ``degree_hours``, ``cycles`` and
    ``hours_since_thaw`` alone. While the log says where the source is,
    ``degree_hours`` is the exact integral of the line through the readings; at
    moments that no reading covers the place's own temperature is used. A thaw
    that a logger shows while the log says freezer (a power cut, a defrost)
    counts as a cycle as a stay outside does, and one that touches a stay
    outside, or a thaw that a trial proves, is the same thaw. The times spent in
    places stay as logged, the source having moved nowhere: they say where it
    was, the others what it has been through. ``read_thaws`` are the cycles that
    begin with a thaw a logger shows; ``read_hours`` is the time read, and
    ``reading_gap_hours`` that in a place, or of a source, which the readings
    name but do not cover then.

    Examples
    --------
    Out of the freezer for 20 minutes, which is no thaw, then for the trial.

    >>> import pandas as pd
    >>> from outcomes.exposure.stays import storage_history
    >>> from outcomes.settings import RecordsSettings
    >>> sources = pd.DataFrame(
    ...     {"source_id": ["F1"], "acquired_on": pd.to_datetime(["2026-03-01"])}
    ... )
    >>> storage = pd.DataFrame(
    ...     {
    ...         "source_id": "F1",
    ...         "moved_at": pd.to_datetime(
    ...             [
    ...                 "2026-03-01 00:00",
    ...                 "2026-03-05 08:00",
    ...                 "2026-03-05 08:20",
    ...                 "2026-03-11 06:00",
    ...             ]
    ...         ),
    ...         "moved_to": ["freezer", "ambient", "freezer", "ambient"],
    ...     }
    ... )
    >>> trials = pd.DataFrame(
    ...     {"source_id": ["F1"], "started_at": pd.to_datetime(["2026-03-11 09:00"])}
    ... )
    >>> history = storage_history(sources, storage, trials, RecordsSettings())
    >>> found = exposure_at(history, trials["source_id"], trials["started_at"])
    >>> found[["cycles", "ambient_hours", "hours_since_thaw", "regime"]].round(2).loc[0].to_dict()
    {'cycles': 1.0, 'ambient_hours': 3.33, 'hours_since_thaw': 3.0, 'regime': 'frozen'}
    """
    if len(source_id) != len(at):
        raise ValueError(f"{len(source_id)} sources but {len(at)} moments")
    n = len(source_id)
    source = code_of(history.table.ids, source_id)
    moment = seconds(at)
    source[at.isna().to_numpy()] = -1
    extra = () if history.read is None else OF_READINGS
    numbers = {name: np.full(n, np.nan) for name in (*EXPOSURES, *extra) if name != "regime"}
    regime = np.full(n, -1, dtype=np.int8)
    place = np.full(n, UNDOCUMENTED, dtype=np.int8)
    keys = history.clock.key(history.log.source, history.log.start)

    def fill(begin: int) -> None:
        piece = np.flatnonzero(source[begin : begin + _CHUNK] >= 0) + begin
        # Neighbours in the log are looked up one after another, which memory rewards.
        piece = piece[np.argsort(history.clock.key(source[piece], moment[piece]))]
        found, place[piece] = _exposures(history, keys, source[piece], moment[piece])
        for name, values in found.items():
            numbers[name][piece] = values
        regime[piece] = _regimes(
            found["frozen_share"],
            history.settings.frozen_at_least,
            history.settings.refrigerated_at_most,
        )

    # In pieces, so that what is needed along the way stays small beside the result.
    with ThreadPoolExecutor(max_workers=_THREADS) as threads:
        for _ in threads.map(fill, range(0, n, _CHUNK)):
            pass
    columns: dict[str, Array] = {}
    for name in EXPOSURES:
        columns[name] = _REGIME_NAMES[regime] if name == "regime" else numbers.pop(name)
    columns["documented"] = (place != UNDOCUMENTED) & (place != DISCARDED)
    columns["place"] = np.array([*COUNTED_AS, None], dtype=object)[place]
    columns |= {name: numbers.pop(name) for name in extra}
    return pd.DataFrame(columns, index=source_id.index, copy=False)


def freezer_temperature(
    history: History, source_id: pd.Series[Any], at: pd.Series[Any]
) -> pd.Series[float]:
    """Temperature of the freezer that a source is in at a moment, or was last in by then.

    Parameters
    ----------
    history, source_id, at
        As for :func:`exposure_at`.

    Returns
    -------
    Series
        °C, as logged for the place or as the settings have it, on the index of ``source_id``;
        missing before the first stay in the freezer, and where the source is unknown.
    """
    log, source = history.log, code_of(history.table.ids, source_id)
    source[at.isna().to_numpy()] = -1
    found = np.full(len(source), np.nan)
    if len(log.start):
        known = np.flatnonzero(source >= 0)
        keys = history.clock.key(log.source, log.start)
        row = np.searchsorted(
            keys, history.clock.key(source[known], seconds(at)[known]), side="right"
        )
        frozen = np.where(log.place == FREEZER, np.arange(len(log.place)), -1)
        latest = np.maximum.accumulate(np.append(-1, frozen))[row]
        own = latest >= history.first[source[known]]
        found[known[own]] = log.temperature[latest[own]]
    return pd.Series(found, index=source_id.index)


def _exposures(
    history: History, keys: Array, source: Array, at: Array
) -> tuple[dict[str, Array], Array]:
    """Numbers of :func:`exposure_at` and code of the place, for known sources."""
    table, log, totals = history.table, history.log, history.totals
    row = np.searchsorted(keys, history.clock.key(source, at), side="right") - 1
    first = history.first[source]
    logged = row >= first

    def of(values: Array, otherwise: int) -> Array:
        """The value at the stay that covers the moment."""
        if not len(values):
            return np.full(len(row), otherwise)
        return np.where(logged, values[row], otherwise)

    place = of(log.place, UNDOCUMENTED)
    packaging = np.where(logged, of(log.packaging, UNKNOWN), table.packaging_before[source])
    elapsed = at - of(log.start, 0)
    warmth = np.maximum(of(log.temperature, 0) - history.settings.base_c, 0)
    warmth[(place == UNDOCUMENTED) | (place == DISCARDED)] = 0
    frozen = of(totals.frozen_s, 0) + elapsed * (place == FREEZER)
    refrigerated = of(totals.refrigerated_s, 0) + elapsed * (place == REFRIGERATOR)
    unsealed = (place == FREEZER) & (packaging != SEALED) & (packaging != UNKNOWN)
    unknown = of(totals.unknown_s, 0) + elapsed * ((place == FREEZER) & (packaging == UNKNOWN))
    open_s = of(totals.open_s, 0) + elapsed * unsealed
    freeze = np.where(place == FREEZER, at - of(totals.froze, 0), 0)
    thaws = of(totals.thaws, 0)
    cycles = np.maximum(thaws + table.cycles[source], 0.0)
    stored = frozen + refrigerated
    held = (at - table.acquired[source]) / DAY_S
    degree = elapsed * warmth
    extra: dict[str, Array] = {}
    if history.read is not None:
        degree, extra = _read(history, row, logged, elapsed, warmth)
    found = {
        "held_days": held,
        "age_days": held + table.age[source],
        "cycles": cycles,
        "frozen_days": frozen / DAY_S,
        "refrigerated_days": refrigerated / DAY_S,
        "ambient_hours": (of(totals.ambient_s, 0) + elapsed * (place == AMBIENT)) / HOUR_S,
        "degree_hours": (of(totals.degree_s, 0) + degree) / HOUR_S,
        "hours_since_thaw": np.where(thaws > 0, (at - of(totals.thawed, 0)) / HOUR_S, np.nan),
        "longest_freeze_days": np.maximum(of(totals.longest_s, 0), freeze) / DAY_S,
        "open_frozen_days": np.where(
            (unknown > 0) | (packaging == UNKNOWN), np.nan, open_s / DAY_S
        ),
        "frozen_share": np.divide(frozen, stored, out=np.full(len(row), np.nan), where=stored > 0),
        "undocumented_days": _undocumented(history, source, at) / DAY_S,
        "inferred_thaws": of(totals.inferred, 0).astype(float),
    }
    return found | extra, place


def _read(
    history: History, row: Array, logged: Array, elapsed: Array, warmth: Array
) -> tuple[Array, dict[str, Array]]:
    """Degree-seconds of the stay that covers each moment, and the columns of readings."""
    read, totals = history.read, history.totals
    assert read is not None
    assert totals.read is not None
    assert totals.covered_s is not None
    assert totals.gap_s is not None
    degree = elapsed * warmth
    thaws, covered, gap = (np.zeros(len(row)) for _ in range(3))
    at = np.flatnonzero(logged)
    rows = row[at]
    degree[at], since, silent = read_amounts(
        history.log, rows, elapsed[at], warmth[at], read, history.clock
    )
    thaws[at] = totals.read[rows]
    covered[at] = totals.covered_s[rows] + since
    gap[at] = totals.gap_s[rows] + silent
    columns = (thaws, covered / HOUR_S, gap / HOUR_S)
    return degree, dict(zip(OF_READINGS, columns, strict=True))


def _undocumented(history: History, source: Array, at: Array) -> Array:
    """Seconds from ``acquired_on`` to the moment before the log begins."""
    covered: Array = np.minimum(at, history.documented_from[source])
    undocumented: Array = np.maximum(covered - history.table.acquired[source], 0)
    return undocumented


def regimes(frozen_share: Array, frozen_at_least: float, refrigerated_at_most: float) -> Array:
    """Name the regime of each share of time frozen; both bounds belong to their side.

    Parameters
    ----------
    frozen_share
        Shape (n,); missing where the source was neither frozen nor refrigerated.
    frozen_at_least, refrigerated_at_most
        The bounds, as in the settings.

    Returns
    -------
    ndarray
        Words of ``REGIMES``, None where the share is missing, shape (n,).

    Examples
    --------
    >>> regimes(np.array([1.0, 0.5, 0.1, np.nan]), 0.8, 0.2).tolist()
    ['frozen', 'mixed', 'refrigerated', None]
    """
    return _REGIME_NAMES[_regimes(frozen_share, frozen_at_least, refrigerated_at_most)]


def _regimes(frozen_share: Array, frozen_at_least: float, refrigerated_at_most: float) -> Array:
    """Position in ``REGIMES`` of each share, -1 where it is missing."""
    regime = np.full(len(frozen_share), REGIMES.index("mixed"), dtype=np.int8)
    regime[frozen_share <= refrigerated_at_most] = REGIMES.index("refrigerated")
    regime[frozen_share >= frozen_at_least] = REGIMES.index("frozen")
    regime[np.isnan(frozen_share)] = -1
    return regime
