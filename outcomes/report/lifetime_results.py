"""How long sources stay reliable, as plain values for results.json."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from outcomes.analysis.lifetimes.interval_censored import (
    IntervalCurve,
)
from outcomes.analysis.lifetimes.regression import (
    LifetimeTerm,
)
from outcomes.analysis.lifetimes.rules_compared import RuleOutcome
from outcomes.analysis.monitoring.charts import Watch
from outcomes.answers.lifetimes import Lasting
from outcomes.report.further_results import fields
from outcomes.wording.sensitivity import kind_log_rank_sentence, log_rank_sentence
from outcomes.wording.watch import describe_watch


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
        "sentence": describe_watch(watched),
        **fields(watched, "reason odds_ratio false_call within source_limit dog_limit"),
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
