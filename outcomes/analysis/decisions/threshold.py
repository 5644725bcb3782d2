"""Retirement threshold: where the find probability crosses the floor, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from outcomes.analysis.decisions.curve import find_curve, observed_to
from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.shapes import WeightedShape
from outcomes.analysis.results import ExposureName, FindCurve
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, named_by
from outcomes.models.rounding import rounded

Outcome = Literal[
    "crosses", "stays above", "below from the start", "rises", "never sure", "no model"
]
"""How a curve lies to the floor."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """Retirement by one exposure.

    Attributes
    ----------
    by
        ``"cycles"`` or ``"age_days"``.
    floor, confidence
        The lowest acceptable find probability, and the two-sided confidence.
    estimate
        Exposure at which the standardised find probability crosses the floor
        downwards; None where it does not within ``observed_to``.
    low, high
        Where the lower and the upper confidence limit cross it (inversion of
        the band); None where they do not. Where the best estimate stays above,
        ``low`` is the exposure beyond which that is not sure.
    retire_after
        Largest whole exposure, within what was observed, at which the lower
        limit is still at or above the floor; None where ``outcome`` says why.
    observed_to
        Largest exposure with at least three sources at or beyond it.
    outcome
        ``"crosses"``, ``"stays above"``, ``"below from the start"``,
        ``"rises"``, ``"never sure"`` or ``"no model"``.
    curve
        The curve it was read from.
    """

    by: ExposureName
    floor: float
    confidence: float
    estimate: float | None
    low: float | None
    high: float | None
    retire_after: int | None
    observed_to: float
    outcome: Outcome
    curve: FindCurve


def find_threshold(
    fit: FindFit,
    exposure: ExposureName,
    *,
    alone: bool,
    shapes: Sequence[WeightedShape] = (),
) -> Threshold:
    """Retirement threshold by one exposure, read from the standardised curve.

    Parameters
    ----------
    fit
        Fit of finds; its settings give floor and confidence.
    exposure
        ``"cycles"`` or ``"age_days"``.
    alone, shapes
        Passed to :func:`outcomes.analysis.decisions.curve.find_curve`.
    """
    settings = fit.settings
    curve = find_curve(fit, exposure, settings.confidence, alone=alone, shapes=shapes)
    limit = observed_to(fit.design.trials, exposure) if fit.n else 0.0
    if len(curve.at) == 0:
        return Threshold(
            exposure,
            settings.floor,
            settings.confidence,
            None,
            None,
            None,
            None,
            limit,
            "no model",
            curve,
        )
    return read_threshold(curve, settings.floor, limit)


def read_threshold(curve: FindCurve, floor: float, limit: float) -> Threshold:
    """Read the threshold off a curve, never beyond ``limit``.

    References
    ----------
    Inverse prediction by inverting a confidence band: Agresti A (2002).
    Categorical Data Analysis, 2nd ed., Wiley, chapter 5; Fieller EC (1954).
    Some problems in interval estimation. JRSS B 16, 175-185.
    """
    inside = curve.at <= limit + 1e-9
    at = curve.at[inside]
    if len(at) < len(curve.at) and limit > at[-1]:
        # The limit itself rarely is a point of the grid.
        at = np.append(at, limit)
    centre, low_limit, high_limit = (
        np.interp(at, curve.at, values) for values in (curve.probability, curve.low, curve.high)
    )
    estimate = crossing(at, centre, floor)
    low = crossing(at, low_limit, floor)
    high = crossing(at, high_limit, floor)
    # Nothing is decided by digits in which processors differ.
    centre, low_limit, least = rounded(centre), rounded(low_limit), float(rounded(floor))
    falls = centre[-1] < centre[0]
    retire_after: int | None = None
    if not falls:
        outcome: Outcome = "rises"
    elif centre[0] < least:
        outcome = "below from the start"
    elif estimate is None:
        outcome = "stays above"
    else:
        retire_after = _last_whole(at, low_limit, least)
        outcome = "crosses" if retire_after is not None else "never sure"
    if outcome == "stays above":
        # Above at the best estimate alone: from here on it is not sure.
        low = low if low is not None or low_limit[0] >= least else float(at[0])
        high = None
    elif outcome not in ("crosses", "never sure"):
        estimate = low = high = None
    return Threshold(
        by=curve.exposure,
        floor=floor,
        confidence=curve.confidence,
        estimate=estimate,
        low=low,
        high=high,
        retire_after=retire_after,
        observed_to=limit,
        outcome=outcome,
        curve=curve,
    )


def crossing(at: np.ndarray, values: np.ndarray, floor: float) -> float | None:
    """Last exposure at which ``values`` fall through the floor, by linear interpolation.

    Examples
    --------
    >>> round(crossing(np.array([0.0, 10.0, 20.0]), np.array([0.9, 0.8, 0.7]), 0.85), 6)
    5.0
    >>> crossing(np.array([0.0, 10.0]), np.array([0.95, 0.9]), 0.85) is None
    True
    """
    above = rounded(values) >= rounded(floor)
    falls = np.flatnonzero(above[:-1] & ~above[1:])
    if len(falls) == 0:
        return None
    k = int(falls[-1])
    share = float(np.clip((values[k] - floor) / (values[k] - values[k + 1]), 0.0, 1.0))
    return float(at[k] + share * (at[k + 1] - at[k]))


def _last_whole(at: np.ndarray, low: np.ndarray, floor: float) -> int | None:
    whole = np.arange(np.ceil(at[0]), np.floor(at[-1]) + 1.0)
    good = whole[rounded(np.interp(whole, at, low)) >= floor] if len(whole) else whole
    return int(good[-1]) if len(good) else None


@dataclass(frozen=True, slots=True)
class Retirement:
    """Thresholds by the exposures that the verdict supports, the first one leading.

    ``curves`` are those to show: of the verdict's exposures, or of cycles (age
    where cycles do not vary) where it names none. ``thresholds`` is empty where
    the verdict gives no ground for a limit.
    """

    thresholds: tuple[Threshold, ...]
    curves: tuple[FindCurve, ...]


def set_threshold(fit: FindFit, verdict: WhichPredicts) -> Retirement:
    """Thresholds and curves for a verdict.

    Parameters
    ----------
    fit, verdict
        Fit of finds and the verdict on it.
    """
    word = verdict.verdict
    trials = fit.design.trials
    if word in ("cycles", "age", "both", "cannot be told apart"):
        exposures = named_by(word)
    else:
        exposures = _shown_without_verdict(trials)
    # Where one hides the other, a line with the other held still says nothing.
    found = tuple(
        find_threshold(fit, e, alone=verdict.asked_together, shapes=verdict.shapes.get(e, ()))
        for e in exposures
    )
    # Where the finds observed contradict the curve, they are shown without it.
    found = tuple(_without_curve(t) if t.by in verdict.contradicted else t for t in found)
    # With many thaws missing, cycles are not what the sources went through.
    if word in ("no change detected", "too few trials") or verdict.no_limit:
        return Retirement((), tuple(t.curve for t in found))
    told = tuple(t for t in found if t.by not in verdict.contradicted)
    return Retirement(told, tuple(t.curve for t in found))


def _without_curve(threshold: Threshold) -> Threshold:
    nothing = np.zeros(0)
    curve = replace(
        threshold.curve,
        at=nothing,
        probability=nothing,
        low=nothing,
        high=nothing,
        thin=nothing.astype(bool),
    )
    return replace(threshold, curve=curve)


def _shown_without_verdict(trials: pd.DataFrame) -> tuple[ExposureName, ...]:
    if trials.empty:
        return ()
    for exposure in CYCLES_AND_AGE:
        if trials[exposure].max() > trials[exposure].min():
            return (exposure,)
    return ()
