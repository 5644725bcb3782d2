"""Time and peak memory of the toolkit at growing sizes, beside R in the same run.

    python benchmarks/run.py             everything, hours on two cores; writes benchmarks.md
    python benchmarks/run.py --small     a few minutes, to try it; writes no page
    python benchmarks/run.py --only fit  one part; the page is made of all that was measured
    python benchmarks/run.py --page-only the page again, of what was measured

Every measurement is a process of its own, and a line of ``benchmarks/results/measured.jsonl`` as
soon as it is done: stopped, the command goes on where it was. ``--again`` measures anew. Needs
``Rscript`` with data.table, lme4 and jsonlite, and the extra ``bench`` for DuckDB (DEVELOPERS.md
says how); what is not installed is left out and said. Run it when the machine does nothing else:
the load before each measurement is stored with it, and its range is on the page.
"""

from __future__ import annotations

import argparse
import datetime as dt
import importlib.util
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).parent
ROOT = HERE.parent
PAGE = ROOT / "benchmarks" / "benchmarks.md"
MEASURED = HERE / "results" / "measured.jsonl"
JOINS = ("outcomes", "pandas.merge_asof", "duckdb", "duckdb, loaded", "data.table")
WITH_READINGS = "outcomes, with readings"
MOST_READINGS = 1_000_000
FITS = ("outcomes", "lme4")
# glmer takes minutes from here on, and more memory than most machines have at a million.
LME4_TO = 100_000
# What is aimed at: times a bare as-of join, times as fast as glmer, seconds.
JOIN_AT_MOST, FIT_AT_LEAST, HELP_AT_MOST = 3, 10, 0.15
ANSWER, FOUR_FITS = "outcomes, answer and figure", "lme4, four fits"
BESIDE_R = 2_860
# What: part, tool and trials, and the most seconds or GB it may take.
TIMES = (
    ("the demo's answer and figure", "brief", ANSWER, 0, 3.0),
    ("the demo's briefing", "brief", "outcomes", 0, 5.0),
    ("the briefing of 20,000 trials", "brief", "outcomes", 20_000, 30.0),
    ("the briefing of 100,000 trials", "brief", "outcomes", 100_000, 120.0),
    ("a figure of finds", "figure", "main", 0, 2.0),
    ("`outcomes --help`", "start", "outcomes --help", 0, HELP_AT_MOST),
)
MEMORY = ("the briefing of 100,000 trials", "brief", "outcomes", 100_000, 1.5)
FIGURES = ("main", "price", "watch", "search-time", "records", "calibration", "ways")
GB = 1e9


@dataclass(frozen=True)
class Sizes:
    """How far each part goes, and where what it measures is kept."""

    join: Sequence[int]
    fit: Sequence[int]
    brief: Sequence[int]
    file: Path


FULL = Sizes(
    join=(10_000, 100_000, 1_000_000, 10_000_000),
    fit=(1_000, 2_600, 10_000, 100_000, 1_000_000),
    brief=(0, BESIDE_R, 5_000, 20_000, 100_000),
    file=MEASURED,
)
SMALL = Sizes(
    join=(1_000, 10_000),
    fit=(500, 1_000),
    brief=(),
    file=MEASURED.with_name("small.jsonl"),
)


@dataclass(frozen=True)
class Task:
    """One measurement: which part, by what, how large, and how it is taken."""

    part: str
    tool: str
    size: int
    take: Callable[[], dict[str, Any]]

    @property
    def key(self) -> tuple[str, str, int]:
        """What tells it from every other."""
        return (self.part, self.tool, self.size)


def timed(command: Sequence[str], **options: Any) -> dict[str, Any]:
    """Run a command to its end: seconds by the clock, and GB at peak of it or any child."""
    begin = time.perf_counter()
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, **options
    )
    assert process.stdout is not None
    with process.stdout as pipe:
        out = pipe.read()
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    seconds = time.perf_counter() - begin
    if process.returncode:
        raise RuntimeError(f"{' '.join(command)} ended with status {process.returncode}")
    # Linux counts kibibytes, macOS bytes.
    peak = usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024) / GB
    busy = usage.ru_utime + usage.ru_stime
    return {"seconds": seconds, "busy": busy, "peak_gb": peak, "out": out}


