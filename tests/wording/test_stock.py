"""What is said of the stock and of inspections, over their cases."""

import math
from dataclasses import replace

import pytest

from outcomes.analysis.decisions.stock import RotaAhead, SourceAhead, Stock, StockAt
from outcomes.analysis.inspections.change import Change, ChangeEstimate, MassLimit
from outcomes.analysis.inspections.inspected import Inspected
from outcomes.analysis.inspections.seen_and_finds import Carried, SeenAndFinds
from outcomes.analysis.results import Verdict
from outcomes.models.ratio import Estimate
from outcomes.wording.inspections import NO_INSPECTIONS, describe_inspections
from outcomes.wording.stock import (
    describe_day,
    describe_stock,
    describe_stock_in_short,
    describe_to_find,
    stock_lines,
)
from tests.draw.test_stock_figure import made_stock
from tests.wording.cases import NEVER


def at(months: int, usable: float, low: int, high: int) -> StockAt:
    return StockAt(months, usable, low, high, 1, 0, 2)


@pytest.mark.parametrize("many", [1, 2, 5, 40])
def test_every_stock_is_told_in_words(many: int) -> None:
    stock = made_stock(many)
    for line in (describe_stock(stock), describe_stock_in_short(stock), *stock_lines(stock)):
        assert not NEVER.search(line), line
        assert line[0].isupper() or line[0].isdigit()


def test_the_first_to_find_are_told_with_their_day() -> None:
    stock = made_stock(4)
    told = describe_to_find(stock)
    assert told is not None
    assert told.startswith("To have 4 then, as today, find 1 (0 to 2) by 2026-05-31")
    assert "about 3.2 new sources a year" in told


def test_without_a_limit_one_line_says_why() -> None:
    stock = replace(made_stock(3), limits={}, at=(), rotas=(), sources=(), usable=0)
    assert "no limit is set" in describe_stock(stock)
    assert stock_lines(stock) == []


@pytest.mark.parametrize(
    ("days", "told"),
    [
        ((30.0, 10.0, 90.0), "about 2026-03-31 (2026-03-11 to 2026-05-30)"),
        ((30.0, 30.0, 30.0), "on 2026-03-31"),
        ((30.0, 10.0, math.inf), "about 2026-03-31 (2026-03-11 to over 3 years)"),
        ((9e9, 10.0, math.inf), "in over 3 years (not before 2026-03-11)"),
        ((9e9, 9e8, math.inf), "in over 3 years"),
    ],
)
def test_a_day_is_told(days: tuple[float, float, float], told: str) -> None:
    source = SourceAhead("A", "bone", "usable", "cycles", 3.0, 8.0, *days)
    assert describe_day(made_stock(1), source) == told


ESTIMATE = ChangeEstimate("mass_lost", "cycles", "cycle", 0.9, 0.15, 0.6, 1.2, 0.001)
CHANGE = Change("mass_lost", 60, 12, (ESTIMATE,), (), (), None, 0.95)
FINDS = SeenAndFinds(
    "ice_damage", 400, 60, 14, Estimate("ice_damage", "point", -0.7, 0.2, 0.34, 0.74, 0.002),
    0.004, True,
)  # fmt: skip
FOUND = Inspected(60, 12, 20, 180.0, 1.0, (CHANGE,), (FINDS,), 900, 400, 0.05)


def said(found: Inspected | None, verdict: Verdict = "cycles") -> str:
    text = " ".join(describe_inspections(found, verdict))
    assert not NEVER.search(text), text
    return text


def test_half_a_year_of_weighing_gets_its_sentence() -> None:
    text = said(replace(FOUND, finds=()))
    assert "60 looks at 12 of 20 sources over 6 months." in text
    assert "Each thaw costs about 0.9 % of mass (0.6 to 1.2); 12 sources." in text
    assert "finds" not in text


def test_without_inspections_there_is_one_line() -> None:
    assert describe_inspections(None, "cycles") == [NO_INSPECTIONS]


def test_what_rises_and_what_does_not_show_are_told_so() -> None:
    gains = replace(ESTIMATE, slope=-0.9, low=-1.2, high=-0.6)
    assert "Each thaw adds about 0.9 % of mass (0.6 to 1.2)" in said(
        replace(FOUND, change=(replace(CHANGE, estimates=(gains,)),))
    )
    open_still = replace(ESTIMATE, slope=0.1, low=-0.2, high=0.4)
    assert "No sign that mass lost changes with cycles (0.1 % each thaw; −0.2 to 0.4)." in said(
        replace(FOUND, change=(replace(CHANGE, estimates=(open_still,)),))
    )


def test_kinds_that_differ_are_named() -> None:
    kinds = (replace(ESTIMATE, kind="blood"), replace(ESTIMATE, kind="bone", slope=0.2, low=-0.1))
    text = said(replace(FOUND, change=(replace(CHANGE, by_kind=kinds, kinds_differ_p=0.01),)))
    assert "Kinds differ: blood 0.9 %" in text
    assert "Kinds differ" not in said(
        replace(FOUND, change=(replace(CHANGE, by_kind=kinds, kinds_differ_p=0.2),))
    )


def test_looks_that_were_not_blind_are_cautioned_about() -> None:
    assert "may have seen what they expected" in said(replace(FOUND, blind=0.3))
    assert "is not on record" in said(replace(FOUND, blind=None))
    assert "Blind" not in said(FOUND)


def test_explains_part_only_where_shown() -> None:
    text = said(FOUND)
    assert "finds go along with ice damage: fewer for each point" in text
    assert "explains part" not in text
    assert "which were looked at was chosen" in text
    assert "no part of the verdict" in text
    carried = Carried(-0.05, -0.08, -0.02, 0.48, 0.2, 0.9)
    text = said(replace(FOUND, finds=(replace(FINDS, carried=carried),)))
    assert "It explains part of the change with cycles: about 48 of 100 (20 to 90)." in text


def test_no_sign_is_no_finding() -> None:
    text = said(replace(FOUND, finds=(replace(FINDS, told=False, adjusted_p=0.4),)))
    assert "no sign that finds go along with what was seen" in text
    assert "explains" not in text


def test_too_few_trials_after_a_look_say_so() -> None:
    none = replace(FINDS, estimate=None, told=False, reason="too few trials after a look: 3 misses")
    assert "cannot be asked: too few trials" in said(replace(FOUND, finds=(none,)))


def test_a_limit_of_mass_is_told_where_it_is_asked() -> None:
    limit = MassLimit(0.1, 9.7, 0.95, 30.0)
    assert "Up to 9 thaws the mean loss is below 10 % of mass" in said(
        replace(FOUND, mass_limit=limit)
    )
    assert "below 10 % of mass up to 30 thaws" in said(
        replace(FOUND, mass_limit=replace(limit, cycles=None))
    )


def test_rotas_are_told_by_what_they_are() -> None:
    stock: Stock = made_stock(3)
    rota = RotaAhead("half as often", (at(3, 3.0, 2, 3), at(6, 2.0, 1, 3), at(12, 2.0, 1, 3)))
    text = " ".join(stock_lines(replace(stock, rotas=(rota,))))
    assert "Usable in 12 months: 2 (1 to 3) if thawed half as often." in text


def test_no_part_is_explained_of_a_change_not_named() -> None:
    carried = Carried(-0.05, -0.08, -0.02, 0.98, 0.5, 1.0)
    both = (
        replace(FINDS, carried=carried),
        replace(FINDS, measure="freezer_burn", carried=carried),
    )
    found = replace(FOUND, finds=both)
    assert "explains" not in said(found, "no change detected")
    assert "such parts do not add up" in said(found, "both")
