"""Which trials can tell about storage, and what is known of the source of each."""

from __future__ import annotations

import numpy as np
import pandas as pd

from outcomes.analysis.finds.terms import UNLOGGED
from outcomes.analysis.finds.terms import unlogged_days as unlogged_days
from outcomes.analysis.results import LeftOut
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.records.checking.rules import LATE_LOG_DAYS
from outcomes.text import count


def on_late_logs(trials: pd.DataFrame) -> np.ndarray:
    """Trials on sources whose storage log begins late, shape (n,), bool.

    Parameters
    ----------
    trials
        Joined trials; without ``undocumented_days``, or where it is missing, none.

    Examples
    --------
    >>> on_late_logs(pd.DataFrame({"undocumented_days": [30.0, 31.0, np.nan]}))
    array([False,  True, False])
    """
    if UNLOGGED not in trials:
        return np.zeros(len(trials), dtype=bool)
    return np.asarray((trials[UNLOGGED] > LATE_LOG_DAYS).to_numpy(dtype=bool))


def kinds_of(trials: pd.DataFrame) -> np.ndarray:
    """Kind of each trial's source, shape (n,); "not recorded" where it is missing."""
    if "kind" not in trials:
        return np.full(len(trials), "not recorded", dtype=object)
    return np.asarray(trials["kind"].fillna("not recorded").astype(str).to_numpy())


def unassisted_hides(trials: pd.DataFrame) -> pd.DataFrame:
    """Trials with a source, of finds and misses, in which the dog was not helped."""
    hides = trials[trials["result"].isin(["find", "miss"]) & trials["source_id"].notna()]
    if "assisted" not in hides:
        return hides
    return hides[~hides["assisted"].astype("boolean").fillna(False).astype(bool)]


def usable_trials(trials: pd.DataFrame) -> tuple[pd.DataFrame, tuple[LeftOut, ...]]:
    """Hide trials that were not assisted and whose source's storage is on record.

    Parameters
    ----------
    trials
        Joined trials.

    Returns
    -------
    trials, left_out
        The trials that can tell about storage, and how many cannot, by reason.
    """
    hides = trials[trials["result"].isin(["find", "miss"]) & trials["source_id"].notna()]
    left_out: list[LeftOut] = []
    if "assisted" in hides:
        assisted = hides["assisted"].fillna(False).astype(bool)
        if assisted.any():
            left_out.append(LeftOut("trials", f"{_trials(assisted)}: the dog was helped"))
            hides = hides[~assisted]
    documented = hides["documented"].fillna(False).astype(bool)
    if not documented.all():
        reason = (
            f"{_trials(~documented)}: the storage log does not say where the source was by then"
        )
        left_out.append(LeftOut("trials", reason))
        hides = hides[documented]
    unknown = hides[list(CYCLES_AND_AGE)].isna().any(axis=1)
    if unknown.any():
        left_out.append(
            LeftOut("trials", f"{_trials(unknown)}: cycles or age could not be derived")
        )
        hides = hides[~unknown]
    return hides, tuple(left_out)


def _trials(which: pd.Series) -> str:
    return count(int(which.sum()), "trial")
