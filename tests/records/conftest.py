"""A small clean unit, and ways to damage it."""

import copy
import csv
from collections.abc import Callable
from pathlib import Path

import pytest

Tables = dict[str, list[dict[str, str]]]

CLEAN: Tables = {
    "sources": [
        {"source_id": "S1", "kind": "muscle", "acquired_on": "2025-01-01", "parent_id": ""},
        {"source_id": "S2", "kind": "blood", "acquired_on": "2025-01-05", "parent_id": ""},
        {"source_id": "P1", "kind": "muscle", "acquired_on": "2025-03-01", "parent_id": "S1"},
    ],
    "storage": [
        {"source_id": s, "moved_at": at, "moved_to": to, "temperature_c": t}
        for s, at, to, t in (
            ("S1", "2025-01-01", "freezer", "-18"),
            ("S1", "2025-02-01 08:00", "ambient", ""),
            ("S1", "2025-02-01 16:00", "freezer", ""),
            ("S2", "2025-01-05", "refrigerator", "4"),
            ("P1", "2025-03-02", "refrigerator", ""),
        )
    ],
    "trials": [
        {
            "trial_id": trial,
            "started_at": at,
            "dog_id": dog,
            "source_id": source,
            "result": result,
            "false_alerts": "0" if result != "false alert" else "1",
            "search_s": search,
            "limit_s": "300",
            "blinding": "single",
            "temperature_c": "12.5",
            "assisted": "no",
        }
        for trial, at, dog, source, result, search in (
            ("T1", "2025-02-01 09:30", "Ash", "S1", "find", "45"),
            ("T2", "2025-02-01 10:30", "Birch", "S1", "miss", "300"),
            ("T3", "2025-02-01 11:30", "Ash", "", "clear", "120"),
            ("T4", "2025-02-02 09:30", "Birch", "S2", "find", "80"),
            ("T5", "2025-03-05 09:30", "Ash", "P1", "find", "60"),
            ("T6", "2025-03-05 10:30", "Birch", "", "false alert", "200"),
        )
    ],
    "dogs": [
        {"dog_id": "Ash", "born_on": "2019-04-01", "started_on": "2021-01-01"},
        {"dog_id": "Birch", "born_on": "2020-04-01", "started_on": "2022-01-01"},
    ],
}


@pytest.fixture
def clean() -> Tables:
    """The clean tables, free to be changed."""
    return copy.deepcopy(CLEAN)


def write_tables(folder: Path, tables: Tables, settings: str | None = None) -> Path:
    for name, rows in tables.items():
        columns = list(dict.fromkeys(column for row in rows for column in row))
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, columns, restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    if settings is not None:
        (folder / "unit.toml").write_text(settings, encoding="utf-8")
    return folder


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """Write tables (and a unit.toml) into a fresh folder, and give the folder."""

    def write(tables: Tables, settings: str | None = None) -> Path:
        return write_tables(tmp_path, tables, settings)

    return write
