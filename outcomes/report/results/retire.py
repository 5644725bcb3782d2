"""``retire``: the limit, what it buys and costs, and what is asked of it one at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from outcomes.analysis.decisions.bootstrap import BootstrapThreshold
from outcomes.analysis.decisions.explain import Explanation
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.threshold import Outcome, Threshold
from outcomes.analysis.decisions.trade_off import TradeOffPoint, alone
from outcomes.analysis.results import Advice, Bin, FindCurve
from outcomes.answers.facts import Facts
from outcomes.exposure.cycles_and_age import ExposureName
from outcomes.records.columns import Result
from outcomes.report.results.values import CurveWithLimits, Number, filled
from outcomes.text import DAYS_PER_MONTH
from outcomes.wording.as_of import as_of_notes
from outcomes.wording.limit import describe_retirement, describe_threshold
from outcomes.wording.price import describe_price
from outcomes.wording.resampled_limit import describe_resampled_limit
from outcomes.wording.rule_by_both import describe_rule_by_both, either_rule


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """Retirement by one exposure.

    Attributes
    ----------
    by
        The exposure that all but ``floor`` and ``confidence`` are in; null without a limit.
    floor, confidence
        Lowest acceptable find probability; confidence of the limits, two-sided.
    estimate, low, high
        Where find probability, and the limits of its curve, fall to the floor; null where
        they do not within ``observed_to``.
    retire_after
        Largest whole exposure at which the lower limit is at or above the floor.
    outcome
        How the curve lies to the floor.
    """

    by: ExposureName | None = None
    floor: float
    confidence: float
    estimate: Number = None
    low: Number = None
    high: Number = None
    retire_after: int | None = None
    observed_to: Number = None
    outcome: Outcome | None = None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindCurveTold(CurveWithLimits):
    """Find probability against one exposure, and what was observed along it.

    Attributes
    ----------
    held
        What was held fixed while the exposure varied.
    confidence
        Of all limits in here, two-sided.
    """

    exposure: ExposureName
    held: str
    confidence: float
    bins: tuple[Bin, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """What a way of retiring sources buys and costs, at the ``confidence`` of ``retire``.

    Attributes
    ----------
    find_probability, low, high
        Of the trials still run.
    share_below_floor, share_low, share_high
        Share of those trials on sources found less often than the floor.
    sources_per_year, sources_low, sources_high
        Sources retired per year, at the unit's own rate of use.
    trials
        Trials of the records within the limit.
    """

    find_probability: Number
    low: Number
    high: Number
    share_below_floor: Number
    share_low: Number
    share_high: Number
    sources_per_year: Number
    sources_low: Number
    sources_high: Number
    trials: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PricedLimit(Price):
    """A limit with its price; null where the rule has none by that exposure."""

    cycles: Number
    age_days: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class TradeOffRow(PricedLimit):
    """The same as a row of the trade-off: ``retire_after`` is its ``cycles`` or ``age_days``."""

    retire_after: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class Discarded:
    """A source that was discarded, when (ISO 8601), and what it had been through by then."""

    source_id: str
    at: str
    cycles: Number
    age_days: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class Practice(Price):
    """How sources were in fact retired, over all trials as run."""

    discards: tuple[Discarded, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclesAgainstAge:
    """Find probability by cycles less that by age, percentage points, at as many sources."""

    sources_per_year: Number
    points: Number
    low: Number
    high: Number
    cycles: Number
    age_days: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class UseOfSource:
    """One source: share of the time held, cycles per year held, and its state when taken in."""

    source_id: str
    held: Number
    cycles_per_year: Number
    first_cycles: Number
    first_age_days: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class RateOfUseTold:
    """How fast sources are used up.

    Attributes
    ----------
    years
        From the first trial to the last.
    places
        Mean number of sources held.
    undocumented
        Sources left out since their storage is not on record.
    """

    years: Number
    places: Number
    undocumented: int
    by_source: tuple[UseOfSource, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class EitherRule:
    """A rule by cycles or age, whichever comes first; numbers of its price null without one.

    Attributes
    ----------
    set_by
        Whether it is of the two limits, or was asked for.
    cycles_alone, age_alone
        The price of each limit by itself.
    """

    cycles: float
    age_days: float
    set_by: Literal["the two limits", "asked for"]
    find_probability: Number = None
    low: Number = None
    high: Number = None
    confidence: float
    share_below_floor: Number = None
    share_low: Number = None
    share_high: Number = None
    sources_per_year: Number = None
    sources_low: Number = None
    sources_high: Number = None
    trials: int | None = None
    cycles_alone: PricedLimit | None
    age_alone: PricedLimit | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RetireSection(Limit):
    """The retirement limit.

    Attributes
    ----------
    by_kind
        Not asked yet: null.
    also
        Limits by other exposures.
    trade_off, trade_off_by_cycles, trade_off_by_age
        Limits with their price: by the exposure the verdict names first, and by both.
    trade_off_reason
        Why nothing is priced.
    as_of_notes
        What must be known of the day the shelf is judged at.

    The other fields are those of a limit.
    """

    by_kind: dict[str, Limit] | None = None
    trade_off: tuple[TradeOffRow, ...]
    also: tuple[Limit, ...]
    curves: tuple[FindCurveTold, ...]
    trade_off_by_cycles: tuple[TradeOffRow, ...]
    trade_off_by_age: tuple[TradeOffRow, ...]
    trade_off_reason: str | None
    trade_off_sentence: str | None
    present_practice: Practice | None
    cycles_against_age: CyclesAgainstAge | None
    rate_of_use: RateOfUseTold
    either: EitherRule | None
    as_of_notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ResampledLimit:
    """Interval of a limit over resampled sources or dogs.

    Attributes
    ----------
    resampled, levels
        What was drawn with replacement, and how many there are of it.
    refits, failed
        Resamples, and those in which no model could be fitted.
    never, from_start
        Shares of the resamples in which finds do not fall to the floor, and in which
        they start below it.
    """

    by: ExposureName
    resampled: str
    levels: int
    confidence: float
    refits: int
    failed: int
    estimate: Number
    low: Number
    high: Number
    never: Number
    from_start: Number
    reason: str | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplainedTrial:
    """One hide trial of a source, with what it added.

    Attributes
    ----------
    expected
        The model's find probability of this very trial; null where it was not used.
    finds, trials
        Of the source so far, this one included.
    running, low, high
        Find probability of the source, judged by its trials up to this one.
    """

    trial_id: str
    started_at: str
    dog_id: str
    result: Result
    cycles: Number
    age_days: Number
    used: bool
    why_not: str | None
    expected: Number
    finds: int
    trials: int
    running: Number
    low: Number
    high: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class ExplainedSource:
    """How the advice on one source came about; ``source_sd``: how much sources differ."""

    source_id: str
    held: bool
    advice: Advice | None
    source_sd: Number
    confidence: float
    trials: tuple[ExplainedTrial, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsAsked:
    """Exposures that limits were asked by, whatever the verdict, and what to know of it."""

    by: tuple[ExposureName, ...]
    note: str | None


def make_retire(facts: Facts) -> RetireSection:
    """``retire``."""
    limits, price = facts.retirement.thresholds, facts.price
    leading: tuple[object, ...] = (_limit(limits[0]),) if limits else (facts.settings,)
    present = price.present
    return filled(
        RetireSection,
        *leading,
        price,
        sentence=describe_retirement(facts.verdict, facts.retirement),
        also=[_limit(limit) for limit in limits[1:]],
        curves=[_curve(curve) for curve in facts.retirement.curves],
        trade_off=_rows(price.by_age if price.leading == "age_days" else price.by_cycles),
        trade_off_by_cycles=_rows(price.by_cycles),
        trade_off_by_age=_rows(price.by_age),
        trade_off_reason=price.reason,
        trade_off_sentence=describe_price(price, facts.retirement),
        present_practice=None if present is None else filled(Practice, present),
        cycles_against_age=price.advantage,
        rate_of_use=_rate_of_use(facts),
        either=make_either(facts),
        as_of_notes=as_of_notes(facts),
    )


def _limit(limit: Threshold) -> Limit:
    return filled(Limit, limit, sentence=describe_threshold(limit))


def _curve(curve: FindCurve) -> FindCurveTold:
    return filled(FindCurveTold, curve)


def _rows(points: tuple[TradeOffPoint, ...]) -> list[TradeOffRow]:
    return [
        filled(TradeOffRow, p, retire_after=p.age_days if p.cycles is None else p.cycles)
        for p in points
    ]


def _rate_of_use(facts: Facts) -> RateOfUseTold:
    use = facts.use
    columns = (use.source_ids, use.held, use.cycles_per_year, use.first_cycles, use.first_age_days)
    by_source = [
        UseOfSource(
            source_id=name, held=held, cycles_per_year=a_year, first_cycles=cycles,
            first_age_days=age,
        )
        for name, held, a_year, cycles, age in zip(*columns, strict=True)
    ]  # fmt: skip
    return filled(RateOfUseTold, facts.price, by_source=by_source)


def make_either(facts: Facts) -> EitherRule | None:
    """``either`` of ``retire``, and of ``outcomes retire --either``; None without such a rule."""
    rule = either_rule(facts)
    if rule is None:
        return None
    (cycles, months), price = rule, facts.price
    point = price.combined[0] if price.combined else None
    single = (None, None) if point is None else alone(price, point)
    return filled(
        EitherRule,
        *(() if point is None else (point,)),
        cycles=cycles if point is None else point.cycles,
        age_days=months * DAYS_PER_MONTH if point is None else point.age_days,
        set_by="the two limits" if facts.asked.either is None else "asked for",
        confidence=price.confidence,
        cycles_alone=single[0],
        age_alone=single[1],
        sentence=describe_rule_by_both(price, cycles, months),
    )


def make_resampled(found: BootstrapThreshold) -> ResampledLimit:
    """One entry of ``bootstrap`` of ``outcomes retire --bootstrap --json``."""
    return filled(ResampledLimit, found, sentence=describe_resampled_limit(found))


def make_explained(
    explanation: Explanation, held: ShelfSource | None, confidence: float
) -> ExplainedSource:
    """``explain`` of ``outcomes retire --explain SOURCE --json``."""
    return filled(
        ExplainedSource,
        explanation,
        held=held is not None,
        advice=None if held is None else held.advice,
        confidence=confidence,
    )
