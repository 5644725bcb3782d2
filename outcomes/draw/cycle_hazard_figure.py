"""What the next five cycles cost: of 100 sources still reliable, how many become unreliable."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator

from outcomes.analysis.lifetimes.regression import CycleHazard, NextCycles
from outcomes.answers.side_tests import SideTests
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    HAIRLINE,
    HEADING_PT,
    HEIGHT_IN,
    LABEL_PT,
    MUTED,
    WIDTH_IN,
    Box,
    lines_height_in,
    text_width_in,
    theme,
    write,
)
from outcomes.wording.lifetime_regression import (
    describe_course_of_hazard,
    describe_next_cycles,
    describe_next_cycles_in_short,
)

NOTHING = "What the next cycles cost cannot be drawn yet"
_SCALE_IN = 0.75
_AXIS_IN = 0.75
_NAMES_IN = 2.5
_ROW_IN = 0.62
_GAP_IN = 0.1
_NUMBER_PT = 24.0


def draw_cycle_hazard_figure(
    found: CycleHazard,
    side: SideTests,
    footer: str,
    *,
    confidence: float,
) -> Figure:
    """Draw one level line with its band for every five cycles that enough sources went through.

    Parameters
    ----------
    found
        Its ``next_cycles`` are drawn; without any, the sentence that says why
        is written.
    side
        The side questions: that the share rises or falls is told where it is beyond chance.
    footer
        What stands behind the figure: unit and records.
    confidence
        Of the intervals in ``found``.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    rows = found.next_cycles
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        if not rows:
            write_reason(figure, NOTHING, describe_next_cycles(found), footer)
            return figure
        top = write_header(
            figure, describe_next_cycles_in_short(rows), describe_course_of_hazard(found, side)
        )
        bottom = write_footer(figure, footer)
        heading = f"Of 100 sources, so many become unreliable in the next {rows[0].within} cycles"
        top -= write(figure, MARGIN_IN, top, [heading], HEADING_PT, gid="heading", weight="bold")
        data = Box(
            MARGIN_IN + _SCALE_IN,
            bottom + _ROW_IN + _AXIS_IN,
            WIDTH_IN - 2 * MARGIN_IN - _SCALE_IN - _NAMES_IN,
            top - 0.15 - bottom - _ROW_IN - _AXIS_IN,
        )
        ax = figure.add_axes(data.of_figure, gid="next-cycles")
        for row in rows:
            _draw_row(ax, row)
        _scale(figure, ax, data, rows)
        _write_numbers(figure, ax, data, rows)
        _write_followed(figure, ax, data, rows)
        _write_names(figure, ax, data, rows, confidence)
    return figure


def _draw_row(ax: Axes, row: NextCycles) -> None:
    ends = [row.after, row.after + row.within]
    low, middle, high = (100.0 * x for x in (row.low, row.probability, row.high))
    ax.fill_between(ends, low, high, color=FITTED, alpha=0.14, linewidth=0.0, gid="band")
    ax.plot(ends, [middle, middle], color=FITTED, linewidth=4.5, solid_capstyle="butt",
            gid="estimate", zorder=3)  # fmt: skip


def _scale(figure: Figure, ax: Axes, data: Box, rows: Sequence[NextCycles]) -> None:
    first, last = rows[0].after, rows[-1].after + rows[-1].within
    room = 0.02 * (last - first)
    ax.set_xlim(first - room, last + room)
    ax.set_ylim(0.0, min(100.0, max(8.0, 112.0 * max(row.high for row in rows))))
    ends = sorted({end for row in rows for end in (row.after, row.after + row.within)})
    apart = data.width / max(len(ends) - 1, 1)
    every = 1
    while every * apart < 0.55:
        every += 1
    ends = ends[::every]
    ax.xaxis.set_major_locator(FixedLocator(ends))
    ax.xaxis.set_major_formatter(FixedFormatter([f"{end:,}" for end in ends]))
    ax.yaxis.set_major_locator(MaxNLocator(6, integer=True))
    ax.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.tick_params(labelsize=LABEL_PT + 2, length=5)
    ax.tick_params(axis="y", length=0)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    write(figure, data.left + data.width / 2, data.bottom - 0.38, ["freeze/thaw cycles"],
          LABEL_PT + 2, gid="axis-name", align="center")  # fmt: skip


