"""Several units as a slide: each by itself, together, and where another one would lie."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    FLOOR,
    FOOTER_PT,
    HAIRLINE,
    HEADING_PT,
    HEIGHT_IN,
    INK,
    LABEL_PT,
    MUTED,
    WIDTH_IN,
    Box,
    lines_height_in,
    theme,
    write,
)
from outcomes.pool.answer import PoolAnswer, SlopeTogether
from outcomes.pool.unit_surface import SharedName
from outcomes.text import count
from outcomes.wording.pool import POOL_CAUTIONS, describe_pool

MOST_ROWS = 24
_HEADS_IN = 0.5
_AXIS_IN = 0.85
_NAME_IN = 2.3
_GAP_IN = 0.6
_MOST_ROW_IN = 0.55
_WORDS: Mapping[SharedName, str] = {"cycles": "per 10 cycles", "age": "per year of age"}


@dataclass(frozen=True, slots=True)
class _Line:
    """One row of one panel; limits are infinite where they are not known."""

    name: str
    estimate: float | None
    low: float
    high: float
    role: str


def draw_pool_figure(answer: PoolAnswer) -> Figure:
    """Draw a panel for each exposure, a row for each unit.

    Parameters
    ----------
    answer
        What the units say.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot. At most 24 units are drawn by themselves, those with the
        narrowest limits, which is said.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        footer = POOL_CAUTIONS[0]
        if not answer.slopes:
            write_reason(figure, describe_pool(answer), "Nothing to draw: no line.", footer)
            return figure
        shown = _shown(answer)
        left_out = len(answer.added) - len(shown)
        more = f" {count(left_out, 'more unit')} not drawn, but counted." if left_out else ""
        top = write_header(
            figure,
            describe_pool(answer),
            "Change in the log-odds of a find, 95 % limits: each unit by itself, the units "
            f"together, and where another unit would lie.{more}",
        )
        bottom = write_footer(figure, footer, caution="")
        panels = list(answer.slopes.values())
        rows = [_rows(slope, shown) for slope in panels]
        number = max(map(len, rows))
        pitch = min((top - _HEADS_IN - _AXIS_IN - bottom) / number, _MOST_ROW_IN)
        height = pitch * number
        width = (WIDTH_IN - 2 * MARGIN_IN - _NAME_IN - _GAP_IN * (len(panels) - 1)) / len(panels)
        for k, (slope, lines) in enumerate(zip(panels, rows, strict=True)):
            box = Box(
                MARGIN_IN + _NAME_IN + k * (width + _GAP_IN),
                top - _HEADS_IN - height,
                width,
                height,
            )
            _draw_panel(figure, box, slope, lines, rows[0])
        _write_names(figure, rows[0], top - _HEADS_IN, pitch)
    return figure


def _shown(answer: PoolAnswer) -> list[str]:
    """Codes of the units drawn, in the order of the shares."""
    of_cycles = next(iter(answer.slopes.values())).units
    width = {
        u.unit_code: np.inf if u.low is None or u.high is None else u.high - u.low
        for slope in reversed(list(answer.slopes.values()))
        for u in slope.units
    }
    kept = sorted(width, key=lambda code: (width[code], code))[:MOST_ROWS]
    order = [u.unit_code for u in of_cycles] + sorted(set(width) - {u.unit_code for u in of_cycles})
    return [code for code in order if code in kept]


def _rows(slope: SlopeTogether, shown: Sequence[str]) -> list[_Line]:
    own = {u.unit_code: u for u in slope.units}
    rows = [
        _Line(code, own[code].estimate, _end(own[code].low, -1), _end(own[code].high, 1), "unit")
        if code in own
        else _Line(code, None, np.nan, np.nan, "unit")
        for code in shown
    ]
    rows.append(
        _Line("together", slope.estimate, _end(slope.low, -1), _end(slope.high, 1), "together")
    )
    if slope.prediction is not None:
        rows.append(
            _Line("another unit", None, slope.prediction.low, slope.prediction.high, "another")
        )
    return rows


