"""One panel of find probability against one exposure, with its threshold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator
from numpy.typing import NDArray

from outcomes.analysis.results import Bin, FindCurve
from outcomes.draw.theme import (
    FITTED,
    FLOOR,
    HAIRLINE,
    INK,
    LABEL_PT,
    MUTED,
    SUBTITLE_PT,
    Box,
    lines_height_in,
    open_frame,
    size_in,
    spread_apart,
    text_width_in,
    wrap_to_width,
    write,
)
from outcomes.wording.threshold_on_figure import (
    ThresholdMark,
    describe_threshold_on_figure,
    exposure_scale,
    extent,
    plain_in_100,
)

COUNT_ROW_IN = 0.27
LEADER_IN = 0.22
COUNTS_IN = 2 * COUNT_ROW_IN + LEADER_IN
TICKS_IN = 0.36
AXIS_NAME_IN = 0.34
BRACKET_ROW_IN = 0.26
LANE_PADDING_IN = 0.08


@dataclass(frozen=True, slots=True)
class LaneWords:
    """What is written under the data: about the threshold and the limit."""

    threshold: tuple[str, ...]
    retire: tuple[str, ...]
    has_marks: bool

    @property
    def height(self) -> float:
        """Room the lane needs, inches; 0 where there is nothing to say."""
        height = lines_height_in(len(self.threshold), LABEL_PT)
        height += lines_height_in(len(self.retire), SUBTITLE_PT)
        height += BRACKET_ROW_IN if self.has_marks else 0.0
        return height + 2 * LANE_PADDING_IN if height else 0.0


def within_observed(mark: ThresholdMark, curve: FindCurve) -> ThresholdMark:
    """The mark with everything outside the exposures shown left out: nothing is extrapolated."""
    low, high = extent(curve)

    def kept(value: float | None) -> float | None:
        return value if value is not None and low <= value <= high else None

    return ThresholdMark(
        kept(mark.estimate), kept(mark.low), kept(mark.high), kept(mark.retire_after)
    )


def lowest_shown(curves: Sequence[FindCurve], floor_probability: float) -> float:
    """Lower end of the probability scale: the floor and all that rests on enough sources in sight.

    Of a stretch that few sources carry the line is, but not the band, whose width would press the
    rest together. A multiple of 0.1 with some room below; 0 where less than 0.2 would be cut off.
    """
    values = [floor_probability]
    for curve in curves:
        carried = ~np.asarray(curve.thin, dtype=bool)
        values += [float(v) for v in np.asarray(curve.low, dtype=float)[carried]]
        values += [float(v) for v in np.asarray(curve.probability, dtype=float)]
        values += [b.proportion_low for b in curve.bins]
    lowest = floor((min(values) - 0.02) * 10.0) / 10.0
    return lowest if lowest >= 0.2 else 0.0


def lane_words(
    curve: FindCurve, mark: ThresholdMark | None, floor_probability: float, width_in: float
) -> LaneWords:
    """The words of the lane under the data, wrapped to its width."""
    threshold, retire = describe_threshold_on_figure(curve, mark, floor_probability)
    room = width_in - 0.16
    lines = _threshold_lines(threshold, room)
    in_brief = _threshold_lines(
        describe_threshold_on_figure(curve, mark, floor_probability, brief=True)[0], room
    )
    return LaneWords(
        # Room for the data goes before a noun.
        threshold=in_brief if len(in_brief) < len(lines) else lines,
        retire=wrap_to_width(retire, room, SUBTITLE_PT, "bold", even=True),
        has_marks=mark is not None and (mark.estimate is not None or mark.retire_after is not None),
    )


def _threshold_lines(threshold: str, room_in: float) -> tuple[str, ...]:
    if any(text_width_in(part, LABEL_PT) * 1.02 > room_in for part in threshold.split(" ")):
        threshold = threshold.replace("\u00a0", " ")
    return wrap_to_width(threshold, room_in, LABEL_PT, even=True)


def _axis_name(curve: FindCurve, width_in: float) -> tuple[str, ...]:
    """The exposure's name, no wider than the panel with the scales beside it."""
    return wrap_to_width(exposure_scale(curve).axis_name, width_in + 0.7, LABEL_PT, even=True)


def below_in(curve: FindCurve, width_in: float) -> float:
    """Room under a panel for its scale and the scale's name, inches."""
    more = len(_axis_name(curve, width_in)) - 1
    return TICKS_IN + AXIS_NAME_IN + lines_height_in(more, LABEL_PT)


