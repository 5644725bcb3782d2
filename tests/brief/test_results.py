"""results.json keeps the contract, and the page says what results.json says."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import pytest

from outcomes.brief import words
from outcomes.brief.facts import Facts, gather_facts, results
from outcomes.brief.page import page_fields, render_page
from outcomes.brief.write import results_text
from outcomes.fit.result import VERDICTS
from outcomes.records.read import read_records

DEMO = Path(__file__).parents[2] / "synthetic_data"

# The published contract, section 4: what other people's scripts rely on.
KEYS = {
    "records": (
        "sources storage_moves trials hide_trials blank_trials dogs first last used set_aside"
    ),
    "which_predicts": "verdict joint_p cycles_given_age_p age_given_cycles_p correlation sentence",
    "find": "n dogs sources log_likelihood terms sd left_out specifications",
    "search_time": "n events terms time_ratio",
    "false_alerts": "n hours rate_per_hour terms",
    "lifetime": "rule rule_false_call sources events curve median terms",
    "retire": "by floor confidence estimate low high retire_after observed_to sentence trade_off",
    "compare": (
        "at_age_days risk_difference low high rmst_difference_days rmst_low rmst_high sentence"
    ),
}
TERM_KEYS = "term unit log_odds std_error odds_ratio low high p points"
SHELF_KEYS = "source_id kind regime cycles age_days trials find_probability low high advice reason"


@pytest.fixture(scope="module")
def facts() -> Facts:
    return gather_facts(read_records(DEMO))


@pytest.fixture(scope="module")
def found(facts: Facts) -> dict[str, Any]:
    return json.loads(results_text(results(facts)))


def test_every_key_of_the_contract_is_there(found: dict[str, Any]) -> None:
    assert found["format"] == 1
    assert set(found["made_by"]) == {"name", "version"}
    for section, keys in KEYS.items():
        assert set(keys.split()) <= set(found[section]), section
    for term in found["find"]["terms"]:
        assert set(TERM_KEYS.split()) <= set(term)
    for source in found["shelf"]:
        assert set(SHELF_KEYS.split()) <= set(source)
    assert found["cautions"] == list(words.CAUTIONS)


def test_words_are_those_of_the_contract(found: dict[str, Any]) -> None:
    assert found["which_predicts"]["verdict"] in VERDICTS
    assert {s["advice"] for s in found["shelf"]} <= {"keep", "test", "retire"}
    age = next(t for t in found["find"]["terms"] if t["term"] == "age_days")
    assert age["unit"] == "30 days"


def test_every_number_is_a_plain_finite_number(found: dict[str, Any]) -> None:
    def walk(value: Any) -> None:
        if isinstance(value, dict):
            for v in value.values():
                walk(v)
        elif isinstance(value, list):
            for v in value:
                walk(v)
        elif isinstance(value, float):
            assert math.isfinite(value)

    walk(found)
    with pytest.raises(ValueError, match="not JSON compliant"):
        results_text({"p": float("nan")})


def test_rows_handed_over_are_used_or_set_aside(found: dict[str, Any]) -> None:
    records = found["records"]
    aside = {(row["file"], row["row"]) for row in records["set_aside"]}
    assert sum(records["rows_in"].values()) == sum(records["used"].values()) + len(aside)
    assert records["trials"] == records["hide_trials"] + records["blank_trials"]


def test_the_page_tells_the_numbers_of_the_results(facts: Facts, found: dict[str, Any]) -> None:
    fields = page_fields(facts, b"<svg/>")
    assert fields["answer"] == found["which_predicts"]["sentence"]
    assert fields["retire"] == found["retire"]["sentence"]
    assert fields["compare"] == found["compare"]["sentence"]
    for row, source in zip(fields["shelf"], found["shelf"], strict=True):
        assert row["source"] == source["source_id"]
        assert row["advice"] == source["advice"]
        assert row["reason"] == source["reason"]
        assert row["found"] == f"{source['finds']} of {source['trials']}"
        numbers = [100 * source[k] for k in ("find_probability", "low", "high")]
        shown = re.findall(r"\d+", row["predicted"])
        for number, text in zip(numbers, shown, strict=True):
            assert abs(number - float(text)) <= 1.0
    for row, term in zip(fields["terms"], found["find"]["terms"], strict=True):
        assert float(row["odds_ratio"]) == pytest.approx(term["odds_ratio"], rel=5e-3)


def test_the_cautions_stand_on_the_page_and_one_beside_the_shelf(facts: Facts) -> None:
    page = render_page(facts, b"<svg/>")
    for caution in words.CAUTIONS:
        assert caution.split(",")[0].split("'")[0] in page.replace("&#39;", "'")
    table_end = page.index("</table>")
    assert "Before acting" in page[table_end : table_end + 900]


def test_the_page_needs_nothing_beside_it(facts: Facts) -> None:
    page = render_page(facts, b"<svg/>")
    assert not re.search(r"(src|href)=\"(?!data:|#)", page)
    assert "http" not in re.sub(r"data:[^\"]*", "", page)
    assert page.count("<h1") == 1
    assert 'lang="en"' in page
    assert re.search(r'<img[^>]* alt="Figure: [^"]{40,}', page)


def test_the_parts_a_command_prints_carry_where_they_came_from(found: dict[str, Any]) -> None:
    from outcomes.brief.report import part

    piece = part(found, ("retire", "shelf"))
    assert {"format", "unit", "made_by", "settings", "records", "retire", "shelf"} == set(piece)
