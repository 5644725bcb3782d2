"""How every figure looks: sizes, colours, lettering, and room for words.

A figure is meant for a projector in a briefing room and for grey print: no
meaning rests on colour alone, and no words lie on the data. Lengths are in
inches on a sheet of 16 × 9, letter sizes in points.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import matplotlib
import matplotlib.style
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, fontManager, get_font
from matplotlib.patheffects import withStroke
from matplotlib.text import Text
from matplotlib.textpath import text_to_path
from numpy.typing import ArrayLike, NDArray

from outcomes.text import DAYS_PER_MONTH as DAYS_PER_MONTH

_STYLES = ("", "-Bold", "-Oblique", "-BoldOblique")
WIDTH_IN = 16.0
HEIGHT_IN = 9.0
DPI = 120
FONT = "DejaVu Sans"  # ships with matplotlib, so the figure is the same everywhere
POINTS_PER_IN = 72.0
LINE_SPACING = 1.25

TITLE_PT = 26.0
HEADING_PT = 18.0
SUBTITLE_PT = 16.0
LABEL_PT = 14.0
FOOTER_PT = 12.0

INK = "#1d2b33"
MUTED = "#4f5d66"
HAIRLINE = "#c9d0d4"
LANE = "#f1f3f4"
FITTED = "#17507d"
FLOOR = "#a3410b"


@dataclass(frozen=True, slots=True)
class Sheet:
    """The paper a figure is drawn on.

    Attributes
    ----------
    width_in, height_in
        Its size, inches.
    margin_in
        Room left free at either side, inches.
    small_pt
        The smallest lettering on it, points.
    alone
        Whether the figure stands alone; within a page, heading, caption and
        what it rests on stand beside it.
    """

    width_in: float = WIDTH_IN
    height_in: float = HEIGHT_IN
    margin_in: float = 0.45
    small_pt: float = FOOTER_PT
    alone: bool = True


ALONE = Sheet()


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on the sheet, inches from its lower left corner."""

    left: float
    bottom: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge, inches."""
        return self.left + self.width

    @property
    def top(self) -> float:
        """Upper edge, inches."""
        return self.bottom + self.height

    @property
    def of_figure(self) -> tuple[float, float, float, float]:
        """Left, bottom, width, height as shares of the sheet."""
        return (
            self.left / WIDTH_IN,
            self.bottom / HEIGHT_IN,
            self.width / WIDTH_IN,
            self.height / HEIGHT_IN,
        )

    def on(self, figure: Figure) -> tuple[float, float, float, float]:
        """Left, bottom, width, height as shares of a figure of any size."""
        width, height = size_in(figure)
        return self.left / width, self.bottom / height, self.width / width, self.height / height


def size_in(figure: Figure) -> tuple[float, float]:
    """Width and height of a figure, inches."""
    width, height = figure.get_size_inches()
    return float(width), float(height)


def _use_bundled_font() -> None:
    """Take the font that comes with Matplotlib: the system's draws other outlines, other bytes."""
    others = fontManager.ttflist
    fontManager.ttflist = [font for font in others if font.name != FONT]
    try:
        for style in _STYLES:
            fontManager.addfont(f"{matplotlib.get_data_path()}/fonts/ttf/DejaVuSans{style}.ttf")
    except OSError:  # a Matplotlib packed without it
        fontManager.ttflist = others


_use_bundled_font()


