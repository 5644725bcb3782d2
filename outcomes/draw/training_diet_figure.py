"""False alerts on blank areas against the cycles of what the dog had been trained on lately."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import log

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from outcomes.analysis.searches.training_history import (
    DietBin,
    DietPoint,
    TrainingDiet,
    few_dogs_words,
)
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    HAIRLINE,
    HEADING_PT,
    HEIGHT_IN,
    INK,
    LABEL_PT,
    MUTED,
    WIDTH_IN,
    Box,
    lines_height_in,
    spread_apart,
    text_width_in,
    theme,
    wrap_to_width,
    write,
)
from outcomes.models.ratio import Estimate, change, power, sized

NOTHING = (
    "Whether training on sources with more cycles comes before false alerts cannot be said yet"
)
HEADING = "False alerts on 100 blank areas"
_STEP = 10
_SCALE_IN = 0.75
_ROW_IN = 0.62
_AXIS_IN = 0.8
_NAMES_IN = 2.75
_GAP_IN = 0.12


def draw_training_diet_figure(
    diet: TrainingDiet,
    footer: str,
    *,
    confidence: float,
    title: str | None = None,
    subtitle: str = "",
) -> Figure:
    """Draw what was observed in groups, and the model where there are blank areas near.

    Parameters
    ----------
    diet
        Its ``bins`` and ``curve`` are drawn; without either, its sentence is
        written.
    footer
        What stands behind the figure: unit and records.
    confidence
        Of the intervals in ``diet``.
    title, subtitle
        Words from outside; without them, what the model says.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        if not diet.bins:
            beside = [f"Left out: {x.reason}" for x in diet.left_out]
            write_reason(figure, title or NOTHING, diet.sentence, footer, beside)
            return figure
        term = next((t for t in diet.alone if t.term == "diet_cycles"), None)
        top = write_header(
            figure, title or _title(term), subtitle or _subtitle(diet, term, confidence)
        )
        bottom = write_footer(figure, footer)
        top -= write(figure, MARGIN_IN, top, [HEADING], HEADING_PT, gid="heading", weight="bold")
        below = bottom + _ROW_IN + _AXIS_IN
        data = Box(
            MARGIN_IN + _SCALE_IN,
            below,
            WIDTH_IN - 2 * MARGIN_IN - _SCALE_IN - _NAMES_IN,
            top - 0.15 - below,
        )
        ax = figure.add_axes(data.of_figure, gid="training-diet")
        _draw_curve(ax, diet.curve)
        for group in diet.bins:
            _draw_bin(ax, group)
        _scale(ax, diet)
        write(figure, data.left + data.width / 2, data.bottom - 0.38,
              [f"mean cycles of the sources trained on in the {diet.days} days before"],
              LABEL_PT + 2, gid="axis-name", align="center")  # fmt: skip
        _write_counts(figure, ax, data, diet.bins)
        _write_names(figure, ax, data, diet, confidence)
    return figure


def _title(term: Estimate | None) -> str:
    if term is None:
        return NOTHING
    after = "after training on sources with more cycles"
    if term.low > 1.0:
        return f"False alerts on blank areas were more frequent {after}"
    if term.high < 1.0:
        return f"False alerts on blank areas were less frequent {after}"
    return f"That false alerts on blank areas change {after} does not show"


def _subtitle(diet: TrainingDiet, term: Estimate | None, confidence: float) -> str:
    without = "".join(f" Without {x.reason}." for x in diet.left_out if x.term == "blank areas")
    if term is None:
        why = diet.reason or "the cycles of what the dogs trained on do not vary within dogs"
        return f"{why[:1].upper()}{why[1:]}. Circles show what was observed.{without}"
    middle, low, high = (
        change(power(x, _STEP), "more", "fewer", "as many")
        for x in (term.log_ratio, log(term.low), log(term.high))
    )
    few = "".join(f" {words}" for words in (few_dogs_words(diet.dogs),) if words)
    interval = f"{100 * confidence:g} % interval"
    lately = f"rained lately on sources with {_STEP} more cycles, "
    if not sized(term.low, term.high, _STEP):
        told = f"How false alerts change when t{lately}these records cannot tell"
        if not term.low <= 1.0 <= term.high:
            way = "more" if term.low > 1.0 else "fewer"
            told = f"T{lately}a dog gave {way} false alerts, by how much these records cannot tell"
    elif term.low <= 1.0 <= term.high:
        told = (
            f"No change in false alerts shows: t{lately}anything from {low} to {high} fits these "
            f"records ({interval})"
        )
    else:
        told = f"T{lately}a dog gave {middle} false alerts ({interval}: {low} to {high})"
    return (
        f"{told}, each dog compared with itself: "
        f"{diet.alerts:,} false alerts on {diet.blanks:,} blank areas by {diet.dogs:,} dogs. "
        f"Whatever else changed with the calendar is in this too.{few}{without}"
    )


