"""Everything the decisions were made from beside the records, so that they can be made again."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from importlib import metadata
from typing import Any

from outcomes.analysis.decisions import shelf, source_draws, trade_off
from outcomes.answers.facts import Facts
from outcomes.exposure.accumulate import define_exposures
from outcomes.settings import (
    DecisionSettings,
    EarlyWarning,
    RecordsSettings,
    ReliabilityRule,
    Settings,
)

_LIBRARIES = ("firthmodels", "lifelines", "numpy", "pandas", "scipy", "statsmodels")


def inputs_section(facts: Facts) -> dict[str, Any]:
    """``inputs`` of ``results.json``: options, files, versions, definitions, fixed numbers.

    Parameters
    ----------
    facts
        The unit's facts.
    """
    settings, asked, price = facts.settings, facts.asked, facts.price
    either = None
    if asked.either is not None:
        either = dict(zip(("cycles", "months"), asked.either, strict=True))
    return {
        "options": {
            "as_of": facts.shelf_day.isoformat(),
            "floor": settings.floor,
            "confidence": settings.confidence,
            "seed": settings.seed,
            "by": list(asked.by),
            "either": either,
            "without_names": asked.without_names,
        },
        "files": [dataclasses.asdict(file) for file in facts.records.files],
        "versions": {name: metadata.version(name) for name in _LIBRARIES},
        "exposures": define_exposures(facts.records.settings),
        "limits_priced": {
            "cycles": [p.cycles for p in price.by_cycles],
            "age_days": [p.age_days for p in price.by_age],
        },
        "fixed": {
            "shelf_recent_trials": shelf.RECENT,
            "shelf_fewest_trials": shelf.FEWEST_RECENT,
            "trade_off_draws": source_draws.DRAWS,
            "trade_off_fewest_trials": trade_off.LEAST_TRIALS,
            "trade_off_fewest_sources": trade_off.LEAST_SOURCES,
        },
    }


def settings_section(settings: RecordsSettings) -> dict[str, Any]:
    """``settings`` beyond those of the contract: how the unit's tables were read."""
    return {
        "tables": settings.tables,
        "columns": settings.columns,
        "words": settings.words,
        "date_order": settings.date_order,
        "decimal": settings.decimal,
        "units": settings.units,
        "thawed_above_c": settings.thawed_above_c,
        "frozen_below_c": settings.frozen_below_c,
        "longest_reading_gap_h": settings.longest_reading_gap_h,
    }


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
