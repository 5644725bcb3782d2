"""The terms that a model of finds may have: on what scale, in which order they are tried."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.records.checking.rules import LATE_LOG_DAYS

UNLOGGED = "undocumented_days"


@dataclass(frozen=True, slots=True)
class Number:
    """A number: what one step is, its scale, where that is 0 (None: the median), least spread."""

    term: str
    unit: str
    divisor: float
    transform: Callable[[pd.Series], pd.Series]
    reference: float | None
    least_spread: float


def _as_is(values: pd.Series) -> pd.Series:
    return values.astype(float)


def unlogged_days(values: pd.Series) -> pd.Series:
    """Days in store before the log begins; 0 where it begins in time."""
    days = values.astype(float)
    return days.where(~(days <= LATE_LOG_DAYS), 0.0)


def _log2_minutes(values: pd.Series) -> pd.Series:
    return pd.Series(np.log2(values.astype(float).clip(lower=1.0)))


def _log2_ratio(values: pd.Series) -> pd.Series:
    return pd.Series(np.log2(values.astype(float)))


def _log2_count(values: pd.Series) -> pd.Series:
    return pd.Series(np.log2(values.astype(float) + 1.0))


def _log2_grams(values: pd.Series) -> pd.Series:
    return pd.Series(np.log2(_numbers(values).clip(lower=1.0)))


def _log2_hours(values: pd.Series) -> pd.Series:
    # A source that was never frozen has none: 0, with the share of its storage spent frozen beside.
    return pd.Series(np.log2(values.astype(float).fillna(0.0) + 1.0))


def _of_the_usual(values: pd.Series) -> pd.Series:
    # A source that was never frozen has no freezer: the usual one.
    degrees = _numbers(values)
    return degrees.fillna(degrees.median()) if degrees.notna().any() else degrees


def _numbers(values: pd.Series) -> pd.Series:
    return pd.Series(pd.to_numeric(values, errors="coerce").astype(float))


NUMBERS: Mapping[str, Number] = {
    **{
        e.name: Number(e.name, e.unit, e.divisor, _as_is, 0.0, 0.0) for e in CYCLES_AND_AGE.values()
    },
    # Thaws before the log begins are not counted: older sources, with most of them, would make
    # age stand in for cycles. How long went unlogged stands for them instead.
    UNLOGGED: Number(UNLOGGED, "30 days", 30.0, unlogged_days, 0.0, 0.0),
    # A tenth of the range between the outer twentieths, or the term is mostly noise.
    "frozen_share": Number("frozen_share", "0.1", 0.1, _as_is, None, 0.1),
    # Sources that take turns do not differ in it; by chance alone others differ by more.
    "use_ratio": Number("use_ratio", "doubling", 1.0, _log2_ratio, None, 0.5),
    "set_min": Number("set_min", "doubling", 1.0, _log2_minutes, None, 0.0),
    # Where all are tried within hours of the thaw it tells frozen from never frozen, and no more.
    "hours_since_thaw": Number("hours_since_thaw", "doubling", 1.0, _log2_hours, None, 1.0),
    "first_mass_g": Number("first_mass_g", "doubling", 1.0, _log2_grams, None, 0.0),
    "freezer_c": Number("freezer_c", "5 °C", 5.0, _of_the_usual, None, 1.0),
    "depth_cm": Number("depth_cm", "10 cm", 10.0, _as_is, None, 0.0),
    "met_before": Number("met_before", "doubling", 1.0, _log2_count, 0.0, 0.0),
    "temperature_c": Number("temperature_c", "10 °C", 10.0, _as_is, None, 0.0),
    "humidity_pct": Number("humidity_pct", "10 %", 10.0, _as_is, None, 0.0),
    "wind_m_s": Number("wind_m_s", "1 m/s", 1.0, _as_is, None, 0.0),
    "experience": Number("experience", "doubling", 1.0, _log2_count, None, 0.0),
}


def values_of(term: str, trials: pd.DataFrame) -> pd.Series:
    """A number of each trial on the scale of its term."""
    values = trials[term]
    if term == "depth_cm" and "placement" in trials:
        # What was not buried has no depth.
        placed = trials["placement"].notna() & trials["placement"].ne("buried")
        values = values.mask(values.isna() & placed, 0.0)
    return NUMBERS[term].transform(values)


WORDS = ("kind", "blinding", "setting", "placement")
# Exposures first, then what is most often entangled with them: storage and the calendar.
ORDER = (
    UNLOGGED,
    "kind",
    "frozen_share",
    "experience",
    "use_ratio",
    "set_min",
    "hours_since_thaw",
    "first_mass_g",
    "freezer_c",
    "blinding",
    "setting",
    "placement",
    "depth_cm",
    "temperature_c",
    "humidity_pct",
    "wind_m_s",
)
