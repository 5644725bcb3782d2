"""How fast a unit uses up its sources, and how it has in fact retired them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.stays import History
from outcomes.text import DAYS_PER_YEAR as DAYS_PER_YEAR

_JUST_BEFORE = pd.Timedelta(1, "s")
_NEVER = 1e-9  # thaws a year


@dataclass(frozen=True, slots=True)
class Discard:
    """A source that was discarded, with what it had been through by then."""

    source_id: str
    at: pd.Timestamp
    cycles: float
    age_days: float


@dataclass(frozen=True, slots=True)
class RateOfUse:
    """A unit's sources as places in its store, over the time its trials cover.

    Attributes
    ----------
    years
        Length of that time, from the first trial to the last.
    source_ids
        The S sources held at some time in it whose storage is on record.
    held
        Share of the time each was held, shape (S,).
    cycles_per_year
        Cycles each went through per year held, shape (S,).
    first_cycles, first_age_days
        What each had been through when it was taken in, shape (S,).
    discards
        Those discarded within the time, in order.
    undocumented
        Sources held whose storage is not on record; they are in none of the above.
    """

    years: float
    source_ids: tuple[str, ...]
    held: np.ndarray
    cycles_per_year: np.ndarray
    first_cycles: np.ndarray
    first_age_days: np.ndarray
    discards: tuple[Discard, ...]
    undocumented: int

    @property
    def places(self) -> float:
        """Mean number of sources held."""
        return float(self.held.sum())


def rate_of_use(
    sources: pd.DataFrame,
    storage: pd.DataFrame,
    history: History,
    first: pd.Timestamp,
    last: pd.Timestamp,
) -> RateOfUse:
    """How long each source was held between two moments, and how often it was thawed.

    Parameters
    ----------
    sources, storage
        The unit's sources and its storage log.
    history
        The storage history made of them.
    first, last
        Start of the first and of the last trial.

    Returns
    -------
    RateOfUse
        A source held for less than a day in that time is not in it.
    """
    frame = sources[["source_id", "acquired_on"]].reset_index(drop=True)
    gone = storage.loc[storage["moved_to"] == "discarded"].groupby("source_id")["moved_at"].min()
    discarded = frame["source_id"].map(gone)
    acquired = frame["acquired_on"]
    start = acquired.where(acquired > first, first)
    end = discarded.where(discarded < last, last)
    there = (end - start >= pd.Timedelta(days=1)).to_numpy()
    frame = frame[there].reset_index(drop=True)
    start, end, discarded = (part[there].reset_index(drop=True) for part in (start, end, discarded))
    ids = frame["source_id"]
    at_start, at_end = (exposure_at(history, ids, at) for at in (start, end - _JUST_BEFORE))
    taken_in = exposure_at(history, ids, frame["acquired_on"])
    known = at_end["documented"].to_numpy(dtype=bool)
    time = (end - start).dt.total_seconds().to_numpy(dtype=float) / (86_400.0 * DAYS_PER_YEAR)
    gained = (at_end["cycles"] - at_start["cycles"]).to_numpy(dtype=float)
    within = known & discarded.notna().to_numpy() & (discarded <= last).to_numpy()
    discards = tuple(
        Discard(str(name), at, float(cycles), float(age))
        for at, name, cycles, age in sorted(
            zip(
                discarded[within],
                ids[within].astype(str),
                at_end.loc[within, "cycles"],
                at_end.loc[within, "age_days"],
                strict=True,
            )
        )
    )
    years = max((last - first) / pd.Timedelta(days=DAYS_PER_YEAR), 1.0 / DAYS_PER_YEAR)
    return RateOfUse(
        years=float(years),
        source_ids=tuple(ids[known].astype(str)),
        held=time[known] / years,
        cycles_per_year=np.maximum(gained[known], 0.0) / time[known],
        first_cycles=taken_in.loc[known, "cycles"].to_numpy(dtype=float),
        first_age_days=taken_in.loc[known, "age_days"].to_numpy(dtype=float),
        discards=discards,
        undocumented=int((~known).sum()),
    )


def retired_by_place(
    use: RateOfUse, cycles: float | None = None, age_days: float | None = None
) -> np.ndarray | None:
    """Sources each place would use up per year under a limit, in the long run.

    Each source held is a place in the store, thawed as often as that source
    was. When its source reaches a limit, another takes the place, taken in as
    new and as young as the unit's own (those already past the limit when they
    came are not taken in any more). A place then uses up one source per mean
    time to a limit, and the sum over places is the number retired per year.

    Parameters
    ----------
    use
        The unit's rate of use.
    cycles, age_days
        The limits; with both, whichever comes first.

    Returns
    -------
    numpy.ndarray or None
        Shape (S,); None where every source came already past the limit.

    Examples
    --------
    Ten sources, each thawed 12 times a year and new when it came:

    >>> ten = np.ones(10)
    >>> use = RateOfUse(1.0, ("",) * 10, ten, 12.0 * ten, 0.0 * ten, 0.0 * ten, (), 0)
    >>> round(float(retired_by_place(use, cycles=20.0).sum()), 6)
    6.0
    >>> round(float(retired_by_place(use, age_days=2 * 365.25).sum()), 6)
    5.0
    >>> round(float(retired_by_place(use, cycles=20.0, age_days=365.25).sum()), 6)
    10.0
    """
    taken = np.ones(len(use.held), dtype=bool)
    if cycles is not None:
        taken &= use.first_cycles < cycles
    if age_days is not None:
        taken &= use.first_age_days < age_days
    if not taken.any():
        return None
    lasts = np.full((len(use.held), int(taken.sum())), np.inf)
    if cycles is not None:
        room = (cycles - use.first_cycles[taken])[None, :]
        rate = use.cycles_per_year[:, None]
        lasts = np.divide(room, rate, out=lasts.copy(), where=rate > _NEVER)
    if age_days is not None:
        lasts = np.minimum(lasts, (age_days - use.first_age_days[taken])[None, :] / DAYS_PER_YEAR)
    mean = lasts.mean(axis=1)
    return np.asarray(use.held / mean)
