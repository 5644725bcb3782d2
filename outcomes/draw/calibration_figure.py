"""How well finds are predicted: calibration on unseen sources, and what each source leaves over."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator

from outcomes.analysis.finds.validation import Quality, Residual
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    FLOOR,
    HAIRLINE,
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
    wrap_to_width,
    write,
)
from outcomes.models.prediction import Calibration
from outcomes.text import count
from outcomes.wording.quality import describe_predictions, describe_quality_in_short

NOTHING = "The model's predictions could not be checked"
CURVE_HEADING = "Finds in 100, by what was predicted"
AXIS_PREDICTED = "predicted on sources not seen, finds in 100"
AXIS_POINTS = "observed minus predicted, finds in 100"

SCALE_IN = 0.75
AXIS_IN = 0.72
BETWEEN_IN = 0.5
MOST_NAME_IN = 1.9
LEAST_ROW_IN = 0.25
MOST_ROW_IN = 0.42
_LEAST_PT = 8.0


def draw_calibration_figure(quality: Quality, footer: str = "") -> Figure:
    """Draw calibration and residuals on a sheet of 16 × 9 inches.

    Left, trials in groups of like prediction: finds with their exact interval
    against the mean prediction; on the diagonal both are equal. Right, finds
    minus predictions of each source with their interval; where there is no room for all,
    those farthest from their prediction.

    Parameters
    ----------
    quality
        What was checked.
    footer
        Where the figures come from. That this is an association and not proof
        of cause is added unless it is said there.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        if quality.area is None or quality.calibration is None:
            reason = quality.reason or "the predictions do not differ between trials"
            write_reason(figure, NOTHING, f"{reason[:1].upper()}{reason[1:]}.", footer)
            return figure
        top = write_header(
            figure, describe_quality_in_short(quality), describe_predictions(quality)
        )
        bottom = write_footer(figure, footer)
        half = (WIDTH_IN - 2 * MARGIN_IN - BETWEEN_IN) / 2
        left = Box(MARGIN_IN, bottom, half, top - bottom)
        _draw_curve(figure, left, quality.calibration, quality.alpha)
        right = Box(MARGIN_IN + half + BETWEEN_IN, bottom, half, top - bottom)
        _draw_residuals(figure, right, quality.by["source"], quality.alpha)
    return figure


def _percent_axis(low: float) -> list[float]:
    """Ticks from a round probability at or below ``low`` up to 1, at most eleven."""
    start = floor(10.0 * low) / 10.0
    step = 0.1 if start >= 0.0 else 0.2
    return [round(start + step * k, 10) for k in range(ceil((1.0 - start) / step - 1e-9) + 1)]


def _draw_curve(figure: Figure, box: Box, calibration: Calibration, alpha: float) -> None:
    words = wrap_to_width(CURVE_HEADING, box.width, HEADING_PT, "bold")
    top = box.top - write(
        figure, box.left, box.top, words, HEADING_PT, gid="curve-heading", weight="bold"
    )
    sizes = sorted({p.n for p in calibration.curve})
    each = count(sizes[-1], "trial")
    if len(sizes) > 1:
        each = f"{sizes[0]:,} to {each}"
    note = f"each point {each}, with its {100.0 * (1.0 - alpha):g} % interval"
    top -= write(figure, box.left, top, [note], LABEL_PT, gid="curve-note", color=MUTED) + 0.12
    data = Box(
        box.left + SCALE_IN,
        box.bottom + AXIS_IN,
        box.width - SCALE_IN - 0.25,
        top - box.bottom - AXIS_IN,
    )
    ax = figure.add_axes(data.of_figure, gid="calibration")
    points = calibration.curve
    lowest = min(min(p.low for p in points), min(p.predicted for p in points))
    ticks = _percent_axis(lowest)
    ax.set_xlim(ticks[0], 1.0)
    ax.set_ylim(ticks[0], 1.0)
    _whole_numbers(ax, ticks)
    ax.plot([ticks[0], 1.0], [ticks[0], 1.0], color=FLOOR, linewidth=1.8, linestyle=(0, (5, 2)),
            gid="diagonal", zorder=1)  # fmt: skip
    for point in points:
        ax.plot([point.predicted] * 2, [point.low, point.high], color=INK, linewidth=2.2,
                gid="interval", zorder=2)  # fmt: skip
        ax.plot([point.predicted], [point.proportion], marker="o", markersize=7,
                markerfacecolor="white", markeredgecolor=INK, markeredgewidth=1.8,
                linestyle="none", gid="observed", zorder=3, clip_on=False)  # fmt: skip
    ax.set_xlabel(AXIS_PREDICTED, fontsize=LABEL_PT, labelpad=6)
    ax.set_ylabel("found, in 100", fontsize=LABEL_PT, labelpad=6)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _whole_numbers(ax: Axes, ticks: Sequence[float]) -> None:
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(FixedLocator(list(ticks)))
        axis.set_major_formatter(FixedFormatter([f"{100.0 * t:.0f}" for t in ticks]))
    ax.tick_params(labelsize=LABEL_PT, length=5)


