"""Refrigerated against frozen: a standardised difference at the same age."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import UNLOGGED, Column, Design
from outcomes.analysis.finds.model import FindFit, averaged_probability, refit, small_sample
from outcomes.errors import FitError
from outcomes.models.distributions import student_quantile, student_tail
from outcomes.models.mixed_result import MixedFit
from outcomes.models.separation import is_separated

LEAST_SOURCES = 3
LEAST_EVENTS = 5


@dataclass(frozen=True, slots=True)
class Comparison:
    """Refrigerated minus frozen, in find probability, at one age.

    Attributes
    ----------
    at_age_days
        The age compared at; None where nothing is compared.
    risk_difference, low, high
        Find probability refrigerated minus frozen, with two-sided limits at
        1 - alpha; None where ``reason`` says why.
    refrigerated, frozen
        The two standardised probabilities.
    sources
        Regime → sources among the trials compared.
    kinds, kinds_left_out
        Kinds kept both ways (compared), and those kept only one way.
    p
        P-value of the difference; below alpha exactly where the limits exclude 0.
    reason
        Why nothing is compared; None where something is.
    both_ways
        Sources counted on either side, having been kept one way and then the other.
    without_kind
        Trials not compared since their source's kind is not on record.
    """

    at_age_days: float | None
    risk_difference: float | None
    low: float | None
    high: float | None
    refrigerated: float | None
    frozen: float | None
    sources: dict[str, int]
    kinds: tuple[str, ...]
    kinds_left_out: tuple[str, ...]
    p: float | None
    reason: str | None
    both_ways: int = 0
    without_kind: int = 0


def compare_storage(fit: FindFit) -> Comparison:
    """Compare refrigerated with frozen sources of the same kinds, dogs, conditions and age.

    The trials of kinds that were kept both ways; a logistic mixed model with
    storage (refrigerated against frozen), age and the conditions on record, but
    not cycles, since being thawed and frozen is part of being kept frozen. Each
    of those trials is predicted both ways at the age compared at: the middle of
    the ages that both ways share.

    Parameters
    ----------
    fit
        Fit of finds.

    Returns
    -------
    Comparison
        With a ``reason`` and no numbers where the two cannot be compared.

    Notes
    -----
    Storage was chosen, not assigned: the difference is an association.
    """
    trials = fit.design.trials
    sides = trials[trials["regime"].isin(["refrigerated", "frozen"])]
    found = _compare_sides(fit, sides)
    compared = sides[sides["kind"].isin(found.kinds)]
    ways = compared.groupby("source_id", observed=True)["regime"].nunique()
    return replace(
        found,
        both_ways=int((ways == 2).sum()),
        without_kind=int(sides["kind"].isna().sum()),
    )


def _compare_sides(fit: FindFit, sides: pd.DataFrame) -> Comparison:
    counts = {
        regime: int(sides.loc[sides["regime"] == regime, "source_id"].nunique())
        for regime in ("refrigerated", "frozen")
    }
    for regime, count in counts.items():
        if count == 0:
            return _refused(counts, (), (), f"no {regime} source was tried")
    both, only = _shared_kinds(sides)
    if not both:
        return _refused(counts, both, only, "no kind of source was kept both ways")
    compared = sides["kind"].isin(both)
    sides = sides[compared]
    counts = {
        regime: int(sides.loc[sides["regime"] == regime, "source_id"].nunique())
        for regime in counts
    }
    few = {regime: count for regime, count in counts.items() if count < LEAST_SOURCES}
    if few:
        regime, count = next(iter(few.items()))
        reason = (
            f"among kinds kept both ways only {count} {regime} source"
            f"{'' if count == 1 else 's'} {'was' if count == 1 else 'were'} tried; "
            f"at least {LEAST_SOURCES} are needed"
        )
        return _refused(counts, both, only, reason)
    ages = _shared_ages(sides)
    if ages is None:
        reason = "refrigerated and frozen sources were not tried at the same ages"
        return _refused(counts, both, only, reason)
    inside = sides["age_days"].between(*ages)
    at_age = float(np.round(sides.loc[inside, "age_days"].median()))
    if fit.mixed is None:
        return _refused(counts, both, only, fit.reason or "no model could be fitted")
    design = _storage_design(fit.design, sides)
    finds = design.y.sum()
    if min(finds, len(design.y) - finds) < LEAST_EVENTS * design.x.shape[1] or is_separated(
        design.y, design.x
    ):
        return _refused(counts, both, only, "too few finds or misses to compare the two")
    try:
        mixed = refit(design, slopes=False, reduced=False)
    except FitError as error:
        return _refused(counts, both, only, str(error))
    return _standardised_difference(design, mixed, at_age, fit.settings.alpha, counts, both, only)


def _refused(
    counts: dict[str, int], both: tuple[str, ...], only: tuple[str, ...], reason: str
) -> Comparison:
    return Comparison(None, None, None, None, None, None, counts, both, only, None, reason)


def _shared_kinds(sides: pd.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    ways = sides.groupby("kind")["regime"].nunique()
    return (
        tuple(sorted(ways.index[ways == 2].astype(str))),
        tuple(sorted(ways.index[ways < 2].astype(str))),
    )


def _shared_ages(sides: pd.DataFrame) -> tuple[float, float] | None:
    limits = sides.groupby("regime")["age_days"].agg(["min", "max"]).astype(float)
    low, high = float(limits["min"].max()), float(limits["max"].min())
    return (low, high) if low < high else None


def _storage_design(design: Design, sides: pd.DataFrame) -> Design:
    """The fit's terms on these trials, with storage in place of cycles and frozen share."""
    rows = design.trials.index.get_indexer(sides.index)
    kept = [
        j
        for j, c in enumerate(design.columns, start=1)
        if c.term not in ("cycles", UNLOGGED, "frozen_share")
    ]
    x = design.x[np.ix_(rows, np.array([0, *kept]))]
    columns = [design.columns[j - 1] for j in kept]
    storage = (sides["regime"] == "refrigerated").to_numpy(dtype=float)
    x = np.column_stack([x, storage])
    columns.append(
        Column(
            "storage",
            "storage",
            "refrigerated against frozen",
            0.0,
            1.0,
            ("refrigerated", "frozen"),
        )
    )
    # Terms that no longer vary, or repeat others, among these trials alone.
    keep = _independent(x)
    return Design(
        trials=sides,
        y=design.y[rows],
        x=x[:, keep],
        columns=tuple(columns[j - 1] for j in keep if j > 0),
        groups={
            g: labels[rows] for g, labels in design.groups.items() if len(set(labels[rows])) > 1
        },
        left_out=(),
        copies={},
        separated=False,
    )


