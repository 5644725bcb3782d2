"""What retirement limits buy and cost: finds in 100 against sources retired per year."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from outcomes.analysis.decisions.trade_off import DAYS_PER_MONTH, TradeOff, TradeOffPoint
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    FLOOR,
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
from outcomes.wording.price import describe_limits_of_rule, describe_price_in_short

NOTHING = "There is nothing to trade between finds and sources"
AXIS_COST = "sources retired per year, in the long run"
BETTER = "↖ better: more finds, fewer sources"
HEADING_FINDS = "Finds in 100, in the trials still run"
SCALE_IN = 0.75
AXIS_IN = 0.75
BETWEEN_LABELS_IN = 0.12
_MARK = 11


@dataclass(frozen=True, slots=True)
class _Line:
    """One rule as it is drawn: its points, its name, and on which side its words stand."""

    rules: tuple[TradeOffPoint, ...]
    name: str
    color: str
    dashes: Literal["solid"] | tuple[int, tuple[int, int]]
    marker: str
    above: bool


def draw_trade_off_figure(
    trade_off: TradeOff,
    footer: str,
    *,
    advised: Sequence[TradeOffPoint] = (),
) -> Figure:
    """Draw limits by cycles and by age as two lines, and present practice as one point.

    To the right more sources are given up, upwards more is found: of two lines
    the upper one buys more for as many sources. Limits that would use up more
    than the whole store in a year are not drawn.

    Parameters
    ----------
    trade_off
        What each limit buys and costs.
    footer
        What stands behind the figure: unit and records.
    advised
        The unit's own advised limits, marked more strongly than the others.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        if trade_off.present is None:
            reason = trade_off.reason or ""
            write_reason(figure, NOTHING, f"{reason[:1].upper()}{reason[1:]}.", footer)
            return figure
        top = write_header(figure, describe_price_in_short(trade_off), "")
        bottom = write_footer(figure, footer)
        _draw(figure, Box(MARGIN_IN, bottom, WIDTH_IN - 2 * MARGIN_IN, top - bottom), trade_off,
              advised)  # fmt: skip
    return figure


def dearest_drawn(trade_off: TradeOff) -> float:
    """Right end of the drawing, sources per year: the whole store, or present practice if more."""
    assert trade_off.present is not None
    rules = (*trade_off.by_cycles, *trade_off.by_age)
    cheapest = min((p.sources_per_year for p in rules), default=0.0)
    wanted = max(trade_off.places, 1.15 * trade_off.present.sources_high, 1.5 * cheapest, 1.0)
    most = max((p.sources_per_year for p in rules), default=wanted)
    return float(min(wanted, max(most, 1.15 * trade_off.present.sources_high, 1.0)))