def _shown(rows: Sequence[Residual], most: int) -> list[Residual]:
    """Those farthest from their prediction, from the lowest to the highest."""
    far = sorted(rows, key=lambda r: (-abs(r.points), r.group))
    kept = [*[r for r in far if r.outside], *[r for r in far if not r.outside]][:most]
    return sorted(kept, key=lambda r: (r.points, r.group))


def _draw_residuals(figure: Figure, box: Box, rows: Sequence[Residual], alpha: float) -> None:
    heading = "Finds minus predictions, by source"
    top = box.top - write(
        figure, box.left, box.top, [heading], HEADING_PT, gid="residual-heading", weight="bold"
    )
    note_height = lines_height_in(1, LABEL_PT) + 0.12
    room = top - note_height - box.bottom - AXIS_IN
    shown = _shown(rows, max(floor(room / LEAST_ROW_IN), 1))
    note = f"with {100.0 * (1.0 - alpha):g} % intervals of the trials alone"
    if len(shown) < len(rows):
        note += f"; the {len(shown)} farthest out, of {len(rows):,}"
    write(figure, box.left, top, [note], LABEL_PT, gid="residual-note", color=MUTED)
    top -= note_height
    pitch = min(room / len(shown), MOST_ROW_IN)
    size = max(min(LABEL_PT, pitch / lines_height_in(1, 1.0)), _LEAST_PT)
    names = min(max(text_width_in(r.group, size, "bold") for r in shown) * 1.03, MOST_NAME_IN)
    counts = max(text_width_in(f"{r.finds} of {r.n}", size) for r in shown) * 1.05
    height = pitch * len(shown)
    data = Box(
        box.left + names + 0.2,
        top - height,
        box.width - names - 0.2 - counts - 0.2,
        height,
    )
    ax = figure.add_axes(data.of_figure, gid="residuals")
    ax.set_ylim(len(shown) - 0.5, -0.5)
    for number, row in enumerate(shown):
        _draw_residual(ax, number, row)
        middle = data.top - (number + 0.5) * pitch + lines_height_in(1, size) / 2
        lines = wrap_to_width(row.group, MOST_NAME_IN, size, "bold")
        name = lines[0] if len(lines) == 1 else f"{lines[0][:-1]}…"
        weight = "bold" if row.outside else "normal"
        write(figure, box.left + names, middle, [name], size, gid="name", align="right",
              weight=weight)  # fmt: skip
        write(figure, box.right, middle, [f"{row.finds} of {row.n}"], size, gid="cell",
              align="right", color=MUTED)  # fmt: skip
    ax.axvline(0.0, color=FLOOR, linewidth=1.8, linestyle=(0, (5, 2)), gid="as-predicted", zorder=1)
    ax.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    ax.xaxis.set_major_formatter(
        lambda value, _: f"{value:+.0f}".replace("-", "−").replace("+0", "0")
    )
    ax.tick_params(axis="x", labelsize=LABEL_PT, length=5)
    ax.tick_params(axis="y", left=False, labelleft=False)
    ax.set_xlabel(AXIS_POINTS, fontsize=LABEL_PT, labelpad=6)
    for side in ("left", "right", "top"):
        ax.spines[side].set_visible(False)


def _draw_residual(ax: Axes, number: int, row: Residual) -> None:
    ax.axhline(number, color=HAIRLINE, linewidth=0.6, zorder=0.5, gid="row")
    color = FITTED if row.outside else INK
    width = 3.2 if row.outside else 2.0
    ax.plot(
        [row.low, row.high], [number] * 2, color=color, linewidth=width, gid="residual-interval"
    )
    ax.plot([row.points], [number], marker="o", markersize=8, markeredgewidth=2.0,
            markerfacecolor=color if row.outside else "white", markeredgecolor=color,
            linestyle="none", gid="residual", zorder=3)  # fmt: skip
