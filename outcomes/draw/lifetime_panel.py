"""The panel of time until a source counts as unreliable, by regime."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator
from numpy.typing import NDArray

from outcomes.analysis.results import ChanceAlone, CurvePoint, Lifetime
from outcomes.draw.theme import (
    ALONE,
    DAYS_PER_MONTH,
    HAIRLINE,
    HEADING_PT,
    INK,
    LABEL_PT,
    MUTED,
    Box,
    Sheet,
    lines_height_in,
    open_frame,
    text_width_in,
    wrap_to_width,
    write,
)
from outcomes.wording.lifetime import (
    describe_chance_in_short,
    describe_lifetime,
    describe_rule_in_short,
)

HEADING = "Sources still reliable, in 100"
NO_CURVE = "Time to unreliable: no curve"
ALL_SOURCES = "all sources"  # the group where no regime has a curve of its own
CHANCE = "#8b959b"
LATE_START = "Each curve is about the sources still reliable where it begins."
ROW_IN = 0.27
TICKS_IN = 0.36
AXIS_NAME_IN = 0.34
NAME_GAP_IN = 0.15
SCALE_ROOM_IN = 0.55

Curves = Mapping[str, Sequence[CurvePoint]]


@dataclass(frozen=True, slots=True)
class GroupLook:
    """How a group's curve is told from the others, in colour and in grey."""

    color: str
    linestyle: str | tuple[float, tuple[float, ...]]


def group_looks(groups: Sequence[str]) -> dict[str, GroupLook]:
    """A colour and a line style for each group; a regime always has the same ones."""
    # Apart in lightness too: blue, green, orange, purple and grey that the colour-blind tell apart.
    known = {
        "frozen": GroupLook("#015584", "-"),
        "mixed": GroupLook("#027958", (0, (1, 1))),
        "refrigerated": GroupLook("#a06704", (0, (4, 1.5))),
    }
    others = (
        GroupLook("#823172", (0, (4, 1, 1, 1))),
        GroupLook("#595959", (0, (7, 2))),
    )
    strangers = [g for g in groups if g not in known]
    return {g: known[g] if g in known else others[strangers.index(g) % len(others)] for g in groups}


def followed_at(lifetime: Lifetime, group: str, time: float) -> int:
    """Sources of a drawn group followed on a day, for the table under the curves.

    Counted from ``lifetime.followed`` where it is there (ends included), else
    taken from the first step of the curve at or after that day; 0 past the last.
    """
    followed = lifetime.followed
    if len(followed):
        own = followed[followed["in_curve"].astype(bool)]
        regimes = set(own["regime"])
        if group in regimes:
            own = own[own["regime"] == group]
        return int(((own["entry_days"] <= time) & (own["exit_days"] >= time)).sum())
    points = [p for p in lifetime.curve if p.group == group]
    return next((p.at_risk for p in points if p.time >= time), 0)


def _is_flat(points: Sequence[CurvePoint]) -> bool:
    """Whether none of the group met the rule."""
    return all(p.probability == 1.0 for p in points)


def _by_group(lifetime: Lifetime) -> dict[str, list[CurvePoint]]:
    curves: dict[str, list[CurvePoint]] = {}
    for point in lifetime.curve:
        curves.setdefault(point.group, []).append(point)
    return curves


def draw_lifetime_panel(
    figure: Figure, box: Box, lifetime: Lifetime, sheet: Sheet = ALONE
) -> Axes | None:
    """Draw the step curves with numbers followed inside ``box``, or the reason for none.

    Parameters
    ----------
    figure
        The sheet.
    box
        Room for everything, with the probability scale on the left and the
        groups' names on the right.
    lifetime
        What was estimated; ``curve`` may be empty.
    sheet
        What the figure is drawn on; within a page the rule stands beside it.

    Returns
    -------
    matplotlib.axes.Axes or None
        The axes that hold the curves; ``None`` where there are none.
    """
    top = box.top
    curves = _by_group(lifetime)
    if not curves:
        _write_reasons(figure, box, lifetime, sheet)
        return None
    top -= write(figure, box.left, top, [HEADING], HEADING_PT, gid="lifetime-heading",
                 weight="bold")  # fmt: skip
    notes = [
        line
        for note in _notes(lifetime, curves, with_rule=sheet.alone)
        for line in wrap_to_width(note, box.width, sheet.small_pt)
    ]
    bottom = box.bottom + lines_height_in(len(notes), sheet.small_pt)
    write(figure, box.left, bottom, notes, sheet.small_pt, gid="lifetime-note", color=MUTED)
    table_top = bottom + ROW_IN * (len(curves) + 1) + 0.12
    below = table_top + TICKS_IN + AXIS_NAME_IN
    names = max(text_width_in(group, LABEL_PT, "bold") for group in curves) * 1.03
    data = Box(
        box.left + SCALE_ROOM_IN,
        below,
        box.width - SCALE_ROOM_IN - NAME_GAP_IN - names,
        top - 0.18 - below,
    )
    ax = figure.add_axes(data.on(figure), gid="lifetime")
    falling = [group for group, points in curves.items() if not _is_flat(points)]
    _draw_chance(ax, lifetime.chance, falling)
    _draw_curves(ax, curves)
    _write_names(figure, data, ax, curves)
    ticks = _draw_time_scale(figure, data, ax)
    _write_followed(figure, data, ax, lifetime, list(curves), ticks, table_top)
    return ax


