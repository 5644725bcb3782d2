"""The unit's settings: ``unit.toml`` → :class:`Settings`.

A setting the unit does not give keeps the default stated here. Nothing about
the records themselves is decided in this module.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType
from typing import Any

PLACES = ("freezer", "refrigerator", "ambient", "discarded")


@dataclass(frozen=True, slots=True)
class ReliabilityRule:
    """When a source counts as unreliable: ``misses`` within ``window`` consecutive trials.

    Parameters
    ----------
    misses, window
        The event is the ``misses``-th miss within ``window`` consecutive
        unassisted hide trials of one source.
    qualified_only
        Count only trials by dogs qualified on the day (where ``dogs`` says so).
    """

    misses: int = 2
    window: int = 3
    qualified_only: bool = True


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
    """

    odds_ratio: float = 2.0
    false_call: float = 0.05
    within: int = 50


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything a unit may choose, with the defaults used where it does not.

    Attributes
    ----------
    unit
        The unit's own name, as printed on the briefing; empty if not given.
    tables
        Table → the unit's own file or sheet name, where it has one.
    columns
        For each table, this toolkit's column name → the unit's column name.
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
    unlogged_thaws
        ``"infer"`` or ``"strict"``: what to do with a trial while the log says freezer.
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
    """

    unit: str = ""
    tables: Mapping[str, str] = field(default_factory=dict)
    columns: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    date_order: str | None = None
    decimal: str = "."
    units: Mapping[str, str] = field(default_factory=dict)
    freezer_c: float = -18.0
    refrigerator_c: float = 4.0
    ambient_c: float = 20.0
    thaw_after_h: float = 1.0
    base_c: float = 0.0
    thawed_above_c: float = 0.0
    frozen_below_c: float = -1.0
    longest_reading_gap_h: float = 2.0
    frozen_at_least: float = 0.8
    refrigerated_at_most: float = 0.2
    unlogged_thaws: str = "infer"
    floor: float = 0.85
    confidence: float = 0.90
    alpha: float = 0.05
    seed: int = 1
    rule: ReliabilityRule = field(default=ReliabilityRule())
    early_warning: EarlyWarning = field(default=EarlyWarning())

    def __post_init__(self) -> None:
        """Take mappings so that nobody can change them."""
        for of in fields(self):
            value = getattr(self, of.name)
            if isinstance(value, Mapping):
                object.__setattr__(self, of.name, _read_only(value))

    def __reduce__(self) -> tuple[object, ...]:
        """Go to another process, where a read-only mapping cannot go by itself."""
        return _settings_of, ({of.name: _plain(getattr(self, of.name)) for of in fields(self)},)

    def with_options(
        self,
        *,
        floor: float | None = None,
        confidence: float | None = None,
        seed: int | None = None,
    ) -> Settings:
        """A copy in which the options given on the command line win."""
        changes: dict[str, float | int] = {}
        if floor is not None:
            changes["floor"] = floor
        if confidence is not None:
            changes["confidence"] = confidence
        if seed is not None:
            changes["seed"] = seed
        return replace(self, **changes)  # type: ignore[arg-type]


def _read_only(value: Mapping[str, Any]) -> Mapping[str, Any]:
    return MappingProxyType(
        {k: _read_only(v) if isinstance(v, Mapping) else v for k, v in value.items()}
    )


def _plain(value: Any) -> Any:
    return {k: _plain(v) for k, v in value.items()} if isinstance(value, Mapping) else value


def _settings_of(values: dict[str, Any]) -> Settings:
    return Settings(**values)
