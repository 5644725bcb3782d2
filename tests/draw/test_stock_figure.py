"""The stock as lines: by the data drawn and the room of the words."""

from dataclasses import replace
from typing import Any

import pandas as pd
import pytest
from matplotlib.figure import Figure

from outcomes.analysis.decisions.stock import SourceAhead, Stock, StockAt, UseAhead
from outcomes.draw.stock_figure import AHEAD_MONTHS, MOST_ROWS, draw_stock_figure
from outcomes.draw.theme import FOOTER_PT
from outcomes.text import DAYS_PER_MONTH
from tests.conftest import ODD_NAMES

from .looks import ax_of, lines, words

FOOTER = "Synthetic unit, 1,200 trials."
USE = UseAhead(12.0, 500.0, 1.0)


def dated(name: str, days: float, **changes: Any) -> SourceAhead:
    given: dict[str, Any] = {
        "source_id": name, "kind": "bone", "standing": "usable", "by": "cycles", "left": 3.0,
        "per_year": 8.0, "days": days, "low": 0.5 * days, "high": 2.0 * days, "use": USE,
        "cycles_left": 3.0,
    }  # fmt: skip
    return SourceAhead(**(given | changes))


def made_stock(many: int, *others: SourceAhead) -> Stock:
    """So many sources, 40 days apart, after those that have no day."""
    own = tuple(dated(f"BON-{k:02d}", 40.0 * (k + 1)) for k in range(many))
    at = tuple(StockAt(m, float(many), max(many - 1, 0), many, 1, 0, 2) for m in (3, 6, 12))
    return Stock(
        pd.Timestamp("2026-03-01"), (*others, *own), {"cycles": ((13, ()),)}, 0.9,
        sum(s.usable for s in (*others, *own)), at, (), 3.2, 1.0,
    )  # fmt: skip


def drawn(stock: Stock) -> Figure:
    return draw_stock_figure(stock, FOOTER)


@pytest.mark.parametrize("many", [1, 5, 26, 60])
def test_each_line_ends_at_its_day(many: int) -> None:
    stock = made_stock(many)
    figure = drawn(stock)
    shown = stock.sources[:MOST_ROWS]
    assert words(figure, "name") == [s.source_id for s in shown]
    days = {int(line.get_ydata()[0]): line.get_xdata()[0] for line in lines(figure, "stock", "day")}
    within = {k: s.days / DAYS_PER_MONTH for k, s in enumerate(shown)
              if s.days / DAYS_PER_MONTH <= AHEAD_MONTHS}  # fmt: skip
    assert days == pytest.approx(within)
    for line, s in zip(lines(figure, "stock", "interval"), shown, strict=True):
        ends = [min(at / DAYS_PER_MONTH, AHEAD_MONTHS) for at in (s.low, s.high)]
        assert list(line.get_xdata()) == pytest.approx(ends)


def test_past_use_is_marked_and_no_day_is_pale() -> None:
    others = (
        SourceAhead("A", "bone", "at the limit"), SourceAhead("B", "bone", "retire"),
        SourceAhead("C", "bone", "not thawed"),
    )  # fmt: skip
    figure = drawn(made_stock(2, *others))
    assert [line.get_ydata()[0] for line in lines(figure, "stock", "past")] == [0, 1]
    assert [line.get_ydata()[0] for line in lines(figure, "stock", "no-date")] == [2]
    assert words(figure, "day")[:3] == ["at the limit or past it", "retire now",
                                       "not thawed: no date"]  # fmt: skip


def test_numbers_usable_stand_above_their_month() -> None:
    figure = drawn(made_stock(5))
    assert words(figure, "usable") == ["usable", "5", "5", "5", "5"]
    assert words(figure, "when") == ["today", "in 3 mo.", "in 6 mo.", "in 12 mo."]


def test_without_a_day_the_sheet_says_why() -> None:
    stock = replace(made_stock(1), sources=(), limits={}, at=())
    assert "no limit is set" in " ".join(words(drawn(stock), "reason"))


@pytest.mark.parametrize("name", ODD_NAMES)
def test_any_name_has_room(name: str) -> None:
    figure = drawn(made_stock(3, dated(name, 20.0)))
    assert all(text.get_fontsize() >= FOOTER_PT for text in figure.texts)
    assert ax_of(figure, "stock").get_position().width > 0.3
