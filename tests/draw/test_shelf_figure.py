"""The shelf as a slide: by the data drawn and the room of the words."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pytest
from matplotlib.figure import Figure

from outcomes.analysis.decisions.next_step import NextStep, Order
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.draw.sheet import CAUTION
from outcomes.draw.shelf_figure import LATEST, MOST_ROWS, draw_shelf_figure
from outcomes.draw.theme import FOOTER_PT
from tests.conftest import ODD_NAMES

from .looks import assert_words_beside, ax_of, lines, said, words

FOOTER = "Synthetic unit, 1,200 trials."
ADVICE = ("retire", "test", "keep")


def source(number: int, advice: str = "test", name: str = "", **changes: Any) -> ShelfSource:
    at = {"retire": 0.4, "test": 0.85, "keep": 0.95}[advice] - 0.002 * number
    given: dict[str, Any] = {
        "source_id": name or f"BON-{number:02d}", "kind": "bone", "regime": "frozen",
        "cycles": float(number), "age_days": 200.0, "trials": 30, "finds": 27,
        "find_probability": at, "low": at - 0.09, "high": min(at + 0.07, 1.0), "advice": advice,
        "ground": {"retire": "below", "test": "unsure", "keep": "above"}[advice],
        "trials_to_settle": 40,
    }  # fmt: skip
    return ShelfSource(**(given | changes))


def shelf_of(many: int) -> list[ShelfSource]:
    return [source(k, ADVICE[min(3 * k // many, 2)]) for k in range(many)]


def steps_of(shelf: Sequence[ShelfSource]) -> list[NextStep]:
    orders: dict[str, Order] = {"retire": "retire", "test": "test", "keep": "keep and test"}
    return [NextStep(s.source_id, orders[s.advice], False, 10, "Dog", 2) for s in shelf]


def results_of(shelf: Sequence[ShelfSource]) -> dict[str, list[str]]:
    """Of each source as many as its cycles, the last a miss."""
    return {
        s.source_id: ["find"] * round(s.cycles or 0) + ["miss"] for s in shelf if s.cycles != 1.0
    }


def drawn(
    shelf: Sequence[ShelfSource],
    latest: Mapping[str, Sequence[str]] | None = None,
    floor: float = 0.85,
) -> Figure:
    given = results_of(shelf) if latest is None else latest
    return draw_shelf_figure(shelf, steps_of(shelf), given, floor, 0.9, FOOTER)


def marks(figure: Figure) -> dict[float, tuple[str, float]]:
    """Row → advice and place of its mark."""
    return {
        line.get_ydata()[0]: (str(line.get_gid()).removeprefix("mark-"), line.get_xdata()[0])
        for line in ax_of(figure, "shelf").lines
        if str(line.get_gid()).startswith("mark-")
    }


@pytest.mark.parametrize("many", [1, 3, 12, 26, 60])
def test_each_interval_and_mark_is_its_sources(many: int) -> None:
    shelf = shelf_of(many)
    figure = drawn(shelf)
    shown = shelf[:MOST_ROWS]
    assert words(figure, "name") == [s.source_id for s in shown]
    assert words(figure, "cycles") == [f"{s.cycles:.0f}" for s in shown]
    intervals = lines(figure, "shelf", "interval")
    assert [(line.get_ydata()[0], *line.get_xdata()) for line in intervals] == [
        (k, pytest.approx(100.0 * (s.low or 0.0)), pytest.approx(100.0 * (s.high or 0.0)))
        for k, s in enumerate(shown)
    ]
    assert marks(figure) == {
        k: (s.advice, pytest.approx(100.0 * (s.find_probability or 0.0)))
        for k, s in enumerate(shown)
    }


def test_advice_is_told_by_shape() -> None:
    figure = drawn(shelf_of(3))
    looks = {
        str(line.get_gid()): (line.get_marker(), line.get_markerfacecolor() == "white")
        for line in ax_of(figure, "shelf").lines
        if str(line.get_gid()).startswith("mark-")
    }
    assert len(set(looks.values())) == 3
    assert "✕ retire ◇ test ● keep" in said(figure, "subtitle")


@pytest.mark.parametrize("floor", [0.02, 0.5, 0.85, 0.99, 1.0])
def test_floor_is_at_place_and_named(floor: float) -> None:
    figure = drawn(shelf_of(6), floor=floor)
    (line,) = lines(figure, "shelf", "floor")
    assert set(line.get_xdata()) == {100.0 * floor}
    low, high = ax_of(figure, "shelf").get_xlim()
    assert low < 100.0 * floor < high
    assert words(figure, "floor-label") == [f"floor {100 * floor:g}"]
    assert_words_beside(figure)


def test_latest_trials_stand_in_order_last_at_right() -> None:
    shelf = shelf_of(3)
    long = ["miss"] * 5 + ["find"] * 11 + ["miss"]
    given = {shelf[0].source_id: long, shelf[1].source_id: ["miss", "find", "find"]}
    figure = drawn(shelf, given)
    places = {
        result: {tuple(at) for at in line.get_xydata()}
        for result in ("find", "miss")
        for line in lines(figure, "latest", f"latest-{result}")
    }
    last = LATEST - 1.0
    assert places["miss"] == {(last, 0.0), (last - 2, 1.0)}
    assert places["find"] == {(float(k), 0.0) for k in range(11)} | {(last - 1, 1.0), (last, 1.0)}
    shapes = {
        line.get_marker()
        for result in ("find", "miss")
        for line in lines(figure, "latest", f"latest-{result}")
    }
    assert len(shapes) == 2
    assert f"last {LATEST} trials  ✕ miss" in words(figure, "head")


def test_what_to_do_next_stands_in_each_row() -> None:
    figure = drawn(shelf_of(3))
    assert words(figure, "next") == ["retire", "10 blind trials", "keep, test again"]


def test_sources_not_drawn_are_counted() -> None:
    assert "not drawn" not in said(drawn(shelf_of(MOST_ROWS)), "subtitle")
    assert "1 more source not drawn." in said(drawn(shelf_of(MOST_ROWS + 1)), "subtitle")
    figure = drawn(shelf_of(60))
    assert "34 more sources not drawn." in said(figure, "subtitle")
    assert len(words(figure, "name")) == MOST_ROWS
    assert said(figure, "title").startswith("Of 60 sources held: 20 to retire, 20 to test")


@pytest.mark.parametrize("many", [1, 2, 7, 20, 26, 60])
def test_words_are_whole_apart_and_large(many: int) -> None:
    figure = drawn(shelf_of(many))
    # Rows of 12 points stand so close that the room of letters they lack may be shared.
    assert_words_beside(figure, pixels=6.0 if many > 20 else 0.5)
    assert all(t.get_fontsize() >= FOOTER_PT for t in figure.artists if hasattr(t, "get_text"))
    assert CAUTION in said(figure, "footer")


def test_odd_and_long_names_are_drawn() -> None:
    shelf = [source(k, "retire" if k < 4 else "test", name) for k, name in enumerate(ODD_NAMES)]
    figure = drawn(shelf)
    names = words(figure, "name")
    assert len(names) == len(ODD_NAMES)
    assert names[0] == "<b>bold</b>"
    assert names[2].endswith("N…")
    assert names[3] == "Ænima ? №7"
    assert_words_beside(figure)
    title = said(figure, "title")
    assert "?" in title
    assert "N" * 60 not in title
    first = draw_shelf_figure(shelf[2:3], steps_of(shelf[2:3]), {}, 0.85, 0.9, FOOTER)
    assert_words_beside(first)


def test_a_source_without_an_interval_says_why() -> None:
    lacks: dict[str, Any] = {"find_probability": None, "low": None, "high": None, "cycles": None}
    shelf = [
        source(0, "test", **lacks, ground="no trials"),
        source(1, "test", **lacks, ground="not documented"),
        source(2, "keep"),
    ]
    figure = drawn(shelf, {})
    assert words(figure, "no-interval") == ["not tried yet", "its storage is not on record"]
    assert words(figure, "cycles") == ["?", "?", "2"]
    assert list(marks(figure)) == [2.0]
    assert lines(figure, "latest", "latest-find") == []
    alone = drawn([replace(s, find_probability=None, low=None, high=None) for s in shelf], {})
    assert len(words(alone, "no-interval")) == 3
    for each in (figure, alone):
        assert_words_beside(each)
        (floor,) = lines(each, "shelf", "floor")
        at = floor.get_window_extent()
        for text in each.artists:
            if str(text.get_gid()).startswith("no-interval"):
                assert not at.overlaps(text.get_window_extent())


def test_cycles_counted_from_late_on_are_at_least() -> None:
    assert words(drawn([source(7, log_begins_late=True)]), "cycles") == ["≥ 7"]


def test_a_mark_at_the_edge_is_whole() -> None:
    shelf = [
        source(0, "retire", find_probability=0.0, low=0.0, high=0.01),
        source(1, "keep", find_probability=1.0, low=0.99, high=1.0),
    ]
    ax = ax_of(drawn(shelf), "shelf")
    low, high = ax.get_xlim()
    assert low < 0.0
    assert high > 100.0
    assert not any(line.get_clip_on() for line in ax.lines if line.get_gid() != "floor")


def test_without_a_source_that_is_said() -> None:
    figure = drawn([])
    assert figure.axes == []
    assert said(figure, "title") == "No source is held."
    assert said(figure, "reason") == "Nothing to draw: no source is held."
