"""How long sources stay reliable, as plain values for results.json."""

from __future__ import annotations

from typing import Any

from outcomes.analysis.monitoring.charts import Watch
from outcomes.answers.lifetimes import Lasting
from outcomes.models.ratio import Estimate
from outcomes.report.further_results import fields
from outcomes.wording.lifetime_regression import (
    describe_cycles_at_age,
    describe_next_cycles,
    describe_storage_lifetimes,
)
from outcomes.wording.watch import describe_watch


def lifetime_additions(lasting: Lasting) -> dict[str, Any]:
    """What belongs to the section ``lifetime``."""
    weibull, at_age, per_cycle = lasting.weibull, lasting.cycles_at_age, lasting.next_cycles
    return {
        "terms": [
            *(_term(t, "time_ratio") for t in weibull.terms),
            *(_term(t, "hazard_ratio") for t in at_age.terms),
        ],
        "rule_false_call_as_searched": {str(k): v for k, v in lasting.rule_false_call.items()},
        "weibull": {
            **fields(weibull, "sources events shape"),
            "left_out": [fields(x, "term reason") for x in weibull.left_out],
            "reason": weibull.reason,
            "sentence": describe_storage_lifetimes(weibull),
        },
        "cycles_at_age": {
            **fields(at_age, "sources events"),
            "left_out": [fields(x, "term reason") for x in at_age.left_out],
            "reason": at_age.reason,
            "sentence": describe_cycles_at_age(at_age),
        },
        "cycle_by_cycle": {
            **fields(per_cycle, "sources events cycles"),
            "terms": [_term(t, "hazard_ratio") for t in per_cycle.terms],
            "next_cycles": [
                fields(n, "after within probability low high at_risk")
                for n in per_cycle.next_cycles
            ],
            "left_out": [fields(x, "term reason") for x in per_cycle.left_out],
            "reason": per_cycle.reason,
            "sentence": describe_next_cycles(per_cycle),
        },
    }


def _term(term: Estimate, name: str) -> dict[str, Any]:
    return {**fields(term, "term unit"), name: term.ratio, **fields(term, "low high p")}


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
