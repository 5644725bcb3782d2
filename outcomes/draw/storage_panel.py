"""Refrigerated against frozen beside the main figure: dots with intervals, all and by kind."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from outcomes.analysis.decisions.compare import Comparison, Difference
from outcomes.draw.theme import (
    ALONE,
    FLOOR,
    HAIRLINE,
    HEADING_PT,
    INK,
    LABEL_PT,
    MUTED,
    Box,
    Sheet,
    drawable,
    lines_height_in,
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
ROW_IN = 0.85
AXIS_IN = 0.72
_NAMES_IN = 1.75
_LEAST_IN = 4.0  # half the width of the scale, finds in 100, at least


def draw_storage_panel(
    figure: Figure, box: Box, comparison: Comparison, alpha: float, sheet: Sheet = ALONE
) -> Axes | None:
    """Draw the difference with its interval inside ``box``, or write why there is none.

    Parameters
    ----------
    figure
        The sheet.
    box
        Room for everything.
    comparison
        What is drawn: all kinds first, then those with sources enough for a row.
    alpha
        Intervals are at 1 - alpha.
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
    answer = wrap_to_width(describe_storage_in_short(comparison), box.width, LABEL_PT)
    top -= write(figure, box.left, top, answer, LABEL_PT, gid="storage-answer") + 0.12
    found = comparison.difference
    notes = wrap_to_width(describe_storage_settled(comparison, alpha), box.width, sheet.small_pt)
    height = lines_height_in(len(notes), sheet.small_pt)
    if found is None:
        write(figure, box.left, top, notes, sheet.small_pt, gid="storage-note", color=MUTED)
        return None
    rows = storage_rows(comparison)
    names = min(
        max(_width_in(*row, bold=number == 0) for number, row in enumerate(rows)), _NAMES_IN
    )
    room = min(top - AXIS_IN - height - box.bottom, ROW_IN * len(rows))
    data = Box(box.left + names, top - room, box.width - names, room)
    write(figure, box.left, data.bottom - AXIS_IN, notes, sheet.small_pt, gid="storage-note",
          color=MUTED)  # fmt: skip
    ax = _axes(figure, data, rows)
    for number, (name, own) in enumerate(rows):
        _write_row(figure, data, names, number, len(rows), name, own)
        _draw_row(ax, number, own)
    return ax


def storage_panel_height_in(
    comparison: Comparison, alpha: float, width_in: float, small_pt: float
) -> float:
    """Room the panel needs, inches, where nothing else sets its height."""
    answer = wrap_to_width(describe_storage_in_short(comparison), width_in, LABEL_PT)
    notes = wrap_to_width(describe_storage_settled(comparison, alpha), width_in, small_pt)
    height = lines_height_in(1, HEADING_PT) + lines_height_in(len(answer), LABEL_PT) + 0.15
    height += lines_height_in(len(notes), small_pt)
    if comparison.difference is None:
        return height
    return height + AXIS_IN + ROW_IN * len(storage_rows(comparison))


def storage_rows(comparison: Comparison) -> list[tuple[str, Difference]]:
    """What is drawn, a row each: all kinds compared, then kind by kind."""
    found = comparison.difference
    if found is None:
        return []
    first = comparison.kinds[0] if len(comparison.kinds) == 1 else "all kinds"
    return [(first, found), *comparison.by_kind.items()][:MOST_ROWS]


def _axes(figure: Figure, data: Box, rows: Sequence[tuple[str, Difference]]) -> Axes:
    ax = figure.add_axes(data.on(figure), gid="storage")
    reach = _LEAST_IN
    for _, found in rows:
        sizes = (found.risk_difference, found.low or 0.0, found.high or 0.0)
        reach = max(reach, *(110.0 * abs(size) for size in sizes))
    ax.set_xlim(-reach, reach)
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_yticks([])
    ax.axvline(0.0, color=INK, linewidth=1.6, gid="no-difference", zorder=1.5)
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    ax.xaxis.set_major_locator(MaxNLocator(5, integer=True, symmetric=True))
    ax.xaxis.set_major_formatter(lambda value, _: f"{abs(value):.0f}")
    ax.tick_params(axis="x", length=5, labelsize=LABEL_PT)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    ends: tuple[tuple[str, float, Literal["left", "right"]], ...] = (
        ("◀ fewer finds", data.left, "left"),
        ("more finds ▶", data.right, "right"),
    )
    for words, left, align in ends:
        write(figure, left, data.bottom - 0.36, [words], LABEL_PT, gid="storage-axis",
              align=align, color=MUTED)  # fmt: skip
    return ax


def _write_row(
    figure: Figure,
    data: Box,
    names: float,
    number: int,
    rows: int,
    name: str,
    found: Difference,
) -> None:
    pitch = data.height / rows
    middle = data.top - (number + 0.5) * pitch
    words = drawable(name)
    while len(words) > 1 and text_width_in(words, LABEL_PT) > names - 0.1:
        words = f"{words[:-2]}…"
    weight = "normal" if number else "bold"
    line = lines_height_in(1, LABEL_PT)
    write(figure, data.left - names, middle + line, [words], LABEL_PT, gid="storage-name",
          weight=weight)  # fmt: skip
    numbers = [describe_difference_in_numbers(found)]
    write(figure, data.left - names, middle, numbers, LABEL_PT, gid="storage-numbers",
          weight=weight)  # fmt: skip


def _width_in(name: str, found: Difference, *, bold: bool) -> float:
    words = (drawable(name), describe_difference_in_numbers(found))
    return max(text_width_in(w, LABEL_PT, "bold" if bold else "normal") for w in words) * 1.03 + 0.2


def _draw_row(ax: Axes, number: int, found: Difference) -> None:
    at = 100.0 * found.risk_difference
    if found.low is not None and found.high is not None:
        ends = [100.0 * found.low, 100.0 * found.high]
        ax.plot(ends, [number] * 2, color=FLOOR, linewidth=4.0, gid="storage-interval", zorder=2)
    hollow = found.few or found.low is None
    ax.plot([at], [number], marker="o", markersize=13, markeredgewidth=2.4, zorder=3,
            markeredgecolor=FLOOR, markerfacecolor="white" if hollow else FLOOR,
            linestyle="none", gid="storage-estimate")  # fmt: skip
