"""The figures folded away on the page, and how a figure is asked for by name."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from outcomes.answers.facts import Facts
from outcomes.draw.save import describe_figure
from outcomes.report.figures import FIGURES
from outcomes.report.further_figures import FOLDED, folded_figures
from outcomes.report.page import PageFigure, page_fields, render_page


@pytest.fixture(scope="module")
def page(demo_facts: Facts) -> str:
    folded = folded_figures(demo_facts, "One unit's records.")
    return render_page(demo_facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0), folded=folded))


def test_every_folded_figure_of_the_demo_is_on_the_page_with_its_finding_as_alt_text(
    demo_facts: Facts, page: str
) -> None:
    for shows, draw, _ in FOLDED.values():
        title = describe_figure(draw(demo_facts, "One unit's records."))[0]
        assert page.count(f"<h3>{shows}</h3>") == 1
        alt = f"Figure: {title}.".replace("'", "&#39;")
        assert f'alt="{alt}"' in page.replace("\u00a0", " ")


def test_they_are_folded_away_on_the_screen_and_named_on_paper(page: str) -> None:
    before, _, after = page.partition("<summary>For a reader who checks: further figures</summary>")
    assert before.rstrip().endswith("<details>")
    assert before.rpartition("<section")[2].startswith(' class="screen"')
    assert after.index("</details>") > after.rindex("<h3>")
    (pointer,) = re.findall(r'<p class="small paper">(Not on these sheets.*?)</p>', page)
    assert "further figures" in pointer


def test_where_there_is_nothing_to_draw_the_page_tells_why(demo_facts: Facts) -> None:
    detection = replace(demo_facts.detection, dogs=(), reason="few", sentence="Not yet: too few.")
    facts = demo_facts.with_answers(detection=detection)
    folded = folded_figures(facts, "One unit's records.")
    assert folded[0].svg is None
    assert folded[0].told == "Not yet: too few."
    page = render_page(facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0), folded=folded))
    assert "<p>Not yet: too few.</p>" in page


def test_a_page_without_a_figure_has_no_folded_ones(demo_facts: Facts) -> None:
    fields = page_fields(demo_facts, None)
    assert fields["folded"] == []
    assert "further figures" not in fields["elsewhere"]


def test_the_help_names_every_figure(call: Callable[..., Any]) -> None:
    told = re.sub(r"\s+", " ", call("figure", "--help").out)
    assert all(re.search(rf"[ ,]{name}[ ,.]", told) for name in FIGURES)
    assert set(FOLDED) <= set(FIGURES)
