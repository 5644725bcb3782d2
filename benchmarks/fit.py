"""Time and likelihood of the mixed model of finds, beside lme4 on the same trials.

    python benchmarks/fit.py                                2,600 trials, with lme4
    python benchmarks/fit.py --trials 1000 10000 100000     sizes, without lme4
    python benchmarks/fit.py --trials 20000 --lme4          a size, with lme4

Each size is simulated once from a stated truth: dogs and sources differ by 0.5
on the log-odds scale, five covariates. Both fit crossed intercepts for dog and
source by the Laplace approximation and give standard errors; the engine's time
is that of ``fit_mixed`` with details, as a fit of finds calls it. Needs
``Rscript`` with lme4 and jsonlite for the comparison. One run each, best of
``--repeats``. ``benchmarks/run.py`` measures each in a process of its own (``--only``).
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import platform
import resource
import subprocess
import sys
import tempfile
import time
from importlib import metadata
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.models.mixed import fit_mixed

COLUMNS = ("cycles", "age_months", "log2_set_min", "temperature", "wind")
SLOPES = (-0.05, -0.02, 0.10, -0.02, -0.05)


def make_trials(trials: int, dogs: int, sources: int, seed: int) -> pd.DataFrame:
    """Simulated hide trials: covariates, groupings and ``found``."""
    rng = np.random.default_rng(seed)
    dog = rng.integers(0, dogs, trials)
    source = rng.integers(0, sources, trials)
    frame = pd.DataFrame(
        {
            "cycles": rng.integers(0, 25, trials).astype(float) - 12.0,
            "age_months": rng.uniform(-12.0, 12.0, trials),
            "log2_set_min": rng.normal(0.0, 1.0, trials),
            "temperature": rng.normal(0.0, 8.0, trials),
            "wind": rng.gamma(3.0, 1.0, trials) - 3.0,
        }
    )
    eta = 1.8 + frame.to_numpy() @ np.array(SLOPES)
    eta += rng.normal(0.0, 0.5, dogs)[dog] + rng.normal(0.0, 0.5, sources)[source]
    frame["found"] = (rng.random(trials) < 1.0 / (1.0 + np.exp(-eta))).astype(int)
    return frame.assign(dog=[f"D{d}" for d in dog], source=[f"S{s}" for s in source])


def measure_engine(frame: pd.DataFrame, repeats: int) -> dict[str, object]:
    """Best seconds over the repeats, log-likelihood and estimates."""
    y = frame["found"].to_numpy(float)
    x = np.column_stack([np.ones(len(frame)), frame[list(COLUMNS)].to_numpy(float)])
    groups = {name: frame[name].to_numpy(str) for name in ("dog", "source")}
    seconds = []
    for _ in range(repeats):
        begin = time.perf_counter()
        fit = fit_mixed(y, x, ("(Intercept)", *COLUMNS), groups)
        seconds.append(time.perf_counter() - begin)
    errors = np.sqrt(np.diag(fit.cov))
    return {
        "seconds": min(seconds),
        "log_likelihood": fit.log_likelihood,
        "beta": fit.beta,
        "errors": errors,
    }


def measure_lme4(frame: pd.DataFrame, repeats: int) -> dict[str, object]:
    """The same by ``glmer``; best of as many runs of the whole script."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trials.csv"
        frame.to_csv(path, index=False)
        script = str(Path(__file__).with_name("fit.R"))
        runs = []
        for _ in range(repeats):
            done = subprocess.run(
                ["Rscript", script, str(path), *COLUMNS], check=True, capture_output=True, text=True
            )
            runs.append(json.loads(done.stdout))
    return min(runs, key=lambda run: run["seconds"])


def measure_once(tool: str, frame: pd.DataFrame) -> dict[str, object]:
    """One fit: seconds, GB at peak, and what it found."""
    if tool == "lme4":
        found = measure_lme4(frame, 1)
        version = f"R {found.pop('r')}, lme4 {found.pop('lme4')}"
        return {**found, "version": version}
    found = measure_engine(frame, 1)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # Linux counts kibibytes, macOS bytes.
    peak_gb = peak * (1 if sys.platform == "darwin" else 1024) / 1e9
    arrays = {name: np.asarray(found[name]).tolist() for name in ("beta", "errors")}
    return {**found, **arrays, "peak_gb": peak_gb}


def main() -> None:
    """Measure each size and print a line for each."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--trials", type=int, nargs="+", default=[])
    parser.add_argument("--dogs", type=int, default=12)
    parser.add_argument("--sources", type=int, default=48)
    parser.add_argument("--lme4", action="store_true", help="also fit with lme4")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=("outcomes", "lme4"), help="fit once, and print JSON")
    chosen = parser.parse_args()
    if chosen.only:
        frame = make_trials(chosen.trials[0], chosen.dogs, chosen.sources, chosen.seed)
        sys.stdout.write(json.dumps(measure_once(chosen.only, frame)) + "\n")
        return
    sizes = chosen.trials or [2_600]
    with_lme4 = chosen.lme4 or not chosen.trials
    versions = ", ".join(f"{name} {metadata.version(name)}" for name in ("numpy", "scipy"))
    sys.stdout.write(
        f"{dt.date.today():%Y-%m-%d}, Python {platform.python_version()}, {versions}; "
        f"{chosen.dogs} dogs, {chosen.sources} sources, best of {chosen.repeats}\n"
        f"{'trials':>10}{'seconds':>10}{'log-likelihood':>18}{'lme4 seconds':>14}"
        f"{'difference':>12}{'in errors':>11}\n"
    )
    for trials in sizes:
        frame = make_trials(trials, chosen.dogs, chosen.sources, chosen.seed)
        ours = measure_engine(frame, chosen.repeats)
        line = f"{trials:10,d}{ours['seconds']:10.3f}{ours['log_likelihood']:18.4f}"
        if with_lme4:
            theirs = measure_lme4(frame, chosen.repeats)
            gain = ours["log_likelihood"] - theirs["log_likelihood"]
            apart = np.abs(ours["beta"] - np.array(theirs["beta"])) / ours["errors"]
            line += f"{theirs['seconds']:14.3f}{gain:12.5f}{apart.max():11.4f}"
            line += f"   R {theirs['r']}, lme4 {theirs['lme4']}"
        sys.stdout.write(line + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
