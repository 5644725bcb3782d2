"""Early warning: charts that passed their limit, and how many do so by chance."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from outcomes.analysis.monitoring.charts import Chart, Watch
from outcomes.text import count
from outcomes.wording.numbers import joined


def describe_watch(found: Watch) -> str:
    """Which charts passed their limit, and how many do so by chance."""
    if found.reason is not None:
        return f"No source or dog can be charted yet: {found.reason}."
    charts = len(found.charts)
    chance = (
        f"{describe_by_chance(found).capitalize()} would by chance, as about "
        f"{100 * found.false_call:g} in 100 that do not change pass within {found.within} trials"
    )
    last = f"within the last {found.within} trials of each"
    if not found.past:
        who = "The one chart did not pass" if charts == 1 else f"None of {charts} charts passed"
        return f"{who} its limit {last}. {chance}."
    names = "; ".join(
        f"{of} {', '.join(_since(c) for c in found.past if c.of == of)}"
        for of in ("source", "dog")
        if any(c.of == of for c in found.past)
    )
    its = "its" if len(found.past) == 1 else "their"
    return (
        f"{len(found.past)} of {count(charts, 'chart')} passed {its} limit {last}: {names}. "
        f"{chance}: a reason to look, not a finding."
    )


def _since(chart: Chart) -> str:
    assert chart.past_since is not None
    back = ", back below it now" if chart.back_below else ""
    return f"{chart.name} ({chart.past_since.started_at:%Y-%m-%d}{back})"


def describe_by_chance(found: Watch) -> str:
    """How many of the charts pass their limit by chance: "about 2", "fewer than 1"."""
    return "fewer than 1" if found.by_chance < 0.95 else f"about {found.by_chance:.0f}"


def describe_seen(found: Watch) -> str:
    """How often the charts see the change that they look for."""
    times = "fall to half" if found.odds_ratio == 2.0 else f"are divided by {found.odds_ratio:g}"
    seen = [
        f"{100 * share:.0f} in 100 {of}s"
        for of in ("source", "dog")
        if (share := found.seen(of)) is not None
    ]
    return f"Of those whose odds of a find {times}, about {joined(seen)} would pass."


def describe_watch_of_held(watched: Watch, held: Sequence[str]) -> str:
    """What the charts say, and which of the sources that passed their limit are no longer held.

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
    """Which sources and dogs passed their limit; ``gone`` are those no longer held."""
    if not found.past:
        return "No source and no dog has passed its limit of late"
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
        f"find, never below 0; 1 is the limit. About {100 * found.false_call:g} in 100 that do not "
        f"change pass it within {found.within} trials, of these {len(found.charts)} "
        f"{describe_by_chance(found)}. Below it, a height says nothing."
    )
