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
    from outcomes.analysis.searches.signal_detection import Detection
    from outcomes.analysis.searches.training_history import TrainingDiet
    from outcomes.answers.lifetimes import Lasting


def ask_search_time(trials: pd.DataFrame, settings: DecisionSettings) -> SearchTimeFit:
    """See :func:`outcomes.analysis.searches.search_time.fit_search_time`."""
    from outcomes.analysis.searches.search_time import fit_search_time

    return fit_search_time(trials, settings)


def ask_false_alerts(trials: pd.DataFrame, settings: DecisionSettings) -> FalseAlertFit:
    """See :func:`outcomes.analysis.searches.false_alerts.fit_false_alerts`."""
    from outcomes.analysis.searches.false_alerts import fit_false_alerts

    return fit_false_alerts(trials, settings)


def ask_training_diet(trials: pd.DataFrame, settings: DecisionSettings) -> TrainingDiet:
    """See :func:`outcomes.analysis.searches.training_history.fit_training_diet`."""
    from outcomes.analysis.searches.training_history import fit_training_diet

    return fit_training_diet(trials, settings)


def ask_detection(trials: pd.DataFrame, settings: DecisionSettings) -> Detection:
    """See :func:`outcomes.analysis.searches.signal_detection.fit_detection`."""
    from outcomes.analysis.searches.signal_detection import fit_detection

    return fit_detection(trials, settings)


def ask_lasting(trials: pd.DataFrame, lifetime: Lifetime, settings: DecisionSettings) -> Lasting:
    """See :func:`outcomes.answers.lifetimes.ask_lasting`."""
    from outcomes.answers import lifetimes as lasting

    return lasting.ask_lasting(trials, lifetime, settings)
