"""The floor and the threshold of the main figure apart from it, so that a page can move them.

The figure is drawn without them (:func:`hide_floor`); they are laid over it as
one piece of SVG for each floor (:func:`floor_layer`), on the same scales and
with the same words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from outcomes.analysis.results import FindCurve
from outcomes.draw.find_panel import BRACKET_ROW_IN, LANE_PADDING_IN, lane_words, within_observed
from outcomes.draw.theme import (
    FLOOR,
    INK,
    LABEL_PT,
    LINE_SPACING,
    POINTS_PER_IN,
    SUBTITLE_PT,
    lines_height_in,
    size_in,
    text_width_in,
)
from outcomes.wording.threshold_on_figure import ThresholdMark, extent, plain_in_100

_MOVED = (
    "floor",
    "drop",
    "threshold",
    "threshold-interval",
    "threshold-end",
    "retire-after",
)
_MOVED_WORDS = ("floor-label-", "threshold-words-", "retire-words-")
_HALF_DIAMOND, _HALF_SQUARE, _HALF_ARROW = 7.1, 5.0, 6.5


def size_pt(figure: Figure) -> tuple[float, float]:
    """Width and height of a figure, points: the view box of what is laid over it."""
    width, height = size_in(figure)
    return width * POINTS_PER_IN, height * POINTS_PER_IN


def hide_floor(figure: Figure) -> None:
    """Take from a main figure all that depends on the floor; its scales stay as they are."""

    def moves(artist: Artist) -> bool:
        gid = artist.get_gid() or ""
        return gid in _MOVED or gid.startswith(_MOVED_WORDS)

    for artist in figure.findobj(moves):
        artist.set_visible(False)


def floor_layer(
    figure: Figure,
    curves: Sequence[FindCurve],
    floor: float,
    marks: Mapping[str, ThresholdMark | None],
) -> str:
    """Draw floor and thresholds at one floor as SVG, to be laid over the figure.

    Parameters
    ----------
    figure
        The main figure, drawn with these curves and with room for the words.
    curves
        Those of its panels.
    floor
        The lowest acceptable find probability.
    marks
        Exposure → its threshold at this floor; None or missing where nothing is to be said.

    Returns
    -------
    str
        Elements for an ``<svg>`` whose view box is the figure's :func:`size_pt`.
    """
    axes = {axes.get_gid(): axes for axes in figure.axes}
    parts = []
    for curve in curves:
        mark = marks.get(curve.exposure)
        shown = None if mark is None else within_observed(mark, curve)
        data = axes[f"finds-{curve.exposure}"]
        parts += _floor(data, floor)
        lane = axes.get(f"lane-{curve.exposure}")
        if lane is not None and shown is not None:
            parts += _lane(data, lane, curve, floor, shown)
    return "".join(parts)


class _Place:
    """Where data lie on the sheet, in points from its upper left corner."""

    def __init__(self, axes: Axes) -> None:
        figure = axes.figure
        assert isinstance(figure, Figure)
        box, (width, height) = axes.get_position(), size_pt(figure)
        self.left, self.right = box.x0 * width, box.x1 * width
        self.top, self.bottom = (1 - box.y1) * height, (1 - box.y0) * height
        self._x, self._y = axes.get_xlim(), axes.get_ylim()

    def x(self, value: float) -> float:
        """Of an exposure."""
        low, high = self._x
        return float(self.left + (value - low) / (high - low) * (self.right - self.left))

    def y(self, value: float) -> float:
        """Of a probability; of inches below the upper edge, in the lane."""
        low, high = self._y
        return float(self.bottom - (value - low) / (high - low) * (self.bottom - self.top))


def _floor(data: Axes, floor: float) -> list[str]:
    place = _Place(data)
    low = data.get_ylim()[0]
    y = min(place.y(floor), place.bottom)
    words = (
        ["floor", plain_in_100(floor)]
        if floor >= low
        else ["floor", plain_in_100(floor), "lower", "down"]
    )
    line = LABEL_PT * LINE_SPACING
    top = min(y - line, place.bottom - (len(words) - 1) * line)
    drawn = [
        _text(word, place.right + 0.08 * POINTS_PER_IN, top + (k + 0.5) * line, LABEL_PT, FLOOR)
        for k, word in enumerate(words)
    ]
    if floor >= low:
        drawn.insert(0, _line(place.left, y, place.right, y, FLOOR, 2.0))
    return drawn


def _lane(data: Axes, lane: Axes, curve: FindCurve, floor: float, mark: ThresholdMark) -> list[str]:
    above, under = _Place(data), _Place(lane)
    words = lane_words(curve, mark, floor, (under.right - under.left) / POINTS_PER_IN)
    top = LANE_PADDING_IN
    parts: list[str] = []
    if words.has_marks:
        parts += _marks(above, under, curve, floor, mark, under.y(top + BRACKET_ROW_IN / 2))
        top += BRACKET_ROW_IN
    for lines, at, size, bold in (
        (words.threshold, mark.estimate, LABEL_PT, False),
        (words.retire, mark.retire_after, SUBTITLE_PT, True),
    ):
        for line in lines:
            height = lines_height_in(1, size)
            parts.append(_words(under, line, at, under.y(top + height / 2), size, bold))
            top += height
    return parts


def _marks(
    above: _Place, under: _Place, curve: FindCurve, floor: float, mark: ThresholdMark, y: float
) -> list[str]:
    """The threshold's interval, its estimate and the limit; open sides end in an arrow."""
    parts: list[str] = []
    floor_y = min(above.y(floor), above.bottom)
    if mark.estimate is not None:
        low, high = extent(curve)
        ends = [
            (under.x(low if mark.low is None else mark.low), mark.low is None, -1),
            (under.x(high if mark.high is None else mark.high), mark.high is None, 1),
        ]
        parts.append(_line(ends[0][0], y, ends[1][0], y, FLOOR, 7.0, 'opacity=".45"'))
        for x, open_, way in ends:
            if open_:
                points = [(x + way * _HALF_ARROW, y)]
                points += [(x - way * _HALF_ARROW, y + k * _HALF_ARROW) for k in (-1, 1)]
                parts.append(_shape(points, FLOOR))
            else:
                parts.append(_line(x, y - _HALF_ARROW, x, y + _HALF_ARROW, FLOOR, 2.5))
        x = under.x(mark.estimate)
        parts.append(_line(x, floor_y, x, y, INK, 1.6, 'stroke-dasharray="1.6 2.4"'))
        h = _HALF_DIAMOND
        for at in (floor_y, y):
            parts.append(_shape([(x, at - h), (x + h, at), (x, at + h), (x - h, at)], INK))
    if mark.retire_after is not None:
        x, h = under.x(mark.retire_after), _HALF_SQUARE
        parts.append(_line(x, floor_y, x, y, INK, 1.6))
        parts.append(_shape([(x - h, y - h), (x + h, y - h), (x + h, y + h), (x - h, y + h)], INK))
    return parts


