"""How much the choice of the floor matters: retirement limits against the floor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from math import ceil, floor

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator

from outcomes.analysis.decisions.frontier import Frontier, FrontierPoint
from outcomes.analysis.results import ExposureName
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header
from outcomes.draw.theme import (
    DAYS_PER_MONTH,
    FITTED,
    FLOOR,
    HEADING_PT,
    HEIGHT_IN,
    INK,
    LABEL_PT,
    LANE,
    MUTED,
    WIDTH_IN,
    Box,
    lines_height_in,
    text_width_in,
    theme,
    wrap_to_width,
    write,
)

NOTHING = "No limit to draw against the floor"
AXIS_FLOOR = "floor: finds in 100 you will not go below"
NOT_CALLED_FOR = "no limit called for"
NOT_KNOWN = "not known yet: best estimate stays above"
NOT_SURE = {"cycles": "not sure at any number of cycles", "age_days": "not sure at any age"}
CANNOT_KEEP = "below from the start: no limit would keep this"
SCALE_IN = 0.75
AXIS_IN = 0.75
BETWEEN_IN = 0.7
LEAST_ZONE_IN = 1.3
_HEADINGS = {"cycles": "Retire after how many cycles?", "age_days": "Retire at what age, months?"}


def draw_frontier_figure(
    frontiers: Sequence[Frontier], title: str | None = None, subtitle: str = "", footer: str = ""
) -> Figure:
    """Draw the retirement limit for every floor, one panel an exposure.

    The steps are the limits that are shown to keep the floor, the thin line
    the best estimate of where finds fall below it, with its band. Where no
    limit is called for, where that is not known yet, where none is sure to keep
    the floor and where none would keep it, that is written.

    Parameters
    ----------
    frontiers
        One or two, the leading one first.
    title, subtitle, footer
        Words from outside; without a title, what one step of the floor costs.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        top = write_header(figure, title or _title(frontiers), subtitle)
        bottom = write_footer(figure, footer)
        if not frontiers:
            words = "These records give no ground for a limit by cycles or by age."
            lines = wrap_to_width(words, WIDTH_IN - 2 * MARGIN_IN, HEADING_PT)
            write(figure, MARGIN_IN, top, lines, HEADING_PT, gid="reason")
            return figure
        count = len(frontiers)
        width = (WIDTH_IN - 2 * MARGIN_IN - BETWEEN_IN * (count - 1)) / count
        for number, frontier in enumerate(frontiers):
            left = MARGIN_IN + number * (width + BETWEEN_IN)
            _draw_panel(figure, Box(left, bottom, width, top - bottom), frontier)
    return figure


def _title(frontiers: Sequence[Frontier]) -> str:
    """What a floor five in a hundred higher or lower does to the limit."""
    if not frontiers:
        return NOTHING
    leading = frontiers[0]
    by_floor = {round(100 * p.floor): p for p in leading.points}
    chosen = round(100 * leading.floor)
    told = []
    for at in (chosen - 5, chosen, chosen + 5):
        point = by_floor.get(at)
        if point is not None and point.retire_after is not None:
            told.append(f"{_amount(leading, point.retire_after)} at a floor of {at}")
    if len(told) < 2:
        return "How the retirement limit depends on the floor"
    return f"The floor decides the limit: {'; '.join(told)}"


def _amount(frontier: Frontier, limit: float) -> str:
    if frontier.by == "cycles":
        return f"{limit:g} cycle{'' if limit == 1 else 's'}"
    months = int(limit / DAYS_PER_MONTH)
    return f"{months} month{'' if months == 1 else 's'}"


