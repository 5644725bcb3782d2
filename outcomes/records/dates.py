"""Trials that have a date and no time of day."""

from __future__ import annotations

from typing import Any

import numpy.typing as npt
import pandas as pd

AT_THIS_TIME = "at this time"
ALL_DAY = "all of that day (the trial has no time of day)"
"""When the log has a source in the freezer that a trial was held with."""


def dated_only(trials: pd.DataFrame) -> npt.NDArray[Any]:
    """True where a trial has a date and no time of day, shape (n,).

    A time of 00:00 is a date alone, except where ``at_midnight``, if there is
    such a column, says that 00:00 is what was meant.
    """
    started_at = trials["started_at"]
    dated: npt.NDArray[Any] = (started_at == started_at.dt.normalize()).to_numpy(dtype=bool)
    if "at_midnight" in trials:
        dated &= ~trials["at_midnight"].to_numpy(dtype=bool)
    return dated
