"""How right the answers on lifetimes are: curves, the rule's false calls, cycles at one age.

In full, from the repository's root:

    .venv/bin/python tests/studies/lifetimes.py --units 500

Shows its progress and prints a table. The reduced run is
``tests/studies/test_lifetimes.py``. The units are made here, trial by trial,
so that the true time, share and effect are known exactly; they pass through
the same functions as a unit's records.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
import pandas as pd

from outcomes.fit.interval_lifetime import fit_interval_lifetime
from outcomes.fit.interval_log_rank import compare_interval_curves
from outcomes.fit.lifetime import fit_lifetime
from outcomes.fit.lifetime_model import fit_cycles_at_age
from outcomes.fit.reliability_rule import first_called
from outcomes.fit.result import Lifetime
from outcomes.settings import ReliabilityRule, Settings

FIRST_SEED = 90_000  # none of the seeds the tests, the demo or another study use
SHAPE, SCALE = 1.3, 400.0
DAYS = (100.0, 200.0, 300.0, 400.0)
PER_CYCLE = (0.0, 0.15)
FOUND, TRIALS = 0.9, 20
FIRST_DAY = pd.Timestamp("2024-01-01")
FIRST_MISS = ReliabilityRule(misses=1, window=1, qualified_only=False)
NO_MOVES = pd.DataFrame({"source_id": [], "moved_at": [], "moved_to": []})


def _trials(rows: list[tuple[str, float, float, bool, str]]) -> pd.DataFrame:
    """Trials from source, days held, cycles, missed, regime."""
    frame = pd.DataFrame(rows, columns=["source_id", "held_days", "cycles", "missed", "regime"])
    return frame.assign(
        trial_id=[f"T{k:06d}" for k in range(len(frame))],
        started_at=FIRST_DAY + pd.to_timedelta(frame["held_days"], unit="D"),
        age_days=frame["held_days"] + 50.0,
        kind="muscle",
        result=np.where(frame["missed"], "miss", "find"),
    )


def _lifetime(trials: pd.DataFrame, settings: Settings) -> Lifetime:
    return fit_lifetime(trials, trials[["source_id"]].drop_duplicates(), NO_MOVES, settings)


def curve_unit(seed: int) -> list[dict[str, object]]:
    """Whether the limits hold the true curve, and whether regimes alike are called different."""
    rng = np.random.default_rng(FIRST_SEED + seed)
    settings = Settings(seed=seed, rule=FIRST_MISS)
    rows: list[tuple[str, float, float, bool, str]] = []
    for i in range(24):
        entry, ends = rng.uniform(0, 120), rng.uniform(200, 700)
        fails = SCALE * rng.exponential() ** (1 / SHAPE)
        while fails <= entry:
            fails = SCALE * rng.exponential() ** (1 / SHAPE)
        tried = entry + np.concatenate([[0.0], np.cumsum(rng.exponential(25, 90) + 1)])
        regime = "frozen" if i % 2 else "refrigerated"
        rows += [(f"S{i:03d}", t, 1.0, t >= fails, regime) for t in tried[tried <= ends]]
    lifetime = _lifetime(_trials(rows), settings)
    test = compare_interval_curves(lifetime)
    found: list[dict[str, object]] = []
    if test.p is not None:
        found.append({"what": "regimes alike are called different", "value": test.p < 0.05})
    together = replace(lifetime, followed=lifetime.followed.assign(regime="frozen"))
    for curve in fit_interval_lifetime(together, settings, resamples=60).curves:
        start, held = curve.points[0].time, []
        for day in DAYS:
            before = [p for p in curve.points if p.time <= day]
            after = [p for p in curve.points if p.cell_from >= day]
            if day >= start and before and after:
                truth = np.exp((start / SCALE) ** SHAPE - (day / SCALE) ** SHAPE)
                held.append(after[0].low <= truth <= before[-1].high)
        if held:
            found.append({"what": "limits hold the true curve", "value": float(np.mean(held))})
    return found


def rule_unit(seed: int) -> list[dict[str, object]]:
    """How much more often unchanging sources are called than the unit's own page says."""
    rng = np.random.default_rng(FIRST_SEED + seed)
    settings = Settings(rule=replace(FIRST_MISS, misses=2, window=3))
    missed = rng.random((40, TRIALS)) >= FOUND
    rows = [
        (f"S{i:03d}", 10.0 * (k + 1), 1.0, bool(missed[i, k]), "frozen")
        for i in range(len(missed))
        for k in range(TRIALS)
    ]
    stated = _lifetime(_trials(rows), settings).rule_false_call[TRIALS]
    called = float(np.mean([first_called(own, 2, 3) is not None for own in missed]))
    return [{"what": "false calls less those stated", "value": called - stated}]


def cycles_unit(seed: int) -> list[dict[str, object]]:
    """Error of the effect of cycles that change from trial to trial, at one age."""
    rng = np.random.default_rng(FIRST_SEED + seed)
    found: list[dict[str, object]] = []
    for planted in PER_CYCLE:
        rows: list[tuple[str, float, float, bool, str]] = []
        for i in range(60):
            pace, cycles = rng.uniform(0.2, 0.9), 0
            for k in range(30):
                cycles += int(rng.random() < pace)
                missed = bool(rng.random() < -np.expm1(-0.01 * np.exp(planted * cycles)))
                rows.append((f"S{i:03d}", 10.0 * (k + 1), float(cycles), missed, "frozen"))
        fit = fit_cycles_at_age(_trials(rows), Settings(rule=FIRST_MISS))
        if fit.terms:
            term = fit.terms[0]
            found += [
                {"what": f"error, log hazard {planted} a cycle", "value": term.log_ratio - planted},
                {
                    "what": f"interval holds {planted} a cycle",
                    "value": term.low <= np.exp(planted) <= term.high,
                },
            ]
    return found


STUDIES = {"curve": curve_unit, "rule": rule_unit, "cycles": cycles_unit}


def summary(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Mean of each value over the units, with its standard error."""
    frame = pd.DataFrame(rows).astype({"value": float})
    table = frame.groupby("what", sort=True)["value"].agg(["size", "mean", "std"])
    table["error"] = table["std"] / np.sqrt(table["size"])
    return table.drop(columns="std").rename(columns={"size": "units"})


def _run(task: tuple[str, int]) -> list[dict[str, object]]:
    return STUDIES[task[0]](task[1])


def main() -> None:
    """Run the study and print its table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=500)
    parser.add_argument("--workers", type=int, default=2)
    chosen = parser.parse_args()
    tasks = [(name, seed) for name in STUDIES for seed in range(chosen.units)]
    rows: list[dict[str, object]] = []
    with ProcessPoolExecutor(chosen.workers) as pool:
        for done, found in enumerate(pool.map(_run, tasks, chunksize=4), start=1):
            rows += found
            if done % 20 == 0:
                sys.stderr.write(f"\r{done} of {len(tasks)}")
    sys.stdout.write(f"\n{dt.date.today():%Y-%m-%d}, {chosen.units} units of each kind\n")
    sys.stdout.write(summary(rows).round(4).to_string() + "\n")


if __name__ == "__main__":
    main()