def _independent(x: np.ndarray) -> list[int]:
    """Columns in order of need (intercept, storage, then the rest) that say something new."""
    kept: list[int] = []
    for j in [0, x.shape[1] - 1, *range(1, x.shape[1] - 1)]:
        trial = x[:, [*kept, j]]
        if np.linalg.matrix_rank(trial / np.maximum(np.abs(trial).max(axis=0), 1e-12)) > len(kept):
            kept.append(j)
    return sorted(kept)


def _standardised_difference(
    design: Design,
    mixed: MixedFit,
    at_age: float,
    alpha: float,
    counts: dict[str, int],
    both: tuple[str, ...],
    only: tuple[str, ...],
) -> Comparison:
    beta = mixed.beta
    storage = len(design.columns)
    x = design.x.copy()
    age = design.column_of("age_days")
    if age is not None:
        column = design.columns[age - 1]
        x[:, age] = (at_age - column.reference) / column.divisor
    # Sources stand for their kind here: their own effects belong to the way they were kept.
    eta = x @ beta
    spread = np.full(len(eta), np.sqrt(sum(s**2 for s in mixed.sd.values())))
    means, gradients = [], []
    for value in (1.0, 0.0):
        way = x.copy()
        way[:, storage] = value
        p, slope = averaged_probability(eta + (value - x[:, storage]) * beta[storage], spread)
        means.append(float(p.mean()))
        gradients.append((slope[:, None] * way).mean(axis=0))
    gradient = gradients[0] - gradients[1]
    # Storage is judged on sources, as any term that varies mainly between them.
    freedom = float(small_sample(design)[0][0])
    reach = float(student_quantile(1.0 - alpha / 2.0, freedom))
    error = float(np.sqrt(gradient @ mixed.cov @ gradient))
    difference = means[0] - means[1]
    low, high = max(difference - reach * error, -1.0), min(difference + reach * error, 1.0)
    return Comparison(
        at_age_days=at_age,
        risk_difference=difference,
        low=low,
        high=high,
        refrigerated=means[0],
        frozen=means[1],
        sources=counts,
        kinds=both,
        kinds_left_out=only,
        p=float(2.0 * student_tail(abs(difference) / error, freedom)),
        reason=None,
    )
