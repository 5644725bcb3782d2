"""One exposure asked about in many ways: estimate and interval of each, sorted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, floor, log1p

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedFormatter, FixedLocator

from outcomes.analysis.finds.specifications import Specification, Specifications
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    FLOOR,
    FOOTER_PT,
    HAIRLINE,
    HEIGHT_IN,
    INK,
    LABEL_PT,
    LANE,
    MUTED,
    WIDTH_IN,
    Box,
    lines_height_in,
    text_width_in,
    theme,
    wrap_to_width,
    write,
)
from outcomes.exposure.cycles_and_age import ExposureName
from outcomes.wording.sensitivity import agreement_title, describe_agreement

NOT_ASKED = "Not asked"
NO_CHANGE = "no change"
NOTHING = "The question could not be asked in other ways"

KEY_IN = 0.34
HEAD_IN = 0.3
AXIS_IN = 0.72
GAP_IN = 0.25
LEAST_ROW_IN = 0.2
MOST_ROW_IN = 0.42
MOST_NAME_IN = 5.6
COLUMN_IN = 0.95
_LEAST_PT = 9.0
_MOST_TICKS = 9
_WINDOW = 5.0  # half-widths of the main interval shown to either side of it
_PERCENT = (-95, -90, -80, -70, -60, -50, -40, -30, -25, -20, -15, -10, -5, -2)
_PERCENT_UP = (2, 5, 10, 15, 20, 30, 50, 75, 100, 150, 200, 300, 500, 1000)
_AXIS_NAMES = {
    "cycles": "change in the odds of a find with each freeze/thaw cycle",
    "age_days": "change in the odds of a find with each 30 days of age",
}


@dataclass(frozen=True, slots=True)
class _Window:
    """Log-odds shown."""

    low: float
    high: float


def draw_specification_figure(
    specifications: Specifications, term: ExposureName, footer: str = ""
) -> Figure:
    """Draw every way of asking about one exposure on a sheet of 16 × 9 inches.

    Rows rise from the lowest estimate at the top to the highest; the main
    model is marked. Small strokes on the rows of left-out sources and dogs are
    the estimates without each of the others. An interval that runs out of the
    window ends in an arrow.

    Parameters
    ----------
    specifications
        What was asked.
    term
        ``"cycles"`` or ``"age_days"``.
    footer
        Where the figures come from. What could not be asked, and that this is
        an association and not proof of cause, is added.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    agreement = specifications.agreement.get(term)
    shown = specifications.shown(term)
    asked = [row for row in shown if row.log_odds is not None]
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        if agreement is None or not asked:
            reason = specifications.reason or "this exposure is not in the main model"
            write_reason(figure, NOTHING, f"{reason[:1].upper()}{reason[1:]}.", footer)
            return figure
        top = write_header(
            figure, agreement_title(specifications, term), describe_agreement(specifications, term)
        )
        room = top - KEY_IN - HEAD_IN - AXIS_IN - _footer_height(footer, shown)
        rows, hidden = _that_fit(asked, floor(room / LEAST_ROW_IN))
        bottom = write_footer(figure, _footer(footer, shown, hidden))
        window = _window(rows)
        _write_key(figure, MARGIN_IN, top, 1.0 - specifications.alpha)
        body = Box(MARGIN_IN, bottom, WIDTH_IN - 2 * MARGIN_IN, top - KEY_IN - bottom)
        _draw_rows(figure, body, rows, specifications.of(term), window, term)
    return figure


def _footer(footer: str, shown: Sequence[Specification], hidden: int) -> str:
    not_asked = [f"{row.name} ({row.reason})" for row in shown if row.log_odds is None]
    words = footer
    if not_asked:
        words += f" {NOT_ASKED}: {'; '.join(not_asked)}."
    if hidden:
        words += f" {hidden} more kinds left out one by one moved the estimate less."
    return words


def _footer_height(footer: str, shown: Sequence[Specification]) -> float:
    return write_footer(Figure(figsize=(WIDTH_IN, HEIGHT_IN)), _footer(footer, shown, 0))


def _that_fit(rows: list[Specification], most: int) -> tuple[list[Specification], int]:
    """As many rows as have room; kinds that moved the estimate least go first."""
    over = len(rows) - max(most, 1)
    kinds = sorted((r for r in rows if r.family == "kind"), key=lambda r: abs(r.shift or 0.0))
    dropped = kinds[: max(over, 0)]
    return [r for r in rows if r not in dropped], len(dropped)


