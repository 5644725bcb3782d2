"""What several sections of ``results.json`` are made of, and how a section is filled."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal, TypeVar

import msgspec
import pandas as pd

from outcomes.analysis.results import FindEstimate
from outcomes.exposure.cycles_and_age import ExposureName
from outcomes.models.ratio import Estimate as FittedEstimate

Number = float | None
"""None: it could not be estimated, or a limit is not reached."""

T = TypeVar("T")

Ratio = Literal["odds", "hazard", "rate", "time", "nothing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """One effect, per ``unit`` of ``term``.

    Attributes
    ----------
    term, unit
        What changes, and what one step of it is.
    ratio_of
        What is multiplied: the odds of a find, the hazard of becoming unreliable, the rate of
        false alerts, or a time; nothing where an effect is a difference.
    ratio, log_odds
        How many times as high per ``unit``, and the change in log-odds. ``log_odds`` is
        null where it is not odds that change, ``ratio`` where all is told as log-odds.
    std_error
        Of the logarithm of the ratio.
    low, high
        Limits of ``ratio``; of ``log_odds`` where ``ratio`` is null.
    confidence
        Of the limits, two-sided.
    p
        p-value of no change.
    """

    term: str
    unit: str
    ratio_of: Ratio
    ratio: Number
    log_odds: Number
    std_error: Number
    low: Number
    high: Number
    confidence: float
    p: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class FindEffect(Estimate):
    """An effect on finds, also as finds gained or lost in 100 trials (percentage points)."""

    points: Number
    points_low: Number
    points_high: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Values along one exposure, and a probability at each."""

    at: tuple[float, ...]
    probability: tuple[Number, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveWithLimits(Curve):
    """The same with pointwise limits at the ``confidence`` that stands in it or around it."""

    low: tuple[Number, ...]
    high: tuple[Number, ...]


ByExposure = dict[ExposureName, T]


def plain(value: Any) -> Any:
    """Whatever JSON has a word for: no library types, no NaN or infinity, 10 significant digits."""
    return _tidy(msgspec.to_builtins(value, str_keys=True, enc_hook=_of_library))


def _of_library(value: Any) -> Any:
    """Numbers and arrays of numpy, moments of pandas, read-only mappings."""
    if isinstance(value, Mapping):
        return dict(value)
    if value is pd.NaT or value is pd.NA:
        return None
    return value.isoformat() if isinstance(value, pd.Timestamp) else value.tolist()


def _tidy(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _tidy(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_tidy(v) for v in value]
    if isinstance(value, float):
        return float(f"{value:.10g}") if math.isfinite(value) else None
    return value


def filled(kind: type[T], /, *sources: object, **more: object) -> T:
    """A section filled from the attributes of the same names, those of the first source first.

    Parameters
    ----------
    kind
        A dataclass of this room.
    sources
        Results of an analysis.
    more
        Values of fields that no source has, or has otherwise.
    """
    names = [f.name for f in fields(kind)]  # type: ignore[arg-type]
    unknown = sorted(set(more) - set(names))
    if unknown:
        raise TypeError(f"{kind.__name__} has no {unknown[0]}")
    values = {}
    for name in names:
        holder = next((s for s in sources if hasattr(s, name)), None)
        if name in more:
            values[name] = more[name]
        elif holder is not None:
            values[name] = getattr(holder, name)
    return msgspec.convert(plain(values), kind)


def told_as_ratio(estimate: FittedEstimate, ratio_of: Ratio, confidence: float) -> Estimate:
    """An estimate of an analysis as it is told."""
    log_odds = estimate.log_ratio if ratio_of == "odds" else None
    return filled(Estimate, estimate, ratio_of=ratio_of, log_odds=log_odds, confidence=confidence)


def told_as_finds(estimate: FindEstimate, confidence: float) -> FindEffect:
    """The same of an effect on finds."""
    return filled(
        FindEffect,
        estimate,
        ratio_of="odds",
        log_odds=estimate.log_ratio,
        confidence=confidence,
    )