def take_join(tool: str, size: int) -> dict[str, Any]:
    """Join as many trials with as many moves; see ``join.py``."""
    sources = max(20, min(10_000, size // 1_000))
    sizes = ["--trials", str(size), "--moves", str(size), "--sources", str(sources)]
    if tool == WITH_READINGS:
        tool = "outcomes"
        sizes += ["--readings", str(min(size, MOST_READINGS))]
    found = timed([sys.executable, str(HERE / "join.py"), *sizes, "--only", tool])
    return json.loads(found["out"])


def take_fit(tool: str, size: int) -> dict[str, Any]:
    """Fit the mixed model of finds once; see ``fit.py``."""
    command = [sys.executable, str(HERE / "fit.py"), "--trials", str(size), "--only", tool]
    return json.loads(timed(command)["out"])


def _program() -> list[str]:
    return [sys.executable, "-m", "outcomes"]


def _records(folder: str, size: int) -> str:
    """Files of a synthetic unit of so many trials; 0: the example's."""
    if not size:
        return str(ROOT / "synthetic_data")
    make = (
        "import sys; from pathlib import Path;"
        "from outcomes.records.write import write_unit;"
        "from outcomes.simulate import SCENARIOS, simulate_unit;"
        "write_unit(simulate_unit(SCENARIOS['cycles only'], 1, trials=int(sys.argv[2])),"
        "Path(sys.argv[1]))"
    )
    records = str(Path(folder) / "records")
    timed([sys.executable, "-c", make, records, str(size)])
    return records


def take_brief(size: int) -> dict[str, Any]:
    """``outcomes brief`` from files to the page; size 0 is the example."""
    with tempfile.TemporaryDirectory() as folder:
        records = _records(folder, size)
        out = str(Path(folder) / "briefing")
        found = timed([*_program(), "brief", records, "--out", out])
    return {name: found[name] for name in ("seconds", "busy", "peak_gb")}


def take_answer(size: int) -> dict[str, Any]:
    """Until ``outcomes brief`` has printed its answer and drawn the figure."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "briefing"
        command = [*_program(), "brief", _records(folder, size), "--out", str(out)]
        begin = time.perf_counter()
        process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
        )
        assert process.stdout is not None
        printed = None
        if process.stdout.readline():
            printed = time.perf_counter() - begin
        while not (out / "figure.png").exists() and process.poll() is None:
            time.sleep(0.005)
        drawn = time.perf_counter() - begin
        process.communicate()
    return {"seconds": drawn, "printed": printed, "peak_gb": 0.0}


def take_four_fits(size: int) -> dict[str, Any]:
    """An analyst's four models of the same trials in R; see ``brief.R``."""
    with tempfile.TemporaryDirectory() as folder:
        joined = str(Path(folder) / "joined.csv")
        timed([*_program(), "join", _records(folder, size), "--out", joined])
        found = timed(["Rscript", str(HERE / "brief.R"), joined])
    return json.loads(found["out"]) | {"seconds": found["seconds"]}


def take_figure(name: str) -> dict[str, Any]:
    """One figure of the example, from files to the picture."""
    with tempfile.TemporaryDirectory() as folder:
        out = str(Path(folder) / "figure.png")
        found = timed([*_program(), "figure", name, _records(folder, 0), "--out", out])
    return {name: found[name] for name in ("seconds", "busy", "peak_gb")}


def take_start(command: Sequence[str]) -> dict[str, Any]:
    """Best of seven starts."""
    runs = [timed(command) for _ in range(7)]
    best = min(runs, key=lambda run: run["seconds"])
    return {"seconds": best["seconds"], "peak_gb": best["peak_gb"]}


def plan(sizes: Sizes) -> list[Task]:
    """Every measurement, small ones first."""
    tasks = [
        Task("start", "outcomes --help", 0, partial(take_start, _help())),
        Task("start", "Rscript", 0, partial(take_start, ["Rscript", "-e", "0"])),
    ]
    for size in sizes.join:
        joins = (JOINS[0], WITH_READINGS, *JOINS[1:])
        tasks += [Task("join", tool, size, partial(take_join, tool, size)) for tool in joins]
    for size in sizes.fit:
        tasks += [
            Task("fit", tool, size, partial(take_fit, tool, size))
            for tool in FITS
            if tool != "lme4" or size <= LME4_TO
        ]
    for size in sizes.brief:
        tasks.append(Task("brief", "outcomes", size, partial(take_brief, size)))
        if size in (0, BESIDE_R):
            tasks.append(Task("brief", ANSWER, size, partial(take_answer, size)))
            tasks.append(Task("brief", FOUR_FITS, size, partial(take_four_fits, size)))
    if sizes is FULL:
        tasks += [Task("figure", name, 0, partial(take_figure, name)) for name in FIGURES]
    return tasks


def _help() -> list[str]:
    program = Path(sys.executable).with_name("outcomes")
    if program.exists():
        return [str(program), "--help"]
    return [sys.executable, "-c", "from outcomes.cli import main; main(['--help'])"]


def missing(task: Task) -> str | None:
    """What is not installed that the task needs."""
    if (
        task.tool in ("data.table", "lme4", FOUR_FITS, "Rscript")
        and shutil.which("Rscript") is None
    ):
        return "Rscript"
    if task.tool.startswith("duckdb") and importlib.util.find_spec("duckdb") is None:
        return "duckdb"
    return None


def read_measured(file: Path) -> list[dict[str, Any]]:
    """The latest line of every measurement."""
    if not file.exists():
        return []
    lines = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines()]
    latest = {(line["part"], line["tool"], line["size"]): line for line in lines}
    return list(latest.values())


def measure(tasks: Iterable[Task], file: Path, *, again: bool) -> None:
    """Take what is not yet in the file, one line as soon as each is done."""
    done = set() if again else {(r["part"], r["tool"], r["size"]) for r in read_measured(file)}
    file.parent.mkdir(parents=True, exist_ok=True)
    for task in tasks:
        lacking = missing(task)
        if task.key in done or lacking:
            if lacking:
                sys.stderr.write(f"{task.part}, {task.tool}: {lacking} is not installed\n")
            continue
        load = os.getloadavg()[0]
        sys.stderr.write(f"{task.part}, {task.tool}, {task.size:,}\n")
        row = {"part": task.part, "tool": task.tool, "size": task.size, **task.take()}
        row |= {"date": dt.date.today().isoformat(), "load": round(load, 2), "machine": machine()}
        with file.open("a", encoding="utf-8") as lines:
            lines.write(json.dumps(row) + "\n")


def machine() -> str:
    """Processor, its cores, and the versions that decide how long things take."""
    name = platform.processor() or platform.machine()
    if Path("/proc/cpuinfo").exists():
        names = [
            line.partition(":")[2].strip()
            for line in Path("/proc/cpuinfo").read_text().splitlines()
            if line.startswith("model name")
        ]
        name = names[0] if names else name
    packages = ["outcomes", "numpy", "scipy", "pandas"]
    if importlib.util.find_spec("duckdb"):
        packages.append("duckdb")
    versions = ", ".join(f"{package} {metadata.version(package)}" for package in packages)
    return f"{os.cpu_count()} cores of {name}; Python {platform.python_version()}, {versions}"


# The page ---------------------------------------------------------------------------------


def growth(sizes: Sequence[float], values: Sequence[float]) -> float | None:
    """Slope of log seconds on log size by least squares: 1 is as the size, 2 its square."""
    if len(set(sizes)) < 2:
        return None
    return float(np.polyfit(np.log(sizes), np.log(values), 1)[0])


def page(rows: Sequence[dict[str, Any]]) -> str:
    """Everything measured, as a page."""
    dates = sorted({row["date"] for row in rows})
    loads = [row["load"] for row in rows]
    when = dates[0] if len(dates) == 1 else f"{dates[0]} to {dates[-1]}"
    text = [
        "# Benchmarks",
        "",
        "Made by `python benchmarks/run.py`; nothing here is typed by hand. Each measurement is a",
        "process of its own; GB is the most memory it held. Times of one machine, to show the",
        "order of size.",
        "",
        f"Measured {when}; load of the machine before each measurement {min(loads):.1f} to "
        f"{max(loads):.1f}.",
        "",
        *(f"- {name}" for name in dict.fromkeys(row["machine"] for row in rows)),
        *(
            f"- {name}"
            for name in dict.fromkeys(row["version"] for row in rows if "version" in row)
        ),
        "",
        "Growth is the slope of log seconds on log size over the sizes shown: 1 grows as the size,",
        "2 as its square. Below one where a fixed part (loading, starting) weighs.",
    ]
    text += _part(
        rows,
        "join",
        "Joining trials with storage",
        "As many trials as moves, tables in memory. `outcomes` adds up every exposure, inherits "
        "the history of portions and infers thaws; the others find where each source was, and "
        "nothing more. `duckdb` starts from the same frames; `duckdb, loaded` from tables it holds "
        "already. With readings: also as many of one freezer as there are trials, "
        f"{MOST_READINGS:,} at most, one in a thousand warm: each such thaw is written into the "
        "history of every source in that freezer.",
    )
    text += _part(
        rows,
        "fit",
        "The mixed model of finds",
        "Crossed intercepts for 12 dogs and 48 sources, five covariates, simulated trials; Laplace "
        "approximation with standard errors. lme4 as a person calls it: `glmer` at its defaults.",
    )
    text += _agreement(rows)
    text += _part(
        rows,
        "brief",
        "From files to the briefing",
        "`outcomes brief` on a synthetic unit's files, everything behind the answer included; "
        "first the example of 1,200 trials. The answer and its figure come before the rest. Beside "
        "it what an analyst would fit to the same trials in R, from starting R on: four models by "
        "`glmer` at its defaults, with and without cycles and age (`brief.R`).",
        busy=True,
    )
    text += _part(
        rows,
        "figure",
        "One figure",
        "`outcomes figure NAME` on the example, from its files to the picture.",
        busy=True,
    )
    text += _part(rows, "start", "Starting", "Best of seven starts.")
    text += _goals(rows)
    return "\n".join(text) + "\n"


def _part(
    rows: Sequence[dict[str, Any]], part: str, title: str, words: str, *, busy: bool = False
) -> list[str]:
    own = [row for row in rows if row["part"] == part]
    if not own:
        return []
    sizes = sorted({row["size"] for row in own})
    at = {(row["tool"], row["size"]): row for row in own}
    several = len(sizes) > 1
    columns = ("s", "process s", "GB") if busy else ("s", "GB")
    heads = [f"{f'{size:,} trials, ' if size else ''}{' | '.join(columns)}" for size in sizes]
    text = ["", f"## {title}", "", words, ""]
    text.append("| | " + " | ".join(heads) + (" | growth |" if several else " |"))
    text.append("|---" * (1 + len(columns) * len(sizes) + several) + "|")
    for tool in dict.fromkeys(row["tool"] for row in own):
        cells = []
        for size in sizes:
            row = at.get((tool, size))
            names = ("seconds", "busy", "peak_gb") if busy else ("seconds", "peak_gb")
            found = [None if row is None else row.get(name) for name in names]
            cells += [_three(value) if value else "" for value in found]
        if several:
            taken = [(s, at[tool, s]["seconds"]) for s in sizes if s and (tool, s) in at]
            slope = growth(*zip(*taken, strict=True)) if taken else None
            cells.append("" if slope is None else f"{slope:.2f}")
        text.append(f"| {tool} | " + " | ".join(cells) + " |")
    return text


def _goals(rows: Sequence[dict[str, Any]]) -> list[str]:
    """What was aimed at, beside what was measured."""
    seconds = {(row["part"], row["tool"], row["size"]): row["seconds"] for row in rows}
    lines = []
    for bare in JOINS[1:]:
        sizes = [s for p, t, s in seconds if p == "join" and t == bare]
        if sizes and ("join", "outcomes", max(sizes)) in seconds:
            size = max(sizes)
            ratio = seconds["join", "outcomes", size] / seconds["join", bare, size]
            asked = f"join of {size:,} trials: at most {JOIN_AT_MOST} times `{bare}`"
            lines.append((asked, f"{ratio:.3g} times", ratio <= JOIN_AT_MOST))
    for size in sorted(s for p, t, s in seconds if p == "fit" and t == "lme4"):
        if ("fit", "outcomes", size) in seconds:
            ratio = seconds["fit", "lme4", size] / seconds["fit", "outcomes", size]
            asked = f"fit of {size:,} trials: at least {FIT_AT_LEAST} times as fast as lme4"
            lines.append((asked, f"{ratio:.3g} times", ratio >= FIT_AT_LEAST))
    for words, *key, most in TIMES:
        if tuple(key) in seconds:
            found = seconds[tuple(key)]
            lines.append((f"{words}: within {most:g} s", f"{_three(found)} s", found <= most))
    ours, theirs = (seconds.get(("brief", t, BESIDE_R)) for t in ("outcomes", FOUR_FITS))
    if ours and theirs:
        asked = f"the briefing of {BESIDE_R:,} trials: no slower than R's four fits of them"
        lines.append((asked, f"{_three(ours)} s, R {_three(theirs)} s", ours <= theirs))
    words, *key, most = MEMORY
    held = next(
        (r["peak_gb"] for r in rows if (r["part"], r["tool"], r["size"]) == tuple(key)), None
    )
    if held:
        lines.append((f"{words}: within {most:g} GB", f"{_three(held)} GB", held <= most))
    if not lines:
        return []
    return [
        "",
        "## What was aimed at",
        "",
        "| goal | measured | met |",
        "|---|---|---|",
        *(f"| {asked} | {found} | {'yes' if met else 'no'} |" for asked, found, met in lines),
    ]


def _agreement(rows: Sequence[dict[str, Any]]) -> list[str]:
    """Whether both fits of the same trials reach the same answer."""
    own = {(row["tool"], row["size"]): row for row in rows if row["part"] == "fit"}
    lines = []
    for tool, size in sorted(own):
        theirs = own.get(("lme4", size))
        if tool != "outcomes" or theirs is None:
            continue
        ours = own[tool, size]
        apart = np.abs(np.subtract(ours["beta"], theirs["beta"])) / np.array(ours["errors"])
        gain = ours["log_likelihood"] - theirs["log_likelihood"]
        lines.append(f"| {size:,} | {gain:.2g} | {apart.max():.2g} |")
    if not lines:
        return []
    return [
        "",
        "| trials | log-likelihood above lme4's | estimates apart, standard errors |",
        "|---|---|---|",
        *lines,
    ]


def _three(value: float) -> str:
    """Three figures at most, no more than three decimals."""
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}" if value >= 0.1 else f"{value:.3f}"


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure what is left and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--small", action="store_true", help="small sizes, and no page")
    parser.add_argument("--only", nargs="+", choices=("start", "join", "fit", "brief", "figure"))
    parser.add_argument("--again", action="store_true", help="measure anew what was measured")
    parser.add_argument("--page-only", action="store_true", help="measure nothing")
    parser.add_argument("--page", type=Path, help="where the page goes")
    chosen = parser.parse_args(arguments)
    sizes = SMALL if chosen.small else FULL
    if not chosen.page_only:
        tasks = [t for t in plan(sizes) if not chosen.only or t.part in chosen.only]
        measure(tasks, sizes.file, again=chosen.again)
    rows = read_measured(sizes.file)
    target = chosen.page or (None if chosen.small else PAGE)
    if not rows:
        sys.exit(f"Nothing was measured yet: {sizes.file} is not there.")
    if target is None:
        sys.stdout.write(page(rows))
    else:
        target.write_text(page(rows), encoding="utf-8")


if __name__ == "__main__":
    main()
