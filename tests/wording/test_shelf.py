"""The sources held: every advice has its reason, and every count says what it is of."""

import re
from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.analysis.decisions.threshold import Retirement
from outcomes.wording.limit import describe_retirement, describe_retirement_in_short
from outcomes.wording.shelf import (
    describe_advice,
    describe_expected_finds,
    describe_none_can_be_judged,
    describe_past_limit,
    describe_shelf,
    describe_wear_in_short,
    wear_heading,
)

from .cases import made_threshold


def _shelf(**changes: object) -> ShelfSource:
    source = ShelfSource(
        "MUS-01", "muscle", "frozen", 12.0, 400.0, 30, 24, 0.8, 0.7, 0.88, "test", "unsure", 40
    )
    return replace(source, **changes)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "about 40 more trials would settle it; run 10, then ask again"),
        ({"trials_to_settle": 1}, "not settled: about 1 more trial would settle it"),
        ({"trials_to_settle": 347}, "about 350 more trials to settle it, more than it is worth"),
        ({"ground": "few trials", "trials_used": 1}, "only 1 trial of its own"),
        (
            {"trials_to_settle": None},
            "on the edge of 85 in 100: more trials will hardly settle it; the choice is yours",
        ),
        (
            {"trials_to_settle": None, "low": 0.38, "high": 0.98},
            "not known yet: could be well above or below 85 in 100; try 10 more",
        ),
        ({"trials_to_settle": 347, "low": 0.6, "high": 0.88}, "could be well below 85 in 100; try"),
        (
            {"trials_to_settle": 40, "low": 0.38, "high": 0.98},
            "about 40 more trials would settle it; run 10, then ask again",
        ),
        ({"ground": "above"}, "at or above 85 in 100"),
        ({"ground": "below"}, "unreliable for this purpose, on present evidence"),
        (
            {
                **{"ground": "below", "trials": 36, "finds": 31},
                **{"latest_trials": 20, "latest_finds": 15},
            },
            "shown below 85 in 100; of its latest 20 trials 15 were finds",
        ),
        ({"ground": "no trials"}, "not tried yet"),
        ({"ground": "beyond records"}, "more than the records can speak for"),
        (
            {"ground": "own trials disagree", "latest_trials": 20, "latest_finds": 16},
            "its own latest trials the other (found 16 of its latest 20): test",
        ),
        ({"ground": "not documented"}, "not on record"),
        ({"ground": "no model"}, "no answer for the unit yet, so none for one source"),
    ],
)
def test_every_advice_has_its_reason(changes, said) -> None:
    assert said in describe_advice(_shelf(**changes), 0.85)


def test_the_shelf_is_counted() -> None:
    shelf = [_shelf(advice="retire"), _shelf(), _shelf(), _shelf(advice="keep")]
    assert describe_shelf(shelf) == (
        "Of 4 sources held: 1 to retire (MUS-01), 2 to test and 1 to keep."
    )
    many = [_shelf(advice="retire")] * 5
    assert describe_shelf(many) == "Of 5 sources held: 5 to retire."
    assert describe_shelf([]) == "No source is held."
    assert describe_shelf([_shelf()]) == "The one source held: test."


def test_sources_to_test_stand_beside_the_limit(cases) -> None:
    retirement = cases["down"][2]
    limit = next(t.retire_after for t in retirement.thresholds if t.retire_after is not None)
    old, young = _shelf(cycles=limit + 1.0), _shelf(cycles=limit - 1.0)
    others = [_shelf(advice="retire", cycles=99.0), _shelf(advice="keep", cycles=99.0), young]
    assert describe_shelf([*others, old], retirement) == (
        "Of 4 sources held: 1 to retire (MUS-01), 2 to test (1 of them past the limit) and 1 to "
        "keep."
    )
    assert "3 to test (2 of them past the limit)" in (
        describe_shelf([*others, old, old], retirement)
    )
    assert "past the limit" not in describe_shelf(others, retirement)
    assert "past the limit" not in describe_shelf([old, young], Retirement((), ()))


def _two_limits() -> Retirement:
    return Retirement(
        (made_threshold("cycles", retire_after=12), made_threshold("age_days", retire_after=437)),
        (),
    )


