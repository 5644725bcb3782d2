"""Sources still reliable, each event anywhere between two trials, with numbers followed."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator

from outcomes.analysis.lifetimes.interval_censored import IntervalCurve, IntervalLifetime
from outcomes.draw.lifetime_panel import GroupLook, group_looks, month_marks
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header
from outcomes.draw.theme import (
    DAYS_PER_MONTH,
    HAIRLINE,
    HEADING_PT,
    HEIGHT_IN,
    LABEL_PT,
    MUTED,
    WIDTH_IN,
    Box,
    drawable,
    lines_height_in,
    spread_apart,
    theme,
    wrap_to_width,
    write,
)
from outcomes.text import months

NOTHING = "How long sources stay reliable cannot be drawn yet"
HEADING = "Of 100 sources still reliable at the start of a line, so many still are"
MOST_CURVES = 4
_SCALE_IN = 0.75
_AXIS_IN = 0.75
_NAMES_IN = 2.3
_ROW_IN = 0.3


def draw_turnbull_figure(
    found: IntervalLifetime,
    footer: str,
    *,
    by: str = "regime",
    title: str | None = None,
    subtitle: str = "",
) -> Figure:
    """Draw each group's curve: flat where it is known, sloping where an event lies somewhere.

    Parameters
    ----------
    found
        The curves; without any, the reason is written.
    footer
        What stands behind the figure: unit and records.
    by
        ``"regime"`` or ``"kind"``; the curve of all sources where no group of
        that sort has one.
    title, subtitle
        Words from outside; without them, what the fit says.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    curves = [c for c in found.curves if c.by == by] or [c for c in found.curves if c.by == "all"]
    curves = sorted(curves, key=lambda c: (-c.sources, c.group))[:MOST_CURVES]
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        if not curves:
            top = write_header(figure, title or NOTHING, subtitle)
            width = WIDTH_IN - 2 * MARGIN_IN
            reason = f"No {by} has a curve of its own yet." if found.curves else found.sentence
            top -= write(figure, MARGIN_IN, top, wrap_to_width(reason, width, HEADING_PT),
                         HEADING_PT, gid="reason") + 0.1  # fmt: skip
            for group, why in found.not_drawn_by.get(by, {}).items():
                lines = wrap_to_width(f"{drawable(group)}: {why}", width, LABEL_PT)
                top -= write(figure, MARGIN_IN, top, lines, LABEL_PT, gid="why", color=MUTED)
            write_footer(figure, footer)
            return figure
        top = write_header(figure, title or _title(curves), subtitle or _subtitle(found, curves))
        bottom = write_footer(figure, footer)
        top -= write(figure, MARGIN_IN, top, [HEADING], HEADING_PT, gid="heading", weight="bold")
        below = bottom + _ROW_IN * (len(curves) + 1)
        data = Box(
            MARGIN_IN + _SCALE_IN,
            below + _AXIS_IN,
            WIDTH_IN - 2 * MARGIN_IN - _SCALE_IN - _NAMES_IN,
            top - 0.15 - below - _AXIS_IN,
        )
        ax = figure.add_axes(data.of_figure, gid="reliable")
        looks = group_looks([c.group for c in curves])
        for curve in curves:
            _draw_curve(ax, curve, looks[curve.group])
        ticks = _scale(figure, ax, data, curves)
        _write_names(figure, ax, data, curves, looks)
        _write_followed(figure, ax, data, curves, looks, ticks, below)
    return figure


def _title(curves: Sequence[IntervalCurve]) -> str:
    reached = [c for c in curves if c.median is not None]
    if not reached:
        return "More than half of the sources stayed reliable as long as they were followed"
    first = min(reached, key=lambda c: (c.median or 0.0, c.group))
    name = "sources" if first.by == "all" else f"{drawable(first.group)} sources"
    return f"Half of the {name} became unreliable within {months(first.median or 0.0)}"


def _subtitle(found: IntervalLifetime, curves: Sequence[IntervalCurve]) -> str:
    if curves[0].by != "kind":
        return found.sentence
    # The fit's own sentence is about regimes.
    parts = [f"{c.events} of {c.sources} {drawable(c.group)}" for c in curves]
    text = f"Sources that met the rule: {', '.join(parts)}."
    lacking = found.not_drawn_by.get("kind", {})
    if lacking:
        text += f" Too thin for a curve: {', '.join(drawable(group) for group in lacking)}."
    return text


def corners(curve: IntervalCurve) -> tuple[np.ndarray, np.ndarray]:
    """Corners of a curve, days held and probability: flat between cells, sloping within them."""
    days, heights = [curve.points[0].time], [1.0]
    for point in curve.points[1:]:
        days += [point.cell_from, point.time]
        heights += [heights[-1], point.probability]
    return np.array(days), np.array(heights)


