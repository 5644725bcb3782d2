"""Sentences that the page can say are short, and in words of the trade and of statistics.

A help, not the judge: what is short may still be unclear. The bounds are the project's own.
"""

import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from outcomes.answers.facts import Facts
from outcomes.report.floor_control import floor_control
from outcomes.report.page import render_page
from tests.conftest import read_page

# Words without what stands in brackets; a part ends at a colon or a semicolon, too.
MOST_IN_A_SENTENCE, MOST_IN_A_PART = 44, 31
UNITS = (
    "no effect", "too few trials", "cycles and age identical", "effect rising", "effect falling",
    "finds and misses apart", "odd names", "one trial", "only blank areas", "kinds apart",
    "all refrigerated", "one dog", "no misses",
)  # fmt: skip
# Names of our own for things, and words of the workshop that a reader would have to guess.
PRIVATE = re.compile(
    r"\b(suspects?|part them|open still|asked again|telling|lasting|news|regime|"
    r"nan|null|dataframe|alpha|exposures?|covariates?|regressors?|dummy|imput\w+|"
    r"smart|health score|freshness|proven|court-ready|expired)\b"
    r"|[a-z]+_[a-z]+",
    re.IGNORECASE,
)
# A file's name, and the word for cycles or age where the method is told.
ALLOWED = {"set_aside", "exposure"}


def sentences(text: str) -> Iterator[str]:
    """Sentences of a paragraph, without what stands in brackets."""
    plain = text.replace("\u00a0", " ")
    while (shorter := re.sub(r"\s*\([^()]*\)", "", plain)) != plain:
        plain = shorter
    yield from (s for s in re.split(r"(?<=[.?!])\s+(?=[A-Z0-9])", plain) if s)


def too_long(text: str) -> list[str]:
    """Its sentences with too many words, in the whole or in a part."""
    found = []
    for sentence in sentences(text):
        parts = re.split(r"[:;]\s", sentence)
        if len(sentence.split()) > MOST_IN_A_SENTENCE or any(
            len(part.split()) > MOST_IN_A_PART for part in parts
        ):
            found.append(sentence)
    return found


def private_words(text: str) -> set[str]:
    return {m.group().lower() for m in PRIVATE.finditer(text)} - ALLOWED


def said_at_every_floor(facts: Facts) -> Iterator[str]:
    """What the floor control puts on the page."""
    control = floor_control(facts, "", ())
    if control is None:
        return
    data = control["data"]
    for name in ("limit", "order", "shelf", "retire", "price", "past", "either", "moved", "first",
                 "tests", "paper", "why", "next"):  # fmt: skip
        yield from data[name]


def _faults(paragraphs: list[str]) -> list[str]:
    found = [f"too long: {s}" for text in paragraphs for s in too_long(text)]
    return found + [f"{w}: {text}" for text in paragraphs for w in sorted(private_words(text))]


def test_the_demos_page_is_readable_at_every_floor(demo_facts: Facts) -> None:
    page = read_page(render_page(demo_facts, None))
    texts = [*page.paragraphs, *said_at_every_floor(demo_facts)]
    assert len(texts) > 200
    assert _faults(texts) == []


@pytest.mark.slow
@pytest.mark.parametrize("name", UNITS)
def test_every_units_page_is_readable(name: str, briefing_of: Callable[..., Any]) -> None:
    made = briefing_of(name)
    page = read_page((Path(made.folder) / "briefing.html").read_text(encoding="utf-8"))
    # What a unit calls its sources is its own affair.
    sources = set(made.unit.sources["source_id"].astype(str))
    texts = [t for t in page.paragraphs if not any(name in t for name in sources)]
    assert _faults(texts) == []


def test_the_check_sees_what_is_hard_to_read() -> None:
    long = "One of the " + "very " * 40 + "long ones ends here."
    assert too_long(long) == [long]
    assert too_long("Ten words (" + "and many more " * 20 + ") in brackets do not count.") == []
    assert private_words("Three suspects of frozen_share.") == {"suspects", "frozen_share"}
    assert private_words("Sources, cycles and finds.") == set()
