"""Find probability against one exposure, standardised over the unit's own trials."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import sparse, special

from outcomes.analysis.finds.describe_terms import linear_predictor
from outcomes.analysis.finds.design import EXPOSURE_COLUMNS, Design
from outcomes.analysis.finds.model import FindFit, refit
from outcomes.analysis.finds.shapes import LINE, WeightedShape
from outcomes.analysis.finds.terms import UNLOGGED
from outcomes.analysis.finds.usable_trials import kinds_of
from outcomes.analysis.results import Bin, ExposureName, FindCurve
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import other_than
from outcomes.models.averaged_interval import averaged_limits
from outcomes.models.averaged_probability import averaged_probability
from outcomes.models.distributions import exact_interval, student_quantile
from outcomes.models.mixed_result import MixedFit
from outcomes.text import count

GRID = 121
THIN_SOURCES = 3
_MOST_BINS = 7
_LEAST_IN_BIN = 30
_NO_NEARER = 1e-9
_ENOUGH_SUPPORT = 0.99  # shapes beyond it are left out of a curve: little beside its tails
_STEP_WIDTH = 1e-6  # of what was observed
_ROWS = 2_000  # the average is taken over at most this many groups of alike trials


def observed_bins(
    trials: pd.DataFrame, exposure: ExposureName, confidence: float
) -> tuple[Bin, ...]:
    """Observed proportions of finds along an exposure, with exact (Clopper-Pearson) intervals.

    Bins hold about equally many trials, at least 30 each, and never split equal
    exposures. The intervals take trials as independent, as a person counting would.

    Parameters
    ----------
    trials
        Usable hide trials.
    exposure
        Column with the exposure; missing values are not counted.
    confidence
        Two-sided confidence of the intervals.
    """
    frame = trials[trials[exposure].notna()]
    if frame.empty:
        return ()
    place = _bin_numbers(frame[exposure].astype(float).to_numpy())
    bins = []
    for _, part in frame.groupby(place, sort=True):
        found = int((part["result"] == "find").sum())
        low, high = exact_interval(found, len(part), confidence)
        exposures = part[exposure].astype(float)
        bins.append(
            Bin(
                low=float(exposures.min()),
                high=float(exposures.max()),
                mean=float(exposures.mean()),
                finds=found,
                n=len(part),
                sources=int(part["source_id"].nunique()),
                proportion=found / len(part),
                proportion_low=low,
                proportion_high=high,
            )
        )
    return tuple(bins)


def _bin_numbers(values: np.ndarray) -> np.ndarray:
    """Bin of each value: filled in order of value, equal values never parted.

    What is left after a bin is spread evenly over the bins left, so that one
    very common value takes a bin and not several.
    """
    unique, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    bins_left = int(np.clip(len(values) // _LEAST_IN_BIN, 1, _MOST_BINS))
    number = np.zeros(len(unique), dtype=int)
    left, held, current = len(values), 0, 0
    for k, size in enumerate(counts):
        target = max(left / bins_left, _LEAST_IN_BIN)
        # Close the bin where taking this value too would overshoot by more than it falls short.
        if held >= _LEAST_IN_BIN and abs(held + size - target) > abs(held - target):
            left, bins_left, current = left - held, max(bins_left - 1, 1), current + 1
            held = 0
        number[k] = current
        held += int(size)
    if held < _LEAST_IN_BIN and current:
        number[number == current] = current - 1
    return np.asarray(number[inverse])


def observed_to(trials: pd.DataFrame, exposure: ExposureName) -> float:
    """Largest exposure at or beyond which at least three sources were observed.

    The exposure itself where there are fewer sources than that.
    """
    furthest = trials.groupby("source_id")[exposure].max().dropna().astype(float)
    if len(furthest) < THIN_SOURCES:
        return float(furthest.max()) if len(furthest) else 0.0
    return float(furthest.nlargest(THIN_SOURCES).iloc[-1])


def met_at_all(trials: pd.DataFrame, exposure: ExposureName) -> np.ndarray:
    """Trials of the sources that a limit along this exposure can be about.

    A source that never went through a cycle, because it was always refrigerated,
    would only raise the average of those that a limit by cycles is set for.

    Parameters
    ----------
    trials
        Usable hide trials.
    exposure
        ``"cycles"`` or ``"age_days"``: any source grows older.

    Returns
    -------
    numpy.ndarray
        Shape (n,), bool; True throughout where no source ever went through a cycle.
    """
    if exposure != "cycles" or trials.empty:
        return np.ones(len(trials), dtype=bool)
    most = trials["cycles"].astype(float).groupby(trials["source_id"]).transform("max")
    met = (most > 0.0).to_numpy()
    return met if met.any() else np.ones(len(trials), dtype=bool)


def find_curve(
    fit: FindFit,
    exposure: ExposureName,
    confidence: float,
    *,
    alone: bool,
    shapes: Sequence[WeightedShape] = (),
) -> FindCurve:
    """Find probability if every trial of the unit had been run at a given exposure.

    By cycles, every trial of a source that went through one: see :func:`met_at_all`.
    Each keeps its own dog, source and conditions (standardisation); only
    the exposure is set. The limits are pointwise, by the delta method on the
    log-odds of the average, with Student's t on sources minus two degrees of
    freedom, and count the uncertainty of fixed effects, dogs and sources together.

    Parameters
    ----------
    fit
        Fit of finds.
    exposure
        ``"cycles"`` or ``"age_days"``.
    confidence
        Two-sided confidence of the limits.
    alone
        True: the model with this exposure and without the other, so that the
        curve also carries what rises along with it. False: the other exposure
        stays where it was in each trial.
    shapes
        Every shape along the exposure with its support, the best first: the curve is their
        average, and its limits allow for not knowing which. None: as it stands in the model.

    Returns
    -------
    FindCurve
        With empty ``at`` where the model cannot be fitted; the bins are always there.
    """
    trials = fit.design.trials
    rows = met_at_all(trials, exposure)
    kinds = fit.design.kinds_along(exposure)
    if kinds is not None:
        rows = rows & np.isin(kinds_of(trials), kinds)
    met = trials[rows]
    bins = observed_bins(met, exposure, confidence)
    without = 0 if kinds else trials["source_id"].nunique() - met["source_id"].nunique()
    models = _models_in_shapes(fit, exposure, shapes, alone=alone)
    if not models:
        return FindCurve(
            exposure, *(np.zeros(0),) * 4, confidence, np.zeros(0, dtype=bool), bins, "", without
        )
    design = models[0].design
    values = met[exposure].astype(float)
    at = _drawn_at(float(values.min()), float(values.max()), models, exposure)
    probability, low, high = _averaged_curve(models, exposure, at, confidence, rows)
    lowest = met.groupby("source_id")[exposure].min().astype(float)
    from_low = lowest.nsmallest(THIN_SOURCES).iloc[-1] if len(lowest) >= THIN_SOURCES else np.inf
    thin = (at > observed_to(met if kinds else trials, exposure) + 1e-9) | (at < from_low - 1e-9)
    other = "age" if exposure == "cycles" else "number of cycles"
    held = (
        f"same dogs, sources and conditions; the {other} moves along as it did in these records"
        if alone
        else f"same dogs, sources, conditions and {other}"
    )
    if design.column_of(UNLOGGED) is not None:
        held += "; as if every source had been logged from the start"
    if kinds is not None:
        held += f"; {' and '.join(kinds)} alone"
    if without:
        held += f"; without {count(without, 'source')} never thawed"
    return FindCurve(
        exposure, at, probability, low, high, confidence, thin, bins, held, without, kinds or ()
    )


@dataclass(frozen=True, slots=True)
class _ModelInShape:
    weight: float
    design: Design
    mixed: MixedFit


def _drawn_at(
    lowest: float, highest: float, models: Sequence[_ModelInShape], exposure: ExposureName
) -> np.ndarray:
    """Exposures to draw a curve at, evenly; and at both sides of every step.

    Between two even places a step would read as a slope, and its curve as having fallen before it.
    """
    shapes = (m.design.shapes.get(exposure, LINE) for m in models)
    steps = np.array([s.knot for s in shapes if s.kind == "step"], dtype=float)
    just_past = steps + _STEP_WIDTH * (highest - lowest)
    places = np.concatenate([np.linspace(lowest, highest, GRID), steps, just_past])
    return np.unique(places[(places >= lowest) & (places <= highest)])


def _models_in_shapes(
    fit: FindFit, exposure: ExposureName, shapes: Sequence[WeightedShape], *, alone: bool
) -> list[_ModelInShape]:
    """The model in each shape that has much of the support; empty where it cannot be fitted."""
    design, mixed = model_of(fit, exposure, alone=alone)
    if mixed is None:
        return []
    if not shapes:
        return [_ModelInShape(1.0, design, mixed)]
    sloped = any(s.exposure == exposure for s in fit.slopes)
    models: list[_ModelInShape] = []
    for one in sorted(shapes, key=lambda w: -w.weight):
        if sum(m.weight for m in models) >= _ENOUGH_SUPPORT:
            break
        own = design.with_shapes({exposure: one.shape})
        if own.separated:
            continue
        same = one.shape == fit.design.shapes.get(exposure, LINE) and not alone
        try:
            refitted = mixed if same else refit(own, slopes=sloped)
        except FitError:
            continue
        models.append(_ModelInShape(one.weight, own, refitted))
    return models


def _averaged_curve(
    models: Sequence[_ModelInShape],
    exposure: ExposureName,
    at: np.ndarray,
    confidence: float,
    rows: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Probability and limits, each model by its support; shape of ``at`` each.

    References
    ----------
    Turek D, Fletcher D (2012). Model-averaged Wald confidence intervals. Computational
    Statistics & Data Analysis 56, 2809-2815.
    """
    curves = [standardised(m.design, m.mixed, exposure, at, confidence, rows) for m in models]
    if len(curves) == 1:
        return curves[0]
    design = models[0].design
    reach = reach_of(design, confidence)
    weights = np.array([m.weight for m in models])
    weights /= weights.sum()
    ends = np.clip(np.array(curves), _NO_NEARER, 1.0 - _NO_NEARER)
    log_odds = special.logit(ends)
    errors = (log_odds[:, 2] - log_odds[:, 1]) / (2.0 * reach)
    freedom = float(max(design.trials["source_id"].nunique() - 2, 1))
    low, high = averaged_limits(log_odds[:, 0], errors, weights, freedom, confidence)
    return weights @ ends[:, 0], special.expit(low), special.expit(high)


