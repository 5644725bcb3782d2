"""How far hides stand out from blank areas for each dog, and how readily it alerts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from outcomes.analysis.searches.signal_detection import Detection, Sensitivity
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

NOTHING = "How well the dogs tell hides from blank areas cannot be said yet"
MOST_DOGS = 24
_NAME_IN = 2.2
_COUNTS_IN = 1.55
_AXIS_IN = 0.85
_GAP_IN = 0.4
_MOST_ROW_IN = 1.1
_MOST_OUT_IN = 0.45


@dataclass(frozen=True, slots=True)
class _Panel:
    gid: str
    heading: str
    below: tuple[str, str]
    share: float
    estimate: Callable[[Sensitivity], tuple[float, float, float]]


_PANELS = (
    _Panel(
        "d-prime",
        "Tells hides from blank areas (d′)",
        ("0: no better than chance", "better →"),
        0.56,
        lambda d: (d.d_prime, d.d_low, d.d_high),
    ),
    _Panel(
        "criterion",
        "Readiness to alert (criterion)",
        ("← alerts readily", "holds back →"),
        0.44,
        lambda d: (d.criterion, d.criterion_low, d.criterion_high),
    ),
)


def draw_detection_figure(
    found: Detection,
    footer: str,
    *,
    confidence: float,
    title: str | None = None,
    subtitle: str = "",
) -> Figure:
    """Draw one row a dog: d′ on the left, the criterion beside it, and the counts behind both.

    Parameters
    ----------
    found
        Its dogs are drawn in the order of their names, then those left out,
        with the reason in place of the marks. Without any dog, the sentence is
        written.
    footer
        What stands behind the figure: unit and records.
    confidence
        Of the intervals in ``found``.
    title, subtitle
        Words from outside; without them, what the numbers say.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    dogs = sorted(found.dogs, key=lambda d: d.dog)[:MOST_DOGS]
    out = found.left_out[: MOST_DOGS - len(dogs)]
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        if not dogs:
            beside = [f"{drawable(x.term)}: {x.reason}" for x in found.left_out]
            write_reason(figure, title or NOTHING, found.sentence, footer, beside)
            return figure
        below = _subtitle(found, confidence)
        top = write_header(figure, title or _title(found), subtitle or below)
        bottom = write_footer(figure, footer) + _AXIS_IN
        top -= lines_height_in(1, HEADING_PT) + 0.1
        count = len(dogs)
        out_in = min(_MOST_OUT_IN, (top - bottom) / (count + len(out)))
        height = min(top - bottom - len(out) * out_in, count * _MOST_ROW_IN)
        rows = Box(MARGIN_IN, top - height, WIDTH_IN - 2 * MARGIN_IN, height)
        size = _size(count + len(out))
        for number, dog in enumerate(dogs):
            _write_name(figure, rows, number, count, dog.dog, size, INK)
        width = rows.width - _NAME_IN - 2 * _COUNTS_IN - len(_PANELS) * _GAP_IN
        left = rows.left + _NAME_IN
        for panel in _PANELS:
            data = Box(left, rows.bottom, panel.share * width, rows.height)
            _draw_panel(figure, data, panel, dogs)
            left = data.right + _GAP_IN
        _write_counts(figure, rows, dogs, size)
        under = rows.bottom - _AXIS_IN
        unmeasured = Box(rows.left, under - len(out) * out_in, rows.width, len(out) * out_in)
        for number, x in enumerate(out):
            _write_name(figure, unmeasured, number, len(out), x.term, size, MUTED)
            words = _cut(f"left out: {x.reason}", rows.width - _NAME_IN, size)
            _write_row(figure, unmeasured, number, len(out), rows.left + _NAME_IN, words, size)
    return figure


def _title(found: Detection) -> str:
    tells = "hides from blank areas better than chance"
    count, clear = len(found.dogs), sum(d.d_low > 0.0 for d in found.dogs)
    enough = " with enough trials" if found.left_out else ""
    if clear == 0:
        who = f"{found.dogs[0].dog} tells" if count == 1 else f"the dogs{enough} tell"
        return drawable(f"That {who} {tells} does not show yet")
    if count == 1:
        return drawable(f"{found.dogs[0].dog} tells {tells}")
    if clear == count:
        which = "Both" if count == 2 else f"All {count}"
        return f"{which} dogs{enough} tell {tells}"
    return f"{clear} of {count} dogs{enough} tell{'s' if clear == 1 else ''} {tells}; for the " + (
        "other it does not show yet" if count - clear == 1 else "others it does not show yet"
    )


