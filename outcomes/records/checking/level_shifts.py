"""Columns that change half way: another unit from some row on, or two columns exchanged.

A value alone may be right in either unit; that all of them jump at one row, by as much as a
unit of measure would make them, is told there, and nothing is changed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.checking.findings import Array, Log, Sheet
from outcomes.records.columns import TABLES
from outcomes.records.reading.fold import fold_label
from outcomes.records.reading.units import UNITS, unit_name
from outcomes.settings import RecordsSettings

LEAST = 15  # values on each side of a jump; our choice
LEAST_APART = 0.9  # share of pairs across the jump of which the one after is on its side
LEAST_T = 8.0  # of the difference between the means of the logarithms, in its standard errors
TOLERANCE = 1.5  # as a factor, between the jump seen and the one that a unit makes
LEAST_DEGREES = 20.0
DEGREES_APART = 12.0
_NO_JUMP = frozenset(("mm:ss", "days", "weeks"))


@dataclass(frozen=True, slots=True)
class Shift:
    """Where a column jumps: its first row after, and the medians on both sides."""

    at: int
    before: float
    after: float


def best_split(values: Array) -> Shift | None:
    """The place where two halves of a series differ most, if they differ beyond doubt.

    Parameters
    ----------
    values
        Shape (n,), in order of the rows, missing as NaN; those that are not
        positive are passed over.

    Returns
    -------
    Shift or None
        None where no place has ``LEAST`` values on each side that differ by ``LEAST_T``
        standard errors in the mean of their logarithms, and in ``LEAST_APART`` of their pairs.

    Examples
    --------
    >>> minutes_from = np.r_[np.linspace(100, 300, 40), np.linspace(2, 5, 40)]
    >>> best_split(minutes_from).at
    40
    """
    there = np.flatnonzero(np.isfinite(values) & (values > 0))
    # Searches of one morning share their weather: a run of equal values counts once.
    there = there[np.r_[True, np.diff(values[there]) != 0.0]] if len(there) else there
    if len(there) < 2 * LEAST:
        return None
    logs = np.log(values[there])
    n = len(logs)
    left = np.arange(1, n)
    sums = np.cumsum(logs)[:-1]
    right = n - left
    mean_left, mean_right = sums / left, (logs.sum() - sums) / right
    within = (logs**2).sum() - left * mean_left**2 - right * mean_right**2
    error = np.sqrt(np.maximum(within, 1e-12) / max(n - 2, 1) * (1 / left + 1 / right))
    t = np.abs(mean_right - mean_left) / error
    t[(left < LEAST) | (right < LEAST)] = 0.0
    best = int(np.argmax(t))
    if t[best] < LEAST_T:
        return None
    at = best + 1
    ranks = pd.Series(logs).rank().to_numpy()
    above = (ranks[at:].sum() - (n - at) * (n - at + 1) / 2) / (at * (n - at))
    if max(above, 1.0 - above) < LEAST_APART:
        return None
    before, after = (float(np.exp(np.median(part))) for part in (logs[:at], logs[at:]))
    return Shift(int(there[at]), before, after)


def check_level_shifts(sheet: Sheet, log: Log) -> None:
    """Numbers that jump at one row as if written in another unit from there on."""
    shifts: dict[str, Shift] = {}
    for column in sheet.table.columns:
        if column.type != "number" or column.name not in UNITS or not sheet.has(column.name):
            continue
        values = sheet.frame[column.name].to_numpy(dtype=float)
        if column.name == "temperature_c":
            _check_degrees(sheet, values, log)
            continue
        shift = best_split(values)
        if shift is None:
            continue
        shifts[column.name] = shift
        unit = _unit_of_jump(column.name, shift.after / shift.before)
        if unit is not None:
            facts = {
                "before": f"{shift.before:,.3g}",
                "after": f"{shift.after:,.3g}",
                "unit": unit_name(column.unit),
                "other": unit,
            }
            at = np.array([shift.at])
            log.flag("unit changes", sheet, at, column.name, lambda _, f=facts: f)  # type: ignore[misc]
    _check_swapped(sheet, shifts, log)


def _unit_of_jump(name: str, ratio: float) -> str | None:
    """The unit that would make numbers jump by so much, either way; None where none would."""
    best, distance = None, np.log(TOLERANCE)
    for unit, of in UNITS[name].items():
        if unit in _NO_JUMP:
            continue
        factor = float(of.to_ours(np.array([1.0]))[0])
        # Smaller by the factor: written in the larger unit from there on; or larger: before.
        for jump in (1.0 / factor, factor):
            apart = abs(np.log(ratio / jump))
            if factor != 1.0 and apart < distance and abs(np.log(jump)) > np.log(TOLERANCE):
                best, distance = unit, apart
    return best


def _check_degrees(sheet: Sheet, values: Array, log: Log) -> None:
    """°F among °C: warmer at one row by as much as the scale is, on both sides of it."""
    there = np.flatnonzero(np.isfinite(values))
    there = there[np.r_[True, np.diff(values[there]) != 0.0]] if len(there) else there
    series = pd.Series(values[there])
    if len(series) < 2 * LEAST:
        return
    after = series[::-1].rolling(LEAST).median()[::-1].to_numpy()
    before = series.rolling(LEAST).median().shift().to_numpy()
    jump = np.abs(after - before)
    low, high = np.minimum(after, before), np.maximum(after, before)
    # One season may follow another over a pause, but their days are not all apart.
    rolling, back = series.rolling(LEAST), series[::-1].rolling(LEAST)
    least = {"before": rolling.min().shift(), "after": back.min()[::-1]}
    most = {"before": rolling.max().shift(), "after": back.max()[::-1]}
    apart = (least["after"] > most["before"]) | (least["before"] > most["after"])
    fits = (
        apart.to_numpy()
        & (jump >= LEAST_DEGREES)
        & (np.abs(high - (1.8 * low + 32.0)) <= DEGREES_APART)
    )
    if not fits.any():
        return
    # Where the values on both sides are least mixed.
    at = int(np.nanargmax(np.where(fits, jump, -np.inf)))
    steps = np.abs(np.diff(series.to_numpy()[max(at - LEAST, 0) : at + LEAST]))
    at = max(at - LEAST, 0) + int(np.argmax(steps)) + 1
    facts = {
        "before": f"{series[max(at - LEAST, 0) : at].median():,.3g}",
        "after": f"{series[at : at + LEAST].median():,.3g}",
        "unit": "°C",
        "other": "F",
    }
    log.flag("unit changes", sheet, np.array([there[at]]), "temperature_c", lambda _: facts)


def _check_swapped(sheet: Sheet, shifts: Mapping[str, Shift], log: Log) -> None:
    """Two columns that take each other's level at one row, and two whose names do."""
    for one, other in combinations(shifts, 2):
        a, b = shifts[one], shifts[other]
        ratios = np.log([a.after / b.before, b.after / a.before])
        apart = abs(np.log(a.before / b.before))
        if abs(a.at - b.at) <= 2 and (np.abs(ratios) < np.log(TOLERANCE)).all() and apart > 1.0:
            _flag_swapped(sheet, a.at, one, other, log)
    if sheet.table.name == "trials" and sheet.has("dog_id", "handler_id"):
        dogs, handlers = (
            sheet.frame[name].map(fold_label, na_action="ignore").to_numpy(dtype=object)
            for name in ("dog_id", "handler_id")
        )
        as_dog, as_handler = pd.Series(dogs).value_counts(), pd.Series(handlers).value_counts()

        def mostly(label: Any, here: pd.Series[int], there: pd.Series[int]) -> bool:
            return bool(there.get(label, 0) > here.get(label, 0))

        swapped = [
            mostly(dog, as_dog, as_handler) and mostly(handler, as_handler, as_dog)
            for dog, handler in zip(dogs, handlers, strict=True)
        ]
        if any(swapped):
            _flag_swapped(sheet, swapped.index(True), "dog_id", "handler_id", log, sum(swapped))


def _flag_swapped(
    sheet: Sheet, at: int, one: str, other: str, log: Log, times: int | None = None
) -> None:
    facts = {
        "other": sheet.names[other],
        "where": "from here on" if times is None else f"here, and in {times:,} rows in all",
    }
    log.flag("columns swapped", sheet, np.array([at]), one, lambda _: facts)


def check_own_words(settings: RecordsSettings, log: Log) -> None:
    """Settings that give a word of ours another meaning."""
    known = {column.name: column for table in TABLES.values() for column in table.columns}
    for name, meanings in settings.words.items():
        for theirs, ours in meanings.items():
            word = theirs.strip().casefold()
            if word in known[name].words and ours != word:
                facts = {"word": theirs.strip(), "meaning": ours or "an empty cell"}
                log.add("own word redefined", table="", file="unit.toml", column=name, facts=facts)
