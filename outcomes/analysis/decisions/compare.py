"""Refrigerated against frozen: what the unit's own trials would have shown either way."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from outcomes.analysis.finds.choose_terms import PER_PARAMETER
from outcomes.analysis.finds.design import OF_THE_SOURCE, Column, Design
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.standard_errors import small_sample
from outcomes.analysis.finds.terms import UNLOGGED
from outcomes.errors import FitError
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.distributions import student_quantile, student_tail
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit
from outcomes.models.mixed_variance import with_restricted_spreads
from outcomes.models.separation import is_separated

Way = Literal["refrigerated", "frozen"]
WAYS: tuple[Way, Way] = ("refrigerated", "frozen")
LEAST_SOURCES = 3  # a side; below, nothing is compared
SHOWN_BY_KIND = 4  # a side; below, a kind has no numbers of its own
ENOUGH_SOURCES = 6  # a side; below, a difference is no finding
_NEAREST = 60  # frozen trials of about the same age, whose cycles stand for that age
_SHARES = (0.1, 0.3, 0.5, 0.7, 0.9)
_MOST_TRIALS = 20_000  # beyond, the spread between sources is known well enough as it is
# What goes with the way of keeping, and would take its part: not held the same.
_OF_STORAGE = (UNLOGGED, "frozen_share", "hours_since_thaw", "freezer_c")
_STORAGE, _BY_AGE, _OF_KIND = "storage", "storage by age", "storage of kind: "


@dataclass(frozen=True, slots=True)
class Difference:
    """Refrigerated minus frozen, in find probability.

    Attributes
    ----------
    risk_difference
        The difference of ``refrigerated`` and ``frozen``, the two standardised probabilities.
    low, high, p
        Two-sided limits at ``confidence``, and p-value: below 1 - ``confidence`` exactly where
        the limits exclude 0. None where sources differ in how fast they change.
    sources
        Way → sources among the trials compared.
    freedom
        Degrees of freedom of Student's t that the limits and ``p`` rest on.
    level, confidence
        Of the test for a difference, and of the limits.
    """

    risk_difference: float
    low: float | None
    high: float | None
    refrigerated: float
    frozen: float
    p: float | None
    sources: dict[Way, int]
    freedom: float = math.inf
    level: float = 0.05
    confidence: float = 0.95

    @property
    def sure(self) -> bool:
        """Whether a difference is detected, whatever the confidence of its limits."""
        return self.p is not None and self.p < self.level

    def at(self, confidence: float) -> Difference:
        """The same with limits at another confidence."""
        if self.low is None or self.high is None:
            return self
        # One of the two may have been cut off at a difference of 1.
        reach = max(self.high - self.risk_difference, self.risk_difference - self.low)
        reach *= float(student_quantile((1.0 + confidence) / 2.0, self.freedom))
        reach /= float(student_quantile((1.0 + self.confidence) / 2.0, self.freedom))
        return replace(
            self,
            low=max(self.risk_difference - reach, -1.0),
            high=min(self.risk_difference + reach, 1.0),
            confidence=confidence,
        )

    @property
    def few(self) -> bool:
        """Whether there are too few sources a side to tell the difference as a finding."""
        return min(self.sources.values()) < ENOUGH_SOURCES


@dataclass(frozen=True, slots=True)
class Comparison:
    """Refrigerated against frozen over the unit's own trials.

    Attributes
    ----------
    difference
        Of all kinds compared; None where ``reason`` says why.
    by_kind
        Kind → its own difference, of kinds with at least four sources a side; empty where one
        kind alone is compared.
    sources
        Way → sources tried, among kinds kept both ways where there are any.
    trials
        Trials averaged over.
    other_ages
        Trials of those kinds not averaged over: at ages at which one way alone was tried.
    kinds, kinds_left_out
        Kinds kept both ways (compared), and those kept only one way.
    terms_left_out
        Terms of the fit of finds that these trials have too few finds or misses for.
    reason
        Why nothing is compared; None where something is.
    both_ways
        Sources counted on either side, having been kept one way and then the other.
    without_kind
        Trials not compared since their source's kind is not on record.
    """

    difference: Difference | None
    by_kind: dict[str, Difference]
    sources: dict[Way, int]
    trials: int
    other_ages: int
    kinds: tuple[str, ...]
    kinds_left_out: tuple[str, ...]
    terms_left_out: tuple[str, ...]
    reason: str | None
    both_ways: int = 0
    without_kind: int = 0

    def at(self, confidence: float) -> Comparison:
        """The same with all limits at another confidence."""
        if self.difference is None:
            return self
        by_kind = {kind: own.at(confidence) for kind, own in self.by_kind.items()}
        return replace(self, difference=self.difference.at(confidence), by_kind=by_kind)


def compare_storage(fit: FindFit, *, each_kind: bool = True) -> Comparison:
    """Compare the unit's trials had all sources been refrigerated, or all frozen.

    The trials of kinds that were kept both ways, at ages at which both were tried, each with its
    own dog, age and conditions: once as if its source had always been in the refrigerator, and
    never thawed; once as if it had been frozen, and thawed as often as this unit's frozen sources
    were by that age. Storage may matter more or less as a source ages. What sources differ by
    beyond that is averaged over.

    Parameters
    ----------
    fit
        Fit of finds.
    each_kind
        Whether to compare kind by kind, too.

    Returns
    -------
    Comparison
        With a ``reason`` and no numbers where the two cannot be compared.

    Notes
    -----
    Storage was chosen, not assigned: the difference is an association. Spreads are found by
    restricted maximum likelihood, and errors are judged against Student's t on sources less the
    terms that differ between them: with the likeliest spread, intervals hold the truth too seldom.
    """
    trials = fit.design.trials
    sides = trials[trials["regime"].isin(WAYS)]
    found = _compare_sides(fit, sides, each_kind)
    compared = sides[sides["kind"].isin(found.kinds)]
    ways = compared.groupby("source_id", observed=True)["regime"].nunique()
    return replace(
        found,
        both_ways=int((ways == 2).sum()),
        without_kind=int(sides["kind"].isna().sum()),
    )


def _sources(sides: pd.DataFrame) -> dict[Way, int]:
    return {way: int(sides.loc[sides["regime"] == way, "source_id"].nunique()) for way in WAYS}


def _compare_sides(fit: FindFit, sides: pd.DataFrame, each_kind: bool) -> Comparison:
    both, only = _shared_kinds(sides)
    refused = Comparison(None, {}, _sources(sides), 0, 0, both, only, (), None)
    for way, count in refused.sources.items():
        if count == 0:
            return replace(refused, reason=f"no {way} source was tried")
    if not both:
        reason = "no kind was kept both ways; kind and storage cannot be told apart"
        return replace(refused, reason=reason)
    sides = sides[sides["kind"].isin(both)]
    refused = replace(refused, sources=_sources(sides))
    few = [(way, count) for way, count in refused.sources.items() if count < LEAST_SOURCES]
    if few:
        way, count = few[0]
        tried = "source was" if count == 1 else "sources were"
        reason = f"among kinds kept both ways only {count} {way} {tried} tried; "
        return replace(refused, reason=f"{reason}at least {LEAST_SOURCES} are needed")
    ages = sides.groupby("regime")["age_days"].agg(["min", "max"]).astype(float)
    shared = sides["age_days"].between(ages["min"].max(), ages["max"].min()).to_numpy()
    if not shared.any():
        reason = "refrigerated and frozen sources were not tried at the same ages"
        return replace(refused, reason=reason)
    if fit.mixed is None:
        return replace(refused, reason=fit.reason or "no model could be fitted")
    work = _EitherWay(fit, sides)
    if work.design is None:
        return replace(refused, reason="too few finds or misses to compare the two")
    try:
        difference = work.differences({"all": shared}, work.design)["all"]
    except FitError as error:
        return replace(refused, reason=str(error))
    return replace(
        refused,
        difference=difference,
        by_kind=work.by_kind(both, shared) if each_kind else {},
        trials=int(shared.sum()),
        other_ages=int((~shared).sum()),
        terms_left_out=work.terms_left_out,
    )


def _shared_kinds(sides: pd.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    ways = sides.groupby("kind")["regime"].nunique()
    return (
        tuple(sorted(ways.index[ways == 2].astype(str))),
        tuple(sorted(ways.index[ways < 2].astype(str))),
    )


class _EitherWay:
    """The trials compared, with columns for storage, and what they would be either way."""

    def __init__(self, fit: FindFit, sides: pd.DataFrame) -> None:
        self.alpha = fit.settings.alpha
        self.slopes_differ = any(slope.plainly_differ for slope in fit.slopes)
        self.sides, self.age = sides, sides["age_days"].to_numpy(dtype=float)
        self.kind = sides["kind"].astype(str).to_numpy()
        self.cold = (sides["regime"] == "refrigerated").to_numpy(dtype=float)
        # In steps of 30 days about the middle one, at which storage is told by itself.
        self.ages = (self.age - float(np.median(self.age))) / 30.0
        self.base, self.rows = fit.design, fit.design.trials.index.get_indexer(sides.index)
        self.finds = fit.design.y[self.rows]
        self.design, self.terms_left_out = self.planned({})

    def planned(self, of_kinds: Mapping[str, np.ndarray]) -> tuple[Design | None, tuple[str, ...]]:
        """The design with storage by itself and by age, and what is told of it by kind.

        Conditions make room, the last first, where finds or misses are too few for all; the terms
        that did come second. None where there are too few for the rest, or the two part.
        """
        kept = [c for c in self.base.columns if c.term not in _OF_STORAGE]
        most = int(min(self.finds.sum(), (1.0 - self.finds).sum())) // PER_PARAMETER
        dropped: list[str] = []
        while True:
            design = self.with_storage(kept, of_kinds)
            if design.x.shape[1] <= most:
                break
            conditions = [c.term for c in kept if c.term not in OF_THE_SOURCE]
            if not conditions:
                return None, ()
            dropped.append(conditions[-1])
            kept = [c for c in kept if c.term != conditions[-1]]
        return None if is_separated(design.y, design.x) else design, tuple(dropped)

    def with_storage(self, kept: Sequence[Column], of_kinds: Mapping[str, np.ndarray]) -> Design:
        """These columns with those of storage; without what says nothing new in these trials."""
        base, rows = self.base, self.rows
        places = [0, *(1 + base.columns.index(c) for c in kept)]
        x = np.column_stack(
            [base.x[np.ix_(rows, np.array(places))], *of_kinds.values(), self.cold,
             self.cold * self.ages]
        )  # fmt: skip
        columns = [
            *kept,
            *(_storage_column(term, "refrigerated, of a kind") for term in of_kinds),
            _storage_column(_STORAGE, "refrigerated against frozen"),
            _storage_column(_BY_AGE, "refrigerated, by 30 days"),
        ]
        keep = _independent(x)
        return Design(
            trials=self.sides,
            y=self.finds,
            x=x[:, keep],
            columns=tuple(columns[j - 1] for j in keep if j > 0),
            groups={
                g: labels[rows] for g, labels in base.groups.items() if len(set(labels[rows])) > 1
            },
            left_out=(),
            copies={},
            separated=False,
        )

    def by_kind(self, kinds: Sequence[str], shared: np.ndarray) -> dict[str, Difference]:
        """Each kind with at least four sources a side, from one model with kind by storage."""
        rows = {k: (self.kind == k) & shared for k in kinds}
        shown = {
            k: own
            for k, own in rows.items()
            if own.any() and min(_sources(self.sides[self.kind == k]).values()) >= SHOWN_BY_KIND
        }
        if not shown or len(kinds) < 2:
            return {}
        design, _ = self.planned(
            {f"{_OF_KIND}{k}": self.cold * (self.kind == k) for k in kinds[1:]}
        )
        own = 0 if design is None else sum(c.term.startswith(_OF_KIND) for c in design.columns)
        if design is None or own < len(kinds) - 1:
            return {}
        try:
            return self.differences(shown, design)
        except FitError:
            return {}

    def differences(self, rows: dict[str, np.ndarray], design: Design) -> dict[str, Difference]:
        """The difference over some of the trials, and over others, by name."""
        mixed = fit_mixed(design.y, design.x, design.names, design.groups)
        if len(design.y) <= _MOST_TRIALS:
            mixed = with_restricted_spreads(design.y, design.x, design.groups, mixed)
        # Storage is judged on sources, as any term that varies mainly between them.
        freedom = float(small_sample(design)[0][0])
        found = {}
        cycles = self.usual_cycles()
        for name, own in rows.items():
            cold, slope_cold = self.mean_of(design, mixed, own, None)
            frozen, slope_frozen = self.mean_of(design, mixed, own, cycles)
            slope = slope_cold - slope_frozen
            difference, error = cold - frozen, float(np.sqrt(max(slope @ mixed.cov @ slope, 1e-16)))
            reach = float(student_quantile(1.0 - self.alpha / 2.0, freedom)) * error
            sure = not self.slopes_differ
            found[name] = Difference(
                risk_difference=difference,
                low=max(difference - reach, -1.0) if sure else None,
                high=min(difference + reach, 1.0) if sure else None,
                refrigerated=cold,
                frozen=frozen,
                p=float(2.0 * student_tail(abs(difference) / error, freedom)) if sure else None,
                sources=_sources(self.sides[own]),
                freedom=freedom,
                level=self.alpha,
                confidence=1.0 - self.alpha,
            )
        return found

    def mean_of(
        self, design: Design, mixed: MixedFit, rows: np.ndarray, cycles: np.ndarray | None
    ) -> tuple[float, np.ndarray]:
        """Find probability of some trials had all been kept one way, and its gradient.

        ``cycles`` that frozen sources would have had, shape (n, k); None for refrigerated.
        """
        cold = float(cycles is None)
        x = design.x.copy()
        for position, column in enumerate(design.columns, start=1):
            if column.term == _STORAGE:
                x[:, position] = cold
            elif column.term == _BY_AGE:
                x[:, position] = cold * self.ages
            elif column.term.startswith(_OF_KIND):
                x[:, position] = cold * (self.kind == column.term.removeprefix(_OF_KIND))
        dogs: np.ndarray | float = 0.0
        if "dog" in design.groups:
            dogs = mixed.effects["dog"]["effect"].reindex(design.groups["dog"]).to_numpy()[rows]
        spread = float(np.sqrt(sum(sd**2 for group, sd in mixed.sd.items() if group != "dog")))
        x = x[rows]
        # One column, or one for kinds that fall and one for the others.
        own = [j for j, c in enumerate(design.columns, start=1) if c.of == "cycles"]
        nodes = np.zeros((len(x), 1)) if cycles is None else cycles[rows]
        means, gradients = [], []
        for node in nodes.T if own else nodes.T[:1]:
            for j in own:
                column = design.columns[j - 1]
                of_kinds = column.kinds is None or np.isin(self.kind[rows], column.kinds)
                x[:, j] = column.at(node) * of_kinds
            p, slope = averaged_probability(x @ mixed.beta + dogs, spread)
            means.append(float(p.mean()))
            gradients.append((slope[:, None] * x).mean(axis=0))
        return float(np.mean(means)), np.mean(gradients, axis=0)

    def usual_cycles(self) -> np.ndarray:
        """Cycles that frozen sources of this unit had at each trial's age, shape (n, 5)."""
        frozen = self.cold == 0.0
        order = np.argsort(self.age[frozen], kind="stable")
        age = self.age[frozen][order]
        cycles = self.sides["cycles"].to_numpy(dtype=float)[frozen][order]
        width = min(_NEAREST, len(age))
        start = np.clip(np.searchsorted(age, self.age) - width // 2, 0, len(age) - width)
        found = {s: np.quantile(cycles[s : s + width], _SHARES) for s in np.unique(start).tolist()}
        return np.array([found[s] for s in start.tolist()])


def _storage_column(term: str, unit: str) -> Column:
    return Column(term, term, unit, 0.0, 1.0, ("refrigerated", "frozen"))


def _scaled(x: np.ndarray) -> np.ndarray:
    return np.asarray(x / np.maximum(np.abs(x).max(axis=0), 1e-12))


def _independent(x: np.ndarray) -> list[int]:
    """Columns that add something: intercept, storage, the rest, storage by age, in that order."""
    kept: list[int] = []
    storage = x.shape[1] - 2
    for j in [0, storage, *range(1, storage), storage + 1]:
        if np.linalg.matrix_rank(_scaled(x[:, [*kept, j]])) > len(kept):
            kept.append(j)
    return sorted(kept)
