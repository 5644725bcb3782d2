"""How often the intervals of cycles and age hold the truth, by error and by profile likelihood.

In full, from the repository's root:

    .venv/bin/python tests/studies/intervals.py --units 400

Shows its progress and prints a table. The reduced run is
``tests/studies/test_interval_coverage.py``.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys

import numpy as np
import pandas as pd
from scipy import stats
from side_by_side import add_options, run_side_by_side, where

from outcomes.errors import FitError
from outcomes.fit.finds import fit_finds
from outcomes.fit.intervals import profile_interval
from outcomes.joining.trials import join
from outcomes.records.write import unit_records
from outcomes.settings import Settings
from outcomes.simulate import SCENARIOS, simulate_unit

FIRST_SEED = 60_000  # none of the seeds the tests, the demo or another study use
KINDS = ("profile", "profile, few sources", "by error, few sources")


def study_unit(scenario: str, seed: int) -> list[dict[str, object]]:
    """Whether each interval of one simulated unit holds what was planted."""
    truth = SCENARIOS[scenario]
    joined = join(unit_records(simulate_unit(truth, seed)))
    fit = fit_finds(joined.trials, Settings())
    rows: list[dict[str, object]] = []
    for exposure, planted in (
        ("cycles", truth.cycle_log_odds),
        ("age_days", truth.age_log_odds),
    ):
        try:
            plain = profile_interval(fit, exposure, few_sources=False)
            wide = profile_interval(fit, exposure)
        except FitError:
            continue
        # Where slopes differ there is no profile to judge; the share of such units is shown.
        limits = {
            "profile": (plain.low, plain.high),
            "profile, few sources": (wide.low, wide.high),
            "by error, few sources": (wide.wald_low, wide.wald_high),
        }
        for kind, (low, high) in limits.items():
            rows.append(
                {
                    "scenario": scenario,
                    "exposure": exposure,
                    "kind": kind,
                    "given": low is not None,
                    "covered": None if low is None else bool(low <= planted <= high),
                    "length": None if low is None else high - low,
                }
            )
    return rows


def coverage(rows: pd.DataFrame) -> pd.DataFrame:
    """Share of intervals that hold the truth, with its standard error, by kind."""
    given = rows[rows["given"]]
    table = given.groupby(["scenario", "exposure", "kind"], sort=True).agg(
        intervals=("covered", "size"),
        covered=("covered", lambda c: float(np.mean(c.astype(bool)))),
        length=("length", lambda v: float(v.astype(float).median())),
    )
    table["error"] = np.sqrt(table["covered"] * (1.0 - table["covered"]) / table["intervals"])
    return table.reset_index()


def seldom(missed: int, intervals: int, share: float) -> bool:
    """Whether so many misses are no surprise (1 in 1,000) at a true share of misses."""
    return bool(stats.binom.sf(missed - 1, intervals, share) > 1e-3) or missed == 0


def main() -> None:
    """Run the study and print its table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=400)
    parser.add_argument("--scenarios", nargs="+", default=["no effect", "cycles only", "both"])
    add_options(parser, 2)
    chosen = parser.parse_args()
    tasks = [(s, FIRST_SEED + k) for s in chosen.scenarios for k in range(chosen.units)]
    rows: list[dict[str, object]] = []
    for done, found in enumerate(run_side_by_side(study_unit, tasks, **where(chosen)), start=1):
        rows += found
        if done % 20 == 0:
            sys.stderr.write(f"\r{done} of {len(tasks)}")
    table = coverage(pd.DataFrame(rows))
    sys.stdout.write(f"\n{dt.date.today():%Y-%m-%d}, {chosen.units} units a scenario\n")
    sys.stdout.write(table.round(4).to_string(index=False) + "\n")


if __name__ == "__main__":
    main()
