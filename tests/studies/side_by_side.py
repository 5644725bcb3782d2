"""A study's units side by side: on the cores of this machine, or on a cluster.

joblib does the work, so any back end that it knows will do (``--backend``). Without one,
processes of this machine. With ``--backend dask --scheduler tcp://NAME:8786`` the units go to
the workers of a Dask cluster: each needs this project installed with ``constraints.txt`` and the
extra ``cluster``, as the machine that starts the study does. Finished units are written here,
one by one as they come, whatever the back end.
"""

import argparse
import csv
import datetime as dt
import hashlib
import platform
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd
from joblib import Parallel, delayed, parallel_config

T = TypeVar("T")
LONGEST_WAIT_S = 5  # for a scheduler to answer
RUN = "run"  # of a unit's line: the number of the run, in runs.csv, that it is of
_RUNS = ("run", "date", "python", "packages", "program", "options")
_PACKAGES = ("numpy", "pandas", "scipy", "statsmodels")
_PROGRAM = Path(__file__).parents[2] / "outcomes"


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
    options: dict[str, Any] = {} if scheduler is None else {"scheduler_host": scheduler}
    if backend == "dask":
        options["client"] = _client(scheduler)
        options.pop("scheduler_host", None)
    with parallel_config(backend=backend or "loky", **options):
        parallel = Parallel(n_jobs=workers, return_as="generator_unordered")
    return parallel(delayed(function)(*call) for call in calls)


def _client(scheduler: str | None) -> Any:
    """A connection to a scheduler that is there, or one line that says what is not."""
    if scheduler is None:
        raise SystemExit("--backend dask needs --scheduler, such as tcp://NAME:8786.")
    try:
        from distributed import Client
    except ModuleNotFoundError:
        raise SystemExit(
            "--backend dask needs distributed, which is not installed. Here and on each worker: "
            "pip install --constraint constraints.txt --constraint constraints-extras.txt "
            "--editable '.[test,cluster]'"
        ) from None
    try:
        return Client(scheduler, timeout=f"{LONGEST_WAIT_S} s")
    except (OSError, TimeoutError, ValueError) as error:
        said = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise SystemExit(
            f"No scheduler answers at {scheduler} ({said}). Start one with `dask scheduler`, and "
            "workers with `dask worker`, or correct --scheduler."
        ) from None


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
    columns = [*columns, RUN]
    if not workers and not path.exists():
        return pd.DataFrame(columns=columns)
    path.parent.mkdir(parents=True, exist_ok=True)
    if not path.exists():
        path.write_text(",".join(columns) + "\n", encoding="utf-8")
    done = set(pd.read_csv(path)["seed"])
    left = [call for seed, call in calls.items() if seed not in done]
    if workers and left:
        run = begin_run(path.parent)
        with path.open("a", newline="") as file:
            lines = csv.DictWriter(file, columns, lineterminator="\n")
            found = run_side_by_side(function, left, workers=workers, **place)
            for number, row in enumerate(found, start=1):
                lines.writerow(row | {RUN: run})
                file.flush()
                if number % 10 == 0 or number == len(left):
                    sys.stderr.write(f"\r{path.stem}: {number} of {len(left)} more   ")
        sys.stderr.write("\n")
    frame = pd.read_csv(path).sort_values("seed")
    return frame[frame["seed"].isin(list(calls))].reset_index(drop=True)


def begin_run(folder: Path, options: str = "") -> int:
    """Note a run beside its units, with all that could change their answers; its number."""
    path = folder / "runs.csv"
    folder.mkdir(parents=True, exist_ok=True)
    if not path.exists():
        path.write_text(",".join(_RUNS) + "\n", encoding="utf-8")
    number = len(pd.read_csv(path)) + 1
    packages = ", ".join(f"{name} {metadata.version(name)}" for name in _PACKAGES)
    today, python = dt.date.today().isoformat(), platform.python_version()
    with path.open("a", newline="", encoding="utf-8") as file:
        lines = csv.writer(file, lineterminator="\n")
        lines.writerow([number, today, python, packages, program(), options])
    return number


def program() -> str:
    """First digits of the hash (SHA-256) of every module of the program, names and text."""
    found = hashlib.sha256()
    for path in sorted(_PROGRAM.rglob("*.py")):
        found.update(path.relative_to(_PROGRAM).as_posix().encode())
        found.update(path.read_bytes().replace(b"\r\n", b"\n"))
    return found.hexdigest()[:12]


def told_runs(folder: Path, units: Iterable[pd.DataFrame]) -> str:
    """When the units were run and by what, as a sentence of a page; one line of a frame a seed."""
    once = [one.drop_duplicates("seed") for one in units]
    of = pd.concat([f[RUN] if RUN in f else pd.Series(index=f.index, dtype=float) for f in once])
    path = folder / "runs.csv"
    runs = pd.read_csv(path, keep_default_na=False) if path.exists() else pd.DataFrame()
    told: dict[str, int] = {}
    for number, count in of.dropna().value_counts().sort_index().items():
        run = runs[runs["run"] == number].iloc[0]
        options = f", {run['options']}" if run["options"] else ""
        words = (
            f"on {run['date']} (Python {run['python']}, {run['packages']}; program "
            f"{run['program']}{options})"
        )
        told[words] = told.get(words, 0) + int(count)
    parts = [f"{count:,} {words}" for words, count in told.items()]
    before = int(of.isna().sum())
    if before:
        parts.append(f"{before:,} before date, versions and options were noted")
    return f"Units run: {'; '.join(parts)}."


def differs_from_stored(again: Mapping[str, object], stored: Mapping[str, object]) -> list[str]:
    """Columns in which a unit studied again is not as stored: a mark that the pages are stale.

    Numbers may differ by a ten-thousandth, as from one processor to another; what is missing in
    the one is missing in the other.
    """
    different = []
    for column, before in stored.items():
        now = again.get(column)
        blank = now is None or now != now or now == ""
        if column == RUN or (blank and (before is None or before != before or before == "")):
            continue
        try:
            gap = abs(float(now) - float(before))  # type: ignore[arg-type]
            same = gap <= 1e-4 * max(abs(float(before)), 1.0)  # type: ignore[arg-type]
        except (TypeError, ValueError):
            same = str(now) == str(before)
        if not same:
            different.append(column)
    return different


def told_end(first_seed: int, runs: str) -> list[str]:
    """The end of a page: seeds, dates and versions, which few need."""
    return ["", "## Seeds, dates and versions", "", f"Seeds from {first_seed}. {runs}"]
