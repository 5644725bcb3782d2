"""How long sources stay reliable, asked further: regimes, cycles, other rules, charts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from outcomes.analysis.finds.design import on_late_logs
from outcomes.analysis.lifetimes.interval_censored import (
    IntervalLifetime,
    fit_interval_lifetime,
)
from outcomes.analysis.lifetimes.log_rank import (
    IntervalLogRank,
    KindLogRank,
    compare_interval_curves,
    compare_kinds,
)
from outcomes.analysis.lifetimes.regression import (
    CycleHazard,
    CyclesAtAge,
    WeibullLifetime,
    fit_cycle_hazard,
    fit_cycles_at_age,
    fit_weibull_lifetime,
)
from outcomes.analysis.lifetimes.restricted_mean import (
    GroupMean,
    RestrictedMeans,
    compare_restricted_means,
    mean_by_group,
)
from outcomes.analysis.lifetimes.rules_compared import RuleComparison, compare_rules
from outcomes.analysis.monitoring.charts import Watch, watch
from outcomes.analysis.results import Lifetime
from outcomes.settings import DecisionSettings


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
_PARTS: Mapping[str, Callable[[pd.DataFrame, Lifetime, DecisionSettings], Any]] = {
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


def ask_part(
    name: str, trials: pd.DataFrame, lifetime: Lifetime, settings: DecisionSettings
) -> Any:
    """Ask for one part of :class:`Lasting` alone.

    Parameters
    ----------
    name
        An attribute of ``Lasting``.
    trials, lifetime, settings
        As for :func:`ask_lasting`.
    """
    return _PARTS[name](trials, lifetime, settings)


def ask_lasting(trials: pd.DataFrame, lifetime: Lifetime, settings: DecisionSettings) -> Lasting:
    """Ask it of the joined trials and the lifetimes made of them."""
    watched = watch(trials, settings)
    known: dict[str, Any] = {"watched": watched, "rules": compare_rules(trials, watched, settings)}
    asked = (name for name in _PARTS if name not in known)
    return Lasting(**known, **{name: ask_part(name, trials, lifetime, settings) for name in asked})
