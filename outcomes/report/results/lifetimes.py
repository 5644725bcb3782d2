"""``lifetime`` and ``watch``: how long sources stay reliable, and early warning."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from outcomes.analysis.monitoring.charts import Chart, Watch, WatchedTrial
from outcomes.analysis.results import LeftOut
from outcomes.answers.facts import Facts
from outcomes.answers.lifetimes import Lasting
from outcomes.models.ratio import Estimate as FittedEstimate
from outcomes.report.results.values import Estimate, Number, Ratio, filled
from outcomes.wording.lifetime import describe_lifetime, describe_rule_in_short
from outcomes.wording.lifetime_regression import (
    describe_cycles_at_age,
    describe_next_cycles,
    describe_storage_lifetimes,
)
from outcomes.wording.watch import describe_watch

Of = Literal["source", "dog"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupFollowed:
    """Sources of one group, and those that met the rule."""

    sources: int
    events: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveStep:
    """After ``time`` (days held) the probability holds until the next step of the group."""

    group: str
    time: float
    probability: Number
    low: Number
    high: Number
    at_risk: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ChanceAlone:
    """Sources that would meet the rule though nothing about them changed."""

    sources: Number
    low: Number
    high: Number
    confidence: float
    curve: tuple[CurveStep, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WeibullTold:
    """Refrigerated against frozen sources; ``shape`` above 1: the hazard rises with time."""

    sources: int
    events: int
    shape: Number
    left_out: tuple[LeftOut, ...]
    reason: str | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclesAtAgeTold:
    """Hazard against cycles among sources of the same age."""

    sources: int
    events: int
    left_out: tuple[LeftOut, ...]
    reason: str | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NextCyclesTold:
    """Of sources still reliable after ``after`` cycles, the share unreliable ``within`` more."""

    after: int
    within: int
    probability: Number
    low: Number
    high: Number
    at_risk: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleByCycle:
    """The hazard from one cycle to the next, over so many ``cycles`` of all sources."""

    sources: int
    events: int
    cycles: int
    confidence: float
    terms: tuple[Estimate, ...]
    next_cycles: tuple[NextCyclesTold, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LifetimeSection:
    """Sources until they count as unreliable by the rule.

    Attributes
    ----------
    rule_false_call, rule_false_call_as_searched
        Number of trials → share of unchanging sources called unreliable within so many:
        each trial found with probability ``baseline``, and searched as here.
    chance_alone
        Not asked yet: null.
    confidence
        Of the limits of ``curve``, two-sided.
    median
        Group → days held; null where its curve does not fall to one half.
    not_drawn
        Group → why it has no curve.
    terms
        Ratios of times (regime, kind) and of hazards (cycles at the same age).
    """

    rule: str
    rule_false_call: dict[str, float]
    rule_false_call_as_searched: dict[str, float]
    chance_alone: ChanceAlone | None = None
    baseline: Number
    sources: int
    events: int
    by_group: dict[str, GroupFollowed]
    confidence: float
    curve: tuple[CurveStep, ...]
    median: dict[str, Number]
    not_drawn: dict[str, str]
    terms: tuple[Estimate, ...]
    sentence: str
    weibull: WeibullTold
    cycles_at_age: CyclesAtAgeTold
    cycle_by_cycle: CycleByCycle


@dataclass(frozen=True, slots=True, kw_only=True)
class PastChart:
    """A chart past its limit, and the start of the trial it has been so since, ISO 8601."""

    of: Of
    name: str
    since: str | None
    misses: int
    expected_misses: Number
    value: float
    limit: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PastChartOf(PastChart):
    """The same, and whether a source is still held; null for a dog."""

    held: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchSection:
    """Early warning in short.

    Attributes
    ----------
    sources_past, dogs_past
        Charts past their limit; those ``past`` are named, the longest so first.
    odds_ratio
        The change looked for: odds of a miss so many times as high.
    false_call, within
        Share of charts on which nothing changes that pass their limit within so many trials.
    source_limit, dog_limit
        Null without charts.
    """

    sources_past: int
    dogs_past: int
    past: tuple[PastChart, ...]
    sentence: str
    reason: str | None
    odds_ratio: float
    false_call: float
    within: int
    source_limit: Number
    dog_limit: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchedTrialTold:
    """One trial: what was expected of it, what it adds to the chart, and the chart after it."""

    trial_id: str
    started_at: str
    source_id: str
    dog_id: str
    result: Literal["find", "miss"]
    expected: float
    score: float
    value: float
    in_baseline: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartTold:
    """The chart of one source or dog; ``moved_by``: the misses since it last stood at zero."""

    of: Of
    name: str
    limit: float
    value: float
    misses: int
    expected_misses: Number
    past_since: str | None
    ever_past: bool
    moved_by: tuple[str, ...]
    trials: tuple[WatchedTrialTold, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """The first trials on record, from which expected finds were learnt, by these terms."""

    trials: int
    misses: int
    first: str | None
    last: str | None
    terms: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchCharts(WatchSection):
    """``watch`` of ``outcomes watch --json``: with every chart, and sources no longer held."""

    past: tuple[PastChartOf, ...]
    baseline: Baseline
    left_out: tuple[LeftOut, ...]
    no_longer_held: tuple[str, ...]
    sources: tuple[ChartTold, ...]
    dogs: tuple[ChartTold, ...]


def make_lifetime(facts: Facts) -> LifetimeSection:
    """``lifetime``."""
    lifetime, lasting = facts.lifetime, facts.lasting
    confidence = 1.0 - facts.settings.alpha
    return filled(
        LifetimeSection,
        lifetime,
        lasting,
        rule=describe_rule_in_short(lifetime),
        sentence=describe_lifetime(lifetime),
        weibull=filled(
            WeibullTold, lasting.weibull, sentence=describe_storage_lifetimes(lasting.weibull)
        ),
        cycles_at_age=filled(
            CyclesAtAgeTold,
            lasting.cycles_at_age,
            sentence=describe_cycles_at_age(lasting.cycles_at_age),
        ),
        rule_false_call_as_searched=lasting.rule_false_call,
        by_group={
            group: GroupFollowed(sources=sources, events=events)
            for group, (sources, events) in lifetime.by_group.items()
        },
        confidence=confidence,
        terms=[
            *(_term(term, "time", confidence) for term in lasting.weibull.terms),
            *(_term(term, "hazard", confidence) for term in lasting.cycles_at_age.terms),
        ],
        cycle_by_cycle=_cycle_by_cycle(lasting, confidence),
    )


def _cycle_by_cycle(lasting: Lasting, confidence: float) -> CycleByCycle:
    found = lasting.next_cycles
    terms = [_term(term, "hazard", confidence) for term in found.terms]
    return filled(
        CycleByCycle,
        found,
        confidence=confidence,
        terms=terms,
        sentence=describe_next_cycles(found),
    )


def _term(term: FittedEstimate, ratio_of: Ratio, confidence: float) -> Estimate:
    return filled(Estimate, term, ratio_of=ratio_of, log_odds=None, confidence=confidence)


def make_watch(found: Watch) -> WatchSection:
    """``watch``: which charts are past their limit, and what the limit means."""
    past = [c.of for c in found.past]
    return filled(
        WatchSection,
        found,
        sources_past=past.count("source"),
        dogs_past=past.count("dog"),
        past=[filled(PastChart, chart, since=_began(chart.past_since)) for chart in found.past],
        sentence=describe_watch(found),
    )


def make_watch_charts(found: Watch, gone: Collection[str]) -> WatchCharts:
    """The same with every chart.

    Parameters
    ----------
    found
        The charts.
    gone
        Sources on a chart that are no longer held.
    """
    short = make_watch(found)
    return filled(
        WatchCharts,
        short,
        found,
        past=[
            filled(PastChartOf, one, held=one.name not in gone if one.of == "source" else None)
            for one in short.past
        ],
        baseline=Baseline(
            trials=found.baseline_trials,
            misses=found.baseline_misses,
            first=None if found.baseline_from is None else found.baseline_from.isoformat(),
            last=None if found.baseline_to is None else found.baseline_to.isoformat(),
            terms=found.learnt,
        ),
        no_longer_held=sorted(gone),
        sources=[_chart(chart) for chart in found.sources],
        dogs=[_chart(chart) for chart in found.dogs],
    )


def _began(trial: WatchedTrial | None) -> str | None:
    return None if trial is None else str(trial.started_at.isoformat())


def _chart(chart: Chart) -> ChartTold:
    return filled(
        ChartTold,
        chart,
        past_since=_began(chart.past_since),
        moved_by=[trial.trial_id for trial in chart.moved_by],
        trials=[
            filled(WatchedTrialTold, trial, result="find" if trial.found else "miss")
            for trial in chart.trials
        ],
    )
