"""Refrigerated against frozen: what the unit's own trials would have shown either way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import UNLOGGED, Column, Design
from outcomes.analysis.finds.model import FindFit, averaged_probability, small_sample
from outcomes.errors import FitError
from outcomes.models.distributions import student_quantile, student_tail
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit
from outcomes.models.mixed_variance import Penalised, _at_spread, profile_of_spread
from outcomes.models.separation import is_separated

LEAST_SOURCES = 3
ENOUGH_SOURCES = 6
SHOWN_BY_KIND = 4
LEAST_EVENTS = 5
_NEAREST = 60  # frozen trials of about the same age, whose cycles stand for that age
_SHARES = (0.1, 0.3, 0.5, 0.7, 0.9)
_WAYS = ("refrigerated", "frozen")
_MOST_TRIALS = 20_000  # beyond, the spread between sources is known well enough as it is


@dataclass(frozen=True, slots=True)
class KindDifference:
    """Refrigerated minus frozen for one kind of source, with limits at 1 - alpha."""

    kind: str
    risk_difference: float
    low: float
    high: float
    p: float
    sources: dict[str, int]

    @property
    def few(self) -> bool:
        """Whether there are too few sources a side to tell it as a finding."""
        return min(self.sources.values()) < ENOUGH_SOURCES


@dataclass(frozen=True, slots=True)
class Comparison:
    """Refrigerated minus frozen, in find probability, over the unit's own trials.

    Attributes
    ----------
    risk_difference, low, high
        With two-sided limits at 1 - alpha. All None where ``reason`` says why; limits None
        where sources differ in how fast they change, since no interval was shown to hold there.
    refrigerated, frozen
        The two standardised probabilities.
    sources
        Way → sources among the trials compared.
    trials
        Trials compared.
    kinds, kinds_left_out
        Kinds kept both ways (compared), and those kept only one way.
    p
        P-value of the difference; below alpha exactly where the limits exclude 0.
    by_kind
        Kinds with at least four sources a side.
    reason
        Why nothing is compared; None where something is.
    slopes_differ
        Whether that is why there are no limits.
    both_ways
        Sources counted on either side, having been kept one way and then the other.
    without_kind
        Trials not compared since their source's kind is not on record.
    """

    risk_difference: float | None
    low: float | None
    high: float | None
    refrigerated: float | None
    frozen: float | None
    sources: dict[str, int]
    trials: int
    kinds: tuple[str, ...]
    kinds_left_out: tuple[str, ...]
    p: float | None
    reason: str | None
    by_kind: tuple[KindDifference, ...] = ()
    slopes_differ: bool = False
    both_ways: int = 0
    without_kind: int = 0

    @property
    def few(self) -> bool:
        """Whether there are too few sources a side to tell the difference as a finding."""
        return bool(self.sources) and min(self.sources.values()) < ENOUGH_SOURCES


def compare_storage(fit: FindFit) -> Comparison:
    """Compare the unit's trials had all sources been refrigerated, or all frozen.

    The trials of kinds that were kept both ways, each with its own dog, age and conditions:
    once as if its source had always been in the refrigerator, and never thawed; once as if it had
    been frozen, and thawed as often as this unit's frozen sources were by that age. Storage may
    matter more or less as a source ages. What sources differ by beyond that is averaged over.

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
    Storage was chosen, not assigned: the difference is an association. The spread between
    sources is found by restricted maximum likelihood, and errors are judged against Student's t
    on sources less the terms that differ between them: with the likeliest spread, intervals hold
    the truth too seldom.
    """
    trials = fit.design.trials
    sides = trials[trials["regime"].isin(_WAYS)]
    found = _compare_sides(fit, sides)
    compared = sides[sides["kind"].isin(found.kinds)]
    ways = compared.groupby("source_id", observed=True)["regime"].nunique()
    return replace(
        found,
        both_ways=int((ways == 2).sum()),
        without_kind=int(sides["kind"].isna().sum()),
    )


def _sources(sides: pd.DataFrame) -> dict[str, int]:
    return {way: int(sides.loc[sides["regime"] == way, "source_id"].nunique()) for way in _WAYS}


def _compare_sides(fit: FindFit, sides: pd.DataFrame) -> Comparison:
    counts = _sources(sides)
    for way, count in counts.items():
        if count == 0:
            return _refused(counts, (), (), f"no {way} source was tried")
    both, only = _shared_kinds(sides)
    if not both:
        reason = "no kind was kept both ways, so kind and storage cannot be told apart"
        return _refused(counts, both, only, reason)
    sides = sides[sides["kind"].isin(both)]
    counts = _sources(sides)
    few = {way: count for way, count in counts.items() if count < LEAST_SOURCES}
    if few:
        way, count = next(iter(few.items()))
        reason = (
            f"among kinds kept both ways only {count} {way} source"
            f"{'' if count == 1 else 's'} {'was' if count == 1 else 'were'} tried; "
            f"at least {LEAST_SOURCES} are needed"
        )
        return _refused(counts, both, only, reason)
    limits = sides.groupby("regime")["age_days"].agg(["min", "max"]).astype(float)
    if limits["min"].max() >= limits["max"].min():
        reason = "refrigerated and frozen sources were not tried at the same ages"
        return _refused(counts, both, only, reason)
    if fit.mixed is None:
        return _refused(counts, both, only, fit.reason or "no model could be fitted")
    work = _Both(fit, sides)
    finds = work.design.y.sum()
    if min(finds, len(sides) - finds) < LEAST_EVENTS * work.design.x.shape[1] or is_separated(
        work.design.y, work.design.x
    ):
        return _refused(counts, both, only, "too few finds or misses to compare the two")
    try:
        return work.compare(counts, both, only)
    except FitError as error:
        return _refused(counts, both, only, str(error))


def _refused(
    counts: dict[str, int], both: tuple[str, ...], only: tuple[str, ...], reason: str
) -> Comparison:
    return Comparison(None, None, None, None, None, counts, 0, both, only, None, reason)


def _shared_kinds(sides: pd.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    ways = sides.groupby("kind")["regime"].nunique()
    return (
        tuple(sorted(ways.index[ways == 2].astype(str))),
        tuple(sorted(ways.index[ways < 2].astype(str))),
    )


class _Both:
    """The trials compared, with columns for storage, and what they would be either way."""

    def __init__(self, fit: FindFit, sides: pd.DataFrame) -> None:
        self.alpha = fit.settings.alpha
        self.slopes_differ = any(slope.plainly_differ for slope in fit.slopes)
        base, rows = fit.design, fit.design.trials.index.get_indexer(sides.index)
        kept = [
            j
            for j, c in enumerate(base.columns, start=1)
            if c.term not in (UNLOGGED, "frozen_share")
        ]
        x = base.x[np.ix_(rows, np.array([0, *kept]))]
        columns = [base.columns[j - 1] for j in kept]
        self.sides, self.age = sides, sides["age_days"].to_numpy(dtype=float)
        self.kind = sides["kind"].astype(str).to_numpy()
        cold = (sides["regime"] == "refrigerated").to_numpy(dtype=float)
        x = np.column_stack([x, cold, cold * self.ages()])
        columns.append(_storage_column("storage", "refrigerated against frozen"))
        columns.append(_storage_column("storage by age", "refrigerated, by 30 days"))
        keep = _independent(x)
        self.design = Design(
            trials=sides,
            y=base.y[rows],
            x=x[:, keep],
            columns=tuple(columns[j - 1] for j in keep if j > 0),
            groups={
                g: labels[rows] for g, labels in base.groups.items() if len(set(labels[rows])) > 1
            },
            left_out=(),
            copies={},
            separated=False,
        )

    def ages(self) -> np.ndarray:
        """Age in steps of 30 days about the middle one, at which storage is told by itself."""
        return (self.age - float(np.median(self.age))) / 30.0

    def compare(
        self, counts: dict[str, int], both: tuple[str, ...], only: tuple[str, ...]
    ) -> Comparison:
        mixed = self.fitted(self.design)
        everyone = np.ones(len(self.age), dtype=bool)
        means, gradients = zip(
            *(self.mean_of(self.design, mixed, way, everyone) for way in _WAYS), strict=True
        )
        difference, error, freedom = self.judged(self.design, mixed, means, gradients)
        reach = float(student_quantile(1.0 - self.alpha / 2.0, freedom)) * error
        sure = not self.slopes_differ
        return Comparison(
            risk_difference=difference,
            low=max(difference - reach, -1.0) if sure else None,
            high=min(difference + reach, 1.0) if sure else None,
            refrigerated=means[0],
            frozen=means[1],
            sources=counts,
            trials=len(self.sides),
            kinds=both,
            kinds_left_out=only,
            p=float(2.0 * student_tail(abs(difference) / error, freedom)) if sure else None,
            reason=None,
            by_kind=self.by_kind(both) if sure else (),
            slopes_differ=self.slopes_differ,
        )

    def fitted(self, design: Design) -> MixedFit:
        """The model with the spread between sources by restricted maximum likelihood."""
        likeliest = fit_mixed(design.y, design.x, design.names, design.groups)
        if len(design.y) > _MOST_TRIALS:
            return likeliest
        return at_restricted_maximum(design.y, design.x, design.groups, likeliest)

    def judged(
        self,
        design: Design,
        mixed: MixedFit,
        means: tuple[float, ...],
        gradients: tuple[np.ndarray, ...],
    ) -> tuple[float, float, float]:
        """Difference, its standard error, and the degrees of freedom it is judged on."""
        gradient = gradients[0] - gradients[1]
        error = float(np.sqrt(max(gradient @ mixed.cov @ gradient, 1e-16)))
        freedom = float(small_sample(design)[0][0])
        return means[0] - means[1], error, freedom

    def mean_of(
        self, design: Design, mixed: MixedFit, way: str, rows: np.ndarray
    ) -> tuple[float, np.ndarray]:
        """Find probability of some trials had all been kept one way, and its gradient."""
        cold = float(way == "refrigerated")
        x = design.x.copy()
        by_kind = {f"storage of {k}": self.kind == k for k in np.unique(self.kind)}
        for position, column in enumerate(design.columns, start=1):
            if column.term == "storage":
                x[:, position] = cold
            elif column.term == "storage by age":
                x[:, position] = cold * self.ages()
            elif column.term in by_kind:
                x[:, position] = cold * by_kind[column.term]
        cycles = design.column_of("cycles")
        nodes = self.usual_cycles() if way == "frozen" else np.zeros((len(x), 1))
        eta = x @ mixed.beta
        if "dog" in design.groups:
            effects = mixed.effects["dog"]["effect"]
            eta = eta + effects.reindex(design.groups["dog"]).to_numpy()
        open_still = sum(sd**2 for group, sd in mixed.sd.items() if group != "dog")
        mean, gradient = 0.0, np.zeros(x.shape[1])
        for node in nodes.T if cycles is not None else [None]:
            at = x
            own = eta
            if cycles is not None and node is not None:
                at = x.copy()
                column = design.columns[cycles - 1]
                at[:, cycles] = (node - column.reference) / column.divisor
                own = eta + (at[:, cycles] - x[:, cycles]) * mixed.beta[cycles]
            p, slope = averaged_probability(own[rows], float(np.sqrt(open_still)))
            share = 1.0 / (nodes.shape[1] if cycles is not None else 1)
            mean += share * float(p.mean())
            gradient += share * (slope[:, None] * at[rows]).mean(axis=0)
        return mean, gradient

    def usual_cycles(self) -> np.ndarray:
        """Cycles that frozen sources of this unit had at each trial's age, shape (n, 5)."""
        frozen = self.sides["regime"].to_numpy() == "frozen"
        order = np.argsort(self.age[frozen], kind="stable")
        age = self.age[frozen][order]
        cycles = self.sides["cycles"].to_numpy(dtype=float)[frozen][order]
        width = min(_NEAREST, len(age))
        start = np.clip(np.searchsorted(age, self.age) - width // 2, 0, len(age) - width)
        found = {s: np.quantile(cycles[s : s + width], _SHARES) for s in np.unique(start).tolist()}
        return np.array([found[s] for s in start.tolist()])

    def by_kind(self, kinds: tuple[str, ...]) -> tuple[KindDifference, ...]:
        """Each kind with at least four sources a side, from one model with kind by storage."""
        counts = {k: _sources(self.sides[self.kind == k]) for k in kinds}
        shown = [k for k in kinds if min(counts[k].values()) >= SHOWN_BY_KIND]
        if not shown or len(kinds) < 2:
            return ()
        cold = (self.sides["regime"] == "refrigerated").to_numpy(dtype=float)
        extra = [cold * (self.kind == k) for k in kinds[1:]]
        x = np.column_stack([self.design.x, *extra])
        if np.linalg.matrix_rank(x / np.maximum(np.abs(x).max(axis=0), 1e-12)) < x.shape[1]:
            return ()
        columns = [_storage_column(f"storage of {k}", "refrigerated, of a kind") for k in kinds[1:]]
        design = replace(self.design, x=x, columns=(*self.design.columns, *columns))
        if is_separated(design.y, design.x):
            return ()
        try:
            mixed = self.fitted(design)
        except FitError:
            return ()
        found = []
        for kind in shown:
            rows = self.kind == kind
            means, gradients = zip(
                *(self.mean_of(design, mixed, way, rows) for way in _WAYS), strict=True
            )
            difference, error, freedom = self.judged(design, mixed, means, gradients)
            reach = float(student_quantile(1.0 - self.alpha / 2.0, freedom)) * error
            low, high = max(difference - reach, -1.0), min(difference + reach, 1.0)
            p = float(2.0 * student_tail(abs(difference) / error, freedom))
            found.append(KindDifference(kind, difference, low, high, p, counts[kind]))
        return tuple(found)


def _storage_column(term: str, unit: str) -> Column:
    return Column(term, term, unit, 0.0, 1.0, ("refrigerated", "frozen"))


def _independent(x: np.ndarray) -> list[int]:
    """Columns that add something: intercept, storage, the rest, storage by age, in that order."""
    kept: list[int] = []
    storage = x.shape[1] - 2
    for j in [0, storage, *range(1, storage), storage + 1]:
        trial = x[:, [*kept, j]]
        if np.linalg.matrix_rank(trial / np.maximum(np.abs(trial).max(axis=0), 1e-12)) > len(kept):
            kept.append(j)
    return sorted(kept)


def at_restricted_maximum(
    y: np.ndarray,
    x: np.ndarray,
    groups: Mapping[str, np.ndarray],
    mixed: MixedFit,
    grouping: str = "source",
) -> MixedFit:
    """The fit with the spread of one grouping by restricted maximum likelihood.

    Maximum likelihood takes the spread between few sources as too small, since the fixed effects
    have taken part of it; here they are integrated out (Laplace approximation).

    Parameters
    ----------
    y, x, groups, mixed, grouping
        As for :func:`with_plausible_spread`.

    Returns
    -------
    MixedFit
        ``mixed`` itself where the grouping has fewer than three levels.

    References
    ----------
    Patterson HD, Thompson R (1971). Recovery of inter-block information when block sizes are
    unequal. Biometrika 58, 545-554, for the restricted likelihood.
    """
    if grouping not in groups or len(mixed.effects.get(grouping, ())) < 3:
        return mixed
    from scipy.optimize import minimize_scalar

    penalised = Penalised(y, x, groups)
    at, likelihood = profile_of_spread(penalised, mixed, grouping)
    best = int(np.argmax(likelihood))
    low, high = float(at[max(best - 1, 0)]), float(at[min(best + 1, len(at) - 1)])

    def lost(sd: float) -> float:
        return -penalised.mode(dict(mixed.sd) | {grouping: sd}, mixed.beta).restricted

    found = minimize_scalar(lost, bounds=(low, high), method="bounded", options={"xatol": 1e-6})
    spread = float(found.x) if -found.fun > likelihood[0] else 0.0
    return _at_spread(penalised, mixed, grouping, spread)
