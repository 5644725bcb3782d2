"""Units of measure: what they convert to, and how a heading names them."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from outcomes.records.columns import Column
from outcomes.records.reading.cells import Array
from outcomes.settings import RecordsSettings


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of measure that a column may be written in.

    Attributes
    ----------
    to_ours
        Numbers in this unit → numbers in the unit this toolkit keeps.
    in_heading
        How headings name it, as a regular expression; empty where none is looked for.
    """

    to_ours: Callable[[Array], Array]
    in_heading: str = ""


def _times(factor: float, in_heading: str = "") -> Unit:
    return Unit(lambda numbers: numbers * factor, in_heading)


_DURATIONS_S = {
    "s": _times(1.0, r"\bs\b|\bsecs?\b|seconds?"),
    "min": _times(60.0, r"\bmins?\b|minutes?"),
    "h": _times(3600.0, r"\bhrs?\b|hours?"),
    "mm:ss": _times(1.0, r"mm:ss"),
}
# 1 in = 2.54 cm, 1 mile = 1609.344 m, 1 knot = 1852 m/h, 1 lb = 453.59237 g: exact by
# the international yard and pound agreement of 1959 and the definition of the knot.
UNITS: Mapping[str, Mapping[str, Unit]] = {
    "temperature_c": {
        "C": _times(1.0, r"°? ?\bc\b|celsius"),
        "F": Unit(lambda numbers: (numbers - 32.0) / 1.8, r"\bf\b|°f|fahrenheit"),
    },
    "search_s": _DURATIONS_S,
    "limit_s": _DURATIONS_S,
    "set_min": {
        "min": _times(1.0, r"\bmins?\b|minutes?"),
        "h": _times(60.0, r"\bh\b|\bhrs?\b|hours?"),
        "s": _times(1 / 60.0),
    },
    "depth_cm": {
        "cm": _times(1.0, r"\bcms?\b|centi\w*"),
        "in": _times(2.54, r"\bin\W*$|\bins\b|inch(?:es)?|[\"”″]|''"),
        "ft": _times(30.48, r"\bft\b|feet|['’′]"),
        "m": _times(100.0),
        "mm": _times(0.1, r"\bmm\b"),
    },
    "wind_m_s": {
        "m/s": _times(1.0, r"\bm/s\b"),
        "mph": _times(1609.344 / 3600, r"mph|miles"),
        "km/h": _times(1 / 3.6, r"km/?h|kph"),
        "kn": _times(1852 / 3600, r"\bkn\b|\bkts?\b|knots?"),
    },
    "mass_g": {
        "g": _times(1.0, r"\bg\b|\bgrams?\b"),
        "kg": _times(1000.0, r"\bkg\b"),
        "lb": _times(453.59237, r"\blbs?\b|pounds"),
        "oz": _times(453.59237 / 16, r"\boz\b|ounces"),
    },
    "humidity_pct": {"%": _times(1.0), "fraction": _times(100.0)},
    # A month is a twelfth of a year, and that 365.25 days.
    "age_at_acquisition_days": {
        "days": _times(1.0, r"\bd\b|days?"),
        "weeks": _times(7.0, r"wks?|weeks?"),
        "months": _times(365.25 / 12, r"mos?|mths?|months?"),
        "years": _times(365.25, r"yrs?|years?"),
        "h": _times(1 / 24, r"\bhrs?\b|hours?"),
    },
}
"""For each number that may be written in another unit: ours first, then the others."""


def unit_of(column: Column, settings: RecordsSettings, table: str) -> str | None:
    """The unit a number is written in: the unit's own choice, else ours."""
    return settings.units.get(
        f"{table}.{column.name}", settings.units.get(column.name, column.unit)
    )


def unit_is_said(column: Column, settings: RecordsSettings, table: str) -> bool:
    """Whether the unit has said itself which unit a number is written in."""
    return bool({column.name, f"{table}.{column.name}"} & set(settings.units))


def unit_in_heading(column: Column, heading: str) -> str | None:
    """The unit that a heading names, where it is another than ours.

    >>> from outcomes.records.columns import TRIALS
    >>> unit_in_heading(TRIALS.column("search_s"), "Time (mins)")
    'min'
    >>> unit_in_heading(TRIALS.column("depth_cm"), "Depth in cm")
    """
    text = heading.replace("_", " ")
    named = [
        unit
        for unit, of in UNITS.get(column.name, {}).items()
        if of.in_heading and re.search(of.in_heading, text, re.IGNORECASE)
    ]
    if not named or column.unit in named:
        return None
    # Minutes in the form mm:ss are that form, whatever else the heading says.
    return "mm:ss" if "mm:ss" in named else named[0]


def unit_named(units: Mapping[str, Unit], said: str) -> Unit | None:
    """The one unit that a cell names behind its number; None where it is none or several."""
    exact = [unit for name, unit in units.items() if name == said]
    if exact:
        return exact[0]
    alike = [
        unit
        for name, unit in units.items()
        if name.casefold() == said.casefold()
        or (unit.in_heading and re.fullmatch(rf"(?:{unit.in_heading})", said, re.IGNORECASE))
    ]
    return alike[0] if len(alike) == 1 else None


def unit_name(unit: str | None) -> str:
    """A unit as messages call it."""
    return {"C": "°C", "count": "", None: "its unit"}.get(unit, unit or "")
