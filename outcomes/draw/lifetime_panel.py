"""The panel of time until a source counts as unreliable, by regime."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator

from outcomes.draw.theme import (
    DAYS_PER_MONTH,
    HAIRLINE,
    HEADING_PT,
    INK,
    LABEL_PT,
    MUTED,
    Box,
    lines_height_in,
    spread_apart,
    wrap_to_width,
    write,
)
from outcomes.fit.result import CurvePoint, Lifetime

HEADING = "Sources still reliable, in 100"
SHORT_DAYS = 92.0
ROW_IN = 0.27
TICKS_IN = 0.36
AXIS_NAME_IN = 0.34
LABEL_ROOM_IN = 1.40
SCALE_ROOM_IN = 0.55


@dataclass(frozen=True, slots=True)
class GroupLook:
    """How a group's curve is told from the others, in colour and in grey."""

    color: tuple[float, float, float]
    linestyle: str | tuple[float, tuple[float, ...]]


def group_looks(groups: Sequence[str]) -> dict[str, GroupLook]:
    """A colour and a line style for each group; a regime always has the same ones."""
    palette = sns.color_palette("colorblind")
    known = {
        "frozen": GroupLook(sns.set_hls_values(palette[0], l=0.30), "-"),
        "mixed": GroupLook(sns.set_hls_values(palette[2], l=0.27), (0, (1, 1))),
        "refrigerated": GroupLook(sns.set_hls_values(palette[1], l=0.36), (0, (4, 1.5))),
    }
    others = [
        GroupLook(sns.set_hls_values(palette[4], l=0.35), (0, (4, 1, 1, 1))),
        GroupLook(sns.set_hls_values(palette[7], l=0.35), (0, (7, 2))),
    ]
    unknown = [g for g in groups if g not in known]
    looks = {g: known[g] for g in groups if g in known}
    looks.update({g: others[i % len(others)] for i, g in enumerate(unknown)})
    return looks


def at_risk_at(points: Sequence[CurvePoint], time: float) -> int:
    """Sources of one group still followed just before ``time`` (days).

    That of the first step at or after ``time``; 0 past the last one.
    """
    return next((p.at_risk for p in points if p.time >= time), 0)


def draw_lifetime_panel(figure: Figure, box: Box, lifetime: Lifetime) -> Axes | None:
    """Draw the step curves with numbers at risk inside ``box``, or the reason for none.

    Parameters
    ----------
    figure
        The sheet.
    box
        Room for everything, with the probability scale on the left and the
        groups' names on the right.
    lifetime
        What was estimated; ``curve`` may be empty.

    Returns
    -------
    matplotlib.axes.Axes or None
        The axes that hold the curves; ``None`` where there are none.
    """
    top = box.top
    top -= (
        write(
            figure,
            box.left,
            top,
            wrap_to_width(HEADING, box.width, HEADING_PT, "bold"),
            HEADING_PT,
            gid="lifetime-heading",
            weight="bold",
        )
        + 0.04
    )
    groups: dict[str, list[CurvePoint]] = {}
    for point in lifetime.curve:
        groups.setdefault(point.group, []).append(point)
    reasons = [f"{group}: {reason}" for group, reason in lifetime.not_drawn.items()]
    if not groups:
        top -= 0.15
        for number, words in enumerate((lifetime.sentence, *reasons)):
            lines = wrap_to_width(words, box.width, LABEL_PT)
            top -= (
                write(
                    figure,
                    box.left,
                    top,
                    lines,
                    LABEL_PT,
                    gid=f"lifetime-reason-{number}",
                    color=INK if number == 0 else MUTED,
                )
                + 0.12
            )
        return None
    rule = wrap_to_width(
        f"Unreliable: {lifetime.rule}" if lifetime.rule else "", box.width, LABEL_PT
    )
    top -= write(figure, box.left, top, rule, LABEL_PT, gid="lifetime-rule", color=MUTED) + 0.18

    notes = [
        line for r in reasons for line in wrap_to_width(f"Not drawn – {r}", box.width, LABEL_PT)
    ]
    bottom = box.bottom + lines_height_in(len(notes), LABEL_PT)
    write(figure, box.left, bottom, notes, LABEL_PT, gid="lifetime-note", color=MUTED)
    table_top = bottom + ROW_IN * (len(groups) + 1) + 0.05
    data = Box(
        box.left + SCALE_ROOM_IN,
        table_top + TICKS_IN + AXIS_NAME_IN,
        box.width - SCALE_ROOM_IN - LABEL_ROOM_IN,
        top - table_top - TICKS_IN - AXIS_NAME_IN,
    )
    ax = figure.add_axes(data.of_figure, gid="lifetime")
    _draw_curves(ax, groups)
    _write_names(figure, data, ax, groups)
    ticks = _draw_time_scale(figure, data, ax)
    _write_at_risk(figure, data, ax, groups, ticks, table_top)
    return ax


