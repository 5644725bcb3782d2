"""``inspections``: how sources change, and whether finds go along with what was seen."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.analysis.inspections.change import Measure
from outcomes.analysis.inspections.inspected import Inspected
from outcomes.analysis.results import Verdict
from outcomes.report.results.values import Estimate, Number, filled, told_as_ratio
from outcomes.wording.inspections import describe_inspections


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenChange(Estimate):
    """What one step of an exposure adds to what was measured, within the same source.

    Attributes
    ----------
    measure
        ``mass_lost`` and ``drip`` in per cent of the mass, scores in points, pH.
    kind
        The kind of source it is of; null for all.
    slope
        Change of the measure per ``unit`` of ``term``; ``std_error``, ``low`` and ``high`` are
        of it, and ``ratio`` and ``log_odds`` are null.
    """

    measure: Measure
    kind: str | None
    slope: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedTold:
    """Of the change of finds with cycles, what goes along with what was seen.

    Attributes
    ----------
    log_odds, low, high
        Per cycle.
    share, share_low, share_high
        Of the whole change per cycle, between 0 and 1; null where finds do not fall with cycles.
    """

    log_odds: Number
    low: Number
    high: Number
    share: Number
    share_low: Number
    share_high: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenAndFindsTold(Estimate):
    """Odds of a find per step of what was seen, at the same cycles and age.

    Attributes
    ----------
    trials, misses
        Trials before which it had been seen.
    adjusted_p, told
        Among all that was seen (Holm), and whether it may be told as a finding.
    carried
        Null where it, or what cycles add to it, is not shown.
    """

    trials: int
    misses: int
    adjusted_p: Number
    told: bool
    carried: CarriedTold | None


@dataclass(frozen=True, slots=True, kw_only=True)
class MassLimitTold:
    """Thaws at which the upper bound of the mean loss, one-sided, reaches the most allowed.

    Attributes
    ----------
    most
        Share of the mass that a source may lose, as the settings have it.
    cycles
        Null where it is not reached within ``observed_to``.
    """

    most: float
    cycles: Number
    confidence: float
    observed_to: float


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionsSection:
    """What looking at sources shows.

    Attributes
    ----------
    sources, looks
        Sources that were looked at, and how often in all.
    blind
        Share of looks said to be blind, of those where it was said.
    change
        How they changed: for all, and by kind.
    finds
        Finds against what was seen, beside the verdict.
    mass_limit
        Null unless the settings have ``most_mass_lost``.
    """

    sources: int
    looks: int
    blind: Number
    change: tuple[SeenChange, ...]
    finds: tuple[SeenAndFindsTold, ...]
    mass_limit: MassLimitTold | None
    sentence: str


def make_inspections(found: Inspected | None, verdict: Verdict) -> InspectionsSection | None:
    """``inspections``; null where nothing was inspected."""
    if found is None:
        return None
    confidence = 1.0 - found.alpha
    change = [
        filled(SeenChange, one, ratio_of="nothing", ratio=None, log_odds=None,
               confidence=confidence)
        for measure in found.change
        for one in (*measure.estimates, *measure.by_kind)
    ]  # fmt: skip
    finds = [
        filled(
            SeenAndFindsTold,
            told_as_ratio(one.estimate, "odds", confidence),
            trials=one.trials,
            misses=one.misses,
            adjusted_p=one.adjusted_p,
            told=one.told,
            carried=None if one.carried is None else filled(CarriedTold, one.carried),
        )
        for one in found.finds
        if one.estimate is not None
    ]
    return filled(
        InspectionsSection,
        found,
        change=change,
        finds=finds,
        mass_limit=None if found.mass_limit is None else filled(MassLimitTold, found.mass_limit),
        sentence=" ".join(describe_inspections(found, verdict)),
    )
