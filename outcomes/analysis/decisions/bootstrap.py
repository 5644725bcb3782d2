"""The retirement threshold's interval by resampling whole sources, or whole dogs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.optimize import brentq

from outcomes.analysis.decisions.curve import met_at_all
from outcomes.analysis.decisions.threshold import Threshold
from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.design import Design
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.terms import UNLOGGED
from outcomes.analysis.finds.usable_trials import kinds_of
from outcomes.analysis.results import ExposureName
from outcomes.errors import FitError
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.distributions import normal_quantile, normal_share
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit
from outcomes.models.rounding import rounded
from outcomes.models.separation import is_separated
from outcomes.random_streams import random_stream

REFITS = 200
MOST_FAILED = 0.10
_LEAST_LEVELS = 5
_POINTS = 200  # groups of trials alike in log-odds over which the average is taken
_TESTED_FOR_SEPARATION = 2_000


@dataclass(frozen=True, slots=True)
class BootstrapThreshold:
    """Interval of a retirement threshold over resampled clusters.

    Attributes
    ----------
    by
        ``"cycles"`` or ``"age_days"``.
    resampled
        ``"source"`` or ``"dog"``: what was drawn with replacement, with all its trials.
    levels
        How many there are of it.
    confidence
        Two-sided confidence of ``low`` and ``high``.
    refits, failed
        Resamples asked for, and those in which no model could be fitted. They
        are left out, and with more than a tenth of them there is no interval.
    estimate
        The threshold of the records themselves, for dogs and sources drawn from
        the same distributions as the unit's; None where it is not crossed.
    low, high
        Bias-corrected percentiles of the resampled threshold; None where they lie outside what
        was observed, or ``reason`` says why.
    never, from_start
        Shares of the resamples in which finds do not fall to the floor within
        what was observed, and in which they start below it. They count as
        thresholds beyond and before all others.
    reason
        Why there is no interval; None where there is one.
    """

    by: ExposureName
    resampled: str
    levels: int
    confidence: float
    refits: int
    failed: int
    estimate: float | None
    low: float | None
    high: float | None
    never: float
    from_start: float
    reason: str | None


def bootstrap_threshold(
    fit: FindFit,
    threshold: Threshold,
    *,
    resampled: str = "source",
    alone: bool = False,
    refits: int = REFITS,
    progress: Callable[[int], None] | None = None,
) -> BootstrapThreshold:
    """Resample whole clusters, fit again, and read the threshold off each.

    A source (or dog) drawn twice enters as two. The threshold of a resample is
    where its find probability, averaged over its own trials and over dogs and
    sources drawn from the distributions fitted to it, falls to the floor: no
    normal approximation, and nothing taken over from the model fitted to all
    trials but where to start from.

    Parameters
    ----------
    fit
        Fit of finds.
    threshold
        The threshold asked about; gives exposure, floor, confidence and range.
    resampled
        ``"source"`` or ``"dog"``.
    alone
        As for :func:`outcomes.analysis.decisions.curve.find_curve`.
    refits
        Resamples.
    progress
        Called with the number done after each.

    Returns
    -------
    BootstrapThreshold

    References
    ----------
    Davison AC, Hinkley DV (1997). Bootstrap Methods and their Application.
    Cambridge University Press, section 3.8 (resampling whole clusters).
    """
    levels = len(set(fit.design.groups.get(resampled, np.zeros(0))))
    nothing = BootstrapThreshold(
        by=threshold.by,
        resampled=resampled,
        levels=levels,
        confidence=threshold.confidence,
        refits=0,
        failed=0,
        estimate=None,
        low=None,
        high=None,
        never=0.0,
        from_start=0.0,
        reason=None,
    )
    if fit.mixed is None or not len(threshold.curve.at):
        return replace(nothing, reason=fit.reason or "no curve could be fitted")
    if levels < _LEAST_LEVELS:
        return replace(
            nothing, reason=f"only {levels} {resampled}s to draw from; at least 5 are needed"
        )
    design = fit.design
    if alone:
        shapes = design.shapes
        design = plan_design(design.trials, exposures=(threshold.by,)).with_shapes(shapes)
    limits = float(threshold.curve.at[0]), threshold.observed_to
    try:
        start = fit_mixed(design.y, design.x, design.names, design.groups, details=False)
    except FitError as error:
        return replace(nothing, reason=str(error))
    own = _threshold(design, start, threshold.by, threshold.floor, limits)
    found, failed = [], 0
    for number in range(refits):
        rng = random_stream(fit.settings.seed, "bootstrap", number)
        drawn = _resample(design, resampled, threshold.by, rng)
        try:
            if drawn is None:
                raise FitError("the resample has too little to compare")
            mixed = fit_mixed(drawn.y, drawn.x, drawn.names, drawn.groups, details=False)
            found.append(_threshold(drawn, mixed, threshold.by, threshold.floor, limits))
        except FitError:
            failed += 1
        if progress is not None:
            progress(number + 1)
    shown = replace(
        nothing, refits=refits, failed=failed, estimate=own if np.isfinite(own) else None
    )
    if failed > MOST_FAILED * refits:
        return replace(shown, reason=f"{failed} of {refits} resamples could not be fitted")
    values = np.array(found)
    tails = corrected_tails(values, own, threshold.confidence)
    # "Lower" and "higher" never take a mean of a number and of nothing in range.
    low = float(np.quantile(values, tails[0], method="lower"))
    high = float(np.quantile(values, tails[1], method="higher"))
    return replace(
        shown,
        low=low if np.isfinite(low) else None,
        high=high if np.isfinite(high) else None,
        never=float((values == np.inf).mean()),
        from_start=float((values == -np.inf).mean()),
    )


def corrected_tails(values: np.ndarray, own: float, confidence: float) -> tuple[float, float]:
    """Which percentiles of the resamples to take, corrected for their bias.

    A model refitted to fewer different sources leans one way; the share of
    resamples below what the records themselves give shows by how much.

    Parameters
    ----------
    values
        Thresholds of the resamples, infinite where not crossed.
    own
        That of the records.
    confidence
        Two-sided.

    References
    ----------
    Efron B (1981). Nonparametric standard errors and confidence intervals.
    Canadian Journal of Statistics 9, 139-158 (the bias-corrected percentile method).

    Examples
    --------
    Without bias, the plain percentiles:

    >>> [round(t, 3) for t in corrected_tails(np.arange(101.0), 50.0, 0.90)]
    [0.05, 0.95]
    """
    share = float((values < own).mean() + 0.5 * (values == own).mean())
    bias = normal_quantile(np.clip(share, 0.5 / len(values), 1.0 - 0.5 / len(values)))
    reach = normal_quantile(0.5 + confidence / 2.0)
    low, high = normal_share([2.0 * bias - reach, 2.0 * bias + reach])
    return float(low), float(high)


def _resample(
    design: Design, resampled: str, exposure: ExposureName, rng: np.random.Generator
) -> Design | None:
    """The design of a resample, or None where it cannot tell about the exposure."""
    codes, levels = pd.factorize(design.groups[resampled], sort=True)
    order = np.argsort(codes, kind="stable")
    starts = np.searchsorted(codes[order], np.arange(len(levels) + 1))
    picks = rng.integers(0, len(levels), len(levels))
    parts = [order[starts[k] : starts[k + 1]] for k in picks]
    rows = np.concatenate(parts)
    copy = np.repeat(np.arange(len(picks)), [len(part) for part in parts])
    groups = {}
    for grouping, labels in design.groups.items():
        own = labels[rows].astype(str)
        # A hide belongs to one source: with the source drawn twice there are two of it.
        apart = grouping == resampled or (grouping == "hide" and resampled == "source")
        if apart:
            own = np.char.add(np.char.add(own, "/"), copy.astype(str))
        groups[grouping] = own
    y, x = design.y[rows], design.x[rows]
    position = design.column_of(exposure)
    assert position is not None
    keep = _telling(x, y, position, design.column_of(UNLOGGED))
    if position not in keep or y.min() == y.max():
        return None
    if len(y) <= _TESTED_FOR_SEPARATION and is_separated(y, x[:, keep]):
        return None
    return replace(
        design,
        trials=design.trials.iloc[rows],
        y=y,
        x=x[:, keep],
        columns=tuple(design.columns[j - 1] for j in keep if j),
        groups=groups,
    )


def _telling(x: np.ndarray, y: np.ndarray, position: int, unlogged: int | None = None) -> list[int]:
    """Columns that still say something new, and whose trials have both results.

    A rare kind, or its misses, may not have been drawn.
    """
    first = [0, position]
    for j in range(1, x.shape[1]):
        # What went unlogged is 0 for most: the trials beside them are asked as those of a word are.
        there = x[:, j] != 0.0 if j == unlogged else x[:, j] == 1.0
        indicator = j == unlogged or bool(np.all(there | (x[:, j] == 0.0)))
        if j != position and not (indicator and len(set(y[there])) < 2):
            first.append(j)
    scale = np.maximum(np.abs(x).max(axis=0), 1e-12)
    kept: list[int] = []
    for j in first:
        if np.linalg.matrix_rank(x[:, [*kept, j]] / scale[[*kept, j]]) > len(kept):
            kept.append(j)
    return sorted(kept)


def _threshold(
    design: Design,
    mixed: MixedFit,
    exposure: ExposureName,
    floor: float,
    limits: tuple[float, float],
) -> float:
    """Where the average falls to the floor; infinite where it never does, or starts below."""
    design = design.logged_from_the_start()
    position = design.column_of(exposure)
    assert position is not None
    plan, slope = design.columns[position - 1], float(mixed.beta[position])
    base = design.x @ mixed.beta - design.x[:, position] * slope
    rows = met_at_all(design.trials, exposure)
    if plan.kinds is not None:
        rows = rows & np.isin(kinds_of(design.trials), plan.kinds)
    base = np.sort(base[rows])
    edges = np.linspace(0, len(base), min(_POINTS, len(base)) + 1).astype(int)
    size = np.diff(edges)
    base = np.add.reduceat(base, edges[:-1]) / size
    spread = float(np.sqrt(sum(s**2 for s in mixed.sd.values())))

    def found(value: float) -> float:
        step = float(plan.at(value))
        return float(np.average(averaged_probability(base + step * slope, spread)[0], weights=size))

    low, high = limits
    if slope >= 0.0:
        return np.inf
    if rounded(found(low)) < floor:
        return -np.inf
    if rounded(found(high)) >= floor:
        return np.inf
    return float(brentq(lambda value: found(value) - floor, low, high))
