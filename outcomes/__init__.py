"""Do the storage and the age of a training source change what detection dogs find?

The data's way: ``records`` → ``exposure`` → ``joining`` → ``fit`` → ``decide`` →
``draw`` → ``brief``; ``cli`` calls each. The public functions below are
imported when first used, so that ``import outcomes`` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from outcomes.fit.dogs import review_dogs
    from outcomes.fit.finds import fit_finds
    from outcomes.fit.intervals import profile_interval
    from outcomes.fit.lifetime import fit_lifetime
    from outcomes.fit.quality import check_quality
    from outcomes.fit.shape import compare_shapes
    from outcomes.fit.specifications import try_specifications
    from outcomes.fit.suspects import compare_suspects
    from outcomes.fit.which_predicts import which_predicts
    from outcomes.joining.trials import join
    from outcomes.records.read import read_records
    from outcomes.settings import Settings

__version__ = "0.1.0"

__all__ = [
    "Settings",
    "__version__",
    "check_quality",
    "compare_shapes",
    "compare_suspects",
    "fit_finds",
    "fit_lifetime",
    "join",
    "profile_interval",
    "read_records",
    "review_dogs",
    "try_specifications",
    "which_predicts",
]

_HOMES = {
    "Settings": "outcomes.settings",
    "check_quality": "outcomes.fit.quality",
    "compare_shapes": "outcomes.fit.shape",
    "compare_suspects": "outcomes.fit.suspects",
    "fit_finds": "outcomes.fit.finds",
    "fit_lifetime": "outcomes.fit.lifetime",
    "join": "outcomes.joining.trials",
    "profile_interval": "outcomes.fit.intervals",
    "read_records": "outcomes.records.read",
    "review_dogs": "outcomes.fit.dogs",
    "try_specifications": "outcomes.fit.specifications",
    "which_predicts": "outcomes.fit.which_predicts",
}


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'outcomes' has no attribute {name!r}")
    return getattr(import_module(home), name)
