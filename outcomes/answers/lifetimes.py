"""How long sources stay reliable, asked further: regimes, and cycles."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from outcomes.analysis.finds.usable_trials import on_late_logs
from outcomes.analysis.lifetimes.regression import (
    CycleHazard,
    CyclesAtAge,
    WeibullLifetime,
    fit_cycle_hazard,
    fit_cycles_at_age,
    fit_weibull_lifetime,
)
from outcomes.analysis.results import Lifetime
from outcomes.settings import DecisionSettings


@dataclass(frozen=True, slots=True)
class Lasting:
    """How long sources stay reliable, beyond the curves drawn.

    Attributes
    ----------
    weibull, cycles_at_age, next_cycles
        Regime, cycles at a given age, and cycle by cycle.
    """

    weibull: WeibullLifetime
    cycles_at_age: CyclesAtAge
    next_cycles: CycleHazard


def _late_logs(trials: pd.DataFrame) -> set[str]:
    return set(trials["source_id"][on_late_logs(trials)].astype(str))


def ask_lasting(trials: pd.DataFrame, lifetime: Lifetime, settings: DecisionSettings) -> Lasting:
    """Ask it of the joined trials and the lifetimes made of them."""
    return Lasting(
        weibull=fit_weibull_lifetime(lifetime, settings),
        cycles_at_age=fit_cycles_at_age(trials, lifetime, settings),
        next_cycles=fit_cycle_hazard(lifetime, settings, _late_logs(trials)),
    )
