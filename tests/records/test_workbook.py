"""The blank workbook: filled in, it is read as it stands."""

import datetime as dt
import zipfile
from pathlib import Path

import openpyxl
import pytest

from outcomes.errors import OutputError, UsageError
from outcomes.records.columns import TABLES
from outcomes.records.read import examine_records, read_records
from outcomes.records.workbook import INSTRUCTIONS, write_template


@pytest.fixture
def path(tmp_path) -> Path:
    write_template(tmp_path / "unit.xlsx")
    return tmp_path / "unit.xlsx"


def test_sheets_have_the_records_columns(path) -> None:
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == ["instructions", *TABLES]
    for name, table in TABLES.items():
        assert [cell.value for cell in book[name][1]] == list(table.names)
        assert book[name].freeze_panes == "B2"
        assert book[name].max_row == 1


def test_the_instructions_explain_every_column(path) -> None:
    sheet = openpyxl.load_workbook(path)["instructions"]
    lines = {(row[0], row[1]) for row in sheet.iter_rows(values_only=True)}
    for name, table in TABLES.items():
        assert {(name, column) for column in table.names} <= lines


def test_words_have_lists_and_numbers_ranges(path) -> None:
    book = openpyxl.load_workbook(path)
    for name, table in TABLES.items():
        rules = {
            str(rule.sqref).split("2:", 1)[0]: rule
            for rule in book[name].data_validations.dataValidation
        }
        for cell, column in zip(book[name][1], table.columns, strict=True):
            rule = rules.get(cell.column_letter)
            if column.words:
                assert rule.type == "list"
                assert rule.formula1 == '"' + ",".join(column.words) + '"'
            elif column.low is not None:
                assert rule.type == ("whole" if column.type == "count" else "decimal")
                assert (float(rule.formula1), float(rule.formula2)) == (column.low, column.high)


def test_there_are_no_macros_and_no_links(path) -> None:
    parts = zipfile.ZipFile(path).namelist()
    assert not [part for part in parts if "vba" in part.lower() or "external" in part.lower()]


def test_a_blank_workbook_is_told_to_be_filled_in(path) -> None:
    found = examine_records(path)
    assert [(f.rule, f.table) for f in found.findings] == [
        ("no rows", "sources"),
        ("no storage rows", "storage"),
        ("no rows", "trials"),
    ]


def test_filled_in_it_is_read_without_settings(path) -> None:
    book = openpyxl.load_workbook(path)
    book["sources"].append(["007", "muscle", dt.date(2025, 1, 1), 3, "sealed", 50])
    book["storage"].append(["007", dt.datetime(2025, 1, 1), "freezer", -18])
    book["storage"].append(["007", dt.datetime(2025, 2, 1, 8), "ambient"])
    trial = dict.fromkeys(TABLES["trials"].names)
    trial |= {"trial_id": 1, "started_at": dt.datetime(2025, 2, 1, 9, 30), "dog_id": "Ash"}
    trial |= {"source_id": "007", "result": "find", "search_s": 45, "assisted": "no"}
    book["trials"].append(list(trial.values()))
    trial |= {"trial_id": 2, "source_id": None, "result": "clear"}
    trial |= {"started_at": dt.datetime(2025, 2, 1, 10, 30)}
    book["trials"].append(list(trial.values()))
    book.save(path)
    records = read_records(path)
    assert records.findings == ()
    assert list(records.sources["source_id"]) == ["007"]
    assert list(records.trials["trial_id"]) == ["1", "2"]
    assert str(records.trials["started_at"][0]) == "2025-02-01 09:30:00"
    assert len(records.dogs) == 0


def test_what_is_there_already_is_left_alone(path) -> None:
    before = path.read_bytes()
    with pytest.raises(OutputError, match="left as it is"):
        write_template(path)
    assert path.read_bytes() == before


def test_unusable_names_and_folders_are_one_line(tmp_path) -> None:
    with pytest.raises(UsageError, match=r"ends in \.xlsx"):
        write_template(tmp_path / "unit.xls")
    with pytest.raises(OutputError, match="could not be written"):
        write_template(tmp_path / "nowhere" / "unit.xlsx")


def test_every_sheet_prints_on_one_width(tmp_path) -> None:
    write_template(tmp_path / "blank.xlsx")
    book = openpyxl.load_workbook(tmp_path / "blank.xlsx")
    for sheet in book.worksheets:
        assert sheet.page_setup.orientation == "landscape"
        assert (sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight) == (1, 0)
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        if sheet.title != INSTRUCTIONS:
            assert sheet.print_title_rows == "$1:$1"
