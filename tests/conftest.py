"""Joined trials made by hand: cheap, with a stated truth, and nothing else in them."""

from __future__ import annotations

import os
from collections.abc import Callable

# As the command line does, before NumPy is imported: the same sums in the same order.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
import pytest  # noqa: E402


def _made_trials(
    seed: int,
    *,
    n: int = 600,
    dogs: int = 4,
    sources: int = 12,
    baseline: float = 2.0,
    cycle: float = 0.0,
    age: float = 0.0,
    cycle_slopes: np.ndarray | None = None,
    source_sd: float = 0.0,
    tied: bool = False,
) -> pd.DataFrame:
    """Hide trials with the columns that joining gives; log-odds per cycle and per 30 days.

    Each source comes in new at its own time and is used about evenly, so that
    cycles and age go together a little; ``tied`` makes age 30 days a cycle.
    """
    rng = np.random.default_rng(seed)
    source = rng.integers(0, sources, n)
    cycles = rng.integers(0, 21, n).astype(float)
    age_days = cycles * 30.0 if tied else rng.uniform(0.0, 900.0, n)
    slope = np.full(sources, cycle) if cycle_slopes is None else cycle + cycle_slopes
    effect = rng.normal(0.0, source_sd, sources)
    log_odds = baseline + slope[source] * cycles + age * age_days / 30.0 + effect[source]
    found = rng.random(n) < 1.0 / (1.0 + np.exp(-log_odds))
    return pd.DataFrame(
        {
            "trial_id": [f"T{i:05d}" for i in range(n)],
            "started_at": pd.Timestamp("2025-01-01") + pd.to_timedelta(np.arange(n), unit="h"),
            "dog_id": [f"D{d}" for d in rng.integers(0, dogs, n)],
            "source_id": [f"S{s:02d}" for s in source],
            "result": np.where(found, "find", "miss"),
            "cycles": cycles,
            "age_days": age_days,
            "documented": pd.array(np.ones(n, dtype=bool), dtype="boolean"),
        }
    )


@pytest.fixture(scope="session")
def made_trials() -> Callable[..., pd.DataFrame]:
    return _made_trials
