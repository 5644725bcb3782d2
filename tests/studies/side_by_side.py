"""A study's units side by side: on the cores of this machine, or on a cluster.

joblib does the work, so any back end that it knows will do (``--backend``). Without one,
processes of this machine. With ``--backend dask --scheduler tcp://NAME:8786`` the units go to
the workers of a Dask cluster: each needs this project installed with ``constraints.txt`` and
``distributed``, as the machine that starts the study does. Finished units are written here,
one by one as they come, whatever the back end.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, TypeVar

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
