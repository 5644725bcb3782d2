"""``which_predicts`` and ``find``: the verdict, the model of finds, other ways of asking."""

from __future__ import annotations

import math
from dataclasses import dataclass

from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.firth import Penalised
from outcomes.analysis.finds.kinds import KindChange
from outcomes.analysis.finds.line_tests import RatioTest
from outcomes.analysis.finds.profile import ProfileInterval
from outcomes.analysis.finds.shapes import LINE, ShapeKind
from outcomes.analysis.finds.specifications import Specification, Specifications
from outcomes.analysis.results import LeftOut, Verdict
from outcomes.answers.facts import Facts
from outcomes.answers.sensitivity import Further
from outcomes.answers.side_tests import SideTest, SideTests
from outcomes.exposure.cycles_and_age import ExposureName, named_by
from outcomes.models.ratio import Estimate as FittedEstimate
from outcomes.planning.document import Kind, Question
from outcomes.report.results.values import (
    ByExposure,
    Estimate,
    FindEffect,
    Number,
    filled,
    told_as_finds,
)
from outcomes.wording.asked_again import describe_asked_again
from outcomes.wording.memory import describe_memory
from outcomes.wording.penalised import PENALISED_METHOD, describe_penalised
from outcomes.wording.sensitivity import (
    agreement_title,
    describe_agreement,
)
from outcomes.wording.shape import describe_shape
from outcomes.wording.side_tests import describe_side_tests
from outcomes.wording.verdict import describe_verdict, describe_verdict_in_short


