"""The table of limits: what stands in it, on the terminal and on the page."""

import html
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.decisions.trade_off import DAYS_PER_MONTH
from outcomes.answers.facts import Facts
from outcomes.report import report
from outcomes.report.page import PageFigure, render_page
from outcomes.report.price_table import (
    HEADINGS,
    MOST_LIMITS,
    advised_points,
    price_lines,
    price_rows,
)
from outcomes.text import count
from outcomes.wording.numbers import finds_in_100
from outcomes.wording.price import describe_price_table
from outcomes.wording.shelf import SHELF_NOTE


def _by_age(facts: Facts, days: int) -> Retirement:
    (by_cycles,) = facts.retirement.thresholds
    return Retirement((replace(by_cycles, by="age_days", retire_after=days),), ())


def test_rows_are_priced_limits_with_intervals(demo_facts: Facts) -> None:
    price = demo_facts.price
    rows = price_rows(price, demo_facts.retirement)
    by_limit = {count(round(p.cycles or 0), "cycle"): p for p in price.by_cycles}
    for row in rows[:-1]:
        point = by_limit[row.limit.removesuffix(" (advised)")]
        assert row.finds == (
            f"{100 * point.find_probability:.0f} ({100 * point.low:.0f} to {100 * point.high:.0f})"
        )
        assert row.below.startswith(finds_in_100(point.share_below_floor) + " (")
        assert row.sources.startswith(
            f"{point.sources_per_year:.1f}".removesuffix(".0")
            if point.sources_per_year < 9.95
            else f"{point.sources_per_year:.0f}"
        )
    assert rows[-1].limit == "as now"
    assert rows[-1].finds.startswith(f"{100 * price.present.find_probability:.0f} (")


def test_advised_limit_is_among_a_few(demo_facts: Facts) -> None:
    rows = price_rows(demo_facts.price, demo_facts.retirement)[:-1]
    assert 4 <= len(rows) <= MOST_LIMITS
    limits = [int(row.limit.split()[0]) for row in rows]
    assert limits == sorted(limits)
    after = demo_facts.retirement.thresholds[0].retire_after
    assert [row.limit for row in rows if "advised" in row.limit] == [f"{after} cycles (advised)"]


def test_age_limit_is_whole_months(demo_facts: Facts) -> None:
    # 1,000 days are 32.9 months.
    retirement = _by_age(demo_facts, 1000)
    (point,) = advised_points(demo_facts.price, retirement)
    assert point.age_days == pytest.approx(32 * DAYS_PER_MONTH)
    rows = price_rows(demo_facts.price, retirement)
    assert "32 months (advised)" in [row.limit for row in rows]
    assert all("month" in row.limit for row in rows[:-1])
    assert len(rows) <= MOST_LIMITS + 1
    assert "limits by age" in describe_price_table(demo_facts.price, retirement)


def test_without_a_limit_none_is_called_advised(demo_facts: Facts) -> None:
    (threshold,) = demo_facts.retirement.thresholds
    none = Retirement((replace(threshold, retire_after=None),), ())
    assert advised_points(demo_facts.price, none) == ()
    rows = price_rows(demo_facts.price, none)
    assert rows
    assert not any("advised" in row.limit for row in rows)


def test_unpriced_has_no_table(demo_facts: Facts) -> None:
    nothing = replace(demo_facts.price, by_cycles=(), by_age=(), present=None, reason="no")
    assert price_rows(nothing, demo_facts.retirement) == []
    assert list(price_lines(nothing, demo_facts.retirement)) == []
    assert price_rows(demo_facts.price, Retirement((), ())) == []


def test_terminal_table_follows_the_advice(demo_facts: Facts) -> None:
    lines = list(report.retire_lines(demo_facts))
    table = list(price_lines(demo_facts.price, demo_facts.retirement))
    start = lines.index(table[0])
    assert lines[start : start + len(table)] == table
    assert lines.index(SHELF_NOTE) < start
    assert max(map(len, table[1:])) <= 100


def test_page_has_the_same_table_folded(demo_facts: Facts) -> None:
    figure = PageFigure(b"<svg/>", (), "", (936.0, 504.0))
    page = html.unescape(render_page(demo_facts, figure)).replace("\u00a0", " ")
    _, _, block = page.partition("<summary>What a limit buys and costs")
    block, _, _ = block.partition("</details>")
    assert describe_price_table(demo_facts.price, demo_facts.retirement) in block
    assert block.count('<th scope="col"') == len(HEADINGS)
    rows = price_rows(demo_facts.price, demo_facts.retirement)
    assert block.count('<th scope="row">') == len(rows)
    for row in rows:
        for text in (row.limit, row.finds, row.below, row.sources):
            assert text in block


def test_unpriced_unit_has_no_folded_table(briefing_of: Callable[..., Any]) -> None:
    made = briefing_of("too few trials")
    assert "What each limit buys" not in (made.folder / "briefing.html").read_text("utf-8")
