"""Refrigerated against frozen as dots: what trials would have shown either way, with intervals."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from outcomes.analysis.decisions.compare import Comparison, Difference
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
    LANE,
    MUTED,
    SUBTITLE_PT,
    WIDTH_IN,
    Box,
    lines_height_in,
    shortened,
    text_width_in,
    theme,
    wrap_to_width,
    write,
)
from outcomes.text import count
from outcomes.wording.storage_compared import (
    describe_difference_in_numbers,
    describe_estimand,
    describe_storage_settled,
    storage_title,
)

ALL_KINDS = "all of these kinds"
MOST_ROWS = 9
_MOST_ROW_IN, _MORE_IN = 1.3, 1.6
_NAME_IN = 3.6
_GAP_IN = 0.8
_AXIS_IN = 0.75
_NOTE_GAP_IN = 0.2
_NUMBERED_ROW_IN = 0.75  # lower rows have no room for numbers over the dots
_HEADING_EITHER = "Finds in 100, had all been kept so"
_HEADING_DIFFERENCE = "Refrigerated less frozen"


def draw_storage_figure(comparison: Comparison, footer: str = "") -> Figure:
    """Draw finds either way on the left and the difference with its interval on the right.

    The first row is of all kinds compared, one each of those with sources enough follow; a dot is
    hollow where its kind has too few for a finding.

    Parameters
    ----------
    comparison
        What is drawn.
    footer
        What stands behind the figure: unit and records.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    found = comparison.difference
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        title = storage_title(comparison)
        if found is None:
            write_reason(figure, title, describe_storage_settled(comparison), footer)
            return figure
        rows = [
            (", ".join(comparison.kinds) if len(comparison.kinds) == 1 else ALL_KINDS, found),
            *comparison.by_kind.items(),
        ][:MOST_ROWS]
        top = write_header(figure, title, describe_estimand(comparison))
        bottom = write_footer(figure, _footer(footer, [own for _, own in rows]))
        notes = wrap_to_width(
            describe_storage_settled(comparison), WIDTH_IN - 2 * MARGIN_IN, SUBTITLE_PT
        )
        under = lines_height_in(len(notes), SUBTITLE_PT) + _NOTE_GAP_IN
        room = top - lines_height_in(1, HEADING_PT) - 0.1 - bottom - _AXIS_IN - under
        height = min(room, _MOST_ROW_IN * len(rows) + _MORE_IN)
        width = (WIDTH_IN - 2 * MARGIN_IN - _NAME_IN - _GAP_IN) / 2
        left = MARGIN_IN + _NAME_IN
        low = top - lines_height_in(1, HEADING_PT) - 0.1 - height
        either = Box(left, low, width, height)
        apart = Box(left + width + _GAP_IN, low, width, height)
        for box, heading in ((either, _HEADING_EITHER), (apart, _HEADING_DIFFERENCE)):
            write(figure, box.left, top, [heading], HEADING_PT, gid="heading", weight="bold")
        write(figure, MARGIN_IN, low - _AXIS_IN - _NOTE_GAP_IN, notes, SUBTITLE_PT, gid="note")
        _write_rows(figure, either, rows)
        _draw_either(figure, either, rows)
        _draw_difference(figure, apart, rows)
    return figure


def _footer(footer: str, rows: Sequence[Difference]) -> str:
    if not any(own.few for own in rows):
        return footer
    return f"{footer} Hollow: too few for a finding."


def _write_rows(figure: Figure, box: Box, rows: Sequence[tuple[str, Difference]]) -> None:
    pitch = box.height / len(rows)
    for number, (name, found) in enumerate(rows):
        words = shortened(name, _NAME_IN - 0.3, LABEL_PT, "bold")
        middle = box.top - (number + 0.5) * pitch
        half = (lines_height_in(1, LABEL_PT) + lines_height_in(1, FOOTER_PT)) / 2
        weight = "normal" if number else "bold"
        down = write(figure, box.left - 0.25, middle + half, [words], LABEL_PT, gid="name",
                     align="right", weight=weight)  # fmt: skip
        behind = count(found.sources["refrigerated"], "refrigerated source")
        behind = f"{behind}, {found.sources['frozen']} frozen"
        write(figure, box.left - 0.25, middle + half - down, [behind], FOOTER_PT, gid="behind",
              align="right", color=MUTED)  # fmt: skip