def draw_find_panel(
    figure: Figure,
    box: Box,
    curve: FindCurve,
    floor_probability: float,
    mark: ThresholdMark | None,
    *,
    lowest: float,
    lane_height: float,
    first: bool,
    small_pt: float = 11.0,
    below: float | None = None,
) -> Axes:
    """Draw one curve with its bins, floor, threshold and counts inside ``box``.

    Parameters
    ----------
    figure
        The sheet.
    box
        Room for counts, data, lane and scale; the probability scale and the
        floor's label stand outside to the left and right.
    curve
        What was fitted and observed; ``at`` may be empty.
    floor_probability
        The lowest acceptable find probability.
    mark
        The threshold (see :func:`within_observed`), or ``None`` where nothing is
        to be said of one.
    lowest
        Lower end of the probability scale.
    lane_height
        Room under the data for the threshold, inches; 0 for none.
    first
        Whether the probability scale is written on the left.
    small_pt
        The smallest lettering of counts while they fit side by side, points.
    below
        Room under the panel for its scale and the scale's name, inches, where
        that of a panel beside it is wanted; what this one needs if not given.

    Returns
    -------
    matplotlib.axes.Axes
        The axes that hold the data.
    """
    below = below_in(curve, box.width) if below is None else below
    data = Box(
        box.left,
        box.bottom + below + lane_height,
        box.width,
        box.height - below - lane_height - COUNTS_IN,
    )
    low, high = extent(curve)
    room = 0.04 * (high - low) or max(0.5, 0.04 * high)
    start = 0.0 if low <= 0.25 * high or low == high else low
    ax = figure.add_axes(data.on(figure), gid=f"finds-{curve.exposure}")
    ax.set_xlim(start - room, high + room)
    ax.set_ylim(lowest, 1.0 + 0.03 * (1.0 - lowest))
    _draw_probability_scale(ax, lowest, first)
    ax.axhline(floor_probability, color=FLOOR, linewidth=2.0, zorder=2.5, gid="floor")
    _draw_fitted(ax, curve)
    _draw_observed(ax, curve.bins)
    _write_counts(figure, data, ax, curve.bins, first, small_pt)
    _write_floor(figure, data, ax, floor_probability)

    scaled = ax
    if lane_height:
        lane = figure.add_axes(
            Box(box.left, box.bottom + below, box.width, lane_height).on(figure),
            gid=f"lane-{curve.exposure}",
        )
        lane.patch.set_visible(False)
        lane.set_xlim(ax.get_xlim())
        lane.set_ylim(lane_height, 0.0)
        lane.set_yticks([])
        open_frame(lane, "left")
        open_frame(ax, "bottom")
        ax.set_xticks([])
        _draw_lane(ax, lane, curve, floor_probability, mark)
        scaled = lane
    else:
        open_frame(ax)
    _draw_exposure_scale(figure, box, scaled, curve, below)
    return ax


def _draw_probability_scale(ax: Axes, lowest: float, written: bool) -> None:
    step = 0.05 if lowest >= 0.7 else 0.1 if lowest >= 0.4 else 0.2
    ticks = [t for t in np.arange(0.0, 1.0 + step / 2, step).round(2) if t >= lowest]
    ax.yaxis.set_major_locator(FixedLocator(ticks))
    ax.yaxis.set_major_formatter(
        FixedFormatter([plain_in_100(t) if written else "" for t in ticks])
    )
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)


def _draw_exposure_scale(
    figure: Figure, box: Box, ax: Axes, curve: FindCurve, below: float
) -> None:
    scale = exposure_scale(curve)
    low, high = (edge / scale.factor for edge in ax.get_xlim())
    if scale.noun == "months":
        span = high - low
        step = next((s for s in (1, 2, 3, 6, 12, 24, 36, 60) if span / s <= 7), ceil(span / 6))
        marks: NDArray[np.float64] = np.arange(ceil(low / step) * step, high, step, dtype=float)
    else:
        locator = MaxNLocator(nbins=7, integer=True, min_n_ticks=1, steps=[1, 2, 5, 10])
        marks = np.unique(np.round(np.asarray(locator.tick_values(low, high), dtype=float)))
    marks = marks[(marks >= max(low, 0.0)) & (marks <= high)]
    ax.xaxis.set_major_locator(FixedLocator((marks * scale.factor).tolist()))
    ax.xaxis.set_major_formatter(FixedFormatter([f"{m:,.0f}" for m in marks]))
    ax.tick_params(axis="x", length=5)
    write(
        figure,
        box.left + box.width / 2,
        box.bottom + below - TICKS_IN - 0.04,
        _axis_name(curve, box.width),
        LABEL_PT,
        gid="axis-name",
        align="center",
    )


