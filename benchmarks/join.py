"""Time and memory of joining, beside bare as-of joins of the same two tables.

    python benchmarks/join.py --trials 10000000 --moves 10000000 --sources 10000

Each measurement runs in a process of its own, on the same synthetic tables, so
that its peak memory is its own. ``pandas.merge_asof``, DuckDB's ``ASOF JOIN``
(the extra ``bench``) and data.table's rolling join in R find the
place of each source at each trial and nothing more; joining also adds up every
exposure, inherits the history of portions and infers the thaws that the log
lacks. With ``--readings`` it also takes up the readings of that many loggers'
worth of rows, in the places the moves name.

DuckDB is measured twice: from the same tables in memory, as the others, and
from tables of its own, already loaded, the bare join alone.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv

from outcomes.exposure.trials import join
from outcomes.records.tables import Records
from outcomes.settings import RecordsSettings

if TYPE_CHECKING:
    import duckdb


def make_records(
    trials: int, moves: int, sources: int, unlogged: float, seed: int, readings: int = 0
) -> Records:
    """A unit of any size: sources moved out and back in turn, searched at random.

    Parameters
    ----------
    trials, moves, sources
        Number of rows; one source in ten is a portion of another.
    unlogged
        Share of the trials that may follow any move, into the freezer too; the
        others start one hour after a move out of it. One in ten is blank.
    seed
        Seed of everything random.
    readings
        Readings of the freezer, evenly over the ten years.
    """
    random = np.random.default_rng(seed)
    ids = np.array([f"S{i:06d}" for i in range(sources)], dtype=object)
    parent = np.full(sources, None, dtype=object)
    portions = np.arange(sources // 2, sources // 2 + sources // 10)
    parent[portions] = ids[portions - sources // 2]
    begin = np.datetime64("2016-01-01T08:00", "s")
    acquired = np.full(sources, np.datetime64("2016-01-01", "s"))
    acquired[portions] = np.datetime64("2017-01-01", "s")
    days = 3650
    each = -(-moves // sources)
    source = np.tile(np.arange(sources), each)[:moves]
    turn = np.arange(moves) // sources
    gap_s = days * 86_400 // (each + 1)
    moved_at = begin + turn * gap_s + random.integers(0, max(gap_s // 2, 1), moves)
    moved_at[np.isin(source, portions)] += np.timedelta64(366, "D")
    warm = np.array(["refrigerator", "ambient"], dtype=object)[random.integers(0, 2, moves)]
    moved_to = np.where(turn % 2 == 0, "freezer", warm)

    moves_out = np.flatnonzero(turn % 2 == 1)
    searched = np.where(
        random.random(trials) < unlogged,
        random.integers(0, moves, trials),
        moves_out[random.integers(0, len(moves_out), trials)],
    )
    started_at = moved_at[searched] + 3_600
    source_id = ids[source[searched]]
    blank = random.random(trials) < 0.1
    source_id[blank] = None
    found = np.where(blank, "clear", np.where(random.random(trials) < 0.2, "miss", "find"))
    dogs = np.array([f"D{i}" for i in range(12)], dtype=object)
    nanoseconds = "datetime64[ns]"
    return Records(
        sources=pd.DataFrame(
            {
                "file": "sources.csv",
                "row": np.arange(sources) + 2,
                "source_id": ids,
                "kind": "bone",
                "acquired_on": acquired.astype(nanoseconds),
                "packaging": "vented",
                "parent_id": parent,
            }
        ),
        storage=pd.DataFrame(
            {
                "file": "storage.csv",
                "row": np.arange(moves) + 2,
                "source_id": ids[source],
                "moved_at": moved_at.astype(nanoseconds),
                "moved_to": moved_to,
            }
        ),
        trials=pd.DataFrame(
            {
                "file": "trials.csv",
                "row": np.arange(trials) + 2,
                "source_id": source_id,
                "started_at": started_at.astype(nanoseconds),
                "dog_id": dogs[random.integers(0, len(dogs), trials)],
                "result": found.astype(object),
                "set_min": random.integers(0, 60, trials).astype(float),
            }
        ),
        dogs=pd.DataFrame(
            {
                "dog_id": dogs,
                "qualified_on": np.full(len(dogs), np.datetime64("2018-01-01", "ns")),
            }
        ),
        findings=(),
        rows_in={"trials": trials, "storage": moves, "sources": sources},
        settings=RecordsSettings(),
        readings=make_readings(begin, days, readings, random),
    )


def make_readings(
    begin: np.datetime64, days: int, count: int, random: np.random.Generator
) -> pd.DataFrame:
    """Readings of the freezer, with a power cut now and then."""
    step_s = days * 86_400 // max(count, 1)
    cut = random.random(count) < 0.001
    return pd.DataFrame(
        {
            "file": "readings.csv",
            "row": np.arange(count) + 2,
            "place_id": np.full(count, "freezer", dtype=object),
            "read_at": (begin + np.arange(count) * step_s).astype("datetime64[ns]"),
            "temperature_c": np.where(cut, 5.0, random.normal(-18, 1, count)),
        }
    )


def join_outcomes(records: Records) -> int:
    """Every exposure, by this package."""
    return len(join(records).trials)


def join_pandas(records: Records) -> int:
    """The place at each hide trial, by ``pandas.merge_asof`` (sorting included)."""
    hides = records.trials.dropna(subset="source_id").sort_values("started_at")
    moves = records.storage[["source_id", "moved_at", "moved_to"]].sort_values("moved_at")
    joined = pd.merge_asof(hides, moves, left_on="started_at", right_on="moved_at", by="source_id")
    return len(joined)


def join_duckdb(records: Records) -> int:
    """The place at each hide trial, by DuckDB's ``ASOF LEFT JOIN``."""
    import duckdb

    connection = duckdb.connect()
    connection.register("moves", records.storage[["source_id", "moved_at", "moved_to"]])
    connection.register("trials", records.trials)
    joined = connection.execute(
        "SELECT t.*, m.moved_to FROM trials t ASOF LEFT JOIN moves m "
        "ON t.source_id = m.source_id AND t.started_at >= m.moved_at"
    ).fetch_df()
    return len(joined)


