"""The whole job of the toolkit on ``synthetic_data/``, as ``whole_job.R`` does it."""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from outcomes.analysis.finds.design import usable_trials
from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.lifetimes.kaplan_meier import fit_lifetime
from outcomes.analysis.results import Lifetime
from outcomes.analysis.searches.design import choose_conditions
from outcomes.analysis.searches.false_alerts import FalseAlertFit, fit_false_alerts
from outcomes.analysis.searches.search_time import SearchTimeFit, fit_search_time
from outcomes.exposure.trials import Joined, join
from outcomes.models.aft import FAMILIES, AcceleratedFit, fit_accelerated
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit
from outcomes.records.read import read_records
from outcomes.settings import DecisionSettings

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class WholeJob:
    """One unit's trials, under both policies, and what was fitted to the strict ones.

    ``mixed`` is the model of finds with dogs and sources alone as groupings;
    ``accelerated`` the models of the log time by name, without an effect of the
    source, ``timed_terms`` their terms before the constants of the dogs.
    """

    joined: Joined
    inferred: Joined
    finds: FindFit
    mixed: MixedFit
    search_time: SearchTimeFit
    timed_terms: tuple[str, ...]
    accelerated: dict[str, AcceleratedFit]
    false_alerts: FalseAlertFit
    lifetime: Lifetime


def do_whole_job() -> WholeJob:
    """Join and fit, the log taken strictly: trials in which it says freezer are left out."""
    records = read_records(ROOT / "synthetic_data")
    settings = DecisionSettings()
    strict = replace(records.settings, unlogged_thaws="strict")
    joined = join(replace(records, settings=strict))
    finds = fit_finds(joined.trials, settings)
    design = finds.design
    groups = {name: design.groups[name] for name in ("source", "dog")}
    timed_terms, accelerated = _accelerated(joined)
    return WholeJob(
        joined=joined,
        inferred=join(records),
        finds=finds,
        mixed=fit_mixed(design.y, design.x, design.names, groups),
        search_time=fit_search_time(joined.trials, settings),
        timed_terms=timed_terms,
        accelerated=accelerated,
        false_alerts=fit_false_alerts(joined.trials, settings),
        lifetime=fit_lifetime(joined.trials, records.sources, records.storage, settings),
    )


def _accelerated(joined: Joined) -> tuple[tuple[str, ...], dict[str, AcceleratedFit]]:
    """The models of the log time without an effect of the source, which R has not."""
    trials, _ = usable_trials(joined.trials)
    missed = trials["result"] == "miss"
    time = trials["search_s"].astype(float)
    trials = trials.assign(time_s=time.where(time.notna() | ~missed, trials["limit_s"]))
    trials = trials[trials["time_s"] > 0]
    chosen = choose_conditions(trials, trials["result"] == "find")
    time_s = chosen.trials["time_s"].to_numpy(float)
    found = (chosen.trials["result"] == "find").to_numpy()
    dogs = np.unique(chosen.trials["dog_id"].astype(str), return_inverse=True)[1].reshape(-1)
    x = np.column_stack([chosen.x, np.eye(dogs.max() + 1)[dogs]])
    terms = tuple(in_r(column.term, column.unit) for column in chosen.columns)
    return terms, {family: fit_accelerated(time_s, found, x, family) for family in FAMILIES}


def in_r(term: str, unit: str) -> str:
    """A term as R names its coefficient: a word's follows its column."""
    return term + unit.partition(" against ")[0] if " against " in unit else term
