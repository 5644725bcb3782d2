"""The shelf as a slide: intervals against the floor, latest trials, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from outcomes.analysis.decisions.next_step import NextStep
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FLOOR,
    FOOTER_PT,
    HAIRLINE,
    INK,
    LABEL_PT,
    MUTED,
    WIDTH_IN,
    Box,
    drawable,
    lines_height_in,
    text_width_in,
    theme,
    write,
)
from outcomes.text import count
from outcomes.wording.next_step import describe_next_step
from outcomes.wording.numbers import floor_in_100
from outcomes.wording.shelf import describe_shelf

LATEST = 12
MOST_ROWS = 26
_LEAST_ROW_IN, _MOST_ROW_IN = 0.2, 0.42
_HEADS_IN = 0.32
_AXIS_IN = 0.4
_NAME_IN, _CYCLES_IN, _TICKS_IN, _NEXT_IN, _GAP_IN = 2.7, 0.9, 2.6, 2.3, 0.35
_BESIDE_IN = _NAME_IN + _CYCLES_IN + _TICKS_IN + _NEXT_IN + 2 * _GAP_IN
_MARKS = {
    "retire": {"marker": "x", "markersize": 11, "markeredgewidth": 3.0},
    "test": {"marker": "D", "markersize": 9, "markerfacecolor": "white", "markeredgewidth": 2.0},
    "keep": {"marker": "o", "markersize": 9},
}


def draw_shelf_figure(
    shelf: Sequence[ShelfSource],
    steps: Sequence[NextStep],
    latest: Mapping[str, Sequence[str]],
    floor: float,
    confidence: float,
    footer: str,
) -> Figure:
    """Draw one row a source, in the order to act in.

    Parameters
    ----------
    shelf
        Every source held, with its advice.
    steps
        What to do next with each.
    latest
        Source → results of its latest trials, ``"find"`` or ``"miss"``, the last one last.
    floor
        The lowest acceptable find probability.
    confidence
        That of the intervals.
    footer
        What stands behind the figure: unit and records.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`. At most 26 sources
        are drawn, those to act on first, which is said.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, 9.0))
        title = describe_shelf(shelf)
        if not shelf:
            write_reason(figure, title, "Nothing to draw: no source is held.", footer)
            return figure
        shown = shelf[:MOST_ROWS]
        left_out = len(shelf) - len(shown)
        more = f" {count(left_out, 'more source')} not drawn." if left_out else ""
        top = write_header(
            figure,
            title,
            f"Finds expected in the next 100 trials, {100 * confidence:g} % interval, beside the "
            f"floor of {floor_in_100(floor)}. ✕ retire  ◇ test  ● keep.{more}",
        )
        bottom = write_footer(figure, footer)
        room = top - _HEADS_IN - _AXIS_IN - bottom
        pitch = min(max(room / len(shown), _LEAST_ROW_IN), _MOST_ROW_IN)
        height = pitch * len(shown)
        width = (
            WIDTH_IN - 2 * MARGIN_IN - _NAME_IN - _CYCLES_IN - _TICKS_IN - _NEXT_IN - 2 * _GAP_IN
        )
        data = Box(MARGIN_IN + _NAME_IN + _CYCLES_IN, top - _HEADS_IN - height, width, height)
        size = LABEL_PT if pitch >= lines_height_in(1, LABEL_PT) else FOOTER_PT
        todo = {step.source_id: describe_next_step(step) for step in steps}
        _write_heads(figure, data, top)
        for number, source in enumerate(shown):
            middle = data.top - (number + 0.5) * pitch
            _write_row(figure, data, middle, size, source, todo.get(source.source_id, ""))
        _draw_intervals(figure, data, shown, floor)
        _draw_latest(figure, data, [latest.get(s.source_id, ()) for s in shown])
    return figure


def _write_heads(figure: Figure, data: Box, top: float) -> None:
    ticks = data.right + _GAP_IN
    for words, left in ((f"last {LATEST} trials", ticks), ("do next", ticks + _TICKS_IN + _GAP_IN)):
        write(figure, left, top, [words], LABEL_PT, gid="head", color=MUTED)
    write(figure, data.left - 0.3, top, ["cycles"], LABEL_PT, gid="head", color=MUTED,
          align="right")  # fmt: skip


def _write_row(
    figure: Figure, data: Box, middle: float, size: float, source: ShelfSource, todo: str
) -> None:
    name = drawable(source.source_id)
    while len(name) > 1 and text_width_in(name, size, "bold") > _NAME_IN - 0.2:
        name = f"{name[:-2]}…"
    up = middle + lines_height_in(1, size) / 2
    write(figure, MARGIN_IN, up, [name], size, gid="name", weight="bold")
    cycles = "?" if source.cycles is None else f"{source.cycles:.0f}"
    write(figure, data.left - 0.3, up, [cycles], size, gid="cycles", align="right")
    left = data.right + 2 * _GAP_IN + _TICKS_IN
    weight = "bold" if source.advice == "retire" else "normal"
    write(figure, left, up, [todo], size, gid="next", weight=weight)


def _draw_intervals(figure: Figure, data: Box, shown: Sequence[ShelfSource], floor: float) -> Axes:
    ax = figure.add_axes(data.on(figure), gid="shelf")
    ends = [floor, *(s.low for s in shown if s.low is not None)]
    ax.set_xlim(10.0 * np.floor(10.0 * min(ends) + 1e-9), 100.5)
    ax.set_ylim(len(shown) - 0.5, -0.5)
    ax.set_yticks([])
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    ax.tick_params(axis="x", length=4, labelsize=LABEL_PT)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    ax.axvline(100.0 * floor, color=FLOOR, linewidth=2.4, gid="floor", zorder=1.5)
    for number, s in enumerate(shown):
        if s.find_probability is None or s.low is None or s.high is None:
            continue
        ax.plot([100.0 * s.low, 100.0 * s.high], [number] * 2, color=INK, linewidth=3.0,
                gid="interval", zorder=2)  # fmt: skip
        ax.plot([100.0 * s.find_probability], [number], color=INK, linestyle="none",
                gid=f"mark-{s.advice}", zorder=3, **_MARKS[s.advice])  # type: ignore[arg-type]  # fmt: skip
    return ax


def _draw_latest(figure: Figure, data: Box, latest: Sequence[Sequence[str]]) -> None:
    box = Box(data.right + _GAP_IN, data.bottom, _TICKS_IN - 0.2, data.height)
    ax = figure.add_axes(box.on(figure), gid="latest")
    ax.set_xlim(-0.5, LATEST - 0.5)
    ax.set_ylim(len(latest) - 0.5, -0.5)
    ax.axis("off")
    for result, look in (
        ("find", {"marker": "|", "color": MUTED, "markersize": 9, "markeredgewidth": 1.6}),
        ("miss", {"marker": "x", "color": FLOOR, "markersize": 8, "markeredgewidth": 2.2}),
    ):
        at = [
            (LATEST - len(own) + k, number)
            for number, own in enumerate(latest)
            for k, one in enumerate(own)
            if one == result
        ]
        if at:
            xs, ys = zip(*at, strict=True)
            ax.plot(xs, ys, linestyle="none", gid=f"latest-{result}", **look)  # type: ignore[arg-type]
