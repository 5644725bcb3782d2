"""The two exposures that every question is about: freeze/thaw cycles and age."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

from outcomes.text import DAYS_PER_MONTH, DAYS_PER_YEAR

ExposureName = Literal["cycles", "age_days"]
"""The exposures that a verdict, a limit and a curve can be about."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """Cycles or age: by which steps it is counted and what it is called.

    Attributes
    ----------
    name
        Its column: ``"cycles"`` or ``"age_days"``.
    noun, full_noun
        What it is called.
    unit, divisor
        One step of its term in a model, in words and in the column's own unit.
    step, step_size
        The step a limit is set in, a noun, and its size in the column's own unit.
    many_units, each_many, many_more, per_many
        A step large enough to see a change over, counted in ``unit``, and as it
        is told.
    one_more
        One further ``step``, as it is told.
    of_value
        What follows a value of it where it would not be clear of what: `` of age``.
    """

    name: ExposureName
    noun: Literal["cycles", "age"]
    full_noun: str
    unit: str
    divisor: float
    step: str
    step_size: float
    many_units: float
    each_many: str
    many_more: str
    per_many: str
    one_more: str
    of_value: str

    def of(self, row: Any) -> float | None:
        """Its value in anything with ``cycles`` and ``age_days``; None where not known."""
        value: float | None = getattr(row, self.name)
        return value


CYCLES = Exposure(
    name="cycles",
    noun="cycles",
    full_noun="freeze/thaw cycles",
    unit="cycle",
    divisor=1.0,
    step="cycle",
    step_size=1.0,
    many_units=10.0,
    each_many="each 10 cycles",
    many_more="10 more cycles",
    per_many="per 10 cycles",
    one_more="each further cycle",
    of_value="",
)
AGE = Exposure(
    name="age_days",
    noun="age",
    full_noun="age",
    unit="30 days",
    divisor=30.0,
    step="month",
    step_size=DAYS_PER_MONTH,
    many_units=DAYS_PER_YEAR / 30.0,
    each_many="each year of age",
    many_more="a year more of age",
    per_many="per year of age",
    one_more="each further month of age",
    of_value=" of age",
)
CYCLES_AND_AGE: Mapping[ExposureName, Exposure] = MappingProxyType(
    {e.name: e for e in (CYCLES, AGE)}
)
NAME_OF: Mapping[str, ExposureName] = MappingProxyType({e.noun: e.name for e in (CYCLES, AGE)})


def exposure_of(term: str) -> Exposure | None:
    """The exposure that is a model's term of that name; None for any other term.

    Examples
    --------
    >>> exposure_of("age_days") is AGE, exposure_of("experience")
    (True, None)
    """
    return next((e for e in (CYCLES, AGE) if e.name == term), None)


def other_than(exposure: str) -> Exposure:
    """The other of the two.

    Examples
    --------
    >>> other_than("cycles").name, other_than("age_days").noun
    ('age_days', 'cycles')
    """
    return AGE if exposure == CYCLES.name else CYCLES


def named_by(verdict: str) -> tuple[ExposureName, ...]:
    """The exposures a verdict is about: one where it names one, else both.

    Examples
    --------
    >>> named_by("age"), named_by("cannot be told apart")
    (('age_days',), ('cycles', 'age_days'))
    """
    return (NAME_OF[verdict],) if verdict in NAME_OF else tuple(CYCLES_AND_AGE)
