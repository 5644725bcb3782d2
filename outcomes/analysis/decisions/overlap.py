"""Where refrigerated and frozen can be compared at all, kind by kind, and how bounds matter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from outcomes.analysis.decisions.compare import Comparison, compare_storage
from outcomes.analysis.finds.model import FindFit
from outcomes.exposure.accumulate import regimes

BOUNDS = (0.6, 0.7, 0.8, 0.9)
FEWEST_SOURCES = 3  # of each way, for what a kind shows to be more than single sources
_WAYS = ("frozen", "refrigerated")


@dataclass(frozen=True, slots=True)
class KindOverlap:
    """Trials of one kind by how its sources were kept.

    Attributes
    ----------
    kind
        In the unit's own words.
    ages
        Way → age in days at each of its trials, in rising order.
    sources
        Way → sources tried.
    shared_from, shared_to
        Ages at which the kind was tried both ways, days; None where it was not.
    shared_trials
        Way → trials at those ages.
    """

    kind: str
    ages: dict[str, tuple[float, ...]]
    sources: dict[str, int]
    shared_from: float | None
    shared_to: float | None
    shared_trials: dict[str, int]


def few_sources(kinds: Sequence[KindOverlap]) -> tuple[tuple[str, str, int], ...]:
    """Kinds tried both ways at the same ages with fewer than 3 sources of one way.

    Returns
    -------
    tuple of (str, str, int)
        Kind, way, and how many sources of it there are, in the order given.
    """
    return tuple(
        (kind.kind, way, kind.sources[way])
        for kind in kinds
        if kind.shared_from is not None
        for way in ("refrigerated", "frozen")
        if kind.sources[way] < FEWEST_SOURCES
    )


def storage_overlap(trials: pd.DataFrame) -> tuple[KindOverlap, ...]:
    """By kind, at which ages refrigerated and frozen sources were tried.

    Parameters
    ----------
    trials
        Those that a model of finds rests on; those of mixed storage are not counted.

    Returns
    -------
    tuple of KindOverlap
        Kinds tried both ways at the same ages first, by the trials they share;
        then the others by name.
    """
    if trials.empty or "kind" not in trials or "regime" not in trials:
        return ()
    sides = trials[trials["regime"].isin(_WAYS)]
    found = []
    for kind, own in sides.groupby(sides["kind"].fillna("not recorded").astype(str), sort=True):
        ages = {
            way: tuple(sorted(own.loc[own["regime"] == way, "age_days"].astype(float).tolist()))
            for way in _WAYS
        }
        sources = {way: int(own.loc[own["regime"] == way, "source_id"].nunique()) for way in _WAYS}
        low = high = None
        if ages["frozen"] and ages["refrigerated"]:
            low = max(ages[way][0] for way in _WAYS)
            high = min(ages[way][-1] for way in _WAYS)
            if low > high:
                low = high = None
        shared = {way: _between(ages[way], low, high) for way in _WAYS}
        found.append(KindOverlap(str(kind), ages, sources, low, high, shared))
    return tuple(sorted(found, key=lambda k: (-min(k.shared_trials.values()), k.kind)))


def _between(ages: Sequence[float], low: float | None, high: float | None) -> int:
    if low is None or high is None:
        return 0
    return sum(low <= age <= high for age in ages)


@dataclass(frozen=True, slots=True)
class KindComparison:
    """Refrigerated against frozen sources of one kind; refused with a reason where it must be."""

    kind: str
    comparison: Comparison


def compare_kinds(fit: FindFit) -> tuple[KindComparison, ...]:
    """Compare refrigerated with frozen sources within each kind.

    Each kind is held to what the comparison of all is held to: tried both ways
    at the same ages, with 3 sources of each and enough finds and misses.

    Parameters
    ----------
    fit
        Fit of finds.

    Returns
    -------
    tuple of KindComparison
        By name; a comparison that is refused has its reason. Empty without kinds.

    Notes
    -----
    Every interval is for its kind alone: with many kinds, one or another leaves
    out no difference by chance.
    """
    trials = fit.design.trials
    if trials.empty or "kind" not in trials or "regime" not in trials:
        return ()
    sides = trials["regime"].isin(_WAYS) & trials["kind"].notna()
    found = []
    for kind in sorted(trials.loc[sides, "kind"].astype(str).unique()):
        own = sides & (trials["kind"].astype(str) == kind)
        regime = trials["regime"].astype(object).where(own, None)
        drawn = replace(fit, design=replace(fit.design, trials=trials.assign(regime=regime)))
        found.append(KindComparison(kind, compare_storage(drawn)))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class BoundChoice:
    """The comparison with the regimes drawn elsewhere.

    ``bound`` is the frozen share from which a source counts as frozen; it
    counts as refrigerated from as large a refrigerated share on.
    """

    bound: float
    comparison: Comparison


def compare_bounds(fit: FindFit, bounds: Sequence[float] = BOUNDS) -> tuple[BoundChoice, ...]:
    """Compare refrigerated with frozen under other definitions of the two.

    Parameters
    ----------
    fit
        Fit of finds.
    bounds
        Shares above one half, each tried on both sides.

    Returns
    -------
    tuple of BoundChoice
        In the order given; a comparison that is refused has its reason.

    Raises
    ------
    ValueError
        A bound is not above 0.5 and at most 1.
    """
    if any(not 0.5 < bound <= 1.0 for bound in bounds):
        raise ValueError(f"a bound must lie above 0.5 and be at most 1, not {tuple(bounds)}")
    trials = fit.design.trials
    share = trials["frozen_share"].to_numpy(dtype=float)
    found: list[BoundChoice] = []
    done: dict[tuple[str | None, ...], Comparison] = {}
    for bound in bounds:
        # 1 - 0.8 is a little under 0.2: a share at the bound belongs to its side.
        regime = regimes(share, bound - 1e-9, 1.0 - bound + 1e-9)
        key = tuple(regime)
        if key not in done:
            drawn = replace(fit, design=replace(fit.design, trials=trials.assign(regime=regime)))
            done[key] = compare_storage(drawn)
        found.append(BoundChoice(bound, done[key]))
    return tuple(found)