def _window(rows: Sequence[Specification]) -> _Window:
    """Every estimate, and of the intervals what is not far beyond the main one's."""
    main = next(r for r in rows if r.family == "main")
    assert main.low is not None
    assert main.high is not None
    reach = _WINDOW * (main.high - main.low) / 2.0
    middle = (main.low + main.high) / 2.0
    estimates = [r.log_odds for r in rows if r.log_odds is not None]
    lows = [max(r.low, middle - reach) for r in rows if r.low is not None]
    highs = [min(r.high, middle + reach) for r in rows if r.high is not None]
    low, high = min(*lows, *estimates, 0.0), max(*highs, *estimates, 0.0)
    margin = 0.03 * (high - low)
    return _Window(low - margin, high + margin)


def percent_ticks(low: float, high: float) -> list[int]:
    """Round percentages whose log-odds lie in the window, 0 among them; at most 9.

    Examples
    --------
    >>> percent_ticks(-0.25, 0.06)
    [-20, -15, -10, -5, 0, 5]
    """
    inside = [p for p in (*_PERCENT, *_PERCENT_UP) if low <= log1p(p / 100.0) <= high]
    chosen = [0]
    apart = (high - low) / _MOST_TICKS
    # From the ends inwards, so that the scale reaches as far as the data.
    for percent in sorted(inside, key=lambda p: (abs(p) % 10 != 0, -abs(p))):
        place = log1p(percent / 100.0)
        if all(abs(place - log1p(c / 100.0)) >= apart for c in chosen):
            chosen.append(percent)
    return sorted(chosen)


def percent(log_odds: float, decimals: int = 0) -> str:
    """A change in log-odds as the change in odds it means, in per cent."""
    change = 100.0 * (exp(log_odds) - 1.0)
    shown = f"{change:+.{decimals}f}".replace("-", "−")
    return "0" if float(shown.replace("−", "-")) == 0.0 else shown


def _label(row: Specification, all_rows: Sequence[Specification]) -> str:
    members = sum(r.family == row.family and r.log_odds is not None for r in all_rows)
    if row.family in ("source", "dog"):
        return f"{row.name}, which of {members} moves it most"
    return row.name


def _draw_rows(
    figure: Figure,
    body: Box,
    rows: Sequence[Specification],
    all_rows: Sequence[Specification],
    window: _Window,
    term: str,
) -> None:
    pitch = min((body.height - HEAD_IN - AXIS_IN) / len(rows), MOST_ROW_IN)
    size = min(LABEL_PT, pitch / lines_height_in(1, 1.0))
    size = max(size, _LEAST_PT)
    labels = [_label(row, all_rows) for row in rows]
    widest = max(
        text_width_in(label, size, "bold" if row.family == "main" else "normal") * 1.03
        for row, label in zip(rows, labels, strict=True)
    )
    names = min(widest, MOST_NAME_IN)
    columns = (body.right - 2 * COLUMN_IN, body.right - COLUMN_IN, body.right)
    height = pitch * len(rows)
    left = body.left + names + GAP_IN
    data = Box(left, body.top - HEAD_IN - height, columns[0] - COLUMN_IN - left, height)
    head = body.top - (HEAD_IN - lines_height_in(1, FOOTER_PT)) / 2
    for x, word in zip(columns, ("odds, %", "trials", "sources"), strict=True):
        write(figure, x, head, [word], FOOTER_PT, gid="column", color=MUTED, align="right")
    ax = figure.add_axes(data.of_figure, gid="specifications")
    ax.set_xlim(window.low, window.high)
    ax.set_ylim(len(rows) - 0.5, -0.5)
    _draw_scale(ax, window, term)
    _name_no_change(figure, data, window, body.top)
    for number, (row, label) in enumerate(zip(rows, labels, strict=True)):
        _draw_row(ax, number, row, window)
        _draw_others(ax, number, row, all_rows)
        weight = "bold" if row.family == "main" else "normal"
        middle = data.top - (number + 0.5) * pitch + lines_height_in(1, size) / 2
        lines = wrap_to_width(label, MOST_NAME_IN, size, weight)
        first = lines[0] if len(lines) == 1 else f"{lines[0].rstrip('.,;')} …"
        right = body.left + names
        write(figure, right, middle, [first], size, gid="name", weight=weight, align="right")
        assert row.log_odds is not None
        cells = (percent(row.log_odds, 1), f"{row.n:,}", f"{row.sources:,}")
        for x, cell in zip(columns, cells, strict=True):
            write(figure, x, middle, [cell], size, gid="cell", weight=weight, align="right")


