"""Refrigerated against frozen, in words: two tests, kinds, and the floor as set."""

from __future__ import annotations

from dataclasses import replace

import pytest

from outcomes.answers.facts import Facts
from outcomes.report import report
from outcomes.report.page import PageFigure, render_page
from outcomes.wording import answers as words
from outcomes.wording import sensitivity as further_words

CHOSEN = "Storage was chosen, not assigned"


@pytest.fixture(scope="module")
def lines(demo_facts: Facts) -> list[str]:
    return list(report.compare_lines(demo_facts))


def test_each_log_rank_test_says_its_span(lines: list[str]) -> None:
    tests = [line for line in lines if "log-rank test" in line]
    assert len(tests) == 2
    assert "within that time alone" in tests[0]
    assert "over all the time they were followed" in tests[1]


def test_what_p_means_stands_under_the_tests(demo_facts: Facts, lines: list[str]) -> None:
    last = max(k for k, line in enumerate(lines) if "log-rank test" in line)
    assert lines[last + 1] == further_words.P_MEANS
    lasting = demo_facts.lasting
    untold = replace(
        lasting,
        means=replace(lasting.means, reason="too few"),
        log_rank=replace(lasting.log_rank, p=None, z=None, reason="too few"),
    )
    assert further_words.P_MEANS not in report.compare_lines(
        demo_facts.with_answers(lasting=untold)
    )


def test_kinds_together_are_said_to_be(demo_facts: Facts, lines: list[str]) -> None:
    told = "The difference above is of the kinds together; no kind has enough by itself:"
    assert told in lines
    assert lines[lines.index(told) + 1].startswith(f"  {demo_facts.kinds[0].kind}: cannot be")
    one = replace(demo_facts.kinds[0], comparison=demo_facts.comparison)
    some = demo_facts.with_answers(kinds=(one, *demo_facts.kinds[1:]))
    assert told not in list(report.compare_lines(some))


def test_storage_was_chosen_is_said_once(demo_facts: Facts, lines: list[str]) -> None:
    assert sum(line.count(CHOSEN) for line in lines) == 1
    page = render_page(demo_facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0)))
    part = page.replace("\u00a0", " ").partition("<h2>Refrigerated against frozen</h2>")[2]
    assert part.partition("</section>")[0].count(CHOSEN) == 1


def test_calibration_slope_has_its_meaning(demo_facts: Facts) -> None:
    assert "; 1 is right, less is too far apart)" in demo_facts.quality.sentences[0]


def test_a_floor_is_told_as_it_was_set(demo_facts: Facts) -> None:
    source = replace(demo_facts.shelf[0], ground="below")
    assert words.advice_reason(source, 0.999).endswith("shown below 99.9 in 100")
    assert words.advice_reason(source, 0.85).endswith("shown below 85 in 100")
