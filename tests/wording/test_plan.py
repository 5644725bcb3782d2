"""Words of power: what a plan would show, how often, and when it cannot settle."""

from dataclasses import replace

import pytest

from outcomes.planning.document import (
    FORMAT,
    Effect,
    Look,
    Plan,
    PowerAt,
    Rates,
    key_digest,
)
from outcomes.planning.outline import Outline
from outcomes.wording.plan import assumptions, sentence, with_words, would_settle


def _power(weeks, power):
    return PowerAt(
        weeks=weeks,
        trials=20 * weeks,
        power=power,
        low=power - 0.05,
        high=min(1.0, power + 0.05),
        std_error=0.1,
        smallest=0.3,
    )


@pytest.fixture
def plan():
    return Plan(
        format=FORMAT,
        unit="Unit",
        question="cycles",
        design="pairs",
        seed=1,
        starts_on="2026-01-05",
        weeks=12,
        trials_per_week=20,
        blanks=0.25,
        found_at_least=0.85,
        alpha=0.05,
        trials=(),
        storage=(),
        effect=Effect(per="cycle", log_odds=-0.1, span=18.0, found_now=0.91, found_then=0.85),
        rates=Rates(
            found=0.91,
            dog_sd=0.5,
            source_sd=0.5,
            portion_sd=0.3,
            from_records=("found", "dog_sd", "source_sd"),
            trials=1009,
            sources=27,
            dogs=8,
        ),
        power=(_power(12, 0.3), _power(26, 0.7), _power(39, 0.9)),
        buys=(),
        looks=(Look(number=1, information=1.0, expected_day=84, spent=0.05, bound=1.96),),
        settled_after_weeks=39,
        key_sha256=key_digest((), ()),
    )


def test_power_is_told_in_finds(plan):
    assert sentence(plan) == (
        "If 18 more cycles bring finds from 91 to 85 in 100, 12 weeks of these trials would show "
        "it in 30 in 100 (25 to 35) such plans. This cannot be settled in 12 weeks; 39 weeks "
        "(780 trials) would show it in 90 in 100."
    )


def test_enough_power_has_no_more_to_say(plan):
    enough = replace(plan, power=(_power(12, 0.9), _power(26, 0.95)))
    assert sentence(enough).endswith("would show it in 90 in 100 (85 to 95) such plans.")


def test_a_year_that_is_too_short_is_said(plan):
    never = replace(plan, power=(_power(12, 0.1), _power(52, 0.4)))
    assert sentence(never).endswith("This cannot be settled in 12 weeks, nor in 52.")
    alone = replace(plan, power=(_power(12, 0.1),))
    assert sentence(alone).endswith("This cannot be settled in 12 weeks.")


def test_stated_rates_are_named(plan):
    told = " ".join(assumptions(plan))
    assert "From the unit's 1,009 hide trials: the share found" in told
    assert "not from the records: how far portions or sources of a pair differ." in told
    none = replace(plan, rates=replace(plan.rates, from_records=()))
    assert "From the unit's" not in " ".join(assumptions(none))


def test_shelf_is_never_by_lot(plan):
    shelf = " ".join(assumptions(replace(plan, design="shelf")))
    assert "planned, not assigned by lot" in shelf


def test_floor_already_reached_is_said(plan):
    lower = replace(plan, effect=replace(plan.effect, found_now=0.84, found_then=0.74))
    assert "ends at 74 in 100" in " ".join(assumptions(lower))


def test_words_stand_in_the_plan(plan):
    told = with_words(plan)
    assert told.sentence == sentence(plan)
    assert told.assumptions == assumptions(plan)


def test_outline_says_what_would_settle():
    outline = Outline(
        question="cycles",
        design="pairs",
        settled=True,
        weeks=26,
        trials=520,
        sources=12,
        power=0.83,
    )
    assert would_settle(outline) == (
        "Trials assigned by lot could tell about thawing: 26 weeks, 12 sources and 520 trials "
        "would show a fall that matters about 83 times in 100 (outcomes plan)."
    )
    hardly = would_settle(replace(outline, settled=False, power=0.2))
    assert "hardly tell about thawing within a year" in hardly
