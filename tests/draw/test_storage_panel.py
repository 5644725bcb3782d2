"""Refrigerated against frozen beside the finds: by the data drawn and the room of the words."""

from dataclasses import replace
from typing import Any

import pytest
from matplotlib.figure import Figure

from outcomes.analysis.decisions.compare import Comparison
from outcomes.draw.main_figure import IN_COLUMN, IN_PAGE
from outcomes.draw.storage_panel import (
    HEADING,
    MOST_ROWS,
    draw_storage_panel,
    storage_panel_height_in,
)
from outcomes.draw.theme import ALONE, FOOTER_PT, LABEL_PT, Box, Sheet, theme
from outcomes.wording.storage_compared import SETTLED_BY

from .looks import assert_words_beside, ax_of, lines, said, words

SHEETS = {"slide": (ALONE, 5.4, 6.0), "page": (IN_PAGE, 3.5, 5.2), "column": (IN_COLUMN, 5.09, 6.0)}


def panel(comparison: Comparison, sheet: Sheet = ALONE, width: float = 5.4, height: float = 6.0):
    with theme():
        figure = Figure(figsize=(width + 0.2, height))
        draw_storage_panel(figure, Box(0.1, 0.0, width, height), comparison, sheet)
    return figure


@pytest.fixture(params=["all kinds", "by kind", "five kinds", "few", "no interval",
                        "no difference", "one kind"])  # fmt: skip
def compared(request: pytest.FixtureRequest, made: Any) -> Comparison:
    return made.comparisons[request.param]


def test_dots_and_intervals_are_the_numbers(compared: Comparison) -> None:
    figure = panel(compared)
    rows = [compared.difference, *compared.by_kind.values()][:MOST_ROWS]
    dots = lines(figure, "storage", "storage-estimate")
    assert [tuple(dot.get_xydata()[0]) for dot in dots] == [
        (pytest.approx(100.0 * row.risk_difference), number) for number, row in enumerate(rows)
    ]
    drawn = {line.get_ydata()[0]: tuple(line.get_xdata())
             for line in lines(figure, "storage", "storage-interval")}  # fmt: skip
    assert drawn == {
        number: pytest.approx((100.0 * row.low, 100.0 * row.high))
        for number, row in enumerate(rows)
        if row.low is not None
    }
    hollow = [dot.get_markerfacecolor() == "white" for dot in dots]
    assert hollow == [row.few or row.low is None for row in rows]


def test_the_scale_holds_all_and_is_even(compared: Comparison) -> None:
    ax = ax_of(panel(compared), "storage")
    low, high = ax.get_xlim()
    assert low == -high
    assert high >= 4.0
    for line in ax.lines:
        assert low <= min(line.get_xdata()) <= max(line.get_xdata()) <= high
    ticks = [tick for tick in ax.get_xticks() if low <= tick <= high]
    assert 0.0 in ticks
    assert len(ticks) >= 3


@pytest.mark.parametrize("name", SHEETS)
def test_words_are_whole_apart_and_off_the_dots(made: Any, name: str) -> None:
    sheet, width, height = SHEETS[name]
    for comparison in made.comparisons.values():
        if sheet is IN_COLUMN:
            height = storage_panel_height_in(comparison, width, sheet, 0.75)
        figure = panel(comparison, sheet, width, height)
        assert_words_beside(figure, pixels=0.5)
        texts = [t for t in figure.texts + list(figure.artists) if hasattr(t, "get_text")]
        for line in ax_of(figure, "storage").lines if figure.axes else []:
            reach = line.get_window_extent()
            for text in texts:
                assert not reach.overlaps(text.get_window_extent()), text.get_text()


def test_a_column_is_as_high_as_needed(made: Any) -> None:
    for comparison in made.comparisons.values():
        height = storage_panel_height_in(comparison, 5.09, IN_COLUMN, 0.75)
        figure = panel(comparison, IN_COLUMN, 5.09, height)
        lowest = min(t.get_window_extent().y0 for t in figure.findobj(type(figure.text(0, 0, "")))
                     if t.get_text())  # fmt: skip
        assert 0.0 <= lowest <= 0.35 * figure.dpi


def test_kinds_have_rows_only_where_compared(made: Any) -> None:
    assert words(panel(made.comparisons["all kinds"]), "storage-name") == ["all kinds"]
    assert words(panel(made.comparisons["one kind"]), "storage-name") == ["wet bone"]
    both = panel(made.comparisons["by kind"])
    assert words(both, "storage-name") == ["all kinds", "blood", "fat"]
    assert words(both, "storage-numbers") == [
        "+13 (+7 to +19)",
        "+21 (+7 to +35)",
        "−9 (−17 to −1)",
    ]
    many = panel(made.comparisons["five kinds"])
    assert len(words(many, "storage-name")) == MOST_ROWS
    assert words(many, "storage-name")[1].endswith("…")


def test_kinds_without_room_are_left_out(made: Any) -> None:
    figure = panel(made.comparisons["five kinds"], IN_PAGE, 3.5, 4.0)
    names = words(figure, "storage-name")
    assert names[0] == "all kinds"
    assert 1 < len(names) < MOST_ROWS
    assert_words_beside(figure, pixels=0.5)


def test_without_an_interval_none_is_drawn_or_told(made: Any) -> None:
    figure = panel(made.comparisons["no interval"])
    assert lines(figure, "storage", "storage-interval") == []
    assert words(figure, "storage-numbers") == ["−8"]
    assert said(figure, "storage-answer") == "These records cannot say yet."
    assert "no interval is given" in said(figure, "storage-note")


@pytest.mark.parametrize("name", ["refused", "refused at length"])
@pytest.mark.parametrize("sheet", ["slide", "page"])
def test_a_refusal_says_why_and_what_settles_it(made: Any, name: str, sheet: str) -> None:
    comparison = made.comparisons[name]
    figure = panel(comparison, *SHEETS[sheet])
    assert figure.axes == []
    assert words(figure, "storage-heading") == [HEADING]
    assert said(figure, "storage-answer") == "These records cannot say."
    assert said(figure, "storage-note") == f"Why: {comparison.reason}. {SETTLED_BY}"
    assert all(t.get_fontsize() >= LABEL_PT for t in figure.artists)


def test_too_few_sources_say_how_many_are_needed(made: Any) -> None:
    note = said(panel(made.comparisons["few"]), "storage-note")
    assert "At least 6 sources of each are needed (here 3 and 4)." in note
    assert SETTLED_BY in note


def test_the_axis_says_of_what_and_which_way(made: Any) -> None:
    figure = panel(made.comparisons["all kinds"])
    assert words(figure, "storage-axis") == [
        "◀ fewer finds", "more finds ▶", "in 100, if refrigerated",
    ]  # fmt: skip
    assert all(t.get_fontsize() >= FOOTER_PT for t in figure.artists)


def test_kinds_the_font_lacks_are_drawn(made: Any) -> None:
    odd = {
        "骨 <b>": made.difference(0.1),
        "$x$": made.difference(0.1),
        "N" * 200: made.difference(0.1),
    }
    figure = panel(replace(made.comparisons["by kind"], by_kind=odd))
    names = words(figure, "storage-name")
    assert names[1:3] == ["? <b>", "$x$"]
    assert names[3].endswith("N…")
    assert_words_beside(figure, pixels=0.5)