def _middle(ax: Axes, data: Box, row: NextCycles) -> float:
    """Where the middle of a line is, inches from the left of the sheet."""
    low, high = ax.get_xlim()
    return data.left + data.width * (row.after + row.within / 2 - low) / (high - low)


def _height(ax: Axes, data: Box, row: NextCycles) -> float:
    """Where a line is, inches from the bottom of the sheet."""
    return data.bottom + data.height * 100.0 * row.probability / ax.get_ylim()[1]


def _room(ax: Axes, data: Box, rows: Sequence[NextCycles]) -> float:
    low, high = ax.get_xlim()
    return data.width * rows[0].within / (high - low)


def _every(words: Sequence[str], size: float, room: float) -> int:
    """One in how many of the words has room beside the next."""
    widest = max(text_width_in(w, size, "bold") for w in words) + _GAP_IN
    every = 1
    while every * room < widest:
        every += 1
    return every


def _write_numbers(figure: Figure, ax: Axes, data: Box, rows: Sequence[NextCycles]) -> None:
    words = [_number(row) for row in rows]
    tall = lines_height_in(1, _NUMBER_PT)
    every = _every(words, _NUMBER_PT, _room(ax, data, rows))
    for row, number in list(zip(rows, words, strict=True))[::every]:
        # Above its line; below it only where the sheet's words begin there.
        top = _height(ax, data, row) + 0.05 + tall
        if top > data.top:
            top = _height(ax, data, row) - 0.05
        write(figure, _middle(ax, data, row), top, [number], _NUMBER_PT, gid="number",
              weight="bold", color=FITTED, align="center", halo=True)  # fmt: skip


def _number(row: NextCycles) -> str:
    number = f"{100 * row.probability:.0f}"
    return "< 1" if number == "0" else number


def _write_followed(figure: Figure, ax: Axes, data: Box, rows: Sequence[NextCycles]) -> None:
    top = data.bottom - _AXIS_IN + 0.02
    write(figure, MARGIN_IN, top, ["sources followed"], LABEL_PT,
          gid="followed-heading", color=MUTED)  # fmt: skip
    words = [f"{row.at_risk:,}" for row in rows]
    every = _every(words, LABEL_PT, _room(ax, data, rows))
    for row, number in list(zip(rows, words, strict=True))[::every]:
        write(figure, _middle(ax, data, row), top - lines_height_in(1, LABEL_PT), [number],
              LABEL_PT, gid="followed", align="center")  # fmt: skip


def _write_names(
    figure: Figure, ax: Axes, data: Box, rows: Sequence[NextCycles], confidence: float
) -> None:
    blocks = (
        ("estimate-name", ["number: estimate"], FITTED, "bold"),
        ("band-name", [f"band: {100 * confidence:g} % interval"], MUTED, "normal"),
        ("ends-name", ["nothing is drawn where", "fewer than 3 sources", "were followed"], MUTED,
         "normal"),
    )  # fmt: skip
    height = sum(lines_height_in(len(lines), LABEL_PT) + _GAP_IN for _, lines, _, _ in blocks)
    wanted = _height(ax, data, rows[-1]) + lines_height_in(1, LABEL_PT) / 2
    top = min(max(wanted, data.bottom + height), data.top)
    for gid, lines, color, weight in blocks:
        top -= write(figure, data.right + 0.2, top, lines, LABEL_PT, gid=gid, color=color,
                     weight=weight) + _GAP_IN  # fmt: skip
