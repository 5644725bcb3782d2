"""``outcomes retire``: limits asked for, one source explained, and the interval by resampling."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

Call = Callable[..., Any]
EXAMPLE = Path(__file__).parents[2] / "synthetic_data"


@pytest.fixture(scope="module")
def falling(briefing_of: Callable[..., Any]) -> Path:
    """Records in which finds fall steeply with cycles."""
    return briefing_of("effect falling").folder.parent / "records"


@pytest.fixture(scope="module")
def explained(call: Call, falling: Path) -> dict[str, Any]:
    source = _most_tried(falling)
    answer = call("retire", falling, "--explain", source, "--by", "age", "--by", "cycles", "--json")
    assert answer.status == 0
    return json.loads(answer.out)


def _most_tried(records: Path) -> str:
    trials = pd.read_csv(records / "trials.csv")
    return str(trials["source_id"].value_counts().index[0])


def test_limits_are_in_the_order_asked(explained) -> None:
    assert explained["retire"]["by"] == "age_days"
    assert [t["by"] for t in explained["retire"]["also"]] == ["cycles"]
    assert explained["asked"]["by"] == ["age_days", "cycles"]


@pytest.mark.slow
def test_limit_beside_the_verdict_is_said(call, falling) -> None:
    answer = call("retire", falling, "--by", "age")
    assert answer.status == 0
    first, second = answer.out.splitlines()[:2]
    assert "age" in first
    assert second.startswith("Asked for: limits by age. But these records name cycles:")
    plain = call("retire", falling, "--by", "cycles")
    assert "Asked for" not in plain.out


def test_every_trial_stands_with_its_advice(explained, falling) -> None:
    source = explained["explain"]["source_id"]
    trials = pd.read_csv(falling / "trials.csv", parse_dates=["started_at"])
    own = trials[trials["source_id"] == source].sort_values("started_at", kind="stable")
    told = explained["explain"]["trials"]
    assert sorted(t["trial_id"] for t in told) == sorted(own["trial_id"])
    assert [t["started_at"] for t in told] == sorted(t["started_at"] for t in told)
    on_shelf = {s["source_id"]: s["advice"] for s in explained["shelf"]}
    assert explained["explain"]["advice"] == on_shelf.get(source)
    used = [t for t in told if t["used"]]
    assert used
    assert all(0.0 < t["expected"] < 1.0 and t["low"] <= t["running"] <= t["high"] for t in used)


@pytest.mark.slow
def test_the_stock_is_told_with_its_days(call) -> None:
    answer = call("retire", EXAMPLE, "--stock")
    told = " ".join(answer.out.split())
    assert answer.status == 0
    assert re.match(r"Of \d+ sources held, \d+ (is|are) usable", told)
    assert "usable in 12 months" in told.lower()
    assert "Before acting: test again" in told
    held = json.loads(call("retire", EXAMPLE, "--stock", "--json").out)
    assert [at["in_months"] for at in held["stock"]] == [3, 6, 12]
    assert held["sources_needed_per_year"] > 0
    by = {s["source_id"]: s for s in held["shelf"] if s["replace_by"]}
    assert by
    for name, source in by.items():
        assert source["replace_from"] <= source["replace_by"]
        assert f"{name} " in answer.out
        assert source["advice"] != "retire"


@pytest.mark.slow
def test_without_a_limit_the_stock_says_so(call, falling) -> None:
    """Finds are below the floor from the first thaw on: no limit, no day."""
    told = " ".join(call("retire", falling, "--stock").out.split())
    assert told.startswith("No source has a day to be replaced by: no limit is set")
    assert "Without a date" not in told


@pytest.mark.slow
def test_the_stock_is_not_asked_beside_an_explanation(call, falling) -> None:
    answer = call("retire", falling, "--explain", _most_tried(falling), "--stock")
    assert answer.status == 2
    assert "--stock would be left out" in answer.err


@pytest.mark.slow
def test_explanation_ends_with_advice_and_caution(call, falling) -> None:
    source = _most_tried(falling)
    answer = call("retire", falling, "--explain", source)
    lines = answer.out.splitlines()
    assert lines[0] == f"How the advice on {source} came about"
    assert any(line.startswith(("Advice: ", "It is not held on ")) for line in lines)
    assert lines[-2].startswith("This is an association in one unit's records.")
    assert lines[-1].startswith("Before acting: test again")
    assert max(map(len, [line for line in lines if line[:2] == "20"])) <= 110


def test_discarded_source_gets_no_advice(call, own_records) -> None:
    trials = pd.read_csv(own_records / "trials.csv")
    source = trials["source_id"].dropna().iloc[0]
    log = pd.read_csv(own_records / "storage.csv")
    last = pd.DataFrame(
        {"source_id": [source], "moved_at": ["2026-06-01"], "moved_to": ["discarded"]}
    )
    pd.concat([log, last]).to_csv(own_records / "storage.csv", index=False)
    answer = call("retire", own_records, "--explain", source, "--as-of", "2026-07-01")
    assert answer.status == 0
    assert "It is not held on 2026-07-01 (discarded on 2026-06-01): no advice." in answer.out


def test_unknown_source_gets_the_nearest_name(call, few_records) -> None:
    names = pd.read_csv(few_records / "sources.csv")["source_id"]
    wrong = names[0].lower().replace("-0", "")
    answer = call("retire", few_records, "--explain", wrong)
    assert (answer.status, answer.out) == (2, "")
    assert answer.complaints == [
        f"outcomes: --explain {wrong}: there is no source of that name. Did you mean {names[0]}?"
    ]
    answer = call("retire", few_records, "--explain", "quite another thing")
    assert answer.complaints[0].endswith(f"There are {len(names)} sources.")


def test_lookalike_names_are_told(call, few_records) -> None:
    names = pd.read_csv(few_records / "sources.csv")["source_id"]
    start = names[0].rpartition("-")[0]
    answer = call("retire", few_records, "--explain", f"{start}-99")
    assert (answer.status, answer.out) == (2, "")
    (line,) = answer.complaints
    near = line.partition(" Near it: ")[2].removesuffix(".").split(", ")
    assert 1 <= len(near) <= 3
    assert set(near) <= set(names[names.str.startswith(start)])


@pytest.mark.parametrize(
    ("options", "named"),
    [
        (["--either", "20", "18", "--by", "age"], "--by and --either"),
        (["--bootstrap"], "--bootstrap"),
    ],
)
def test_unexplainable_options_are_refused_first(call, few_records, options, named) -> None:
    # Not even the records are read, nor is the name looked up.
    answer = call("retire", few_records / "nowhere", "--explain", "any", *options)
    assert (answer.status, answer.out) == (2, "")
    assert answer.err.splitlines() == [
        f"outcomes: --explain tells about one source only, so {named} would be left out. "
        "Ask for them without --explain, or add --json for both."
    ]


def test_too_few_trials_are_told_without_a_model(call, few_records) -> None:
    source = _most_tried(few_records)
    answer = call("retire", few_records, "--explain", source)
    assert answer.status == 0
    assert "Advice: test." in answer.out
    assert "expected" not in answer.out
    assert "this source" not in answer.out
    assert answer.out.count("What to expect of it cannot be told: too few trials to fit") == 1
    answer = call("retire", few_records, "--by", "cycles")
    assert "No limit by cycles can be set: no curve could be fitted." in answer.out
    assert "too few to tell whether storage matters at all" in answer.out
    # One reason for all is told once, and what would settle it.
    assert "To test, all for the same reason: " in answer.out
    assert re.search(r"about \d+ more hide trials would bring enough misses", answer.out)
    (alike,) = (x for x in answer.out.splitlines() if x.startswith("To test, all for the same"))
    assert alike.count(source) == 1
    assert re.search(rf"^Test first: .*\b{source}\b", answer.out, flags=re.MULTILINE)


@pytest.mark.slow
def test_resampling_adds_its_intervals(call, falling, monkeypatch) -> None:
    from outcomes.analysis.decisions import bootstrap

    real = bootstrap.bootstrap_threshold
    monkeypatch.setattr(
        bootstrap, "bootstrap_threshold", lambda *a, **k: real(*a, **{**k, "refits": 10})
    )
    answer = call("retire", falling, "--bootstrap", "--json")
    found = json.loads(answer.out)
    by_source, by_dog = found["bootstrap"][:2]
    assert (by_source["resampled"], by_source["refits"]) == ("source", 10)
    assert by_source["sentence"].startswith(
        f"Resampling whole sources (10 times, {by_source['levels']} sources)"
    )
    # Four dogs are too few to draw from.
    assert by_dog["reason"] == "only 4 dogs to draw from; at least 5 are needed"
    assert answer.complaints == []


@pytest.mark.slow
def test_rule_by_both_is_priced_with_present(call, falling) -> None:
    answer = call("retire", falling, "--either", "6", "18")
    (line,) = (x for x in answer.out.splitlines() if x.startswith("Retire after 6 cycles or 18 mo"))
    assert "whichever comes first: about " in line
    assert "As now: " in line
    found = json.loads(call("retire", falling, "--either", "6", "18", "--json").out)["either"]
    assert found["sentence"] == line
    assert found["low"] <= found["find_probability"] <= found["high"]
    assert (found["cycles"], found["age_days"]) == (6.0, pytest.approx(547.875))


@pytest.mark.slow
def test_rule_buying_nothing_says_so(call, falling, few_records) -> None:
    answer = call("retire", falling, "--either", "1", "1")
    assert (
        "The rule “1 cycle or 1 month, whichever comes first” has no price: too few" in answer.out
    )
    answer = call("retire", few_records, "--either", "20", "18.7")
    # It is named as it would be priced.
    assert "The rule “20 cycles or 18.7 months, whichever comes first”" in answer.out
    assert "has no price: too little evidence in these records" in answer.out
    answer = call("retire", few_records, "--either", "0", "18")
    assert answer.status == 2
