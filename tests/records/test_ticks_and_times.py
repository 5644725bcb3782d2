"""Ticked columns, two times of a search, stays a row, and dates without a day."""

import datetime as dt
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import Workbook

from outcomes.records.columns import TABLES
from outcomes.records.read import examine_and_read, read_records
from outcomes.records.reading.cells import categories_of
from outcomes.records.reading.times import vague_period
from outcomes.records.reading.values import read_column
from outcomes.records.suggest import draft_settings
from outcomes.records.unit_file import settings_of
from outcomes.settings import RecordsSettings

TODAY = dt.date(2026, 3, 1)


def book_of(path: Path, **sheets: list) -> Path:
    book = Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    book.save(path / "unit.xlsx")
    return path / "unit.xlsx"


def drafted(path: Path):
    def usable(settings):
        found, records = examine_and_read(path, settings, today=TODAY)
        return (0 if records is None else len(records.trials)), found.rows_in.get("trials", 0)

    draft = draft_settings(path, usable)
    return draft.text, examine_and_read(path, settings_of(draft.text).records, today=TODAY)[1]


SOURCES = [
    ("Sample", "Type", "Received"),
    ("A1", "bone", "2024-01-05"),
    ("A2", "fat", "2024-02-01"),
]


@pytest.mark.parametrize("mark", ["x", "✓", 1, "Y"])
def test_marks_mean_their_heading(tmp_path, mark) -> None:
    day = [dt.datetime(2024, 5, n, 9, 30) for n in range(1, 7)]
    path = book_of(tmp_path, Samples=SOURCES, Log=[
        ("Date", "Dog", "Sample", "Find", "Miss", "FA", "Clear"),
        (day[0], "Ash", "A1", mark, None, None, None),
        (day[1], "Elm", "A2", None, mark, None, None),
        (day[2], "Ash", None, None, None, mark, None),
        (day[3], "Elm", None, None, None, None, mark),
        (day[4], "Ash", "A1", mark, None, mark, None),
        (day[5], "Elm", "A2", mark, None, None, None),
    ])  # fmt: skip
    text, records = drafted(path)
    assert 'result = ["Find", "Miss", "FA", "Clear"]' in text
    trials = records.trials
    assert trials["result"].tolist() == ["find", "miss", "false alert", "clear", "find", "find"]
    assert trials["false_alerts"].tolist() == [0, 0, 1, 0, 1, 0]


