"""Power of a plan in words: worth beginning or not, and what the rows of its table share."""

from dataclasses import replace

from outcomes.wording.plan_power import (
    describe_buys,
    describe_effect,
    describe_looks,
    describe_power_in_short,
    describe_same_change,
    describe_smallest,
    describe_whether_worth,
)
from tests.made_plans import made_plan

PLAN = replace(made_plan(), weeks=12, trials_per_week=20)


def _with_power(power):
    points = tuple(replace(p, power=power) if p.weeks == 12 else p for p in PLAN.power)
    return replace(PLAN, power=points)


def test_a_plan_that_would_sooner_miss_is_advised_against():
    assert describe_whether_worth(_with_power(0.49)).startswith("Do not begin this plan")
    assert describe_whether_worth(_with_power(0.5)) is None


def test_a_plan_long_enough_needs_no_more():
    assert describe_power_in_short(_with_power(0.83)) == (
        "12 weeks of 20 trials would show the fall in 83 of 100 such plans"
    )


def test_rows_share_the_change_of_this_plan():
    assert "over as many cycles as" in describe_same_change(PLAN)
    storage = replace(PLAN, effect=replace(PLAN.effect, per="freezer"))
    assert describe_same_change(storage) is None


def test_effects_are_told_in_finds():
    assert describe_effect(PLAN.effect) == "a fall from 92 to 85 finds in 100 over 8 more cycles"
    age = replace(PLAN.effect, per="30 days", span=12.0)
    assert describe_effect(age) == "a fall from 92 to 85 finds in 100 over 12 months"


def test_what_more_would_buy():
    assert describe_buys(PLAN) == (
        "What more would buy, each alone, in 100 plans (by formula, rough): 16 weeks 75, 6 pairs "
        "70, 2 thaws a week 80 and 40 trials a week 72."
    )
    assert describe_buys(replace(PLAN, buys=())) is None


def test_a_change_that_buys_nothing_is_left_out():
    planned = next(b.power for b in PLAN.buys if b.change == "as planned")
    buys = tuple(replace(b, power=planned) if b.change == "pairs" else b for b in PLAN.buys)
    assert "6 pairs" in describe_buys(PLAN)
    assert "6 pairs" not in describe_buys(replace(PLAN, buys=buys))
    alike = tuple(replace(b, power=planned) for b in PLAN.buys)
    assert describe_buys(replace(PLAN, buys=alike)) is None


def test_smallest_change_is_told_where_it_is_larger():
    # 1.12 / 12 per cycle against the 0.1 looked for: smaller, so nothing is said.
    assert describe_smallest(PLAN) is None
    weak = replace(PLAN, effect=replace(PLAN.effect, log_odds=-0.04))
    assert "2.3 times as large" in describe_smallest(weak)


def test_looks_are_dated():
    assert describe_looks(PLAN) == "Results are looked at once, at the end."
