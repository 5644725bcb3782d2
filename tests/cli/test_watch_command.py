"""``outcomes watch``: what it says, as words, as JSON and as a figure."""

import csv
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Call = Callable[..., Any]
DEMO = Path(__file__).parents[2] / "synthetic_data"
WORSE = ("BLD-07", "FAT-01")  # the first was discarded


@pytest.fixture(scope="module")
def two_worse(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's records, in which the last 15 trials of two sources are misses."""
    folder = tmp_path_factory.mktemp("worse") / "records"
    shutil.copytree(DEMO, folder)
    with (DEMO / "trials.csv").open(encoding="utf-8", newline="") as file:
        rows = sorted(csv.DictReader(file), key=lambda row: row["started_at"])
    for source in WORSE:
        for row in [r for r in rows if r["source_id"] == source][-15:]:
            row["result"] = "miss"
    with (folder / "trials.csv").open("w", encoding="utf-8", newline="") as file:
        out = csv.DictWriter(file, list(rows[0]))
        out.writeheader()
        out.writerows(rows)
    return folder


@pytest.mark.slow
def test_list_begins_with_what_passed_its_limit(
    call: Call, two_worse: Path, tmp_path: Path
) -> None:
    drawn = tmp_path / "charts.svg"
    answer = call("watch", two_worse, "--figure", drawn)
    assert answer.status == 0
    assert answer.complaints == []
    lines = answer.out.splitlines()
    assert "within the last 50 trials of each: source BLD-07 (" in lines[0]
    assert "would by chance, as about 5 in 100 that do not change pass" in lines[0]
    assert lines[2].startswith("Source BLD-07 (no longer held): ")
    assert lines[3].startswith("  moved by trial ")
    assert lines[-1] == f"Drawn: {drawn}"
    assert drawn.read_bytes().startswith(b"<?xml")
    # What is expected, and of which trials, is said.
    (expected,) = (x for x in lines if x.startswith("What was expected comes from the model"))
    assert "the sources it met as worn as they were" in expected
    # Names are in alphabetical order, and no chart ranks them.
    dogs = lines[lines.index("Dogs, the last 50 trials of each:") + 1 :]
    names = [x.split(":")[0] for x in dogs[: dogs.index("")]]
    assert len(names) > 5
    assert names == sorted(names)


@pytest.mark.slow
def test_discarded_source_is_not_named_as_held(call: Call, two_worse: Path) -> None:
    lines = call("watch", two_worse).out.splitlines()
    assert lines[0].endswith(" No longer held: BLD-07.")
    assert any(line.startswith("Source BLD-07 (no longer held): ") for line in lines)
    assert not any("FAT-01 (no longer held)" in line for line in lines)
    found = json.loads(call("watch", two_worse, "--json").out)["watch"]
    held = {one["name"]: one["held"] for one in found["past"] if one["of"] == "source"}
    assert held == {"BLD-07": False, "FAT-01": True}
    assert "BLD-07" in found["no_longer_held"]


@pytest.mark.slow
def test_json_holds_every_chart_trial(call: Call) -> None:
    answer = call("watch", DEMO, "--json")
    assert answer.complaints == []
    found = json.loads(answer.out)
    assert list(found) == ["format", "unit", "made_by", "watch"]
    charts = [*found["watch"]["sources"], *found["watch"]["dogs"]]
    past = [c["name"] for c in charts if max(t["value"] for t in c["trials"]) > c["limit"]]
    assert [one["name"] for one in found["watch"]["past"]] == past
    assert [c["name"] for c in charts if c["past_since"] is not None] == past
    for chart in charts:
        assert chart["trials"][-1]["value"] == chart["value"]
        assert chart["misses"] == sum(t["result"] == "miss" for t in chart["trials"])
    assert found["watch"]["by_chance"] == pytest.approx(sum(c["by_chance"] for c in charts))


def test_too_few_records_are_said_everywhere(call: Call, few_records: Path, tmp_path: Path) -> None:
    said = call("watch", few_records, "--figure", tmp_path / "charts.png")
    assert said.status == 0
    assert said.out.startswith("No source or dog can be charted yet: too few trials to fit a model")
    found = json.loads(call("watch", few_records, "--json").out)["watch"]
    assert found["sources"] == []
    assert "too few trials" in found["reason"]


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
