"""The stock: sources as lines to the day they reach their limit."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator

from outcomes.analysis.decisions.stock import SourceAhead, Stock
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FLOOR,
    FOOTER_PT,
    HAIRLINE,
    HEIGHT_IN,
    INK,
    LABEL_PT,
    LANE,
    MUTED,
    WIDTH_IN,
    Box,
    lines_height_in,
    shortened,
    text_width_in,
    theme,
    write,
)
from outcomes.text import DAYS_PER_MONTH, count
from outcomes.wording.numbers import percent
from outcomes.wording.stock import describe_day, describe_stock, describe_stock_in_short

MOST_ROWS = 26
AHEAD_MONTHS = 24
_HEADS_IN, _AXIS_IN, _MOST_ROW_IN, _NAME_IN = 0.62, 0.42, 0.5, 2.6
_TICKS = (0, 3, 6, 12, 18, 24)


def draw_stock_figure(stock: Stock, footer: str) -> Figure:
    """Draw one line a source, from today to its day, with the interval of that day.

    Parameters
    ----------
    stock
        When the sources held reach their limit.
    footer
        What stands behind the figure: unit and records.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot. Sources past use first, then in the order of their days; at most
        26 are drawn, which is said.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        title = describe_stock_in_short(stock)
        if not stock.dated:
            write_reason(figure, title, describe_stock(stock), footer)
            return figure
        shown = stock.sources[:MOST_ROWS]
        left_out = len(stock.sources) - len(shown)
        more = f" {count(left_out, 'more source')} not drawn." if left_out else ""
        top = write_header(
            figure,
            title,
            "Each line runs from today to the day a source reaches its limit at its own rate of "
            f"use; the thin part is the {percent(stock.confidence)} interval.{more}",
        )
        bottom = write_footer(figure, footer)
        pitch = min((top - _HEADS_IN - _AXIS_IN - bottom) / len(shown), _MOST_ROW_IN)
        size = LABEL_PT if lines_height_in(1, LABEL_PT) <= pitch else FOOTER_PT
        names = [shortened(s.source_id, _NAME_IN - 0.2, size, "bold") for s in shown]
        days = [describe_day(stock, s) for s in shown]
        left = MARGIN_IN + 0.3 + max(text_width_in(name, size, "bold") * 1.02 for name in names)
        right = WIDTH_IN - MARGIN_IN - 0.3 - max(text_width_in(d, size) * 1.02 for d in days)
        height = pitch * len(shown)
        data = Box(left, top - _HEADS_IN - height, right - left, height)
        _draw_lines(figure, data, stock, shown)
        _write_counts(figure, data, top, stock)
        for number, (name, day) in enumerate(zip(names, days, strict=True)):
            up = data.top - (number + 0.5) * pitch + lines_height_in(1, size) / 2
            write(figure, MARGIN_IN, up, [name], size, gid="name", weight="bold")
            write(figure, data.right + 0.3, up, [day], size, gid="day", color=MUTED)
    return figure


def _draw_lines(figure: Figure, data: Box, stock: Stock, shown: tuple[SourceAhead, ...]) -> None:
    ax = figure.add_axes(data.on(figure), gid="stock")
    ax.set_xlim(0.0, AHEAD_MONTHS)
    ax.set_ylim(len(shown) - 0.5, -0.5)
    ax.set_yticks([])
    ax.xaxis.set_major_locator(FixedLocator(_TICKS))
    ax.set_xticklabels([f"{_day(stock, m):%Y-%m}" for m in _TICKS])
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    ax.tick_params(axis="x", length=4, labelsize=LABEL_PT)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    for number, s in enumerate(shown):
        if s.standing != "usable" or s.days is None or s.low is None or s.high is None:
            if s.usable:
                ax.plot([0.0, AHEAD_MONTHS], [number] * 2, color=LANE, linewidth=6.0,
                        gid="no-date", zorder=1.5)  # fmt: skip
            else:
                ax.plot([0.0], [number], color=FLOOR, linestyle="none", marker="x", markersize=9,
                        markeredgewidth=2.4, gid="past", clip_on=False, zorder=3)  # fmt: skip
            continue
        low, at, high = (
            float(min(days / DAYS_PER_MONTH, AHEAD_MONTHS)) for days in (s.low, s.days, s.high)
        )
        ax.plot([0.0, low], [number] * 2, color=INK, linewidth=5.0, gid="sure",
                solid_capstyle="butt", zorder=2)  # fmt: skip
        ax.plot([low, high], [number] * 2, color=INK, linewidth=1.6, gid="interval",
                zorder=2)  # fmt: skip
        if np.isfinite(s.days) and s.days / DAYS_PER_MONTH <= AHEAD_MONTHS:
            ax.plot([at], [number], color=INK, linestyle="none", marker="o", markersize=9,
                    markerfacecolor="white", markeredgewidth=2.0, gid="day", zorder=3,
                    clip_on=False)  # fmt: skip
        if s.high / DAYS_PER_MONTH > AHEAD_MONTHS:
            ax.plot([AHEAD_MONTHS], [number], color=INK, linestyle="none", marker=">",
                    markersize=7, gid="beyond", clip_on=False, zorder=3)  # fmt: skip


def _day(stock: Stock, months: float) -> pd.Timestamp:
    return stock.as_of + pd.Timedelta(days=round(months * DAYS_PER_MONTH))


def _write_counts(figure: Figure, data: Box, top: float, stock: Stock) -> None:
    """How many are usable, above today and each month told."""
    below = lines_height_in(1, LABEL_PT)
    write(figure, MARGIN_IN, top - 0.1, ["usable"], LABEL_PT, gid="usable", weight="bold")
    told = [(0, f"{stock.usable:,}"), *((at.in_months, f"{at.sources_usable:.0f}")
                                        for at in stock.at)]  # fmt: skip
    for months, number in told:
        middle = data.left + data.width * months / AHEAD_MONTHS
        write(figure, middle, top - 0.1, [number], LABEL_PT, gid="usable", weight="bold",
              align="center")  # fmt: skip
        write(figure, middle, top - 0.1 - below, ["today" if months == 0 else f"in {months} mo."],
              FOOTER_PT, gid="when", color=MUTED, align="center")  # fmt: skip
