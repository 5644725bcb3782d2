"""Questions that need no model of finds, each loading what answers it when it is asked.

A process that only puts them to another need not load any of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from outcomes.settings import DecisionSettings

if TYPE_CHECKING:
    from outcomes.analysis.results import Lifetime
    from outcomes.analysis.searches.false_alerts import FalseAlertFit
    from outcomes.analysis.searches.search_time import SearchTimeFit
    from outcomes.answers.lifetimes import Lasting


def ask_search_time(trials: pd.DataFrame, settings: DecisionSettings) -> SearchTimeFit:
    """See :func:`outcomes.analysis.searches.search_time.fit_search_time`."""
    from outcomes.analysis.searches.search_time import fit_search_time

    return fit_search_time(trials, settings)


def ask_false_alerts(trials: pd.DataFrame, settings: DecisionSettings) -> FalseAlertFit:
    """See :func:`outcomes.analysis.searches.false_alerts.fit_false_alerts`."""
    from outcomes.analysis.searches.false_alerts import fit_false_alerts

    return fit_false_alerts(trials, settings)


def ask_lasting(trials: pd.DataFrame, lifetime: Lifetime, settings: DecisionSettings) -> Lasting:
    """See :func:`outcomes.answers.lifetimes.ask_lasting`."""
    from outcomes.answers import lifetimes as lasting

    return lasting.ask_lasting(trials, lifetime, settings)
