"""Which side questions show something beyond chance, in one voice for all."""

from __future__ import annotations

from collections.abc import Iterator

from outcomes.answers.side_tests import About, SideTest, SideTests
from outcomes.exposure.cycles_and_age import exposure_of
from outcomes.text import count, p_number
from outcomes.wording.numbers import joined

_GROUPS: dict[About, str] = {
    "calendar drift": "drift over the calendar",
    "search time": "search time",
    "false alerts": "false alerts",
    "wear-out": "what wears sources out sooner",
    "suspects": "drying and warmth",
    "dogs": "dogs",
    "sources": "sources",
    "storage by kind": "storage kind by kind",
}
_OF = {
    ("calendar drift", "finds"): "finds over the calendar",
    ("wear-out", "regime"): "how long refrigerated and frozen sources last",
    ("wear-out", "cycles at the same age"): "wear-out with cycles at the same age",
    ("wear-out", "cycle by cycle"): "wear-out from cycle to cycle",
    ("suspects", "together"): "one or more of cycles, drying, warmth and age",
    ("suspects", "open_frozen_days"): "finds with drying",
    ("suspects", "degree_hours"): "finds with warmth",
    ("dogs", "differ"): "differences between dogs",
    ("dogs", "experience"): "finds with the dogs' experience",
    ("sources", "differ"): "differences between sources",
}


def describe_side_tests(side: SideTests) -> str | None:
    """What the side questions show beyond chance, once for all; None where none was asked."""
    if not side.tests:
        return None
    groups = joined(list(dict.fromkeys(_GROUPS[t.about] for t in side.tests)))
    asked = f"{count(len(side.tests), 'side question')} tested together ({groups})"
    if not side.told:
        return f"{asked}: nothing beyond chance."
    return f"{asked}: beyond chance only {joined([_named(t) for t in side.told])}."


def side_test_lines(side: SideTests) -> Iterator[str]:
    """Every side question with its p-value, by itself and among all."""
    if not side.tests:
        return
    yield f"{'side question':<52}{'p by itself':>12}{'among all':>12}"
    for test in side.tests:
        yield f"{_named(test):<52}{p_number(test.p):>12}{p_number(test.adjusted_p):>12}"
    yield "among all: adjusted for their number (Holm 1979)"


def _named(test: SideTest) -> str:
    if test.about == "storage by kind":
        return f"refrigerated against frozen in {test.of}"
    told = _OF.get((test.about, test.of))
    if told is not None:
        return told
    term = test.of.removeprefix("differ with ")
    exposure = exposure_of(term)
    noun = term if exposure is None else exposure.noun
    return f"dogs' own changes with {noun}" if test.about == "dogs" else f"{test.about} with {noun}"
