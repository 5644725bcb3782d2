"""``outcomes plan``: its files, what it prints, what it refuses; and planned trials read back."""

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

import outcomes.planning.make
from outcomes.errors import PlanError
from outcomes.planning.document import plan_bytes, plan_from_bytes
from outcomes.settings import PlanSettings
from outcomes.simulate import SCENARIOS, simulate_unit
from tests.conftest import write_records
from tests.made_plans import made_plan
from tests.plan_carried_out import carry_out

FILES = {"plan.json", "plan.xlsx", "plan.html", "packing.html", "power.png"}


@pytest.fixture
def asked(monkeypatch):
    """What the command asks for, in the place of the search for a plan, which has its own tests."""
    seen = []

    def make(unit, request, progress):
        seen.append(request)
        return replace(made_plan(), weeks=12, trials_per_week=20)

    monkeypatch.setattr(outcomes.planning.make, "make_plan", make)
    return seen


def test_writes_sheets_and_key(call, few_records, tmp_path, asked) -> None:
    answer = call("plan", few_records, "--out", tmp_path / "plan")
    assert answer.status == 0, answer.err
    assert {p.name for p in (tmp_path / "plan").iterdir()} == FILES
    key = plan_from_bytes((tmp_path / "plan" / "plan.json").read_bytes(), "plan.json")
    assert key.sentence
    assert key.assumptions
    assert answer.complaints == []


def test_what_is_printed_keeps_the_key(call, few_records, tmp_path, asked) -> None:
    answer = call("plan", few_records, "--out", tmp_path / "plan")
    text = answer.out
    assert "it is the key" in text
    assert "12 (this plan)" in text
    assert "What it uses up: 2 sources, each set out 4 times and thawed 0 to 4 times" in text
    assert f"--plan {tmp_path / 'plan' / 'plan.json'}" in text
    assert not re.search(r"\bS[12]\b", text)


def test_json_keeps_it_too(call, few_records, tmp_path, asked) -> None:
    answer = call("plan", few_records, "--out", tmp_path / "plan", "--json")
    told = json.loads(answer.out)
    assert (told["trials"], told["hide_trials"], told["blank_trials"]) == (24, 16, 8)
    assert len(told["key_sha256"]) == 64
    assert not {"often", "seldom", "S1", "S2"} & set(re.findall(r'"([^"]*)"', answer.out))


def test_options_win_over_the_settings(call, own_records, tmp_path, asked) -> None:
    (own_records / "unit.toml").write_text(
        '[plan]\nquestion = "storage"\nweeks = 20\nblanks = 0.3\n'
        'training_days = ["Saturday", "Tuesday"]\nthird_person = false\nstarts_on = 2026-03-16\n'
    )
    options = ("--weeks", 16, "--question", "cycles", "--design", "pairs", "--sources", "S1",
               "--sources", "S2", "--looks", 2, "--trials-per-week", 24, "--cut", "--seed", 5,
               "--floor", 0.8)  # fmt: skip
    answer = call("plan", own_records, "--out", tmp_path / "plan", *options)
    assert answer.status == 0, answer.err
    (request,) = asked
    assert (request.question, request.design, request.weeks) == ("cycles", "pairs", 16)
    assert (request.sources, request.looks, request.trials_per_week) == (("S1", "S2"), 2, 24)
    assert (request.may_cut, request.seed, request.floor) == (True, 5, 0.8)
    assert (request.blanks, request.training_days, request.third_person) == (0.3, (1, 5), False)
    assert str(request.starts_on) == "2026-03-16"


def test_defaults_are_those_of_the_contract(call, few_records, tmp_path, asked) -> None:
    call("plan", few_records, "--out", tmp_path / "plan")
    (request,) = asked
    assert (request.weeks, request.trials_per_week, request.looks) == (12, 20, 1)
    assert request.blanks == 0.25
    given = {f: getattr(request, f) for f in PlanSettings.__dataclass_fields__}
    assert PlanSettings(**given) == PlanSettings()


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--weeks", 1), "from 2 to 104"),
        (("--weeks", "soon"), "from 2 to 104"),
        (("--trials-per-week", 0), "from 4 to 400"),
        (("--blanks", 25), "write 0.25"),
        (("--blanks", 0.9), "from 0.1 to 0.6"),
        (("--looks", 9), "from 1 to 5"),
        (("--question", "heat"), "storage"),
        (("--design", "best"), "shelf"),
        (("--starts-on", "16/03/2026"), "2026-03-14"),
        (("--floor", 85), "write 0.85"),
    ],
)
def test_bad_options_are_one_line(call, few_records, tmp_path, asked, options, told) -> None:
    answer = call("plan", few_records, "--out", tmp_path / "plan", *options)
    assert answer.status == 2
    assert told in answer.err
    assert "Traceback" not in answer.err
    assert not (tmp_path / "plan").exists()
    assert asked == []