def load_duckdb(records: Records) -> duckdb.DuckDBPyConnection:
    """Both tables inside DuckDB."""
    import duckdb

    connection = duckdb.connect()
    connection.register("frame_of_moves", records.storage[["source_id", "moved_at", "moved_to"]])
    connection.register("frame_of_trials", records.trials)
    connection.execute("CREATE TABLE moves AS SELECT * FROM frame_of_moves")
    connection.execute("CREATE TABLE trials AS SELECT * FROM frame_of_trials")
    return connection


def join_loaded_duckdb(connection: duckdb.DuckDBPyConnection) -> int:
    """The same join from DuckDB's tables into one of DuckDB's tables."""
    connection.execute(
        "CREATE TABLE joined AS SELECT t.*, m.moved_to FROM trials t ASOF LEFT JOIN moves m "
        "ON t.source_id = m.source_id AND t.started_at >= m.moved_at"
    )
    (rows,) = connection.execute("SELECT count(*) FROM joined").fetchone()
    return rows


def measure_r(records: Records) -> dict[str, float]:
    """The place at each hide trial, by data.table's rolling join, in R."""
    with tempfile.TemporaryDirectory() as folder:
        for name, frame, at in (
            ("moves", records.storage, "moved_at"),
            ("trials", records.trials.dropna(subset="source_id"), "started_at"),
        ):
            seconds = frame[at].to_numpy().astype("datetime64[s]").astype(np.int64)
            pa.csv.write_csv(
                pa.table(
                    {
                        "source_id": pa.array(frame["source_id"]),
                        "at": pa.array(seconds),
                        **({"moved_to": pa.array(frame["moved_to"])} if name == "moves" else {}),
                    }
                ),
                str(Path(folder) / f"{name}.csv"),
            )
        script = str(Path(__file__).with_suffix(".R"))
        done = subprocess.run(
            ["Rscript", script, folder], check=True, capture_output=True, text=True
        )
    found: dict[str, float] = json.loads(done.stdout)
    return found


JOINS: dict[str, Callable[[Any], int]] = {
    "outcomes": join_outcomes,
    "pandas.merge_asof": join_pandas,
    "duckdb": join_duckdb,
    "duckdb, loaded": join_loaded_duckdb,
    "data.table": lambda records: 0,
}


def measure(name: str, records: Any) -> dict[str, float]:
    """Seconds by the clock and of processor, and GB at peak, before and after."""
    if name == "data.table":
        return measure_r(records)
    if name == "duckdb, loaded":
        records = load_duckdb(records)
    tables = _peak_gb()
    begin, busy = time.perf_counter(), time.process_time()
    rows = JOINS[name](records)
    return {
        "seconds": time.perf_counter() - begin,
        "busy": time.process_time() - busy,
        "tables_gb": tables,
        "peak_gb": _peak_gb(),
        "rows": rows,
    }


def _peak_gb() -> float:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # Linux counts kibibytes, macOS bytes.
    return peak * (1 if sys.platform == "darwin" else 1024) / 1e9


def main() -> None:
    """Measure each join in a process of its own and print a line for each."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--trials", type=int, default=1_000_000)
    parser.add_argument("--moves", type=int, default=1_000_000)
    parser.add_argument("--sources", type=int, default=2_000)
    parser.add_argument("--unlogged", type=float, default=0.05)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--readings", type=int, default=0)
    parser.add_argument("--only", choices=JOINS, help="measure one, here, and print JSON")
    chosen = parser.parse_args()
    if chosen.only:
        records = make_records(
            chosen.trials,
            chosen.moves,
            chosen.sources,
            chosen.unlogged,
            chosen.seed,
            chosen.readings,
        )
        sys.stdout.write(json.dumps(measure(chosen.only, records)) + "\n")
        return
    sys.stdout.write(
        f"{chosen.trials:,} trials, {chosen.moves:,} moves, {chosen.sources:,} sources, "
        f"{chosen.readings:,} readings\n"
        f"{'':20}{'seconds':>10}{'processor':>11}{'peak GB':>10}{'of it tables':>14}{'rows':>14}\n"
    )
    for name in JOINS:
        absent = name.startswith("duckdb") and importlib.util.find_spec("duckdb") is None
        if absent or (name == "data.table" and shutil.which("Rscript") is None):
            sys.stdout.write(f"{name:20}not installed\n")
            continue
        command = [sys.executable, __file__, *sys.argv[1:], "--only", name]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
        found = json.loads(done.stdout)
        sys.stdout.write(
            f"{name:20}{found['seconds']:10.2f}{found['busy']:11.2f}{found['peak_gb']:10.2f}"
            f"{found['tables_gb']:14.2f}{found['rows']:14,d}\n"
        )


if __name__ == "__main__":
    main()
