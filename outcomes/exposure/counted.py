"""Cycles as counted by hand, beside those of the log: which is used, and how far they disagree."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from outcomes.exposure.accumulate import exposure_at
from outcomes.exposure.stays import History
from outcomes.records.tables import Finding, Records

_DAY = pd.Timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Counted:
    """What counts by hand change.

    Attributes
    ----------
    history
        Its cycles are those by hand wherever a source has a count, at any moment.
    cycles
        Cycles of each trial, shape (n,).
    by_hand
        The count of each trial as given, missing where none is, shape (n,).
    source
        ``"log"``, ``"counted"`` or ``"both"``: what there is of each trial's source;
        None for a blank area, shape (n,).
    notes
        One for each source whose count and log disagree.
    """

    history: History
    cycles: pd.Series[float]
    by_hand: pd.Series[float]
    source: pd.Series[Any]
    notes: tuple[Finding, ...]


def count_by_hand(
    records: Records, history: History, source: pd.Series[Any], moments: pd.Series[Any]
) -> Counted:
    """Cycles of trials and of sources by their counts, where the settings go by counts.

    A count of a trial is used for that trial. A source's tally (``cycles_counted`` on
    ``counted_on``, by default the day of the last trial; without one the count of its
    last trial that has any) says how many cycles the log lacks: at any other moment the
    cycles are those of the log and so many more. A tally below what the log shows by
    then is not used; a count of a trial is, for it was made on the spot.

    Parameters
    ----------
    records
        As read and checked.
    history
        With the cycles of the log, and ``cycles_before``.
    source, moments
        Source (categorical) and moment of each trial, shape (n,).

    Returns
    -------
    Counted
    """
    trials, sources = records.trials, records.sources
    by_hand = trials.get("cycles", pd.Series(np.nan, index=trials.index)).astype(float)
    by_hand = by_hand.where(source.notna())
    of_log = exposure_at(history, source, moments)
    logged, documented = of_log["cycles"], of_log["documented"]
    last_day = trials["started_at"].max()
    ids = pd.Series(history.source_ids, dtype=object)
    tally, day = _tallies(sources, ids, last_day)
    at_tally = exposure_at(history, ids, day + _DAY - pd.Timedelta(seconds=1))["cycles"]
    more = tally - at_tally
    frame = pd.DataFrame(
        {"source": ids, "more": more, "tally": tally, "logged": at_tally, "day": day}
    )
    notes = _tally_notes(records, frame[frame["more"].fillna(0.0) != 0.0])
    more = more.clip(lower=0)
    counts = pd.DataFrame(
        {
            "source": source.astype(object),
            "at": moments,
            "beyond": by_hand - logged,
            "row": trials["row"],
        }
    ).dropna(subset=["beyond", "source"])
    last = counts.sort_values(["at", "row"], kind="stable").groupby("source").tail(1)
    of_trials = ids.map(last.set_index("source")["beyond"])
    notes += _trial_notes(records, counts)
    more = more.where(tally.notna(), of_trials)
    has = source.map(dict(zip(ids, more.notna(), strict=True))).eq(True).to_numpy()
    has |= by_hand.notna().to_numpy()
    kinds = np.select(
        [has & documented.to_numpy(), has, source.notna().to_numpy()],
        ["both", "counted", "log"],
        "",
    )
    kind = pd.Series([str(k) or None for k in kinds], index=trials.index, dtype=object)
    if records.settings.cycles_from == "log" or not has.any():
        return Counted(history, logged, by_hand, kind, tuple(notes))
    table = history.table
    changed = replace(
        history, table=replace(table, cycles=table.cycles + more.fillna(0.0).to_numpy())
    )
    cycles = exposure_at(changed, source, moments)["cycles"]
    return Counted(changed, by_hand.where(by_hand.notna(), cycles), by_hand, kind, tuple(notes))


def _tallies(
    sources: pd.DataFrame, ids: pd.Series[Any], last_day: Any
) -> tuple[pd.Series[float], pd.Series[Any]]:
    """Each source's tally, and midnight of the day it was true."""
    nothing = pd.Series(np.nan, index=sources.index)
    tally = sources.get("cycles_counted", nothing).astype(float)
    day = pd.Series(last_day, index=sources.index, dtype="datetime64[ns]")
    if "counted_on" in sources:
        day = sources["counted_on"].fillna(day)
    of_source = pd.DataFrame({"tally": tally, "day": day.dt.normalize()})
    of_source.index = pd.Index(sources["source_id"], dtype=object)
    found = of_source.reindex(ids)
    return found["tally"].reset_index(drop=True), found["day"].reset_index(drop=True)


def _tally_notes(records: Records, apart: pd.DataFrame) -> list[Finding]:
    """One for each source whose tally is not what the log shows."""
    sources = records.sources
    places = dict(
        zip(
            sources["source_id"],
            zip(sources["file"].astype(str), sources["row"].astype(int), strict=True),
            strict=True,
        )
    )
    notes = []
    for name, more, tally, logged, day in apart.itertuples(index=False):
        file, row = places[name]
        used = "the count is used" if more > 0 else "the log is used"
        notes.append(
            Finding(
                rule="count unlike the log",
                severity="note",
                table="sources",
                file=file,
                row=row,
                column=records.settings.name_of("sources", "cycles_counted"),
                value=f"{tally:g}",
                problem=f"counted by hand, but the log shows {logged:g} cycles of {name} by "
                f"{day:%Y-%m-%d}; {used}",
                mend="Correct the one that is wrong; or go by the log in unit.toml: "
                '[exposure] cycles_from = "log"',
            )
        )
    return notes


def _trial_notes(records: Records, counts: pd.DataFrame) -> list[Finding]:
    """For each source the trial at which count and log are furthest apart."""
    apart = counts[counts["beyond"] != 0]
    notes = []
    for name, own in apart.groupby("source", sort=True):
        beyond = own["beyond"]
        at = int(np.flatnonzero(beyond.abs() == beyond.abs().max())[0])
        trial = records.trials.loc[own.index[at]]
        shown = float(trial["cycles"]) - float(beyond.iloc[at])
        notes.append(
            Finding(
                rule="count unlike the log",
                severity="note",
                table="trials",
                file=str(trial["file"]),
                row=int(trial["row"]),
                column=records.settings.name_of("trials", "cycles"),
                value=f"{trial['cycles']:g}",
                problem=f"counted by hand, but the log shows {shown:g} "
                f"cycles of {name} by then; they differ in {len(own):,} of its trials, by "
                f"{beyond.min():+g} to {beyond.max():+g}",
                mend="Correct the one that is wrong, or choose in unit.toml: "
                '[exposure] cycles_from = "counted" or "log"',
            )
        )
    return notes
