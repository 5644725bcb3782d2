"""Rules for "unreliable" side by side: what each calls, how often wrongly, and how soon."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator

from outcomes.analysis.lifetimes.rules_compared import TOLD_TRIALS, RuleComparison, RuleOutcome
from outcomes.draw.sheet import MARGIN_IN, write_footer, write_header, write_reason
from outcomes.draw.theme import (
    FITTED,
    FLOOR,
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
    wrap_to_width,
    write,
)
from outcomes.text import count

NOTHING = "No rule for “unreliable” can be applied to these records yet"
NAMES = {
    "misses within trials": "This unit's rule",
    "moving proportion": "Moving share of finds",
    "cumulative sum": "Warning score",
}
_WORDS_IN = 4.6
_CALLS_IN = 1.9
_GAP_IN = 0.35
_AXIS_IN = 0.8
_NUMBER_PT = 20.0
_FINE = {"marker": "o", "markersize": 14, "markerfacecolor": "white", "markeredgecolor": FLOOR,
         "markeredgewidth": 3.0}  # fmt: skip
_FAILED = {"marker": "D", "markersize": 12, "markerfacecolor": FITTED, "markeredgecolor": FITTED}


def draw_rules_figure(
    compared: RuleComparison, footer: str, *, title: str | None = None, subtitle: str = ""
) -> Figure:
    """Draw one row a rule, and for each number of trials the share called, fine and failed.

    Parameters
    ----------
    compared
        A rule that cannot be applied keeps its row, with the reason; where none
        can, the sentence is written.
    footer
        What stands behind the figure: unit and records.
    title, subtitle
        Words from outside; without them, what the numbers say.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of pyplot; see :func:`outcomes.draw.save.render_figure`.
    """
    with theme():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        usable = [r for r in compared.rules if r.reason is None and r.told[0]]
        if not usable:
            write_reason(figure, title or NOTHING, compared.sentence, footer)
            return figure
        top = write_header(figure, title or _title(usable[0]), subtitle or _subtitle(compared))
        bottom = write_footer(figure, footer) + _AXIS_IN
        top -= lines_height_in(2, HEADING_PT) + 0.1
        rows = Box(MARGIN_IN, bottom, WIDTH_IN - 2 * MARGIN_IN, top - bottom)
        count = len(compared.rules)
        for number, rule in enumerate(compared.rules):
            _write_rule(figure, rows, number, count, rule)
        within = list(usable[0].told[0])
        left = rows.left + _WORDS_IN + _CALLS_IN
        width = (rows.right - left - (len(within) - 1) * _GAP_IN) / len(within)
        for column, trials in enumerate(within):
            data = Box(left + column * (width + _GAP_IN), rows.bottom, width, rows.height)
            _draw_column(figure, data, compared.rules, trials)
        _write_headings(figure, rows, left)
    return figure


def _name(rule: RuleOutcome) -> str:
    return NAMES.get(rule.name, rule.name)


def _title(rule: RuleOutcome) -> str:
    fine, failed = (f"{100 * shares[TOLD_TRIALS]:.0f}" for shares in rule.told)
    name = "this unit's rule" if rule.name == "misses within trials" else f"the {rule.name}"
    return (
        f"Within {TOLD_TRIALS} trials {name} calls {fine} of 100 unchanged sources unreliable, "
        f"and {failed} of 100 that became worse"
    )


def _subtitle(compared: RuleComparison) -> str:
    usable = [r for r in compared.rules if r.reason is None]
    sources = max(r.sources for r in usable)
    here = f"Of {count(sources, 'source')} here, "
    if len(usable) > 1:
        here += (
            f"{len(compared.by_any)} are called by at least one rule and {len(compared.by_all)} by "
            "every one that can be applied. "
        )
    else:
        called = len(compared.by_any)
        here += f"{called} {'is' if called == 1 else 'are'} called. "
    return here + (
        "Unchanged: found as often throughout, good or not; worse: twice the odds of a miss. "
        f"Shares {compared.shares_rest_on}."
    )


def _edge(rows: Box, number: int, count: int) -> float:
    """Upper edge of a row, inches on the sheet."""
    return rows.top - rows.height * number / count


def _write_rule(figure: Figure, rows: Box, number: int, count: int, rule: RuleOutcome) -> None:
    top = _edge(rows, number, count) - 0.12
    top -= write(figure, rows.left, top, [drawable(_name(rule))], HEADING_PT, gid=f"rule-{number}",
                 weight="bold")  # fmt: skip
    size = LABEL_PT
    words = drawable(rule.rule[:1].upper() + rule.rule[1:])
    lines = wrap_to_width(words, _WORDS_IN - 0.3, size)
    room = top - _edge(rows, number + 1, count) - 0.05
    while lines_height_in(len(lines), size) > room and size > FOOTER_PT:
        size -= 0.5
        lines = wrap_to_width(words, _WORDS_IN - 0.3, size)
    write(figure, rows.left, top, lines, size, gid=f"means-{number}", color=MUTED)
    left = rows.left + _WORDS_IN
    middle = (_edge(rows, number, count) + _edge(rows, number + 1, count)) / 2
    if rule.reason is not None:
        told = wrap_to_width(f"Not applied: {drawable(rule.reason)}", rows.right - left, HEADING_PT)
        write(figure, left, middle + lines_height_in(len(told), HEADING_PT) / 2, told, HEADING_PT,
              gid="reason", color=MUTED)  # fmt: skip
        return
    write(figure, left, middle + lines_height_in(1, _NUMBER_PT) / 2,
          [f"{len(rule.called):,} of {rule.sources:,}"], _NUMBER_PT, gid="calls",
          weight="bold")  # fmt: skip


def _write_headings(figure: Figure, rows: Box, left: float) -> None:
    line = lines_height_in(1, HEADING_PT)
    top = rows.top + 0.1 + 2 * line
    write(figure, rows.left + _WORDS_IN, top - line, ["Calls here"], HEADING_PT,
          gid="heading-calls", weight="bold")  # fmt: skip
    fine, failed = "○ of 100 unchanged", "◆ of 100 that became worse"
    write(figure, left, top, [fine], HEADING_PT, gid="fine-name", weight="bold", color=FLOOR)
    left_of_failed = left + text_width_in(fine, HEADING_PT, "bold") + 0.5
    write(figure, left_of_failed, top, [failed], HEADING_PT, gid="failed-name", weight="bold",
          color=FITTED)  # fmt: skip
    middle = (left + rows.right) / 2
    write(figure, middle, rows.bottom - 0.42, ["of 100 sources, so many are called unreliable"],
          LABEL_PT + 2, gid="axis-name", align="center")  # fmt: skip


def _draw_column(figure: Figure, data: Box, rules: Sequence[RuleOutcome], trials: int) -> None:
    line = lines_height_in(1, HEADING_PT)
    write(figure, data.left, data.top + 0.1 + line, [f"within {trials} trials"], HEADING_PT,
          gid=f"within-{trials}")  # fmt: skip
    first = next((k for k, r in enumerate(rules) if r.reason is None), 0)
    last = max((k for k, r in enumerate(rules) if r.reason is None), default=first)
    tall = data.height / len(rules)
    box = Box(data.left, data.top - tall * (last + 1), data.width, tall * (last + 1 - first))
    ax = figure.add_axes(box.of_figure, gid=f"within-{trials}")
    ax.set_ylim(last + 0.5, first - 0.5)
    ax.set_xlim(-6.0, 106.0)
    for number, rule in enumerate(rules[first : last + 1], start=first):
        if rule.reason is not None:
            continue
        ax.axhspan(number - 0.46, number + 0.46, color=LANE, linewidth=0.0, zorder=0.2)
        fine, failed = (100.0 * s.get(trials, 0.0) for s in rule.told)
        ax.plot([fine, failed], [number, number], color=MUTED, linewidth=2.4, gid="between",
                zorder=1)  # fmt: skip
        for value, look, gid, up in ((fine, _FINE, "fine", -1), (failed, _FAILED, "failed", 1)):
            ax.plot([value], [number], linestyle="none", gid=gid, zorder=3, clip_on=False,
                    **look)  # type: ignore[arg-type]  # fmt: skip
            _write_number(figure, data, number, len(rules), value, gid, up)
    ax.xaxis.set_major_locator(FixedLocator([0, 50, 100]))
    ax.set_yticks([])
    ax.grid(axis="x", color=HAIRLINE, linewidth=0.8)
    ax.set_axisbelow(True)
    ax.tick_params(labelsize=LABEL_PT, length=5)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)


def _write_number(
    figure: Figure, data: Box, number: int, count: int, value: float, gid: str, up: int
) -> None:
    """The number above a mark, or below it: the two of a row never meet."""
    middle = (_edge(data, number, count) + _edge(data, number + 1, count)) / 2
    tall = lines_height_in(1, LABEL_PT + 4)
    top = middle + 0.14 + tall if up > 0 else middle - 0.14
    at = data.left + data.width * (value + 6.0) / 112.0
    shown = f"{value:.0f}"
    write(figure, at, top, ["< 1" if shown == "0" and value > 0.0 else shown], LABEL_PT + 4,
          gid=f"number-{gid}", weight="bold", align="center",
          color=FITTED if gid == "failed" else FLOOR if gid == "fine" else INK)  # fmt: skip
