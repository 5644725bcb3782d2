"""``lifetime`` and ``watch``: how long sources stay reliable, and early warning."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from outcomes.analysis.lifetimes.chance import BAND
from outcomes.analysis.monitoring.charts import Chart, Watch, WatchedTrial
from outcomes.analysis.results import ChancePoint, ChanceVerdict, LeftOut
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
    """Sources that would meet the rule though nothing about them changed, by simulation.

    Attributes
    ----------
    sources
        Their mean number; ``low`` to ``high`` is the middle ``confidence`` of the worlds.
    p, told
        Share of the worlds with as many sources or more, and what is told of it.
    curve
        Share still reliable in such worlds.
    """

    sources: Number
    low: Number
    high: Number
    confidence: float
    p: float
    worlds: int
    told: ChanceVerdict
    curve: tuple[ChancePoint, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleTold:
    """The rule, within how many ``trials`` it errs how often, and how soon it sees a fall.

    Attributes
    ----------
    chosen
        From the unit's finds; else the unit set it.
    false_call
        Of sources found at ``baseline``, the share called within ``trials``.
    fall_to, seen, delay
        Of sources that fall to that, the share called within 20 trials, and trials until then.
    """

    misses: int
    window: int
    qualified_only: bool
    chosen: bool
    trials: int
    false_call: Number
    fall_to: float
    seen: float
    delay: Number


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
    """The hazard from one cycle to the next, over so many ``cycles`` of all sources.

    ``next_cycles`` is empty, and ``not_told`` says why, where finds go with age alone.
    """

    sources: int
    events: int
    cycles: int
    confidence: float
    terms: tuple[Estimate, ...]
    next_cycles: tuple[NextCyclesTold, ...]
    left_out: tuple[LeftOut, ...]
    reason: str | None
    not_told: str | None
    sentence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LifetimeSection:
    """Sources until they count as unreliable by the rule.

    Attributes
    ----------
    rule_false_call
        Number of trials → share of unchanging sources called unreliable within so many,
        each trial found with probability ``baseline``.
    rule_in_use
        The same in numbers; null where none errs seldom enough, and then nothing is drawn.
    chance_alone
        What chance alone would give; null without trials or a rule.
    baseline
        Find probability of a source that has not changed, by which the rule is judged.
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
    rule_in_use: RuleTold | None
    rule_false_call: dict[str, float]
    chance_alone: ChanceAlone | None
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
    """A chart that passed its limit, and the start of the trial by which it did, ISO 8601."""

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
        Charts that passed their limit within their last ``within`` trials; named in ``past``,
        sources and then dogs, each in order of name.
    by_chance
        How many of the charts would pass though nothing changed, by simulation.
    sources_seen, dogs_seen
        Share of changes of ``odds_ratio`` that the charts would see, by simulation; null
        without charts.
    odds_ratio
        The change looked for: odds of a miss so many times as high.
    false_call, within
        Share of charts on which nothing changes that pass their limit within so many trials.
    """

    sources_past: int
    dogs_past: int
    past: tuple[PastChart, ...]
    sentence: str
    reason: str | None
    odds_ratio: float
    false_call: float
    within: int
    by_chance: float
    sources_seen: Number
    dogs_seen: Number


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


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartTold:
    """The chart of one source or dog.

    Attributes
    ----------
    earlier
        Trials before those charted, by which its own effect is known.
    moved_by
        The misses that took the chart to its highest value.
    by_chance, seen
        Share of simulated runs that pass the limit: while nothing changes, and with the
        change looked for.
    """

    of: Of
    name: str
    limit: float
    value: float
    misses: int
    expected_misses: Number
    past_since: str | None
    earlier: int
    by_chance: float
    seen: float
    moved_by: tuple[str, ...]
    trials: tuple[WatchedTrialTold, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WatchCharts(WatchSection):
    """``watch`` of ``outcomes watch --json``: with every chart, and sources no longer held."""

    past: tuple[PastChartOf, ...]
    left_out: tuple[LeftOut, ...]
    no_longer_held: tuple[str, ...]
    sources: tuple[ChartTold, ...]
    dogs: tuple[ChartTold, ...]


def make_lifetime(facts: Facts) -> LifetimeSection:
    """``lifetime``."""
    lifetime, lasting, side = facts.lifetime, facts.lasting, facts.side_tests
    confidence = 1.0 - facts.settings.alpha
    return filled(
        LifetimeSection,
        lifetime,
        lasting,
        rule=describe_rule_in_short(lifetime),
        rule_in_use=None if lifetime.rule is None else filled(RuleTold, lifetime.rule),
        chance_alone=None
        if lifetime.chance is None
        else filled(ChanceAlone, lifetime.chance, confidence=BAND[1] - BAND[0]),
        sentence=describe_lifetime(lifetime),
        weibull=filled(
            WeibullTold, lasting.weibull, sentence=describe_storage_lifetimes(lasting.weibull, side)
        ),
        cycles_at_age=filled(
            CyclesAtAgeTold,
            lasting.cycles_at_age,
            sentence=describe_cycles_at_age(lasting.cycles_at_age, side),
        ),
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
    """``watch``: which charts passed their limit, and what the limit means."""
    past = [c.of for c in found.past]
    return filled(
        WatchSection,
        found,
        sources_past=past.count("source"),
        dogs_past=past.count("dog"),
        sources_seen=found.seen("source"),
        dogs_seen=found.seen("dog"),
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