def _draw_scale(ax: Axes, window: _Window, term: str) -> None:
    ticks = percent_ticks(window.low, window.high)
    ax.xaxis.set_major_locator(FixedLocator([log1p(p / 100.0) for p in ticks]))
    ax.xaxis.set_major_formatter(
        FixedFormatter([f"{p:+d} %".replace("-", "−") if p else "0" for p in ticks])
    )
    ax.tick_params(axis="x", labelsize=LABEL_PT, length=5)
    ax.tick_params(axis="y", left=False, labelleft=False)
    ax.set_xlabel(_AXIS_NAMES[term], fontsize=LABEL_PT, labelpad=6)
    for side in ("left", "right", "top"):
        ax.spines[side].set_visible(False)
    ax.axvline(0.0, color=FLOOR, linewidth=1.8, linestyle=(0, (5, 2)), gid="no-change", zorder=1.5)


def _name_no_change(figure: Figure, data: Box, window: _Window, top: float) -> None:
    place = data.left + data.width * (0.0 - window.low) / (window.high - window.low)
    half = text_width_in(NO_CHANGE, LABEL_PT) / 2
    place = min(max(place, data.left + half), data.right - half)
    write(figure, place, top, [NO_CHANGE], LABEL_PT, gid="no-change", color=FLOOR, align="center")


def _draw_row(ax: Axes, number: int, row: Specification, window: _Window) -> None:
    assert row.log_odds is not None
    assert row.low is not None
    assert row.high is not None
    main = row.family == "main"
    color = FITTED if main else INK
    if main:
        ax.axhspan(number - 0.5, number + 0.5, color=LANE, zorder=0, gid="main-lane")
        ax.axvline(row.log_odds, color=FITTED, linewidth=1.0, zorder=1, gid="main-estimate")
    else:
        ax.axhline(number, color=HAIRLINE, linewidth=0.6, zorder=0.5, gid="row")
    ends = (max(row.low, window.low), min(row.high, window.high))
    width = 4.0 if main else 2.2
    ax.plot(ends, [number] * 2, color=color, linewidth=width, zorder=2, gid="interval")
    for end, out, marker in (
        (ends[0], row.low < window.low, "<"),
        (ends[1], row.high > window.high, ">"),
    ):
        if out:
            look = {"marker": marker, "markersize": 9, "color": color, "clip_on": False}
            ax.plot([end], [number], gid="arrow", **look)  # type: ignore[arg-type]
    clear = row.low > 0.0 or row.high < 0.0
    ax.plot(
        [row.log_odds],
        [number],
        marker="D" if main else "o",
        markersize=13 if main else 8.5,
        markerfacecolor=color if clear else "white",
        markeredgecolor=color,
        markeredgewidth=2.0,
        zorder=3,
        linestyle="none",
        gid="main" if main else "estimate",
    )


def _draw_others(
    ax: Axes, number: int, row: Specification, all_rows: Sequence[Specification]
) -> None:
    """A stroke for each of the other sources, or dogs, left out one by one."""
    if row.family not in ("source", "dog"):
        return
    others = [r.log_odds for r in all_rows if r.family == row.family and r.log_odds is not None]
    ax.plot(
        others,
        [number + 0.30] * len(others),
        marker="|",
        markersize=6,
        markeredgewidth=1.2,
        color=MUTED,
        linestyle="none",
        zorder=2.5,
        gid=f"each-{row.family}",
    )


def _write_key(figure: Figure, left: float, top: float, confidence: float) -> None:
    """Say beside a sample of each mark what it means."""
    middle = top - lines_height_in(1, LABEL_PT) / 2
    samples: tuple[tuple[str, dict[str, object]], ...] = (
        ("main model", {"marker": "D", "markersize": 12, "color": FITTED}),
        (
            f"whole {100 * confidence:g} % interval on one side of no change",
            {"marker": "o", "markersize": 9, "color": INK},
        ),
        (
            "interval includes it",
            {
                "marker": "o",
                "markersize": 9,
                "markerfacecolor": "white",
                "markeredgecolor": INK,
                "markeredgewidth": 2.0,
            },
        ),
        (
            "each one left out in turn",
            {"marker": "|", "markersize": 8, "markeredgewidth": 1.4, "color": MUTED},
        ),
    )
    for words, look in samples:
        figure.add_artist(
            Line2D(
                [(left + 0.1) / WIDTH_IN],
                [middle / HEIGHT_IN],
                linestyle="none",
                gid="key",
                **look,  # type: ignore[arg-type]
            )
        )
        write(figure, left + 0.27, top, [words], LABEL_PT, gid="key-words")
        left += 0.27 + text_width_in(words, LABEL_PT) * 1.03 + 0.4