def _notes(lifetime: Lifetime, curves: Curves, *, with_rule: bool) -> list[str]:
    notes = [f"Not drawn – {group}: {reason}." for group, reason in lifetime.not_drawn.items()]
    if any(points[0].time > 0 for points in curves.values()):
        notes.append(LATE_START)
    if lifetime.chance is not None and not all(map(_is_flat, curves.values())):
        notes.append(describe_chance_in_short(lifetime, lifetime.chance))
    flat = [group for group, points in curves.items() if _is_flat(points)]
    if flat:
        ones = "sources" if flat == [ALL_SOURCES] else f"{' or '.join(flat)} ones"
        notes.append(f"None of the {ones} met the rule; dotted: the lower bound.")
    if with_rule and lifetime.rule is not None:
        notes.append(f"Unreliable: {describe_rule_in_short(lifetime)}.")
    return [f"{note.rstrip('.')}." for note in notes]


def _reasons(lifetime: Lifetime) -> list[str]:
    reasons = [f"{group}: {reason}" for group, reason in lifetime.not_drawn.items()]
    return [describe_lifetime(lifetime), *reasons]


def _write_reasons(figure: Figure, box: Box, lifetime: Lifetime, sheet: Sheet) -> None:
    """Why there is no curve, in letters as large as an answer's."""
    top = box.top
    if not sheet.alone:  # a slide says so in its title
        top -= write(figure, box.left, top, [NO_CURVE], HEADING_PT, gid="lifetime-heading",
                     weight="bold") + 0.12  # fmt: skip
    for number, words in enumerate(_reasons(lifetime)):
        size = LABEL_PT if number or not sheet.alone else HEADING_PT
        lines = wrap_to_width(words, box.width, size)
        color = INK if number == 0 else MUTED
        gid = f"lifetime-reason-{number}"
        top -= write(figure, box.left, top, lines, size, gid=gid, color=color) + 0.12


def _draw_chance(ax: Axes, chance: ChanceAlone | None, groups: Sequence[str]) -> None:
    """Behind each falling curve, in grey, what it would be by chance alone."""
    looks = group_looks(groups)
    if chance is None:
        return
    for group in groups:
        points = [p for p in chance.curve if p.group == group]
        time = [p.time for p in points]
        ax.fill_between(
            time,
            [p.low for p in points],
            [p.high for p in points],
            color=CHANCE,
            alpha=0.3,
            linewidth=0,
            gid=f"chance-band-{group}",
        )
        ax.plot(
            time,
            [p.probability for p in points],
            color=CHANCE,
            linestyle=looks[group].linestyle,
            linewidth=2.0,
            gid=f"chance-{group}",
        )


def _draw_curves(ax: Axes, curves: Curves) -> None:
    looks = group_looks(list(curves))
    for group, points in curves.items():
        time = np.array([p.time for p in points])
        look = looks[group]
        if _is_flat(points):
            # A band from the bound up would lie over all else; one line says as much.
            ax.plot(
                time,
                [p.low for p in points],
                drawstyle="steps-post",
                color=look.color,
                linestyle=(0, (1, 2)),
                linewidth=1.4,
                gid=f"bound-{group}",
            )
        else:
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
        ax.plot(
            time,
            [p.probability for p in points],
            drawstyle="steps-post",
            color=look.color,
            linestyle=look.linestyle,
            linewidth=3.5,
            gid=f"reliable-{group}",
        )
    last = max(p.time for points in curves.values() for p in points)
    ax.set_xlim(0.0, last * 1.02 or 1.0)
    ax.set_ylim(0.0, 1.03)
    ticks = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
    ax.yaxis.set_major_locator(FixedLocator(ticks))
    ax.yaxis.set_major_formatter(FixedFormatter([f"{100 * t:.0f}" for t in ticks]))
    ax.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.tick_params(axis="y", length=0)
    open_frame(ax)


def month_marks(months: float, most: float) -> NDArray[np.float64]:
    """Marks of a scale of months from 0: as many round ones as fit, parts of a month too."""
    steps = (0.05, 0.1, 0.25, 0.5, 1, 2, 3, 6, 12, 24, 36, 60, 120)
    step = next((s for s in steps if months / s <= most), steps[-1])
    return np.arange(0.0, months, step)


