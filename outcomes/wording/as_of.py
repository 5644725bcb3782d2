"""What to know of a shelf that is judged on another day than that of the last trial."""

from __future__ import annotations

import pandas as pd

from outcomes.answers.facts import Facts
from outcomes.text import count

_LONG_AFTER = pd.Timedelta(days=366)


def as_of_notes(facts: Facts) -> list[str]:
    """Sentences on the day the shelf is judged at, where it is not at the end of the records.

    Whether it is before they begin, long after they end, or before some of the
    trials that the model rests on.

    Parameters
    ----------
    facts
        The unit's facts.
    """
    records, day = facts.records, facts.shelf_day.isoformat()
    trials = facts.joined.trials["started_at"]
    acquired = records.sources["acquired_on"]
    last = max(
        moment
        for moment in (trials.max(), acquired.max(), records.storage["moved_at"].max())
        if not pd.isna(moment)
    )
    notes = []
    if facts.as_of <= acquired.min() or facts.as_of <= trials.min():
        notes.append(
            f"{day} is before these records begin: the first source was taken in on "
            f"{acquired.min():%Y-%m-%d}, and the first trial was on {trials.min():%Y-%m-%d}."
        )
    if facts.as_of > last + _LONG_AFTER:
        notes.append(
            f"The last record is of {last:%Y-%m-%d}: no move or trial since is known, so what is "
            f"said of {day} takes every source to have stayed where it was."
        )
    if facts.fit.mixed is None or facts.as_of <= acquired.min():
        return notes
    later = int((facts.fit.design.trials["started_at"] >= facts.as_of).sum())
    if later:
        notes.append(
            f"Judged with all trials, also {'those' if later > 1 else 'the one'} after {day} "
            f"({count(later, 'trial')}); what was found so far is up to that day."
        )
    return notes