def _draw(figure: Figure, box: Box, trade_off: TradeOff, advised: Sequence[TradeOffPoint]) -> None:
    present = trade_off.present
    assert present is not None
    top = box.top - write(
        figure, box.left, box.top, [HEADING_FINDS], HEADING_PT, gid="heading", weight="bold"
    )
    lines = [
        _Line(trade_off.by_cycles, "limit by cycles", FITTED, "solid", "o", True),
        _Line(trade_off.by_age, "limit by age", INK, (0, (6, 2)), "s", False),
    ]
    if trade_off.leading == "age_days":
        lines = [
            _Line(line.rules, line.name, line.color, line.dashes, line.marker, not line.above)
            for line in lines
        ]
    right = max(text_width_in(line.name, HEADING_PT, "bold") for line in lines) + 0.3
    data = Box(
        box.left + SCALE_IN,
        box.bottom + AXIS_IN,
        box.width - SCALE_IN - right,
        top - box.bottom - AXIS_IN - 0.2,
    )
    ax = figure.add_axes(data.of_figure, gid="trade-off")
    most = dearest_drawn(trade_off)
    shown = [
        _Line(_up_to(line.rules, most), *(getattr(line, f) for f in _Line.__slots__[1:]))
        for line in lines
    ]
    ax.set_xlim(0.0, most)
    _set_height(ax, [p for line in shown for p in line.rules], trade_off)
    leading = shown[1] if trade_off.leading == "age_days" else shown[0]
    cost, low, high = _columns(leading.rules, "low", "high")
    ax.fill_between(cost, 100.0 * low, 100.0 * high, color=leading.color, alpha=0.14, linewidth=0.0,
                    gid="band", zorder=0.6)  # fmt: skip
    taken = [_block(data.left + 0.15, data.top, BETTER, LABEL_PT)]
    write(figure, data.left + 0.15, data.top, [BETTER], LABEL_PT, gid="better", color=MUTED)
    taken += _draw_floor(figure, ax, data, trade_off.floor)
    taken += _draw_present(figure, ax, data, trade_off)
    taken += _name_lines(figure, ax, data, shown)
    taken += _draw_combined(figure, ax, data, _up_to(trade_off.combined, most), shown)
    course = np.vstack([np.zeros((0, 2)), *(_course(ax, data, line) for line in shown)])
    for line in (leading, *(line for line in shown if line is not leading)):
        taken += _draw_line(figure, ax, data, line, taken, course, advised)
    ax.set_xlabel(AXIS_COST, fontsize=HEADING_PT, labelpad=8)
    ax.xaxis.set_major_locator(MaxNLocator(8, integer=True))
    ax.yaxis.set_major_locator(MaxNLocator(6, integer=True, prune="upper"))
    ax.tick_params(labelsize=LABEL_PT + 2, length=5)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _block(left: float, top: float, words: str, size: float, weight: str = "normal") -> Box:
    """The room one line of words takes."""
    height = lines_height_in(1, size)
    return Box(left, top - height, 1.02 * text_width_in(words, size, weight), height)


def _meet(a: Box, b: Box) -> bool:
    across = min(a.right, b.right) - max(a.left, b.left)
    return across > -BETWEEN_LABELS_IN and min(a.top, b.top) > max(a.bottom, b.bottom)


def _up_to(rules: Sequence[TradeOffPoint], most: float) -> tuple[TradeOffPoint, ...]:
    return tuple(p for p in rules if p.sources_per_year <= most)


def _columns(rules: Sequence[TradeOffPoint], *names: str) -> list[np.ndarray]:
    """Cost and other numbers of rules, in order of rising cost."""
    ordered = sorted(rules, key=lambda p: p.sources_per_year)
    return [
        np.array([float(getattr(p, name)) for p in ordered])
        for name in ("sources_per_year", *names)
    ]


def _set_height(ax: Axes, rules: Sequence[TradeOffPoint], trade_off: TradeOff) -> None:
    present = trade_off.present
    assert present is not None
    values = [100.0 * v for p in rules for v in (p.low, p.high)]
    values += [100.0 * present.low, 100.0 * present.high]
    low, high = min(values), max(values)
    room = 0.1 * (high - low) + 0.5
    start = max(floor(low - room), 0)
    # The floor is drawn where it lies near enough not to flatten everything else.
    if 0.0 <= start - 100.0 * trade_off.floor < high - low:
        start = max(floor(100.0 * trade_off.floor - room), 0)
    ax.set_ylim(start, min(ceil(high + room / 2), 101))


def _draw_floor(figure: Figure, ax: Axes, data: Box, floor_: float) -> list[Box]:
    low, high = ax.get_ylim()
    if not low < 100.0 * floor_ < high:
        return []
    ax.axhline(
        100.0 * floor_, color=FLOOR, linewidth=2.0, linestyle=(0, (5, 2)), gid="floor", zorder=0.8
    )
    y = data.bottom + data.height * (100.0 * floor_ - low) / (high - low)
    words = f"floor, {100.0 * floor_:g} in 100"
    write(figure, data.right, y - 0.04, [words], LABEL_PT, gid="floor-name", color=FLOOR,
          align="right")  # fmt: skip
    return [_block(data.right - text_width_in(words, LABEL_PT), y - 0.04, words, LABEL_PT)]


