"""One of a thing is told as one, every p-value alike, and no size is told that cannot be known."""

import re
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes import text as telling
from outcomes.analysis.decisions import trade_off
from outcomes.analysis.lifetimes.regression import CycleHazard, NextCycles
from outcomes.analysis.monitoring import charts as watch
from outcomes.answers.side_tests import SideTests
from outcomes.draw import theme
from outcomes.models.ratio import Estimate
from outcomes.wording.false_alerts import describe_false_alerts
from outcomes.wording.lifetime_regression import describe_next_cycles
from outcomes.wording.records import describe_records_in_short
from outcomes.wording.search_time import describe_search_time
from outcomes.wording.sensitivity import describe_agreement_in_short
from outcomes.wording.watch import describe_watch
from tests.side import UNTOLD, beyond_chance

NOUNS = (
    "sources|trials|dogs|searches|events|charts|hides|cycles|months|days|rows|finds|misses|"
    "blank areas|false alerts|other ways|frozen sources|hide trials"
)
# "10 of 1 sources", "1 trials", but not "in 21 trials", "0.1 trials" or "1,201 trials".
ONE_OF_MANY = re.compile(rf"(?<![\d.,])1 ({NOUNS})\b")


def _rate(low: float, high: float) -> Estimate:
    return Estimate("cycles", "cycle", 0.01, 0.1, low, high, 0.5)


def _alerts(n: int, *terms: Estimate, side: SideTests = UNTOLD) -> str:
    fit: Any = SimpleNamespace(
        rate_per_hour=0.5, rate_low=0.2, rate_high=1.0, blanks=n, blank_alerts=1,
        per_blank=1.0 / (n + 1), per_blank_low=0.1, per_blank_high=0.9, reason=None, terms=terms,
        model_alerts=n, sources=n, dogs=n, copies={}, alpha=0.05,
    )  # fmt: skip
    return describe_false_alerts(fit, side)


def _searches(n: int, *terms: Estimate, side: SideTests = UNTOLD) -> str:
    fit: Any = SimpleNamespace(
        n=n, finds=n, sources=n, dogs=n, terms=terms, copies={}, reason=None, alpha=0.05,
        last_quarter=0.02, cut_off=False, curve=None, shapes={},
    )  # fmt: skip
    return describe_search_time(fit, side)


def _next(n: int) -> str:
    row = NextCycles(n, 5, 0.2, 0.1, 0.4, n)
    return describe_next_cycles(CycleHazard(n, n, n, (), (row,), (), None, 0.05))


def _charted(n: int, past: int) -> str:
    trial = SimpleNamespace(started_at=pd.Timestamp("2025-03-01"))
    charts = tuple(
        SimpleNamespace(of="source", name=f"S{k}", past_since=trial, back_below=False,
                        by_chance=0.05, seen=0.3)
        for k in range(n)
    )  # fmt: skip
    choices: Any = SimpleNamespace(odds_ratio=2.0, false_call=0.05, within=50)
    nothing = watch._nothing(choices, "")
    found: Any = replace(nothing, reason=None, sources=charts, past=charts[:past])  # type: ignore[arg-type]
    return describe_watch(found)


def _agreement(n: int, *, clear: bool) -> str:
    found = SimpleNamespace(
        ways=n, same_sign=n, clear=clear, clear_too=n, rising=False, unsure=(), against=()
    )
    row = SimpleNamespace(log_odds=-0.1, family="main", name="main")
    ways: Any = SimpleNamespace(agreement={"cycles": found}, of=lambda _: [row])
    return describe_agreement_in_short(ways, "cycles")


def _glance(n: int) -> str:
    return describe_records_in_short(pd.DataFrame({"result": ["miss"] * n}), n)


SENTENCES = {
    "agreement": lambda n: _agreement(n, clear=True),
    "agreement, unclear": lambda n: _agreement(n, clear=False),
    "search time": lambda n: _searches(
        n, _rate(1.01, 1.04), side=beyond_chance(("search time", "cycles"))
    ),
    "false alerts": lambda n: _alerts(
        n, _rate(1.01, 1.04), side=beyond_chance(("false alerts", "cycles"))
    ),
    "next cycles": _next,
    "charts": lambda n: _charted(n, 0),
    "charts past": lambda n: _charted(n, 1),
    "records at a glance": _glance,
}


@pytest.mark.parametrize("name", SENTENCES)
def test_one_of_a_thing_is_told_as_one(name: str) -> None:
    one, three = SENTENCES[name](1), SENTENCES[name](3)
    assert ONE_OF_MANY.search(one) is None, one
    assert "1 of 1 sources" not in one
    assert one != three


def test_the_pattern_sees_one_of_many() -> None:
    assert ONE_OF_MANY.search("from 3 of 1 sources")
    assert ONE_OF_MANY.search("in 1 other ways")
    assert not ONE_OF_MANY.search("1 source, 21 trials, 0.1 cycles and 1,201 rows")


def test_one_chart_and_none_past_is_told_as_such() -> None:
    assert _charted(1, 0).startswith("The one chart did not pass its limit within the last 50 ")
    assert "50 trials of each: source S0 (2025-03-01). Fewer than 1 would by" in _charted(1, 1)
    assert _charted(3, 0).startswith("None of 3 charts passed its limit ")
    assert ". About 3 would by chance, as about 5 in 100 " in _charted(60, 0)


@given(st.floats(0.0, 1.0))
def test_p_value_never_crosses_a_twentieth(p: float) -> None:
    told = telling.p_value(p)
    number = telling.p_number(p)
    assert told in (f"p {number}", f"p = {number}")
    if p < 0.001:
        assert told == "p < 0.001"
        return
    assert abs(float(number) - p) <= (0.0005 if p < 0.0995 else 0.005) + 1e-12
    # Only what is within half a thousandth of 0.05 can be told as 0.050.
    if p < 0.0495:
        assert float(number) < 0.05


def test_the_same_month_is_meant_everywhere() -> None:
    # A twelfth of the mean year of the Julian calendar, 365.25 days.
    assert pytest.approx(30.4375) == telling.DAYS_PER_MONTH
    for module in (trade_off, theme):
        assert module.DAYS_PER_MONTH is telling.DAYS_PER_MONTH


ABSURD = re.compile(r"100 % (shorter|fewer)|over 1,000 times")


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (1.2, 1e6, "longer with cycles, by how much these records cannot tell"),
        (1e-9, 0.9, "shorter with cycles, by how much these records cannot tell"),
    ],
)
def test_unknowable_search_time_has_no_size(low: float, high: float, said: str) -> None:
    age = replace(_rate(0.99, 1.01), term="age_days")
    told = replace(_rate(low, high), log_ratio=0.5 if low > 1.0 else -0.5)
    text = _searches(400, told, age, side=beyond_chance(("search time", "cycles")))
    assert said in text
    assert not ABSURD.search(text)
    assert "400 finds" in text


def test_unknowable_alerts_have_no_size() -> None:
    for low, high, said in (
        (1.2, 1e6, "more went with cycles, by how much these records cannot tell"),
        (1e-9, 0.9, "fewer went with cycles, by how much these records cannot tell"),
    ):
        told = replace(_rate(low, high), log_ratio=0.5 if low > 1.0 else -0.5)
        text = _alerts(44, told, side=beyond_chance(("false alerts", "cycles")))
        assert said in text
        assert not ABSURD.search(text)