def test_contradicting_marks_are_set_aside(tmp_path) -> None:
    day = [dt.datetime(2024, 5, 1 + n % 28, 9, n // 28) for n in range(40)]
    rows = [(at, "Ash", "A1", *(("x", None) if n % 2 else (None, "x"))) for n, at in enumerate(day)]
    rows[7] = (day[7], "Ash", "A1", "x", "x")
    path = book_of(
        tmp_path, Samples=SOURCES, Log=[("Date", "Dog", "Sample", "Find", "Miss"), *rows]
    )
    text, records = drafted(path)
    assert len(records.trials) == 39
    (aside,) = [f for f in records.findings if f.rule == "unknown word"]
    assert (aside.row, aside.value) == (9, "Find and Miss")
    assert '# "Find and Miss" = ""' in text


def test_no_mark_is_what_the_columns_lack(tmp_path) -> None:
    rows = [
        (dt.datetime(2024, 5, n, 9), "Ash", "A1" if n % 3 else "blank", "x" if n % 3 == 1 else None)
        for n in range(1, 19)
    ]
    path = book_of(tmp_path, Samples=SOURCES, Log=[("Date", "Dog", "Sample", "Found"), *rows])
    text, records = drafted(path)
    assert '"" = "miss or clear"' in text
    assert records.trials["result"].tolist() == ["find", "miss", "clear"] * 6


def test_search_lasts_from_one_time_to_the_other(clean, write) -> None:
    for row in clean["trials"]:
        row.pop("search_s")
        row["ended_at"] = ""
    clean["trials"][0]["ended_at"] = "2025-02-01 09:34"
    clean["trials"][3] |= {"started_at": "2025-02-02 23:58", "ended_at": "2025-02-02 00:03"}
    clean["trials"][4]["ended_at"] = "2025-03-05 09:00"
    found, records = examine_and_read(write(clean), today=TODAY)
    assert records.trials["search_s"].fillna(-1).tolist() == [240, -1, -1, 300, -1, -1]
    assert [f.row for f in found.findings if f.rule == "search ended before it began"] == [6]


def test_seconds_given_stand_before_the_two_times(clean, write) -> None:
    for row in clean["trials"]:
        row["ended_at"] = row["started_at"][:11] + "23:00"
    records = read_records(write(clean), today=TODAY)
    assert records.trials["search_s"].tolist() == [45, 300, 120, 80, 60, 200]


def test_clock_times_of_begin_and_end_are_drafted(tmp_path) -> None:
    rows = [
        (dt.date(2024, 5, n), "Ash", "A1", "9:05 AM", f"9:{5 + n:02d} AM", "find")
        for n in range(1, 12)
    ]
    log = [("Date", "Dog", "Sample", "Began", "Finished", "Result"), *rows]
    text, records = drafted(book_of(tmp_path, Samples=SOURCES, Log=log))
    assert 'ended_at = ["Date", "Finished"]' in text
    assert records.trials["search_s"].tolist() == [60.0 * n for n in range(1, 12)]


def test_stay_told_in_then_out_is_two_moves(clean, write) -> None:
    stays = [("S1", "2025-01-01", "2025-02-01 08:00"), ("S1", "2025-02-01 16:00", "")]
    clean["storage"] = [dict(zip(("source_id", "In", "Out"), row, strict=True)) for row in stays]
    said = '[columns.storage]\nmoved_at = "Out"\nmoved_back_at = "In"\n'
    found, records = examine_and_read(write(clean, said), today=TODAY)
    assert records.storage["moved_to"].tolist() == ["freezer", "ambient", "freezer"]
    assert not any(f.table == "storage" for f in found.findings)


def test_date_for_a_place_names_the_setting(clean, write) -> None:
    clean["storage"] = [
        {"source_id": "S1", "Out": "2025-02-01 08:00", "Back in": "1 Feb 2025 16:00"}
    ]
    said = '[columns.storage]\nmoved_at = "Out"\nmoved_to = "Back in"\n'
    found, _ = examine_and_read(write(clean, said), today=TODAY)
    (finding,) = [f for f in found.findings if f.rule == "date for a place"]
    assert 'moved_back_at = "Back in"' in finding.mend


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("Spring 2023", "2023-03-01", "2023-05-31"),
        ("approx. March 2023", "2023-03-01", "2023-03-31"),
        ("Winter 2023", "2022-12-01", "2024-02-29"),
        ("2023", "2023-01-01", "2023-12-31"),
        ("late 2023", "2023-09-01", "2023-12-31"),
        ("03/2024", "2024-03-01", "2024-03-31"),
        ("2024-02", "2024-02-01", "2024-02-29"),
        ("Q1 2024", "2024-01-01", "2024-03-31"),
        ("c. 2021", "2021-01-01", "2021-12-31"),
    ],
)
def test_period_of_a_date_without_a_day(text, first, last) -> None:
    assert tuple(map(str, vague_period(text))) == (first, last)


@pytest.mark.parametrize("text", ["3 Feb 2024", "unknown", "12", "2024-02-03", "March", "13/2024"])
def test_what_is_no_period(text) -> None:
    assert vague_period(text) is None


def test_source_of_a_vague_date_keeps_its_trials(clean, write) -> None:
    clean["sources"][0]["acquired_on"] = "2025"
    clean["sources"][1]["acquired_on"] = "Winter 2024"
    found, records = examine_and_read(write(clean), today=TODAY)
    assert len(records.trials) == len(clean["trials"])
    # S1 was first moved on the first day that 2025 has, so nothing is left open.
    acquired = records.sources["acquired_on"].dt.strftime("%Y-%m-%d").tolist()
    assert acquired[:2] == ["2025-01-01", "2025-01-05"]
    (note,) = [f for f in found.findings if f.rule == "vague date"]
    assert note.row == 3
    assert "taken as 2025-01-05, the day of its first move or trial" in note.problem
    assert "up to 401 days older" in note.problem  # from 2023-12-01 on


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("search_s", "3m 20s", 200),
        ("search_s", "2 min 30 sec", 150),
        ("search_s", "1 hr 5 min", 3900),
        ("search_s", "45 sec", 45),
        ("set_min", "1 hr 30 min", 90),
        ("age_at_acquisition_days", "3 weeks", 21),
        ("age_at_acquisition_days", "2 months", 2 * 365.25 / 12),
        ("age_at_acquisition_days", "2 yrs", 2 * 365.25),
    ],
)
def test_times_with_their_units(name, text, value) -> None:
    table = "sources" if name.startswith("age") else "trials"
    cells = categories_of(pd.Series([text], dtype=object))
    read = read_column(TABLES[table].column(name), cells, RecordsSettings(), table)
    assert read.series.tolist() == [pytest.approx(value)]


