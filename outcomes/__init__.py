"""Do the storage and the age of a training source change what detection dogs find?

    import outcomes as oc
    unit = oc.read("records")
    finds = oc.fit_finds(unit.join())
    oc.which_predicts(finds)
    oc.find_threshold(finds, floor=0.85)
    oc.shelf(finds)

Public names are those below and what the objects they give have without an underscore. They are
imported when first used, so that ``import outcomes`` costs nothing.

The data's way: ``records`` → ``exposure`` → ``models`` → ``analysis`` → ``answers`` →
``wording`` → ``draw`` → ``api`` → ``report``; ``cli`` calls each.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from outcomes.api.decisions import compare_storage, find_threshold, shelf
    from outcomes.api.finds import fit_finds, which_predicts
    from outcomes.api.lifetimes import fit_lifetimes
    from outcomes.api.plans import plan
    from outcomes.api.unit import from_frames, read
    from outcomes.records.unit_file import load_settings
    from outcomes.settings import DecisionSettings, RecordsSettings, Settings

__version__ = "0.1.0"

__all__ = [
    "DecisionSettings",
    "RecordsSettings",
    "Settings",
    "__version__",
    "compare_storage",
    "find_threshold",
    "fit_finds",
    "fit_lifetimes",
    "from_frames",
    "load_settings",
    "plan",
    "read",
    "shelf",
    "which_predicts",
]

_HOMES = {
    "DecisionSettings": "outcomes.settings",
    "RecordsSettings": "outcomes.settings",
    "Settings": "outcomes.settings",
    "compare_storage": "outcomes.api.decisions",
    "find_threshold": "outcomes.api.decisions",
    "fit_finds": "outcomes.api.finds",
    "fit_lifetimes": "outcomes.api.lifetimes",
    "from_frames": "outcomes.api.unit",
    "load_settings": "outcomes.records.unit_file",
    "plan": "outcomes.api.plans",
    "read": "outcomes.api.unit",
    "shelf": "outcomes.api.decisions",
    "which_predicts": "outcomes.api.finds",
}


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'outcomes' has no attribute {name!r}")
    return getattr(import_module(home), name)


def __dir__() -> list[str]:
    return __all__