@pytest.mark.parametrize("name", sorted(FILES))
def test_a_plan_is_never_written_over(call, few_records, tmp_path, asked, name) -> None:
    (tmp_path / name).write_text("ours")
    answer = call("plan", few_records, "--out", tmp_path)
    assert answer.status == 1
    assert len(answer.complaints) == 1
    assert f"{name} is there already and is left as it is" in answer.err
    assert (tmp_path / name).read_text() == "ours"
    assert [p.name for p in tmp_path.iterdir()] == [name]


def test_not_among_the_records(call, own_records, asked) -> None:
    answer = call("plan", own_records, "--out", own_records)
    assert answer.status == 2
    assert "is where the records are" in answer.err


def test_a_plan_nobody_can_carry_out_is_one_line(call, few_records, tmp_path, monkeypatch) -> None:
    def refuse(*_):
        raise PlanError("There are too few dogs. Plan fewer trials.")

    monkeypatch.setattr(outcomes.planning.make, "make_plan", refuse)
    answer = call("plan", few_records, "--out", tmp_path / "plan")
    assert (answer.status, answer.complaints) == (
        1,
        ["outcomes: There are too few dogs. Plan fewer trials."],
    )
    assert not (tmp_path / "plan").exists()


def test_bad_settings_are_one_line(call, own_records, tmp_path, asked) -> None:
    (own_records / "unit.toml").write_text('[plan]\ntraining_days = ["Tue"]\n')
    answer = call("plan", own_records, "--out", tmp_path / "plan")
    assert answer.status == 1
    (line,) = answer.complaints
    assert "unit.toml: [plan] training_days = ['Tue'] cannot be used" in line
    assert '"Tuesday"' in line


@pytest.mark.parametrize("command", ["check", "fit", "compare", "brief"])
@pytest.mark.parametrize("wrong", ["missing", "damaged", "changed"])
def test_a_wrong_key_is_one_line(call, few_records, tmp_path, command, wrong) -> None:
    key = tmp_path / "plan.json"
    if wrong == "damaged":
        key.write_bytes(plan_bytes(made_plan())[:-200])
    elif wrong == "changed":
        key.write_bytes(plan_bytes(made_plan()).replace(b'"often"', b'"seldom"', 1))
    out = ["--out", tmp_path / "briefing"] if command == "brief" else []
    answer = call(command, few_records, "--plan", key, *out)
    assert answer.status == (2 if wrong == "missing" else 1)
    assert len([line for line in answer.complaints if line.startswith("outcomes: ")]) == 1
    assert "plan.json" in answer.complaints[-1]
    assert "Traceback" not in answer.err
    assert not (tmp_path / "briefing").exists()


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """A unit that cannot tell cycles from age, and its plan."""
    from tests.conftest import call_outcomes

    home = tmp_path_factory.mktemp("planned")
    unit = simulate_unit(SCENARIOS["tied together"], 3, trials=450)
    records = write_records(unit, home / "records")
    (records / "unit.toml").write_text(
        '[plan]\ntraining_days = ["Tuesday", "Friday"]\nthaws_a_month = 12\n'
    )
    answer = call_outcomes(
        "plan", records, "--out", home / "plan", "--weeks", 20, "--trials-per-week", 40
    )
    assert answer.status == 0, answer.err
    return home


@pytest.fixture
def under_way(planned, tmp_path):
    """A copy of it to carry out."""
    shutil.copytree(planned, tmp_path / "unit")
    home = tmp_path / "unit"
    key = plan_from_bytes((home / "plan" / "plan.json").read_bytes(), "plan.json")
    return home, key


def _results(home: Path, call) -> dict:
    answer = call(
        *("brief", home / "records", "--plan", home / "plan" / "plan.json"),
        *("--out", home / "briefing"),
    )
    assert answer.status == 0, answer.err
    told = json.loads((home / "briefing" / "results.json").read_text())["plan"]
    page = (home / "briefing" / "briefing.html").read_text()
    assert told["sentence"].replace(" %", "\u00a0%") in page
    assert told["sentence"] in answer.out
    return told


