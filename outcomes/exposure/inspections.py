"""What was weighed and seen of a source: the state after each look, and at any moment since.

Portions and re-packing are respected: a portion goes on from the share of its mass that its
parent had kept when it was cut, and after a re-packing, or after a portion was cut off, shares go
on from the next weighing, for what such a step takes away or adds is no loss.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from outcomes.records.tables import Records

SCORES = ("freezer_burn", "ice_damage")
SEEN = ("mass_share", "drip_share", *SCORES)
"""What is told of a source at a moment, beside how old the latest look is."""

OF_INSPECTIONS = (*SEEN, "inspected_days")
"""Columns of the joined trials, where there are inspections."""

_MEASURED = ("mass_g", "drip_g", *SCORES, "ph")
LOOKS = ("source_id", "at", *SEEN, "ph", "weighed", "dripped", "scored", "blind")


def gather_looks(records: Records) -> pd.DataFrame:
    """Every look at every source, in order, with the state of the source after it.

    A mass on a row of the storage log is a look, too.

    Parameters
    ----------
    records
        As read and checked.

    Returns
    -------
    DataFrame
        One row a look, sorted by source and time: ``source_id``, ``at``; ``mass_share``, the
        latest mass over the first (``mass_g`` of the sources, else the first weighing);
        ``drip_share``, the latest drip over the mass before that thaw (the mass weighed before
        it, else the mass and the drip of the same look); the latest ``freezer_burn``,
        ``ice_damage`` and ``ph``; ``weighed``, ``dripped`` and ``scored``, whether this very look
        weighed the source, its drip, or scored it; ``blind`` (pandas ``boolean``). Empty where
        nothing was inspected. What a portion inherits is not a row of its own.
    """
    looks = _looks(records)
    if looks.empty:
        return pd.DataFrame(columns=list(LOOKS))
    sources = records.sources.set_index("source_id")
    breaks = _breaks(records)
    found: dict[str, list[dict[str, Any]]] = {}
    by_source = {str(name): own for name, own in looks.groupby("source_id", sort=True)}
    for name in _parents_first(sources):
        start = _inherited(name, sources, found)
        own = by_source.get(name)
        if own is None:
            # A portion that was never looked at has what its parent had.
            found[name] = [] if start is None else [{**start, "own": False}]
            continue
        found[name] = [
            *([] if start is None else [{**start, "own": False}]),
            *_states(own, pd.Series(sources.loc[name]), start, breaks.get(name, ())),
        ]
    rows = [row for name in sorted(found) for row in found[name] if row["own"]]
    return pd.DataFrame(rows, columns=list(LOOKS)).astype({"blind": "boolean"})


def seen_at(
    records: Records, looks: pd.DataFrame, source_id: pd.Series[Any], at: pd.Series[Any]
) -> pd.DataFrame:
    """What had been weighed and seen of a source by a moment.

    Parameters
    ----------
    records
        As read and checked.
    looks
        From :func:`gather_looks`.
    source_id, at
        Source and moment, shape (n,), on the same index.

    Returns
    -------
    DataFrame
        Shape (n, 5), the columns of ``OF_INSPECTIONS``, on the index of ``source_id``:
        ``inspected_days`` is how long ago the latest look was, days. All are missing before the
        first look. A portion has what was seen of its parent before it was cut, until it is
        looked at itself.
    """
    asked = pd.DataFrame(
        {
            "source_id": source_id.astype(object).to_numpy(),
            "at": at.to_numpy(),
            "row": np.arange(len(source_id)),
        }
    )
    empty = pd.DataFrame(np.nan, index=source_id.index, columns=list(OF_INSPECTIONS))
    known = asked.dropna(subset=["source_id", "at"]).sort_values("at", kind="stable")
    states = _with_inherited(records, looks)
    if known.empty or states.empty:
        return empty
    found = pd.merge_asof(
        known,
        states.sort_values("at", kind="stable").assign(looked_at=lambda s: s["at"]),
        on="at",
        by="source_id",
    )
    since = found["at"].to_numpy() - found["looked_at"].to_numpy()
    found["inspected_days"] = since / np.timedelta64(1, "D")
    values = empty.to_numpy(copy=True)
    values[found["row"].to_numpy()] = found[list(OF_INSPECTIONS)].to_numpy(dtype=float)
    return pd.DataFrame(values, index=source_id.index, columns=list(OF_INSPECTIONS))


def _looks(records: Records) -> pd.DataFrame:
    """Rows of inspections and weighed rows of the storage log, sorted, as handed over."""
    parts = []
    inspections = records.inspections
    if len(inspections):
        own = inspections.rename(columns={"inspected_at": "at"})
        parts.append(own[[c for c in ("source_id", "at", *_MEASURED, "blind") if c in own]])
    storage = records.storage
    if "mass_g" in storage:
        weighed = storage[storage["mass_g"].notna()].rename(columns={"moved_at": "at"})
        if len(weighed):
            parts.append(weighed[["source_id", "at", "mass_g"]])
    if not parts:
        return pd.DataFrame(columns=["source_id", "at", *_MEASURED, "blind"])
    whole = pd.concat([_full(part) for part in parts], ignore_index=True)
    return whole.sort_values(["source_id", "at"], kind="stable", ignore_index=True)


def _full(part: pd.DataFrame) -> pd.DataFrame:
    """The same with every column, those not handed over missing."""
    columns: dict[str, Any] = {"source_id": part["source_id"].astype(object), "at": part["at"]}
    for name in _MEASURED:
        values = part[name] if name in part else pd.Series(np.nan, index=part.index)
        columns[name] = values.astype(float)
    blind = part["blind"] if "blind" in part else pd.Series(pd.NA, index=part.index)
    columns["blind"] = blind.astype("boolean")
    return pd.DataFrame(columns)


def _breaks(records: Records) -> dict[str, tuple[pd.Timestamp, ...]]:
    """Source → when it was re-packed, or had a portion cut off."""
    found: dict[str, list[pd.Timestamp]] = {}
    storage = records.storage
    if "packaging" in storage:
        packed = storage[storage["packaging"].notna()].sort_values("moved_at", kind="stable")
        first: Mapping[Any, Any] = {}
        if "packaging" in records.sources:
            first = records.sources.set_index("source_id")["packaging"].to_dict()
        for name, own in packed.groupby("source_id", observed=True):
            before = own["packaging"].shift()
            before.iloc[0] = first.get(name)
            changed = own["moved_at"][own["packaging"].to_numpy() != before.to_numpy()]
            found.setdefault(str(name), []).extend(changed)
    if "parent_id" in records.sources:
        portions = records.sources[records.sources["parent_id"].notna()]
        for parent, cut in zip(portions["parent_id"], portions["acquired_on"], strict=True):
            found.setdefault(str(parent), []).append(cut.normalize())
    return {name: tuple(sorted(at)) for name, at in found.items()}


def _parents_first(sources: pd.DataFrame) -> Iterator[str]:
    if "parent_id" not in sources:
        yield from map(str, sources.index)
        return
    parent = sources["parent_id"].where(sources["parent_id"].notna(), None).to_dict()
    done: set[str] = set()
    for name in sources.index:
        line = []
        at: Any = name
        while at is not None and at not in done and at in parent:
            line.append(str(at))
            done.add(at)
            at = parent[at]
        yield from reversed(line)


def _inherited(
    name: str, sources: pd.DataFrame, found: Mapping[str, list[dict[str, Any]]]
) -> dict[str, Any] | None:
    """The state that a portion was cut with; None for a whole source, and for one never seen."""
    parent = sources.loc[name].get("parent_id")
    if parent is None or pd.isna(parent):
        return None
    cut = pd.Timestamp(str(sources.loc[name, "acquired_on"])).normalize()
    before = [row for row in found.get(str(parent), ()) if row["at"] < cut]
    return {**before[-1], "source_id": name} if before else None


def _states(
    own: pd.DataFrame,
    source: pd.Series[Any],
    start: dict[str, Any] | None,
    breaks: tuple[pd.Timestamp, ...],
) -> Iterator[dict[str, Any]]:
    """The state of one source after each of its own looks."""
    state = {name: np.nan for name in (*SEEN, "ph")}
    if start is not None:
        state |= {name: start[name] for name in state}
    kept = state["mass_share"] if np.isfinite(state["mass_share"]) else 1.0
    first = source.get("mass_g", np.nan)
    reference = float(first) if first is not None and not pd.isna(first) else np.nan
    before, share = reference, kept
    left = list(breaks)
    rows: list[dict[str, Any]] = own.to_dict("records")  # type: ignore[assignment]
    for row in rows:
        mass, drip = float(row["mass_g"]), float(row["drip_g"])
        while left and left[0] <= row["at"]:
            left.pop(0)
            kept, reference, before = share, np.nan, np.nan
        if np.isfinite(drip):
            whole = before if np.isfinite(before) else mass + drip
            if np.isfinite(whole) and whole > 0.0:
                state["drip_share"] = drip / whole
        if np.isfinite(mass) and mass > 0.0:
            reference = reference if np.isfinite(reference) and reference > 0.0 else mass
            share = kept * mass / reference
            state["mass_share"], before = share, mass
        scored = {name: float(row[name]) for name in (*SCORES, "ph") if np.isfinite(row[name])}
        state |= scored
        yield {
            **state,
            "source_id": str(row["source_id"]),
            "at": row["at"],
            "weighed": bool(np.isfinite(mass)),
            "dripped": bool(np.isfinite(drip)),
            "scored": any(name in scored for name in SCORES),
            "blind": row["blind"],
            "own": True,
        }


def _with_inherited(records: Records, looks: pd.DataFrame) -> pd.DataFrame:
    """Looks, and those before its cut of each portion's parent as if they were its own."""
    states = looks[["source_id", "at", *SEEN]]
    if "parent_id" not in records.sources or states.empty:
        return states
    sources = records.sources.set_index("source_id")
    of: dict[str, pd.DataFrame] = {}
    nothing = states.iloc[:0]
    by_source = {str(name): own for name, own in states.groupby("source_id")}
    for name in _parents_first(sources):
        own = by_source.get(name, nothing)
        parent: Any = sources.loc[name, "parent_id"]
        if parent is not None and not pd.isna(parent):
            cut = pd.Timestamp(str(sources.loc[name, "acquired_on"])).normalize()
            before = of.get(str(parent), nothing)
            before = before[before["at"] < cut].assign(source_id=name)
            own = pd.concat([part for part in (before, own) if len(part)] or [nothing])
        of[name] = own
    every = [own for own in of.values() if len(own)]
    return pd.concat(every, ignore_index=True) if every else nothing
