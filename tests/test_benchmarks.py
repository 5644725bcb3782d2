"""The benchmarks' command: what it measures once it keeps, and the page is made of what it kept."""

import json
from pathlib import Path

import pytest
import run

ROOT = Path(__file__).parents[1]


def row(part: str, tool: str, size: int, seconds: float, **more: object) -> dict[str, object]:
    return {
        "part": part, "tool": tool, "size": size, "seconds": seconds, "peak_gb": 0.25,
        "date": "2026-01-31", "load": 0.1, "machine": "2 cores", **more,
    }  # fmt: skip


@pytest.mark.parametrize("power", [0.5, 1.0, 2.0])
def test_growth_is_the_power_of_the_size(power):
    sizes = [1e3, 1e4, 1e5]
    assert run.growth(sizes, [3.0 * s**power for s in sizes]) == pytest.approx(power)
    assert run.growth([1e3], [1.0]) is None


def test_measured_once_and_latest_counts(tmp_path):
    taken = []

    def take(size):
        taken.append(size)
        return {"seconds": 1.0 * len(taken), "peak_gb": 0.1}

    file = tmp_path / "results" / "measured.jsonl"
    tasks = [run.Task("fit", "outcomes", size, lambda size=size: take(size)) for size in (10, 20)]
    run.measure(tasks[:1], file, again=False)
    run.measure(tasks, file, again=False)
    assert taken == [10, 20]
    run.measure(tasks[:1], file, again=True)
    found = {r["size"]: r["seconds"] for r in run.read_measured(file)}
    assert found == {10: 3.0, 20: 2.0}
    assert len(file.read_text().splitlines()) == 3
    assert all(json.loads(line)["load"] >= 0 for line in file.read_text().splitlines())


def test_page_shows_times_and_memory():
    estimates = {"beta": [1.0, -0.1], "errors": [0.2, 0.05]}
    text = run.page(
        [
            row("fit", "outcomes", 1_000, 0.5, log_likelihood=-10.0, **estimates),
            row("fit", "outcomes", 10_000, 5.0, log_likelihood=-90.0, **estimates),
            row("fit", "lme4", 1_000, 12.0, log_likelihood=-10.5, beta=[1.1, -0.1], version="R 4"),
            row("start", "outcomes --help", 0, 0.123456),
        ]
    )
    assert "| outcomes | 0.5 | 0.25 | 5 | 0.25 | 1.00 |" in text
    assert "| lme4 | 12 | 0.25 |  |  |  |" in text
    assert "| 1,000 | 0.5 | 0.5 |" in text
    assert "| outcomes --help | 0.123 | 0.25 |" in text
    assert "- R 4" in text
    assert "| fit of 1,000 trials: at least 10 times as fast as lme4 | 24 times | yes |" in text
    assert "| `outcomes --help`: within 0.15 s | 0.123 s | yes |" in text
    assert "typed by hand" in text


def test_missed_goal_is_said():
    text = run.page(
        [
            row("join", "outcomes", 1_000, 5.0),
            row("join", "outcomes", 10_000, 50.0),
            row("join", "duckdb", 1_000, 1.0),
            row("join", "duckdb", 10_000, 12.5),
            row("brief", "outcomes", 0, 5.5),
            row("brief", "outcomes", run.BESIDE_R, 6.0),
            row("brief", run.FOUR_FITS, run.BESIDE_R, 5.0),
        ]
    )
    assert "| join of 10,000 trials: at most 3 times `duckdb` | 4 times | no |" in text
    assert "| the demo's briefing: within 5 s | 5.5 s | no |" in text
    assert "no slower than R's four fits of them | 6 s, R 5 s | no |" in text
    assert "as fast as lme4" not in text
    assert "`duckdb, loaded`" not in text.partition("What was aimed at")[2]


def test_benchmark_page_is_of_what_was_kept():
    rows = run.read_measured(run.MEASURED)
    made_by_command = "Made by `python benchmarks/run.py`" in run.PAGE.read_text(encoding="utf-8")
    assert made_by_command == bool(rows)
    if rows:
        assert run.PAGE.read_text(encoding="utf-8") == run.page(rows)


def test_every_part_has_its_plan_in_r():
    planned = {(task.part, task.tool) for task in run.plan(run.FULL)}
    assert {("join", "data.table"), ("fit", "lme4"), ("brief", run.FOUR_FITS)} <= planned
    assert max(t.size for t in run.plan(run.FULL) if t.part == "join") == 10_000_000
    assert max(t.size for t in run.plan(run.FULL) if t.tool == "outcomes") == 10_000_000


@pytest.mark.slow
def test_what_is_measured_of_ours_still_runs():
    joined = run.take_join("outcomes", 1_000)
    # One trial in ten is of a blank area, all others can be joined but those after a discard.
    assert 800 < joined["rows"] <= 1_000
    assert joined["seconds"] > 0.0 < joined["peak_gb"]
    read = run.take_join(run.WITH_READINGS, 1_000)
    assert read["rows"] == joined["rows"]
    fitted = run.take_fit("outcomes", 500)
    assert -500 * 0.7 < fitted["log_likelihood"] < 0.0
    assert len(fitted["beta"]) == len(fitted["errors"]) > 3
