"""The figure of what limits buy and cost, by the data it draws and the room its words take."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.decisions.rate_of_use import Discard
from outcomes.analysis.decisions.trade_off import (
    Advantage,
    PresentPractice,
    TradeOff,
    TradeOffPoint,
)
from outcomes.draw.sheet import CAUTION
from outcomes.draw.trade_off_figure import NOTHING, dearest_drawn, draw_trade_off_figure
from outcomes.wording.price import describe_limits_of_rule

from .looks import assert_words_beside, words

MONTH = 365.25 / 12


def point(cycles, age_days, cost, find, half=0.02):
    return TradeOffPoint(
        cycles, age_days, find, find - half, find + half, 0.1, 0.05, 0.2,
        cost, 0.7 * cost, 1.4 * cost, 400,
    )  # fmt: skip


def made(*, leading="cycles", low=1.0, high=4.0, cycles=24, age=42, combined=()):
    by_cycles = [point(float(c), None, 110 / c, 0.96 - 0.0017 * c) for c in range(1, cycles + 1)]
    by_age = [point(None, m * MONTH, 250 / m, 0.95 - 0.0012 * m) for m in range(6, age + 1)]
    gone = (Discard("A", pd.Timestamp("2025-01-01"), 9.0, 300.0),)
    present = PresentPractice(gone, 0.896, 0.873, 0.915, 0.2, 0.14, 0.28, 3.2, 1.6, 5.8, 965)
    best = Advantage(6.0, (low + high) / 2, low, high, 18.0, 1270.0)
    return TradeOff(
        tuple(by_cycles), tuple(by_age), tuple(combined), present, best,
        0.85, 0.9, 2.5, 18.0, 0, leading, None,
    )  # fmt: skip


@pytest.fixture(scope="module")
def figure():
    return draw_trade_off_figure(made(combined=[point(15.0, 36 * MONTH, 10.5, 0.93)]), "Unit.")


def lines(figure, gid):
    (ax,) = figure.axes
    return [line for line in ax.lines if line.get_gid() == gid]


def test_both_lines_reach_a_whole_store_a_year(figure):
    for gid, rules in (
        ("line limit by cycles", made().by_cycles),
        ("line limit by age", made().by_age),
    ):
        (line,) = lines(figure, gid)
        wanted = sorted((p.sources_per_year, 100 * p.find_probability) for p in rules)
        wanted = [pair for pair in wanted if pair[0] <= 18.0]
        np.testing.assert_allclose(np.column_stack(line.get_data()), wanted)
    assert dearest_drawn(made()) == 18.0


def test_every_limit_named_stands_where_it_is(figure):
    (ax,) = figure.axes
    marks = [line for line in ax.lines if str(line.get_gid()).startswith("limit limit")]
    names = words(figure, "limit-name")
    assert len(marks) == len(names) >= 6
    assert "24 cycles" in names
    assert "42 months" in names
    by_name = {describe_limits_of_rule(p): p for p in (*made().by_cycles, *made().by_age)}
    for name, mark in zip(names, marks, strict=True):
        assert mark.get_xdata()[0] == by_name[name].sources_per_year
        assert mark.get_ydata()[0] == 100 * by_name[name].find_probability


def test_present_practice_has_both_intervals(figure):
    (mark,) = lines(figure, "present")
    assert (mark.get_xdata()[0], mark.get_ydata()[0]) == (3.2, pytest.approx(89.6))
    (across,) = lines(figure, "present-cost")
    assert list(across.get_xdata()) == [1.6, 5.8]
    (up,) = lines(figure, "present-finds")
    assert list(up.get_ydata()) == pytest.approx([87.3, 91.5])
    assert words(figure, "present-name") == ["as now"]


def test_a_rule_by_both_is_a_mark_of_its_own(figure):
    (mark,) = lines(figure, "combined")
    assert mark.get_xdata()[0] == 10.5
    assert words(figure, "combined-name") == ["15 cycles or 36 months"]


def test_advised_limit_is_marked_and_named(figure):
    trade_off = made()
    (thirteen,) = (p for p in trade_off.by_cycles if p.cycles == 13)
    marked = draw_trade_off_figure(trade_off, "Unit.", advised=[thirteen])
    (mark,) = lines(marked, "advised")
    assert mark.get_xdata()[0] == thirteen.sources_per_year
    assert mark.get_ydata()[0] == pytest.approx(100 * thirteen.find_probability)
    others = lines(marked, "limit limit by cycles")
    assert mark.get_markersize() > max(line.get_markersize() for line in others)
    assert words(marked, "advised-name") == ["13 cycles: advised"]
    assert lines(figure, "advised") == []


def test_a_rule_by_both_is_named_as_it_is_priced():
    assert (
        describe_limits_of_rule(point(15.0, 18.7 * MONTH, 10.5, 0.93)) == "15 cycles or 18.7 months"
    )


def test_lines_differ_in_more_than_colour(figure):
    (one,), (two,) = (lines(figure, f"line limit by {name}") for name in ("cycles", "age"))
    assert one.get_linestyle() != two.get_linestyle()


@pytest.mark.parametrize(
    ("low", "high", "says"),
    [
        (1.0, 4.0, "limit by cycles keeps more finds"),
        (-4.0, -1.0, "limit by age keeps more finds"),
        (0.3, 4.0, "in 100 trials (90 % interval 0.3 to 4)"),
        (-4.0, -1.0, "in 100 trials (90 % interval 1 to 4)"),
        (1.0, 4.0, "on best estimate"),
        (-1.0, 4.0, "do not settle"),
    ],
)
def test_title_claims_no_more_than_its_interval(low, high, says):
    figure = draw_trade_off_figure(made(low=low, high=high), "Unit.")
    assert says in " ".join(words(figure, "title"))
    assert CAUTION in " ".join(words(figure, "footer"))


def test_nothing_to_be_had_has_its_reason():
    nothing = replace(
        made(), by_cycles=(), by_age=(), present=None, advantage=None, reason="no change was seen"
    )
    figure = draw_trade_off_figure(nothing, "Unit.")
    assert words(figure, "title") == [NOTHING]
    assert words(figure, "reason") == ["No change was seen."]


@pytest.mark.parametrize("leading", ["cycles", "age_days", None])
@pytest.mark.parametrize("cycles", [0, 2, 24, 120])
def test_no_words_lie_on_others_or_off_the_sheet(leading, cycles):
    trade_off = made(leading=leading, cycles=cycles)
    advised = [*trade_off.by_cycles[12:13], trade_off.by_age[17]]
    figure = draw_trade_off_figure(trade_off, "Some words. " * 9, advised=advised)
    assert_words_beside(figure)
