"""A study's units side by side: on the cores of this machine, or on a cluster.

joblib does the work, so any back end that it knows will do (``--backend``). Without one,
processes of this machine. With ``--backend dask --scheduler tcp://NAME:8786`` the units go to
the workers of a Dask cluster: each needs this project installed with ``constraints.txt`` and
``distributed``, as the machine that starts the study does. Finished units are written here,
one by one as they come, whatever the back end.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd
from joblib import Parallel, delayed, parallel_config

T = TypeVar("T")


def add_options(parser: argparse.ArgumentParser, workers: int) -> None:
    """Where a study runs, as options of its command."""
    parser.add_argument(
        "--workers",
        type=int,
        default=workers,
        help="how many at a time; 0: run nothing, and make the page of the units finished so far",
    )
    parser.add_argument("--backend", help="a back end of joblib; without, this machine's processes")
    parser.add_argument("--scheduler", help="address of the scheduler, for --backend dask")


def where(given: argparse.Namespace) -> dict[str, Any]:
    """What those options say, as arguments of :func:`run_side_by_side`."""
    return {"workers": given.workers, "backend": given.backend, "scheduler": given.scheduler}


def run_side_by_side(
    function: Callable[..., T],
    calls: Iterable[Sequence[Any]],
    *,
    workers: int,
    backend: str | None = None,
    scheduler: str | None = None,
) -> Iterator[T]:
    """What the function gives for each tuple of arguments, as they are done, in any order."""
    options = {} if scheduler is None else {"scheduler_host": scheduler}
    with parallel_config(backend=backend or "loky", **options):
        parallel = Parallel(n_jobs=workers, return_as="generator_unordered")
    return parallel(delayed(function)(*call) for call in calls)


def run_stored(
    function: Callable[..., dict[str, object]],
    calls: Mapping[int, Sequence[Any]],
    path: Path,
    columns: Sequence[str],
    *,
    workers: int,
    **place: Any,
) -> pd.DataFrame:
    """Study the units that have no line in a file yet, a line for each as soon as it is done.

    ``calls`` is seed → arguments of the function, whose answers hold ``seed``. Returns the
    lines of these seeds in order; with 0 workers nothing is run.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    if not path.exists():
        path.write_text(",".join(columns) + "\n", encoding="utf-8")
    done = set(pd.read_csv(path)["seed"])
    left = [call for seed, call in calls.items() if seed not in done]
    if workers and left:
        with path.open("a", newline="") as file:
            lines = csv.DictWriter(file, columns, lineterminator="\n")
            found = run_side_by_side(function, left, workers=workers, **place)
            for number, row in enumerate(found, start=1):
                lines.writerow(row)
                file.flush()
                if number % 10 == 0 or number == len(left):
                    sys.stderr.write(f"\r{path.stem}: {number} of {len(left)} more   ")
        sys.stderr.write("\n")
    frame = pd.read_csv(path).sort_values("seed")
    return frame[frame["seed"].isin(list(calls))].reset_index(drop=True)
