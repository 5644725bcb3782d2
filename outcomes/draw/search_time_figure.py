"""The share of hides found by every minute, at few, middling and many cycles (or by age)."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from outcomes.analysis.searches.search_time import SearchTimeFit
from outcomes.analysis.searches.share_found import FoundCurve, FoundGroup
from outcomes.answers.side_tests import SideTests
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    HEIGHT_IN,
    INK,
    MUTED,
    WIDTH_IN,
    Box,
    lines_height_in,
    open_frame,
    spread_apart,
    theme,
    wrap_to_width,
    write,
)
from outcomes.wording.search_time import (
    describe_how_soon_in_short,
    describe_search_time,
    describe_searches_of,
    describe_share_found_in_short,
    told_steps,
)

NOTHING = "Search times say nothing about cycles or age here"
_NO_CURVE = "The share found by every minute cannot be drawn here"
HEADING = "Hides found, of 100"
# Large enough to be read where the sheet is 480 pixels wide.
_LABEL_PT = 22.0
_NOTE_PT = 18.0
_SCALE_IN = 0.95
_AXIS_IN = 0.95
_NAMES_IN = 3.0
# Colour, dashes and mark of each group, so that no meaning rests on colour alone.
_LOOKS = (
    ("#5b9bc8", "solid", "o"),
    (FITTED, (0, (5, 1.2)), "s"),
    (INK, (0, (1.2, 1.2)), "^"),
)
_APART = 0.012  # of the axis: marks of the groups at one time stand beside each other


def draw_search_time_figure(fit: SearchTimeFit, side: SideTests, footer: str) -> Figure:
    """Draw the share found by every minute with its band, and the shares observed.

    Parameters
    ----------
    fit
        Its ``curve`` is drawn; without one, the reason is written.
    side
        The side questions: a change is told where it is beyond chance.
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
            sentence = describe_search_time(fit, side)
            if fit.reason is None:
                sentence = f"{_NO_CURVE}: {fit.no_curve}. {sentence}"
            write_reason(figure, NOTHING if fit.reason else _NO_CURVE, sentence, footer)
            return figure
        top = write_header(figure, describe_share_found_in_short(fit.curve), "")
        how_soon = describe_how_soon_in_short(fit, side)
        under = wrap_to_width(how_soon, WIDTH_IN - 2 * MARGIN_IN, _LABEL_PT)
        top -= write(figure, MARGIN_IN, top + 0.1, under, _LABEL_PT, gid="how-soon", color=MUTED)
        bottom = write_footer(figure, footer)
        top -= write(figure, MARGIN_IN, top, [HEADING], _LABEL_PT, gid="heading")
        data = Box(
            MARGIN_IN + _SCALE_IN,
            bottom + _AXIS_IN,
            WIDTH_IN - 2 * MARGIN_IN - _SCALE_IN - _NAMES_IN,
            top - 0.15 - bottom - _AXIS_IN,
        )
        ax = figure.add_axes(data.of_figure, gid="search-time")
        for number, group in enumerate(fit.curve.groups):
            _draw_group(ax, fit.curve, number, group)
        _scale(ax, fit.curve)
        _write_names(figure, data, fit.curve)
    return figure


def _draw_group(ax: Axes, curve: FoundCurve, number: int, group: FoundGroup) -> None:
    color, dashes, mark = _LOOKS[number]
    minutes = np.array([0.0, *(p.seconds / 60.0 for p in group.curve)])
    share, low, high = (
        100.0 * np.array([0.0, *(getattr(p, name) for p in group.curve)])
        for name in ("share", "low", "high")
    )
    ax.fill_between(minutes, low, high, color=color, alpha=0.16, linewidth=0.0, gid="band")
    ax.plot(minutes, share, color=color, linewidth=5.0, linestyle=dashes, gid="share",
            dash_capstyle="butt")  # fmt: skip
    # To the left, so that no mark stands past the limit.
    shift = (number + 1 - len(curve.groups)) * _APART * curve.limit_s / 60.0
    for point in group.observed:
        at = point.seconds / 60.0 + shift
        ax.plot([at, at], [100 * point.low, 100 * point.high], color=color, linewidth=2.0,
                gid="observed-interval", zorder=3)  # fmt: skip
        ax.plot([at], [100 * point.share], marker=mark, markersize=13, markerfacecolor="white",
                markeredgecolor=color, markeredgewidth=2.6, linestyle="none", gid="observed",
                zorder=4)  # fmt: skip


def _scale(ax: Axes, curve: FoundCurve) -> None:
    limit = curve.limit_s / 60.0
    ax.set_xlim(0.0, limit * (1.0 + _APART))
    ax.set_ylim(0.0, 100.0)
    ax.set_xlabel("minutes of searching", fontsize=_LABEL_PT, labelpad=8)
    ax.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    ax.yaxis.set_major_locator(MaxNLocator(5, integer=True))
    ax.tick_params(labelsize=_LABEL_PT, length=6)
    open_frame(ax)


def _write_names(figure: Figure, data: Box, curve: FoundCurve) -> None:
    """Each curve's exposure beside its end, and below what band and marks are."""
    notes = [f"band: {100 * curve.confidence:g} % interval"]
    if any(group.observed for group in curve.groups):
        notes.append("marks: trials as seen")
    notes.append(describe_searches_of(curve))
    left = data.right + 0.2
    lines = [line for note in notes for line in wrap_to_width(note, _NAMES_IN, _NOTE_PT)]
    room = lines_height_in(len(lines), _NOTE_PT)
    write(figure, left, data.bottom + room, lines, _NOTE_PT, gid="note", color=MUTED)
    one = lines_height_in(1, _LABEL_PT)
    ends = [data.bottom + data.height * group.curve[-1].share for group in curve.groups]
    order = np.argsort(ends, kind="stable")
    centres = spread_apart(
        [ends[k] for k in order], [one] * len(ends), data.bottom + room + 0.1, data.top
    )
    for k, centre in zip(order.tolist(), centres, strict=True):
        write(figure, left, float(centre) + one / 2.0, [told_steps(curve, curve.groups[k])],
              _LABEL_PT, gid=f"name-{k + 1}", color=_LOOKS[k][0], weight="bold")  # fmt: skip
