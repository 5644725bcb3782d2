"""How a value of an exposure is told: cycles, months or days."""

from __future__ import annotations

from outcomes.exposure.cycles_and_age import CYCLES, ExposureName
from outcomes.text import DAYS_PER_MONTH, FEWEST_MONTHS, count, months


def exposure_value(exposure: ExposureName, value: float) -> str:
    """A value of an exposure in words: days below two months, a decimal below ten cycles.

    >>> exposure_value("cycles", 1.62), exposure_value("cycles", 20.4)
    ('1.6 cycles', '20 cycles')
    >>> exposure_value("age_days", 700.0), exposure_value("age_days", 18.3)
    ('23 months', '18 days')
    """
    if exposure == CYCLES.name:
        shown = f"{value:.1f}".removesuffix(".0") if value < 9.95 else f"{value:,.0f}"
        return f"{shown} {'cycle' if shown == '1' else 'cycles'}"
    return months(value) if value >= 2.0 * DAYS_PER_MONTH else count(round(value), "day")


def whole_limit(exposure: ExposureName, value: int) -> str:
    """A limit in words, never more than was shown: months are whole months gone by."""
    if exposure == CYCLES.name:
        return count(value, "cycle")
    gone_by = int(value / DAYS_PER_MONTH)
    return count(gone_by, "month") if gone_by >= FEWEST_MONTHS else count(value, "day")
