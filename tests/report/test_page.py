"""The page as a reader, a screen reader and a printer meet it."""

import html.parser
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.draw.looks import contrast

UNITS = (
    "no effect", "too few trials", "cycles and age identical", "effect rising", "effect falling",
    "finds and misses apart", "odd names", "one trial", "only blank areas",
)  # fmt: skip
NAMES = pytest.mark.parametrize("name", UNITS)
WITHOUT_FIGURES = ("one trial", "only blank areas")
TEMPLATE = Path(__file__).parents[2] / "outcomes" / "report" / "templates" / "briefing.html"
VOID = {"meta", "img", "br", "link", "input", "hr"}


class Element:
    """A tag with its attributes, its own and its children's text, and where it stands."""

    def __init__(self, tag: str, attributes: dict[str, str | None]) -> None:
        self.tag, self.attributes = tag, attributes
        self.text = ""


class _Reader(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.elements: list[Element] = []
        self.open: list[Element] = []

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        element = Element(tag, dict(attrs))
        self.elements.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        for element in self.open:
            element.text += data


def _elements(text: str) -> list[Element]:
    reader = _Reader()
    reader.feed(text)
    assert reader.open == []
    return reader.elements


@pytest.fixture
def elements_of(briefing_of: Callable[..., Any]) -> Callable[[str], list[Element]]:
    def read(name: str) -> list[Element]:
        return _elements((briefing_of(name).folder / "briefing.html").read_text(encoding="utf-8"))

    return read


@pytest.mark.slow
@NAMES
def test_every_tag_is_closed(name, elements_of) -> None:
    elements = elements_of(name)
    assert elements[0].tag == "html"
    assert elements[0].attributes["lang"] == "en"
    assert [e.text.strip() != "" for e in elements if e.tag == "title"] == [True]
    assert sum(e.tag == "main" for e in elements) == 1


@NAMES
def test_one_heading_then_parts_in_order(name, elements_of) -> None:
    elements = elements_of(name)
    headings = [e for e in elements if re.fullmatch(r"h[1-6]", e.tag)]
    assert [h.tag for h in headings] == ["h1", "h2", "h2"]
    assert re.fullmatch(r"The shelf on \d{4}-\d\d-\d\d", headings[1].text)
    assert headings[2].text == "Behind the answer"
    parts = [e.text for e in elements if e.tag == "summary"]
    own = parts[parts.index("How much, and how sure") :]
    may_lack = ("What a limit buys and costs", "What was weighed and seen",
                "When to find the next sources", "The dogs")  # fmt: skip
    order = [
        "How much, and how sure", "What a limit buys and costs", "Refrigerated against frozen",
        "How long sources stay reliable", "What was weighed and seen",
        "When to find the next sources", "The dogs", "Search time and false alerts",
        "What these records cannot say", "Cautions", "The records, and how it was worked out",
    ]  # fmt: skip
    assert own == [p for p in order if p in own or p not in may_lack]


@NAMES
def test_tables_are_named_to_screen_readers(name, elements_of) -> None:
    elements = elements_of(name)
    tables = [e for e in elements if e.tag == "table"]
    assert sum(e.tag == "caption" for e in elements) == len(tables)
    heads = [e for e in elements if e.tag == "th"]
    assert all(h.attributes.get("scope") in ("col", "row") for h in heads)
    assert all(h.text.strip() for h in heads if h.attributes["scope"] == "col")


@NAMES
def test_a_row_of_the_shelf_is_heard_as_a_sentence(name, elements_of, briefing_of) -> None:
    elements = elements_of(name)
    rows = [e for e in elements if e.tag == "summary" and "expected in 100" in e.text]
    shelf = briefing_of(name).results["shelf"]
    assert len(rows) == len(shelf)
    for row, source in zip(rows, shelf, strict=True):
        heard = re.sub(r"\s+", " ", row.text.replace("\u00a0", " ")).replace(" ,", ",").strip()
        told = re.fullmatch(
            rf"{re.escape(source['source_id'])} ?: {source['advice']}, (?:≥ )?(?:\d+|\?) "
            r"(?:cycles|months), expected in 100: (?:\S+ \(\S+ to \S+\)|not known), "
            r"(?:latest \d+ trials?: \d+ found|no trial yet), do next: [a-z0-9, ]+",
            heard,
        )
        assert told, heard


@NAMES
def test_what_scrolls_has_keyboard_and_name(name, elements_of) -> None:
    for element in elements_of(name):
        if element.attributes.get("class") == "scroll":
            assert element.attributes["tabindex"] == "0"
            assert element.attributes["role"] == "region"
            assert element.attributes["aria-label"]


@NAMES
def test_figure_tells_its_finding_in_words(name, elements_of, briefing_of) -> None:
    elements = elements_of(name)
    headline = next(e.text for e in elements if e.tag == "h1").strip()
    images = [e for e in elements if e.tag == "img"]
    if name in WITHOUT_FIGURES:
        assert not images
        return
    told = [e.attributes["aria-label"] for e in elements if e.attributes.get("role") == "img"]
    main = (told[0] or "").replace("\u00a0", " ")
    wide, narrow, *others, records = (
        (e.attributes["alt"] or "").replace("\u00a0", " ") for e in images
    )
    assert wide == narrow == ""
    assert len(others) <= 1  # how long sources stay reliable, where that is drawn
    assert headline.replace("\u00a0", " ") in main
    assert briefing_of(name).results["retire"]["sentence"] in main
    assert re.search(r"\d+ hide trials? of \d+ sources?, \d+ of them missed", records)


@pytest.mark.parametrize(
    ("name", "figures"), [("one trial", 0), ("only blank areas", 0), ("too few trials", 3)]
)
def test_empty_figure_is_left_out_with_reason(name, figures, elements_of) -> None:
    elements = elements_of(name)
    assert sum(e.tag == "img" for e in elements) == figures
    said = any("There is no figure:" in e.text for e in elements if e.tag == "p")
    assert said == (figures == 0)


@NAMES
def test_first_lines_tell_limit_shelf_and_storage(name, elements_of, briefing_of) -> None:
    elements = elements_of(name)
    at = next(i for i, e in enumerate(elements) if e.attributes.get("class") == "lead")
    assert at < next(i for i, e in enumerate(elements) if e.tag in ("figure", "h2"))
    lines = [e.text for e in elements[at + 1 :] if e.tag == "li"][:3]
    shelf = briefing_of(name).results["shelf"]
    assert re.match(r"Limit: |.*retirement limit", lines[0])
    assert f"{len(shelf):,} source" in lines[1] or len(shelf) < 2
    assert lines[2].startswith("Refrigerator or freezer?")


@NAMES
def test_no_line_is_told_twice(name, elements_of) -> None:
    lines = [e.text.strip() for e in elements_of(name) if e.tag in ("h1", "p", "li", "figcaption")]
    # Where there is no limit, the short answer is the whole answer.
    long = [line for line in lines if len(line) > 90]
    assert len(long) == len(set(long))


def test_long_names_may_break(elements_of) -> None:
    names = [
        e
        for name in ("odd names", "no effect")
        for e in elements_of(name)
        if "name" in (e.attributes.get("class") or "").split()
    ]
    assert {e.text for e in names if e.attributes["class"] == "name long"} == {"N" * 200}
    assert re.search(r"\.name \{[^}]*overflow-wrap: anywhere", TEMPLATE.read_text("utf-8"))


def _palettes() -> dict[str, dict[str, str]]:
    """Colours as each medium has them: what it does not set itself comes from the first."""
    css = TEMPLATE.read_text(encoding="utf-8")
    roots = [
        dict(re.findall(r"--(\w+): (#[0-9a-f]+)", block))
        for block in re.findall(r":root \{([^}]*)\}", css)
    ]
    assert len(roots) == 3
    light, dark, print_ = roots
    return {"light": light, "dark": {**light, **dark}, "print": {**light, **print_}}


def test_contrast_is_computed_as_published() -> None:
    # WCAG 2.2: black on white 21 to 1; #767676 is the lightest grey on white that passes AA.
    assert contrast("#000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("medium", ["light", "dark", "print"])
@pytest.mark.parametrize("ink", ["ink", "soft", "retire", "test", "keep", "floor"])
@pytest.mark.parametrize("ground", ["paper", "tint"])
def test_every_colour_of_words_passes_aa(medium, ink, ground) -> None:
    colours = _palettes()[medium]
    assert contrast(colours[ink], colours[ground]) >= 4.5
