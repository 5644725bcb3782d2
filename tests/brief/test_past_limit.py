"""Held sources beyond the retirement limit, which their own evidence does not condemn."""

from __future__ import annotations

from dataclasses import replace

from outcomes.brief import words
from outcomes.brief.facts import Facts


def test_held_sources_beyond_the_limit_and_not_condemned_are_named(demo_facts: Facts) -> None:
    limit = demo_facts.retirement.thresholds[0].retire_after
    assert limit is not None
    beyond = {
        s.source_id
        for s in demo_facts.shelf
        if s.cycles is not None and s.cycles > limit and s.advice != "retire"
    }
    assert beyond, "the demo unit has such sources"
    sentence = words.past_limit_sentence(demo_facts.shelf, demo_facts.retirement)
    assert sentence is not None
    assert {s.source_id for s in demo_facts.shelf if s.source_id in sentence} == beyond


def test_one_such_source_is_told_as_one(demo_facts: Facts) -> None:
    first = next(s for s in demo_facts.shelf if s.advice != "retire")
    one = [replace(first, cycles=99.0)]
    sentence = words.past_limit_sentence(one, demo_facts.retirement)
    assert sentence is not None
    assert "its own trials do not show it below" in sentence
    assert sentence.endswith("Test it first.")


def test_nothing_is_said_without_a_limit_or_without_such_a_source(demo_facts: Facts) -> None:
    none = replace(demo_facts.retirement, thresholds=())
    assert words.past_limit_sentence(demo_facts.shelf, none) is None
    fresh = [replace(s, cycles=0.0) for s in demo_facts.shelf]
    assert words.past_limit_sentence(fresh, demo_facts.retirement) is None
