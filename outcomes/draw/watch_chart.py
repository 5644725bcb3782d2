"""Early warning as one figure: the chart of every source and of every dog, with its limit."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator

from outcomes.analysis.monitoring.charts import Chart, Watch
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header
from outcomes.draw.theme import (
    FITTED,
    FLOOR,
    FOOTER_PT,
    HEADING_PT,
    HEIGHT_IN,
    INK,
    LABEL_PT,
    MUTED,
    WIDTH_IN,
    Box,
    drawable,
    lines_height_in,
    spread_apart,
    text_width_in,
    theme,
    wrap_to_width,
    write,
)
from outcomes.wording.watch import describe_watch, describe_watch_in_short, describe_watch_score

NOTHING = "No source or dog can be charted yet"
AXIS_NAME = "warning score: how far misses run ahead of what was expected; 1 is the limit"
MOST_NAMED = 4
_BELOW = "#a9b3b9"
_SCALE_IN = 0.6
_AXIS_IN = 0.45
_NAMES_IN = 1.75
_GAP_IN = 0.3
_LOOKS: tuple[tuple[str, Any], ...] = (
    (FITTED, "solid"),
    (INK, (0, (5, 2))),
    (FITTED, (0, (1.5, 1.5))),
    (INK, (0, (6, 2, 1.5, 2))),
)


@dataclass(frozen=True, slots=True)
class _Panel:
    of: str
    heading: str
    charts: tuple[Chart, ...]


def draw_watch_chart(
    found: Watch,
    footer: str,
    *,
    gone: Collection[str] = (),
) -> Figure:
    """Draw every chart against time, sources left and dogs right; what passed its limit by name.

    Each chart has a limit of its own, so all are drawn in parts of it. A chart that did not
    pass has no name: its height says nothing.

    Parameters
    ----------
    found
        The charts; without any, the reason is written.
    footer
        What stands behind the figure: unit and records.
    gone
        Names of sources that are no longer held; the title says so.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        if found.reason is not None:
            top = write_header(figure, NOTHING, "")
            lines = wrap_to_width(describe_watch(found), WIDTH_IN - 2 * MARGIN_IN, HEADING_PT)
            write(figure, MARGIN_IN, top, lines, HEADING_PT, gid="reason")
            write_footer(figure, footer)
            return figure
        top = write_header(
            figure,
            drawable(describe_watch_in_short(found, gone)),
            describe_watch_score(found),
        )
        bottom = write_footer(figure, footer)
        width = (WIDTH_IN - 2 * MARGIN_IN - _GAP_IN) / 2
        panels = (
            _Panel("source", "Sources", found.sources),
            _Panel("dog", "Dogs", found.dogs),
        )
        # One scale for both, so that a height means the same on either side.
        highest = 1.08 * max(1.0, *(max(_heights(c)) for c in found.charts))
        for number, panel in enumerate(panels):
            left = MARGIN_IN + number * (width + _GAP_IN)
            _draw_panel(figure, Box(left, bottom, width, top - bottom), panel, found, highest)
    return figure


def _draw_panel(figure: Figure, box: Box, panel: _Panel, found: Watch, highest: float) -> None:
    top = box.top - write(
        figure, box.left, box.top, [_heading(panel)], HEADING_PT, gid=f"heading-{panel.of}",
        weight="bold",
    )  # fmt: skip
    if panel.of == "source":
        write(figure, box.left, top, [AXIS_NAME], FOOTER_PT, gid="axis-name", color=MUTED)
    top -= lines_height_in(1, FOOTER_PT)
    data = Box(
        box.left + _SCALE_IN,
        box.bottom + _AXIS_IN,
        box.width - _SCALE_IN - _NAMES_IN,
        top - 0.1 - box.bottom - _AXIS_IN,
    )
    ax = figure.add_axes(data.of_figure, gid=f"charts-{panel.of}")
    ordered = sorted(panel.charts, key=lambda c: (c.past_since is None, c.name))
    named = [c for c in ordered if c.past_since is not None][:MOST_NAMED]
    for chart in reversed(ordered):
        look = _LOOKS[named.index(chart)] if chart in named else (_BELOW, "solid")
        ax.plot(
            [_day(t.started_at) for t in chart.trials],
            _heights(chart),
            drawstyle="steps-post",
            color=look[0],
            linestyle=look[1],
            linewidth=2.8 if chart in named else 1.4,
            gid=f"chart-{chart.name}",
            zorder=3 if chart in named else 2,
        )
    _scale(ax, found, highest)
    _write_limit(figure, data, highest)
    _write_names(figure, data, named, highest)


