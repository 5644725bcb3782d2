"""Held sources beyond the retirement limit, which their own evidence does not condemn."""

from dataclasses import replace

import pytest

from outcomes.analysis.decisions.shelf import ShelfSource
from outcomes.answers.facts import Facts
from outcomes.wording.shelf import describe_past_limit


def test_sources_past_the_limit_are_named(demo_facts: Facts) -> None:
    limit = demo_facts.retirement.thresholds[0].retire_after
    assert limit is not None
    beyond = {
        s.source_id
        for s in demo_facts.shelf
        if s.cycles is not None and s.cycles > limit and s.advice != "retire"
    }
    assert beyond, "the demo unit has such sources"
    sentence = describe_past_limit(demo_facts.shelf, demo_facts.retirement)
    late = {s.source_id for s in demo_facts.shelf if s.log_begins_late and s.advice == "test"}
    named = {s.source_id for s in demo_facts.shelf if s.source_id in sentence}
    assert named == beyond | late


def _past(demo_facts: Facts, **changes: object) -> ShelfSource:
    return replace(demo_facts.shelf[0], cycles=99.0, **changes)


def test_source_to_keep_is_not_to_test(demo_facts: Facts) -> None:
    kept = _past(demo_facts, source_id="K1", advice="keep", ground="above")
    alone = describe_past_limit([kept], demo_facts.retirement)
    assert alone == "K1 is past that limit, but shown at or above 85 in 100."
    unsure = _past(demo_facts, source_id="T1", advice="test", ground="unsure")
    both = describe_past_limit([kept, unsure], demo_facts.retirement)
    assert both == (
        "Already past that limit and not advised to be retired, because its own trials do not "
        "show it below the floor: T1. Test it first. "
        "K1 is past that limit too, but shown at or above 85 in 100."
    )


def test_unsettled_source_is_the_directors(demo_facts: Facts) -> None:
    near = {"find_probability": 0.86, "low": 0.84, "high": 0.88, "trials_to_settle": 400}
    edge = _past(demo_facts, source_id="E1", advice="test", ground="unsure", **near)
    assert edge.could_be_far(0.85) == ()
    alone = describe_past_limit([edge], demo_facts.retirement)
    assert alone == (
        "E1 is past that limit, and so close to 85 in 100 that more trials will hardly settle it: "
        "the choice is yours."
    )
    worth = replace(edge, source_id="T1", trials_to_settle=60)
    both = describe_past_limit([edge, worth], demo_facts.retirement)
    assert both == (
        "Already past that limit and not advised to be retired, because its own trials do not "
        "show it below the floor: T1. Test it first. "
        "E1 is past that limit too, and so close to 85 in 100 that more trials will hardly settle "
        "it: the choice is yours."
    )


@pytest.mark.parametrize(
    ("ground", "said"),
    [
        ("beyond records", "because it has been through more than the records can speak for: T2."),
        ("no trials", "because it has not been tried yet: T2."),
        ("few trials", "because their own trials do not show them below the floor: T1 and T2."),
    ],
)
def test_each_past_source_has_its_ground(ground: str, said: str, demo_facts: Facts) -> None:
    shelf = [
        _past(demo_facts, source_id="T1", advice="test", ground="unsure"),
        _past(demo_facts, source_id="T2", advice="test", ground=ground),
    ]
    sentence = describe_past_limit(shelf, demo_facts.retirement)
    assert said in sentence
    assert sentence.endswith("Test them first.")


def test_beyond_eight_names_the_rest_is_counted(demo_facts: Facts) -> None:
    shelf = [
        _past(demo_facts, source_id=f"T{k}", advice="test", ground="unsure") for k in range(10)
    ]
    sentence = describe_past_limit(shelf, demo_facts.retirement)
    assert "T6, T7 and 2 more." in sentence


def test_without_limit_nothing_is_said(demo_facts: Facts) -> None:
    none = replace(demo_facts.retirement, thresholds=())
    assert describe_past_limit(demo_facts.shelf, none) is None
    fresh = [replace(s, cycles=0.0, log_begins_late=False) for s in demo_facts.shelf]
    assert describe_past_limit(fresh, demo_facts.retirement) is None
