"""Every command: exit status, what stands on standard output, and what on standard error."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

COMMANDS = (
    "template", "check", "join", "fit", "retire", "compare", "watch", "plan", "share", "pool",
    "brief", "figure", "demo",
)  # fmt: skip
HEAD = ["format", "unit", "made_by", "settings", "inputs", "records"]
ASKED_OF_FINDS = ["which_predicts", "find", "suspects", "quality", "dogs"]
SECTIONS = {
    "fit": [*ASKED_OF_FINDS, "search_time", "false_alerts", "lifetime", "plan"],
    "retire": ["retire", "shelf", "cautions"],
    "compare": ["compare", "plan"],
    "brief": [
        *ASKED_OF_FINDS,
        "search_time",
        "false_alerts",
        "lifetime",
        "watch",
        "retire",
        "shelf",
        "compare",
        "cautions",
        *("stock", "sources_needed_per_year", "inspections", "plan", "pool"),
    ],
}


def _options(command: str, tmp_path: Path) -> list[object]:
    return ["--out", tmp_path / "briefing"] if command == "brief" else []


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_tells_how_it_is_used(command, call) -> None:
    answer = call(command, "--help")
    assert answer.status == 0
    assert re.match(rf"Usage: .*\b{command} ", answer.out)
    assert answer.err == ""


def test_help_lists_every_command_of_the_contract(call) -> None:
    answer = call("--help")
    listed = [line.split()[0] for line in answer.out.split("Commands:")[1].splitlines() if line]
    assert tuple(listed) == COMMANDS
    assert answer.status == 0


def test_the_version_is_told(call) -> None:
    from outcomes import __version__

    assert call("--version").out == f"outcomes, version {__version__}\n"


@pytest.mark.slow
@pytest.mark.parametrize("command", SECTIONS)
def test_json_is_one_object_and_nothing_else(command, call, few_records, tmp_path) -> None:
    answer = call(command, few_records, "--json", *_options(command, tmp_path))
    assert answer.status == 0
    found = json.loads(answer.out)
    assert list(found)[: len(HEAD)] == HEAD
    named = [key for key in list(found)[len(HEAD) :] if not key.endswith("_reason")]
    assert sorted(named) == sorted(SECTIONS[command])
    assert found["format"] == 2
    # The briefing tells its answer to people meanwhile: verdict, size and limit.
    assert len(answer.complaints) == (3 if command == "brief" else 0)
    assert not any(line.startswith("outcomes: ") for line in answer.complaints)


@pytest.mark.slow
@pytest.mark.parametrize("command", ["fit", "retire", "compare"])
def test_json_is_part_of_what_the_briefing_writes(command, call, few_records) -> None:
    whole = call("brief", few_records, "--json", "--out", few_records.parent / "briefing")
    part = json.loads(call(command, few_records, "--json").out)
    assert part.items() <= json.loads(whole.out).items()


def test_check_tells_findings_as_json(call, few_records) -> None:
    answer = call("check", few_records, "--json")
    found = json.loads(answer.out)
    assert answer.status == 0
    assert answer.err == ""
    sections = [
        "format",
        "rows_in",
        "used",
        "usable",
        "why_not",
        "best_mend",
        "best_value_mend",
        "stops",
    ]
    assert list(found) == [*sections, "findings"]
    keys = ["rule", "severity", "table", "file", "row", "column", "value", "problem", "mend"]
    assert all(list(finding) == keys for finding in found["findings"])


@pytest.mark.slow
@pytest.mark.parametrize("command", SECTIONS)
def test_answer_comes_first_and_caution_last(command, call, few_records, tmp_path) -> None:
    answer = call(command, few_records, *_options(command, tmp_path))
    first = {
        "fit": "These records cannot say yet whether storage changes what the dogs find.",
        "brief": "These records cannot say yet whether storage changes what the dogs find.",
        "retire": "No retirement limit can be set from these records yet",
        "compare": "Refrigerated and frozen cannot be compared: ",
    }[command]
    assert answer.status == 0
    assert answer.out.startswith(first)
    assert (
        "association in one unit's records"
        in answer.out.splitlines()[-1 if command in ("fit", "brief") else -2]
    )
    assert answer.complaints == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("fit", "RECORDS", "--floor", "1.5"), "'--floor': 1.5 cannot be used"),
        (("fit", "RECORDS", "--floor", "0"), "'--floor': 0"),
        (("fit", "RECORDS", "--floor", "-0.1"), "'--floor': -0.1"),
        (("fit", "RECORDS", "--floor", "high"), "'--floor': high cannot"),
        (("retire", "RECORDS", "--confidence", "1"), "'--confidence': 1"),
        (("retire", "RECORDS", "--confidence", "0.4"), "'--confidence': 0.4"),
        (("fit", "RECORDS", "--seed", "-1"), "'--seed': -1"),
        (("fit", "RECORDS", "--seed", "1.5"), "'--seed': 1.5 cannot"),
        (("fit",), "Missing argument 'RECORDS'"),
        (("brief", "RECORDS"), "Missing option '--out'"),
        (("join", "RECORDS"), "Missing option '--out'"),
        (("fit", "RECORDS", "more"), "unexpected extra argument"),
        (("fit", "RECORDS", "--no-such-option"), "No such option"),
        (("chek",), "No such command 'chek'. Do you mean 'check'?"),
        (("retier", "x"), "Do you mean 'retire'?"),
        (("frobnicate",), "There are template, check, join, fit,"),
        (("fit", "x", "--floor", "90"), "90 is not a share of one: write 0.90."),
        (("fit", "x", "--floor", "85%"), "85% is not a share of one: write 0.85."),
        (("fit", "x", "--confidence", "95"), "write 0.95."),
        (("fit", "x", "--floor", "1.0"), "Give a number strictly between 0 and 1."),
        (("join", "RECORDS", "--out", "joined.txt"), "name a file that ends in .csv or .parquet"),
        (("template", "blank.csv"), "Give a name that ends in .xlsx"),
        (("fit", "RECORDS", "--settings", "nowhere.toml"), "no such settings file"),
        (("retire", "RECORDS", "--as-of", "03/04/2026"), "Write it as 2026-03-14"),
        (("retire", "RECORDS", "--by", "weight"), "'weight' is not one of 'cycles', 'age'"),
        (("brief", "RECORDS", "--as-of", "soon", "--out", "x"), "Write it as 2026-03-14"),
    ],
)
def test_wrong_usage_is_status_2_and_said(
    arguments, said, call, few_records, tmp_path, monkeypatch
) -> None:
    monkeypatch.chdir(tmp_path)
    answer = call(*[few_records if a == "RECORDS" else a for a in arguments])
    assert answer.status == 2
    assert said in answer.err
    assert answer.out == ""
    assert "Traceback" not in answer.err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "Tell from a unit's records"),
        (("fit", "nowhere"), "nowhere: no such file or directory"),
    ],
)
def test_the_installed_command_answers_alike(arguments, said, tmp_path) -> None:
    run = subprocess.run(
        [sys.executable, "-c", "from outcomes.cli import main; main()", *arguments],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        check=False,
    )
    assert run.returncode == 2
    assert said in run.stdout + run.stderr
    assert "Traceback" not in run.stderr


def test_our_defect_is_one_line(call, few_records, monkeypatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("first line\nsecond line")

    monkeypatch.delenv("OUTCOMES_TRACEBACK", raising=False)
    monkeypatch.setattr("outcomes.answers.facts.gather_facts", broken)
    answer = call("fit", few_records)
    assert answer.status == 70
    assert answer.complaints == [
        "outcomes: something went wrong that is our defect, not yours (ZeroDivisionError: first "
        "line). Set OUTCOMES_TRACEBACK=1 and run again to see where."
    ]


def test_stopping_by_hand_is_status_130(call, few_records, monkeypatch) -> None:
    def stopped(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("outcomes.answers.facts.gather_facts", stopped)
    answer = call("fit", few_records)
    assert answer.status == 130
    assert answer.complaints == ["outcomes: stopped; nothing was overwritten."]


def test_options_win_over_settings(call, few_records, tmp_path) -> None:
    settings = tmp_path / "own.toml"
    settings.write_text(
        'unit = "North Ridge"\n[decision]\nfloor = 0.8\nconfidence = 0.8\nseed = 3\n'
    )
    answer = call(
        "retire", few_records, "--settings", settings, "--floor", "0.75", "--seed", "5", "--json"
    )
    found = json.loads(answer.out)
    assert found["unit"] == "North Ridge"
    chosen = {key: found["settings"][key] for key in ("floor", "confidence", "seed")}
    assert chosen == {"floor": 0.75, "confidence": 0.8, "seed": 5}


def test_the_shelf_is_judged_on_the_day_asked_for(call, few_records) -> None:
    today = json.loads(call("retire", few_records, "--json").out)["shelf"]
    later = json.loads(call("retire", few_records, "--as-of", "2026-12-31", "--json").out)["shelf"]
    age = {s["source_id"]: s["age_days"] for s in today}
    assert {s["source_id"] for s in later} == set(age)
    assert len({s["age_days"] - age[s["source_id"]] for s in later}) == 1
    assert all(s["age_days"] > age[s["source_id"]] for s in later)


def test_joined_trials_come_with_their_exposures(call, few_records, tmp_path) -> None:
    import pandas as pd

    for ending in ("csv", "parquet"):
        answer = call("join", few_records, "--out", tmp_path / f"joined.{ending}")
        assert answer.status == 0
        assert answer.out == f"{tmp_path / f'joined.{ending}'}: 60 trials; 0 rows set aside.\n"
    text = pd.read_csv(tmp_path / "joined.csv")
    binary = pd.read_parquet(tmp_path / "joined.parquet")
    exposures = {"cycles", "age_days", "held_days", "frozen_days", "degree_hours", "regime"}
    assert exposures <= set(text) == set(binary)
    assert text["cycles"].fillna(-1).tolist() == binary["cycles"].fillna(-1).tolist()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_one_figure_is_drawn_for_a_slide(kind, call, few_records, tmp_path) -> None:
    out = tmp_path / "slides" / f"finds.{kind}"
    answer = call("figure", "main", few_records, "--out", out)
    assert answer.status == 0
    assert answer.complaints == []
    assert out.read_bytes()[:5] in (b"\x89PNG\r", b"<?xml", b"%PDF-")


@pytest.mark.parametrize("name", ["ways", "calibration"])
def test_undrawable_figure_says_why(name, call, few_records, tmp_path) -> None:
    out = tmp_path / "slide.svg"
    assert call("figure", name, few_records, "--out", out).status == 0
    assert "too few" in re.sub(r"\s+", " ", out.read_text(encoding="utf-8")).lower()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("pie", "RECORDS", "--out", "x.png"), "'pie' is not a figure. There are: main: "),
        (("main", "RECORDS", "--out", "x.gif"), "must end in .png, .svg or .pdf"),
        (("main", "RECORDS", "--out", "RECORDS"), "must end in .png, .svg or .pdf"),
    ],
)
def test_a_wrong_figure_is_told_in_one_line(arguments, said, call, few_records) -> None:
    answer = call("figure", *(few_records if a == "RECORDS" else a for a in arguments))
    assert answer.status == 2
    assert said in answer.err
