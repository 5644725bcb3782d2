"""What goes along with sources becoming unreliable sooner or later, as ratios."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from outcomes.analysis.lifetimes.regression import CyclesAtAge, LifetimeTerm, WeibullLifetime
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
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
    drawable,
    lines_height_in,
    text_width_in,
    theme,
    wrap_to_width,
    write,
)

NOTHING = "What goes along with sources lasting longer cannot be put in numbers yet"
NOT_PARTED = (
    "A source tried more often has more cycles, and more chances to be called: these records "
    "cannot part the two."
)
MOST_KINDS = 6
_NAME_IN = 4.3
_NUMBER_IN = 3.1
_AXIS_IN = 0.85
_GAP_IN = 0.3
_MOST_ROW_IN = 1.2
_WIDEST = 32.0
_NARROWEST = 1.15
_TICKS = (
    (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0),
    (0.25, 0.5, 1.0, 2.0, 4.0),
    (0.4, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0),
    (0.6, 0.8, 1.0, 1.25, 1.5),
    (0.8, 0.9, 1.0, 1.1, 1.2, 1.3),
    (0.85, 0.9, 0.95, 1.0, 1.05, 1.1, 1.15),
)
_CYCLE_WORDS = {
    "cycles": "each further cycle",
    "trials_per_30_days": "tried twice as often",
}


@dataclass(frozen=True, slots=True)
class _Part:
    gid: str
    heading: str
    rows: tuple[tuple[str, LifetimeTerm], ...]
    behind: str
    ends: tuple[str, str]
    reason: str
    note: str = ""


def draw_lifetime_ratios_figure(
    weibull: WeibullLifetime,
    at_age: CyclesAtAge,
    footer: str,
    *,
    confidence: float,
    title: str | None = None,
    subtitle: str = "",
) -> Figure:
    """Draw the ratios of both models, each on a scale of its own where 1 is no change.

    Parameters
    ----------
    weibull
        Ratios of the days that sources stayed reliable.
    at_age
        Ratios of the hazard of becoming unreliable among sources of one age.
        Of either model, the reason stands in place of ratios it does not have.
    footer
        What stands behind the figure: unit and records.
    confidence
        Of the intervals in both.
    title, subtitle
        Words from outside; without them, what the ratios say.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        if not weibull.terms and not at_age.terms:
            write_reason(figure, title or NOTHING, weibull.sentence, footer, [at_age.sentence])
            return figure
        top = write_header(
            figure,
            title or _title(weibull.terms, at_age.terms),
            subtitle or _subtitle(weibull, confidence),
        )
        bottom = write_footer(figure, footer)
        parts = (_of_weibull(weibull), _of_age(at_age))
        count = sum(len(p.rows) for p in parts)
        fixed = sum(_fixed_height(p) for p in parts) + _GAP_IN
        row = min(_MOST_ROW_IN, (top - bottom - fixed) / count)
        for part in parts:
            top -= _draw_part(figure, top, part, row) + _GAP_IN
    return figure


def _of_weibull(model: WeibullLifetime) -> _Part:
    shown = [t for t in model.terms if t.term != "kind"]
    kinds = [t for t in model.terms if t.term == "kind"]
    rows = tuple((t.unit, t) for t in [*shown, *kinds[:MOST_KINDS]])
    return _Part(
        "days",
        "Days still reliable",
        rows,
        _behind(model.events, model.sources),
        ("← shorter", "longer →"),
        model.sentence,
    )


def _of_age(model: CyclesAtAge) -> _Part:
    return _Part(
        "hazard",
        "Chance of becoming unreliable, at the same age",
        tuple((_CYCLE_WORDS.get(t.term, t.term), t) for t in model.terms),
        _behind(model.events, model.sources),
        ("← lower", "higher →"),
        model.sentence,
        NOT_PARTED if model.terms and len(model.terms) == 1 else "",
    )


