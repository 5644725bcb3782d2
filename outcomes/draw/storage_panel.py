"""Refrigerated against frozen beside the main figure: dots with intervals, all and by kind."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, MaxNLocator

from outcomes.analysis.decisions.compare import Comparison, Difference
from outcomes.draw.theme import (
    ALONE,
    HAIRLINE,
    HEADING_PT,
    INK,
    LABEL_PT,
    MUTED,
    SUBTITLE_PT,
    Box,
    Sheet,
    lines_height_in,
    shortened,
    text_width_in,
    wrap_to_width,
    write,
)
from outcomes.wording.storage_compared import (
    describe_difference_in_numbers,
    describe_storage_in_short,
    describe_storage_settled,
)

HEADING = "Refrigerator or freezer?"
MOST_ROWS = 5
ROW_IN = {True: 1.2, False: 0.75}  # alone, within a page
LEAST_ROW_IN = 0.47  # words and a dot under them
AXIS_IN = 0.96
_GAP_IN = 0.12  # above the rows, and beside them for the scale's outer numbers
_LEAST_REACH = 4.0  # finds in 100, either way


def draw_storage_panel(
    figure: Figure, box: Box, comparison: Comparison, sheet: Sheet = ALONE
) -> Axes | None:
    """Draw the difference with its interval inside ``box``, or write why there is none.

    Kinds that there is no room for are left out, the last ones first.

    Parameters
    ----------
    figure
        The sheet.
    box
        Room for everything.
    comparison
        What is drawn: all kinds first, then those with sources enough for a row.
    sheet
        What the figure is drawn on.

    Returns
    -------
    matplotlib.axes.Axes or None
        The axes that hold the dots; None where nothing is compared.
    """
    top = box.top
    top -= write(figure, box.left, top, [HEADING], HEADING_PT, gid="storage-heading",
                 weight="bold")  # fmt: skip
    size = _answer_pt(sheet)
    answer = wrap_to_width(describe_storage_in_short(comparison), box.width, size)
    top -= write(figure, box.left, top, answer, size, gid="storage-answer") + _GAP_IN
    size = _note_pt(comparison, sheet)
    notes = wrap_to_width(describe_storage_settled(comparison), box.width, size)
    rows = storage_rows(comparison)
    if not rows:
        write(figure, box.left, top, notes, size, gid="storage-note")
        return None
    room = top - AXIS_IN - lines_height_in(len(notes), size) - box.bottom
    rows = rows[: max(int(room / LEAST_ROW_IN), 1)]
    height = min(room, ROW_IN[sheet.alone] * len(rows))
    data = Box(box.left + _GAP_IN, top - height, box.width - 2 * _GAP_IN, height)
    write(figure, box.left, data.bottom - AXIS_IN, notes, size, gid="storage-note",
          color=MUTED)  # fmt: skip
    ax = _axes(figure, data, rows)
    for number, (name, own) in enumerate(rows):
        _write_row(figure, data, number, len(rows), name, own)
        _draw_row(ax, number, own)
    return ax


def storage_panel_height_in(
    comparison: Comparison, width_in: float, sheet: Sheet, row_in: float
) -> float:
    """Room the panel needs, inches, with rows so far apart."""
    answer = wrap_to_width(describe_storage_in_short(comparison), width_in, _answer_pt(sheet))
    size = _note_pt(comparison, sheet)
    notes = wrap_to_width(describe_storage_settled(comparison), width_in, size)
    height = lines_height_in(1, HEADING_PT) + lines_height_in(len(answer), _answer_pt(sheet))
    height += _GAP_IN + lines_height_in(len(notes), size)
    rows = len(storage_rows(comparison))
    return height + (AXIS_IN + row_in * rows + 0.01 if rows else 0.0)


def storage_rows(comparison: Comparison) -> list[tuple[str, Difference]]:
    """What is drawn, a row each: all kinds compared, then kind by kind."""
    found = comparison.difference
    if found is None:
        return []
    first = comparison.kinds[0] if len(comparison.kinds) == 1 else "all kinds"
    return [(first, found), *comparison.by_kind.items()][:MOST_ROWS]


def _answer_pt(sheet: Sheet) -> float:
    return SUBTITLE_PT if sheet.alone else LABEL_PT


def _note_pt(comparison: Comparison, sheet: Sheet) -> float:
    """Why nothing is compared is the answer, and as large; what stands under dots is smaller."""
    return LABEL_PT if sheet.alone or comparison.difference is None else sheet.small_pt


def _axes(figure: Figure, data: Box, rows: Sequence[tuple[str, Difference]]) -> Axes:
    ax = figure.add_axes(data.on(figure), gid="storage")
    reach = _LEAST_REACH
    for _, found in rows:
        sizes = (found.risk_difference, found.low or 0.0, found.high or 0.0)
        reach = max(reach, *(110.0 * abs(size) for size in sizes))
    ax.set_xlim(-reach, reach)
    # Each row begins with its words; the dots stand in the middle of what is left.
    words = lines_height_in(1, LABEL_PT) * len(rows) / data.height
    ax.set_ylim(len(rows) - 0.5 - words / 2, -0.5 - words / 2)
    ax.set_yticks([])
    steps = MaxNLocator(5, integer=True, symmetric=True, steps=[1, 2, 2.5, 5, 10])
    marks = [at for at in steps.tick_values(-reach, reach) if abs(at) <= reach]
    ax.xaxis.set_major_locator(FixedLocator(marks))
    ax.xaxis.set_major_formatter(lambda value, _: f"{abs(value):.0f}")
    ax.tick_params(axis="x", length=5, labelsize=LABEL_PT)
    half = (1.0 - words) / 2
    for number in range(len(rows)):
        for at in marks:
            zero = at == 0.0
            ax.vlines(
                at,
                number - half,
                number + half,
                color=INK if zero else HAIRLINE,
                linewidth=1.8 if zero else 0.8,
                gid="no-difference" if zero else "grid",
                zorder=1.5,
            )
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    line = lines_height_in(1, LABEL_PT)
    ends: tuple[tuple[str, float, Literal["left", "right", "center"], float], ...] = (
        ("◀ fewer finds", data.left, "left", 0.0),
        ("more finds ▶", data.right, "right", 0.0),
        ("in 100, if refrigerated", data.left + data.width / 2, "center", line),
    )
    for text, left, align, down in ends:
        write(figure, left, data.bottom - 0.36 - down, [text], LABEL_PT, gid="storage-axis",
              align=align, color=MUTED)  # fmt: skip
    return ax


def _write_row(
    figure: Figure, data: Box, number: int, rows: int, name: str, found: Difference
) -> None:
    top = data.top - number * data.height / rows
    weight = "normal" if number else "bold"
    numbers = describe_difference_in_numbers(found)
    room = data.width + _GAP_IN - text_width_in(numbers, LABEL_PT, weight) * 1.02 - 0.25
    name = shortened(name, room, LABEL_PT, weight)
    write(figure, data.left - _GAP_IN, top, [name], LABEL_PT, gid="storage-name", weight=weight)
    write(figure, data.right, top, [numbers], LABEL_PT, gid="storage-numbers", align="right",
          weight=weight)  # fmt: skip


def _draw_row(ax: Axes, number: int, found: Difference) -> None:
    at = 100.0 * found.risk_difference
    if found.low is not None and found.high is not None:
        ends = [100.0 * found.low, 100.0 * found.high]
        ax.plot(ends, [number] * 2, color=INK, linewidth=4.0, gid="storage-interval", zorder=2)
    hollow = found.few or found.low is None
    ax.plot([at], [number], marker="o", markersize=13, markeredgewidth=2.4, zorder=3,
            markeredgecolor=INK, markerfacecolor="white" if hollow else INK,
            linestyle="none", gid="storage-estimate")  # fmt: skip
