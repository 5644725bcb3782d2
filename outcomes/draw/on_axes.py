"""Results drawn into a person's own axes, in the style that person has set.

Nothing here sets a style, a size or a font, and nothing outside the axes is touched. The
briefing's figures, which stand alone in a room, are drawn by the other files.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from outcomes.analysis.decisions.compare import Comparison
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.results import FindCurve, Lifetime
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.planning.document import PowerAt

_BAND = 0.2


def current_axes(ax: Axes | None) -> Axes:
    """The axes given, else the current ones of pyplot, as plotting libraries do."""
    if ax is not None:
        return ax
    import matplotlib.pyplot as plt

    return plt.gca()


def plot_find_curve(
    curve: FindCurve,
    ax: Axes | None = None,
    *,
    floor: float | None = None,
    limit: float | None = None,
    **style: Any,
) -> Axes:
    """Finds against an exposure: line, band, and circles of what was observed.

    Parameters
    ----------
    curve
        The line is left out where it has none.
    ax
        Where to draw; the current axes if not given.
    floor, limit
        Drawn as dashed and dotted lines where given.
    style
        Handed to the line.

    Returns
    -------
    matplotlib.axes.Axes
    """
    ax = current_axes(ax)
    if len(curve.at):
        (line,) = ax.plot(curve.at, curve.probability, **{"label": "fitted", **style})
        ax.fill_between(curve.at, curve.low, curve.high, color=line.get_color(), alpha=_BAND,
                        linewidth=0.0, label=f"{100 * curve.confidence:.0f} % band")  # fmt: skip
    if curve.bins:
        at, found = [b.mean for b in curve.bins], np.array([b.proportion for b in curve.bins])
        low = found - [b.proportion_low for b in curve.bins]
        high = np.array([b.proportion_high for b in curve.bins]) - found
        ax.errorbar(at, found, [low.clip(0.0), high.clip(0.0)], fmt="o", fillstyle="none",
                    color="0.35", label="observed")  # fmt: skip
    if floor is not None:
        ax.axhline(floor, linestyle="--", color="0.35", label="floor")
    if limit is not None:
        ax.axvline(limit, linestyle=":", color="0.35", label="limit")
    exposure = CYCLES_AND_AGE[curve.exposure]
    ax.set(xlabel=exposure.noun, ylabel="find probability", ylim=(None, 1.02))
    return ax


def plot_lifetimes(lifetime: Lifetime, ax: Axes | None = None, **style: Any) -> Axes:
    """Share still reliable by days held, a step line and a band for each group.

    Parameters
    ----------
    lifetime
        Its curves.
    ax
        Where to draw; the current axes if not given.
    style
        Handed to the lines.

    Returns
    -------
    matplotlib.axes.Axes
    """
    ax = current_axes(ax)
    for group in dict.fromkeys(point.group for point in lifetime.curve):
        points = [p for p in lifetime.curve if p.group == group]
        time, share = [p.time for p in points], [p.probability for p in points]
        drawn = {"where": "post", "label": group, **style}
        (line,) = ax.step(time, share, **drawn)
        ax.fill_between(time, [p.low for p in points], [p.high for p in points], step="post",
                        color=line.get_color(), alpha=_BAND, linewidth=0.0)  # fmt: skip
    ax.set(xlabel="days held", ylabel="share still reliable", ylim=(0.0, 1.02))
    return ax


def plot_shelf(
    shelf: Sequence[ShelfSource], floor: float, ax: Axes | None = None, **style: Any
) -> Axes:
    """Each source's find probability with its limits, the first of the shelf on top.

    Parameters
    ----------
    shelf
        Those without a prediction are left out.
    floor
        The lowest acceptable find probability.
    ax
        Where to draw; the current axes if not given.
    style
        Handed to the dots.

    Returns
    -------
    matplotlib.axes.Axes
    """
    ax = current_axes(ax)
    told = [
        (s.source_id, s.find_probability, s.low, s.high)
        for s in shelf
        if s.find_probability is not None and s.low is not None and s.high is not None
    ]
    middle, low, high = (np.array([row[k] for row in told], dtype=float) for k in (1, 2, 3))
    rows = np.arange(len(told))
    reach = [(middle - low).clip(0.0), (high - middle).clip(0.0)]
    ax.errorbar(middle, rows, xerr=reach, **{"fmt": "o", **style})
    ax.axvline(floor, linestyle="--", color="0.35")
    ax.set_yticks(rows, [row[0] for row in told])
    ax.set(xlabel="find probability", ylim=(len(told) - 0.5, -0.5))
    return ax


def plot_storage(comparison: Comparison, ax: Axes | None = None, **style: Any) -> Axes:
    """Refrigerated less frozen in finds of 100, over all and by kind; above 0: refrigerated better.

    Parameters
    ----------
    comparison
        Nothing but the zero line is drawn where nothing is compared.
    ax
        Where to draw; the current axes if not given.
    style
        Handed to the dots.

    Returns
    -------
    matplotlib.axes.Axes
    """
    ax = current_axes(ax)
    found = {}
    if comparison.difference is not None:
        found = {"all kinds": comparison.difference, **comparison.by_kind}
    rows, middle = np.arange(len(found)), np.array([d.risk_difference for d in found.values()])
    # Where sources differ in how fast they change, a difference has no limits.
    limits = [(d.low, d.high) for d in found.values()]
    low = [m if at is None else at for m, (at, _) in zip(middle, limits, strict=True)]
    high = [m if at is None else at for m, (_, at) in zip(middle, limits, strict=True)]
    reach = [100.0 * (middle - low).clip(0.0), 100.0 * (high - middle).clip(0.0)]
    ax.errorbar(100.0 * middle, rows, xerr=reach, **{"fmt": "o", **style})
    ax.axvline(0.0, linestyle="--", color="0.35")
    ax.set_yticks(rows, list(found))
    ax.set(xlabel="refrigerated less frozen, finds of 100", ylim=(len(found) - 0.5, -0.5))
    return ax


def plot_power(power: Sequence[PowerAt], ax: Axes | None = None, **style: Any) -> Axes:
    """Share of plans that would find the change, by weeks.

    Parameters
    ----------
    power
        By weeks.
    ax
        Where to draw; the current axes if not given.
    style
        Handed to the line.

    Returns
    -------
    matplotlib.axes.Axes
    """
    ax = current_axes(ax)
    weeks = [p.weeks for p in power]
    (line,) = ax.plot(weeks, [p.power for p in power], **{"marker": "o", **style})
    ax.fill_between(weeks, [p.low for p in power], [p.high for p in power],
                    color=line.get_color(), alpha=_BAND, linewidth=0.0)  # fmt: skip
    ax.set(xlabel="weeks", ylabel="share of plans that would find it", ylim=(0.0, 1.02))
    return ax
