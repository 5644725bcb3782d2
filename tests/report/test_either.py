"""The rule by both, whichever comes first, is on the page beside each of its limits alone."""

import json
import re
from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

import pytest

from outcomes.analysis.decisions.threshold import Retirement
from outcomes.analysis.decisions.trade_off import (
    DAYS_PER_MONTH,
    alone,
    price_at_floors,
    trade_off,
    two_sided_rule,
)
from outcomes.answers.facts import Facts
from outcomes.answers.floor_grid import floor_grid
from outcomes.answers.request import Asked
from outcomes.report.page import PageFigure, page_fields, render_page
from outcomes.report.results import results
from outcomes.report.write import results_text
from outcomes.wording.numbers import in_100
from outcomes.wording.price import describe_price
from outcomes.wording.rule_by_both import (
    describe_rule_by_both_on_page,
    either_at_floors,
    either_rows,
)

FIGURE = PageFigure(b"<svg/>", (), "", (936.0, 504.0))


def _with_age_limit(facts: Facts, days: int | None) -> Facts:
    """The same facts, had there been a limit by age too."""
    (by_cycles,) = facts.retirement.thresholds
    by_age = replace(by_cycles, by="age_days", retire_after=days)
    return facts.with_answers(retirement=Retirement((by_cycles, by_age), facts.retirement.curves))


def _priced(facts: Facts) -> Facts:
    rule = two_sided_rule(facts.retirement, facts.asked.either)
    assert rule is not None
    return facts.with_answers(price=trade_off(facts.fit, facts.verdict, facts.use, combined=[rule]))


@pytest.fixture(scope="module")
def both(demo_facts: Facts) -> Facts:
    """The demo with two limits of its own: by cycles, and 1,000 days."""
    return _priced(_with_age_limit(demo_facts, 1000))


def test_rule_is_of_the_units_own_limits(demo_facts: Facts) -> None:
    facts = _with_age_limit(demo_facts, 1000)
    after = facts.retirement.thresholds[0].retire_after
    assert after is not None
    # 1,000 days are 32.9 months.
    assert two_sided_rule(facts.retirement) == (after, pytest.approx(32 * DAYS_PER_MONTH))
    assert two_sided_rule(facts.retirement, (20.0, 18.0)) == (20.0, 18.0 * DAYS_PER_MONTH)


@pytest.mark.parametrize("days", [None, 0, 12])
def test_no_rule_without_both_limits(days: int | None, demo_facts: Facts) -> None:
    assert two_sided_rule(demo_facts.retirement) is None
    facts = _with_age_limit(demo_facts, days)
    assert two_sided_rule(facts.retirement) is None
    assert describe_rule_by_both_on_page(facts) is None
    fields = page_fields(demo_facts, FIGURE)
    assert fields["either"] is None
    assert fields["either_rows"] == []
    assert results(demo_facts)["retire"]["either"] is None


def test_rule_costs_at_least_the_dearer(both: Facts) -> None:
    (point,) = both.price.combined
    by_cycles, by_age = alone(both.price, point)
    assert by_age is not None
    assert (by_cycles.cycles, by_cycles.age_days) == (point.cycles, None)
    assert (by_age.cycles, by_age.age_days) == (None, point.age_days)
    assert point.sources_per_year >= max(by_cycles.sources_per_year, by_age.sources_per_year)
    assert point.trials <= min(by_cycles.trials, by_age.trials)


def test_asking_for_it_changes_no_other_price(both: Facts, demo_facts: Facts) -> None:
    assert both.price.by_cycles == demo_facts.price.by_cycles
    assert both.price.by_age == demo_facts.price.by_age
    assert both.price.present == demo_facts.price.present


def test_page_has_a_row_for_it_and_each_alone(both: Facts) -> None:
    page = render_page(both, FIGURE).replace("\u00a0", " ")
    limit = both.retirement.thresholds[0].retire_after
    assert "The two limits together, at the floor of 85 in 100." in page
    assert f"Retire after {limit} cycles or 32 months, whichever comes first: about " in page
    table, _, _ = page.partition('id="either-table"')[2].partition("</table>")
    rows = re.findall(r'<tr><th scope="row">([^<]*(?:alone|comes first|as now)[^<]*)</th>', table)
    assert rows == [
        f"{limit} cycles or 32 months, whichever comes first",
        f"{limit} cycles alone",
        "32 months alone",
        "as now",
    ]
    assert page.index("whichever comes first") < page.index('class="shelf"')


def test_price_names_the_limit_it_is_of(both: Facts, demo_facts: Facts) -> None:
    limit = both.retirement.thresholds[0].retire_after
    told = describe_price(both.price, both.retirement)
    assert told.startswith(f"What the limit of {limit} cycles buys and costs, ")
    single = describe_price(demo_facts.price, demo_facts.retirement)
    assert single.startswith("What that limit buys and costs, ")


def test_its_numbers_are_those_of_results_json(both: Facts) -> None:
    told = json.loads(results_text(results(both)))["retire"]["either"]
    (point,) = both.price.combined
    assert told["set_by"] == "the two limits"
    assert told["sources_per_year"] == pytest.approx(point.sources_per_year, rel=1e-9)
    assert told["cycles_alone"]["cycles"] == told["cycles"]
    assert told["age_alone"]["age_days"] == told["age_days"]
    (first, *_) = either_rows(both)
    shown = float(re.findall(r"[\d.]+", first.sources)[0])
    assert abs(shown - told["sources_per_year"]) <= (0.05 if shown < 9.95 else 0.5) + 1e-9
    assert in_100(told["find_probability"]).split()[0] in first.finds