def _draw_panel(figure: Figure, box: Box, frontier: Frontier) -> None:
    top = box.top - write(
        figure, box.left, box.top, [_HEADINGS[frontier.by]], HEADING_PT, gid="heading",
        weight="bold",
    )  # fmt: skip
    zones = _zones(frontier)
    # A zone's words stand in it where it is wide enough, or under the heading with its floors.
    an_inch = (zones.high - zones.low) / (box.width - SCALE_IN - 0.3)
    outside = [z for z in zones.all if z.high - z.low <= LEAST_ZONE_IN * an_inch]
    told = [
        line
        for z in outside
        for line in wrap_to_width(f"{z.floors}, {z.words}", box.width, LABEL_PT)
    ]
    top -= write(figure, box.left, top, told, LABEL_PT, gid="zone-name", color=MUTED)
    data = Box(
        box.left + SCALE_IN,
        box.bottom + AXIS_IN,
        box.width - SCALE_IN - 0.3,
        top - box.bottom - AXIS_IN - 0.2,
    )
    ax = figure.add_axes(data.of_figure, gid=f"frontier-{frontier.by}")
    half = _half_step(frontier)
    ax.set_xlim(zones.low, zones.high)
    ax.set_ylim(0.0, 1.12 * frontier.observed_to)
    _shade(figure, ax, data, zones.all)
    inside = [p for p in frontier.points if p.estimate is not None]
    if inside:
        at = np.array([100.0 * p.floor for p in inside])
        estimate = np.array([p.estimate for p in inside], dtype=float)
        low = np.array([_or(p.low, frontier.observed_from) for p in inside])
        high = np.array([_or(p.high, frontier.observed_to) for p in inside])
        ax.fill_between(
            at, low, high, color=FITTED, alpha=0.16, linewidth=0.0, gid="band", zorder=1
        )
        ax.plot(at, estimate, color=FITTED, linewidth=1.8, linestyle=(0, (6, 2)), gid="estimate",
                zorder=2)  # fmt: skip
    limits = [p for p in frontier.points if p.retire_after is not None]
    for point in limits:
        across = [100.0 * point.floor - half, 100.0 * point.floor + half]
        ax.plot(across, [_or(point.retire_after, 0.0)] * 2, color=FITTED, linewidth=5.0,
                solid_capstyle="butt", gid="limit", zorder=3)  # fmt: skip
    _name(figure, ax, data, inside, limits, half)
    _mark_floor(figure, ax, data, frontier)
    ax.set_xlabel(AXIS_FLOOR, fontsize=LABEL_PT + 2, labelpad=8)
    fives = range(5 * ceil(ax.get_xlim()[0] / 5.0), floor(ax.get_xlim()[1]) + 1, 5)
    ax.xaxis.set_major_locator(FixedLocator(list(fives)))
    if frontier.by == "cycles":
        ax.yaxis.set_major_locator(MaxNLocator(6, integer=True, prune="upper"))
    else:
        months = max(round(frontier.observed_to / DAYS_PER_MONTH / 6 / 3) * 3, 1)
        marks = list(range(0, int(frontier.observed_to / DAYS_PER_MONTH) + 1, months))
        ax.yaxis.set_major_locator(FixedLocator([DAYS_PER_MONTH * mark for mark in marks]))
        ax.yaxis.set_major_formatter(FixedFormatter([str(mark) for mark in marks]))
    ax.tick_params(labelsize=LABEL_PT, length=5)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


@dataclass(frozen=True, slots=True)
class _Zone:
    """Floors, in 100, without a limit: from ``low`` to ``high``, why, and named as a reader would.

    ``crossed`` where the line of the best estimate runs through it.
    """

    low: float
    high: float
    words: str
    floors: str
    crossed: bool


@dataclass(frozen=True, slots=True)
class _Zones:
    """What is drawn of the floors, from ``low`` to ``high`` in 100, and the zones within."""

    low: float
    high: float
    all: tuple[_Zone, ...]


def _half_step(frontier: Frontier) -> float:
    floors = [100.0 * p.floor for p in frontier.points]
    return 0.5 * float(np.diff(floors).min()) if len(floors) > 1 else 0.5


def _zones(frontier: Frontier) -> _Zones:
    """Neighbouring floors without a limit for the same reason, as far as they are drawn."""
    half = _half_step(frontier)
    start, end = _lowest_drawn(frontier) - half, 100.0 * frontier.points[-1].floor + half
    found = []
    for words, points in groupby(frontier.points, key=lambda p: _no_limit(p, frontier.by)):
        floors = [100.0 * p.floor for p in points]
        low, high = max(floors[0] - half, start), floors[-1] + half
        if words is None or high <= low:
            continue
        first, last = max(floors[0], start + half), floors[-1]
        named = f"{last:g}" if last - first < half else f"{first:g} to {last:g}"
        found.append(_Zone(low, high, words, f"at {named}", words in NOT_SURE.values()))
    return _Zones(start, end, tuple(found))


def _no_limit(point: FrontierPoint, by: ExposureName) -> str | None:
    """Why there is no limit at a floor; None where there is one."""
    if point.open_below:
        return NOT_KNOWN
    return {
        "stays above": NOT_CALLED_FOR,
        "rises": NOT_CALLED_FOR,
        "never sure": NOT_SURE[by],
        "below from the start": CANNOT_KEEP,
    }.get(point.outcome)


