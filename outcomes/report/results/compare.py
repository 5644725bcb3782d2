"""``compare``: refrigerated against frozen."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.answers.facts import Facts
from outcomes.report.results.values import Number, filled
from outcomes.wording.storage_compared import (
    describe_bounds,
    describe_kind,
    describe_portions,
    describe_storage_compared,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Portions:
    """Portions of one source kept both ways, tried by the same dogs.

    Attributes
    ----------
    parents
        Sources of which portions were tried both ways.
    trials, finds
        ``refrigerated`` and ``frozen`` → trials, and finds among them.
    odds_ratio, low, high
        Odds of a find refrigerated against frozen, with exact limits.
    risk_difference, risk_low, risk_high
        The same in find probability.
    fewer, more
        Parents whose refrigerated portions were found less, and more, often.
    p_by_parent
        Exact, whole parents swapped.
    """

    parents: tuple[str, ...]
    trials: dict[str, int]
    finds: dict[str, int]
    comparisons: int
    odds_ratio: Number
    low: Number
    high: Number
    confidence: float
    risk_difference: Number
    risk_low: Number
    risk_high: Number
    p: Number
    fewer: int
    more: int
    p_by_parent: Number
    reason: str | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """The comparison with sources counted as frozen from this frozen share on."""

    bound: float
    risk_difference: Number
    low: Number
    high: Number
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OfKind:
    """The comparison within one kind."""

    kind: str
    at_age_days: Number
    risk_difference: Number
    low: Number
    high: Number
    refrigerated: Number
    frozen: Number
    p: Number
    reason: str | None
    sources: dict[str, int]
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareSection:
    """Refrigerated less frozen, in find probability, at one age.

    Attributes
    ----------
    estimand
        Not told yet: null.
    confidence
        Of the limits here, in ``bounds`` and in ``by_kind``, two-sided.
    refrigerated, frozen
        The two standardised find probabilities.
    sources
        Way of storage → sources among the trials compared.
    kinds, kinds_left_out
        Kinds kept both ways, and those kept only one way.
    both_ways
        Sources counted on either side.
    without_kind
        Trials not compared since their source's kind is not on record.
    """

    estimand: str | None = None
    at_age_days: Number
    risk_difference: Number
    low: Number
    high: Number
    confidence: float
    refrigerated: Number
    frozen: Number
    sources: dict[str, int]
    kinds: tuple[str, ...]
    kinds_left_out: tuple[str, ...]
    both_ways: int
    without_kind: int
    p: Number
    portions: Portions
    bounds: tuple[Bound, ...]
    by_kind: tuple[OfKind, ...]
    bounds_sentence: str
    sentence: str


def make_compare(facts: Facts) -> CompareSection:
    """``compare``."""
    alpha = facts.settings.alpha
    confidence = 1.0 - alpha
    return filled(
        CompareSection,
        facts.comparison,
        confidence=confidence,
        portions=filled(
            Portions,
            facts.portions,
            confidence=confidence,
            sentence=describe_portions(facts.portions, alpha),
        ),
        bounds=[filled(Bound, b, b.comparison) for b in facts.bounds],
        by_kind=[
            filled(OfKind, k, k.comparison, sentence=describe_kind(k, alpha)) for k in facts.kinds
        ],
        bounds_sentence=describe_bounds(facts.bounds),
        sentence=describe_storage_compared(facts.comparison, alpha),
    )
