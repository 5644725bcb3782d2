"""Every kind of record ends in a well-worded answer."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import msgspec
import pytest

from outcomes.report.results.document import Results
from outcomes.report.write import results_text

VERDICTS = {
    "no effect": "no change detected",
    "too few trials": "too few trials",
    "one dog": "too few trials",
    "one source": "too few trials",
    "no misses": "too few trials",
    "no finds": "too few trials",
    "cycles and age identical": "cannot be told apart",
    "all refrigerated": "no change detected",
    "all frozen": "no change detected",
    "no storage rows": "too few trials",
    "only the needed columns": "no change detected",
    "no dogs table": "no change detected",
    "no blank areas": "no change detected",
    "only blank areas": "too few trials",
    "all trials assisted": "too few trials",
    "one session": "too few trials",
    "one trial": "too few trials",
    "one miss": "too few trials",
    "one dog at one source": "too few trials",
    "effect rising": "cycles",
    "effect falling": "cycles",
    "finds and misses apart": "too few trials",
    "a hundred trials": "no change detected",
    "odd names": "no change detected",
    "one kind": "no change detected",
    "kinds apart": "no change detected",
}
NAMES = pytest.mark.parametrize("name", VERDICTS)
NOUNS = "source|trial|dog|find|cycle|month|row|day|session"
FOREIGN = re.compile(r"(?<![\w'])(nan|NaN|NaT|None(?! of)|inf|null|True|False(?! alert))(?![\w'])")


@NAMES
def test_a_briefing_is_made_without_complaint(name: str, briefing_of: Callable[..., Any]) -> None:
    briefing = briefing_of(name)
    assert briefing.answer.complaints == []
    assert briefing.answer.status == 0
    assert sorted(file.name for file in briefing.folder.iterdir()) == [
        "briefing.html",
        "figure.pdf",
        "figure.png",
        "figure.svg",
        "results.json",
        "set_aside.csv",
        "trials.csv",
    ]


@NAMES
def test_the_verdict_is_the_right_one(name: str, briefing_of: Callable[..., Any]) -> None:
    assert briefing_of(name).results["which_predicts"]["verdict"] == VERDICTS[name]


@NAMES
def test_no_programmer_s_word_stands_on_the_page(
    name: str, briefing_of: Callable[..., Any]
) -> None:
    briefing = briefing_of(name)
    own = set(briefing.unit.sources["source_id"])
    page = briefing.page
    text = "\n".join([*page.paragraphs, *(cell for cell in page.cells if cell not in own)])
    # A unit may call its source so; in a sentence it stands here.
    text = re.sub(r"The (source|dog) that moves this most is [^\n]*\.", "", text)
    assert FOREIGN.findall(text) == []
    assert FOREIGN.findall(briefing.answer.out) == []


@NAMES
def test_numbers_and_nouns_agree(name: str, briefing_of: Callable[..., Any]) -> None:
    briefing = briefing_of(name)
    text = f"{briefing.page.text}\n{briefing.answer.out}"
    assert re.findall(rf"(?<![\d.,–-])1 (?:more )?(?:(?:{NOUNS})s|misses)\b", text) == []
    assert re.findall(rf"(?<![\d.,])(?:0|[2-9]|\d\d+) (?:{NOUNS}|miss)\b", text) == []


@NAMES
def test_every_paragraph_is_whole(name: str, briefing_of: Callable[..., Any]) -> None:
    for text in briefing_of(name).page.paragraphs:
        assert text
        assert "  " not in text
        words = text.replace("{{ 7 * 7 }}", "S")  # the name of a source
        assert not re.search(r"\s[.,;:]|[.,;:]{2}|\(\)|\( |\{\{", words), text


@NAMES
def test_no_probability_leaves_its_range(name: str, briefing_of: Callable[..., Any]) -> None:
    results = briefing_of(name).results
    for path, value in _numbers(results):
        last = path[-1] if isinstance(path[-1], str) else path[-2]
        if last in ("probability", "find_probability", "proportion", "p", "joint_p", "baseline"):
            assert 0.0 <= value <= 1.0, path


@NAMES
def test_limits_stand_on_both_sides(name: str, briefing_of: Callable[..., Any]) -> None:
    results = briefing_of(name).results
    for term in results["find"]["terms"]:
        assert term["low"] <= term["ratio"] <= term["high"]
        assert term["points_low"] <= term["points"] <= term["points_high"]
    for source in results["shelf"]:
        if source["find_probability"] is not None:
            assert source["low"] <= source["find_probability"] <= source["high"]


@NAMES
def test_results_keep_their_schema(name: str, briefing_of: Callable[..., Any]) -> None:
    told = (briefing_of(name).folder / "results.json").read_text(encoding="utf-8")
    assert results_text(msgspec.json.decode(told, type=Results)) == told


@NAMES
def test_every_row_is_used_or_set_aside(name: str, briefing_of: Callable[..., Any]) -> None:
    records = briefing_of(name).results["records"]
    for table, rows in records["rows_in"].items():
        aside = {r["row"] for r in records["set_aside"] if r["file"] == f"{table}.csv"}
        assert rows == records["used"][table] + len(aside)


@NAMES
def test_untried_source_is_never_retired_or_kept(
    name: str, briefing_of: Callable[..., Any]
) -> None:
    for source in briefing_of(name).results["shelf"]:
        if source["trials"] == 0:
            assert source["advice"] == "test"
            assert source["find_probability"] is None


@NAMES
def test_every_shelf_source_is_a_page_row(name: str, briefing_of: Callable[..., Any]) -> None:
    briefing = briefing_of(name)
    on_page = {re.sub(r"\s+", " ", cell) for cell in briefing.page.cells}
    for source in briefing.results["shelf"]:
        assert source["source_id"] in on_page


def test_names_are_shown_and_never_run(briefing_of: Callable[..., Any]) -> None:
    briefing = briefing_of("odd names")
    page = (briefing.folder / "briefing.html").read_text(encoding="utf-8")
    assert "<b>bold</b>" not in page
    assert "&lt;b&gt;bold&lt;/b&gt;" in page
    assert "49" not in [cell for cell in briefing.page.cells if "{{" in cell]


def test_an_effect_is_told_in_its_own_direction(briefing_of: Callable[..., Any]) -> None:
    rising, falling = (briefing_of(f"effect {way}").page.text for way in ("rising", "falling"))
    assert "Finds rise with freeze/thaw cycles" in rising
    assert "Finds fall" not in rising
    assert "Finds fall with freeze/thaw cycles" in falling
    assert "Finds rise" not in falling


def test_no_limit_is_set_where_finds_rise(briefing_of: Callable[..., Any]) -> None:
    retire = briefing_of("effect rising").results["retire"]
    assert retire["retire_after"] is None
    assert retire["estimate"] is None


@pytest.mark.slow
@pytest.mark.parametrize("floor", ["0.5", "0.99"])
@pytest.mark.parametrize("name", ["no effect", "too few trials"])
def test_any_floor_is_told_in_the_answer(
    name: str, floor: str, briefing_of: Callable[..., Any]
) -> None:
    briefing = briefing_of(name, "--floor", floor)
    assert briefing.answer.status == 0
    assert briefing.results["retire"]["floor"] == float(floor)
    assert briefing.results["which_predicts"]["verdict"] == VERDICTS[name]
    assert f"floor {100 * float(floor):.0f} in 100" in briefing.page.text
    assert FOREIGN.findall(briefing.page.text) == []


def test_low_floor_spares_mostly_found_sources(
    briefing_of: Callable[..., Any],
) -> None:
    shelf = briefing_of("no effect", "--floor", "0.5").results["shelf"]
    assert [s["source_id"] for s in shelf if s["advice"] == "retire"] == []


def test_a_floor_near_certainty_keeps_no_source(briefing_of: Callable[..., Any]) -> None:
    shelf = briefing_of("no effect", "--floor", "0.99").results["shelf"]
    assert [s["source_id"] for s in shelf if s["advice"] == "keep"] == []


def _numbers(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[tuple[Any, ...], float]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _numbers(inner, (*path, key))
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _numbers(inner, (*path, place))
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield path, value
