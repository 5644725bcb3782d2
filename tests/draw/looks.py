"""What is asked of every figure by its artists."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.text import Text

from outcomes.draw.theme import theme

# Across A4 on its side, margins of 10 mm left and right.
A4_WIDE_IN = 277.0 / 25.4


def assert_words_apart(figure: Figure) -> None:
    """No words touch others, a scale's numbers or the edge; on A4 none is under 8 points."""
    printed = A4_WIDE_IN / figure.get_figwidth()
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        if text.get_text().strip() and text.get_visible():
            assert text.get_fontsize() * printed >= 8.0, (text.get_fontsize(), text.get_text())
    with theme():
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        renderer = canvas.get_renderer()
        texts = [t for t in figure.findobj(Text) if t.get_gid() and t.get_text()]
        texts += [t for ax in figure.axes for t in _scale(ax)]
        boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts]
        marked = [bool(t.get_gid()) for t in texts]
    sheet = figure.bbox
    for i, (text, box) in enumerate(boxes):
        assert sheet.x0 <= box.x0, text
        assert box.x1 <= sheet.x1, text
        assert sheet.y0 <= box.y0, text
        assert box.y1 <= sheet.y1, text
        for (other_text, other), gid in zip(boxes[i + 1 :], marked[i + 1 :], strict=True):
            if not marked[i] and not gid:
                continue
            # Lines of one block stand as close as the theme lets them.
            apart = box.shrunk(1.0, 0.8).overlaps(other.shrunk(1.0, 0.8))
            assert not apart, (text, other_text)


def assert_words_beside(figure: Figure) -> None:
    """Of all words and numbers drawn, none lie on others or off the sheet, small as they may be.

    Letters of neighbouring rows may share a pixel row, not more.
    """
    with theme():
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        texts = [t for t in figure.findobj(Text) if isinstance(t, Text)]
        boxes = [
            (t.get_text(), t.get_window_extent(canvas.get_renderer()))
            for t in texts
            if t.get_text() and t.get_visible()
        ]
    for i, (text, box) in enumerate(boxes):
        assert box.x0 >= 0.0, text
        assert box.y0 >= 0.0, text
        assert box.x1 <= figure.bbox.x1, text
        assert box.y1 <= figure.bbox.y1, text
        for other_text, other in boxes[i + 1 :]:
            across = min(box.x1, other.x1) - max(box.x0, other.x0)
            along = min(box.y1, other.y1) - max(box.y0, other.y0)
            assert across <= 1.0 or along <= 2.0, (text, other_text)


def _scale(ax: Axes) -> list[Text]:
    """Numbers of both scales that are drawn: matplotlib keeps some beyond the ends, undrawn."""
    found = []
    for axis, limits in ((ax.xaxis, ax.get_xlim()), (ax.yaxis, ax.get_ylim())):
        low, high = sorted(limits)
        found += [t.label1 for t in axis.get_major_ticks() if low <= t.get_loc() <= high]
    return [text for text in found if text.get_text()]


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