def test_asked_rule_replaces_the_units(both: Facts) -> None:
    facts = _priced(both.with_answers(asked=Asked(either=(1.0, 40.0))))
    said = describe_rule_by_both_on_page(facts)
    assert said.startswith("Retire after 1 cycle or 40 months, whichever comes first: ")
    assert "1 cycles" not in said
    # A limit between whole cycles is not priced alone, and nothing is said of it.
    facts = _priced(both.with_answers(asked=Asked(either=(9.5, 40.0))))
    said = describe_rule_by_both_on_page(facts)
    assert "After 9.5 cycles alone" not in said
    assert "After 40 months alone" in said


def test_asked_rule_without_price_says_so(both: Facts) -> None:
    facts = _priced(both.with_answers(asked=Asked(either=(1.0, 1.0))))
    said = describe_rule_by_both_on_page(facts)
    assert "has no price: too few trials" in said
    assert either_rows(facts) == []


@pytest.mark.slow
def test_the_briefing_takes_it_as_an_option(briefing_of: Callable[..., Any]) -> None:
    made = briefing_of("effect falling", "--either", "6", "18")
    assert made.answer.status == 0
    told = made.results
    assert told["inputs"]["options"]["either"] == {"cycles": 6.0, "months": 18.0}
    sentence = told["retire"]["either"]["sentence"]
    assert sentence.startswith("Retire after 6 cycles or 18 months, whichever comes first: about ")
    assert sentence in made.page.text.replace("\u00a0", " ")


def _numbers(priced: Any) -> list[float]:
    kept = {name: value for name, value in asdict(priced).items() if name != "discards"}
    return [-1.0 if value is None else value for value in kept.values()]


def test_price_at_another_floor_is_that_units(both: Facts) -> None:
    rules = {0.85: (16.0, 32 * DAYS_PER_MONTH), 0.9: (9.0, 20 * DAYS_PER_MONTH), 0.95: None}
    found = price_at_floors(both.fit, both.price, both.use, list(rules.items()))
    assert [price.floor for price in found] == list(rules)
    for price, (floor, rule) in zip(found, rules.items(), strict=True):
        fit = replace(both.fit, settings=both.settings.with_options(floor=floor))
        whole = trade_off(fit, both.verdict, both.use, combined=[] if rule is None else [rule])
        assert len(price.combined) == len(whole.combined) == (rule is not None)
        ours, theirs = [price.present], [whole.present]
        for point in price.combined:
            ours += [point, *alone(price, point)]
            theirs += [whole.combined[0], *alone(whole, whole.combined[0])]
        for one, other in zip(ours, theirs, strict=True):
            assert one is not None
            assert other is not None
            # The same draws, summed in another order.
            assert _numbers(one) == pytest.approx(_numbers(other), rel=1e-9)


def test_own_floors_rule_is_the_pages(both: Facts) -> None:
    grid = floor_grid(both)
    (own,) = [k for k, point in enumerate(grid) if point.floor == both.settings.floor]
    told = either_at_floors(both, grid)
    assert told[own].sentence == describe_rule_by_both_on_page(both)
    assert list(told[own].rows) == either_rows(both)
    assert told[own].caption.endswith("the floor is 85 in 100.")


def test_asked_rule_keeps_its_cost_at_every_floor(both: Facts) -> None:
    facts = _priced(both.with_answers(asked=Asked(either=(10.0, 24.0))))
    grid = floor_grid(facts)
    told = either_at_floors(facts, grid)
    firsts = [at.rows[0] for at in told]
    assert {row.rule for row in firsts} == {"10 cycles or 24 months, whichever comes first"}
    assert len({row.sources for row in firsts}) == len({row.finds for row in firsts}) == 1
    below = [float(re.sub(r"[<>]|\D.*", "", row.below) or 0) for row in firsts]
    assert below == sorted(below)
    assert below[-1] > below[0]
    for point, at in zip(grid, told, strict=True):
        assert f"on sources below {in_100(point.floor)}." in at.sentence
        assert at.caption.endswith(f"the floor is {in_100(point.floor)}.")


def test_without_both_limits_nothing_is_said(demo_facts: Facts) -> None:
    told = either_at_floors(demo_facts, floor_grid(demo_facts))
    assert {at.sentence for at in told} == {""}
    assert not any(at.rows for at in told)
    assert "either-table" not in render_page(demo_facts, FIGURE).split("<script")[0]


def test_asked_months_are_named_as_priced(demo_facts: Facts) -> None:
    facts = demo_facts.with_answers(asked=Asked(either=(20.0, 18.7)))
    rule = two_sided_rule(facts.retirement, facts.asked.either)
    assert rule is not None
    (point, *_) = demo_facts.price.by_cycles
    priced = replace(point, cycles=rule[0], age_days=rule[1])
    facts = facts.with_answers(price=replace(demo_facts.price, combined=(priced,)))
    assert priced.age_days == pytest.approx(18.7 * DAYS_PER_MONTH)
    sentence = describe_rule_by_both_on_page(facts)
    assert sentence.startswith("Retire after 20 cycles or 18.7 months, whichever comes first: ")
    assert either_rows(facts)[0].rule == "20 cycles or 18.7 months, whichever comes first"
