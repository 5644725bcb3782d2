"""results.json keeps the contract, and the page says what results.json says."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pandas as pd
import pytest

from outcomes.analysis.finds.model import change_along
from outcomes.analysis.results import VERDICTS
from outcomes.answers.facts import Facts
from outcomes.report.page import PageFigure, page_fields, render_page
from outcomes.report.results import results
from outcomes.report.results.document import MadeBy, Results
from outcomes.report.results.schema import results_schema
from outcomes.report.results.values import filled
from outcomes.report.shelf_rows import trials_by_source
from outcomes.report.write import results_text
from outcomes.text import months, p_number, p_value
from outcomes.wording.cautions import ACT_CAUTION, CAUTIONS
from outcomes.wording.method import p_of_term

SCHEMA = Path(__file__).parents[2] / "docs/results.schema.json"
# The published contract, section 4: what other people's scripts rely on.
KEYS = {
    "settings": "floor confidence alpha seed rule as_of",
    "records": (
        "sources storage_moves trials hide_trials blank_trials dogs first last used set_aside"
    ),
    "which_predicts": (
        "verdict title sentence shape contradicted side_tests_p joint_p cycles_given_age_p "
        "age_given_cycles_p correlation kinds_differ_p kinds_falling met_before asked_again"
    ),
    "find": "n dogs sources log_likelihood terms sd left_out specifications",
    "suspects": "n suspects models joint_p sentence meaning left_out",
    "quality": "n brier area calibration by drift sentences",
    "dogs": "dogs sources dogs_differ_p responses experience sentences caution",
    "search_time": "n finds among_finds found_by sentence",
    "false_alerts": "n hours rate_per_hour terms by_dog sentence",
    "lifetime": (
        "rule rule_in_use rule_false_call chance_alone sources events curve median terms sentence "
        "weibull cycles_at_age cycle_by_cycle"
    ),
    "watch": (
        "sources_past dogs_past past sentence reason odds_ratio false_call within "
        "by_chance sources_seen dogs_seen"
    ),
    "retire": (
        "by floor confidence estimate low high retire_after observed_to by_kind sentence trade_off"
    ),
    "compare": "estimand risk_difference low high refrigerated frozen by_kind sentence portions",
}
ESTIMATE_KEYS = "term unit ratio_of ratio log_odds std_error low high confidence p"
NOT_THERE = "plan pool"  # no trials were planned, and no pool was given
SHELF_KEYS = (
    "source_id kind regime cycles age_days trials find_probability low high advice reason "
    "recent replace_by"
)


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
    for name in NOT_THERE.split():
        assert found[name] is None
    for source in found["shelf"]:
        assert set(SHELF_KEYS.split()) <= set(source)
    for at in found["stock"]:
        assert {"in_months", "sources_usable", "low", "high"} <= set(at)
    assert found["sources_needed_per_year"] > 0.0
    assert {"sources", "change", "finds", "sentence"} <= set(found["inspections"])
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
    odd = {"a": float("inf"), "b": np.array([1 / 3, np.nan]), "c": np.int64(2), "d": pd.NaT}
    assert json.loads(results_text(odd)) == {
        "a": None,
        "b": [0.3333333333, None],
        "c": 2,
        "d": None,
    }


def _objects(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        yield value
    for inner in value.values() if isinstance(value, dict) else value:
        if isinstance(inner, dict | list):
            yield from _objects(inner)


def test_an_estimate_is_one_thing_everywhere(found: dict[str, Any]) -> None:
    told = [one for one in _objects(found) if "ratio_of" in one]
    assert {one["ratio_of"] for one in told} >= {"odds", "hazard", "rate", "time"}
    for one in told:
        assert set(ESTIMATE_KEYS.split()) <= set(one)
        centre = one["log_odds"] if one["ratio"] is None else one["ratio"]
        if centre is not None:
            assert one["low"] <= centre <= one["high"]
            assert one["ratio_of"] == "odds" or one["log_odds"] is None
        if None not in (one["ratio"], one["log_odds"]):
            assert math.log(one["ratio"]) == pytest.approx(one["log_odds"], abs=1e-8)


def _limits_without_level(value: Any, level: bool = False) -> Iterator[dict[str, Any]]:
    """Objects with limits that have no confidence, nor anything around them."""
    if isinstance(value, list):
        for inner in value:
            yield from _limits_without_level(inner, level)
    if isinstance(value, dict):
        level = level or "confidence" in value
        if not level and any(name == "low" or name.endswith("_low") for name in value):
            yield value
        for inner in value.values():
            yield from _limits_without_level(inner, level)


def test_each_interval_states_its_level(found: dict[str, Any]) -> None:
    assert list(_limits_without_level(found)) == []
    assert list(_limits_without_level({"low": 1.0})) == [{"low": 1.0}]


def test_a_field_that_is_not_there_is_refused() -> None:
    with pytest.raises(TypeError, match="MadeBy has no maker"):
        filled(MadeBy, name="outcomes", version="1", maker="us")


def test_schema_is_current() -> None:
    again = "write it again: python tests/results_schema.py"
    assert SCHEMA.read_text(encoding="utf-8") == results_text(results_schema()), again


def test_the_example_keeps_the_schema() -> None:
    told = (SCHEMA.parents[1] / "reports/results.json").read_text(encoding="utf-8")
    assert results_text(msgspec.json.decode(told, type=Results)) == told
    # The schema refuses what the contract does not have: another verdict, text for a number.
    for odd in (
        told.replace('"verdict": "cycles"', '"verdict": "perhaps"'),
        told.replace('"floor": 0.85', '"floor": "high"'),
    ):
        with pytest.raises(msgspec.ValidationError):
            msgspec.json.decode(odd, type=Results)


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
        least = "≥ " if source["log_begins_late"] else ""
        assert row["wear"] == f"{least}{source['cycles']:.0f}"
        assert f"{months(source['age_days'])} old" in row["about"]
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
    terms = zip(fields["terms"], found["find"]["terms"], facts.fit.terms, strict=True)
    for row, term, told in terms:
        low, high = row["interval"].split(" to ")
        # Shown with three digits.
        for text, key in ((row["odds_ratio"], "ratio"), (low, "low"), (high, "high")):
            assert float(text) == pytest.approx(term[key], rel=5e-3)
        assert abs(float(row["points"].replace("−", "-")) - term["points"]) <= 0.05 + 1e-9
        # Of cycles and age the page tells the answer's own test, not a second one.
        assert row["p"] == p_of_term(told, facts.verdict)
        assert term["term"] in ("cycles", "age_days") or row["p"] == p_number(term["p"])


def test_the_shelf_holds_what_its_rows_show(facts: Facts, found: dict[str, Any]) -> None:
    fields = page_fields(facts, None)
    own = {name: trials["result"] for name, trials in trials_by_source(facts).items()}
    for row, source in zip(fields["shelf"], found["shelf"], strict=True):
        step, counted = source["next_step"], source["before_and_since"]
        assert row["next"] == step["sentence"]
        assert (step["order"] == "test") == (step["trials"] is not None)
        assert [tick["result"] for tick in row["ticks"]] == source["recent"]
        if counted is None:
            assert source["trials"] == 0
            continue
        assert row["counted"] == counted["sentence"]
        spans = counted["spans"]
        if spans:
            assert sum(span["trials"] for span in spans) == source["trials"]
            assert sum(span["finds"] for span in spans) == source["finds"]
            latest = own[source["source_id"]].tail(spans[-1]["trials"])
            assert spans[-1]["finds"] == (latest == "find").sum()
    past = found["retire"]["retire_after"]
    beyond = {s["source_id"] for s in found["shelf"] if s["cycles"] > past}
    assert {s["source_id"] for s in found["shelf"] if s["next_step"]["past_limit"]} == beyond


def test_page_size_and_limit_are_the_results(facts: Facts, found: dict[str, Any]) -> None:
    fields = page_fields(facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0)))
    change, low, high = change_along(facts.fit, "cycles", 10.0)
    assert -low == pytest.approx(found["which_predicts"]["largest_fall_points"]["per_10_cycles"])
    fewer = [f"{-points:.0f}" for points in (change, high, low)]
    assert f"about {fewer[0]} fewer finds in 100" in fields["answer"]
    assert f"interval {fewer[1]} to {fewer[2]} fewer" in fields["answer"]
    retire = found["retire"]
    after = f"Limit: {retire['retire_after']} cycles"
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
    rule = found["lifetime"]["rule_in_use"]
    errs = f"about {100 * rule['false_call']:.0f} unreliable within {rule['trials']} trials"
    assert errs in fields["rule"]
    chance = found["lifetime"]["chance_alone"]
    assert f"about {chance['sources']:.0f} ({chance['low']:.0f} to" in fields["lifetime"]
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
    # Below the last row of the shelf, before all that is folded.
    last = page.rindex('<li class="source')
    assert last < page.index(ACT_CAUTION) < page.index(">Behind the answer")


def test_the_page_needs_nothing_beside_it(facts: Facts) -> None:
    page = render_page(facts, PageFigure(b"<svg/>", (), "", (936.0, 504.0)))
    assert not re.search(r"(src|href)=\"(?!data:|#)", page)
    assert "http://" not in re.sub(r"data:[^\"]*", "", page)
    assert "https://" not in page
    assert page.count("<h1") == 1
    assert 'lang="en"' in page
    assert re.search(r'role="img" aria-label="Figure: [^"]{40,}', page)


def test_printed_parts_say_where_they_came_from(facts: Facts) -> None:
    piece = results(facts, ("retire", "shelf"))
    head = {"format", "unit", "made_by", "settings", "inputs", "records"}
    assert set(piece) == {*head, "retire", "shelf"}
