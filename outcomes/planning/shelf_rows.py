"""Trials of a shelf plan as rows: past ones, and those planned with planned cycles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from outcomes.errors import FitError
from outcomes.models.within_source import WithinTrials, fit_within
from outcomes.planning.document import Rates
from outcomes.planning.power import conditional_log_odds, total_sd, wilson
from outcomes.planning.shelf_design import DAYS_OF_AGE, Shelf, error_of, information_of, sums_of


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfRows:
    """Hide trials on a shelf, past and planned, in order of time.

    Attributes
    ----------
    day
        Of the plan; 0 and below: before it. Shape (n,), as all others.
    dog, source, kind
        Codes from 0.
    cycles, age
        Cycles, and age in 30 days.
    """

    day: np.ndarray
    dog: np.ndarray
    source: np.ndarray
    kind: np.ndarray
    cycles: np.ndarray
    age: np.ndarray

    def until(self, day: int) -> ShelfRows:
        """Those up to a day."""
        return self.kept(self.day <= day)

    def kept(self, which: np.ndarray) -> ShelfRows:
        """Some of them."""
        return ShelfRows(**{name: getattr(self, name)[which] for name in self.__slots__})

    def met(self) -> np.ndarray:
        """Earlier meetings of each row's dog with its source, shape (n,)."""
        pairs = pd.Series(list(zip(self.dog.tolist(), self.source.tolist(), strict=True)))
        return pairs.groupby(pairs).cumcount().to_numpy(dtype=float)

    def exposures(self, target: int) -> tuple[np.ndarray, np.ndarray]:
        """The exposure asked about (0 cycles, 1 age), and the other."""
        return (self.cycles, self.age) if target == 0 else (self.age, self.cycles)


def rows_of(
    past: pd.DataFrame, planned: pd.DataFrame, kinds: dict[str, str], lead: int
) -> ShelfRows:
    """Past and planned trials in order of time.

    Parameters
    ----------
    past
        ``source_id``, ``dog_id``, ``cycles``, ``age_days``, ``day`` (0: last day of the records).
    planned
        The same with the day of the plan.
    kinds
        Source → kind, of all sources of the plan; past trials on others are left out.
    lead
        Days from the end of the records to the day before the plan.
    """
    before = past[past["source_id"].isin(kinds)]
    before = before.assign(day=before["day"].astype(float) - lead)
    names = ["source_id", "dog_id", "cycles", "age_days", "day"]
    rows = pd.concat([one[names] for one in (before, planned) if len(one)], ignore_index=True)
    rows = rows.sort_values("day", kind="stable")
    return ShelfRows(
        day=rows["day"].to_numpy(dtype=float),
        dog=np.unique(rows["dog_id"].astype(str), return_inverse=True)[1],
        source=np.unique(rows["source_id"].astype(str), return_inverse=True)[1],
        kind=np.unique(rows["source_id"].map(kinds).astype(str), return_inverse=True)[1],
        cycles=rows["cycles"].to_numpy(dtype=float),
        age=rows["age_days"].to_numpy(dtype=float) / DAYS_OF_AGE,
    )


def within_information(rows: ShelfRows, target: int) -> float:
    """Information on one exposure given the other, within sources, of trials of weight 1."""
    parts = []
    for code in np.unique(rows.source):
        own = rows.source == code
        cycles, age = rows.cycles[own], rows.age[own]
        parts.append(sums_of(cycles - cycles.mean(), age - age.mean()))
    if not parts:
        return 0.0
    error = error_of(information_of(np.array(parts)).sum(axis=0), target, 1.0)
    return float(error**-2.0)


def information_share(planned: ShelfRows, done: ShelfRows, target: int) -> float:
    """What the plan's trials done added to the past, over what all of them were to add."""
    start = within_information(planned.until(0), target)
    whole = within_information(planned, target) - start
    if whole <= 0.0:
        return 1.0  # a plan that adds nothing is done as soon as it begins
    return float(np.clip((within_information(done, target) - start) / whole, 0.0, 1.0))


def trials_of(rows: ShelfRows, target: int, found: np.ndarray) -> WithinTrials:
    """As they are analysed."""
    exposure, other = rows.exposures(target)
    return WithinTrials(
        found=found,
        exposure=exposure,
        other=other,
        met=rows.met(),
        dog=rows.dog,
        source=rows.source,
        kind=rows.kind,
    )


def simulate_shelf(
    rows: ShelfRows, target: int, rates: Rates, effect: float, rng: np.random.Generator
) -> np.ndarray:
    """Finds of one simulated shelf, shape (n,); today's share is found where the plan begins."""
    sd = total_sd(rates)
    own_sd = np.hypot(rates.source_sd, rates.portion_sd)
    exposure = rows.exposures(target)[0]
    begins = rows.day > 0
    start = np.zeros(int(rows.source.max()) + 1)
    for code in range(len(start)):
        own = rows.source == code
        later = own & begins
        start[code] = exposure[later].min() if later.any() else exposure[own].max()
    eta = (
        conditional_log_odds(rates.found, sd)
        + rates.dog_sd * rng.normal(size=int(rows.dog.max()) + 1)[rows.dog]
        + own_sd * rng.normal(size=len(start))[rows.source]
        + effect * (exposure - start[rows.source])
    )
    return np.asarray(rng.random(len(eta)) < expit(eta), dtype=float)


def shelf_power(
    rows: ShelfRows,
    target: int,
    rates: Rates,
    effect: float,
    level: float,
    runs: int,
    rng: np.random.Generator,
) -> tuple[float, float, float]:
    """Share of simulated plans in which the effect is found, with Monte Carlo limits."""
    hits = 0
    for _ in range(runs):
        found = simulate_shelf(rows, target, rates, effect, rng)
        try:
            hits += fit_within(trials_of(rows, target, found), roughly=True).p <= level
        except FitError:
            continue
    low, high = wilson(hits, runs)
    return hits / runs, low, high


def weight_of(rates: Rates) -> float:
    """Information of one trial at the share found today."""
    return rates.found * (1.0 - rates.found)


def freedom_of(shelf: Shelf, thaws: tuple[tuple[int, ...], ...], target: int) -> int:
    """Sources whose exposure varies, less two."""
    moved = sum(bool(days) for days in thaws) if target == 0 else len(shelf.sources)
    return max(1, moved - 2)
