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


def test_folded_figures_have_their_alt_text(demo_facts: Facts, page: str) -> None:
    for shows, draw, _ in FOLDED.values():
        title = describe_figure(draw(demo_facts, "One unit's records."))[0]
        assert page.count(f"<h3>{shows}</h3>") == 1
        alt = f"Figure: {title}.".replace("'", "&#39;")
        assert f'alt="{alt}"' in page.replace("\u00a0", " ")


def test_folded_on_screen_and_named_on_paper(page: str) -> None:
    before, _, after = page.partition("<summary>For a reader who checks: further figures</summary>")
    assert before.rstrip().endswith("<details>")
    assert before.rpartition("<section")[2].startswith(' class="screen"')
    assert after.index("</details>") > after.rindex("<h3>")
    (pointer,) = re.findall(r'<p class="small paper">(Not on these sheets.*?)</p>', page)
    assert "further figures" in pointer


def test_nothing_to_draw_tells_why(demo_facts: Facts) -> None:
    rules = replace(
        demo_facts.lasting.rules,
        rules=tuple(replace(r, reason="too few") for r in demo_facts.lasting.rules.rules),
        sentence="No rule can be applied: too few.",
    )
    facts = demo_facts.with_answers(lasting=replace(demo_facts.lasting, rules=rules))
    folded = folded_figures(facts, "One unit's records.")
    assert [f.svg is None for f in folded] == [False, True]
    assert folded[-1].told == "No rule can be applied: too few."
    page = render_page(facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0), folded=folded))
    assert "<p>No rule can be applied: too few.</p>" in page


def test_page_without_figure_has_none_folded(demo_facts: Facts) -> None:
    fields = page_fields(demo_facts, None)
    assert fields["folded"] == []
    assert "further figures" not in fields["elsewhere"]


def test_the_help_names_every_figure(call: Callable[..., Any]) -> None:
    told = re.sub(r"\s+", " ", call("figure", "--help").out)
    assert all(re.search(rf"[ ,]{name}[ ,.]", told) for name in FIGURES)
    assert set(FOLDED) <= set(FIGURES)