def model_of(
    fit: FindFit, exposure: ExposureName, *, alone: bool, each_source: bool = False
) -> tuple[Design, MixedFit | None]:
    """The fitted model, or the one with this exposure in place of both.

    Parameters
    ----------
    fit
        Fit of finds.
    exposure
        ``"cycles"`` or ``"age_days"``.
    alone
        Whether the other exposure is left away.
    each_source
        As it is asked about single sources: see
        :attr:`outcomes.analysis.finds.model.FindFit.each_source`.

    Returns
    -------
    Design, MixedFit or None
        None where it has no such exposure or cannot be fitted.
    """
    design = fit.design
    other = other_than(exposure).name
    column, taken = design.column_of(exposure), design.column_of(other)
    if fit.mixed is None or (column is None and not (alone and exposure in design.copies)):
        return design, None
    if not alone or taken is None:
        return design, fit.each_source if each_source else fit.reduced
    x, columns = design.x, list(design.columns)
    if column is None:
        # An exact copy of the other: it takes its place.
        own = EXPOSURE_COLUMNS[exposure]
        values = design.trials[exposure].to_numpy(dtype=float)
        x = x.copy()
        x[:, taken] = own.at(values)
        columns[taken - 1] = own
    else:
        x = np.delete(x, taken, axis=1)
        del columns[taken - 1]
    reduced = replace(design, x=x, columns=tuple(columns), copies={})
    try:
        sloped = any(s.exposure == exposure for s in fit.slopes)
        return reduced, refit(reduced, slopes=sloped, each_source=each_source)
    except FitError:
        return reduced, None


