"""Refrigerated against frozen, in words: the E-value, two tests, kinds, and the floor as set."""

from __future__ import annotations

from dataclasses import replace

import pytest

from outcomes.answers.facts import Facts
from outcomes.report import report
from outcomes.report.page import PageFigure, render_page
from outcomes.report.results import results
from outcomes.wording.quality import describe_predictions
from outcomes.wording.sensitivity import P_MEANS
from outcomes.wording.shelf import describe_advice
from outcomes.wording.storage_compared import e_value_sentence

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


def test_the_two_log_rank_tests_say_what_each_is_about(lines: list[str]) -> None:
    tests = [line for line in lines if "log-rank test" in line]
    assert len(tests) == 2
    assert "within that time alone" in tests[0]
    assert "over all the time they were followed" in tests[1]


def test_what_p_means_stands_under_the_tests_and_only_there(
    demo_facts: Facts, lines: list[str]
) -> None:
    last = max(k for k, line in enumerate(lines) if "log-rank test" in line)
    assert lines[last + 1] == P_MEANS
    lasting = demo_facts.lasting
    untold = replace(
        lasting,
        means=replace(lasting.means, reason="too few"),
        log_rank=replace(lasting.log_rank, p=None, z=None, reason="too few"),
    )
    assert P_MEANS not in report.compare_lines(demo_facts.with_answers(lasting=untold))


def test_an_e_value_says_what_the_nearer_end_needs() -> None:
    some = e_value_sentence(2.14, 1.32, "miss")
    assert "make a miss 2.1 times as likely (1.3 for the interval's nearer end). It is" in some
    none = e_value_sentence(12.2, 1.0, "find")
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


def test_that_storage_was_chosen_is_said_once_in_that_part(
    demo_facts: Facts, lines: list[str]
) -> None:
    assert sum(line.count(CHOSEN) for line in lines) == 1
    page = render_page(demo_facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0)))
    part = page.replace("\u00a0", " ").partition("<h2>Refrigerated against frozen</h2>")[2]
    assert part.partition("</section>")[0].count(CHOSEN) == 1


def test_a_calibration_slope_stands_with_its_meaning(demo_facts: Facts) -> None:
    assert "; 1 is right, less is too far apart)" in describe_predictions(demo_facts.quality)


def test_a_floor_is_told_as_it_was_set(demo_facts: Facts) -> None:
    source = replace(demo_facts.shelf[0], ground="below")
    assert describe_advice(source, 0.999).endswith("shown below 99.9 in 100")
    assert describe_advice(source, 0.85).endswith("shown below 85 in 100")
