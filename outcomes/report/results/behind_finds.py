"""``suspects``, ``quality`` and ``dogs``: what stands behind the answer on finds."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.analysis.finds.confounders import ModelSupport, Suspect, Suspects
from outcomes.analysis.finds.cycles_or_age import WhichPredicts
from outcomes.analysis.finds.dog_and_source_effects import DogReview, OwnEffect
from outcomes.analysis.finds.validation import Drift, Quality
from outcomes.analysis.results import FindEstimate, LeftOut
from outcomes.answers.side_tests import SideTests
from outcomes.report.results.values import Curve, FindEffect, Number, filled, told_as_finds
from outcomes.wording.dogs import DOG_CAUTION, describe_dogs, describe_own_effect
from outcomes.wording.quality import describe_drift, describe_quality
from outcomes.wording.suspects import SUPPORT_MEANING, describe_suspects


@dataclass(frozen=True, slots=True, kw_only=True)
class MostLike:
    """The suspect that another goes with most."""

    exposure: str
    correlation: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class SuspectTold:
    """What the records say about one suspect.

    Attributes
    ----------
    little, much
        10th and 90th percentile over the trials, in the exposure's own unit; the
        ``points`` of its effects are from the one to the other.
    alone, given_others
        Its effect as the only suspect in the model, and beside the others.
    weight, importance
        Shares of the support: among models with one suspect, and over every combination.
    variance_inflation
        How much the others widen its variance, as a factor.
    slopes_differ
        Sources differ in how they change with it, so that its intervals are too narrow.
    """

    exposure: str
    unit: str
    little: Number
    much: Number
    alone: FindEffect | None
    given_others: FindEffect | None
    weight: Number
    importance: Number
    variance_inflation: Number
    most_like: MostLike | None
    slopes_differ: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class SuspectsSection:
    """Cycles, drying, warmth and age compared on equal footing.

    Attributes
    ----------
    inflation
        What the log-likelihoods were divided by.
    joint_p
        All suspects against none.
    condition_index
        Largest of the suspects and the intercept.
    models
        Every combination, best first, by ``criterion``.
    meaning
        What shares of the support are.
    reason
        Why nothing was compared.
    """

    n: int
    finds: int
    misses: int
    dogs: int
    sources: int
    inflation: Number
    joint_p: Number
    condition_index: Number
    suspects: tuple[SuspectTold, ...]
    models: tuple[ModelSupport, ...]
    left_out: tuple[LeftOut, ...]
    sentence: str
    meaning: str
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaTold:
    """Area under the ROC curve."""

    value: Number
    std_error: Number
    low: Number
    high: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationPointTold:
    """Trials with alike predictions: mean prediction, and finds with their interval."""

    predicted: Number
    finds: int
    n: int
    sources: int
    proportion: Number
    low: Number
    high: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationTold:
    """Observed log-odds against predicted ones; ``in_the_large`` in percentage points."""

    intercept: Number
    intercept_low: Number
    intercept_high: Number
    slope: Number
    slope_low: Number
    slope_high: Number
    in_the_large: Number
    curve: tuple[CalibrationPointTold, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResidualTold:
    """Finds of one dog, source or month beside those predicted; ``points``: percentage points."""

    group: str
    n: int
    finds: int
    predicted: Number
    points: Number
    low: Number
    high: Number
    outside: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftTold:
    """Change in log-odds per 30 calendar days that the model does not explain.

    Attributes
    ----------
    p, curve_p
        Tests of a straight line over the calendar, and of a smooth curve beyond it.
    explained
        Share of the variation of calendar time that the other terms account for.
    tied_to_age
        Correlation of calendar time with age.
    """

    log_odds: Number
    std_error: Number
    low: Number
    high: Number
    p: Number
    curve_p: Number
    explained: Number
    tied_to_age: Number
    sentence: str
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class QualitySection:
    """How well finds on sources are predicted that had no part in the model.

    Attributes
    ----------
    not_predicted
        Trials in groups whose model could not be fitted.
    brier, brier_of_average
        Mean squared error of the predictions, and of the unit's average.
    by
        ``dog``, ``source`` and ``month`` → finds beside predictions.
    confidence
        Of all limits in here, two-sided.
    """

    confidence: float
    n: int
    sources: int
    folds: int
    not_predicted: int
    brier: Number
    brier_of_average: Number
    area: AreaTold | None
    calibration: CalibrationTold | None
    by: dict[str, tuple[ResidualTold, ...]]
    drift: DriftTold | None
    sentences: tuple[str, ...]
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnEffectTold:
    """A dog or a source beside the others, everything else held the same.

    Attributes
    ----------
    expected_finds
        What an average one would have found in the same trials.
    effect, std_error
        Difference from the average of the unit, log-odds, partially pooled.
    find_probability, low, high
        As if all the unit's trials had been this one's; its own proportion where
        ``observed_only``.
    differs
        ``more`` or ``fewer`` finds than the others; null where that is not sure.
    few
        Fewer than 20 trials.
    """

    name: str
    trials: int
    finds: int
    misses: int
    expected_finds: Number
    effect: Number
    std_error: Number
    find_probability: Number
    low: Number
    high: Number
    observed_only: bool
    differs: str | None
    few: bool
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseTold:
    """Whether dogs differ in how they change with a term: their slopes, log-odds per unit."""

    term: str
    sd: Number
    statistic: Number
    p: Number
    slopes: dict[str, Number]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExperienceCurveTold(Curve):
    """A dog's find probability against its trials so far."""

    dog: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DogsSection:
    """Dogs and sources beside their likes, in order of name.

    Attributes
    ----------
    dogs_differ_p, sources_differ_p
        Test of any spread at all; null where there is one only.
    confidence
        Of all limits in here, two-sided.
    """

    confidence: float
    dogs: tuple[OwnEffectTold, ...]
    sources: tuple[OwnEffectTold, ...]
    dogs_differ_p: Number
    sources_differ_p: Number
    responses: tuple[ResponseTold, ...]
    experience: tuple[ExperienceCurveTold, ...]
    left_out: tuple[LeftOut, ...]
    sentences: tuple[str, ...]
    caution: str
    reason: str | None


