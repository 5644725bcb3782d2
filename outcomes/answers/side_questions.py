"""Questions beside that of finds, each loading what answers it when it is asked.

A process that only puts them to another need not load any of it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import logit

from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.random_streams import random_stream
from outcomes.settings import DecisionSettings

if TYPE_CHECKING:
    from outcomes.analysis.finds.model import FindFit
    from outcomes.analysis.results import Lifetime
    from outcomes.analysis.searches.false_alerts import FalseAlertFit
    from outcomes.analysis.searches.search_time import SearchTimeFit
    from outcomes.answers.lifetimes import Lasting


def ask_search_time(fit: FindFit) -> SearchTimeFit:
    """How soon finds come, with the share found by every minute.

    See :func:`outcomes.analysis.searches.search_time.fit_search_time` and
    :func:`outcomes.analysis.searches.share_found.share_found`.
    """
    from outcomes.analysis.decisions.curve import met_at_all, reach_of, standardised
    from outcomes.analysis.finds.terms import UNLOGGED
    from outcomes.analysis.finds.usable_trials import kinds_of
    from outcomes.analysis.searches.search_time import fit_search_time, time_limits
    from outcomes.analysis.searches.share_found import plan_share_found, share_found

    found = fit_search_time(fit)
    if found.how_soon is None or fit.reduced is None:
        return replace(found, no_curve=found.reason or fit.reason)
    design, trials, confidence = fit.design, fit.design.trials, 1.0 - found.alpha
    exposure = next((e for e in CYCLES_AND_AGE if design.column_of(e) is not None), None)
    if exposure is None:
        return replace(found, no_curve="neither cycles nor age is a term of the model of finds")
    met = met_at_all(trials, exposure)
    position = design.column_of(exposure)
    kinds = () if position is None else design.columns[position - 1].kinds or ()
    if kinds:
        met = met & np.isin(kinds_of(trials), kinds)
    plan = plan_share_found(trials, time_limits(trials), exposure, met)
    if plan is None:
        return replace(found, no_curve="no time limit is on record")
    by_limit, low, high = standardised(
        design, fit.reduced, exposure, plan.at, confidence, plan.rows
    )
    error = (logit(high) - logit(low)) / (2.0 * reach_of(design, confidence))
    other = "number of cycles" if exposure == "age_days" else "age"
    held = f"same dogs, sources, conditions and {other}"
    if design.column_of(UNLOGGED) is not None:
        held += "; as if every source had been logged from the start"
    rng = random_stream(fit.settings.seed, "share found")
    curve = share_found(trials, plan, found.how_soon, by_limit, error, confidence, held, rng)
    return replace(found, curve=replace(curve, kinds=kinds))


def ask_false_alerts(trials: pd.DataFrame, settings: DecisionSettings) -> FalseAlertFit:
    """See :func:`outcomes.analysis.searches.false_alerts.fit_false_alerts`."""
    from outcomes.analysis.searches.false_alerts import fit_false_alerts

    return fit_false_alerts(trials, settings)


def ask_lasting(trials: pd.DataFrame, lifetime: Lifetime, settings: DecisionSettings) -> Lasting:
    """See :func:`outcomes.answers.lifetimes.ask_lasting`."""
    from outcomes.answers import lifetimes as lasting

    return lasting.ask_lasting(trials, lifetime, settings)
