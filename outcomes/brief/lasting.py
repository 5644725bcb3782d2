"""How long sources stay reliable, asked further: regimes, cycles, other rules, charts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from outcomes.brief.further_results import fields
from outcomes.brief.further_words import kind_log_rank_sentence, log_rank_sentence
from outcomes.fit.alternative_rules import RuleComparison, RuleOutcome, compare_rules
from outcomes.fit.interval_lifetime import (
    IntervalCurve,
    IntervalLifetime,
    fit_interval_lifetime,
)
from outcomes.fit.interval_log_rank import (
    IntervalLogRank,
    KindLogRank,
    compare_interval_curves,
    compare_kinds,
)
from outcomes.fit.lifetime_model import (
    CycleHazard,
    CyclesAtAge,
    LifetimeTerm,
    WeibullLifetime,
    fit_cycle_hazard,
    fit_cycles_at_age,
    fit_weibull_lifetime,
)
from outcomes.fit.restricted_mean import (
    GroupMean,
    RestrictedMeans,
    compare_restricted_means,
    mean_by_group,
)
from outcomes.fit.result import Lifetime
from outcomes.fit.terms import on_late_logs
from outcomes.fit.watch import Watch, watch
from outcomes.settings import Settings


@dataclass(frozen=True, slots=True)
class Lasting:
    """How long sources stay reliable, beyond the curves drawn.

    Attributes
    ----------
    intervals
        Curves with every event anywhere between two trials.
    means
        Refrigerated and frozen over the same span of days.
    group_means
        Each regime and kind over its own days.
    log_rank
        Whether the two share one curve, each event anywhere between two trials.
    kind_log_rank
        Whether kinds share one curve.
    weibull, cycles_at_age, next_cycles
        Regime, cycles at a given age, and cycle by cycle.
    watched
        Charts of every source and every dog.
    rules
        The unit's rule for unreliable beside two others.
    """

    intervals: IntervalLifetime
    means: RestrictedMeans
    group_means: tuple[GroupMean, ...]
    log_rank: IntervalLogRank
    kind_log_rank: KindLogRank
    weibull: WeibullLifetime
    cycles_at_age: CyclesAtAge
    next_cycles: CycleHazard
    watched: Watch
    rules: RuleComparison


def _late_logs(trials: pd.DataFrame) -> set[str]:
    return set(trials["source_id"][on_late_logs(trials)].astype(str))


# Each part by itself: what a figure shows of it is worked out without the rest.
_PARTS: Mapping[str, Callable[[pd.DataFrame, Lifetime, Settings], Any]] = {
    "intervals": lambda _, lifetime, settings: fit_interval_lifetime(lifetime, settings),
    "means": lambda _, lifetime, settings: compare_restricted_means(lifetime, settings),
    "group_means": lambda _, lifetime, settings: mean_by_group(lifetime, settings),
    "log_rank": lambda _, lifetime, __: compare_interval_curves(lifetime),
    "kind_log_rank": lambda _, lifetime, __: compare_kinds(lifetime),
    "weibull": lambda _, lifetime, settings: fit_weibull_lifetime(lifetime, settings),
    "cycles_at_age": lambda trials, _, settings: fit_cycles_at_age(trials, settings),
    "next_cycles": lambda trials, lifetime, settings: fit_cycle_hazard(
        lifetime, settings, _late_logs(trials)
    ),
    "watched": lambda trials, _, settings: watch(trials, settings),
    "rules": lambda trials, _, settings: compare_rules(trials, watch(trials, settings), settings),
}


def ask_part(name: str, trials: pd.DataFrame, lifetime: Lifetime, settings: Settings) -> Any:
    """Ask for one part of :class:`Lasting` alone.

    Parameters
    ----------
    name
        An attribute of ``Lasting``.
    trials, lifetime, settings
        As for :func:`ask_lasting`.
    """
    return _PARTS[name](trials, lifetime, settings)


def ask_lasting(trials: pd.DataFrame, lifetime: Lifetime, settings: Settings) -> Lasting:
    """Ask it of the joined trials and the lifetimes made of them."""
    watched = watch(trials, settings)
    known: dict[str, Any] = {"watched": watched, "rules": compare_rules(trials, watched, settings)}
    asked = (name for name in _PARTS if name not in known)
    return Lasting(**known, **{name: ask_part(name, trials, lifetime, settings) for name in asked})


def lifetime_additions(lasting: Lasting, alpha: float) -> dict[str, Any]:
    """What belongs to the section ``lifetime``."""
    intervals, means = lasting.intervals, lasting.means
    weibull, at_age, per_cycle = lasting.weibull, lasting.cycles_at_age, lasting.next_cycles
    return {
        "terms": [
            *(_term(t, "time_ratio") for t in weibull.terms),
            *(_term(t, "hazard_ratio") for t in at_age.terms),
        ],
        "intervals": {
            **fields(intervals, "sources events"),
            "curves": [_curve(c) for c in intervals.curves],
            "not_drawn": dict(intervals.not_drawn),
            "bounds": [
                fields(
                    b,
                    "group discarded at_days as_seen if_failed if_never median_if_failed "
                    "median_if_never",
                )
                for b in intervals.bounds
            ],
            **fields(intervals, "resamples reason sentence"),
        },
        "restricted_means": {
            **fields(means, "from_days to_days"),
            "means": [
                fields(m, "group sources events days std_error low high") for m in means.means
            ],
            **fields(
                means,
                "difference_days difference_low difference_high difference_p log_rank log_rank_p "
                "reason sentence",
            ),
            "by_group": [
                fields(m, "group by from_days to_days sources events days std_error low high")
                for m in lasting.group_means
            ],
        },
        "interval_log_rank": {
            "sources": dict(lasting.log_rank.sources),
            "events": dict(lasting.log_rank.events),
            **fields(lasting.log_rank, "z p variance late_entry reason"),
            "sentence": log_rank_sentence(lasting.log_rank, alpha),
        },
        "kind_log_rank": {
            "sources": dict(lasting.kind_log_rank.sources),
            "events": dict(lasting.kind_log_rank.events),
            "expected": dict(lasting.kind_log_rank.expected),
            "left_out": dict(lasting.kind_log_rank.left_out),
            **fields(lasting.kind_log_rank, "statistic p variance reason"),
            "sentence": kind_log_rank_sentence(lasting.kind_log_rank, alpha),
        },
        "weibull": {
            **fields(weibull, "sources events shape"),
            "left_out": [fields(x, "term reason") for x in weibull.left_out],
            **fields(weibull, "reason sentence"),
        },
        "cycles_at_age": {
            **fields(at_age, "sources events"),
            "left_out": [fields(x, "term reason") for x in at_age.left_out],
            **fields(at_age, "reason sentence"),
        },
        "cycle_by_cycle": {
            **fields(per_cycle, "sources events cycles"),
            "terms": [_term(t, "hazard_ratio") for t in per_cycle.terms],
            "next_cycles": [
                fields(n, "after within probability low high at_risk")
                for n in per_cycle.next_cycles
            ],
            "left_out": [fields(x, "term reason") for x in per_cycle.left_out],
            **fields(per_cycle, "reason sentence"),
        },
        "rules": {
            "baseline": lasting.rules.baseline,
            "simulated_finds": lasting.rules.simulated_finds,
            "rules": [_rule(r) for r in lasting.rules.rules],
            **fields(lasting.rules, "by_all by_any sentence"),
        },
    }


def _term(term: LifetimeTerm, name: str) -> dict[str, Any]:
    return {**fields(term, "term unit"), name: term.ratio, **fields(term, "low high p")}


def _curve(curve: IntervalCurve) -> dict[str, Any]:
    names = "group by sources events median_after median median_low median_high"
    points = "cell_from time probability low high at_risk"
    return {**fields(curve, names), "points": [fields(p, points) for p in curve.points]}


def _rule(rule: RuleOutcome) -> dict[str, Any]:
    def by_trials(shares: Mapping[int, float]) -> dict[str, float]:
        return {str(number): share for number, share in shares.items()}

    return {
        **fields(rule, "name rule sources"),
        "called": [
            {**fields(c, "source_id trial_id held_days"), "started_at": c.started_at.isoformat()}
            for c in rule.called
        ],
        "false_call": by_trials(rule.false_call),
        "called_if_worse": by_trials(rule.called_if_worse),
        "false_call_as_searched": by_trials(rule.false_call_as_searched),
        "called_if_worse_as_searched": by_trials(rule.called_if_worse_as_searched),
        "reason": rule.reason,
    }


def watch_section(watched: Watch) -> dict[str, Any]:
    """The charts in short: which are past their limit, and what the limit means."""
    return {
        **fields(watched, "sentence reason odds_ratio false_call within source_limit dog_limit"),
        "past": [
            {
                "of": c.of,
                "name": c.name,
                "since": None if c.past_since is None else c.past_since.started_at.isoformat(),
                **fields(c, "misses expected_misses value limit"),
            }
            for c in watched.past
        ],
    }
