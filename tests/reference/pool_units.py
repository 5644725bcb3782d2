"""Four synthetic units as a mixed model sees them: ``pool_units.csv``.

    .venv/bin/python tests/reference/pool_units.py

Columns: unit, found, cycles (per 10), age (per year), dog, source, and the unit's other terms
from its own model as v1, v2 … (empty where a unit has fewer).
"""

from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.analysis.finds.choose_terms import plan_design
from outcomes.analysis.finds.design import Design
from outcomes.exposure.trials import join
from outcomes.records.write import unit_records
from outcomes.simulate import Truth, simulate_unit

HERE = Path(__file__).parent
SEEDS = (70_001, 70_002, 70_003, 70_004)


def unit_design(seed: int) -> Design:
    """One unit's trials and terms."""
    truth = Truth(cycle_log_odds=-0.06, baseline_log_odds=2.2, shared_thaws=False)
    unit = simulate_unit(truth, seed, trials=480, dogs=6, sources=16, months=18)
    return plan_design(join(unit_records(unit)).trials)


def unit_frame(number: int, design: Design) -> pd.DataFrame:
    """One unit's rows."""
    rows = {
        "unit": number,
        "found": design.y.astype(int),
        "cycles": design.trials["cycles"].to_numpy(float) / 10.0,
        "age": design.trials["age_days"].to_numpy(float) / 365.25,
        "dog": design.groups["dog"],
        "source": design.groups["source"],
    }
    others = [k for k, c in enumerate(design.columns, 1) if c.term not in ("cycles", "age_days")]
    rows |= {f"v{n}": np.round(design.x[:, k], 10) for n, k in enumerate(others, 1)}
    return pd.DataFrame(rows)


if __name__ == "__main__":
    frames = [unit_frame(n, unit_design(seed)) for n, seed in enumerate(SEEDS, 1)]
    pd.concat(frames).to_csv(HERE / "pool_units.csv", index=False, lineterminator="\n")