def standardised(
    design: Design,
    mixed: MixedFit,
    exposure: ExposureName,
    at: np.ndarray,
    confidence: float,
    rows: np.ndarray | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Average find probability of the design's trials with the exposure set to each of ``at``.

    As if every source had been logged from the start, so that it counts from when it was new.

    ``rows``, shape (n,), bool, are the trials averaged over; all if not given.

    Returns
    -------
    probability, low, high
        Shape of ``at``.
    """
    design = design.logged_from_the_start()
    position = design.column_of(exposure)
    assert position is not None
    plan = design.columns[position - 1]
    eta, spread = linear_predictor(design, mixed)
    base = eta - design.x[:, position] * mixed.beta[position]
    contrast = _combinations(design, mixed)
    if rows is not None:
        base, spread, contrast = base[rows], spread[rows], contrast[rows]
    base, spread, contrast, weight = _grouped(base, spread, contrast)
    reach = reach_of(design, confidence)
    probability, low, high = (np.zeros(len(at)) for _ in range(3))
    for k, value in enumerate(at):
        step = float(plan.at(value))
        p, slope = averaged_probability(base + step * mixed.beta[position], spread)
        mean = float(weight @ p)
        gradient = (weight * slope) @ contrast
        gradient[position] = step * float(weight @ slope)
        probability[k] = mean
        low[k], high[k] = log_odds_limits(mean, float(gradient @ mixed.joint_cov @ gradient), reach)
    return probability, low, high


def log_odds_limits(mean: float, variance: float, reach: float) -> tuple[float, float]:
    """Limits of a probability, ``reach`` errors either way on the log-odds scale (delta method).

    Parameters
    ----------
    mean, variance
        The probability and its variance.
    reach
        Quantile, in standard errors.

    Examples
    --------
    >>> low, high = log_odds_limits(0.5, 0.0025, 2.0)
    >>> round(low, 3), round(high, 3)
    (0.401, 0.599)
    """
    # A probability that rounds to 0 or 1 has no log-odds to put an error on.
    mean = min(max(mean, _NO_NEARER), 1.0 - _NO_NEARER)
    error = np.sqrt(max(variance, 0.0)) / (mean * (1.0 - mean))
    low, high = special.expit(special.logit(mean) + np.array([-1.0, 1.0]) * reach * error)
    return float(low), float(high)


def reach_of(design: Design, confidence: float) -> float:
    """Two-sided quantile of Student's t on sources minus two degrees of freedom."""
    sources = design.trials["source_id"].nunique()
    return float(student_quantile(0.5 + confidence / 2.0, max(sources - 2, 1)))


def _combinations(design: Design, mixed: MixedFit) -> sparse.csr_matrix:
    """Each trial's linear predictor as a combination of fixed effects and modes, shape (n, j)."""
    n = len(design.y)
    index = {name: i for i, name in enumerate(mixed.joint_names)}
    effects = sparse.csr_matrix((n, len(mixed.joint_names)))
    for grouping, labels in design.groups.items():
        if grouping not in ("dog", "source"):
            continue
        levels, place = np.unique(labels, return_inverse=True)
        columns = np.array([index.get((grouping, str(level)), -1) for level in levels])[place]
        known = np.flatnonzero(columns >= 0)
        effects = effects + sparse.csr_matrix(
            (np.ones(len(known)), (known, columns[known])), shape=effects.shape
        )
    fixed = sparse.csr_matrix(design.x)
    fixed.resize(effects.shape)
    return (effects + fixed).tocsr()


def _grouped(
    base: np.ndarray, spread: np.ndarray, contrast: sparse.csr_matrix
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Trials, or in a large unit groups of trials alike in log-odds, with their weights."""
    n = len(base)
    if n <= _ROWS:
        return base, spread, contrast.toarray(), np.full(n, 1.0 / n)
    order = np.argsort(base, kind="stable")
    starts = np.linspace(0, n, _ROWS, endpoint=False).astype(int)
    size = np.diff(np.append(starts, n))
    # One row a group, an equal share for each of its trials.
    members = sparse.csr_matrix(
        (1.0 / np.repeat(size, size), (np.repeat(np.arange(_ROWS), size), order)),
        shape=(_ROWS, n),
    )
    return members @ base, members @ spread, (members @ contrast).toarray(), size / n
