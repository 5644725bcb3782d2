"""``search_time`` and ``false_alerts``."""

from __future__ import annotations

from dataclasses import dataclass
from math import log

from outcomes.analysis.results import LeftOut
from outcomes.analysis.searches.false_alerts import FalseAlertFit
from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.analysis.searches.share_found import FoundPoint
from outcomes.answers.side_tests import SideTests
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE, ExposureName
from outcomes.models.ratio import power
from outcomes.report.results.values import Estimate, Number, filled, told_as_ratio
from outcomes.wording.false_alerts import describe_false_alerts
from outcomes.wording.search_time import describe_search_time


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeRatio:
    """How many times as long it takes to the find."""

    ratio: Number
    low: Number
    high: Number
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AmongFinds:
    """Searches that ended in a find.

    Attributes
    ----------
    per_10_cycles, per_year
        Null where the model has no such term, or not along a straight line.
    not_by_step
        Exposure → why nothing is told per 10 cycles or per year of it though there is a term:
        its ratio stands in ``terms``.
    last_quarter
        Share of these finds that came in the last quarter of their time limit; null where the
        limit is on record for fewer than half of them.
    at_least
        Whether the limit hides some of any change: over 5 % came in its last quarter.
    """

    per_10_cycles: TimeRatio | None
    per_year: TimeRatio | None
    not_by_step: dict[str, str]
    last_quarter: Number
    at_least: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundBy:
    """Share of hides found within so many minutes, at one value of the exposure."""

    minutes: float
    share: Number
    low: Number
    high: Number
    confidence: float
    at: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundGroupTold:
    """Trials whose exposure lies in [lowest, highest], and their own share found by some minutes.

    ``observed`` is empty below 6 sources; its limits count errors by source.
    """

    at: float
    lowest: float
    highest: float
    trials: int
    sources: int
    observed: tuple[FoundBy, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchTimeSection:
    """How soon finds come; whether a hide is found at all is in ``find``.

    Attributes
    ----------
    n, finds, sources, dogs
        Trials with a usable time, finds among them, and the sources and dogs of those finds.
    among_finds
        Null without terms.
    found_by
        Up to ``limit_minutes``, at few, middling and many cycles (or by age): null without a
        curve, and ``no_curve`` says why.
    found_along, limit_minutes, held, groups
        What ``at`` counts, where the curves end, what was held fixed, and the trials that the
        curves are of.
    terms
        How many times as long it takes to a find.
    sd
        Standard deviations of the log time of finds: dog, source, residual.
    """

    n: int
    finds: int
    sources: int
    dogs: int
    among_finds: AmongFinds | None = None
    found_by: tuple[FoundBy, ...] | None = None
    found_along: ExposureName | None
    limit_minutes: Number
    held: str | None
    groups: tuple[FoundGroupTold, ...]
    no_curve: str | None
    terms: tuple[Estimate, ...]
    sd: dict[str, float]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DogAlertsTold:
    """False alerts of one dog: per searching hour, and per blank area."""

    dog: str
    hours: float
    alerts: int
    rate_per_hour: Number
    rate_low: Number
    rate_high: Number
    blanks: int
    blank_alerts: int
    per_blank: Number
    per_blank_low: Number
    per_blank_high: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseAlertsSection:
    """False alerts.

    Attributes
    ----------
    n, hours, alerts
        Trials with a count and a searching time, their hours, and the false alerts in them.
    blanks, blank_alerts, per_blank
        Blank areas, those with a false alert, and their share.
    confidence
        Of the limits of rates and shares, two-sided.
    model, terms
        What goes with the rate on hide trials, as rate ratios.
    """

    n: int
    hours: float
    alerts: int
    confidence: float
    rate_per_hour: Number
    rate_low: Number
    rate_high: Number
    blanks: int
    blank_alerts: int
    per_blank: Number
    per_blank_low: Number
    per_blank_high: Number
    model: str | None
    terms: tuple[Estimate, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    by_dog: tuple[DogAlertsTold, ...]
    sentence: str


def make_search_time(fit: SearchTimeFit, side: SideTests) -> SearchTimeSection:
    """``search_time``."""
    confidence = 1.0 - fit.alpha
    curve = fit.curve
    groups = () if curve is None else curve.groups
    return filled(
        SearchTimeSection,
        fit,
        among_finds=_among_finds(fit) if fit.terms else None,
        found_by=None
        if curve is None
        else [_found_by(p, g.at, confidence) for g in groups for p in g.curve],
        found_along=None if curve is None else curve.exposure,
        limit_minutes=None if curve is None else curve.limit_s / 60.0,
        held=None if curve is None else curve.held,
        groups=[
            filled(FoundGroupTold, g, observed=[_found_by(p, g.at, confidence) for p in g.observed])
            for g in groups
        ],
        terms=[told_as_ratio(term, "time", confidence) for term in fit.terms],
        sentence=describe_search_time(fit, side),
    )


def _among_finds(fit: SearchTimeFit) -> AmongFinds:
    ratios = {}
    for exposure in CYCLES_AND_AGE.values():
        term, times = fit.term(exposure.name), exposure.many_units
        ratios[exposure.name] = (
            None
            if term is None or exposure.name in fit.shapes
            else TimeRatio(
                ratio=power(term.log_ratio, times),
                low=power(log(term.low), times),
                high=power(log(term.high), times),
                confidence=1.0 - fit.alpha,
            )
        )
    return AmongFinds(
        per_10_cycles=ratios["cycles"],
        per_year=ratios["age_days"],
        not_by_step={
            name: f"not a straight line: {term.unit}"
            for name in fit.shapes
            if (term := fit.term(name)) is not None
        },
        last_quarter=fit.last_quarter,
        at_least=fit.cut_off,
    )


def _found_by(point: FoundPoint, at: float, confidence: float) -> FoundBy:
    return filled(FoundBy, point, minutes=point.seconds / 60.0, confidence=confidence, at=at)


def make_false_alerts(fit: FalseAlertFit, side: SideTests) -> FalseAlertsSection:
    """``false_alerts``."""
    confidence = 1.0 - fit.alpha
    return filled(
        FalseAlertsSection,
        fit,
        confidence=confidence,
        terms=[told_as_ratio(term, "rate", confidence) for term in fit.terms],
        sentence=describe_false_alerts(fit, side),
    )
