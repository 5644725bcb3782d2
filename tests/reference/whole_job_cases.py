"""The whole job of the toolkit on ``synthetic_data/``, laid out as ``whole_job.R`` writes it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from outcomes.fit.finds import FindFit, fit_finds
from outcomes.fit.lifetime import fit_lifetime
from outcomes.fit.mixed import fit_mixed
from outcomes.fit.result import Lifetime, MixedFit
from outcomes.joining.trials import Joined, join
from outcomes.records.read import read_records

ROOT = Path(__file__).parents[2]
# Read by R from its own exposures; the other columns of the design are handed to it.
BY_R = {"cycles": "cycles", "age_days": "age", "frozen_share": "share"}


@dataclass(frozen=True)
class WholeJob:
    """One unit's trials, the model of finds at its own terms, and how long sources lasted."""

    joined: Joined
    finds: FindFit
    mixed: MixedFit
    lifetime: Lifetime


def do_whole_job() -> WholeJob:
    """Join and fit, the log taken strictly: trials in which it says freezer are left out.

    The model of finds is fitted again with dogs and sources alone as groupings, as in R.
    """
    records = read_records(ROOT / "synthetic_data")
    settings = replace(records.settings, unlogged_thaws="strict")
    joined = join(replace(records, settings=settings))
    finds = fit_finds(joined.trials, settings)
    design = finds.design
    groups = {name: design.groups[name] for name in ("source", "dog")}
    mixed = fit_mixed(design.y, design.x, design.names, groups)
    lifetime = fit_lifetime(joined.trials, records.sources, records.storage, settings)
    return WholeJob(joined, finds, mixed, lifetime)


def conditions(job: WholeJob) -> pd.DataFrame:
    """Columns of the design that are no exposure, as ``term_1`` and on, by trial."""
    design = job.finds.design
    names = [c for c in design.columns if c.term not in BY_R]
    places = [design.columns.index(c) + 1 for c in names]
    table = pd.DataFrame(
        np.round(design.x[:, places], 12),
        columns=[f"term_{number}" for number in range(1, len(places) + 1)],
    )
    table.insert(0, "trial_id", design.trials["trial_id"].to_numpy())
    return table
