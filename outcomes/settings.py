"""What a unit may choose: ``unit.toml`` → :class:`Settings`.

A setting the unit does not give keeps the default stated here, and the bounds
of each stand beside it: the file, options of the command line and Python are
all held to them. What is read and counted goes with the records
(:class:`RecordsSettings`); what is decided by is passed to each question
(:class:`DecisionSettings`). Nothing about the records themselves is decided in
this module.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cache
from types import MappingProxyType
from typing import Annotated, Any, Literal, get_args, get_type_hints

import msgspec
from msgspec import Meta, inspect

from outcomes.errors import SettingValueError
from outcomes.places import PLACES

JOINED_BY = " + "
"""Between the names of columns that are read as one."""

DateOrder = Literal["day first", "month first"]
CyclesFrom = Literal["counted", "log"]
UnloggedThaws = Literal["infer", "strict"]
PlanQuestion = Literal["storage", "cycles", "age"]
PlanDesign = Literal["split", "pairs", "shelf"]
Weekday = Literal["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"]
WEEKDAYS: tuple[Weekday, ...] = get_args(Weekday)


@dataclass(frozen=True, slots=True)
class ReliabilityRule:
    """When a source counts as unreliable: ``misses`` within ``window`` consecutive trials.

    Parameters
    ----------
    misses, window
        The event is the ``misses``-th miss within ``window`` consecutive
        unassisted hide trials of one source. Neither given: chosen from the unit's
        own finds (:func:`outcomes.analysis.lifetimes.rule.choose_rule`).
    qualified_only
        Count only trials by dogs qualified on the day (where ``dogs`` says so).

    Raises
    ------
    SettingValueError
        A value is out of bounds, one is given without the other, or there are more
        misses than trials.
    """

    misses: Annotated[int, Meta(ge=1)] | None = None
    window: Annotated[int, Meta(ge=1)] | None = None
    qualified_only: bool = True

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _check_fields(self)
        if (self.misses is None) != (self.window is None):
            given, lacking = ("misses", "window") if self.window is None else ("window", "misses")
            raise SettingValueError(given, f"is given without {lacking}. Give both or neither.")
        if self.misses is not None and self.window is not None and self.misses > self.window:
            raise SettingValueError(
                "misses",
                f"({self.misses}) is more than window ({self.window}). "
                "A rule counts misses within a window of trials.",
            )


@dataclass(frozen=True, slots=True)
class EarlyWarning:
    """What the charts of early warning look for, and how often they may err.

    Parameters
    ----------
    odds_ratio
        Change looked for: odds of a miss so many times as high.
    false_call, within
        Share of charts on which nothing changes that may pass their limit within
        so many trials.

    Raises
    ------
    SettingValueError
        A value is out of bounds.
    """

    odds_ratio: Annotated[float, Meta(gt=1, lt=20)] = 2.0
    false_call: Annotated[float, Meta(gt=0, lt=0.5)] = 0.05
    within: Annotated[int, Meta(ge=5, le=1000)] = 50

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _check_fields(self)


@dataclass(frozen=True, slots=True)
class RecordsSettings:
    """How the unit's files are read, and what counts as a thaw, frozen, refrigerated.

    Attributes
    ----------
    unit
        The unit's own name, as printed on the briefing; empty if not given.
    tables
        Table → the unit's own names of its files or sheets, where it has any.
    columns
        For each table, this toolkit's column name → the unit's column names: of a
        time, its parts (date, time of day); else columns of which a row fills one.
    header_row
        Table → the row its column names stand in, where it is not found.
    same_as_above
        Table → the unit's columns in which an empty cell means what stands above it.
    ticked
        Table → the unit's columns in which a mark stands for their heading.
    dog_columns
        Table → the unit's columns that are each a dog's, with its result on the hide of the row.
    fold_labels
        Columns of labels in which case, blanks, ``#`` and leading zeros tell nothing apart.
    words
        For each column, the unit's word → this toolkit's word.
    date_order
        ``"day first"``, ``"month first"`` or ``None`` (ISO 8601 only).
    decimal
        ``"."`` or ``","``: the sign before the decimals.
    units
        For each column with a unit, the unit it is written in (``"F"``,
        ``"in"``, ``"mph"``, ``"min"``, ``"mm:ss"``, ...); ``"storage.temperature_c"``
        is that column in one table only.
    freezer_c, refrigerator_c, ambient_c
        Temperature of a place where the log gives none, °C.
    thaw_after_h
        A stay outside the freezer counts as a thaw from this many hours on.
    base_c
        Base temperature of ``degree_hours``, °C.
    thawed_above_c, frozen_below_c
        A reading above the first shows a source in the freezer thawed, one
        below the second frozen again, °C. Ice forms in tissue a little below
        0 °C (in lean meat near -1.1 °C), so what lies between shows neither.
    longest_reading_gap_h
        Between two readings at most this far apart the temperature runs in a
        straight line; what lies between others is a gap.
    frozen_at_least, refrigerated_at_most
        Bounds of ``frozen_share`` that make a regime.
    cycles_from
        ``"counted"`` (counts by hand, where there are any) or ``"log"``.
    unlogged_thaws
        ``"infer"`` or ``"strict"``: what to do with a trial while the log says freezer.

    Raises
    ------
    SettingValueError
        A value is out of bounds.
    """

    unit: str = ""
    tables: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    columns: Mapping[str, Mapping[str, tuple[str, ...]]] = field(default_factory=dict)
    header_row: Mapping[str, int] = field(default_factory=dict)
    same_as_above: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    ticked: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    dog_columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    fold_labels: tuple[str, ...] = ()
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    date_order: DateOrder | None = None
    decimal: Literal[".", ","] = "."
    units: Mapping[str, str] = field(default_factory=dict)
    freezer_c: Annotated[float, Meta(ge=-90, le=0)] = PLACES["freezer"].usual_c
    refrigerator_c: Annotated[float, Meta(ge=-10, le=20)] = PLACES["refrigerator"].usual_c
    ambient_c: Annotated[float, Meta(ge=-30, le=50)] = PLACES["ambient"].usual_c
    thaw_after_h: Annotated[float, Meta(ge=0, le=168)] = 1.0
    base_c: Annotated[float, Meta(ge=-20, le=20)] = 0.0
    thawed_above_c: Annotated[float, Meta(ge=-5, le=10)] = 0.0
    frozen_below_c: Annotated[float, Meta(ge=-20, le=10)] = -1.0
    longest_reading_gap_h: Annotated[float, Meta(ge=0, le=168)] = 2.0
    frozen_at_least: Annotated[float, Meta(ge=0, le=1)] = 0.8
    refrigerated_at_most: Annotated[float, Meta(ge=0, le=1)] = 0.2
    unlogged_thaws: UnloggedThaws = "infer"
    cycles_from: CyclesFrom = "counted"

    def __post_init__(self) -> None:
        """Refuse what cannot be, and take mappings so that nobody can change them."""
        # One name may be given as it is, for the several that there can be.
        for name in ("tables", "same_as_above", "ticked", "dog_columns"):
            object.__setattr__(self, name, _several(getattr(self, name)))
        if isinstance(self.columns, Mapping):
            of_tables = {table: _several(names) for table, names in self.columns.items()}
            object.__setattr__(self, "columns", of_tables)
        _check_fields(self)
        if self.refrigerated_at_most >= self.frozen_at_least:
            raise SettingValueError(
                "refrigerated_at_most",
                f"({self.refrigerated_at_most:g}) must be less than frozen_at_least "
                f"({self.frozen_at_least:g}).",
            )
        if self.frozen_below_c > self.thawed_above_c:
            raise SettingValueError(
                "frozen_below_c",
                f"({self.frozen_below_c:g}) must not be more than thawed_above_c "
                f"({self.thawed_above_c:g}).",
            )

    def name_of(self, table: str, column: str) -> str:
        """What the unit calls a column of ours: parts in a row, ours where it says nothing."""
        return JOINED_BY.join(self.columns.get(table, {}).get(column, (column,)))

    def __reduce__(self) -> tuple[object, ...]:
        """Go to another process, where a read-only mapping cannot go by itself."""
        return _records_settings, ({f.name: _plain(getattr(self, f.name)) for f in fields(self)},)


@dataclass(frozen=True, slots=True)
class DecisionSettings:
    """What decisions are made by; passed to every question that needs any of it.

    Attributes
    ----------
    floor
        The lowest acceptable find probability.
    confidence
        Confidence of two-sided intervals around the retirement threshold.
    alpha
        Level of the tests behind the verdict; other intervals are 1 - alpha.
    seed
        Seed of everything random.
    rule
        When a source counts as unreliable.
    early_warning
        What the charts of early warning look for.
    most_mass_lost
        Share of its mass that a source may lose, for how many thaws that takes; None: not asked.

    Raises
    ------
    SettingValueError
        A value is out of bounds.

    Examples
    --------
    >>> DecisionSettings(floor=90)
    Traceback (most recent call last):
    ...
    outcomes.errors.SettingValueError: floor = 90 cannot be used. Give a number strictly \
