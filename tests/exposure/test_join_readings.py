"""Readings handed over in any form bear on the exposure of the trials."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.exposure.trials import join
from outcomes.records.read import read_records

TABLES = {
    "sources": pd.DataFrame(
        {"source_id": ["S1", "S2"], "kind": "bone", "acquired_on": "2025-01-01"}
    ),
    "storage": pd.DataFrame(
        {
            "source_id": ["S1", "S2"],
            "moved_at": "2025-01-01",
            "moved_to": "freezer",
            "place_id": ["garage", "shed"],
        }
    ),
    "trials": pd.DataFrame(
        {
            "trial_id": ["T1", "T2", "T3"],
            "started_at": ["2025-01-09 09:00", "2025-01-09 10:00", "2025-01-09 11:00"],
            "dog_id": "Ash",
            "source_id": ["S1", "S2", None],
            "result": ["find", "find", "clear"],
        }
    ),
    "readings": pd.DataFrame(
        {
            "place_id": "garage",
            "read_at": pd.date_range("2025-01-03 00:00", periods=8, freq="h").astype(str),
            "temperature_c": [-18.0, -18, 3, 3, 3, -5, -18, -18],
        }
    ),
}


def write(folder: Path, form: str) -> Path:
    if form == "xlsx":
        with pd.ExcelWriter(folder / "unit.xlsx") as book:
            for name, table in TABLES.items():
                table.to_excel(book, sheet_name=name, index=False)
        return folder / "unit.xlsx"
    for name, table in TABLES.items():
        if form == "csv":
            table.to_csv(folder / f"{name}.csv", index=False)
        else:
            table.to_parquet(folder / f"{name}.parquet")
    return folder


@pytest.mark.parametrize("form", ["csv", "parquet", "xlsx"])
def test_power_cut_is_in_its_freezers_exposures(tmp_path: Path, form: str) -> None:
    records = read_records(write(tmp_path, form))
    assert records.rows_in["readings"] == len(records.readings) == 8
    trials = join(records).trials.set_index("trial_id")
    # One thaw that the trial itself proves, for both; the power cut only in the garage.
    assert trials.loc[["T1", "T2"], "cycles"].tolist() == [2, 1]
    assert trials.loc[["T1", "T2"], "inferred_thaws"].tolist() == [1, 1]
    assert trials.loc[["T1", "T2"], "read_thaws"].tolist() == [1, 0]
    assert trials.loc[["T1", "T2"], "read_hours"].tolist() == [7, 0]
    assert np.isnan(trials.loc["T3", "read_thaws"])


def test_without_readings_no_reading_columns(tmp_path: Path) -> None:
    (write(tmp_path, "csv") / "readings.csv").unlink()
    assert not {"read_thaws", "read_hours", "reading_gap_hours"} & set(
        join(read_records(tmp_path)).trials
    )