def _subtitle(found: Detection, confidence: float) -> str:
    dogs = len(found.dogs) + len(found.left_out)
    text = (
        f"Circles: estimates; lines: {100 * confidence:g} % intervals. Intervals that overlap do "
        "not rank dogs; none of it assesses a dog."
    )
    if found.blinding:
        text = f"{text} {found.blinding}"
    return text if dogs <= MOST_DOGS else f"{text} {MOST_DOGS} of {dogs} dogs are shown."


def _size(count: int) -> float:
    return LABEL_PT + 2.0 if count <= 10 else LABEL_PT if count <= 16 else FOOTER_PT


def _cut(words: str, room_in: float, size: float) -> str:
    words = drawable(words)
    while len(words) > 1 and text_width_in(words, size) > room_in:
        words = f"{words[:-2]}…"
    return words


def _write_row(
    figure: Figure, rows: Box, number: int, count: int, left: float, words: str, size: float
) -> None:
    top = _middle(rows, number, count) + lines_height_in(1, size) / 2
    write(figure, left, top, [words], size, gid="left-out", color=MUTED)


def _middle(rows: Box, number: int, count: int) -> float:
    """Height of the middle of a row, inches on the sheet."""
    return rows.top - rows.height * (number + 0.5) / count


def _write_name(
    figure: Figure, rows: Box, number: int, count: int, name: str, size: float, color: str
) -> None:
    top = _middle(rows, number, count) + lines_height_in(1, size) / 2
    write(figure, rows.left + _NAME_IN - 0.15, top, [_cut(name, _NAME_IN - 0.25, size)], size,
          gid="dog", align="right", color=color)  # fmt: skip


def _write_counts(figure: Figure, rows: Box, dogs: list[Sensitivity], size: float) -> None:
    heading_top = rows.top + 0.1 + lines_height_in(1, LABEL_PT)
    for place, heading, told in (
        (1, "hides found", [f"{d.finds:,} of {d.hides:,}" for d in dogs]),
        (0, "blanks alerted", [f"{d.alerts:,} of {d.blanks:,}" for d in dogs]),
    ):
        right = rows.right - place * _COUNTS_IN
        write(figure, right, heading_top, [heading], LABEL_PT, gid=f"heading-{place}",
              color=MUTED, align="right")  # fmt: skip
        for number, words in enumerate(told):
            row_top = _middle(rows, number, len(dogs)) + lines_height_in(1, size) / 2
            write(figure, right, row_top, [words], size, gid="hides" if place else "blanks",
                  align="right")  # fmt: skip


def _draw_panel(figure: Figure, data: Box, panel: _Panel, dogs: list[Sensitivity]) -> None:
    head = data.top + 0.1 + lines_height_in(1, HEADING_PT)
    write(figure, data.left, head, [panel.heading], _heading_size(panel, data),
          gid=f"heading-{panel.gid}", weight="bold")  # fmt: skip
    ax = figure.add_axes(data.of_figure, gid=panel.gid)
    ax.set_ylim(len(dogs) - 0.5, -0.5)
    shown = [panel.estimate(d) for d in dogs]
    for number, (at, low, high) in enumerate(shown):
        if number % 2 == 0:
            ax.axhspan(number - 0.5, number + 0.5, color=LANE, linewidth=0.0, zorder=0.2)
        ax.plot([low, high], [number, number], color=INK, linewidth=2.4, gid="interval", zorder=2)
        ax.plot([at], [number], marker="o", markersize=12, markerfacecolor="white",
                markeredgecolor=INK, markeredgewidth=2.4, linestyle="none", gid="estimate",
                zorder=3)  # fmt: skip
    left, right = min(0.0, *(low for _, low, _ in shown)), max(0.0, *(h for _, _, h in shown))
    room = 0.06 * (right - left)
    ax.set_xlim(left - room, right + room)
    ax.axvline(0.0, color=FITTED, linewidth=2.4, linestyle=(0, (5, 2)), gid="zero", zorder=1)
    ax.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    ax.set_yticks([])
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.tick_params(labelsize=LABEL_PT, length=5)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    under = data.bottom - 0.4
    write(figure, data.left, under, [panel.below[0]], LABEL_PT, gid=f"low-{panel.gid}",
          color=MUTED)  # fmt: skip
    write(figure, data.right, under, [panel.below[1]], LABEL_PT, gid=f"high-{panel.gid}",
          color=MUTED, align="right")  # fmt: skip


def _heading_size(panel: _Panel, data: Box) -> float:
    size = HEADING_PT
    while size > LABEL_PT and text_width_in(panel.heading, size, "bold") > data.width:
        size -= 1.0
    return size
