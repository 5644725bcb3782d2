"""Everything the decisions were made from beside the records, so that they can be made again."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import metadata
from typing import Any

from outcomes.analysis.decisions import shelf, source_draws, trade_off
from outcomes.answers.facts import Facts
from outcomes.exposure.accumulate import define_exposures
from outcomes.exposure.cycles_and_age import ExposureName
from outcomes.records.tables import InputFile
from outcomes.report.results.values import filled
from outcomes.settings import (
    CyclesFrom,
    DateOrder,
    DecisionSettings,
    EarlyWarning,
    RecordsSettings,
    ReliabilityRule,
    Settings,
    UnloggedThaws,
)

_LIBRARIES = ("firthmodels", "lifelines", "numpy", "pandas", "scipy", "statsmodels")


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsUsed:
    """Every setting, defaults filled in.

    Attributes
    ----------
    floor
        Lowest acceptable find probability.
    confidence
        Of limits by which something is decided.
    alpha
        Level of tests; other intervals are at 1 - alpha.
    thaw_after_h
        Hours outside the freezer that count as a thaw.
    base_c, freezer_c, refrigerator_c, ambient_c, thawed_above_c, frozen_below_c
        Temperatures, °C.
    frozen_at_least, refrigerated_at_most
        Shares of the time in store that make a regime.
    as_of
        The day at whose end the shelf is judged, ISO 8601.
    tables, columns, header_row, same_as_above, ticked, dog_columns, fold_labels, words, units
        The unit's own names, words and units of measure.
    """

    floor: float
    confidence: float
    alpha: float
    seed: int
    thaw_after_h: float
    base_c: float
    freezer_c: float
    refrigerator_c: float
    ambient_c: float
    frozen_at_least: float
    refrigerated_at_most: float
    unlogged_thaws: UnloggedThaws
    cycles_from: CyclesFrom
    rule: ReliabilityRule
    early_warning: EarlyWarning
    most_mass_lost: float | None
    as_of: str
    tables: dict[str, list[str]]
    columns: dict[str, dict[str, list[str]]]
    header_row: dict[str, int]
    same_as_above: dict[str, list[str]]
    ticked: dict[str, list[str]]
    dog_columns: dict[str, list[str]]
    fold_labels: list[str]
    words: dict[str, dict[str, str]]
    date_order: DateOrder | None
    decimal: str
    units: dict[str, str]
    thawed_above_c: float
    frozen_below_c: float
    longest_reading_gap_h: float


@dataclass(frozen=True, slots=True, kw_only=True)
class EitherAsked:
    """A rule by both that was asked for: whichever comes first."""

    cycles: float
    months: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionsGiven:
    """Options of the command, defaults filled in; ``by``: limits asked for whatever the verdict."""

    as_of: str
    floor: float
    confidence: float
    seed: int
    by: tuple[ExposureName, ...]
    either: EitherAsked | None
    without_names: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitsPriced:
    """Retirement limits with a price."""

    cycles: tuple[float, ...]
    age_days: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedNumbers:
    """Numbers that no setting changes: latest trials and draws looked at, and the fewest needed."""

    shelf_recent_trials: int
    shelf_fewest_trials: int
    trade_off_draws: int
    trade_off_fewest_trials: int
    trade_off_fewest_sources: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """Options, files, versions of libraries, exposures in words, fixed numbers."""

    options: OptionsGiven
    files: tuple[InputFile, ...]
    versions: dict[str, str]
    exposures: dict[str, str]
    limits_priced: LimitsPriced
    fixed: FixedNumbers


def make_inputs(facts: Facts) -> Inputs:
    """``inputs``: options, files, versions, definitions, fixed numbers."""
    asked, price = facts.asked, facts.price
    either = asked.either
    return filled(
        Inputs,
        options=filled(
            OptionsGiven,
            facts.settings,
            asked,
            as_of=facts.shelf_day.isoformat(),
            either=None if either is None else EitherAsked(cycles=either[0], months=either[1]),
        ),
        files=facts.records.files,
        versions={name: metadata.version(name) for name in _LIBRARIES},
        exposures=define_exposures(facts.records.settings),
        limits_priced={
            "cycles": [p.cycles for p in price.by_cycles],
            "age_days": [p.age_days for p in price.by_age],
        },
        fixed=FixedNumbers(
            shelf_recent_trials=shelf.RECENT,
            shelf_fewest_trials=shelf.FEWEST_RECENT,
            trade_off_draws=source_draws.DRAWS,
            trade_off_fewest_trials=trade_off.LEAST_TRIALS,
            trade_off_fewest_sources=trade_off.LEAST_SOURCES,
        ),
    )


def make_settings(facts: Facts) -> SettingsUsed:
    """``settings``, those of decisions and those of reading the records."""
    as_of = facts.shelf_day.isoformat()
    return filled(SettingsUsed, facts.settings, facts.records.settings, as_of=as_of)


def settings_of(found: Mapping[str, Any]) -> Settings:
    """The settings a ``results.json`` was made with.

    Parameters
    ----------
    found
        ``results.json``, as read.

    Returns
    -------
    Settings
        As they were, numbers to 10 significant digits. Of a briefing without
        names the unit's own words and file names are withheld.
    """
    told = dict(found["settings"])
    told |= {
        "unit": found["unit"],
        "rule": ReliabilityRule(**told["rule"]),
        "early_warning": EarlyWarning(**told["early_warning"]),
    }

    def of(settings: type) -> dict[str, Any]:
        return {f.name: told[f.name] for f in dataclasses.fields(settings) if f.name in told}

    return Settings(
        RecordsSettings(**of(RecordsSettings)), DecisionSettings(**of(DecisionSettings))
    )
