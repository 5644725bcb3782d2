"""What several units say together: how often each interval holds, and how wide it is.

The study behind ``docs/pools.md``. In full, from the repository's root:

    .venv/bin/python tests/studies/pools.py --units 800 --pools 200

First a bank of simulated units, each with what it would share (some seconds of computing a
unit), a line of ``tests/studies/pool_units/*.csv`` each, so that it goes on where it stopped;
then pools drawn from the bank. Units are of some 300 hide trials; with ``--trials`` of others.
The reduced run is ``tests/studies/test_pools.py``.
"""

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from side_by_side import add_options, run_stored, where

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.errors import FitError
from outcomes.exposure.trials import join
from outcomes.pool.unit_surface import unit_surface
from outcomes.records.write import unit_records
from outcomes.simulate import Truth, simulate_unit

FOLDER = Path(__file__).parent / "pool_units"
FIRST_SEED = 90_000  # none of the seeds the tests, the demo or another study use
MEAN = -0.6  # planted: log-odds per 10 cycles
SPREAD = {"alike": 0.0, "unlike": 0.3}  # world -> SD between units of that slope
COLUMNS = ["seed", "planted", "trials", "misses", "surface"]
HIDE_SHARE = 0.83  # of trials: neither blank nor assisted


def study_unit(world: str, seed: int, trials: int) -> dict[str, object]:
    """What one simulated unit would share; no surface where it may or can not."""
    rng = np.random.default_rng(seed)
    planted = float(rng.normal(MEAN, SPREAD[world])) if SPREAD[world] else MEAN
    truth = Truth(cycle_log_odds=planted / 10.0, baseline_log_odds=2.6, shared_thaws=False)
    unit = simulate_unit(
        truth, rng, trials=round(trials / HIDE_SHARE), dogs=6, sources=20, months=18
    )
    design = plan_design(join(unit_records(unit)).trials)
    misses = len(design.y) - int(design.y.sum())
    row = {"seed": seed, "planted": round(planted, 6), "trials": len(design.y), "misses": misses}
    try:
        found = unit_surface(design)
    except FitError:
        return row
    if misses < 30 or found.exposures != ("cycles", "age"):
        return row
    surface = found.surface
    values = [
        [None if np.isnan(v) else round(float(v), 2) for v in line]
        for line in surface.log_likelihood
    ]
    return row | {"surface": json.dumps([*[a.tolist() for a in surface.axes], values])}


def run_bank(world: str, units: int, trials: int, folder: Path, **place: Any) -> pd.DataFrame:
    """Simulate the units that have no line in the world's file yet, and return all of them."""
    calls = {seed: (world, seed, trials) for seed in range(FIRST_SEED, FIRST_SEED + units)}
    return run_stored(study_unit, calls, folder / f"{world}_{trials}.csv", COLUMNS, **place)


def main() -> None:
    """Make the bank, draw the pools, write the page."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--units", type=int, default=100, help="in each bank (800 in full)")
    parser.add_argument("--trials", type=int, default=300, help="hide trials of a unit, about")
    parser.add_argument("--folder", type=Path, default=FOLDER)
    add_options(parser, 1)
    given = parser.parse_args()
    for world in SPREAD:
        run_bank(world, given.units, given.trials, given.folder, **where(given))


if __name__ == "__main__":
    main()
