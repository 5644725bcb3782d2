"""The shelf as a slide: intervals against the floor, latest trials, and what to do next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FixedLocator, MaxNLocator

from outcomes.analysis.decisions.next_step import NextStep
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FLOOR,
    FOOTER_PT,
    HAIRLINE,
    HEADING_PT,
    HEIGHT_IN,
    INK,
    LABEL_PT,
    MUTED,
    SUBTITLE_PT,
    WIDTH_IN,
    Box,
    lines_height_in,
    shortened,
    text_width_in,
    theme,
    write,
)
from outcomes.exposure.cycles_and_age import ExposureName
from outcomes.text import count
from outcomes.wording.figure import describe_no_interval
from outcomes.wording.next_step import describe_next_step
from outcomes.wording.numbers import floor_in_100
from outcomes.wording.shelf import describe_shelf, describe_wear_in_short, wear_heading
from outcomes.wording.threshold_on_figure import plain_in_100

LATEST = 12
MOST_ROWS = 26
_MOST_ROW_IN = 0.62
_HEADS_IN = 0.32
_AXIS_IN = 0.4
_NAME_IN, _CYCLES_IN, _TICKS_IN, _GAP_IN = 2.7, 0.9, 2.6, 0.35
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
    by: ExposureName = "cycles",
) -> Figure:
    """Draw one row a source, in the order to act in.

    Parameters
    ----------
    shelf
        Every source held, with its advice.
    steps
        What to do next with each.
    latest
        Source → results of its latest trials, ``"find"`` or ``"miss"``, the last one last; those
        before the latest 12 are not drawn.
    floor
        The lowest acceptable find probability.
    confidence
        That of the intervals.
    footer
        What stands behind the figure: unit and records.
    by
        What a source's wear is told by, cycles or months of age.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`. At most 26 sources
        are drawn, those to act on first, which is said.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        short = [replace(s, source_id=shortened(s.source_id, 3.0, SUBTITLE_PT)) for s in shelf]
        title = describe_shelf(short)
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
        pitch = min((top - _HEADS_IN - _AXIS_IN - bottom) / len(shown), _MOST_ROW_IN)
        size = _lettering(pitch)
        todo = {step.source_id: describe_next_step(step) for step in steps}
        left = MARGIN_IN + _CYCLES_IN + 0.2 + max(
            text_width_in(_name(s, size), size, "bold") * 1.02 for s in shown
        )  # fmt: skip
        right = WIDTH_IN - MARGIN_IN - _TICKS_IN - 2 * _GAP_IN - max(
            text_width_in(todo.get(s.source_id, "do next"), size, "bold") * 1.02 for s in shown
        )  # fmt: skip
        height = pitch * len(shown)
        data = Box(left, top - _HEADS_IN - height, right - left, height)
        _write_heads(figure, data, top, by)
        lowest = _draw_intervals(figure, data, shown, floor)
        _write_floor(figure, data, top, floor, lowest)
        for number, source in enumerate(shown):
            middle = data.top - (number + 0.5) * pitch
            told = todo.get(source.source_id, "")
            _write_row(figure, data, middle, size, source, told, by)
            if not _has_interval(source):
                _write_lack(figure, data, middle, min(size, LABEL_PT), source, floor, lowest)
        _draw_latest(figure, data, [latest.get(s.source_id, ()) for s in shown])
    return figure


def _lettering(pitch_in: float) -> float:
    """The largest letters that rows so far apart have room for."""
    roomy = (s for s in (HEADING_PT, SUBTITLE_PT) if 1.3 * lines_height_in(1, s) <= pitch_in)
    fits = LABEL_PT if lines_height_in(1, LABEL_PT) <= pitch_in else FOOTER_PT
    return next(roomy, fits)


def _name(source: ShelfSource, size: float) -> str:
    return shortened(source.source_id, _NAME_IN - 0.2, size, "bold")


def _has_interval(source: ShelfSource) -> bool:
    return None not in (source.find_probability, source.low, source.high)


def _write_heads(figure: Figure, data: Box, top: float, by: ExposureName) -> None:
    ticks = data.right + _GAP_IN
    for words, left in (
        (f"last {LATEST} trials  ✕ miss", ticks),
        ("do next", ticks + _TICKS_IN + _GAP_IN),
    ):
        write(figure, left, top, [words], LABEL_PT, gid="head", color=MUTED)
    write(figure, data.left - 0.3, top, [wear_heading(by)], LABEL_PT, gid="head", color=MUTED,
          align="right")  # fmt: skip


