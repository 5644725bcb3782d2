"""Planned trials in words: by lot, not yet, early, none, the shelf, and what went otherwise."""

from dataclasses import replace

import pandas as pd
import pytest

from outcomes.answers.planned import Guesses, tell_planned
from outcomes.planning.document import Look
from outcomes.planning.result import Carried, PlannedEstimate
from outcomes.wording.planned import (
    describe_carried,
    describe_guesses,
    describe_planned,
    describe_planned_at_length,
    describe_planned_in_short,
)
from tests.made_plans import made_plan
from tests.wording.cases import planned_result

PLAN = made_plan()
STORAGE = replace(
    PLAN, question="storage", effect=replace(PLAN.effect, per="freezer", span=1.0, log_odds=-0.7)
)
AGE = replace(PLAN, question="age", effect=replace(PLAN.effect, per="30 days", span=12.0))
LOOKS = (
    Look(number=1, information=0.5, expected_day=7, spent=0.003, bound=2.96),
    Look(number=2, information=1.0, expected_day=14, spent=0.05, bound=1.97),
)


def estimate(log_odds, low=None, high=None):
    return PlannedEstimate(
        log_odds=log_odds, std_error=0.03, low=low, high=high, confidence=0.95, p=0.004, freedom=7.0
    )


def told(plan=PLAN, **given):
    return tell_planned(plan, planned_result(plan, **given), pd.DataFrame())


def test_by_lot_with_size_and_limits():
    planned = told(estimate=estimate(-0.15, -0.25, -0.05), significant=True)
    assert describe_planned(planned) == (
        "Assigned by lot: finds fall with freeze/thaw cycles: from 92 in 100 to 79 over 8 more "
        "cycles (95 % interval 65 to 89)."
    )
    assert describe_planned_in_short(planned) == (
        "Planned trials, by lot: 92 to 79 in 100 over 8 more cycles."
    )


def test_a_rise_is_told_as_one():
    planned = told(estimate=estimate(0.1, 0.02, 0.2), significant=True)
    assert "finds rise with freeze/thaw cycles: from 92 in 100 to 9" in describe_planned(planned)


@pytest.mark.parametrize(("log_odds", "kept"), [(-0.7, "refrigerated"), (0.7, "frozen")])
def test_storage_names_the_better_way(log_odds, kept):
    limits = sorted((log_odds * 0.5, log_odds * 1.5))
    text = describe_planned(told(STORAGE, estimate=estimate(log_odds, *limits), significant=True))
    assert f"Assigned by lot: finds are more when {kept}:" in text
    assert "from refrigerator to freezer" in text


def test_age_is_told_in_months():
    text = describe_planned(told(AGE, estimate=estimate(-0.1, -0.2, -0.01), significant=True))
    assert "finds fall with age" in text
    assert "over 12 months" in text


def test_no_difference_is_no_proof_of_none():
    planned = told(estimate=estimate(-0.01, -0.12, 0.08), significant=False)
    text = describe_planned(planned)
    assert text.startswith("Assigned by lot: no difference shows with freeze/thaw cycles;")
    assert text.endswith("That is not proof of none.")
    assert describe_planned_in_short(planned) == "Planned trials, by lot: no difference shows."


def test_not_yet_says_when():
    planned = told(look=0, estimate=None, significant=None, information=0.18)
    text = describe_planned(planned)
    assert text.startswith("Planned trials: not yet. 20 of 24 are done, 18 % of what the plan")
    assert "2025-03-23" in text
    assert describe_planned_in_short(planned) is None
    length = " ".join(describe_planned_at_length(planned))
    assert not any(word in length for word in ("found", "interval", "As counted"))


def test_an_early_look_goes_on():
    plan = replace(PLAN, looks=LOOKS)
    waits = told(plan, look=1, of_looks=2, estimate=estimate(-0.1, -0.3, 0.1), significant=False)
    assert describe_planned(waits) == (
        "Assigned by lot: not settled at look 1 of 2. Go on as planned; the next look is due "
        "about 2025-03-23."
    )
    found = told(plan, look=1, of_looks=2, estimate=estimate(-0.3, -0.4, -0.2), significant=True)
    assert describe_planned(found).endswith("Found at look 1 of 2.")


def test_a_shelf_is_not_told_as_by_lot():
    planned = told(estimate=estimate(-0.15, -0.25, -0.05), significant=True, assigned_by_lot=False)
    text = describe_planned(planned)
    assert text.startswith("In the planned trials: finds fall")
    assert "not proof of cause" in text
    assert "by lot" not in text
    assert "by lot" not in describe_planned_in_short(planned)


def test_why_there_is_no_size():
    text = describe_planned(told(estimate=None, significant=None, reason="no hide was missed"))
    assert text == "Assigned by lot, but nothing can be told: no hide was missed."


def test_what_was_done_stands_second():
    planned = told(
        estimate=estimate(-0.15, -0.25, -0.05),
        as_thawed=estimate(-0.12, -0.2, -0.04),
        significant=True,
        exact_p=0.008,
    )
    first, how, counted, second = describe_planned_at_length(planned)
    assert first == "20 of 24 planned trials done, 4 lost."
    assert how == (
        "By paired differences within sources, p = 0.004; by turning over the lot itself, "
        "p = 0.008."
    )
    assert counted == "As counted: often 60 of 80 found and seldom 72 of 80 found."
    assert second.startswith("Second, by what was really done: from 92 in 100 to")


def test_what_went_otherwise_is_counted():
    carried = Carried(
        planned=100, done=90, hides_planned=75, hides_done=70, lost=6, swapped=2, other_dog=3,
        assisted=1, unknown=("ZZZZ",), repeated=4, through_day=80,
    )  # fmt: skip
    assert describe_carried(carried) == (
        "90 of 100 planned trials done, 6 lost, 3 by another dog, 2 on another source than planned "
        "(analysed as planned), 1 helped (not used), 4 entered twice (not used), 1 with a label of "
        "no planned trial (not used)."
    )


def test_guesses_that_are_too_good_are_a_warning():
    assert "may not have stayed blind" in describe_guesses(Guesses(60, 50, 30, 25, 0.0001))
    assert describe_guesses(Guesses(60, 40, 30, 10, 0.6)).endswith("no better than chance.")
