"""Find probabilities of any trials under a fit of finds."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.analysis.finds.design import Column, column_values
from outcomes.analysis.finds.model import FindFit
from outcomes.analysis.finds.terms import values_of
from outcomes.analysis.finds.usable_trials import kinds_of
from outcomes.models.averaged_probability import averaged_probability

_LABELS = {"dog": "dog_id", "source": "source_id"}


def predict_finds(fit: FindFit, trials: pd.DataFrame) -> pd.Series:
    """Probability of a find in each of these trials.

    Parameters
    ----------
    fit
        Fit of finds.
    trials
        With the columns of joined trials. A missing term counts at its reference (a number: its
        mean in the unit's trials). A dog or source that the fit knows has its own level; one that
        it does not know, or a missing one, is averaged over, as sessions and hides are.

    Returns
    -------
    pandas.Series
        Named ``find_probability``, with the index of ``trials``; missing without a model.
    """
    mixed = fit.reduced
    if mixed is None:
        return pd.Series(np.nan, trials.index, name="find_probability")
    columns = [_values(column, trials) for column in fit.design.columns]
    eta = np.column_stack([np.ones(len(trials)), *columns]) @ mixed.beta
    variance = np.zeros(len(trials))
    for grouping, sd in mixed.sd.items():
        own, unknown = np.zeros(len(trials)), np.full(len(trials), sd**2)
        label = _LABELS.get(grouping)
        if label in trials and grouping in mixed.effects:
            effects = mixed.effects[grouping]
            place = effects.index.get_indexer(pd.Index(trials[label].astype(object)))
            known = place >= 0
            own[known] = effects["effect"].to_numpy()[place[known]]
            unknown[known] = effects["std_error"].to_numpy()[place[known]] ** 2
        eta, variance = eta + own, variance + unknown
    found = averaged_probability(eta, np.sqrt(variance))[0]
    return pd.Series(found, trials.index, name="find_probability")


def _values(column: Column, trials: pd.DataFrame) -> np.ndarray:
    if column.kinds is None:
        return column_values(column, trials)
    if column.of not in trials:
        return np.zeros(len(trials))
    kinds = kinds_of(trials) if "kind" in trials else np.full(len(trials), "not recorded")
    values = column.at(values_of(column.of, trials).to_numpy(dtype=float))
    own: np.ndarray = np.nan_to_num(values, nan=0.0) * np.isin(kinds, column.kinds)
    return own
