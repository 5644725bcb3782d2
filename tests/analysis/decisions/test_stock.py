"""The stock: dates beside distributions of scipy, by hand, and what no rule may do."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from outcomes.analysis.decisions.rate_of_use import RateOfUse
from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.stock import (
    HORIZONS,
    Stock,
    UseAhead,
    number_of,
    plan_stock,
    uses_ahead,
)
from outcomes.exposure.stays import History, storage_history
from outcomes.settings import RecordsSettings
from outcomes.text import DAYS_PER_MONTH, DAYS_PER_YEAR
from tests.wording.cases import made_threshold

FIRST, LAST = pd.Timestamp("2024-01-01"), pd.Timestamp("2026-01-01")
EVERY = {"A": 30, "B": 60, "C": 15}
NOBODY = RateOfUse(1.0, (), np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0), (), 0)


def made_history() -> History:
    """Three sources thawed every 30, 60 and 15 days, and R, kept in the refrigerator."""
    rows = [(s, FIRST, "freezer") for s in EVERY] + [("R", FIRST, "refrigerator")]
    for source, gap in EVERY.items():
        for at in pd.date_range(FIRST, LAST, freq=f"{gap}D", inclusive="neither"):
            rows += [(source, at + pd.Timedelta(hours=8), "ambient")]
            rows += [(source, at + pd.Timedelta(hours=18), "freezer")]
    storage = pd.DataFrame(rows, columns=["source_id", "moved_at", "moved_to"])
    sources = pd.DataFrame({"source_id": [*EVERY, "R"], "acquired_on": FIRST})
    asked = pd.DataFrame({"source_id": ["A"], "started_at": [LAST]})
    return storage_history(sources, storage, asked, RecordsSettings())


HISTORY = made_history()


def held(name: str, cycles: float | None = 5.0, **changes: object) -> ShelfSource:
    given = {
        "source_id": name, "kind": "bone", "regime": "frozen", "cycles": cycles,
        "age_days": 400.0, "trials": 30, "finds": 27, "find_probability": 0.9, "low": 0.86,
        "high": 0.94, "advice": "keep", "ground": "above", "trials_to_settle": None,
    }  # fmt: skip
    return ShelfSource(**(given | changes))  # type: ignore[arg-type]


def planned(*shelf: ShelfSource, limit: int | None = 13, by: str = "cycles") -> Stock:
    limits = [] if limit is None else [made_threshold(by, retire_after=limit)]
    return plan_stock(shelf, limits, NOBODY, HISTORY, FIRST, LAST, LAST, 0.9)


@given(st.integers(1, 40), st.integers(1, 60), st.floats(0.02, 0.98))
def test_days_are_nelsons_ratio(thaws: int, had: int, probability: float) -> None:
    """Without spread between sources, the time to k further events after n in a time T.

    Nelson (2000): T_k / k over T / n is F distributed with 2k and 2n degrees of freedom.
    """
    ours = UseAhead(shape=float(had), days=730.0, dispersion=1.0).days_until(thaws, probability)
    theirs = stats.f.ppf(probability, 2 * thaws, 2 * had) * (730.0 / had) * thaws
    assert ours == pytest.approx(theirs, rel=1e-8)


@given(st.integers(1, 30), st.floats(0.5, 60.0), st.floats(1.0, 900.0))
def test_thaws_by_a_day_are_negative_binomial(thaws: int, had: float, days: float) -> None:
    use = UseAhead(shape=had, days=500.0, dispersion=1.0)
    theirs = stats.nbinom.sf(thaws - 1, had, 500.0 / (500.0 + days))
    assert use.reached_by(thaws, days) == pytest.approx(theirs, rel=1e-8, abs=1e-12)


@given(st.floats(0.1, 30.0), st.floats(0.5, 60.0), st.floats(0.3, 4.0), st.floats(0.05, 0.95))
def test_days_and_chances_are_one_thing(thaws, had, dispersion, probability) -> None:
    use = UseAhead(had, 500.0, dispersion)
    days = use.days_until(thaws, probability)
    assert use.reached_by(thaws, days) == pytest.approx(probability, abs=1e-7)
    assert use.slower(0.5).days_until(thaws, probability) == pytest.approx(2.0 * days)
    assert use.days_until(thaws + 1.0, probability) > days


@given(st.lists(st.floats(0.0, 1.0), max_size=12))
def test_numbers_are_a_distribution(chances: list[float]) -> None:
    of = number_of(np.array(chances))
    assert of.sum() == pytest.approx(1.0)
    assert (of * np.arange(len(of))).sum() == pytest.approx(sum(chances), abs=1e-9)


def test_like_chances_are_binomial() -> None:
    np.testing.assert_allclose(
        number_of(np.full(9, 0.3)), stats.binom.pmf(np.arange(10), 9, 0.3), rtol=1e-12
    )


def test_a_regular_rota_gives_its_own_rate() -> None:
    uses, frozen = uses_ahead(HISTORY, [*EVERY, "R"], FIRST, LAST)
    for source, gap in EVERY.items():
        # Each is drawn a little towards the others.
        assert uses[source].per_year == pytest.approx(DAYS_PER_YEAR / gap, rel=0.1)
    # As regular as these are, far less open than by chance.
    assert uses["A"].dispersion < 0.5
    assert frozen == {"A": True, "B": True, "C": True, "R": False}


def test_the_date_of_a_regular_rota() -> None:
    """A, thawed every 30 days, has 8 cycles to go: about 240 days."""
    stock = planned(held("A"), held("B", 0.0), held("C", 13.0), held("R", 0.0))
    source = stock.dated[0]
    assert source.source_id == "A"
    assert source.days == pytest.approx(240.0, rel=0.12)
    assert source.low < source.days < source.high
    assert [s.standing for s in stock.sources] == ["at the limit", "usable", "usable", "not thawed"]
    assert stock.usable == 3
    assert [at.low for at in stock.at] == [3, 2, 2]
    assert [at.to_find for at in stock.at] == [0, 0, 1]


def test_an_age_limit_is_a_day() -> None:
    source = planned(held("A"), limit=500, by="age_days").dated[0]
    assert (source.days, source.low, source.high) == (100.0, 100.0, 100.0)
    assert source.by == "age_days"


@pytest.mark.parametrize(
    ("source", "standing"),
    [
        (held("A", 13.0), "at the limit"),
        (held("A", 20.0), "at the limit"),
        (held("A", advice="retire"), "retire"),
        (held("A", None), "not known"),
        (held("R", 0.0), "not thawed"),
        (held("A", 12.0), "usable"),
    ],
)
def test_why_a_source_has_a_date_or_none(source: ShelfSource, standing: str) -> None:
    found = planned(source, held("B")).sources
    one = next(s for s in found if s.source_id == source.source_id)
    assert one.standing == standing
    assert (one.days is None) == (standing != "usable")


def test_a_kind_without_a_limit_has_no_date() -> None:
    threshold = made_threshold(retire_after=13)
    threshold = replace(threshold, curve=replace(threshold.curve, kinds=("blood",)))
    shelf = [held("A"), held("B", kind="blood")]
    stock = plan_stock(shelf, [threshold], NOBODY, HISTORY, FIRST, LAST, LAST, 0.9)
    assert {s.source_id: s.standing for s in stock.sources} == {"A": "no limit", "B": "usable"}


def test_without_a_limit_nothing_is_told() -> None:
    stock = planned(held("A"), limit=None)
    assert (stock.at, stock.rotas, stock.dated) == ((), (), ())
    assert stock.reason == "no limit is set from these records"


def test_other_rotas() -> None:
    stock = planned(held("A"), held("B", 12.0), held("C", 20.0))
    at = {rota.rota: rota.at[-1].sources_usable for rota in stock.rotas}
    now = stock.at[-1].sources_usable
    assert at["half as often"] > now > at["on these alone"]
    # C, at the limit, took two thirds of the thaws: the others would be through in no time.
    assert at["on these alone"] < 0.35


def test_fewer_are_usable_later() -> None:
    stock = planned(*(held(s, c) for s, c in (("A", 3.0), ("B", 9.0), ("C", 1.0), ("R", 0.0))))
    usable = [at.sources_usable for at in stock.at]
    assert usable == sorted(usable, reverse=True)
    assert [at.in_months for at in stock.at] == list(HORIZONS)
    for at in stock.at:
        assert at.low - 0.5 < at.sources_usable < at.high + 0.5
        assert at.to_find_low <= at.to_find <= at.to_find_high
        assert at.ahead.days == round(at.in_months * DAYS_PER_MONTH)
