"""What may leave a unit: enough trials, whole quarters, and enough that is new since the last."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from outcomes.pool.share import DogBand, Share

COUNTED_BY = 5  # counts are rounded down to it
NEW_TRIALS = 20
NEW_MISSES = 5
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that looks like another
_LONG = 6


@dataclass(frozen=True, slots=True, order=True)
class Quarter:
    """A quarter of a year."""

    year: int
    number: int

    @property
    def name(self) -> str:
        """As it is told, ``2026-Q3``."""
        return f"{self.year}-Q{self.number}"

    @property
    def end(self) -> dt.date:
        """The day after its last."""
        return dt.date(self.year + self.number // 4, self.number % 4 * 3 + 1, 1)

    @property
    def before(self) -> Quarter:
        """The one before."""
        return Quarter(self.year - (self.number == 1), (self.number - 2) % 4 + 1)


def quarter_of(day: dt.date) -> Quarter:
    """The quarter a day lies in.

    Examples
    --------
    >>> quarter_of(dt.date(2026, 9, 30)).name, quarter_of(dt.date(2026, 12, 31)).end.isoformat()
    ('2026-Q3', '2027-01-01')
    """
    return Quarter(day.year, (day.month - 1) // 3 + 1)


def last_full_quarter(last_trial: dt.date, today: dt.date) -> Quarter:
    """The quarter to share through: that of the last trial, or the one before if it runs still.

    Examples
    --------
    >>> last_full_quarter(dt.date(2026, 8, 2), dt.date(2026, 9, 1)).name
    '2026-Q2'
    >>> last_full_quarter(dt.date(2026, 8, 2), dt.date(2026, 10, 1)).name
    '2026-Q3'
    """
    quarter = quarter_of(last_trial)
    return quarter if quarter.end <= today else quarter.before


def through(trials: pd.DataFrame, quarter: Quarter) -> pd.DataFrame:
    """Joined trials up to a quarter's end."""
    return trials[trials["started_at"] < pd.Timestamp(quarter.end)]


def rounded_down(number: int) -> int:
    """A count as it is told.

    Examples
    --------
    >>> rounded_down(34), rounded_down(35)
    (30, 35)
    """
    return number // COUNTED_BY * COUNTED_BY


def band_of_dogs(dogs: int) -> DogBand:
    """A number of dogs as it is told.

    Examples
    --------
    >>> band_of_dogs(3), band_of_dogs(7), band_of_dogs(21)
    ('3-5', '6-10', 'over 20')
    """
    if dogs <= 5:
        return "3-5"
    if dogs <= 10:
        return "6-10"
    return "11-20" if dogs <= 20 else "over 20"


def draw_code() -> str:
    """A code for a unit, drawn from the machine's own source of chance: it tells nothing."""
    return "".join(secrets.choice(_LETTERS) for _ in range(_LONG))


def too_little_new(trials: int, misses: int, last: Share) -> Mapping[str, tuple[int, int]]:
    """What is short of the least that must be new since the last share: word → (have, need).

    The last share tells counts rounded down, so what is surely new is counted from the most
    they can have been.
    """
    rounding = COUNTED_BY - 1
    new = {
        "trials": (max(trials - last.counts.trials - rounding, 0), NEW_TRIALS),
        "misses": (max(misses - last.counts.misses - rounding, 0), NEW_MISSES),
    }
    return {word: pair for word, pair in new.items() if pair[0] < pair[1]}