def _draw_curve(ax: Axes, curve: Sequence[DietPoint]) -> None:
    for part in _unbroken(curve):
        at = [p.cycles for p in part]
        ax.fill_between(at, [100.0 * p.low for p in part], [100.0 * p.high for p in part],
                        color=FITTED, alpha=0.14, linewidth=0.0, gid="band")  # fmt: skip
        ax.plot(at, [100.0 * p.rate for p in part], color=FITTED, linewidth=3.6, gid="fitted")


def _unbroken(curve: Sequence[DietPoint]) -> list[list[DietPoint]]:
    """The runs of neighbouring points: nothing is drawn across a stretch without blank areas."""
    if not curve:
        return []
    step = min((b.cycles - a.cycles for a, b in pairwise(curve)), default=0.0)
    parts = [[curve[0]]]
    for before, point in pairwise(curve):
        if point.cycles - before.cycles > 1.5 * step:
            parts.append([])
        parts[-1].append(point)
    return parts


def _draw_bin(ax: Axes, group: DietBin) -> None:
    ax.plot([group.low, group.high], [100.0 * group.rate] * 2, color=MUTED, linewidth=1.2,
            gid="covers", zorder=2)  # fmt: skip
    ax.plot([group.mean] * 2, [100.0 * group.rate_low, 100.0 * group.rate_high], color=INK,
            linewidth=2.0, gid="observed-interval", zorder=3)  # fmt: skip
    ax.plot([group.mean], [100.0 * group.rate], marker="o", markersize=13, markerfacecolor="white",
            markeredgecolor=INK, markeredgewidth=2.4, linestyle="none", clip_on=False,
            gid="observed", zorder=4)  # fmt: skip


def _scale(ax: Axes, diet: TrainingDiet) -> None:
    first, last = diet.bins[0].low, diet.bins[-1].high
    room = 0.04 * (last - first) or 0.5
    ax.set_xlim(first - room, last + room)
    tops = [b.rate_high for b in diet.bins] + [p.rate for p in diet.curve]
    # The band may run off the top at its ends, where it would flatten everything else.
    reach = min(max([*tops, *(p.high for p in diet.curve)]), 1.6 * max(tops))
    ax.set_ylim(0.0, 108.0 * reach)
    ax.xaxis.set_major_locator(MaxNLocator(8))
    ax.yaxis.set_major_locator(MaxNLocator(6))
    ax.grid(axis="y", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.tick_params(labelsize=LABEL_PT + 2, length=5)
    ax.tick_params(axis="y", length=0)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)


def _write_counts(figure: Figure, ax: Axes, data: Box, bins: Sequence[DietBin]) -> None:
    """False alerts and blank areas behind each circle, below it as near as they fit."""
    low, high = ax.get_xlim()
    wanted = [data.left + data.width * (b.mean - low) / (high - low) for b in bins]
    words = [f"{b.alerts:,} on {b.blanks:,}" for b in bins]
    sizes = [text_width_in(w, LABEL_PT) + 0.25 for w in words]
    at = spread_apart(wanted, sizes, data.left - 0.3, data.right + 0.6)
    top = data.bottom - _AXIS_IN + 0.02
    write(figure, MARGIN_IN, top, ["false alerts on blank areas in each circle"], LABEL_PT,
          gid="counts-heading", color=MUTED)  # fmt: skip
    for place, told in zip(at, words, strict=True):
        write(figure, float(place), top - lines_height_in(1, LABEL_PT), [told], LABEL_PT,
              gid="counts", align="center")  # fmt: skip


def _write_names(
    figure: Figure, ax: Axes, data: Box, diet: TrainingDiet, confidence: float
) -> None:
    interval = f"{100 * confidence:g} % interval"
    blocks = [
        ("observed-name", f"circles: observed, with the exact {interval}", INK, "normal"),
        ("covers-name", "sideways: the cycles each covers", MUTED, "normal"),
    ]
    if diet.curve:
        blocks.insert(0, ("fitted-name", "line: the model", FITTED, "bold"))
        blocks.insert(1, ("band-name", f"band: its {interval}", MUTED, "normal"))
    else:
        blocks.append(("no-line", "no line: too few for a model", MUTED, "normal"))
    wrapped = [
        (gid, wrap_to_width(words, _NAMES_IN - 0.2, LABEL_PT, weight), color, weight)
        for gid, words, color, weight in blocks
    ]
    height = sum(lines_height_in(len(lines), LABEL_PT) + _GAP_IN for _, lines, _, _ in wrapped)
    reach = ax.get_ylim()[1]
    end = 100.0 * (diet.curve[-1].rate if diet.curve else diet.bins[-1].rate)
    wanted = data.bottom + data.height * end / reach + lines_height_in(1, LABEL_PT) / 2
    top = min(max(wanted, data.bottom + height), data.top)
    for gid, lines, color, weight in wrapped:
        top -= write(figure, data.right + 0.2, top, lines, LABEL_PT, gid=gid, color=color,
                     weight=weight) + _GAP_IN  # fmt: skip
