"""Do finds follow what was seen? Beside the verdict, never in it.

What is seen of a source is a step on the way from cycles to finds, and a step on the way is no
confounder: it has no place in the model of finds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from outcomes.analysis.finds.model import (
    LEAST_DOGS,
    LEAST_FINDS,
    LEAST_MISSES,
    LEAST_SOURCES,
    FindFit,
)
from outcomes.analysis.finds.shapes import LINE
from outcomes.analysis.inspections.change import Change, Measure
from outcomes.errors import FitError
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.models.holm import holm
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit
from outcomes.models.ratio import Estimate, estimate_ratio
from outcomes.random_streams import random_stream

# Column of the joined trials → the measure it is, and how many steps of it one unit has.
_SEEN: Mapping[str, tuple[Measure, str, float, float]] = {
    "mass_share": ("mass_lost", "1 % of mass lost", -100.0, 100.0),
    "drip_share": ("drip", "1 % of mass as drip", 100.0, 0.0),
    "ice_damage": ("ice_damage", "point of the score", 1.0, 0.0),
    "freezer_burn": ("freezer_burn", "point of the score", 1.0, 0.0),
}
_DRAWS = 20_000
_ONE_SIDED = 1.645  # standard errors below 0 from which finds are said to fall: 5 in 100


@dataclass(frozen=True, slots=True)
class Carried:
    """How much of the change of finds with cycles goes along with what was seen.

    Attributes
    ----------
    log_odds, low, high
        Change per cycle that goes the way of what was seen: what a cycle adds to it, times what
        that does to finds at the same cycles.
    share, share_low, share_high
        The same as a share of the whole change per cycle, between 0 and 1; None where finds do
        not fall with cycles in these trials.
    """

    log_odds: float
    low: float
    high: float
    share: float | None
    share_low: float | None
    share_high: float | None


@dataclass(frozen=True, slots=True)
class SeenAndFinds:
    """Finds against one thing seen, at the same cycles.

    Attributes
    ----------
    measure
        What was seen.
    trials, misses, sources
        Trials before which it had been seen, misses among them, and their sources.
    estimate
        Odds of a find per step of it, at the same cycles and age, and dogs and conditions as in
        the model of finds; None where ``reason`` says why.
    adjusted_p
        Among all that was seen.
    told
        Whether it may be told as a finding.
    carried
        What it carries of the change with cycles; None where it, or what cycles add to it, is
        not shown.
    reason
        Why there is no estimate.
    """

    measure: Measure
    trials: int
    misses: int
    sources: int
    estimate: Estimate | None
    adjusted_p: float | None = None
    told: bool = False
    carried: Carried | None = None
    reason: str | None = None


def finds_and_seen(
    fit: FindFit, changes: Sequence[Change], alpha: float, seed: int
) -> tuple[SeenAndFinds, ...]:
    """Finds against each thing seen, one at a time, at the same cycles and age.

    Parameters
    ----------
    fit
        The model of finds; it stays as it is.
    changes
        How what was seen changes with cycles.
    alpha
        Level of the whole family (Holm).
    seed
        Of the settings, for the interval of what is carried.

    Returns
    -------
    tuple of SeenAndFinds
        Of each thing that was seen before at least one trial.

    References
    ----------
    MacKinnon DP, Lockwood CM, Williams J (2004). Confidence limits for the indirect effect:
    distribution of the product and resampling methods. Multivariate Behavioral Research 39,
    99-128.
    """
    trials = fit.design.trials
    seen = [c for c in _SEEN if c in trials and trials[c].notna().any()]
    found = [_against(fit, column, alpha) for column in seen]
    adjusted = holm(np.array([one.estimate.p for one in found if one.estimate is not None]))
    ps = iter(adjusted.tolist())
    told = []
    for one, column in zip(found, seen, strict=True):
        if one.estimate is not None:
            p = next(ps)
            one = replace(one, adjusted_p=p, told=p < alpha)
            one = _with_carried(fit, one, column, changes, alpha, seed)
        told.append(one)
    return tuple(told)


def _with_carried(
    fit: FindFit,
    one: SeenAndFinds,
    column: str,
    changes: Sequence[Change],
    alpha: float,
    seed: int,
) -> SeenAndFinds:
    """The same with what it carries of the change with cycles, where both steps are shown."""
    change = next((c.of("cycles") for c in changes if c.measure == one.measure), None)
    if not one.told or change is None or not change.shown or one.estimate is None:
        return one
    does = (one.estimate.log_ratio, one.estimate.std_error)
    added = (change.slope, change.std_error)
    cycles = _cycles_without(fit, np.flatnonzero(fit.design.trials[column].notna().to_numpy()))
    return replace(one, carried=_carried(added, does, cycles, alpha, seed))


def _cycles_without(fit: FindFit, rows: np.ndarray) -> tuple[float, float] | None:
    """Change per cycle and its error in these trials, whatever was seen; None but for a line."""
    design = fit.design
    lines = [c for c in design.columns if c.term == "cycles"]
    if len(lines) != 1 or lines[0].shape != LINE or lines[0].kinds is not None:
        return None
    x, names, offset = _free_and_held(fit, rows)
    groups = {name: labels[rows] for name, labels in design.groups.items()}
    try:
        return _effect(fit_mixed(design.y[rows], x, names, groups, offset=offset), lines[0].name)
    except (FitError, ValueError):
        return None


def _against(fit: FindFit, column: str, alpha: float) -> SeenAndFinds:
    """Finds against one thing seen, in the trials before which it had been seen."""
    measure, unit, times, plus = _SEEN[column]
    design = fit.design
    seen = design.trials[column].to_numpy(dtype=float)
    rows = np.flatnonzero(np.isfinite(seen))
    y = design.y[rows]
    sources = design.trials["source_id"].to_numpy()[rows]
    dogs = design.trials["dog_id"].to_numpy()[rows]
    one = SeenAndFinds(measure, len(rows), int((1.0 - y).sum()), len(set(sources.tolist())), None)
    least = {
        "misses": (one.misses, LEAST_MISSES),
        "finds": (len(rows) - one.misses, LEAST_FINDS),
        "sources": (one.sources, LEAST_SOURCES),
        "dogs": (len(set(dogs.tolist())), LEAST_DOGS),
    }
    short = [f"{have:,} {word} of {need}" for word, (have, need) in least.items() if have < need]
    if short:
        return replace(one, reason=f"too few trials after a look: {', '.join(short)}")
    values = plus + times * seen[rows]
    if np.ptp(values) <= 0.0:
        return replace(one, reason="it was the same at every trial")
    x, names, offset = _free_and_held(fit, rows)
    groups = {name: labels[rows] for name, labels in design.groups.items()}
    own = np.column_stack([x, values - values.mean()])
    if np.linalg.matrix_rank(own / np.abs(own).max(axis=0)) < own.shape[1]:
        return replace(one, reason="it says the same as what the source went through")
    try:
        with_it = fit_mixed(y, own, [*names, "seen"], groups, offset=offset)
    except FitError as trouble:
        return replace(one, reason=str(trouble))
    freedom = max(one.sources - 2.0, 1.0)
    beta, error = _effect(with_it, "seen")
    return replace(one, estimate=estimate_ratio(measure, unit, beta, error, alpha, freedom))


def _free_and_held(fit: FindFit, rows: np.ndarray) -> tuple[np.ndarray, list[str], np.ndarray]:
    """Columns found anew in these trials, their names, and what the others add, as in all trials.

    Found anew are the level and what the sources went through; what dogs and conditions do is
    known better from all trials.
    """
    design, mixed = fit.design, fit.mixed
    assert mixed is not None
    free: list[int] = [
        k
        for k, column in enumerate(design.columns, start=1)
        if column.term in CYCLES_AND_AGE and np.ptp(design.x[rows, k]) > 0.0
    ]
    held = [k for k in range(1, design.x.shape[1]) if k not in free]
    own = design.x[rows]
    x = np.column_stack([np.ones(len(rows)), own[:, free]])
    names = ["(Intercept)", *(design.columns[k - 1].name for k in free)]
    return x, names, np.asarray(own[:, held] @ mixed.beta[held])


def _effect(fit: MixedFit, name: str) -> tuple[float, float]:
    k = fit.names.index(name)
    return float(fit.beta[k]), float(np.sqrt(fit.cov[k, k]))


def _carried(
    added: tuple[float, float],
    does: tuple[float, float],
    cycles: tuple[float, float] | None,
    alpha: float,
    seed: int,
) -> Carried | None:
    """The product, with the limits of draws of both; None where they hold nothing at all."""
    rng = random_stream(seed, "inspections")
    drawn = [mean + sd * rng.normal(size=_DRAWS) for mean, sd in (added, does)]
    product = drawn[0] * drawn[1]
    low, high = (float(q) for q in np.quantile(product, [alpha / 2.0, 1.0 - alpha / 2.0]))
    if low <= 0.0 <= high:
        return None
    share = share_low = share_high = None
    falls = cycles is not None and cycles[0] + _ONE_SIDED * cycles[1] < 0.0
    if cycles is not None and falls and high < 0.0:
        whole = cycles[0] + cycles[1] * rng.normal(size=_DRAWS)
        ratio = np.where(whole < 0.0, product / np.minimum(whole, -1e-9), 1.0)
        share = float(np.clip(added[0] * does[0] / cycles[0], 0.0, 1.0))
        share_low, share_high = (
            float(q) for q in np.clip(np.quantile(ratio, [alpha / 2.0, 1.0 - alpha / 2.0]), 0, 1)
        )
    return Carried(added[0] * does[0], low, high, share, share_low, share_high)
