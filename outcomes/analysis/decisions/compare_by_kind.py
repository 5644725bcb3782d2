"""Refrigerated against frozen kind by kind, and with frozen and refrigerated drawn elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from outcomes.analysis.decisions.compare import Comparison, compare_storage
from outcomes.analysis.finds.model import FindFit
from outcomes.exposure.accumulate import regimes

BOUNDS = (0.6, 0.7, 0.8, 0.9)
FEWEST_SOURCES = 3  # of each way, for what a kind shows to be more than single sources
_WAYS = ("refrigerated", "frozen")


@dataclass(frozen=True, slots=True)
class FewSources:
    """A kind of which few sources were kept ``way`` (``"frozen"`` or ``"refrigerated"``)."""

    kind: str
    way: str
    sources: int


def kinds_with_few_sources(trials: pd.DataFrame) -> tuple[FewSources, ...]:
    """Kinds tried both ways at the same ages with fewer than 3 sources of one way.

    Parameters
    ----------
    trials
        Those that a model of finds rests on; those of mixed storage are not counted.

    Returns
    -------
    tuple of FewSources
        Kinds that have most trials of both ways at those ages first.
    """
    if trials.empty or "kind" not in trials or "regime" not in trials:
        return ()
    sides = trials[trials["regime"].isin(_WAYS)]
    found: list[tuple[int, str, dict[str, int]]] = []
    for kind, own in sides.groupby(sides["kind"].fillna("not recorded").astype(str), sort=True):
        of_way = {way: own[own["regime"] == way] for way in _WAYS}
        if any(t.empty for t in of_way.values()):
            continue
        low = max(float(t["age_days"].min()) for t in of_way.values())
        high = min(float(t["age_days"].max()) for t in of_way.values())
        if low <= high:
            shared = min(int(t["age_days"].between(low, high).sum()) for t in of_way.values())
            number = {way: int(t["source_id"].nunique()) for way, t in of_way.items()}
            found.append((-shared, str(kind), number))
    return tuple(
        FewSources(kind, way, number[way])
        for _, kind, number in sorted(found, key=lambda one: one[:2])
        for way in _WAYS
        if number[way] < FEWEST_SOURCES
    )


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
