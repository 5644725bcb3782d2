"""The limit is told with its interval, never later than was shown, or why there is none."""

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.analysis.decisions.threshold import Retirement
from outcomes.text import DAYS_PER_MONTH
from outcomes.wording.first_lines import describe_evidence
from outcomes.wording.limit import (
    describe_limit,
    describe_order,
    describe_retirement,
    describe_retirement_in_short,
    describe_threshold,
)
from outcomes.wording.verdict import describe_cannot_be_told_apart

from .cases import NEVER, made_threshold


def test_missing_thaws_are_why_age_is_not_named(cases) -> None:
    _, verdict, retirement = cases["tied"]
    withheld = replace(verdict, thaws_missing=0.574, age_withheld=True)
    text = describe_cannot_be_told_apart(withheld, retirement)
    assert "in 57 % of the trials the storage log begins more than 30 days after" in text
    assert "rise together" not in text
    none = describe_retirement(withheld, Retirement((), ()))
    assert none.startswith("No retirement limit: too many storage logs begin late")


def test_threshold_has_its_interval_and_limit() -> None:
    # The line falls from 0.95 to 0.75 over 30 cycles, its limits 0.03 to either side:
    # it crosses 0.85 at 15, the limits at 10.5 and 19.5.
    text = describe_threshold(made_threshold())
    assert text.startswith("Limit: 10 cycles: ")
    assert "about 15 cycles (90 % interval 10 to 20 cycles)" in text


def test_needless_limit_is_said_only_where_sure() -> None:
    unsure = describe_threshold(made_threshold(outcome="stays above"))
    assert "neither called for nor ruled out" in unsure
    assert "beyond 10 cycles that is not sure (90 % confidence)" in unsure
    sure = describe_threshold(made_threshold(outcome="stays above", low=None))
    assert sure.startswith("No limit by cycles is called for")


def test_interval_past_observed_names_few_sources() -> None:
    text = describe_threshold(made_threshold(high=None))
    said = "10 cycles to beyond 30 cycles, past which fewer than 3 sources carry the line)."
    assert said in text
    assert "records end" not in text


def test_limit_in_months_is_as_short_as_shown() -> None:
    for days, said in ((200, "an age of 6 months:"), (45, "of 45 days:"), (1, "of 1 day:")):
        text = describe_threshold(made_threshold("age_days", retire_after=days))
        assert said in text


@given(st.integers(0, 4000))
def test_no_limit_by_age_is_rounded_up(days) -> None:
    text = describe_limit(made_threshold("age_days", retire_after=days))
    number, unit = re.search(r"([\d,]+) (day|month)s?$", text).groups()
    said = int(number.replace(",", "")) * (DAYS_PER_MONTH if unit == "month" else 1.0)
    assert days - DAYS_PER_MONTH < said <= days


@pytest.mark.parametrize(
    "outcome", ["crosses", "never sure", "stays above", "below from the start", "rises", "no model"]
)
def test_every_threshold_outcome_has_a_sentence(outcome) -> None:
    for by in ("cycles", "age_days"):
        text = describe_threshold(made_threshold(by, outcome=outcome))
        assert text.endswith(".")
        assert not NEVER.search(text), text


@pytest.mark.parametrize(
    ("outcomes", "said"),
    [
        (("crosses",), "Limit: 10 cycles. Up to it these records show at least 85"),
        (
            ("crosses", "crosses"),
            "Limit: 10 cycles or an age of 10 days, whichever comes first.",
        ),
        (("rises", "crosses"), "Limit: an age of 10 days."),
        (("never sure",), "No retirement limit can be set yet"),
        (("stays above", "below from the start"), "would keep finds at 85 in 100"),
        (("stays above",), "beyond 10 cycles these records are not sure of it"),
        (("stays above", "rises"), "neither called for nor ruled out"),
        (("surely above",), "stay at or above 85 in 100"),
        (("rises",), "finds do not fall"),
        (("no model",), "no curve could be fitted"),
    ],
)
def test_lead_tells_every_limit_or_why_none(outcomes, said, cases) -> None:
    by = ("cycles", "age_days")
    sure = {"outcome": "stays above", "low": None}
    thresholds = tuple(
        made_threshold(e, **(sure if o == "surely above" else {"outcome": o}))
        for e, o in zip(by, outcomes, strict=False)
    )
    text = describe_retirement_in_short(cases["down"][1], Retirement(thresholds, ()))
    assert said in text
    assert not NEVER.search(text)


def test_the_lead_says_what_it_rests_on(cases) -> None:
    fit = replace(cases["down"][0], n=1200, misses=1, sources=1, dogs=1)
    text = describe_evidence(fit)
    assert "1,200 usable hide trials (1 miss) of 1 source by 1 dog" in text
    assert "not proof of cause" in text


def test_one_line_orders_what_to_do_past_a_limit() -> None:
    one, two = made_threshold(), made_threshold("age_days")
    only = "test; retire only a source shown below 85."
    assert describe_order(Retirement((one,), ()), 0.85) == f"Past it, {only}"
    assert describe_order(Retirement((one, two), ()), 0.85) == f"Past either, {only}"
    none = describe_order(Retirement((replace(one, outcome="rises"),), ()), 0.85)
    assert none == "Retire only a source shown below 85 in 100."
