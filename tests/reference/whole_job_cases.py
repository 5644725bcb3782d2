"""The whole job of the toolkit on ``synthetic_data/``, as ``whole_job.R`` does it."""

from dataclasses import dataclass, replace
from pathlib import Path

from outcomes.analysis.finds.model import FindFit, fit_finds
from outcomes.analysis.lifetimes.kaplan_meier import fit_lifetime
from outcomes.analysis.results import Lifetime
from outcomes.analysis.searches.false_alerts import FalseAlertFit, fit_false_alerts
from outcomes.analysis.searches.search_time import SearchTimeFit, fit_search_time
from outcomes.exposure.trials import Joined, join
from outcomes.models.mixed import fit_mixed
from outcomes.models.mixed_result import MixedFit
from outcomes.records.read import read_records
from outcomes.settings import DecisionSettings, ReliabilityRule

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class WholeJob:
    """One unit's trials, under both policies, and what was fitted to the strict ones.

    ``mixed`` is the model of finds with dogs and sources alone as groupings.
    """

    joined: Joined
    inferred: Joined
    finds: FindFit
    mixed: MixedFit
    search_time: SearchTimeFit
    false_alerts: FalseAlertFit
    lifetime: Lifetime


def do_whole_job() -> WholeJob:
    """Join and fit, the log taken strictly: trials in which it says freezer are left out."""
    records = read_records(ROOT / "synthetic_data")
    settings = DecisionSettings(rule=ReliabilityRule(2, 3))
    strict = replace(records.settings, unlogged_thaws="strict")
    joined = join(replace(records, settings=strict))
    finds = fit_finds(joined.trials, settings)
    design = finds.design
    groups = {name: design.groups[name] for name in ("source", "dog")}
    return WholeJob(
        joined=joined,
        inferred=join(records),
        finds=finds,
        mixed=fit_mixed(design.y, design.x, design.names, groups),
        search_time=fit_search_time(finds),
        false_alerts=fit_false_alerts(joined.trials, settings),
        lifetime=fit_lifetime(joined.trials, records.sources, records.storage, settings),
    )


def in_r(term: str, unit: str) -> str:
    """A term as R names its coefficient: a word's follows its column."""
    return term + unit.partition(" against ")[0] if " against " in unit else term
