"""One source's story: what it is, where it was, and its latest trials."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.text import count, months
from outcomes.wording.numbers import joined

_PLACES = {
    "freezer": "in the freezer",
    "refrigerator": "in the refrigerator",
    "ambient": "out",
    "unknown": "not on record",
}


def describe_source(source: ShelfSource) -> str:
    """What a source is, as recorded: kind, age, how it is kept."""
    parts = [source.kind or "kind not recorded"]
    parts.append("age not known" if source.age_days is None else f"{months(source.age_days)} old")
    parts.append("storage not known" if source.regime is None else f"kept {source.regime}")
    text = ", ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def describe_latest(results: Sequence[str]) -> str:
    """A source's latest trials, for who cannot see the marks."""
    if not results:
        return "no trial yet"
    finds = sum(result == "find" for result in results)
    return f"latest {count(len(results), 'trial')}: {finds} found"


def describe_places(stays: pd.DataFrame) -> str:
    """Where a source was, and how long at each place.

    Parameters
    ----------
    stays
        Its stays: ``start``, ``end`` and ``place``, which is None where the log does not say.
    """
    days = (stays["end"] - stays["start"]).dt.total_seconds() / 86_400.0
    named = stays["place"].where(stays["place"].isin(list(_PLACES)), "unknown")
    total = days.groupby(named.astype(str)).sum()
    told = [
        f"{_days(float(total[place]))} {words}"
        for place, words in _PLACES.items()
        if place in total
    ]
    return f"{stays['start'].min():%Y-%m-%d} to {stays['end'].max():%Y-%m-%d}: {joined(told)}."


def _days(days: float) -> str:
    return "less than a day" if days < 1.0 else count(round(days), "day")
