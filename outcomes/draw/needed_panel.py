"""What there is of misses, finds, sources and dogs, and how much it takes to judge storage."""

from __future__ import annotations

from collections.abc import Mapping

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from outcomes.draw.theme import (
    HAIRLINE,
    HEADING_PT,
    INK,
    LABEL_PT,
    MUTED,
    Box,
    lines_height_in,
    text_width_in,
    wrap_to_width,
    write,
)
from outcomes.wording.figure import NEEDED_HEADING, describe_found_so_far, describe_needed

_ROW_IN = 0.62  # within a page; on a slide as much as there is, up to
_MOST_ROW_IN = 1.0
_BAR_IN = 0.3
_LEAST_BAR = 0.5  # of a row
_GAP_IN = 0.2


def draw_needed_panel(
    figure: Figure, box: Box, needed: Mapping[str, tuple[int, int]], found: tuple[int, int]
) -> Axes:
    """Draw a bar for each, as long as all that is needed where there is enough.

    Parameters
    ----------
    figure
        The sheet.
    box
        Room for everything.
    needed
        Word → how many there are, and how many it takes.
    found
        Finds, and trials.

    Returns
    -------
    matplotlib.axes.Axes
        The axes that hold the bars; 1 is all that is needed.
    """
    heading = wrap_to_width(NEEDED_HEADING, box.width, HEADING_PT, "bold")
    top = box.top - write(figure, box.left, box.top, heading, HEADING_PT, gid="finds-heading",
                          weight="bold") - 0.1  # fmt: skip
    told = {word: describe_needed(*counts) for word, counts in needed.items()}
    names = max(text_width_in(word, LABEL_PT, "bold") for word in needed) * 1.02 + _GAP_IN
    numbers = max(text_width_in(words, LABEL_PT) for words in told.values()) * 1.02 + _GAP_IN
    pitch = min((top - box.bottom - lines_height_in(1, LABEL_PT)) / len(needed), _MOST_ROW_IN)
    height = pitch * len(needed)
    bars = Box(box.left + names, top - height, box.width - names - numbers, height)
    ax = figure.add_axes(bars.on(figure), gid="needed")
    ax.set_xlim(0.0, 1.0)
    ax.set_ylim(len(needed) - 0.5, -0.5)
    ax.axis("off")
    thick = max(min(_BAR_IN / pitch, 0.7), _LEAST_BAR)
    for row, (word, (have, need)) in enumerate(needed.items()):
        share = min(have / need, 1.0)
        ax.barh(row, 1.0, thick, facecolor="white", edgecolor=MUTED, linewidth=1.4,
                clip_on=False, gid="needed-all")  # fmt: skip
        ax.barh(row, share, thick, color=HAIRLINE if share == 1.0 else INK,
                linewidth=0.0, gid="needed-have")  # fmt: skip
        middle = bars.top - (row + 0.5) * pitch + lines_height_in(1, LABEL_PT) / 2
        weight = "normal" if share == 1.0 else "bold"
        write(figure, box.left, middle, [word], LABEL_PT, gid="needed-word", weight=weight)
        write(figure, bars.right + _GAP_IN, middle, [told[word]], LABEL_PT, gid="needed-numbers")
    write(figure, box.left, bars.bottom - 0.04, [describe_found_so_far(*found)], LABEL_PT,
          gid="needed-found", color=MUTED)  # fmt: skip
    return ax


def needed_panel_height_in(needed: Mapping[str, tuple[int, int]], width_in: float) -> float:
    """Room the panel needs, inches."""
    heading = wrap_to_width(NEEDED_HEADING, width_in, HEADING_PT, "bold")
    rows = _ROW_IN * len(needed) + lines_height_in(1, LABEL_PT)
    return lines_height_in(len(heading), HEADING_PT) + 0.1 + rows
