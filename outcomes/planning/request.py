"""What is asked of a plan."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields
from typing import Annotated

from msgspec import Meta

from outcomes.planning.document import Kind, Question
from outcomes.settings import check_setting


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRequest:
    """What is asked of a plan; what is None is taken from the unit.

    Attributes
    ----------
    question, design
        What is asked and how; None: what the unit's sources allow.
    weeks, trials_per_week
        Length, and trials a week with blank areas.
    blanks
        Share of trials on blank areas.
    sources
        Sources that may be used; empty: all that are held.
    may_cut
        Whether sources may be cut in two.
    looks
        Planned analyses, the last at the end.
    training_days
        Days of the week, Monday 0; None: those of the records.
    dogs
        Dogs that will be there; None: those of the last three months on record.
    dogs_a_hide
        Dogs that search each hide of a day.
    thaws_a_month
        Thaws that a source may have in 28 days, and no more.
    searches_a_dog
        Searches that a dog may do in a day.
    minutes_a_search, minutes_a_day
        Time a search takes with setting and rest, and time there is on a training day.
    third_person
        Whether a third person keeps the store, so that the setter does not know the arms.
    starts_on
        First day, moved on to a Monday; None: the Monday after the last trial.
    floor, alpha, seed
        Lowest share of finds, level of the test, seed of everything drawn.
    runs
        Simulated plans behind the power of the plan itself.

    Raises
    ------
    SettingValueError
        A value is out of bounds.

    Examples
    --------
    >>> PlanRequest(weeks=1)
    Traceback (most recent call last):
    ...
    outcomes.errors.SettingValueError: weeks = 1 cannot be used. Give a whole number from 2 to 104.
    """

    question: Question | None = None
    design: Kind | None = None
    weeks: Annotated[int, Meta(ge=2, le=104)] = 12
    trials_per_week: Annotated[int, Meta(ge=4, le=400)] = 20
    blanks: Annotated[float, Meta(ge=0.1, le=0.6)] = 0.25
    sources: tuple[str, ...] = ()
    may_cut: bool = False
    looks: Annotated[int, Meta(ge=1, le=5)] = 1
    training_days: tuple[Annotated[int, Meta(ge=0, le=6)], ...] | None = None
    dogs: tuple[str, ...] | None = None
    dogs_a_hide: Annotated[int, Meta(ge=1, le=6)] = 2
    thaws_a_month: Annotated[int, Meta(ge=1, le=28)] = 8
    searches_a_dog: Annotated[int, Meta(ge=1, le=12)] = 4
    minutes_a_search: Annotated[float, Meta(ge=1, le=120)] = 15.0
    minutes_a_day: Annotated[float, Meta(ge=10, le=1440)] = 360.0
    third_person: bool = True
    starts_on: dt.date | None = None
    floor: Annotated[float, Meta(gt=0, lt=1)] = 0.85
    alpha: Annotated[float, Meta(gt=0, lt=0.5)] = 0.05
    seed: Annotated[int, Meta(ge=0)] = 1
    runs: Annotated[int, Meta(ge=20, le=10000)] = 200

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        for one in fields(self):
            check_setting(PlanRequest, one.name, getattr(self, one.name))