def _write_row(
    figure: Figure,
    data: Box,
    middle: float,
    size: float,
    source: ShelfSource,
    todo: str,
    by: ExposureName,
) -> None:
    up = middle + lines_height_in(1, size) / 2
    write(figure, MARGIN_IN, up, [_name(source, size)], size, gid="name", weight="bold")
    write(figure, data.left - 0.3, up, [describe_wear_in_short(source, by)], size, gid="cycles",
          align="right")  # fmt: skip
    left = data.right + 2 * _GAP_IN + _TICKS_IN
    weight = "bold" if source.advice == "retire" else "normal"
    write(figure, left, up, [todo], size, gid="next", weight=weight)


def _write_floor(figure: Figure, data: Box, top: float, floor: float, lowest: float) -> None:
    """The floor's name above its line, as far as the scale is wide."""
    words = f"floor {plain_in_100(floor)}"
    half = text_width_in(words, LABEL_PT, "bold") / 2
    middle = data.left + data.width * _share(100.0 * floor, lowest)
    middle = min(max(middle, data.left + half), data.right - half)
    write(figure, middle, top, [words], LABEL_PT, gid="floor-label", align="center",
          weight="bold", color=FLOOR)  # fmt: skip


def _write_lack(
    figure: Figure,
    data: Box,
    middle: float,
    size: float,
    source: ShelfSource,
    floor: float,
    lowest: float,
) -> None:
    """Why a source has no interval, on the wider side of the floor."""
    at = _share(100.0 * floor, lowest)
    left = data.left + (data.width * at if at < 0.5 else 0.0) + 0.15
    up = middle + lines_height_in(1, size) / 2
    write(figure, left, up, [describe_no_interval(source.ground)], size, gid="no-interval",
          color=MUTED)  # fmt: skip


_ENDS = 100.8  # room for half a mark at 100


def _share(at: float, lowest: float) -> float:
    """Where on the scale a number out of 100 stands, from 0 at its left to 1 at its right."""
    return (at - lowest) / (_ENDS - lowest)


def _draw_intervals(figure: Figure, data: Box, shown: Sequence[ShelfSource], floor: float) -> float:
    """Draw the intervals against the floor; return the lower end of their scale."""
    ax = figure.add_axes(data.on(figure), gid="shelf")
    ends = [floor, *(s.low for s in shown if s.low is not None)]
    lowest = float(10.0 * np.floor(10.0 * min(ends) - 0.1)) if min(ends) > 0.02 else -1.0
    ax.set_xlim(lowest, _ENDS)
    ax.set_ylim(len(shown) - 0.5, -0.5)
    ax.set_yticks([])
    steps = MaxNLocator(6, integer=True, steps=[1, 2, 5, 10]).tick_values(max(lowest, 0.0), 100.0)
    ax.xaxis.set_major_locator(FixedLocator([at for at in steps if lowest <= at <= 100.0]))
    ax.xaxis.set_major_formatter(lambda value, _: f"{value:.0f}")
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    ax.tick_params(axis="x", length=4, labelsize=LABEL_PT)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    ax.axvline(100.0 * floor, color=FLOOR, linewidth=2.4, gid="floor", zorder=1.5)
    for number, s in enumerate(shown):
        if s.find_probability is None or s.low is None or s.high is None:
            continue
        ax.plot([100.0 * s.low, 100.0 * s.high], [number] * 2, color=INK, linewidth=3.0,
                gid="interval", zorder=2, clip_on=False)  # fmt: skip
        # A cross is edged in white, and so told from the line it stands on.
        edge = [withStroke(linewidth=6.0, foreground="white")] if s.advice == "retire" else None
        ax.plot([100.0 * s.find_probability], [number], color=INK, linestyle="none",
                gid=f"mark-{s.advice}", zorder=3, clip_on=False, path_effects=edge,
                **_MARKS[s.advice])  # type: ignore[arg-type]  # fmt: skip
    return lowest


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
            (LATEST - len(own[-LATEST:]) + k, number)
            for number, own in enumerate(latest)
            for k, one in enumerate(own[-LATEST:])
            if one == result
        ]
        if at:
            xs, ys = zip(*at, strict=True)
            ax.plot(xs, ys, linestyle="none", gid=f"latest-{result}", **look)  # type: ignore[arg-type]