def _draw_line(
    figure: Figure,
    ax: Axes,
    data: Box,
    line: _Line,
    taken: Sequence[Box],
    course: np.ndarray,
    advised: Sequence[TradeOffPoint],
) -> list[Box]:
    """A line with its limits, those named for which there is room beside words and lines.

    Those advised come first, so that they find room.
    """
    if not line.rules:
        return []
    cost, found = _columns(line.rules, "find_probability")
    ax.plot(cost, 100.0 * found, color=line.color, linewidth=3.6, linestyle=line.dashes,
            gid=f"line {line.name}", zorder=2)  # fmt: skip
    blocks: list[Box] = []
    height = lines_height_in(1, LABEL_PT)
    for point in sorted(line.rules, key=lambda p: (p not in advised, p.sources_per_year)):
        strong = point in advised
        if not strong and not _round(point, line.rules):
            continue
        words = (
            f"{describe_limits_of_rule(point)}: advised"
            if strong
            else describe_limits_of_rule(point)
        )
        weight = "bold" if strong else "normal"
        width = text_width_in(words, LABEL_PT, weight)
        x, y = _place(ax, data, point.sources_per_year, point.find_probability)
        # Over or under its mark; where the line is steep, beside it.
        side = -1.0 if line.above else 1.0
        tries = [
            (x - width / 2, y + 0.16 + height if line.above else y - 0.16),
            (x + side * (width / 2 + 0.2) - width / 2, y + height / 2 - side * 0.08),
        ]
        free = [
            block
            for block in (_block(left, top, words, LABEL_PT, weight) for left, top in tries)
            if data.left < block.left
            and block.right <= data.right
            and not _covers(block, course)
            and not any(_meet(block, other) for other in (*taken, *blocks))
        ]
        if not free and not strong:
            continue
        if strong:
            ax.plot([point.sources_per_year], [100.0 * point.find_probability],
                    marker=line.marker, markersize=_MARK + 5, color=line.color, linestyle="none",
                    gid="advised", zorder=3.2)  # fmt: skip
        else:
            ax.plot([point.sources_per_year], [100.0 * point.find_probability],
                    marker=line.marker, markersize=_MARK, markerfacecolor="white",
                    markeredgecolor=line.color, markeredgewidth=2.6, linestyle="none",
                    gid=f"limit {line.name}", zorder=3)  # fmt: skip
        if not free:
            continue
        block = free[0]
        blocks.append(block)
        write(figure, block.left, block.top, [words], LABEL_PT, weight=weight,
              gid="advised-name" if strong else "limit-name", color=line.color,
              halo=True)  # fmt: skip
    return blocks


def _course(ax: Axes, data: Box, line: _Line) -> np.ndarray:
    """Points along a line, inches on the sheet, shape (k, 2)."""
    if not line.rules:
        return np.zeros((0, 2))
    cost, found = _columns(line.rules, "find_probability")
    at = np.union1d(np.linspace(cost[0], cost[-1], 400), cost)
    pairs = zip(at.tolist(), np.interp(at, cost, found).tolist(), strict=True)
    return np.array([_place(ax, data, x, y) for x, y in pairs])


def _covers(block: Box, points: np.ndarray) -> bool:
    x, y = points[:, 0], points[:, 1]
    inside = (x > block.left) & (x < block.right) & (y > block.bottom) & (y < block.top)
    return bool(inside.any())


def _round(point: TradeOffPoint, rules: Sequence[TradeOffPoint]) -> bool:
    """Whether a limit is worth a label: the last one, or a round number."""
    if point is max(rules, key=lambda p: (p.cycles or 0.0, p.age_days or 0.0)):
        return True
    if point.cycles is not None:
        return point.cycles < 10 or point.cycles % 5 == 0
    return round((point.age_days or 0.0) / DAYS_PER_MONTH) % 6 == 0


def _place(ax: Axes, data: Box, cost: float, probability: float) -> tuple[float, float]:
    """Inches on the sheet of a cost and a find probability."""
    left, right = ax.get_xlim()
    low, high = ax.get_ylim()
    return (
        data.left + data.width * (cost - left) / (right - left),
        data.bottom + data.height * (100.0 * probability - low) / (high - low),
    )