def _behind(events: int, sources: int) -> str:
    return f"{events:,} of {sources:,} sources became unreliable"


def _title(days: Sequence[LifetimeTerm], hazard: Sequence[LifetimeTerm]) -> str:
    regime = next((t for t in days if t.term == "regime"), None)
    cycles = next((t for t in hazard if t.term == "cycles"), None)
    said = []
    if regime is not None and (regime.low > 1.0 or regime.high < 1.0):
        longer = "longer" if regime.ratio > 1.0 else "less long"
        said.append(f"refrigerated sources stayed reliable {longer} than frozen ones")
    if cycles is not None and (cycles.low > 1.0 or cycles.high < 1.0):
        sooner = "sooner" if cycles.ratio > 1.0 else "later"
        said.append(
            f"at the same age, sources with more cycles became unreliable {sooner}"
            if not said
            else f"those with more cycles at the same age became unreliable {sooner}"
        )
    if said:
        text = ", and ".join(said)
        return text[0].upper() + text[1:]
    asked = [
        *(["with refrigeration"] if regime is not None else []),
        *(["with cycles"] if cycles is not None else []),
    ]
    return f"That sources last longer or less long {' or '.join(asked)} does not show"


def _subtitle(model: WeibullLifetime, confidence: float) -> str:
    text = (
        f"Circles: estimates; lines: {100 * confidence:g} % intervals; a line that crosses “no "
        "change” leaves the direction open. Storage was chosen, not assigned."
    )
    more = sum(t.term == "kind" for t in model.terms) - MOST_KINDS
    return text if more <= 0 else f"{text} {more} more kinds are not shown."


def _fixed_height(part: _Part) -> float:
    head = lines_height_in(1, HEADING_PT) + 0.08
    if part.rows:
        return head + _AXIS_IN + (lines_height_in(1, LABEL_PT + 2) if part.note else 0.0)
    return head + lines_height_in(len(_reason_lines(part)), LABEL_PT + 2)


def _reason_lines(part: _Part) -> tuple[str, ...]:
    return wrap_to_width(part.reason, WIDTH_IN - 2 * MARGIN_IN, LABEL_PT + 2)


def _draw_part(figure: Figure, top: float, part: _Part, row: float) -> float:
    """Draw one model from ``top`` down; return the height it takes, inches."""
    head = lines_height_in(1, HEADING_PT)
    right = WIDTH_IN - MARGIN_IN
    write(figure, MARGIN_IN, top, [part.heading], HEADING_PT, gid=f"heading-{part.gid}",
          weight="bold")  # fmt: skip
    if not part.rows:
        lines = _reason_lines(part)
        write(figure, MARGIN_IN, top - head - 0.08, lines, LABEL_PT + 2, gid=f"reason-{part.gid}",
              color=MUTED)  # fmt: skip
        return _fixed_height(part)
    write(figure, right, top, [part.behind], LABEL_PT + 2, gid=f"behind-{part.gid}", color=MUTED,
          align="right")  # fmt: skip
    tall = row * len(part.rows)
    left = MARGIN_IN + _NAME_IN
    data = Box(left, top - head - 0.08 - tall, right - _NUMBER_IN - left, tall)
    ax = figure.add_axes(data.of_figure, gid=part.gid)
    _scale(ax, part)
    size = HEADING_PT if row > 0.8 else LABEL_PT + 2 if row > 0.4 else LABEL_PT - 1
    for number, (name, term) in enumerate(part.rows):
        _draw_row(ax, number, term)
        middle = data.top - row * (number + 0.5) + lines_height_in(1, size) / 2
        write(figure, left - 0.2, middle, [_cut(name, _NAME_IN - 0.3, size)], size,
              gid=f"name-{part.gid}", align="right")  # fmt: skip
        write(figure, right, middle, [_told(term)], size, gid=f"ratio-{part.gid}",
              align="right")  # fmt: skip
    under = data.bottom - 0.4
    write(figure, data.left, under, [part.ends[0]], LABEL_PT, gid=f"low-{part.gid}",
          color=MUTED)  # fmt: skip
    write(figure, data.right, under, [part.ends[1]], LABEL_PT, gid=f"high-{part.gid}",
          color=MUTED, align="right")  # fmt: skip
    _name_no_change(figure, ax, data, under)
    if part.note:
        write(figure, MARGIN_IN, data.bottom - _AXIS_IN + 0.05, [part.note], LABEL_PT + 2,
              gid=f"note-{part.gid}", color=MUTED)  # fmt: skip
    return _fixed_height(part) + tall


