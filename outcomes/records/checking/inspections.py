"""Checking what was weighed and seen: looks at nothing, drip above mass, mass that rises."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.checking.findings import Log, Sheet

MEASURED = ("mass_g", "drip_g", "ph", "freezer_burn", "ice_damage")
_RISES_BY = 0.02  # of the mass: less is the scale, or frost on the bag; our choice


def check_inspections(inspections: Sheet, log: Log) -> None:
    """Looks that say nothing, and drip that weighs more than the source."""
    given = np.zeros(len(inspections.frame), dtype=bool)
    for name in MEASURED:
        if inspections.has(name):
            given |= ~inspections.missing(name) | log.in_doubt(inspections, name)
    nothing = log.usable(inspections) & ~given
    log.flag("inspection of nothing", inspections, nothing, "inspected_at")
    if inspections.has("mass_g", "drip_g"):
        mass, drip = inspections.values("mass_g"), inspections.values("drip_g")
        log.flag("drip above mass", inspections, drip > mass, "drip_g")


def check_masses(inspections: Sheet, storage: Sheet, sources: Sheet, log: Log) -> None:
    """Weighings of a source that are heavier than the one before, in either table."""
    parts = []
    for number, (sheet, time) in enumerate(((inspections, "inspected_at"), (storage, "moved_at"))):
        if sheet.has("source_id", time, "mass_g"):
            usable = log.usable(sheet) & ~sheet.missing("mass_g")
            part = sheet.frame.loc[usable, ["source_id", time, "mass_g"]]
            parts.append(part.rename(columns={time: "at"}).assign(sheet=number, row=part.index))
    if not parts:
        return
    if sources.has("source_id", "acquired_on", "mass_g"):
        part = sources.frame.loc[log.usable(sources) & ~sources.missing("mass_g")]
        part = part[["source_id", "acquired_on", "mass_g"]]
        parts.append(part.rename(columns={"acquired_on": "at"}).assign(sheet=2, row=part.index))
    weighed = pd.concat(parts, ignore_index=True).dropna(subset=["source_id", "at"])
    weighed = weighed.sort_values(["source_id", "at"], kind="stable", ignore_index=True)
    earlier = weighed.groupby("source_id", sort=False)[["mass_g", "at", "sheet", "row"]].shift()
    mass, before = weighed["mass_g"].to_numpy(), earlier["mass_g"].to_numpy()
    rises = mass > before * (1.0 + _RISES_BY)
    at, since = weighed["at"].tolist(), earlier["at"].tolist()
    ids, of = weighed["source_id"].tolist(), weighed["sheet"].to_numpy()
    rows = weighed["row"].to_numpy()
    sheets = (inspections, storage, sources)
    repacked = _repacked(storage)
    kept = [
        k
        for k in np.flatnonzero(rises).tolist()
        if not any(since[k] < moved <= at[k] for moved in repacked.get(ids[k], ()))
    ]

    def facts_of(k: int) -> Mapping[str, Any]:
        other = sheets[int(earlier["sheet"].to_numpy()[k])]
        where = other.place(int(earlier["row"].to_numpy()[k]))
        return {"before": f"{before[k]:g}", "where": where}

    for number, sheet in enumerate(sheets[:2]):
        found = {int(rows[k]): facts_of(k) for k in kept if of[k] == number}
        where = np.array(sorted(found), dtype=np.int64)
        log.flag("mass that rises", sheet, where, "mass_g", found.__getitem__)


def _repacked(storage: Sheet) -> dict[Any, list[pd.Timestamp]]:
    """Source → when its packaging was changed: another bag has another weight."""
    if not storage.has("source_id", "moved_at", "packaging"):
        return {}
    packed = storage.frame.loc[~storage.missing("packaging"), ["source_id", "moved_at"]]
    return {name: list(own) for name, own in packed.groupby("source_id")["moved_at"]}