@contextmanager
def theme() -> Iterator[None]:
    """Draw, or render, under this look whatever the reader's own matplotlib settings are."""
    look = {
        # Large letters and lines: a slide is read from the back of a room.
        "font.size": 18.0,
        "axes.labelsize": 18.0,
        "axes.titlesize": 18.0,
        "axes.axisbelow": True,
        "grid.color": ".8",
        "grid.linewidth": 1.5,
        "lines.linewidth": 2.25,
        "lines.markersize": 9.0,
        "lines.solid_capstyle": "round",
        "patch.edgecolor": "w",
        "patch.force_edgecolor": True,
        "patch.linewidth": 1.5,
        "xtick.major.width": 1.875,
        "ytick.major.width": 1.875,
        "xtick.major.size": 9.0,
        "ytick.major.size": 9.0,
        "legend.fontsize": 16.5,
        "legend.title_fontsize": 18.0,
        "font.family": [FONT],
        "text.color": INK,
        "text.parse_math": False,  # a "$" in a unit's own words is a dollar sign
        "axes.edgecolor": MUTED,
        "axes.labelcolor": INK,
        "axes.linewidth": 1.0,
        "axes.unicode_minus": True,
        "xtick.color": MUTED,
        "ytick.color": MUTED,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "xtick.labelsize": LABEL_PT,
        "ytick.labelsize": LABEL_PT,
        "figure.facecolor": "white",
        "savefig.facecolor": "white",
        "figure.dpi": DPI,
        "savefig.dpi": DPI,
        "svg.fonttype": "path",
        "svg.hashsalt": "outcomes",
        "pdf.fonttype": 42,
    }
    with matplotlib.style.context(["default", look]):
        yield


def open_frame(ax: Axes, *without: str) -> None:
    """Take away the frame above and on the right of a panel, and on other sides if named."""
    for side in ("top", "right", *without):
        ax.spines[side].set_visible(False)


@lru_cache(maxsize=4096)
def text_width_in(text: str, size_pt: float, weight: str = "normal") -> float:
    """Width of one line of text, inches."""
    font = FontProperties(family=[FONT], size=size_pt, weight=weight)
    width_pt, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width_pt) / POINTS_PER_IN


def drawable(text: str) -> str:
    """Give a name of the unit's own with a question mark for each letter the font lacks.

    >>> drawable("Ænima 骨 №7")
    'Ænima ? №7'
    """
    font = get_font(findfont(FontProperties(family=[FONT])))
    return "".join(c if c.isspace() or font.get_char_index(ord(c)) else "?" for c in text)


def shortened(name: str, width_in: float, size_pt: float, weight: str = "normal") -> str:
    """A name of the unit's own as it can be drawn, cut with an ellipsis to a width in inches.

    >>> shortened("BON-07", 2.0, 14.0)
    'BON-07'
    """
    words = drawable(" ".join(name.split()))
    while len(words) > 1 and text_width_in(words, size_pt, weight) * 1.02 > width_in:
        words = f"{words[:-2]}…"
    return words


def lines_height_in(lines: int, size_pt: float) -> float:
    """Height of a block of lines, inches, with the room below its last line."""
    return lines * size_pt * LINE_SPACING / POINTS_PER_IN


@lru_cache(maxsize=4096)
def wrap_to_width(
    text: str, width_in: float, size_pt: float, weight: str = "normal", *, even: bool = False
) -> tuple[str, ...]:
    """Break text into lines no wider than ``width_in``.

    Breaks fall between words; a single word wider than the line is broken
    inside. Line breaks already in the text count as spaces, and words joined by a
    no-break space stay together.

    Parameters
    ----------
    text
        Any text; an empty one has no lines.
    width_in
        Greatest width of a line, inches.
    size_pt, weight
        The lettering.
    even
        Whether to make the lines about equally long, with no more of them.

    Returns
    -------
    tuple of str
        The lines in order.
    """
    lines = _wrap(text, width_in, size_pt, weight)
    if not even or len(lines) < 2:
        return lines
    narrow, wide = width_in / len(lines), width_in
    while wide - narrow > 0.05:
        middle = (narrow + wide) / 2
        if len(_wrap(text, middle, size_pt, weight)) > len(lines):
            narrow = middle
        else:
            wide = middle
    return _wrap(text, wide, size_pt, weight)


