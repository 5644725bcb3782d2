"""What a fit hands on: frozen results, one class per question.

Probabilities are between 0 and 1, ``points`` are percentage points, and
``None`` stands for what could not be estimated; the reason then stands beside
it. Frames kept for later stages are never changed by them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
import pandas as pd

from outcomes.exposure.cycles_and_age import ExposureName as ExposureName
from outcomes.models.ratio import Estimate

Verdict = Literal[
    "cycles",
    "age",
    "both",
    "no change detected",
    "cannot be told apart",
    "too few trials",
]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)

Advice = Literal["retire", "test", "keep"]
ADVICE: tuple[Advice, ...] = get_args(Advice)

Ground = Literal[
    "above",
    "below",
    "unsure",
    "no trials",
    "few trials",
    "beyond records",
    "own trials disagree",
    "no model",
    "not documented",
]
"""Why an advice is given."""


@dataclass(frozen=True, slots=True)
class FindEstimate(Estimate):
    """An effect on the odds of a find, also as finds gained or lost.

    ``points`` is the average change in find probability over the unit's own
    trials, in percentage points (average marginal effect): per ``unit``, or over
    the range that its owner states.
    """

    points: float
    points_low: float
    points_high: float


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A term, grouping or set of trials that the model does without, and why."""

    term: str
    reason: str


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
    without
        Sources the curve and its bins leave out because they never met the exposure.
    kinds
        Kinds of source that it is of; empty where it is of all.
    """

    exposure: ExposureName
    at: np.ndarray
    probability: np.ndarray
    low: np.ndarray
    high: np.ndarray
    confidence: float
    thin: np.ndarray
    bins: tuple[Bin, ...]
    held: str
    without: int = 0
    kinds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One step of a reliability curve: after ``time`` the probability holds until the next.

    ``at_risk`` is the number of sources followed just before ``time``; at the
    first point of a curve, just after it. The last point of a group is where
    its curve ends, whether or not a source met the rule there.
    """

    group: str
    time: float
    probability: float
    low: float
    high: float
    at_risk: int


@dataclass(frozen=True, slots=True)
class RuleInUse:
    """When a source counts as unreliable, and how often that errs and how soon it sees.

    Attributes
    ----------
    misses, window
        At the ``misses``-th miss within ``window`` consecutive trials that count.
    qualified_only
        Whether trials by dogs not yet qualified do not count.
    chosen
        Whether it was chosen from the unit's finds; else the unit set it.
    trials
        The trials that half of the sources have.
    false_call
        Share of sources found at the reference that it calls within so many; None
        without a reference.
    fall_to, seen, delay
        Of sources whose finds fall from the reference to ``fall_to``, the share called within
        20 trials, and the mean number of trials until they are.
    """

    misses: int
    window: int
    qualified_only: bool
    chosen: bool = False
    trials: int = 0
    false_call: float | None = None
    fall_to: float = 0.7
    seen: float = 0.0
    delay: float | None = None


ChanceVerdict = Literal["more than chance", "no more than chance", "unclear"]


@dataclass(frozen=True, slots=True)
class ChancePoint:
    """Share still reliable after ``time`` by chance alone: mean, and the middle 90 in 100."""

    group: str
    time: float
    probability: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ChanceAlone:
    """Sources that would meet the rule though nothing about them changed, by simulation.

    Attributes
    ----------
    sources, low, high
        Mean, and 5 and 95 % points, of the number of sources.
    p
        Share of the worlds in which as many sources met the rule as did, or more.
    worlds
        Simulated.
    told
        ``"more than chance"`` where ``p`` is below the level, ``"unclear"`` where the verdict
        shows no change all the same.
    curve
        For every drawn group, in order of group and time (days held).
    """

    sources: float
    low: float
    high: float
    p: float
    worlds: int
    told: ChanceVerdict
    curve: tuple[ChancePoint, ...]


@dataclass(frozen=True, slots=True)
class Lifetime:
    """Sources by regime until they count as unreliable (Kaplan-Meier).

    Attributes
    ----------
    rule
        When a source counts as unreliable; None where every rule tried would call too many
        that never change, or where no trial counts: then nothing is drawn.
    rule_false_call
        Number of trials → how often a source found at ``baseline`` would be
        called unreliable within that many trials (exact).
    baseline
        The find probability used for it, the reference: what the model of finds expects
        with exposures as at each source's first trial; where finds show no change, or
        without a model, the proportion of finds among the trials that count. None where
        there are no such trials.
    sources, events
        Sources followed, and those that met the rule.
    by_group
        Group → (sources, events).
    curve
        Steps of every drawn group, in order of group and time (days held). A group of
        which none met the rule is drawn flat, with the lower bound of that.
    median
        Group → days, ``None`` where the curve does not fall to one half.
    not_drawn
        Group → why it has no curve.
    alpha
        Intervals are at 1 - alpha.
    median_low, median_high
        Group → limits of the median at 1 - alpha, ``None`` where not reached.
    curve_from, curve_to
        Group → days held at which its curve begins and ends. Each curve is
        about sources still reliable at ``curve_from``.
    followed
        One row a source, in order of ``source_id``: ``source_id``, ``regime``,
        ``trials`` (that count), ``entry_days`` and ``exit_days`` (days held at
        its first trial and at the one that ended following), ``low_days``
        (days held at the last trial at which the rule was not yet met; it was
        met between ``low_days`` and ``exit_days`` if ``event``), ``event``,
        ``ending`` (why following ended), ``kind``, ``entry_cycles``,
        ``low_cycles`` and ``exit_cycles``, ``entry_age_days``, ``low_age_days``
        and ``exit_age_days`` (cycles and age at the same three trials, missing
        where not known) and ``in_curve`` (adds to a drawn curve).
    left_out
        Reason → number of unassisted hide trials left out for it.
    not_followed
        Sources without a single trial that counts.
    chance
        What chance alone would give; None where it was not asked.
    """

    rule: RuleInUse | None
    rule_false_call: Mapping[int, float]
    baseline: float | None
    sources: int
    events: int
    by_group: Mapping[str, tuple[int, int]]
    curve: tuple[CurvePoint, ...]
    median: Mapping[str, float | None]
    not_drawn: Mapping[str, str]
    alpha: float
    median_low: Mapping[str, float | None] = field(default_factory=dict)
    median_high: Mapping[str, float | None] = field(default_factory=dict)
    curve_from: Mapping[str, float] = field(default_factory=dict)
    curve_to: Mapping[str, float] = field(default_factory=dict)
    followed: pd.DataFrame = field(default_factory=pd.DataFrame)
    left_out: Mapping[str, int] = field(default_factory=dict)
    not_followed: int = 0
    chance: ChanceAlone | None = None

    @property
    def beyond_chance(self) -> bool:
        """Whether loss may be told of: more met the rule than chance gives, and finds fell."""
        return self.chance is None or self.chance.told == "more than chance"