@pytest.mark.slow
def test_planted_truth_comes_back_by_lot(under_way, call) -> None:
    home, key = under_way
    lost = [t.plan_id for t in key.trials[5::40]]
    carry_out(home / "plan", key, -0.10, lost=lost)
    told = _results(home, call)
    assert told["assigned_by_lot"]
    assert (told["look"], told["done"], told["lost"]) == (1, len(key.trials) - len(lost), len(lost))
    assert told["significant"]
    assert told["estimate"]["low"] < -0.10 < told["estimate"]["high"]
    assert told["sentence"].startswith("Assigned by lot: finds fall with freeze/thaw cycles")
    assert any(line.startswith("Second, by what was really done") for line in told["more"])
    # Fit tells the same sentence; what cannot be said is said of other trials alone.
    answer = call("fit", home / "records", "--plan", home / "plan")
    assert told["sentence"] in answer.out
    assert "cause outside the planned trials" in answer.out


@pytest.mark.slow
def test_half_done_is_not_told_yet(under_way, call) -> None:
    home, key = under_way
    carry_out(home / "plan", key, -0.10, until=key.date_of(50))
    told = _results(home, call)
    assert (told["look"], told["estimate"], told["arms"]) == (0, None, [])
    assert told["sentence"].startswith("Planned trials: not yet.")
    # Nobody sees a planned trial by its source before the last look, nor what it adds up to.
    trials = pd.read_csv(home / "briefing" / "trials.csv", dtype=str)
    assert "plan_id" not in trials or trials["plan_id"].isna().all()
    found = json.loads((home / "briefing" / "results.json").read_text())
    call("brief", home / "records", "--out", home / "before")
    before = json.loads((home / "before" / "results.json").read_text())
    finds = {s["source_id"]: (s["trials"], s["recent"]) for s in before["shelf"]}
    assert {s["source_id"]: (s["trials"], s["recent"]) for s in found["shelf"]} == finds
    assert any(f": {told['done']} planned trials." in line for line in told["more"])
    # Every row is still accounted for.
    used, aside = found["records"]["used"]["trials"], found["records"]["set_aside"]
    rows = {(r["file"], r["row"]) for r in aside if "trial" in r["file"] or "results" in r["file"]}
    assert used + len(rows) >= before["records"]["used"]["trials"] + told["done"]


@pytest.mark.slow
def test_without_the_key_nothing_of_it_is_analysed(under_way, call) -> None:
    home, key = under_way
    carry_out(home / "plan", key, -0.10)
    book = openpyxl.load_workbook(home / "plan" / "plan.xlsx")
    lines = list(book["results"].iter_rows(values_only=True))
    at = next(k for k, line in enumerate(lines) if "plan_id" in line)
    rows = [",".join("" if c is None else str(c) for c in line) for line in lines[at:]]
    (home / "records" / "results.csv").write_text("\n".join(rows), encoding="utf-8")
    with (home / "records" / "unit.toml").open("a") as file:
        file.write('[tables]\ntrials = ["trials", "results"]\n')
    checked = call("check", home / "records", "--json")
    found = json.loads(checked.out)
    aside = [f for f in found["findings"] if f["severity"] == "set aside"]
    assert {f["rule"] for f in aside} == {"planned trial without its key"}
    assert len(aside) == len(key.trials)
    # One line of mapping and the key: all of it is read.
    checked = call("check", home / "records", "--json", "--plan", home / "plan" / "plan.json")
    # The sheet beside the key holds them a second time, and each is used once.
    twice = [f for f in json.loads(checked.out)["findings"] if f["severity"] == "set aside"]
    assert {f["rule"] for f in twice} == {"planned trial twice"}
    assert len(twice) == len(key.trials)


@pytest.mark.slow
def test_names_stay_out_with_a_plan(under_way, call) -> None:
    home, key = under_way
    carry_out(home / "plan", key, -0.10)
    answer = call(
        *("brief", home / "records", "--plan", home / "plan", "--without-names"),
        *("--out", home / "briefing"),
    )
    assert answer.status == 0, answer.err
    text = (home / "briefing" / "briefing.html").read_text()
    text += (home / "briefing" / "results.json").read_text()
    assert not any(re.search(rf"\b{re.escape(s.source_id)}\b", text) for s in key.storage)
    told = json.loads((home / "briefing" / "results.json").read_text())["plan"]
    assert (told["swapped"], told["other_dog"]) == (0, 0)
    assert told["significant"]