def _wrap(text: str, width_in: float, size_pt: float, weight: str) -> tuple[str, ...]:
    # Hinting on the screen widens letters by up to two per cent.
    room = width_in / 1.02
    space = text_width_in(" ", size_pt, weight)
    lines: list[str] = []
    line, reach = "", 0.0
    # Not split(), which would part words at a no-break space too.
    for word in re.split(r"[ \t\r\n\f\v]+", text.strip(" \t\r\n\f\v")):
        width = text_width_in(word, size_pt, weight)
        if line and reach + space + width <= room:
            line, reach = f"{line} {word}", reach + space + width
            continue
        if line:
            lines.append(line)
        *full, line = _broken(word, room, size_pt, weight)
        lines += full
        reach = text_width_in(line, size_pt, weight)
    if line:
        lines.append(line)
    return tuple(lines)


def _broken(word: str, room: float, size_pt: float, weight: str) -> list[str]:
    """A word, or where it is wider than the line its pieces; at least one letter each."""
    pieces: list[str] = []
    while text_width_in(word, size_pt, weight) > room and len(word) > 1:
        cut = len(word) - 1
        while cut > 1 and text_width_in(word[:cut], size_pt, weight) > room:
            cut -= 1
        pieces.append(word[:cut])
        word = word[cut:]
    return [*pieces, word]


def write(
    figure: Figure,
    left_in: float,
    top_in: float,
    lines: Sequence[str],
    size_pt: float,
    *,
    gid: str,
    weight: str = "normal",
    color: str = INK,
    align: Literal["left", "center", "right"] = "left",
    halo: bool = False,
) -> float:
    """Write lines below ``top_in``; return the height they take, inches.

    A ``halo`` keeps the words readable where they lie on a band.
    """
    if not lines:
        return 0.0
    height = lines_height_in(len(lines), size_pt)
    sheet_width, sheet_height = size_in(figure)
    for number, line in enumerate(lines):
        # The middle of a line's slot: lines stay apart whatever letters they hold.
        middle = top_in - lines_height_in(1, size_pt) * (number + 0.5)
        text = Text(
            left_in / sheet_width,
            middle / sheet_height,
            line,
            fontsize=size_pt,
            fontweight=weight,
            color=color,
            horizontalalignment=align,
            verticalalignment="center_baseline",
            transform=figure.transFigure,
        )
        text.set_gid(f"{gid}-{number + 1}")
        if halo:
            text.set_path_effects([withStroke(linewidth=3, foreground="white")])
        figure.add_artist(text)
    return height


def spread_apart(
    wanted: ArrayLike, sizes: ArrayLike, low: float, high: float
) -> NDArray[np.float64]:
    """Move labels as little as possible (least squares) so that none touch.

    Parameters
    ----------
    wanted
        Centre of each label, shape (k,), in rising order.
    sizes
        Room each label takes along the same direction, shape (k,).
    low, high
        The labels stay between these. Where they cannot all fit, they still
        keep their distance and the last ones pass ``high``.

    Returns
    -------
    numpy.ndarray
        Centres, shape (k,), in the order given.
    """
    centres = np.asarray(wanted, dtype=float)
    rooms = np.asarray(sizes, dtype=float)
    if centres.size == 0:
        return centres
    steps = np.concatenate([[0.0], (rooms[:-1] + rooms[1:]) / 2.0]).cumsum()
    shifted = centres - steps
    shifted = _never_falling(shifted)
    shifted = np.minimum(shifted, high - rooms[-1] / 2.0 - steps[-1])
    shifted = np.maximum(shifted, low + rooms[0] / 2.0)
    spread: NDArray[np.float64] = shifted + steps
    return spread


def _never_falling(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The closest values (least squares) none of which is below the one before.

    Isotonic regression by pooling adjacent violators; loading SciPy's takes longer than a
    figure's drawing.
    """
    means: list[float] = []
    sizes: list[int] = []
    for value in values.tolist():
        mean, size = value, 1
        while means and means[-1] > mean:
            before = sizes.pop()
            mean = (mean * size + means.pop() * before) / (size + before)
            size += before
        means.append(mean)
        sizes.append(size)
    return np.repeat(means, sizes)
