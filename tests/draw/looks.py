"""What is asked of every figure by its artists."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text

from outcomes.draw.theme import theme


def assert_words_beside(
    figure: Figure, pixels: float = 2.0, *, named: bool = False, without: str = ""
) -> None:
    """Of all words and numbers drawn, none lie on others or off the sheet, small as they may be.

    Letters of neighbouring rows may share so many ``pixels``. With ``named`` only what bears a
    name is looked at, which the numbers of an axis do not; never names that begin with ``without``.
    """
    with theme():
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        texts = [t for t in figure.findobj(Text) if isinstance(t, Text)]
        boxes = [
            (t.get_text(), t.get_window_extent(canvas.get_renderer()))
            for t in texts
            if t.get_text() and t.get_visible()
            if t.get_gid() or not named
            if not (without and str(t.get_gid()).startswith(without))
        ]
    for i, (text, box) in enumerate(boxes):
        assert box.x0 >= 0.0, text
        assert box.y0 >= 0.0, text
        assert box.x1 <= figure.bbox.x1, text
        assert box.y1 <= figure.bbox.y1, text
        for other_text, other in boxes[i + 1 :]:
            across = min(box.x1, other.x1) - max(box.x0, other.x0)
            along = min(box.y1, other.y1) - max(box.y0, other.y0)
            assert across <= 1.0 or along <= pixels, (text, other_text)


def contrast(one: str, other: str) -> float:
    """By the relative luminance of WCAG 2.2 (W3C Recommendation, 2023), definitions."""

    def luminance(name: str) -> float:
        parts = np.array(to_rgb(name))
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def ax_of(figure: Figure, gid: str) -> Axes:
    (ax,) = [a for a in figure.axes if a.get_gid() == gid]
    return ax


def lines(figure: Figure, axes: str, gid: str) -> list[Line2D]:
    return [line for line in ax_of(figure, axes).lines if line.get_gid() == gid]


def words(figure: Figure, start: str) -> list[str]:
    """Texts of a block, in the order drawn."""
    return [
        t.get_text()
        for t in figure.findobj(Text)
        if (t.get_gid() or "").rpartition("-")[0] == start and t.get_text()
    ]


def said(figure: Figure, start: str) -> str:
    return " ".join(words(figure, start))
