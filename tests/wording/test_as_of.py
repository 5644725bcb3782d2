"""The shelf on another day than that of the last trial: what counts, and what is said of it."""

import pandas as pd
import pytest

from outcomes.analysis.decisions.explain import explain_source
from outcomes.analysis.decisions.shelf import recent_finds
from outcomes.answers.facts import Facts
from outcomes.report import page
from outcomes.report.report import retire_lines
from outcomes.wording.as_of import as_of_notes
from outcomes.wording.shelf import describe_expected_finds


def _at(facts: Facts, day: str) -> Facts:
    """The same facts with the shelf of another day."""
    _ = (facts.fit, facts.verdict, facts.retirement, facts.use, facts.price, facts.shelf)
    other = facts.with_answers(as_of=pd.Timestamp(day) + pd.Timedelta(days=1))
    for name in ("_shelf_and_left", "shelf", "left", "next_steps", "before_and_since"):
        other.__dict__.pop(name, None)
    return other


@pytest.fixture(scope="module")
def earlier(demo_facts: Facts) -> Facts:
    return _at(demo_facts, "2024-06-01")


def test_recent_finds_are_recent_on_that_day(earlier: Facts) -> None:
    used = earlier.fit.design.trials.sort_values("started_at", kind="stable")
    used = used[used["started_at"] < earlier.as_of]
    found = recent_finds(earlier.fit, earlier.as_of)
    for name, own in used.groupby("source_id"):
        assert found[name] == pytest.approx((own["result"].tail(20) == "find").mean())
    assert found != recent_finds(earlier.fit)


def test_later_trials_behind_it_are_told_once(earlier: Facts, demo_facts: Facts) -> None:
    later = int((earlier.fit.design.trials["started_at"] >= earlier.as_of).sum())
    (note,) = as_of_notes(earlier)
    assert note.startswith(f"Judged with all trials, also those after 2024-06-01 ({later} trials)")
    assert list(retire_lines(earlier)).count(note) == 1
    assert as_of_notes(demo_facts) == []


def test_the_page_tells_it_too(earlier: Facts, demo_facts: Facts) -> None:
    known = {name: getattr(demo_facts, name) for name in ("further", "lasting", "lifetime", "ways")}
    fields = page.page_fields(earlier.with_answers(**known), None)
    assert fields["as_of_notes"] == as_of_notes(earlier)


@pytest.mark.parametrize("day", ["2015-01-01", "2023-08-01"])
def test_day_before_the_records_is_told(day: str, demo_facts: Facts) -> None:
    sources, trials = demo_facts.records.sources, demo_facts.joined.trials
    first = as_of_notes(_at(demo_facts, day))[0]
    assert first == (
        f"{day} is before these records begin: the first source was taken in on "
        f"{sources['acquired_on'].min():%Y-%m-%d}, and the first trial was on "
        f"{trials['started_at'].min():%Y-%m-%d}."
    )


def test_day_long_after_is_warned_of(demo_facts: Facts) -> None:
    last = max(
        demo_facts.joined.trials["started_at"].max(), demo_facts.records.storage["moved_at"].max()
    )
    (note,) = as_of_notes(_at(demo_facts, "2035-01-01"))
    assert note.startswith(f"The last record is of {last:%Y-%m-%d}: no move or trial since")
    assert as_of_notes(_at(demo_facts, f"{last + pd.Timedelta(days=300):%Y-%m-%d}")) == []


def test_beyond_the_records_there_is_no_number(demo_facts: Facts) -> None:
    shelf = _at(demo_facts, "2035-01-01").shelf
    beyond = [s for s in shelf if s.ground == "beyond records"]
    assert beyond
    for s in beyond:
        assert (s.find_probability, s.low, s.high) == (None, None, None)
        assert describe_expected_finds(s, 0.85) is None


def test_advice_rests_on_trials_up_to_that_day(earlier: Facts) -> None:
    trials = earlier.joined.trials
    source = earlier.shelf[0].source_id
    by_then = trials[trials["started_at"] < earlier.as_of]
    told = explain_source(earlier.fit, by_then, source).trials
    assert told[-1].trials == earlier.shelf[0].trials
