"""How long a typical dog searches, by cycles or age, with the medians observed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.analysis.searches.search_time_curve import ObservedMedian, SearchTimeCurve
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    HEADING_PT,
    HEIGHT_IN,
    INK,
    LABEL_PT,
    MUTED,
    WIDTH_IN,
    Box,
    lines_height_in,
    text_width_in,
    theme,
    write,
)
from outcomes.exposure.cycles_and_age import CYCLES_AND_AGE
from outcomes.text import count
from outcomes.wording.search_time import describe_search_time, describe_search_time_curve

NOTHING = "Search times say nothing about cycles or age here"
HEADING = "Minutes until half the searches have ended in a find"
_SCALE_IN = 0.75
_AXIS_IN = 0.75
_NAMES_IN = 2.6


def draw_search_time_figure(fit: SearchTimeFit, footer: str) -> Figure:
    """Draw the median search time with its band, and the medians of groups of trials.

    Parameters
    ----------
    fit
        Its ``curve`` is drawn; without one, the reason is written.
    footer
        What stands behind the figure: unit and records.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        if fit.curve is None:
            write_reason(figure, NOTHING, describe_search_time(fit), footer)
            return figure
        top = write_header(
            figure,
            describe_search_time_curve(fit.curve),
            describe_search_time(fit),
        )
        bottom = write_footer(figure, footer)
        top -= write(figure, MARGIN_IN, top, [HEADING], HEADING_PT, gid="heading", weight="bold")
        data = Box(
            MARGIN_IN + _SCALE_IN,
            bottom + _AXIS_IN,
            WIDTH_IN - 2 * MARGIN_IN - _SCALE_IN - _NAMES_IN,
            top - 0.15 - bottom - _AXIS_IN,
        )
        ax = figure.add_axes(data.of_figure, gid="search-time")
        _draw_curve(ax, fit.curve)
        _draw_observed(ax, fit.curve)
        _scale(ax, fit.curve)
        _write_names(figure, ax, data, fit.curve)
    return figure


def _per(curve: SearchTimeCurve) -> float:
    return CYCLES_AND_AGE[curve.exposure].step_size


def _draw_curve(ax: Axes, curve: SearchTimeCurve) -> None:
    at = np.array([p.at for p in curve.points]) / _per(curve)
    middle, low, high = (
        np.array([getattr(p, name) for p in curve.points]) / 60.0
        for name in ("median_s", "low", "high")
    )
    thin = np.array([p.thin for p in curve.points])
    ax.fill_between(at, low, high, color=FITTED, alpha=0.14, linewidth=0.0, gid="band")
    last = int(np.flatnonzero(~thin)[-1]) if (~thin).any() else 0
    ax.plot(at[: last + 1], middle[: last + 1], color=FITTED, linewidth=3.6, gid="typical")
    if last + 1 < len(at):
        ax.plot(at[last:], middle[last:], color=FITTED, linewidth=3.0, linestyle=(0, (2, 1.5)),
                gid="thin")  # fmt: skip


def _limits(curve: SearchTimeCurve) -> float:
    """Top of the scale, minutes: what the firm part of the curve and the medians need."""
    firm = [p for p in curve.points if not p.thin] or list(curve.points[:1])
    values = [p.high for p in firm] + [p.median_s for p in curve.points]
    values += [v for o in curve.observed for v in (o.median_s, o.median_high) if v is not None]
    return 1.12 * max(values) / 60.0


def _draw_observed(ax: Axes, curve: SearchTimeCurve) -> None:
    top = _limits(curve)
    for group in curve.observed:
        at = group.mean / _per(curve)
        if group.median_s is None:
            ax.plot([at], [0.97 * top], marker="^", markersize=11, markerfacecolor="white",
                    markeredgecolor=INK, markeredgewidth=1.8, linestyle="none",
                    gid="not-reached")  # fmt: skip
            continue
        low = group.median_s if group.median_low is None else group.median_low
        high = top if group.median_high is None else group.median_high / 60.0
        ax.plot([at, at], [low / 60.0, high], color=INK, linewidth=1.6, gid="observed-interval",
                zorder=3)  # fmt: skip
        ax.plot([at], [group.median_s / 60.0], marker="o", markersize=11, markerfacecolor="white",
                markeredgecolor=INK, markeredgewidth=2.2, linestyle="none", gid="observed",
                zorder=4)  # fmt: skip


def _scale(ax: Axes, curve: SearchTimeCurve) -> None:
    per = _per(curve)
    first, last = curve.points[0].at / per, curve.points[-1].at / per
    room = 0.03 * (last - first) + 1e-9
    ax.set_xlim(first - room, last + room)
    ax.set_ylim(0.0, _limits(curve))
    ax.set_xlabel(
        "freeze/thaw cycles" if curve.exposure == "cycles" else "age, months",
        fontsize=HEADING_PT,
        labelpad=8,
    )
    ax.xaxis.set_major_locator(MaxNLocator(8, integer=True))
    ax.yaxis.set_major_locator(MaxNLocator(7, integer=True, prune="upper"))
    ax.tick_params(labelsize=LABEL_PT + 2, length=5)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _write_names(figure: Figure, ax: Axes, data: Box, curve: SearchTimeCurve) -> None:
    """What each mark is, beside the right end, in the order of their heights there."""
    low, high = ax.get_ylim()
    y = data.bottom + data.height * (curve.points[-1].median_s / 60.0 - low) / (high - low)
    blocks: list[tuple[str, Sequence[str], str, str]] = [
        ("typical-name", ["typical dog"], FITTED, "bold"),
        ("band-name", [f"band: {100 * curve.confidence:g} % interval"], MUTED, "normal"),
    ]
    if any(p.thin for p in curve.points):
        blocks.append(("thin-name", ["dotted: fewer than", "3 sources so far"], MUTED, "normal"))
    if curve.observed:
        blocks.append(
            ("observed-name", ["circles: medians of", _sizes(curve.observed)], INK, "normal")
        )
    if any(o.median_s is None for o in curve.observed):
        blocks.append(("not-reached-name", ["triangle: less than", "half found"], INK, "normal"))
    height = sum(lines_height_in(len(lines), LABEL_PT) + 0.1 for _, lines, _, _ in blocks)
    top = min(max(y + lines_height_in(1, LABEL_PT) / 2, data.bottom + height), data.top)
    for gid, lines, color, weight in blocks:
        top -= write(figure, data.right + 0.2, top, lines, LABEL_PT, gid=gid, color=color,
                     weight=weight) + 0.1  # fmt: skip


def _sizes(observed: Sequence[ObservedMedian]) -> str:
    sizes = [o.n for o in observed]
    words = (
        count(min(sizes), "trial")
        if len(set(sizes)) == 1
        else (f"{min(sizes):,} to {max(sizes):,} trials")
    )
    assert text_width_in(words, LABEL_PT) < _NAMES_IN
    return words
