"""What a study found, beside what is promised, as one figure."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import MaxNLocator
from scipy import stats

from outcomes.draw.save import render_figure
from outcomes.draw.theme import FITTED, FLOOR, HAIRLINE, INK, LABEL_PT, MUTED, SUBTITLE_PT, theme

PAGES = Path(__file__).parent / "pages"
ROW_IN, HEAD_IN, FOOT_IN = 0.42, 0.6, 0.6
LETTER_IN, PANEL_IN, GAP_IN = 0.115, 2.9, 0.4
ABOVE_IN, BELOW_IN = 0.55, 0.55  # a panel's heading and its scale
ABREAST = 5
NARROWEST_IN = 10.0  # room for the words below


@dataclass(frozen=True)
class Found:
    """One measure: value with its limits, and the range promised of it.

    ``row`` and ``column`` say where it stands; ``percent`` whether it is a share.
    """

    row: str
    column: str
    value: float
    low: float
    high: float
    promised: tuple[float, float]
    broken: bool
    percent: bool = True


def judged(
    value: float,
    limits: tuple[float, float],
    promised: tuple[float, float],
    *,
    slack: float,
    below: str = "too seldom",
    above: str = "too often",
) -> str:
    """Whether a promise was kept, as far as so many units tell: one measure for every study.

    ``limits`` are those of what was found, at 95 %. "no" and why where they lie wholly outside
    what is promised; "not shown broken" where the value does and they do not; "too few units to
    tell" where they reach more than ``slack`` beyond it; else "yes".
    """
    low, high = limits
    least, most = promised
    if high < least:
        return f"no: {below}"
    if low > most:
        return f"no: {above}"
    if not least <= value <= most:
        return "not shown broken"
    if low < least - slack or high > most + slack:
        return "too few units to tell"
    return "yes"


SLACK = 0.05  # of a share
HOW_JUDGED = (
    "Kept: a promise is broken (no) where the 95 % limits of what was found lie wholly outside it, "
    "and not shown broken where what was found lies outside and its limits do not. What was found "
    f"inside is a yes, unless its limits reach more than {100 * SLACK:g} points (of a bias, more "
    "than half its promised size) beyond the promise: then the units are too few to tell. A yes is "
    "no proof: the limits say what else may be true."
)
BIAS_SLACK = 0.5  # of the size promised


def in_short(kept: Sequence[str]) -> str:
    """How many promises were kept, as the first thing to read of a page."""
    asked = [word for word in kept if word]
    broken = sum(word.startswith("no:") for word in asked)
    words = ("yes", "not shown broken", "too few units to tell")
    kept_, open_, few = (asked.count(word) for word in words)
    inside = f"what was found lies within {kept_ + few}"
    if few:
        inside += f" (for {few} of them the units are too few to tell)"
    outside = f"outside {open_ + broken}"
    if broken:
        lie, are = ("lies", "is") if broken == 1 else ("lie", "are")
        outside += f"; {broken} of those {lie} further out than chance explains, and {are} broken"
    elif open_:
        outside += "; none of those lies further out than chance explains"
    return f"**In short: of {len(asked)} promises {inside}, and {outside}.**"


def told_power(units: int, promised: float) -> str:
    """What so many units can show of a share promised to be at most so large, as a sentence.

    A share is shown broken where its exact lower 95 % limit lies above the promise (Clopper and
    Pearson); the share told is the least that is shown so in 80 of 100 studies.

    >>> told_power(500, 0.05)[:65]
    'Of 500 units, a share promised to be at most 5 % is shown broken '
    """
    counts = np.arange(units + 1)
    least = stats.beta.ppf(0.025, counts, units - counts + 1)
    first = int(counts[np.nan_to_num(least) > promised][0])
    shares = np.arange(promised, 1.0, 0.001)
    truly = float(shares[stats.binom.sf(first - 1, units, shares) >= 0.8][0])
    return (
        f"Of {units} units, a share promised to be at most {100 * promised:g} % is shown broken "
        f"from {first} on ({100 * first / units:.1f} %), and in 80 of 100 such studies only if it "
        f"is truly {100 * truly:.1f} % or more: smaller breaches stay unseen."
    )


def draw_promises(found: Sequence[Found], title: str, columns: Sequence[str]) -> Figure:
    """Dots with their limits on the ranges promised; a cross where a promise is broken."""
    rows = list(dict.fromkeys(f.row for f in found))
    bands = [columns[k : k + ABREAST] for k in range(0, len(columns), ABREAST)]
    band_in = ABOVE_IN + len(rows) * ROW_IN + BELOW_IN
    words_in = 0.4 + LETTER_IN * max(map(len, rows))
    abreast = max(map(len, bands))
    panel_in = max(PANEL_IN, (NARROWEST_IN - words_in) / abreast - GAP_IN)
    width = words_in + abreast * (panel_in + GAP_IN)
    height = HEAD_IN + len(bands) * band_in + FOOT_IN
    figure = Figure(figsize=(width, height))
    figure.text(
        0.25 / width, 1.0 - 0.4 / height, title, size=SUBTITLE_PT, weight="bold", color=INK,
        va="center", gid="title-1",
    )  # fmt: skip
    for band, names in enumerate(bands):
        bottom = FOOT_IN + (len(bands) - 1 - band) * band_in + BELOW_IN
        for k, name in enumerate(names):
            left = words_in + k * (panel_in + GAP_IN)
            box = (left / width, bottom / height, panel_in / width, len(rows) * ROW_IN / height)
            panel = figure.add_axes(box)
            _draw_panel(panel, [f for f in found if f.column == name], rows)
            panel.set_title(name, size=LABEL_PT, color=INK, loc="left", pad=8)
            panel.set_yticks(range(len(rows)), rows if k == 0 else [""] * len(rows), size=LABEL_PT)
    figure.text(
        0.25 / width, 0.3 / height,
        "Shaded: what is promised. Line: 95 % limits of what was found. Cross: not kept.",
        size=LABEL_PT, color=MUTED, va="center",
    )  # fmt: skip
    return figure


def _draw_panel(panel, own: Sequence[Found], rows: Sequence[str]) -> None:
    scale = 100.0 if own[0].percent else 1.0
    ends = [(scale * f.low, scale * f.high) for f in own]
    low, high = min(e[0] for e in ends), max(e[1] for e in ends)
    kept_in = [(scale * max(f.promised[0], -1.0), scale * min(f.promised[1], 1.0)) for f in own]
    low, high = min(low, *(k[0] for k in kept_in)), max(high, *(k[1] for k in kept_in))
    room = 0.06 * (high - low)
    for f, (least, most) in zip(own, kept_in, strict=True):
        at = rows.index(f.row)
        panel.add_patch(
            Rectangle((least, at - 0.4), most - least, 0.8, color=HAIRLINE, linewidth=0)
        )
        if least == most:
            panel.plot([least] * 2, [at - 0.4, at + 0.4], color=MUTED, linewidth=2.0)
        colour = FLOOR if f.broken else FITTED
        panel.plot([scale * f.low, scale * f.high], [at, at], color=colour, linewidth=2.2)
        panel.plot([scale * f.value], [at], "X" if f.broken else "o", color=colour, markersize=9)
    panel.set_xlim(low - room, high + room)
    panel.set_ylim(len(rows) - 0.5, -0.5)
    panel.xaxis.set_major_locator(MaxNLocator(4, integer=own[0].percent))
    panel.tick_params(axis="y", length=0)
    panel.tick_params(axis="x", labelsize=LABEL_PT - 2)
    panel.grid(axis="y", visible=False)


def promises_svg(found: Sequence[Found], title: str, columns: Sequence[str]) -> bytes:
    """The figure as SVG, the same bytes for the same numbers."""
    with theme():
        return render_figure(draw_promises(found, title, columns), "svg")


def made_by(described: str | None) -> str:
    """The first lines of a page: the study's command in full, as its own description has it."""
    (command,) = re.findall(
        r"^ +\S+python (tests/studies/\S+\.py --units .*)$", described or "", re.M
    )
    return (
        f"Made by `python {command}`; nothing here is typed by hand. The page again, of the units "
        f"stored: `python {command.split()[0]} --workers 0`."
    )


def write_page(page: Path, figure: bytes, text: Callable[[str], str]) -> None:
    """Write the figure beside the page, and the page; ``text`` is given the figure's name."""
    beside = page.with_suffix(".svg")
    beside.write_bytes(figure)
    page.write_text(text(beside.name), encoding="utf-8")
