"""False alerts of each dog, per searching hour and per blank area, with exact intervals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from outcomes.analysis.searches.false_alerts import DogAlerts, FalseAlertFit
from outcomes.answers.side_tests import SideTests
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    FOOTER_PT,
    HAIRLINE,
    HEADING_PT,
    HEIGHT_IN,
    INK,
    LABEL_PT,
    LANE,
    MUTED,
    WIDTH_IN,
    Box,
    drawable,
    lines_height_in,
    text_width_in,
    theme,
    write,
)
from outcomes.wording.false_alerts import describe_false_alerts, describe_false_alerts_in_short

NOTHING = "False alerts cannot be told by dog"
MOST_DOGS = 24
_NAME_IN = 2.2
_COUNT_IN = 1.75
_AXIS_IN = 0.5
_GAP_IN = 0.35


@dataclass(frozen=True, slots=True)
class _Panel:
    gid: str
    heading: str
    unit: float | None
    estimate: Callable[[DogAlerts], tuple[float | None, float | None, float | None]]
    behind: Callable[[DogAlerts], str]


def draw_false_alerts_figure(fit: FalseAlertFit, footer: str) -> Figure:
    """Draw one row a dog: false alerts per hour on the left, per blank area on the right.

    Parameters
    ----------
    fit
        Its ``by_dog`` is drawn, in the order of names.
    footer
        What stands behind the figure: unit and records.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    panels = (
        _Panel(
            "per-hour",
            "Per hour of searching",
            fit.rate_per_hour,
            lambda d: (d.rate_per_hour, d.rate_low, d.rate_high),
            lambda d: f"{d.alerts:,} in {d.hours:,.0f} h",
        ),
        _Panel(
            "per-blank",
            "On 100 blank areas",
            None if fit.per_blank is None else 100.0 * fit.per_blank,
            _share,
            lambda d: f"{d.blank_alerts:,} of {d.blanks:,}",
        ),
    )
    searched = sorted(fit.by_dog, key=lambda d: (-d.hours, d.dog))
    shown = sorted(searched[:MOST_DOGS], key=lambda d: d.dog)
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        drawn = [p for p in panels if any(p.estimate(d)[0] is not None for d in shown)]
        if not drawn:
            nothing = SideTests((), fit.alpha)  # without a rate, nothing goes with it
            write_reason(figure, NOTHING, describe_false_alerts(fit, nothing), footer)
            return figure
        top = write_header(
            figure,
            describe_false_alerts_in_short(fit),
            _subtitle(len(searched)),
        )
        bottom = write_footer(figure, footer)
        rows = Box(
            MARGIN_IN,
            bottom + _AXIS_IN,
            WIDTH_IN - 2 * MARGIN_IN,
            top - lines_height_in(1, HEADING_PT) - 0.1 - bottom - _AXIS_IN,
        )
        _write_dogs(figure, rows, shown)
        width = (rows.width - _NAME_IN - (len(drawn) - 1) * _GAP_IN) / len(drawn)
        for number, panel in enumerate(drawn):
            left = rows.left + _NAME_IN + number * (width + _GAP_IN)
            write(figure, left, top, [panel.heading], HEADING_PT, gid=f"heading-{panel.gid}",
                  weight="bold")  # fmt: skip
            data = Box(left, rows.bottom, width - _COUNT_IN, rows.height)
            _draw_panel(figure, data, panel, shown)
    return figure


def _share(dog: DogAlerts) -> tuple[float | None, float | None, float | None]:
    if dog.per_blank is None or dog.per_blank_low is None or dog.per_blank_high is None:
        return None, None, None
    return 100.0 * dog.per_blank, 100.0 * dog.per_blank_low, 100.0 * dog.per_blank_high


def _subtitle(dogs: int) -> str:
    text = (
        "Each dog with its exact interval; the line is the whole unit. Intervals that overlap do "
        "not rank dogs."
    )
    return (
        text if dogs <= MOST_DOGS else f"{text} The {MOST_DOGS} dogs of {dogs} that searched most."
    )


def _place(rows: Box, number: int, count: int) -> float:
    """Height of the middle of a row, inches on the sheet."""
    return rows.top - rows.height * (number + 0.5) / count


def _size(count: int) -> float:
    return LABEL_PT if count <= 16 else FOOTER_PT


def _write_dogs(figure: Figure, rows: Box, shown: Sequence[DogAlerts]) -> None:
    size = _size(len(shown))
    for number, dog in enumerate(shown):
        middle = _place(rows, number, len(shown))
        words = drawable(dog.dog)
        while len(words) > 1 and text_width_in(words, size) > _NAME_IN - 0.25:
            words = f"{words[:-2]}…"
        write(figure, rows.left + _NAME_IN - 0.15, middle + lines_height_in(1, size) / 2, [words],
              size, gid="dog", align="right")  # fmt: skip


def _draw_panel(figure: Figure, data: Box, panel: _Panel, shown: Sequence[DogAlerts]) -> None:
    ax = figure.add_axes(data.of_figure, gid=panel.gid)
    count = len(shown)
    ax.set_ylim(count - 0.5, -0.5)
    size = _size(count)
    reach = panel.unit or 0.0
    for number, dog in enumerate(shown):
        if number % 2 == 0:
            ax.axhspan(number - 0.5, number + 0.5, color=LANE, linewidth=0.0, zorder=0.2)
        at, low, high = panel.estimate(dog)
        middle = _place(data, number, count) + lines_height_in(1, size) / 2
        words = "none searched" if at is None else panel.behind(dog)
        write(figure, data.right + _COUNT_IN, middle, [words], size, gid=f"behind-{panel.gid}",
              color=MUTED, align="right")  # fmt: skip
        if at is None or low is None or high is None:
            continue
        reach = max(reach, at)
        ax.plot([low, high], [number, number], color=INK, linewidth=2.0, gid="interval", zorder=2)
        ax.plot([at], [number], marker="o", markersize=10, markerfacecolor="white",
                markeredgecolor=INK, markeredgewidth=2.2, linestyle="none", gid="estimate",
                clip_on=False, zorder=3)  # fmt: skip
    _scale(ax, panel, shown, reach)


def _scale(ax: Axes, panel: _Panel, shown: Sequence[DogAlerts], reach: float) -> None:
    highs = [h for d in shown if (h := panel.estimate(d)[2]) is not None]
    # A dog with little searching can have an interval that would flatten all the others.
    right = min(1.05 * max(highs, default=1.0), max(3.0 * reach, 1e-9)) or 1.0
    ax.set_xlim(0.0, max(right, 1.1 * reach))
    if panel.unit is not None:
        ax.axvline(panel.unit, color=FITTED, linewidth=2.2, linestyle=(0, (5, 2)), gid="unit",
                   zorder=1)  # fmt: skip
    ax.xaxis.set_major_locator(MaxNLocator(6))
    ax.set_yticks([])
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.tick_params(labelsize=LABEL_PT, length=5)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