def test_subtotals_are_no_trials_but_labels_are(clean, write) -> None:
    rows = clean["trials"]
    for text in ("Total 03/2025", "March subtotal", "TOTAL FOR APRIL", "Totals:"):
        rows.append(dict.fromkeys(rows[0], "") | {"trial_id": text, "result": "4"})
    rows[0]["trial_id"] = "Total loss exercise"
    found, records = examine_and_read(write(clean), today=TODAY)
    assert [f.row for f in found.findings if f.rule == "total row"] == [8, 9, 10, 11]
    assert len(records.trials) == 6


def test_a_column_a_dog_is_a_trial_a_cell(tmp_path) -> None:
    day = [dt.datetime(2024, 5, n, 9, 30) for n in range(1, 5)]
    path = book_of(tmp_path, Samples=SOURCES, Hides=[
        ("Date", "Sample", "Rex", "Mia"),
        (day[0], "A1", "F", "M"),
        (day[1], "A2", None, "F"),
        (day[2], "blank", "FA", "C"),
        (day[3], "A1", None, "-"),
    ])  # fmt: skip
    text, records = drafted(path)
    assert 'trials = ["Rex", "Mia"]' in text
    trials = records.trials
    assert trials["dog_id"].tolist() == ["Rex", "Mia", "Mia", "Rex", "Mia"]
    assert trials["result"].tolist() == ["find", "miss", "find", "false alert", "clear"]
    assert trials["row"].tolist() == [2, 2, 3, 4, 4]
    assert trials["trial_id"].is_unique
    # A hide that no dog searched is told.
    assert {f.row for f in records.findings if f.severity == "set aside"} == {5}


@pytest.mark.parametrize("text", ["Sat 3/2/2024", "Saturday, March 2, 2024", "sat. 2 Mar 2024"])
def test_weekday_before_a_date(clean, write, text) -> None:
    clean["trials"][5] |= {"started_at": text}
    records = read_records(write(clean, 'date_order = "month first"\n'), today=TODAY)
    # Before any source was there, on a blank area.
    assert str(records.trials["started_at"].iloc[5].date()) == "2024-03-02"


def test_label_is_known_without_what_stands_in_brackets(clean, write) -> None:
    clean["trials"][0]["source_id"] = "#s-1 (muscle)"
    records = read_records(write(clean, 'fold_labels = ["source_id"]\n'), today=TODAY)
    assert records.trials["source_id"].iloc[0] == "S1"


def test_hours_run_together_behind_a_date(clean, write) -> None:
    clean["trials"][0]["started_at"] = "02/01/2025 0930"
    clean["trials"][1]["started_at"] = "2/1/2025 10h30"
    records = read_records(write(clean, 'date_order = "month first"\n'), today=TODAY)
    told = records.trials["started_at"].dt.strftime("%Y-%m-%d %H:%M").tolist()
    assert told[:2] == ["2025-02-01 09:30", "2025-02-01 10:30"]


def test_plus_and_minus_are_results(tmp_path) -> None:
    rows = [
        (dt.datetime(2024, 5, n, 9), "Ash", *((n % 2 + 1, "+-"[n % 3 == 0], None) if n % 4 else
                                              (0, None, 1 if n == 8 else None)))
        for n in range(1, 21)
    ]  # fmt: skip
    listed = [("Nr.", "Type", "Received"), (1, "bone", "2024-01-05"), (2, "fat", "2024-02-01")]
    log = [("Date", "Dog", "Nr.", "+/-", "False"), *rows]
    text, records = drafted(book_of(tmp_path, Samples=listed, Log=log))
    assert '"" = "clear"' in text
    meant = [
        ("miss" if n % 3 == 0 else "find") if n % 4 else ("false alert" if n == 8 else "clear")
        for n in range(1, 21)
    ]
    assert records.trials["result"].tolist() == meant
