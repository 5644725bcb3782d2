"""What there is and what is needed, where there is too little to draw a curve."""

from typing import Any

import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text

from outcomes.draw.main_figure import IN_PAGE, Needed, draw_main_figure, draw_stacked_figure
from outcomes.draw.theme import LABEL_PT, size_in

from .looks import assert_words_beside, ax_of, said, words

COUNTS = {"misses": (14, 30), "finds": (37, 30), "sources": (6, 8), "dogs": (3, 3)}


@pytest.fixture(params=["slide", "page", "column"])
def figure(request: pytest.FixtureRequest, made: Any) -> Figure:
    needed, refused = Needed(COUNTS, (37, 51)), made.comparisons["refused"]
    if request.param == "column":
        return draw_stacked_figure([], 0.85, {}, refused, needed=needed)
    alone = {} if request.param == "slide" else {"sheet": IN_PAGE}
    return draw_main_figure(
        "A title.", "A reason.", [], 0.85, {}, refused, "Footer.", needed=needed, **alone
    )


def test_bars_are_shares_of_what_is_needed(figure: Figure) -> None:
    ax = ax_of(figure, "needed")
    drawn = {gid: [p.get_width() for p in ax.patches if p.get_gid() == gid]
             for gid in ("needed-all", "needed-have")}  # fmt: skip
    assert drawn["needed-all"] == [1.0] * 4
    # What is more than enough is drawn as enough.
    assert drawn["needed-have"] == pytest.approx([14 / 30, 1.0, 6 / 8, 1.0])
    assert words(figure, "needed-word") == list(COUNTS)
    assert words(figure, "needed-numbers") == ["14 of 30", "37, enough", "6 of 8", "3, enough"]
    assert said(figure, "needed-found") == "Found so far: 37 of 51 usable hide trials."


def test_what_is_short_is_told_without_colour_too(figure: Figure) -> None:
    texts = [t for t in figure.findobj(Text) if (t.get_gid() or "").startswith("needed-")]
    weights = [t.get_fontweight() for t in texts if "word" in t.get_gid()]
    assert weights == ["bold", "normal", "bold", "normal"]
    assert all(t.get_fontsize() >= LABEL_PT for t in texts)


def test_words_are_whole_and_apart(figure: Figure) -> None:
    assert_words_beside(figure, pixels=0.5)
    width, height = size_in(figure)
    for axes in figure.axes:
        assert 0.0 <= axes.get_position().y0 < axes.get_position().y1 <= 1.0
    assert height < width or width < 6.0
