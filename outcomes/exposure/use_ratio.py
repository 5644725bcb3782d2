"""How readily each source is taken, apart from what its own misses did to that."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

_LATEST = 3  # trials whose misses are counted
_STEPS = 50
_LONGEST_STEP = 1.0
_TOLERANCE = 1e-10


def use_ratio(
    source: pd.Series[Any],
    started_at: pd.Series[pd.Timestamp],
    missed: pd.Series[bool],
    discarded_at: pd.Series[pd.Timestamp],
) -> pd.Series[float]:
    """How much more often than usual each source was taken: 1 is as often as usual.

    A source that trainers find strong, or handy, may be taken more often, and so
    reaches more cycles; one that was missed may be left on the shelf. Only the
    first belongs to the source, the second is a consequence of its trials. So days
    of use are held against the days expected of a source with as many recent misses:

    - A source could be taken on each day of training of the unit after its own first
      day of use, until it was discarded or the records end. On a day on which u of a
      sources that could be were taken, u / a of each were to be expected: a library
      that grows, or trains less, makes no source less liked.
    - The rate of being taken is that times a rate of the source's own, times
      ``exp(rho * m)``, with m the misses among its latest three trials. ``rho`` is
      estimated within sources, by Poisson regression with a rate for each source
      (conditional likelihood) and a weak prior on ``rho`` (normal about 0, standard
      deviation 1), which keeps it finite where no source was taken again after a miss.
    - Trials at one time count in the order of the rows.
    - The ratio is days of use over days expected, with one added to either, so that
      a short time does not make a ratio of its own.

    A source put aside for good after a miss tells nothing of ``rho``; unless it was
    discarded in the log, it looks in part like one that is not liked.

    Parameters
    ----------
    source
        Source of each trial, shape (n,), a category; missing for blank areas.
    started_at
        Start of each trial, shape (n,).
    missed
        Whether the trial was a miss, shape (n,); not asked for blank areas.
    discarded_at
        Source → when it was discarded, for sources that were.

    Returns
    -------
    pandas.Series
        The ratio of the trial's source, shape (n,); missing for blank areas,
        and for all trials where no source was ever used on a second day.

    References
    ----------
    Cameron AC, Trivedi PK (2013). Regression analysis of count data, 2nd ed., section
    9.4, for the conditional likelihood of Poisson rates with a rate for each subject;
    Breslow NE, Day NE (1987). Statistical methods in cancer research, vol. II, chapter
    2, for observed over expected events.
    """
    code = source.cat.codes.to_numpy().astype(np.int64)
    ratio = np.full(len(source.cat.categories) + 1, np.nan)
    days, day = _days_of_training(started_at.to_numpy())
    hide = np.flatnonzero(code >= 0)
    if len(hide):
        # No later than the records, which is where every source's time ends at the latest.
        end = np.full(len(source.cat.categories), len(days) - 1)
        place = source.cat.categories.get_indexer(discarded_at.index)
        gone = discarded_at.to_numpy().astype("datetime64[D]")[place >= 0]
        end[place[place >= 0]] = np.searchsorted(days, gone) - 1
        in_time = hide[np.argsort(started_at.to_numpy()[hide], kind="stable")]
        # As short an integer as they fit in, which sorts in a tenth of the time.
        order = in_time[np.argsort(source.cat.codes.to_numpy()[in_time], kind="stable")]
        waits = _waits(code[order], day[order], missed.to_numpy()[order], end)
        if waits.again.any():
            used = np.bincount(waits.of, waits.again, len(end))
            rate = np.exp(_log_rate(waits) * waits.misses)
            expected = np.bincount(waits.of, waits.expected * rate, len(end))
            expected *= used.sum() / expected.sum()
            seen = np.unique(waits.of)
            ratio[seen] = (used[seen] + 1.0) / (expected[seen] + 1.0)
    return pd.Series(ratio[code], index=source.index)


def _days_of_training(started_at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Days with a trial, in order, and which of them each trial was on; without sorting."""
    date = started_at.astype("datetime64[D]").astype(np.int64)
    if not len(date):
        return date.astype("datetime64[D]"), date
    first = date.min()
    with_trial = np.bincount(date - first) > 0
    days = (np.flatnonzero(with_trial) + first).astype("datetime64[D]")
    return days, (np.cumsum(with_trial) - 1)[date - first]


@dataclass(frozen=True, slots=True)
class _Waits:
    """From each day of use of a source to its next, or to the end of its time.

    ``of`` is the source, ``misses`` are those among its latest three trials at the end
    of the day, ``again`` is 1 where it was used again, and ``expected`` is how often
    any source was to be taken meanwhile; shape (days of use,) each.
    """

    of: np.ndarray
    misses: np.ndarray
    again: np.ndarray
    expected: np.ndarray


def _waits(code: np.ndarray, day: np.ndarray, missed: np.ndarray, end: np.ndarray) -> _Waits:
    """Of trials in the order of source and time; ``end`` is the last day of each source."""
    number = np.arange(len(code))
    new = np.append(True, code[1:] != code[:-1])
    begin = number[new][np.cumsum(new) - 1]
    total = np.append(0, np.cumsum(missed.astype(np.int64)))
    latest = total[1:] - total[np.maximum(begin, number + 1 - _LATEST)]
    last = np.append(new[1:] | (day[1:] != day[:-1]), True)  # trial of its day
    of, at, misses = code[last], day[last], latest[last].astype(float)
    again = np.append(of[1:] == of[:-1], False)
    until = np.where(again, np.append(at[1:], 0), np.maximum(end[of], at))
    # Each wait is a stretch of days on which the source could be taken.
    there = np.bincount(at + 1, minlength=int(until.max()) + 2)
    there = np.cumsum(there - np.bincount(until + 1, minlength=len(there)))
    taken = np.bincount(until[again], minlength=len(there))
    pace = np.cumsum(taken / np.maximum(there, 1))
    return _Waits(of, misses, again.astype(float), pace[until] - pace[at])


def _log_rate(waits: _Waits) -> float:
    """Change of the log rate of being taken with each recent miss."""
    misses, used = waits.misses, np.bincount(waits.of, waits.again)
    rho = 0.0
    for _ in range(_STEPS):
        weight = waits.expected * np.exp(rho * misses)
        total = np.bincount(waits.of, weight)
        total[total == 0.0] = 1.0
        mean = np.bincount(waits.of, weight * misses) / total
        square = np.bincount(waits.of, weight * misses**2) / total
        information = 1.0 + float(used @ (square - mean**2))
        step = (float(waits.again @ misses) - float(used @ mean) - rho) / information
        rho += float(np.clip(step, -_LONGEST_STEP, _LONGEST_STEP))
        if abs(step) < _TOLERANCE:
            break
    return rho
