"""Refrigerated against frozen, in words: kinds, and the floor as set."""

from dataclasses import replace
from math import log

import pytest

from outcomes.answers.facts import Facts
from outcomes.models.ratio import Estimate
from outcomes.report import report
from outcomes.report.page import PageFigure, render_page
from outcomes.wording.quality import describe_predictions
from outcomes.wording.shelf import describe_advice
from tests.side import beyond_chance

CHOSEN = "Storage was chosen, not assigned"


def test_kinds_together_are_said_to_be(demo_facts: Facts) -> None:
    lines = list(report.compare_lines(demo_facts))
    assert "No kind has the 4 sources of each that it takes to tell it alone." in lines
    assert any(line.startswith("What is compared: The unit's own trials of") for line in lines)
    found = demo_facts.comparison
    some = demo_facts.with_answers(comparison=replace(found, by_kind={"fat": found.difference}))
    told = list(report.compare_lines(some))
    assert any(line.startswith("Kind by kind: fat: ") for line in told)


@pytest.mark.parametrize("compared", [False, True])
def test_storage_was_chosen_is_said_once(demo_facts: Facts, compared: bool) -> None:
    facts = demo_facts
    if compared:
        twice = Estimate("regime", "refrigerated against frozen", log(2.0), 0.1, 1.6, 2.5, 0.001)
        weibull = replace(facts.lasting.weibull, reason=None, terms=(twice,))
        facts = facts.with_answers(
            lasting=replace(facts.lasting, weibull=weibull),
            side_tests=beyond_chance(("wear-out", "regime")),
        )
    assert sum(line.count(CHOSEN) for line in report.compare_lines(facts)) == 1
    page = render_page(facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0)))
    part = page.replace("\u00a0", " ").partition("<summary>Refrigerated against frozen</summary>")[
        2
    ]
    part = part.partition("</details>")[0]
    assert part.count(CHOSEN) == 1
    assert ("stayed reliable 2 times as long" in part) is compared


def test_calibration_slope_has_its_meaning(demo_facts: Facts) -> None:
    assert "; 1 is right, less is too far apart)" in describe_predictions(demo_facts.quality)


def test_a_floor_is_told_as_it_was_set(demo_facts: Facts) -> None:
    source = replace(demo_facts.shelf[0], ground="below")
    assert describe_advice(source, 0.999).endswith("shown below 99.9 in 100")
    assert describe_advice(source, 0.85).endswith("shown below 85 in 100")