def test_with_two_limits_past_either_counts() -> None:
    worn, old = _shelf(cycles=13.0, age_days=100.0), _shelf(cycles=0.0, age_days=500.0)
    both, fresh = _shelf(cycles=13.0, age_days=500.0), _shelf(cycles=12.0, age_days=437.0)
    shelf = [worn, old, both, fresh, _shelf(cycles=None, age_days=None)]
    assert describe_shelf(shelf, _two_limits()) == (
        "Of 5 sources held: 5 to test (3 of them past 12 cycles or 14 months of age)."
    )
    told = describe_past_limit(
        [replace(worn, source_id="T1"), replace(old, source_id="T2"), fresh], _two_limits()
    )
    assert told == (
        "Already past 12 cycles or 14 months of age and not advised to be retired, because their "
        "own trials do not show them below the floor: T1 and T2. Test them first."
    )
    kept = _shelf(source_id="K1", advice="keep", cycles=0.0, age_days=500.0)
    assert describe_past_limit([kept], _two_limits()) == (
        "K1 is past 12 cycles or 14 months of age, but shown at or above 85 in 100."
    )
    # One limit of the two asked for is the limit.
    one = replace(_two_limits().thresholds[0], outcome="rises", retire_after=None)
    age_alone = Retirement((one, _two_limits().thresholds[1]), ())
    assert "2 of them past the limit" in describe_shelf(shelf, age_alone)


def test_two_limits_of_one_change_are_not_one(cases) -> None:
    verdict = replace(cases["down"][1], verdict="cannot be told apart")
    both = describe_retirement(verdict, _two_limits())
    assert "not two limits" not in both
    assert both.endswith(
        "two readings of one change here, for these records cannot tell which of the two it is; "
        "to be careful, keep to whichever limit comes first."
    )
    assert describe_retirement_in_short(verdict, _two_limits()).startswith(
        "Limit: 12 cycles or an age of 14 months, whichever comes first. "
    )
    alone = Retirement(
        (_two_limits().thresholds[0], made_threshold("age_days", outcome="stays above", low=None)),
        (),
    )
    alone = replace(
        alone, thresholds=(alone.thresholds[0], replace(alone.thresholds[1], retire_after=None))
    )
    assert describe_retirement(verdict, alone).endswith("cannot tell which of the two it is.")


def test_one_reason_for_all_is_told_once() -> None:
    blank = {"find_probability": None, "low": None, "high": None}
    none = [_shelf(source_id=name, ground="no model", **blank) for name in ("A-1", "B-2")]
    assert describe_none_can_be_judged(none) == (
        "To test, all for the same reason: no answer for the unit yet, so none for one source. "
        "A-1 and B-2."
    )
    other = _shelf(source_id="C-3", ground="not documented", **blank)
    assert describe_none_can_be_judged([*none, other]) is None
    assert describe_none_can_be_judged([_shelf(), _shelf()]) is None
    assert describe_none_can_be_judged([]) is None


def _shelved(low: float, high: float, advice: str) -> ShelfSource:
    blank = dict.fromkeys(f.name for f in fields(ShelfSource))
    given_ = {"source_id": "BLD-02", "find_probability": (low + high) / 2, "advice": advice}
    return ShelfSource(**(blank | given_ | {"low": low, "high": high}))


def test_just_below_the_floor_does_not_read_as_it() -> None:
    below = describe_expected_finds(_shelved(0.41, 0.8496, "retire"), 0.85)
    assert below == "63 (41 to 84.9)"
    # At another floor there is nothing to contradict.
    assert describe_expected_finds(_shelved(0.41, 0.8496, "test"), 0.80) == "63 (41 to 85)"
    assert describe_expected_finds(_shelved(0.8496, 0.97, "test"), 0.85) == "91 (84.9 to 97)"
    assert describe_expected_finds(_shelved(0.8504, 0.97, "keep"), 0.85) == "91 (85 to 97)"
    unknown = replace(_shelved(0.4, 0.9, "test"), low=None)
    assert describe_expected_finds(unknown, 0.85) is None


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.integers(50, 95))
def test_limits_never_read_across_a_whole_floor(one, other, hundredths) -> None:
    low, high = sorted((one, other))
    floor = hundredths / 100
    told = describe_expected_finds(_shelved(low, high, "test"), floor)
    assert told is not None
    shown = re.search(r"\(([<>]?[\d.]+) to ([<>]?[\d.]+)\)", told)
    for value, text in zip((low, high), shown.groups(), strict=True):
        number = {">99": 99.6, "<1": 0.4}.get(text) or float(text)
        assert (number < 100 * floor - 1e-9) == (value < floor)


def test_wear_is_told_by_what_the_limit_is_by() -> None:
    source = _shelf(source_id="A", cycles=12.0, age_days=400.0)
    assert (describe_wear_in_short(source, "cycles"), wear_heading("cycles")) == ("12", "cycles")
    # 400 days of 365.25 / 12 each.
    assert (describe_wear_in_short(source, "age_days"), wear_heading("age_days")) == (
        "13",
        "months",
    )
    unknown = _shelf(source_id="A", cycles=None, age_days=None)
    assert describe_wear_in_short(unknown, "cycles") == "?"
    assert describe_wear_in_short(unknown, "age_days") == "?"
