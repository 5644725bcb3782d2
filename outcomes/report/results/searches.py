"""``search_time`` and ``false_alerts``."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.analysis.results import LeftOut
from outcomes.analysis.searches.false_alerts import FalseAlertFit
from outcomes.analysis.searches.search_time import HazardEstimate, SearchTimeFit
from outcomes.analysis.searches.search_time_curve import SearchTimeCurve
from outcomes.exposure.cycles_and_age import ExposureName
from outcomes.report.results.values import Estimate, Number, filled, told_as_ratio
from outcomes.wording.false_alerts import describe_false_alerts
from outcomes.wording.search_time import describe_search_time, describe_search_time_curve


@dataclass(frozen=True, slots=True, kw_only=True)
class HazardTold(Estimate):
    """A hazard ratio of a find; ``proportional_p``: of one that changes during the search."""

    proportional_p: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeRatio:
    """How many times as long a search takes that ends in a find."""

    ratio: Number
    low: Number
    high: Number
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AmongFinds:
    """Searches that ended in a find."""

    per_10_cycles: TimeRatio | None
    per_year: TimeRatio | None


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
class MedianPoint:
    """Median search time, seconds; ``thin``: few sources were observed at or beyond it."""

    at: float
    median_s: Number
    low: Number
    high: Number
    thin: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MedianObserved:
    """Searches whose exposure lies in [low, high]: seconds by which half had found."""

    low: float
    high: float
    mean: float
    n: int
    finds: int
    sources: int
    median_s: Number
    median_low: Number
    median_high: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class MedianCurve:
    """Median search time of a typical dog; ``confidence`` is of all limits in here."""

    exposure: ExposureName
    confidence: float
    held: str
    sentence: str
    points: tuple[MedianPoint, ...]
    observed: tuple[MedianObserved, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchTimeSection:
    """Time to the find.

    Attributes
    ----------
    n, finds, sources, dogs
        Trials with a usable time, finds among them, and their sources and dogs.
    among_finds, found_by
        Not asked yet: null.
    terms
        Hazard ratios of a find: above 1, finds come sooner.
    time_terms, time_model
        How many times as long a search takes, and the distribution that is by.
    proportional_p
        p-value of hazard ratios that change during the search.
    source_sd
        Standard deviation of the effect of the source, log hazard.
    curve
        Null without terms.
    """

    n: int
    finds: int
    sources: int
    dogs: int
    among_finds: AmongFinds | None = None
    found_by: tuple[FoundBy, ...] | None = None
    terms: tuple[HazardTold, ...]
    time_terms: tuple[Estimate, ...]
    time_model: str | None
    proportional_p: Number
    source_sd: Number
    left_out: tuple[LeftOut, ...]
    reason: str | None
    curve: MedianCurve | None
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


def make_search_time(fit: SearchTimeFit) -> SearchTimeSection:
    """``search_time``."""
    confidence = 1.0 - fit.alpha
    return filled(
        SearchTimeSection,
        fit,
        finds=fit.events,
        terms=[_hazard(term, confidence) for term in fit.terms],
        time_terms=[told_as_ratio(term, "time", confidence) for term in fit.time_ratio],
        curve=None if fit.curve is None else _curve(fit.curve),
        sentence=describe_search_time(fit),
    )


def _hazard(term: HazardEstimate, confidence: float) -> HazardTold:
    return filled(HazardTold, term, ratio_of="hazard", log_odds=None, confidence=confidence)


def _curve(curve: SearchTimeCurve) -> MedianCurve:
    return filled(MedianCurve, curve, sentence=describe_search_time_curve(curve))


def make_false_alerts(fit: FalseAlertFit) -> FalseAlertsSection:
    """``false_alerts``."""
    confidence = 1.0 - fit.alpha
    return filled(
        FalseAlertsSection,
        fit,
        confidence=confidence,
        terms=[told_as_ratio(term, "rate", confidence) for term in fit.terms],
        sentence=describe_false_alerts(fit),
    )
