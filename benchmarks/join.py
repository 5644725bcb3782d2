"""Time and memory of joining, beside a bare as-of join of the same two tables.

    python benchmarks/join.py --trials 10000000 --moves 10000000 --sources 10000

Each measurement runs in a process of its own, on the same synthetic tables, so
that its peak memory is its own. ``pandas.merge_asof`` finds the place of each
source at each trial and nothing more; joining also adds up every exposure,
inherits the history of portions and infers the thaws that the log lacks.
DuckDB's as-of join is measured too where DuckDB is installed.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd

from outcomes.joining.trials import join
from outcomes.records.tables import Records
from outcomes.settings import Settings


def make_records(trials: int, moves: int, sources: int, unlogged: float, seed: int) -> Records:
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
        settings=Settings(),
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


JOINS: dict[str, Callable[[Records], int]] = {
    "outcomes": join_outcomes,
    "pandas.merge_asof": join_pandas,
    "duckdb": join_duckdb,
}


def measure(name: str, records: Records) -> dict[str, float]:
    """Seconds by the clock and of processor, and GB at peak, before and after."""
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
    parser.add_argument("--only", choices=JOINS, help="measure one, here, and print JSON")
    chosen = parser.parse_args()
    if chosen.only:
        records = make_records(
            chosen.trials, chosen.moves, chosen.sources, chosen.unlogged, chosen.seed
        )
        sys.stdout.write(json.dumps(measure(chosen.only, records)) + "\n")
        return
    sys.stdout.write(
        f"{chosen.trials:,} trials, {chosen.moves:,} moves, {chosen.sources:,} sources\n"
        f"{'':20}{'seconds':>10}{'processor':>11}{'peak GB':>10}{'of it tables':>14}{'rows':>14}\n"
    )
    for name in JOINS:
        if name == "duckdb" and importlib.util.find_spec("duckdb") is None:
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
