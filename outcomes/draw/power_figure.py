"""Power over weeks: how often a plan of that length would show the difference."""

from __future__ import annotations

from math import ceil

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator

from outcomes.draw.sheet import MARGIN_IN, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    FLOOR,
    FOOTER_PT,
    HEADING_PT,
    HEIGHT_IN,
    INK,
    LABEL_PT,
    MUTED,
    WIDTH_IN,
    Box,
    lines_height_in,
    open_frame,
    text_width_in,
    theme,
    wrap_to_width,
    write,
)
from outcomes.planning.document import Plan, PowerAt
from outcomes.text import of_100
from outcomes.wording.plan_power import (
    ENOUGH,
    describe_effect,
    describe_power_in_short,
    power_of_plan,
)

HEADING = "Plans of 100 that would show it"
AXIS = "length of the plan, weeks"
ENOUGH_WORDS = (f"{100.0 * ENOUGH:.0f}: usually", "asked for")
_SCALE_IN, _AXIS_IN, _RIGHT_IN = 0.75, 0.8, 1.4
_HIGH = 0.88  # power above which there is no room over a point
_MARK = 14
_WEEKS_APART = 3


def draw_power_figure(plan: Plan, footer: str) -> Figure:
    """Draw power against the length of the plan, its own length marked.

    Parameters
    ----------
    plan
        With ``power`` by weeks.
    footer
        Whose plan it is, and what it rests on.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        title = describe_power_in_short(plan)
        if not plan.power:
            write_reason(figure, title, "Power was not worked out for this plan.", footer)
            return figure
        effect = describe_effect(plan.effect)
        top = write_header(figure, title, f"If there is {effect}. Band: limits of the simulation.")
        bottom = _write_footer(figure, footer)
        write(figure, MARGIN_IN, top, [HEADING], HEADING_PT, gid="heading", weight="bold")
        box = Box(
            MARGIN_IN + _SCALE_IN,
            bottom + _AXIS_IN,
            WIDTH_IN - 2 * MARGIN_IN - _SCALE_IN - _RIGHT_IN,
            top - lines_height_in(1, HEADING_PT) - 0.1 - bottom - _AXIS_IN,
        )
        ax = figure.add_axes(box.of_figure, gid="power")
        _draw(figure, ax, box, plan)
    return figure


def _write_footer(figure: Figure, footer: str) -> float:
    """The footer: of a plan there is no association to caution of."""
    lines = wrap_to_width(footer, WIDTH_IN - 2 * MARGIN_IN, FOOTER_PT)
    height = lines_height_in(len(lines), FOOTER_PT)
    write(figure, MARGIN_IN, 0.25 + height, lines, FOOTER_PT, gid="footer", color=MUTED)
    return 0.25 + height + 0.2


def _draw(figure: Figure, ax: Axes, box: Box, plan: Plan) -> None:
    points = _shown(plan)
    weeks = np.array([p.weeks for p in points], dtype=float)
    power, low, high = (
        100.0 * np.array([getattr(p, name) for p in points]) for name in ("power", "low", "high")
    )
    right = ceil(weeks[-1] * 1.06)
    ax.set_xlim(0.0, right)
    ax.set_ylim(0.0, 102.0)
    ax.axhline(100.0 * ENOUGH, color=FLOOR, linewidth=2.4, linestyle=(0, (5, 2)), gid="enough")
    middle = box.bottom + box.height * ENOUGH / 1.02
    write(
        figure,
        box.right + 0.12,
        middle + lines_height_in(2, LABEL_PT) / 2,
        ENOUGH_WORDS,
        LABEL_PT,
        gid="enough-name",
        color=FLOOR,
    )
    ax.fill_between(weeks, low, high, color=FITTED, alpha=0.16, linewidth=0.0, gid="band")
    ax.plot(weeks, power, color=FITTED, linewidth=4.0, marker="o", markersize=_MARK - 3,
            markerfacecolor="white", markeredgewidth=2.8, gid="curve")  # fmt: skip
    own = power_of_plan(plan)
    if own is not None:
        ax.plot([own.weeks], [100.0 * own.power], marker="D", markersize=_MARK + 3, color=INK,
                linestyle="none", zorder=4, gid="own")  # fmt: skip
    _name_points(figure, ax, box, plan)
    ax.xaxis.set_major_locator(FixedLocator(weeks.tolist()))
    ax.yaxis.set_major_locator(FixedLocator([0, 20, 40, 60, 80, 100]))
    ax.set_xlabel(AXIS, fontsize=HEADING_PT, labelpad=8)
    ax.tick_params(labelsize=HEADING_PT, length=5)
    open_frame(ax)


def _shown(plan: Plan) -> list[PowerAt]:
    """Every point but those so near the plan's own that their numbers would touch."""
    own = power_of_plan(plan)
    return [
        p
        for p in sorted(plan.power, key=lambda p: p.weeks)
        if own is None or p.weeks == own.weeks or abs(p.weeks - own.weeks) >= _WEEKS_APART
    ]


def _name_points(figure: Figure, ax: Axes, box: Box, plan: Plan) -> None:
    """Each point's number below and right of it; the plan's own in words, away from those."""
    own = power_of_plan(plan)
    right = ax.get_xlim()[1]
    height = lines_height_in(1, HEADING_PT)
    for point in _shown(plan):
        x = box.left + box.width * point.weeks / right
        y = box.bottom + box.height * point.power / 1.02
        if own is None or point.weeks != own.weeks:
            write(figure, x + 0.2, max(y - 0.1, box.bottom + height + 0.05),
                  [of_100(point.power)], HEADING_PT, gid="number", color=FITTED,
                  halo=True)  # fmt: skip
            continue
        words = f"this plan: {of_100(point.power)} of 100"
        wide = 1.02 * text_width_in(words, HEADING_PT, "bold")
        if point.power > _HIGH:  # a line below the other numbers
            left, top = min(x + 0.2, box.right - wide), y - 0.1 - 1.2 * height
        else:
            left, top = max(x - wide - 0.1, box.left + 0.1), y + 0.25 + height
        write(figure, left, top, [words], HEADING_PT, gid="own-name", weight="bold", halo=True)