def _runs(thin: NDArray[np.bool_]) -> list[tuple[int, int, bool]]:
    """Stretches of equal ``thin`` as (first, last + 1, thin)."""
    edges = [0, *(np.flatnonzero(np.diff(thin)) + 1).tolist(), thin.size]
    return [(a, b, bool(thin[a])) for a, b in pairwise(edges) if b > a]


def _draw_fitted(ax: Axes, curve: FindCurve) -> None:
    at = np.asarray(curve.at, dtype=float)
    thin = np.asarray(curve.thin, dtype=bool)
    for first, end, is_thin in _runs(thin):
        # A thin stretch reaches to its neighbours, so the line has no gap and is
        # solid only between points that rest on enough sources.
        part = slice(max(first - 1, 0), end + 1) if is_thin else slice(first, end)
        ax.fill_between(
            at[part],
            curve.low[part],
            curve.high[part],
            facecolor=FITTED,
            alpha=0.10 if is_thin else 0.20,
            linewidth=0,
            zorder=2,
            gid="band-thin" if is_thin else "band",
        )
        ax.plot(
            at[part],
            curve.probability[part],
            color=FITTED,
            alpha=0.65 if is_thin else 1.0,
            linewidth=3.0 if is_thin else 4.0,
            linestyle=(0, (2.5, 1.5)) if is_thin else "-",
            marker="D" if at.size == 1 else None,
            markeredgecolor="w",
            markeredgewidth=0.75,
            zorder=3,
            gid="fitted-thin" if is_thin else "fitted",
        )


def _draw_observed(ax: Axes, bins: Sequence[Bin]) -> None:
    if not bins:
        return
    mean = [b.mean for b in bins]
    ax.vlines(
        mean,
        [b.proportion_low for b in bins],
        [b.proportion_high for b in bins],
        color=INK,
        linewidth=1.8,
        zorder=4,
        gid="observed-interval",
    )
    ax.scatter(
        mean,
        [b.proportion for b in bins],
        s=110,
        color="white",
        edgecolor=INK,
        linewidth=2.0,
        zorder=5,
        clip_on=False,
        gid="observed",
    )


def _count_lettering(
    bins: Sequence[Bin], width_in: float, small_pt: float
) -> tuple[list[str], list[str], float, NDArray[np.float64]]:
    """Counts as text, their size and the room each takes, chosen to fit side by side."""
    exact = [f"{b.n:,}" for b in bins], [f"{b.sources:,}" for b in bins]
    short = [_short(b.n) for b in bins], [_short(b.sources) for b in bins]
    for trials, sources in (exact, short):
        for size in (*(s for s in (LABEL_PT, 13.0, 12.0) if s > small_pt), small_pt):
            rooms = np.array(
                [
                    max(text_width_in(t, size), text_width_in(s, size)) + 0.11
                    for t, s in zip(trials, sources, strict=True)
                ]
            )
            if rooms.sum() <= width_in:
                return trials, sources, size, rooms
    return trials, sources, size * width_in / rooms.sum(), rooms * width_in / rooms.sum()


def _short(count: int) -> str:
    if count < 1_000:
        return f"{count}"
    return f"{count / 1_000:.{1 if count < 10_000 else 0}f}k"


def _write_counts(
    figure: Figure, data: Box, ax: Axes, bins: Sequence[Bin], first: bool, small_pt: float
) -> None:
    if not bins:
        return
    x_low, x_high = ax.get_xlim()
    wanted = [data.left + (b.mean - x_low) / (x_high - x_low) * data.width for b in bins]
    trials, sources, size, rooms = _count_lettering(bins, data.width + 0.3, small_pt)
    centres = spread_apart(wanted, rooms, data.left - 0.15, data.right + 0.15)
    rows = (("trials", trials), ("sources", sources))
    for row, (name, counts) in enumerate(rows):
        top = data.top + COUNTS_IN - row * COUNT_ROW_IN
        if first:
            write(
                figure,
                data.left - 0.25,
                top,
                [name],
                LABEL_PT,
                gid=f"count-name-{name}",
                color=MUTED,
                align="right",
            )
        for centre, number in zip(centres, counts, strict=True):
            write(figure, centre, top, [number], size, gid=f"count-{name}", align="center")
    across = ax.get_xaxis_transform()
    for bin_, centre in zip(bins, centres, strict=True):
        shown = x_low + (centre - data.left) / data.width * (x_high - x_low)
        ax.plot(
            [shown, bin_.mean],
            [1.0 + (LEADER_IN - 0.03) / data.height, 1.0],
            transform=across,
            color=MUTED,
            linewidth=0.9,
            clip_on=False,
            gid="leader",
        )
        ax.vlines(
            bin_.mean,
            bin_.proportion_high,
            ax.get_ylim()[1],
            color=HAIRLINE,
            linewidth=1.0,
            zorder=1.5,
            gid="leader-drop",
        )


