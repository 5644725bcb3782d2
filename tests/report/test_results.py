"""results.json keeps the contract, and the page says what results.json says."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from typing import Any

import pytest

from outcomes.analysis.finds.model import change_along
from outcomes.analysis.results import VERDICTS
from outcomes.answers.facts import Facts
from outcomes.report.page import PageFigure, page_fields, render_page
from outcomes.report.results import results
from outcomes.report.write import results_text
from outcomes.text import DAYS_PER_MONTH, p_number, p_value
from outcomes.wording.cautions import ACT_CAUTION, CAUTIONS

# The published contract, section 4: what other people's scripts rely on.
KEYS = {
    "records": (
        "sources storage_moves trials hide_trials blank_trials dogs first last used set_aside"
    ),
    "which_predicts": "verdict joint_p cycles_given_age_p age_given_cycles_p correlation sentence",
    "find": "n dogs sources log_likelihood terms sd left_out specifications",
    "suspects": "n suspects models joint_p sentence meaning left_out",
    "quality": "n brier area calibration by drift sentences",
    "dogs": "dogs sources dogs_differ_p responses experience sentences caution",
    "search_time": "n events terms time_ratio",
    "false_alerts": "n hours rate_per_hour terms by_dog",
    "lifetime": (
        "rule rule_false_call sources events curve median terms "
        "rule_false_call_as_searched weibull cycles_at_age cycle_by_cycle"
    ),
    "watch": "sentence reason past odds_ratio false_call within source_limit dog_limit",
    "retire": "by floor confidence estimate low high retire_after observed_to sentence trade_off",
    "compare": ("at_age_days risk_difference low high sentence portions"),
}
TERM_KEYS = "term unit log_odds std_error odds_ratio low high p points"
SHELF_KEYS = "source_id kind regime cycles age_days trials find_probability low high advice reason"


@pytest.fixture(scope="module")
def facts(demo_facts: Facts) -> Facts:
    return demo_facts


@pytest.fixture(scope="module")
def found(facts: Facts) -> dict[str, Any]:
    return json.loads(results_text(results(facts)))


def test_every_key_of_the_contract_is_there(found: dict[str, Any]) -> None:
    assert found["format"] == 2
    assert set(found["made_by"]) == {"name", "version"}
    for section, keys in KEYS.items():
        assert set(keys.split()) <= set(found[section]), section
    for term in found["find"]["terms"]:
        assert set(TERM_KEYS.split()) <= set(term)
    for source in found["shelf"]:
        assert set(SHELF_KEYS.split()) <= set(source)
    assert found["cautions"] == list(CAUTIONS)


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


def test_page_tells_the_results_numbers(facts: Facts, found: dict[str, Any]) -> None:
    fields = page_fields(facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0)))
    assert fields["answer"] == found["which_predicts"]["sentence"]
    assert fields["retire"] == found["retire"]["sentence"]
    assert fields["compare"] == found["compare"]["sentence"]
    assert fields["search_time"] == found["search_time"]["sentence"]
    assert fields["false_alerts"] == found["false_alerts"]["sentence"]
    assert fields["lifetime"] == found["lifetime"]["sentence"]
    for row, source in zip(fields["shelf"], found["shelf"], strict=True):
        assert row["source"] == source["source_id"]
        assert row["advice"] == source["advice"]
        assert row["reason"] == source["reason"]
        assert row["found"] == f"{source['finds']:,} of {source['trials']:,}"
        assert row["cycles"] == f"{source['cycles']:.0f}"
        assert row["age"] == f"{source['age_days'] / DAYS_PER_MONTH:.0f}"
        numbers = [100 * source[k] for k in ("find_probability", "low", "high")]
        shown = re.findall(r"[<>]?\d+(?:\.\d)?", row["predicted"])
        for number, text in zip(numbers, shown, strict=True):
            if text[0] in "<>":
                assert (99.0 < number < 100.0) if text == ">99" else (0.0 < number < 1.0)
            elif "." in text:
                # Just below the floor, cut so that it does not read as the floor.
                assert 0.0 <= number - float(text) < 0.1
            else:
                assert abs(number - float(text)) <= 0.5
    for row, term in zip(fields["terms"], found["find"]["terms"], strict=True):
        low, high = row["interval"].split(" to ")
        # Shown with three digits.
        for text, key in ((row["odds_ratio"], "odds_ratio"), (low, "low"), (high, "high")):
            assert float(text) == pytest.approx(term[key], rel=5e-3)
        assert abs(float(row["points"].replace("−", "-")) - term["points"]) <= 0.05 + 1e-9
        assert row["p"] == p_number(term["p"])


def test_page_size_and_limit_are_the_results(facts: Facts, found: dict[str, Any]) -> None:
    fields = page_fields(facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0)))
    change, low, high = change_along(facts.fit, "cycles", 10.0)
    assert -low == pytest.approx(found["which_predicts"]["largest_fall_points"]["per_10_cycles"])
    fewer = [f"{-points:.0f}" for points in (change, high, low)]
    assert f"about {fewer[0]} fewer finds in 100" in fields["answer"]
    assert f"interval {fewer[1]} to {fewer[2]} fewer" in fields["answer"]
    retire = found["retire"]
    after = f"Retire after {retire['retire_after']} cycles"
    assert fields["lead"][0].startswith(after)
    assert fields["retire"].startswith(after)
    assert f"about {retire['estimate']:.0f} cycles" in fields["retire"]
    assert f"interval {retire['low']:.0f} to {retire['high']:.0f} cycles" in fields["retire"]
    number = Counter(s["advice"] for s in found["shelf"])
    for advice, of_it in number.items():
        assert f"{of_it} to {advice}" in fields["lead"][1]
    find = found["find"]
    assert f"{find['n']} usable hide trials ({find['misses']} misses)" in fields["lead"][2]
    assert f"{find['sources']} sources by {find['dogs']} dogs" in fields["lead"][2]
    errs = 100 * found["lifetime"]["rule_false_call"]["20"]
    assert f"about {errs:.0f} unreliable within 20 trials" in fields["rule"]
    assert f"found {100 * found['lifetime']['baseline']:.0f} times in 100" in fields["rule"]
    for test in ("joint_p", "cycles_given_age_p", "age_given_cycles_p"):
        # Told as exactly as the simulated data sets bear it.
        part = found["which_predicts"]["tests"][test.removesuffix("_p")]
        p, most = found["which_predicts"][test], part["p_most"]
        told = p_value(p) if most is None else f"p at most {p_number(most)}"
        assert told in fields["method"]


def test_cautions_stand_on_page_and_shelf(facts: Facts) -> None:
    page = render_page(facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0)))
    for caution in CAUTIONS:
        assert caution.split(",")[0].split("'")[0] in page.replace("&#39;", "'")
    table = page.index('<table class="shelf"')
    assert ACT_CAUTION in page[table - 900 : table]
    assert page.index("</table>", table) < page.index(
        CAUTIONS[0].split(".")[0].replace("'", "&#39;")
    )


def test_the_page_needs_nothing_beside_it(facts: Facts) -> None:
    page = render_page(facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0)))
    assert not re.search(r"(src|href)=\"(?!data:|#)", page)
    assert "http" not in re.sub(r"data:[^\"]*", "", page)
    assert page.count("<h1") == 1
    assert 'lang="en"' in page
    assert re.search(r'role="img" aria-label="Figure: [^"]{40,}', page)


def test_printed_parts_say_where_they_came_from(facts: Facts) -> None:
    piece = results(facts, ("retire", "shelf"))
    head = {"format", "unit", "made_by", "settings", "inputs", "records"}
    assert set(piece) == {*head, "retire", "shelf"}