between 0 and 1: perhaps 0.90.
    """

    floor: Annotated[float, Meta(gt=0, lt=1)] = 0.85
    confidence: Annotated[float, Meta(gt=0.5, lt=1)] = 0.90
    alpha: Annotated[float, Meta(gt=0, lt=0.5)] = 0.05
    seed: Annotated[int, Meta(ge=0)] = 1
    rule: ReliabilityRule = field(default_factory=ReliabilityRule)
    early_warning: EarlyWarning = field(default_factory=EarlyWarning)
    most_mass_lost: Annotated[float, Meta(gt=0, lt=1)] | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _check_fields(self)

    def with_options(
        self,
        *,
        floor: float | None = None,
        confidence: float | None = None,
        seed: int | None = None,
    ) -> DecisionSettings:
        """A copy in which the options given on the command line win."""
        given = {"floor": floor, "confidence": confidence, "seed": seed}
        changes: dict[str, Any] = {n: value for n, value in given.items() if value is not None}
        return replace(self, **changes)


@dataclass(frozen=True, slots=True)
class PlanSettings:
    """What planned trials have to fit into.

    Attributes
    ----------
    question, design
        What is asked, and how sources are assigned; None: what the unit's sources allow.
    weeks, trials_per_week, looks
        Length, trials a week with blank areas, and planned analyses, the last at the end.
    blanks
        Share of trials on blank areas.
    sources
        Sources that may be used; empty: all that are held.
    may_cut
        Whether sources may be cut in two.
    training_days
        Days of the week; None: those of the records.
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

    Raises
    ------
    SettingValueError
        A value is out of bounds.
    """

    question: PlanQuestion | None = None
    design: PlanDesign | None = None
    weeks: Annotated[int, Meta(ge=2, le=104)] = 12
    trials_per_week: Annotated[int, Meta(ge=4, le=400)] = 20
    blanks: Annotated[float, Meta(ge=0.1, le=0.6)] = 0.25
    sources: tuple[str, ...] = ()
    may_cut: bool = False
    looks: Annotated[int, Meta(ge=1, le=5)] = 1
    training_days: tuple[Weekday, ...] | None = None
    dogs: tuple[str, ...] | None = None
    dogs_a_hide: Annotated[int, Meta(ge=1, le=6)] = 2
    thaws_a_month: Annotated[int, Meta(ge=1, le=28)] = 8
    searches_a_dog: Annotated[int, Meta(ge=1, le=12)] = 4
    minutes_a_search: Annotated[float, Meta(ge=1, le=120)] = 15.0
    minutes_a_day: Annotated[float, Meta(ge=10, le=1440)] = 360.0
    third_person: bool = True
    starts_on: dt.date | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _check_fields(self)


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything a unit may choose, as one ``unit.toml`` holds it.

    Attributes
    ----------
    records
        What goes with the records: how they are read, and how exposures are counted.
    decisions
        What decisions are made by.
    plan
        What planned trials have to fit into.
    """

    records: RecordsSettings = field(default_factory=RecordsSettings)
    decisions: DecisionSettings = field(default_factory=DecisionSettings)
    plan: PlanSettings = field(default_factory=PlanSettings)

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        _check_fields(self)


