"""Planned trials read back: sources from the key, alerts settled by it, what differs told."""

import csv
import datetime as dt
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import Workbook

from outcomes.errors import RecordsError, UsageError
from outcomes.planning.document import plan_bytes
from outcomes.records.plan_file import find_plan
from outcomes.records.read import examine_records, read_records
from outcomes.records.reading.cells import categories_of
from outcomes.records.reading.planned import _seconds
from tests.made_plans import made_plan

TODAY = dt.date(2026, 3, 14)
HIDE_ALERT, HIDE_NONE, BLANK_ALERT, BLANK_NONE = "find", "miss", "false alert", "clear"


@pytest.fixture
def plan():
    return made_plan()


def results(plan, said="alert", **more):
    """Rows as typed from the handler's sheet: label, day, dog, and what the dog did."""
    return [
        {
            "plan_id": trial.plan_id,
            "started_at": f"{plan.date_of(trial.day)} 09:{order:02d}",
            "dog_id": trial.dog_id,
            "result": said,
        }
        | more
        for order, trial in enumerate(plan.trials)
    ]


def hand_over(write, clean, plan, rows, *, key=True):
    folder = write(clean, '[tables]\ntrials = ["trials", "results"]\n')
    with (folder / "results.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    if key:
        (folder / "plan.json").write_bytes(plan_bytes(plan))
    return folder


def planned(records):
    return records.trials.dropna(subset="plan_id").set_index("plan_id")


def test_source_comes_from_the_key(clean, write, plan):
    read = planned(read_records(hand_over(write, clean, plan, results(plan)), today=TODAY))
    for trial in plan.trials:
        source = read.loc[trial.plan_id, "source_id"]
        assert (source or None) == trial.source_id


@pytest.mark.parametrize(
    ("said", "hide", "blank"),
    [("alert", HIDE_ALERT, BLANK_ALERT), ("No alert", HIDE_NONE, BLANK_NONE)],
)
def test_an_alert_is_settled_by_the_key(clean, write, plan, said, hide, blank):
    read = planned(read_records(hand_over(write, clean, plan, results(plan, said)), today=TODAY))
    on = {t.plan_id: t.source_id is not None for t in plan.trials}
    assert {read.loc[i, "result"] for i in on if on[i]} == {hide}
    assert {read.loc[i, "result"] for i in on if not on[i]} == {blank}
    assert {read.loc[i, "blank_kind"] for i in on if not on[i]} == {"container"}


def test_an_alert_on_a_blank_area_is_one_without_further(clean, write, plan):
    folder = hand_over(write, clean, plan, results(plan, false_alerts="0"))
    found = read_records(folder, today=TODAY)
    read = planned(found)
    on = {t.plan_id: t.source_id is not None for t in plan.trials}
    assert {read.loc[i, "false_alerts"] for i in on if on[i]} == {0.0}
    assert {read.loc[i, "false_alerts"] for i in on if not on[i]} == {1.0}
    assert not [f for f in found.set_aside if f.table == "trials"]


def test_alert_is_no_word_elsewhere(clean, write, plan):
    clean["trials"][0]["result"] = "alert"
    found = examine_records(hand_over(write, clean, plan, results(plan)), today=TODAY)
    assert [f.rule for f in found.set_aside] == ["unknown word"]


def test_without_the_key_counted_not_analysed(clean, write, plan):
    rows = results(plan)
    found = examine_records(hand_over(write, clean, plan, rows, key=False), today=TODAY)
    assert {f.rule for f in found.set_aside} == {"planned trial without its key"}
    assert len(found.set_aside) == len(rows)
    assert found.rows_in["trials"] == found.used["trials"] + len(rows)
    assert "--plan plan.json" in found.set_aside[0].line()


def test_named_key_wherever_it_lies(clean, write, plan, tmp_path_factory):
    folder = hand_over(write, clean, plan, results(plan), key=False)
    elsewhere = tmp_path_factory.mktemp("safe")
    (elsewhere / "plan.json").write_bytes(plan_bytes(plan))
    for key in (elsewhere, elsewhere / "plan.json"):
        read = read_records(folder, today=TODAY, plan=key)
        assert planned(read)["source_id"].notna().sum() == 16
        assert [f.file for f in read.files if f.tables == ("plan",)] == ["plan.json"]


def test_not_done_is_not_read(clean, write, plan):
    rows = results(plan)
    for row in rows[:5]:
        row["result"] = ""
    found = examine_records(hand_over(write, clean, plan, rows), today=TODAY)
    assert found.rows_in["trials"] == len(clean["trials"]) + len(rows) - 5
    assert not found.set_aside
    (told,) = [f for f in found.notes if f.rule == "planned trials not done"]
    assert told.problem.startswith("5 trials of the plan")


def test_a_swap_is_told_and_kept(clean, write, plan):
    rows = results(plan, source_id="")
    rows[0]["source_id"] = "S2"
    rows[1]["dog_id"] = "Ash"
    folder = hand_over(write, clean, plan, rows)
    notes = {f.rule: f for f in examine_records(folder, today=TODAY).notes}
    assert "the plan has S1 there" in notes["source unlike the plan"].problem
    assert "the plan has Birch search there" in notes["dog unlike the plan"].problem
    read = planned(read_records(folder, today=TODAY))
    assert read.loc[rows[0]["plan_id"], "source_id"] == "S2"


def test_twice_and_strange_labels_are_set_aside(clean, write, plan):
    rows = results(plan)
    rows[1]["plan_id"] = rows[0]["plan_id"]
    rows[2]["plan_id"] = "ffff"
    found = examine_records(hand_over(write, clean, plan, rows), today=TODAY)
    assert [f.rule for f in found.set_aside] == [
        "planned trial twice",
        "planned trial of another plan",
    ]
    assert found.rows_in["trials"] == found.used["trials"] + 2


def workbook(folder: Path, plan, rows, *, digest=None, ticks=(), without=None):
    """The sheets as they come back, with what a person may have changed about them."""
    without = without or {}
    book = Workbook()
    sheet = book.active
    sheet.title = "Results"
    sheet.append(["Results of the plan", digest or plan.key_sha256])
    sheet.append(list(rows[0]))
    for row in rows:
        sheet.append(list(row.values()))
    store = book.create_sheet("storekeeper")
    store.append(["day", "what", "containers", "done", "not done"])
    containers = ", ".join(source.container for source in plan.storage)
    for day in sorted({m.day for s in plan.storage for m in s.moves}):
        said = [plan.date_of(day), "thaw", containers, "x" if day in ticks else None]
        store.append([*said, without.get(day)])
    book.save(folder / "plan.xlsx")


def test_the_sheet_beside_the_key_is_read(clean, write, plan):
    folder = write(clean)
    (folder / "plan.json").write_bytes(plan_bytes(plan))
    workbook(folder, plan, results(plan, search_s=42))
    read = planned(read_records(folder, today=TODAY))
    assert set(read.index) == {t.plan_id for t in plan.trials}
    assert set(read["file"]) == {"plan.xlsx, sheet Results"}
    assert set(read["search_s"]) == {42.0}


def test_it_keeps_its_own_units_and_names(clean, write, plan):
    # The unit's log is in minutes under other headings; the plan's sheet asks for seconds.
    for row in clean["trials"]:
        row["Outcome"] = row.pop("result")
        row["search_s"] = str(float(row["search_s"]) / 60)
        row["limit_s"] = "5"
    settings = '[columns.trials]\nresult = "Outcome"\n[units]\nsearch_s = "min"\nlimit_s = "min"\n'
    folder = write(clean, settings)
    (folder / "plan.json").write_bytes(plan_bytes(plan))
    workbook(folder, plan, results(plan, search_s=42))
    records = read_records(folder, today=TODAY)
    assert set(planned(records)["search_s"]) == {42.0}
    assert not records.set_aside


def test_ticks_are_moves_of_the_storage_log(clean, write, plan):
    folder = write(clean)
    (folder / "plan.json").write_bytes(plan_bytes(plan))
    # The third is ticked, and its only container that is thawed is named as not done.
    forgotten = {6: plan.storage[0].container}
    workbook(folder, plan, results(plan), ticks=(2, 6, 9), without=forgotten)
    moves = read_records(folder, today=TODAY).storage
    added = moves[moves["file"].str.startswith("plan.xlsx")]
    assert (
        list(zip(added["source_id"], added["moved_to"], strict=True))
        == [
            ("S1", "ambient"),
            ("S1", "freezer"),
        ]
        * 2
    )
    assert [str(at) for at in added["moved_at"]] == [
        "2025-03-11 08:00:00",
        "2025-03-11 20:00:00",
        "2025-03-18 08:00:00",
        "2025-03-18 20:00:00",
    ]


def test_cut_portions_need_no_row_of_their_own(clean, write):
    plan = made_plan(split=True)
    folder = hand_over(write, clean, plan, results(plan))
    records = read_records(folder, today=TODAY)
    added = records.sources.set_index("source_id")
    assert added.loc["S1-A", "parent_id"] == "S1"
    assert added.loc["S2-B", "kind"] == "muscle"
    assert set(planned(records)["source_id"].dropna()) == {"S1-A", "S1-B", "S2-A", "S2-B"}


def test_another_plans_sheets_are_refused(clean, write, plan):
    folder = write(clean)
    (folder / "plan.json").write_bytes(plan_bytes(plan))
    workbook(folder, plan, results(plan), digest="0" * 64)
    with pytest.raises(RecordsError, match=r"not the key of plan\.xlsx beside it") as error:
        read_records(folder, today=TODAY)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("content", [b"", b"{}", b"[1]", b"\xff\xfe", b'{"trials": 3}'])
def test_no_plan_is_one_line(tmp_path, content):
    (tmp_path / "plan.json").write_bytes(content)
    with pytest.raises(RecordsError, match=r"plan\.json: not a plan") as error:
        find_plan(tmp_path)
    assert "\n" not in str(error.value)


def test_a_key_that_is_not_there(tmp_path):
    assert find_plan(tmp_path) is None
    with pytest.raises(UsageError, match="no such plan"):
        find_plan(tmp_path, tmp_path / "other.json")


def test_a_guess_is_kept(clean, write, plan):
    read = planned(
        read_records(hand_over(write, clean, plan, results(plan, guess="hide")), today=TODAY)
    )
    assert set(read["guess"]) == {"hide"}


def test_own_spellings_stay(clean, write, plan):
    # The key names sources as they are read, not as one log happens to spell them.
    one = replace(plan, trials=plan.trials[:1])
    folder = write(clean, '[words.source_id]\n"s one" = "S1"\n')
    (folder / "plan.json").write_bytes(plan_bytes(one))
    workbook(folder, one, results(one))
    assert planned(read_records(folder, today=TODAY))["source_id"].tolist() == ["S1"]


def test_a_trial_written_as_lost_was_not_done(clean, write, plan):
    rows = results(plan)
    rows[0]["result"] = "Lost"
    found = read_records(hand_over(write, clean, plan, rows), today=TODAY)
    assert plan.trials[0].plan_id not in planned(found).index
    assert len(planned(found)) == len(plan.trials) - 1
    assert not [f for f in found.set_aside if f.table == "trials"]


@pytest.mark.parametrize(("written", "read"), [("2:30", "150"), ("02:30:00", "150"), ("95", "95")])
def test_minutes_and_seconds_of_a_sheet_are_seconds(written, read):
    found = _seconds(categories_of(pd.Series([written, None, "none"], dtype=object)))
    assert found.tolist()[0] == read
    assert found.isna().tolist() == [False, True, False]
