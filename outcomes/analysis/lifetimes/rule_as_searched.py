"""How often the reliability rule calls sources that never change, searched as this unit does."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.analysis.lifetimes.kaplan_meier import FALSE_CALL_TRIALS
from outcomes.analysis.monitoring.charts import learn_unchanging
from outcomes.models.cusum import simulate_misses
from outcomes.settings import DecisionSettings

_SOURCES = 4000


def rule_false_call_as_searched(
    trials: pd.DataFrame, settings: DecisionSettings
) -> dict[int, float]:
    """Share of unchanging sources that the rule calls within so many trials.

    By simulation of sources that differ and are searched as here: several dogs at one hide,
    good days and bad ones (:func:`outcomes.analysis.monitoring.charts.learn_unchanging`), where
    :func:`outcomes.analysis.lifetimes.rule.rule_false_call` takes trials as alike and
    independent.

    Parameters
    ----------
    trials
        Joined trials, as for :func:`outcomes.analysis.lifetimes.kaplan_meier.fit_lifetime`.
    settings
        Its ``rule`` and ``seed`` are used.

    Returns
    -------
    dict of int to float
        Number of trials → share; empty where too little is known of the searches.
    """
    unchanging = learn_unchanging(trials, settings)
    if unchanging is None:
        return {}
    most = max(FALSE_CALL_TRIALS)
    rng = np.random.default_rng(settings.seed + 2)
    missed, _ = simulate_misses(unchanging, most, _SOURCES, rng)
    total = np.concatenate([np.zeros((_SOURCES, 1), int), missed.cumsum(axis=1)], axis=1)
    since = np.maximum(np.arange(1, most + 1) - settings.rule.window, 0)
    met = total[:, 1:] - total[:, since] >= settings.rule.misses
    return {n: float(met[:, :n].any(axis=1).mean()) for n in FALSE_CALL_TRIALS}