def _name_no_change(figure: Figure, ax: Axes, data: Box, under: float) -> None:
    low, high = (log(x) for x in ax.get_xlim())
    at = data.left + data.width * (0.0 - low) / (high - low)
    half = text_width_in("no change", LABEL_PT, "bold") / 2
    room = text_width_in("← shorter", LABEL_PT) + 0.25
    at = min(max(at, data.left + room + half), data.right - room - half)
    write(figure, at, under, ["no change"], LABEL_PT, gid="no-change", weight="bold",
          color=FITTED, align="center")  # fmt: skip


def _cut(words: str, room_in: float, size: float) -> str:
    words = drawable(words)
    while len(words) > 1 and text_width_in(words, size) > room_in:
        words = f"{words[:-2]}…"
    return words


def _told(term: LifetimeTerm) -> str:
    shown = [_number(v) for v in (term.ratio, term.low, term.high)]
    return f"× {shown[0]} ({shown[1]} to {shown[2]})"


def _number(value: float) -> str:
    if value >= 1000.0:
        return "> 1,000"
    if value < 0.005:
        return "< 0.01"
    return f"{value:.2f}" if value < 10.0 else f"{value:.0f}"


def _draw_row(ax: Axes, number: int, term: LifetimeTerm) -> None:
    least, most = ax.get_xlim()
    if number % 2 == 0:
        ax.axhspan(number - 0.5, number + 0.5, color=LANE, linewidth=0.0, zorder=0.2)
    low, high = max(term.low, least), min(term.high, most)
    if low < high:
        ax.plot([low, high], [number, number], color=INK, linewidth=2.6, gid="interval", zorder=2)
    for end, beyond, mark in ((least, term.low < least, "<"), (most, term.high > most, ">")):
        if beyond:
            ax.plot([end], [number], marker=mark, markersize=11, color=INK, linestyle="none",
                    gid="beyond", clip_on=False, zorder=3)  # fmt: skip
    if least <= term.ratio <= most:
        ax.plot([term.ratio], [number], marker="o", markersize=13, markerfacecolor="white",
                markeredgecolor=INK, markeredgewidth=2.4, linestyle="none", gid="estimate",
                zorder=4)  # fmt: skip


def _scale(ax: Axes, part: _Part) -> None:
    lows, highs = [t.low for _, t in part.rows], [t.high for _, t in part.rows]
    least = max(min(*lows, 1.0 / _NARROWEST) / 1.05, 1.0 / _WIDEST)
    most = min(max(*highs, _NARROWEST) * 1.05, _WIDEST)
    ax.set_xscale("log")
    ax.set_xlim(least, most)
    ax.set_ylim(len(part.rows) - 0.5, -0.5)
    ax.axvline(1.0, color=FITTED, linewidth=2.6, linestyle=(0, (5, 2)), gid="no-change", zorder=1)
    within = [[t for t in ticks if least <= t <= most] for ticks in _TICKS]
    ticks = next((t for t in within if len(t) >= 3), max(within, key=len))
    ax.xaxis.set_major_locator(FixedLocator(ticks))
    ax.xaxis.set_major_formatter(FixedFormatter([f"× {t:g}" for t in ticks]))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.set_yticks([])
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.tick_params(labelsize=LABEL_PT, length=5)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
