"""Every kind of record ends in a well-worded answer."""

import re
from collections.abc import Iterator
from typing import Any

import msgspec
import pytest

from outcomes.report.results.document import Results
from outcomes.report.write import results_text

VERDICTS = {
    **dict.fromkeys(
        ("no effect", "all refrigerated", "all frozen", "only the needed columns", "no dogs table",
         "no blank areas", "a hundred trials", "odd names", "one kind", "kinds apart"),
        "no change detected",
    ),
    **dict.fromkeys(
        ("too few trials", "one dog", "one source", "no misses", "no finds", "no storage rows",
         "only blank areas", "all trials assisted", "one session", "one trial", "one miss",
         "one dog at one source", "finds and misses apart"),
        "too few trials",
    ),
    "cycles and age identical": "cannot be told apart",
    "effect rising": "cycles",
    "effect falling": "cycles",
}  # fmt: skip
NAMES = pytest.mark.parametrize("name", VERDICTS)
NOUNS = "source|trial|dog|find|cycle|month|row|day|session"
FOREIGN = re.compile(r"(?<![\w'])(nan|NaN|NaT|None(?! of)|inf|null|True|False(?! alert))(?![\w'])")


@NAMES
def test_a_briefing_is_made_without_complaint(name, briefing_of) -> None:
    briefing = briefing_of(name)
    assert briefing.answer.complaints == []
    assert briefing.answer.status == 0
    assert sorted(file.name for file in briefing.folder.iterdir()) == [
        "briefing.html", "figure.pdf", "figure.png", "figure.svg", "results.json",
        "set_aside.csv", "trials.csv",
    ]  # fmt: skip


@NAMES
def test_the_verdict_is_the_right_one(name, briefing_of) -> None:
    assert briefing_of(name).results["which_predicts"]["verdict"] == VERDICTS[name]


@NAMES
def test_no_programmer_s_word_stands_on_the_page(name, briefing_of) -> None:
    briefing = briefing_of(name)
    own = set(briefing.unit.sources["source_id"])
    page = briefing.page
    text = "\n".join([*page.paragraphs, *(cell for cell in page.cells if cell not in own)])
    # A unit may call its source so; in a sentence it stands here.
    text = re.sub(r"The (source|dog) that moves this most is [^\n]*\.", "", text)
    assert FOREIGN.findall(text) == []
    assert FOREIGN.findall(briefing.answer.out) == []


@NAMES
def test_numbers_and_nouns_agree(name, briefing_of) -> None:
    briefing = briefing_of(name)
    text = f"{briefing.page.text}\n{briefing.answer.out}"
    assert re.findall(rf"(?<![\d.,–-])1 (?:more )?(?:(?:{NOUNS})s|misses)\b", text) == []
    assert re.findall(rf"(?<![\d.,])(?:0|[2-9]|\d\d+) (?:{NOUNS}|miss)\b", text) == []


@NAMES
def test_every_paragraph_is_whole(name, briefing_of) -> None:
    for text in briefing_of(name).page.paragraphs:
        assert text
        assert "  " not in text
        words = text.replace("{{ 7 * 7 }}", "S")  # the name of a source
        assert not re.search(r"\s[.,;:]|[.,;:]{2}|\(\)|\( |\{\{", words), text


@NAMES
def test_no_probability_leaves_its_range(name, briefing_of) -> None:
    results = briefing_of(name).results
    for path, value in _numbers(results):
        last = path[-1] if isinstance(path[-1], str) else path[-2]
        if last in ("probability", "find_probability", "proportion", "p", "joint_p", "baseline"):
            assert 0.0 <= value <= 1.0, path
    for term in results["find"]["terms"]:
        assert term["low"] <= term["ratio"] <= term["high"]
        assert term["points_low"] <= term["points"] <= term["points_high"]


@NAMES
def test_results_keep_their_schema(name, briefing_of) -> None:
    told = (briefing_of(name).folder / "results.json").read_text(encoding="utf-8")
    assert results_text(msgspec.json.decode(told, type=Results)) == told


@NAMES
def test_every_row_is_used_or_set_aside(name, briefing_of) -> None:
    records = briefing_of(name).results["records"]
    for table, rows in records["rows_in"].items():
        aside = {r["row"] for r in records["set_aside"] if r["file"] == f"{table}.csv"}
        assert rows == records["used"][table] + len(aside)


@NAMES
def test_every_held_source_has_its_row(name, briefing_of) -> None:
    briefing = briefing_of(name)
    on_page = {re.sub(r"\s+", " ", cell) for cell in briefing.page.cells}
    for source in briefing.results["shelf"]:
        assert source["source_id"] in on_page
        if source["trials"] == 0:
            assert (source["advice"], source["find_probability"]) == ("test", None)
        elif source["find_probability"] is not None:
            assert source["low"] <= source["find_probability"] <= source["high"]


def test_names_are_shown_and_never_run(briefing_of) -> None:
    briefing = briefing_of("odd names")
    page = (briefing.folder / "briefing.html").read_text(encoding="utf-8")
    assert "<b>bold</b>" not in page
    assert "&lt;b&gt;bold&lt;/b&gt;" in page
    assert "49" not in [cell for cell in briefing.page.cells if "{{" in cell]


def test_an_effect_is_told_in_its_own_direction(briefing_of) -> None:
    rising, falling = (briefing_of(f"effect {way}").page.text for way in ("rising", "falling"))
    assert "Finds rise with freeze/thaw cycles" in rising
    assert "Finds fall" not in rising
    assert "Finds fall with freeze/thaw cycles" in falling
    assert "Finds rise" not in falling


def test_no_limit_is_set_where_finds_rise(briefing_of) -> None:
    retire = briefing_of("effect rising").results["retire"]
    assert retire["retire_after"] is None
    assert retire["estimate"] is None


@pytest.mark.slow
@pytest.mark.parametrize("floor", ["0.5", "0.99"])
@pytest.mark.parametrize("name", ["no effect", "too few trials"])
def test_any_floor_is_told_in_the_answer(name, floor, briefing_of) -> None:
    briefing = briefing_of(name, "--floor", floor)
    assert briefing.answer.status == 0
    assert briefing.results["retire"]["floor"] == float(floor)
    assert briefing.results["which_predicts"]["verdict"] == VERDICTS[name]
    assert f"floor {100 * float(floor):.0f} in 100" in briefing.page.text
    assert FOREIGN.findall(briefing.page.text) == []
    # Where most trials are finds, a low floor spares every source, and one near certainty none.
    never = {"0.5": "retire", "0.99": "keep"}[floor]
    assert never not in {s["advice"] for s in briefing.results["shelf"]}


def _numbers(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], float]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _numbers(inner, (*path, key))
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _numbers(inner, (*path, place))
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield path, value
