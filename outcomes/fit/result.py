"""What a fit hands on: frozen results, one class per question.

Probabilities are between 0 and 1, ``points`` are percentage points, and
``None`` stands for what could not be estimated; the reason then stands beside
it. Frames kept for later stages are never changed by them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

VERDICTS = (
    "cycles",
    "age",
    "both",
    "no change detected",
    "cannot be told apart",
    "too few trials",
)


@dataclass(frozen=True, slots=True)
class Term:
    """One fixed effect: log-odds per ``unit`` with its interval.

    ``points`` is the average change in find probability per ``unit`` over the
    unit's own trials, in percentage points (average marginal effect).
    """

    term: str
    unit: str
    log_odds: float
    std_error: float
    odds_ratio: float
    low: float
    high: float
    p: float
    points: float
    points_low: float
    points_high: float


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A term, grouping or set of trials that the model does without, and why."""

    term: str
    reason: str


@dataclass(frozen=True, slots=True)
class MixedFit:
    """A logistic mixed model at its maximum (Laplace approximation).

    Attributes
    ----------
    names
        Names of the p fixed effects, intercept first.
    beta, cov
        Estimates, shape (p,), and their covariance, shape (p, p).
    sd
        Grouping → standard deviation of its random intercept (log-odds).
    slope_sd
        Grouping → standard deviation of its random slope, where one was asked for.
    effects
        Grouping → frame indexed by level: ``effect`` (conditional mode, log-odds).
    log_likelihood, df
        Maximised log-likelihood and number of parameters.
    singular
        Groupings whose standard deviation was estimated as zero.
    """

    names: tuple[str, ...]
    beta: np.ndarray
    cov: np.ndarray
    sd: Mapping[str, float]
    slope_sd: Mapping[str, float]
    effects: Mapping[str, pd.DataFrame]
    log_likelihood: float
    df: int
    singular: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Bin:
    """Observed finds among the trials whose exposure lies in [low, high]."""

    low: float
    high: float
    mean: float
    finds: int
    n: int
    sources: int
    proportion: float
    proportion_low: float
    proportion_high: float


@dataclass(frozen=True, slots=True)
class FindCurve:
    """Find probability against one exposure, averaged over the unit (standardised).

    Attributes
    ----------
    exposure
        ``"cycles"`` or ``"age_days"``.
    at
        Exposure values, shape (k,), from the lowest to the highest observed.
    probability, low, high
        Shape (k,): standardised find probability with pointwise two-sided limits.
    confidence
        Confidence of those limits.
    thin
        Shape (k,), bool: True where fewer than 3 sources were observed at or
        beyond this exposure.
    bins
        Observed proportions with exact intervals.
    held
        What was held fixed while the exposure varied, in words.
    """

    exposure: str
    at: np.ndarray
    probability: np.ndarray
    low: np.ndarray
    high: np.ndarray
    confidence: float
    thin: np.ndarray
    bins: tuple[Bin, ...]
    held: str


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One step of a reliability curve: after ``time`` the probability holds until the next."""

    group: str
    time: float
    probability: float
    low: float
    high: float
    at_risk: int


@dataclass(frozen=True, slots=True)
class Lifetime:
    """Sources by regime until they count as unreliable (Kaplan-Meier).

    Attributes
    ----------
    rule
        The rule in words.
    rule_false_call
        Number of trials → how often a source found at ``baseline`` would be
        called unreliable within that many trials (exact).
    baseline
        The find probability used for it.
    sources, events
        Sources followed, and those that met the rule.
    by_group
        Group → (sources, events).
    curve
        Steps of every drawn group, in order of group and time (days held).
    median
        Group → days, ``None`` where the curve does not fall to one half.
    not_drawn
        Group → why it has no curve.
    sentence
        What can be said, in one sentence; also when nothing can.
    """

    rule: str
    rule_false_call: Mapping[int, float]
    baseline: float | None
    sources: int
    events: int
    by_group: Mapping[str, tuple[int, int]]
    curve: tuple[CurvePoint, ...]
    median: Mapping[str, float | None]
    not_drawn: Mapping[str, str]
    sentence: str