def _axes(figure: Figure, box: Box, gid: str, rows: int) -> Axes:
    ax = figure.add_axes(box.of_figure, gid=gid)
    ax.set_ylim(rows - 0.5, -0.5)
    ax.set_yticks([])
    for number in range(0, rows, 2):
        ax.axhspan(number - 0.5, number + 0.5, color=LANE, linewidth=0.0, zorder=0.2)
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.tick_params(labelsize=LABEL_PT, length=5)
    ax.xaxis.set_major_locator(MaxNLocator(6, integer=True, steps=[1, 2, 5, 10]))
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    return ax


def _draw_either(figure: Figure, box: Box, rows: Sequence[tuple[str, Difference]]) -> None:
    ax = _axes(figure, box, "either", len(rows))
    ends = [(100.0 * found.refrigerated, 100.0 * found.frozen) for _, found in rows]
    shown = [end for both in ends for end in both]
    room = max(2.0, 0.15 * (max(shown) - min(shown)))
    ax.set_xlim(max(min(shown) - room, 0.0), min(max(shown) + room, 100.0))
    for number, (cold, frozen) in enumerate(ends):
        ax.plot([cold, frozen], [number] * 2, color=MUTED, linewidth=2.0, gid="between", zorder=2)
        # A ring leaves the square in sight where both are the same.
        for at, marker, color, fill, size, gid in (
            (frozen, "s", FITTED, FITTED, 10, "frozen"),
            (cold, "o", FLOOR, "none", 17, "refrigerated"),
        ):
            ax.plot([at], [number], marker=marker, markersize=size, markeredgecolor=color,
                    markerfacecolor=fill, markeredgewidth=3.0, gid=gid,
                    linestyle="none", clip_on=False, zorder=3)  # fmt: skip
    left = box.left
    for words, color in (("■ frozen", FITTED), ("○ refrigerated", FLOOR)):
        write(figure, left, box.bottom - 0.36, [words], LABEL_PT, gid="way", color=color)
        left += text_width_in(words, LABEL_PT) + 0.5


def _draw_difference(figure: Figure, box: Box, rows: Sequence[tuple[str, Difference]]) -> None:
    ax = _axes(figure, box, "difference", len(rows))
    ax.axvline(0.0, color=FLOOR, linewidth=1.8, linestyle=(0, (5, 2)), gid="no-change", zorder=1.5)
    for number, (_, found) in enumerate(rows):
        at = 100.0 * found.risk_difference
        if found.low is not None and found.high is not None:
            ends = [100.0 * found.low, 100.0 * found.high]
            ax.plot(ends, [number] * 2, color=INK, linewidth=2.4, gid="interval", zorder=2)
        hollow = found.few or found.low is None
        ax.plot([at], [number], marker="o", markersize=12, markeredgewidth=2.2, zorder=3,
                markeredgecolor=INK, markerfacecolor="white" if hollow else INK,
                linestyle="none", gid="estimate")  # fmt: skip
        if box.height / len(rows) < _NUMBERED_ROW_IN:
            continue
        ax.annotate(
            describe_difference_in_numbers(found), (at, number), (0.0, 14.0),
            textcoords="offset points", ha="center", fontsize=LABEL_PT, gid="difference-numbers",
            fontweight="normal" if number else "bold",
            bbox={"facecolor": "white" if number % 2 else LANE, "edgecolor": "none", "pad": 1.0},
        )  # fmt: skip
    ax.set_xlabel("finds in 100, more (+) or fewer (−) for refrigerated", fontsize=LABEL_PT)
    ax.xaxis.set_major_formatter(
        lambda value, _: f"{value:+.0f}".replace("-", "−").replace("+0", "0")
    )
    low, high = ax.get_xlim()
    ax.set_xlim(min(low, -1.0), max(high, 1.0))