def _end(limit: float | None, side: int) -> float:
    return side * np.inf if limit is None else limit


def _draw_panel(
    figure: Figure, box: Box, slope: SlopeTogether, lines: Sequence[_Line], names: Sequence[_Line]
) -> None:
    ax = figure.add_axes(box.on(figure), gid=f"pool-{slope.exposure}")
    low, high = _scale(lines)
    ax.set_xlim(low, high)
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.set_yticks([])
    ax.axvline(0.0, color=MUTED, linewidth=1.4, gid="no-change", zorder=1)
    for number, line in enumerate(lines):
        _draw_line(ax, number, line, low, high)
    ax.xaxis.set_major_locator(MaxNLocator(6))
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    ax.tick_params(axis="x", length=4, labelsize=LABEL_PT)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    heading = f"{slope.exposure}, {_WORDS[slope.exposure]}"
    write(figure, box.left, box.top + 0.42, [heading], HEADING_PT, gid="panel", weight="bold")
    below = box.bottom - 0.4
    write(figure, box.left, below, ["fewer finds"], LABEL_PT, gid="fewer", color=MUTED)
    write(figure, box.right, below, ["more finds"], LABEL_PT, gid="more", color=MUTED,
          align="right")  # fmt: skip


def _scale(lines: Sequence[_Line]) -> tuple[float, float]:
    """What the panel spans: all of the answer, and of units what leaves it readable."""
    ends = [0.0]
    for line in lines:
        if line.role != "unit":
            ends += [v for v in (line.low, line.high) if np.isfinite(v)]
        elif line.estimate is not None:
            ends.append(line.estimate)
    of_units = [
        v for line in lines if line.role == "unit" for v in (line.low, line.high) if np.isfinite(v)
    ]
    if of_units:
        ends += list(np.quantile(of_units, [0.1, 0.9]))
    low, high = min(ends), max(ends)
    room = 0.06 * (high - low) or 1.0
    return low - room, high + room


def _draw_line(ax: Axes, number: int, line: _Line, low: float, high: float) -> None:
    if np.isnan(line.low):
        ax.text((low + high) / 2, number, "age alone", ha="center", va="center",
                fontsize=FOOTER_PT, color=MUTED, gid="absent")  # fmt: skip
        return
    left, right = max(line.low, low), min(line.high, high)
    look = {
        "unit": {"color": INK, "linewidth": 2.0, "linestyle": "-"},
        "together": {"color": FLOOR, "linewidth": 4.0, "linestyle": "-"},
        "another": {"color": FITTED, "linewidth": 3.0, "linestyle": (0, (2, 1.2))},
    }[line.role]
    ax.plot([left, right], [number] * 2, gid=f"interval-{line.role}", zorder=2,
            solid_capstyle="butt", **look)  # type: ignore[arg-type]  # fmt: skip
    for end, limit, mark in ((left, line.low, "<"), (right, line.high, ">")):
        if end != limit:
            ax.plot([end], [number], marker=mark, markersize=7, color=look["color"],
                    linestyle="none", gid="goes-on", clip_on=False)  # fmt: skip
    if line.estimate is not None:
        marker = "D" if line.role == "together" else "o"
        ax.plot([line.estimate], [number], marker=marker, markersize=9, color=look["color"],
                linestyle="none", gid=f"mark-{line.role}", zorder=3)  # fmt: skip


def _write_names(figure: Figure, lines: Sequence[_Line], top: float, pitch: float) -> None:
    size = LABEL_PT if lines_height_in(1, LABEL_PT) <= pitch else FOOTER_PT
    for number, line in enumerate(lines):
        middle = top - (number + 0.5) * pitch + lines_height_in(1, size) / 2
        weight = "normal" if line.role == "unit" else "bold"
        write(figure, MARGIN_IN, middle, [line.name], size, gid="name", weight=weight)
