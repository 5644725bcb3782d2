"""Questions that need no model of finds, each loading what answers it when it is asked.

A process that only puts them to another need not load any of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from outcomes.settings import Settings

if TYPE_CHECKING:
    from outcomes.brief.lasting import Lasting
    from outcomes.fit.detection import Detection
    from outcomes.fit.false_alerts import FalseAlertFit
    from outcomes.fit.result import Lifetime
    from outcomes.fit.search_time import SearchTimeFit
    from outcomes.fit.training_diet import TrainingDiet


def ask_search_time(trials: pd.DataFrame, settings: Settings) -> SearchTimeFit:
    """See :func:`outcomes.fit.search_time.fit_search_time`."""
    from outcomes.fit.search_time import fit_search_time

    return fit_search_time(trials, settings)


def ask_false_alerts(trials: pd.DataFrame, settings: Settings) -> FalseAlertFit:
    """See :func:`outcomes.fit.false_alerts.fit_false_alerts`."""
    from outcomes.fit.false_alerts import fit_false_alerts

    return fit_false_alerts(trials, settings)


def ask_training_diet(trials: pd.DataFrame, settings: Settings) -> TrainingDiet:
    """See :func:`outcomes.fit.training_diet.fit_training_diet`."""
    from outcomes.fit.training_diet import fit_training_diet

    return fit_training_diet(trials, settings)


def ask_detection(trials: pd.DataFrame, settings: Settings) -> Detection:
    """See :func:`outcomes.fit.detection.fit_detection`."""
    from outcomes.fit.detection import fit_detection

    return fit_detection(trials, settings)


def ask_lasting(trials: pd.DataFrame, lifetime: Lifetime, settings: Settings) -> Lasting:
    """See :func:`outcomes.brief.lasting.ask_lasting`."""
    from outcomes.brief import lasting

    return lasting.ask_lasting(trials, lifetime, settings)