def _write_floor(figure: Figure, data: Box, ax: Axes, floor_probability: float) -> None:
    y_low, y_high = ax.get_ylim()
    middle = data.bottom + (floor_probability - y_low) / (y_high - y_low) * data.height
    write(
        figure,
        data.right + 0.08,
        middle + lines_height_in(2, LABEL_PT) / 2,
        ["floor", plain_in_100(floor_probability)],
        LABEL_PT,
        gid="floor-label",
        weight="bold",
        color=FLOOR,
    )


def _draw_lane(
    ax: Axes,
    lane: Axes,
    curve: FindCurve,
    floor_probability: float,
    mark: ThresholdMark | None,
) -> None:
    words = lane_words(curve, mark, floor_probability, _width_in(lane))
    top = LANE_PADDING_IN
    if mark is None:
        return
    if words.has_marks:
        middle = top + BRACKET_ROW_IN / 2
        _draw_bracket(ax, lane, curve, floor_probability, mark, middle)
        top += BRACKET_ROW_IN
    for name, lines, at, size, weight in (
        ("threshold-words", words.threshold, mark.estimate, LABEL_PT, "normal"),
        ("retire-words", words.retire, mark.retire_after, SUBTITLE_PT, "bold"),
    ):
        for number, line in enumerate(lines, start=1):
            height = lines_height_in(1, size)
            _write_in_lane(lane, line, at, top + height / 2, size, weight, f"{name}-{number}")
            top += height


def _width_in(ax: Axes) -> float:
    figure = ax.figure
    assert isinstance(figure, Figure)
    return float(ax.get_position().width) * size_in(figure)[0]


def _write_in_lane(
    lane: Axes, line: str, at: float | None, y: float, size_pt: float, weight: str, gid: str
) -> None:
    """One line centred on ``at`` as far as the lane is wide."""
    x_low, x_high = lane.get_xlim()
    half = (text_width_in(line, size_pt, weight) * 1.02 / 2 + 0.06) / _width_in(lane)
    share = 0.5 if at is None else (at - x_low) / (x_high - x_low)
    share = min(max(share, half), 1.0 - half)
    lane.text(
        share,
        1.0 - y / lane.get_ylim()[0],
        line,
        transform=lane.transAxes,
        fontsize=size_pt,
        fontweight=weight,
        color=INK,
        ha="center",
        va="center_baseline",
        gid=gid,
    )


def _draw_bracket(
    ax: Axes,
    lane: Axes,
    curve: FindCurve,
    floor_probability: float,
    mark: ThresholdMark,
    y: float,
) -> None:
    """The threshold's interval, its estimate and the limit; open sides end in an arrow."""
    if mark.estimate is not None:
        low, high = extent(curve)
        ends = (
            low if mark.low is None else mark.low,
            high if mark.high is None else mark.high,
        )
        lane.plot(
            ends,
            [y, y],
            color=FLOOR,
            linewidth=7,
            alpha=0.45,
            solid_capstyle="butt",
            gid="threshold-interval",
        )
        for value, arrow, limit in ((ends[0], "<", mark.low), (ends[1], ">", mark.high)):
            lane.plot(
                [value],
                [y],
                marker=arrow if limit is None else "|",
                markersize=13,
                markeredgewidth=2.5,
                color=FLOOR,
                linestyle="none",
                gid="threshold-end",
            )
        _drop(ax, lane, mark.estimate, floor_probability, y, (0, (1, 1.5)))
        for axes, at_y in ((ax, floor_probability), (lane, y)):
            axes.plot(
                [mark.estimate],
                [at_y],
                marker="D",
                markersize=10,
                color=INK,
                zorder=6,
                linestyle="none",
                gid="threshold",
            )
    if mark.retire_after is not None:
        _drop(ax, lane, mark.retire_after, floor_probability, y, "-")
        lane.plot(
            [mark.retire_after],
            [y],
            marker="s",
            markersize=10,
            color=INK,
            zorder=6,
            linestyle="none",
            gid="retire-after",
        )


def _drop(
    ax: Axes,
    lane: Axes,
    at: float,
    floor_probability: float,
    y: float,
    linestyle: str | tuple[float, tuple[float, ...]],
) -> None:
    """A line from the floor down to the mark in the lane."""
    ax.vlines(
        at,
        ax.get_ylim()[0],
        floor_probability,
        color=INK,
        linewidth=1.6,
        linestyle=linestyle,
        zorder=2.7,
        gid="drop",
    )
    lane.vlines(at, 0.0, y, color=INK, linewidth=1.6, linestyle=linestyle, gid="drop")