def _draw_time_scale(figure: Figure, data: Box, ax: Axes) -> list[float]:
    last = ax.get_xlim()[1]
    marks = month_marks(last / DAYS_PER_MONTH, 5.5)
    ticks = [float(m) * DAYS_PER_MONTH for m in marks]
    ax.xaxis.set_major_locator(FixedLocator(ticks))
    ax.xaxis.set_major_formatter(FixedFormatter([f"{m:,g}" for m in marks]))
    ax.tick_params(axis="x", length=5)
    write(
        figure,
        data.left + data.width / 2,
        data.bottom - TICKS_IN,
        ["months held"],
        LABEL_PT,
        gid="axis-name",
        align="center",
    )
    return ticks


def _write_names(figure: Figure, data: Box, ax: Axes, curves: Curves) -> None:
    """Each group's name beside the end of its curve, where no curve or other name lies."""
    looks = group_looks(list(curves))
    x_high, y_high = ax.get_xlim()[1], ax.get_ylim()[1]

    def on_sheet(time: float, probability: float) -> tuple[float, float]:
        return data.left + time / x_high * data.width, data.bottom + (
            probability / y_high * data.height
        )

    segments = [
        Box(x0, min(y0, y1), x1 - x0, abs(y1 - y0))
        for points in curves.values()
        for (x0, y0), (x1, y1) in pairwise(on_sheet(p.time, p.probability) for p in points)
    ]
    segments += [
        Box(x0, min(y0, y1), x1 - x0, abs(y1 - y0))
        for points in curves.values()
        if _is_flat(points)
        for (x0, y0), (x1, y1) in pairwise(on_sheet(p.time, p.low) for p in points)
    ]
    taken: list[Box] = []
    height = lines_height_in(1, LABEL_PT)
    for group in sorted(curves, key=lambda g: (-curves[g][-1].time, g)):
        width = text_width_in(group, LABEL_PT, "bold") * 1.02
        end_x, end_y = on_sheet(curves[group][-1].time, curves[group][-1].probability)
        label = _free_place(data, (end_x, end_y), (width, height), [*segments, *taken])
        taken.append(label)
        write(
            figure,
            label.left,
            label.top,
            [group],
            LABEL_PT,
            gid=f"group-{group}",
            weight="bold",
            color=looks[group].color,
            halo=True,
        )
        middle = label.bottom + height / 2
        if label.left - end_x > 0.3 or abs(middle - end_y) > 0.3:
            ax.annotate(
                "",
                xy=((end_x - data.left) / data.width, (end_y - data.bottom) / data.height),
                xytext=(
                    (label.left - 0.04 - data.left) / data.width,
                    (middle - data.bottom) / data.height,
                ),
                xycoords="axes fraction",
                textcoords="axes fraction",
                arrowprops={"arrowstyle": "-", "color": MUTED, "linewidth": 0.9, "shrinkA": 0},
                annotation_clip=False,
            )


def _free_place(
    data: Box, end: tuple[float, float], size: tuple[float, float], taken: Sequence[Box]
) -> Box:
    """The place nearest to a curve's end, beside it or in the margin, that is not taken."""
    width, height = size
    beside, margin = end[0] + 0.1, data.right + NAME_GAP_IN
    lowest, highest = data.bottom, data.top - height
    wanted = float(np.clip(end[1] - height / 2, lowest, highest))
    steps = np.arange(lowest, highest, 0.05)
    rows = [wanted, *sorted(steps.tolist(), key=lambda y: abs(y - wanted))]
    near = [y for y in rows if abs(y - wanted) <= 0.4]
    places = [
        *(Box(beside, y, width, height) for y in near if beside <= margin),
        *(Box(margin, y, width, height) for y in rows),
    ]
    return next((place for place in places if not any(_touch(place, t) for t in taken)), places[-1])


def _touch(one: Box, other: Box) -> bool:
    gap = 0.04
    return (
        one.left < other.right + gap
        and other.left < one.right + gap
        and one.bottom < other.top + gap
        and other.bottom < one.top + gap
    )


def _write_followed(
    figure: Figure,
    data: Box,
    ax: Axes,
    lifetime: Lifetime,
    groups: Sequence[str],
    ticks: Sequence[float],
    top: float,
) -> None:
    looks = group_looks(groups)
    x_high = ax.get_xlim()[1]
    write(
        figure,
        data.left - 0.2,
        top,
        ["sources followed"],
        LABEL_PT,
        gid="followed-heading",
        color=MUTED,
    )
    for number, group in enumerate(groups):
        row = top - ROW_IN * (number + 1)
        write(
            figure,
            data.right + NAME_GAP_IN,
            row,
            [group],
            LABEL_PT,
            gid=f"followed-group-{group}",
            color=looks[group].color,
        )
        for tick in ticks:
            # Nobody followed is no fall to nothing: a curve begins at the first trials.
            followed = followed_at(lifetime, group, tick)
            write(
                figure,
                data.left + tick / x_high * data.width,
                row,
                ["–" if followed == 0 else f"{followed:,}"],
                LABEL_PT,
                gid=f"followed-{group}",
                align="center",
            )