def _words(lane: _Place, line: str, at: float | None, y: float, size_pt: float, bold: bool) -> str:
    """One line centred on ``at`` as far as the lane is wide, on the lane's own ground."""
    width = text_width_in(line, size_pt, "bold" if bold else "normal") * POINTS_PER_IN
    half = width / 2 + 0.06 * POINTS_PER_IN
    centre = (lane.left + lane.right) / 2 if at is None else lane.x(at)
    centre = float(np.clip(centre, lane.left + half, max(lane.right - half, lane.left + half)))
    height = size_pt * 1.1
    ground = (
        f'<rect x="{centre - width / 2 - 1:.1f}" y="{y - height / 2:.1f}" '
        f'width="{width + 2:.1f}" height="{height:.1f}" fill="#fff"/>'
    )
    return ground + _text(line, centre - width / 2, y, size_pt, INK, bold=bold)


def _line(
    x1: float, y1: float, x2: float, y2: float, colour: str, width: float, more: str = ""
) -> str:
    return (
        f'<path d="M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}" stroke="{colour}" '
        f'stroke-width="{width:g}" {more}/>'.replace(" />", "/>")
    )


def _shape(points: Sequence[tuple[float, float]], colour: str) -> str:
    path = "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    return f'<path d="M{path}Z" fill="{colour}"/>'


def _text(
    words: str, x: float, y: float, size_pt: float, colour: str, *, bold: bool | None = None
) -> str:
    """Words as wide as the figure's own lettering would be, whatever font the reader has."""
    bold = colour == FLOOR if bold is None else bold
    width = text_width_in(words, size_pt, "bold" if bold else "normal") * POINTS_PER_IN
    # Words stand on a line about a third of their size below their middle.
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y + 0.36 * size_pt:.1f}" font-size="{size_pt:g}" '
        f'fill="{colour}" textLength="{width:.1f}" lengthAdjust="spacingAndGlyphs"'
        f"{weight}>{escape(words)}</text>"
    )