def make_suspects(found: Suspects, verdict: WhichPredicts, side: SideTests) -> SuspectsSection:
    """``suspects``."""
    return filled(
        SuspectsSection,
        found,
        suspects=[_suspect(one, 1.0 - found.alpha) for one in found.suspects],
        sentence=describe_suspects(found, verdict, side),
        meaning=SUPPORT_MEANING,
    )


def _suspect(suspect: Suspect, confidence: float) -> SuspectTold:
    def effect(of: FindEstimate | None) -> FindEffect | None:
        return None if of is None else told_as_finds(of, confidence)

    like = suspect.most_like
    return filled(
        SuspectTold,
        suspect,
        alone=effect(suspect.alone),
        given_others=effect(suspect.given_others),
        most_like=None if like is None else MostLike(exposure=like[0], correlation=like[1]),
    )


def make_quality(found: Quality, side: SideTests) -> QualitySection:
    """``quality``."""
    return filled(
        QualitySection,
        found,
        confidence=1.0 - found.alpha,
        drift=None if found.drift is None else _drift(found.drift, side),
        sentences=describe_quality(found, side),
    )


def _drift(drift: Drift, side: SideTests) -> DriftTold:
    return filled(DriftTold, drift, sentence=describe_drift(drift, side))


def make_dogs(found: DogReview, side: SideTests) -> DogsSection:
    """``dogs``."""
    return filled(
        DogsSection,
        found,
        confidence=1.0 - found.alpha,
        dogs=[_own(own, side) for own in found.dogs],
        sources=[_own(own, side) for own in found.sources],
        sentences=describe_dogs(found, side),
        caution=DOG_CAUTION,
    )


def _own(own: OwnEffect, side: SideTests) -> OwnEffectTold:
    return filled(OwnEffectTold, own, sentence=describe_own_effect(own, side))
