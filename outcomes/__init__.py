"""Do the storage and the age of a training source change what detection dogs find?

The data's way: ``records`` → ``exposure`` → ``models`` → ``analysis`` → ``answers`` →
``wording`` → ``draw`` → ``report``; ``cli`` calls each. The public functions below are
imported when first used, so that ``import outcomes`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from outcomes.analysis.finds.confounders import compare_suspects
    from outcomes.analysis.finds.cycles_or_age import which_predicts
    from outcomes.analysis.finds.dog_and_source_effects import review_dogs
    from outcomes.analysis.finds.model import fit_finds
    from outcomes.analysis.finds.profile import profile_interval
    from outcomes.analysis.finds.sensitivity import try_specifications
    from outcomes.analysis.finds.validation import check_quality
    from outcomes.analysis.lifetimes.kaplan_meier import fit_lifetime
    from outcomes.exposure.trials import join
    from outcomes.records.read import read_records
    from outcomes.records.unit_file import load_settings
    from outcomes.settings import DecisionSettings, RecordsSettings, Settings

__version__ = "0.1.0"

__all__ = [
    "DecisionSettings",
    "RecordsSettings",
    "Settings",
    "__version__",
    "check_quality",
    "compare_suspects",
    "fit_finds",
    "fit_lifetime",
    "join",
    "load_settings",
    "profile_interval",
    "read_records",
    "review_dogs",
    "try_specifications",
    "which_predicts",
]

_HOMES = {
    "DecisionSettings": "outcomes.settings",
    "RecordsSettings": "outcomes.settings",
    "Settings": "outcomes.settings",
    "check_quality": "outcomes.analysis.finds.validation",
    "compare_suspects": "outcomes.analysis.finds.confounders",
    "fit_finds": "outcomes.analysis.finds.model",
    "fit_lifetime": "outcomes.analysis.lifetimes.kaplan_meier",
    "join": "outcomes.exposure.trials",
    "load_settings": "outcomes.records.unit_file",
    "profile_interval": "outcomes.analysis.finds.profile",
    "read_records": "outcomes.records.read",
    "review_dogs": "outcomes.analysis.finds.dog_and_source_effects",
    "try_specifications": "outcomes.analysis.finds.sensitivity",
    "which_predicts": "outcomes.analysis.finds.cycles_or_age",
}


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'outcomes' has no attribute {name!r}")
    return getattr(import_module(home), name)
