"""Refrigerated against frozen, in words: the E-value, kinds, and the floor as set."""

from __future__ import annotations

from dataclasses import replace

import pytest

from outcomes.answers.facts import Facts
from outcomes.report import report
from outcomes.report.page import PageFigure, render_page
from outcomes.report.results import results
from outcomes.wording import answers as words

CHOSEN = "Storage was chosen, not assigned"


@pytest.fixture(scope="module")
def lines(demo_facts: Facts) -> list[str]:
    return list(report.compare_lines(demo_facts))


def test_an_e_value_names_the_result_it_multiplies(demo_facts: Facts, lines: list[str]) -> None:
    c = demo_facts.comparison
    (line,) = (x for x in lines if x.startswith("E-value"))
    # Frozen sources are found nearly nine times in ten: no factor above 1.2 fits finds.
    assert c.frozen is not None
    assert c.frozen > 0.85
    assert "for the risk ratio of a miss: how many times as likely a miss is" in line
    assert ": how strong something not on record would have to be to explain the" in line
    assert "finds" not in line
    assert results(demo_facts, ("compare",))["compare"]["e_value_of"] == "miss"


def test_an_e_value_says_what_the_nearer_end_needs() -> None:
    some = words.e_value_sentence(2.14, 1.32, "miss")
    assert "make a miss 2.1 times as likely (1.3 for the interval's nearer end). It is" in some
    none = words.e_value_sentence(12.2, 1.0, "find")
    assert "make a find 12 times as likely; for the interval's nearer end nothing at all" in none


def test_where_no_kind_can_be_compared_the_difference_is_of_the_kinds_together(
    demo_facts: Facts, lines: list[str]
) -> None:
    told = "The difference above is of the kinds together; no kind has enough by itself:"
    assert told in lines
    assert lines[lines.index(told) + 1].startswith(f"  {demo_facts.kinds[0].kind}: cannot be")
    one = replace(demo_facts.kinds[0], comparison=demo_facts.comparison)
    some = demo_facts.with_answers(kinds=(one, *demo_facts.kinds[1:]))
    assert told not in list(report.compare_lines(some))


@pytest.mark.parametrize("lasted", [None, f"Refrigerated sources lasted longer. {CHOSEN}."])
def test_that_storage_was_chosen_is_said_once_in_that_part(
    demo_facts: Facts, lasted: str | None
) -> None:
    facts = demo_facts
    if lasted is not None:
        weibull = replace(facts.lasting.weibull, reason=None, sentence=lasted)
        facts = facts.with_answers(lasting=replace(facts.lasting, weibull=weibull))
    assert sum(line.count(CHOSEN) for line in report.compare_lines(facts)) == 1
    page = render_page(facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0)))
    part = page.replace("\u00a0", " ").partition("<h2>Refrigerated against frozen</h2>")[2]
    part = part.partition("</section>")[0]
    assert part.count(CHOSEN) == 1
    assert ("lasted longer" in part) is (lasted is not None)


def test_a_calibration_slope_stands_with_its_meaning(demo_facts: Facts) -> None:
    assert "; 1 is right, less is too far apart)" in demo_facts.quality.sentences[0]


def test_a_floor_is_told_as_it_was_set(demo_facts: Facts) -> None:
    source = replace(demo_facts.shelf[0], ground="below")
    assert words.advice_reason(source, 0.999).endswith("shown below 99.9 in 100")
    assert words.advice_reason(source, 0.85).endswith("shown below 85 in 100")