def _name_lines(figure: Figure, ax: Axes, data: Box, lines: Sequence[_Line]) -> list[Box]:
    """The name of each line at its right end, the upper one first."""
    ends = []
    for line in lines:
        if line.rules:
            last = max(line.rules, key=lambda p: p.sources_per_year)
            ends.append((_place(ax, data, last.sources_per_year, last.find_probability), line))
    height = lines_height_in(1, HEADING_PT)
    ends.sort(key=lambda end: end[0][1], reverse=True)
    before = np.inf
    blocks = []
    for (x, y), line in ends:
        middle = min(y, before - height)
        write(figure, x + 0.18, middle + height / 2, [line.name], HEADING_PT, gid="line-name",
              weight="bold", color=line.color, halo=True)  # fmt: skip
        blocks.append(_block(x + 0.18, middle + height / 2, line.name, HEADING_PT, "bold"))
        before = middle
    return blocks


def _draw_combined(
    figure: Figure,
    ax: Axes,
    data: Box,
    rules: Sequence[TradeOffPoint],
    lines: Sequence[_Line],
) -> list[Box]:
    """Rules by both as triangles; their words on the side where the nearer line is farther."""
    height = lines_height_in(1, LABEL_PT)
    blocks = []
    for point in rules:
        ax.plot([point.sources_per_year], [100.0 * point.find_probability], marker="^",
                markersize=_MARK + 2, markerfacecolor="white", markeredgecolor=INK,
                markeredgewidth=2.6, linestyle="none", gid="combined", zorder=4)  # fmt: skip
        x, y = _place(ax, data, point.sources_per_year, point.find_probability)
        at = [
            _place(ax, data, point.sources_per_year, float(np.interp(point.sources_per_year, c, p)))
            for c, p in (_columns(line.rules, "find_probability") for line in lines)
            if len(c)
        ]
        above = min((b - y for _, b in at if b >= y), default=np.inf)
        below = min((y - b for _, b in at if b < y), default=np.inf)
        top = y + 0.2 + height if above > below else y - 0.2
        words = describe_limits_of_rule(point)
        half = text_width_in(words, LABEL_PT) / 2
        x = min(x, data.right - half)
        write(figure, x, top, [words], LABEL_PT, gid="combined-name", align="center", halo=True)
        blocks.append(_block(x - half, top, words, LABEL_PT))
    return blocks


def _draw_present(figure: Figure, ax: Axes, data: Box, trade_off: TradeOff) -> list[Box]:
    present = trade_off.present
    assert present is not None
    x, y = present.sources_per_year, 100.0 * present.find_probability
    across = [present.sources_low, min(present.sources_high, ax.get_xlim()[1])]
    ax.plot(across, [y, y], color=INK, linewidth=1.8, gid="present-cost", zorder=3.5)
    ax.plot([x, x], [100.0 * present.low, 100.0 * present.high], color=INK, linewidth=1.8,
            gid="present-finds", zorder=3.5)  # fmt: skip
    ax.plot([x], [y], marker="D", markersize=_MARK + 4, color=INK, linestyle="none",
            gid="present", zorder=4, clip_on=False)  # fmt: skip
    at_x, at_y = _place(ax, data, x, present.find_probability)
    _, low = _place(ax, data, x, present.low)
    words = ["as now", f"{x:.1f} a year, {y:.0f} in 100"]
    left = max(at_x + 0.2, data.left + 0.1)
    top = min(at_y - 0.2, low + lines_height_in(1, HEADING_PT) + lines_height_in(1, LABEL_PT))
    blocks = [_block(left, top, words[0], HEADING_PT, "bold")]
    top -= write(figure, left, top, words[:1], HEADING_PT, gid="present-name", weight="bold",
                 halo=True)  # fmt: skip
    write(figure, left, top, words[1:], LABEL_PT, gid="present-size", halo=True, color=MUTED)
    return [*blocks, _block(left, top, words[1], LABEL_PT)]
