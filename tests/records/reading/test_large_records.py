"""Large records are read by column, not row by row."""

import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.records.read import read_records

TRIALS = 100_000
# Against a hang alone: work by the row would take far longer than this, and work by the column
# takes a small part of it.
LIMIT_S = 20.0


@pytest.mark.slow
@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_100_000_trials_are_read_in_seconds(tmp_path: Path, form: str) -> None:
    rng = np.random.default_rng(1)
    sources = np.array([f"S{number:03d}" for number in range(200)], dtype=object)
    minutes = pd.to_timedelta(np.sort(rng.integers(0, 5_000_000, TRIALS)), unit="min")
    found = rng.random(TRIALS) < 0.9
    blank = rng.random(TRIALS) < 0.2
    result = np.where(
        blank, np.where(found, "clear", "false alert"), np.where(found, "find", "miss")
    )
    tables = {
        "sources": pd.DataFrame(
            {"source_id": sources, "kind": "muscle", "acquired_on": "2015-01-01"}
        ),
        "storage": pd.DataFrame(
            {"source_id": sources, "moved_at": "2015-01-01", "moved_to": "refrigerator"}
        ),
        "trials": pd.DataFrame(
            {
                "trial_id": [f"T{number}" for number in range(TRIALS)],
                "started_at": (pd.Timestamp("2015-01-01 08:00") + minutes).strftime(
                    "%Y-%m-%d %H:%M"
                ),
                "dog_id": rng.choice([f"dog{number}" for number in range(50)], TRIALS),
                "source_id": np.where(blank, "", rng.choice(sources, TRIALS)),
                "result": result,
                "search_s": rng.integers(5, 599, TRIALS),
                "limit_s": 600,
                "temperature_c": rng.normal(12, 6, TRIALS).round(1),
                "assisted": "no",
            }
        ),
    }
    for name, table in tables.items():
        if form == "csv":
            table.to_csv(tmp_path / f"{name}.csv", index=False)
        else:
            table.to_parquet(tmp_path / f"{name}.parquet")
    began = time.perf_counter()
    records = read_records(tmp_path)
    took = time.perf_counter() - began
    assert len(records.trials) == TRIALS
    assert records.trials["source_id"].isna().sum() == blank.sum()
    assert took < LIMIT_S