def _heights(chart: Chart) -> list[float]:
    """The chart in parts of its limit, one a trial."""
    return [t.value / chart.limit for t in chart.trials]


def _scale(ax: Axes, found: Watch, highest: float) -> None:
    days = [t.started_at for c in found.charts for t in c.trials]
    first, last = _day(min(days)), _day(max(days))
    room = max(0.02 * (last - first), 1.0)
    ax.set_xlim(first - room, last + room)
    ax.set_ylim(0.0, highest)
    ax.axhline(1.0, color=FLOOR, linewidth=2.4, linestyle=(0, (5, 2)), gid="limit", zorder=4)
    marks = _months(min(days), max(days))
    ax.xaxis.set_major_locator(FixedLocator([_day(mark) for mark in marks]))
    ax.xaxis.set_major_formatter(FixedFormatter([f"{mark:%Y-%m}" for mark in marks]))
    ax.yaxis.set_major_locator(MaxNLocator(6, integer=True))
    ax.tick_params(labelsize=LABEL_PT, length=5)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _day(at: pd.Timestamp) -> float:
    """Days since a moment long ago."""
    return float((at - pd.Timestamp("2000-01-01")) / pd.Timedelta(days=1))


def _months(first: pd.Timestamp, last: pd.Timestamp) -> list[pd.Timestamp]:
    """First days of up to 5 months, evenly apart, within the records."""
    starts = list(pd.date_range(first.normalize(), last, freq="MS"))
    if not starts:
        return [first.normalize()]
    step = next((s for s in (1, 2, 3, 6, 12, 24) if len(starts) / s <= 5), 60)
    return starts[::step]


def _write_limit(figure: Figure, data: Box, highest: float) -> None:
    y = data.bottom + data.height / highest
    write(figure, data.left + 0.08, y + lines_height_in(1, LABEL_PT), ["limit"],
          LABEL_PT, gid="limit-name", color=FLOOR, weight="bold", halo=True)  # fmt: skip


def _write_names(figure: Figure, data: Box, named: Sequence[Chart], highest: float) -> None:
    """Each highest chart's name beside its end, pushed apart where they would touch."""
    height = lines_height_in(1, LABEL_PT)
    rising = sorted(named, key=lambda c: (c.value / c.limit, c.name))
    wanted = [data.bottom + data.height * _heights(c)[-1] / highest for c in rising]
    centres = spread_apart(np.array(wanted), np.full(len(rising), height), data.bottom, data.top)
    for chart, middle in zip(rising, centres, strict=True):
        color, dashes = _LOOKS[list(named).index(chart)]
        words = _fitting(drawable(chart.name), _NAMES_IN - 0.6)
        figure.add_artist(
            _stroke(data.right + 0.1, data.right + 0.45, float(middle), color, dashes)
        )
        write(figure, data.right + 0.52, float(middle) + height / 2, [words], LABEL_PT,
              gid=f"name-{chart.of}", color=color,
              weight="bold")  # fmt: skip


def _stroke(left: float, right: float, y: float, color: str, dashes: Any) -> Line2D:
    return Line2D(
        [left / WIDTH_IN, right / WIDTH_IN],
        [y / HEIGHT_IN, y / HEIGHT_IN],
        color=color,
        linestyle=dashes,
        linewidth=2.8,
        gid="key",
    )


def _fitting(name: str, width: float) -> str:
    if text_width_in(name, LABEL_PT, "bold") <= width:
        return name
    while name and text_width_in(f"{name}…", LABEL_PT, "bold") > width:
        name = name[:-1]
    return f"{name}…"


def _heading(panel: _Panel) -> str:
    past = sum(chart.past_since is not None for chart in panel.charts)
    return f"{panel.heading}: {past or 'none'} of {len(panel.charts):,} passed the limit"
