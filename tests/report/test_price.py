"""What a retirement limit buys and costs, in words and in results."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from outcomes.answers.facts import Facts
from outcomes.report.figures import FIGURES, draw_named_figure
from outcomes.report.results import results
from outcomes.wording.numbers import in_100
from outcomes.wording.price import describe_price
from outcomes.wording.rule_by_both import describe_rule_by_both


def test_the_price_told_is_that_of_the_limit_told(demo_facts: Facts) -> None:
    found = results(demo_facts)["retire"]
    row = next(r for r in found["trade_off"] if r["retire_after"] == found["retire_after"])
    sentence = describe_price(demo_facts.price, demo_facts.retirement)
    assert f"about {in_100(row['find_probability'])} finds" in sentence
    assert f"about {row['sources_per_year']:.0f} sources a year" in sentence
    present = found["present_practice"]
    assert f"against {in_100(present['find_probability'])} in all trials" in sentence


def test_one_source_a_year_is_told_as_one(demo_facts: Facts) -> None:
    price = demo_facts.price
    one = [
        replace(p, sources_per_year=1.2, sources_low=0.6, sources_high=2.4) for p in price.by_cycles
    ]
    sentence = describe_price(replace(price, by_cycles=tuple(one)), demo_facts.retirement)
    assert "It costs about 1 source a year (1 to 2)" in sentence


def test_one_discard_a_year_is_told_as_one(demo_facts: Facts) -> None:
    price = demo_facts.price
    assert price.present is not None
    once = replace(price, present=replace(price.present, sources_per_year=1.02))
    sentence = describe_price(once, demo_facts.retirement)
    assert sentence.endswith("over these records 1 source a year was discarded.")
    (point,) = price.by_cycles[:1]
    once = replace(once, combined=(replace(point, age_days=600.0, sources_per_year=0.98),))
    said = describe_rule_by_both(once, 1.0, 20.0)
    assert "about 1 source a year (" in said
    assert "As now: 1 source a year discarded" in said


def test_no_discards_is_said(demo_facts: Facts) -> None:
    price = demo_facts.price
    assert price.present is not None
    none = replace(price, present=replace(price.present, discards=(), sources_per_year=0.0))
    sentence = describe_price(none, demo_facts.retirement)
    assert sentence.endswith("no source was discarded.")


@pytest.mark.slow
def test_absent_limit_is_never_priced(briefing_of: Callable[..., Any]) -> None:
    for name in ("too few trials", "no effect", "all refrigerated"):
        retire = briefing_of(name).results["retire"]
        if retire["retire_after"] is None:
            assert retire["trade_off_sentence"] is None
        assert retire["trade_off"] or retire["trade_off_reason"]


@pytest.mark.parametrize("name", FIGURES)
def test_every_named_figure_is_drawn_wide(name: str, demo_facts: Facts) -> None:
    figure = draw_named_figure(demo_facts, name)
    width, height = figure.get_size_inches()
    assert width / height == pytest.approx(16 / 9, rel=1e-3)
    assert FIGURES[name].shows