def _draw_curves(ax: Axes, groups: dict[str, list[CurvePoint]]) -> None:
    looks = group_looks(list(groups))
    for group, points in groups.items():
        time = np.array([p.time for p in points])
        look = looks[group]
        ax.fill_between(
            time,
            [p.low for p in points],
            [p.high for p in points],
            step="post",
            color=look.color,
            alpha=0.12,
            linewidth=0,
            gid=f"band-{group}",
        )
        sns.lineplot(
            x=time,
            y=[p.probability for p in points],
            ax=ax,
            estimator=None,
            sort=False,
            drawstyle="steps-post",
            color=look.color,
            linestyle=look.linestyle,
            linewidth=3.5,
            legend=False,
        )
        ax.lines[-1].set_gid(f"reliable-{group}")
    last = max(p.time for points in groups.values() for p in points)
    ax.set_xlim(0.0, last * 1.02 or 1.0)
    ax.set_ylim(0.0, 1.03)
    ticks = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
    ax.yaxis.set_major_locator(FixedLocator(ticks))
    ax.yaxis.set_major_formatter(FixedFormatter([f"{100 * t:.0f}" for t in ticks]))
    ax.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.tick_params(axis="y", length=0)
    sns.despine(ax=ax)


def _draw_time_scale(figure: Figure, data: Box, ax: Axes) -> list[float]:
    last = ax.get_xlim()[1]
    months = last > SHORT_DAYS
    factor = DAYS_PER_MONTH if months else 1.0
    span = last / factor
    step = (
        next(s for s in (1, 2, 3, 6, 12, 24, 36, 60, 120, 10**6) if span / s <= 5.5 or s == 10**6)
        if months
        else next(s for s in (1, 2, 5, 7, 14, 28) if span / s <= 5.5 or s == 28)
    )
    marks = np.arange(0, span, step)
    ax.xaxis.set_major_locator(FixedLocator(marks * factor))
    ax.xaxis.set_major_formatter(FixedFormatter([f"{m:,.0f}" for m in marks]))
    ax.tick_params(axis="x", length=5)
    write(
        figure,
        data.left + data.width / 2,
        data.bottom - TICKS_IN,
        ["months held" if months else "days held"],
        LABEL_PT,
        gid="axis-name",
        align="center",
    )
    return [float(m * factor) for m in marks]


def _write_names(figure: Figure, data: Box, ax: Axes, groups: dict[str, list[CurvePoint]]) -> None:
    """Each group's name beside the end of its curve."""
    looks = group_looks(list(groups))
    y_low, y_high = ax.get_ylim()
    ordered = sorted(groups, key=lambda g: (groups[g][-1].probability, g))
    wanted = [
        data.bottom + (groups[g][-1].probability - y_low) / (y_high - y_low) * data.height
        for g in ordered
    ]
    room = lines_height_in(1, LABEL_PT)
    centres = spread_apart(wanted, [room] * len(ordered), data.bottom, data.top + 0.1)
    x_low, x_high = ax.get_xlim()
    for group, centre in zip(ordered, centres, strict=True):
        write(
            figure,
            data.right + 0.2,
            centre + room / 2,
            [group],
            LABEL_PT,
            gid=f"group-{group}",
            weight="bold",
            color=_hex(looks[group].color),
        )
        end = groups[group][-1]
        ax.annotate(
            "",
            xy=(end.time, end.probability),
            xytext=(
                (data.right + 0.16 - data.left) / data.width,
                (centre - data.bottom) / data.height,
            ),
            textcoords="axes fraction",
            arrowprops={
                "arrowstyle": "-",
                "color": MUTED,
                "linewidth": 0.9,
                "shrinkA": 0,
                "shrinkB": 3,
            },
            annotation_clip=False,
        )


def _write_at_risk(
    figure: Figure,
    data: Box,
    ax: Axes,
    groups: dict[str, list[CurvePoint]],
    ticks: Sequence[float],
    top: float,
) -> None:
    looks = group_looks(list(groups))
    write(
        figure,
        data.left - 0.2,
        top,
        ["sources still followed"],
        LABEL_PT,
        gid="at-risk-heading",
        color=MUTED,
    )
    x_high = ax.get_xlim()[1]
    for number, (group, points) in enumerate(groups.items()):
        row = top - ROW_IN * (number + 1)
        write(
            figure,
            data.right + 0.2,
            row,
            [group],
            LABEL_PT,
            gid=f"at-risk-group-{group}",
            color=_hex(looks[group].color),
        )
        for tick in ticks:
            write(
                figure,
                data.left + tick / x_high * data.width,
                row,
                [f"{at_risk_at(points, tick):,}"],
                LABEL_PT,
                gid=f"at-risk-{group}",
                align="center",
            )


def _hex(color: tuple[float, float, float]) -> str:
    return "#" + "".join(f"{round(255 * c):02x}" for c in color)
