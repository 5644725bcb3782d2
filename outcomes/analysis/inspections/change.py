"""Does the source itself change? Mass, drip and scores against thaws, drying, warmth and age."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from outcomes.errors import FitError
from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.inspections import gather_looks
from outcomes.exposure.stays import History
from outcomes.models.clustered import sandwich
from outcomes.models.distributions import chi_square_tail, student_quantile, student_tail
from outcomes.models.shelf_life import bound_meets_limit
from outcomes.models.within import MOST_INFLATION, WithinFit, fit_within, inflation
from outcomes.records.tables import Records

Measure = Literal["mass_lost", "drip", "freezer_burn", "ice_damage", "ph"]
MEASURES: tuple[Measure, ...] = ("mass_lost", "drip", "ice_damage", "freezer_burn", "ph")

FEWEST_SOURCES = 5
FEWEST_OF_KIND = 3
FEWEST_LOOKS = 15
# Exposure → what one step of it is, and how many of its own units that is.
STEPS: Mapping[str, tuple[str, float]] = {
    "cycles": ("cycle", 1.0),
    "open_frozen_days": ("30 days", 30.0),
    "degree_hours": ("100 °C·h", 100.0),
    "age_days": ("30 days", 30.0),
}


@dataclass(frozen=True, slots=True)
class ChangeEstimate:
    """What one step of an exposure adds to a measure, within the same source.

    Attributes
    ----------
    measure
        ``"mass_lost"`` and ``"drip"`` in per cent of the mass; scores in points; pH.
    term, unit
        Exposure, and what one step of it is.
    slope, std_error, low, high, p
        Change of the measure per step, with its error, limits and p-value.
    kind
        The kind of source it is of; None for all.
    """

    measure: Measure
    term: str
    unit: str
    slope: float
    std_error: float
    low: float
    high: float
    p: float
    kind: str | None = None

    @property
    def shown(self) -> bool:
        """Whether the interval lies on one side of no change."""
        return self.low > 0.0 or self.high < 0.0


@dataclass(frozen=True, slots=True)
class MassLimit:
    """After how many thaws sources have lost as much of their mass as they may.

    Attributes
    ----------
    most
        Share of the mass that they may lose.
    cycles
        Thaws at which the upper bound of the mean loss, one-sided at ``confidence``, reaches it;
        None where it does not within ``observed_to``.
    confidence
        Of the bound.
    observed_to
        Most thaws that a weighed source had been through.
    """

    most: float
    cycles: float | None
    confidence: float
    observed_to: float


@dataclass(frozen=True, slots=True)
class Change:
    """How one measure changes.

    Attributes
    ----------
    measure
        What was measured.
    looks, sources
        Looks at sources that were looked at more than once, and those sources.
    estimates
        One for each exposure that could be told apart, the others held.
    left_out
        Exposures that go along with those before them too closely to be told apart.
    by_kind
        The slope of the first exposure by kind, the others the same; empty unless there are
        several kinds with enough sources.
    kinds_differ_p
        p-value of no difference between kinds; None where it could not be asked.
    confidence
        Of the intervals, two-sided.
    reason
        Why there is no answer; None where there is one.
    """

    measure: Measure
    looks: int
    sources: int
    estimates: tuple[ChangeEstimate, ...]
    left_out: tuple[str, ...]
    by_kind: tuple[ChangeEstimate, ...]
    kinds_differ_p: float | None
    confidence: float
    reason: str | None = None

    def of(self, term: str) -> ChangeEstimate | None:
        """The estimate of an exposure; None where there is none."""
        return next((e for e in self.estimates if e.term == term), None)


def looks_with_exposures(records: Records, history: History) -> pd.DataFrame:
    """Every look with the measures it took and what the source had been through.

    Parameters
    ----------
    records, history
        The records, and the storage history made of them.

    Returns
    -------
    DataFrame
        The columns of :func:`~outcomes.exposure.inspections.gather_looks`, ``kind``, the
        exposures of ``STEPS`` at the look, and each of ``MEASURES``, missing where this very
        look did not take it; ``mass_lost`` and ``drip`` in per cent.
    """
    looks = gather_looks(records)
    if looks.empty:
        return looks
    exposure = exposure_at(history, looks["source_id"], looks["at"])[list(STEPS)]
    kinds = records.sources.set_index("source_id")["kind"]
    return looks.assign(
        **{name: exposure[name] for name in STEPS},
        kind=looks["source_id"].map(kinds),
        mass_lost=(100.0 * (1.0 - looks["mass_share"])).where(looks["weighed"]),
        drip=(100.0 * looks["drip_share"]).where(looks["dripped"]),
        freezer_burn=looks["freezer_burn"].where(looks["scored"]),
        ice_damage=looks["ice_damage"].where(looks["scored"]),
    )


def describe_changes(looks: pd.DataFrame, alpha: float) -> tuple[Change, ...]:
    """How each measure changes with what sources went through.

    Each source is compared with itself (a level for each), errors clustered by source. Of the
    exposures, thaws come first, then days frozen unsealed, warmth and age; one that goes along
    with those before it within sources (variance inflation over 10) is left out, which is told.

    Parameters
    ----------
    looks
        From :func:`looks_with_exposures`.
    alpha
        Intervals are at 1 - alpha.

    Returns
    -------
    tuple of Change
        Of each measure that was ever taken.
    """
    return tuple(
        _change(looks[looks[measure].notna()], measure, alpha)
        for measure in MEASURES
        if measure in looks and looks[measure].notna().any()
    )


def _change(looks: pd.DataFrame, measure: Measure, alpha: float) -> Change:
    number = looks.groupby("source_id")["source_id"].transform("size")
    looks = looks[number > 1]
    sources = int(looks["source_id"].nunique())

    def without(reason: str) -> Change:
        return Change(measure, len(looks), sources, (), (), (), None, 1.0 - alpha, reason)

    if sources < FEWEST_SOURCES or len(looks) < FEWEST_LOOKS:
        return without(
            f"{FEWEST_SOURCES} sources looked at more than once, and {FEWEST_LOOKS} such looks, "
            "are the least"
        )
    if looks[measure].nunique() < 2:
        return without("every look found the same")
    groups = looks["source_id"].to_numpy()
    names, left_out = _told_apart(looks, groups)
    if not names:
        return without("what the sources went through did not vary between looks")
    x = np.column_stack([looks[name].to_numpy(float) / STEPS[name][1] for name in names])
    y = looks[measure].to_numpy(float)
    try:
        fit = fit_within(y, x, groups)
    except FitError as trouble:
        return without(str(trouble))
    estimates = tuple(_estimate(fit, k, measure, name, alpha) for k, name in enumerate(names))
    by_kind, p = _by_kind(looks, y, x, groups, measure, names[0], alpha)
    return Change(measure, len(looks), sources, estimates, left_out, by_kind, p, 1.0 - alpha)


def _told_apart(looks: pd.DataFrame, groups: np.ndarray) -> tuple[list[str], tuple[str, ...]]:
    """Exposures that can be told apart within sources, in their order, and the others."""
    kept: list[str] = []
    left_out: list[str] = []
    for name in STEPS:
        values = looks[name].to_numpy(float)
        if np.isnan(values).any():
            continue
        tried = [*kept, name]
        x = np.column_stack([looks[one].to_numpy(float) for one in tried])
        spread = pd.Series(values).groupby(groups).transform("std").fillna(0.0)
        if not (spread > 0.0).any():
            continue
        if len(tried) > 1 and inflation(x, groups).max() > MOST_INFLATION:
            left_out.append(name)
        else:
            kept.append(name)
    return kept, tuple(left_out)


def _estimate(
    fit: WithinFit, k: int, measure: Measure, name: str, alpha: float, kind: str | None = None
) -> ChangeEstimate:
    slope, error = float(fit.beta[k]), float(np.sqrt(fit.cov[k, k]))
    reach = float(student_quantile(1.0 - alpha / 2.0, fit.freedom)) * error
    p = 2.0 * float(student_tail(abs(slope) / error, fit.freedom)) if error > 0.0 else 0.0
    return ChangeEstimate(
        measure, name, STEPS[name][0], slope, error, slope - reach, slope + reach, p, kind
    )


def _by_kind(
    looks: pd.DataFrame,
    y: np.ndarray,
    x: np.ndarray,
    groups: np.ndarray,
    measure: Measure,
    name: str,
    alpha: float,
) -> tuple[tuple[ChangeEstimate, ...], float | None]:
    """The first slope by kind, of kinds with enough sources, and whether kinds differ."""
    per_kind = looks.groupby("kind")["source_id"].nunique()
    moves = looks.groupby("kind")[name].agg(lambda own: own.max() > own.min())
    kinds = [str(k) for k in per_kind.index if per_kind[k] >= FEWEST_OF_KIND and moves[k]]
    if len(kinds) < 2:
        return (), None
    some = looks["kind"].isin(kinds).to_numpy()
    of_kind = looks["kind"].to_numpy()[some]
    own = np.column_stack([np.where(of_kind == kind, x[some, 0], 0.0) for kind in kinds])
    try:
        fit = fit_within(y[some], np.column_stack([own, x[some, 1:]]), groups[some])
    except FitError:
        return (), None
    estimates = tuple(_estimate(fit, k, measure, name, alpha, kind) for k, kind in enumerate(kinds))
    return estimates, _differ_p(fit, len(kinds))


def _differ_p(fit: WithinFit, kinds: int) -> float | None:
    contrast = np.zeros((kinds - 1, len(fit.beta)))
    contrast[:, 0] = -1.0
    contrast[np.arange(kinds - 1), np.arange(1, kinds)] = 1.0
    difference, spread = contrast @ fit.beta, contrast @ fit.cov @ contrast.T
    if np.linalg.matrix_rank(spread) < kinds - 1:
        return None
    wald = float(difference @ np.linalg.solve(spread, difference))
    return float(chi_square_tail(wald, kinds - 1))


def mass_limit(looks: pd.DataFrame, most: float, alpha: float) -> MassLimit | None:
    """Thaws after which the mean loss of mass may have reached the most that is allowed.

    A straight line of mass lost on cycles over all sources, errors clustered by source; the
    limit is where its upper bound meets ``most``.

    Parameters
    ----------
    looks
        From :func:`looks_with_exposures`.
    most
        Share of the mass that a source may lose.
    alpha
        The bound is one-sided at 1 - alpha.

    Returns
    -------
    MassLimit or None
        None with too few sources or weighings.
    """
    weighed = looks[looks["mass_lost"].notna() & looks["cycles"].notna()]
    sources = pd.factorize(weighed["source_id"])[0]
    cycles = weighed["cycles"].to_numpy(float)
    if len(weighed) < FEWEST_LOOKS or sources.max() + 1 < FEWEST_SOURCES or not np.ptp(cycles):
        return None
    x = np.column_stack([np.ones(len(cycles)), cycles])
    y = weighed["mass_lost"].to_numpy(float)
    bread = np.linalg.inv(x.T @ x)
    beta = bread @ (x.T @ y)
    cov = sandwich(bread, x * (y - x @ beta)[:, None], [sources])
    freedom, highest = float(sources.max()), float(cycles.max())
    at = bound_meets_limit(beta, cov, freedom, 100.0 * most, 1.0 - alpha)
    return MassLimit(most, None if at is None or at > highest else at, 1.0 - alpha, highest)


def shares_blind(looks: Sequence[bool | None]) -> float | None:
    """Share of looks said to be blind, of those where it was said; None where it never was."""
    said = [bool(one) for one in looks if one is not None and not pd.isna(one)]
    return float(np.mean(said)) if said else None