def check_setting(of: Any, name: str, value: Any, *, written: bool = False) -> Any:
    """The value of a setting, as the field's type and bounds have it.

    Parameters
    ----------
    of
        One of the classes of settings.
    name
        Its field.
    value
        What was given for it; a whole number will do for any number.
    written
        Whether a number may come as text, as on a command line.

    Raises
    ------
    SettingValueError
        The value is of another type or out of bounds; the text tells what to give.

    Examples
    --------
    >>> check_setting(DecisionSettings, "floor", "0.9", written=True)
    0.9
    """
    kind = _kinds(of)[name]
    try:
        return msgspec.convert(_python_number(value), kind, strict=not written)
    except msgspec.ValidationError:
        shown = f'"{value}"' if isinstance(value, str) and not written else str(value)
        shown = shown if len(shown) <= 60 else f"{shown[:59]}…"
        problem = f"= {shown} cannot be used. Give {_wanted(kind)}{_hint(kind, value)}."
        raise SettingValueError(name, problem) from None


def _check_fields(settings: Any) -> None:
    of: Any = type(settings)
    for name in _kinds(of):
        value = check_setting(of, name, getattr(settings, name))
        object.__setattr__(settings, name, _read_only(value))


@cache
def _kinds(of: Any) -> Mapping[str, Any]:
    """Field → its type, with bounds."""
    return get_type_hints(of, include_extras=True)


