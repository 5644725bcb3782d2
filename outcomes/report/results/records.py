"""``records``: what was handed over, used, set aside and noted."""

from __future__ import annotations

from dataclasses import dataclass

from outcomes.answers.facts import Facts
from outcomes.exposure.places_read import places_read
from outcomes.places import CountsAs
from outcomes.report.results.values import Number, filled
from outcomes.wording.blinding import blinding_counts
from outcomes.wording.records import Noted, records_noted


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A row out of use: its row in the spreadsheet (header = row 1), null for a whole table."""

    file: str
    row: int | None
    column: str | None
    value: str | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceReadTold:
    """How warm a place was by its readings, beside what is stated for it.

    Attributes
    ----------
    readings, days
        Readings of it, and the days they fall on.
    mean_c, stated_c
        Mean of the means of its days, and what the storage log or the settings give, °C.
    apart
        Whether they are far enough from each other to be told.
    """

    place: str
    counts_as: CountsAs
    readings: int
    days: int
    mean_c: Number
    stated_c: Number
    apart: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordsUsed:
    """The records.

    Attributes
    ----------
    trials, hide_trials, blank_trials, dogs
        Trials used, on hides and on blank areas, and the dogs in them.
    blinding
        ``hides`` and ``blanks`` → blinding → trials.
    first, last
        Start of the first and of the last trial, ISO 8601, local time.
    rows_in, used
        Table → rows handed over, and rows used.
    noted
        What ``check`` notes of rows that are used.
    places_read
        Places with a temperature logger of their own.
    set_aside
        Every row out of use; a row may be there for more than one reason.
    """

    sources: int
    storage_moves: int
    trials: int
    hide_trials: int
    blank_trials: int
    dogs: int
    blinding: dict[str, dict[str, int]]
    first: str
    last: str
    rows_in: dict[str, int]
    used: dict[str, int]
    noted: Noted
    places_read: tuple[PlaceReadTold, ...]
    set_aside: tuple[SetAside, ...]


def make_records(facts: Facts) -> RecordsUsed:
    """``records``."""
    trials = facts.joined.trials
    return filled(
        RecordsUsed,
        facts.records,
        sources=len(facts.records.sources),
        storage_moves=len(facts.records.storage),
        trials=len(trials),
        hide_trials=trials["source_id"].notna().sum(),
        blank_trials=trials["source_id"].isna().sum(),
        dogs=trials["dog_id"].nunique(),
        blinding=blinding_counts(trials),
        first=trials["started_at"].min(),
        last=trials["started_at"].max(),
        used=dict(facts.used),
        noted=records_noted(facts),
        places_read=[filled(PlaceReadTold, place) for place in places_read(facts.records)],
        set_aside=[filled(SetAside, found, reason=found.problem) for found in facts.set_aside],
    )