@dataclass(frozen=True, slots=True, kw_only=True)
class TestsBehind:
    """The likelihood-ratio tests behind the verdict; null where one was not possible."""

    joint: RatioTest | None
    cycles_given_age: RatioTest | None
    age_given_cycles: RatioTest | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeTold:
    """The best shape along an exposure.

    Attributes
    ----------
    kind
        ``line``; ``log``; ``step``, past the knot; ``levels off``, a line up to it; ``sets in``,
        a line from there.
    knot
        In cycles or days; null for a line and a logarithm.
    support
        Its share of the support of all shapes weighed; null where lines are enough.
    sentence
        The same in words.
    """

    kind: ShapeKind
    knot: Number
    support: Number
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MetBefore:
    """Change in log-odds of a find per doubling of earlier meetings of dog and source.

    Attributes
    ----------
    cycles_with_it
        The effect of cycles with meetings held the same.
    correlation
        Of cycles and the logarithm of 1 + earlier meetings.
    changes_answer
        Whether the interval of cycles leaves out no change with meetings and not without, or the
        other way round.
    sentence
        Null where it neither changes the answer nor goes together with cycles.
    """

    log_odds: Number
    low: Number
    high: Number
    confidence: float
    p: Number
    cycles_with_it: Estimate | None
    correlation: Number
    changes_answer: bool
    sentence: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WouldSettle:
    """The plan that would settle what the records cannot say, by formula.

    Attributes
    ----------
    settled
        Whether any length up to a year would; else it is the longest.
    weeks, trials, sources
        Its length, trials with blank areas, and sources.
    power
        Share of such plans that would show a fall that matters.
    """

    question: Question
    design: Kind
    settled: bool
    weeks: int
    trials: int
    sources: int
    power: float
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedAgain:
    """An interval of an exposure's effect that holds at every look, for a unit that asks again.

    Attributes
    ----------
    exposure
        The one the verdict names; cycles where it names both or none.
    std_error, first_std_error
        Now, and at the first look (the end of that month) with enough evidence.
    wider
        How many times as wide as the interval of one look.
    stands
        Whether the verdict would stand for a unit that asks every month; null where it
        rests on two effects.
    """

    exposure: ExposureName
    log_odds: Number
    log_odds_low: Number
    log_odds_high: Number
    confidence: float
    std_error: Number
    first_std_error: Number
    first_look: str
    wider: Number
    stands: bool | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SideTestsTold:
    """The side questions as one family: at most ``alpha`` that any is told where there is nothing.

    Attributes
    ----------
    method
        How ``adjusted_p`` of each was worked out.
    sentence
        Which are beyond chance; null where none could be asked.
    """

    method: str
    alpha: float
    tests: tuple[SideTest, ...]
    sentence: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WhichPredictsSection:
    """Whether cycles or age predicts finds.

    Attributes
    ----------
    verdict, title, sentence
        In a word, as a title, and in full.
    joint_p, cycles_given_age_p, age_given_cycles_p
        p-values of the tests in ``tests``.
    correlation
        Of cycles and age over the trials used; null where one of them does not vary.
    met_before
        Null where the other ways of asking were not asked, or no dog met a source twice.
    asked_again
        Null where there is no such effect, or it was not asked.
    side_tests_p
        The side questions tested as one family (Holm), each with its p-value; null where what
        stands behind the answer was not asked.
    largest_fall_points
        ``per_10_cycles`` and ``per_year`` → the largest fall in find probability that the
        interval still allows, percentage points.
    more_trials
        Further hide trials until there is the least amount of evidence.
    slopes_differ
        Exposures for which sources or dogs differ in how fast they change.
    would_separate
        Sources whose trials would part cycles from age.
    would_settle
        The planned trials that would tell; null where the records can say.
    shape
        Exposure → its shape, of those that the verdict is about; null where no change is told.
    kinds_differ_p, kinds_falling, by_kind
        Test of kinds that differ in how they change with cycles; where they do, those whose finds
        fall beyond chance, and the change in log-odds a cycle of each.
    bend_p, contradicted
        Test of straight lines against other shapes; exposures along which the finds observed
        contradict every shape, so that no curve or limit is told.
    thaws_missing
        Share of trials on sources whose storage log begins late.
    age_withheld
        That it is why the verdict does not name age.
    notes
        What else must be known to read the verdict.
    """

    verdict: Verdict
    title: str
    sentence: str
    shape: ByExposure[ShapeTold] | None = None
    bend_p: Number = None
    contradicted: tuple[ExposureName, ...] = ()
    side_tests_p: SideTestsTold | None = None
    joint_p: Number
    cycles_given_age_p: Number
    age_given_cycles_p: Number
    correlation: Number
    kinds_differ_p: Number = None
    kinds_falling: tuple[str, ...] | None = None
    by_kind: tuple[KindChange, ...] = ()
    met_before: MetBefore | None = None
    asked_again: AskedAgain | None = None
    tests: TestsBehind
    largest_fall_points: dict[str, Number]
    more_trials: int | None
    slopes_differ: tuple[str, ...]
    would_separate: tuple[str, ...]
    would_settle: WouldSettle | None = None
    thaws_missing: float
    age_withheld: bool
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificationTold(Estimate):
    """One way of asking, all on the scale of log-odds.

    Attributes
    ----------
    name, family
        The way in words, and its kind: the main model, another model, other records, or
        one kind, source or dog left out.
    n, sources
        Trials and sources used; 0 where that was not settled.
    note, reason
        What must be known to read it, and why it could not be asked.
    shift
        Where one is left out: change of the estimate in standard errors of the main one.
    """

    name: str
    family: str
    n: int
    sources: int
    note: str
    reason: str | None
    shift: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreementTold:
    """How far the ways of asking agree on one exposure.

    Attributes
    ----------
    rising, clear
        Whether the main estimate is positive, and its interval leaves out no change.
    ways, same_sign, clear_too
        Other ways, those with the sign of the main one, and those as clear.
    unsure, against
        Names of those whose interval includes no change, and of those with the other sign.
    """

    rising: bool
    clear: bool
    ways: int
    same_sign: int
    clear_too: int
    unsure: tuple[str, ...]
    against: tuple[str, ...]
    title: str
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileTold:
    """Limits of one effect from the profile likelihood, log-odds, beside those of its error.

    Attributes
    ----------
    about
        What the estimate is: not that of the terms, which is told less its bias.
    critical
        Standard errors to ``wald_low`` and ``wald_high``.
    """

    about: str
    unit: str
    confidence: float
    estimate: Number
    low: Number
    high: Number
    wald_low: Number
    wald_high: Number
    critical: Number
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PenalisedTold:
    """A penalised answer where finds and misses part: on the scale of log-odds."""

    method: str
    n: int
    sources: int
    dogs: int
    terms: tuple[Estimate, ...]
    left_out: tuple[LeftOut, ...]
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindSection:
    """The model of finds.

    Attributes
    ----------
    n, finds, misses, dogs, sources
        Hide trials used, and what is in them.
    terms
        Odds ratios of a find.
    sd
        Grouping (``dog``, ``source``, ``session``, ``hide``) → standard deviation of its
        effects, log-odds.
    left_out
        Terms and trials the model does without, and why.
    specifications
        The question asked in other ways; empty where it was not.
    profile, agreement
        By exposure; without one that is not in the model.
    penalised
        Null but where finds and misses part.
    reason
        Why there is no model; null where there is one.
    """

    n: int
    finds: int
    misses: int
    dogs: int
    sources: int
    log_likelihood: Number
    reason: str | None
    terms: tuple[FindEffect, ...]
    sd: dict[str, Number]
    left_out: tuple[LeftOut, ...]
    specifications: tuple[SpecificationTold, ...] = ()
    specifications_reason: str | None = None
    specifications_notes: tuple[str, ...] = ()
    agreement: ByExposure[AgreementTold] | None = None
    profile: ByExposure[ProfileTold] | None = None
    penalised: PenalisedTold | None = None


