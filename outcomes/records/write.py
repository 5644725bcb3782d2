"""A synthetic unit handed over: as CSV tables with settings and truth, or as typed records."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from outcomes.records.placing import write_files
from outcomes.records.tables import Records
from outcomes.settings import DecisionSettings, RecordsSettings

if TYPE_CHECKING:
    from outcomes.simulate import Unit

TABLES = ("sources", "storage", "trials", "dogs", "inspections")


def write_unit(unit: Unit, folder: Path) -> tuple[Path, ...]:
    """Write a synthetic unit's records and truth into a folder.

    Writes ``sources.csv``, ``storage.csv``, ``trials.csv``, ``dogs.csv``, where sources were
    inspected ``inspections.csv``, ``unit.toml`` and ``truth.toml``. A time at midnight is
    written as a date, a missing value as an empty cell. The same unit gives the same bytes.

    Parameters
    ----------
    unit
        A simulated unit.
    folder
        Made if it is not there; files of these names in it are replaced.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    OutputError
        If the folder or a file cannot be written.
    """
    texts = {f"{table}.csv": _as_csv(getattr(unit, table)) for table in tables_of(unit)}
    texts["unit.toml"] = _as_toml({"unit": unit.name})
    texts["truth.toml"] = _as_toml(truth_facts(unit))
    write_files(folder, {name: text.encode() for name, text in texts.items()})
    return tuple(folder / name for name in texts)


def unit_records(unit: Unit, settings: RecordsSettings | None = None) -> Records:
    """Hand over a synthetic unit without files, as reading them would give it.

    Parameters
    ----------
    unit
        A simulated unit.
    settings
        RecordsSettings to go with the records; None for the defaults.

    Returns
    -------
    Records
        The same tables as ``read_records`` makes of what :func:`write_unit` writes.
    """
    tables = {
        name: getattr(unit, name).assign(
            file=f"{name}.csv", row=range(2, len(getattr(unit, name)) + 2)
        )
        for name in tables_of(unit)
    }
    return Records(
        **tables,
        findings=(),
        rows_in={name: len(table) for name, table in tables.items()},
        settings=settings or RecordsSettings(),
    )


def tables_of(unit: Unit) -> tuple[str, ...]:
    """The tables that the unit hands over."""
    return tuple(name for name in TABLES if name != "inspections" or len(unit.inspections))


def truth_facts(unit: Unit) -> dict[str, object]:
    """Gather what ``truth.toml`` holds: the planted values and what follows from them.

    Parameters
    ----------
    unit
        A simulated unit.

    Returns
    -------
    dict
        ``threshold`` (where the mean find probability truly falls to the
        default floor; absent where it does not), ``planted`` (fields of the
        truth), ``source_effects`` and ``dog_effects`` (log-odds), and where sources were
        inspected ``damage_they_came_with`` (in cycles it is worth).
    """
    from outcomes.simulate import (
        find_true_threshold,
    )  # costs scipy: only where a truth is asked for

    floor = DecisionSettings().floor
    cycles = find_true_threshold(unit, floor)
    age = find_true_threshold(unit, floor, by="age_days")
    threshold = {"floor": floor, "cycles": cycles, "age_days": age}
    return {
        "threshold": {name: value for name, value in threshold.items() if value is not None},
        "planted": asdict(unit.truth),
        "source_effects": unit.source_effects["effect"].to_dict(),
        "dog_effects": unit.dog_effects["effect"].to_dict(),
    } | (
        {"damage_they_came_with": unit.source_effects["damage"].to_dict()}
        if len(unit.inspections)
        else {}
    )


def _as_csv(table: pd.DataFrame) -> str:
    return table.apply(_as_text).to_csv(index=False, lineterminator="\n")


def _as_text(column: pd.Series) -> pd.Series:
    if pd.api.types.is_datetime64_any_dtype(column):
        midnight = column.dt.normalize() == column
        with_time: pd.Series[str] = column.dt.strftime("%Y-%m-%d %H:%M")
        return with_time.where(~midnight, column.dt.strftime("%Y-%m-%d"))
    if pd.api.types.is_bool_dtype(column):
        return column.map({True: "yes", False: "no"}).astype(object)
    if pd.api.types.is_float_dtype(column):
        return column.map(lambda number: f"{number:.10g}", na_action="ignore").astype(object)
    return column


def _as_toml(facts: Mapping[str, object], heading: str = "") -> str:
    plain = {key: value for key, value in facts.items() if not isinstance(value, Mapping)}
    lines = [f"{_key(key)} = {_value(value)}" for key, value in plain.items()]
    text = "".join(f"{line}\n" for line in lines)
    for key, value in facts.items():
        if isinstance(value, Mapping):
            inner = f"{heading}.{_key(key)}" if heading else _key(key)
            text += f"\n[{inner}]\n{_as_toml(value, inner)}"
    return text.lstrip("\n")


def _key(key: str) -> str:
    return key if key.replace("_", "").isalnum() and key.isascii() else json.dumps(key)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(round(value, 6))
    return json.dumps(value, ensure_ascii=False)
