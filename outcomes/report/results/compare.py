"""``compare``: refrigerated against frozen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from outcomes.analysis.decisions.compare import Comparison, Difference
from outcomes.answers.facts import Facts
from outcomes.report.results.values import Number, filled
from outcomes.wording.storage_compared import (
    describe_bounds,
    describe_estimand,
    describe_kind,
    describe_portions,
    describe_storage_compared,
)

_LIMITS = ("risk_difference", "low", "high")


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
    """The comparison within one kind.

    Attributes
    ----------
    finding
        Whether there are sources enough to tell it as a finding.
    """

    kind: str
    risk_difference: Number
    low: Number
    high: Number
    refrigerated: Number
    frozen: Number
    p: Number
    sources: dict[str, int]
    finding: bool
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CompareSection:
    """Refrigerated less frozen, in find probability, over the unit's own trials.

    Attributes
    ----------
    estimand
        What the difference is of, in words.
    low, high, confidence
        Two-sided limits; null where sources differ in how fast they change. ``confidence`` is of
        the limits in ``bounds`` and in ``by_kind``, too.
    refrigerated, frozen
        The two standardised find probabilities.
    finding
        Whether there are sources enough to tell it as a finding; null where nothing is compared.
    sources
        Way of storage → sources among the trials compared.
    trials, other_ages
        Trials averaged over, and those at ages at which one way alone was tried.
    kinds, kinds_left_out
        Kinds kept both ways, and those kept only one way.
    terms_left_out
        Terms of the model of finds that these trials have too few finds or misses for.
    both_ways
        Sources counted on either side.
    without_kind
        Trials not compared since their source's kind is not on record.
    by_kind
        Kinds with at least 4 sources of each way.
    reason
        Why nothing is compared, or null.
    """

    estimand: str
    risk_difference: Number
    low: Number
    high: Number
    confidence: float
    refrigerated: Number
    frozen: Number
    p: Number
    finding: bool | None
    sources: dict[str, int]
    trials: int
    other_ages: int
    kinds: tuple[str, ...]
    kinds_left_out: tuple[str, ...]
    terms_left_out: tuple[str, ...]
    both_ways: int
    without_kind: int
    reason: str | None
    portions: Portions
    bounds: tuple[Bound, ...]
    by_kind: tuple[OfKind, ...]
    bounds_sentence: str
    sentence: str


def make_compare(facts: Facts) -> CompareSection:
    """``compare``."""
    alpha, confidence = facts.settings.alpha, facts.settings.confidence
    found = facts.comparison.at(confidence)
    return filled(
        CompareSection,
        found,
        **_numbers(found, (*_LIMITS, "refrigerated", "frozen", "p")),
        estimand=describe_estimand(found),
        sources=found.sources if found.difference is None else found.difference.sources,
        confidence=confidence,
        finding=None if found.difference is None else _is_finding(found.difference),
        portions=filled(
            Portions,
            facts.portions,
            confidence=1.0 - alpha,
            sentence=describe_portions(facts.portions, alpha),
        ),
        bounds=[
            filled(Bound, b, b.comparison, **_numbers(b.comparison.at(confidence), _LIMITS))
            for b in facts.bounds
        ],
        by_kind=[
            filled(
                OfKind,
                own,
                kind=kind,
                finding=_is_finding(own),
                sentence=describe_kind(kind, own),
            )
            for kind, own in found.by_kind.items()
        ],
        bounds_sentence=describe_bounds(facts.bounds),
        sentence=describe_storage_compared(found),
    )


def _numbers(found: Comparison, names: Sequence[str]) -> dict[str, float | None]:
    """Of the difference, null where there is none."""
    return {name: getattr(found.difference, name, None) for name in names}


def _is_finding(found: Difference) -> bool:
    return found.low is not None and not found.few