def make_which_predicts(facts: Facts) -> WhichPredictsSection:
    """``which_predicts``."""
    verdict, outline = facts.verdict, facts.outline
    settles = None
    if outline is not None:
        from outcomes.wording.plan import would_settle

        settles = filled(WouldSettle, outline, sentence=would_settle(outline))
    return filled(
        WhichPredictsSection,
        verdict,
        would_settle=settles,
        title=describe_verdict_in_short(facts.fit, verdict, facts.retirement),
        sentence=describe_verdict(facts.fit, verdict, facts.retirement),
        joint_p=_p(verdict.joint),
        cycles_given_age_p=_p(verdict.cycles_given_age),
        age_given_cycles_p=_p(verdict.age_given_cycles),
        tests=filled(TestsBehind, verdict),
        shape=_shapes(verdict),
        bend_p=None if verdict.bend is None else verdict.bend.p,
        kinds_differ_p=None if verdict.kinds_differ is None else verdict.kinds_differ.p,
        kinds_falling=verdict.kinds_falling or None,
        by_kind=verdict.by_kind,
        largest_fall_points=_largest_fall(verdict),
        met_before=_met_before(facts),
        asked_again=_asked_again(facts),
        side_tests_p=_side_tests(facts.side_tests) if facts.with_further else None,
    )


def _side_tests(side: SideTests) -> SideTestsTold:
    return filled(SideTestsTold, side, method="Holm (1979)", sentence=describe_side_tests(side))


def _asked_again(facts: Facts) -> AskedAgain | None:
    found, alpha = facts.asked_again, facts.settings.alpha
    if found is None:
        return None
    return filled(
        AskedAgain,
        found,
        confidence=1.0 - alpha,
        first_look=found.first_look.date().isoformat(),
        sentence=describe_asked_again(found, alpha),
    )


def _met_before(facts: Facts) -> MetBefore | None:
    found = None if facts.further is None else facts.further.ways.memory
    if found is None:
        return None
    alpha = facts.settings.alpha
    cycles = found.cycles_with_it
    told = None if cycles is None else _specification(cycles, alpha)
    return filled(
        MetBefore,
        found,
        confidence=1.0 - alpha,
        cycles_with_it=None if told is None else filled(Estimate, told),
        sentence=describe_memory(found, alpha),
    )


def _shapes(verdict: WhichPredicts) -> dict[ExposureName, ShapeTold] | None:
    if verdict.verdict not in ("cycles", "age", "both", "cannot be told apart"):
        return None
    told = {}
    for exposure in named_by(verdict.verdict):
        weighed = verdict.shapes.get(exposure)
        shape = LINE if weighed is None else weighed[0].shape
        told[exposure] = ShapeTold(
            kind=shape.kind,
            knot=shape.knot,
            support=None if weighed is None else weighed[0].weight,
            sentence=describe_shape(verdict, exposure),
        )
    return told


def _p(test: RatioTest | None) -> float | None:
    return None if test is None else test.p


def _largest_fall(verdict: WhichPredicts) -> dict[str, float]:
    named: dict[ExposureName, str] = {"cycles": "per_10_cycles", "age_days": "per_year"}
    return {named[exposure]: fall for exposure, fall in verdict.largest_fall.items()}


def make_find(facts: Facts) -> FindSection:
    """``find``, with the other ways of asking where they were asked."""
    fit, further = facts.fit, facts.further
    confidence = 1.0 - facts.settings.alpha
    terms = [told_as_finds(term, confidence) for term in fit.terms]
    if further is None:
        return filled(FindSection, fit, terms=terms)
    ways = further.ways
    return filled(
        FindSection,
        fit,
        terms=terms,
        specifications=[_specification(row, ways.alpha) for row in ways.rows],
        specifications_reason=ways.reason,
        specifications_notes=ways.notes,
        agreement={e: _agreement(ways, e) for e in ways.agreement},
        profile={e: _profile(found) for e, found in further.profiles.items()},
        penalised=_penalised(further, confidence),
    )


def _specification(row: Specification, alpha: float) -> SpecificationTold:
    return filled(
        SpecificationTold,
        row,
        ratio_of="odds",
        ratio=None,
        confidence=1.0 - alpha,
        p=None,
    )


def _agreement(ways: Specifications, exposure: ExposureName) -> AgreementTold:
    return filled(
        AgreementTold,
        ways.agreement[exposure],
        title=agreement_title(ways, exposure),
        sentence=describe_agreement(ways, exposure),
    )


def _profile(profile: ProfileInterval) -> ProfileTold:
    return filled(ProfileTold, profile, about="the effect by maximum likelihood")


def _penalised(further: Further, confidence: float) -> PenalisedTold | None:
    found: Penalised | None = further.penalised
    if found is None:
        return None
    return filled(
        PenalisedTold,
        found,
        method=PENALISED_METHOD,
        terms=[_penalised_term(term, confidence) for term in found.terms],
        sentence=describe_penalised(found),
    )


def _penalised_term(term: FittedEstimate, confidence: float) -> Estimate:
    """One limit may be infinite: told as null."""
    return filled(
        Estimate,
        term,
        ratio_of="odds",
        ratio=None,
        log_odds=term.log_ratio,
        low=math.log(term.low) if term.low > 0.0 else None,
        high=math.log(term.high),
        confidence=confidence,
    )
