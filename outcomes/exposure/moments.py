"""The moment of a trial: its start, or where no time of day is given, the stay it belongs to.

A date alone would be read as midnight, when most sources are in the freezer
whatever happened that day. Where the log has the source out at some time of
the day, the trial belongs to that stay and proves no other.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from outcomes.exposure.log import (
    AMBIENT,
    DAY_S,
    FREEZER,
    REFRIGERATOR,
    Array,
    Clock,
    Log,
    seconds,
    spread,
)
from outcomes.records.dates import dated_only

_COLD = 3


def moments(log: Log, source: Array, trials: pd.DataFrame, clock: Clock) -> Array:
    """The moment of each trial, s.

    That is its start. For a trial with a date alone
    (:func:`~outcomes.records.dates.dated_only`) it is the beginning, or midnight
    if that is later, of the day's first stay at ambient temperature; where the
    day has none, of its first stay in the refrigerator; where it has none
    either, of the first thaw that a logger shows in the freezer. Where the log
    has the source in the freezer the whole day, or does not say, it is midnight.
    A stay of no length is none.

    Parameters
    ----------
    log
        Stays as logged, without the thaws that trials prove.
    source
        Code of each trial's source, -1 where it has none, shape (n,).
    trials
        ``started_at`` and, where given, ``at_midnight``; n rows.
    clock
        Makes the search key of (source, time).

    Returns
    -------
    ndarray
        Whole seconds, shape (n,); the lowest integer where the start is missing.
    """
    at = seconds(trials["started_at"])
    asked = np.flatnonzero(dated_only(trials) & (source >= 0))
    if not len(asked) or not len(log.source):
        return at
    days, of_day = np.unique(clock.key(source[asked], at[asked]), return_inverse=True)
    code, midnight = np.divmod(days, np.int64(clock.span))
    midnight += clock.origin
    keys = clock.key(log.source, log.start)
    begin = np.searchsorted(keys, days, side="right") - 1
    begin += (begin < 0) | (log.source[begin] != code)
    end = np.searchsorted(keys, clock.key(code, midnight + DAY_S - 1), side="right")
    rows, which = spread(begin, np.maximum(begin, end))
    start = np.maximum(log.start[rows], midnight[which])
    lasting = np.minimum(log.end()[rows], midnight[which] + DAY_S) > start
    rows, which, start = rows[lasting], which[lasting], start[lasting]
    thawed = np.zeros(len(rows), dtype=bool) if log.thawed is None else log.thawed[rows]
    place = log.place[rows]
    rank = np.select(
        [place == AMBIENT, place == REFRIGERATOR, (place == FREEZER) & thawed], [0, 1, 2], _COLD
    )
    out = rank < _COLD
    which, start, rank = which[out], start[out], rank[out]
    order = np.lexsort((start, rank, which))
    chosen, first = np.unique(which[order], return_index=True)
    moment = midnight
    moment[chosen] = start[order[first]]
    at[asked] = moment[of_day]
    return at


def as_times(at: Array, index: pd.Index[Any]) -> pd.Series[Any]:
    """Whole seconds as times on an index; the lowest integer becomes missing."""
    missing = at == np.iinfo(np.int64).min
    times = np.where(missing, 0, at).astype("datetime64[s]").astype("datetime64[ns]")
    times[missing] = np.datetime64("NaT")
    return pd.Series(times, index=index)
