"""Units of measure: what they convert to, and how a heading names them."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from outcomes.records.columns import Column
from outcomes.records.reading.cells import Array
from outcomes.settings import Settings

Convert = Callable[[Array], Array]


def _times(factor: float) -> Convert:
    return lambda numbers: numbers * factor


_TEMPERATURES: Mapping[str, Convert] = {
    "C": _times(1.0),
    "F": lambda numbers: (numbers - 32.0) / 1.8,
}
_DURATIONS_S: Mapping[str, Convert] = {
    "s": _times(1.0),
    "min": _times(60.0),
    "h": _times(3600.0),
    "mm:ss": _times(1.0),
}
# 1 in = 2.54 cm, 1 mile = 1609.344 m, 1 knot = 1852 m/h, 1 lb = 453.59237 g: exact by
# the international yard and pound agreement of 1959 and the definition of the knot.
UNITS: Mapping[str, Mapping[str, Convert]] = {
    "temperature_c": _TEMPERATURES,
    "search_s": _DURATIONS_S,
    "limit_s": _DURATIONS_S,
    "set_min": {"min": _times(1.0), "h": _times(60.0), "s": _times(1 / 60.0)},
    "depth_cm": {
        "cm": _times(1.0),
        "in": _times(2.54),
        "ft": _times(30.48),
        "m": _times(100.0),
        "mm": _times(0.1),
    },
    "wind_m_s": {
        "m/s": _times(1.0),
        "mph": _times(1609.344 / 3600),
        "km/h": _times(1 / 3.6),
        "kn": _times(1852 / 3600),
    },
    "mass_g": {
        "g": _times(1.0),
        "kg": _times(1000.0),
        "lb": _times(453.59237),
        "oz": _times(453.59237 / 16),
    },
    "age_at_acquisition_days": {"days": _times(1.0), "weeks": _times(7.0), "h": _times(1 / 24)},
}
"""For each number that may be written in another unit: unit → conversion to ours."""


def unit_of(column: Column, settings: Settings, table: str) -> str | None:
    """The unit a number is written in: the unit's own choice, else ours."""
    return settings.units.get(
        f"{table}.{column.name}", settings.units.get(column.name, column.unit)
    )


def unit_is_said(column: Column, settings: Settings, table: str) -> bool:
    """Whether the unit has said itself which unit a number is written in."""
    return bool({column.name, f"{table}.{column.name}"} & set(settings.units))


# For each number: the unit it is kept in, then others, as headings name them.
_UNIT_MARKS: Mapping[str, tuple[str, Mapping[str, str]]] = {
    "temperature_c": (r"°? ?\bc\b|celsius", {"F": r"\bf\b|°f|fahrenheit"}),
    "depth_cm": (
        r"\bcms?\b|centi",
        {"in": r"\bin\W*$|inch", "ft": r"\bft\b|feet", "mm": r"\bmm\b"},
    ),
    "wind_m_s": (r"\bm/s\b", {"mph": r"mph|miles", "km/h": r"km/?h|kph", "kn": r"\bkn\b|knots?"}),
    "search_s": (r"\bs\b|\bsecs?\b|second", {"mm:ss": r"mm:ss", "min": r"\bmins?\b|minutes"}),
    "limit_s": (r"\bs\b|\bsecs?\b|second", {"mm:ss": r"mm:ss", "min": r"\bmins?\b|minutes"}),
    "set_min": (r"\bmins?\b|minute", {"h": r"\bh\b|\bhrs?\b|hours?"}),
    "mass_g": (
        r"\bg\b|\bgrams?\b",
        {"kg": r"\bkg\b", "oz": r"\boz\b|ounces", "lb": r"\blbs?\b|pounds"},
    ),
}


def unit_in_heading(column: Column, heading: str) -> str | None:
    """The unit that a heading names, where it is another than ours.

    >>> unit_in_heading(TABLES["trials"].column("search_s"), "Time (mins)")
    'min'
    >>> unit_in_heading(TABLES["trials"].column("depth_cm"), "Depth in cm")
    """
    ours, others = _UNIT_MARKS.get(column.name, ("", {}))
    text = heading.replace("_", " ")
    if not others or re.search(ours, text, re.IGNORECASE):
        return None
    found = (unit for unit, mark in others.items() if re.search(mark, text, re.IGNORECASE))
    return next(found, None)


def unit_name(unit: str | None) -> str:
    """A unit as messages call it."""
    return {"C": "°C", "count": "", None: "its unit"}.get(unit, unit or "")
