"""Where refrigerated and frozen can be compared: age, kind and storage of every trial."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator

from outcomes.analysis.decisions.overlap import FEWEST_SOURCES, KindOverlap, few_sources
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header
from outcomes.draw.theme import (
    DAYS_PER_MONTH,
    FITTED,
    HAIRLINE,
    HEADING_PT,
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
from outcomes.text import count

NOTHING = "No source was kept in one way long enough to be compared"
AXIS_AGE = "age of the source, months"
SHARED = "shaded: tried both ways at the same age"
AXIS_IN = 0.75
MOST_NAME_IN = 2.6
MOST_THIN = 4
MOST_ROW_IN = 1.4
LEAST_ROW_IN = 0.5
_LOOK = {"frozen": (FITTED, "|"), "refrigerated": (INK, "x")}
_OFFSET = {"frozen": -0.2, "refrigerated": 0.2}


def draw_overlap_figure(
    kinds: Sequence[KindOverlap], title: str | None = None, subtitle: str = "", footer: str = ""
) -> Figure:
    """Draw every trial by the age of its source, one lane a kind, frozen above refrigerated.

    Shaded is where a kind was tried both ways at the same age: only there can
    the two be compared.

    Parameters
    ----------
    kinds
        In the order to be drawn; where there is no room, the first of them.
    title, subtitle, footer
        Words from outside; without a title, which kinds can be compared, and
        without a subtitle, which of them on few sources.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        top = write_header(figure, title or _title(kinds), subtitle or _subtitle(kinds))
        bottom = write_footer(figure, footer)
        if kinds:
            _draw(figure, Box(MARGIN_IN, bottom, WIDTH_IN - 2 * MARGIN_IN, top - bottom), kinds)
    return figure


def _title(kinds: Sequence[KindOverlap]) -> str:
    if not kinds:
        return NOTHING
    both = [k.kind for k in kinds if k.shared_from is not None]
    if not both:
        return "No kind was tried both refrigerated and frozen at the same age"
    thin = {kind for kind, _, _ in few_sources(kinds)}
    firm = [kind for kind in both if kind not in thin]
    fewest = f"with {FEWEST_SOURCES} sources or more of each"
    if not firm:
        return f"No kind was tried refrigerated and frozen at the same age {fewest}"
    if len(firm) == len(kinds):
        return f"Every kind was tried refrigerated and frozen at the same age, {fewest}"
    named = firm[0] if len(firm) == 1 else f"{', '.join(firm[:-1])} and {firm[-1]}"
    if len(firm) > 3:
        named = f"{len(firm)} of {len(kinds)} kinds"
    return f"Refrigerated and frozen can be compared for {named} only, {fewest}"


def _subtitle(kinds: Sequence[KindOverlap]) -> str:
    """Which kinds rest on few sources, and on how many; nothing where none does."""
    few = few_sources(kinds)
    if not few:
        return ""
    told = [f"{kind} ({count(sources, f'{way} source')})" for kind, way, sources in few]
    named = ", ".join(told[:MOST_THIN])
    if len(told) > MOST_THIN:
        named += f" and {len(told) - MOST_THIN} more"
    return f"Tried both ways, but on few sources: {named}. What shows there may be those alone."


def _draw(figure: Figure, box: Box, kinds: Sequence[KindOverlap]) -> None:
    room = box.height - AXIS_IN - lines_height_in(1, LABEL_PT) - 0.1
    shown = list(kinds)[: max(int(room / LEAST_ROW_IN), 1)]
    note = SHARED
    if len(shown) < len(kinds):
        note += f"; {len(shown)} of {len(kinds)} kinds"
    top = (
        box.top - write(figure, box.left, box.top, [note], LABEL_PT, gid="note", color=MUTED) - 0.1
    )
    names = [wrap_to_width(k.kind, MOST_NAME_IN, HEADING_PT, "bold") for k in shown]
    firsts = [n[0] if len(n) == 1 else f"{n[0][:-1]}…" for n in names]
    left = max(text_width_in(name, HEADING_PT, "bold") for name in firsts) * 1.03 + 0.25
    counts = [_counts(k) for k in shown]
    right = max(text_width_in(line, LABEL_PT) for lines in counts for line in lines) * 1.03 + 0.25
    pitch = min(room / len(shown), MOST_ROW_IN)
    height = pitch * len(shown)
    data = Box(box.left + left, top - height, box.width - left - right, height)
    ax = figure.add_axes(data.of_figure, gid="overlap")
    ax.set_ylim(len(shown) - 0.5, -0.5)
    oldest = max((ages[-1] for k in shown for ages in k.ages.values() if ages), default=30.0)
    ax.set_xlim(0.0, 1.03 * oldest)
    for number, kind in enumerate(shown):
        _draw_kind(ax, number, kind)
        middle = data.top - (number + 0.5) * pitch
        write(figure, box.left, middle + lines_height_in(1, HEADING_PT) / 2, [firsts[number]],
              HEADING_PT, gid="kind", weight="bold")  # fmt: skip
        for way, line in zip(_OFFSET, counts[number], strict=True):
            at = middle - _OFFSET[way] * pitch + lines_height_in(1, LABEL_PT) / 2
            write(figure, data.right + 0.25, at, [line], LABEL_PT, gid="count",
                  color=_LOOK[way][0])  # fmt: skip
    months = max(round(oldest / DAYS_PER_MONTH / 8 / 3) * 3, 1)
    marks = list(range(0, int(1.03 * oldest / DAYS_PER_MONTH) + 1, months))
    ax.xaxis.set_major_locator(FixedLocator([DAYS_PER_MONTH * mark for mark in marks]))
    ax.xaxis.set_major_formatter(FixedFormatter([str(mark) for mark in marks]))
    ax.tick_params(axis="x", labelsize=LABEL_PT, length=5)
    ax.tick_params(axis="y", left=False, labelleft=False)
    ax.set_xlabel(AXIS_AGE, fontsize=LABEL_PT + 2, labelpad=6)
    for side in ("left", "right", "top"):
        ax.spines[side].set_visible(False)


def _counts(kind: KindOverlap) -> list[str]:
    """Trials and sources of each way, the upper row first."""
    lines = []
    for way in _OFFSET:
        trials, sources = len(kind.ages[way]), kind.sources[way]
        told = f"{count(trials, 'trial')}, {count(sources, 'source')}" if trials else "not tried"
        lines.append(f"{way}: {told}")
    return lines


def _draw_kind(ax: Axes, number: int, kind: KindOverlap) -> None:
    ax.axhspan(number - 0.44, number + 0.44, color=LANE, zorder=0.1, gid="lane")
    if kind.shared_from is not None and kind.shared_to is not None:
        ax.fill_betweenx(
            [number - 0.44, number + 0.44], kind.shared_from, kind.shared_to, color=HAIRLINE,
            linewidth=0.0, zorder=0.3, gid="shared",
        )  # fmt: skip
    for way, offset in _OFFSET.items():
        color, marker = _LOOK[way]
        ages = np.array(kind.ages[way])
        if not len(ages):
            continue
        at = np.full(len(ages), number + offset)
        ax.plot([ages[0], ages[-1]], [at[0]] * 2, color=color, linewidth=1.2, gid=f"range {way}",
                zorder=1)  # fmt: skip
        ax.plot(ages, at, marker=marker, markersize=13 if marker == "|" else 8, color=color,
                markeredgewidth=1.6, linestyle="none", gid=f"trials {way}", zorder=2,
                clip_on=False)  # fmt: skip
