"""``outcomes watch``: what it says, as words, as JSON and as a figure."""

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]
DEMO = Path(__file__).parents[2] / "synthetic_data"


@pytest.mark.slow
def test_list_begins_with_what_is_past_its_limit(call: Call, tmp_path: Path) -> None:
    drawn = tmp_path / "charts.svg"
    answer = call("watch", DEMO, "--figure", drawn)
    assert answer.status == 0
    assert answer.complaints == []
    lines = answer.out.splitlines()
    assert "past the limit: source BLD-02 (since " in lines[0]
    assert lines[2].startswith("Source BLD-02: ")
    assert lines[3].startswith("  moved by trial ")
    assert "Sources, the highest chart first:" in lines
    assert lines[-1] == f"Drawn: {drawn}"
    assert drawn.read_bytes().startswith(b"<?xml")
    # The same trial has another expectation in an explanation, and why is said.
    (learnt,) = (x for x in lines if x.startswith("Expected finds were learnt on the first "))
    assert "for a source and a dog left as they were in those" in learnt
    assert "outcomes retire --explain, which counts it, may expect fewer" in learnt
    # Which trials the charts leave out is said with both counts.
    (charted,) = (x for x in lines if x.startswith("On the charts are "))
    found = json.loads(call("watch", DEMO, "--json").out)["watch"]
    trials = sum(len(chart["trials"]) for chart in found["sources"])
    with (DEMO / "trials.csv").open(encoding="utf-8", newline="") as file:
        tried = sum(bool(row["source_id"]) for row in csv.DictReader(file))
    assert trials < tried
    assert charted.startswith(f"On the charts are {trials:,} of {tried:,} hide trials: ")
    of_dogs = sum(len(chart["trials"]) for chart in found["dogs"])
    assert of_dogs < trials
    assert any(x.startswith(f"On the dogs' charts are {of_dogs:,} of them: ") for x in lines)


def test_json_holds_every_chart_trial(call: Call) -> None:
    answer = call("watch", DEMO, "--json")
    assert answer.complaints == []
    found = json.loads(answer.out)
    assert list(found) == ["format", "unit", "made_by", "watch"]
    charts = found["watch"]["sources"]
    past = [c["name"] for c in charts if c["value"] > c["limit"]]
    told = found["watch"]["past"]
    assert [(one["of"], one["name"]) for one in told] == [("source", name) for name in past]
    for chart in charts:
        assert chart["trials"][-1]["value"] == chart["value"]
        assert chart["misses"] == sum(t["result"] == "miss" for t in chart["trials"])


def test_too_few_records_are_said_everywhere(call: Call, few_records: Path, tmp_path: Path) -> None:
    said = call("watch", few_records, "--figure", tmp_path / "charts.png")
    assert said.status == 0
    assert said.out.startswith("No source or dog can be charted yet: the baseline is not complete")
    found = json.loads(call("watch", few_records, "--json").out)["watch"]
    assert found["sources"] == []
    assert "misses of 40" in found["reason"]


def test_figure_of_another_kind_is_refused(call: Call, few_records: Path, tmp_path: Path) -> None:
    gif = tmp_path / "charts.gif"
    other = call("watch", few_records, "--figure", gif)
    assert other.status == 2
    assert other.complaints == [
        f"outcomes: --figure {gif}: name a file that ends in .png, .svg or .pdf."
    ]
    among = call("watch", few_records, "--figure", few_records / "charts.png")
    assert among.status == 2
    assert len(among.complaints) == 1
    assert not (few_records / "charts.png").exists()


@pytest.mark.slow
def test_discarded_source_is_not_named_as_held(call: Call, tmp_path: Path) -> None:
    storage = (DEMO / "storage.csv").read_text(encoding="utf-8")
    assert ",discarded" in next(
        line for line in reversed(storage.splitlines()) if line.startswith("FAT-03,")
    )
    drawn = tmp_path / "charts.svg"
    lines = call("watch", DEMO, "--figure", drawn).out.splitlines()
    assert lines[0].endswith(" No longer held: FAT-03.")
    assert any(line.startswith("Source FAT-03 (no longer held): ") for line in lines)
    assert not any("BLD-02 (no longer held)" in line for line in lines)
    found = json.loads(call("watch", DEMO, "--json").out)["watch"]
    held = {one["name"]: one["held"] for one in found["past"]}
    assert held == {"BLD-02": True, "FAT-03": False}
    assert "FAT-03" in found["no_longer_held"]