def _python_number(value: Any) -> Any:
    """NumPy's numbers are taken as well; msgspec takes Python's alone."""
    item = getattr(value, "item", None)
    return value if item is None or getattr(value, "shape", None) != () else item()


def _wanted(kind: Any) -> str:
    """What to give, in words, from the type and its bounds."""
    return _wanted_of(inspect.type_info(kind))


def _wanted_of(of: inspect.Type) -> str:
    if isinstance(of, inspect.UnionType):
        of = next(one for one in of.types if not isinstance(one, inspect.NoneType))
    match of:
        case inspect.FloatType(gt=float() | int() as low, lt=high):
            return f"a number strictly between {low:g} and {high:g}"
        case inspect.FloatType(ge=low, le=high):
            return f"a number from {low:g} to {high:g}"
        case inspect.IntType(ge=low, le=None):
            return f"a whole number of at least {low}"
        case inspect.IntType(ge=low, le=high):
            return f"a whole number from {low} to {high}"
        case inspect.LiteralType(values=words):
            return " or ".join(f'"{word}"' for word in words)
        case inspect.VarTupleType(item_type=one):
            return f"a list, each of it {_wanted_of(one)}"
        case inspect.DateType():
            return "a date, written 2026-03-14"
        case inspect.BoolType():
            return "true or false"
        case inspect.StrType():
            return "text in quotation marks"
        case inspect.DataclassType(cls=settings):
            return f"a {settings.__name__}"
        case _:
            return "names with what they stand for"


def _hint(kind: Any, value: Any) -> str:
    """The number that was meant, where it was written as one of a hundred."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not 1 < value < 100:
        return ""
    try:
        msgspec.convert(value / 100, kind)
    except msgspec.ValidationError:
        return ""
    return f": perhaps {value / 100:.2f}"


def _read_only(value: Any) -> Any:
    if not isinstance(value, Mapping):
        return value
    return MappingProxyType({key: _read_only(inner) for key, inner in value.items()})


def _several(names: Any) -> Any:
    """Name → its names, where one was given as text."""
    if not isinstance(names, Mapping):
        return names
    return {ours: (name,) if isinstance(name, str) else name for ours, name in names.items()}


def _plain(value: Any) -> Any:
    return {k: _plain(v) for k, v in value.items()} if isinstance(value, Mapping) else value


def _records_settings(values: dict[str, Any]) -> RecordsSettings:
    return RecordsSettings(**values)