def _lowest_drawn(frontier: Frontier) -> float:
    """Left end, in 100: a little of where no limit is called for stands for all of it."""
    floors = [100.0 * p.floor for p in frontier.points]
    wanted = [
        100.0 * p.floor for p in frontier.points if _no_limit(p, frontier.by) != NOT_CALLED_FOR
    ]
    if 0.0 < frontier.floor < 1.0:
        wanted.append(100.0 * frontier.floor)
    return max(floors[0], min(wanted, default=floors[0]) - 8.0)


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else float(value)


def _shade(figure: Figure, ax: Axes, data: Box, zones: Sequence[_Zone]) -> None:
    """Grey where no limit can be read, with the reason written in where it has the room."""
    for zone in zones:
        # A white edge keeps neighbours apart.
        ax.axvspan(
            zone.low, zone.high, facecolor=LANE, edgecolor="white", linewidth=3.0, zorder=0.2,
            gid="no-limit",
        )  # fmt: skip
        left, right = (_across(ax, data, value) for value in (zone.low, zone.high))
        if right - left <= LEAST_ZONE_IN:
            continue
        lines = wrap_to_width(zone.words, right - left - 0.2, LABEL_PT)
        # Over the line that runs through, and under what names the chosen floor.
        top = (
            data.top - lines_height_in(2, LABEL_PT) - 0.1
            if zone.crossed
            else data.bottom + 0.15 + lines_height_in(len(lines), LABEL_PT)
        )
        write(figure, (left + right) / 2, top, lines, LABEL_PT, gid="no-limit-name",
              align="center", color=MUTED)  # fmt: skip


def _across(ax: Axes, data: Box, value: float) -> float:
    low, high = ax.get_xlim()
    return data.left + data.width * (value - low) / (high - low)


def _up(ax: Axes, data: Box, value: float) -> float:
    low, high = ax.get_ylim()
    return data.bottom + data.height * (value - low) / (high - low)


def _name(
    figure: Figure,
    ax: Axes,
    data: Box,
    inside: Sequence[FrontierPoint],
    limits: Sequence[FrontierPoint],
    half: float,
) -> None:
    """What steps and line are, written at their left ends."""
    height = lines_height_in(1, LABEL_PT)
    before = data.top - 1.5 * height  # under what names the chosen floor
    for points, words, weight in (
        (inside, "best estimate", "normal"),
        (limits, "retire after", "bold"),
    ):
        if not points:
            continue
        first = points[0]
        value = first.retire_after if weight == "bold" else first.estimate
        middle = min(_up(ax, data, _or(value, 0.0)), before - height)
        before = middle
        x = _across(ax, data, 100.0 * first.floor - half) - 0.1
        left = x - text_width_in(words, LABEL_PT, weight) < data.left + 0.1
        write(figure, x + 0.35 if left else x, middle + height / 2, [words], LABEL_PT, gid="name",
              weight=weight, color=FITTED, align="left" if left else "right",
              halo=True)  # fmt: skip


def _mark_floor(figure: Figure, ax: Axes, data: Box, frontier: Frontier) -> None:
    low, high = ax.get_xlim()
    chosen = 100.0 * frontier.floor
    if not low < chosen < high:
        return
    ax.axvline(chosen, color=FLOOR, linewidth=2.2, linestyle=(0, (5, 2)), gid="floor", zorder=2.5)
    point = min(frontier.points, key=lambda p: abs(p.floor - frontier.floor))
    words = [f"your floor: {chosen:g}"]
    if abs(point.floor - frontier.floor) < 1e-9 and point.retire_after is not None:
        words.append(f"→ {_amount(frontier, point.retire_after)}")
        ax.plot([chosen], [point.retire_after], marker="D", markersize=14, color=INK,
                linestyle="none", gid="chosen", zorder=4)  # fmt: skip
    x = _across(ax, data, chosen)
    width = max(text_width_in(line, LABEL_PT, "bold") for line in words) + 0.2
    right = x + width < data.right
    write(figure, x + 0.12 if right else x - 0.12, data.top, words, LABEL_PT, gid="floor-name",
          weight="bold", color=FLOOR, align="left" if right else "right", halo=True)  # fmt: skip