def band(curve: IntervalCurve) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Days held, lower and upper limits: between two points, what holds for all of the days."""
    days, low, high = [], [], []
    for before, after in pairwise(curve.points):
        days += [before.time, after.time]
        low += [after.low, after.low]
        high += [before.high, before.high]
    return np.array(days), np.array(low), np.array(high)


def _draw_curve(ax: Axes, curve: IntervalCurve, look: GroupLook) -> None:
    days, low, high = band(curve)
    ax.fill_between(
        days, low, high, color=look.color, alpha=0.11, linewidth=0.0, gid=f"band-{curve.group}"
    )
    days, heights = corners(curve)
    ax.plot(days, heights, color=look.color, linestyle=look.linestyle, linewidth=3.4,
            gid=f"reliable-{curve.group}", zorder=3)  # fmt: skip


def _scale(figure: Figure, ax: Axes, data: Box, curves: Sequence[IntervalCurve]) -> list[float]:
    last = max(c.points[-1].time for c in curves)
    ax.set_xlim(0.0, 1.02 * last)
    ax.set_ylim(0.0, 1.03)
    months = month_marks(1.02 * last / DAYS_PER_MONTH, 8.2)
    ticks = [float(m) * DAYS_PER_MONTH for m in months]
    ax.xaxis.set_major_locator(FixedLocator(ticks))
    ax.xaxis.set_major_formatter(FixedFormatter([f"{m:,g}" for m in months]))
    heights = [0.0, 0.25, 0.5, 0.75, 1.0]
    ax.yaxis.set_major_locator(FixedLocator(heights))
    ax.yaxis.set_major_formatter(FixedFormatter([f"{100 * h:.0f}" for h in heights]))
    ax.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.tick_params(labelsize=LABEL_PT + 2, length=5)
    ax.tick_params(axis="y", length=0)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    write(figure, data.left + data.width / 2, data.bottom - 0.38, ["months held"], LABEL_PT + 2,
          gid="axis-name", align="center")  # fmt: skip
    return ticks


def _write_names(
    figure: Figure,
    ax: Axes,
    data: Box,
    curves: Sequence[IntervalCurve],
    looks: dict[str, GroupLook],
) -> None:
    rising = sorted(curves, key=lambda c: (c.points[-1].probability, c.group))
    height = lines_height_in(2, LABEL_PT)
    top = ax.get_ylim()[1]
    wanted = [data.bottom + data.height * c.points[-1].probability / top for c in rising]
    centres = spread_apart(np.array(wanted), np.full(len(rising), height + 0.05), data.bottom,
                           data.top)  # fmt: skip
    for curve, middle in zip(rising, centres, strict=True):
        counts = f"{curve.events} of {curve.sources}"
        for number, words in enumerate((_short(drawable(curve.group)), counts)):
            write(figure, data.right + 0.18, float(middle) + height * (0.5 - number / 2), [words],
                  LABEL_PT, gid=f"group-{number}", color=looks[curve.group].color,
                  weight="bold" if number == 0 else "normal")  # fmt: skip


def _short(name: str) -> str:
    lines = wrap_to_width(name, _NAMES_IN - 0.35, LABEL_PT, "bold")
    return lines[0] if len(lines) == 1 else f"{lines[0][:-1]}…"


def followed_by(curve: IntervalCurve, day: float) -> int:
    """Sources of a group followed on a day, ends included."""
    return sum(first <= day <= last for first, last in curve.spans)


def _write_followed(
    figure: Figure,
    ax: Axes,
    data: Box,
    curves: Sequence[IntervalCurve],
    looks: dict[str, GroupLook],
    ticks: Sequence[float],
    top: float,
) -> None:
    right = ax.get_xlim()[1]
    write(figure, data.left - 0.3, top + 0.06, ["sources followed"], LABEL_PT,
          gid="followed-heading", color=MUTED)  # fmt: skip
    for number, curve in enumerate(curves):
        row = top + 0.06 - _ROW_IN * (number + 1)
        color = looks[curve.group].color
        write(figure, data.right + 0.18, row, [_short(drawable(curve.group))], LABEL_PT,
              gid="followed-group", color=color)  # fmt: skip
        for tick in ticks:
            count = followed_by(curve, tick)
            write(figure, data.left + data.width * tick / right, row,
                  ["–" if count == 0 else f"{count:,}"], LABEL_PT, gid="followed", color=color,
                  align="center")  # fmt: skip
