"""The pool's figure draws each unit, all together, and where another one would lie."""

import numpy as np

from outcomes.draw.pool_figure import MOST_ROWS, draw_pool_figure
from outcomes.draw.save import describe_figure, render_figure
from outcomes.pool.answer import pool_shares
from tests.pool.shares import share_of, shares_of


def lines(figure, gid):
    return [line for ax in figure.axes for line in ax.lines if line.get_gid() == gid]


def test_each_unit_has_its_interval() -> None:
    answer = pool_shares(shares_of(6))
    figure = draw_pool_figure(answer)
    for ax, slope in zip(figure.axes, answer.slopes.values(), strict=True):
        own = [line for line in ax.lines if line.get_gid() == "interval-unit"]
        assert len(own) == 6
        left, right = ax.get_xlim()
        for line, unit in zip(own, slope.units, strict=True):
            low, high = line.get_xdata()
            assert low == max(unit.low, left)
            assert high == min(unit.high, right)
        (together,) = (line for line in ax.lines if line.get_gid() == "interval-together")
        assert tuple(together.get_xdata()) == (slope.low, slope.high)
        (another,) = (line for line in ax.lines if line.get_gid() == "interval-another")
        assert tuple(another.get_xdata()) == (slope.prediction.low, slope.prediction.high)


def test_two_units_have_no_prediction() -> None:
    figure = draw_pool_figure(pool_shares(shares_of(2)))
    assert not lines(figure, "interval-another")
    assert "if these units are alike" in describe_figure(figure)[0]


def test_age_alone_stands_as_such_among_cycles() -> None:
    figure = draw_pool_figure(pool_shares([*shares_of(2), share_of("zzzz", (0.1,))]))
    assert "age alone" in describe_figure(figure)[1]
    assert len(lines(figure, "interval-unit")) == 5


def test_many_units_are_counted_though_not_drawn() -> None:
    rng = np.random.default_rng(4)
    shares = [share_of(f"u{n:03d}", (-0.6 + rng.normal(0, 0.2), 0.1)) for n in range(30)]
    figure = draw_pool_figure(pool_shares(shares))
    assert len(lines(figure, "interval-unit")) == 2 * MOST_ROWS
    assert "6 more units not drawn" in describe_figure(figure)[1]


def test_bends_alone_say_why_there_is_nothing() -> None:
    figure = draw_pool_figure(pool_shares([share_of("yyyy", None), share_of("zzzz", None)]))
    assert not figure.axes
    assert render_figure(figure, "png")
