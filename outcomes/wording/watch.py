"""Early warning: charts past their limit."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from outcomes.analysis.monitoring.charts import Watch
from outcomes.text import count
from outcomes.wording.numbers import joined


def describe_watch(found: Watch) -> str:
    """Which charts are past their limit, and how many would be by chance."""
    if found.reason is not None:
        return f"No source or dog can be charted yet: {found.reason}."
    charts = len(found.sources) + len(found.dogs)
    # Each stretch of so many trials is another chance to pass the limit.
    by_chance = sum(
        1.0 - (1.0 - found.false_call) ** (len(c.trials) / found.within)
        for c in (*found.sources, *found.dogs)
    )
    error = (
        f"about {100 * found.false_call:g} of 100 charts on which nothing changes pass their limit "
        f"within {found.within} trials"
    )
    if charts > 1:
        error += f", which makes about {max(by_chance, 1.0):.0f} of these {charts} so far"
    if not found.past:
        who = "The one chart is not" if charts == 1 else f"None of {charts} charts is"
        return f"{who} past its limit; {error}."
    names = ", ".join(
        f"{c.of} {c.name} (since {c.past_since.started_at:%Y-%m-%d})"
        for c in found.past
        if c.past_since is not None
    )
    verb = "is" if len(found.past) == 1 else "are"
    return (
        f"{len(found.past)} of {count(charts, 'chart')} {verb} past the limit: {names}. "
        f"A reason to look, not a finding: {error}."
    )


def describe_watch_of_held(watched: Watch, held: Sequence[str]) -> str:
    """What the charts say, and which of the sources past their limit are no longer held.

    Parameters
    ----------
    watched
        The charts.
    held
        Names of the sources on the shelf.
    """
    gone = [c.name for c in watched.past if c.of == "source" and c.name not in held]
    if not gone:
        return describe_watch(watched)
    verb = "is" if len(gone) == 1 else "are"
    said = describe_watch(watched)
    return f"{said} No longer held, so not among those above, {verb} {joined(gone)}."


def describe_watch_in_short(found: Watch, gone: Collection[str] = ()) -> str:
    """Which sources and dogs are past their limit; ``gone`` are those no longer held."""
    if not found.past:
        return "No source and no dog is past its limit"
    names = [
        f"{chart.of} {chart.name}"
        + (" (no longer held)" if chart.of == "source" and chart.name in gone else "")
        for chart in found.past
    ]
    listed = ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
    return f"Missed more often than expected: {listed}"


def describe_watch_score(found: Watch) -> str:
    """How a chart's score moves, and how often it passes its limit by chance."""
    return (
        "The score rises with each miss, the more the less it was expected, and falls with each "
        f"find, never below 0. About {100 * found.false_call:g} of 100 sources or dogs that do not "
        f"change pass the limit within {found.within} trials; below it, a height says nothing."
    )
